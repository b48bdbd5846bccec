package counter

import (
	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// staffPage is where the owner sees who may sign in, and changes it.
type staffPage struct {
	templates.Page
	Form   *form
	People []personView
	// Link is one to choose a password by, shown once; LinkFor says whose.
	Link, LinkFor string
	Sessions      []sessionView
}

func (*staffPage) Template() string { return "staff.html" }

// personView is one of the staff.
type personView struct {
	Login, Name string
	// State is what stands beside the name: "locked", "no password yet".
	State        string
	Locked, Self bool
	// Factor says that a second factor is asked for.
	Factor bool
	Roles  field
}

var roleChoices = []choice{{"bench", "Bench: photos, findings, tests"}, {"counter", "Counter: also customers, quotes, money"}, {"owner", "Owner: all, and the staff"}}

func (x *counter) staffRoutes(g fiber.Router) {
	owner, fresh := x.s.Need(ownerOnly...), x.s.Fresh("staff")
	g.Get("/staff", owner, fresh, x.showStaff)
	g.Post("/staff", owner, fresh, x.postStaff)
	g.Post("/staff/change", owner, fresh, x.changeStaff)
	g.Post("/staff/end", owner, fresh, x.postEndAny)
}

func (x *counter) showStaff(c *fiber.Ctx) error {
	return x.renderStaff(c, fiber.StatusOK, &staffPage{Form: x.form(c, "/counter/staff")})
}

func (x *counter) renderStaff(c *fiber.Ctx, status int, v *staffPage) error {
	v.Page = x.s.Page(c, "Staff")
	all, err := portal.ListStaff(c.UserContext(), x.s.Service())
	if err != nil {
		return err
	}
	for _, a := range all {
		p := personView{Login: a.Login, Name: a.Name, Locked: a.Locked, Self: a.Login == x.s.Staff(c).Login}
		has, err := portal.FindFactors(c.UserContext(), x.s.Service(), a.Login)
		if err != nil {
			return err
		}
		p.Factor = has.Any()
		f := x.form(c, "")
		f.Values.Set("role", string(a.Role))
		p.Roles = f.Pick("role", "Role of "+a.Name, roleChoices, "class: list", "id: role-"+a.Login)
		switch {
		case a.Locked:
			p.State = "locked"
		case a.NoPassword:
			p.State = "no password yet"
		}
		v.People = append(v.People, p)
	}
	of, err := x.s.Sessions(c, "")
	if err != nil {
		return err
	}
	v.Sessions = sessionViews(of, "/counter/staff/end", x.s.Now(), x.s.Shop())
	c.Set(fiber.HeaderCacheControl, "no-store")
	return x.render(c, status, v)
}

// Roles offers the roles of a new account.
func (v *staffPage) Roles() []choice { return roleChoices }

// postStaff adds somebody, with a link to choose a password by.
func (x *counter) postStaff(c *fiber.Ctx) error {
	f := x.form(c, "/counter/staff")
	for _, name := range []string{"login", "name", "role"} {
		f.Values.Set(name, c.FormValue(name))
	}
	ctx, svc := c.UserContext(), x.s.Service()
	if err := portal.AddStaff(ctx, svc, f.Value("login"), f.Value("name"), workflow.Role(f.Value("role")), ""); err != nil {
		return again(f, err, "login", func(status int) error { return x.renderStaff(c, status, &staffPage{Form: f}) })
	}
	x.s.Log().Info("staff changed", "what", "add", "login", f.Value("login"), "role", f.Value("role"), "by", x.s.Staff(c).Login)
	return x.showLink(c, f.Value("login"))
}

// showLink shows a new link to choose a password by, once.
func (x *counter) showLink(c *fiber.Ctx, login string) error {
	link, err := portal.NewReset(c.UserContext(), x.s.Service(), login)
	if err != nil {
		return err
	}
	return x.renderStaff(c, fiber.StatusOK, &staffPage{Form: x.form(c, "/counter/staff"), Link: link, LinkFor: login})
}

// changeStaff does to an account what the button says.
func (x *counter) changeStaff(c *fiber.Ctx) error {
	ctx, svc, login, do := c.UserContext(), x.s.Service(), c.FormValue("login"), c.FormValue("do")
	role := workflow.Role(c.FormValue("role"))
	var err error
	if do == "lock" || do == "remove" || do == "role" && role != workflow.RoleOwner {
		err = portal.OnlyOwner(ctx, svc, login)
	}
	said := ""
	if err == nil {
		switch do {
		case "role":
			said, err = login+" has another role now.", portal.SetRole(ctx, svc, login, role)
		case "lock":
			said, err = login+" is locked and signed out everywhere.", portal.SetLocked(ctx, svc, login, true)
		case "unlock":
			said, err = login+" can sign in again.", portal.SetLocked(ctx, svc, login, false)
		case "remove":
			said, err = login+" is removed and signed out everywhere.", portal.RemoveStaff(ctx, svc, login)
		case "factor":
			said, err = login+" signs in with the password alone next time.", forgetFactors(c, svc, login)
		case "reset":
		default:
			err = &workflow.Error{Code: workflow.CodeInvalid, Message: "That is no button of this page. Open it again, please."}
		}
	}
	if err != nil {
		f := x.form(c, "/counter/staff")
		return again(f, err, "", func(status int) error { return x.renderStaff(c, status, &staffPage{Form: f}) })
	}
	x.s.Log().Info("staff changed", "what", do, "login", login, "role", role, "by", x.s.Staff(c).Login)
	if do == "reset" {
		return x.showLink(c, login)
	}
	x.s.Flash(c, said)
	return x.s.Back(c, "/counter/staff")
}

// forgetFactors lets somebody in who has lost their second factor.
func forgetFactors(c *fiber.Ctx, svc *workflow.Service, login string) error {
	if _, err := portal.FindStaff(c.UserContext(), svc, login); err != nil {
		return portal.NoStaff(login, err)
	}
	return portal.RemoveFactors(c.UserContext(), svc, login)
}

// postEndAny ends anybody's session.
func (x *counter) postEndAny(c *fiber.Ctx) error {
	if err := x.s.EndSession(c, c.FormValue("id"), ""); err != nil {
		return err
	}
	x.s.Flash(c, "Signed out there.")
	return x.s.Back(c, "/counter/staff")
}
