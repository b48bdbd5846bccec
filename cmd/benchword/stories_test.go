package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"html"
	"io"
	"log/slog"
	mathrand "math/rand/v2"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/notify/mail"
	"benchword/notify/smtptest"
	"benchword/portal"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/longtest"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"
)

var update = flag.Bool("update", false, "rewrite golden files")

// stage is a whole benchword for a test: the real server on a real port, SQLite in a folder of its own,
// a mail server that receives, and a clock that only the test moves.
type stage struct {
	t      testing.TB
	srv    *server
	post   *smtptest.Server
	clock  *movedClock
	base   string
	data   string
	tokens map[string]string
	ask    int
	stop   func() error
	// log takes the server's log; before, if set, is called with the server before it runs.
	log    io.Writer
	before func(*server)
	// words are what customers read; nil means the usual texts.
	words *locale.Set
	// lang is what all of the demo's customers speak, "" for each their own.
	lang string
	// redis, if set, is the store of two portals and two notifiers; then srv is a notifier, and bases are
	// the portals.
	redis     string
	redisOf   func(node int) string // where a node finds it, if not there
	bases     []string
	shelf     StoreSettings // where photos are, if not in the folder
	notifiers []*server
	portals   []*server
	// town, if set, is where the shop stands with others in one process.
	town *town
}

func newStage(t testing.TB) *stage { return newStageAsking(t, 0) }

// mailCopies are the emails' photos of all stages: the demo has the same ones each time.
var mailCopies mail.Copies

// newStageAsking is newStage with another limit on what can be guessed: all of a test's requests come
// from one address.
func newStageAsking(t testing.TB, ask int, with ...func(*stage)) *stage {
	s := &stage{t: t, ask: ask, clock: &movedClock{still: true}, data: t.TempDir(), tokens: map[string]string{}, log: io.Discard}
	for _, w := range with {
		w(s)
	}
	s.clock.set(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
	if s.post == nil { // it may go on with another's
		var err error
		s.post, err = smtptest.Start(smtptest.Config{})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.post.Close()) })
	}
	s.start()
	t.Cleanup(func() { require.NoError(t, s.stop()) })
	return s
}

// start builds and runs the server; after stop it can be called again, on the same folder.
func (s *stage) start() {
	if s.town != nil {
		s.town.start()
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(s.t, err)
	s.base = "http://" + l.Addr().String()
	nodes, listeners := []roles{{}}, []net.Listener{l}
	if s.redis != "" {
		nodes = []roles{{portal: true}, {portal: true}, {notifier: true}, {notifier: true}}
		for range nodes[1:] {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(s.t, err)
			listeners = append(listeners, l)
		}
		s.bases = []string{s.base, "http://" + listeners[1].Addr().String()}
	}
	settings, err := ParseSettings("demo settings", []byte(fmt.Sprintf(demoSettings, s.base)))
	require.NoError(s.t, err)
	shop, err := settings.shop()
	require.NoError(s.t, err)
	host, _, _ := net.SplitHostPort(s.post.Addr())
	ctx, cancel := context.WithCancel(context.Background())
	var servers []*server
	for i, r := range nodes {
		where := s.redis
		if s.redisOf != nil {
			where = s.redisOf(i)
		}
		common := newCommons()
		common.copies = &mailCopies
		srv, err := build(ctx, parts{
			common: common,
			shop:   shop, data: s.data, now: s.clock.now, mail: settings.Mail, words: s.words, ask: s.ask,
			log:       slog.New(slog.NewTextHandler(s.log, nil)),
			transport: &mail.SMTP{Host: host, Port: s.post.Port(), Encryption: mail.Plain},
			store:     StoreSettings{URL: where, PackDays: 90, Photos: s.shelf.Photos, PhotosKey: s.shelf.PhotosKey, PhotosSecretFile: s.shelf.PhotosSecretFile}, roles: r,
		})
		require.NoError(s.t, err)
		servers = append(servers, srv)
	}
	s.portals = servers[:(len(servers)+1)/2]
	s.srv, s.notifiers = servers[len(servers)-1], servers[len(servers)/2:]
	s.hire()
	if s.before != nil {
		s.before(s.srv)
	}
	done := make(chan error, len(servers))
	for i, srv := range servers {
		go func() { done <- srv.run(ctx, listeners[i]) }()
	}
	stopped := false
	s.stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		var errs []error
		for range servers {
			errs = append(errs, <-done)
		}
		return errors.Join(errs...)
	}
}

