package workflow

import (
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
)

// Ready records that the device is ready to go back, and what the customer was told about it.
type Ready struct {
	At   time.Time `json:"at,omitzero"`
	Note Words     `json:"note,omitzero"`
}

// DeclareReady tells the customer that the device is done and tested.
type DeclareReady struct {
	Note string `json:"note,omitempty"`
}

func (c DeclareReady) decide(t *turn) error {
	if err := t.needStage("Saying that it is ready", StageTesting); err != nil {
		return err
	}
	if t.j.Ready != nil {
		return refused("The customer was told already that it is ready.")
	}
	g := &gate{j: t.j, shop: t.shop, outcome: t.j.Outcome}
	if g.needTests(); len(g.missing) > 0 {
		return &Error{Code: CodeRefused, Message: g.missing[0], Missing: g.missing}
	}
	note, err := t.text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	if err := t.record(&JobReady{note}); err != nil {
		return err
	}
	return t.waitForCollection()
}

// JobReady says that the device is done and tested.
type JobReady struct {
	Note Words `json:"note,omitzero"`
}

func (p *JobReady) fold(j *Job, e *Event) {
	j.Ready = &Ready{At: e.At, Note: p.Note}
	j.addMoment(e, 0)
}

// Uncollected is a notice about goods that wait to be collected, or to be paid for.
type Uncollected struct {
	Number int       `json:"number"`
	At     time.Time `json:"at,omitzero"`
	// By is the date that it sets, in the shop's zone, "" for none.
	By string `json:"by,omitempty"`
	// Text is the shop's own, as it was sent.
	Text string `json:"text"`
}

// UncollectedNotice is a notice that the shop sends about goods that nobody collects: which ones, when,
// and in which words local law asks for, the shop knows.
type UncollectedNotice struct {
	// AfterDays is in calendar days after the goods were ready; it goes out at the opening of the first
	// working day from then on.
	AfterDays int
	// GiveDays is how many calendar days it gives, counted as in Regulation (EEC, Euratom) 1182/71: its
	// own day never counts, and a last day that is not a working day moves to the next. 0 sets no date.
	GiveDays int
	// Text is in the shop's own words, by language.
	Text map[string]string
}

// WaitsSince returns since when the goods wait for their customer, zero if they don't: they are ready,
// and to be collected in person, or held until they are paid for.
func (j *Job) WaitsSince(shop *Shop) time.Time {
	if j.Stage != StageTesting || j.Ready == nil {
		return time.Time{}
	}
	since := j.Ready.At
	h := j.Hold()
	switch {
	case j.Shipment != nil && j.Shipment.InPerson:
		if j.Shipment.At.After(since) {
			since = j.Shipment.At
		}
	case shop.SettleFirst && j.Balance(shop).Minor > 0:
	case h != nil && (h.Reason == HoldPayment || h.Reason == HoldCustomer):
		if h.From.After(since) {
			since = h.From
		}
	default:
		return time.Time{}
	}
	return since
}

// uncollectedAt returns when the next notice about uncollected goods is due, zero if none is.
func (j *Job) uncollectedAt(shop *Shop) time.Time {
	since := j.WaitsSince(shop)
	if since.IsZero() || len(j.Uncollected) >= len(shop.Uncollected) {
		return time.Time{}
	}
	next := shop.Uncollected[len(j.Uncollected)]
	at, ok := shop.Calendar.NextOpen(midnight(shop, shop.Calendar.Date(since)+calendar.Date(next.AfterDays)))
	if !ok {
		return time.Time{}
	}
	return at
}

func (t *turn) noticeUncollected() error {
	n := t.shop.Uncollected[len(t.j.Uncollected)]
	words := n.Text[t.j.Customer.Language]
	if words == "" {
		words = n.Text[t.shop.Languages[0]]
	}
	u := Uncollected{Number: len(t.j.Uncollected) + 1, Text: words}
	if n.GiveDays > 0 {
		if by, ok := t.shop.Calendar.LastDay(t.shop.Calendar.Date(t.now), n.GiveDays); ok {
			u.By = by.String()
		}
	}
	return t.record(&CollectionAsked{u})
}

// waitForCollection puts the time for which goods wait at the counter to the customer's account.
func (t *turn) waitForCollection() error {
	if t.j.Ready != nil && t.j.Shipment != nil && t.j.Shipment.InPerson {
		return t.pause(promiseclock.AccountCustomer, "collection")
	}
	return t.resume("collection")
}

// CollectionAsked is a notice about goods that nobody collects.
type CollectionAsked struct {
	Uncollected
}

func (p *CollectionAsked) fold(j *Job, e *Event) {
	u := p.Uncollected
	u.At = e.At
	j.Uncollected = append(j.Uncollected, u)
	j.addMoment(e, u.Number)
}
