package counter

import (
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
)

func (x *counter) showSignIn(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	if x.s.Staff(c) != nil {
		return x.s.Back(c, "/counter")
	}
	f := &templates.Form{Act: "/counter/sign-in", Values: url.Values{}}
	return x.s.Render(c, fiber.StatusOK, &templates.CounterSignIn{Page: x.s.Page(c, "Sign in"), Form: f})
}

func (x *counter) postSignIn(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	values, err := x.read(c)
	if err != nil {
		return err
	}
	if _, err := x.s.SignIn(c, values.Get("login"), values.Get("password")); err != nil {
		if !errors.Is(err, workflow.ErrForbidden) {
			return err
		}
		f := &templates.Form{Act: "/counter/sign-in", Values: url.Values{"login": values["login"]}}
		f.Add("login", portal.Sentence(err))
		return x.s.Render(c, portal.Status(err), &templates.CounterSignIn{Page: x.s.Page(c, "Sign in"), Form: f})
	}
	return x.s.Back(c, "/counter")
}

func (x *counter) postSignOut(c *fiber.Ctx) error {
	if err := x.s.SignOut(c); err != nil {
		return err
	}
	return x.s.Back(c, "/counter/sign-in")
}

// boardPage is how many jobs stand on one page of the board.
const boardPage = 100

func (x *counter) showBoard(c *fiber.Ctx) error {
	ctx, shop, store := c.UserContext(), x.s.Shop(), x.s.Service().Store
	now := x.s.Now()
	stage := workflow.Stage(c.Query("stage"))
	ended := c.Query("ended") == "yes"
	counts, err := store.Counts(ctx, shop.ID)
	if err != nil {
		return err
	}
	v := &templates.CounterBoard{Page: x.s.Page(c, "The bench"), Ended: ended}
	running, over := 0, 0
	known := false
	for _, s := range workflow.Stages {
		if s == workflow.StageShipped || s == workflow.StageWithdrawn {
			over += counts[s]
			continue
		}
		running += counts[s]
		here := !ended && s == stage
		known = known || here
		v.Stages = append(v.Stages, templates.StageFilter{Words: templates.StageWords(s), Count: counts[s], URL: "/counter?stage=" + string(s), Here: here})
	}
	if !known {
		stage = ""
	}
	v.Stages = append([]templates.StageFilter{{Words: "All", Count: running, URL: "/counter", Here: !ended && stage == ""}}, v.Stages...)
	v.Stages = append(v.Stages, templates.StageFilter{Words: "Ended", Count: over, URL: "/counter?ended=yes", Here: ended})
	f := workflow.BoardFilter{Stage: stage, Ended: ended, Limit: boardPage + 1}
	if s := c.Query("after"); s != "" {
		if f.After, err = readPlace(s); err != nil {
			return err
		}
	}
	rows, err := store.Board(ctx, shop.ID, f)
	if err != nil {
		return err
	}
	if len(rows) > boardPage {
		rows = rows[:boardPage]
		q := url.Values{"after": {writePlace(rows[boardPage-1])}}
		if stage != "" {
			q.Set("stage", string(stage))
		}
		if ended {
			q.Set("ended", "yes")
		}
		v.More = "/counter?" + q.Encode()
	}
	switch {
	case ended:
		v.Heading = "Jobs that have ended"
	case stage != "":
		v.Heading = templates.StageWords(stage)
	default:
		v.Heading = "On the bench, by promise"
	}
	v.Title = v.Heading
	if err := x.rows(c, v, rows, now, ""); err != nil {
		return err
	}
	return x.s.Render(c, fiber.StatusOK, v)
}

