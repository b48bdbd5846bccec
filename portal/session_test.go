package portal

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
	"github.com/stretchr/testify/require"
)

func TestStaffAccounts(t *testing.T) {
	d := newDesk(t)
	ctx := context.Background()
	add := func(login, password string, role workflow.Role) error {
		return AddStaff(ctx, d.svc, login, "", role, password)
	}
	for _, bad := range [][3]string{
		{"", "seven gulls over the ropewalk", "bench"}, {"a b", "seven gulls over the ropewalk", "bench"}, {"a\r\nb", "seven gulls over the ropewalk", "bench"},
		{`a"b`, "seven gulls over the ropewalk", "bench"}, {strings.Repeat("a", 65), "seven gulls over the ropewalk", "bench"}, {"ada", "short", "bench"},
		{"ada", strings.Repeat("seven gulls", 24), "bench"}, {"ada", "password1234", "bench"}, {"ada", "seven gulls over the ropewalk", "customer"}, {"ada", "seven gulls over the ropewalk", ""},
	} {
		require.ErrorIs(t, add(bad[0], bad[1], workflow.Role(bad[2])), workflow.ErrInvalid, "%q", bad)
	}
	require.NoError(t, add(" Ada ", "seven gulls over the ropewalk", workflow.RoleOwner))
	all, err := ListStaff(ctx, d.svc)
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.Equal(t, "ada", all[0].Login)
	require.Empty(t, all[0].Password)
	token, err := AddToken(ctx, d.svc, "till", workflow.RoleBench, time.Time{})
	require.NoError(t, err)
	rows, err := d.svc.Bucket(bucketToken).List(ctx)
	require.NoError(t, err)
	require.Len(t, rows, 1)
	require.NotContains(t, rows[0].Key+string(rows[0].Value), token[3:], "only its hash is kept")
	_, err = AddToken(ctx, d.svc, "for a day", workflow.RoleBench, d.now.AddDate(0, 0, 1))
	require.NoError(t, err)
	d.now = d.now.AddDate(0, 0, 1)
	all, err = ListTokens(ctx, d.svc)
	require.NoError(t, err)
	require.Len(t, all, 1, "one that has ended is not listed")
	require.Nil(t, all[0].Until)
	require.NoError(t, RemoveToken(ctx, d.svc, "till"))
	for _, nobody := range []error{
		RemoveToken(ctx, d.svc, "till"), RemoveStaff(ctx, d.svc, "adam"), SetPassword(ctx, d.svc, "adam", gulls), SetRole(ctx, d.svc, "adam", workflow.RoleBench),
	} {
		require.ErrorIs(t, nobody, workflow.ErrNotFound)
	}
	require.NoError(t, RemoveStaff(ctx, d.svc, "ADA"))
}

// signing is a desk with a page to sign in on and one for staff.
func signing(d *desk) *desk {
	d.s.App().Post("/let-in", d.s.AskStrangers(), func(c *fiber.Ctx) error {
		if _, err := d.s.SignIn(c, c.FormValue("login"), c.FormValue("password")); err != nil && Status(err) < 500 {
			return c.Status(Status(err)).SendString(Sentence(err)) // as the counter's page shows it
		} else if err != nil {
			return err
		}
		return c.SendStatus(204)
	})
	d.s.App().Post("/let-out", d.s.Need(), d.s.SignOut)
	d.s.App().Get("/inside", d.s.Need(), func(c *fiber.Ctx) error { return c.SendString(d.s.Page(c, "").CSRF) })
	d.s.App().Post("/inside", d.s.Need(workflow.RoleOwner), func(c *fiber.Ctx) error { return c.SendString(d.s.Staff(c).Login) })
	return d
}

const gulls = "seven gulls over the ropewalk"

func (d *desk) letIn(login, password string) (got, string) {
	d.t.Helper()
	g := d.post("/let-in", "login", login, "password", password)
	for _, c := range g.Cookies() {
		if strings.HasSuffix(c.Name, "staff") {
			return g, c.Name + "=" + c.Value
		}
	}
	return g, ""
}

