package counter

import (
	"context"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"benchword/portal"
	"benchword/portal/portaltest"
	"benchword/workflow/longtest"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/webauthn"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// atBrowser is a desk on a real port, under a name for which browsers make passkeys without https.
func atBrowser(t *testing.T) (*desk, string, context.Context) {
	ctx := portaltest.Browser(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, port, err := net.SplitHostPort(l.Addr().String())
	require.NoError(t, err)
	base := "http://localhost:" + port
	d := newDeskAt(t, base)
	d.now = time.Now() // by which the browser forgets cookies
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(t, d.s.Shutdown(ctx))
		require.NoError(t, <-served)
	})
	return d, base, ctx
}

// look holds the page that is open to axe and the HTML checker, at 390 px; with SCREENS set it takes a picture.
func look(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 6000)))
	require.Empty(t, portaltest.Violations(t, ctx), name)
	if dir := os.Getenv("SCREENS"); dir != "" {
		portaltest.Shoot(t, ctx, dir, name+".png")
	}
}

// fill fills a field in.
func fill(ctx context.Context, t *testing.T, selector, text string) {
	t.Helper()
	require.NoError(t, chromedp.Do(ctx, chromedp.WaitVisible(selector), chromedp.SendKeys(selector, text)))
}

// enter signs somebody in on the page.
func enter(t *testing.T, ctx context.Context, base, login, password string) {
	t.Helper()
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(base+"/counter/sign-in")))
	fill(ctx, t, "#login", login)
	fill(ctx, t, "#password", password)
	require.NoError(t, chromedp.Do(ctx, portaltest.Click("form.form button[type=submit]")))
}

func TestAccountPagesInABrowser(t *testing.T) {
	longtest.Gate(t)
	d, base, ctx := atBrowser(t)
	pages := map[string][]byte{}
	v := d.as("olga")
	enter(t, ctx, base, "olga", password)
	portaltest.Until[bool](t, ctx, `location.pathname == "/counter/" || location.pathname == "/counter"`)
	for _, p := range []string{"account", "staff", "confirm", "sign-in"} {
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(base+"/counter/"+p), chromedp.WaitReady("main")))
		look(t, ctx, p)
		g := v.get("/counter/" + p)
		if g.StatusCode == http.StatusOK {
			pages[p] = []byte(g.body)
		}
	}
	f := v.page("/counter/staff").form("/counter/staff").set("login", "ida").set("role", "bench")
	link := strings.Split(strings.Split(string(f.send().body), base)[1], "<")[0]
	pages["welcome"] = []byte(v.page(link).body)
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(base+link), chromedp.WaitReady("main")))
	look(t, ctx, "welcome")
	require.Empty(t, portaltest.InvalidHTML(t, pages, false))
}

// authenticator is a virtual one in the browser.
func authenticator(t *testing.T, ctx context.Context) webauthn.AuthenticatorID {
	t.Helper()
	got, err := chromedp.Run(ctx, func(ctx context.Context, t *chromedp.Target) (got webauthn.AddVirtualAuthenticatorResult, err error) {
		if _, err := cdp.Call(ctx, t, webauthn.Enable, webauthn.EnableParams{}); err != nil {
			return got, err
		}
		return cdp.Call(ctx, t, webauthn.AddVirtualAuthenticator, webauthn.AddVirtualAuthenticatorParams{Options: &webauthn.VirtualAuthenticatorOptions{
			Protocol: "ctap2", Transport: "internal", HasResidentKey: true, HasUserVerification: true, IsUserVerified: true, AutomaticPresenceSimulation: true,
		}})
	})
	require.NoError(t, err)
	return got.AuthenticatorID
}

