package notify

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/workflow"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
)

// The secret, message and signature of the test in the specification's own Go library (v0.0.1).
const specSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

func TestHookSignatureOfTheSpecification(t *testing.T) {
	k, err := ParseHookKey(specSecret)
	require.NoError(t, err)
	require.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=", k.Sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`)))
	for _, bad := range []string{"", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_", "whsec_AAAA", "whsec_!!", "whpk_" + strings.Repeat("A", 44), "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 65)), "whsk_" + base64.StdEncoding.EncodeToString(make([]byte, 64))} {
		_, err := ParseHookKey(bad)
		require.Error(t, err, bad)
	}
}

// received is a webhook as it came in.
type received struct {
	header http.Header
	body   []byte
}

// till is one of a shop's own systems, which answers as a test wants.
type till struct {
	*httptest.Server
	mu     sync.Mutex
	answer func(w http.ResponseWriter, n int)
	got    []received
}

func newTill(t *testing.T) *till {
	x := &till{}
	x.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		x.mu.Lock()
		defer x.mu.Unlock()
		x.got = append(x.got, received{r.Header.Clone(), body})
		if x.answer != nil {
			x.answer(w, len(x.got))
		}
	}))
	t.Cleanup(x.Close)
	return x
}

func (x *till) says(answer func(w http.ResponseWriter, n int)) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.answer, x.got = answer, nil
}

func (x *till) ids() (out []string) {
	for _, r := range x.got {
		out = append(out, r.header.Get("webhook-id"))
	}
	return out
}

// hooked is a desk with a hook, on a clock that a test sets.
type hooked struct {
	*desk
	now  time.Time
	till *till
	hook *Hook
}

func newHooked(t *testing.T, keys ...string) *hooked {
	h := &hooked{now: time.Now().Truncate(time.Second), till: newTill(t)} // the specification's library has no other clock
	h.desk = newDesk(t, func() time.Time { return h.now })
	h.svc.Shop.Hooks = []workflow.Hook{{Name: "till"}}
	if len(keys) == 0 {
		keys = []string{specSecret}
	}
	var parsed []HookKey
	for _, k := range keys {
		p, err := ParseHookKey(k)
		require.NoError(t, err)
		parsed = append(parsed, p)
	}
	var err error
	h.hook, err = NewHook(h.svc, "till", h.till.URL, false, parsed...)
	require.NoError(t, err)
	return h
}

func (h *hooked) dispatcher() *Dispatcher {
	cfg := h.hook.Config()
	cfg.Random = newDice(3)
	return New(cfg)
}

func (h *hooked) flush(d *Dispatcher) { require.NoError(h.t, d.Flush(context.Background())) }

func (h *hooked) waits(n workflow.JobNumber) (out []workflow.Entry) {
	for _, e := range h.entries(n) {
		if e.Via == "hook:till" && e.State == workflow.EntryQueued {
			out = append(out, e)
		}
	}
	return out
}

