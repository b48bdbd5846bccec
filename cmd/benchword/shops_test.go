package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
)

// said sends bytes as they are and returns what comes back.
func (w *town) said(request string) reply {
	w.t.Helper()
	c, err := net.Dial("tcp", w.addr)
	require.NoError(w.t, err)
	defer c.Close()
	require.NoError(w.t, c.SetDeadline(time.Now().Add(30*time.Second)))
	_, err = io.WriteString(c, request)
	require.NoError(w.t, err)
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	require.NoError(w.t, err, request)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(w.t, err)
	return reply{resp.StatusCode, resp.Header, string(b)}
}

// The Host header chooses the shop, however it is written, and nothing else does; whoever is nobody's guest
// learns of no shop.
func TestHostsAreToldApart(t *testing.T) {
	w := newTown(t, 0, "", func(w *town) { w.proxies = []string{"127.0.0.1"} })
	for _, s := range w.stages { // so that the pages differ
		s.srv.service.Shop.Name = "Bench of " + string(s.srv.service.Shop.ID)
	}
	_, port, _ := net.SplitHostPort(w.addr)
	for _, host := range []string{"harbour.example", "harbour.example:" + port, "harbour.example:80", "harbour.example:1", "HARBOUR.Example", "harbour.example.", "Harbour.Example.:443", "harbour.example:"} {
		for _, more := range []string{"", "X-Forwarded-Host: hillside.example\r\n", "Forwarded: host=hillside.example\r\n", "X-Host: hillside.example\r\n", "X-Forwarded-Server: hillside.example\r\n", "X-Original-Host: hillside.example\r\n"} {
			r := w.said("GET /packing HTTP/1.1\r\nHost: " + host + "\r\n" + more + "\r\n")
			require.Equal(t, 200, r.status, "%s %s", host, more)
			require.Contains(t, r.body, "Bench of harbour", "%s %s", host, more)
			require.NotContains(t, r.body, "hillside", "%s %s", host, more)
		}
	}
	r := w.said("GET /packing HTTP/1.0\r\nHost: hillside.example\r\n\r\n")
	require.Equal(t, 200, r.status)
	require.Contains(t, r.body, "Bench of hillside")

	nobody := w.said("GET / HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n")
	require.Equal(t, 404, nobody.status)
	require.Equal(t, "default-src 'none'", nobody.header.Get("Content-Security-Policy")[:18])
	for _, request := range []string{
		"GET / HTTP/1.0\r\n\r\n", "GET / HTTP/1.1\r\n\r\n", "GET / HTTP/1.1\r\nHost:\r\n\r\n", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: xharbour.example\r\n\r\n", "GET / HTTP/1.1\r\nHost: a.harbour.example\r\n\r\n", "GET / HTTP/1.1\r\nHost: harbour.example..\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: harbour.example, hillside.example\r\n\r\n", "GET / HTTP/1.1\r\nHost: harbour.example/\r\n\r\n", "GET / HTTP/1.1\r\nHost: harbour.example@hillside.example\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: hillside.example@harbour.example\r\n\r\n", "GET / HTTP/1.1\r\nHost: [harbour.example]\r\n\r\n", "GET / HTTP/1.1\r\nHost: harbour.example#\r\n\r\n", "GET / HTTP/1.1\r\nHost: harbour\r\n\r\n",
		"GET http://hillside.example/packing HTTP/1.1\r\nHost: harbour.example\r\n\r\n", "GET http://elsewhere.example/packing HTTP/1.1\r\nHost: harbour.example\r\n\r\n", "GET http://harbour.example/packing HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
		"GET /counter/sign-in HTTP/1.1\r\nHost: elsewhere.example\r\nX-Forwarded-Host: harbour.example\r\n\r\n", "GET /assets/base.css HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
		"POST /book HTTP/1.1\r\nHost: elsewhere.example\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 6\r\n\r\nkind=x",
	} {
		r := w.said(request)
		require.Contains(t, []int{400, 404}, r.status, request)
		if r.status == 404 {
			require.Equal(t, nobody.body, r.body, request)
		}
		require.NotRegexp(t, `(?i)bench of|harbour|hillside`, strings.ReplaceAll(strings.ReplaceAll(r.body, "harbour.example", ""), "hillside.example", ""), request)
	}
	r = w.said("GET / HTTP/1.1\r\nHost: elsewhere.example\r\nAccept-Language: de\r\n\r\n")
	require.Contains(t, r.body, "Diese Adresse gibt es hier nicht")

	// A connection that was one shop's is nobody's with its next request.
	c, err := net.Dial("tcp", w.addr)
	require.NoError(t, err)
	defer c.Close()
	in := bufio.NewReader(c)
	for range 3 {
		for _, id := range []string{"harbour", "hillside", "elsewhere"} {
			_, err = io.WriteString(c, "GET /packing HTTP/1.1\r\nHost: "+id+".example\r\n\r\n")
			require.NoError(t, err)
			resp, err := http.ReadResponse(in, nil)
			require.NoError(t, err)
			b, err := io.ReadAll(resp.Body)
			require.NoError(t, err)
			require.Equal(t, id != "elsewhere", strings.Contains(string(b), "Bench of "+id))
		}
	}

	// A form that one shop's page sends to another is foreign.
	form := "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 6\r\n\r\nkind=x"
	r = w.said("POST /book HTTP/1.1\r\nHost: harbour.example\r\nOrigin: http://hillside.example\r\n" + form)
	require.Equal(t, 403, r.status)

	// Health is told under any host, of all, and names none.
	for _, host := range []string{"harbour.example", "elsewhere.example", "127.0.0.1"} {
		for _, page := range []string{"livez", "readyz", "healthz"} {
			r := w.said("GET /" + page + " HTTP/1.1\r\nHost: " + host + "\r\n\r\n")
			require.Equal(t, 200, r.status, r.body)
			require.NotRegexp(t, "harbour|hillside", r.body)
		}
	}
	var health map[string]any
	require.NoError(t, json.Unmarshal([]byte(w.said("GET /healthz HTTP/1.0\r\n\r\n").body), &health))
	require.Equal(t, map[string]any{"status": "ok", "version": version(), "shops": 2.0, "closed": 0.0, "not_well": 0.0}, health)

	// Figures name the shop, on their own address.
	gathered, err := w.all[0].registry.Gather()
	require.NoError(t, err)
	require.NotEmpty(t, gathered)
	for _, f := range gathered {
		of := map[string]bool{}
		for _, m := range f.Metric {
			for _, l := range m.Label {
				if l.GetName() == "shop" {
					of[l.GetValue()] = true
				}
			}
		}
		want := map[string]bool{"harbour": true, "hillside": true}
		if f.GetName() == "benchword_picture_processes_ended_total" {
			want = map[string]bool{} // of the process, for all
		}
		require.Equal(t, want, of, f.GetName())
	}
}

