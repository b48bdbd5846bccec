package workflow

import (
	"slices"
	"strings"
	"time"

	"benchword/workflow/catalogue"
)

// Decisions:
//
//   - 2026-11-30: a danger is made safe at once and put right before power: two duties, since what is unplugged,
//     kept apart and labelled may go on to a quote. A damaged cell and a broken tube have one: to be made safe
//     they come out. Nothing that comes from a danger is waived, whatever the outcome; a device that goes back
//     unrepaired is made safe instead, by the owner and with the customer's word, until it is opened again.
//     Rejected: a waiver for unrepaired devices, which would stand when the customer then says yes.

// AtOnce stands for a stage in a duty: nothing but photos, further dangers and making it safe is recorded
// before it is done.
const AtOnce Stage = "at_once"

// Rules of the catalogue that the domain knows.
const (
	ruleCell = "cell" // a damaged lithium cell, which the safety screening raises too
	// ruleDoubt: nobody can tell whether the cell is sound; the screening settles it.
	ruleDoubt = "cell_doubt"
	// ruleSecure and ruleDanger are for any danger that has no such duty of its own: to make it safe for
	// those at the bench, and to put it right.
	ruleSecure = "secure"
	ruleDanger = "danger"
)

// byScreening stands for the action of a duty that a danger seen on arrival brought.
const byScreening = "screening"

// actionMains is the action that says that the device is a mains device.
const actionMains = "mains_opened"

// dangerous reports whether a finding is a danger, in its own words or by its entry.
func dangerous(f *Finding, c *catalogue.Catalogue) bool {
	e := c.Finding(f.Entry)
	return f.Weight == WeightDanger || e != nil && Weight(e.Weight) == WeightDanger
}

// obliges returns the rules that a finding brings with it.
func obliges(f *Finding, c *catalogue.Catalogue) []catalogue.Rule {
	rules := c.RulesFor(f.Entry)
	if !dangerous(f, c) {
		return rules
	}
	if !slices.ContainsFunc(rules, func(r catalogue.Rule) bool { return r.Test == "" }) {
		rules = append(rules, *c.Rule(ruleDanger))
	}
	if !slices.ContainsFunc(rules, func(r catalogue.Rule) bool { return Stage(r.Before) == AtOnce }) {
		rules = append([]catalogue.Rule{*c.Rule(ruleSecure)}, rules...)
	}
	return rules
}

// FromDanger reports whether a duty comes from something that can hurt somebody: it is never waived.
func (j *Job) FromDanger(d Duty, c *catalogue.Catalogue) bool {
	f := j.Finding(d.Finding)
	return d.Danger || d.cell() || strings.EqualFold(d.Test, SafetyTest) || f != nil && dangerous(f, c)
}

// Dangers lists the unsettled duties that come from a danger, but for tests: what the counter warns of.
func (j *Job) Dangers(shop *Shop) []Duty {
	var out []Duty
	for _, d := range j.Duties {
		if d.unsettled() && d.Test == "" && j.FromDanger(d, shop.Trade()) {
			out = append(out, d)
		}
	}
	return out
}

// needSafe refuses while something is due at once that is not among what is being settled.
func (t *turn) needSafe(action string, settles ...int) error {
	for _, d := range t.j.Duties {
		if d.Open() && d.Before == AtOnce && !slices.Contains(settles, d.ID) {
			return refused("%s comes later. This comes first: “%s”. Until it is done only photos, further dangers and making it safe are recorded.", action, d.Text)
		}
	}
	return nil
}

// correct takes what a finding or an action shows into the screening.
func (t *turn) correct(shows []string) error {
	if t.j.Screening == nil {
		return nil
	}
	s := *t.j.Screening
	for _, x := range shows {
		switch x {
		case "lithium":
			s.Lithium = Yes
		case "cell_damaged":
			s.CellDamaged = Yes
		case "mains":
			s.Mains = Yes
		case "liquid":
			s.Liquid = Yes
		}
	}
	if s.Same(*t.j.Screening) {
		return nil
	}
	return t.record(&ScreeningAnswered{s})
}

// hazards brings the duties of the dangers seen on arrival: each that is new obliges anew, and what is not there after
// all obliges no more, unless the symptom asks for the same.
func (t *turn) hazards(before *Screening) error {
	var rules []string
	for _, s := range t.j.Symptoms() {
		for _, r := range t.shop.Trade().RulesOn(s) {
			rules = append(rules, r.ID)
		}
	}
	var fresh []catalogue.Rule
	for _, id := range t.j.Screening.Hazards {
		h := t.shop.Trade().Hazard(id)
		if h == nil || h.Rule == "" {
			continue
		}
		rules = append(rules, h.Rule)
		if before == nil || !slices.Contains(before.Hazards, id) {
			fresh = append(fresh, *t.shop.Trade().Rule(h.Rule))
		}
	}
	for _, d := range t.j.Duties {
		if d.Action == byScreening && d.Open() && !slices.Contains(rules, d.Rule) {
			if err := t.record(&DutyDropped{d.ID}); err != nil {
				return err
			}
		}
	}
	return t.raise(fresh, 0, byScreening)
}

