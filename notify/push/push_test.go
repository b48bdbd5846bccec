package push

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/workflow"
	"benchword/workflow/link"

	webpush "github.com/SherClockHolmes/webpush-go"
	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/hkdf"
)

func unbase(t testing.TB, s string) []byte {
	b, err := base64.RawURLEncoding.DecodeString(s)
	require.NoError(t, err)
	return b
}

func private(t testing.TB, s string) *ecdh.PrivateKey {
	k, err := ecdh.P256().NewPrivateKey(unbase(t, s))
	require.NoError(t, err)
	return k
}

// The example of RFC 8291, appendix A.
const (
	exampleText    = "When I grow up, I want to be a watermelon"
	exampleAuth    = "BTBZMqHH6r4Tts7J_aSIgg"
	exampleBrowser = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	exampleOwn     = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
	exampleOnce    = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
	exampleSalt    = "DGv6ra1nlYgDCS1FRnbzlw"
	exampleBody    = "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)

func TestPushOfRFC8291(t *testing.T) {
	body, err := sealWith([]byte(exampleText), exampleBrowser, exampleAuth, private(t, exampleOnce), unbase(t, exampleSalt), 1)
	require.NoError(t, err)
	require.Equal(t, exampleBody, base64.RawURLEncoding.EncodeToString(body))
	text, err := (&receiver{key: private(t, exampleOwn), auth: unbase(t, exampleAuth)}).open(body)
	require.NoError(t, err)
	require.Equal(t, exampleText, string(text))

	_, err = seal(make([]byte, 3992), exampleBrowser, exampleAuth)
	require.NoError(t, err, "RFC 8291, 4: 3993 bytes, one of which is ours")
	_, err = seal(make([]byte, 4000), exampleBrowser, exampleAuth)
	require.Error(t, err)
	for _, bad := range []string{"", "AAAA", exampleBrowser[:80], "BA" + strings.Repeat("A", 85)} {
		_, err = seal(nil, bad, exampleAuth)
		require.Error(t, err, "%s is no point of the curve", bad)
	}
}

// receiver is a browser: it opens a push by the steps of RFC 8291 and RFC 8188, with another HKDF than ours.
type receiver struct {
	key  *ecdh.PrivateKey
	auth []byte
}

func newReceiver(t testing.TB) *receiver {
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	require.NoError(t, err)
	r := &receiver{key: key, auth: make([]byte, 16)}
	_, err = rand.Read(r.auth)
	require.NoError(t, err)
	return r
}

func (r *receiver) open(body []byte) ([]byte, error) {
	if len(body) < 21 || len(body) > 4096 {
		return nil, fmt.Errorf("%d bytes", len(body))
	}
	salt, size, idlen := body[:16], binary.BigEndian.Uint32(body[16:20]), int(body[20])
	sender, record := body[21:21+idlen], body[21+idlen:]
	if size < 18 || len(record) > int(size) {
		return nil, fmt.Errorf("a record of %d bytes, %d stated", len(record), size)
	}
	theirs, err := ecdh.P256().NewPublicKey(sender)
	if err != nil {
		return nil, err
	}
	shared, err := r.key.ECDH(theirs)
	if err != nil {
		return nil, err
	}
	expand := func(secret, salt []byte, info string, n int) []byte {
		out := make([]byte, n)
		_, _ = io.ReadFull(hkdf.New(sha256.New, secret, salt, []byte(info)), out)
		return out
	}
	ikm := expand(shared, r.auth, "WebPush: info\x00"+string(r.key.PublicKey().Bytes())+string(sender), 32)
	block, err := aes.NewCipher(expand(ikm, salt, "Content-Encoding: aes128gcm\x00", 16))
	if err != nil {
		return nil, err
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	plain, err := gcm.Open(nil, expand(ikm, salt, "Content-Encoding: nonce\x00", 12), record, nil)
	if err != nil {
		return nil, err
	}
	plain = []byte(strings.TrimRight(string(plain), "\x00"))
	if len(plain) == 0 || plain[len(plain)-1] != 2 {
		return nil, fmt.Errorf("the last record does not end in 2")
	}
	return plain[:len(plain)-1], nil
}

// A library that many use writes what our receiver opens: so the receiver is right, too.
func TestTheReceiverOpensWhatOthersSeal(t *testing.T) {
	r, s := newReceiver(t), newPushService(t)
	priv, pub, err := webpush.GenerateVAPIDKeys()
	require.NoError(t, err)
	answer, err := webpush.SendNotification([]byte("hello"), &webpush.Subscription{Endpoint: s.URL + "/a", Keys: webpush.Keys{
		P256dh: base64.RawURLEncoding.EncodeToString(r.key.PublicKey().Bytes()), Auth: base64.RawURLEncoding.EncodeToString(r.auth),
	}}, &webpush.Options{HTTPClient: s.Client(), VAPIDPrivateKey: priv, VAPIDPublicKey: pub, Subscriber: "a@b.example", TTL: 1})
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	text, err := r.open(s.got[0].body)
	require.NoError(t, err)
	require.Equal(t, "hello", string(text))
}

// pushService is one that keeps what it gets.
type pushService struct {
	*httptest.Server
	mu     sync.Mutex
	status int
	got    []received
	paths  []string
}

// received is a push as it came in.
type received struct {
	header http.Header
	body   []byte
}

func newPushService(t testing.TB) *pushService {
	s := &pushService{status: 201}
	s.Server = httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		s.mu.Lock()
		defer s.mu.Unlock()
		s.got, s.paths = append(s.got, received{r.Header.Clone(), body}), append(s.paths, r.URL.Path)
		w.WriteHeader(s.status)
	}))
	t.Cleanup(s.Close)
	return s
}