// Two shops that claim the same are refused, by the files and lines that say so.
func TestShopsMustDiffer(t *testing.T) {
	for _, x := range []struct {
		what  string
		spoil func(dir string, settings *string)
		want  string
	}{
		{"ids", func(_ string, s *string) { *s = strings.Replace(*s, `id = "shop1"`, `id = "shop0"`, 1) },
			`shop0/shop.toml, line 3 and DIR/shop1/shop.toml, line 3: both shops have the id "shop0"`},
		{"hosts", func(_ string, s *string) {
			*s = strings.Replace(*s, "http://shop1.example", "https://SHOP0.example.:8443", 1)
		}, `shop0/shop.toml, line 5 and DIR/shop1/shop.toml, line 5: both shops have the host shop0.example`},
		{"hosts, one of them with a mistake", func(_ string, s *string) {
			*s = strings.Replace(strings.Replace(*s, "http://shop1.example", "http://shop0.example", 1), "America/Halifax", "America/Nowhere", 1)
		}, `both shops have the host shop0.example`},
		{"data", func(dir string, _ *string) {
			require.NoError(t, os.Symlink(filepath.Join(dir, "shop0", "data"), filepath.Join(dir, "shop1", "data")))
		}, `both shops have the data folder`},
		{"folders", func(dir string, _ *string) {
			require.NoError(t, os.Symlink(filepath.Join(dir, "shop0"), filepath.Join(dir, "shop2")))
		}, `both shops have the id "shop0"`},
		{"mailboxes", func(dir string, s *string) {
			box := "[inbox]\nhost = \"IMAP.example.net\"\nuser = \"bench\"\n"
			first := filepath.Join(dir, "shop0", settingsName)
			b, err := os.ReadFile(first)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(first, append(b, strings.ToLower(box)...), 0o600))
			*s += box
		}, `both shops have the mailbox bench@imap.example.net`},
	} {
		t.Run(x.what, func(t *testing.T) {
			dir := deploymentFolder(t, 2, "")
			require.NoError(t, os.Mkdir(filepath.Join(dir, "shop0", "data"), 0o700))
			path := filepath.Join(dir, "shop1", settingsName)
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			settings := string(b)
			x.spoil(dir, &settings)
			require.NoError(t, os.WriteFile(path, []byte(settings), 0o600))
			var told bytes.Buffer
			require.Equal(t, 1, run(t.Context(), []string{"serve", "--shops", dir}, nil, io.Discard, &told))
			require.Contains(t, strings.ReplaceAll(told.String(), dir, "DIR"), x.want)
		})
	}
}

