package counter

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"

	"github.com/boombuler/barcode/qr"
	"github.com/gofiber/fiber/v2"
)

// accountPage is what people see of their own account, and change.
type accountPage struct {
	templates.Page
	Form     *form
	Sessions []sessionView
	Has      portal.Factors
	// Demanded says that this person has to have a second factor, Owes that nothing else can be done before.
	Demanded, Owes bool
	// Passkeys says that browsers make them for this address.
	Passkeys bool
}

func (*accountPage) Template() string { return "account.html" }

// sessionView is a place where somebody is signed in.
type sessionView struct {
	// End is the address that ends it.
	ID, End, Who, Browser, Since, Seen string
	// Phone says what a phone was signed in for.
	Phone string
	Here  bool
}

func sessionViews(of []portal.OpenSession, end string, now time.Time, shop *workflow.Shop) []sessionView {
	var out []sessionView
	for _, s := range of {
		v := sessionView{Phone: phoneOf(&s), ID: s.ID, End: end, Who: s.Name, Browser: s.Browser, Since: momentOf(s.SignedInAt, now, shop), Seen: momentOf(s.SeenAt, now, shop), Here: s.Here}
		if v.Browser == "" {
			v.Browser = "A browser"
		}
		out = append(out, v)
	}
	return out
}

func (x *counter) accountRoutes(g fiber.Router) {
	anybody, fresh := x.s.Need(), x.s.Fresh("account")
	g.Get("/confirm", anybody, x.showConfirm)
	g.Post("/confirm", anybody, x.postConfirm)
	g.Post("/confirm/:to/passkey/options", anybody, x.passkeyToConfirm)
	g.Post("/confirm/:to/passkey", anybody, x.confirmPasskey)
	g.Get("/account", anybody, fresh, x.showAccount)
	g.Post("/account/password", anybody, fresh, x.postOwnPassword)
	g.Post("/account/end", anybody, fresh, x.postEndOwn)
	g.Post("/account/app/new", anybody, fresh, x.newApp)
	g.Post("/account/app", anybody, fresh, x.postApp)
	g.Post("/account/app/remove", anybody, fresh, x.removeApp)
	g.Post("/account/codes", anybody, fresh, x.postCodes)
	g.Post("/account/passkey/options", anybody, fresh, x.passkeyToMake)
	g.Post("/account/passkey", anybody, fresh, x.addPasskey)
	g.Post("/account/passkey/remove", anybody, fresh, x.removePasskey)
}

func (x *counter) showAccount(c *fiber.Ctx) error {
	return x.renderAccount(c, fiber.StatusOK, x.form(c, "/counter/account/password"))
}

func (x *counter) renderAccount(c *fiber.Ctx, status int, f *form) error {
	v := &accountPage{Page: x.s.Page(c, "Your account"), Form: f}
	of, err := x.s.Sessions(c, x.s.Staff(c).Login)
	if err != nil {
		return err
	}
	me := x.s.Staff(c)
	if v.Has, err = portal.FindFactors(c.UserContext(), x.s.Service(), me.Login); err != nil {
		return err
	}
	v.Demanded = x.s.Demanded(me.Role)
	v.Passkeys = x.s.TakesPasskeys()
	v.Owes = v.Demanded && !v.Has.Any()
	v.Sessions = sessionViews(of, "/counter/account/end", x.s.Now(), x.s.Shop())
	return x.render(c, status, v)
}

// again shows a form again, with what was refused beside the field that is to blame, else the one named; what is no
// refusal it returns.
func again(f *form, err error, field string, show func(status int) error) error {
	status := portal.Status(err)
	if status >= fiber.StatusInternalServerError {
		return err
	}
	var e *workflow.Error
	if errors.As(err, &e) && e.Field != "" {
		field = e.Field
	}
	f.Add(field, portal.Sentence(err))
	return show(status)
}

