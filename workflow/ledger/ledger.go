// Package ledger weighs the suspects of a fault and proposes what to check next.
//
// Model. Exactly one suspect is the cause; each has a weight. A check says yes, no, or nothing clear. What
// it says is taken in by Bayes' rule: a suspect's weight is multiplied by the chance of that outcome if the
// suspect were the cause. An unclear outcome is as likely whoever is the cause, and so changes no weight.
//
// Order. Where each check is about one suspect, the order that finds the cause in the least expected time
// goes by the ratio of probability to cost: that a check finds the cause, over its minutes (Kadane and
// Simon, Annals of Statistics 5 (1977); Heckerman, Breese and Rommelse, CACM 38(3) (1995), both cited from
// memory). Where checks share a disassembly step, that ratio misleads: the step is paid once, for all
// that lies behind it. Steps lie inside each other like a tree, and the best order is then found by taking
// runs (a step with the checks behind it that are worth going on for) by their joint ratio (Horn, SIAM
// Journal on Applied Mathematics 23 (1972), from memory). The tests hold both to a search through all
// orders. Where a check speaks of several suspects at once no simple order is optimal; then the same runs
// are taken by expected gain, the bits of uncertainty a check is expected to remove per minute. That is a
// sensible measure and no proof, and a [Proposal] says which of the three it rests on.
//
// Care goes before both: a check that is the safe one ([Check.First]) comes before any that is not. One that can cost
// more than time ([Check.Last]) comes after all that can't.
//
// A false alarm (a yes although the suspect is not the cause) counts when weights are updated, but not in
// the order. Costs are minutes and may be fractions. Weights are floating point: sums are good to 1e-9.
//
// # Decisions
//
//   - 2026-11-25: The next check goes by runs, not by each check's own gain: where checks share a disassembly
//     step, the plain ratio loses, with or without the step's cost. Bits per minute serve only where a check
//     speaks of several suspects, and the page says that it is a measure.
package ledger

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// Suspect is a candidate cause.
type Suspect struct {
	Name string
	// Weight is how likely it is to be the cause, in proportion to the others. It is above zero.
	Weight float64
}

// Step is a disassembly step that lies before some checks. It is paid once.
type Step struct {
	Name    string
	Minutes float64
	// Inside is the step that must be done before this one, "" if there is none.
	Inside string
}

// Check is something that can be done to learn more.
type Check struct {
	Name    string
	Minutes float64 // above zero, without the steps before it
	// Behind is the step after which it can be done, "" if it can be done at once.
	Behind string
	// About is the suspect that it is about. Finds is the chance that it says yes if that suspect is the
	// cause, False that it says yes if not.
	About        string
	Finds, False float64
	// First: it comes before any check that is not, whatever the ratio, since it is the safe one.
	First bool
	// Last: it comes after all that are not, whatever the ratio, since it can break what it looks behind.
	Last bool
	// Shows, if set, stands for About, Finds and False: the chance of a yes for each suspect as the cause.
	// A suspect that is not named has chance 0.
	Shows map[string]float64
}

func (c *Check) yes(suspect string) float64 {
	switch {
	case c.Shows != nil:
		return c.Shows[suspect]
	case c.About == suspect:
		return c.Finds
	}
	return c.False
}

// Outcome is what a check said.
type Outcome int

const (
	Unclear Outcome = iota
	Yes
	No
)

// Ledger is the state of one search. It is not safe for concurrent use.
type Ledger struct {
	suspects []Suspect
	chance   []float64
	steps    map[string]*Step
	checks   []*Check
	done     map[string]bool
	open     map[string]bool
}

