package calendar

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func made(t testing.TB, s Spec) *Calendar {
	t.Helper()
	c, err := New(s)
	require.NoError(t, err)
	return c
}

func date(t testing.TB, s string) Date {
	t.Helper()
	d, err := ParseDate(s)
	require.NoError(t, err)
	return d
}

// week returns hours for the weekdays named as the tables do, "MonTueWed".
func week(hours, days string) map[string][]string {
	h := make(map[string][]string)
	for ; days != ""; days = days[3:] {
		h[strings.ToLower(days[:3])] = []string{hours}
	}
	return h
}

const monToFri = "MonTueWedThuFri"

// params reads "n=1 roll=forward hol=2014-06-27,2014-06-30".
func params(s string) map[string]string {
	out := make(map[string]string)
	for word := range strings.FieldsSeq(s) {
		if k, v, ok := strings.Cut(word, "="); ok {
			out[k] = v
		}
	}
	return out
}

func closedOn(t testing.TB, list string) []Exception {
	var out []Exception
	for s := range strings.SplitSeq(list, ",") {
		if s != "" {
			out = append(out, Exception{Date: date(t, s)})
		}
	}
	return out
}

// The 55 rows, by what they ask of a calendar:
//
//   - offset (numpy, Excel, IBM): the date is rolled first, forward to the first working day on or after
//     it or backward to the last on or before it; then AddWorkingDays. Excel and IBM don't roll.
//   - count_halfopen: WorkingDays; count_inclusive: WorkingDays with the last date's next.
//   - busihours (pandas): After, and then NextOpen, because pandas moves a result that falls on a closing
//     hour to the next opening while a promise ends at the closing hour. Both forms are checked: they must
//     be the same amount of open time away.
//   - localtime: Local.
//   - frcp_days: the next working day on or after (or before) the last day; frcp_hours: After on a calendar
//     that is open round the clock, and the day it falls on is a working day.
func TestPublishedWorkingTime(t *testing.T) {
	rows := published(t, "working_time_rows.csv")
	require.Len(t, rows, 55)
	done := make(map[string]int)
	for _, row := range rows {
		done[row["kind"]]++
		t.Run(row["id"], func(t *testing.T) {
			p := params(row["params"])
			days := monToFri
			if p["weekmask"] != "" {
				days = p["weekmask"]
			}
			hours := "09:00-17:00"
			if p["start"] != "" {
				hours = p["start"] + "-" + p["end"]
			}
			c := made(t, Spec{TimeZone: "UTC", Hours: week(hours, days), Closed: closedOn(t, p["hol"])})
			onOrAfter := func(d Date) Date {
				d, ok := c.AddWorkingDays(d-1, 1)
				require.True(t, ok)
				return d
			}
			onOrBefore := func(d Date) Date {
				d, ok := c.AddWorkingDays(d+1, -1)
				require.True(t, ok)
				return d
			}
			switch row["kind"] {
			case "offset":
				d := date(t, row["input"])
				switch p["roll"] {
				case "forward":
					d = onOrAfter(d)
				case "backward":
					d = onOrBefore(d)
				}
				n, err := strconv.Atoi(p["n"])
				require.NoError(t, err)
				got, ok := c.AddWorkingDays(d, n)
				require.True(t, ok)
				require.Equal(t, row["expected"], got.String())
			case "count_halfopen", "count_inclusive":
				from, to, _ := strings.Cut(row["input"], "..")
				first, last := date(t, (from + "-01-01")[:10]), date(t, (to + "-01-01")[:10])
				if row["kind"] == "count_inclusive" {
					last++
				}
				require.Equal(t, row["expected"], strconv.Itoa(c.WorkingDays(first, last)))
			case "busihours":
				start, want := wall(t, row["input"]), wall(t, row["expected"])
				n, err := strconv.Atoi(p["n"])
				require.NoError(t, err)
				d := time.Duration(n) * time.Hour
				due, ok := c.After(start, d)
				require.True(t, ok)
				next, ok := c.NextOpen(due)
				require.True(t, ok)
				require.Equal(t, want, next)
				require.Equal(t, d, c.Worked(start, due))
				require.Equal(t, d, c.Worked(start, want))
			case "localtime":
				at, name, _ := strings.Cut(row["input"], " ")
				w := wall(t, at)
				require.Equal(t, row["expected"], Local(zone(t, name), NewDate(w.Date()), w.Hour(), w.Minute()).UTC().Format(time.RFC3339))
			case "frcp_days":
				c := made(t, Spec{TimeZone: "UTC", Hours: week(hours, days), Closed: closedOn(t, "2007-09-03")})
				last := date(t, row["input"][len(row["input"])-10:])
				if strings.HasPrefix(row["params"], "forward") {
					last = onOrAfterIn(t, c, last)
				} else {
					last, ok := c.AddWorkingDays(last+1, -1)
					require.True(t, ok)
					require.Equal(t, row["expected"], last.String())
					return
				}
				require.Equal(t, row["expected"], last.String())
			case "frcp_hours":
				at, name, _ := strings.Cut(row["input"], " ")
				round := made(t, Spec{TimeZone: name, Hours: week("00:00-24:00", "MonTueWedThuFriSatSun")})
				w := wall(t, at)
				got, ok := round.After(Local(zone(t, name), NewDate(w.Date()), w.Hour(), w.Minute()), 72*time.Hour)
				require.True(t, ok)
				require.Equal(t, row["expected"], got.In(zone(t, name)).Format("2006-01-02T15:04")+" "+name)
				require.True(t, c.WorkingDay(DateOf(got, zone(t, name))))
			default:
				t.Fatalf("no check for the kind %q", row["kind"])
			}
		})
	}
	require.Equal(t, map[string]int{"offset": 11, "count_halfopen": 3, "count_inclusive": 4, "busihours": 32, "localtime": 2, "frcp_days": 2, "frcp_hours": 1}, done)
}

