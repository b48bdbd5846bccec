package calendar

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Spec describes a calendar as it is in the settings (TOML) or in a request (JSON):
//
//	{"time_zone":"America/Halifax",
//	 "hours":{"mon":["09:00-12:30","13:00-17:00"],"tue":["09:00-17:00"],"sat":[]},
//	 "holidays":["ca-ns"],
//	 "closed":["2026-12-25",{"date":"2026-12-24","hours":["09:00-12:00"]}]}
//
// Reading JSON refuses fields that are unknown or there twice, because a misspelt "closed" would make a
// wrong promise.
type Spec struct {
	// TimeZone is a name of the IANA database.
	TimeZone string `json:"time_zone" toml:"time_zone"`
	// Hours are the opening times by weekday (mon tue wed thu fri sat sun), each "HH:MM-HH:MM" on the
	// wall; 24:00 is midnight at the day's end. A weekday left out is closed.
	Hours map[string][]string `json:"hours,omitempty" toml:"hours"`
	// Holidays are the days closed by rule.
	Holidays []Holidays `json:"holidays,omitempty" toml:"holidays"`
	// Closed are the dates with hours of their own, or none. They go before holidays and weekdays.
	Closed []Exception `json:"closed,omitempty" toml:"closed"`
}

// Exception is a date, or several in a row, with other hours than its weekday's. As text it is "2026-12-25",
// closed all day, or an object with the fields below.
type Exception struct {
	Date Date `json:"date"`
	// To is the last date, with the same hours, if there are several; else nil.
	To *Date `json:"to,omitempty"`
	// Hours are the opening times; none is closed.
	Hours []string `json:"hours,omitempty"`
	// Name is what people call it, "" if it has none.
	Name string `json:"name,omitempty"`
}

// Holidays is a ready set of public holidays ([HolidaySets]), or a rule of the shop's own. As text it is
// the set's name, "us"; else an object: {"set":"us","without":["Columbus Day"]} or
// {"name":"Harbour Festival","rule":"first mon in aug"} ([ParseRule]).
type Holidays struct {
	Set string `json:"set,omitempty"`
	// Without are the names of the set's holidays on which the shop works.
	Without []string `json:"without,omitempty"`

	Name string `json:"name,omitempty"`
	Rule string `json:"rule,omitempty"`
}

// Limits on a calendar, far above what a shop needs.
const (
	maxIntervals  = 12   // in a day
	maxExceptions = 4000 // dates
	maxHolidays   = 100  // sets and rules
)

var weekdays = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// exception is what a single date is, if not what its weekday says.
type exception struct {
	hours hours
	name  string
}

// New makes a calendar. A mistake in the spec is told with its place and the reason, in a form that can be
// shown to who wrote it: `hours.mon[1]: "12:00-17:00" begins before "09:00-12:30" has ended`.
func New(s Spec) (*Calendar, error) {
	c := &Calendar{spec: s, never: true, dates: make(map[Date]exception)}
	var err error
	if s.TimeZone == "" {
		return nil, fmt.Errorf("time_zone: it is missing; write the shop's zone, like America/Halifax")
	}
	if c.loc, err = LoadLocation(s.TimeZone); err != nil {
		return nil, fmt.Errorf("time_zone: %w", err)
	}
	for _, name := range slices.Sorted(maps.Keys(s.Hours)) {
		day := slices.Index(weekdays[:], name)
		if day < 0 {
			return nil, fmt.Errorf("hours.%s: this is not a weekday; write mon, tue, wed, thu, fri, sat or sun", excerpt(name))
		}
		if c.week[day], err = parseHours(s.Hours[name]); err != nil {
			return nil, fmt.Errorf("hours.%s%w", name, err)
		}
		c.never = c.never && len(c.week[day]) == 0
	}
	if err := c.addHolidays(s.Holidays); err != nil {
		return nil, err
	}
	for i, e := range s.Closed {
		h, err := parseHours(e.Hours)
		if err != nil {
			return nil, fmt.Errorf("closed[%d].hours%w", i, err)
		}
		last := e.Date
		if e.To != nil {
			last = *e.To
		}
		switch {
		case e.Date < firstDate || last >= endDate:
			return nil, fmt.Errorf("closed[%d]: a calendar reaches from %s to %s", i, firstDate, endDate-1)
		case last < e.Date:
			return nil, fmt.Errorf("closed[%d]: it ends on %s, before it begins on %s", i, last, e.Date)
		case int(last-e.Date)+len(c.dates) >= maxExceptions:
			return nil, fmt.Errorf("closed[%d]: with it there are more than %d dates; for closures that come every year use a holiday rule", i, maxExceptions)
		}
		for d := e.Date; d <= last; d++ {
			if _, twice := c.dates[d]; twice {
				return nil, fmt.Errorf("closed[%d]: %s is there twice", i, d)
			}
			c.dates[d] = exception{h, e.Name}
		}
		c.never = c.never && len(h) == 0
	}
	return c, nil
}

