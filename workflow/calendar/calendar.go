package calendar

import (
	"iter"
	"math"
	"sync"
	"sync/atomic"
	"time"
)

// The calendar's reach in Unix seconds: [begin, end).
var (
	begin = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	end   = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
)

// Calendar is a shop's opening hours on the time line. Make one with [New].
type Calendar struct {
	spec  Spec
	loc   *time.Location
	week  [7]hours
	dates map[Date]exception
	rules []HolidayRule

	never bool // no hours anywhere
	grown sync.Mutex
	table atomic.Pointer[table]
}

// hours are a day's opening times in order, in seconds after 00:00 on the wall; nil is closed.
type hours []interval

type interval struct{ from, to int32 }

// table is the open time in a part of the time line, with running sums.
type table struct {
	// lo and hi are whole UTC days; instants in [lo, hi] can be asked for.
	lo, hi int64
	// spans are the open spans in order, between a sentinel at each end. A span's length is the next
	// one's sum less its own.
	spans []span
	// starts has, for each UTC day from lo to hi, where to begin looking.
	starts []start
	// sums has, for each 1<<sumShift seconds of open time, the last span that begins with no more before it.
	sums []int32
	zone []offset
	// days are the working days in order. Those from first on are complete, up to and with last.
	days        []day
	first, last Date
	// before[i] counts the days before first+i.
	before []int32
}

type span struct {
	from int64 // Unix seconds
	sum  int64 // open seconds before it
}

type start struct{ span, zone int32 }

type offset struct{ from, seconds int64 }

const sumShift = 14 // 4 h 33 min

// day is a working day with its first opening and its last closing.
type day struct {
	date          Date
	opens, closes int64
}

// margin is how far a table is laid down beyond the instants that can be asked for, so that the days at
// its edges are complete: no zone is a whole day off.
const margin = 2 * daySeconds

// build lays the table for [lo, hi].
func (c *Calendar) build(lo, hi int64) *table {
	tb := &table{lo: lo, hi: hi, spans: make([]span, 1, 2+(hi-lo)/daySeconds*2)}
	from, to := max(lo-margin, begin), min(hi+margin, end)
	tb.spans[0].from = lo - 2*margin
	special := c.special(from, to)
	var sum int64
	for t := from; t < to; {
		off, until := offsetAt(t, c.loc)
		until = min(until, to)
		tb.zone = append(tb.zone, offset{t, off})
		for d := floorDiv(t+off, daySeconds); d*daySeconds < until+off; d++ {
			midnight := d*daySeconds - off
			today := c.week[Date(d).Weekday()]
			if e, ok := special[Date(d)]; ok {
				today = e.hours
			}
			for _, iv := range today {
				opens, closes := max(midnight+int64(iv.from), t), min(midnight+int64(iv.to), until)
				if opens < closes {
					tb.spans = append(tb.spans, span{opens, sum})
					sum += closes - opens
					tb.note(Date(d), opens, closes)
				}
			}
		}
		t = until
	}
	tb.spans = append(tb.spans, span{math.MaxInt64, sum})

	i, z := 0, 0
	tb.starts = make([]start, 0, (hi-lo)/daySeconds+1)
	for t := lo; t <= hi; t += daySeconds {
		for tb.spans[i+1].from <= t {
			i++
		}
		for z+1 < len(tb.zone) && tb.zone[z+1].from <= t {
			z++
		}
		tb.starts = append(tb.starts, start{int32(i), int32(z)})
	}

	tb.sums = make([]int32, 0, sum>>sumShift+2)
	for i, at := 0, int64(0); ; at += 1 << sumShift {
		for i+2 < len(tb.spans) && tb.spans[i+1].sum <= at {
			i++
		}
		tb.sums = append(tb.sums, int32(i))
		if at >= sum {
			break
		}
	}

	tb.first, tb.last = Date(lo/daySeconds)-1, Date(hi/daySeconds)
	tb.before = make([]int32, tb.last-tb.first+2)
	n := 0
	for i := range tb.before {
		for n < len(tb.days) && tb.days[n].date < tb.first+Date(i) {
			n++
		}
		tb.before[i] = int32(n)
	}
	return tb
}

// note adds open time to the working day d. Dates come in order, but for a zone whose clocks go back over
// midnight.
func (tb *table) note(d Date, opens, closes int64) {
	i := len(tb.days)
	for i > 0 && tb.days[i-1].date > d {
		i--
	}
	if i > 0 && tb.days[i-1].date == d {
		tb.days[i-1].closes = max(tb.days[i-1].closes, closes)
		return
	}
	tb.days = append(tb.days, day{})
	copy(tb.days[i+1:], tb.days[i:])
	tb.days[i] = day{d, opens, closes}
}

// reach returns a table that has the instants a <= b, both within the calendar's reach.
func (c *Calendar) reach(a, b int64) *table {
	if tb := c.table.Load(); tb != nil && a >= tb.lo && b <= tb.hi {
		return tb
	}
	return c.grow(a, b)
}