// Settings with a mistake close their own shop, and --check lists them all.
func TestOneShopsMistakeIsItsOwn(t *testing.T) {
	dir := deploymentFolder(t, 4, "")
	spoil := func(name, old, now string) {
		path := filepath.Join(dir, name, settingsName)
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Contains(t, string(b), old)
		require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(b), old, now, 1)), 0o600))
	}
	call := func(args ...string) (int, string, string) {
		var out, errOut bytes.Buffer
		code := run(t.Context(), args, nil, &out, &errOut)
		return code, out.String(), strings.ReplaceAll(errOut.String(), dir, "DIR")
	}
	code, out, _ := call("serve", "--shops", dir, "--check")
	require.Equal(t, 0, code)
	require.Contains(t, out, "4 shops")
	spoil("shop1", `currency = "CAD"`, `currency = "DUCATS"`)
	spoil("shop2", "[money]", "[web]\nlisten = \"127.0.0.1:1\"\n[money]")
	code, _, told := call("serve", "--shops", dir, "--check")
	require.Equal(t, 1, code)
	require.Contains(t, told, "DIR/shop1/shop.toml, line 22: money.currency is not an ISO 4217 currency code")
	require.Contains(t, told, "DIR/shop2/shop.toml, line 21: how the shops are reached is set for all of them: move web into deployment.toml")
	_, err := os.Stat(filepath.Join(dir, "shop0", dataName))
	require.ErrorIs(t, err, os.ErrNotExist, "nothing was started")
	code, _, told = call("serve", "--shops", dir, "--check", "--roles", "portal")
	require.Equal(t, 2, code)
	require.Contains(t, told, "DIR/shop0/shop.toml: a server whose jobs are in its data folder does everything itself")
	code, _, _ = call("serve", "--check")
	require.Equal(t, 2, code)
	code, _, told = call("serve", "--shops", t.TempDir())
	require.Equal(t, 1, code)
	require.Contains(t, told, "holds no shop")

	// A database that can't be read is its shop's own trouble too, and is tried again.
	damaged := filepath.Join(dir, "shop3", dataName)
	require.NoError(t, os.WriteFile(damaged, []byte("no folder"), 0o600))
	all, err := readShops(dir, roles{true, true})
	require.NoError(t, err)
	log := &locked{}
	clock := &movedClock{}
	clock.set(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
	s := &shops{roles: roles{true, true}, log: loggerTo(log), now: clock.now}
	require.NoError(t, openShops(t.Context(), all, s))
	require.Len(t, s.open, 1)
	require.Contains(t, log.String(), "shop1/shop.toml, line 22: money.currency")
	require.Contains(t, log.String(), "shop3")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.run(ctx, l, "127.0.0.1:0") }()
	w := &town{t: t, addr: l.Addr().String()}
	ask := func(host, path string) reply {
		return w.said("GET " + path + " HTTP/1.1\r\nHost: " + host + "\r\n\r\n")
	}
	require.Equal(t, 200, ask("shop0.example", "/").status)
	for _, host := range []string{"shop1.example", "shop2.example", "shop3.example"} {
		r := ask(host, "/counter")
		require.Equal(t, 503, r.status, host)
		require.Contains(t, r.body, "Nothing is lost")
		require.NotContains(t, r.body, "Harbour")
	}
	require.Equal(t, 404, ask("shop4.example", "/").status)
	r := ask("shop1.example", "/readyz")
	require.Equal(t, 200, r.status, "one shop's mistake is no reason to send nobody here")
	require.JSONEq(t, fmt.Sprintf(`{"status":"well in part","version":%q,"shops":1,"closed":3,"not_well":0}`, version()), r.body)

	require.NoError(t, os.Remove(damaged))
	s.again(ctx)
	require.Equal(t, 200, ask("shop3.example", "/").status)
	require.Equal(t, 503, ask("shop1.example", "/").status)
	clock.set(clock.now().Add(time.Minute))
	require.Contains(t, ask("elsewhere.example", "/healthz").body, `"shops":2`)
	s.again(ctx) // nothing is away any more
	require.Len(t, s.open, 2)
	cancel()
	require.NoError(t, <-done)

	for i := range 4 {
		spoil(fmt.Sprintf("shop%d", i), "time_zone", "time_zones")
	}
	code, _, told = call("serve", "--shops", dir)
	require.Equal(t, 1, code)
	require.Equal(t, 4, strings.Count(told, "there is no setting called"), told)
}

