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
	// Text is what must be done, in the bench's words; Told is the same in the customer's language, ""
	// where Text is that already.
	Text string `json:"text,omitempty"`
	Told string `json:"told,omitempty"`
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
	Waived string `json:"waived,omitempty"`
	// Dropped: what it came from was taken back.
	Dropped bool `json:"dropped,omitempty"`
}

// ruleCell is the rule for a damaged lithium cell, which the safety screening raises too.
const ruleCell = "cell"

// Open reports whether the duty is neither done nor waived nor dropped.
func (d Duty) Open() bool { return d.DoneAt.IsZero() && d.Waived == "" && !d.Dropped }

// Words returns what must be done in the customer's language.
func (d Duty) Words() string {
	if d.Told != "" {
		return d.Told
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
// no brings the job to testing, and from there the duties stand before shipping.
func (j *Job) openDuties(to Stage, shop *Shop) string {
	if to.Rank() <= j.Stage.Rank() || to == StageWithdrawn {
		return ""
	}
	var open []string
	for _, d := range j.Duties {
		if d.Open() && d.Before.Rank() <= to.Rank() {
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
		return "One duty is open: " + open[0] + ". Do it, or waive it with a reason that the customer will read."
	}
	return fmt.Sprintf("%d duties are open: %s. Do them, or waive each with a reason that the customer will read.", len(open), strings.Join(open, ", "))
}

// cellIn reports whether something that must not be posted is still in the device.
func (j *Job) cellIn() bool {
	return slices.ContainsFunc(j.Duties, func(d Duty) bool {
		// Before there were rules the duty was known by its words.
		old := d.Rule == "" && strings.HasPrefix(d.Text, "Take the damaged cell out")
		return (d.NoPost || old) && d.DoneAt.IsZero() && !d.Dropped
	})
}

// raise raises the duties of rules, for a finding or an action. A rule that is open for the same reason is
// not raised again; one that a test settles is open once, whatever the reasons.
func (t *turn) raise(rules []catalogue.Rule, finding int, action string) error {
	c := t.shop.Trade()
	for _, r := range rules {
		if slices.ContainsFunc(t.j.Duties, func(d Duty) bool {
			same := d.Finding == finding && (finding != 0 || d.Open())
			return d.Rule == r.ID && !d.Dropped && (same || r.Test != "" && d.Open())
		}) {
			continue
		}
		d := Duty{ID: len(t.j.Duties) + 1, Rule: r.ID, Text: c.Duty("en", r.ID), Told: c.Duty(t.j.Customer.Language, r.ID), Before: Stage(r.Before), Finding: finding, Action: action, Test: r.Test, NoPost: r.NoPost}
		if d.Told == d.Text {
			d.Told = ""
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
		if err := t.raise(c.RulesAfter(a), 0, a); err != nil {
			return err
		}
	}
	return nil
}

// passed settles the duties that a test settles.
func (t *turn) passed(test string) error {
	for _, d := range t.j.Duties {
		if d.Open() && d.Test != "" && strings.EqualFold(d.Test, test) {
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
	if err := oneOf("before", "The stage before which it is due", d.Before, []Stage{StageTesting, StageShipped}); err != nil {
		return err
	}
	if d.Finding != 0 && t.j.Finding(d.Finding) == nil {
		return invalid("finding", "There is no finding %d on this job.", d.Finding)
	}
	if len(t.j.Duties) >= MaxList {
		return refused("There are %d duties already; no more fit.", MaxList)
	}
	return t.record(&DutyRaised{Duty{ID: len(t.j.Duties) + 1, Text: d.Text, Before: d.Before, Finding: d.Finding}})
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
	if late := d.NoPost && d.Waived != "" && d.DoneAt.IsZero(); !d.Open() && !late {
		return nil // what must not be posted can still be taken out after a waiver
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
	reason, err := line("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&DutyWaived{c.ID, reason})
}

// DutyWaived lets a duty go, with a reason that the customer will read.
type DutyWaived struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (p *DutyWaived) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.Waived = p.Reason
		j.tell(e, p.ID)
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
