package forecast

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
)

// Stay is one job's time: at a stage, or the whole way.
type Stay struct {
	// Duration is how long it took, or has taken so far; finite, 0 or more.
	Duration float64
	// Finished is false for a job that is still there: it will take longer than Duration.
	Finished bool
}

// Point is a step of a curve: a duration after which at least one job finished.
type Point struct {
	// Time is the duration.
	Time float64
	// AtRisk is how many jobs had not finished just before, and were seen up to then. A job that is
	// unfinished at exactly Time is among them.
	AtRisk int
	// Finished is how many finished at Time.
	Finished int
	// Survival is the estimated share of jobs that take longer than Time.
	Survival float64
	// Limits says whether SE, Low and High are known. They are not where the curve reaches 0: there
	// Greenwood's formula divides by 0.
	Limits bool
	// SE is Greenwood's standard error of Survival.
	SE float64
	// Low and High are the limits of Survival, 95 %, laid out on the log scale; High is 1 at most.
	Low, High float64
	// Hazard is the cumulative hazard up to and with Time (Nelson-Aalen).
	Hazard float64
}

// z95 is the 97.5 % quantile of the normal distribution.
const z95 = 1.959963984540054

// hair is how far a share may be off and still count as reached: 1-0.8 is not 0.2 in binary.
const hair = 1e-12

// Curve is an estimate of how long jobs take. It never changes and is safe for use by many goroutines.
type Curve struct {
	stays    []Stay // by duration
	points   []Point
	finished int
}

// Estimate makes the curve of stays, in whatever order they come. Without stays, or with unfinished ones only,
// it has no points: nothing is known. The error names the first stay (counted from 1) whose duration is
// negative, infinite or not a number.
func Estimate(stays []Stay) (*Curve, error) {
	for i, s := range stays {
		if why := wrongDuration(s.Duration); why != "" {
			return nil, fmt.Errorf("stay %d: %s", i+1, why)
		}
	}
	return sortedFit(slices.Clone(stays)), nil
}

// sortedFit sorts stays and makes their curve.
func sortedFit(stays []Stay) *Curve {
	slices.SortFunc(stays, func(a, b Stay) int { return cmp.Compare(a.Duration, b.Duration) })
	return fit(stays)
}

func wrongDuration(d float64) string {
	switch {
	case math.IsNaN(d):
		return "the duration is not a number"
	case math.IsInf(d, 0):
		return "the duration is infinite"
	case d < 0:
		return fmt.Sprintf("the duration %v is below 0", d)
	}
	return ""
}

// fit makes the curve of stays in order of duration, which it keeps.
func fit(stays []Stay) *Curve {
	c := &Curve{stays: stays}
	// The product of (n-d)/n telescopes as long as nobody leaves unfinished: survival is base * left/baseN.
	// So it is exact to the last bit where all have finished.
	var (
		survival, base  = 1.0, 1.0
		baseN, expected = len(stays), len(stays)
		variance        float64 // Greenwood's sum of d/(n(n-d))
		hazard          float64
	)
	for i := 0; i < len(stays); {
		j, d := i, 0
		for ; j < len(stays) && stays[j].Duration == stays[i].Duration; j++ {
			if stays[j].Finished {
				d++
			}
		}
		n := len(stays) - i
		if d > 0 {
			if n != expected {
				base, baseN = survival, n
			}
			left := n - d
			expected = left
			survival = base * float64(left) / float64(baseN)
			hazard += float64(d) / float64(n)
			p := Point{Time: stays[i].Duration, AtRisk: n, Finished: d, Survival: survival, Hazard: hazard}
			if left > 0 {
				variance += float64(d) / (float64(n) * float64(left))
				relative := math.Sqrt(variance)
				p.Limits = true
				p.SE = survival * relative
				p.Low = survival * math.Exp(-z95*relative)
				p.High = min(1, survival*math.Exp(z95*relative))
			}
			c.points = append(c.points, p)
			c.finished += d
		}
		i = j
	}
	return c
}

// Points returns the steps of the curve in order of time; a copy.
func (c *Curve) Points() []Point { return slices.Clone(c.points) }

// Jobs is how many stays the curve rests on.
func (c *Curve) Jobs() int { return len(c.stays) }

// Finished is how many of them have finished.
func (c *Curve) Finished() int { return c.finished }

// Survival returns the share of jobs that take longer than t. ok is false where nothing is known: without stays,
// and beyond the longest stay if that one is unfinished.
func (c *Curve) Survival(t float64) (share float64, ok bool) {
	if len(c.stays) == 0 || math.IsNaN(t) {
		return 0, false
	}
	i := sort.Search(len(c.points), func(i int) bool { return c.points[i].Time > t })
	share = 1
	if i > 0 {
		share = c.points[i-1].Survival
	}
	if t > c.stays[len(c.stays)-1].Duration && share > 0 {
		return 0, false
	}
	return share, true
}

// Quantile returns the duration within which the share p of jobs finishes: the first step at which the curve is
// down to 1-p. ok is false where the curve is not reached that far, and where p is not in (0, 1].
func (c *Curve) Quantile(p float64) (t float64, ok bool) {
	if !(p > 0 && p <= 1) {
		return 0, false
	}
	i := sort.Search(len(c.points), func(i int) bool { return c.points[i].Survival <= 1-p+hair })
	if i == len(c.points) {
		return 0, false
	}
	return c.points[i].Time, true
}

// Median is the duration within which half the jobs finish; ok is false where it is not reached.
func (c *Curve) Median() (t float64, ok bool) { return c.Quantile(0.5) }

// After returns the curve of the time still to go for a job that has waited that long already: it rests on the
// jobs that took longer than that, or are known to. If none did, it has no points. A waiting time that is not
// above 0 gives the curve itself, so that a job which has just begun counts those that took no time.
func (c *Curve) After(waited float64) *Curve {
	if !(waited > 0) {
		return c
	}
	i := sort.Search(len(c.stays), func(i int) bool { return c.stays[i].Duration > waited })
	rest := make([]Stay, 0, len(c.stays)-i)
	for _, s := range c.stays[i:] {
		rest = append(rest, Stay{Duration: s.Duration - waited, Finished: s.Finished})
	}
	return fit(rest)
}
