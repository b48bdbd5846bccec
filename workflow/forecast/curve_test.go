package forecast

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func done(d ...float64) []Stay {
	var s []Stay
	for _, x := range d {
		s = append(s, Stay{x, true})
	}
	return s
}

func open(d ...float64) []Stay {
	var s []Stay
	for _, x := range d {
		s = append(s, Stay{x, false})
	}
	return s
}

func estimate(t require.TestingT, stays []Stay) *Curve {
	c, err := Estimate(stays)
	require.NoError(t, err)
	return c
}

// Remission in weeks under 6-mercaptopurine: Freireich et al., Blood 21 (1963) 699-716.
var freireich = append(done(6, 6, 6, 7, 10, 13, 16, 22, 23), open(6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)...)

// Survival and standard error to three decimals are those of the NAG Library's example g12aac
// (nag_surviv_kaplanmeier, Mark 27). The limits to three decimals and the standard error to four are what R's
// survival package prints for the data set drug6mp of Klein and Moeschberger, Survival Analysis, 2nd edition
// (2003), example 4.1. Six decimals are worked out here a second time from the definitions, as fractions: each
// row's (n-d)/n, d/n and d/(n(n-d)).
func TestFreireich(t *testing.T) {
	rows := []struct {
		time            float64
		n, d            int
		s, se           float64 // NAG
		se4, low, high  float64 // R
		s6, se6, hazard float64 // by definition
	}{
		{6, 21, 3, 0.857, 0.076, 0.0764, 0.720, 1.000, 0.857143, 0.076360, 0.142857},
		{7, 17, 1, 0.807, 0.087, 0.0869, 0.653, 0.996, 0.806723, 0.086935, 0.201681},
		{10, 15, 1, 0.753, 0.096, 0.0963, 0.586, 0.968, 0.752941, 0.096350, 0.268347},
		{13, 12, 1, 0.690, 0.107, 0.1068, 0.510, 0.935, 0.690196, 0.106815, 0.351681},
		{16, 11, 1, 0.627, 0.114, 0.1141, 0.439, 0.896, 0.627451, 0.114054, 0.442590},
		{22, 7, 1, 0.538, 0.128, 0.1282, 0.337, 0.858, 0.537815, 0.128234, 0.585447},
		{23, 6, 1, 0.448, 0.135, 0.1346, 0.249, 0.807, 0.448179, 0.134591, 0.752114},
	}
	c := estimate(t, freireich)
	require.Len(t, c.Points(), len(rows))
	survival, variance, hazard := 1.0, 0.0, 0.0
	for i, p := range c.Points() {
		r := rows[i]
		require.Equal(t, r.time, p.Time)
		require.Equal(t, r.n, p.AtRisk)
		require.Equal(t, r.d, p.Finished)
		require.InDelta(t, r.s, p.Survival, 0.0005)
		require.InDelta(t, r.se, p.SE, 0.0005)
		require.InDelta(t, r.se4, p.SE, 0.00005)
		require.True(t, p.Limits)
		require.InDelta(t, r.low, p.Low, 0.0005)
		require.InDelta(t, r.high, p.High, 0.0005)
		require.InDelta(t, r.s6, p.Survival, 0.0000005)
		require.InDelta(t, r.se6, p.SE, 0.0000005)
		require.InDelta(t, r.hazard, p.Hazard, 0.0000005)

		n, d := float64(r.n), float64(r.d)
		survival *= (n - d) / n
		variance += d / (n * (n - d))
		hazard += d / n
		require.InDelta(t, survival, p.Survival, 1e-14)
		require.InDelta(t, survival*math.Sqrt(variance), p.SE, 1e-14)
		require.InDelta(t, hazard, p.Hazard, 1e-14)
	}
	median, ok := c.Median()
	require.True(t, ok)
	require.Equal(t, 23.0, median)
	quarter, ok := c.Quantile(0.25)
	require.True(t, ok)
	require.Equal(t, 13.0, quarter)
	_, ok = c.Quantile(0.8)
	require.False(t, ok)
	require.Equal(t, 21, c.Jobs())
	require.Equal(t, 9, c.Finished())
	_, ok = c.Survival(35.5)
	require.False(t, ok, "beyond the longest unfinished job nothing is known")
	s, ok := c.Survival(35)
	require.True(t, ok)
	require.InDelta(t, 0.448179, s, 0.0000005)
}