// Everything that the shop's systems are told is accepted by the specification's own library, and says
// nothing about the person.
func TestHooksAreSigned(t *testing.T) {
	private := ed25519.NewKeyFromSeed([]byte("a seed of thirty-two bytes here."))
	h := newHooked(t, specSecret, "whsec_"+base64.StdEncoding.EncodeToString([]byte("the secret that takes its place")), "whsk_"+base64.StdEncoding.EncodeToString(private.Seed()))
	d := h.dispatcher()
	n := h.book()
	h.do(n, counter, workflow.SendMessage{Text: "One more line for Maud."})
	h.flush(d)
	require.Len(t, h.till.got, 2)
	for _, secret := range []string{specSecret, "whsec_" + base64.StdEncoding.EncodeToString([]byte("the secret that takes its place"))} {
		check, err := standardwebhooks.NewWebhook(secret)
		require.NoError(t, err)
		for _, r := range h.till.got {
			require.NoError(t, check.Verify(r.body, r.header))
			require.Error(t, check.Verify(append(r.body, ' '), r.header))
		}
	}
	wrong, err := standardwebhooks.NewWebhook("whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 24)))
	require.NoError(t, err)
	first := h.till.got[0]
	require.Error(t, wrong.Verify(first.body, first.header))
	parts := strings.Fields(first.header.Get("webhook-signature"))
	require.Len(t, parts, 3)
	signature, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(parts[2], "v1a,"))
	require.NoError(t, err)
	signed := first.header.Get("webhook-id") + "." + first.header.Get("webhook-timestamp") + "." + string(first.body)
	require.True(t, ed25519.Verify(private.Public().(ed25519.PublicKey), []byte(signed), signature))

	var m struct {
		Type      string
		Timestamp time.Time
		Data      map[string]any
	}
	require.NoError(t, json.Unmarshal(first.body, &m))
	require.Equal(t, "job.booked", m.Type)
	require.Equal(t, string(n), m.Data["job"])
	require.Equal(t, "booked", m.Data["stage"])
	require.Equal(t, 1.0, m.Data["seq"])
	require.NotContains(t, first.header.Get("webhook-id"), ".", "what is signed is cut at the full stops")
	for _, r := range h.till.got {
		require.Equal(t, "application/json", r.header.Get("Content-Type"))
		for _, secret := range []string{"Maud", "Ellery", "maud@", "One more line", "stops"} {
			require.NotContains(t, string(r.body), secret)
		}
	}
}

// A dispatcher that dies between claim and settlement sends again under the same id, with the same body,
// whatever has happened to the job since.
func TestHooksRepeatWithOneID(t *testing.T) {
	h := newHooked(t)
	n := h.book()
	d := h.dispatcher()
	claimed, _, err := d.claim(context.Background(), 10)
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	m, err := d.prepare(context.Background(), &claimed[0])
	require.NoError(t, err)
	_, err = d.send(context.Background(), m)
	require.NoError(t, err)
	// Killed here.
	h.write(n)
	other := h.dispatcher()
	h.flush(other)
	require.Len(t, h.till.got, 1, "the lease holds, and what comes after waits")
	h.now = h.now.Add(5 * time.Minute)
	h.flush(other)
	require.Len(t, h.till.got, 3)
	ids := h.till.ids()
	require.Equal(t, ids[0], ids[1])
	require.NotEqual(t, ids[1], ids[2])
	require.Equal(t, h.till.got[0].body, h.till.got[1].body)
	require.NotEqual(t, h.till.got[0].header.Get("webhook-timestamp"), h.till.got[1].header.Get("webhook-timestamp"), "the time is that of the try")
	require.Empty(t, h.waits(n))
}

// A system that is away holds up no mail, and a mail server that is away no webhook.
func TestHooksAndMailsDoNotWaitForEachOther(t *testing.T) {
	h := newHooked(t)
	h.till.says(func(w http.ResponseWriter, _ int) { w.WriteHeader(500) })
	n := h.book()
	h.write(n)
	hooks, mails := h.dispatcher(), h.desk.dispatcher(nil)
	h.flush(hooks)
	require.Len(t, h.till.got, 1, "in order: the second waits for the first")
	h.now = h.now.Add(time.Minute * 3)
	h.flush(mails)
	require.NotEmpty(t, h.w.sent())
	for _, e := range h.entries(n) {
		if e.Via == "" {
			require.Equal(t, workflow.EntrySent, e.State)
		}
	}
	require.Len(t, h.waits(n), 2)
	require.False(t, h.job(n).Notices[0].DeliveredAt.IsZero())
	require.Empty(t, h.job(n).Undelivered())
	h.till.says(nil)
	h.flush(hooks)
	require.Empty(t, h.waits(n))
	require.Len(t, h.till.got, 2)
}