// parseHours reads a day's opening times and puts them in order. Its errors begin with the place below the
// list: `[1]: …`.
func parseHours(list []string) (hours, error) {
	if len(list) > maxIntervals {
		return nil, fmt.Errorf(": a day can have %d opening times, this has %d", maxIntervals, len(list))
	}
	h := make(hours, 0, len(list))
	for i, text := range list {
		iv, err := parseInterval(text)
		if err != nil {
			return nil, fmt.Errorf("[%d]: %q %w", i, excerpt(text), err)
		}
		for j, other := range h {
			if iv.from < other.to && other.from < iv.to {
				return nil, fmt.Errorf("[%d]: %q overlaps %q; each must end before the next begins", i, text, list[j])
			}
		}
		h = append(h, iv)
	}
	slices.SortFunc(h, func(a, b interval) int { return int(a.from) - int(b.from) })
	return h, nil
}

// parseInterval reads "HH:MM-HH:MM". Its errors go on from the text in quotes.
func parseInterval(s string) (interval, error) {
	form := len(s) == 11 && s[2] == ':' && s[5] == '-' && s[8] == ':'
	var n [4]int32
	for i, at := range [4]int{0, 3, 6, 9} {
		if !form || s[at] < '0' || s[at] > '9' || s[at+1] < '0' || s[at+1] > '9' {
			return interval{}, fmt.Errorf("is not an opening time; write it like 09:00-17:30")
		}
		n[i] = int32(s[at]-'0')*10 + int32(s[at+1]-'0')
	}
	for i := 0; i < 4; i += 2 {
		if n[i+1] > 59 || n[i] > 24 || n[i] == 24 && (i == 0 || n[i+1] > 0) {
			return interval{}, fmt.Errorf("has a time that no clock shows; a day goes from 00:00 to 24:00")
		}
	}
	iv := interval{n[0]*3600 + n[1]*60, n[2]*3600 + n[3]*60}
	switch {
	case iv.from == iv.to:
		return interval{}, fmt.Errorf("ends when it begins; leave it out to be closed, or write 00:00-24:00 to be open all day")
	case iv.from > iv.to:
		return interval{}, fmt.Errorf("ends before it begins; to stay open over midnight write %s-24:00, and 00:00-%s on the next day", s[:5], s[6:])
	}
	return iv, nil
}

func (iv interval) String() string {
	return fmt.Sprintf("%02d:%02d-%02d:%02d", iv.from/3600, iv.from/60%60, iv.to/3600, iv.to/60%60)
}

func (h hours) texts() []string {
	out := make([]string, len(h))
	for i, iv := range h {
		out[i] = iv.String()
	}
	return out
}

