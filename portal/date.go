package portal

import (
	"benchword/templates"

	"github.com/gofiber/fiber/v2"
)

// showDate sends the promised date as a calendar file, RFC 5545. A calendar that subscribes to its address
// sees the date move. Whoever may look at the job may have it.
func (s *Server) showDate(c *fiber.Ctx) error {
	_, _, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	page := s.jobPage(c, j, "")
	file, ok := templates.DateFile(j, s.Shop(), s.Now(), page.Words())
	if !ok {
		return notFound("no_date", "There is no date on this job yet, so there is nothing for a calendar.")
	}
	etag := etagOf([]byte(file))
	if unchanged(c, etag) {
		return c.SendStatus(fiber.StatusNotModified)
	}
	c.Set(fiber.HeaderContentType, "text/calendar; charset=utf-8; method=PUBLISH")
	c.Set(fiber.HeaderContentDisposition, `inline; filename="`+string(j.Number)+`.ics"`)
	return c.SendString(file)
}
