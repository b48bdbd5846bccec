package workflow

import (
	"slices"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
)

// DateKind says what kind of date it is.
type DateKind string

const (
	DateNone      DateKind = "none"      // nothing was promised
	DateBooked    DateKind = "booked"    // counted from when it arrives
	DateBy        DateKind = "by"        // told, and in force
	DatePaused    DateKind = "paused"    // the clock waits for somebody: it holds if that ends by a named day
	DateOver      DateKind = "over"      // the day told has passed, the clock's instant has not
	DateLate      DateKind = "late"      // missed
	DateReturning DateKind = "returning" // missed, and the customer chose to have it back
	DateReady     DateKind = "ready"     // it waits to be collected
	DateLeft      DateKind = "left"      // it left
	DateClosed    DateKind = "closed"    // it does not come back
)

// Date is the answer to "when will it be back": one date, the last one told.
//
// Decisions:
//   - 2026-11-30: The date named is the last one told, and a move of the clock is told once it comes to a
//     working day. Rejected: naming the clock's instant, which every second of waiting moves; an email for each
//     working day that a wait lasts, since what is named meanwhile names its condition.
type Date struct {
	Kind DateKind `json:"kind"`
	// At is the date named, or when it left; zero where none can be named. Its day is what is meant: one that
	// ends at midnight is named within it.
	At time.Time `json:"at,omitzero"`
	// If is the day by whose end the wait must be over for At to hold, while the clock stands.
	If time.Time `json:"if,omitzero"`
	// Told is the date told last for the promise in force, Due the clock's own instant; zero where none can be
	// named.
	Told time.Time `json:"told,omitzero"`
	Due  time.Time `json:"due,omitzero"`
	// Quota is what will be promised on arrival, before that.
	Quota promiseclock.Quota `json:"quota,omitzero"`
	// Missed: the promise in force was missed. Reason is what the bench said to that.
	Missed bool   `json:"missed,omitempty"`
	Reason string `json:"reason,omitempty"`
	// For is whom a paused clock waits for, and since when.
	For   promiseclock.Account `json:"for,omitempty"`
	Since time.Time            `json:"since,omitzero"`
	// Moved is what moved the date, oldest first.
	Moved []DateMove `json:"moved,omitempty"`
}

// DateMove is one thing that moved the date: a new promise, or pauses of the clock that came to a working day.
type DateMove struct {
	// Promise is the number of the promise that was told before, 0 for pauses; Missed: it was missed.
	Promise int  `json:"promise,omitempty"`
	Missed  bool `json:"missed,omitempty"`
	// Reason is the bench's, of the promise in force.
	Reason string `json:"reason,omitempty"`
	// For are those whom the pauses waited for.
	For []promiseclock.Account `json:"for,omitempty"`
	// From and To are the date before and after; To is zero while the clock stands.
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
}

// Telling is a date that the customer was told.
type Telling struct {
	At time.Time `json:"at,omitzero"`
	// Date is an instant of the promise clock; its day was named.
	Date time.Time `json:"date"`
	// For are those whom the pauses waited for that moved it: [Job.Tellings] says so.
	For []promiseclock.Account `json:"-"`
}

// DateTold is a date told anew because pauses moved the promise in force by a working day.
type DateTold struct {
	Number int       `json:"number"`
	Date   time.Time `json:"date"`
	// Known marks one that the customer has read of before: earlier versions told every move without saying so.
	Known bool `json:"known,omitempty"`
}

func (p *DateTold) fold(j *Job, e *Event) {
	if p.Number >= 1 && p.Number <= len(j.Promises) {
		x := &j.Promises[p.Number-1]
		x.Told = append(slices.Clip(x.Told), Telling{At: e.At, Date: p.Date})
		j.addMoment(e, len(x.Told))
	}
}

// LastTold returns the date told last for a promise, zero if none could be. Earlier versions, which recorded
// none, told what each pause that ended made of it.
func (j *Job) LastTold(shop *Shop, p *Promise) time.Time {
	if n := len(p.Told); n > 0 {
		return p.Told[n-1].Date
	}
	t := j.Turnaround(shop, p)
	t.Pauses = slices.DeleteFunc(slices.Clone(j.Pauses), func(x promiseclock.Pause) bool { return x.To.IsZero() })
	due, _ := t.Due()
	return due
}