// pushed is a desk whose pushes go to a service of our own, which stands for push.example.
type pushed struct {
	*notifytest.Desk
	now     time.Time
	service *pushService
	pushes  *Pushes
}

// toService sends what is for push.example to a test's server.
type toService struct{ s *pushService }

func (x toService) RoundTrip(r *http.Request) (*http.Response, error) {
	if !strings.HasSuffix(r.URL.Host, "push.example") {
		return nil, fmt.Errorf("to %s", r.URL.Host)
	}
	r = r.Clone(r.Context())
	r.URL.Host = strings.TrimPrefix(x.s.URL, "https://")
	return x.s.Client().Transport.RoundTrip(r)
}

func newPushed(t *testing.T) *pushed {
	p := &pushed{now: time.Date(2026, 11, 2, 15, 0, 0, 0, time.UTC), service: newPushService(t)}
	p.Desk = notifytest.NewDesk(t, func() time.Time { return p.now })
	p.Svc.Shop.Quiet = workflow.Quiet{From: 21 * 60, To: 8 * 60}
	key, err := OpenKey(t.Context(), p.Svc)
	require.NoError(t, err)
	p.pushes = &Pushes{Service: p.Svc, Writer: &mail.Writer{Service: p.Svc}, Key: key, client: &http.Client{Transport: toService{p.service}}}
	return p
}

func (p *pushed) dispatcher() *notify.Dispatcher {
	cfg := p.pushes.Config()
	cfg.Random = notifytest.NewDice(3)
	return notify.New(cfg)
}

func (p *pushed) subscribe(t testing.TB, n workflow.JobNumber, path string) *receiver {
	r := newReceiver(t)
	g := p.Job(n).Link(link.Own, p.now)
	p.Do(n, notifytest.Customer, workflow.Subscribe{
		Endpoint: "https://push.example/" + path, Key: base64.RawURLEncoding.EncodeToString(r.key.PublicKey().Bytes()), Auth: base64.RawURLEncoding.EncodeToString(r.auth), LinkID: g.ID,
	})
	return r
}

func (p *pushed) waits(n workflow.JobNumber) (out []workflow.Entry) {
	for _, e := range p.Entries(n) {
		if e.Channel.Base() == workflow.Push && e.State == workflow.EntryQueued {
			out = append(out, e)
		}
	}
	return out
}

