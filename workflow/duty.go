package workflow

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/workflow/catalogue"
)

// Duty is what a finding or an action obliges the bench to do before a later stage.
type Duty struct {
	ID int `json:"id,omitempty"`
	// Text is what must be done, in the bench's words; Translated is the same in the customer's language, ""
	// where Text is that already.
	Text       string `json:"text,omitempty"`
	Translated string `json:"told,omitempty"`
	// Before is the stage that the job can't enter while the duty is open.
	Before Stage `json:"before,omitempty"`
	// Finding is what it comes from, 0 for a duty that comes from something else.
	Finding int `json:"finding,omitempty"`
	// Rule is the rule that raised it, "" for one that a person raised; Action is what was done, where it
	// came from that.
	Rule   string `json:"rule,omitempty"`
	Action string `json:"action,omitempty"`
	// Test is the test that settles it once it has passed; nothing else does.
	Test string `json:"test,omitempty"`
	// NoPost: until it is done the device is not posted, even if the duty is waived.
	NoPost bool      `json:"no_post,omitempty"`
	DoneAt time.Time `json:"done_at,omitzero"`
	// Waived is the reason, which the customer will read; "" if not waived.
	Waived Words `json:"waived,omitzero"`
	// Dropped: what it came from was taken back.
	Dropped bool `json:"dropped,omitempty"`
	// Danger: it comes from something that can hurt somebody.
	Danger bool `json:"danger,omitempty"`
}

// Open reports whether the duty is neither done nor waived nor dropped.
func (d Duty) Open() bool { return d.DoneAt.IsZero() && d.Waived.Empty() && !d.Dropped }

// unsettled reports whether nobody has done the duty, waived or not.
func (d Duty) unsettled() bool { return d.DoneAt.IsZero() && !d.Dropped }

// cell reports whether the duty is about a cell that must not be posted. Before there were rules it was known
// by its words.
func (d Duty) cell() bool {
	return d.NoPost || d.Rule == ruleCell || d.Rule == "" && strings.HasPrefix(d.Text, "Take the damaged cell out")
}

// before reports whether the duty must be done before a stage.
func (d Duty) before(to Stage) bool {
	if d.Before == AtOnce {
		return to.Rank() > StageDiagnosing.Rank()
	}
	return d.Before.Rank() <= to.Rank()
}

// Words returns what must be done in the customer's language.
func (d Duty) Words() string {
	if d.Translated != "" {
		return d.Translated
	}
	return d.Text
}

func (j *Job) duty(id int) *Duty {
	for i := range j.Duties {
		if j.Duties[i].ID == id {
			return &j.Duties[i]
		}
	}
	return nil
}

// why says in a few words for the bench where an open duty comes from, "" if a person raised it.
func (j *Job) why(d Duty, c *catalogue.Catalogue) string {
	switch f := j.Finding(d.Finding); {
	case d.Action != "":
		s := c.Action("en", d.Action)
		if s == "" {
			s = strings.ReplaceAll(d.Action, "_", " ")
		}
		return strings.ToLower(s[:1]) + s[1:]
	case f != nil:
		return fmt.Sprintf("finding %d", f.ID)
	}
	return ""
}

