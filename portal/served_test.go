package portal

import (
	"bytes"
	"html"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// Nothing is served but what has a route: no folder, no file of the server, no figures, no debugger, and the
// embedded files without a list of them (ASVS 5.0 V13.4).
func TestNothingElseIsServed(t *testing.T) {
	d := newDesk(t)
	for _, path := range []string{
		"/.git/HEAD", "/.git/config", "/.env", "/go.mod", "/shop.toml", "/link.keys", "/benchword.db", "/data/", "/photos/", "/debug/pprof/", "/debug/vars", "/metrics",
		"/server-status", "/assets", "/assets/", "/assets/.", "/assets/../assets", "/assets/%2e%2e/customer/track.html", "/counter.html", "/templates/",
	} {
		require.Equal(t, 404, d.get(path).StatusCode, path)
	}
	trace := httptest.NewRequest(http.MethodTrace, "/", nil)
	trace.Header.Set("Cookie", "a=echoed")
	g := d.send(trace)
	require.Equal(t, 405, g.StatusCode)
	require.NotContains(t, g.body, "echoed")
}

// A form's fields are read from its body: what an address adds or puts first changes nothing (V15.3.7).
func TestFieldsComeFromTheBody(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/message?text=from+the+address&question=yes"
	last := func() workflow.Message { m := d.job().Messages; return m[len(m)-1] }
	require.Equal(t, 422, d.post(at).StatusCode, "nothing was typed")
	require.Equal(t, 303, d.post(at, "text", "As typed.").StatusCode)
	require.Equal(t, "As typed.", last().Text.Text)
	require.False(t, last().Question)

	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	require.NoError(t, m.WriteField("text", "In parts."))
	require.NoError(t, m.Close())
	r := httptest.NewRequest(http.MethodPost, at, &b)
	r.Header.Set("Content-Type", m.FormDataContentType())
	require.Equal(t, 303, d.send(r).StatusCode)
	require.Equal(t, "In parts.", last().Text.Text)
	require.False(t, last().Question)

	require.Equal(t, 303, d.postForm(at, url.Values{"text": {"The first.", "The second."}}).StatusCode)
	require.Equal(t, "The first.", last().Text.Text, "as the counter's forms take it")
}

// What is typed is decoded once, on the way in, and escaped once, on the way out (V1.1.1, V1.1.2).
func TestTextsAreDecodedOnce(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	token := d.token(link.Own)
	const typed = `50%25 %3Cb%3E &amp; &lt;i&gt; \u003cu\u003e + %2500 %252e`
	require.Equal(t, 303, d.post("/j/"+token+"/message", "text", typed).StatusCode)
	require.Equal(t, typed, d.job().Messages[0].Text.Text)
	page := d.get("/j/" + token).body
	require.NotContains(t, page, typed)
	require.Contains(t, html.UnescapeString(page), typed)
	code := "%" + strings.ToUpper(string("0123456789abcdef"[token[0]>>4])+string("0123456789abcdef"[token[0]&15]))
	require.Equal(t, 404, d.get("/j/%25"+code[1:]+token[1:]).StatusCode, "an address is decoded once, too")
}

// What is signed for one use is worth nothing for another, in another order, or at another shop (V9.2.2, V9.2.3).
func TestSignaturesAreForOneUse(t *testing.T) {
	d, other := newDesk(t), newDesk(t)
	seen := map[string]bool{}
	for _, x := range []string{
		d.s.sign("known", "x", "ada"), d.s.sign("browser", "x", "ada"), d.s.sign("known", "xada"), d.s.sign("known", "xa", "da"), d.s.sign("known", "ada", "x"),
		d.s.formToken("x"), other.s.sign("known", "x", "ada"), other.s.formToken("x"),
	} {
		require.False(t, seen[x], x)
		require.GreaterOrEqual(t, len(x), 22, "128 bits")
		seen[x] = true
	}
	require.Equal(t, d.s.sign("known", "x", "ada"), d.s.sign("known", "x", "ada"))
}

// A new shop has nobody who can sign in (V6.3.2), and who signs out leaves nothing in the browser's cache (V14.3.1).
func TestSigningOutClearsTheBrowser(t *testing.T) {
	d := signing(newDesk(t))
	nobody, err := ListStaff(t.Context(), d.svc)
	require.NoError(t, err)
	require.Empty(t, nobody)
	require.NoError(t, AddStaff(t.Context(), d.svc, "ada", "Ada", workflow.RoleOwner, gulls))
	_, in := d.letIn("ada", gulls)
	r := httptest.NewRequest(http.MethodPost, "/let-out", nil)
	r.Header.Set("Cookie", in)
	r.Header.Set("X-CSRF", d.get("/inside", "Cookie", in).body)
	r.Header.Set("Content-Length", "0")
	out := d.send(r)
	require.Less(t, out.StatusCode, 400)
	require.Contains(t, out.Header.Get("Clear-Site-Data"), `"cache"`)
}

// A shop's own face is on every customer's page: its picture, its colours from a style sheet of its own, where its terms
// stand, and the name of the place.
func TestTheShopsOwnFace(t *testing.T) {
	d := newDesk(t)
	plain := d.get("/").body
	require.NotContains(t, plain, "/look/")
	require.Equal(t, 404, d.get("/look/logo").StatusCode)
	require.Equal(t, 404, d.get("/look/style.css").StatusCode)
	d.svc.Shop.Look = workflow.Look{Logo: []byte("\x89PNG"), LogoType: "image/png", Colour: "#1a5147", On: "#ffffff", Behind: "#d9dfd8", Privacy: "https://harbour.example/privacy"}
	page := d.get("/").body
	for _, want := range []string{`src="/look/logo?v=`, `href="/look/style.css?v=`, `href="https://harbour.example/privacy"`, ">Privacy<", "desk.example"} {
		require.Contains(t, page, want)
	}
	require.NotContains(t, page, ">Terms<")
	logo, style := d.get("/look/logo"), d.get("/look/style.css")
	require.Equal(t, "image/png", logo.Header.Get("Content-Type"))
	require.Contains(t, logo.Header.Get("Content-Security-Policy"), "default-src 'none'")
	require.Equal(t, "text/css; charset=utf-8", style.Header.Get("Content-Type"))
	require.Contains(t, style.body, "--accent: #1a5147; --accent-ink: #ffffff; --mat: #d9dfd8;")
	require.Contains(t, style.Header.Get("Cache-Control"), "immutable")
}
