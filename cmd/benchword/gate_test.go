package main

import (
	"flag"
	"go/ast"
	"os"
	"path/filepath"
	"testing"

	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// leftToTheGate are the tests that a desk leaves out whole, or a part of each, and why: none of them can be had in seconds.
var leftToTheGate = map[string]string{
	"cmd/benchword TestAShopWithAPast":               "four months of jobs, and a browser on the pages about them",
	"cmd/benchword TestATransferIsKilledAtAnyMoment": "a shop's past to carry, processes to kill",
	"cmd/benchword TestAttacks":                      "its texts: two thousand forms",
	"cmd/benchword TestBackupAndRestore":             "a shop's past, copied and checked eight times",
	"cmd/benchword TestCounterInABrowser":            "a browser on the way from a photo to a report",
	"cmd/benchword TestLongWordsFit":                 "a browser on every page and email",
	"cmd/benchword TestNoCopyKeepsMetadata":          "a program of its own reads each copy of each photo",
	"cmd/benchword TestNoShopReachesAnother":         "the same on Redis",
	"cmd/benchword TestPagesAreAccessible":           "a browser on every page",
	"cmd/benchword TestPagesAreValidHTML":            "the HTML checker on every page",
	"cmd/benchword TestPushInABrowser":               "a browser that is told",
	"cmd/benchword TestScannerInABrowser":            "a browser on every link of every email",
	"cmd/benchword TestStoriesOfTwoShopsOnRedis":     "every story once more, by two shops on Redis",
	"cmd/benchword TestTapsForAMarkedPhoto":          "a browser, tap by tap",
	"cmd/benchword TestTheExampleOutlivesItsParts":   "eight processes, of which three are killed",
	"cmd/benchword TestTransferOfAShop":              "a shop's past, carried four times",
	"cmd/benchword/shopyears TestShopYearsOnRedis":   "eight days of a shop on a server that is killed",
	"notify/mail mailsAreNoSpam":                     "a slow program that reads every email",
	"portal/counter TestAccountPagesInABrowser":      "a browser on each page of accounts",
	"portal/counter TestBenchPhoneInABrowser":        "two browsers, and a reader of QR codes",
	"portal/counter TestPasskeysInABrowser":          "a browser with a passkey",
	"portal/counter TestScripts":                     "a browser, for what a page's script makes easier",
	"workflow/store/redis TestCluster":               "the whole contract once more, on three servers",
	"portal/counter TestPagesInABrowser":             "a browser on every page",
}

// TestTheGateLeavesNothingOut: what a desk leaves out stands on the list, and .ci/run takes all of it.
func TestTheGateLeavesNothingOut(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range sources(t) {
		if s.name == "cmd/benchword/gate_test.go" {
			continue
		}
		for _, d := range s.file.Decls {
			ast.Inspect(d, func(n ast.Node) bool {
				if x, ok := n.(*ast.SelectorExpr); ok && x.Sel.Name == "Gate" {
					if p, ok := x.X.(*ast.Ident); ok && p.Name == "longtest" {
						row := s.dir + " " + d.(*ast.FuncDecl).Name.Name
						require.NotEmpty(t, leftToTheGate[row], "%s is left to the gate: say in leftToTheGate why", row)
						seen[row] = true
					}
				}
				return true
			})
		}
	}
	require.Len(t, leftToTheGate, len(seen), "what is not left to the gate is on its list")
	run, err := os.ReadFile(filepath.Join(root, ".ci/run"))
	require.NoError(t, err)
	require.Contains(t, string(run), "\nexport CI=true")
	require.Regexp(t, `(?m)^step_test\(\) \{ go test (-timeout \w+ )?\./\.\.\.; \}$`, string(run), "neither shortened nor narrowed")
	require.Regexp(t, `(?m)^all=\(.* test .*\)$`, string(run))

	t.Setenv("BENCHWORD_LONG", "")
	asked := flag.Lookup("test.run").Value
	defer func(was string) { _ = asked.Set(was) }(asked.String())
	require.NoError(t, asked.Set(""))
	for in, whole := range map[string]bool{"true": true, "": false} {
		t.Setenv("CI", in)
		left := true
		t.Run("CI="+in, func(t *testing.T) {
			longtest.Gate(t)
			left = false
		})
		require.Equal(t, whole, !left)
		share, taken := longtest.Share(t, 5), 0
		for i := range 20 {
			if share(i) {
				taken++
			}
		}
		require.Equal(t, map[bool]int{true: 20, false: 4}[whole], taken)
	}
}