// grow makes the table larger. It at least doubles on the side where it grows, so that the cost of all
// growing is a small multiple of the last one's.
func (c *Calendar) grow(a, b int64) *table {
	c.grown.Lock()
	defer c.grown.Unlock()
	lo, hi := a, b
	if tb := c.table.Load(); tb != nil {
		if a >= tb.lo && b <= tb.hi {
			return tb
		}
		lo, hi = min(a, tb.lo), max(b, tb.hi)
		if a < tb.lo {
			lo = min(lo, tb.lo-(tb.hi-tb.lo))
		}
		if b > tb.hi {
			hi = max(hi, tb.hi+(tb.hi-tb.lo))
		}
	}
	const year = 366 * daySeconds
	lo = max(floorDiv(lo, year)*year, begin)
	hi = min((floorDiv(hi, year)+2)*year, end)
	tb := c.build(lo, hi)
	c.table.Store(tb)
	return tb
}

// at returns the place of the last span that begins at or before t.
func (tb *table) at(t int64) int {
	i := int(tb.starts[uint64(t-tb.lo)/daySeconds].span)
	for tb.spans[i+1].from <= t {
		i++
	}
	return i
}

// sum returns the open seconds before t.
func (tb *table) sum(t int64) int64 {
	i := tb.at(t)
	s, next := tb.spans[i], tb.spans[i+1]
	return s.sum + min(t-s.from, next.sum-s.sum)
}

// date returns the local date at t.
func (tb *table) date(t int64) Date {
	z := int(tb.starts[uint64(t-tb.lo)/daySeconds].zone)
	for z+1 < len(tb.zone) && tb.zone[z+1].from <= t {
		z++
	}
	return Date(floorDiv(t+tb.zone[z].seconds, daySeconds))
}

// length is how long the span i is.
func (tb *table) length(i int) int64 { return tb.spans[i+1].sum - tb.spans[i].sum }

// within moves an instant into the calendar's reach.
func within(t time.Time) int64 { return min(max(t.Unix(), begin), end) }

func instant(t int64) time.Time { return time.Unix(t, 0).UTC() }

// Location returns the shop's time zone, from the data inside the program.
func (c *Calendar) Location() *time.Location { return c.loc }

// Spec returns what the calendar was made from. It must not be changed.
func (c *Calendar) Spec() Spec { return c.spec }

// Date returns the date in the shop at the instant t.
func (c *Calendar) Date(t time.Time) Date { return DateOf(t, c.loc) }

// Open reports whether the shop is open at the instant t.
func (c *Calendar) Open(t time.Time) bool {
	s := t.Unix()
	if s < begin || s >= end {
		return false
	}
	tb := c.reach(s, s)
	i := tb.at(s)
	return s < tb.spans[i].from+tb.length(i)
}

// Worked returns the open time in [a, b), in whole seconds; 0 if b is not after a.
func (c *Calendar) Worked(a, b time.Time) time.Duration {
	from, to := within(a), within(b)
	if from >= to {
		return 0
	}
	tb := c.reach(from, to)
	return time.Duration(tb.sum(to)-tb.sum(from)) * time.Second
}

// After returns the first instant t, not before start, at which the open time in [start, t) has reached d.
// Time that is used up exactly at a closing hour ends there, and not at the next opening ([Calendar.NextOpen]
// turns the one into the other). ok is false if the calendar never has that much open time.
func (c *Calendar) After(start time.Time, d time.Duration) (t time.Time, ok bool) {
	s := start.Unix()
	if d <= 0 {
		return instant(s), true
	}
	if c.never || s >= end {
		return time.Time{}, false
	}
	need := int64(d / time.Second)
	if d%time.Second > 0 {
		need++
	}
	s = max(s, begin)
	tb := c.reach(s, s)
	for {
		i := tb.at(s)
		first := tb.spans[i]
		goal := first.sum + min(s-first.from, tb.length(i)) + need
		last := len(tb.spans) - 1
		if goal <= tb.spans[last].sum {
			return instant(tb.reached(goal)), true
		}
		if tb.hi == end {
			return time.Time{}, false
		}
		tb = c.reach(tb.lo, tb.hi+1)
	}
}

// reached returns the first instant with that sum, which is above zero and not above the last.
func (tb *table) reached(sum int64) int64 {
	k := uint64(sum-1) >> sumShift
	i := int(tb.sums[k])
	if last := int(tb.sums[k+1]); last-i > 8 {
		for last-i > 0 { // the last span with less before it is among i to last
			if m := int(uint(i+last+1) / 2); tb.spans[m].sum < sum {
				i = m
			} else {
				last = m - 1
			}
		}
	}
	for tb.spans[i+1].sum < sum {
		i++
	}
	return tb.spans[i].from + sum - tb.spans[i].sum
}

// NextOpen returns t if the shop is open then, or else the next opening; ok is false if it never opens again.
func (c *Calendar) NextOpen(t time.Time) (at time.Time, ok bool) {
	if c.Open(t) {
		return instant(t.Unix()), true
	}
	next, ok := c.After(t, time.Second) // the end of the first open second
	if !ok {
		return time.Time{}, false
	}
	return next.Add(-time.Second), true
}

