// Package portaltest is what tests of pages share: a shop, a real Chromium, and the checkers that pages are held to.
//
// Contract: a program that is missing skips the test; where the environment says CI=true it fails it.
package portaltest

import (
	"context"
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// Needs finds a program, by the first of its names that is there.
func Needs(t testing.TB, names ...string) string {
	t.Helper()
	for _, n := range names {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	missing(t, "%s is not installed here", names[0])
	return ""
}

// Tool finds one of the checkers in testdata/tools, by its path in node_modules. The test's package may
// stand at any depth.
func Tool(t testing.TB, path string) string {
	t.Helper()
	for dir := "testdata"; ; dir = filepath.Join("..", dir) {
		if _, err := os.Stat(filepath.Join(dir, "tools", "package.json")); err == nil {
			full, err := filepath.Abs(filepath.Join(dir, "tools", "node_modules", path))
			require.NoError(t, err)
			if _, err := os.Stat(full); err != nil {
				missing(t, "%s is not installed here (npm ci in testdata/tools)", path)
			}
			return full
		}
		require.Less(t, strings.Count(dir, ".."), 9, "testdata/tools is not above this package")
	}
}

func missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf(format+"; .ci/run should have installed it", args...)
	}
	t.Skipf(format, args...)
}

// Browser starts a headless Chromium with nothing in it; it ends with the test.
//
// With -short, as the race detector runs, there is none: a server made slow by the detector tells nothing of
// pages, and what goes on at the same time is tested without a browser.
func Browser(t testing.TB) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("browsers run without -short only")
	}
	path := Needs(t, "chromium", "chromium-browser", "google-chrome")
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("disable-quic", true), chromedp.Flag("no-first-run", true),
	)
	for try := 1; ; try++ {
		// A test that waits for what never comes fails then, instead of holding up all the others.
		within, end := context.WithTimeout(context.Background(), 5*time.Minute)
		t.Cleanup(end)
		alloc, stop := chromedp.NewExecAllocator(within, append(options, chromedp.UserDataDir(t.TempDir()))...)
		ctx, cancel := chromedp.NewContext(alloc)
		started := make(chan error, 1)
		go func() { started <- chromedp.Do(ctx, chromedp.Navigate("about:blank")) }()
		var err error
		select {
		case err = <-started:
		case <-time.After(time.Minute):
			err = errors.New("no Chromium within a minute")
		}
		if err == nil {
			t.Cleanup(stop)
			t.Cleanup(cancel)
			return ctx
		}
		cancel()
		stop()
		require.Less(t, try, 3, "%v", err) // a busy machine may need a second start
	}
}

// Evaluate returns the value of a script, waited for if it is a promise.
func Evaluate[T any](t testing.TB, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	require.NoError(t, err, script)
	return v
}

// Until waits up to half a minute for a script's value to be truthy, also across pages, and returns it.
func Until[T any](t testing.TB, ctx context.Context, script string) T {
	t.Helper()
	var got *T
	var last error
	require.Eventually(t, func() bool {
		got, last = chromedp.Run(ctx, chromedp.Evaluate[*T]("Promise.resolve("+script+").then(v => v ? v : null)", chromedp.EvalAwaitPromise))
		return last == nil && got != nil
	}, 30*time.Second, 20*time.Millisecond, "%s: %v", script, last)
	return *got
}

// Click presses what a selector finds, once it is there: by the element and not by its place, which a
// picture that arrives late moves away.
func Click(selector string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		if _, err := chromedp.WaitVisible(selector)(ctx, t); err != nil {
			return chromedp.Void{}, err
		}
		return chromedp.Evaluate[chromedp.Void]("void document.querySelector("+strconv.Quote(selector)+").click()")(ctx, t)
	}
}

// Media makes the browser say that it prints ("print", or "" for a screen), and prefers a colour scheme.
func Media(kind, scheme string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: kind, Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
		}})
		return chromedp.Void{}, err
	}
}

// Cookie sets a cookie of a site in the browser.
func Cookie(c *http.Cookie, site string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, network.SetCookie, network.SetCookieParams{Name: c.Name, Value: c.Value, URL: site})
		return chromedp.Void{}, err
	}
}

// Shoot writes a screenshot of the whole page into a folder.
func Shoot(t testing.TB, ctx context.Context, dir, name string) {
	t.Helper()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), png, 0o644))
}

// axeRun returns every violation of the WCAG 2.2 A and AA rules, one a line; the page checks each frame by
// itself.
const axeRun = `axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}, iframes: false})
	.then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + " " + n.failureSummary.replace(/\s+/g, " "))))`

// Violations returns what axe-core 4.14.1 finds on the page that is open, and whether it has to be scrolled
// sideways.
func Violations(t testing.TB, ctx context.Context) []string {
	t.Helper()
	axe, err := os.ReadFile(Tool(t, "axe-core/axe.min.js"))
	require.NoError(t, err)
	Evaluate[chromedp.Void](t, ctx, string(axe))
	// At the end of the page a bar at its foot lies where it belongs, and covers nothing.
	Evaluate[chromedp.Void](t, ctx, `window.scrollTo({top: document.body.scrollHeight, behavior: "instant"})`)
	found := Evaluate[[]string](t, ctx, axeRun)
	if Evaluate[bool](t, ctx, `document.documentElement.scrollWidth > document.documentElement.clientWidth + 1`) {
		found = append(found, "it has to be scrolled sideways")
	}
	return found
}

// InvalidHTML returns what the Nu HTML checker (vnu-jar 26.9.27) says of pages, given by file name; "" for
// nothing. Warnings count where strict.
func InvalidHTML(t testing.TB, pages map[string][]byte, strict bool) string {
	t.Helper()
	java, jar := Needs(t, "java"), Tool(t, "vnu-jar/build/dist/vnu.jar")
	dir := t.TempDir()
	// It ends before the second compiler or a second collector would be of use.
	args := []string{"-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC", "-Xss4m", "-jar", jar, "--format", "text", "--exit-zero-always"}
	if !strict {
		args = append(args, "--errors-only")
	}
	for name, body := range pages {
		f := filepath.Join(dir, name+".html")
		require.NoError(t, os.WriteFile(f, body, 0o600))
		args = append(args, f)
	}
	out, err := exec.Command(java, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	said := strings.TrimSpace(strings.ReplaceAll(string(out), "file:"+dir+"/", ""))
	said = strings.TrimSpace(strings.TrimSuffix(said, "Document checking completed. No errors found."))
	return said
}