// mainsAfterAll brings the safety test that findings and symptom ask for, where the screening said until now that
// the device has nothing to do with the mains.
func (t *turn) mainsAfterAll() error {
	safety := func(rules []catalogue.Rule) []catalogue.Rule {
		return slices.DeleteFunc(rules, func(r catalogue.Rule) bool { return !strings.EqualFold(r.Test, SafetyTest) })
	}
	for _, f := range t.j.Findings {
		if !f.Withdrawn {
			if err := t.raise(safety(t.shop.Trade().RulesFor(f.Entry)), f.ID, ""); err != nil {
				return err
			}
		}
	}
	for _, s := range t.j.Symptoms() {
		if err := t.raise(safety(t.shop.Trade().RulesOn(s)), 0, ""); err != nil {
			return err
		}
	}
	return nil
}

// screened brings the duties of dangers into line with the screening; before is what it said until now.
func (t *turn) screened(before *Screening) error {
	if t.j.Screening != nil {
		if err := t.hazards(before); err != nil {
			return err
		}
		if before != nil && !before.Mains.Taken() && t.j.Mains() {
			if err := t.mainsAfterAll(); err != nil {
				return err
			}
		}
	}
	s, want := t.j.Screening, ""
	switch {
	case s == nil:
		return nil
	case s.CellDamaged == Yes:
		want = ruleCell
	case s.CellInDoubt():
		want = ruleDoubt
	}
	if want == ruleCell && slices.ContainsFunc(t.j.Duties, func(d Duty) bool { return d.Rule == ruleCell && d.Finding != 0 && d.unsettled() }) {
		want = "" // the finding's duty says it
	}
	live := false
	for _, d := range t.j.Duties {
		if (d.Rule == ruleCell || d.Rule == ruleDoubt) && d.Finding == 0 && d.Open() && d.Rule != want {
			if err := t.record(&DutyDropped{d.ID}); err != nil {
				return err
			}
			continue
		}
		live = live || d.Rule == want && !d.Dropped
	}
	if want == "" || live && before.CellInDoubt() {
		return nil
	}
	return t.raise([]catalogue.Rule{*t.shop.Trade().Rule(want)}, 0, "")
}

// MadeSafe is how a device that stays dangerous was made safe to go back unrepaired.
type MadeSafe struct {
	// Done is what was done to it, Label what is written on it.
	Done  string `json:"done"`
	Label string `json:"label"`
	// Word is what the customer wrote: that they want it back like this.
	Word Sealed `json:"word"`
	// Duties are what it stands for.
	Duties []int     `json:"duties,omitempty"`
	At     time.Time `json:"at,omitzero"`
}

// MakeSafe records how a device that goes back unrepaired was made safe and labelled, with the customer's
// written word. It stands for the duties that come from a danger, and for the safety test.
type MakeSafe struct {
	Done  string `json:"done"`
	Label string `json:"label"`
	Word  string `json:"word"`
}

func (c MakeSafe) decide(t *turn) error {
	if err := t.needStage("Making a device safe to go back unrepaired", StageTesting); err != nil {
		return err
	}
	if t.j.Outcome.Repaired() {
		return refused("This one is to leave repaired: what is dangerous about it is put right.")
	}
	m := &DeviceMadeSafe{}
	var err error
	if m.Done, err = text("done", "What was done to make it safe", c.Done, true); err != nil {
		return err
	}
	if m.Label, err = line("label", "What is written on the device", c.Label, true); err != nil {
		return err
	}
	word, err := text("word", "What the customer wrote", c.Word, true)
	if err != nil {
		return err
	}
	if m.Word, err = t.seal(word); err != nil {
		return err
	}
	for _, d := range t.j.Duties {
		if d.unsettled() && t.j.FromDanger(d, t.shop.Trade()) {
			m.Duties = append(m.Duties, d.ID)
		}
	}
	return t.record(m)
}

// DeviceMadeSafe is a device that stays dangerous, made safe to go back unrepaired.
type DeviceMadeSafe struct{ MadeSafe }

func (p *DeviceMadeSafe) fold(j *Job, e *Event) {
	m := p.MadeSafe
	m.At = e.At
	j.MadeSafe = &m
	j.addMoment(e, 0)
}

// SafeToReturn returns how the device was made safe, nil if it was not, or has been opened since.
func (j *Job) SafeToReturn() *MadeSafe {
	if j.MadeSafe == nil || j.last(func(m Moment) bool { return m.Kind == KindDeviceMadeSafe }) <= j.closedSince() {
		return nil
	}
	return j.MadeSafe
}
