package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"io"
	mathrand "math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
)

// chance is randomness that two shops can be given alike.
type chance struct {
	mu    sync.Mutex
	alike *mathrand.ChaCha8
}

func (c *chance) Read(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.alike != nil {
		return c.alike.Read(b)
	}
	return rand.Read(b)
}

func (c *chance) set(alike *mathrand.ChaCha8) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.alike = alike
}

// TestNoShopReachesAnother plays the same past in two shops of one process: the same job numbers, customers
// and staff, links with the same ids, made with the same keys. Then everything that opens something in the
// harbour is tried at the hillside, where it must be worth what somebody made up is worth.
func TestNoShopReachesAnother(t *testing.T) {
	if testing.Short() {
		t.Skip("one request after another: the race detector has nothing to see")
	}
	t.Run("a database each", func(t *testing.T) {
		t.Parallel()
		noShopReachesAnother(t, "")
	})
	t.Run("one Redis", func(t *testing.T) {
		longtest.Gate(t)
		t.Parallel()
		noShopReachesAnother(t, redistest.Start(t).URL())
	})
}

func noShopReachesAnother(t *testing.T, redis string) {
	dice := []*chance{{}, {}}
	var past []*demo
	w := newTown(t, 1_000_000, redis, func(w *town) {
		w.prepare = func() {
			keys := filepath.Join(w.stages[0].data, keysName)
			_, err := keyFile(keys, 1)
			require.NoError(t, err)
			require.NoError(t, copyFile(keys, filepath.Join(w.stages[1].data, keysName)))
		}
		w.before = func() {
			for i, s := range w.stages {
				s.clock.still = true
				s.clock.set(time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC))
				s.srv.service.Random = dice[i]
				dice[i].set(mathrand.NewChaCha8(sha256.Sum256([]byte("both"))))
				d, err := playDemo(context.Background(), s.srv, s.clock, 0, "")
				require.NoError(t, err)
				dice[i].set(nil)
				past = append(past, d)
			}
			w.stages[0].clock.set(time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC))
		}
	})
	harbour, hillside := w.stages[0], w.stages[1]
	mine, theirs := past[0], past[1]
	n := mine.toApprove.number
	require.Equal(t, n, theirs.toApprove.number)
	require.Equal(t, harbour.job(n).Links[0].ID, hillside.job(n).Links[0].ID)
	for _, p := range []link.Purpose{link.Own, link.Decide} {
		a, b := harbour.link(mine.toApprove, p), hillside.link(theirs.toApprove, p)
		require.NotEqual(t, a[len(harbour.base):], b[len(hillside.base):], "the shop is part of what a link is made of")
		require.Equal(t, 200, harbour.visitor().get(a[len(harbour.base):]).status)
		require.Equal(t, 200, hillside.visitor().get(b[len(hillside.base):]).status)
	}

	t.Run("what opens something", func(t *testing.T) { foreignKeys(t, harbour, hillside, mine, theirs) })
	t.Run("jobs", func(t *testing.T) { foreignJobs(t, harbour, hillside) })
	t.Run("staff", func(t *testing.T) { foreignStaff(t, harbour, hillside) })
	t.Run("repeats", func(t *testing.T) { foreignRepeats(t, harbour, hillside) })
	t.Run("live pages", func(t *testing.T) { foreignChanges(t, harbour, hillside, theirs) })
}

// What is drawn for each request: its number, and what a passkey is to sign.
var requestIn, challengeIn = regexp.MustCompile(`\b[0-9a-f]{16}\b`), regexp.MustCompile(`"challenge":"[\w-]+"`)

