package forecast

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The place is ceil((n+1)(1-a)): Vovk, Gammerman, Shafer (2005); Lei et al., J. Am. Stat. Assoc. 113 (2018).
func TestRank(t *testing.T) {
	for _, r := range []struct {
		n    int
		miss float64
		k    int
		ok   bool
	}{
		{19, 0.1, 18, true},
		{9, 0.1, 9, true},
		{8, 0.1, 9, false}, // the 9th of 8: no bound
		{0, 0.1, 1, false},
		{99, 0.43, 57, true}, // 100*(1-0.43) is 57.00000000000001 in binary
		{3, 0.2, 4, false},
		{4, 0.2, 4, true},
	} {
		k, ok := Rank(r.n, 1-r.miss)
		require.Equal(t, r.k, k, "%v", r)
		require.Equal(t, r.ok, ok, "%v", r)
	}
	for coverage, n := range map[float64]int{0.8: 9, 0.9: 19, 0.5: 3, 0.95: 39} {
		require.Equal(t, n, Needed(coverage))
		_, ok := Rank(n, 1-(1-coverage)/2)
		require.True(t, ok)
		_, ok = Rank(n-1, 1-(1-coverage)/2)
		require.False(t, ok)
	}
}

func TestRangeNeedsEnough(t *testing.T) {
	r, err := estimate(t, done(9, 8, 7, 6, 5, 4, 3, 2, 1)).Range(0.8)
	require.NoError(t, err)
	require.Equal(t, Range{1, 9}, r)

	_, err = estimate(t, done(8, 7, 6, 5, 4, 3, 2, 1)).Range(0.8)
	var none *NoRange
	require.True(t, errors.As(err, &none))
	require.Equal(t, &NoRange{Coverage: 0.8, Finished: 8, Needed: 9}, none)
	require.EqualError(t, err, "no range is given: one that holds 80 % needs 9 finished jobs, and there are 8")

	_, err = estimate(t, freireich).Range(0.8)
	require.EqualError(t, err, "no range is given: too many of the long jobs are unfinished to tell where 80 % of them end")

	for _, c := range []float64{0, 1, -3, 80, math.NaN()} {
		_, err = estimate(t, freireich).Range(c)
		require.ErrorContains(t, err, "must lie between 0 and 1")
		require.False(t, errors.As(err, &none))
	}
}

// within demands that hits of n agree with a probability between low and high: inside 3.3 standard errors, so
// that a right program fails one time in a thousand, and a fixed seed never.
func within(t *testing.T, what string, hits, n int, low, high float64) {
	t.Helper()
	got := float64(hits) / float64(n)
	slack := func(p float64) float64 { return 3.3 * math.Sqrt(p*(1-p)/float64(n)) }
	t.Logf("%s: stated %.1f %% (to %.1f %%), observed %.1f %% of %d, allowed %.1f to %.1f %%",
		what, low*100, high*100, got*100, n, (low-slack(low))*100, (high+slack(high))*100)
	require.GreaterOrEqual(t, got, low-slack(low), what)
	require.LessOrEqual(t, got, high+slack(high), what)
}

// At any number of finished jobs the range holds what it states, and little more: (k_high-k_low)/(n+1), known
// exactly for jobs that are alike.
func TestRangeHolds(t *testing.T) {
	for _, n := range []int{9, 19, 25, 99} {
		chance := rand.New(rand.NewPCG(1, uint64(n)))
		const trials = 6000
		hits := 0
		for range trials {
			var past []Stay
			for range n {
				past = append(past, Stay{chance.ExpFloat64(), true})
			}
			r, err := estimate(t, past).Range(0.8)
			require.NoError(t, err)
			if x := chance.ExpFloat64(); r.Low <= x && x <= r.High {
				hits++
			}
		}
		miss := 0.1
		exact := (math.Ceil(float64(n+1)*(1-miss)-1e-9) - math.Floor(float64(n+1)*miss+1e-9)) / float64(n+1)
		require.GreaterOrEqual(t, exact, 0.8-1e-9)
		within(t, fmt.Sprintf("range of %d finished jobs", n), hits, trials, exact, exact)
	}
}
