package counter

import (
	"testing"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// Without scripts: look an entry up, look at what was filled in, keep it.
func TestFindingFromTheCatalogue(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("finding")
	page := nils.page(at)
	require.Contains(t, page.body, `<option value="Flux residue">Traces of earlier work</option>`)
	require.Contains(t, page.body, `href="`+at+`?find=cell_swollen"`, "the whole list can be gone through")

	several := nils.page(at + "?find=screw")
	require.Contains(t, several.body, "Several fit")
	require.Contains(t, several.body, at+"?find=fastener_length")
	require.Empty(t, several.kept(at).Get("entry"))
	require.Contains(t, nils.page(at+"?find=%3Cb%3Equartz").body, "Nothing in the catalogue fits “&lt;b&gt;quartz”")

	one := nils.page(at + "?find=heat+sink+without+new+compound")
	require.Contains(t, one.body, "Renew the thermal compound (before testing)")
	require.Contains(t, nils.page(at+"?find=charge_kept").body, "measure again", "the bench reads what the bench does, not what its owner is asked")
	require.NotContains(t, nils.page(at+"?find=charge_kept").body, "Please don’t open")
	kept := one.kept(at)
	require.Equal(t, []string{"heatsink_dry", "earlier_work", "open", "seen"}, []string{kept.Get("entry"), kept.Get("origin"), kept.Get("weight"), kept.Get("certainty")})
	ok := one.form(at).set("text", "The heat sink of U1 was put back on its old compound.").press("keep")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	j := d.job()
	f := j.Findings[0]
	require.Equal(t, "Heat sink without new compound", f.Term)
	require.Equal(t, "The heat sink of U1 was put back on its old compound.", f.Text)
	require.NotEmpty(t, f.Plain)
	require.Equal(t, "compound", j.Duties[0].Rule)
	require.Contains(t, nils.page(d.url("finding/1")).body, "Heat sink without new compound", "and when it is corrected")

	// A usual duty, and one that only a test settles.
	ok = nils.page(d.url("duties")).form(d.url("duties")).set("rule", "safety").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	duties := nils.page(d.url("duties"))
	require.Contains(t, duties.body, "settled by the test “Electrical safety”")
	require.Equal(t, 303, nils.page(d.url("work")).form(d.url("work")).set("text", "Lifted it").set("did", "heatsink_lifted").press("keep").StatusCode)
	require.Equal(t, "heatsink_lifted", d.job().Duties[2].Action)
}

// Two presses a check: open the page, press the outcome. Nobody has to follow the proposal.
func TestTheLedgerAtTheCounter(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("checks")
	bad := nils.page(at).form(d.url("symptom")).set("symptom", "sulks").send()
	require.Equal(t, 422, bad.StatusCode)
	ok := nils.page(at).form(d.url("symptom")).set("symptom", "cuts_out").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, at, ok.Header.Get("Location"))

	page := nils.page(at)
	require.Contains(t, page.body, "Proposed next")
	require.Contains(t, page.body, "The safe one first, before any power: 3 minutes.")
	require.Contains(t, page.body, "something not named yet")
	require.Contains(t, page.body, "Another check instead: 10 more")
	first := page.form(at).set("outcome", "unclear").set("reading", "15.1 V").send()
	require.Equal(t, 303, first.StatusCode, first.problems())
	j := d.job()
	require.Equal(t, workflow.CheckUnclear, j.Suspects[0].Checks[0].Outcome)
	require.Equal(t, 1, j.Suspects[0].Checks[0].Plan)
	require.Equal(t, "15.1 V", j.Suspects[0].Checks[0].Reading)

	// Another one than the proposed, with its outcome.
	other := nils.page(at).form(at, 2).set("outcome", "ruled_out").send()
	require.Equal(t, 303, other.StatusCode, other.problems())
	require.Contains(t, nils.page(at).body, "ruled out")

	bad = nils.page(at).form(d.url("check-plan")).set("what", "").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#what">`)
	ok = nils.page(at).form(d.url("check-plan")).set("about", "1").set("what", "Swap the adaptor").set("minutes", "3").set("behind", "case_off").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, "Case off", d.job().Plans[11].Behind[0].Name)
}