// hire makes an account and a token for every role.
func (s *stage) hire() {
	ctx := context.Background()
	for _, r := range []workflow.Role{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner} {
		var err error
		s.tokens[string(r)], err = portal.AddToken(ctx, s.srv.service, "story "+string(r), r, time.Time{})
		require.NoError(s.t, err)
		if err := portal.AddStaff(ctx, s.srv.service, string(r), "", r, demoPassword); workflow.CodeOf(err) != workflow.CodeConflict { // else hired before
			require.NoError(s.t, err)
		}
	}
}

// at returns a portal, any of them.
func (s *stage) at() string {
	if len(s.bases) == 0 {
		return s.base
	}
	return s.bases[mathrand.IntN(len(s.bases))]
}

// here returns all shops of the process.
func (s *stage) here() []*stage {
	if s.town != nil {
		return s.town.stages
	}
	return []*stage{s}
}

// settle lets the clock and the post do what is due now.
func (s *stage) settle() {
	n := s.notifiers[mathrand.IntN(len(s.notifiers))]
	_, err := n.service.WakeDue(context.Background())
	require.NoError(s.t, err)
	require.NoError(s.t, n.dispatcher.Flush(context.Background()))
	// The running dispatcher may have claimed what Flush then did not see: wait for what is due. What is
	// gathered, or kept for the morning, may wait.
	require.Eventually(s.t, func() bool {
		ctx, shop := context.Background(), s.srv.service.Shop.ID
		left, err := s.srv.store.EntriesIn(ctx, shop, workflow.EntryQueued, 1000)
		if err != nil || slices.ContainsFunc(left, func(e workflow.Entry) bool { return e.Lease != "" }) {
			return false
		}
		next, err := s.srv.store.NextEntry(ctx, shop, "")
		return err == nil && (next.IsZero() || next.After(s.clock.now()))
	}, 20*time.Second, 5*time.Millisecond, "mails were left in the outbox")
}

// story is one script being played.
type story struct {
	*stage
	job    string // number
	page   string // the last answer's body
	status int
	mail   *letter
	jar    http.CookieJar
	told   bytes.Buffer
}

var linkIn = regexp.MustCompile(`https?://[^\s"<>]+/([jdc])/[a-z2-7]{32}`)

// TestStories plays every testdata/stories/*.txtar: one command a line, as commands below explains.
func TestStories(t *testing.T) {
	if testing.Short() {
		t.Skip("two shops play the same at once below")
	}
	playAll(t, 1, newStage)
}

// TestStoriesOnTwoNodes plays them against two portals and two notifiers on one Redis: each request goes to
// either portal, each mail out by either notifier, and the customer sees no difference.
func TestStoriesOnTwoNodes(t *testing.T) {
	t.Parallel()
	r := redistest.Start(t)
	playAll(t, 9, func(t testing.TB) *stage {
		require.NoError(t, r.Client(t).FlushAll(context.Background()).Err())
		return newStageAsking(t, 0, func(s *stage) { s.redis = r.URL() })
	})
}

// TestStoriesOfTwoShops plays each story in two shops of one process at the same time, step by step in turns,
// and each shop's customer reads what they would read if there were no other.
func TestStoriesOfTwoShops(t *testing.T) {
	t.Parallel()
	playTogether(t, 9, func(t testing.TB) []*stage { return newTown(t, 0, "").stages })
}

// TestStoriesOfTwoShopsOnRedis plays them where one process has the pages of both shops and another one
// their mails.
func TestStoriesOfTwoShopsOnRedis(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("what is new against two nodes above and two shops above is neither's own code")
	}
	t.Parallel()
	r := redistest.Start(t)
	playTogether(t, 1, func(t testing.TB) []*stage {
		require.NoError(t, r.Client(t).FlushAll(context.Background()).Err())
		return newTown(t, 0, r.URL()).stages
	})
}

func playAll(t *testing.T, every int, stageOf func(t testing.TB) *stage) {
	playTogether(t, every, func(t testing.TB) []*stage { return []*stage{stageOf(t)} })
}

