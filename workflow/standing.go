package workflow

import (
	"cmp"
	"time"

	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// Standing is what is true for the customer at an instant: where the device is, what is needed of them,
// the date, the money, and what comes next. Page, email, push, feed, calendar file, API, webhook and counter
// say what it says; they put it into words and decide nothing.
type Standing struct {
	Where Where     `json:"where"`
	Since time.Time `json:"since"`
	// Waiting is the hold in force, nil if there is none.
	Waiting *Hold `json:"waiting,omitempty"`
	Need    Need  `json:"need"`
	Date    Date  `json:"date"`
	Money   Owed  `json:"money"`
	// Next is the stage that usually follows, or the one that waits for the bench to begin, "" where nothing does.
	Next Stage `json:"next,omitempty"`
}

// Where is the place of a job as its customer sees it: a stage, or what it comes to.
type Where string

const (
	WhereBooked     Where = "booked"
	WhereReceived   Where = "received"
	WhereDiagnosing Where = "diagnosing"
	WhereAwaiting   Where = "awaiting_approval"   // a quote waits for the customer
	WhereQuestion   Where = "question"            // the customer's question about it waits for the bench
	WhereQueued     Where = "queued"              // they said yes; the bench has not begun
	WhereWithin     Where = "queued_within_limit" // the same, within the limit agreed beforehand
	WhereReturning  Where = "queued_return"       // it goes back unrepaired; the bench has not begun closing it up
	WhereRepairing  Where = "repairing"
	WhereTesting    Where = "testing"
	WhereReady      Where = "ready"           // the customer was told that it is done
	WhereClosing    Where = "closing"         // goes back unrepaired, being closed up
	WhereNoFault    Where = "no_fault"        // being tested; no fault was found
	WherePartly     Where = "partly_repaired" // being tested; not all of it is repaired
	WhereOutside    Where = "cured_outside"   // being tested; what was wrong lay outside the device
	WhereBeyond     Where = "beyond_repair"   // goes back, being closed up
	WhereShipped    Where = "shipped"         // posted
	WhereHandedOver Where = "handed_over"     // in person
	WhereRecycled   Where = "recycled"
	WhereCancelled  Where = "cancelled"
)

// NeedKind is what the customer is asked for.
type NeedKind string

const (
	NeedNone    NeedKind = "none"
	NeedSend    NeedKind = "send"    // the parcel
	NeedDecide  NeedKind = "decide"  // an answer to the quote
	NeedChoose  NeedKind = "choose"  // what is to happen after a missed promise
	NeedAnswer  NeedKind = "answer"  // an answer to a message
	NeedPay     NeedKind = "pay"     // the balance, or a deposit
	NeedCollect NeedKind = "collect" // it is ready at the counter
)

// NeedKinds lists every kind.
var NeedKinds = []NeedKind{NeedNone, NeedSend, NeedDecide, NeedChoose, NeedAnswer, NeedPay, NeedCollect}

// NeedWhy says which of several reasons a need, or none, has.
type NeedWhy string

const (
	WhyEnded    NeedWhy = "ended"
	WhySend     NeedWhy = "send"
	WhyOnItsWay NeedWhy = "on_its_way" // the customer told the parcel's number
	WhyDecide   NeedWhy = "decide"
	WhyQuestion NeedWhy = "question" // they asked about the quote, and can answer it all the same
	WhyMessage  NeedWhy = "answer"   // the bench asked something
	WhyExpired  NeedWhy = "expired"  // the quote ran out
	WhyChoose   NeedWhy = "choose"
	WhyHold     NeedWhy = "hold" // the bench waits for the customer
	WhyDeposit  NeedWhy = "deposit"
	WhyCollect  NeedWhy = "collect"
	WhyBalance  NeedWhy = "pay"
	WhyNothing  NeedWhy = "nothing"
)

// Need is what is needed of the customer.
type Need struct {
	Kind NeedKind `json:"kind"`
	Why  NeedWhy  `json:"why"`
	// By is until when; Since, for goods to collect, from when on. Zero for neither.
	By    time.Time `json:"by,omitzero"`
	Since time.Time `json:"since,omitzero"`
	// Amount is what is to be paid, nil for nothing.
	Amount *money.Amount `json:"amount,omitempty"`
}

// DateKind says what kind of date it is.
type DateKind string

const (
	DateNone      DateKind = "none"      // nothing was promised
	DateBooked    DateKind = "booked"    // counted from when it arrives
	DateBy        DateKind = "by"        // promised
	DatePaused    DateKind = "paused"    // the clock waits for somebody: as if it went on now
	DateLate      DateKind = "late"      // missed
	DateReturning DateKind = "returning" // missed, and the customer chose to have it back
	DateLeft      DateKind = "left"      // it left
	DateClosed    DateKind = "closed"    // it does not come back
)

// Date is the answer to "when will it be back".
type Date struct {
	Kind DateKind `json:"kind"`
	// At is the promised instant, or when it left; zero where none can be named.
	At time.Time `json:"at,omitzero"`
	// Due is the instant of the promise in force, zero where none can be named.
	Due time.Time `json:"due,omitzero"`
	// Missed: the promise in force was missed. Reason is what the bench said to that.
	Missed bool   `json:"missed,omitempty"`
	Reason string `json:"reason,omitempty"`
	// For is whom a paused clock waits for.
	For promiseclock.Account `json:"for,omitempty"`
	// Moved is what moved the date, oldest first.
	Moved []DateMove `json:"moved,omitempty"`
}

// DateMove is one thing that moved the date: a new promise, or a pause of the clock.
type DateMove struct {
	// Promise is the number of the promise that was told before, 0 for a pause; Missed: it was missed.
	Promise int  `json:"promise,omitempty"`
	Missed  bool `json:"missed,omitempty"`
	// Reason is the bench's, of the promise in force.
	Reason string `json:"reason,omitempty"`
	// For is whom a pause waited for; it lasted from PausedAt to ResumedAt, zero while it lasts.
	For       promiseclock.Account `json:"for,omitempty"`
	PausedAt  time.Time            `json:"paused_at,omitzero"`
	ResumedAt time.Time            `json:"resumed_at,omitzero"`
	// From and To are the date before and after.
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
}

// Owed is the money as it stands.
type Owed struct {
	Charge  money.Amount `json:"charge"`
	Paid    money.Amount `json:"paid"`
	Balance money.Amount `json:"balance"`
	// Deposit is what is still missing of one.
	Deposit money.Amount `json:"deposit"`
}

// Standing returns what is true for the customer at an instant.
func (j *Job) Standing(shop *Shop, now time.Time) Standing {
	s := Standing{
		Waiting: j.Hold(), Need: j.need(shop, now), Date: j.date(shop, now), Next: j.next(),
		Money: Owed{Charge: j.Charge(shop), Paid: j.Paid(shop), Balance: j.Balance(shop), Deposit: j.DepositOpen(shop)},
	}
	s.Where, s.Since = j.where()
	return s
}

func (j *Job) where() (Where, time.Time) {
	switch j.Stage {
	case StageAwaitingApproval:
		if j.OpenQuestion() != nil {
			return WhereQuestion, j.StageSince
		}
	case StageRepairing:
		switch d := j.standingYes(); {
		case !j.Queued():
			return WhereRepairing, cmp.Or(j.BegunAt, j.StageSince)
		case d != nil && d.WithinLimit():
			return WhereWithin, j.QueuedAt
		}
		return WhereQueued, j.QueuedAt
	case StageTesting:
		since := cmp.Or(j.BegunAt, j.StageSince)
		switch {
		case j.Queued():
			return WhereReturning, j.QueuedAt
		case j.Ready != nil:
			return WhereReady, j.Ready.At
		case j.OutcomeWhy != "":
			return Where(j.Outcome), since
		case j.Outcome == OutcomeUnrepaired:
			return WhereClosing, since
		case j.Outcome == OutcomeNoFault:
			return WhereNoFault, since
		}
	case StageShipped:
		if j.Shipment != nil && j.Shipment.InPerson {
			return WhereHandedOver, j.EndedAt
		}
		return WhereShipped, j.EndedAt
	case StageWithdrawn:
		if j.Outcome == OutcomeRecycled {
			return WhereRecycled, j.EndedAt
		}
		return WhereCancelled, j.EndedAt
	}
	return Where(j.Stage), j.StageSince
}

// need returns the one thing that is asked of the customer: the first that applies.
func (j *Job) need(shop *Shop, now time.Time) Need {
	q, hold := j.Quote(), j.Hold()
	awaiting := j.Stage == StageAwaitingApproval && q != nil
	balance, deposit := j.Balance(shop), j.DepositOpen(shop)
	unpaid := hold != nil && hold.Reason == HoldPayment
	switch {
	case j.Ended():
		return Need{Kind: NeedNone, Why: WhyEnded}
	case j.Stage == StageBooked && j.Inbound == "":
		return Need{Kind: NeedSend, Why: WhySend}
	case j.Stage == StageBooked:
		return Need{Kind: NeedNone, Why: WhyOnItsWay}
	case j.Decidable(q, now) && j.OpenQuestion() != nil:
		return Need{Kind: NeedDecide, Why: WhyQuestion, By: q.ExpiresAt}
	case j.Decidable(q, now):
		return Need{Kind: NeedDecide, Why: WhyDecide, By: q.ExpiresAt}
	case j.askedOf() != nil:
		return Need{Kind: NeedAnswer, Why: WhyMessage}
	case awaiting && (q.State == RevisionExpired || q.State == RevisionOpen):
		return Need{Kind: NeedAnswer, Why: WhyExpired, Since: q.ExpiresAt}
	case j.ToChoose(now) != nil:
		return Need{Kind: NeedChoose, Why: WhyChoose, By: j.Delay().AnswerBy}
	case hold != nil && hold.Reason == HoldCustomer:
		return Need{Kind: NeedAnswer, Why: WhyHold}
	case unpaid && deposit.Minor > 0:
		return Need{Kind: NeedPay, Why: WhyDeposit, Amount: &deposit}
	case j.Shipment != nil && j.Shipment.InPerson && !j.WaitsSince(shop).IsZero():
		return Need{Kind: NeedCollect, Why: WhyCollect, Since: j.WaitsSince(shop)}
	case balance.Minor > 0 && (unpaid || shop.SettleFirst && j.Stage == StageTesting):
		return Need{Kind: NeedPay, Why: WhyBalance, Amount: &balance}
	}
	return Need{Kind: NeedNone, Why: WhyNothing}
}

// askedOf returns the bench's newest question that the customer has not written after, nil if there is none.
func (j *Job) askedOf() *Message {
	for i := len(j.Messages) - 1; i >= 0; i-- {
		m := &j.Messages[i]
		if m.By.Role == RoleCustomer {
			return nil
		}
		if m.Question {
			return m
		}
	}
	return nil
}

// ToChoose returns the missed promise that waits for the customer's choice, nil if there is none.
func (j *Job) ToChoose(now time.Time) *Delay {
	if d := j.Delay(); d != nil && !j.Ended() && d.Open(now) {
		return d
	}
	return nil
}

func (j *Job) date(shop *Shop, now time.Time) Date {
	p := j.Promise()
	switch {
	case j.Stage == StageWithdrawn:
		return Date{Kind: DateClosed}
	case j.Stage == StageShipped:
		d := Date{Kind: DateLeft, At: j.EndedAt, Moved: j.moved(shop, now)}
		if p != nil {
			if due, ok := j.Turnaround(shop, p).Due(); ok {
				d.Due, d.Missed = due, !p.BreachedAt.IsZero() || j.EndedAt.After(due)
			}
		}
		return d
	case p == nil && j.Stage == StageBooked && shop.PromiseDays > 0:
		return Date{Kind: DateBooked}
	case p == nil:
		return Date{Kind: DateNone}
	}
	d := Date{Kind: DatePaused, For: j.waitsFor(), Moved: j.moved(shop, now)}
	due, ok := j.Due(shop)
	switch {
	case !p.BreachedAt.IsZero() || ok && now.After(due):
		d.Kind, d.For, d.Missed = DateLate, "", true
		if d.Due = due; !p.BreachedAt.IsZero() {
			d.Due = p.BreachedAt
		}
		if x := j.Delay(); j.returning() {
			d.Kind = DateReturning
		} else if x != nil && x.Promise == p.Number {
			d.Reason = x.Reason
		}
		d.At = d.Due
	case ok:
		d.Kind, d.For, d.At, d.Due = DateBy, "", due, due
	default:
		// What the date would be if the clock went on this minute is worth saying.
		if due, ok := j.Turnaround(shop, p).DueAt(now); ok {
			d.At = due
		}
	}
	return d
}

// waitsFor returns whom the clock stands still for: the latest running pause.
func (j *Job) waitsFor() promiseclock.Account {
	for i := len(j.Pauses) - 1; i >= 0; i-- {
		if j.Pauses[i].To.IsZero() {
			return j.Pauses[i].For
		}
	}
	return promiseclock.AccountCustomer
}

// DueOf returns the instant at which a promise runs out as things stand: a pause that is still running counts
// up to now. It is zero where none can be named.
func (j *Job) DueOf(shop *Shop, p *Promise, now time.Time) time.Time {
	if !p.BreachedAt.IsZero() {
		return p.BreachedAt
	}
	due, _ := j.Turnaround(shop, p).DueAt(now)
	return due
}

// ToldOf returns the date that was told when a promise was made: what came later moved it later.
func (j *Job) ToldOf(shop *Shop, p *Promise) time.Time {
	t := j.Turnaround(shop, p)
	t.Pauses = nil
	for _, x := range j.Pauses {
		if x.From.Before(p.MadeAt) {
			t.Pauses = append(t.Pauses, x)
		}
	}
	due, _ := t.DueAt(p.MadeAt)
	return due
}

// moved returns what moved the date: the promises made before, the reason of the one in force, and the
// pauses that moved it by a day of the shop's at least.
func (j *Job) moved(shop *Shop, now time.Time) []DateMove {
	p := j.Promise()
	if p == nil {
		return nil
	}
	var out []DateMove
	for i := range j.Promises[:len(j.Promises)-1] {
		old := &j.Promises[i]
		if told := j.ToldOf(shop, old); !told.IsZero() {
			out = append(out, DateMove{Promise: old.Number, Missed: !old.BreachedAt.IsZero(), From: told})
		}
	}
	if p.Reason != "" {
		out = append(out, DateMove{Promise: p.Number, Reason: p.Reason})
	}
	t := j.Turnaround(shop, p)
	t.Pauses = nil
	before, ok := t.Due()
	if !ok {
		return out
	}
	for _, x := range j.Pauses {
		// One pause more at a time, in order: the share of each is what it adds to those before it.
		t.Pauses = append(t.Pauses, x)
		after, ok := t.DueAt(now)
		if !ok || !after.After(before) {
			continue
		}
		if shop.Calendar.Date(before) != shop.Calendar.Date(after) {
			out = append(out, DateMove{For: x.For, PausedAt: x.From, ResumedAt: x.To, From: before, To: after})
		}
		before = after
	}
	return out
}

// next returns the stage that usually follows.
func (j *Job) next() Stage {
	switch {
	case j.Ended():
		return ""
	case j.Queued():
		return j.Stage
	}
	return Stages[j.Stage.Rank()+1]
}
