package hook

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/workflow"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
)

// The secret, message and signature of the test in the specification's own Go library (v0.0.1).
const specSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

func TestHookSignatureOfTheSpecification(t *testing.T) {
	k, err := ParseKey(specSecret)
	require.NoError(t, err)
	require.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=", k.Sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`)))
	for _, bad := range []string{"", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_", "whsec_AAAA", "whsec_!!", "whpk_" + strings.Repeat("A", 44), "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 65)), "whsk_" + base64.StdEncoding.EncodeToString(make([]byte, 64))} {
		_, err := ParseKey(bad)
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
	*notifytest.Desk
	now  time.Time
	till *till
	hook *Hook
}

func newHooked(t *testing.T, keys ...string) *hooked {
	h := &hooked{now: time.Now().Truncate(time.Second), till: newTill(t)} // the specification's library has no other clock
	h.Desk = notifytest.NewDesk(t, func() time.Time { return h.now })
	h.Svc.Shop.Hooks = []workflow.Hook{{Name: "till"}}
	if len(keys) == 0 {
		keys = []string{specSecret}
	}
	var parsed []Key
	for _, k := range keys {
		p, err := ParseKey(k)
		require.NoError(t, err)
		parsed = append(parsed, p)
	}
	var err error
	h.hook, err = New(h.Svc, "till", h.till.URL, false, parsed...)
	require.NoError(t, err)
	return h
}

func (h *hooked) dispatcher() *notify.Dispatcher {
	cfg := h.hook.Config()
	cfg.Random = notifytest.NewDice(3)
	return notify.New(cfg)
}

func (h *hooked) flush(d *notify.Dispatcher) { require.NoError(h.T, d.Flush(context.Background())) }

func (h *hooked) waits(n workflow.JobNumber) (out []workflow.Entry) {
	for _, e := range h.Entries(n) {
		if e.Channel == "hook:till" && e.State == workflow.EntryQueued {
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
	n := h.Book()
	h.Do(n, notifytest.Counter, workflow.SendMessage{Text: "One more line for Maud."})
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
	n := h.Book()
	claimed, err := h.Store.ClaimEntries(t.Context(), h.Svc.Shop.ID, workflow.Claim{Channel: h.hook.Serves(), Now: h.now, Until: h.now.Add(4 * time.Minute), Limit: 10, Lease: "killed"})
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	_, err = h.hook.Attempt(t.Context(), h.Svc, h.Job(n), &claimed[0])
	require.NoError(t, err)
	// Killed here.
	h.Write(n)
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

// letters is a channel of email that writes none.
type letters struct{ carried []string }

func (*letters) Serves() workflow.Channel { return workflow.Email }

func (l *letters) Attempt(_ context.Context, _ *workflow.Service, _ *workflow.Job, e *workflow.Entry) (notify.Done, error) {
	l.carried = append(l.carried, e.ID)
	return notify.Done{Command: func(*notify.Failure) workflow.Command { return workflow.RecordDelivery{ID: e.ID} }}, nil
}

// A system that is away holds up no mail, and a mail server that is away no webhook.
func TestHooksAndMailsDoNotWaitForEachOther(t *testing.T) {
	h := newHooked(t)
	h.till.says(func(w http.ResponseWriter, _ int) { w.WriteHeader(500) })
	n := h.Book()
	h.Write(n)
	mails := &letters{}
	hooks, emails := h.dispatcher(), notify.New(notify.Config{Service: h.Svc, Channel: mails})
	h.flush(hooks)
	require.Len(t, h.till.got, 1, "in order: the second waits for the first")
	h.now = h.now.Add(time.Minute * 3)
	h.flush(emails)
	require.Len(t, mails.carried, 2)
	for _, e := range h.Entries(n) {
		if e.Channel == workflow.Email {
			require.Equal(t, workflow.EntrySent, e.State)
		}
	}
	require.Len(t, h.waits(n), 2)
	require.False(t, h.Job(n).Notices[0].DeliveredAt.IsZero())
	require.Empty(t, h.Job(n).Undelivered())
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
			n := h.Book()
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
				h.Book()
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
	n := h.Book()
	d := h.dispatcher()
	h.flush(d)
	off, err := h.Svc.HookOff(ctx, "till")
	require.NoError(t, err)
	require.Equal(t, h.now.UTC(), off.At.UTC())
	require.Contains(t, h.waits(n)[0].Attempts[0].Words, "switched off")
	h.Write(n)
	h.now = h.now.Add(30 * 24 * time.Hour)
	h.flush(d)
	h.flush(h.dispatcher())
	require.Len(t, h.till.got, 1, "nothing is sent")
	require.Len(t, h.waits(n), 2, "and nothing lost")
	h.till.says(nil)
	require.NoError(t, h.Svc.SwitchHookOn(ctx, "till"))
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
	n := h.Book()
	d := h.dispatcher()
	for range 24 * 7 {
		h.flush(d)
		h.now = h.now.Add(time.Hour)
	}
	require.Empty(t, h.waits(n))
	buried, err := h.Store.EntriesIn(context.Background(), h.Svc.Shop.ID, workflow.EntryBuried, 10)
	require.NoError(t, err)
	require.Len(t, buried, 1)
	last := buried[0].Attempts[len(buried[0].Attempts)-1]
	require.Equal(t, string(notify.GivenUp), last.Result)
	require.Equal(t, "404 Not Found: no such shop", last.Words)
	require.Empty(t, h.Job(n).Undelivered(), "nobody telephones the customer for that")
}

// A hook's address is one of the open internet, and its messages are signed.
func TestAddressesOfHooks(t *testing.T) {
	h := newHooked(t)
	address := strings.Replace(h.till.URL, "http://127.0.0.1", "https://localtest.invalid", 1)
	k, err := ParseKey(specSecret)
	require.NoError(t, err)
	_, err = New(h.Svc, "till", address, false, k)
	require.NoError(t, err)
	for _, bad := range []string{"http://till.example/", "https://", "ftp://till.example", "https://a:b@till.example", "//till.example", "http://127.0.0.1.till.example/"} {
		_, err = New(h.Svc, "till", bad, false, k)
		require.Error(t, err, bad)
	}
	_, err = New(h.Svc, "till", "https://till.example", false)
	require.Error(t, err, "unsigned")
}

// A hook that is told of some events only gets those.
func TestHookEvents(t *testing.T) {
	h := newHooked(t)
	h.Svc.Shop.Hooks = []workflow.Hook{{Name: "till", Events: []workflow.EventKind{"message.sent"}}, {Name: "books"}}
	n := h.Book()
	h.Write(n)
	ways := map[workflow.Channel][]workflow.NoticeKind{}
	for _, e := range h.Entries(n) {
		ways[e.Channel] = append(ways[e.Channel], e.Kind)
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