func TestPushes(t *testing.T) {
	p := newPushed(t)
	ctx := t.Context()
	n := p.Book()
	d := p.dispatcher()
	require.NoError(t, d.Flush(ctx))
	require.Empty(t, p.service.got, "nobody has asked")
	mine, other := p.subscribe(t, n, "mine"), p.subscribe(t, n, "other")
	p.Write(n)
	require.NoError(t, d.Flush(ctx))
	require.ElementsMatch(t, []string{"/mine", "/other"}, p.service.paths)
	for i, r := range p.service.got {
		who := map[string]*receiver{"/mine": mine, "/other": other}[p.service.paths[i]]
		raw, err := who.open(r.body)
		require.NoError(t, err)
		var x text
		require.NoError(t, json.Unmarshal(raw, &x))
		require.Equal(t, p.Svc.Shop.Name, x.Title)
		require.Equal(t, "en", x.Lang)
		require.Equal(t, string(n), x.Tag)
		token, err := p.Svc.Token(p.Job(n), p.Job(n).Link(link.Own, p.now))
		require.NoError(t, err)
		require.Equal(t, "/j/"+token, x.URL)
		require.Equal(t, "Film scanner: a message from the bench", x.Body)
		require.NotContains(t, x.Body, "Maud")

		require.Equal(t, "aes128gcm", r.header.Get("Content-Encoding"))
		require.Equal(t, "172800", r.header.Get("TTL"))
		require.Equal(t, "high", r.header.Get("Urgency"))
		require.Regexp(t, `^[A-Za-z0-9_-]{32}$`, r.header.Get("Topic"), "RFC 8030, 5.4")
		require.Equal(t, p.service.got[0].header.Get("Topic"), r.header.Get("Topic"))
		require.Zero(t, (len(r.body)-21-65-16)%512, "its length tells nothing")

		// RFC 8292, by an independent implementation: the token is signed by the key that stands beside it, for this service.
		var token1, key string
		for _, part := range strings.Split(strings.TrimPrefix(r.header.Get("Authorization"), "vapid "), ", ") {
			if v, ok := strings.CutPrefix(part, "t="); ok {
				token1 = v
			} else if v, ok := strings.CutPrefix(part, "k="); ok {
				key = v
			}
		}
		require.Equal(t, p.pushes.Key.Public(), key)
		parsed, err := jwt.Parse(token1, func(*jwt.Token) (any, error) { return &p.pushes.Key.private.PublicKey, nil },
			jwt.WithValidMethods([]string{"ES256"}), jwt.WithAudience("https://push.example"), jwt.WithTimeFunc(func() time.Time { return p.now }), jwt.WithExpirationRequired())
		require.NoError(t, err)
		claims := parsed.Claims.(jwt.MapClaims)
		require.Equal(t, "mailto:"+p.Svc.Shop.Email, claims["sub"])
		require.LessOrEqual(t, claims["exp"].(float64), float64(p.now.Add(24*time.Hour).Unix()), "RFC 8292, 2: at most a day")
	}
	// Ended by its reader: nothing more comes, and what waited is put away.
	p.Write(n)
	p.Do(n, notifytest.Customer, workflow.Unsubscribe{Endpoint: "https://push.example/mine"})
	require.NoError(t, d.Flush(ctx))
	require.Len(t, p.service.got, 3)
	require.Equal(t, "/other", p.service.paths[2])
	require.Empty(t, p.waits(n))
	require.Empty(t, p.Job(n).Undelivered())
}

// Every link ends because one got into the wrong hands, and a stranger's browser had been told: it is told no more,
// nor given the customer's new link. So it is when the customer's address changes.
func TestNoPushAfterLinksEnd(t *testing.T) {
	for what, end := range map[string]workflow.Command{
		"ended":   workflow.RevokeLinks{},
		"address": workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud", Email: "maud@elsewhere.example"}},
	} {
		for _, waits := range []bool{false, true} { // a push that is under way already
			p := newPushed(t)
			n := p.Book()
			d := p.dispatcher()
			p.subscribe(t, n, "stranger")
			if waits {
				p.Write(n)
			}
			p.Do(n, notifytest.Counter, end)
			p.Write(n)
			require.NoError(t, d.Flush(t.Context()))
			require.Empty(t, p.service.got, what)
			require.Empty(t, p.waits(n))
			require.NotNil(t, p.Job(n).Link(link.Own, p.now), "the customer has a new one")
		}
	}
}

// A push that waited, for the night or for its service, is not sent once its notice is out of date.
func TestNoPushOfWhatIsOver(t *testing.T) {
	p := newPushed(t)
	n := p.Book()
	p.Svc.Shop.Quiet = workflow.Quiet{From: 20 * 60, To: 8 * 60}
	p.now = time.Date(2026, 3, 3, 23, 0, 0, 0, p.Svc.Shop.Calendar.Location())
	reader := p.subscribe(t, n, "mine")
	p.Do(n, workflow.Actor{Role: workflow.RoleBench, ID: "ada"}, workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}},
		workflow.AddPhoto{Photo: workflow.Photo{Original: strings.Repeat("a", 64), Kind: workflow.PhotoArrival}}, workflow.Go{To: workflow.StageReceived})
	p.Do(n, notifytest.Counter, workflow.MovePromise{Days: 5, Reason: "A part is late."})
	p.Do(n, notifytest.Counter, workflow.MovePromise{Days: 9, Reason: "It is later still."})
	require.NoError(t, p.dispatcher().Flush(t.Context()))
	require.Empty(t, p.service.got, "it is night")
	p.now = p.now.Add(10 * time.Hour)
	require.NoError(t, p.dispatcher().Flush(t.Context()))
	var told []string
	for _, r := range p.service.got {
		raw, err := reader.open(r.body)
		require.NoError(t, err)
		var x text
		require.NoError(t, json.Unmarshal(raw, &x))
		told = append(told, x.Body)
	}
	require.Len(t, told, 2, "the first new date is told no more: %q", told)
	require.Empty(t, p.waits(n))
	require.Len(t, p.Job(n).Subscriptions, 1)
	require.True(t, p.Job(n).Subscriptions[0].Live(), "the browser is told on")
}

