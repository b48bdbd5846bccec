package counter

import (
	"context"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/portal"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

const otherPassword = "eleven buoys before the bar"

// signIn tries to sign in with a password.
func (d *desk) signIn(login, password string) (*visitor, got) {
	d.t.Helper()
	v := &visitor{d: d, cookies: map[string]string{}, login: login}
	return v, v.page("/counter/sign-in").form("/counter/sign-in").set("login", login).set("password", password).send()
}

// The owner adds somebody, who chooses their own password by a link that works once; then the role changes, the account is
// locked and opened, and removed. Nobody else may do any of it.
func TestStaffPage(t *testing.T) {
	d := newDesk(t)
	for _, login := range []string{"rosa", "nils"} {
		require.Equal(t, 403, d.as(login).get("/counter/staff").StatusCode)
		require.Equal(t, 403, d.as(login).page("/counter/account").form("/counter/account/password").at("/counter/staff").send().StatusCode)
	}
	olga := d.as("olga")
	page := olga.page("/counter/staff")
	for _, bad := range [][3]string{{"nils", "Nils", "bench"}, {"a b", "A", "bench"}, {"ida", "Ida", "boss"}, {"ida", "Ida", ""}} {
		g := page.form("/counter/staff").set("login", bad[0]).set("name", bad[1]).set("role", bad[2]).send()
		require.Contains(t, []int{409, 422}, g.StatusCode, bad)
		require.Equal(t, bad[0], g.kept("/counter/staff").Get("login"))
	}
	link := regexp.MustCompile(`http://desk\.example(/counter/welcome/[A-Za-z0-9_-]{27})<`)
	g := page.form("/counter/staff").set("login", "Ida").set("name", "Ida Moe").set("role", "bench").send()
	first := link.FindStringSubmatch(g.body)
	require.NotNil(t, first, g.body)
	require.Equal(t, "no-store", g.Header.Get("Cache-Control"))
	require.Contains(t, g.body, "no password yet")
	require.NotContains(t, olga.page("/counter/staff").body, first[1], "it is shown once")
	_, g = d.signIn("ida", "")
	require.Equal(t, 403, g.StatusCode)

	act := func(login, do, role string) got {
		t.Helper()
		f := olga.page("/counter/staff").form("/counter/staff/change").set("login", login)
		f.values.Set("do", do)
		f.values.Set("role", role)
		return f.send()
	}
	g = act("ida", "reset", "")
	second := link.FindStringSubmatch(g.body)
	require.NotNil(t, second)
	nobody := &visitor{d: d, cookies: map[string]string{}}
	require.Equal(t, 404, nobody.get(first[1]).StatusCode, "a newer link ends the one before")
	f := nobody.page(second[1]).form(second[1])
	require.Equal(t, 422, f.set("password", otherPassword).set("again", "x").send().StatusCode)
	g = f.set("password", "harbour-bench-2026").set("again", "harbour-bench-2026").send()
	require.Equal(t, 422, g.StatusCode)
	require.Contains(t, g.body, "easily guessed")
	require.NotContains(t, g.body, "harbour-bench-2026")
	require.Equal(t, 303, f.set("password", otherPassword).set("again", otherPassword).send().StatusCode)
	require.Equal(t, 404, f.again().StatusCode)
	require.Equal(t, 404, nobody.get(second[1]).StatusCode, "it works once")
	ida, g := d.signIn("ida", otherPassword)
	require.Equal(t, 303, g.StatusCode)
	require.Equal(t, 403, ida.get("/counter/new").StatusCode)

	require.Equal(t, 303, act("ida", "role", "counter").StatusCode)
	require.Equal(t, 200, ida.get("/counter/new").StatusCode, "at once")
	require.Equal(t, 303, act("ida", "lock", "").StatusCode)
	require.Equal(t, "/counter/sign-in", ida.get("/counter").Header.Get("Location"))
	_, wrong := d.signIn("ida", "not the password")
	_, locked := d.signIn("ida", otherPassword)
	require.Equal(t, 403, locked.StatusCode)
	require.Equal(t, wrong.body, locked.body, "a stranger is not told that it is locked")
	require.Equal(t, 303, act("ida", "unlock", "").StatusCode)
	require.Equal(t, "/counter/sign-in", ida.get("/counter").Header.Get("Location"), "what was ended stays so")
	ida, g = d.signIn("ida", otherPassword)
	require.Equal(t, 303, g.StatusCode)
	third := link.FindStringSubmatch(act("ida", "reset", "").body)
	require.Equal(t, 303, act("ida", "remove", "").StatusCode)
	require.Equal(t, "/counter/sign-in", ida.get("/counter").Header.Get("Location"))
	require.Equal(t, 404, nobody.get(third[1]).StatusCode)
	require.Equal(t, 404, act("ida", "unlock", "").StatusCode)
	require.Equal(t, 422, act("nils", "promote", "").StatusCode)

	for do, role := range map[string]string{"lock": "", "remove": "", "role": "bench"} {
		g = act("olga", do, role)
		require.Equal(t, 409, g.StatusCode)
		require.Contains(t, g.body, "Nobody else is an owner")
	}
	require.Equal(t, 303, act("rosa", "role", "owner").StatusCode)
	require.Equal(t, 303, act("olga", "role", "counter").StatusCode)
	require.Equal(t, 403, olga.get("/counter/staff").StatusCode)

	late := act2(d, t)
	d.now = d.now.Add(24*time.Hour + time.Second)
	require.Equal(t, 404, nobody.get(late).StatusCode, "its day is over")
	for _, secret := range []string{first[1], second[1], third[1]} {
		require.NotContains(t, d.log.String(), secret[len("/counter/welcome/"):])
	}
}

// act2 is the path of a new link for nils.
func act2(d *desk, t *testing.T) string {
	link, err := portal.NewReset(context.Background(), d.svc, "nils")
	require.NoError(t, err)
	return strings.TrimPrefix(link, "http://desk.example")
}

// People change their own password, which ends their other sessions, and see and end those; the owner ends anybody's. For
// all of it they have proved within ten minutes who they are.
func TestOwnAccount(t *testing.T) {
	d := newDesk(t)
	desk, phone := d.as("nils"), d.as("nils")
	phone.send(asking("/counter", "Mozilla/5.0 (Linux; Android 16) AppleWebKit/537.36 Chrome/140.0 Mobile Safari/537.36"))
	f := desk.page("/counter/account").form("/counter/account/password").set("password", otherPassword).set("again", otherPassword)
	g := f.set("current", "not the password").send()
	require.Equal(t, 403, g.StatusCode)
	require.Contains(t, g.body, "That isn&#39;t your password now")
	require.Equal(t, 422, f.set("current", password).set("again", "x").send().StatusCode)
	require.Equal(t, 422, f.set("password", "nils nils nils").set("again", "nils nils nils").send().StatusCode)
	require.Equal(t, 200, phone.get("/counter").StatusCode)
	d.now = d.now.Add(time.Second)
	require.Equal(t, 303, f.set("password", otherPassword).set("again", otherPassword).send().StatusCode)
	require.Equal(t, 200, desk.get("/counter").StatusCode)
	require.Equal(t, 303, phone.get("/counter").StatusCode, "everywhere else is signed out")
	_, g = d.signIn("nils", password)
	require.Equal(t, 403, g.StatusCode)

	phone, g = d.signIn("nils", otherPassword)
	require.Equal(t, 303, g.StatusCode)
	rosa := d.as("rosa")
	page := desk.page("/counter/account")
	require.Equal(t, 1, strings.Count(page.body, "last seen")-1, "one other, and not rosa's")
	require.Equal(t, 303, page.form("/counter/account/end").send().StatusCode)
	require.Equal(t, 303, phone.get("/counter").StatusCode)
	theirs := d.as("olga").page("/counter/staff")
	require.Equal(t, 3, strings.Count(theirs.body, "last seen"))
	id := regexp.MustCompile(`(?s)Rosa: [^<]*</strong>.*?name="id" value="([0-9a-f]{64})"`).FindStringSubmatch(theirs.body)
	require.NotNil(t, id)
	g = page.form("/counter/account/password").at("/counter/account/end", "id", id[1]).send()
	require.Equal(t, 403, g.StatusCode)
	require.Equal(t, 200, rosa.get("/counter").StatusCode, "another's session is not theirs to end")
	olga := d.as("olga")
	require.Equal(t, 303, olga.page("/counter/staff").form("/counter/staff/end").set("id", id[1]).send().StatusCode)
	require.Equal(t, 303, rosa.get("/counter").StatusCode)

	// Ten minutes later they are asked again.
	desk, _ = d.signIn("nils", otherPassword)
	form := desk.page("/counter/account").form("/counter/account/password").set("current", otherPassword).set("password", password).set("again", password)
	d.now = d.now.Add(10 * time.Minute)
	require.Equal(t, 403, form.send().StatusCode)
	g = desk.get("/counter/account")
	require.Equal(t, "/counter/confirm?to=account", g.Header.Get("Location"))
	confirm := g.follow().form("/counter/confirm")
	require.Equal(t, 403, confirm.set("password", "not the password").send().StatusCode)
	require.Equal(t, 303, desk.get("/counter/account").StatusCode)
	g = confirm.set("password", otherPassword).send()
	require.Equal(t, "/counter/account", g.Header.Get("Location"))
	confirm.values.Set("to", "https://evil.example/")
	require.Equal(t, "/counter/account", confirm.send().Header.Get("Location"))
	require.Equal(t, 303, form.send().StatusCode)
	olga, _ = d.signIn("olga", password)
	d.now = d.now.Add(11 * time.Minute)
	require.Equal(t, "/counter/confirm?to=staff", olga.get("/counter/staff").Header.Get("Location"))
	require.ErrorIs(t, portal.SetLocked(context.Background(), d.svc, "nobody", true), workflow.ErrNotFound)
}
