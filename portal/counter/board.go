package counter

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// boardPage lists jobs in the order of their promise, or what a search found.
type boardPage struct {
	templates.Page
	Heading string
	// Stages are the ways to narrow the list, with their counts.
	Stages []stageFilter
	Groups []boardGroup
	// Query is what was searched for; Searched says that the list is its answer.
	Query    string
	Searched bool
	Ended    bool
	// More leads to the rest of the list, "" at its end.
	More string
	// Found counts the rows shown.
	Found int
	// Warnings are of the server, see [portal.Server.Warnings].
	Warnings []string
}

func (*boardPage) Template() string { return "board.html" }

// stageFilter is a way to narrow the board.
type stageFilter struct {
	Words string
	Count int
	URL   string
	Here  bool
}

// boardGroup is the part of the board that is equally pressing.
type boardGroup struct {
	// Name is for the style sheet: "over", "today", "later", "stopped", "open", "ended", "found".
	Name, Heading string
	Rows          []boardRow
}

// boardRow is one job on the board.
type boardRow struct {
	Number, URL    string
	Device, Person string
	Stage          workflow.Stage
	StageWords     string
	// Promise says in words how the job stands to its promise; Machine is the due instant in RFC 3339, ""
	// if there is none.
	Promise, Machine string
	// Flags are what else is pressing, in words.
	Flags []boardFlag
}

// boardFlag is something about a job that staff should see at once.
type boardFlag struct {
	// Kind is for the style sheet: "question", "mail", "hold", "wait".
	Kind, Words string
}

// boardRowOf makes a row of the board. The job says how it stands; it may be nil for one that has ended, or has not
// begun.
func boardRowOf(r workflow.Row, j *workflow.Job, shop *workflow.Shop, now time.Time) (group string, row boardRow) {
	k := newClock(shop, now)
	row = boardRow{
		Number: r.Job.Shown(), URL: "/counter/job/" + string(r.Job), Device: r.Title, Person: r.Person,
		Stage: r.Stage, StageWords: stageWords[r.Stage],
	}
	if row.Person == "" {
		row.Person = "person erased"
	}
	switch {
	case r.Stage == workflow.StageUnconfirmed:
		row.Promise = "booked " + k.day(r.ChangedAt)
		return "open", row
	case r.Stage == workflow.StageUnarrived:
		if row.Promise = "should have been there by " + k.day(r.DueAt); j != nil && j.Unarrived() && j.Arrival != nil {
			row.Flags = append(row.Flags, boardFlag{"question", "the customer misses it"})
		}
		return "ended", row
	case r.Ended || j == nil:
		row.Promise = "ended " + k.day(r.ChangedAt)
		if r.Breached {
			row.Promise += ", after the promised date"
		}
		return "ended", row
	}
	at := j.Standing(shop, now)
	row.StageWords = placeWords(j, at)
	group, row.Promise = k.standing(j, at)
	if !at.Date.Due.IsZero() {
		row.Machine = at.Date.Due.UTC().Format(time.RFC3339)
	}
	asked := j.Unanswered() != nil // then the ball is with the bench
	if asked {
		row.Flags = append(row.Flags, boardFlag{"question", "question to answer"})
	}
	if len(j.Undelivered()) > 0 {
		row.Flags = append(row.Flags, boardFlag{"mail", "email came back: telephone"})
	}
	if j != nil && j.Untold() {
		words, _ := k.tellBy(j)
		row.Flags = append(row.Flags, boardFlag{"damage", "damaged in transit: carrier to be told, " + words})
	}
	row.Flags = append(row.Flags, k.promiseFlags(j)...)
	if at.Waiting != nil {
		row.Flags = append(row.Flags, boardFlag{"hold", "on hold for " + holdWords[at.Waiting.Reason]})
	}
	if words := needWords[at.Need.Kind]; words != "" && !asked {
		row.Flags = append(row.Flags, boardFlag{"wait", "waiting for the customer: " + words})
	}
	return group, row
}

// boardGroups are the parts of the board, the most pressing first.
var boardGroups = []boardGroup{
	{Name: "over", Heading: "Over the promise"},
	{Name: "today", Heading: "Due today"},
	{Name: "later", Heading: "Due later"},
	{Name: "stopped", Heading: "Waiting"},
	{Name: "open", Heading: "Not here yet"},
	{Name: "ended", Heading: "Ended, newest first"},
	{Name: "unarrived", Heading: "Ask the carrier, or the customer"},
	{Name: "found", Heading: "Found"},
}

