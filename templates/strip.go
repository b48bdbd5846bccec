package templates

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/promiseclock"
)

// StripView is a picture of a promise: a strip of working time from the start to the promised instant, with
// who had the job when. What the picture shows is beside it in words, and in a table.
type StripView struct {
	// Says are the sentences: what was promised, and what was added to it for which reason.
	Says []string
	// Alt says what the picture shows.
	Alt string
	// From and To are the two ends, in words; Counted says up to when it was counted.
	From, To, Counted string
	Parts             []StripPart
	// Ticks are where working days begin, as places on the strip.
	Ticks []string
	Marks []StripMark
	// Over is the part beyond the promised instant, nil if there is none.
	Over *StripPart
	Whos []StripWho
	Rows []StripRow
	// Heads are the table's column headings, Caption its caption.
	Heads   []string
	Caption string
}

// StripPart is a piece of the strip, in units of a picture that is 320 wide.
type StripPart struct {
	X, W string
	// Who is for the style sheet: "bench", "customer", "parts", "carrier", or "left".
	Who string
}

// StripMark is an instant on the strip.
type StripMark struct {
	X string
	// Kind is "now", "due" or "first".
	Kind  string
	Words string
}

// StripWho is an account with its share of the time.
type StripWho struct{ Who, Words, Time string }

// StripRow is a turn: who had it, from when to when, and how much working time that was.
type StripRow struct{ Who, Words, From, To, Time string }

// stripWidth is the picture's width in tenths of a unit.
const stripWidth = 3200

// stripOf makes the picture of a job's promise, nil if nothing was promised or no date can be named.
func (m *statusMaker) stripOf(staff bool) *StripView {
	j, w := m.j, m.w
	p := j.Promise()
	if p == nil {
		return nil
	}
	due := j.DueOf(m.shop, p, m.now)
	if due.IsZero() {
		return nil
	}
	first := &j.Promises[0]
	at, mark := m.now, "strip.mark.now"
	if j.Ended() {
		at, mark = j.EndedAt, "strip.mark.end"
	}
	whole := promiseclock.Turnaround{Calendar: m.shop.Calendar, Start: first.Starts, Pauses: j.Pauses}
	end := due
	if at.After(end) {
		end = at
	}
	told := j.ToldOf(m.shop, first)
	if told.After(end) {
		end = told
	}
	total := m.shop.Calendar.Worked(first.Starts, end)
	if total <= 0 {
		return nil
	}
	place := func(t time.Time) int64 {
		return int64(m.shop.Calendar.Worked(first.Starts, t)/time.Second) * stripWidth / int64(total/time.Second)
	}
	part := func(from, to time.Time, who string) StripPart {
		a, b := place(from), place(to)
		return StripPart{tenths(a), tenths(max(b-a, 1)), who}
	}
	v := &StripView{
		From: m.instant(first.Starts), To: m.instant(end), Caption: w.T("strip.table"),
		Counted: w.T("strip.counted", w.DateTime(at, m.loc)), Says: m.promiseSays(),
		Heads: []string{w.T("strip.col.who"), w.T("strip.col.from"), w.T("strip.col.to"), w.T("strip.col.time")},
	}
	who := func(a promiseclock.Account) string {
		if staff && a == promiseclock.AccountCustomer {
			return "The customer"
		}
		return w.T("strip.who." + string(a))
	}
	for _, r := range whole.Runs(at, at) {
		v.Parts = append(v.Parts, part(r.From, r.To, string(r.For)))
		to := m.instant(r.To)
		if r.To.Unix() == at.Unix() && !j.Ended() {
			to = w.T("strip.now")
		}
		v.Rows = append(v.Rows, StripRow{string(r.For), who(r.For), m.instant(r.From), to, spanOf(w, r.Open)})
	}
	a := whole.Accounts(at)
	var alt []string
	say := func(name, words, time string) {
		v.Whos = append(v.Whos, StripWho{name, words, time})
		alt = append(alt, w.T("strip.alt.part", words, time))
	}
	for _, x := range []promiseclock.Account{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
		if d := a.Of(x); d > 0 || x == promiseclock.AccountBench {
			say(string(x), who(x), spanOf(w, d))
		}
	}
	switch {
	case at.Before(due) && !j.Ended():
		v.Parts = append(v.Parts, part(at, due, "left"))
		say("left", w.T("strip.who.left"), spanOf(w, m.shop.Calendar.Worked(at, due)))
	case at.After(due):
		over := part(due, at, "over")
		v.Over = &over
		say("over", w.T("strip.who.over"), spanOf(w, m.shop.Calendar.Worked(due, at)))
	}
	if n := m.shop.Calendar.WorkingDays(m.shop.Calendar.Date(first.Starts), m.shop.Calendar.Date(end)+1); n <= 70 {
		for opens := range m.shop.Calendar.Stretches(first.Starts, end) {
			if x := place(opens); x > 0 && m.opensDay(opens) {
				v.Ticks = append(v.Ticks, tenths(x))
			}
		}
	}
	if len(j.Promises) > 1 && !told.IsZero() {
		v.Marks = append(v.Marks, StripMark{tenths(place(told)), "first", w.T("strip.mark.first") + ": " + m.day(told)})
	}
	v.Marks = append(v.Marks,
		StripMark{tenths(place(due)), "due", w.T("strip.mark.due") + ": " + m.day(due)},
		StripMark{tenths(place(at)), "now", w.T(mark) + ": " + m.day(at)})
	for _, x := range v.Marks {
		alt = append(alt, x.Words)
	}
	v.Alt = w.T("strip.alt", v.From, v.To, strings.Join(alt, ", "))
	return v
}

