package portal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
	"github.com/stretchr/testify/require"
)

// serve runs the portal on a real port until the test ends.
func (d *desk) serve() (address string) {
	d.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(d.t, err)
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	d.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(d.t, d.s.Shutdown(ctx))
		require.NoError(d.t, <-served)
	})
	return l.Addr().String()
}

// with returns another portal over the same service, built otherwise.
func (d *desk) with(change func(*Config)) *desk {
	d.t.Helper()
	other, svc := *d, *d.svc
	shop := *d.svc.Shop
	svc.Shop, other.svc = &shop, &svc
	cfg := d.s.cfg
	cfg.Service = &svc
	change(&cfg)
	var err error
	other.s, err = New(cfg)
	require.NoError(d.t, err)
	svc.Committed = func(j *workflow.Job, _ int) { other.s.Committed(j) }
	return &other
}

// What a browser says about where a form comes from, and what is made of it.
func TestWhereFormsComeFrom(t *testing.T) {
	d := newDesk(t)
	for _, x := range []struct {
		site, origin, host string
		ok                 bool
	}{
		{"", "", "", true}, // a program, or an old browser
		{"same-origin", "http://desk.example", "", true},
		{"same-origin", "null", "", true}, // what browsers send under no-referrer
		{"none", "", "", true},            // typed in, or from a bookmark
		{"", "null", "", true},
		{"", "https://desk.example", "", true}, // a proxy in front speaks TLS
		{"", "http://inside.example:8080", "inside.example:8080", true},
		{"", "http://desk.example", "inside.example:8080", true}, // the proxy has renamed the host
		{"cross-site", "http://desk.example", "", false},
		{"cross-site", "null", "", false}, // a frame without an origin, on another site's page
		{"same-site", "http://desk.example", "", false},
		{"CROSS-SITE", "", "", false},
		{"anything", "", "", false},
		{"", "https://elsewhere.example", "", false},
		{"same-origin", "https://elsewhere.example", "", false},
		{"", "http://desk.example.elsewhere.example", "", false},
		{"", "http://desk.example:81", "", false},
		{"", "http://elsewhere.example/desk.example", "", false},
		{"", "http://desk.example@elsewhere.example", "", false},
		{"", "desk.example", "", false},
		{"", "%zz", "", false},
	} {
		r := httptest.NewRequest(http.MethodPost, "/find", strings.NewReader("number=x"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if x.site != "" {
			r.Header.Set("Sec-Fetch-Site", x.site)
		}
		if x.origin != "" {
			r.Header.Set("Origin", x.origin)
		}
		r.Host = "desk.example"
		if x.host != "" {
			r.Host = x.host
		}
		resp, err := d.s.App().Test(r, -1)
		require.NoError(t, err)
		want := 403
		if x.ok {
			want = 422 // it is looked at
		}
		require.Equal(t, want, resp.StatusCode, "%+v", x)
	}
	for _, m := range []string{http.MethodGet, http.MethodHead} {
		r := httptest.NewRequest(m, "/", nil)
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		require.Equal(t, 200, d.send(r).StatusCode, "a link from elsewhere is followed")
	}
}

// Only what a trusted proxy added is believed about where a request comes from.
func TestAddress(t *testing.T) {
	base := newDesk(t)
	for _, x := range []struct {
		trusted []string
		forward string
		want    string
	}{
		{nil, "", "0.0.0.0"}, // what the test connection says of itself
		{nil, "203.0.113.7", "0.0.0.0"},
		{[]string{"10.0.0.0/8"}, "203.0.113.7", "0.0.0.0"},
		{[]string{"0.0.0.0"}, "203.0.113.7", "203.0.113.7"},
		{[]string{"0.0.0.0"}, "198.51.100.1, 203.0.113.7", "203.0.113.7"}, // the first is only claimed
		{[]string{"0.0.0.0", "10.0.0.0/8"}, "198.51.100.1, 203.0.113.7, 10.1.2.3", "203.0.113.7"},
		{[]string{"0.0.0.0/0"}, "198.51.100.1, 203.0.113.7", "198.51.100.1"},
		{[]string{"0.0.0.0"}, "203.0.113.7, none", "0.0.0.0"},
		{[]string{"0.0.0.0", "10.1.2.3"}, "203.0.113.7,, 10.1.2.3", "10.1.2.3"},
		{[]string{"0.0.0.0"}, "2001:db8::7", "2001:db8::7"},
		{[]string{"0.0.0.0"}, "::ffff:203.0.113.7", "203.0.113.7"},
		{[]string{"0.0.0.0"}, "203.0.113.7:4711", "203.0.113.7"}, // some proxies add the port
		{[]string{"0.0.0.0"}, "[2001:db8::7]:4711", "2001:db8::7"},
		{[]string{"0.0.0.0"}, "[2001:db8::7]", "2001:db8::7"},
		{[]string{"0.0.0.0"}, `198.51.100.1, "[2001:db8::7]:80"`, "2001:db8::7"},
		{[]string{"0.0.0.0"}, "fe80::1%eth0", "fe80::1"},
		{[]string{"0.0.0.0"}, "203.0.113.7, unknown", "0.0.0.0"},
		{[]string{"0.0.0.0"}, "203.0.113.7, _hidden", "0.0.0.0"},
		{[]string{"0.0.0.0"}, "203.0.113.7, [2001:db8::7", "0.0.0.0"},
		{[]string{"0.0.0.0"}, "203.0.113.7, ", "0.0.0.0"},
		{[]string{"0.0.0.0"}, "203.0.113.7\n198.51.100.1", "198.51.100.1"}, // a line for each proxy
		{[]string{"0.0.0.0", "10.0.0.0/8"}, "192.0.2.1\n192.0.2.2, 203.0.113.7\n10.1.2.3", "203.0.113.7"},
		{[]string{"0.0.0.0"}, "203.0.113.7\nunknown", "0.0.0.0"},
		{[]string{"0.0.0.0"}, strings.Repeat("1", 3000), "0.0.0.0"},
	} {
		d := base.with(func(c *Config) { c.TrustedProxies = x.trusted })
		var got string
		d.s.App().Get("/where", func(c *fiber.Ctx) error { got = d.s.address(c); return nil })
		r := httptest.NewRequest(http.MethodGet, "/where", nil)
		for line := range strings.SplitSeq(x.forward, "\n") {
			r.Header.Add("X-Forwarded-For", line)
		}
		d.send(r)
		require.Equal(t, x.want, got, "%+v", x)
	}
	cfg := base.s.cfg
	cfg.TrustedProxies = []string{"the proxy"}
	_, err := New(cfg)
	require.ErrorContains(t, err, "the proxy")
	require.ErrorContains(t, err, "127.0.0.1")
}

// A proxy that adds a line of its own, as HAProxy does, leaves the client's line before it: who changes that
// line with every try is still one network.
func TestForgedForwardingLines(t *testing.T) {
	d := newDesk(t).with(func(c *Config) { c.Ask, c.AskFor, c.TrustedProxies = 3, 10*time.Minute, []string{"127.0.0.1"} })
	address := d.serve()
	try := func(lines ...string) int {
		sent := "POST /find HTTP/1.1\r\nHost: desk.example\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 8\r\n"
		for _, l := range lines {
			sent += "X-Forwarded-For: " + l + "\r\n"
		}
		return raw(t, address, sent+"\r\nnumber=x").StatusCode
	}
	for i := range 5 {
		want := 422
		if i >= 3 {
			want = 429
		}
		require.Equal(t, want, try("8.8.40."+strconv.Itoa(i), "203.0.113.7"), "a line each, try %d", i)
		require.Equal(t, want, try("8.8.40."+strconv.Itoa(i)+", 203.0.113.8"), "in one line, try %d", i)
		require.Equal(t, want, try("8.8.40."+strconv.Itoa(i)+"\r\nx-forwarded-for: 8.8.41.1", "203.0.113.9"), "three lines, try %d", i)
	}
}

// The same through a real HAProxy with "option forwardfor".
func TestBehindHAProxy(t *testing.T) {
	bin, err := exec.LookPath("haproxy")
	if err != nil && os.Getenv("CI") == "" {
		t.Skip("HAProxy is not installed")
	}
	require.NoError(t, err)
	d := newDesk(t).with(func(c *Config) { c.Ask, c.AskFor, c.TrustedProxies = 3, 10*time.Minute, []string{"127.0.0.1"} })
	address := d.serve()
	front, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer front.Close()
	f, err := front.(*net.TCPListener).File() // it takes over what listens already, so nobody waits for it
	require.NoError(t, err)
	defer f.Close()
	settings := filepath.Join(t.TempDir(), "haproxy.cfg")
	require.NoError(t, os.WriteFile(settings, []byte("defaults\n mode http\n option forwardfor\n timeout client 30s\n timeout server 30s\n timeout connect 30s\n"+
		"frontend f\n bind fd@3\n default_backend b\nbackend b\n server s "+address+"\n"), 0o600))
	proxy := exec.Command(bin, "-db", "-f", settings)
	proxy.ExtraFiles = []*os.File{f}
	require.NoError(t, proxy.Start())
	defer func() { _ = proxy.Process.Kill(); _ = proxy.Wait() }()
	for i := range 5 {
		resp := rawFrom(t, "127.0.0.2", front.Addr().String(), "POST /find HTTP/1.1\r\nHost: desk.example\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 8\r\n"+
			"X-Forwarded-For: 8.8.40."+strconv.Itoa(i)+"\r\n\r\nnumber=x")
		require.Equal(t, i >= 3, resp.StatusCode == 429, "try %d: %d", i, resp.StatusCode)
	}
}

// A proxy that nobody named makes one of all visitors: the log says so once, and the owner reads it.
func TestAProxyThatNobodyNamed(t *testing.T) {
	d := newDesk(t).with(func(c *Config) { c.TrustedProxies = []string{"10.0.0.0/8"} })
	address := d.serve()
	get := func(more string) {
		require.Equal(t, 200, raw(t, address, "GET / HTTP/1.1\r\nHost: desk.example\r\n"+more+"\r\n").StatusCode)
	}
	get("")
	require.Empty(t, d.s.ofProxies(), "a visitor without a proxy")
	stranger := netip.MustParseAddr("203.0.113.7")
	d.s.unnamed.outside.Store(&stranger) // as a stranger who sends the header
	require.Contains(t, d.s.ofProxies()[0], "203.0.113.7")
	for range 3 {
		get("X-Forwarded-For: 198.51.100.1\r\n")
	}
	require.Len(t, d.s.ofProxies(), 1)
	require.Contains(t, d.s.ofProxies()[0], "127.0.0.1", "the proxy in the house, whoever else sent the header first")
	require.Equal(t, 1, strings.Count(d.log.String(), "trusted_proxies"), "%s", d.log.String())

	named := newDesk(t).with(func(c *Config) { c.TrustedProxies = []string{"127.0.0.0/8"} })
	address = named.serve()
	get("X-Forwarded-For: 198.51.100.1\r\n")
	require.Empty(t, named.s.ofProxies())
}

func TestNetwork(t *testing.T) {
	for address, want := range map[string]string{
		"203.0.113.7": "203.0.113.7", "2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64", "2001:db8:1:2::": "2001:db8:1:2::/64",
		"2001:db8::1": "2001:db8::/64", "2001:db8::a:b": "2001:db8::/64", "::1": "::/64", "": "",
	} {
		require.Equal(t, want, network(address), address)
	}
}

func TestAsk(t *testing.T) {
	base := newDesk(t)
	start := base.now
	for _, every := range []bool{true, false} {
		d := base.with(func(c *Config) { c.Ask, c.AskFor, c.TrustedProxies = 3, 10*time.Minute, []string{"0.0.0.0"} })
		ask := d.s.Ask(every)
		d.s.App().Get("/ask/:how", ask, func(c *fiber.Ctx) error {
			switch c.Params("how") {
			case "error":
				return &workflow.Error{Code: workflow.CodeForbidden, Message: "No."}
			case "page":
				return c.Status(403).SendString("No.")
			}
			return c.SendString("Yes.")
		})
		from := func(address, how string) got { return d.get("/ask/"+how, "X-Forwarded-For", address) }
		base.now = start
		for _, how := range []string{"error", "page", "error"} {
			require.Equal(t, 403, from("203.0.113.7", how).StatusCode)
		}
		wait := from("203.0.113.7", "right")
		require.Equal(t, 429, wait.StatusCode, "however they were refused, by page or by error")
		require.Equal(t, "600", wait.Header.Get("Retry-After"))
		require.Contains(t, wait.body, "wait ten minutes")
		require.Equal(t, 200, from("203.0.113.8", "right").StatusCode, "somebody else is not held up")
		base.now = start.Add(9 * time.Minute)
		require.Equal(t, "60", from("203.0.113.7", "right").Header.Get("Retry-After"))
		base.now = start.Add(10 * time.Minute)
		require.Equal(t, 200, from("203.0.113.7", "right").StatusCode)

		for i := range 5 {
			want := 200
			if every && i >= 3 {
				want = 429
			}
			require.Equal(t, want, from("203.0.113.9", "right").StatusCode, "try %d, every %v", i, every)
		}
		for i := range 4 {
			g := from("2001:db8::"+strconv.Itoa(i+1), "error")
			require.Equal(t, i == 3, g.StatusCode == 429, "one subscriber's addresses are one")
		}
	}
}

// Many tries at once count as many, although none has failed yet.
func TestAskAtOnce(t *testing.T) {
	a := NewCommon().asks.limiter(20, time.Minute)
	now := time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC)
	through := 0
	for range 100 {
		if a.count("here", now) == 0 {
			through++
		}
	}
	require.Equal(t, 20, through)
	for i := range 1000 {
		a.count(fmt.Sprint(i), now)
	}
	a.count("there", now.Add(2*time.Minute))
	require.Len(t, a.of, 1, "what has run out is not kept")
	a.forgive("nobody")
}

// Somebody with very many addresses goes round every limit by network. What holds then: a link has 160
// random bits, every guess gets the same answer to the byte, nobody's mailbox is flooded, and what is counted
// is bounded.
func TestGuessingFromManyAddresses(t *testing.T) {
	base := newDesk(t)
	base.toDiagnosing()
	right := base.token(link.Own)
	d := base.with(func(c *Config) { c.Ask, c.AskFor, c.TrustedProxies = 3, 10*time.Minute, []string{"0.0.0.0"} })
	var first got
	for i := range 150 {
		guess := []byte(right)
		guess[i%len(guess)] = "abcdefghijklmnopqrstuvwxyz234567"[i%32]
		if string(guess) == right {
			continue
		}
		g := d.get("/j/"+string(guess), "X-Forwarded-For", "198.51."+strconv.Itoa(i)+".7")
		require.Equal(t, 404, g.StatusCode, "a link that is nearly right opens nothing")
		g.body = regexp.MustCompile(`[0-9a-f]{16}`).ReplaceAllString(g.body, "id") // each answer names its request
		if first.Response == nil {
			first = g
		}
		require.Equal(t, first.body, g.body)
	}
	require.Equal(t, 200, d.get("/j/"+right, "X-Forwarded-For", "198.51.100.7").StatusCode)

	a := NewCommon().asks.limiter(3, time.Minute)
	refused := 0
	for i := range mostNetworks + 1000 {
		if a.count("n"+strconv.Itoa(i), base.now) > 0 {
			refused++
		}
	}
	require.LessOrEqual(t, len(a.of), mostNetworks+1)
	require.Equal(t, 700, refused, "all that come too late share a hundred counts")
	require.Zero(t, a.count("n1", base.now), "those who were there before are not held up")
	require.Zero(t, a.count("new", base.now.Add(2*time.Minute)), "and it passes")
}

// Links that open nothing are limited, and those that open something never are.
func TestTryingLinks(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	right := "/j/" + d.token(link.Own)
	small := d.with(func(c *Config) { c.Ask, c.AskFor = 5, time.Minute })
	for i := range 8 {
		g := small.get("/j/" + strings.Repeat(string(rune('a'+i)), 32))
		require.Equal(t, i >= 5, g.StatusCode == 429, "try %d: %d", i, g.StatusCode)
		require.Equal(t, 200, small.get(right+"/photo/1/small.jpg").StatusCode)
	}
	require.Equal(t, 200, small.get(right).StatusCode)
	require.Equal(t, 429, small.get("/j/"+strings.Repeat("z", 32)+"/photo/1/small.jpg").StatusCode)
}

// The protective headers are on every answer: pages, errors of every kind, and those that no handler gave.
func TestHeadersOnEveryAnswer(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	d.s.App().Get("/panic", func(*fiber.Ctx) error { panic("a secret in a panic") })
	d.s.App().Get("/fails", func(*fiber.Ctx) error { return errors.New("a secret in an error") })
	at := "/j/" + d.token(link.Own)
	secure := d.with(func(c *Config) { c.Service.Shop.BaseURL = "https://desk.example" })
	for path, status := range map[string]int{
		"/": 200, at: 200, at + "/photo/1/large.jpg": 200, "/assets/base.css": 200, "/robots.txt": 200, "/healthz": 200, "/assets/../server.go": 404,
		"/none": 404, "/j/x": 404, "/panic": 500, "/fails": 500, "/J/" + strings.TrimPrefix(at, "/j/"): 404, "/%2e%2e/%2e%2e/etc/passwd": 404,
	} {
		g := d.get(path)
		require.Equal(t, status, g.StatusCode, path)
		protected(t, g.Header, path)
		require.NotContains(t, g.body, "secret", path)
		if path != "/panic" && path != "/fails" {
			require.Equal(t, "max-age=31536000; includeSubDomains", secure.get(path).Header.Get("Strict-Transport-Security"), path)
		}
	}
	for _, m := range []string{http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodOptions, http.MethodPatch, http.MethodTrace} {
		g := d.send(httptest.NewRequest(m, at, nil))
		require.Contains(t, []int{404, 405, 411}, g.StatusCode, m)
		protected(t, g.Header, m)
	}
	require.Contains(t, d.log.String(), "a secret in a panic", "the log has the cause")
	require.Regexp(t, `request=[0-9a-f]{16} method=GET route=/fails status=500`, d.log.String())
	require.Contains(t, d.get("/fails").body, "<code>", "and the page the name to find it by")

	address := d.serve()
	for what, sent := range map[string]string{
		"no request":   "nonsense\r\n\r\n",
		"long headers": "GET " + at + " HTTP/1.1\r\nHost: desk.example\r\nX: " + strings.Repeat("a", 40000) + "\r\n\r\n",
		"odd length":   "POST /book HTTP/1.1\r\nHost: desk.example\r\nContent-Length: -5\r\n\r\n",
		"no length":    "POST " + at + "/message HTTP/1.1\r\nHost: desk.example\r\nContent-Length: many\r\n\r\n",
	} {
		resp := raw(t, address, sent)
		require.GreaterOrEqual(t, resp.StatusCode, 400, what)
		require.Less(t, resp.StatusCode, 500, what)
		protected(t, resp.Header, what)
	}
	cookies := raw(t, address, "GET / HTTP/1.1\r\nHost: desk.example\r\nCookie: "+strings.Repeat("a", 12000)+"=1\r\n\r\n")
	require.Equal(t, 200, cookies.StatusCode, "what another site of the shop's domain has set")
	require.NotContains(t, d.log.String(), strings.TrimPrefix(at, "/j/"), "no link is ever logged")
}

func protected(t *testing.T, h http.Header, what string) {
	t.Helper()
	require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'", what)
	require.NotContains(t, h.Get("Content-Security-Policy"), "unsafe", what)
	require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), what)
	require.Equal(t, "no-referrer", h.Get("Referrer-Policy"), what)
	require.Equal(t, "DENY", h.Get("X-Frame-Options"), what)
	require.Equal(t, "same-origin", h.Get("Cross-Origin-Opener-Policy"), what)
	require.Empty(t, h.Get("Server"), what)
	require.Empty(t, h.Get("Access-Control-Allow-Origin"), what)
}

