package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// inEnglish is the demo's shop with a catalogue of its own, for customers who read English.
func inEnglish() string {
	return strings.NewReplacer("[shop]", "[shop]\ncatalogue_file = \"findings.toml\"", `languages = ["en", "fr", "de", "es"]`, "").Replace(fmt.Sprintf(demoSettings, "https://status.harbour.example"))
}

// A shop's own findings and duties come from a file beside its settings; what is wrong is named with its
// line and its reason.
func TestAShopsOwnCatalogue(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "shop.toml")
	read := func(catalogue string) (*Settings, error) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "findings.toml"), []byte(catalogue), 0o600))
		return ParseSettings(path, []byte(inEnglish()))
	}
	const good = `# our own
[finding.fader_worn]
group = "fault"
origin = "wear"
evidence = ["reading"]
[finding.fader_worn.en]
term = "Worn fader"
plain = "A sliding control has worn through."
matters = "The level jumps when it is moved."
remedy = "Renew the fader"

[finding.flux_residue.en]
matters = "We always clean it off."

[duty.fader]
found = ["fader_worn"]
before = "testing"
[duty.fader.text]
en = "Renew both faders"
`
	s, err := read(good)
	require.NoError(t, err)
	shop, err := s.shop()
	require.NoError(t, err)
	require.Equal(t, "Worn fader", shop.Trade().Say("en", "fader_worn").Term)
	require.Equal(t, "We always clean it off.", shop.Trade().Say("en", "flux_residue").Matters)
	require.Equal(t, "fader", shop.Trade().RulesFor("fader_worn")[0].ID)

	// The example of the manual, and what a file from before our rule grew should change: it holds all the same.
	manual, err := os.ReadFile("deploy/words.md")
	require.NoError(t, err)
	_, example, _ := strings.Cut(string(manual), "```toml\n[finding.")
	example, _, _ = strings.Cut(example, "```")
	s, err = read("[finding." + example)
	require.NoError(t, err)
	require.Equal(t, 75, s.trade.Symptom("dark").Causes["lamp"])
	s, err = read("[duty.cell]\nfound = [\"cell_swollen\"]\nbefore = \"at_once\"\nno_post = true\n")
	require.NoError(t, err)
	require.Contains(t, s.trade.Notes[0], "cell_pierced, cell_wet")

	for _, x := range []struct{ from, to, want string }{
		{`origin = "wear"`, `origin = "moon"`, "findings.toml, line 4: finding.fader_worn.origin is “moon”; it must be one of: arrival"},
		{`evidence =`, `evidense =`, "findings.toml, line 5: finding.fader_worn.evidense is nothing that a catalogue holds"},
		{`remedy = "Renew the fader"`, ``, "line 6: finding.fader_worn.en lacks “remedy”"},
		{`before = "testing"`, `before = "lunch"`, "line 17: duty.fader.before is “lunch”"},
		{`en = "Renew both faders"`, ``, "line 18: duty.fader.text lacks “en”"},
		{`found = ["fader_worn"]`, `found = ["fader"]`, "line 16: duty.fader.found names “fader”, which is no finding"},
		{`group = "fault"`, `group = `, "findings.toml, line 3: "},
	} {
		require.Contains(t, good, x.from)
		_, err := read(strings.Replace(good, x.from, x.to, 1))
		require.ErrorContains(t, err, x.want)
	}
	require.NoError(t, os.Remove(filepath.Join(dir, "findings.toml")))
	_, err = ParseSettings(path, []byte(inEnglish()))
	require.ErrorContains(t, err, "the file that shop.catalogue_file names can't be read")
}