// TestPasskeysInABrowser: a passkey is made, signs in without a password, stands in as second factor, is refused without a
// finger, lost, and replaced.
func TestPasskeysInABrowser(t *testing.T) {
	longtest.Gate(t)
	d, base, ctx := atBrowser(t)
	device := authenticator(t, ctx)
	at := func(path string) {
		t.Helper()
		portaltest.Until[bool](t, ctx, `location.pathname == "`+path+`" && document.readyState == "complete"`)
	}
	open := func(path string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(base+path), chromedp.WaitReady("main")))
	}
	click := func(selector string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, portaltest.Click(selector)))
	}
	signOut := func() {
		t.Helper()
		click(`form[action="/counter/sign-out"] button`)
		at("/counter/sign-in")
	}
	says := func(words string) {
		t.Helper()
		portaltest.Until[bool](t, ctx, `document.body.innerText.includes("`+words+`")`)
	}
	setDevice := func(method string, params any) {
		t.Helper()
		_, err := chromedp.Run(ctx, func(ctx context.Context, t *chromedp.Target) (cdp.Empty, error) {
			var out cdp.Empty
			return out, t.Call(ctx, method, params, &out)
		})
		require.NoError(t, err)
	}
	enter(t, ctx, base, "olga", password)
	at("/counter")
	open("/counter/account")
	fill(ctx, t, "#passkey-name", "Desk")
	click("[data-passkey] button")
	says("You can sign in with this passkey")
	says("Passkey Desk")
	says("You have no recovery codes")
	look(t, ctx, "account-passkey")
	signOut()

	click("[data-passkey] button")
	at("/counter")
	says("Signed in as Olga")
	// Later, where accounts change, it says once more who is there; somebody else's does not.
	d.now = d.now.Add(time.Hour)
	open("/counter/account")
	at("/counter/confirm")
	look(t, ctx, "confirm-passkey")
	setDevice("WebAuthn.setResponseOverrideBits", map[string]any{"authenticatorId": device, "isBogusSignature": true})
	click("[data-passkey] button")
	says("That passkey was not accepted here")
	setDevice("WebAuthn.setResponseOverrideBits", map[string]any{"authenticatorId": device})
	click("[data-passkey] button")
	at("/counter/account")
	says("Passkey Desk")
	signOut()
	enter(t, ctx, base, "olga", password)
	at("/counter/sign-in/second")
	look(t, ctx, "second")
	click("[data-passkey] button")
	at("/counter")
	signOut()

	setDevice("WebAuthn.setUserVerified", map[string]any{"authenticatorId": device, "isUserVerified": false})
	click("[data-passkey] button")
	says("No passkey was used")
	setDevice("WebAuthn.setUserVerified", map[string]any{"authenticatorId": device, "isUserVerified": true})
	setDevice("WebAuthn.setResponseOverrideBits", map[string]any{"authenticatorId": device, "isBogusSignature": true})
	click("[data-passkey] button")
	says("That passkey was not accepted here")
	setDevice("WebAuthn.setResponseOverrideBits", map[string]any{"authenticatorId": device, "isBogusSignature": false, "isBadUV": true})
	click("[data-passkey] button")
	says("That passkey was not accepted here")
	setDevice("WebAuthn.setResponseOverrideBits", map[string]any{"authenticatorId": device})

	// Lost: the other owner lets her in, and she makes a new one.
	setDevice("WebAuthn.clearCredentials", map[string]any{"authenticatorId": device})
	click("[data-passkey] button")
	says("No passkey was used")
	require.NoError(t, portal.SetRole(context.Background(), d.svc, "rosa", "owner"))
	form := d.as("rosa").page("/counter/staff").form("/counter/staff/change").set("login", "olga")
	form.values.Set("do", "factor")
	require.Equal(t, 303, form.send().StatusCode)
	enter(t, ctx, base, "olga", password)
	at("/counter")
	open("/counter/account")
	fill(ctx, t, "#passkey-name", "New phone")
	click("[data-passkey] button")
	says("Passkey New phone")
	signOut()
	click("[data-passkey] button")
	at("/counter")
	open("/counter/account")
	require.False(t, portaltest.Evaluate[bool](t, ctx, `document.body.innerText.includes("Desk")`))
	click(`form[action="/counter/account/passkey/remove"] button`)
	says("That passkey no longer signs you in")
	signOut()
	click("[data-passkey] button")
	says("That passkey was not accepted here")
}
