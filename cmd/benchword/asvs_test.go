package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// asvsRows reads one of the two tables about OWASP ASVS 5.0.0, by id.
func asvsRows(t *testing.T, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join(root, "testdata", name))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	all := map[string][]string{}
	for _, row := range rows[1:] {
		require.NotContains(t, all, row[0], "%s: there are two rows for it", name)
		all[row[0]] = row
	}
	return all
}

// testdata/asvs.csv says of every requirement of levels 1 and 2 which tests hold it, why it does not apply, or what was
// decided, with the date; of level 3 those rows stand in it that something is said about. A test that is renamed or goes must
// be followed there.
//
// # Decisions
//
//   - 2026-11-30: Every row of ASVS 5.0, levels 1 and 2, has its tests, its reason or its decision, and a row that is not
//     followed says so. Rejected: only the rows that touch the program, for whoever leaves one out decides in silence.
func TestEveryRowOfASVS(t *testing.T) {
	published, said := asvsRows(t, "published/asvs5_levels.csv"), asvsRows(t, "asvs.csv")
	require.Len(t, published, 345)
	have := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (\w+)\(\w+ \*?(?:testing\.[TF]|test)\)`)
	for _, s := range sources(t) {
		if s.harness() {
			b, err := os.ReadFile(filepath.Join(root, s.name))
			require.NoError(t, err)
			for _, m := range declared.FindAllStringSubmatch(string(b), -1) {
				have[m[1]] = true
			}
		}
	}
	used := map[string]bool{}
	for id, row := range published {
		chapter, section, _ := strings.Cut(id[:strings.LastIndex(id, ".")], ".")
		for _, key := range []string{id, chapter + "." + section + ".*", chapter + ".*"} {
			if said[key] != nil {
				require.False(t, used[id], "%s is answered twice", id)
				used[id], used[key] = true, true
			}
		}
		require.True(t, used[id] || row[1] == "3", "nothing is said about %s (%s)", id, row[2])
	}
	for id, row := range said {
		tests, reason := strings.Fields(row[1]), row[2]
		require.True(t, used[id], "%s is none of the rows", id)
		for _, name := range tests {
			require.True(t, have[name], "%s names %s, which there is not", id, name)
		}
		require.True(t, len(tests) > 0 || reason != "", "nothing is said about %s", id)
		if reason != "" {
			require.Regexp(t, `^(not applicable|2026-\d\d-\d\d): \S+ \S+ \S+`, reason, id)
			require.True(t, len(tests) == 0 || reason[0] == '2', "%s is held by tests, so it applies", id)
		}
	}
}