// All shops are copied; one that can't be is told, and the others are there.
func TestBackupOfAllShops(t *testing.T) {
	dir, to := deploymentFolder(t, 3, ""), filepath.Join(t.TempDir(), "copy")
	for _, name := range []string{"shop0", "shop2"} { // the third never ran
		err := run(t.Context(), []string{"staff", "add", "ada", "--role", "owner", "--config", filepath.Join(dir, name, settingsName), "--data", filepath.Join(dir, name, dataName)}, strings.NewReader(demoPassword+"\n"), io.Discard, io.Discard)
		require.Zero(t, err)
	}
	var told bytes.Buffer
	require.Equal(t, 1, run(t.Context(), []string{"backup", "--shops", dir, "--to", to}, nil, io.Discard, &told))
	require.Contains(t, told.String(), filepath.Join(dir, "shop1")+" was not copied")
	require.Equal(t, 1, strings.Count(told.String(), "was not copied"))
	require.NoError(t, os.RemoveAll(filepath.Join(to, "shop1")))
	for _, name := range []string{"shop0", "shop2"} {
		require.Zero(t, run(t.Context(), []string{"backup", "--check", filepath.Join(to, name, dataName)}, nil, io.Discard, io.Discard))
	}
	require.Zero(t, run(t.Context(), []string{"serve", "--shops", to, "--check"}, nil, io.Discard, io.Discard), "the copy is such a folder itself")
}

// A shop more needs a few goroutines, and returns all of them back.
func TestShopsLeaveNothingBehind(t *testing.T) {
	running := func() int { return runtime.NumGoroutine() }
	before := running()
	all, err := readShops(deploymentFolder(t, 20, ""), roles{true, true})
	require.NoError(t, err)
	s := &shops{roles: roles{true, true}, log: loggerTo(io.Discard)}
	require.NoError(t, openShops(t.Context(), all, s))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.run(ctx, l, "") }()
	w := &town{t: t, addr: l.Addr().String()}
	require.Equal(t, 200, w.said("GET / HTTP/1.1\r\nHost: shop7.example\r\n\r\n").status)
	each := float64(running()-before) / 20
	t.Logf("%.1f goroutines a shop", each)
	require.Less(t, each, 15.0)
	cancel()
	require.NoError(t, <-done)
	require.Eventually(t, func() bool { return running() < before+20 }, 20*time.Second, 10*time.Millisecond, "goroutines are left")
}

// Shops on one Redis share its connections: thirty of them take no more than one does, and hear of changes
// on one connection.
func TestShopsShareTheirRedis(t *testing.T) {
	r := redistest.Start(t)
	dir := deploymentFolder(t, 30, "[store]\nurl = \""+r.URL()+"\"\n")
	all, err := readShops(dir, roles{true, true})
	require.NoError(t, err)
	s := &shops{roles: roles{true, true}, log: loggerTo(io.Discard)}
	require.NoError(t, openShops(t.Context(), all, s))
	require.Len(t, s.open, 30)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.run(ctx, l, "") }()
	w := &town{t: t, addr: l.Addr().String()}
	require.Equal(t, 200, w.said("GET / HTTP/1.1\r\nHost: shop29.example\r\n\r\n").status)
	client := r.Client(t)
	heard := func() int {
		of, err := client.PubSubShardChannels(t.Context(), "*").Result()
		require.NoError(t, err)
		return len(of)
	}
	require.Eventually(t, func() bool { return heard() == 30 }, 20*time.Second, 10*time.Millisecond, "each shop is listened to")
	list, err := client.ClientList(t.Context()).Result()
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(list, "ssub=30"), "on one connection")
	require.LessOrEqual(t, strings.Count(list, "\n"), 70, list)
	cancel()
	require.NoError(t, <-done)
	require.Eventually(t, func() bool { return heard() == 0 }, 20*time.Second, 10*time.Millisecond)
}
