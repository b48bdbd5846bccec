package templates

import (
	"cmp"
	"fmt"
	"slices"
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

// strip is a picture in the making: the shop's working time from start to end, counted up to at.
type strip struct {
	*statusMaker
	StripView
	start, end, at, told, due time.Time
	named                     time.Time // the date that is named
	whole                     int64     // from start to end, in seconds
	// who names who has the job.
	who func(promiseclock.Account) string
	alt []string
}

// stripOf makes the picture of a job's promise, nil if nothing was promised or no date can be named.
func (m *statusMaker) stripOf(staff bool) *StripView {
	j, w := m.j, m.w
	p := j.Promise()
	if p == nil {
		return nil
	}
	first := &j.Promises[0]
	s := &strip{statusMaker: m, start: first.Starts, at: m.now, told: j.ToldOf(m.shop, first), due: j.DueOf(m.shop, p, m.now), named: m.named()}
	if j.Ended() {
		s.at = j.EndedAt
	}
	if s.named.After(s.at) {
		s.due = s.named // the bench works to it
	}
	s.end = slices.MaxFunc([]time.Time{s.due, s.at, s.told}, time.Time.Compare)
	if s.whole = s.worked(s.end); s.due.IsZero() || s.whole <= 0 {
		return nil
	}
	s.who = func(a promiseclock.Account) string {
		if staff && a == promiseclock.AccountCustomer {
			return "The customer"
		}
		return w.T("strip.who." + string(a))
	}
	s.StripView = StripView{
		From: m.instant(s.start), To: m.instant(s.end), Caption: w.T("strip.table"),
		Counted: w.T("strip.counted", w.DateTime(s.at, m.loc)), Says: m.promiseSays(),
		Heads: []string{w.T("strip.col.who"), w.T("strip.col.from"), w.T("strip.col.to"), w.T("strip.col.time")},
	}
	s.turns(promiseclock.Turnaround{Calendar: m.shop.Calendar, Start: s.start, Pauses: j.Pauses})
	s.rest()
	s.ticks()
	s.marks()
	s.Alt = w.T("strip.alt", s.From, s.To, strings.Join(s.alt, ", "))
	return &s.StripView
}

// worked returns the seconds of working time up to an instant.
func (s *strip) worked(t time.Time) int64 {
	return int64(s.shop.Calendar.Worked(s.start, t) / time.Second)
}

// place returns where an instant lies, in tenths of a unit.
func (s *strip) place(t time.Time) int64 { return s.worked(t) * stripWidth / s.whole }

func (s *strip) part(from, to time.Time, who string) StripPart {
	a, b := s.place(from), s.place(to)
	return StripPart{tenths(a), tenths(max(b-a, 1)), who}
}

// say adds a share of the time.
func (s *strip) say(name, words string, d time.Duration) {
	span := spanOf(s.w, d)
	s.Whos = append(s.Whos, StripWho{name, s.w.Named(words, ""), span})
	s.alt = append(s.alt, s.w.T("strip.alt.part", words, span))
}

// turns draws and lists who had it when, and how much time each had.
func (s *strip) turns(clock promiseclock.Turnaround) {
	for _, r := range clock.Runs(s.at, s.at) {
		s.Parts = append(s.Parts, s.part(r.From, r.To, string(r.For)))
		to := s.instant(r.To)
		if r.To.Unix() == s.at.Unix() && !s.j.Ended() {
			to = s.w.T("strip.now")
		}
		s.Rows = append(s.Rows, StripRow{string(r.For), s.who(r.For), s.instant(r.From), to, spanOf(s.w, r.Open)})
	}
	a := clock.Accounts(s.at)
	for _, x := range []promiseclock.Account{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
		if d := a.Of(x); d > 0 || x == promiseclock.AccountBench {
			s.say(string(x), s.who(x), d)
		}
	}
}

// rest draws what is left, or what it is over.
func (s *strip) rest() {
	switch {
	case s.at.Before(s.due) && !s.j.Ended():
		s.Parts = append(s.Parts, s.part(s.at, s.due, "left"))
		s.say("left", s.w.T("strip.who.left"), s.shop.Calendar.Worked(s.at, s.due))
	case s.at.After(s.due):
		over := s.part(s.due, s.at, "over")
		s.Over = &over
		s.say("over", s.w.T("strip.who.over"), s.shop.Calendar.Worked(s.due, s.at))
	}
}

// ticks marks where working days begin, unless there are too many to tell apart.
func (s *strip) ticks() {
	c := s.shop.Calendar
	if c.WorkingDays(c.Date(s.start), c.Date(s.end)+1) > 70 {
		return
	}
	for opens := range c.Stretches(s.start, s.end) {
		if x := s.place(opens); x > 0 && s.opensDay(opens) {
			s.Ticks = append(s.Ticks, tenths(x))
		}
	}
}

func (s *strip) marks() {
	mark := func(at, named time.Time, kind, key string) {
		x := StripMark{tenths(s.place(at)), kind, s.w.Named(s.w.T(key), s.day(named))}
		s.Marks, s.alt = append(s.Marks, x), append(s.alt, x.Words)
	}
	if len(s.j.Promises) > 1 && !s.told.IsZero() {
		mark(s.told, s.told.Add(-time.Second), "first", "strip.mark.first")
	}
	mark(s.due, s.named, "due", "strip.mark.due")
	now := "strip.mark.now"
	if s.j.Ended() {
		now = "strip.mark.end"
	}
	mark(s.at, s.at, "now", now)
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
	says := []string{w.T("strip.promised", m.day(m.named()))}
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
		c := m.cause(r.For, r.From)
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
		if x.length.Days == 0 {
			continue // it moves nothing that was told
		}
		words, key, n := amountOf(w, x.length)
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

// named returns the date that is named, the one told last where it has left.
func (m *statusMaker) named() time.Time {
	d := m.j.Standing(m.shop, m.now).Date
	if m.j.Ended() || d.At.IsZero() || d.Kind == workflow.DateReady {
		return d.Told
	}
	return d.At
}

// cause names what a pause from an instant on waited for.
func (m *statusMaker) cause(a promiseclock.Account, from time.Time) string {
	for _, p := range m.j.Pauses {
		if p.Why == "approval" && p.From.Equal(from) {
			return "answer"
		}
	}
	for _, h := range m.j.Holds {
		own := slices.Contains([]workflow.HoldReason{workflow.HoldPayment, workflow.HoldInsurer, workflow.HoldDocuments}, h.Reason)
		if own && !h.From.After(from) && (h.To.IsZero() || h.To.After(from)) {
			return string(h.Reason)
		}
	}
	return string(a)
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