// A browser that was told by a link which has taken its place, or run out, is told on, but given no other link.
func TestAPushOffersNoOtherLink(t *testing.T) {
	p := newPushed(t)
	n := p.Book()
	reader := p.subscribe(t, n, "mine")
	p.now = p.now.AddDate(2, 0, 0)
	p.Write(n)
	require.NoError(t, p.dispatcher().Flush(t.Context()))
	require.Len(t, p.service.got, 1)
	raw, err := reader.open(p.service.got[0].body)
	require.NoError(t, err)
	var x text
	require.NoError(t, json.Unmarshal(raw, &x))
	require.Equal(t, "/find", x.URL)
}

// A browser that is gone is written off, with no task for anybody; one that has nothing to do with it is told on.
func TestGoneBrowsers(t *testing.T) {
	for _, status := range []int{404, 410} {
		p := newPushed(t)
		n := p.Book()
		p.subscribe(t, n, "a")
		p.Write(n)
		p.service.status = status
		d := p.dispatcher()
		require.NoError(t, d.Flush(t.Context()))
		require.Empty(t, p.waits(n))
		require.Nil(t, p.Job(n).SubscriptionOf("push/1"))
		require.Empty(t, p.Job(n).Undelivered())
		buried, err := p.Store.EntriesIn(t.Context(), p.Svc.Shop.ID, workflow.EntryBuried, 10)
		require.NoError(t, err)
		require.Empty(t, buried)
		p.Write(n)
		require.Empty(t, p.waits(n), "nothing more is made for it")
		require.NoError(t, d.Flush(t.Context()))
		require.Len(t, p.service.got, 1)
	}
	p := newPushed(t)
	n, o := p.Book(), p.Book()
	p.subscribe(t, n, "a")
	p.subscribe(t, o, "b")
	p.Write(n)
	p.service.status = 503
	d := p.dispatcher()
	require.NoError(t, d.Flush(t.Context()))
	require.Len(t, p.waits(n), 1)
	require.Greater(t, p.waits(n)[0].NotBefore, p.now)
	p.service.status = 201
	p.Write(o)
	require.NoError(t, d.Flush(t.Context()))
	require.Empty(t, p.waits(o), "that one service is away says nothing of another")
	p.now = p.now.Add(2 * time.Minute)
	require.NoError(t, d.Flush(t.Context()))
	require.Empty(t, p.waits(n))
}

