package forecast

import (
	"fmt"
	"hash/fnv"
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
	// changed are the stages that take another time since a short while.
	changed map[string]bool
}

type branch struct {
	curve *Curve
	next  []string  // in alphabetical order
	to    []*branch // the branch of next[i], nil if that is an end
	upTo  []int     // how many finished steps went to next[i] or one before it
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
	for _, b := range w.stages {
		for _, to := range b.next {
			b.to = append(b.to, w.stages[to])
		}
	}
	return w, nil
}

// Stage returns the curve of a stage, nil if there is no step at it.
func (w *Way) Stage(name string) *Curve {
	if b := w.stages[name]; b != nil {
		return b.curve
	}
	return nil
}

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
	b := w.stages[stage]
	if b == nil {
		if w.ends[stage] {
			s.known = make([]float64, draws)
		} else {
			s.unknown = draws
		}
		return s
	}
	first := b.curve.After(waited)
	for range draws {
		if t, ok := b.draw(chance, first); ok {
			s.known = append(s.known, t)
		} else {
			s.unknown++
		}
	}
	slices.Sort(s.known)
	return s
}

// draw goes one way from a branch to an end; curve is that of the time still to go at the first stage.
func (b *branch) draw(chance *rand.Rand, curve *Curve) (total float64, ok bool) {
	for range maxStages {
		if len(b.next) == 0 {
			return 0, false
		}
		t, ok := curve.Quantile(1 - chance.Float64())
		if !ok {
			return 0, false
		}
		total += t
		if b = b.choose(chance); b == nil {
			return total, true
		}
		curve = b.curve
	}
	return 0, false
}

// choose returns where a way goes on from a branch, nil for an end.
func (b *branch) choose(chance *rand.Rand) *branch {
	n := chance.IntN(b.upTo[len(b.upTo)-1])
	i := 0
	for b.upTo[i] <= n {
		i++
	}
	return b.to[i]
}

// Quantile returns the time within which the share p of ways ends; ok is false where that is not known, and where
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

// Share returns the share of ways that end within t, as far as is known: those that are not known count as longer.
func (s *Spread) Share(t float64) float64 {
	n := len(s.known) + s.unknown
	if n == 0 {
		return 0
	}
	return float64(sort.Search(len(s.known), func(i int) bool { return s.known[i] > t })) / float64(n)
}

// reach is the share of ways up to which a spread is told by its draws; beyond it by how much longer than there.
const reach = 0.9

// score returns where a time lies among the ways: the share of ways that end within it, evenly between one way and
// the next, and above [reach] in proportion to the time. It grows with the time, also where no way has come.
func (s *Spread) score(t float64) float64 {
	n, top := float64(len(s.known)+s.unknown), s.time(reach)+hair
	if t > top {
		return reach * t / top
	}
	i := sort.Search(len(s.known), func(i int) bool { return s.known[i] > t })
	from, to := 0.0, s.known[min(i, len(s.known)-1)]
	if i > 0 {
		from = s.known[i-1]
	}
	z := float64(i)
	if to > from {
		z += (t - from) / (to - from)
	}
	return min(z/n, reach)
}

// time returns the time with a score.
func (s *Spread) time(score float64) float64 {
	if score > reach {
		return (s.time(reach) + hair) * score / reach
	}
	n := float64(len(s.known) + s.unknown)
	at := score * n
	i := int(at)
	from := 0.0
	if i > 0 {
		from = s.known[i-1]
	}
	if i >= len(s.known) {
		return from
	}
	return from + (at-float64(i))*(s.known[i]-from)
}

// check reports why there is no range from a stage.
func (w *Way) check(stage string, waited, coverage float64) error {
	if err := checkCoverage(coverage); err != nil {
		return err
	}
	needed := Needed(coverage)
	for _, name := range w.ahead(stage) {
		finished := 0
		if b := w.stages[name]; b != nil {
			c := b.curve
			if name == stage {
				c = c.After(waited)
			}
			finished = c.Finished()
		}
		if finished < needed {
			return &NoRange{Coverage: coverage, Needed: needed, Stage: name, Finished: finished}
		}
	}
	return nil
}

// fan is a way with the time after each of its stages drawn beforehand, so that many questions are answered
// quickly. It never changes.
type fan struct {
	way   *Way
	draws int
	rest  map[string][]float64 // in the order in which they were drawn; infinite where not known
}

func (w *Way) fan(draws int, seed uint64) *fan {
	f := &fan{w, draws, make(map[string][]float64)}
	for name, b := range w.stages {
		h := fnv.New64a()
		h.Write([]byte(name)) // so that the order of the map doesn't matter
		chance := rand.New(rand.NewPCG(seed, h.Sum64()))
		list := make([]float64, draws)
		for i := range list {
			ok := len(b.next) > 0
			if ok {
				if to := b.choose(chance); to != nil {
					list[i], ok = to.draw(chance, to.curve)
				}
			}
			if !ok {
				list[i] = math.Inf(1)
			}
		}
		f.rest[name] = list
	}
	return f
}

// spread does as [Way.Simulate]. The time at the stage itself is taken at even steps of its curve instead
// of by chance: as good as several times as many draws.
func (f *fan) spread(stage string, waited, coverage float64) (*Spread, error) {
	if err := f.way.check(stage, waited, coverage); err != nil {
		return nil, err
	}
	b := f.way.stages[stage]
	if b == nil { // the end
		return &Spread{known: make([]float64, f.draws)}, nil
	}
	s := &Spread{known: make([]float64, 0, f.draws)}
	points := b.curve.After(waited).points
	k := 0
	for i, rest := range f.rest[stage] {
		share := (float64(i) + 0.5) / float64(f.draws)
		for k < len(points) && points[k].Survival > 1-share+hair {
			k++
		}
		if k == len(points) || math.IsInf(rest, 1) {
			s.unknown++
			continue
		}
		s.known = append(s.known, points[k].Time+rest)
	}
	slices.Sort(s.known)
	if float64(len(s.known)) < reach*float64(f.draws) {
		return nil, &NoRange{Coverage: coverage, Finished: Needed(coverage), Needed: Needed(coverage), Stage: stage}
	}
	return s, nil
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
