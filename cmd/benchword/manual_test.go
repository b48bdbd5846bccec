package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"benchword/workflow"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// The manual (README, DEVELOPERS and the chapters in deploy) says nothing that is not so: its commands and
// flags exist, its links and paths lead somewhere, its settings load, and its index names every
// chapter.
func TestTheManual(t *testing.T) {
	chapters, err := filepath.Glob("deploy/*.md")
	require.NoError(t, err)
	require.Greater(t, len(chapters), 5)
	const index = "deploy/README.md"
	commandLine := regexp.MustCompile("(?m)^    (?:\\./)?benchword ([^#\n]+)|`benchword ([^`]+)`")
	link := regexp.MustCompile(`\]\(([^)#]+)|src="([^"]+)"`)
	block := regexp.MustCompile("(?s)```toml\n(.*?)```")
	for _, name := range append(chapters, "../../README.md", "../../DEVELOPERS.md") {
		raw, err := os.ReadFile(name)
		require.NoError(t, err)
		text := string(raw)
		for _, m := range commandLine.FindAllStringSubmatch(text, -1) {
			typed(t, strings.Fields(m[1]+m[2]))
		}
		var links []string
		for _, m := range link.FindAllStringSubmatch(text, -1) {
			if to := m[1] + m[2]; !strings.Contains(to, "://") {
				_, err := os.Stat(filepath.Join(filepath.Dir(name), to))
				require.NoError(t, err, "%s links to %s", name, to)
				links = append(links, to)
			}
		}
		if strings.HasSuffix(name, "DEVELOPERS.md") {
			for _, m := range regexp.MustCompile("`([a-z_.]+/[a-z_./]+)`").FindAllStringSubmatch(text, -1) {
				_, err := os.Stat(filepath.Join(root, m[1]))
				require.NoError(t, err, "%s names %s", name, m[1])
			}
		}
		if name == index {
			for _, c := range chapters {
				require.True(t, c == index || slices.Contains(links, filepath.Base(c)), "the index lacks %s", c)
			}
		}
		for _, m := range block.FindAllStringSubmatch(text, -1) {
			switch {
			case strings.Contains(m[1], "[shop]"):
				_, err = starts(t, m[1])
			case strings.Contains(m[1], "[finding."):
				dir := t.TempDir()
				require.NoError(t, os.WriteFile(filepath.Join(dir, "findings.toml"), []byte(m[1]), 0o600))
				_, err = ParseSettings(filepath.Join(dir, settingsName), []byte(strings.Replace(settingsText, "[shop]", "[shop]\ncatalogue_file = \"findings.toml\"", 1)))
			default:
				_, err = starts(t, switched(settingsText+m[1], none, none))
			}
			require.NoError(t, err, name)
		}
	}
}

func none(int) bool { return false }

// typed checks that a command and its flags exist.
func typed(t testing.TB, args []string) {
	t.Helper()
	require.True(t, slices.ContainsFunc(commands, func(c command) bool { return c.name == args[0] }), args)
	_, help := benchword(t, args[0], "-h")
	for _, a := range args[1:] {
		if name, ok := strings.CutPrefix(a, "--"); ok {
			require.Contains(t, help, "\n  -"+name, args)
		}
	}
}

// The chapter about webhooks lists the events that hooks are told of, and the one about monitoring the
// figures that there are.
func TestTheManualListsWhatThereIs(t *testing.T) {
	listed := func(file, name string) (all []string) {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for row := range strings.Lines(string(text)) {
			if strings.HasPrefix(row, "|") {
				for _, m := range regexp.MustCompile("`("+name+")`").FindAllStringSubmatch(row, -1) {
					all = append(all, m[1])
				}
			}
		}
		return all
	}
	var kinds []string
	for _, k := range workflow.HookEvents {
		kinds = append(kinds, string(k))
	}
	require.ElementsMatch(t, kinds, listed("deploy/webhooks.md", `[a-z]+\.[a-z_]+`))

	f := newMetrics(&workflow.Service{})
	described := make(chan *prometheus.Desc, 20)
	f.Describe(described)
	f.attempts.Describe(described)
	f.accepted.Describe(described)
	workersEnded(nil).Describe(described)
	close(described)
	var names []string
	for d := range described {
		names = append(names, regexp.MustCompile(`fqName: "(\w+)"`).FindStringSubmatch(d.String())[1])
	}
	require.ElementsMatch(t, names, listed("deploy/monitoring.md", `benchword_\w+`))
}

// DEVELOPERS indexes the decisions of all comments, no more and no less.
func TestDecisionsAreIndexed(t *testing.T) {
	var there, indexed []string
	for _, p := range ourFiles(t) {
		if filepath.Ext(p) != ".go" {
			continue
		}
		text, err := os.ReadFile(filepath.Join(root, p))
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`(?m)^// +- (20\d\d-\d\d-\d\d): `).FindAllStringSubmatch(string(text), -1) {
			there = append(there, p+" "+m[1])
		}
	}
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	require.NoError(t, err)
	for _, m := range regexp.MustCompile(`(?m)^\| (20\d\d-\d\d-\d\d) \| .* \| \[(.*)\]\((.*)\) \|$`).FindAllStringSubmatch(string(text), -1) {
		require.Equal(t, m[2], m[3])
		indexed = append(indexed, m[2]+" "+m[1])
	}
	require.NotEmpty(t, there)
	require.ElementsMatch(t, there, indexed)
}
