package portal

import (
	"errors"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// Choosing what is to happen after a missed promise takes a form in which nothing is chosen yet, and a tick
// that says that it is meant: a program that follows links, or sends forms as they come, chooses nothing.
// The POST names the digest of what was read, and counts once however often it is sent.

// chooseLink opens the choose link in the address.
func (s *Server) chooseLink(c *fiber.Ctx) (token string, row workflow.LinkRow, j *workflow.Job, d *workflow.Delay, err error) {
	token, row, j, err = s.openedJob(c)
	if errors.Is(err, workflow.ErrGone) && row.Purpose == link.Choose && s.Now().Before(row.ExpiresAt) {
		// A newer word about the date ended this link: its page says so.
		j, err = s.cfg.Service.Job(c.UserContext(), row.Job)
	}
	if err != nil {
		return token, row, nil, nil, err
	}
	if row.Purpose != link.Choose || row.Quote < 1 || row.Quote > len(j.Delays) {
		return token, row, nil, nil, &workflow.Error{
			Code: workflow.CodeForbidden, Reason: "choose_link", Message: "This link can only show the job. The link to choose is in the email about the missed date.",
		}
	}
	return token, row, j, &j.Delays[row.Quote-1], nil
}

func (s *Server) choosePage(c *fiber.Ctx, j *workflow.Job, d *workflow.Delay, token string, revoked bool) *templates.ChoosePage {
	v := templates.ChooseOf(s.jobPage(c, j, ""), j, d, s.Shop(), s.Now(), token)
	if revoked { // it opens nothing else any more
		v.Track = "/find"
	}
	return v
}

func (s *Server) showChoice(c *fiber.Ctx) error {
	token, row, j, d, err := s.chooseLink(c)
	if err != nil {
		return err
	}
	return s.Render(c, fiber.StatusOK, s.choosePage(c, j, d, token, row.Revoked))
}

func (s *Server) postChoice(c *fiber.Ctx) error {
	token, row, j, d, err := s.chooseLink(c)
	if err != nil {
		return err
	}
	v := s.choosePage(c, j, d, token, row.Revoked)
	choice := workflow.DelayChoice(c.FormValue("choice"))
	refuse := func(status int, errs ...templates.FieldError) error {
		v.Choice, v.Errors = choice, errs
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, status, v)
	}
	if d.Choice == "" && !v.Open || row.Revoked {
		return s.Render(c, fiber.StatusGone, v)
	}
	var errs []templates.FieldError
	if choice != workflow.DelayAgree && choice != workflow.DelayReturn {
		errs = append(errs, templates.FieldError{Field: "choice", Message: v.T("error.choose")})
	}
	if c.FormValue("read") != "yes" {
		errs = append(errs, templates.FieldError{Field: "read", Message: v.T("error.choose.read")})
	}
	if len(errs) > 0 {
		return refuse(fiber.StatusUnprocessableEntity, errs...)
	}
	_, err = s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID},
		Commands: []workflow.Command{workflow.AnswerDelay{Choice: choice, Digest: c.FormValue("digest"), Address: s.address(c), Agent: c.Get(fiber.HeaderUserAgent)}},
	})
	switch {
	case err == nil:
		return s.Back(c, "/c/"+token)
	case workflow.CodeOf(err) == workflow.CodeInternal:
		return err
	}
	// The truth as it stands now, which may be otherwise than a moment ago.
	if _, row, j, d, err2 := s.chooseLink(c); err2 == nil {
		v = s.choosePage(c, j, d, token, row.Revoked)
	}
	return refuse(Status(err), templates.FieldError{Message: say(v.Words(), err)})
}