// ToldOf returns the date that was told when a promise was made: what came later moved it later.
func (j *Job) ToldOf(shop *Shop, p *Promise) time.Time {
	if len(p.Told) > 0 && p.Told[0].At.Equal(p.MadeAt) {
		return p.Told[0].Date
	}
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

// movedADay reports whether a date lies a working day after the one told, or more.
func (s *Shop) movedADay(told, due time.Time) bool {
	return promiseclock.LengthOf(s.Calendar, told, due).Days > 0
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

// paused returns the latest pause that is running, nil if none is.
func (j *Job) paused() *promiseclock.Pause {
	for i := len(j.Pauses) - 1; i >= 0; i-- {
		if j.Pauses[i].To.IsZero() {
			return &j.Pauses[i]
		}
	}
	return nil
}

// named returns the date that is named on a day: the one told last; while the clock stands and that has passed, or
// can't be kept any more if it stands until the end of that day, the one that then holds.
func (j *Job) named(shop *Shop, p *Promise, day calendar.Date) time.Time {
	told := j.LastTold(shop, p)
	if j.paused() == nil || j.Ended() || !p.BreachedAt.IsZero() {
		return told
	}
	over := !told.IsZero() && day > shop.Calendar.Date(shop.DayOf(told)) // nothing can leave on a day that has passed
	if due, ok := j.Turnaround(shop, p).DueAt(midnight(shop, day+1)); ok && (told.IsZero() || over || shop.movedADay(told, due)) {
		return due
	}
	return told
}

// holdsUntil returns the last day on which the wait can end for the date named on a day to hold.
func (j *Job) holdsUntil(shop *Shop, p *Promise, day calendar.Date) calendar.Date {
	at := j.named(shop, p, day)
	const most = 60 // a shop closed for longer names that day
	for n := calendar.Date(1); n <= most; n++ {
		if !j.named(shop, p, day+n).Equal(at) {
			return day + n - 1
		}
	}
	return day + most
}

// retellAt returns when the date of the promise in force is to be told anew, zero if it is not: at once where
// the running clock's date lies a working day after the one told; while it stands for somebody else than the
// customer, once, when the date told can't be kept any more.
func (j *Job) retellAt(shop *Shop) time.Time {
	p, wait := j.Promise(), j.paused()
	if p == nil || !p.BreachedAt.IsZero() {
		return time.Time{}
	}
	told := j.LastTold(shop, p)
	switch due, ok := j.Due(shop); {
	case told.IsZero():
	case len(p.Told) == 0:
		return j.ChangedAt // an earlier version's
	case ok && shop.movedADay(told, due):
		return j.ChangedAt
	case wait == nil || wait.For == promiseclock.AccountCustomer:
	case p.Told[len(p.Told)-1].At.Before(wait.From):
		return midnight(shop, j.holdsUntil(shop, p, shop.Calendar.Date(wait.From))+1)
	}
	return time.Time{}
}

// retell tells the date anew where it is due to be: what was named while the clock stood goes on holding.
func (t *turn) retell() error {
	j := t.j
	p := j.Promise()
	if p == nil || !p.BreachedAt.IsZero() || p.MadeAt.Equal(t.now) {
		return nil
	}
	at := j.retellAt(t.shop)
	if j.Ended() && t.named.IsZero() || at.IsZero() || t.now.Before(at) {
		return nil
	}
	date, runs := j.Due(t.shop)
	switch {
	case len(p.Told) == 0:
		date = j.LastTold(t.shop, p)
	case !runs:
		date = j.named(t.shop, p, t.shop.Calendar.Date(t.now))
	case t.named.After(date):
		date = t.named
	}
	return t.recordBy(clockActor, &DateTold{Number: p.Number, Date: date, Known: len(p.Told) == 0})
}

// promise records a promise, with the date that is told of it.
func (t *turn) promise(q promiseclock.Quota, reason Words) error {
	p := Promise{Number: len(t.j.Promises) + 1, MadeAt: t.now, Starts: t.now, Quota: q, Reason: reason}
	if told := t.j.ToldOf(t.shop, &p); !told.IsZero() {
		p.Told = []Telling{{At: t.now, Date: told}}
	}
	p.MadeAt = time.Time{}
	return t.record(&PromiseMade{p})
}

// DayOf returns an instant within the day that a date is named by: a day that ends at midnight is that day.
func (s *Shop) DayOf(at time.Time) time.Time {
	if !at.IsZero() && midnight(s, s.Calendar.Date(at)).Equal(at) {
		return at.Add(-time.Second)
	}
	return at
}

// onArrival returns what is promised when the device arrives; ok is false for nothing.
func (j *Job) onArrival(shop *Shop, now time.Time) (q promiseclock.Quota, ok bool) {
	if l := j.Level; l != nil {
		q = l.Promise
		return q, q != promiseclock.Quota{} && (q.By.IsZero() || q.By.After(now))
	}
	return promiseclock.Quota{WorkingDays: shop.PromiseDays}, shop.PromiseDays > 0
}

func (j *Job) date(shop *Shop, now time.Time) Date {
	p := j.Promise()
	switch q, ok := j.onArrival(shop, now); {
	case j.Stage == StageWithdrawn, j.Recycling():
		return Date{Kind: DateClosed}
	case p == nil && j.Stage == StageShipped:
		return Date{Kind: DateLeft, At: j.EndedAt}
	case p == nil && j.Stage == StageBooked && ok:
		return Date{Kind: DateBooked, Quota: q}
	case p == nil:
		return Date{Kind: DateNone}
	}
	today := shop.Calendar.Date(now)
	due, runs := j.Due(shop)
	named := j.named(shop, p, today)
	d := Date{Told: shop.DayOf(j.LastTold(shop, p)), At: shop.DayOf(named), Missed: !p.BreachedAt.IsZero(), Moved: j.moved(shop)}
	if d.Due = due; d.Missed {
		d.Due = p.BreachedAt
	}
	switch wait := j.paused(); {
	case j.Stage == StageShipped:
		d.Kind, d.At, d.Missed = DateLeft, j.EndedAt, d.Missed || !due.IsZero() && j.EndedAt.After(due)
	case d.Missed || runs && now.After(due):
		d.Kind, d.Missed = DateLate, true
		if x := j.Delay(); j.returning() {
			d.Kind = DateReturning
		} else if x != nil && x.Promise == p.Number {
			d.Reason = x.Reason.Text
		}
	case j.Ready != nil && j.running("collection") != nil:
		d.Kind, d.At, d.For = DateReady, j.WaitsSince(shop), promiseclock.AccountCustomer
	case wait != nil:
		d.Kind, d.For, d.Since = DatePaused, wait.For, wait.From
		if d.At.IsZero() {
			break
		}
		d.If = midnight(shop, j.holdsUntil(shop, p, today)+1).Add(-time.Second)
		if !named.Equal(j.LastTold(shop, p)) {
			d.Moved = append(d.Moved, DateMove{For: []promiseclock.Account{wait.For}, From: d.Told})
		}
	case d.Told.IsZero():
		d.Kind = DateNone
	case today > shop.Calendar.Date(d.Told):
		d.Kind = DateOver
	default:
		d.Kind = DateBy
	}
	return d
}

// moved returns what moved the date: the promises made before, the reason of the one in force, and the pauses
// that made it be told anew.
func (j *Job) moved(shop *Shop) []DateMove {
	var out []DateMove
	for i := range j.Promises[:len(j.Promises)-1] {
		old := &j.Promises[i]
		m := DateMove{Promise: old.Number, Missed: !old.BreachedAt.IsZero(), From: shop.DayOf(j.ToldOf(shop, old))}
		if m.Missed {
			m.From = j.MissedDate(shop, old.Number)
		}
		if !m.From.IsZero() {
			out = append(out, m)
		}
	}
	p := j.Promise()
	if p.Reason.Text != "" {
		out = append(out, DateMove{Promise: p.Number, Reason: p.Reason.Text})
	}
	told := j.Tellings(shop, p)
	for i := 1; i < len(told); i++ {
		out = append(out, DateMove{For: told[i].For, From: told[i-1].Date, To: told[i].Date})
	}
	return out
}

// Tellings returns what was told of a promise, oldest first, by the days that were named; none where no date could be.
func (j *Job) Tellings(shop *Shop, p *Promise) []Telling {
	first := j.ToldOf(shop, p)
	if first.IsZero() {
		return nil
	}
	out := []Telling{{At: p.MadeAt, Date: shop.DayOf(first)}}
	since := p.Starts
	for _, x := range p.Told {
		if x.At.Equal(p.MadeAt) {
			continue
		}
		t := Telling{At: x.At, Date: shop.DayOf(x.Date)}
		waited := promiseclock.Turnaround{Calendar: shop.Calendar, Start: since, Pauses: j.Pauses}.Accounts(x.At)
		for _, a := range []promiseclock.Account{promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
			atNight := waited.Paused() == 0 && slices.ContainsFunc(j.Pauses, func(p promiseclock.Pause) bool {
				return p.For == a && p.From.Before(x.At) && (p.To.IsZero() || p.To.After(since))
			})
			if waited.Of(a)*10 >= waited.Paused() && waited.Of(a) > 0 || atNight { // minutes beside days are nobody's matter
				t.For = append(t.For, a)
			}
		}
		out, since = append(out, t), x.At
	}
	return out
}

// MissedDate returns the date told last for a promise that was missed.
func (j *Job) MissedDate(shop *Shop, number int) time.Time {
	if number < 1 || number > len(j.Promises) {
		return time.Time{}
	}
	return shop.DayOf(j.LastTold(shop, &j.Promises[number-1]))
}

// ToldBy returns the date that was told last at an instant, by its day; zero where none was.
func (j *Job) ToldBy(shop *Shop, at time.Time) (date time.Time) {
	for i := range j.Promises {
		for _, told := range j.Tellings(shop, &j.Promises[i]) {
			if !told.At.After(at) {
				date = told.Date
			}
		}
	}
	return date
}