// New begins a search. Errors: a name that is given twice or unknown, a weight, minutes or chance out of
// range, steps that lie inside each other in a ring.
func New(suspects []Suspect, steps []Step, checks []Check) (*Ledger, error) {
	l := &Ledger{suspects: slices.Clone(suspects), steps: map[string]*Step{}, done: map[string]bool{}, open: map[string]bool{}}
	total, names := 0.0, map[string]bool{}
	for _, s := range suspects {
		if names[s.Name] {
			return nil, fmt.Errorf("suspect %q is named twice", s.Name)
		}
		if !(s.Weight > 0) || math.IsInf(s.Weight, 0) {
			return nil, fmt.Errorf("suspect %q has weight %v; it must be above zero", s.Name, s.Weight)
		}
		names[s.Name] = true
		total += s.Weight
	}
	for _, s := range suspects {
		l.chance = append(l.chance, s.Weight/total)
	}
	for _, s := range steps {
		if s.Name == "" || l.steps[s.Name] != nil {
			return nil, fmt.Errorf("step %q is named twice, or not at all", s.Name)
		}
		if !(s.Minutes >= 0) || math.IsInf(s.Minutes, 0) {
			return nil, fmt.Errorf("step %q takes %v minutes", s.Name, s.Minutes)
		}
		l.steps[s.Name] = &s
	}
	for _, s := range steps {
		at := s.Inside
		for n := 0; at != ""; n++ {
			in := l.steps[at]
			if in == nil || n > len(steps) {
				return nil, fmt.Errorf("step %q lies inside %q, which is unknown or lies inside it", s.Name, at)
			}
			at = in.Inside
		}
	}
	for _, c := range checks {
		if l.check(c.Name) != nil {
			return nil, fmt.Errorf("check %q is named twice", c.Name)
		}
		if !(c.Minutes > 0) || math.IsInf(c.Minutes, 0) {
			return nil, fmt.Errorf("check %q takes %v minutes; it must be above zero", c.Name, c.Minutes)
		}
		if c.Behind != "" && l.steps[c.Behind] == nil {
			return nil, fmt.Errorf("check %q lies behind %q, which is unknown", c.Name, c.Behind)
		}
		if c.Shows == nil && !names[c.About] {
			return nil, fmt.Errorf("check %q is about %q, who is no suspect", c.Name, c.About)
		}
		for s := range c.Shows {
			if !names[s] {
				return nil, fmt.Errorf("check %q speaks of %q, who is no suspect", c.Name, s)
			}
		}
		for _, s := range suspects {
			if p := c.yes(s.Name); !(p >= 0 && p <= 1) {
				return nil, fmt.Errorf("check %q has a chance of %v for %q", c.Name, p, s.Name)
			}
		}
		l.checks = append(l.checks, &c)
	}
	return l, nil
}