// Each answer, and what becomes of the message.
func TestHookAnswers(t *testing.T) {
	for _, x := range []struct {
		status int
		header string
		// next is the least and the most that passes until the next try; zero means that it was taken.
		next, most time.Duration
		away       bool
	}{
		{status: 200}, {status: 202}, {status: 204},
		{status: 301, next: 48 * time.Second, most: 72 * time.Second}, {status: 307, next: 48 * time.Second, most: 72 * time.Second},
		{status: 400, next: 48 * time.Second, most: 72 * time.Second}, {status: 404, next: 48 * time.Second, most: 72 * time.Second},
		{status: 500, next: 48 * time.Second, most: 72 * time.Second},
		{status: 429, next: 12 * time.Second, most: 18 * time.Second, away: true},
		{status: 503, next: 12 * time.Second, most: 18 * time.Second, away: true},
		{status: 503, header: "7200", next: 2 * time.Hour, most: 2 * time.Hour, away: true},
		{status: 429, header: "date", next: time.Hour, most: time.Hour, away: true},
		{status: 500, header: "600", next: 10 * time.Minute, most: 10 * time.Minute},
		{status: 503, header: "99999999999", next: 12 * time.Second, most: 24 * time.Hour, away: true},
	} {
		t.Run(strconv.Itoa(x.status)+x.header, func(t *testing.T) {
			h := newHooked(t)
			elsewhere := newTill(t)
			h.till.says(func(w http.ResponseWriter, _ int) {
				w.Header().Set("Location", elsewhere.URL)
				switch x.header {
				case "":
				case "date":
					w.Header().Set("Retry-After", h.now.Add(time.Hour).UTC().Format(http.TimeFormat))
				default:
					w.Header().Set("Retry-After", x.header)
				}
				w.WriteHeader(x.status)
			})
			n := h.book()
			d := h.dispatcher()
			h.flush(d)
			require.Len(t, h.till.got, 1)
			require.Empty(t, elsewhere.got, "no redirect is followed")
			if x.next == 0 {
				require.Empty(t, h.waits(n))
				return
			}
			e := h.waits(n)[0]
			require.GreaterOrEqual(t, e.NotBefore.Sub(h.now), x.next)
			require.LessOrEqual(t, e.NotBefore.Sub(h.now), x.most)
			require.Contains(t, e.Attempts[0].Words, strconv.Itoa(x.status))
			require.Equal(t, x.away, !d.Health().AwaySince.IsZero())
			if x.away {
				h.book()
				h.flush(d)
				require.Len(t, h.till.got, 1, "the others leave it alone, too")
			}
		})
	}
}

// "Gone" switches a hook off; what came up meanwhile waits, and goes out in order once it is on again.
func TestHookIsGone(t *testing.T) {
	h := newHooked(t)
	ctx := context.Background()
	h.till.says(func(w http.ResponseWriter, _ int) { w.WriteHeader(410) })
	n := h.book()
	d := h.dispatcher()
	h.flush(d)
	off, err := h.svc.HookOff(ctx, "till")
	require.NoError(t, err)
	require.Equal(t, h.now.UTC(), off.At.UTC())
	require.Contains(t, h.waits(n)[0].Attempts[0].Words, "switched off")
	h.write(n)
	h.now = h.now.Add(30 * 24 * time.Hour)
	h.flush(d)
	h.flush(h.dispatcher())
	require.Len(t, h.till.got, 1, "nothing is sent")
	require.Len(t, h.waits(n), 2, "and nothing lost")
	h.till.says(nil)
	require.NoError(t, h.svc.SwitchHookOn(ctx, "till"))
	h.flush(d)
	require.Empty(t, h.waits(n))
	require.Len(t, h.till.got, 2)
	require.Contains(t, h.till.ids()[0], "job_booked")
}

// One that never takes a message keeps it for five days; then it is given up, and the counter sees why.
func TestHookIsGivenUp(t *testing.T) {
	h := newHooked(t)
	h.till.says(func(w http.ResponseWriter, _ int) {
		w.WriteHeader(404)
		_, _ = io.WriteString(w, "no such \x00shop\r\nsecond line")
	})
	n := h.book()
	d := h.dispatcher()
	for range 24 * 7 {
		h.flush(d)
		h.now = h.now.Add(time.Hour)
	}
	require.Empty(t, h.waits(n))
	buried, err := h.store.EntriesIn(context.Background(), h.svc.Shop.ID, workflow.EntryBuried, 10)
	require.NoError(t, err)
	require.Len(t, buried, 1)
	last := buried[0].Attempts[len(buried[0].Attempts)-1]
	require.Equal(t, string(GivenUp), last.Result)
	require.Equal(t, "404 Not Found: no such shop", last.Words)
	require.Empty(t, h.job(n).Undelivered(), "nobody telephones the customer for that")
}

