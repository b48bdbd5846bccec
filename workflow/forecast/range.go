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
	// Changed says that the stage takes another time since a short while.
	Changed bool
}

// Error says it in a sentence.
func (e *NoRange) Error() string {
	what := "no range is given"
	if e.Stage != "" {
		what += " because of the stage " + e.Stage
	}
	if e.Changed {
		return what + ": it has changed how long jobs take there, and too few show how long it is now"
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