// playTogether plays one story in every at a desk.
func playTogether(t *testing.T, every int, stagesOf func(t testing.TB) []*stage) {
	files, err := filepath.Glob("../../testdata/stories/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	share := longtest.Share(t, every)
	for i, path := range files {
		if !share(i) {
			continue
		}
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			ar, err := txtar.ParseFile(path)
			require.NoError(t, err)
			var all []*story
			for _, s := range stagesOf(t) {
				jar, err := cookiejar.New(nil)
				require.NoError(t, err)
				all = append(all, &story{stage: s, jar: jar})
			}
			n := 0
			for l := range strings.Lines(string(ar.Comment)) {
				n++
				l = strings.TrimSpace(l)
				if l == "" || strings.HasPrefix(l, "#") {
					continue
				}
				for _, s := range all {
					words, err := split(l)
					require.NoError(t, err, "line %d", n)
					if err := s.play(words, ar); err != nil {
						t.Fatalf("%s, line %d: %s\n%s\n--- last page (status %d) ---\n%.3000s", path, n, l, err, s.status, visible(s.page))
					}
				}
			}
			for _, s := range all {
				s.post2told()
				golden(t, path, ar, "mails", s.told.String())
			}
		})
	}
}

func golden(t *testing.T, path string, ar *txtar.Archive, name, got string) {
	for i := range ar.Files {
		if ar.Files[i].Name != name {
			continue
		}
		if *update && string(ar.Files[i].Data) != got {
			ar.Files[i].Data = []byte(got)
			require.NoError(t, os.WriteFile(path, txtar.Format(ar), 0o644))
		}
		require.Equal(t, string(ar.Files[i].Data), got)
		return
	}
	require.True(t, *update, "%s has no part %q; run with -update", path, name)
	ar.Files = append(ar.Files, txtar.File{Name: name, Data: []byte(got)})
	require.NoError(t, os.WriteFile(path, txtar.Format(ar), 0o644))
}

// split cuts a line into words; '…' keeps spaces.
func split(l string) ([]string, error) {
	var out []string
	for l = strings.TrimSpace(l); l != ""; l = strings.TrimLeft(l, " \t") {
		if l[0] == '\'' {
			word, rest, ok := strings.Cut(l[1:], "'")
			if !ok {
				return nil, fmt.Errorf("a quotation mark is not closed")
			}
			out, l = append(out, word), rest
			continue
		}
		i := strings.IndexAny(l, " \t")
		if i < 0 {
			i = len(l)
		}
		// name='a b' is one word.
		if q := strings.Index(l[:i], "='"); q >= 0 {
			word, rest, ok := strings.Cut(l[q+2:], "'")
			if !ok {
				return nil, fmt.Errorf("a quotation mark is not closed")
			}
			out, l = append(out, l[:q+1]+word), rest
			continue
		}
		out, l = append(out, l[:i]), l[i:]
	}
	return out, nil
}

var (
	tags   = regexp.MustCompile(`(?s)<(script|style|head)\b.*?</(script|style|head)>|<[^>]*>`)
	spaces = regexp.MustCompile(`\s+`)
)

// visible is the text of a page as a person reads it, roughly.
func visible(page string) string {
	return strings.TrimSpace(spaces.ReplaceAllString(html.UnescapeString(tags.ReplaceAllString(page, " ")), " "))
}

