package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// Step is one job's time at one stage of its way. A job that came back to a stage has a step for each time.
type Step struct {
	// Stage is where it was.
	Stage string
	// Duration is how long it was there, or has been so far.
	Duration float64
	// Next is the stage it went to, "" if it is still there.
	Next string
}

// Way is what is known of the ways that jobs go: how long each stage takes, and where they go from it. It never
// changes and is safe for use by many goroutines.
type Way struct {
	stages map[string]*branch
	ends   map[string]bool
}

type branch struct {
	curve *Curve
	next  []string // in alphabetical order
	upTo  []int    // how many finished steps went to next[i] or one before it
}

// Learn learns from steps, finished and unfinished. A stage that jobs go to and never have a step at is an end
// of the way, such as shipped. The error names the first step (counted from 1) that can't be.
func Learn(steps []Step) (*Way, error) {
	stays := make(map[string][]Stay)
	next := make(map[string]map[string]int)
	for i, s := range steps {
		if s.Stage == "" {
			return nil, fmt.Errorf("step %d: the stage has no name", i+1)
		}
		if why := wrongDuration(s.Duration); why != "" {
			return nil, fmt.Errorf("step %d: %s", i+1, why)
		}
		stays[s.Stage] = append(stays[s.Stage], Stay{s.Duration, s.Next != ""})
		if s.Next != "" {
			if next[s.Stage] == nil {
				next[s.Stage] = make(map[string]int)
			}
			next[s.Stage][s.Next]++
		}
	}
	w := &Way{stages: make(map[string]*branch), ends: make(map[string]bool)}
	for stage, list := range stays {
		b := &branch{curve: sortedFit(list)}
		for to := range next[stage] {
			b.next = append(b.next, to)
			w.ends[to] = stays[to] == nil
		}
		slices.Sort(b.next)
		sum := 0
		for _, to := range b.next {
			sum += next[stage][to]
			b.upTo = append(b.upTo, sum)
		}
		w.stages[stage] = b
	}
	return w, nil
}

// Stage gives the curve of a stage, nil if there is no step at it.
func (w *Way) Stage(name string) *Curve {
	if b := w.stages[name]; b != nil {
		return b.curve
	}
	return nil
}

// Draws is how many ways [Way.Range] goes; the share of ways that end within its bounds is then off by less than
// 0.01 in 19 of 20 cases (2*sqrt(0.1*0.9/4000)).
const Draws = 4000

// maxStages is how many stages one way may have; beyond it the way has no known end.
const maxStages = 1000

// Spread is how long ways took that were drawn by chance.
type Spread struct {
	known   []float64 // sorted
	unknown int       // ways that came to where the history has no answer
}

// Simulate goes draws ways from a stage to an end, for a job that has waited there that long, by chance from the
// given seed: the same question and seed give the same answer. Each stage takes a time drawn from its curve.
// Where the curve doesn't reach, the way is counted as longer than all that are known.
func (w *Way) Simulate(stage string, waited float64, draws int, seed uint64) *Spread {
	chance := rand.New(rand.NewPCG(seed, 0x6f70656e2074696d)) // the second word only has to be fixed
	s := &Spread{}
	var first *Curve
	if b := w.stages[stage]; b != nil {
		first = b.curve.After(waited)
	}
	for range draws {
		if t, ok := w.draw(chance, stage, first); ok {
			s.known = append(s.known, t)
		} else {
			s.unknown++
		}
	}
	slices.Sort(s.known)
	return s
}

func (w *Way) draw(chance *rand.Rand, stage string, curve *Curve) (total float64, ok bool) {
	for range maxStages {
		if w.ends[stage] {
			return total, true
		}
		b := w.stages[stage]
		if b == nil || len(b.next) == 0 {
			return 0, false
		}
		if curve == nil {
			curve = b.curve
		}
		t, ok := curve.Quantile(1 - chance.Float64())
		if !ok {
			return 0, false
		}
		total += t
		n := chance.IntN(b.upTo[len(b.upTo)-1])
		stage, curve = b.next[sort.SearchInts(b.upTo, n+1)], nil
	}
	return 0, false
}

// Quantile gives the time within which the share p of ways ends; ok is false where that is not known, and where
// p is not in (0, 1].
func (s *Spread) Quantile(p float64) (t float64, ok bool) {
	if !(p > 0 && p <= 1) {
		return 0, false
	}
	n := len(s.known) + s.unknown
	k := max(1, int(math.Ceil(float64(n)*p-1e-9)))
	if k > len(s.known) {
		return 0, false
	}
	return s.known[k-1], true
}

// Share gives the share of ways that end within t, as far as is known: those that are not known count as longer.
func (s *Spread) Share(t float64) float64 {
	n := len(s.known) + s.unknown
	if n == 0 {
		return 0
	}
	return float64(sort.Search(len(s.known), func(i int) bool { return s.known[i] > t })) / float64(n)
}

// Range gives where the time from a stage to the end most likely lies, for a job that has waited there that long,
// by [Draws] ways. It is given only if every stage that may lie ahead has as many finished steps as a range of
// one stage takes ([Needed]); otherwise the error is a *[NoRange] that names the first that has not. It is
// as good as the history and the assumptions of the package: [Calibrate] it by how earlier ones held.
func (w *Way) Range(stage string, waited, coverage float64, seed uint64) (Range, error) {
	if err := checkCoverage(coverage); err != nil {
		return Range{}, err
	}
	none := &NoRange{Coverage: coverage, Needed: Needed(coverage)}
	for _, name := range w.ahead(stage) {
		none.Stage, none.Finished = name, 0
		if b := w.stages[name]; b != nil {
			c := b.curve
			if name == stage {
				c = c.After(waited)
			}
			none.Finished = c.Finished()
		}
		if none.Finished < none.Needed {
			return Range{}, none
		}
	}
	spread := w.Simulate(stage, waited, Draws, seed)
	miss := (1 - coverage) / 2
	low, okLow := spread.Quantile(miss)
	high, okHigh := spread.Quantile(1 - miss)
	if !okLow || !okHigh {
		none.Stage, none.Finished = stage, none.Needed
		return Range{}, none
	}
	return Range{low, high}, nil
}

// ahead lists the stages that a job may still be at, the present one first, without ends.
func (w *Way) ahead(stage string) []string {
	if w.ends[stage] {
		return nil
	}
	list := []string{stage}
	for i := 0; i < len(list); i++ {
		if b := w.stages[list[i]]; b != nil {
			for _, to := range b.next {
				if !w.ends[to] && !slices.Contains(list, to) {
					list = append(list, to)
				}
			}
		}
	}
	return list
}