// openDuties returns one sentence about the duties that stand before a stage, "" if there are none.
// Going back (from testing to repairing) is never blocked by a duty, nor is a customer's decision: their
// no brings the job to testing, and from there the duties stand before shipping. So does what is beyond repair.
//
// What comes from a danger is done before the device leaves, even if it was waived once; or it leaves unrepaired,
// and was made safe.
func (j *Job) openDuties(to Stage, outcome Outcome, shop *Shop) string {
	if to.Rank() <= j.Stage.Rank() || to == StageWithdrawn || to == StageTesting && outcome == OutcomeBeyondRepair {
		return ""
	}
	var open []string
	never := ""
	safe := j.SafeToReturn()
	for _, d := range j.Duties {
		danger := j.FromDanger(d, shop.Trade())
		stands := d.Open() || danger && to == StageShipped && d.unsettled()
		if danger && safe != nil && slices.Contains(safe.Duties, d.ID) && !outcome.Repaired() {
			stands = false
		}
		if stands && d.before(to) {
			if danger {
				never = " What comes from a danger can’t be waived."
			}
			s := "“" + d.Text + "”"
			if why := j.why(d, shop.Trade()); why != "" {
				s += " (" + why + ")"
			}
			open = append(open, s)
		}
	}
	switch len(open) {
	case 0:
		return ""
	case 1:
		return "One duty is open: " + open[0] + ". Do it, or waive it with a reason that the customer will read." + never
	}
	return fmt.Sprintf("%d duties are open: %s. Do them, or waive each with a reason that the customer will read.%s", len(open), strings.Join(open, ", "), never)
}

// cellIn reports whether something that must not be posted is still in the device, or may be.
func (j *Job) cellIn() bool {
	live := slices.DeleteFunc(slices.Clone(j.Duties), func(d Duty) bool { return !d.cell() || d.Dropped })
	return slices.ContainsFunc(live, Duty.unsettled) || len(live) == 0 && j.Screening.CellInDoubt()
}

// raise raises the duties of rules, for a finding or an action. A rule that is open for the same reason is
// not raised again; one that a test settles is open once, whatever the reasons. What has nothing to do with
// the mains needs no electrical safety test.
func (t *turn) raise(rules []catalogue.Rule, finding int, action string) error {
	c := t.shop.Trade()
	f := t.j.Finding(finding)
	for _, r := range rules {
		if strings.EqualFold(r.Test, SafetyTest) && !t.j.Mains() {
			continue
		}
		if slices.ContainsFunc(t.j.Duties, func(d Duty) bool {
			same := d.Finding == finding && (finding != 0 || d.Open())
			return d.Rule == r.ID && !d.Dropped && (same || r.Test != "" && d.Open())
		}) {
			continue
		}
		d := Duty{ID: len(t.j.Duties) + 1, Rule: r.ID, Text: c.Duty("en", r.ID), Translated: c.Duty(t.j.Customer.Language, r.ID), Before: Stage(r.Before), Finding: finding, Action: action, Test: r.Test, NoPost: r.NoPost,
			Danger: Stage(r.Before) == AtOnce || f != nil && dangerous(f, c)}
		if d.Translated == d.Text {
			d.Translated = ""
		}
		if len(t.j.Duties) >= MaxList {
			return refused("There are %d duties already; no more fit.", MaxList)
		}
		if err := t.record(&DutyRaised{d}); err != nil {
			return err
		}
	}
	return nil
}

// did notes actions, for the duties that they bring.
func (t *turn) did(actions []string) error {
	c := t.shop.Trade()
	for _, a := range actions {
		if c.Action("en", a) == "" {
			return invalid("did", "“%s” is not one of the actions that bring a duty: %s.", a, strings.Join(c.Actions(), ", "))
		}
		if a == actionMains {
			if err := t.correct([]string{"mains"}); err != nil {
				return err
			}
		}
		if err := t.raise(c.RulesAfter(a), 0, a); err != nil {
			return err
		}
	}
	return nil
}

// passed settles the duties that a test settles.
func (t *turn) passed(test string) error {
	for _, d := range t.j.Duties {
		if d.unsettled() && d.Test != "" && strings.EqualFold(d.Test, test) {
			if err := t.record(&DutyDone{d.ID}); err != nil {
				return err
			}
		}
	}
	return nil
}

// drop lets the open duties of a finding go that was taken back.
func (t *turn) drop(finding int) error {
	for _, d := range t.j.Duties {
		if d.Open() && d.Finding == finding {
			if err := t.record(&DutyDropped{d.ID}); err != nil {
				return err
			}
		}
	}
	return nil
}