// excerpt shortens a foreign text for an error message.
func excerpt(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// UnmarshalJSON reads a spec, with the place of a mistake in its error.
func (s *Spec) UnmarshalJSON(b []byte) error {
	var out Spec
	if err := members(b, "", func(name string, value []byte) error {
		switch name {
		case "time_zone":
			return into(value, name, &out.TimeZone, "a text in quotes")
		case "hours":
			out.Hours = make(map[string][]string)
			return members(value, name+".", func(day string, list []byte) error {
				var h []string
				err := into(list, name+"."+excerpt(day), &h, `a list like ["09:00-17:30"]`)
				out.Hours[day] = h
				return err
			})
		case "holidays":
			return items(value, name, &out.Holidays, `a list like ["us"]`)
		case "closed":
			return items(value, name, &out.Closed, `a list like ["2026-12-25"]`)
		}
		return unknown(name, "time_zone, hours, holidays, closed")
	}); err != nil {
		return err
	}
	*s = out
	return nil
}

// UnmarshalJSON reads a date in quotes or an object.
func (e *Exception) UnmarshalJSON(b []byte) error {
	var out Exception
	if b[0] == '"' {
		if err := into(b, "", &out.Date, "a date"); err != nil {
			return err
		}
		*e = out
		return nil
	}
	dated := false
	if err := members(b, ".", func(name string, value []byte) error {
		switch name {
		case "date":
			dated = true
			return into(value, "."+name, &out.Date, "a date in quotes")
		case "to":
			return into(value, "."+name, &out.To, "a date in quotes")
		case "hours":
			return into(value, "."+name, &out.Hours, `a list like ["09:00-12:00"]`)
		case "name":
			return into(value, "."+name, &out.Name, "a text in quotes")
		}
		return unknown("."+name, "date, to, hours, name")
	}); err != nil {
		return err
	}
	if !dated {
		return fmt.Errorf(".date: it is missing")
	}
	*e = out
	return nil
}

// MarshalJSON returns what UnmarshalJSON reads.
func (e Exception) MarshalJSON() ([]byte, error) {
	if e.To == nil && len(e.Hours) == 0 && e.Name == "" {
		return json.Marshal(e.Date)
	}
	type plain Exception // without this method
	return json.Marshal(plain(e))
}

// UnmarshalTOML reads what is in a TOML file: a date, in quotes or not, or a table. It is called by
// TOML decoders that know this method.
func (e *Exception) UnmarshalTOML(v any) error {
	b, err := jsonOf(v)
	if err != nil {
		return err
	}
	return e.UnmarshalJSON(b)
}

// UnmarshalJSON reads a set's name in quotes or an object.
func (h *Holidays) UnmarshalJSON(b []byte) error {
	var out Holidays
	if b[0] == '"' {
		if err := into(b, "", &out.Set, "a text in quotes"); err != nil {
			return err
		}
		*h = out
		return nil
	}
	if err := members(b, ".", func(name string, value []byte) error {
		switch name {
		case "set":
			return into(value, "."+name, &out.Set, "a text in quotes")
		case "without":
			return into(value, "."+name, &out.Without, `a list like ["Columbus Day"]`)
		case "name":
			return into(value, "."+name, &out.Name, "a text in quotes")
		case "rule":
			return into(value, "."+name, &out.Rule, "a text in quotes")
		}
		return unknown("."+name, "set, without, name, rule")
	}); err != nil {
		return err
	}
	*h = out
	return nil
}

// MarshalJSON returns what UnmarshalJSON reads.
func (h Holidays) MarshalJSON() ([]byte, error) {
	if len(h.Without) == 0 && h.Name == "" && h.Rule == "" {
		return json.Marshal(h.Set)
	}
	type plain Holidays // without this method
	return json.Marshal(plain(h))
}

// UnmarshalTOML reads what is in a TOML file: a set's name or a table.
func (h *Holidays) UnmarshalTOML(v any) error {
	b, err := jsonOf(v)
	if err != nil {
		return err
	}
	return h.UnmarshalJSON(b)
}

// jsonOf turns a decoded TOML value into JSON. A TOML date is decoded as a time.
func jsonOf(v any) ([]byte, error) {
	plain := func(v any) any {
		if t, ok := v.(time.Time); ok {
			return t.Format(time.DateOnly)
		}
		return v
	}
	if table, ok := v.(map[string]any); ok {
		table = maps.Clone(table)
		for k, v := range table {
			table[k] = plain(v)
		}
		return json.Marshal(table)
	}
	return json.Marshal(plain(v))
}

// members calls member for each member of the JSON object b, each name once. at is the object's place,
// ending in a point, "" at the top.
func members(b []byte, at string, member func(name string, value []byte) error) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		if at == "" {
			return fmt.Errorf("it must be an object in braces")
		}
		return fmt.Errorf("%s: it must be an object in braces", strings.TrimSuffix(at, "."))
	}
	seen := make(map[string]bool)
	for dec.More() {
		t, err := dec.Token()
		if err != nil {
			return err
		}
		name, _ := t.(string) // nothing else can stand there
		if seen[name] {
			return fmt.Errorf("%s%s: it is there twice", at, excerpt(name))
		}
		seen[name] = true
		var value json.RawMessage
		if err := dec.Decode(&value); err != nil {
			return err
		}
		if err := member(name, value); err != nil {
			return err
		}
	}
	return nil
}

// into reads one JSON value. An error of the value's own reader is kept, any other says what is wanted.
func into(b []byte, at string, to any, want string) error {
	if string(b) == "null" {
		return fmt.Errorf("%s: it must be %s, not null", at, want)
	}
	err := json.Unmarshal(b, to)
	if err == nil {
		return nil
	}
	if _, text := to.(interface{ UnmarshalText([]byte) error }); text && b[0] == '"' {
		return fmt.Errorf("%s: %w", at, err)
	}
	return fmt.Errorf("%s: it must be %s", at, want)
}

// items reads a JSON list whose values read themselves.
func items[T any, P interface {
	*T
	json.Unmarshaler
}](b []byte, at string, to *[]T, want string) error {
	var raw []json.RawMessage
	if err := into(b, at, &raw, want); err != nil {
		return err
	}
	list := make([]T, len(raw))
	for i := range raw {
		if err := P(&list[i]).UnmarshalJSON(raw[i]); err != nil {
			return fmt.Errorf("%s[%d]%w", at, i, err)
		}
	}
	*to = list
	return nil
}

func unknown(place, known string) error {
	return fmt.Errorf("%s: it is not known; known are %s", excerpt(place), known)
}
