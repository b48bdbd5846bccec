package counter

import (
	"errors"
	"fmt"
	"strings"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"

	"github.com/gofiber/fiber/v2"
)

// newPage is the form for a device handed in, or told of by telephone.
type newPage struct {
	templates.Page
	Form      *form
	Languages []choice
	Currency  string
	// Levels are the levels of service, ByDate says that one has a date to agree.
	Levels []choice
	ByDate bool
	// Fee is the diagnostic fee, which the customer must know of beforehand; "" for none.
	Fee string
}

func (*newPage) Template() string { return "new.html" }

func (x *counter) newPage(c *fiber.Ctx, f *form) *newPage {
	v := &newPage{Page: x.s.Page(c, "New job"), Form: f, Languages: languageChoices(x.s.Shop()), Currency: string(x.s.Shop().Currency)}
	v.Levels, v.ByDate = levelPicks(x.s.Shop())
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
			"address": j.Customer.Address.Text, "language": j.Customer.Language, "kind": j.Device.Kind, "maker": j.Device.Maker.Text, "model": j.Device.Model.Text,
		} {
			f.Values.Set(name, s)
		}
	}
	return x.render(c, fiber.StatusOK, x.newPage(c, f))
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
			return x.render(c, fiber.StatusUnprocessableEntity, x.newPage(c, f))
		}
		cmd.LevelBy = closing(x.s.Shop(), day)
	}
	if s := strings.TrimSpace(v("follows")); s != "" {
		n, err := workflow.ParseJobNumber(s)
		if err == nil {
			_, err = x.s.Service().Version(c.UserContext(), n)
		}
		if err != nil {
			f.Add("follows", fmt.Sprintf("There is no job %s. Check the number, or leave the field empty.", s))
			return x.render(c, fiber.StatusUnprocessableEntity, x.newPage(c, f))
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
		return x.render(c, portal.Status(err), x.newPage(c, f))
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