func TestSessions(t *testing.T) {
	cheapHashes(t)
	ctx := context.Background()
	for base, name := range map[string]string{"http://desk.example": "bw-staff", "https://desk.example": "__Host-bw-staff"} {
		first := newDesk(t)
		d := signing(first.with(func(c *Config) { c.Service.Shop.BaseURL = base }))
		wait := func(by time.Duration) { first.now = first.now.Add(by) }
		add := func(role workflow.Role) {
			require.NoError(t, AddStaff(ctx, d.svc, "ada", "Ada", role, gulls))
		}
		add(workflow.RoleOwner)
		require.ErrorIs(t, AddStaff(ctx, d.svc, "Ada", "Another", workflow.RoleBench, gulls), workflow.ErrConflict, "no name is replaced in silence")
		g, in := d.letIn("ADA ", gulls)
		require.Equal(t, 204, g.StatusCode)
		require.Len(t, g.Cookies(), 2, "the session, and that the browser is known")
		c := g.Cookies()[0]
		require.Equal(t, name, c.Name)
		require.True(t, c.HttpOnly)
		require.Equal(t, strings.HasPrefix(base, "https:"), c.Secure)
		require.Equal(t, http.SameSiteLaxMode, c.SameSite)
		require.Equal(t, "/", c.Path)
		require.Empty(t, c.Domain)
		require.GreaterOrEqual(t, len(c.Value), 27, "160 bits")
		require.NotContains(t, first.log.String(), c.Value)
		rows, err := d.svc.Bucket(bucketSession).List(ctx)
		require.NoError(t, err)
		require.Len(t, rows, 1)
		require.NotContains(t, rows[0].Key+string(rows[0].Value), c.Value, "only its hash is kept")
		require.NotContains(t, string(rows[0].Value), "argon2id")

		page := d.get("/inside", "Cookie", in)
		require.Equal(t, 200, page.StatusCode)
		require.Equal(t, "no-store", page.Header.Get("Cache-Control"))
		send := func(csrf string) int {
			r := httptest.NewRequest(http.MethodPost, "/inside", strings.NewReader(url.Values{"csrf": {csrf}}.Encode()))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Cookie", in)
			return d.send(r).StatusCode
		}
		require.Equal(t, 200, send(page.body))
		require.Equal(t, 403, send(""))
		require.Equal(t, 403, send(page.body+"x"))
		_, second := d.letIn("ada", gulls)
		require.Equal(t, 403, send(d.get("/inside", "Cookie", second).body), "another session's form")

		for _, other := range []string{"", name + "=", name + "=x", strings.ToUpper(in), in + "x", "other=" + c.Value} {
			require.Equal(t, 303, d.get("/inside", "Cookie", other).StatusCode, other)
		}
		require.Equal(t, 401, d.send(httptest.NewRequest(http.MethodPost, "/inside", nil)).StatusCode)

		wait(idleFor - time.Minute)
		require.Equal(t, 200, d.get("/inside", "Cookie", in).StatusCode)
		wait(idleFor - time.Minute)
		require.Equal(t, 200, d.get("/inside", "Cookie", in).StatusCode, "each visit keeps it")
		wait(idleFor)
		require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode, "idle too long")
		_, in = d.letIn("ada", gulls)
		for range 15 {
			wait(11 * time.Hour)
			require.Equal(t, 200, d.get("/inside", "Cookie", in).StatusCode)
		}
		wait(4 * time.Hour)
		require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode, "seven days are the end in any case")

		_, in = d.letIn("ada", gulls)
		wait(time.Minute)
		require.NoError(t, SetRole(ctx, d.svc, "ada", workflow.RoleBench))
		require.Equal(t, 403, send("whatever"), "a role that was taken away is gone at once")
		require.NoError(t, SetPassword(ctx, d.svc, "ada", gulls))
		require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode, "a new password ends the sessions before it")
		_, in = d.letIn("ada", gulls)
		require.NoError(t, RemoveStaff(ctx, d.svc, "Ada"))
		require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode)
		add(workflow.RoleOwner)
		_, in = d.letIn("ada", gulls)
		csrf := d.get("/inside", "Cookie", in).body
		r := httptest.NewRequest(http.MethodPost, "/let-out", nil)
		r.Header.Set("Cookie", in)
		r.Header.Set("X-CSRF", csrf)
		r.Header.Set("Content-Length", "0")
		out := d.send(r)
		require.Less(t, out.StatusCode, 400)
		require.True(t, out.Cookies()[0].Expires.Before(time.Unix(1000, 0)))
		require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode)
		_, again := d.letIn("ada", gulls)
		require.NotEqual(t, in, again, "a session's secret is new with each sign-in")
	}
}

func TestSignInTellsNothing(t *testing.T) {
	first := newDesk(t)
	d := signing(first.with(func(c *Config) { c.Ask, c.AskFor = 6, 10*time.Minute }))
	require.NoError(t, AddStaff(context.Background(), d.svc, "ada", "Ada", workflow.RoleOwner, gulls))
	wrong, _ := d.letIn("ada", "not the password")
	nobody, _ := d.letIn("my secret passphrase", gulls)
	long, _ := d.letIn("ada", gulls+strings.Repeat(" ", 300))
	require.Equal(t, []int{403, 403, 403}, []int{wrong.StatusCode, nobody.StatusCode, long.StatusCode})
	bare := func(g got) string { return regexp.MustCompile(`<code>[0-9a-f]+</code>`).ReplaceAllString(g.body, "") }
	require.Equal(t, bare(wrong), bare(nobody))
	require.Equal(t, bare(wrong), bare(long))
	require.Empty(t, wrong.Cookies())
	require.NotContains(t, first.log.String(), "my secret passphrase", "a password typed into the wrong field")
	require.NotContains(t, first.log.String(), "not the password")
	for range 4 { // right ones do not count
		g, _ := d.letIn("ada", gulls)
		require.Equal(t, 204, g.StatusCode)
	}
	for range 3 {
		d.letIn("ada", "not the password")
	}
	g, _ := d.letIn("ada", gulls)
	require.Equal(t, 429, g.StatusCode, "even the right one, after too many wrong ones")
	first.now = first.now.Add(11 * time.Minute)
	g, _ = d.letIn("ada", gulls)
	require.Equal(t, 204, g.StatusCode)
}