// Stretches returns the times from a to b in which the shop is open, in order, as [opens, closes). Touching
// ones are one: a shop that is open round the clock has one stretch.
func (c *Calendar) Stretches(a, b time.Time) iter.Seq2[time.Time, time.Time] {
	return func(yield func(opens, closes time.Time) bool) {
		from, to := within(a), within(b)
		if from >= to {
			return
		}
		tb := c.reach(from, to)
		var opens, closes int64
		for i := tb.at(from); tb.spans[i].from < to; i++ {
			f, t := max(tb.spans[i].from, from), min(tb.spans[i].from+tb.length(i), to)
			if f >= t {
				continue
			}
			if opens < closes && f > closes {
				if !yield(instant(opens), instant(closes)) {
					return
				}
				opens = f
			} else if opens == closes {
				opens = f
			}
			closes = t
		}
		if opens < closes {
			yield(instant(opens), instant(closes))
		}
	}
}

// WorkingDay reports whether the shop is open at any time on the date d.
func (c *Calendar) WorkingDay(d Date) bool {
	return c.WorkingDays(d, d+1) == 1
}

// The dates for which working days are known; at the two ends of the calendar's reach a date may be cut.
var (
	firstDate = Date(begin / daySeconds)
	endDate   = Date(end / daySeconds) // the first date that's out of reach
)

// WorkingDays counts the working days from the date a up to, but not with, the date b.
func (c *Calendar) WorkingDays(a, b Date) int {
	a, b = max(a, firstDate), min(b, endDate)
	if a >= b {
		return 0
	}
	tb := c.reach(int64(a)*daySeconds, int64(b)*daySeconds)
	return int(tb.before[b-tb.first] - tb.before[a-tb.first])
}

// AddWorkingDays returns the nth working day after the date d, or the -nth before it if n is negative. d
// itself is never counted, whether it is a working day or not; n = 0 gives d. ok is false if there are not
// so many.
func (c *Calendar) AddWorkingDays(d Date, n int) (date Date, ok bool) {
	if n == 0 {
		return d, true
	}
	x, ok := c.workingDay(d, n)
	return x.date, ok
}

// LastDay returns the last day of a period of so many calendar days that begins with the date from: from
// itself never counts, and a last day that is no working day moves to the next one, as in Regulation (EEC,
// Euratom) 1182/71 article 3. ok is false if there is no working day any more.
func (c *Calendar) LastDay(from Date, days int) (date Date, ok bool) {
	return c.AddWorkingDays(from+Date(days)-1, 1)
}

// OpeningOf returns the first opening on the nth working day after the shop's date at t, n from 1; ok is
// false if there is none.
func (c *Calendar) OpeningOf(t time.Time, n int) (at time.Time, ok bool) {
	x, ok := c.dayAfter(t, n)
	if !ok {
		return time.Time{}, false
	}
	return instant(x.opens), true
}

// CloseOf returns the last closing on the nth working day after the shop's date at t, n from 1: with n = 1,
// when the next working day ends. The date of t itself never counts, as in Regulation (EEC, Euratom)
// 1182/71 article 3 and Federal Rule of Civil Procedure 6(a). ok is false if there is no such day.
func (c *Calendar) CloseOf(t time.Time, n int) (at time.Time, ok bool) {
	x, ok := c.dayAfter(t, n)
	if !ok {
		return time.Time{}, false
	}
	return instant(x.closes), true
}

func (c *Calendar) dayAfter(t time.Time, n int) (day, bool) {
	s := t.Unix()
	if n < 1 || c.never || s >= end {
		return day{}, false
	}
	if s < begin {
		return c.workingDay(c.Date(t), n)
	}
	return c.workingDay(c.reach(s, s).date(s), n)
}

// workingDay returns the nth working day after d, or the -nth before it.
func (c *Calendar) workingDay(d Date, n int) (day, bool) {
	if c.never {
		return day{}, false
	}
	const most = 1 << 20 // more days than there are
	d, n = min(max(d, firstDate-1), endDate), min(max(n, -most), most)
	lo, hi := within(instant(int64(d)*daySeconds)), within(instant((int64(d)+1)*daySeconds))
	for {
		tb := c.reach(lo, hi)
		var i int
		if n > 0 {
			i = int(tb.before[d+1-tb.first]) + n - 1
			if i < len(tb.days) && tb.days[i].date <= tb.last {
				return tb.days[i], true
			}
			if tb.hi == end {
				return day{}, false
			}
			lo, hi = tb.lo, tb.hi+1
			continue
		}
		i = int(tb.before[d-tb.first]) + n
		if i >= 0 && tb.days[i].date >= tb.first {
			return tb.days[i], true
		}
		if tb.lo == begin {
			return day{}, false
		}
		lo, hi = tb.lo-1, tb.hi
	}
}
