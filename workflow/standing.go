package workflow

import (
	"cmp"
	"time"

	"benchword/workflow/money"
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
	// ArriveBy is the day by which a parcel that was posted back should be there, by the carrier's usual days, "" where
	// nobody knows; Arrival what was said of it since.
	ArriveBy string   `json:"arrive_by,omitempty"`
	Arrival  *Arrival `json:"arrival,omitempty"`
}

// Where is the place of a job as its customer sees it: a stage, or what it comes to.
type Where string

const (
	WhereBooked     Where = "booked"
	WhereReceived   Where = "received"
	WhereDiagnosing Where = "diagnosing"
	WhereAwaiting   Where = "awaiting_approval"   // a quote waits for the customer
	WhereQuestion   Where = "question"            // the customer's question about it waits for the bench
	WhereRecycling  Where = "recycling"           // agreed, and it can still be taken back
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
	WhereOverdue    Where = "overdue"         // posted, and should have arrived by the carrier's usual days
	WhereMissing    Where = "missing"         // posted, and somebody said that it has not come
	WhereArrived    Where = "arrived"         // posted, and somebody said that it has come
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
	NeedTell    NeedKind = "tell"    // whether the parcel has come, if it has not
)

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
	WhyBalance  NeedWhy = "pay"  // it goes back once that is here
	WhyOwed     NeedWhy = "owed" // and it goes back, or went, all the same
	WhyWithPay  NeedWhy = "collect_pay"
	WhyTell     NeedWhy = "tell"
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
	if day, ok := j.ShouldArrive(shop); ok {
		s.ArriveBy = day.String()
	}
	s.Where, s.Since = j.where()
	s.Arrival = j.Arrival
	return s
}

func (j *Job) where() (Where, time.Time) {
	switch j.Stage {
	case StageAwaitingApproval:
		if j.Recycling() {
			return WhereRecycling, j.AnswerTo(j.Quote().Revision).At
		}
		if j.OpenQuestion() != nil {
			return WhereQuestion, j.StageSince
		}
	case StageRepairing:
		switch d := j.standingYes(); {
		case !j.Queued():
			return WhereRepairing, cmp.Or(j.BegunAt, j.StageSince)
		case d != nil && d.WithinLimit() && d.Revision == len(j.Quotes): // they were asked of no later one
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
		case !j.OutcomeWhy.Empty():
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
		switch a := j.Arrival; {
		case a != nil && a.Arrived:
			return WhereArrived, a.At
		case a != nil:
			return WhereMissing, a.At
		case j.ArriveBy != "":
			return WhereOverdue, j.EndedAt
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
	case j.Ended() && balance.Minor > 0:
		return Need{Kind: NeedPay, Why: WhyOwed, Amount: &balance}
	case j.Ended() && j.Arrival == nil && j.Unarrived():
		return Need{Kind: NeedTell, Why: WhyTell, Since: j.ArriveDay(shop)}
	case j.Ended() && j.Unarrived():
		return Need{Kind: NeedNone, Why: WhyNothing}
	case j.Ended():
		return Need{Kind: NeedNone, Why: WhyEnded}
	case j.Stage == StageBooked && j.Inbound.Empty():
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
	case j.Shipment != nil && j.Shipment.InPerson && !j.WaitsSince(shop).IsZero() && balance.Minor > 0:
		return Need{Kind: NeedCollect, Why: WhyWithPay, Since: j.WaitsSince(shop), Amount: &balance}
	case j.Shipment != nil && j.Shipment.InPerson && !j.WaitsSince(shop).IsZero():
		return Need{Kind: NeedCollect, Why: WhyCollect, Since: j.WaitsSince(shop)}
	case balance.Minor > 0 && (unpaid || shop.SettleFirst && j.Stage == StageTesting):
		return Need{Kind: NeedPay, Why: WhyBalance, Amount: &balance}
	case balance.Minor > 0 && j.Ready != nil:
		return Need{Kind: NeedPay, Why: WhyOwed, Amount: &balance}
	}
	return Need{Kind: NeedNone, Why: WhyNothing}
}

// askedOf returns the bench's newest question that the customer has not written after, nil if there is none.
func (j *Job) askedOf() *Message {
	for i := len(j.Messages) - 1; i >= 0; i-- {
		m := &j.Messages[i]
		if m.FromCustomer() {
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