func onOrAfterIn(t *testing.T, c *Calendar, d Date) Date {
	d, ok := c.AddWorkingDays(d-1, 1)
	require.True(t, ok)
	return d
}

// wall reads a time without a zone, as UTC.
func wall(t testing.TB, s string) time.Time {
	t.Helper()
	for _, form := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if at, err := time.Parse(form, s); err == nil {
			return at
		}
	}
	t.Fatalf("%q is no time", s)
	return time.Time{}
}

// RFC 5545 section 3.3.5; five of the nine rows are not what time.Date gives.
func TestPublishedLocalTimes(t *testing.T) {
	rows := published(t, "go_time_date_vs_rfc5545.csv")
	require.Len(t, rows, 9)
	for _, row := range rows {
		w := wall(t, row["wall"])
		got := Local(zone(t, row["zone"]), NewDate(w.Date()), w.Hour(), w.Minute())
		require.Equal(t, row["expected_utc"], got.UTC().Format(time.RFC3339), "%v", row)
	}
}

// A time that is there is found: reading the clock and asking Local for it comes back to the same instant,
// or to the first of two.
func TestLocalFindsEveryTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		loc, err := LoadLocation(rapid.SampledFrom(oddZones).Draw(t, "zone"))
		require.NoError(t, err)
		at := time.Unix(60*rapid.Int64Range(10_512_000, 40_000_000).Draw(t, "minute"), 0).In(loc)
		got := Local(loc, NewDate(at.Date()), at.Hour(), at.Minute())
		require.Equal(t, at.Format("2006-01-02T15:04"), got.Format("2006-01-02T15:04"))
		require.False(t, got.After(at))
		if !got.Equal(at) { // nothing between shows that time, and the clocks went back
			_, was := got.Zone()
			_, is := at.Zone()
			require.Greater(t, was, is)
		}
	})
}

func TestDate(t *testing.T) {
	d := date(t, "2026-12-24")
	require.Equal(t, "2026-12-24", d.String())
	require.Equal(t, time.Thursday, d.Weekday())
	require.Equal(t, 2026, d.Year())
	require.Equal(t, date(t, "2027-01-01"), d+8)
	require.Equal(t, date(t, "2026-05-01"), NewDate(2026, 4, 31))
	require.Equal(t, time.Wednesday, Date(-1).Weekday())
	require.Equal(t, time.Thursday, Date(-7000).Weekday())
	require.Equal(t, date(t, "2026-11-26"), DateOf(utc(t, "2026-11-25T23:30:00Z"), zone(t, "Europe/Berlin")))
	for _, wrong := range []string{"", "2026-02-30", "2026-2-3", "26-02-03", "2026-02-03 ", "2026-13-01"} {
		_, err := ParseDate(wrong)
		require.ErrorContains(t, err, "is not a date; write it like 2026-12-24")
	}
}

