package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/notify/smtptest"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
	"benchword/workflow/proof"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
)

// kindsSince are the kinds of events that are younger than the data in testdata/old, each with its reason.
var kindsSince = map[workflow.EventKind]string{
	workflow.KindWorkBegun:       "2026-11-30: approved is not begun; the bench says when it begins",
	workflow.KindDeviceMadeSafe:  "2026-11-30: that capacitors were discharged and cells isolated is said before anything else",
	workflow.KindDateTold:        "2026-11-30: the date named is the last one told, and a move is told once it comes to a working day",
	workflow.KindConfirmAsked:    "2026-11-30: the address on file is asked whether a message, or a booking, is the customer's",
	workflow.KindConfirmAnswered: "2026-11-30: what the address on file said",
	workflow.KindChangeAsked:     "2026-12-01: the customer changes how they are reached on their page, and confirms it",
	workflow.KindChangeAnswered:  "2026-12-01: what was said of that change",
	workflow.KindWishesChosen:    "2026-12-01: how it goes back, what it is insured for, what may be done with its data",
	workflow.KindPasscodeGiven:   "2026-12-01: what unlocks the device is a secret of its own",
	workflow.KindPasscodeSeen:    "2026-12-01: each look at it is written down",
	workflow.KindPasscodeWiped:   "2026-12-01: it goes when the device does",
	workflow.KindDataSent:        "2026-12-01: what is kept about a customer is sent to them",
	workflow.KindTestBegun:       "2026-11-30: a soak is a running thing with a start",
	workflow.KindParcelOverdue:   "2026-12-01: the carrier's usual days are over, and nobody has said that it came",
	workflow.KindArrivalTold:     "2026-12-01: somebody says whether a parcel has arrived",
	workflow.KindJobReturned:     "2026-12-01: the first job names the one under which the device came back",
	workflow.KindDamageNoted:     "2026-12-01: damage in transit is written down for the carrier",
	workflow.KindDamageTold:      "2026-12-01: who was told of damage in transit, and when",
	workflow.KindDeviceShut:      "2026-11-30: a device that stayed shut needs no safety test",
}

// oldFacts names what the data holds beside jobs, and the instant at which it was left.
type oldFacts struct {
	At                              time.Time
	Tokens                          map[string]string
	Cookie                          string
	Draft, Late, Everything, Erased workflow.JobNumber
}

// TestOldFolder and TestOldDump open what an earlier version left (see testdata/old): every job is what its
// events make of it, every chain holds, pages and documents render, a session, a draft and a kept answer are
// still there, and what waits in the outbox goes out.
func TestOldFolder(t *testing.T) {
	data := t.TempDir()
	unpack(t, "folder.tar.gz", data)
	openOld(t, data, StoreSettings{})
}

func TestOldDump(t *testing.T) {
	data := t.TempDir()
	unpack(t, "redis.tar.gz", data)
	r := redistest.Start(t, "--dir", data, "--appendonly", "no")
	// A server that begins with an append-only file would not look at the dump.
	require.NoError(t, r.Client(t).ConfigSet(t.Context(), "appendonly", "yes").Err())
	require.Eventually(t, func() bool {
		info, err := r.Client(t).Info(t.Context(), "persistence").Result()
		return err == nil && strings.Contains(info, "aof_rewrite_in_progress:0") && strings.Contains(info, "aof_rewrite_scheduled:0")
	}, time.Minute, 10*time.Millisecond)
	openOld(t, data, StoreSettings{URL: r.URL()})
}

func TestOldArchives(t *testing.T) {
	dir := t.TempDir()
	unpack(t, "archives.tar.gz", dir)
	files, err := filepath.Glob(filepath.Join(dir, "*.zip"))
	require.NoError(t, err)
	require.Len(t, files, 4)
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		r, err := proof.Verify(b)
		require.NoError(t, err, f)
		require.Empty(t, r.Missing)
	}
}

