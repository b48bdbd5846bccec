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

// Ranges that are far too narrow, told by somebody too sure of themselves, hold once they are calibrated; also
// when a good part of the jobs they were told for is still running, whose times are cut where they stand.
func TestCalibrate(t *testing.T) {
	chance := rand.New(rand.NewPCG(2, 2))
	tell := func() (Range, float64) {
		size := math.Exp(chance.NormFloat64()) // the job's own size, known beforehand
		return Range{9 * size, 11 * size}, 10 * size * math.Exp(0.5*chance.NormFloat64())
	}
	const trials, n = 1500, 150
	raw, right, cut := 0, 0, 0
	for range trials {
		var all, running []Trial
		for range n {
			r, took := tell()
			all = append(all, Trial{r, Stay{took, true}})
			seen := chance.Float64() * 60 * r.High / 11
			running = append(running, Trial{r, Stay{min(took, seen), took <= seen}})
		}
		r, took := tell()
		holds := func(r Range) bool { return r.Low <= took && took <= r.High }
		if holds(r) {
			raw++
		}
		c, err := Calibrate(all, 0.8)
		require.NoError(t, err)
		if holds(c.Apply(r)) {
			right++
		}
		c, err = Calibrate(running, 0.8)
		require.NoError(t, err)
		if holds(c.Apply(r)) {
			cut++
		}
	}
	require.Less(t, raw, trials/4)
	t.Logf("as told: stated 80 %%, observed %.1f %%", 100*float64(raw)/trials)
	within(t, "calibrated", right, trials, 0.8, 0.8+2./(n+1))
	within(t, "calibrated with running jobs", cut, trials, 0.8, 0.8+2./(n*2/3)) // two thirds and more have finished
}

func TestCalibrateNeedsEnough(t *testing.T) {
	told := make([]Trial, 8)
	for i := range told {
		told[i] = Trial{Range{1, 2}, Stay{float64(i), true}}
	}
	_, err := Calibrate(told, 0.8)
	require.EqualError(t, err, "no range is given: one that holds 80 % needs 9 finished jobs, and there are 8")
	c, err := Calibrate(append(told, Trial{Range{1, 2}, Stay{8, true}}), 0.8)
	require.NoError(t, err)
	require.Equal(t, Range{0, 8}, c.Apply(Range{1, 2}))
	require.Equal(t, Range{0, 16}, c.Apply(Range{2, 4}), "in parts of the upper end")
	require.Equal(t, Range{3, 4}, Correction{}.Apply(Range{3, 4}))
	require.Equal(t, Range{0, 0}, Correction{low: 5, high: -2}.Apply(Range{1, 2}), "ends never cross, or go below 0")

	_, err = Calibrate([]Trial{{Range{3, 2}, Stay{}}}, 0.8)
	require.EqualError(t, err, "range 1: the range ends before it begins")
	_, err = Calibrate([]Trial{{Range{3, math.NaN()}, Stay{}}}, 0.8)
	require.EqualError(t, err, "range 1: the duration is not a number")
	_, err = Calibrate(nil, 1)
	require.ErrorContains(t, err, "must lie between 0 and 1")
}
