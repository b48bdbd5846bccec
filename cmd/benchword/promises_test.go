package main

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	promising = regexp.MustCompile(`(?i)\b(never|once|always|exactly|at least|before)\b`)
	sentence  = regexp.MustCompile(`[.;:?!] `)
	elsewhere = regexp.MustCompile(`^(design \d+|decided): `)
)

// TestPromisesHaveMutants finds a sentence of a package comment that promises something and has no block in
// .ci/mutants.txt, and a block that quotes what no package comment says.
func TestPromisesHaveMutants(t *testing.T) {
	list, err := os.ReadFile(root + "/.ci/mutants.txt")
	require.NoError(t, err)
	var said, docs []string
	for block := range strings.SplitSeq(string(list), "\n\n") {
		if say, rest, _ := strings.Cut(block, "\n"); strings.HasPrefix(say, "say ") {
			said = append(said, strings.TrimPrefix(say, "say "))
			require.True(t, strings.HasPrefix(rest, "not ") || strings.Contains(rest, "\n- ") && strings.Contains(rest, "\n+ "), say)
		}
	}
	for _, s := range sources(t) {
		if s.file.Doc == nil || s.test {
			continue
		}
		doc := strings.ReplaceAll(strings.Join(strings.Fields(s.file.Doc.Text()), " "), " - ", " ")
		docs = append(docs, doc)
		for _, x := range sentence.Split(doc, -1) {
			if promising.MatchString(x) {
				require.True(t, strings.Contains(strings.Join(said, "\n"), strings.TrimSuffix(x, ".")), "this sentence of the package comment in %s has no block in .ci/mutants.txt: %s", s.name, x)
			}
		}
	}
	require.NotEmpty(t, docs)
	for _, x := range said {
		if !elsewhere.MatchString(x) {
			require.True(t, strings.Contains(strings.Join(docs, "\n"), strings.TrimSuffix(x, ".")), "no package comment says so: %s", x)
		}
	}
}