// play runs one command:
//
//	clock 2026-11-03 09:30         move the shop's clock (its own zone), and let what is due happen
//	get PATH                       open a page as the customer; {job} and {link} are filled in
//	post PATH name=value …         send a form there
//	act ROLE ACTION JSON           take an action through the interface, as bench, counter or owner
//	photo ROLE KIND PICTURE        send a real JPEG
//	refused ROLE ACTION JSON TEXT  the action is refused, with this text in the sentence
//	see TEXT / unseen TEXT         the last page's text has (or has not) this
//	status N                       the last answer's status
//	mail ADDRESS TEXT              the newest mail to this address has this in its subject or text
//	follow j|d|c                   open the link of that kind in that mail
//	stage NAME [OUTCOME]           the job is there
//	restart                        stop the server and start it again on the same folder
//	again                          begin another job (the next booking sets {job})
func (s *story) play(w []string, _ *txtar.Archive) error {
	need := func(n int) error {
		if len(w) < n+1 {
			return fmt.Errorf("%s needs %d words", w[0], n)
		}
		return nil
	}
	arity := map[string]int{"clock": 2, "get": 1, "post": 1, "act": 3, "photo": 3, "refused": 4, "see": 1, "unseen": 1, "status": 1, "mail": 2, "follow": 1, "stage": 1, "restart": 0, "again": 0}
	n, ok := arity[w[0]]
	if !ok {
		return fmt.Errorf("there is no command %q", w[0])
	}
	if err := need(n); err != nil {
		return err
	}
	for i := range w {
		w[i] = strings.ReplaceAll(w[i], "{job}", s.job)
	}
	switch w[0] {
	case "clock":
		t, err := time.ParseInLocation("2006-01-02 15:04", w[1]+" "+w[2], s.srv.service.Shop.Calendar.Location())
		if err != nil {
			return err
		}
		for _, x := range s.here() { // mails under way go out before their lease is jumped over
			x.settle()
		}
		s.clock.set(t)
		s.settle()
	case "restart":
		if err := s.stop(); err != nil {
			return err
		}
		s.start()
	case "again":
		s.job = ""
	case "get":
		return s.send(http.MethodGet, w[1], "", nil, "")
	case "post":
		form := url.Values{}
		for _, f := range w[2:] {
			k, v, _ := strings.Cut(f, "=")
			form.Add(k, s.fill(v))
		}
		return s.send(http.MethodPost, w[1], "application/x-www-form-urlencoded", strings.NewReader(form.Encode()), "")
	case "act", "refused":
		path := "/api/v1/jobs"
		if w[2] != "book" {
			path += "/" + s.job + "/" + w[2]
		}
		body := s.fill(w[3])
		if err := s.send(http.MethodPost, path, "application/json", strings.NewReader(body), s.tokens[w[1]]); err != nil {
			return err
		}
		if w[0] == "refused" {
			if s.status < 400 || s.status >= 500 {
				return fmt.Errorf("it was not refused: %d", s.status)
			}
			return s.has(w[4])
		}
		if s.status >= 300 {
			return fmt.Errorf("status %d", s.status)
		}
		return s.learn()
	case "photo":
		p, ok := demophotos.Find(w[3] + ".jpg")
		if !ok {
			return fmt.Errorf("there is no picture %q", w[3])
		}
		jpeg, err := p.Small() // a camera's whole picture takes all day, and other tests take those
		if err != nil {
			return err
		}
		words, err := demoWords("en")
		if err != nil {
			return err
		}
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		_ = m.WriteField("kind", w[2])
		_ = m.WriteField("caption", words["photo."+w[3]])
		_ = m.WriteField("alt", words["photo."+w[3]+".alt"])
		f, err := m.CreateFormFile("photo", "camera.jpg")
		if err != nil {
			return err
		}
		_, _ = f.Write(jpeg)
		_ = m.Close()
		if err := s.send(http.MethodPost, "/api/v1/jobs/"+s.job+"/photos", m.FormDataContentType(), &b, s.tokens[w[1]]); err != nil {
			return err
		}
		if s.status != http.StatusOK {
			return fmt.Errorf("status %d", s.status)
		}
	case "see":
		return s.has(w[1])
	case "unseen":
		if s.has(w[1]) == nil {
			return fmt.Errorf("the page has it")
		}
	case "status":
		if fmt.Sprint(s.status) != w[1] {
			return fmt.Errorf("the status was %d", s.status)
		}
	case "mail":
		s.settle()
		mails := s.post.Mails()
		for i := len(mails) - 1; i >= 0; i-- {
			if mails[i].To[0] != w[1] {
				continue
			}
			l, err := openLetter(i+1, mails[i])
			if err != nil {
				return err
			}
			s.mail = l
			if !strings.Contains(l.Subject+" "+spaces.ReplaceAllString(l.Text, " "), w[2]) {
				return fmt.Errorf("the newest mail says:\n%s\n%s", l.Subject, l.Text)
			}
			return nil
		}
		return fmt.Errorf("there is no email to %s", w[1])
	case "follow":
		if s.mail == nil {
			return fmt.Errorf("open an email first")
		}
		for _, m := range linkIn.FindAllStringSubmatch(s.mail.Text, -1) {
			if m[1] == w[1] {
				u, err := url.Parse(m[0])
				if err != nil {
					return err
				}
				// The mail's address is where the server was when it was written; a restart moves the port.
				return s.send(http.MethodGet, u.Path, "", nil, "")
			}
		}
		return fmt.Errorf("the email has no such link:\n%s", s.mail.Text)
	case "stage":
		j, err := s.srv.service.Job(context.Background(), workflow.JobNumber(s.job))
		if err != nil {
			return err
		}
		if string(j.Stage) != w[1] || len(w) > 2 && string(j.Outcome) != w[2] {
			return fmt.Errorf("the job is %s, outcome %q", j.Stage, j.Outcome)
		}
		events, err := s.srv.store.Events(context.Background(), j.Shop, j.Number, 0)
		if err != nil {
			return err
		}
		// A notifier may have written the next one since.
		if head, err := workflow.VerifyChain(events[:min(len(events), int(j.Version))]); err != nil || head != j.Head {
			return fmt.Errorf("the chain does not hold: %w", err)
		}
	}
	return nil
}