// raw sends bytes on a connection of its own and reads the head of one answer.
func raw(t testing.TB, address, sent string) *http.Response {
	t.Helper()
	return rawFrom(t, "127.0.0.1", address, sent)
}

// rawFrom is raw from another address of this machine.
func rawFrom(t testing.TB, from, address, sent string) *http.Response {
	t.Helper()
	c, err := (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}).Dial("tcp", address)
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(30*time.Second)))
	_, err = io.WriteString(c, sent)
	require.NoError(t, err)
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	require.NoError(t, err, "%.100q", sent)
	require.NoError(t, resp.Body.Close())
	return resp
}

// exchange sends bytes on a connection of its own and gives all that comes back until it is closed.
func exchange(t testing.TB, address, sent string) string {
	t.Helper()
	c, err := net.Dial("tcp", address)
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(30*time.Second)))
	_, err = io.WriteString(c, sent)
	require.NoError(t, err)
	b, err := io.ReadAll(c)
	if len(b) == 0 {
		require.NoError(t, err)
	}
	return string(b)
}

// What is left of a body that nobody read must never be taken for the next request: behind a proxy that
// shares its connections, it would be answered to somebody else.
func TestBodiesDoNotBecomeRequests(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	address := d.serve()
	smuggled := "GET /packing HTTP/1.1\r\nHost: desk.example\r\n\r\n"
	body := strings.Repeat("a", 16<<10) + smuggled // past what is read ahead
	form := "--x\r\nContent-Disposition: form-data; name=\"text\"\r\n\r\n\r\n--x--\r\n"
	for what, sent := range map[string]string{
		"a page":             "GET / HTTP/1.1\r\nHost: desk.example\r\nContent-Length: " + strconv.Itoa(len(body)) + "\r\n\r\n" + body,
		"a page, by pieces":  "GET / HTTP/1.1\r\nHost: desk.example\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + smuggled,
		"nowhere":            "POST /none HTTP/1.1\r\nHost: desk.example\r\nContent-Length: " + strconv.Itoa(len(body)) + "\r\n\r\n" + body,
		"a method of no use": "PUT / HTTP/1.1\r\nHost: desk.example\r\nContent-Length: " + strconv.Itoa(len(body)) + "\r\n\r\n" + body,
		"both lengths":       "POST /none HTTP/1.1\r\nHost: desk.example\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + smuggled,
		"by pieces":          "POST /find HTTP/1.1\r\nHost: desk.example\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + smuggled,
	} {
		if what == "a page, by pieces" {
			sent += "x" // so that something is there even if the pieces are read
		}
		all := exchange(t, address, sent)
		require.Equal(t, 1, strings.Count(all, "HTTP/1.1 "), "%s: %.300s", what, all)
		require.Contains(t, strings.ToLower(all), "connection: close", what)
	}
	// A form is read to the end of its body, so what comes after it is the next request.
	after := exchange(t, address, "POST "+at+"/message HTTP/1.1\r\nHost: desk.example\r\nContent-Type: multipart/form-data; boundary=x\r\nContent-Length: "+strconv.Itoa(len(form)+len(body))+"\r\n\r\n"+form+body+
		"GET /robots.txt HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\n\r\n")
	require.Equal(t, 2, strings.Count(after, "HTTP/1.1 "), "%.300s", after)
	require.Contains(t, after, "User-agent")
	two := exchange(t, address, "GET /robots.txt HTTP/1.1\r\nHost: desk.example\r\n\r\nGET /robots.txt HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\n\r\n")
	require.Equal(t, 2, strings.Count(two, "HTTP/1.1 200"), "requests that are whole share a connection")
}

