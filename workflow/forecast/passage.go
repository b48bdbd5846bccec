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
	corrections map[group]*Curve
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
	m := &Model{coverage: coverage, corrections: map[group]*Curve{}}
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
		c := sortedFit(list[len(list)-lately(list, Needed(coverage)):])
		_, err := c.Range(coverage)
		switch {
		case err != nil && g == group{}:
			m.why = err
		case err == nil && (g.stage == "" || c.Finished() >= groupNeeds):
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
	steps, changed := recent(p.known(at), Needed(coverage))
	w, err := Learn(steps)
	if err != nil {
		return nil, err
	}
	w.changed = changed
	return w.fan(draws, seed), nil
}

// spread returns the ways that are left, and whether they are those of a kind.
func (w *ways) spread(kind, stage string, waited, coverage float64) (s *Spread, ofKind bool, err error) {
	if own := w.kinds[kind]; own != nil {
		if s, err = own.spread(stage, waited, coverage); err == nil {
			return s, true, nil
		}
	}
	s, err = w.all.spread(stage, waited, coverage)
	return s, false, err
}

// group are ranges that are corrected together: those of one stage, and those of all where stage is "".
type group struct {
	ofKind bool
	stage  string
}

// tell returns the ranges that would have been told, by group.
func (p Passages) tell(at, coverage float64) (map[group][]Stay, error) {
	told := map[group][]Stay{}
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
			s, ofKind, err := w.spread(x.Kind, leg.Stage, then-leg.Begun, coverage)
			if err != nil {
				continue // nothing would have been told
			}
			end, ended := x.end(at)
			if !ended {
				end = at
			}
			t := Stay{s.score(end - then), ended}
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

// Outlook is what a model says to a question.
type Outlook struct {
	// Range is where the time still to go most likely lies.
	Range
	// Median is the middle one; MedianKnown is false where the history doesn't reach it.
	Median      float64
	MedianKnown bool
	// Finished is how many finished jobs it rests on, all of the kind that was asked for if OfKind.
	Finished int
	OfKind   bool
}

// Outlook says how long a job of a kind that has waited at a stage still needs to the end of its way. Finished is
// how many ended jobs that rests on. The error is a *[NoRange] where there is nothing to tell.
func (m *Model) Outlook(kind, stage string, waited float64) (Outlook, error) {
	o, _, _, err := m.outlook(kind, stage, waited)
	return o, err
}

// outlook returns the ways that are left, too, and the scores of those before.
func (m *Model) outlook(kind, stage string, waited float64) (Outlook, *Spread, *Curve, error) {
	for _, name := range m.ways.all.way.ahead(stage) {
		if m.ways.all.way.changed[name] {
			return Outlook{}, nil, nil, &NoRange{Coverage: m.coverage, Stage: name, Changed: true}
		}
	}
	s, ofKind, err := m.ways.spread(kind, stage, waited, m.coverage)
	if err != nil {
		return Outlook{}, nil, nil, err
	}
	c := m.correction(ofKind, stage)
	if c == nil && ofKind {
		// A kind whose ranges were never tried is told what all kinds are.
		if s, err = m.ways.all.spread(stage, waited, m.coverage); err != nil {
			return Outlook{}, nil, nil, err
		}
		ofKind = false
		c = m.correction(false, stage)
	}
	if c == nil {
		return Outlook{}, nil, nil, m.why
	}
	r, err := c.Range(m.coverage)
	if err != nil {
		return Outlook{}, nil, nil, err
	}
	o := Outlook{Range: Range{s.time(r.Low), s.time(r.High)}, Finished: m.ways.ended, OfKind: ofKind}
	if ofKind {
		o.Finished = m.ways.endedOf[kind]
	}
	if z, ok := c.Median(); ok {
		o.Median, o.MedianKnown = s.time(z), true
	}
	return o, s, c, nil
}

func (m *Model) correction(ofKind bool, stage string) *Curve {
	if c := m.corrections[group{ofKind, stage}]; c != nil {
		return c
	}
	return m.corrections[group{ofKind, ""}]
}

// Longer returns the share of jobs like this one that still need longer than t, corrected as the range is. The
// error is that of Outlook.
func (m *Model) Longer(kind, stage string, waited, t float64) (share float64, err error) {
	_, s, c, err := m.outlook(kind, stage, waited)
	if err != nil {
		return 0, err
	}
	return c.longer(s.score(t)), nil
}

// longer is Survival, and beyond where it is known the last that is.
func (c *Curve) longer(t float64) float64 {
	if share, ok := c.Survival(t); ok {
		return share
	}
	if n := len(c.points); n > 0 {
		return c.points[n-1].Survival
	}
	return 1
}
