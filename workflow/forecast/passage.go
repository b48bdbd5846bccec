package forecast

import (
	"cmp"
	"slices"
	"sort"
)

// Passage is one job's way through the stages so far, on a clock that only counts up: for a shop, open time
// since any fixed instant, in the unit of the durations that are asked for.
type Passage struct {
	// Kind is the kind of device.
	Kind string
	// Legs are its stays in order of time, at least one. Each lasts until the next begins; the last one is
	// going on or, if Ended, is the end of the way.
	Legs  []Leg
	Ended bool
}

// Leg is a stay at one stage.
type Leg struct {
	Stage string
	Begun float64
}

// Passages is what happened at a shop, in any order.
type Passages []Passage

// sorted returns those begun before an instant, in the order in which they began.
func (p Passages) sorted(at float64) Passages {
	out := make(Passages, 0, len(p))
	for _, x := range p {
		if len(x.Legs) > 0 && x.Legs[0].Begun < at {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b Passage) int { return cmp.Compare(a.Legs[0].Begun, b.Legs[0].Begun) })
	return out
}

// Known returns the steps that were known at an instant, of the newest passages only if newest is above 0:
// those begun last, whether they have ended or not, as in [History.Known].
func (p Passages) Known(at float64, newest int) []Step { return p.sorted(at).known(at, newest) }

func (p Passages) known(at float64, newest int) []Step {
	if newest > 0 && len(p) > newest {
		p = p[len(p)-newest:]
	}
	var steps []Step
	for _, x := range p {
		for i, leg := range x.Legs {
			last := i == len(x.Legs)-1
			switch {
			case leg.Begun > at || last && x.Ended:
			case !last && x.Legs[i+1].Begun <= at:
				steps = append(steps, Step{leg.Stage, x.Legs[i+1].Begun - leg.Begun, x.Legs[i+1].Stage})
			default:
				steps = append(steps, Step{Stage: leg.Stage, Duration: at - leg.Begun})
			}
		}
	}
	return steps
}

// end returns when the passage ended as known at an instant.
func (x *Passage) end(at float64) (end float64, ended bool) {
	last := x.Legs[len(x.Legs)-1]
	return last.Begun, x.Ended && last.Begun <= at
}

// KindNeeds is how many ended jobs of a kind it takes to ask that kind's jobs only: with fewer the branches
// of their ways are known too badly. (Our choice, no source.)
const KindNeeds = 30

// A model tells ranges at this many instants of the time in which the newest of these many jobs began, and
// draws so many ways for each.
const (
	tellAt      = 30
	tellOn      = 200
	tellDraws   = 300
	answerDraws = 1000
	seed        = 20260101
)

// groupNeeds is how many told ranges of ended jobs a stage needs to be corrected by itself. (Our choice.)
const groupNeeds = 40

// Model is what a shop's passages say about jobs still on their way. It never changes and is safe for use by
// many goroutines.
type Model struct {
	coverage    float64
	ways        ways
	corrections map[group]Correction
	why         error // there is no correction
}

// ways are the ways of all kinds of devices, and of those kinds that have enough.
type ways struct {
	all   *fan
	ended int
	kinds map[string]*fan
	// endedOf counts the ended jobs of a kind.
	endedOf map[string]int
}

// Model learns from what is known at an instant, for ranges of the given coverage: a [Way] of the newest
// jobs, and how far off the ranges were that it would have told at earlier instants, about every job that
// was on its way then, from what was known then. Jobs still on their way count as far as they have come.
// The error is that of a passage that goes back in time. A history with too little in it makes a model
// that tells nothing.
func (p Passages) Model(at, coverage float64) (*Model, error) {
	if err := checkCoverage(coverage); err != nil {
		return nil, err
	}
	begun := p.sorted(at)
	m := &Model{coverage: coverage, corrections: map[group]Correction{}}
	var err error
	if m.ways, err = begun.learn(at, coverage, answerDraws); err != nil {
		return nil, err
	}
	told, err := begun.tell(at, coverage)
	if err != nil {
		return nil, err
	}
	m.why = &NoRange{Coverage: coverage, Needed: Needed(coverage)}
	for g, list := range told {
		c, err := Calibrate(list, coverage)
		switch {
		case err != nil && g == group{}:
			m.why = err
		case err == nil && (g.stage == "" || finished(list) >= groupNeeds):
			m.corrections[g] = c
		}
	}
	return m, nil
}

// learn learns the ways; of the newest jobs, or of more where these have too few at a stage.
func (p Passages) learn(at, coverage float64, draws int) (w ways, err error) {
	if w.all, err = p.way(at, coverage, draws); err != nil {
		return w, err
	}
	own := map[string]Passages{}
	w.kinds, w.endedOf = map[string]*fan{}, map[string]int{}
	for i := range p {
		if _, ended := p[i].end(at); ended {
			w.ended++
			w.endedOf[p[i].Kind]++
		}
		own[p[i].Kind] = append(own[p[i].Kind], p[i])
	}
	for kind, list := range own {
		if kind != "" && w.endedOf[kind] >= KindNeeds {
			if w.kinds[kind], err = list.way(at, coverage, draws); err != nil {
				return w, err
			}
		}
	}
	w.ended = min(w.ended, Newest)
	for k, n := range w.endedOf {
		w.endedOf[k] = min(n, Newest)
	}
	return w, nil
}

