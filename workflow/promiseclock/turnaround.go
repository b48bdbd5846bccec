package promiseclock

import (
	"cmp"
	"math"
	"slices"
	"time"

	"benchword/workflow/calendar"
)

// Reached returns the first instant at which the worked time since the start has come to a share of the
// quota, in percent; rounded up to a second. ok is false as for [Turnaround.Due].
func (t Turnaround) Reached(percent int) (at time.Time, ok bool) {
	total, ok := t.total()
	if !ok {
		return time.Time{}, false
	}
	// Hours of quota times 100 stay far below 2^63 nanoseconds' worth of seconds.
	seconds := (int64(total/time.Second)*int64(percent) + 99) / 100
	t.Quota = Quota{WorkingHours: QuotaHours(time.Duration(seconds) * time.Second)}
	if seconds == 0 {
		return t.Start, true
	}
	return t.Due()
}

// Turnaround is a promise on the shop's clock: how much open time it allows from when on, and when the
// clock stood still.
//
// An instant t counts as worked if the shop is open and t lies in none of the pauses; a pause begins to
// matter at the start, and overlapping pauses count once. Everything is in whole seconds: instants are cut
// down to the second they lie in. With up to eight pauses, in any order, nothing is allocated.
type Turnaround struct {
	Calendar *calendar.Calendar
	Start    time.Time
	Quota    Quota
	Pauses   []Pause
}

// Total returns the quota in open time. ok is false if the calendar doesn't have that many working days.
func (t Turnaround) Total() (total time.Duration, ok bool) { return t.total() }

func (t *Turnaround) total() (time.Duration, bool) {
	switch q := &t.Quota; {
	case q.WorkingHours > 0:
		return q.WorkingHours.Duration(), true
	case q.WorkingDays > 0:
		closes, ok := t.Calendar.CloseOf(t.Start, q.WorkingDays)
		return t.Calendar.Worked(t.Start, closes), ok
	default:
		return t.Calendar.Worked(t.Start, q.By), true
	}
}

// Due returns the first instant at which the worked time since the start has reached the quota; for a quota
// By an instant, not before that. A pause moves it by exactly the open time that the pause covers before
// it, and a pause after it moves nothing.
//
// A running pause is taken to go on for ever: ok is then false unless the quota was used up before it.
// (See DueAt for the other way of asking.) ok is false too if the calendar never has that much open time.
func (t Turnaround) Due() (due time.Time, ok bool) { return t.due(math.MaxInt64) }

// DueAt returns the due instant as it stands at now: running pauses are taken to end at now. As long as one
// is running and the shop is open, that instant moves on with now. The promise is breached if now is after
// it, which no pause that runs later can undo.
func (t Turnaround) DueAt(now time.Time) (due time.Time, ok bool) { return t.due(now.Unix()) }

// due takes running pauses to end at that second.
func (t *Turnaround) due(running int64) (time.Time, bool) {
	need, ok := t.total()
	if !ok {
		return time.Time{}, false
	}
	if len(t.Pauses) > 0 {
		var few [8]pauseSpan
		var worked time.Duration // in which the shop was open, paused or not, up to from
		from := t.Start.Unix()
		for _, p := range t.spans(few[:0], running) {
			if p.to <= from {
				continue
			}
			if p.from > from {
				worked += t.Calendar.Worked(time.Unix(from, 0), time.Unix(p.from, 0))
				from = p.from
			}
			if worked >= need {
				break
			}
			if p.to == math.MaxInt64 {
				return time.Time{}, false
			}
			paused := t.Calendar.Worked(time.Unix(from, 0), time.Unix(p.to, 0))
			worked += paused
			need += paused
			from = p.to
		}
	}
	due, ok := t.Calendar.After(t.Start, need)
	if ok && t.Quota.WorkingHours == 0 && t.Quota.WorkingDays == 0 && due.Unix() < t.Quota.By.Unix() {
		due = time.Unix(t.Quota.By.Unix(), 0).UTC()
	}
	return due, ok
}

