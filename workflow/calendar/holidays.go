package calendar

import (
	_ "embed"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Rule says on which days of a year a holiday falls. Read one with [ParseRule].
type Rule struct {
	text        string
	when        func(year int) []Date
	from, until int // years, inclusive
	// shift is by how many days a holiday on that weekday is also kept elsewhere; 0 is not at all.
	shift [7]int
	moved bool // the day itself is then an ordinary one
}

// String returns the rule as it was written.
func (r *Rule) String() string { return r.text }

// Holiday is a day on which a holiday is kept.
type Holiday struct {
	Date Date
	Name string
	// Observed is a day kept instead of, or beside, the holiday itself.
	Observed bool
}

const maxRule = 600 // bytes

const ruleForm = "write it like 25 dec, third mon in feb, last mon in may, mon before 25 may, wed before 23 nov or easter+1"

// ParseRule reads a rule for a holiday:
//
//	25 dec                       that day
//	third mon in feb             first, second, third, fourth, fifth or last
//	mon before 25 may            the nearest one before; also after, on or before, on or after
//	fri after fourth thu in nov  and of any other day that a rule names
//	easter+1                     days after (or -2: before) Easter Sunday of the western churches
//	2026-07-10 2027-06-25        on these dates only
//
// followed by any of these, after commas:
//
//	sat to fri                   kept on that day too if it falls on a Saturday; also sun to mon and so on
//	moved                        not kept on the Saturday or Sunday itself in that case
//	from 2021, until 2030        in these years only
//
// A rule by which no day of 1970 to 2199 is a holiday is refused.
func ParseRule(text string) (*Rule, error) {
	if len(text) > maxRule {
		return nil, fmt.Errorf("a rule has at most %d characters, this has %d", maxRule, len(text))
	}
	r := &Rule{text: text, from: firstDate.Year(), until: (endDate - 1).Year()}
	for i, clause := range strings.Split(text, ",") {
		words := strings.Fields(strings.ToLower(clause))
		if i == 0 {
			when, err := parseWhen(words)
			if err != nil {
				return nil, err
			}
			r.when = when
			continue
		}
		switch year, err := strconv.Atoi(last(words)); {
		case len(words) == 1 && words[0] == "moved":
			r.moved = true
		case len(words) == 2 && words[0] == "from" && err == nil:
			r.from = max(r.from, year)
		case len(words) == 2 && words[0] == "until" && err == nil:
			r.until = min(r.until, year)
		case len(words) == 3 && words[1] == "to" && weekday(words[0]) >= 0 && weekday(words[2]) >= 0 && words[0] != words[2]:
			by := (weekday(words[2]) - weekday(words[0]) + 7) % 7
			if by > 3 {
				by -= 7 // the nearer one: sat to fri is the day before
			}
			r.shift[weekday(words[0])] = by
		default:
			return nil, fmt.Errorf("%q is no part of a rule; after a comma come words like sun to mon, moved, from 2021 or until 2030", excerpt(strings.TrimSpace(clause)))
		}
	}
	if r.moved && r.shift == [7]int{} {
		return nil, fmt.Errorf("it says moved, but not from which weekday to which; write it like 26 jan, sat to mon, sun to mon, moved")
	}
	for y := firstDate.Year(); y < endDate.Year(); y++ {
		if len(r.In(y)) > 0 {
			return r, nil
		}
	}
	return nil, fmt.Errorf("by this rule there is no holiday in any year")
}

// In returns the days on which the holiday of that year is kept, in order; one of them can lie in the year
// before or after.
func (r *Rule) In(year int) []Holiday {
	if year < r.from || year > r.until {
		return nil
	}
	var days []Holiday
	for _, d := range r.when(year) {
		by := r.shift[d.Weekday()]
		if by == 0 || !r.moved {
			days = append(days, Holiday{Date: d})
		}
		if by != 0 {
			days = append(days, Holiday{Date: d + Date(by), Observed: true})
		}
	}
	slices.SortFunc(days, func(a, b Holiday) int { return int(a.Date - b.Date) })
	return days
}

var (
	ordinals   = []string{"first", "second", "third", "fourth", "fifth"}
	monthNames = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
)

func last(words []string) string {
	if len(words) == 0 {
		return ""
	}
	return words[len(words)-1]
}

func weekday(s string) int { return slices.Index(weekdays[:], s) }

func month(s string) time.Month { return time.Month(slices.Index(monthNames, s) + 1) }

// parseWhen reads the first part of a rule.
func parseWhen(words []string) (func(year int) []Date, error) {
	wrong := fmt.Errorf("%q is not a rule for a holiday; %s", excerpt(strings.Join(words, " ")), ruleForm)
	switch {
	case len(words) == 0:
		return nil, wrong
	case strings.HasPrefix(words[0], "easter"):
		by := strings.TrimPrefix(strings.Join(words, ""), "easter")
		n := 0
		if by != "" {
			var err error
			if n, err = strconv.Atoi(by); err != nil || n == 0 || n < -100 || n > 200 || by[0] != '+' && by[0] != '-' {
				return nil, wrong
			}
		}
		return func(year int) []Date { return []Date{Easter(year) + Date(n)} }, nil
	case len(words) == 2 && month(words[1]) > 0:
		day, err := strconv.Atoi(words[0])
		if err != nil || day < 1 || day > 31 {
			return nil, wrong
		}
		return func(year int) []Date {
			d := NewDate(year, month(words[1]), day)
			if _, m, _ := d.YMD(); m != month(words[1]) {
				return nil // 29 feb
			}
			return []Date{d}
		}, nil
	case len(words) == 4 && words[2] == "in" && weekday(words[1]) >= 0 && month(words[3]) > 0:
		n := slices.Index(ordinals, words[0])
		if n < 0 && words[0] != "last" {
			return nil, wrong
		}
		return func(year int) []Date {
			first := NewDate(year, month(words[3]), 1)
			next := NewDate(year, month(words[3])+1, 1)
			if n < 0 {
				return []Date{before(next, weekday(words[1]))}
			}
			if d := before(first+7, weekday(words[1])) + Date(7*n); d < next {
				return []Date{d}
			}
			return nil
		}, nil
	case len(words) > 2 && weekday(words[0]) >= 0:
		rest := words[1:]
		on := Date(0)
		if len(rest) > 2 && rest[0] == "on" && rest[1] == "or" {
			on, rest = 1, rest[2:]
		}
		of, err := parseWhen(rest[1:])
		if err != nil || rest[0] != "before" && rest[0] != "after" {
			return nil, wrong
		}
		return func(year int) (days []Date) {
			for _, d := range of(year) {
				if rest[0] == "before" {
					days = append(days, before(d+on, weekday(words[0])))
				} else {
					days = append(days, before(d+8-on, weekday(words[0])))
				}
			}
			return days
		}, nil
	}
	var list []Date
	for _, w := range words {
		d, err := ParseDate(w)
		if err != nil {
			return nil, wrong
		}
		list = append(list, d)
	}
	return func(year int) (days []Date) {
		for _, d := range list {
			if d.Year() == year {
				days = append(days, d)
			}
		}
		return days
	}, nil
}

// before returns the last such weekday before d.
func before(d Date, weekday int) Date {
	return d - 1 - Date((int((d-1).Weekday())-weekday+7)%7)
}

// Easter returns Easter Sunday of the western churches, by the rule of the Gregorian calendar (the
// arithmetic is that of "A New York correspondent", Nature, 20 April 1876; from memory, and held to a
// published table in the tests).
func Easter(year int) Date {
	a, b, c := year%19, year/100, year%100
	d, e := b/4, b%4
	g := (8*b + 13) / 25
	h := (19*a + b - d - g + 15) % 30
	i, k := c/4, c%4
	l := (32 + 2*e + 2*i - h - k) % 7
	m := (a + 11*h + 19*l) / 433
	n := (h + l - 7*m + 90) / 25
	return NewDate(year, time.Month(n), (h+l-7*m+33*n+19)%32)
}

// HolidayRule is one holiday of a set.
type HolidayRule struct {
	Name string
	*Rule
}

// setText has the ready sets: "[name] Title", then a line "Name: rule" for each holiday, or "= other" for
// all of another set's.
//
//go:embed holidays.txt
var setText string

type holidaySet struct {
	title string
	rules []HolidayRule
}

var sets = sync.OnceValue(func() map[string]*holidaySet {
	all := make(map[string]*holidaySet)
	var set *holidaySet
	for line := range strings.Lines(setText) {
		line = strings.TrimSpace(line)
		switch {
		case line == "" || line[0] == '#':
		case line[0] == '[':
			name, title, _ := strings.Cut(line[1:], "] ")
			set = &holidaySet{title: title}
			all[name] = set
		case line[0] == '=':
			set.rules = append(set.rules, all[strings.TrimSpace(line[1:])].rules...)
		default:
			name, text, _ := strings.Cut(line, ": ")
			rule, err := ParseRule(text)
			if err != nil {
				panic("calendar: holidays.txt: " + line + ": " + err.Error())
			}
			set.rules = append(set.rules, HolidayRule{name, rule})
		}
	}
	return all
})

// HolidaySets returns the names of the ready sets of public holidays, sorted: "us", "ca", "ca-ns" and so on.
func HolidaySets() []string { return slices.Sorted(maps.Keys(sets())) }

// HolidaySetTitle says in words what a set is, "" if there is no such set.
func HolidaySetTitle(name string) string {
	if s := sets()[name]; s != nil {
		return s.title
	}
	return ""
}

// HolidaySet returns the rules of a ready set. They are the general holidays of the law (of employment, where
// there is one for it); customs and optional ones are left out. Laws change: check the preview
// ([Calendar.Closures]) once a year.
func HolidaySet(name string) (rules []HolidayRule, ok bool) {
	s := sets()[name]
	if s == nil {
		return nil, false
	}
	return slices.Clone(s.rules), true
}

// addHolidays reads the spec's holidays.
func (c *Calendar) addHolidays(list []Holidays) error {
	if len(list) > maxHolidays {
		return fmt.Errorf("holidays: there are %d; at most %d are possible", len(list), maxHolidays)
	}
	for i, h := range list {
		at := fmt.Sprintf("holidays[%d]", i)
		switch {
		case h.Set != "" && h.Rule != "":
			return fmt.Errorf("%s: it must be a set or a rule, not both", at)
		case h.Rule != "":
			rule, err := ParseRule(h.Rule)
			if err != nil {
				return fmt.Errorf("%s.rule: %w", at, err)
			}
			c.rules = append(c.rules, HolidayRule{h.Name, rule})
		default:
			rules, ok := HolidaySet(h.Set)
			if !ok {
				return fmt.Errorf("%s: there is no set %q; there are %s", at, excerpt(h.Set), strings.Join(HolidaySets(), ", "))
			}
			for j, name := range h.Without {
				n := len(rules)
				rules = slices.DeleteFunc(rules, func(r HolidayRule) bool { return r.Name == name })
				if len(rules) == n {
					return fmt.Errorf("%s.without[%d]: the set %s has no holiday called %q", at, j, h.Set, excerpt(name))
				}
			}
			c.rules = append(c.rules, rules...)
		}
	}
	return nil
}

// special returns what is not as its weekday says, from some day before the instant from to some day after
// the instant to.
func (c *Calendar) special(from, to int64) map[Date]exception {
	if len(c.rules) == 0 {
		return c.dates
	}
	all := make(map[Date]exception)
	for year := instant(from).Year() - 1; year <= instant(to).Year()+1; year++ {
		for _, r := range c.rules {
			for _, h := range r.In(year) {
				all[h.Date] = exception{name: r.Name}
			}
		}
	}
	maps.Copy(all, c.dates)
	return all
}

// Closure is a date on which the shop doesn't keep its weekday's hours.
type Closure struct {
	Date Date
	// Name is what it is called, "" if the spec doesn't say.
	Name string
	// Hours are those kept instead, none if closed.
	Hours []string
}

// Closures returns the dates from a up to, but not with, b on which holidays and exceptions change the hours,
// in order. A holiday on a weekday that is closed anyway is not among them.
func (c *Calendar) Closures(a, b Date) []Closure {
	var list []Closure
	a, b = max(a, firstDate), min(b, endDate)
	if a >= b {
		return nil
	}
	for d, e := range c.special(int64(a)*daySeconds, int64(b)*daySeconds) {
		if d >= a && d < b && !slices.Equal(e.hours, c.week[d.Weekday()]) {
			list = append(list, Closure{d, e.name, e.hours.texts()})
		}
	}
	slices.SortFunc(list, func(a, b Closure) int { return int(a.Date - b.Date) })
	return list
}