// oddZones have, among them: half-hour and three-quarter offsets, changes of half an hour and of two hours,
// changes at midnight, a date that never was (Apia, 2011-12-30), and changes at odd dates.
var oddZones = []string{
	"Australia/Lord_Howe", "Asia/Kathmandu", "America/St_Johns", "Africa/Casablanca", "America/Santiago",
	"Pacific/Apia", "America/Halifax", "Europe/Berlin", "Europe/Dublin", "America/Havana", "Antarctica/Troll",
	"America/Nuuk", "Asia/Gaza", "Asia/Tehran", "Asia/Beirut", "America/Sao_Paulo", "Atlantic/Azores",
	"Pacific/Chatham", "Pacific/Auckland", "Africa/Cairo", "America/Asuncion", "UTC",
}

// randomSpec makes a calendar whose times are whole minutes.
func randomSpec(r *rand.Rand, zone string, around Date) Spec {
	day := func() []string {
		var at []int
		for range 2 * r.IntN(4) {
			at = append(at, 5*r.IntN(24*12+1))
		}
		if r.IntN(8) == 0 {
			at = []int{0, 24 * 60}
		}
		slices.Sort(at)
		list := []string{}
		for i := 0; i+1 < len(at); i += 2 {
			if at[i] < at[i+1] {
				list = append(list, fmt.Sprintf("%02d:%02d-%02d:%02d", at[i]/60, at[i]%60, at[i+1]/60, at[i+1]%60))
			}
		}
		r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
		return list
	}
	s := Spec{TimeZone: zone, Hours: make(map[string][]string)}
	for _, name := range weekdays {
		if r.IntN(4) > 0 {
			s.Hours[name] = day()
		}
	}
	used := make(map[Date]bool)
	for range r.IntN(5) {
		e := Exception{Date: around + Date(r.IntN(14)) - 2}
		if !used[e.Date] {
			used[e.Date] = true
			if r.IntN(2) == 0 {
				e.Hours = day()
			}
			s.Closed = append(s.Closed, e)
		}
	}
	return s
}

// minuteByMinute says of each minute from a on whether the shop is open, by the words of the definition:
// it asks the standard library what the clock on the wall shows then, and looks into the spec.
func minuteByMinute(s Spec, loc *time.Location, a time.Time, minutes int) (open []bool, dates []Date) {
	for i := range minutes {
		at := a.Add(time.Duration(i) * time.Minute).In(loc)
		d := NewDate(at.Date())
		list := s.Hours[strings.ToLower(at.Weekday().String()[:3])]
		for _, e := range s.Closed {
			if e.Date == d {
				list = e.Hours
			}
		}
		now := fmt.Sprintf("%02d:%02d", at.Hour(), at.Minute())
		is := false
		for _, iv := range list {
			is = is || iv[:5] <= now && now < iv[6:]
		}
		open, dates = append(open, is), append(dates, d)
	}
	return open, dates
}