// What somebody else names leads nowhere but to the open internet: loopback, internal networks, a cloud's metadata,
// and addresses that wrap one.
func TestOnlyPublicAddresses(t *testing.T) {
	for s, want := range map[string]bool{
		"93.184.215.14": true, "2606:2800:21f:cb07:6820:80da:af6b:8b2c": true, "1.1.1.1": true, "172.32.0.1": true, "100.128.0.1": true,
		"127.0.0.1": false, "127.8.9.1": false, "10.1.2.3": false, "172.16.0.1": false, "192.168.1.1": false, "169.254.169.254": false, "100.64.0.1": false,
		"0.0.0.0": false, "255.255.255.255": false, "224.0.0.1": false, "192.0.2.1": false, "198.18.0.1": false,
		"::1": false, "::": false, "fe80::1": false, "fc00::1": false, "fd00:ec2::254": false, "ff02::1": false, "::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false,
		"64:ff9b::a00:1": false, "2002:a00:1::": false, "::7f00:1": false, "2001:db8::1": false, "fec0::1": false,
	} {
		require.Equal(t, want, public(netip.MustParseAddr(s)), s)
	}
	h := newHooked(t)
	address := strings.Replace(h.till.URL, "http://127.0.0.1", "https://localtest.invalid", 1)
	k, err := ParseHookKey(specSecret)
	require.NoError(t, err)
	_, err = NewHook(h.svc, "till", address, false, k)
	require.NoError(t, err)
	for _, bad := range []string{"http://till.example/", "https://", "ftp://till.example", "https://a:b@till.example", "//till.example", "http://127.0.0.1.till.example/"} {
		_, err = NewHook(h.svc, "till", bad, false, k)
		require.Error(t, err, bad)
	}
	_, err = NewHook(h.svc, "till", "https://till.example", false)
	require.Error(t, err, "unsigned")

	// A client that may not reach internal addresses does not, whatever name led there.
	r, err := http.NewRequest(http.MethodPost, h.till.URL, nil)
	require.NoError(t, err)
	_, err = postTo(context.Background(), poster(false), r, h.now)
	require.Equal(t, Unreached, FailureOf(err).Fate)
	require.Contains(t, FailureOf(err).Words, "127.0.0.1")
	require.Empty(t, h.till.got)
	require.NoError(t, func() error { _, err := postTo(context.Background(), poster(true), r, h.now); return err }())
}

// A hook that is told of some events only gets those.
func TestHookEvents(t *testing.T) {
	h := newHooked(t)
	h.svc.Shop.Hooks = []workflow.Hook{{Name: "till", Events: []workflow.EventKind{"message.sent"}}, {Name: "books"}}
	n := h.book()
	h.write(n)
	ways := map[workflow.Via][]workflow.NoticeKind{}
	for _, e := range h.entries(n) {
		ways[e.Via] = append(ways[e.Via], e.Kind)
	}
	require.Equal(t, []workflow.NoticeKind{"message.sent"}, ways["hook:till"])
	require.Equal(t, []workflow.NoticeKind{"job.booked", "message.sent"}, ways["hook:books"])
	h.flush(h.dispatcher())
	require.Len(t, h.till.got, 1)

	known := workflow.EventKinds()
	for _, k := range workflow.HookEvents {
		require.Contains(t, known, k)
	}
	h.till.says(nil)
	words, err := h.hook.Try(context.Background())
	require.NoError(t, err)
	require.Equal(t, "200 OK", words)
	check, err := standardwebhooks.NewWebhook(specSecret)
	require.NoError(t, err)
	require.NoError(t, check.Verify(h.till.got[0].body, h.till.got[0].header))
}
