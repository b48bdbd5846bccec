package portal

import (
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// confirmLink opens the link by which the address on file says whether a message or a booking is its reader's.
func (s *Server) confirmLink(c *fiber.Ctx) (row workflow.LinkRow, j *workflow.Job, v *templates.ConfirmPage, err error) {
	c.Set(fiber.HeaderCacheControl, "no-store")
	if _, row, err = s.opened(c, link.Confirm); err != nil {
		return row, nil, nil, err
	}
	if j, err = s.cfg.Service.Job(c.UserContext(), row.Job); err != nil {
		return row, nil, nil, err
	}
	v = templates.ConfirmOf(s.jobPage(c, j, ""), j, row.Quote, s.Shop())
	v.Act = c.Path()
	if g := j.Link(link.Own, s.Now()); g != nil && v.Said == workflow.ConfirmedYes {
		token, err := s.cfg.Service.Token(j, g)
		if err != nil {
			return row, nil, nil, err
		}
		v.Track = "/j/" + token
	}
	return row, j, v, nil
}

func (s *Server) showConfirm(c *fiber.Ctx) error {
	_, _, v, err := s.confirmLink(c)
	if err != nil {
		return err
	}
	return s.Render(c, fiber.StatusOK, v)
}

func (s *Server) postConfirm(c *fiber.Ctx) error {
	row, j, v, err := s.confirmLink(c)
	if err != nil {
		return err
	}
	change := max(-row.Quote, 0)
	said := workflow.Confirmed(c.FormValue("mine"))
	if said != workflow.ConfirmedYes && said != workflow.ConfirmedNo {
		return s.Back(c, c.Path()) // a program that sends forms as they come presses neither button
	}
	now, err := s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID},
		Commands: []workflow.Command{workflow.Confirm{Message: max(row.Quote, 0), Change: change, Not: said == workflow.ConfirmedNo}},
	})
	if err != nil {
		return err
	}
	if was := j.Customer.Email.Text; change > 0 && was != now.Customer.Email.Text { // this link has ended with the others
		v.Said, v.Moved = said, now.Customer.Email.Text
		return s.Render(c, fiber.StatusOK, v)
	}
	if row.Quote == 0 && said == workflow.ConfirmedNo { // its link has ended with it
		return s.Render(c, fiber.StatusOK, &templates.ConfirmPage{Page: s.jobPage(c, j, s.jobPage(c, j, "").T("confirm.booking.title")), Booking: true, Said: said})
	}
	return s.Back(c, c.Path())
}
