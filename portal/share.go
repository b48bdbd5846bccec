package portal

import (
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// pressed is what the button of a form without fields sends: a program that sends forms as they come presses none.
const pressed = "yes"

// showShare shows the link that the customer can pass on, if there is one, and the button that makes it.
func (s *Server) showShare(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	if !workflow.LinkPermits(row.Purpose, workflow.ShareLink{}) {
		return workflow.LinkLooks()
	}
	c.Set(fiber.HeaderCacheControl, "no-store") // it holds a link
	page := s.jobPage(c, j, "")
	page.Title = page.T("share.title")
	v := &templates.SharePage{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Base: "/j/" + token}
	if g := j.Link(link.Share, s.Now()); g != nil {
		shared, err := s.cfg.Service.Token(j, g)
		if err != nil {
			return err
		}
		v.Link, v.Until = s.Shop().BaseURL+"/j/"+shared, v.Words().Date(g.ExpiresAt, s.Shop().Calendar.Location())
	}
	return s.Render(c, fiber.StatusOK, v)
}

func (s *Server) postShare(c *fiber.Ctx) error {
	token, row, _, err := s.openedJob(c)
	if err != nil {
		return err
	}
	if !workflow.LinkPermits(row.Purpose, workflow.ShareLink{}) {
		return workflow.LinkLooks()
	}
	if c.FormValue("do") != pressed {
		return s.Back(c, "/j/"+token+"/share")
	}
	if _, err := s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, Commands: []workflow.Command{workflow.ShareLink{}},
	}); err != nil {
		return err
	}
	return s.Back(c, "/j/"+token+"/share")
}

// postArrival is the customer's word on whether the parcel has come.
func (s *Server) postArrival(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	do := c.FormValue("do")
	if do != "here" && do != "missing" {
		return s.Back(c, "/j/"+token)
	}
	if _, err := s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, Commands: []workflow.Command{workflow.TellArrival{Arrived: do == "here"}},
	}); err != nil {
		return err
	}
	s.Flash(c, s.jobPage(c, j, "").T("track.arrival.said."+do))
	return s.Back(c, "/j/"+token)
}

// postAsk has the customer's links emailed to the address on file, as the find page does: the answer is the same
// whether there is one or not, and however often somebody presses.
func (s *Server) postAsk(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	if !workflow.LinkPermits(row.Purpose, workflow.AskLink{}) {
		return workflow.LinkLooks()
	}
	if c.FormValue("do") != pressed {
		return s.Back(c, "/j/"+token)
	}
	s.mailLink(row.Job, workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, func(*workflow.Job) bool { return true })
	s.Flash(c, s.jobPage(c, j, "").T("track.asked"))
	return s.Back(c, "/j/"+token)
}
