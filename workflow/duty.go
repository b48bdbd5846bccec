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

// Words gives what must be done in the customer's language.
func (d Duty) Words() string {
	if d.Told != "" {
		return d.Told
	}
	return d.Text
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

// cellIn reports whether something that must not be posted is still in the device.
func (j *Job) cellIn() bool {
	return slices.ContainsFunc(j.Duties, func(d Duty) bool {
		// Before there were rules the duty was known by its words.
		old := d.Rule == "" && strings.HasPrefix(d.Text, "Take the damaged cell out")
		return (d.NoPost || old) && d.DoneAt.IsZero() && !d.Dropped
	})
}
