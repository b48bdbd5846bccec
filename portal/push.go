package portal

import (
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// pushWorker is the script that shows notices while no page is open. It stands at the top, since a worker's
// address bounds the pages that it is for; it is asked for anew each time, so that an old one does not stay.
func (s *Server) pushWorker(c *fiber.Ctx) error {
	body, contentType, etag, _ := templates.Asset("push-worker.js")
	c.Set(fiber.HeaderContentType, contentType)
	c.Set(fiber.HeaderCacheControl, "private, no-cache")
	if unchanged(c, etag) {
		return c.SendStatus(fiber.StatusNotModified)
	}
	return c.Send(body)
}

// postPush lets a browser be told of the job, or no more. The answer is a sentence for its reader.
func (s *Server) postPush(c *fiber.Ctx) error {
	_, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	words := s.jobPage(c, j, "").Words()
	var command workflow.Command = workflow.Subscribe{Endpoint: c.FormValue("endpoint"), Key: c.FormValue("key"), Auth: c.FormValue("auth"), LinkID: row.ID}
	said := "push.is_on"
	switch {
	case c.FormValue("want") == "off":
		command, said = workflow.Unsubscribe{Endpoint: c.FormValue("endpoint")}, "push.is_off"
	case s.cfg.PushKey == "":
		return notFound("", "This shop tells no browsers.")
	}
	c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
	_, err = s.cfg.Service.Do(c.UserContext(), workflow.Order{Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, Commands: []workflow.Command{command}})
	switch code := workflow.CodeOf(err); {
	case err != nil && (code == workflow.CodeInvalid || code == workflow.CodeRefused):
		return c.Status(Status(err)).SendString(say(words, err))
	case err != nil:
		return err
	}
	return c.SendString(words.T(said))
}
