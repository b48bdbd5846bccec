package counter

import (
	"errors"
	"net/url"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"

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
	in, err := x.s.SignIn(c, values.Get("login"), values.Get("password"))
	if errors.Is(err, portal.ErrSecond) {
		return x.s.Back(c, "/counter/sign-in/second")
	}
	if err != nil {
		if status := portal.Status(err); status != fiber.StatusForbidden && status != fiber.StatusTooManyRequests {
			return err
		}
		f := &form{Act: "/counter/sign-in", Values: url.Values{"login": values["login"]}}
		f.Add("login", portal.Sentence(err))
		return x.render(c, portal.Status(err), &signInPage{Page: x.s.Page(c, "Sign in"), Form: f})
	}
	if in.First && x.s.Demanded(in.Role) {
		x.s.Flash(c, "This first time you are in without a second factor. Set one up under your name, at the foot of the page: from the next time on it is needed.")
	}
	return x.s.Back(c, "/counter")
}

// secondPage asks who gave their password for the second factor.
type secondPage struct {
	templates.Page
	Form *form
	Has  portal.Factors
}

func (*secondPage) Template() string { return "second.html" }

func (x *counter) showSecond(c *fiber.Ctx) error {
	return x.renderSecond(c, fiber.StatusOK, &form{Act: "/counter/sign-in/second", Values: url.Values{}})
}

func (x *counter) renderSecond(c *fiber.Ctx, status int, f *form) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	a, err := x.s.Half(c)
	if errors.Is(err, workflow.ErrNotFound) {
		return x.s.Back(c, "/counter/sign-in")
	} else if err != nil {
		return err
	}
	has, err := portal.FindFactors(c.UserContext(), x.s.Service(), a.Login)
	if err != nil {
		return err
	}
	return x.render(c, status, &secondPage{Page: x.s.Page(c, "Sign in, step two"), Form: f, Has: has})
}

func (x *counter) postSecond(c *fiber.Ctx) error {
	_, err := x.s.Second(c, c.FormValue("code"))
	if err == nil || errors.Is(err, workflow.ErrNotFound) {
		return x.s.Back(c, "/counter")
	}
	f := &form{Act: "/counter/sign-in/second", Values: url.Values{}}
	if err2 := refusedAs(f, err, "code"); err2 != nil {
		return err2
	}
	return x.renderSecond(c, portal.Status(err), f)
}

func (x *counter) postSignOut(c *fiber.Ctx) error {
	if err := x.s.SignOut(c); err != nil {
		return err
	}
	return x.s.Back(c, "/counter/sign-in")
}