// flaky is a store that fails while told to, with a secret in its errors.
type flaky struct {
	workflow.Store
	down atomic.Bool
}

var errDown = errors.New("dial db.inside.example: password hunter2 refused")

func (f *flaky) GetKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now time.Time) ([]byte, error) {
	if f.down.Load() {
		return nil, errDown
	}
	return f.Store.GetKey(ctx, shop, bucket, key, now)
}

func (f *flaky) Job(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	if f.down.Load() {
		return nil, errDown
	}
	return f.Store.Job(ctx, shop, n)
}

// A store that does not answer is told from somebody who is not signed in: nobody is sent to sign in
// again, and no program throws its token away.
func TestStoreThatFails(t *testing.T) {
	first := newDesk(t)
	f := &flaky{Store: first.store}
	d := signing(first.with(func(c *Config) { *c.Service = *c.Service.On(f) }))
	d.s.App().Get("/api/inside", d.s.Need(), func(c *fiber.Ctx) error { return c.SendStatus(204) })
	ctx := context.Background()
	require.NoError(t, AddStaff(ctx, d.svc, "ada", "Ada", workflow.RoleOwner, gulls))
	token, err := AddToken(ctx, d.svc, "till", workflow.RoleBench, time.Time{})
	require.NoError(t, err)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	_, in := d.letIn("ada", gulls)
	require.Equal(t, 204, d.get("/api/inside", "Authorization", "Bearer "+token).StatusCode)
	f.down.Store(true)
	for _, g := range []got{
		d.get("/inside", "Cookie", in), d.get("/api/inside", "Authorization", "Bearer "+token), d.post("/let-in", "login", "ada", "password", gulls),
		d.get(at), d.get(at + "/photo/1/small.jpg"), d.post(at+"/message", "text", "Hello"),
	} {
		require.Equal(t, 500, g.StatusCode)
		require.NotContains(t, g.body, "hunter2")
		require.NotContains(t, g.body, "inside.example")
	}
	require.Contains(t, first.log.String(), "hunter2", "the log has the cause")
}

// What earlier versions kept of accounts, sessions and tokens opens: who is signed in stays so, and signs in again.
func TestAccountsOfEarlierVersions(t *testing.T) {
	first := newDesk(t)
	d := signing(first.with(func(c *Config) { c.SecondFactor = FactorOwner }))
	d.s.App().Get("/fresh", d.s.Need(), d.s.Fresh("account"), func(c *fiber.Ctx) error { return c.SendStatus(204) })
	d.s.App().Get("/api/inside", d.s.Need(), func(c *fiber.Ctx) error { return c.SendStatus(204) })
	ctx := context.Background()
	hash, err := HashPassword(first.svc.Random, gulls)
	require.NoError(t, err)
	at := `2026-11-16T13:00:00Z`
	for bucket, row := range map[string][2]string{
		bucketStaff:   {"ada", `{"login":"ada","name":"Ada","role":"counter","password":"` + hash + `","made_at":"` + at + `"}`},
		bucketSession: {hashed("secret"), `{"login":"ada","name":"Ada","role":"counter","made_at":"` + at + `","signed_in_at":"` + at + `","seen_at":"` + at + `"}`},
		bucketToken:   {hashed("bw_till"), `{"login":"token:till","name":"till","role":"bench","made_at":"` + at + `"}`},
	} {
		require.NoError(t, d.svc.Bucket(bucket).Put(ctx, row[0], []byte(row[1]), time.Time{}))
	}
	in := "bw-staff=secret"
	require.Equal(t, 200, d.get("/inside", "Cookie", in).StatusCode)
	require.Equal(t, 303, d.get("/fresh", "Cookie", in).StatusCode, "it is not known when they last proved who they are")
	require.Equal(t, 204, d.get("/api/inside", "Authorization", "Bearer bw_till").StatusCode)
	g, _ := d.letIn("ada", gulls)
	require.Equal(t, 204, g.StatusCode)
	require.NoError(t, SetRole(ctx, d.svc, "ada", workflow.RoleOwner))
	require.Equal(t, 303, d.get("/inside", "Cookie", in).StatusCode, "an owner now has to set a second factor up")
	_, again := d.letIn("ada", gulls)
	require.Equal(t, 303, d.get("/inside", "Cookie", again).StatusCode)
}
