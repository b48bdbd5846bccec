package counter

import (
	"context"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"benchword/portal/portaltest"

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