func (x *counter) postOwnPassword(c *fiber.Ctx) error {
	f := x.form(c, "/counter/account/password")
	err := matching(c)
	if err == nil {
		err = x.s.ChangePassword(c, c.FormValue("current"), c.FormValue("password"))
	}
	if err != nil {
		return again(f, err, "current", func(status int) error { return x.renderAccount(c, status, f) })
	}
	x.s.Flash(c, "You have a new password. Everywhere else you are signed out.")
	return x.s.Back(c, "/counter/account")
}

// matching refuses a new password that was not typed the same twice.
func matching(c *fiber.Ctx) error {
	if c.FormValue("password") != c.FormValue("again") {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "again", Message: "The two new passwords differ, so nothing was changed. Type it again."}
	}
	return nil
}

// postEndOwn ends one session of one's own, or all but this one.
func (x *counter) postEndOwn(c *fiber.Ctx) error {
	me := x.s.Staff(c).Login
	ids := []string{c.FormValue("id")}
	if ids[0] == "" {
		of, err := x.s.Sessions(c, me)
		if err != nil {
			return err
		}
		ids = nil
		for _, s := range of {
			if !s.Here {
				ids = append(ids, s.ID)
			}
		}
	}
	for _, id := range ids {
		if err := x.s.EndSession(c, id, me); err != nil {
			return err
		}
	}
	x.s.Flash(c, "Signed out there.")
	return x.s.Back(c, "/counter/account")
}

// appPage sets an authenticator app up, or shows the recovery codes, once.
type appPage struct {
	templates.Page
	Form *form
	// Secret is in groups of four; QR holds the same for the app.
	Secret string
	QR     qrView
	Codes  []string
}

func (*appPage) Template() string { return "app.html" }

func (x *counter) newApp(c *fiber.Ctx) error {
	return x.renderApp(c, fiber.StatusOK, x.form(c, "/counter/account/app"))
}

func (x *counter) renderApp(c *fiber.Ctx, status int, f *form) error {
	secret, address, err := x.s.NewApp(c)
	if err != nil {
		return err
	}
	v := &appPage{Page: x.s.Page(c, "Set up an app"), Form: f, Secret: portal.InFours(secret)}
	if v.QR, err = qrOf(address); err != nil {
		return err
	}
	return x.render(c, status, v)
}

func (x *counter) postApp(c *fiber.Ctx) error {
	codes, err := x.s.FinishApp(c, c.FormValue("code"))
	if err != nil {
		f := x.form(c, "/counter/account/app")
		return again(f, err, "code", func(status int) error { return x.renderApp(c, status, f) })
	}
	return x.renderCodes(c, codes)
}

func (x *counter) renderCodes(c *fiber.Ctx, codes []string) error {
	return x.render(c, fiber.StatusOK, &appPage{Page: x.s.Page(c, "Recovery codes"), Form: x.form(c, ""), Codes: codes})
}

func (x *counter) postCodes(c *fiber.Ctx) error {
	codes, err := x.s.NewCodes(c)
	if err != nil {
		return err
	}
	return x.renderCodes(c, codes)
}

func (x *counter) removeApp(c *fiber.Ctx) error {
	if err := x.s.RemoveApp(c); err != nil {
		return err
	}
	x.s.Flash(c, "The app’s codes aren’t asked for any more.")
	return x.s.Back(c, "/counter/account")
}

func (x *counter) passkeyToMake(c *fiber.Ctx) error {
	make, err := x.s.PasskeyToMake(c)
	if err != nil {
		return err
	}
	return c.JSON(make)
}

func (x *counter) addPasskey(c *fiber.Ctx) error {
	a, err := readPasskey(c)
	if err == nil {
		err = x.s.AddPasskey(c, a.Name, a.Credential)
	}
	if err != nil {
		return answered(c, err, "")
	}
	x.s.Flash(c, "You can sign in with this passkey from now on.")
	return c.JSON(fiber.Map{"to": "/counter/account"})
}

func (x *counter) removePasskey(c *fiber.Ctx) error {
	if err := x.s.RemovePasskey(c, c.FormValue("id")); err != nil {
		return err
	}
	x.s.Flash(c, "That passkey no longer signs you in.")
	return x.s.Back(c, "/counter/account")
}