// Therneau and Grambsch, Modeling Survival Data (2000), appendix, data set 1: times 9 1 1 6 6 8, status
// 1 1 0 1 1 0. The increments of the hazard and the influence of each job on the curve are those of the
// survival package's tests/book1.R; the squares of the influences sum up to Greenwood's variance.
func TestTherneauGrambsch(t *testing.T) {
	p := estimate(t, []Stay{{9, true}, {1, true}, {1, false}, {6, true}, {6, true}, {8, false}}).Points()
	require.Len(t, p, 3)
	increments := []float64{1. / 6, 2. / 4, 1. / 1}
	before := 0.0
	for i, want := range increments {
		require.InDelta(t, want, p[i].Hazard-before, 1e-15)
		before = p[i].Hazard
	}
	influence := [][]float64{{-20, 4, 4, 4, 4, 4}, {-10, 2, -13, -13, 17, 17}}
	for i, column := range influence {
		sum := 0.0
		for _, x := range column {
			sum += x / 144 * x / 144
		}
		require.InDelta(t, math.Sqrt(sum), p[i].SE, 1e-15)
	}
	require.InDelta(t, 5./6, p[0].Survival, 1e-15)
	require.InDelta(t, 5./12, p[1].Survival, 1e-15)
	require.Zero(t, p[2].Survival)
	require.Equal(t, Point{Time: 9, AtRisk: 1, Finished: 1, Hazard: p[2].Hazard}, p[2], "a curve at 0 has no limits")
}

func TestNothingKnown(t *testing.T) {
	for name, stays := range map[string][]Stay{"empty": nil, "all unfinished": open(3, 3, 8)} {
		c := estimate(t, stays)
		require.Empty(t, c.Points(), name)
		_, ok := c.Median()
		require.False(t, ok, name)
		_, err := c.Range(0.8)
		require.EqualError(t, err, "no range is given: one that holds 80 % needs 9 finished jobs, and there are 0", name)
	}
	_, ok := estimate(t, nil).Survival(0)
	require.False(t, ok)
	s, ok := estimate(t, open(3)).Survival(3)
	require.True(t, ok)
	require.Equal(t, 1.0, s)
}

func TestTies(t *testing.T) {
	// A job unfinished at 5 was still at risk when two finished at 5.
	p := estimate(t, []Stay{{5, false}, {5, true}, {7, true}, {5, true}}).Points()
	require.Equal(t, 4, p[0].AtRisk)
	require.Equal(t, 2, p[0].Finished)
	require.Equal(t, 0.5, p[0].Survival)
	require.Equal(t, 1, p[1].AtRisk)

	p = estimate(t, done(0, 0, 4)).Points()
	require.Zero(t, p[0].Time)
	require.InDelta(t, 1./3, p[0].Survival, 1e-15)
}

func TestWrongDurations(t *testing.T) {
	for want, d := range map[string]float64{
		"stay 2: the duration -1 is below 0":      -1,
		"stay 2: the duration is not a number":    math.NaN(),
		"stay 2: the duration is infinite":        math.Inf(1),
		"stay 2: the duration -0.0001 is below 0": -0.0001,
	} {
		_, err := Estimate([]Stay{{1, true}, {d, true}})
		require.EqualError(t, err, want)
	}
	for _, p := range []float64{0, -1, 1.01, math.NaN()} {
		_, ok := estimate(t, done(1, 2)).Quantile(p)
		require.False(t, ok)
	}
}

func stays(finished *rapid.Generator[bool]) *rapid.Generator[[]Stay] {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Stay {
		return Stay{float64(rapid.IntRange(0, 40).Draw(t, "duration")), finished.Draw(t, "finished")}
	}), 1, 60)
}

