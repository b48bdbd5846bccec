package workflow

import (
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
)

// Promise is a date told to the customer. The first is kept for ever; a later one carries its reason.
type Promise struct {
	Number int       `json:"number"`
	MadeAt time.Time `json:"made_at,omitzero"`
	// Starts is where the turnaround begins to count.
	Starts time.Time          `json:"starts"`
	Quota  promiseclock.Quota `json:"quota"`
	// Reason says why the date moved; "" for the first.
	Reason Words `json:"reason,omitzero"`
	// BreachedAt is the due instant that the clock passed, zero while kept.
	BreachedAt time.Time `json:"breached_at,omitzero"`
	// Warned is the last share of the quota, in percent, that the counter was warned at.
	Warned int `json:"warned,omitempty"`
	// Told are the dates that were told of it, the first when it was made; none of a promise that an earlier
	// version made.
	Told []Telling `json:"told,omitempty"`
	// Risk is how probable the forecast said a miss is, in percent, when it raised its flag.
	Risk int `json:"risk,omitempty"`
}

// Promise returns the current promise, nil if none was made.
func (j *Job) Promise() *Promise {
	if len(j.Promises) == 0 {
		return nil
	}
	return &j.Promises[len(j.Promises)-1]
}

// Turnaround returns the promise's clock, with the job's pauses.
func (j *Job) Turnaround(shop *Shop, p *Promise) promiseclock.Turnaround {
	return promiseclock.Turnaround{Calendar: shop.Calendar, Start: p.Starts, Quota: p.Quota, Pauses: j.Pauses}
}

// Due returns the due instant of the current promise; ok is false if there is none, or if a pause is
// running, so that no instant can be named.
func (j *Job) Due(shop *Shop) (due time.Time, ok bool) {
	p := j.Promise()
	if p == nil {
		return time.Time{}, false
	}
	return j.Turnaround(shop, p).Due()
}

// newQuota reads a new promise: a number of working days, or a date.
func (t *turn) newQuota(days int, by time.Time) (promiseclock.Quota, error) {
	switch {
	case days == 0 && by.IsZero(), days != 0 && !by.IsZero():
		return promiseclock.Quota{}, invalid("days", "Give a number of working days, or a date.")
	case days < 0 || days > 365:
		return promiseclock.Quota{}, invalid("days", "Give 1 to 365 working days.")
	case !by.IsZero():
		return promiseclock.Quota{By: by.UTC().Truncate(time.Second)}, t.soonEnough("by", by)
	}
	return promiseclock.Quota{WorkingDays: days}, nil
}

// soonEnough checks a date that is going to be promised.
func (t *turn) soonEnough(field string, by time.Time) error {
	if !by.After(t.now) {
		return invalid(field, "The new date has passed already.")
	}
	if by.After(t.now.AddDate(2, 0, 0)) {
		return invalid(field, "The new date is more than two years away.")
	}
	return nil
}

// movePromise tells a new date. After a missed one, the customer is asked what they want.
func (t *turn) movePromise(q promiseclock.Quota, reason Words) error {
	if err := t.noteBreach(); err != nil {
		return err
	}
	p, c := t.j.Promise(), t.shop.Calendar
	due, _ := t.j.Turnaround(t.shop, &Promise{Starts: t.now, Quota: q}).DueAt(t.now)
	d := t.j.Delay()
	tooLate := d != nil && d.waits() && !due.IsZero() && c.Date(d.AnswerBy) >= c.Date(t.shop.DayOf(due)) // to choose before it
	if p != nil && !t.j.returning() && (!p.BreachedAt.IsZero() || tooLate) {
		return t.tellDelay(reason, q)
	}
	return t.promise(q, reason)
}

// MovePromise tells the customer a new date, with its reason. The first promise stays on record.
type MovePromise struct {
	// Days is the new turnaround in working days from now; By is a date instead. Exactly one.
	Days   int       `json:"days,omitempty"`
	By     time.Time `json:"by,omitzero"`
	Reason string    `json:"reason,omitempty"`
}

