package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
)

const clockUsage = `usage: benchword clock < questions.jsonl > answers.jsonl

Answers the arithmetic of promises on a shop's clock. Reads one JSON object a line and answers each with
one line; a line that can't be read gets {"error":"…"} in its place. An example:

  {"calendar":{"time_zone":"America/Halifax","hours":{"mon":["09:00-12:30","13:00-17:00"],"tue":["09:00-17:00"]},"closed":["2026-12-25",{"date":"2026-12-24","hours":["09:00-12:00"]}]},"promise":{"working_hours":40},"starts":"2026-11-02T10:15:00-04:00","paused":[{"from":"2026-11-03T09:00:00-04:00","to":"2026-11-03T11:30:00-04:00","for":"customer"}],"ended":null,"now":"2026-11-09T12:00:00-04:00"}

promise is {"working_hours":40} (or 7.5, or "7:30"), {"working_days":10} or {"by":"…"}. A pause is for
customer, payment, insurer or documents (all put down to the customer, as is one that doesn't say), parts or
carrier. One for work_outside or watching is the bench's own time, and stops nothing. With "to" null it is
running, and reaches to now, or to the end if the job has ended. paused and ended may be left out, and so
may now if ended is there. Instants are written like 2026-11-02T10:15:00-04:00, in the years 1970
to 2199.

A working day is a date with open time. A shift over midnight is written 18:00-24:00 and 00:00-02:00 on the
next day, and is two working days: one working day from a Friday's shift is used up that night, at 02:00.

The answer, in UTC and whole seconds:

  due                the instant at which the quota is used up; while a pause is running, as it stands now;
                     null if the calendar never has that much open time
  elapsed_seconds    open time from the start to the end (or now), without pauses
  remaining_seconds  what is left of the quota, never below 0; null if there aren't that many working days
  breached           whether the end (or now) is after due
  state              not_started, running, paused, kept or breached
  paused_seconds     open time that pauses covered
  overdue_seconds    open time from due to the end (or now), 0 if it isn't breached
  accounts           who had the open time: elapsed_seconds and paused_seconds, split
`

// runClock answers the sub-command clock.
func runClock(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) error {
	flags := flag.NewFlagSet("clock", flag.ContinueOnError)
	flags.SetOutput(errOut)
	flags.Usage = func() { _, _ = io.WriteString(errOut, clockUsage) }
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return nil
	} else if err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("benchword clock takes no arguments, it reads standard input; %q is one too many", flags.Arg(0))
	}
	var c clock
	return answerLines(ctx, in, out, c.line)
}

// clock keeps the calendars of the latest lines: most inputs have few, and making one costs a thousand
// times as much as asking it.
type clock struct {
	calendars map[string]knownCalendar // by their JSON
}

type knownCalendar struct {
	*calendar.Calendar
	err error
}

const (
	maxKnownCalendars = 32
	maxKnownText      = 64 << 10
)

// calendar reads a calendar, or finds it.
func (c *clock) calendar(text []byte) (*calendar.Calendar, error) {
	if known, ok := c.calendars[string(text)]; ok {
		return known.Calendar, known.err
	}
	var spec calendar.Spec
	var known knownCalendar
	if known.err = spec.UnmarshalJSON(text); known.err == nil {
		known.Calendar, known.err = calendar.New(spec)
	}
	if known.err != nil {
		known.err = fmt.Errorf("calendar: %w", known.err)
	}
	if c.calendars == nil || len(c.calendars) >= maxKnownCalendars {
		c.calendars = make(map[string]knownCalendar)
	}
	if len(text) <= maxKnownText {
		c.calendars[string(text)] = known
	}
	return known.Calendar, known.err
}

// clockQuestion is what a line asks.
type clockQuestion struct {
	promiseclock.Turnaround
	ended, now time.Time
}

// clockAnswer is what it gets.
type clockAnswer struct {
	Due       *string       `json:"due"`
	Elapsed   int64         `json:"elapsed_seconds"`
	Remaining *int64        `json:"remaining_seconds"`
	Breached  bool          `json:"breached"`
	State     string        `json:"state"`
	Paused    int64         `json:"paused_seconds"`
	Overdue   int64         `json:"overdue_seconds"`
	Accounts  clockAccounts `json:"accounts"`
}

type clockAccounts struct {
	Bench    int64 `json:"bench"`
	Customer int64 `json:"customer"`
	Parts    int64 `json:"parts"`
	Carrier  int64 `json:"carrier"`
}