func openOld(t *testing.T, data string, where StoreSettings) {
	ctx := t.Context()
	var facts oldFacts
	text, err := os.ReadFile(filepath.Join(data, "facts.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &facts))
	settings, err := ReadSettings(filepath.Join(data, "shop.toml"))
	require.NoError(t, err)
	shop, err := settings.shop()
	require.NoError(t, err)
	post, err := smtptest.Start(smtptest.Config{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, post.Close()) })
	var told atomic.Int64
	till := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { told.Add(1) }))
	t.Cleanup(till.Close)
	secret := filepath.Join(data, "till.secret")
	require.NoError(t, os.WriteFile(secret, []byte("whsec_"+base64.StdEncoding.EncodeToString(bytes.Repeat([]byte("s"), 24))), 0o600))
	s := &stage{t: t, post: post, clock: &movedClock{}}
	s.clock.set(facts.At)
	var log bytes.Buffer
	host, _, _ := net.SplitHostPort(post.Addr())
	s.srv, err = build(ctx, parts{
		shop: shop, data: data, now: s.clock.now, mail: settings.Mail, ask: 1_000_000, store: where, log: slog.New(slog.NewTextHandler(&log, nil)),
		hooks:     []HookSettings{{Name: "till", URL: till.URL, SecretFiles: []string{secret}}},
		transport: &mail.SMTP{Host: host, Port: post.Port(), Encryption: mail.Plain},
	})
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.base = "http://" + l.Addr().String()
	go func() { _ = s.srv.portal.Serve(l) }()
	t.Cleanup(func() {
		require.NoError(t, errors.Join(s.srv.portal.Shutdown(context.Background()), s.srv.end()))
		require.NotContains(t, log.String(), "level=ERROR")
	})

	met, jobs := map[workflow.EventKind]bool{}, s.oldJobs()
	require.Len(t, jobs, 41)
	for _, n := range jobs {
		s.replays(n, met)
		s.showsOld(n, facts)
	}
	for _, k := range workflow.EventKinds() {
		require.True(t, met[k] != (kindsSince[k] != ""), "%s: kinds of events that are in none of the jobs need data that has them, or a line in kindsSince", k)
	}
	_, page := s.asOld(http.MethodGet, "/counter/job/"+string(facts.Draft)+"/report", "", "Cookie", facts.Cookie)
	require.Contains(t, page, "The lamp hums, and I am not done yet.")
	r, page := s.asOld(http.MethodPost, "/api/v1/jobs/"+string(facts.Draft)+"/condition", `{"text":"Lid scratched twice."}`, "Content-Type", "application/json",
		"Authorization", "Bearer "+facts.Tokens["bench"], "Idempotency-Key", "old-1")
	require.Equal(t, http.StatusOK, r.StatusCode, page)
	require.Equal(t, "true", r.Header.Get("Idempotent-Replayed"))
	s.sendsOld(&told)

	for _, n := range []workflow.JobNumber{facts.Everything, facts.Erased, facts.Late} {
		events, err := s.srv.service.Events(ctx, n, 0)
		require.NoError(t, err)
		b, err := archiveOf(ctx, s.srv.service, nil, evidence.NewDesk(s.srv.blobs), n, events, true)
		require.NoError(t, err)
		_, err = proof.Verify(b)
		require.NoError(t, err)
	}
	// Every job goes on from there.
	for _, n := range jobs {
		if s.job(n).Erased.IsZero() {
			s.do(counterRosa, n, workflow.SendMessage{Text: "We have new shelves."})
		}
		s.replays(n, met)
	}
}

func (s *stage) oldJobs() (out []workflow.JobNumber) {
	for c, err := range s.srv.service.Courses(s.t.Context()) {
		require.NoError(s.t, err)
		out = append(out, c.Job)
	}
	return out
}

