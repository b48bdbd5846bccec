package counter

import (
	"encoding/json"
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
	// Passkeys says that they can be used here.
	Passkeys bool
}

func (*signInPage) Template() string { return "signin.html" }

func (x *counter) showSignIn(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	if x.s.Staff(c) != nil {
		return x.s.Back(c, "/counter")
	}
	f := &form{Act: "/counter/sign-in", Values: url.Values{}}
	return x.render(c, fiber.StatusOK, &signInPage{Page: x.s.Page(c, "Sign in"), Form: f, Passkeys: x.s.TakesPasskeys()})
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
		return x.render(c, portal.Status(err), &signInPage{Page: x.s.Page(c, "Sign in"), Form: f, Passkeys: x.s.TakesPasskeys()})
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
	// Passkeys says that this person has one.
	Passkeys bool
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
	return x.render(c, status, &secondPage{Page: x.s.Page(c, "Sign in, step two"), Form: f, Passkeys: len(has.Passkeys) > 0})
}

func (x *counter) postSecond(c *fiber.Ctx) error {
	_, err := x.s.Second(c, c.FormValue("code"))
	if err == nil || errors.Is(err, workflow.ErrNotFound) {
		return x.s.Back(c, "/counter")
	}
	f := &form{Act: "/counter/sign-in/second", Values: url.Values{}}
	return again(f, err, "code", func(status int) error { return x.renderSecond(c, status, f) })
}

// answered is what a script is told: the sentence of what was refused, or where to go on.
func answered(c *fiber.Ctx, err error, to string) error {
	if err == nil {
		return c.JSON(fiber.Map{"to": to})
	}
	if portal.Status(err) >= fiber.StatusInternalServerError {
		return err
	}
	return c.Status(portal.Status(err)).JSON(fiber.Map{"error": portal.Sentence(err)})
}

func (x *counter) passkeyToUse(c *fiber.Ctx) error {
	use, err := x.s.PasskeyToUse()
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.JSON(use)
}

// passkeyAnswer is what a script sends of a passkey.
type passkeyAnswer struct {
	Name       string          `json:"name"`
	Credential json.RawMessage `json:"credential"`
}

func readPasskey(c *fiber.Ctx) (a passkeyAnswer, err error) {
	if json.Unmarshal(c.Body(), &a) != nil {
		err = &portal.StatusError{Status: fiber.StatusBadRequest, Message: "What your browser sent can't be read. Reload the page and try again."}
	}
	return a, err
}

func (x *counter) postPasskey(c *fiber.Ctx) error {
	a, err := readPasskey(c)
	if err == nil {
		_, err = x.s.UsePasskey(c, a.Credential)
	}
	return answered(c, err, "/counter")
}

func (x *counter) postSignOut(c *fiber.Ctx) error {
	if err := x.s.SignOut(c); err != nil {
		return err
	}
	return x.s.Back(c, "/counter/sign-in")
}