// Where all have finished the curve is one minus the empirical distribution, to the last bit.
func TestNoUnfinishedJobs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := stays(rapid.Just(true)).Draw(t, "stays")
		c := estimate(t, all)
		for x := 0.0; x <= 41; x++ {
			longer := 0
			for _, s := range all {
				if s.Duration > x {
					longer++
				}
			}
			got, ok := c.Survival(x)
			require.True(t, ok)
			require.Equal(t, float64(longer)/float64(len(all)), got)
		}
		// and its quantiles are the order statistics.
		slices.SortFunc(all, func(a, b Stay) int { return int(a.Duration - b.Duration) })
		for k := 1; k <= len(all); k++ {
			got, ok := c.Quantile(float64(k) / float64(len(all)))
			require.True(t, ok)
			require.Equal(t, all[k-1].Duration, got)
		}
		// Greenwood's formula is then the binomial one.
		for _, p := range c.Points() {
			if p.Survival > 0 {
				require.InDelta(t, math.Sqrt(p.Survival*(1-p.Survival)/float64(len(all))), p.SE, 1e-12)
			}
		}
	})
}

func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := stays(rapid.Bool()).Draw(t, "stays")
		was := slices.Clone(all)
		a := estimate(t, all)
		require.Equal(t, was, all, "the stays that are given stay as they are")
		b := estimate(t, rapid.Permutation(all).Draw(t, "order"))
		require.Equal(t, a.Points(), b.Points())
		require.Equal(t, a.Finished(), b.Finished())
	})
}

// Days instead of hours give the same answers in days.
func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := stays(rapid.Bool()).Draw(t, "stays")
		unit := rapid.Float64Range(0.001, 1000).Draw(t, "unit")
		scaled := slices.Clone(all)
		for i := range scaled {
			scaled[i].Duration *= unit
		}
		a, b := estimate(t, all), estimate(t, scaled)
		for _, p := range []float64{0.05, 0.1, 0.25, 0.5, 0.8, 0.9, 1} {
			x, okX := a.Quantile(p)
			y, okY := b.Quantile(p)
			require.Equal(t, okX, okY)
			require.Equal(t, x*unit, y)
		}
		ra, errA := a.Range(0.8)
		rb, errB := b.Range(0.8)
		require.Equal(t, errA, errB)
		require.Equal(t, Range{ra.Low * unit, ra.High * unit}, rb)
	})
}

func TestCurveGoesDown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := estimate(t, stays(rapid.Bool()).Draw(t, "stays"))
		last := Point{Time: -1, Survival: 1}
		for _, p := range c.Points() {
			require.Greater(t, p.Time, last.Time)
			require.Less(t, p.Survival, last.Survival)
			require.Greater(t, p.Hazard, last.Hazard)
			require.LessOrEqual(t, p.Survival, math.Exp(-p.Hazard), "the product never lies above the exponential")
			if p.Limits {
				require.LessOrEqual(t, p.Low, p.Survival)
				require.GreaterOrEqual(t, p.High, p.Survival)
				require.LessOrEqual(t, p.High, 1.0)
			} else {
				require.Zero(t, p.Survival)
			}
			last = p
		}
	})
}

// The time still to go follows the law of conditional probability: S(w+t)/S(w).
func TestAfterWaiting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := estimate(t, stays(rapid.Bool()).Draw(t, "stays"))
		waited := float64(rapid.IntRange(1, 41).Draw(t, "waited"))
		rest := c.After(waited)
		whole, ok := c.Survival(waited)
		if !ok || whole == 0 {
			require.Empty(t, rest.Points())
			return
		}
		for x := 0.0; x <= 41; x++ {
			got, ok := rest.Survival(x)
			if !ok {
				continue
			}
			both, _ := c.Survival(waited + x)
			require.InDelta(t, both/whole, got, 1e-12)
		}
	})
	c := estimate(t, freireich)
	require.Same(t, c, c.After(0))
	median, ok := c.After(10).Median() // 0.448/0.753 is above a half
	require.False(t, ok, "%v", median)
	require.Empty(t, c.After(35).Points())
	require.Zero(t, c.After(35).Jobs())
}
