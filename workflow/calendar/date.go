package calendar

import (
	"fmt"
	"math"
	"time"
)

// Date is a day of the calendar without a time or a zone, counted in days from 1970-01-01 (0). The next
// day is d+1, and dates compare with < and ==. As text it is "2026-12-24".
type Date int32

const daySeconds = 86400

// NewDate returns a date. A day that the month doesn't have counts on: 31 April is 1 May.
func NewDate(year int, month time.Month, day int) Date {
	return Date(floorDiv(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix(), daySeconds))
}

// DateOf returns the date on the clocks of the zone loc at the instant t.
func DateOf(t time.Time, loc *time.Location) Date {
	_, offset := t.In(loc).Zone()
	return Date(floorDiv(t.Unix()+int64(offset), daySeconds))
}

// ParseDate reads "2026-12-24".
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("%q is not a date; write it like 2026-12-24", excerpt(s))
	}
	return Date(floorDiv(t.Unix(), daySeconds)), nil
}

// YMD returns year, month and day.
func (d Date) YMD() (year int, month time.Month, day int) {
	return time.Unix(int64(d)*daySeconds, 0).UTC().Date()
}

// Year returns the year.
func (d Date) Year() int {
	y, _, _ := d.YMD()
	return y
}

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday {
	return time.Weekday(((int(d)+4)%7 + 7) % 7) // 1970-01-01 was a Thursday
}

// String returns "2026-12-24".
func (d Date) String() string {
	return time.Unix(int64(d)*daySeconds, 0).UTC().Format(time.DateOnly)
}

// MarshalText returns "2026-12-24".
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads "2026-12-24".
func (d *Date) UnmarshalText(b []byte) (err error) {
	*d, err = ParseDate(string(b))
	return err
}

// Local returns the instant at which the clocks of the zone show hour and minute on the date d, by the rule
// of RFC 5545 section 3.3.5: of a time that comes twice the first, and for a time that a change of the
// clocks skips, the instant that the offset in force before the change gives (so 02:30 in a night whose
// clocks go from 02:00 to 03:00 is the same instant as 03:30). The hour 24 is midnight at the day's end.
func Local(loc *time.Location, d Date, hour, minute int) time.Time {
	wall := int64(d)*daySeconds + int64(hour)*3600 + int64(minute)*60
	// Walk over the stretches of one offset around that time. No zone is a whole day off, so the first
	// begins before any instant that could show the wall time.
	t, before := wall-2*daySeconds, int64(0)
	for first := true; ; first = false {
		offset, until := offsetAt(t, loc)
		if !first && t+offset > wall {
			return time.Unix(wall-before, 0).In(loc) // skipped
		}
		if wall < until+offset {
			return time.Unix(wall-offset, 0).In(loc)
		}
		t, before = until, offset
	}
}

// forever is later than any instant, with room for an offset.
const forever = math.MaxInt64 - 2*daySeconds

// offsetAt returns the seconds by which the zone's clocks are ahead of UTC at t, and how far at least that
// holds, which is always after t.
func offsetAt(t int64, loc *time.Location) (offset, until int64) {
	at := time.Unix(t, 0).In(loc)
	_, seconds := at.Zone()
	_, end := at.ZoneBounds()
	switch {
	case end.IsZero():
		until = forever
	case end.Unix() > t:
		until = end.Unix()
	default:
		// On 31 December of a leap year beyond the zone's last listed change, Go 1.26 gives that day's
		// first second. No clock changes there: go on by a day.
		until = t + daySeconds
	}
	return int64(seconds), until
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