// rows puts rows onto the board, all into one group if it is named.
func (x *counter) rows(c *fiber.Ctx, v *templates.CounterBoard, rows []workflow.Row, now time.Time, into string) error {
	for _, r := range rows {
		var j *workflow.Job
		if r.Waiting {
			var err error
			if j, err = x.s.Service().Job(c.UserContext(), r.Job); err != nil {
				return err
			}
		}
		group, row := templates.BoardRowOf(r, j, x.s.Shop(), now)
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
	v := &templates.CounterBoard{Page: x.s.Page(c, "Search"), Heading: "Search", Query: q, Searched: true}
	if q == "" {
		return x.s.Render(c, fiber.StatusOK, v)
	}
	// A job number as people read it out leads straight to the job.
	if n, err := workflow.ParseJobNumber(q); err == nil {
		if _, err := x.s.Service().Store.Version(c.UserContext(), x.s.Shop().ID, n); err == nil {
			return x.s.Back(c, "/counter/job/"+string(n))
		}
	}
	rows, err := x.s.Service().Store.Search(c.UserContext(), x.s.Shop().ID, q, searchLimit)
	if err != nil {
		return err
	}
	if err := x.rows(c, v, rows, x.s.Now(), "found"); err != nil {
		return err
	}
	return x.s.Render(c, fiber.StatusOK, v)
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

func (x *counter) newPage(c *fiber.Ctx, f *templates.Form) *templates.CounterNew {
	v := &templates.CounterNew{Page: x.s.Page(c, "New job"), Form: f, Languages: templates.LanguageChoices(x.s.Shop()), Currency: string(x.s.Shop().Currency)}
	v.Levels, v.ByDate = templates.LevelPicks(x.s.Shop())
	if fee := x.s.Shop().Fee; fee != nil && fee.Minor > 0 {
		v.Fee = v.Words().Money(*fee)
	}
	return v
}

func (x *counter) showNew(c *fiber.Ctx) error {
	f := x.form(c, "/counter/new")
	f.Values.Set("how", "here")
	f.Values.Set("language", x.s.Shop().Languages[0])
	if levels := x.s.Shop().Levels; len(levels) > 0 {
		f.Values.Set("level", levels[0].Key)
	}
	if n, err := workflow.ParseJobNumber(c.Query("follows")); err == nil {
		// Back under warranty: who and what are known.
		j, err := x.s.Service().Job(c.UserContext(), n)
		if err != nil {
			return err
		}
		for name, s := range map[string]string{
			"follows": n.Shown(), "name": j.Customer.Name.Text, "email": j.Customer.Email.Text, "phone": j.Customer.Phone.Text,
			"address": j.Customer.Address.Text, "language": j.Customer.Language, "kind": j.Device.Kind, "maker": j.Device.Maker, "model": j.Device.Model,
		} {
			f.Values.Set(name, s)
		}
	}
	return x.s.Render(c, fiber.StatusOK, x.newPage(c, f))
}

func (x *counter) postNew(c *fiber.Ctx) error {
	values, err := x.read(c)
	if err != nil {
		return err
	}
	f := x.form(c, "/counter/new")
	f.Values = values
	if o := values.Get("once"); o != "" && len(o) <= 64 {
		f.Once = o
	}
	v := func(name string) string { return values.Get(name) }
	cmd := workflow.Book{
		Person: workflow.Person{Name: v("name"), Email: v("email"), Phone: v("phone"), Address: v("address"), Language: v("language")},
		Kind:   v("kind"), Maker: v("maker"), Model: v("model"), Fault: v("fault"), Limit: x.amount(v("limit")), Inbound: v("inbound"),
		WalkIn: v("how") == "here", Level: v("level"),
	}
	if s := strings.TrimSpace(v("level_by")); s != "" {
		day, err := calendar.ParseDate(s)
		if err != nil {
			f.Add("level_by", "The date can't be read; write it like 2026-12-24.")
			return x.s.Render(c, fiber.StatusUnprocessableEntity, x.newPage(c, f))
		}
		cmd.LevelBy = closing(x.s.Shop(), day)
	}
	if s := strings.TrimSpace(v("follows")); s != "" {
		n, err := workflow.ParseJobNumber(s)
		if err == nil {
			_, err = x.s.Service().Store.Version(c.UserContext(), x.s.Shop().ID, n)
		}
		if err != nil {
			f.Add("follows", fmt.Sprintf("There is no job %s. Check the number, or leave the field empty.", s))
			return x.s.Render(c, fiber.StatusUnprocessableEntity, x.newPage(c, f))
		}
		cmd.Follows = n
	}
	j, err := x.s.Service().Do(c.UserContext(), workflow.Order{
		By: x.s.Actor(c), Commands: []workflow.Command{cmd}, Once: x.once(c, f, nil, ""),
		Result: func(j *workflow.Job) []byte { return []byte(j.Number) },
	})
	var done *workflow.AlreadyDone
	var number workflow.JobNumber
	switch {
	case errors.As(err, &done):
		number = workflow.JobNumber(done.Once.Result)
	case err != nil && shown(err):
		f.Add(portal.FieldOf(err), portal.Sentence(err))
		return x.s.Render(c, portal.Status(err), x.newPage(c, f))
	case err != nil:
		return err
	default:
		number = j.Number
	}
	x.s.Flash(c, "The job is "+number.Shown()+". Write the number on the parcel or the device.")
	to := "/counter/job/" + string(number)
	if v("how") == "here" {
		to += "/intake"
	}
	return x.s.Back(c, to)
}

// amount reads what people type for money: spaces and a decimal comma are theirs, and a whole sum needs
// no decimals. What can't be read is left to the domain to refuse.
func (x *counter) amount(s string) string {
	s = plainNumber(s)
	if d, err := money.ParseDecimal(s); err == nil {
		if a, err := money.Exact(d, x.s.Shop().Currency); err == nil {
			return a.Plain()
		}
	}
	return s
}

// plainNumber drops spaces and turns a single decimal comma into a point.
func plainNumber(s string) string {
	s = strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "").Replace(strings.TrimSpace(s))
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	return s
}