// RaiseDuty obliges the bench to do something before a stage.
type RaiseDuty struct {
	Duty Duty `json:"duty"`
}

func (c RaiseDuty) decide(t *turn) error {
	if err := t.needOpen("Raising a duty"); err != nil {
		return err
	}
	d := c.Duty
	var err error
	if d.Rule != "" {
		r := t.shop.Trade().Rule(d.Rule)
		if r == nil {
			return invalid("rule", "There is no rule “%s” for duties.", d.Rule)
		}
		if d.Finding != 0 && t.j.Finding(d.Finding) == nil {
			return invalid("finding", "There is no finding %d on this job.", d.Finding)
		}
		return t.raise([]catalogue.Rule{*r}, d.Finding, "")
	}
	if d.Text, err = line("duty", "The duty", d.Text, true); err != nil {
		return err
	}
	if d.Before == "" {
		d.Before = StageShipped
	}
	if err := oneOf("before", "The stage before which it is due", d.Before, []Stage{AtOnce, StageTesting, StageShipped}); err != nil {
		return err
	}
	if d.Finding != 0 && t.j.Finding(d.Finding) == nil {
		return invalid("finding", "There is no finding %d on this job.", d.Finding)
	}
	if len(t.j.Duties) >= MaxList {
		return refused("There are %d duties already; no more fit.", MaxList)
	}
	return t.record(&DutyRaised{Duty{ID: len(t.j.Duties) + 1, Text: d.Text, Before: d.Before, Finding: d.Finding, Danger: d.Before == AtOnce}})
}

// DutyRaised obliges the bench.
type DutyRaised struct {
	Duty Duty `json:"duty"`
}

func (p *DutyRaised) fold(j *Job, e *Event) { j.Duties = append(j.Duties, p.Duty) }

// DoDuty settles a duty.
type DoDuty struct {
	ID int `json:"id"`
}

func (c DoDuty) decide(t *turn) error {
	d := t.j.duty(c.ID)
	if d == nil {
		return invalid("duty", "There is no duty %d on this job.", c.ID)
	}
	if late := t.j.FromDanger(*d, t.shop.Trade()) && d.unsettled(); !d.Open() && !late {
		return nil // what comes from a danger can still be done after a waiver
	}
	if d.Rule == ruleDoubt {
		return refused("Look at the cell, and answer the safety screening: sound, or damaged. That settles this duty.")
	}
	if d.Test != "" {
		return refused("This duty is settled by the test “%s”: record the test, and once it has passed the duty is done.", d.Test)
	}
	return t.record(&DutyDone{c.ID})
}

// DutyDone settles a duty.
type DutyDone struct {
	ID int `json:"id"`
}

func (p *DutyDone) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.DoneAt = e.At
	}
}

// WaiveDuty lets a duty go, with a reason that the customer will read.
type WaiveDuty struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (c WaiveDuty) decide(t *turn) error {
	d := t.j.duty(c.ID)
	if d == nil {
		return invalid("duty", "There is no duty %d on this job.", c.ID)
	}
	if !d.Open() {
		return refused("This duty is settled already.")
	}
	if t.j.FromDanger(*d, t.shop.Trade()) {
		return refused("This comes from a danger, so it can’t be waived: do it. A device that goes back unrepaired can be made safe instead, by the owner and with the customer’s written word.")
	}
	reason, err := t.line("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&DutyWaived{c.ID, reason})
}

// DutyWaived lets a duty go, with a reason that the customer will read.
type DutyWaived struct {
	ID     int   `json:"id"`
	Reason Words `json:"reason"`
}

func (p *DutyWaived) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.Waived = p.Reason
		j.addMoment(e, p.ID)
	}
}

// DutyDropped: what the duty came from was taken back.
type DutyDropped struct {
	ID int `json:"id"`
}

func (p *DutyDropped) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.Dropped = true
	}
}