// Group puts a row into its part of the board; within a part rows keep the order in which they come.
func (b *boardPage) Group(name string, row boardRow) {
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
	g := boardGroup{Name: name, Rows: []boardRow{row}}
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
	b.Groups = append(b.Groups[:at:at], append([]boardGroup{g}, b.Groups[at:]...)...)
}

// promiseFlags are the signs on the board of what is pressing about a promise.
func (k clockOf) promiseFlags(j *workflow.Job) []boardFlag {
	var out []boardFlag
	for _, t := range j.LateTargets() {
		out = append(out, boardFlag{"target", targetWords[t] + " is late"})
	}
	if p := j.Promise(); p != nil && p.BreachedAt.IsZero() && !j.Ended() {
		if p.Risk > 0 {
			out = append(out, boardFlag{"risk", "date will probably be missed"})
		}
		if p.Warned > 0 {
			out = append(out, boardFlag{"warned", fmt.Sprintf("%d %% of the time is used", p.Warned)})
		}
	}
	if j.Unexplained() {
		out = append(out, boardFlag{"delay", "say why it is late"})
	}
	return out
}

// boardSize is how many jobs stand on one page of the board.
const boardSize = 100

func (x *counter) showBoard(c *fiber.Ctx) error {
	ctx, svc := c.UserContext(), x.s.Service()
	now := x.s.Now()
	stage := workflow.Stage(c.Query("stage"))
	ended := c.Query("ended") == "yes"
	counts, err := svc.Counts(ctx)
	if err != nil {
		return err
	}
	v := &boardPage{Page: x.s.Page(c, "The bench"), Ended: ended}
	if v.Warnings, err = x.s.Warnings(ctx, v.Staff.Role); err != nil {
		return err
	}
	running, over := 0, counts[workflow.StageUnarrived]
	known := false
	for _, s := range workflow.Stages {
		if s == workflow.StageShipped || s == workflow.StageWithdrawn {
			over += counts[s]
			continue
		}
		running += counts[s]
		here := !ended && s == stage
		known = known || here
		v.Stages = append(v.Stages, stageFilter{Words: stageWords[s], Count: counts[s], URL: "/counter?stage=" + string(s), Here: here})
	}
	if stage == workflow.StageUnconfirmed && x.s.Shop().ConfirmBookings {
		known, ended = true, true
	}
	if known = known || stage == workflow.StageUnarrived; !known {
		stage = ""
	}
	v.Stages = append([]stageFilter{{Words: "All", Count: running, URL: "/counter", Here: !ended && stage == ""}}, v.Stages...)
	v.Stages = append(v.Stages, stageFilter{Words: "Ended", Count: over, URL: "/counter?ended=yes", Here: ended && stage == ""})
	if n := counts[workflow.StageUnarrived]; n > 0 || stage == workflow.StageUnarrived {
		v.Stages = append(v.Stages, stageFilter{Words: "Parcels that never came", Count: n, URL: "/counter?stage=" + string(workflow.StageUnarrived), Here: stage == workflow.StageUnarrived})
	}
	if x.s.Shop().ConfirmBookings {
		v.Stages = append(v.Stages, stageFilter{Words: locale.Capital(stageWords[workflow.StageUnconfirmed]), Count: counts[workflow.StageUnconfirmed], URL: "/counter?stage=" + string(workflow.StageUnconfirmed), Here: stage == workflow.StageUnconfirmed})
	}
	missed := stage == workflow.StageUnarrived
	f := workflow.BoardFilter{Stage: stage, Ended: ended, Limit: boardSize + 1}
	if s := c.Query("after"); s != "" {
		if f.After, err = readPlace(s); err != nil {
			return err
		}
	}
	rows, err := svc.Board(ctx, f)
	if err != nil {
		return err
	}
	if len(rows) > boardSize {
		rows = rows[:boardSize]
		q := url.Values{"after": {writePlace(rows[boardSize-1])}}
		if stage != "" {
			q.Set("stage", string(stage))
		}
		if ended {
			q.Set("ended", "yes")
		}
		v.More = "/counter?" + q.Encode()
	}
	if stage == "" { // those that wait for their address are listed where they are asked for
		rows = slices.DeleteFunc(rows, func(r workflow.Row) bool { return r.Stage == workflow.StageUnconfirmed })
	}
	switch {
	case stage == workflow.StageUnconfirmed:
		v.Heading = "Booked on the web, address not confirmed"
	case missed:
		v.Heading = "Parcels that should have arrived, the oldest first"
		slices.SortStableFunc(rows, func(a, b workflow.Row) int { return a.DueAt.Compare(b.DueAt) })
	case ended:
		v.Heading = "Jobs that have ended"
	case stage != "":
		v.Heading = stageWords[stage]
	default:
		v.Heading = "On the bench, by promise"
	}
	v.Title = v.Heading
	into := ""
	if missed {
		into = "unarrived"
	}
	if err := x.rows(c, v, rows, now, into); err != nil {
		return err
	}
	return x.render(c, fiber.StatusOK, v)
}

