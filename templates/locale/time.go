package locale

import (
	"strconv"
	"strings"
	"time"
)

var weekdays = [...]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// Short returns the words with the weekdays' short names in dates, for tables and narrow columns.
func (w *Words) Short() *Words {
	short := *w
	short.weekday = "weekday.short."
	return &short
}

// Weekday returns the weekday's full name.
func (w *Words) Weekday(d time.Weekday) string { return w.T("weekday." + weekdays[d]) }

func (w *Words) date(pattern string, t time.Time, loc *time.Location) string {
	t = t.In(loc)
	// {0} weekday; {1} day; {2} month; {3} year.
	day := t.Format("2")
	if t.Day() == 1 {
		day = w.T("date.first")
	}
	return w.T(pattern, w.T(w.weekday+weekdays[t.Weekday()]), day, w.T("month."+t.Format("01")), t.Format("2006"))
}

// Day returns a date without its year: "Thursday 3 December".
func (w *Words) Day(t time.Time, loc *time.Location) string { return w.date("date.day", t, loc) }

// Date returns a date with its year: "Thursday 3 December 2026".
func (w *Words) Date(t time.Time, loc *time.Location) string { return w.date("date.full", t, loc) }

// On returns a date as one says it at an instant: "today", "tomorrow", "Thursday 3 December", and with the year
// where that is another one.
func (w *Words) On(t, now time.Time, loc *time.Location) string {
	y, m, d := t.In(loc).Date()
	same := func(n time.Time) bool { a, b, c := n.Date(); return a == y && b == m && c == d }
	here := now.In(loc)
	ny, nm, nd := here.Date()
	noon := time.Date(ny, nm, nd, 12, 0, 0, 0, time.UTC) // whole days are counted without any zone's gaps
	switch {
	case same(noon):
		return w.T("date.today")
	case same(noon.AddDate(0, 0, 1)):
		return w.T("date.tomorrow")
	case same(noon.AddDate(0, 0, -1)):
		return w.T("date.yesterday")
	}
	return w.DayAsOf(t, now, loc)
}

// DayAsOf returns a date as it stands after "by" or "since", said at an instant: without its year where that
// is the same.
func (w *Words) DayAsOf(t, now time.Time, loc *time.Location) string {
	if t.In(loc).Year() != now.In(loc).Year() {
		return w.Date(t, loc)
	}
	return w.Day(t, loc)
}

// Clock returns the time of day: "17:00", in French "17 h 00".
func (w *Words) Clock(t time.Time, loc *time.Location) string {
	if w.Lang == "fr" {
		return strconv.Itoa(t.In(loc).Hour()) + "\u202fh\u202f" + t.In(loc).Format("04")
	}
	return t.In(loc).Format("15:04")
}

// DateTime returns date, time of day and the zone's name: "Thursday 3 December 2026, 17:00 Halifax time".
func (w *Words) DateTime(t time.Time, loc *time.Location) string {
	return w.T("date.at", w.Date(t, loc), w.Clock(t, loc), w.Zone(loc))
}

// DayTime is [Words.DateTime] without the year.
func (w *Words) DayTime(t time.Time, loc *time.Location) string {
	return w.T("date.at", w.Day(t, loc), w.Clock(t, loc), w.Zone(loc))
}

// Zone names a time zone by its city, as people do: "Halifax time".
func (w *Words) Zone(loc *time.Location) string {
	name := loc.String()
	city := name[strings.LastIndexByte(name, '/')+1:]
	if name == "UTC" || name == "Local" || name == "" || !strings.Contains(name, "/") {
		return name
	}
	return w.T("zone.city", strings.ReplaceAll(city, "_", " "))
}

// Differs reports whether two zones show different wall times at an instant.
func Differs(t time.Time, a, b *time.Location) bool {
	_, x := t.In(a).Zone()
	_, y := t.In(b).Zone()
	return x != y
}

// Duration returns a length of time in its two largest units, rounded down to minutes: "3 hours 20
// minutes", "2 days 4 hours". Below a minute it is "less than a minute". The sign is dropped.
func (w *Words) Duration(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	minutes := int(d / time.Minute)
	if minutes == 0 {
		return w.T("duration.moment")
	}
	var parts []string
	for _, u := range []struct {
		key  string
		size int
	}{{"duration.days", 24 * 60}, {"duration.hours", 60}, {"duration.minutes", 1}} {
		if n := minutes / u.size; n > 0 && len(parts) < 2 {
			parts = append(parts, w.T(u.key, n))
		} else if len(parts) > 0 {
			break
		}
		minutes %= u.size
	}
	return strings.Join(parts, " ")
}