// qrView is a QR code to be drawn: so many units wide, its dark modules a path.
type qrView struct {
	Size int
	Path string
}

// qrOf makes the QR code of a text, with the quiet zone of four modules that the standard wants (ISO/IEC 18004).
func qrOf(text string) (qrView, error) {
	const quiet = 4
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return qrView{}, err
	}
	n := code.Bounds().Dx()
	var p strings.Builder
	for y := range n {
		for x := range n {
			if r, _, _, _ := code.At(x, y).RGBA(); r == 0 {
				fmt.Fprintf(&p, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	return qrView{n + 2*quiet, p.String()}, nil
}

// confirmPage asks who is signed in for their password, or a passkey.
type confirmPage struct {
	templates.Page
	Form *form
	// To is the page that they come from, Passkeys that they have one.
	To       string
	Passkeys bool
}

func (*confirmPage) Template() string { return "confirm.html" }

func (x *counter) showConfirm(c *fiber.Ctx) error {
	return x.renderConfirm(c, fiber.StatusOK, x.form(c, "/counter/confirm"), c.Query("to"))
}

func (x *counter) renderConfirm(c *fiber.Ctx, status int, f *form, to string) error {
	if to != "staff" {
		to = "account"
	}
	has, err := portal.FindFactors(c.UserContext(), x.s.Service(), x.s.Staff(c).Login)
	if err != nil {
		return err
	}
	return x.render(c, status, &confirmPage{Page: x.s.Page(c, "Is it you?"), Form: f, To: to, Passkeys: len(has.Passkeys) > 0})
}

func (x *counter) passkeyToConfirm(c *fiber.Ctx) error {
	use, err := x.s.PasskeyToConfirm(c)
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.JSON(use)
}

func (x *counter) confirmPasskey(c *fiber.Ctx) error {
	a, err := readPasskey(c)
	if err == nil {
		err = x.s.ConfirmPasskey(c, a.Credential)
	}
	to := "/counter/account"
	if c.Params("to") == "staff" {
		to = "/counter/staff"
	}
	return answered(c, err, to)
}

func (x *counter) postConfirm(c *fiber.Ctx) error {
	if err := x.s.Confirm(c, c.FormValue("password")); err != nil {
		f := x.form(c, "/counter/confirm")
		if errors.Is(err, workflow.ErrForbidden) {
			err = &workflow.Error{Code: workflow.CodeForbidden, Message: "That isn't your password. Please try again."}
		}
		return again(f, err, "password", func(status int) error {
			return x.renderConfirm(c, status, f, c.FormValue("to"))
		})
	}
	if c.FormValue("to") == "staff" {
		return x.s.Back(c, "/counter/staff")
	}
	return x.s.Back(c, "/counter/account")
}

// welcomePage is where somebody with a link chooses a password.
type welcomePage struct {
	templates.Page
	Form  *form
	Login string
}

func (*welcomePage) Template() string { return "welcome.html" }

func (x *counter) showWelcome(c *fiber.Ctx) error {
	return x.renderWelcome(c, fiber.StatusOK, &form{Act: c.Path(), Values: url.Values{}})
}

func (x *counter) renderWelcome(c *fiber.Ctx, status int, f *form) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	a, err := portal.FindReset(c.UserContext(), x.s.Service(), c.Params("secret"))
	if err != nil {
		return err
	}
	return x.render(c, status, &welcomePage{Page: x.s.Page(c, "Choose a password"), Form: f, Login: a.Login})
}

func (x *counter) postWelcome(c *fiber.Ctx) error {
	err := matching(c)
	if err == nil {
		err = portal.UseReset(c.UserContext(), x.s.Service(), c.Params("secret"), c.FormValue("password"))
	}
	if err != nil {
		f := &form{Act: c.Path(), Values: url.Values{}}
		return again(f, err, "password", func(status int) error { return x.renderWelcome(c, status, f) })
	}
	x.s.Flash(c, "Your password is set. Sign in with it.")
	return x.s.Back(c, "/counter/sign-in")
}
