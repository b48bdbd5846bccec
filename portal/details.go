package portal

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// showDetails shows the customer their own data, and takes in what they change of it.
func (s *Server) showDetails(c *fiber.Ctx) error {
	token, _, j, page, err := s.ownDetails(c)
	if err != nil {
		return err
	}
	if page.Flash = s.Page(c, "").Flash; page.Flash != "" {
		c.Set(fiber.HeaderCacheControl, "no-store")
	}
	return s.Render(c, fiber.StatusOK, templates.DetailsOf(page, j, s.Shop(), "/j/"+token, templates.DetailsTypedOf(j), nil))
}

func (s *Server) ownDetails(c *fiber.Ctx) (token string, row workflow.LinkRow, j *workflow.Job, page templates.Page, err error) {
	if token, row, j, err = s.openedJob(c); err != nil {
		return token, row, j, page, err
	}
	if !workflow.LinkPermits(row.Purpose, workflow.ChangeOwn{}) {
		return token, row, j, page, workflow.LinkLooks()
	}
	if !j.Erased.IsZero() {
		return token, row, j, page, &workflow.Error{Code: workflow.CodeGone, Reason: "no_mails", Message: "The person was erased from this job, so no emails go out about it."}
	}
	page = s.jobPage(c, j, "")
	page.Title = page.T("details.title")
	return token, row, j, page, nil
}

func (s *Server) postDetails(c *fiber.Ctx) error {
	token, row, j, page, err := s.ownDetails(c)
	if err != nil {
		return err
	}
	if c.FormValue("do") != pressed {
		return s.Back(c, "/j/"+token+"/details")
	}
	typed := templates.DetailsTypedOf(j)
	typed.Person.Name, typed.Person.Email, typed.Person.Phone = c.FormValue("name"), c.FormValue("email"), c.FormValue("phone")
	typed.Person.Address, typed.Person.Company, typed.Person.TaxNumber = c.FormValue("address"), c.FormValue("company"), c.FormValue("tax_number")
	if l := c.FormValue("language"); l != "" {
		typed.Person.Language = l
	}
	var errs []templates.FieldError
	amount := func(field string, into *string) string {
		*into = strings.TrimSpace(c.FormValue(field))
		exact, err := typedAmount(*into, s.Shop().Currency)
		if err != nil {
			errs = append(errs, templates.FieldError{Field: field, Message: page.T("book.error.limit")})
		}
		return exact
	}
	limit, insured := typed.Limit, ""
	var commands []workflow.Command
	if !j.Ended() {
		limit, insured = amount("limit", &typed.Limit), amount("insured", &typed.Insured)
		typed.Return, typed.Data = workflow.ReturnBy(c.FormValue("return")), workflow.DataLeave(c.FormValue("data"))
		commands = append(commands, workflow.ChooseWishes{Insured: insured, Data: typed.Data, Return: typed.Return})
		if secret := c.FormValue("passcode"); strings.TrimSpace(secret) != "" {
			commands = append(commands, workflow.GivePasscode{Passcode: secret})
		} else if c.FormValue("wipe") == pressed {
			commands = append(commands, workflow.WipePasscode{})
		}
	}
	commands = append([]workflow.Command{workflow.ChangeOwn{Person: typed.Person, Limit: limit}}, commands...)
	now := j
	if errs == nil {
		now, err = s.cfg.Service.Do(c.UserContext(), workflow.Order{Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, Commands: commands})
		if code := workflow.CodeOf(err); code == workflow.CodeInvalid || code == workflow.CodeRefused {
			errs = append(errs, templates.FieldError{Field: FieldOf(err), Message: say(page.Words(), err)})
		} else if err != nil {
			return err
		}
	}
	if errs != nil {
		page.Title = page.T("form.titled", page.Title)
		return s.Render(c, fiber.StatusUnprocessableEntity, templates.DetailsOf(page, j, s.Shop(), "/j/"+token, typed, errs))
	}
	page = s.jobPage(c, now, "") // in the language that was just chosen
	switch {
	case now.Version == j.Version:
		s.Flash(c, page.T("details.same"))
	case len(now.OwnChanges) == len(j.OwnChanges):
		s.Flash(c, page.T("details.saved"))
	case now.Customer.Email.Text == "":
		s.Flash(c, page.T("details.saved.ring"))
	default:
		s.Flash(c, page.T("details.saved.asked", now.Customer.Email.Text))
	}
	return s.Back(c, "/j/"+token+"/details")
}
