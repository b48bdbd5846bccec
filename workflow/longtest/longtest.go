// Package longtest says how much of what is alike a test looks at: how many kills, seeds, pages. What is checked of
// each is the same in every run.
package longtest

import (
	"flag"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// Long reports whether everything is tried as often as there is a number for: .ci/run long sets BENCHWORD_LONG.
func Long() bool { return os.Getenv("BENCHWORD_LONG") != "" }

// Whole reports whether none of what is alike is left to another run: .ci/run sets CI. At a desk, where somebody
// waits for the answer, each run takes a share.
func Whole() bool { return Long() || os.Getenv("CI") != "" }

// Gate leaves a test to the gate, which takes README's command with CI set; who asks for tests by -run gets them. What
// is left so stands on a list in cmd/benchword/gate_test.go.
func Gate(t testing.TB) {
	t.Helper()
	if !Whole() && flag.Lookup("test.run").Value.String() == "" {
		t.Skip("left to the gate: CI=true go test, or .ci/run test")
	}
}

// Times returns how often something is tried: in a long run, in the gate, and with -short or at a desk.
func Times(long, gate, few int) int {
	switch {
	case Long():
		return long
	case Whole() && !testing.Short():
		return gate
	}
	return few
}

// Draws has rapid try fewer sequences at a desk, until the test ends and unless somebody named a number.
func Draws(t testing.TB, few int) {
	f := flag.Lookup("rapid.checks")
	if all := f.Value.String(); !Whole() && all == f.DefValue {
		_ = f.Value.Set(strconv.Itoa(few))
		t.Cleanup(func() { _ = f.Value.Set(all) })
	}
}

// Share returns which of many like things this run looks at, by their place: each of them in the gate, one in every
// at a desk. It logs where that began.
func Share(t testing.TB, every int) func(place int) bool {
	if Whole() {
		return func(int) bool { return true }
	}
	first := rand.IntN(every)
	t.Logf("at a desk: one in %d, from number %d", every, first)
	return func(place int) bool { return place%every == first }
}
