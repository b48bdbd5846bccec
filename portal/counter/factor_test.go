package counter

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/portal"

	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/require"
)

// codeAt is what the app shows so many half minutes from now.
func (d *desk) codeAt(secret string, steps int) string {
	d.t.Helper()
	code, err := totp.GenerateCode(secret, d.now.Add(time.Duration(steps)*30*time.Second))
	require.NoError(d.t, err)
	return code
}

// withApp sets an app up and returns its secret and the recovery codes.
func (v *visitor) withApp() (secret string, codes []string) {
	t := v.d.t
	t.Helper()
	g := v.page("/counter/account").form("/counter/account/app/new").send()
	require.Equal(t, 200, g.StatusCode)
	secret = strings.ReplaceAll(regexp.MustCompile(`<code class="break">([A-Z2-7 ]+)</code>`).FindStringSubmatch(g.body)[1], " ", "")
	require.Len(t, secret, 32)
	wrong := g.form("/counter/account/app").set("code", v.d.codeAt(secret, 5)).send()
	require.Equal(t, 403, wrong.StatusCode)
	require.Contains(t, strings.ReplaceAll(wrong.body, " ", ""), secret, "the same one, to be tried again")
	g = wrong.form("/counter/account/app").set("code", v.d.codeAt(secret, 0)).send()
	require.Equal(t, 200, g.StatusCode, g.problems())
	for _, m := range regexp.MustCompile(`<li><code>([A-Z2-7 ]+)</code>`).FindAllStringSubmatch(g.body, -1) {
		codes = append(codes, m[1])
	}
	require.Len(t, codes, 10)
	require.NotContains(t, v.page("/counter/account").body, codes[0], "they are shown once")
	return secret, codes
}

// second goes on with a code, after the password.
func (d *desk) second(login, code string) (*visitor, got) {
	d.t.Helper()
	v, g := d.signIn(login, password)
	require.Equal(d.t, "/counter/sign-in/second", g.Header.Get("Location"))
	require.Equal(d.t, 303, v.get("/counter").StatusCode, "a password alone opens nothing")
	return v, v.page("/counter/sign-in/second").form("/counter/sign-in/second").set("code", code).send()
}

// Whoever has an app is asked for its code: each is taken once, none older than the last one taken, half a minute of difference
// is allowed for, and recovery codes stand in, each once.
func TestSecondFactor(t *testing.T) {
	d := newDesk(t)
	rosa := d.as("rosa")
	secret, codes := rosa.withApp()
	require.NotContains(t, d.log.String(), secret)
	refused := func(code, why string) {
		t.Helper()
		v, g := d.second("rosa", code)
		require.Equal(t, 403, g.StatusCode, why)
		require.Equal(t, 303, v.get("/counter").StatusCode, why)
	}
	taken := func(code string) *visitor {
		t.Helper()
		v, g := d.second("rosa", code)
		require.Equal(t, "/counter", g.Header.Get("Location"), g.body)
		require.Equal(t, 200, v.get("/counter").StatusCode)
		return v
	}
	refused(d.codeAt(secret, 0), "setting it up has used this one")
	d.now = d.now.Add(5 * time.Minute)
	now := d.codeAt(secret, 0)
	refused(d.codeAt(secret, 2), "a minute too early")
	refused(d.codeAt(secret, -2), "a minute too late")
	taken(d.codeAt(secret, -1))
	taken(now[:3] + " " + now[3:])
	refused(now, "twice")
	refused(d.codeAt(secret, -1), "older than the last one")
	taken(d.codeAt(secret, 1))
	require.Contains(t, taken(codes[3]).page("/counter/account").body, "Recovery codes left: 9.")
	refused(codes[3], "a recovery code is for once")
	taken(strings.ToLower(strings.ReplaceAll(codes[4], " ", "-")))
	refused("", "nothing")

	// Wrong codes hold the account's second step up, whatever browser they come from.
	for range 4 {
		refused("000000", "guessed")
	}
	_, g := d.second("rosa", codes[5])
	require.Equal(t, 429, g.StatusCode)
	d.now = d.now.Add(time.Minute)
	taken(codes[5])

	// The password's half is no session, ends by itself, and with a new password.
	v, _ := d.signIn("rosa", password)
	f := v.page("/counter/sign-in/second").form("/counter/sign-in/second")
	d.now = d.now.Add(11 * time.Minute)
	require.Equal(t, "/counter/sign-in", v.get("/counter/sign-in/second").Header.Get("Location"))
	require.Equal(t, 303, f.set("code", d.codeAt(secret, 0)).send().StatusCode)
	require.Equal(t, 303, v.get("/counter").StatusCode)
	nobody := &visitor{d: d, cookies: map[string]string{}}
	require.Equal(t, "/counter/sign-in", nobody.get("/counter/sign-in/second").Header.Get("Location"))

	// New codes end those before; without the app nothing is asked.
	rosa = taken(codes[6])
	g = rosa.page("/counter/account").form("/counter/account/codes").send()
	require.Equal(t, 200, g.StatusCode)
	refused(codes[7], "from before")
	require.Contains(t, rosa.page("/counter/account").body, "Recovery codes left: 10.")
	require.Equal(t, 303, rosa.page("/counter/account").form("/counter/account/app/remove").send().StatusCode)
	d.now = d.now.Add(time.Minute)
	require.Equal(t, 200, d.as("rosa").get("/counter").StatusCode)

	// The owner lets somebody in who has lost it.
	nils := d.as("nils")
	nils.withApp()
	olga := d.as("olga")
	form := olga.page("/counter/staff").form("/counter/staff/change").set("login", "nils")
	form.values.Set("do", "factor")
	require.Equal(t, 303, form.send().StatusCode)
	require.Equal(t, 200, d.as("nils").get("/counter").StatusCode)
}