// A large form from somebody who is not signed in is refused before it is read, let alone kept.
func TestLargeForms(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	address := d.serve()
	begin := "--x\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"a.jpg\"\r\n\r\n"
	begin += strings.Repeat("a", 8<<10-len(begin)) // as much as is read ahead
	for _, path := range []string{"/find", "/book", "/j/" + d.token(link.Own) + "/message", "/counter/job/" + string(d.n) + "/photos", "/api/v1/jobs/" + string(d.n) + "/photos", "/none"} {
		for _, length := range []int{2 << 20, bodyLimit - 1, bodyLimit + 1, 1 << 40} {
			sent := begin
			if length > bodyLimit {
				sent += "a"
			}
			resp := raw(t, address, "POST "+path+" HTTP/1.1\r\nHost: desk.example\r\nContent-Type: multipart/form-data; boundary=x\r\nContent-Length: "+strconv.Itoa(length)+"\r\n\r\n"+sent)
			require.Equal(t, 413, resp.StatusCode, "%s, %d bytes", path, length)
			require.True(t, resp.Close, "%s, %d bytes", path, length)
		}
	}
	r := httptest.NewRequest(http.MethodPost, "/find", strings.NewReader("number=x"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Content-Encoding", "gzip")
	require.Equal(t, 415, d.send(r).StatusCode)
}

// A request that names no host, two of them, or two lengths, is refused and its connection ends.
func TestOneHostAndOneLength(t *testing.T) {
	address := newDesk(t).serve()
	for sent, want := range map[string]string{
		"GET / HTTP/1.1\r\nHost: desk.example\r\n\r\n":                                                                  "200",
		"GET / HTTP/1.1\r\n\r\n":                                                                                        "400",
		"GET / HTTP/1.1\r\nHost: desk.example\r\nhOst: evil.example\r\n\r\n":                                            "400",
		"GET / HTTP/1.1\r\nHost: desk.example\r\nHost: desk.example\r\n\r\n":                                            "400",
		"POST /find HTTP/1.1\r\nHost: desk.example\r\nContent-Length: 3\r\nContent-Length: 5\r\n\r\nabcde":              "400",
		"POST /find HTTP/1.1\r\nHost: desk.example\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n": "411",
	} {
		require.Equal(t, want, fmt.Sprint(raw(t, address, sent).StatusCode), "%q", sent)
		if want != "200" { // what follows is no request of its own
			require.Equal(t, 1, strings.Count(exchange(t, address, sent+"GET /find HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\n\r\n"), "HTTP/1.1 "), "%q", sent)
		}
	}
}

// Strangers are not told which version answers them.
func TestVersionIsForTheInside(t *testing.T) {
	d := newDesk(t).with(func(c *Config) { c.Version, c.TrustedProxies = "1.2.3", []string{"127.0.0.1"} })
	address := d.serve()
	for headers, told := range map[string]bool{
		"": true, "X-Forwarded-For: 10.0.0.9\r\n": true, "X-Forwarded-For: 203.0.113.7\r\n": false, "X-Forwarded-For: 127.0.0.1, 203.0.113.7\r\n": false,
	} {
		said := exchange(t, address, "GET /healthz HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\n"+headers+"\r\n")
		require.Contains(t, said, `"status":"ok"`)
		require.Equal(t, told, strings.Contains(said, "1.2.3"), headers)
	}
	unnamed := newDesk(t).with(func(c *Config) { c.Version = "1.2.3" })
	require.NotContains(t, exchange(t, unnamed.serve(), "GET /healthz HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\nX-Forwarded-For: 127.0.0.1\r\n\r\n"), "1.2.3")
}