func TestAgainstTheDefinitionMinuteByMinute(t *testing.T) {
	const minutes = 9 * 24 * 60
	share := longtest.Share(t, 3)
	for seed := range uint64(150) {
		if !share(int(seed)) {
			continue
		}
		r := rand.New(rand.NewPCG(seed, 1))
		name := oddZones[r.IntN(len(oddZones))]
		loc := zone(t, name)
		a := nearAChange(r, loc)
		s := randomSpec(r, name, DateOf(a, loc))
		open, dates := minuteByMinute(s, loc, a, minutes)
		c := made(t, s)
		at := func(i int) time.Time { return a.Add(time.Duration(i) * time.Minute).UTC() }
		note := fmt.Sprintf("seed %d %+v from %s", seed, s, a.UTC())

		sum := make([]int, minutes+1)
		closes := make(map[Date]int)
		opens := make(map[Date]int)
		for i := range minutes {
			require.Equal(t, open[i], c.Open(at(i)), "%s: minute %d", note, i)
			sum[i+1] = sum[i]
			if open[i] {
				sum[i+1]++
				closes[dates[i]] = i + 1
				if _, ok := opens[dates[i]]; !ok {
					opens[dates[i]] = i
				}
			}
		}
		for range 200 {
			i, j := r.IntN(minutes), r.IntN(minutes)
			require.Equal(t, time.Duration(max(sum[j]-sum[i], 0))*time.Minute, c.Worked(at(i), at(j)), note)

			need := r.IntN(sum[minutes] + 2)
			k := i
			for k < minutes && sum[k]-sum[i] < need {
				k++
			}
			if got, ok := c.After(at(i), time.Duration(need)*time.Minute); sum[k]-sum[i] >= need {
				require.True(t, ok, note)
				require.Equal(t, at(k), got, "%s: %d minutes from %s", note, need, at(i))
			} else {
				require.True(t, !ok || got.After(at(minutes)), note)
			}
			for k = i; k < minutes && !open[k]; k++ {
			}
			if got, ok := c.NextOpen(at(i)); k < minutes {
				require.Equal(t, at(k), got, note)
			} else {
				require.True(t, !ok || !got.Before(at(minutes)), note)
			}
		}
		// Working days: all dates but the two that are cut.
		var days []Date
		for d := range closes {
			if d > dates[0] && d < dates[minutes-1] {
				days = append(days, d)
			}
		}
		slices.Sort(days)
		for d := dates[0] + 1; d < dates[minutes-1]; d++ {
			_, is := closes[d]
			require.Equal(t, is, c.WorkingDay(d), "%s: %s", note, d)
		}
		require.Equal(t, len(days), c.WorkingDays(dates[0]+1, dates[minutes-1]), note)
		for range 20 {
			i := r.IntN(minutes)
			from, _ := slices.BinarySearch(days, dates[i]+1)
			for n := 1; from+n <= len(days); n++ {
				d := days[from+n-1]
				got, ok := c.CloseOf(at(i), n)
				require.True(t, ok)
				require.Equal(t, at(closes[d]), got, "%s: close of working day %d after %s", note, n, at(i))
				got, ok = c.OpeningOf(at(i), n)
				require.True(t, ok)
				require.Equal(t, at(opens[d]), got, "%s: opening of working day %d after %s", note, n, at(i))
				got2, ok := c.AddWorkingDays(dates[i], n)
				require.True(t, ok)
				require.Equal(t, d, got2)
			}
		}
		// The stretches are the open minutes.
		was := make([]bool, minutes)
		last := time.Time{}
		for f, to := range c.Stretches(a, at(minutes)) {
			require.True(t, f.Before(to) && f.After(last) || last.IsZero(), note)
			last = to
			for i := int(f.Sub(a) / time.Minute); i < int(to.Sub(a)/time.Minute); i++ {
				was[i] = true
			}
		}
		require.Equal(t, open, was, note)
	}
}

// nearAChange returns a whole minute some days before a change of the clocks, or anywhere.
func nearAChange(r *rand.Rand, loc *time.Location) time.Time {
	at := time.Unix(60*(10_600_000+r.Int64N(30_000_000)), 0).In(loc) // 1990 to 2047
	if _, next := at.ZoneBounds(); !next.IsZero() && r.IntN(4) > 0 {
		at = next.Add(-time.Duration(r.IntN(5*24*60)) * time.Minute).Truncate(time.Minute)
	}
	return at
}

// Adding and then measuring gives what was added; and a second is worked if the shop is open in it.
func TestAddingThenMeasuring(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		name := rapid.SampledFrom(oddZones).Draw(t, "zone")
		loc, err := LoadLocation(name)
		require.NoError(t, err)
		start := nearAChange(r, loc).Add(time.Duration(r.IntN(60)) * time.Second)
		c, err := New(randomSpec(r, name, DateOf(start, loc)))
		require.NoError(t, err)

		d := time.Duration(rapid.Int64Range(0, 400*3600).Draw(t, "seconds")) * time.Second
		due, ok := c.After(start, d)
		if !ok {
			require.True(t, c.never)
			return
		}
		require.Equal(t, d, c.Worked(start, due))
		if d > 0 { // the first such instant
			require.Equal(t, d-time.Second, c.Worked(start, due.Add(-time.Second)))
			require.True(t, c.Open(due.Add(-time.Second)))
		}
		mid := start.Add(time.Duration(r.Int64N(int64(due.Sub(start)/time.Second)+1)) * time.Second)
		require.Equal(t, d, c.Worked(start, mid)+c.Worked(mid, due))
		require.Equal(t, c.Open(mid), c.Worked(mid, mid.Add(time.Second)) == time.Second)

		opens, ok := c.NextOpen(mid)
		require.True(t, ok)
		require.True(t, c.Open(opens) && !opens.Before(mid) && c.Worked(mid, opens) == 0)
	})
}