// An owner has a second factor: the first sign-in is let in without, and says so; from the second on nothing can be done but
// set one up. The settings can ask it of everybody, or of nobody.
func TestOwnersHaveASecondFactor(t *testing.T) {
	d := newDeskAt(t, "http://desk.example", func(c *portal.Config) { c.SecondFactor = portal.FactorOwner })
	first := d.as("olga")
	require.Contains(t, first.page("/counter").body, "This first time you are in without a second factor")
	require.Equal(t, 200, first.get("/counter/figures").StatusCode)
	require.Equal(t, 200, d.as("rosa").get("/counter").StatusCode)
	require.Equal(t, 200, d.as("rosa").get("/counter").StatusCode, "it is asked of owners")

	olga := d.as("olga")
	for _, page := range []string{"/counter", "/counter/figures", "/counter/staff", "/counter/new"} {
		require.Equal(t, "/counter/account", olga.get(page).Header.Get("Location"), page)
	}
	page := olga.page("/counter/account")
	require.Contains(t, page.body, "You need one.")
	require.Equal(t, 403, page.form("/counter/account/end").at("/counter/staff", "login", "eve", "role", "owner").send().StatusCode)
	d.now = d.now.Add(20 * time.Minute)
	require.Equal(t, "/counter/confirm?to=account", olga.get("/counter/account").Header.Get("Location"))
	require.Equal(t, 303, olga.page("/counter/confirm").form("/counter/confirm").set("password", password).send().StatusCode)
	secret, _ := olga.withApp()
	require.Equal(t, 200, olga.get("/counter/figures").StatusCode)
	d.now = d.now.Add(time.Minute)
	_, g := d.second("olga", d.codeAt(secret, 0))
	require.Equal(t, "/counter", g.Header.Get("Location"))
	require.Equal(t, 303, olga.page("/counter/account").form("/counter/account/app/remove").send().StatusCode)
	require.Equal(t, "/counter/account", olga.get("/counter/figures").Header.Get("Location"), "and without it nothing again")

	d = newDeskAt(t, "http://desk.example", func(c *portal.Config) { c.SecondFactor = portal.FactorEverybody })
	d.as("nils")
	require.Equal(t, "/counter/account", d.as("nils").get("/counter").Header.Get("Location"))
	d = newDeskAt(t, "http://desk.example", func(c *portal.Config) { c.SecondFactor = portal.FactorNobody })
	d.as("olga")
	require.Equal(t, 200, d.as("olga").get("/counter/figures").StatusCode)
}