func (l *Ledger) check(name string) *Check {
	for _, c := range l.checks {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// Chance returns how likely a suspect is by now, 0 to 1; 0 for an unknown one.
func (l *Ledger) Chance(suspect string) float64 {
	for i, s := range l.suspects {
		if s.Name == suspect {
			return l.chance[i]
		}
	}
	return 0
}

// Record takes in what a check said. The steps before it are open from now on. It reports false, and
// leaves the weights as they were, if the outcome is impossible for every suspect: then something is the
// cause that is not on the list, or an outcome was read wrong. Unknown checks are ignored.
func (l *Ledger) Record(check string, o Outcome) bool {
	c := l.check(check)
	if c == nil {
		return true
	}
	l.done[c.Name] = true
	for at := c.Behind; at != ""; at = l.steps[at].Inside {
		l.open[at] = true
	}
	after, total := l.after(c, o)
	if total == 0 {
		return false
	}
	l.chance = after
	return true
}

// after returns the weights after an outcome, and how likely that outcome is.
func (l *Ledger) after(c *Check, o Outcome) (chance []float64, total float64) {
	chance = slices.Clone(l.chance)
	if o == Unclear {
		return chance, 1
	}
	for i, s := range l.suspects {
		p := c.yes(s.Name)
		if o == No {
			p = 1 - p
		}
		chance[i] *= p
		total += chance[i]
	}
	for i := range chance {
		if total > 0 {
			chance[i] /= total
		}
	}
	return chance, total
}

// Way is what a proposal rests on.
type Way int

const (
	// ByRatio: probability over cost, which is the best order here.
	ByRatio Way = iota
	// ByRun: a disassembly step and what lies behind it, taken together; the best order here.
	ByRun
	// ByCare: the safe check comes first, whatever the ratio.
	ByCare
	// ByGain: the most learned per minute, since a check speaks of several suspects; a measure, no proof.
	ByGain
)

// Proposal is the next check, with what speaks for it.
type Proposal struct {
	Check string
	// Minutes include the steps that have to be opened for it, which Opens lists in order.
	Minutes float64
	Opens   []string
	// Chance is how likely the check is to say yes.
	Chance float64
	Way    Way
	// Run are the checks that are worth doing in one go once the steps are open, this one first;
	// RunMinutes is what they take with the steps, RunChance how likely one of them is to find the cause.
	Run        []string
	RunMinutes float64
	RunChance  float64
}

// block is a run of steps and checks that are taken one after the other.
type block struct {
	value, minutes float64
	steps, checks  []string
}

func (b block) ratio() float64 {
	if b.minutes == 0 {
		return math.Inf(1)
	}
	return b.value / b.minutes
}

// blocks returns what lies behind a step ("" for all), as runs in the order in which they are best taken.
func (l *Ledger) blocks(step string, value func(*Check) float64) []block {
	var rest []block
	for _, c := range l.checks {
		if c.Behind == step && !l.done[c.Name] {
			rest = append(rest, block{value: value(c), minutes: c.Minutes, checks: []string{c.Name}})
		}
	}
	var inside []string
	for name, s := range l.steps {
		if s.Inside == step {
			inside = append(inside, name)
		}
	}
	sort.Strings(inside)
	for _, name := range inside {
		rest = append(rest, l.blocks(name, value)...)
	}
	sort.SliceStable(rest, func(i, k int) bool { return rest[i].ratio() > rest[k].ratio() })
	if step == "" || l.open[step] || len(rest) == 0 {
		return rest
	}
	// The step alone is worth nothing; it takes in what raises its ratio.
	first := block{minutes: l.steps[step].Minutes, steps: []string{step}}
	for len(rest) > 0 && (first.value == 0 || rest[0].ratio() > first.ratio()) {
		first.value += rest[0].value
		first.minutes += rest[0].minutes
		first.steps = append(first.steps, rest[0].steps...)
		first.checks = append(first.checks, rest[0].checks...)
		rest = rest[1:]
	}
	return append([]block{first}, rest...)
}

// risky is what a risky check's worth is scaled by: it loses against all others, and is compared with its like.
const risky = 1e-12

// order returns the runs, and what their order rests on.
func (l *Ledger) order() ([]block, Way) {
	way, value := ByRatio, func(c *Check) float64 { return l.Chance(c.About) * c.Finds }
	for _, c := range l.checks {
		if c.Shows != nil && !l.done[c.Name] {
			way, value = ByGain, l.gain
		}
	}
	all := l.blocks("", func(c *Check) float64 {
		switch {
		case c.First:
			return math.Inf(1)
		case c.Last:
			return value(c) * risky
		}
		return value(c)
	})
	if len(all) > 0 && l.check(all[0].checks[0]).First {
		return all, ByCare
	}
	if way == ByRatio && len(all) > 0 && len(all[0].steps) > 0 {
		way = ByRun
	}
	return all, way
}

// gain is the uncertainty in bits that a check is expected to remove.
func (l *Ledger) gain(c *Check) float64 {
	g := bits(l.chance)
	for _, o := range []Outcome{Yes, No} {
		after, total := l.after(c, o)
		g -= total * bits(after)
	}
	return max(0, g)
}

func bits(chance []float64) float64 {
	sum := 0.0
	for _, p := range chance {
		if p > 0 {
			sum -= p * math.Log2(p)
		}
	}
	return sum
}

// Plan returns the checks that are left, in the order in which they would be proposed if each said no.
func (l *Ledger) Plan() []string {
	var out []string
	all, _ := l.order()
	for _, b := range all {
		out = append(out, b.checks...)
	}
	return out
}

// Next proposes a check. It reports false if none is left. Nobody has to follow it.
func (l *Ledger) Next() (Proposal, bool) {
	all, way := l.order()
	if len(all) == 0 {
		return Proposal{}, false
	}
	c := l.check(all[0].checks[0])
	p := Proposal{Check: c.Name, Minutes: c.Minutes, Way: way, Run: all[0].checks, RunMinutes: all[0].minutes}
	for _, s := range l.path(c) {
		if !l.open[s.Name] {
			p.Opens, p.Minutes = append(p.Opens, s.Name), p.Minutes+s.Minutes
		}
	}
	for i, s := range l.suspects {
		p.Chance += l.chance[i] * c.yes(s.Name)
		missed := 1.0
		for _, name := range p.Run {
			missed *= 1 - l.check(name).yes(s.Name)
		}
		p.RunChance += l.chance[i] * (1 - missed)
	}
	return p, true
}

// path returns the steps before a check, outermost first.
func (l *Ledger) path(c *Check) []*Step {
	var out []*Step
	for at := c.Behind; at != ""; at = l.steps[at].Inside {
		out = append(out, l.steps[at])
	}
	slices.Reverse(out)
	return out
}

// Cost is the expected number of minutes until a check finds the cause, or all of order have said no,
// where each check is about one suspect and gives no false alarm. Steps are paid when first needed.
func (l *Ledger) Cost(order []string) float64 {
	open, left, sum := map[string]bool{}, 1.0, 0.0
	missed := slices.Clone(l.chance)
	for _, name := range order {
		c := l.check(name)
		minutes := c.Minutes
		for _, s := range l.path(c) {
			if !l.open[s.Name] && !open[s.Name] {
				open[s.Name], minutes = true, minutes+s.Minutes
			}
		}
		sum += left * minutes
		for i, s := range l.suspects {
			if s.Name == c.About {
				left -= missed[i] * c.Finds
				missed[i] *= 1 - c.Finds
			}
		}
	}
	return sum
}