// replays holds a job to its events.
func (s *stage) replays(n workflow.JobNumber, met map[workflow.EventKind]bool) {
	svc := s.srv.service
	events, err := svc.Events(s.t.Context(), n, 0)
	require.NoError(s.t, err)
	head, err := workflow.VerifyChain(events)
	require.NoError(s.t, err)
	j := s.job(n)
	require.Equal(s.t, head, j.Head)
	again, err := workflow.Replay(events)
	require.NoError(s.t, err)
	require.Equal(s.t, j, again)
	for _, e := range events {
		met[e.Kind()] = true
	}
}

func (s *stage) showsOld(n workflow.JobNumber, facts oldFacts) {
	j, now := s.job(n), s.clock.now()
	paths := []string{"/counter/job/" + string(n), "/api/v1/jobs/" + string(n)}
	for purpose, at := range map[link.Purpose]string{link.Look: "/j/", link.Decide: "/d/", link.Choose: "/c/"} {
		if g := j.Link(purpose, now); g != nil {
			token, err := s.srv.service.Token(j, g)
			require.NoError(s.t, err)
			paths = append(paths, at+token)
		} else {
			require.False(s.t, purpose == link.Look && j.Erased.IsZero(), "%s has no link", n)
		}
	}
	for _, p := range paths {
		r, page := s.asOld(http.MethodGet, p, "", "Cookie", facts.Cookie, "Authorization", "Bearer "+facts.Tokens["owner"])
		require.Equal(s.t, http.StatusOK, r.StatusCode, "%s\n%.500s", p, page)
		require.True(s.t, strings.Contains(page, n.Shown()) || strings.Contains(page, string(n)), "%s does not name its job", p)
	}
}

// sendsOld lets what waits go out: emails of every fate, webhooks, and a push as far as the browser's own service.
func (s *stage) sendsOld(told *atomic.Int64) {
	t, ctx, svc := s.t, s.t.Context(), s.srv.service
	waiting := map[workflow.Channel]int{}
	queued, err := svc.EntriesIn(ctx, workflow.EntryQueued, 1000)
	require.NoError(t, err)
	for _, e := range queued {
		waiting[e.Channel.Base()]++
	}
	require.Greater(t, waiting[""], 4)
	require.Positive(t, waiting["hook:till"])
	require.Positive(t, waiting["hook:shelf-display"])
	buried, err := svc.EntriesIn(ctx, workflow.EntryBuried, 1000)
	require.NoError(t, err)
	require.Greater(t, len(buried), 2)
	s.clock.set(s.clock.now().Add(15 * time.Minute))
	require.NoError(t, s.srv.dispatcher.Flush(ctx))
	require.Len(t, s.post.Mails(), waiting[""])
	for i, m := range s.post.Mails() {
		_, err := openLetter(i+1, m)
		require.NoError(t, err)
	}
	require.NoError(t, s.srv.channels[0].Flush(ctx))
	require.EqualValues(t, waiting["hook:till"], told.Load())
	pushes, err := svc.Claim(ctx, workflow.Claim{Channel: workflow.Push, Now: s.clock.now().Add(48 * time.Hour), Until: s.clock.now().Add(49 * time.Hour), Limit: 10, Lease: "a test"})
	require.NoError(t, err)
	require.NotEmpty(t, pushes)
	for _, e := range pushes {
		require.NotNil(t, s.job(e.Job).SubscriptionOf(e.Channel))
	}
}

func (s *stage) asOld(method, path, body string, headers ...string) (*http.Response, string) {
	req, err := http.NewRequest(method, s.base+path, strings.NewReader(body))
	require.NoError(s.t, err)
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	r, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	require.NoError(s.t, err)
	return r, string(b)
}

// unpack lays an archive of testdata/old out in a folder.
func unpack(t *testing.T, name, to string) {
	f, err := os.Open(filepath.Join("../../testdata/old/e3afa17", name))
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		path := filepath.Join(to, filepath.FromSlash(h.Name))
		if h.Typeflag == tar.TypeDir {
			require.NoError(t, os.MkdirAll(path, 0o700))
			continue
		}
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, b, 0o600))
	}
}