func (p Passages) way(at, coverage float64, draws int) (*fan, error) {
	for newest := Newest; ; newest *= 2 {
		w, err := Learn(p.known(at, newest))
		if err != nil {
			return nil, err
		}
		if newest >= len(p) || w.enough(coverage) {
			return w.fan(draws, seed), nil
		}
	}
}

// enough reports whether every stage has the finished steps that a range takes.
func (w *Way) enough(coverage float64) bool {
	for _, b := range w.stages {
		if b.curve.Finished() < Needed(coverage) {
			return false
		}
	}
	return true
}

// rangeOf returns the range as the way has it, and whether it is that of a kind.
func (w *ways) rangeOf(kind, stage string, waited, coverage float64) (r Range, s *Spread, ofKind bool, err error) {
	if own := w.kinds[kind]; own != nil {
		if r, s, err = own.spread(stage, waited, coverage); err == nil {
			return r, s, true, nil
		}
	}
	r, s, err = w.all.spread(stage, waited, coverage)
	return r, s, false, err
}

// group are ranges that are corrected together: those of one stage, and those of all where stage is "".
type group struct {
	ofKind bool
	stage  string
}

func finished(told []Trial) (n int) {
	for _, t := range told {
		if t.Finished {
			n++
		}
	}
	return n
}

// tell returns the ranges that would have been told, by group.
func (p Passages) tell(at, coverage float64) (map[group][]Trial, error) {
	told := map[group][]Trial{}
	if len(p) == 0 {
		return told, nil
	}
	first := p[max(0, len(p)-tellOn)].Legs[0].Begun
	for i := range tellAt {
		then := first + (at-first)*float64(i)/tellAt
		begun := p[:sort.Search(len(p), func(i int) bool { return p[i].Legs[0].Begun >= then })]
		w, err := begun.learn(then, coverage, tellDraws)
		if err != nil {
			return nil, err
		}
		for k := range begun {
			x := &begun[k]
			if _, ended := x.end(then); ended {
				continue
			}
			leg := x.at(then)
			r, _, ofKind, err := w.rangeOf(x.Kind, leg.Stage, then-leg.Begun, coverage)
			if err != nil {
				continue // nothing would have been told
			}
			end, ended := x.end(at)
			if !ended {
				end = at
			}
			t := Trial{r, Stay{end - then, ended}}
			for _, g := range []group{{ofKind, leg.Stage}, {ofKind, ""}} {
				told[g] = append(told[g], t)
			}
		}
	}
	return told, nil
}

// at returns the leg that was going on at an instant after the first began.
func (x *Passage) at(then float64) Leg {
	i := sort.Search(len(x.Legs), func(i int) bool { return x.Legs[i].Begun >= then })
	return x.Legs[max(0, i-1)]
}

// Outlook says how long a job of a kind that has waited at a stage still needs to the end of its way. Finished is
// how many ended jobs that rests on. The error is a *[NoRange] where there is nothing to tell.
func (m *Model) Outlook(kind, stage string, waited float64) (Outlook, error) {
	o, _, _, err := m.outlook(kind, stage, waited)
	return o, err
}

// outlook returns the ways as they were drawn, too, with their own range.
func (m *Model) outlook(kind, stage string, waited float64) (Outlook, *Spread, Range, error) {
	r, s, ofKind, err := m.ways.rangeOf(kind, stage, waited, m.coverage)
	if err != nil {
		return Outlook{}, nil, Range{}, err
	}
	c, ok := m.correction(ofKind, stage)
	if !ok && ofKind {
		// A kind whose ranges were never tried is told what all kinds are.
		if r, s, err = m.ways.all.spread(stage, waited, m.coverage); err != nil {
			return Outlook{}, nil, Range{}, err
		}
		ofKind = false
		c, ok = m.correction(false, stage)
	}
	if !ok {
		return Outlook{}, nil, Range{}, m.why
	}
	o := Outlook{Range: c.Apply(r), Finished: m.ways.ended, OfKind: ofKind}
	if ofKind {
		o.Finished = m.ways.endedOf[kind]
	}
	if o.Median, o.MedianKnown = s.Quantile(0.5); o.MedianKnown {
		o.Median = move(o.Median, r, o.Range)
	}
	return o, s, r, nil
}

// move moves a time as its range was moved: the ends go to the ends, what lies between and beyond in
// proportion, but never below 0.
func move(t float64, from, to Range) float64 {
	switch {
	case t <= from.Low && from.Low > 0:
		return t * to.Low / from.Low
	case from.High > from.Low:
		return max(0, to.Low+(t-from.Low)*(to.High-to.Low)/(from.High-from.Low))
	}
	return t - from.High + to.High
}

func (m *Model) correction(ofKind bool, stage string) (c Correction, ok bool) {
	if c, ok = m.corrections[group{ofKind, stage}]; !ok {
		c, ok = m.corrections[group{ofKind, ""}]
	}
	return c, ok
}

// Longer returns the share of jobs like this one that still need longer than t, corrected as the range is. The
// error is that of Outlook.
func (m *Model) Longer(kind, stage string, waited, t float64) (share float64, err error) {
	o, s, r, err := m.outlook(kind, stage, waited)
	if err != nil {
		return 0, err
	}
	return 1 - s.Share(move(t, o.Range, r)), nil
}
