package counter

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/portal"
	"benchword/portal/portaltest"
	"benchword/workflow/longtest"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var phoneAddress = regexp.MustCompile(`desk\.example(/counter/phone/[A-Za-z0-9_-]{27})<`)

// A desk's code signs a phone in once, within ten minutes, for twelve hours, for one job or for all, and as the bench whoever
// shows it; the phone changes no account, makes no codes, and is ended from the desk.
func TestBenchPhone(t *testing.T) {
	d := newDeskAt(t, "http://desk.example", func(c *portal.Config) { c.SecondFactor = portal.FactorOwner })
	d.diagnosing()
	one := "/counter/job/" + string(d.n)
	first := d.n
	d.n = ""
	d.booked()
	other := "/counter/job/" + string(d.n)
	olga := d.as("olga")
	code := func(page string) string {
		t.Helper()
		g := olga.page(page).form("/counter/phone").send()
		require.Equal(t, 200, g.StatusCode)
		require.Equal(t, "no-store", g.Header.Get("Cache-Control"))
		return phoneAddress.FindStringSubmatch(g.body)[1]
	}
	phone := func() *visitor { return &visitor{d: d, cookies: map[string]string{}} }

	at, v := code(one), phone()
	g := v.page(at)
	require.Contains(t, g.body, first.Shown())
	require.Equal(t, 303, v.get("/counter").StatusCode, "looking signs nobody in")
	g = g.form(at).send()
	require.Equal(t, one, g.Header.Get("Location"))
	require.Equal(t, 404, phone().get(at).StatusCode, "once")
	require.Equal(t, 200, v.get(one).StatusCode)
	require.Equal(t, 200, v.get(one+"/photos").StatusCode)
	for _, elsewhere := range []string{"/counter", other, "/counter/hours", "/counter/search?q=a"} {
		require.Equal(t, one, v.get(elsewhere).Header.Get("Location"), elsewhere)
	}
	begin := v.page(one + "/photos").form(one + "/photos")
	require.Equal(t, 403, begin.at(other+"/photos").send().StatusCode)
	require.Len(t, v.cookies, 1, "its browser is not one that has been signed in with")

	at, v = code("/counter/account"), phone()
	require.Equal(t, "/counter", v.page(at).form(at).send().Header.Get("Location"))
	require.Equal(t, 200, v.get(other).StatusCode)
	for _, closed := range []string{"/counter/account", "/counter/confirm", "/counter/staff", "/counter/figures", "/counter/new", one + "/erase"} {
		require.Equal(t, 403, v.get(closed).StatusCode, closed)
	}
	for _, closed := range []string{"/counter/phone", "/counter/account/passkey/options", "/counter/account/codes"} {
		require.Equal(t, 403, v.page(one+"/photos").form(one+"/photos").at(closed).send().StatusCode, closed)
	}
	list := olga.page("/counter/account")
	require.Contains(t, list.body, "phone for job "+first.Shown())
	require.Contains(t, list.body, "phone at the bench")
	id := regexp.MustCompile(`(?s)phone at the bench<br>.*?name="id" value="([0-9a-f]{64})"`).FindStringSubmatch(list.body)[1]
	require.Equal(t, 303, list.form("/counter/account/end").set("id", id).send().StatusCode)
	require.Equal(t, "/counter/sign-in", v.get(other).Header.Get("Location"), "cut off")

	at, v = code("/counter/account"), phone()
	require.Equal(t, 303, v.page(at).form(at).send().StatusCode)
	d.now = d.now.Add(11 * time.Hour)
	require.Equal(t, 200, v.get(other).StatusCode)
	d.now = d.now.Add(time.Hour)
	require.Equal(t, "/counter/sign-in", v.get(other).Header.Get("Location"), "twelve hours")

	rosa := d.as("rosa")
	g = rosa.page("/counter/account").form("/counter/phone").send()
	at = phoneAddress.FindStringSubmatch(g.body)[1]
	d.now = d.now.Add(10 * time.Minute)
	require.Equal(t, 404, phone().get(at).StatusCode, "ten minutes")
	at = phoneAddress.FindStringSubmatch(rosa.page("/counter").form("/counter/sign-out").at("/counter/phone").send().body)[1]
	require.NoError(t, portal.SetLocked(context.Background(), d.svc, "rosa", true))
	require.Equal(t, 404, phone().get(at).StatusCode, "whose account is locked")
	require.NotContains(t, d.log.String(), strings.TrimPrefix(at, "/counter/phone/"))
}

// TestBenchPhoneInABrowser: the code on the desk's screen is read as a phone's camera reads it, by another program; the phone
// is signed in by it, and cut off from the desk.
func TestBenchPhoneInABrowser(t *testing.T) {
	longtest.Gate(t)
	zbar := portaltest.Needs(t, "zbarimg")
	d, base, desk := atBrowser(t)
	d.booked()
	phone := portaltest.Browser(t)
	job := "/counter/job/" + string(d.n)
	at := func(ctx context.Context, path string) {
		t.Helper()
		portaltest.Until[bool](t, ctx, `location.pathname == "`+path+`" && document.readyState == "complete"`)
	}
	enter(t, desk, base, "nils", password)
	at(desk, "/counter")
	require.NoError(t, chromedp.Do(desk, chromedp.EmulateViewport(800, 1200), chromedp.Navigate(base+job), portaltest.Click(`form[action="/counter/phone"] button`)))
	at(desk, "/counter/phone")
	dir := t.TempDir()
	portaltest.Shoot(t, desk, dir, "desk.png")
	read, err := exec.Command(zbar, "-q", "--raw", filepath.Join(dir, "desk.png")).Output()
	require.NoError(t, err)
	address := strings.TrimSpace(string(read))
	require.True(t, strings.HasPrefix(address, base+"/counter/phone/"), address)
	look(t, desk, "phone-desk")

	require.NoError(t, chromedp.Do(phone, chromedp.Navigate(address), chromedp.WaitReady("main")))
	look(t, phone, "phone")
	require.NoError(t, chromedp.Do(phone, portaltest.Click(`form.form button`)))
	at(phone, job)
	require.NoError(t, chromedp.Do(desk, chromedp.Navigate(base+"/counter/account"), portaltest.Click(`form[action="/counter/account/end"] button`)))
	portaltest.Until[bool](t, desk, `document.body.innerText.includes("Signed out there")`)
	require.NoError(t, chromedp.Do(phone, chromedp.Navigate(base+job), chromedp.WaitReady("main")))
	at(phone, "/counter/sign-in")
	if dir := os.Getenv("SCREENS"); dir != "" {
		portaltest.Shoot(t, phone, dir, "phone-off.png")
	}
}
