package counter

import (
	"net/url"

	"benchword/portal"
	"benchword/templates"

	"github.com/gofiber/fiber/v2"
)

// signInPage is the page on which staff sign in.
type signInPage struct {
	templates.Page
	Form *form
}

func (*signInPage) Template() string { return "signin.html" }

func (x *counter) showSignIn(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	if x.s.Staff(c) != nil {
		return x.s.Back(c, "/counter")
	}
	f := &form{Act: "/counter/sign-in", Values: url.Values{}}
	return x.render(c, fiber.StatusOK, &signInPage{Page: x.s.Page(c, "Sign in"), Form: f})
}

func (x *counter) postSignIn(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	values, err := x.read(c)
	if err != nil {
		return err
	}
	if _, err := x.s.SignIn(c, values.Get("login"), values.Get("password")); err != nil {
		if status := portal.Status(err); status != fiber.StatusForbidden && status != fiber.StatusTooManyRequests {
			return err
		}
		f := &form{Act: "/counter/sign-in", Values: url.Values{"login": values["login"]}}
		f.Add("login", portal.Sentence(err))
		return x.render(c, portal.Status(err), &signInPage{Page: x.s.Page(c, "Sign in"), Form: f})
	}
	return x.s.Back(c, "/counter")
}

func (x *counter) postSignOut(c *fiber.Ctx) error {
	if err := x.s.SignOut(c); err != nil {
		return err
	}
	return x.s.Back(c, "/counter/sign-in")
}