// pauseSpan is a pause in Unix seconds.
type pauseSpan struct {
	from, to int64
	rank     int // in accountOrder
	pause    int // in Pauses
}

// spans puts the pauses that are not empty into list, by their beginning.
func (t *Turnaround) spans(list []pauseSpan, running int64) []pauseSpan {
	for i := range t.Pauses {
		p := &t.Pauses[i]
		s := pauseSpan{p.From.Unix(), running, pauseRank(p.For), i}
		if !p.To.IsZero() {
			s.to = p.To.Unix()
		}
		if s.from < s.to {
			list = append(list, s)
		}
	}
	for i := 1; i < len(list); i++ {
		if list[i].before(&list[i-1]) { // seldom: pauses come in order
			slices.SortFunc(list, func(a, b pauseSpan) int {
				return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.rank, b.rank))
			})
			break
		}
	}
	return list
}

func (s *pauseSpan) before(o *pauseSpan) bool {
	return s.from < o.from || s.from == o.from && s.rank < o.rank
}

// pauseRank is the place in accountOrder; the customer's for anybody else.
func pauseRank(a Account) int {
	switch a {
	case AccountParts:
		return 1
	case AccountCarrier:
		return 2
	}
	return 0
}

// Elapsed returns the worked time from the start to at. A running pause reaches to at.
func (t Turnaround) Elapsed(at time.Time) time.Duration {
	if len(t.Pauses) == 0 {
		return t.Calendar.Worked(t.Start, at)
	}
	return t.accounts(at).Bench
}

// Remaining returns what is left of the quota at that instant, 0 if nothing is. ok is false if the quota has
// no length (see Total).
func (t Turnaround) Remaining(at time.Time) (left time.Duration, ok bool) {
	total, ok := t.Total()
	if !ok {
		return 0, false
	}
	return max(total-t.Elapsed(at), 0), true
}

// Breached returns the due instant as it stands when the job ends, or now, and reports whether that is
// after it. Ending exactly at the due instant is kept, and a millisecond later is not: this is the one
// definition of a breach.
func (t Turnaround) Breached(end time.Time) (due time.Time, breached bool) {
	due, ok := t.DueAt(end)
	return due, ok && end.After(due)
}

// Accounts puts every open second from the start to end on somebody's account: the bench's, unless a pause
// covers it. A second that several pauses cover goes to the one that began first, and of those that began
// in the same second to the customer's before parts, and to parts before the carrier's. A pause for nobody
// known, or for the bench, goes to the customer. A running pause reaches to end.
func (t Turnaround) Accounts(end time.Time) Accounts { return t.accounts(end) }

func (t *Turnaround) accounts(end time.Time) Accounts {
	a := Accounts{Bench: t.Calendar.Worked(t.Start, end)}
	at, last := t.Start.Unix(), end.Unix()
	if at >= last || len(t.Pauses) == 0 {
		return a
	}
	var few [8]pauseSpan
	for _, p := range t.spans(few[:0], last) {
		from, to := max(p.from, at), min(p.to, last)
		if from < to {
			d := t.Calendar.Worked(time.Unix(from, 0), time.Unix(to, 0))
			a.Bench -= d
			switch p.rank {
			case 1:
				a.Parts += d
			case 2:
				a.Carrier += d
			default:
				a.Customer += d
			}
			at = to
		}
	}
	return a
}

// Stretch is a piece of open time and who had it.
type Stretch struct {
	From, To time.Time
	For      Account
}