// fill puts in what a form or body takes from the last page or the job.
func (s *story) fill(v string) string {
	if strings.Contains(v, "{digest}") {
		j, err := s.srv.service.Job(context.Background(), workflow.JobNumber(s.job))
		require.NoError(s.t, err)
		v = strings.ReplaceAll(v, "{digest}", j.Quote().Digest)
	}
	if strings.Contains(v, "{sum}") { // on the button of the first option's summary
		j, err := s.srv.service.Job(context.Background(), workflow.JobNumber(s.job))
		require.NoError(s.t, err)
		v = strings.ReplaceAll(v, "{sum}", j.Quote().Options[0].Result.Total.String())
	}
	if strings.Contains(v, "{delay}") {
		j, err := s.srv.service.Job(context.Background(), workflow.JobNumber(s.job))
		require.NoError(s.t, err)
		v = strings.ReplaceAll(v, "{delay}", j.Delay().Digest)
	}
	return strings.ReplaceAll(v, "{job}", s.job)
}

func (s *story) has(text string) error {
	if !strings.Contains(visible(s.page), text) && !strings.Contains(s.page, text) {
		return fmt.Errorf("the page does not have %q", text)
	}
	return nil
}

// learn takes the job number from an answer of the interface.
func (s *story) learn() error {
	var j struct{ Number string }
	if err := json.Unmarshal([]byte(s.page), &j); err != nil {
		return err
	}
	s.job = j.Number
	return nil
}

var numberIn = regexp.MustCompile(`class="number-value">([^<]+)<`)

func (s *story) send(method, path, contentType string, body io.Reader, token string) error {
	if strings.Contains(path, "{") {
		for placeholder, kind := range map[string]string{"{link}": "j", "{decide}": "d", "{choose}": "c"} {
			if !strings.Contains(path, placeholder) {
				continue
			}
			found := ""
			for _, m := range linkIn.FindAllStringSubmatch(s.mail.Text, -1) {
				if m[1] == kind {
					u, _ := url.Parse(m[0])
					found = u.Path
				}
			}
			if found == "" {
				return fmt.Errorf("the email has no link %s", kind)
			}
			path = strings.ReplaceAll(path, placeholder, found)
		}
	}
	req, err := http.NewRequest(method, s.at()+path, body)
	if err != nil {
		return err
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	c := &http.Client{Jar: s.jar, Timeout: 30 * time.Second}
	resp, err := c.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	s.page, s.status = string(b), resp.StatusCode
	if m := numberIn.FindStringSubmatch(s.page); m != nil && s.job == "" {
		n, err := workflow.ParseJobNumber(m[1])
		if err != nil {
			return err
		}
		s.job = string(n)
	}
	return nil
}

// post2told lists the mails that came, in order: the story's thread as the customer saw it.
func (s *story) post2told() {
	for i, m := range s.post.Mails() {
		l, err := openLetter(i+1, m)
		require.NoError(s.t, err)
		subject := l.Subject
		for _, n := range regexp.MustCompile(`[0-9A-Z]{3}-[0-9A-Z]{3}-[0-9A-Z]`).FindAllString(subject, -1) {
			subject = strings.ReplaceAll(subject, n, "(job)")
		}
		fmt.Fprintf(&s.told, "%s: %s [%d pictures]\n", m.To[0], subject, l.Pictures)
	}
}