func (c MovePromise) decide(t *turn) error {
	if t.j.Ended() || t.j.Stage == StageBooked {
		return refused("A date can be promised once the device is here, and until it leaves.")
	}
	reason, err := t.text("reason", "The reason, which the customer will read,", c.Reason, len(t.j.Promises) > 0)
	if err != nil {
		return err
	}
	q, err := t.newQuota(c.Days, c.By)
	if err != nil {
		return err
	}
	return t.movePromise(q, reason)
}

// PromiseMade is a date told to the customer.
type PromiseMade struct {
	Promise Promise `json:"promise"`
}

func (p *PromiseMade) fold(j *Job, e *Event) {
	x := p.Promise
	x.MadeAt = e.At
	j.Promises = append(j.Promises, x)
	j.addMoment(e, x.Number)
}

// instant is the step of time in events.
const instant = time.Millisecond

// breachAt returns when the promise in force will have been breached, zero if it was or no instant can be
// named. Ending exactly at the due instant is kept: the breach begins right after it.
func (j *Job) breachAt(shop *Shop) time.Time {
	if p := j.Promise(); p != nil && p.BreachedAt.IsZero() {
		if due, ok := j.Due(shop); ok {
			return due.Add(instant)
		}
	}
	return time.Time{}
}

// noteBreach records a breach of the promise in force if its due instant has passed.
func (t *turn) noteBreach() error {
	p := t.j.Promise()
	if p == nil || !p.BreachedAt.IsZero() {
		return nil
	}
	end := t.now
	if t.j.Ended() {
		end = t.j.EndedAt
	}
	due, breached := t.j.Turnaround(t.shop, p).Breached(end)
	if !breached {
		return nil
	}
	return t.recordBy(clockActor, &PromiseBreached{Number: p.Number, DueAt: due})
}

// PromiseBreached is the clock passing a promise.
type PromiseBreached struct {
	Number int `json:"number"`
	// DueAt is the exact instant that was passed.
	DueAt time.Time `json:"due_at"`
}

func (p *PromiseBreached) fold(j *Job, e *Event) {
	if p.Number >= 1 && p.Number <= len(j.Promises) {
		j.Promises[p.Number-1].BreachedAt = p.DueAt
		j.addMoment(e, p.Number)
	}
}

// ClockPaused starts a pause of the promise clock on somebody's account.
type ClockPaused struct {
	For promiseclock.Account `json:"for"`
	// Why is "approval" or "hold": pauses of different causes may overlap and end apart.
	Why string `json:"why"`
}

func (p *ClockPaused) fold(j *Job, e *Event) {
	j.Pauses = append(j.Pauses, promiseclock.Pause{From: e.At, For: p.For, Why: p.Why})
}

// ClockResumed ends the pause with this cause.
type ClockResumed struct {
	Why string `json:"why"`
}

func (p *ClockResumed) fold(j *Job, e *Event) {
	if x := j.running(p.Why); x != nil {
		x.To = e.At
	}
}

// running returns the pause with this cause that has not ended, nil if there is none.
func (j *Job) running(why string) *promiseclock.Pause {
	for i := range j.Pauses {
		if x := &j.Pauses[i]; x.Why == why && x.To.IsZero() {
			return x
		}
	}
	return nil
}

func (t *turn) pause(a promiseclock.Account, why string) error {
	if t.j.running(why) != nil {
		return nil
	}
	return t.record(&ClockPaused{For: a, Why: why})
}

func (t *turn) resume(why string) error {
	if t.j.running(why) == nil {
		return nil
	}
	if p := t.j.Promise(); p != nil && t.named.IsZero() {
		t.named = t.j.named(t.shop, p, t.shop.Calendar.Date(t.now))
	}
	return t.record(&ClockResumed{Why: why})
}

// midnight returns the instant at which a date begins in the shop's zone.
func midnight(shop *Shop, d calendar.Date) time.Time {
	return calendar.Local(shop.Calendar.Location(), d, 0, 0)
}