// answered is an answer without what differs from request to request: hide are pairs of a text and what
// stands for it.
func answered(t *testing.T, method, address string, kind, body string, token string, cookies []*http.Cookie, hide ...string) string {
	req, err := http.NewRequest(method, address, strings.NewReader(body))
	require.NoError(t, err)
	if method == http.MethodGet || method == http.MethodHead {
		req.Body, req.ContentLength = nil, 0
	}
	req.Header.Set("Content-Type", kind)
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for _, c := range cookies {
		req.AddCookie(c)
	}
	c := &http.Client{Timeout: 30 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Do(req)
	require.NoError(t, err, address)
	defer resp.Body.Close()
	page, err := io.ReadAll(resp.Body)
	require.NoError(t, err, address)
	resp.Header.Del("Date")
	resp.Header.Del("Content-Length") // the page is compared
	whole := fmt.Sprintf("%d %v\n%s", resp.StatusCode, resp.Header, page)
	return challengeIn.ReplaceAllString(requestIn.ReplaceAllString(strings.NewReplacer(hide...).Replace(whole), "(request)"), "(challenge)")
}

func made() string {
	var b [20]byte
	_, _ = rand.Read(b[:])
	return strings.Map(func(r rune) rune { return rune("abcdefghijklmnopqrstuvwxyz234567"[r%32]) }, fmt.Sprintf("%x", b)[:32])
}

// foreignKeys tries the harbour's links, session and token on every route of the hillside.
func foreignKeys(t *testing.T, harbour, hillside *stage, mine, theirs *demo) {
	session := harbour.signIn()
	look, decide := harbour.link(mine.toApprove, link.Own)[len(harbour.base)+3:], harbour.link(mine.toApprove, link.Decide)[len(harbour.base)+3:]
	forms, _ := formsOf(t, harbour.visitor(session...).get("/counter/job/"+string(mine.toApprove.number)+"/letters").body)
	csrf := forms[0].values.Get("csrf")
	require.NotEmpty(t, csrf)
	before, own := hillside.everything(theirs), harbour.everything(mine)
	tried := 0
	for _, r := range harbour.routes(mine) {
		if r.method == http.MethodPost && slices.Contains([]string{"/book", "/find", "/counter/sign-in"}, r.pattern) {
			continue // open to all; what is sent to them is tried apart
		}
		form := url.Values{"csrf": {csrf}, "text": {"Hello"}, "verdict": {"approve"}, "option": {"A"}, "read": {"yes"}, "sum": {harbour.job(mine.toApprove.number).Quote().Option("A").Result.Total.String()}, "confirm": {"yes"}, "name": {"Mira Osei"}, "reason": {"Why"}, "id": {"1"}}
		body, kind := form.Encode(), "application/x-www-form-urlencoded"
		if strings.HasPrefix(r.path, "/api/") {
			body, kind = bodies[r.path[strings.LastIndexByte(r.path, '/')+1:]], "application/json"
		}
		nobody, key, other := made(), "bw_"+made(), made()
		path := strings.NewReplacer(look, nobody, decide, nobody).Replace(r.path)
		stranger := []*http.Cookie{{Name: session[0].Name, Value: other}}
		got := answered(t, r.method, hillside.base+r.path, kind, body, harbour.tokens["owner"], session, look, "(link)", decide, "(link)")
		want := answered(t, r.method, hillside.base+path, kind, strings.ReplaceAll(body, csrf, other), key, stranger, nobody, "(link)")
		require.Equal(t, want, got, "%s %s", r.method, r.pattern)
		if strings.Contains(r.pattern, ":token") || strings.HasPrefix(r.pattern, "/counter/job/") || strings.HasPrefix(r.pattern, "/api/v1/jobs") {
			require.NotRegexp(t, `^2`, got, "%s %s opens", r.method, r.pattern)
			tried++
		}
	}
	require.Greater(t, tried, 100)
	require.Equal(t, before, hillside.everything(theirs))
	require.Equal(t, own, harbour.everything(mine))
}

// foreignJobs asks, as the hillside's own staff, for a job that only the harbour has.
func foreignJobs(t *testing.T, harbour, hillside *stage) {
	j, err := harbour.srv.service.Do(context.Background(), workflow.Order{By: workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: "Quirina Vell", Email: "quirina@post.example", Language: "en"}, Kind: "marine radio", Maker: "Halden", Model: "MR-9", Fault: "Silent, ZX-4711.",
	}}})
	require.NoError(t, err)
	none, err := workflow.NewJobNumber(rand.Reader)
	require.NoError(t, err)
	session := hillside.signIn()
	forms, _ := formsOf(t, hillside.visitor(session...).get("/counter/new").body)
	csrf := forms[len(forms)-1].values.Get("csrf")
	require.NotEmpty(t, csrf)
	tried := 0
	for _, r := range hillside.portals[0].portal.App().GetRoutes(true) {
		if !strings.Contains(r.Path, ":number") {
			continue
		}
		tried++
		at := func(n workflow.JobNumber) string {
			return strings.NewReplacer(":number", string(n), ":id", "1", ":n", "1", ":size", "large", ":to", "diagnosing", ":form", "quote", "*", "x").Replace(r.Path)
		}
		body, kind := url.Values{"csrf": {csrf}, "text": {"Hello"}, "reason": {"Why"}, "id": {"1"}}.Encode(), "application/x-www-form-urlencoded"
		if strings.HasPrefix(r.Path, "/api/") {
			body, kind = bodies[r.Path[strings.LastIndexByte(r.Path, '/')+1:]], "application/json"
		}
		ask := func(n workflow.JobNumber) string {
			return answered(t, r.Method, hillside.base+at(n), kind, body, hillside.tokens["owner"], session, string(n), "(job)", n.Shown(), "(job)")
		}
		got := ask(j.Number)
		require.Equal(t, ask(none), got, "%s %s", r.Method, r.Path)
		require.NotRegexp(t, `^2`, got)
	}
	require.Greater(t, tried, 80)
	for _, words := range []string{"Quirina", "quirina@post.example", "ZX-4711", string(j.Number), "MR-9"} {
		for _, path := range []string{"/counter/search?q=", "/api/v1/jobs?q="} {
			ask := func(words string) string {
				return answered(t, http.MethodGet, hillside.base+path+url.QueryEscape(words), "", "", hillside.tokens["owner"], session, words, "(words)")
			}
			require.Equal(t, ask("Qqxyzzyq"), ask(words), words)
			own := answered(t, http.MethodGet, harbour.base+path+url.QueryEscape(words), "", "", harbour.tokens["owner"], harbour.signIn())
			require.Regexp(t, string(j.Number)+"|"+j.Number.Shown(), own, "the harbour finds it by %q", words)
		}
	}
	// A link by mail is sent by the shop that has the job, and by no other.
	form := url.Values{"number": {string(j.Number)}, "email": {"quirina@post.example"}}
	require.Equal(t, 200, hillside.visitor().post("/find", form).status)
	require.Equal(t, 200, harbour.visitor().post("/find", form).status)
	told := func(s *stage) (n int) {
		s.settle()
		for _, m := range s.post.Mails() {
			if m.To[0] == "quirina@post.example" {
				n++
			}
		}
		return n
	}
	require.Eventually(t, func() bool { return told(harbour) > 0 }, 20*time.Second, 5*time.Millisecond)
	require.Zero(t, told(hillside))
}