// rows puts rows onto the board, all into one group if it is named.
func (x *counter) rows(c *fiber.Ctx, v *boardPage, rows []workflow.Row, now time.Time, into string) error {
	for _, r := range rows {
		var j *workflow.Job
		if !r.Ended && r.Stage != workflow.StageUnconfirmed || r.Stage == workflow.StageUnarrived && r.Waiting {
			var err error
			if j, err = x.s.Service().Job(c.UserContext(), r.Job); err != nil {
				return err
			}
		}
		group, row := boardRowOf(r, j, x.s.Shop(), now)
		if into != "" {
			group = into
		}
		v.Group(group, row)
	}
	return nil
}

const searchLimit = 50

// maxQuery bounds what is searched for, in bytes.
const maxQuery = 200

func (x *counter) showSearch(c *fiber.Ctx) error {
	q := strings.TrimSpace(strings.ToValidUTF8(c.Query("q"), ""))
	if len(q) > maxQuery {
		q = strings.ToValidUTF8(q[:maxQuery], "")
	}
	v := &boardPage{Page: x.s.Page(c, "Search"), Heading: "Search", Query: q, Searched: true}
	if q == "" {
		return x.render(c, fiber.StatusOK, v)
	}
	// A job number as people read it out leads straight to the job.
	if n, err := workflow.ParseJobNumber(q); err == nil {
		if _, err := x.s.Service().Version(c.UserContext(), n); err == nil {
			return x.s.Back(c, "/counter/job/"+string(n))
		}
	}
	rows, err := x.s.Service().Search(c.UserContext(), q, searchLimit)
	if err != nil {
		return err
	}
	if err := x.rows(c, v, rows, x.s.Now(), "found"); err != nil {
		return err
	}
	return x.render(c, fiber.StatusOK, v)
}

// A place on the board is what it is sorted by, so that a page goes on where the last one ended although
// jobs come and go.
func writePlace(r workflow.Row) string {
	ms := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return strconv.FormatInt(t.UnixMilli(), 36)
	}
	return strings.Join([]string{string(r.Job), ms(r.DueAt), ms(r.ChangedAt), strconv.FormatBool(r.Breached)}, ".")
}

func readPlace(s string) (*workflow.Row, error) {
	bad := &workflow.Error{Code: workflow.CodeInvalid, Message: "This address is not complete. Start from the board again."}
	p := strings.Split(s, ".")
	if len(p) != 4 {
		return nil, bad
	}
	r := &workflow.Row{Job: workflow.JobNumber(p[0])}
	at := func(s string) (time.Time, bool) {
		if s == "" {
			return time.Time{}, true
		}
		n, err := strconv.ParseInt(s, 36, 64)
		if err != nil || n < 0 || n > 1e14 {
			return time.Time{}, false
		}
		return time.UnixMilli(n).UTC(), true
	}
	var ok1, ok2 bool
	r.DueAt, ok1 = at(p[1])
	r.ChangedAt, ok2 = at(p[2])
	breached, err := strconv.ParseBool(p[3])
	r.Breached = breached
	if !ok1 || !ok2 || err != nil || !r.Job.Valid() {
		return nil, bad
	}
	return r, nil
}
