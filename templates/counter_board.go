package templates

import (
	"fmt"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// CounterSignIn is the page on which staff sign in.
type CounterSignIn struct {
	Page
	Form *Form
}

// Template implements [View].
func (*CounterSignIn) Template() string { return "counter/sign-in.html" }

// CounterBoard lists jobs in the order of their promise, or what a search found.
type CounterBoard struct {
	Page
	Heading string
	// Stages are the ways to narrow the list, with their counts.
	Stages []StageFilter
	Groups []BoardGroup
	// Query is what was searched for; Searched says that the list is its answer.
	Query    string
	Searched bool
	Ended    bool
	// More leads to the rest of the list, "" at its end.
	More string
	// Found counts the rows shown.
	Found int
}

// Template implements [View].
func (*CounterBoard) Template() string { return "counter/board.html" }

// StageFilter is a way to narrow the board.
type StageFilter struct {
	Words string
	Count int
	URL   string
	Here  bool
}

// BoardGroup is the part of the board that is equally pressing.
type BoardGroup struct {
	// Name is for the style sheet: "over", "today", "later", "stopped", "open", "ended", "found".
	Name, Heading string
	Rows          []BoardRow
}

// BoardRow is one job on the board.
type BoardRow struct {
	Number, URL    string
	Device, Person string
	Stage          workflow.Stage
	StageWords     string
	// Promise says in words how the job stands to its promise; Machine is the due instant in RFC 3339, ""
	// if there is none.
	Promise, Machine string
	// Flags are what else is pressing, in words.
	Flags []BoardFlag
}

// BoardFlag is something about a job that staff should see at once.
type BoardFlag struct {
	// Kind is for the style sheet: "question", "mail", "hold", "wait".
	Kind, Words string
}

// clockOf measures against the shop's calendar and puts it into words.
type clockOf struct {
	shop *workflow.Shop
	now  time.Time
	w    *locale.Words
	loc  *time.Location
}

func newClock(shop *workflow.Shop, now time.Time) clockOf {
	return clockOf{shop, now, locale.For("en"), zoneOf(shop)}
}

// worked gives the open time between two instants.
func (k clockOf) worked(from, to time.Time) time.Duration { return k.shop.Calendar.Worked(from, to) }

// span says a length of working time: minutes below one hour, then hours.
func span(d time.Duration) string {
	if d < time.Hour {
		if n := int(d / time.Minute); n != 1 {
			return fmt.Sprintf("%d working minutes", n)
		}
		return "1 working minute"
	}
	if n := int(d / time.Hour); n != 1 {
		return fmt.Sprintf("%d working hours", n)
	}
	return "1 working hour"
}

// manyHours is where hours stop telling anybody anything and a date is said instead.
const manyHours = 40 * time.Hour

// day gives a date as one says it: "today", "Thu 3 December".
func (k clockOf) day(t time.Time) string { return k.w.On(t, k.now, k.loc) }

// at gives date and time of day: "today 17:00".
func (k clockOf) at(t time.Time) string { return k.day(t) + " " + k.w.Clock(t, k.loc) }

// promise says how a due instant stands to now, and which group of the board that is.
func (k clockOf) promise(due time.Time, breached bool) (group, words string) {
	switch {
	case due.IsZero() && breached:
		return "over", "date missed; the clock stands still"
	case due.IsZero():
		return "stopped", "the clock stands still"
	case breached || k.now.After(due):
		over := k.worked(due, k.now)
		if over >= manyHours {
			return "over", "over since " + k.day(due)
		}
		return "over", span(over) + " over"
	case k.day(due) == k.w.T("date.today"):
		return "today", "due " + k.at(due)
	}
	return "later", "due " + k.at(due)
}

// BoardRowOf makes a row of the board. The job itself is wanted only for a row that waits for the
// counter, to say what for; it may be nil.
func BoardRowOf(r workflow.Row, j *workflow.Job, shop *workflow.Shop, now time.Time) (group string, row BoardRow) {
	k := newClock(shop, now)
	row = BoardRow{
		Number: r.Job.Shown(), URL: "/counter/job/" + string(r.Job), Device: r.Title, Person: r.Person,
		Stage: r.Stage, StageWords: stageWords[r.Stage],
	}
	if row.Person == "" {
		row.Person = "person erased"
	}
	if r.Ended {
		row.Promise = "ended " + k.day(r.ChangedAt)
		if r.Breached {
			row.Promise += ", after the promised date"
		}
		return "ended", row
	}
	switch {
	case r.Stage == workflow.StageBooked:
		group, row.Promise = "open", "not here yet"
	default:
		group, row.Promise = k.promise(r.DueAt, r.Breached)
	}
	if !r.DueAt.IsZero() {
		row.Machine = r.DueAt.UTC().Format(time.RFC3339)
	}
	asked := false // then the ball is with the bench
	if r.Waiting && j != nil {
		if asked = j.OpenQuestion() != nil; asked {
			row.Flags = append(row.Flags, BoardFlag{"question", "question to answer"})
		}
		if len(j.Undelivered()) > 0 {
			row.Flags = append(row.Flags, BoardFlag{"mail", "mail came back: telephone"})
		}
	}
	row.Flags = append(row.Flags, k.promiseFlags(j)...)
	if r.OnHold != "" {
		row.Flags = append(row.Flags, BoardFlag{"hold", "on hold for " + holdWords[r.OnHold]})
	}
	if r.Stage == workflow.StageAwaitingApproval && !asked {
		row.Flags = append(row.Flags, BoardFlag{"wait", "waiting for the customer"})
	}
	return group, row
}

// boardGroups are the parts of the board, the most pressing first.
var boardGroups = []BoardGroup{
	{Name: "over", Heading: "Over the promise"},
	{Name: "today", Heading: "Due today"},
	{Name: "later", Heading: "Due later"},
	{Name: "stopped", Heading: "The clock stands still"},
	{Name: "open", Heading: "Not here yet"},
	{Name: "ended", Heading: "Ended, newest first"},
	{Name: "found", Heading: "Found"},
}

// Group puts a row into its part of the board; within a part rows keep the order in which they come.
func (b *CounterBoard) Group(name string, row BoardRow) {
	b.Found++
	for i := range b.Groups {
		if b.Groups[i].Name == name {
			b.Groups[i].Rows = append(b.Groups[i].Rows, row)
			return
		}
	}
	rank := func(name string) int {
		for i, g := range boardGroups {
			if g.Name == name {
				return i
			}
		}
		return len(boardGroups)
	}
	g := BoardGroup{Name: name, Rows: []BoardRow{row}}
	if r := rank(name); r < len(boardGroups) {
		g.Heading = boardGroups[r].Heading
	}
	at := len(b.Groups)
	for i := range b.Groups {
		if rank(b.Groups[i].Name) > rank(name) {
			at = i
			break
		}
	}
	b.Groups = append(b.Groups[:at:at], append([]BoardGroup{g}, b.Groups[at:]...)...)
}
