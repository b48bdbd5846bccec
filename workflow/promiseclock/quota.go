package promiseclock

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Quota is how much a promise allows: exactly one of the three.
type Quota struct {
	// WorkingHours is open time.
	WorkingHours QuotaHours `json:"working_hours,omitzero"`
	// WorkingDays is the open time from the start to the close of that working day after the start's own
	// date, which never counts (Regulation (EEC, Euratom) 1182/71 article 3, FRCP 6(a)).
	WorkingDays int `json:"working_days,omitzero"`
	// By is the open time from the start to this instant, and never earlier than the instant itself.
	By time.Time `json:"by,omitzero"`
}

// Check says what is wrong with the quota, as the end of a sentence; nil if nothing is.
func (q Quota) Check() error {
	given := 0
	for _, is := range []bool{q.WorkingHours != 0, q.WorkingDays != 0, !q.By.IsZero()} {
		if is {
			given++
		}
	}
	switch {
	case given != 1:
		return fmt.Errorf("a promise is a number of working hours, a number of working days, or an instant: one of the three, above zero")
	case q.WorkingHours < 0 || q.WorkingHours > maxQuotaHours:
		return fmt.Errorf("working hours go up to %s", maxQuotaHours)
	case q.WorkingDays < 0 || q.WorkingDays > maxQuotaDays:
		return fmt.Errorf("working days go from 1 to %d", maxQuotaDays)
	}
	return nil
}

const (
	maxQuotaHours = QuotaHours(1_000_000 * time.Hour)
	maxQuotaDays  = 100_000
)

// QuotaHours is a length of open time in whole seconds. As JSON it is a number of hours, 40 or 7.5, read
// digit by digit and not through a float; as text also "7:30" (or "7:30:15"), which is how a length that
// has no exact decimal is written.
type QuotaHours time.Duration

// ParseQuotaHours reads "40", "7.5", "7:30" or "0:00:15". A decimal must be a whole number of seconds.
func ParseQuotaHours(s string) (QuotaHours, error) {
	wrong := func(why string) (QuotaHours, error) {
		if len(s) > 40 {
			s = s[:40] + "…"
		}
		return 0, fmt.Errorf("%q is not a number of hours: %s", s, why)
	}
	const form = "write it like 40, 7.5 or 7:30"
	sep := strings.IndexAny(s, ".:")
	whole, rest := s, ""
	if sep >= 0 {
		whole, rest = s[:sep], s[sep+1:]
	}
	hours, ok := digits(whole)
	if !ok || len(whole) > 7 {
		return wrong(form)
	}
	seconds := hours * 3600
	switch {
	case sep < 0:
	case s[sep] == '.':
		rest0 := rest
		rest = strings.TrimRight(rest, "0")
		part, ok := digits(rest)
		if rest0 == "" || !ok && rest != "" {
			return wrong(form)
		}
		// 3600 hours^-1 = 2^4 x 3^2 x 5^2: the fifth decimal can't come out even.
		scale := int64(1)
		for range min(len(rest), 5) {
			scale *= 10
		}
		if len(rest) > 4 || part*3600%scale != 0 {
			return wrong("it doesn't come out at a whole second; write it like 7:30 or 7:30:15")
		}
		seconds += part * 3600 / scale
	default:
		for i, part := range strings.Split(rest, ":") {
			n, ok := digits(part)
			if !ok || len(part) != 2 || n > 59 || i > 1 {
				return wrong(form)
			}
			seconds += n * [2]int64{60, 1}[i]
		}
	}
	h := QuotaHours(seconds) * QuotaHours(time.Second)
	if h > maxQuotaHours {
		return wrong("it is above " + maxQuotaHours.String())
	}
	return h, nil
}

// digits reads up to 18 decimal digits.
func digits(s string) (int64, bool) {
	if len(s) > 18 {
		return 0, false
	}
	n := int64(0)
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int64(s[i]-'0')
	}
	return n, s != ""
}

// Duration returns the length.
func (h QuotaHours) Duration() time.Duration { return time.Duration(h) }

// String returns "40", "7.5", or "0:00:15" where no decimal is exact.
func (h QuotaHours) String() string {
	seconds := int64(time.Duration(h) / time.Second)
	whole, part := seconds/3600, seconds%3600
	switch {
	case part == 0:
		return strconv.FormatInt(whole, 10)
	case part%9 == 0: // four decimals are steps of 0.36 s, and 9 s is 25 of them
		return fmt.Sprintf("%d.%s", whole, strings.TrimRight(fmt.Sprintf("%04d", part/9*25), "0"))
	case part%60 == 0:
		return fmt.Sprintf("%d:%02d", whole, part/60)
	}
	return fmt.Sprintf("%d:%02d:%02d", whole, part/60, part%60)
}

// MarshalText returns String.
func (h QuotaHours) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads what [ParseQuotaHours] does.
func (h *QuotaHours) UnmarshalText(b []byte) (err error) {
	*h, err = ParseQuotaHours(string(b))
	return err
}

// MarshalJSON returns a number, or a text where no decimal is exact.
func (h QuotaHours) MarshalJSON() ([]byte, error) {
	s := h.String()
	if strings.Contains(s, ":") {
		return json.Marshal(s)
	}
	return []byte(s), nil
}

// UnmarshalJSON reads a number or a text.
func (h *QuotaHours) UnmarshalJSON(b []byte) error {
	s := string(b)
	if s != "" && s[0] == '"' {
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
	}
	return h.UnmarshalText([]byte(s))
}
