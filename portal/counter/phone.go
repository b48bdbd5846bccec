package counter

import (
	"net/url"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// phonePage shows the code that signs a phone in; on the phone, it asks whether to.
type phonePage struct {
	templates.Page
	Form *form
	// QR is what the desk shows, Address the same to be typed.
	QR      qrView
	Address string
	// Who is signed in on the phone; Job is the number it is for, "" for all.
	Who, Job string
}

func (*phonePage) Template() string { return "phone.html" }

func (x *counter) phoneRoutes(g fiber.Router) {
	g.Post("/phone", x.s.Need(), x.newPhone)
	g.Get("/phone/:secret", x.s.Ask(false), x.showPhone)
	g.Post("/phone/:secret", x.s.Ask(false), x.postPhone)
}

func (x *counter) newPhone(c *fiber.Ctx) error {
	var n workflow.JobNumber
	if typed := c.FormValue("job"); typed != "" {
		var err error
		if n, err = workflow.ParseJobNumber(typed); err != nil {
			return err
		}
		if _, err := x.s.Service().Job(c.UserContext(), n); err != nil {
			return err
		}
	}
	address, err := x.s.NewPhone(c, n)
	if err != nil {
		return err
	}
	v := &phonePage{Page: x.s.Page(c, "Sign a phone in"), Form: &form{}, Address: address, Who: x.s.Staff(c).Name}
	if n != "" {
		v.Job = n.Shown()
	}
	if v.QR, err = qrOf(address); err != nil {
		return err
	}
	return x.render(c, fiber.StatusOK, v)
}

func (x *counter) showPhone(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	p, a, err := x.s.FindPhone(c.UserContext(), c.Params("secret"))
	if err != nil {
		return err
	}
	v := &phonePage{Page: x.s.Page(c, "Sign this phone in"), Form: &form{Act: c.Path(), Values: url.Values{}}, Who: a.Name}
	if p.Job != "" {
		v.Job = p.Job.Shown()
	}
	return x.render(c, fiber.StatusOK, v)
}

func (x *counter) postPhone(c *fiber.Ctx) error {
	p, err := x.s.UsePhone(c, c.Params("secret"))
	if err != nil {
		return err
	}
	if p.Job != "" {
		return x.s.Back(c, "/counter/job/"+string(p.Job))
	}
	return x.s.Back(c, "/counter")
}

// phoneOf says of a session that it is a phone's, and for what.
func phoneOf(s *portal.OpenSession) string {
	switch {
	case !s.Phone:
		return ""
	case s.Job == "":
		return "phone at the bench"
	}
	return "phone for job " + s.Job.Shown()
}
