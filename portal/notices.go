package portal

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// showNotices is where the customer chooses what to be mailed about. A mail program or scanner that
// follows the link changes nothing.
func (s *Server) showNotices(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	if !workflow.LinkPermits(row.Purpose, workflow.ChooseNotices{}) {
		return workflow.LinkLooks()
	}
	if !j.Erased.IsZero() {
		return &workflow.Error{Code: workflow.CodeGone, Reason: "no_mails", Message: "The person was erased from this job, so no emails go out about it."}
	}
	page := s.jobPage(c, j, "")
	page.Title, page.Flash = page.T("notices.title"), s.Page(c, "").Flash
	c.Set(fiber.HeaderCacheControl, "no-store") // it names the address
	return s.Render(c, fiber.StatusOK, templates.NoticesOf(page, j, "/j/"+token))
}

// oneClick is what a mail program posts when its reader presses its own button (RFC 8058): it has no
// cookies, follows no redirect, and may send the form in either encoding.
const oneClick = "List-Unsubscribe"

func (s *Server) postNotices(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	choice := workflow.NoticeChoice(c.FormValue("choice"))
	oneClicked := strings.EqualFold(c.FormValue(oneClick), "One-Click")
	if oneClicked {
		choice = workflow.TellWhatNeedsMe
	}
	if _, err := s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID},
		Commands: []workflow.Command{workflow.ChooseNotices{Choice: choice}},
	}); err != nil {
		return err
	}
	saved := s.jobPage(c, j, "").T("notices.saved." + string(choice))
	if oneClicked {
		c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
		return c.SendString(saved + "\n")
	}
	s.Flash(c, saved)
	return s.Back(c, "/j/"+token+"/notices")
}