// Strip returns the open time from the start to until in order, as pieces by who it is put down to. It is
// what a picture of the turnaround is drawn from; the pieces add up to Accounts. A running pause reaches
// to now, and from there on the time is the bench's.
func (t Turnaround) Strip(until, now time.Time) []Stretch {
	var strip []Stretch
	add := func(from, to int64, who Account) {
		if from >= to {
			return
		}
		for opens, closes := range t.Calendar.Stretches(time.Unix(from, 0), time.Unix(to, 0)) {
			if n := len(strip); n > 0 && strip[n-1].For == who && strip[n-1].To.Equal(opens) {
				strip[n-1].To = closes
				continue
			}
			strip = append(strip, Stretch{opens, closes, who})
		}
	}
	at, last := t.Start.Unix(), until.Unix()
	for _, p := range t.spans(nil, now.Unix()) {
		from, to := max(p.from, at), min(p.to, last)
		if from < to {
			add(at, from, AccountBench)
			add(from, to, accountOrder[p.rank])
			at = to
		}
	}
	add(at, last, AccountBench)
	return strip
}

// Run is a stretch during which one party had the job, closed hours included, with the open time
// in it.
type Run struct {
	From, To time.Time
	For      Account
	// Why is the pause's; "" for the bench.
	Why  string
	Open time.Duration
	// Running marks a pause that has not ended.
	Running bool
}

// Runs returns who had the job from the start to until, without gaps: [Turnaround.Strip] with the closed
// hours between, and in as many pieces as there were turns. Open times add up to [Turnaround.Accounts]. A
// running pause reaches to now.
func (t Turnaround) Runs(until, now time.Time) []Run {
	var runs []Run
	add := func(from, to int64, r Run) {
		if from >= to {
			return
		}
		r.From, r.To = time.Unix(from, 0).UTC(), time.Unix(to, 0).UTC()
		if n := len(runs); n > 0 && runs[n-1].For == r.For && runs[n-1].Why == r.Why {
			r.From = runs[n-1].From
			runs = runs[:n-1]
		}
		r.Open = t.Calendar.Worked(r.From, r.To)
		runs = append(runs, r)
	}
	at, last := t.Start.Unix(), until.Unix()
	for _, p := range t.spans(nil, now.Unix()) {
		from, to := max(p.from, at), min(p.to, last)
		if from < to {
			add(at, from, Run{For: AccountBench})
			x := &t.Pauses[p.pause]
			add(from, to, Run{For: accountOrder[p.rank], Why: x.Why, Running: x.To.IsZero()})
			at = to
		}
	}
	add(at, last, Run{For: AccountBench})
	return runs
}

// Length is open time as people say it: whole working days, and what is left in hours.
type Length struct {
	Days int
	Rest time.Duration
}

// Add returns the sum of two lengths.
func (l Length) Add(o Length) Length { return Length{l.Days + o.Days, l.Rest + o.Rest} }

// LengthOf says how long [from, to) is on a calendar: the working days that lie in it from their opening to
// their closing, and the rest as open time. A rest that comes to at least the day on which it ends is one
// more day, as one says it: from Monday 15:00 to Wednesday 15:00 is two working days. No second is lost:
// what is told as a day is a day's own open time.
func LengthOf(c *calendar.Calendar, from, to time.Time) Length {
	var l Length
	if !from.Before(to) {
		return l
	}
	loc := c.Location()
	first, last := calendar.DateOf(from, loc), calendar.DateOf(to.Add(-time.Second), loc)
	// Days that lie in it wholly, between the two at its ends.
	if last > first {
		l.Days = c.WorkingDays(first+1, last)
	}
	day := func(d calendar.Date) (begin, end time.Time) {
		return calendar.Local(loc, d, 0, 0), calendar.Local(loc, d+1, 0, 0)
	}
	ends := []calendar.Date{first, last}
	if first == last {
		ends = ends[:1]
	}
	size := time.Duration(0) // of the last day that is only begun
	for _, d := range ends {
		begin, end := day(d)
		whole := c.Worked(begin, end)
		part := c.Worked(latest(begin, from), earliest(end, to))
		switch {
		case whole == 0 || part == 0:
		case part == whole:
			l.Days++
		default:
			l.Rest += part
			size = whole
		}
	}
	if size > 0 && l.Rest >= size {
		l.Days, l.Rest = l.Days+1, l.Rest-size
	}
	return l
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earliest(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