// A calendar answers the same however its table came to grow.
func TestGrowingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		s := randomSpec(r, oddZones[r.IntN(len(oddZones))], NewDate(2026, 3, 20))
		whole, err := New(s)
		require.NoError(t, err)
		whole.reach(begin, end)
		grown, err := New(s)
		require.NoError(t, err)
		for range 12 {
			a := time.Unix(r.Int64N(end-begin), 0)
			b := a.Add(time.Duration(r.Int64N(int64(4*365*24*time.Hour)) * int64(1+r.IntN(6))))
			d := time.Duration(r.Int64N(int64(3000 * time.Hour)))
			n := 1 + r.IntN(300)
			require.Equal(t, whole.Worked(a, b), grown.Worked(a, b))
			require.Equal(t, whole.Open(a), grown.Open(a))
			for _, ask := range []func(*Calendar) (any, bool){
				func(c *Calendar) (any, bool) { return c.After(a, d) },
				func(c *Calendar) (any, bool) { return c.NextOpen(a) },
				func(c *Calendar) (any, bool) { return c.CloseOf(a, n) },
				func(c *Calendar) (any, bool) { return c.OpeningOf(a, n) },
				func(c *Calendar) (any, bool) { return c.AddWorkingDays(c.Date(a), n) },
				func(c *Calendar) (any, bool) { return c.AddWorkingDays(c.Date(a), -n) },
			} {
				want, wantOK := ask(whole)
				got, ok := ask(grown)
				require.Equal(t, wantOK, ok)
				if ok {
					require.Equal(t, want, got)
				}
			}
			if d, ok := grown.AddWorkingDays(grown.Date(a), n); ok && grown.WorkingDay(grown.Date(a)) {
				back, ok := grown.AddWorkingDays(d, -n)
				require.True(t, ok)
				require.Equal(t, grown.Date(a), back)
			}
		}
	})
}

func TestManyAtOnce(t *testing.T) {
	c := made(t, Spec{TimeZone: "America/Halifax", Hours: week("09:00-17:00", monToFri)})
	want := made(t, c.Spec())
	want.reach(begin, end)
	var all sync.WaitGroup
	for g := range 8 {
		all.Go(func() {
			r := rand.New(rand.NewPCG(uint64(g), 4))
			for range 300 {
				a := time.Unix(r.Int64N(end-begin), 0)
				b := a.Add(time.Duration(r.Int64N(int64(90 * 24 * time.Hour))))
				if got := c.Worked(a, b); got != want.Worked(a, b) {
					t.Errorf("from %s to %s: %s", a, b, got)
				}
			}
		})
	}
	all.Wait()
}

func TestTheEndsOfTheReach(t *testing.T) {
	c := made(t, Spec{TimeZone: "America/Halifax", Hours: week("09:00-17:00", monToFri)})
	early, late := utc(t, "1969-01-01T00:00:00Z"), utc(t, "2300-01-01T00:00:00Z")
	require.False(t, c.Open(utc(t, "1969-12-31T15:00:00Z")))
	require.False(t, c.Open(utc(t, "2200-01-01T15:00:00Z")))
	require.True(t, c.Open(utc(t, "2199-12-31T15:00:00Z")))
	require.Equal(t, c.Worked(instant(begin), instant(end)), c.Worked(early, late))
	require.Positive(t, c.Worked(early, late))

	got, ok := c.After(early, 8*time.Hour)
	require.True(t, ok)
	require.Equal(t, "1970-01-01T21:00:00Z", got.Format(time.RFC3339))
	_, ok = c.After(utc(t, "2199-12-31T15:00:00Z"), 9*time.Hour)
	require.False(t, ok)
	_, ok = c.After(late, time.Hour)
	require.False(t, ok)
	_, ok = c.NextOpen(late)
	require.False(t, ok)
	_, ok = c.CloseOf(late, 1)
	require.False(t, ok)
	_, ok = c.CloseOf(utc(t, "2026-11-25T12:00:00Z"), 1<<62)
	require.False(t, ok)
	_, ok = c.CloseOf(utc(t, "2026-11-25T12:00:00Z"), 0)
	require.False(t, ok)
	_, ok = c.AddWorkingDays(date(t, "2026-11-25"), -1<<62)
	require.False(t, ok)
	d, ok := c.AddWorkingDays(date(t, "1900-01-01"), 1)
	require.True(t, ok)
	require.Equal(t, "1970-01-01", d.String())
	_, ok = c.AddWorkingDays(date(t, "2900-01-01"), 1)
	require.False(t, ok)
	require.Zero(t, c.WorkingDays(date(t, "2026-11-25"), date(t, "2026-11-01")))

	// Sub-second: an instant lies in its second; a length is rounded up.
	monday := utc(t, "2026-11-23T13:00:00Z")
	require.Equal(t, time.Second, c.Worked(monday, monday.Add(1999*time.Millisecond)))
	got, ok = c.After(monday.Add(900*time.Millisecond), 1500*time.Millisecond)
	require.True(t, ok)
	require.Equal(t, monday.Add(2*time.Second), got)
}