func (c *clock) line(line []byte) (any, error) {
	if !json.Valid(line) {
		return nil, fmt.Errorf("the line is not one JSON object")
	}
	q, err := c.question(line)
	if err != nil {
		return nil, err
	}
	return q.answer(), nil
}

func (c *clock) question(line []byte) (*clockQuestion, error) {
	q := new(clockQuestion)
	var err error
	seen, err := eachMember(line, "", func(name string, value []byte) error {
		switch name {
		case "calendar":
			q.Calendar, err = c.calendar(value)
		case "promise":
			q.Quota, err = readQuota(value)
		case "starts":
			err = readInstant(value, name, &q.Start)
		case "paused":
			q.Pauses, err = readPauses(value)
		case "ended":
			err = readOptional(value, name, &q.ended)
		case "now":
			err = readOptional(value, name, &q.now)
		default:
			return unknownField(name, "calendar, promise, starts, paused, ended, now")
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, name := range []string{"calendar", "promise", "starts"} {
		if !slices.Contains(seen, name) {
			return nil, fmt.Errorf("%s: it is missing", name)
		}
	}
	if q.ended.IsZero() && q.now.IsZero() {
		return nil, fmt.Errorf("now: it is missing; the clock needs the instant to answer for, unless the job has ended")
	}
	return q, nil
}

func (q *clockQuestion) answer() *clockAnswer {
	at := q.ended
	if at.IsZero() {
		at = q.now
	}
	accounts := q.Turnaround.Accounts(at)
	seconds := func(d time.Duration) int64 { return int64(d / time.Second) }
	a := &clockAnswer{
		Elapsed: seconds(accounts.Bench),
		Paused:  seconds(accounts.Paused()),
		Accounts: clockAccounts{
			Bench: seconds(accounts.Bench), Customer: seconds(accounts.Customer), Parts: seconds(accounts.Parts), Carrier: seconds(accounts.Carrier),
		},
	}
	if total, ok := q.Total(); ok {
		left := seconds(max(total-accounts.Bench, 0))
		a.Remaining = &left
	}
	if due, ok := q.DueAt(at); ok {
		text := due.Format(time.RFC3339)
		a.Due = &text
		if _, a.Breached = q.Turnaround.Breached(at); a.Breached {
			a.Overdue = seconds(q.Calendar.Worked(due, at))
		}
	}
	switch {
	case a.Breached:
		a.State = "breached"
	case !q.ended.IsZero():
		a.State = "kept"
	case at.Unix() < q.Start.Unix():
		a.State = "not_started"
	default:
		a.State = "running"
		for i := range q.Pauses {
			if p := &q.Pauses[i]; p.From.Unix() <= at.Unix() && (p.To.IsZero() || at.Unix() < p.To.Unix()) {
				a.State = "paused"
			}
		}
	}
	return a
}

func readQuota(b []byte) (q promiseclock.Quota, err error) {
	n := 0
	if _, err = eachMember(b, "promise", func(name string, value []byte) error {
		at := "promise." + name
		if string(value) == "null" && slices.Contains([]string{"working_hours", "working_days", "by"}, name) {
			return nil
		}
		n++
		switch name {
		case "working_hours":
			if err := q.WorkingHours.UnmarshalJSON(value); err != nil {
				return fmt.Errorf("%s: %w", at, err)
			}
		case "working_days":
			if json.Unmarshal(value, &q.WorkingDays) != nil {
				return fmt.Errorf("%s: it must be a whole number", at)
			}
		case "by":
			return readInstant(value, at, &q.By)
		default:
			return unknownField(at, "working_hours, working_days, by")
		}
		return nil
	}); err != nil {
		return q, err
	}
	if n > 1 {
		return q, fmt.Errorf("promise: it must be one of working_hours, working_days and by, not several")
	}
	if err := q.Check(); err != nil {
		return q, fmt.Errorf("promise: %w", err)
	}
	return q, nil
}

func readPauses(b []byte) ([]promiseclock.Pause, error) {
	if string(b) == "null" {
		return nil, nil
	}
	if b[0] != '[' {
		return nil, fmt.Errorf("paused: it must be a list")
	}
	var raw []json.RawMessage
	if err := json.Unmarshal(b, &raw); err != nil {
		return nil, fmt.Errorf("paused: %w", err)
	}
	pauses := make([]promiseclock.Pause, len(raw))
	for i, b := range raw {
		at := fmt.Sprintf("paused[%d]", i)
		p := &pauses[i]
		p.For = promiseclock.AccountCustomer
		seen, err := eachMember(b, at, func(name string, value []byte) error {
			switch name {
			case "from":
				return readInstantAnyYear(value, at+".from", &p.From)
			case "to":
				if string(value) == "null" {
					return nil
				}
				return readInstantAnyYear(value, at+".to", &p.To)
			case "for":
				var who string
				_ = json.Unmarshal(value, &who)
				if !slices.Contains(workflow.HoldReasons, workflow.HoldReason(who)) {
					return fmt.Errorf("%s.for: it must be one of %s", at, pauseNames())
				}
				p.For = workflow.HoldReason(who).Account()
				return nil
			}
			return unknownField(at+"."+name, "from, to, for")
		})
		if err != nil {
			return nil, err
		}
		if !slices.Contains(seen, "from") {
			return nil, fmt.Errorf("%s.from: it is missing", at)
		}
		if !p.To.IsZero() && p.To.Before(p.From) {
			return nil, fmt.Errorf("%s: it ends before it begins", at)
		}
	}
	// What is the bench's own time stops nothing.
	return slices.DeleteFunc(pauses, func(p promiseclock.Pause) bool { return !p.For.Pauses() }), nil
}

// pauseNames lists who or what a pause can be for.
func pauseNames() string {
	var names []string
	for _, r := range workflow.HoldReasons {
		names = append(names, string(r))
	}
	return strings.Join(names, ", ")
}

func readInstantAnyYear(b []byte, at string, t *time.Time) error {
	if b[0] == '"' && len(b) < 64 && t.UnmarshalText(b[1:len(b)-1]) == nil && !t.IsZero() {
		return nil
	}
	return fmt.Errorf("%s: it must be an instant with its offset, like \"2026-11-02T10:15:00-04:00\"", at)
}

// readInstant reads an instant that the calendar reaches.
func readInstant(b []byte, at string, t *time.Time) error {
	if err := readInstantAnyYear(b, at, t); err != nil {
		return err
	}
	if y := t.UTC().Year(); y < 1970 || y > 2199 {
		return fmt.Errorf("%s: calendars reach from 1970 to 2199", at)
	}
	return nil
}

func readOptional(b []byte, at string, t *time.Time) error {
	if string(b) == "null" {
		return nil
	}
	return readInstant(b, at, t)
}

func unknownField(at, known string) error {
	if len(at) > 60 {
		at = strings.ToValidUTF8(at[:60], "") + "…"
	}
	return fmt.Errorf("%s: it is not known; known are %s", at, known)
}

// eachMember calls member for each member of an object in valid JSON, and returns the names, of which each
// may be there once.
func eachMember(b []byte, at string, member func(name string, value []byte) error) (seen []string, err error) {
	b = bytes.TrimSpace(b)
	if b[0] != '{' {
		if at == "" {
			return nil, fmt.Errorf("the line is not one JSON object")
		}
		return nil, fmt.Errorf("%s: it must be an object in braces", at)
	}
	seen = make([]string, 0, 8)
	for b = space(b[1:]); b[0] != '}'; {
		n := valueLength(b)
		var name string
		if quoted := b[:n]; bytes.IndexByte(quoted, '\\') < 0 {
			name = string(quoted[1 : n-1])
		} else if err := json.Unmarshal(quoted, &name); err != nil {
			return nil, err
		}
		if slices.Contains(seen, name) {
			return nil, fmt.Errorf("%s: it is there twice", strings.TrimPrefix(at+"."+name, "."))
		}
		seen = append(seen, name)
		b = space(space(b[n:])[1:]) // the colon
		n = valueLength(b)
		if err := member(name, b[:n]); err != nil {
			return nil, err
		}
		if b = space(b[n:]); b[0] == ',' {
			b = space(b[1:])
		}
	}
	return seen, nil
}

// space drops what JSON calls white space from the front.
func space(b []byte) []byte { return bytes.TrimLeft(b, " \t\r\n") }

// valueLength returns the length of the value that b, valid JSON, begins with.
func valueLength(b []byte) int {
	depth := 0
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case '"':
			for i++; b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			if depth == 0 {
				return i + 1
			}
		case '{', '[':
			depth++
		case '}', ']':
			if depth--; depth == 0 {
				return i + 1
			}
			if depth < 0 {
				return i
			}
		case ',', ' ', '\t', '\r', '\n':
			if depth == 0 {
				return i
			}
		}
	}
	return len(b)
}