// foreignStaff: the same sign-in name is another person's, with another password.
func foreignStaff(t *testing.T, harbour, hillside *stage) {
	ctx := context.Background()
	const password = "eleven buoys before the bar"
	require.NoError(t, portal.SetPassword(ctx, harbour.srv.service, "olga", password))
	try := func(s *stage, login, password string) string {
		return answered(t, http.MethodPost, s.base+"/counter/sign-in", "application/x-www-form-urlencoded", url.Values{"login": {login}, "password": {password}}.Encode(), "", nil, login, "(login)")
	}
	require.Regexp(t, `^303 `, try(harbour, "olga", password))
	require.Regexp(t, `^403 `, try(hillside, "olga", password))
	require.Equal(t, try(hillside, "nobody", password), try(hillside, "olga", password))
	require.Regexp(t, `^303 `, try(hillside, "olga", demoPassword))
	require.NoError(t, portal.RemoveStaff(ctx, harbour.srv.service, "nils"))
	require.Regexp(t, `^403 `, try(harbour, "nils", demoPassword))
	require.Regexp(t, `^303 `, try(hillside, "nils", demoPassword), "who left one shop is still at the other")

	// A cookie is its host's alone.
	for _, s := range []*stage{harbour, hillside} {
		for _, c := range s.signIn() {
			require.Empty(t, c.Domain)
			require.Equal(t, "/", c.Path)
			require.True(t, c.HttpOnly)
		}
	}
}

// foreignRepeats: a key that names a step in one shop names none in another.
func foreignRepeats(t *testing.T, harbour, hillside *stage) {
	book := func(s *stage, fault string) reply {
		return s.visitor().ask(http.MethodPost, "/api/v1/jobs", "application/json", bytes.NewReader([]byte(`{"person":{"name":"Mira","email":"mira@post.example"},"kind":"radio","fault":"`+fault+`"}`)),
			"Authorization", "Bearer "+s.tokens["owner"], "Idempotency-Key", "one-and-the-same")
	}
	first := book(harbour, "It hums")
	require.Equal(t, 201, first.status, first.body)
	require.Equal(t, "true", book(harbour, "It hums").header.Get("Idempotent-Replayed"))
	other := book(hillside, "It is silent")
	require.Equal(t, 201, other.status, other.body)
	require.Empty(t, other.header.Get("Idempotent-Replayed"))
	require.Contains(t, other.body, "It is silent")
}

// foreignChanges: a live page hears of its own shop's job, not of one with the same number elsewhere.
func foreignChanges(t *testing.T, harbour, hillside *stage, theirs *demo) {
	n := theirs.toApprove.number
	say := func(s *stage, text string) int64 {
		d, err := s.srv.service.Do(context.Background(), workflow.Order{Job: n, By: workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, Commands: []workflow.Command{workflow.SendMessage{Text: text}}})
		require.NoError(t, err)
		return d.Version
	}
	for range 5 {
		say(harbour, "The harbour is ahead.")
	}
	address, err := url.Parse(hillside.link(theirs.toApprove, link.Own))
	require.NoError(t, err)
	c, err := net.Dial("tcp", hillside.town.addr)
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(60*time.Second)))
	_, err = io.WriteString(c, "GET "+address.Path+"/live HTTP/1.1\r\nHost: "+address.Host+"\r\n\r\n")
	require.NoError(t, err)
	in := bufio.NewReader(c)
	until := func(start string) string {
		for {
			l, err := in.ReadString('\n')
			require.NoError(t, err)
			if strings.HasPrefix(l, start) {
				return strings.TrimSpace(l)
			}
		}
	}
	until("retry: ")
	ahead := say(harbour, "Nobody at the hillside hears this.")
	version := say(hillside, "The lamp has come.")
	require.Greater(t, ahead, version)
	require.Equal(t, fmt.Sprintf("id: %d", version), until("id: "))
	page := hillside.visitor().get(address.Path)
	require.Contains(t, page.body, "The lamp has come.")
	require.NotContains(t, page.body, "Nobody at the hillside")
}
