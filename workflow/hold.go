package workflow

import (
	"time"

	"benchword/workflow/promiseclock"
)

// HoldReason says who a job is waiting for.
type HoldReason string

const (
	HoldParts    HoldReason = "parts"
	HoldCustomer HoldReason = "customer"
	HoldCarrier  HoldReason = "carrier"
	HoldPayment  HoldReason = "payment"
	// HoldInsurer waits for an insurer or an assessor, HoldDocuments for papers or an authorisation.
	HoldInsurer   HoldReason = "insurer"
	HoldDocuments HoldReason = "documents"
	// HoldOutside: part of the work is done outside. HoldWatching: it runs untouched, to see whether the fault comes
	// back. Both are the bench's own time.
	HoldOutside  HoldReason = "work_outside"
	HoldWatching HoldReason = "watching"
)

// HoldReasons lists every reason in the order in which a form offers them.
var HoldReasons = []HoldReason{HoldParts, HoldCustomer, HoldCarrier, HoldPayment, HoldInsurer, HoldDocuments, HoldOutside, HoldWatching}

// Account returns whose account the time of a hold goes to.
func (r HoldReason) Account() promiseclock.Account {
	switch r {
	case HoldParts:
		return promiseclock.AccountParts
	case HoldCarrier:
		return promiseclock.AccountCarrier
	case HoldOutside, HoldWatching:
		return promiseclock.AccountBench
	}
	return promiseclock.AccountCustomer
}

// Hold is why a job stands still while its stage does not change.
type Hold struct {
	Reason HoldReason `json:"reason"`
	// Note is told to the customer: what is awaited, and until when it is expected.
	Note Words     `json:"note,omitzero"`
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
}

// Hold returns the hold in force, nil if there is none.
func (j *Job) Hold() *Hold {
	if n := len(j.Holds); n > 0 && j.Holds[n-1].To.IsZero() {
		return &j.Holds[n-1]
	}
	return nil
}

// PlaceHold says that the job stands still, and why.
type PlaceHold struct {
	Reason HoldReason `json:"reason"`
	Note   string     `json:"note,omitempty"`
}

func (c PlaceHold) decide(t *turn) error {
	if err := t.needStage("A hold", StageReceived, StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	if err := oneOf("reason", "The reason of a hold", c.Reason, HoldReasons); err != nil {
		return err
	}
	if t.j.Hold() != nil {
		return refused("The job is on hold already; lift that hold first.")
	}
	note, err := t.text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	if err := t.record(&HoldPlaced{c.Reason, note}); err != nil {
		return err
	}
	if t.shop.pauses(c.Reason) {
		return t.pause(c.Reason.Account(), "hold")
	}
	return nil
}

// HoldPlaced says that the job stands still, and why.
type HoldPlaced struct {
	Reason HoldReason `json:"reason"`
	Note   Words      `json:"note,omitzero"`
}

func (p *HoldPlaced) fold(j *Job, e *Event) {
	j.Holds = append(j.Holds, Hold{Reason: p.Reason, Note: p.Note, From: e.At})
	j.addMoment(e, len(j.Holds))
}

// LiftHold ends the hold in force.
type LiftHold struct{}

func (c LiftHold) decide(t *turn) error {
	if t.j.Hold() == nil {
		return refused("The job is not on hold.")
	}
	if err := t.record(&HoldLifted{}); err != nil {
		return err
	}
	return t.resume("hold")
}

// HoldLifted ends the hold in force.
type HoldLifted struct{}

func (p *HoldLifted) fold(j *Job, e *Event) {
	if h := j.Hold(); h != nil {
		h.To = e.At
		j.addMoment(e, len(j.Holds))
	}
}