// What the customer chose for mails holds for pushes, and so do the hours of the night; what they did
// themselves is not pushed to them.
func TestPushesAreChosen(t *testing.T) {
	p := newPushed(t)
	n := p.Book()
	p.subscribe(t, n, "a")
	p.Do(n, notifytest.Customer, workflow.ChooseNotices{Choice: workflow.TellWhatNeedsMe})
	p.Do(n, notifytest.Counter, workflow.AddPhoto{Photo: workflow.Photo{Original: "aa", Copies: workflow.Copies{Large: workflow.Copy{Digest: "bb", Width: 1600, Height: 1200}, Small: workflow.Copy{Digest: "cc", Width: 480, Height: 360}}, Kind: workflow.PhotoArrival, Caption: workflow.Plain("The parcel"), Alt: workflow.Plain("A box")}},
		workflow.ListContents{Items: []workflow.Item{{Text: "the scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.Unknown}},
		workflow.Go{To: workflow.StageReceived})
	require.Empty(t, p.waits(n), "an optional step")
	p.Do(n, notifytest.Customer, workflow.ChooseNotices{Choice: workflow.TellEveryStep})
	p.now = time.Date(2026, 11, 3, 4, 0, 0, 0, time.UTC) // midnight in Halifax
	p.Write(n)
	require.Len(t, p.waits(n), 1)
	require.Equal(t, 8, p.waits(n)[0].NotBefore.In(p.Svc.Shop.Calendar.Location()).Hour())
	d := p.dispatcher()
	require.NoError(t, d.Flush(t.Context()))
	require.Empty(t, p.service.got)
	p.now = p.waits(n)[0].NotBefore
	// An earlier try that comes due at night waits for the morning, too.
	p.service.status = 500
	require.NoError(t, d.Flush(t.Context()))
	p.now = p.now.Add(14 * time.Hour)
	require.NoError(t, d.Flush(t.Context()))
	require.Len(t, p.service.got, 1)
	require.Equal(t, string(notify.Held), p.waits(n)[0].Attempts[1].Result)

	q := newPushed(t)
	n = q.Book()
	q.subscribe(t, n, "a")
	q.Do(n, notifytest.Customer, workflow.AskLink{})
	require.Empty(t, q.waits(n))
}

// A job of somebody without a mail address tells their browser; one whose person was erased tells nobody, and
// holds neither address nor keys any more.
func TestSubscriptionsAreForgotten(t *testing.T) {
	p := newPushed(t)
	n := p.Do("", notifytest.Counter, workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Phone: "+1 902 555 0100"}, Kind: "film scanner", Fault: "stops"}).Number
	p.subscribe(t, n, "secret-address")
	p.Write(n)
	require.Len(t, p.waits(n), 1)
	require.Len(t, p.Entries(n), 1, "and no email")
	d := p.dispatcher()
	p.service.status = 500
	require.NoError(t, d.Flush(t.Context()))
	p.Do(n, notifytest.Counter, workflow.Go{To: workflow.StageWithdrawn, Reason: "changed their mind"})
	p.Do(n, workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, workflow.ErasePerson{})
	require.Nil(t, p.Job(n).SubscriptionOf("push/1"))
	events, err := p.Store.Events(t.Context(), p.Svc.Shop.ID, n, 0)
	require.NoError(t, err)
	all, err := json.Marshal(events)
	require.NoError(t, err)
	state, err := json.Marshal(p.Job(n))
	require.NoError(t, err)
	require.NotContains(t, string(all)+string(state)+fmt.Sprint(p.Job(n).Subscriptions), "secret-address")
	p.service.status = 201
	p.now = p.now.Add(18 * time.Hour)
	before := len(p.service.got)
	require.NoError(t, d.Flush(t.Context()))
	require.Len(t, p.service.got, before)
	require.Empty(t, p.waits(n))
}

// Who may subscribe with what.
func TestSubscribing(t *testing.T) {
	p := newPushed(t)
	n := p.Book()
	good := workflow.Subscribe{Endpoint: "https://push.example/a", Key: exampleBrowser, Auth: exampleAuth}
	try := func(change func(*workflow.Subscribe)) error {
		c := good
		change(&c)
		_, err := p.Svc.Do(t.Context(), workflow.Order{Job: n, By: notifytest.Customer, Commands: []workflow.Command{c}})
		return err
	}
	for _, bad := range []string{
		"", "http://push.example/a", "https://", "https://localhost/a", "https://127.0.0.1/a", "https://[::1]/a", "https://10.0.0.1/", "https://169.254.169.254/latest",
		"https://router/", "https://a.local/", "https://a.internal/", "https://a.localhost/", "https://push.example:8443/", "https://u:p@push.example/", "https://push.example/#x",
		"javascript:alert(1)", "https://push.example/" + strings.Repeat("a", 2000), "file:///etc/passwd", "https://2130706433/", "https://0x7f000001/",
	} {
		require.ErrorIs(t, try(func(c *workflow.Subscribe) { c.Endpoint = bad }), workflow.ErrInvalid, bad)
	}
	for _, bad := range []string{"", "AAAA", exampleBrowser + "AA", "!" + exampleBrowser[1:]} {
		require.ErrorIs(t, try(func(c *workflow.Subscribe) { c.Key = bad }), workflow.ErrInvalid, bad)
	}
	require.ErrorIs(t, try(func(c *workflow.Subscribe) { c.Auth = "AAAA" }), workflow.ErrInvalid)
	v := p.Job(n).Version
	require.NoError(t, try(func(*workflow.Subscribe) {}))
	require.NoError(t, try(func(*workflow.Subscribe) {}))
	require.Equal(t, v+1, p.Job(n).Version, "asked twice is asked once")
	for i := range workflow.MostSubscriptions - 1 {
		require.NoError(t, try(func(c *workflow.Subscribe) { c.Endpoint += fmt.Sprint(i) }))
	}
	require.Error(t, try(func(c *workflow.Subscribe) { c.Endpoint += "one more" }))
	p.Do(n, notifytest.Customer, workflow.Unsubscribe{Endpoint: good.Endpoint})
	require.NoError(t, try(func(c *workflow.Subscribe) { c.Endpoint += "one more" }))

	// The key stays the same, for every process.
	again, err := OpenKey(t.Context(), p.Svc)
	require.NoError(t, err)
	require.Equal(t, p.pushes.Key.Public(), again.Public())
	require.Len(t, unbase(t, again.Public()), 65)
}