// instant returns a date with its time of day; the page names the zone.
func (m *statusMaker) instant(t time.Time) string {
	return m.w.T("story.when", m.day(t), m.w.Clock(t, m.loc))
}

// opensDay reports whether the shop's day begins at that opening.
func (m *statusMaker) opensDay(opens time.Time) bool {
	day := m.shop.Calendar.Date(opens)
	for from := range m.shop.Calendar.Stretches(opens.Add(-24*time.Hour), opens) {
		if m.shop.Calendar.Date(from) == day {
			return false
		}
	}
	return true
}

func tenths(n int64) string { return fmt.Sprintf("%d.%d", n/10, n%10) }

// promiseSays returns the sentences about the promise in force: its date, what was added to it and why, and
// the first date if that was another.
func (m *statusMaker) promiseSays() []string {
	j, w := m.j, m.w
	p := j.Promise()
	due := j.DueOf(m.shop, p, m.now)
	says := []string{w.T("strip.promised", m.day(due))}
	t := j.Turnaround(m.shop, p)
	type added struct {
		cause   string
		length  promiseclock.Length
		running bool
	}
	var list []added
	for _, r := range t.Runs(due, m.now) {
		if r.For == promiseclock.AccountBench {
			continue
		}
		c := m.cause(r)
		l := promiseclock.LengthOf(m.shop.Calendar, r.From, r.To)
		at := -1
		for i := range list {
			if list[i].cause == c {
				at = i
			}
		}
		if at < 0 {
			list, at = append(list, added{cause: c}), len(list)
		}
		list[at].length, list[at].running = list[at].length.Add(l), list[at].running || r.Running && !j.Ended()
	}
	for _, x := range list {
		words, key, n := amountOf(w, x.length)
		if words == "" {
			continue
		}
		s := locale.Capital(w.T("strip.added."+key, words, w.T("strip.cause."+x.cause), n))
		if x.running {
			s += " " + w.T("strip.so_far")
		}
		says = append(says, s)
	}
	if len(j.Promises) > 1 {
		if told := j.ToldOf(m.shop, &j.Promises[0]); !told.IsZero() {
			says = append(says, w.T("strip.first", m.day(told)))
		}
	}
	return says
}

// cause names what a pause waited for.
func (m *statusMaker) cause(r promiseclock.Run) string {
	switch {
	case r.For != promiseclock.AccountCustomer:
		return string(r.For)
	case r.Why == "approval":
		return "answer"
	}
	for _, h := range m.j.Holds {
		if h.Reason == workflow.HoldPayment && !h.From.After(r.From) && (h.To.IsZero() || h.To.After(r.From)) {
			return "payment"
		}
	}
	return "customer"
}

// amountOf says a length: "two working days and 3 hours". key tells days from hours, and n what the verb
// goes by. It is "" below a minute.
func amountOf(w *locale.Words, l promiseclock.Length) (words, key string, n int) {
	var parts []string
	key = "hours"
	if l.Days > 0 {
		number := w.Number(int64(l.Days))
		if k := "strip.number." + strconv.Itoa(l.Days); w.Has(k) {
			number = w.T(k)
		}
		key, n = "days", l.Days
		parts = append(parts, w.T("strip.days", number, l.Days))
	}
	hours, minutes := int(l.Rest/time.Hour), int(l.Rest%time.Hour/time.Minute)
	for _, x := range []struct {
		key string
		n   int
	}{{"strip.hours", hours}, {"strip.minutes", minutes}} {
		if x.n == 0 {
			continue
		}
		if len(parts) > 0 {
			x.key += ".more"
		} else {
			n = x.n
		}
		parts = append(parts, w.T(x.key, x.n))
	}
	if len(parts) > 1 {
		n = 2
	}
	return w.List(parts), key, n
}

// spanOf says open time in hours and minutes.
func spanOf(w *locale.Words, d time.Duration) string {
	words, _, _ := amountOf(w, promiseclock.Length{Rest: d})
	return cmp.Or(words, w.T("strip.none"))
}
