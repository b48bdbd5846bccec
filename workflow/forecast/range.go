package forecast

import (
	"fmt"
	"math"
)

// Range is where a duration most likely lies, both ends included.
type Range struct{ Low, High float64 }

// NoRange is why there is no range: too few jobs have finished, or the unfinished ones leave its end open.
type NoRange struct {
	// Coverage is the share that the range was to hold.
	Coverage float64
	// Finished is how many finished jobs there are, and Needed how many there must be.
	Finished, Needed int
	// Stage is the stage that lacks them, "" where there is only one.
	Stage string
}

// Error says it in a sentence.
func (e *NoRange) Error() string {
	what := "no range is given"
	if e.Stage != "" {
		what += " because of the stage " + e.Stage
	}
	if e.Finished < e.Needed {
		return fmt.Sprintf("%s: one that holds %.4g %% needs %d finished jobs, and there are %d", what, e.Coverage*100, e.Needed, e.Finished)
	}
	return fmt.Sprintf("%s: too many of the long jobs are unfinished to tell where %.4g %% of them end", what, e.Coverage*100)
}

// Rank returns the place, counted from 1, of the smallest of n sorted scores that bounds a further one with at
// least the given probability: ceil((n+1)*share). ok is false where that place is beyond n: then n is too small
// for any bound. For exchangeable scores without ties the bound holds with a probability in
// [share, share+1/(n+1)] (Vovk 2005; Lei et al., J. Am. Stat. Assoc. 113 (2018) 1094-1111).
func Rank(n int, share float64) (k int, ok bool) {
	k = int(math.Ceil(float64(n+1)*share - 1e-9))
	return k, n > 0 && k >= 1 && k <= n
}

// Needed is how many finished jobs a range of the given coverage takes: the fewest at which both its ends, each
// missed with half of what remains, have a place. 9 for 80 %, 19 for 90 %.
func Needed(coverage float64) int {
	miss := (1 - coverage) / 2
	return max(1, int(math.Ceil((1-miss)/miss-1e-9)))
}

func checkCoverage(coverage float64) error {
	if !(coverage > 0 && coverage < 1) {
		return fmt.Errorf("the coverage of a range must lie between 0 and 1, and %v does not", coverage)
	}
	return nil
}

// Range returns the range that holds a further job with the given probability, each end missed with half of what
// remains: with n finished jobs, from the place floor((n+1)*miss) to the place ceil((n+1)*(1-miss)), read off
// the curve so that unfinished jobs count. n is the number of finished jobs, fewer than there are jobs, which
// errs towards wider. The error is a *[NoRange] where there can be none.
func (c *Curve) Range(coverage float64) (Range, error) {
	if err := checkCoverage(coverage); err != nil {
		return Range{}, err
	}
	low, high, ok := c.ends(coverage)
	if !ok {
		return Range{}, &NoRange{Coverage: coverage, Finished: c.finished, Needed: Needed(coverage)}
	}
	return Range{low, high}, nil
}

func (c *Curve) ends(coverage float64) (low, high float64, ok bool) {
	n, miss := c.finished, (1-coverage)/2
	k, ok := Rank(n, 1-miss)
	if !ok { // n is below Needed
		return 0, 0, false
	}
	if high, ok = c.Quantile(float64(k) / float64(n)); !ok {
		return 0, 0, false
	}
	k = int(math.Floor(float64(n+1)*miss + 1e-9))
	low, ok = c.Quantile(float64(k) / float64(n))
	return low, high, ok
}

// Trial is a range that was told before, or would have been, from what was known then, and what came of it.
type Trial struct {
	Range
	Stay
}

// Correction moves the ends of a range so that it holds what it says.
type Correction struct {
	// low and high are added to the ends, in parts of the told upper end.
	low, high float64
}

// Calibrate learns from ranges told before how far the next one must be moved to hold a job with the given
// probability: conformalised quantile regression with one score for each end (Romano, Patterson, Candès,
// Advances in Neural Information Processing Systems 32 (2019), theorem 2), in parts of the told upper end so
// that short and long jobs can learn from each other. Jobs that are unfinished count as far as they have come.
// Give all ranges told in some time, whether their jobs have finished or not: leaving the unfinished ones out
// makes the next range too short. The error is a *[NoRange] where there are too few.
func Calibrate(told []Trial, coverage float64) (Correction, error) {
	if err := checkCoverage(coverage); err != nil {
		return Correction{}, err
	}
	// A score may be below 0. Curves don't mind, people's durations do: so the check is here.
	low, high := make([]Stay, len(told)), make([]Stay, len(told))
	for i, t := range told {
		for _, d := range []float64{t.Low, t.High, t.Duration} {
			if why := wrongDuration(d); why != "" {
				return Correction{}, fmt.Errorf("range %d: %s", i+1, why)
			}
		}
		if t.Low > t.High {
			return Correction{}, fmt.Errorf("range %d: the range ends before it begins", i+1)
		}
		low[i] = Stay{(t.Duration - t.Low) / scale(t.Range), t.Finished}
		high[i] = Stay{(t.Duration - t.High) / scale(t.Range), t.Finished}
	}
	below, above := sortedFit(low), sortedFit(high)
	a, _, okLow := below.ends(coverage)
	_, b, okHigh := above.ends(coverage)
	if !okLow || !okHigh {
		return Correction{}, &NoRange{Coverage: coverage, Finished: below.finished, Needed: Needed(coverage)}
	}
	return Correction{low: a, high: b}, nil
}

// scale is the length that a range's corrections are measured in.
func scale(r Range) float64 {
	if r.High > 0 {
		return r.High
	}
	return 1
}

// Apply moves the ends of a range. Its lower end stays at 0 or above, and below the upper one.
func (c Correction) Apply(r Range) Range {
	s := scale(r)
	r.High = max(0, r.High+c.high*s)
	r.Low = min(max(0, r.Low+c.low*s), r.High)
	return r
}