func TestACalendarThatIsNeverOpen(t *testing.T) {
	for _, s := range []Spec{
		{TimeZone: "UTC"},
		{TimeZone: "UTC", Hours: map[string][]string{"mon": {}}, Closed: []Exception{{Date: 20000}}},
	} {
		c := made(t, s)
		at := utc(t, "2026-11-25T12:00:00Z")
		require.False(t, c.Open(at))
		require.Zero(t, c.Worked(at, at.AddDate(10, 0, 0)))
		_, ok := c.After(at, time.Second)
		require.False(t, ok)
		got, ok := c.After(at, 0)
		require.True(t, ok)
		require.Equal(t, at, got)
		_, ok = c.NextOpen(at)
		require.False(t, ok)
		_, ok = c.CloseOf(at, 1)
		require.False(t, ok)
	}
	// Open on one day only.
	c := made(t, Spec{TimeZone: "UTC", Closed: []Exception{{Date: date(t, "2026-12-01"), Hours: []string{"10:00-11:00"}}}})
	at := utc(t, "2026-11-25T12:00:00Z")
	got, ok := c.CloseOf(at, 1)
	require.True(t, ok)
	require.Equal(t, "2026-12-01T11:00:00Z", got.Format(time.RFC3339))
	_, ok = c.CloseOf(at, 2)
	require.False(t, ok)
	_, ok = c.After(at, time.Hour+time.Second)
	require.False(t, ok)
}

// What the law of clocks does to a night shift: New York, Saturday 22:00 to Sunday 06:00.
func TestChangesOfTheClocks(t *testing.T) {
	c := made(t, Spec{TimeZone: "America/New_York", Hours: map[string][]string{"sat": {"22:00-24:00"}, "sun": {"00:00-06:00"}}})
	night := func(sat string) time.Duration {
		from := Local(c.Location(), date(t, sat), 12, 0)
		return c.Worked(from, from.Add(24*time.Hour))
	}
	require.Equal(t, 8*time.Hour, night("2026-03-14"))
	require.Equal(t, 7*time.Hour, night("2026-03-07"), "02:00 to 03:00 is not there")
	require.Equal(t, 9*time.Hour, night("2026-10-31"), "01:00 to 02:00 is there twice")

	// Santiago's 6 September 2026 begins at 01:00: half an hour of open time that is not there.
	c = made(t, Spec{TimeZone: "America/Santiago", Hours: map[string][]string{"sun": {"00:30-01:30"}}})
	opens, ok := c.NextOpen(utc(t, "2026-09-05T12:00:00Z"))
	require.True(t, ok)
	require.Equal(t, "2026-09-06T04:00:00Z", opens.Format(time.RFC3339))
	require.Equal(t, 30*time.Minute, c.Worked(opens, opens.Add(24*time.Hour)))

	// Apia went without Friday 30 December 2011.
	c = made(t, Spec{TimeZone: "Pacific/Apia", Hours: week("09:00-17:00", monToFri)})
	require.True(t, c.WorkingDay(date(t, "2011-12-29")))
	require.False(t, c.WorkingDay(date(t, "2011-12-30")))
	next, ok := c.AddWorkingDays(date(t, "2011-12-29"), 1)
	require.True(t, ok)
	require.Equal(t, "2012-01-02", next.String())
}
