package shopyears

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"log/slog"
	"math/rand/v2"
	"mime/multipart"
	"net"
	"net/http"
	"net/textproto"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/notify/push"
	"benchword/portal"
	"benchword/portal/api"
	"benchword/portal/counter"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
	"github.com/valyala/fasthttp"
)

// broken is what a play stops with: a truth that does not hold.
type broken struct {
	truth, says string
	job         int
}

func (b *broken) Error() string { return b.truth + ": " + b.says }

// kind tells contradictions apart, roughly: the same truth in the same words, whatever the numbers.
func (b *broken) kind() string {
	words := strings.FieldsFunc(b.says, func(r rune) bool { return r >= '0' && r <= '9' })
	says := strings.Join(words, "")
	if i := strings.Index(says, "): "); i > 0 { // behind the job's number and stage
		says = says[i:]
	}
	return b.truth + says[:min(len(says), 30)]
}

// must stops the play for what no shop should meet.
func must(err error) {
	if err != nil {
		panic(&broken{truth: "works", says: err.Error()})
	}
}

// shop is one shop of a play.
type shop struct {
	t      testing.TB
	cfg    *workflow.Shop
	clock  *notifytest.Clock
	dice   *notifytest.Dice
	keys   *link.Maker
	open   func() workflow.Store
	disk   *disk
	post   *post
	phones *phones

	svc    *workflow.Service
	portal *portal.Server
	sends  []*notify.Dispatcher
	tokens map[workflow.Role]string
	cookie string
	serve  fasthttp.RequestHandler
	log    *loud
	docs   map[string]doc // as the interface told them since anything happened
}

// loud keeps the log's errors: a shop that does well has none that the play does not know of.
type loud struct{ errors []string }

func (l *loud) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte("level=ERROR")) {
		l.errors = append(l.errors, string(b))
	}
	return len(b), nil
}

var pages = func() *templates.Set {
	set, err := templates.Load()
	if err != nil {
		panic(err)
	}
	return set
}()

const password = "four plain words will do"

// pick returns one of several.
func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// settings draws the settings of a shop from its seed.
func settings(t testing.TB, r *rand.Rand) *workflow.Shop {
	s := notifytest.Shop(t)
	hours := pick(r, []string{"09:00-17:00"}, []string{"09:00-12:30", "13:00-17:00"}, []string{"00:00-24:00"}, []string{"10:00-18:30"})
	week := map[string][]string{}
	for _, d := range []string{"mon", "tue", "wed", "thu", "fri"} {
		week[d] = hours
	}
	if r.IntN(3) == 0 {
		week["sat"] = []string{"10:00-13:00"}
	}
	var err error
	s.Calendar, err = calendar.New(calendar.Spec{TimeZone: pick(r, "America/Halifax", "Europe/Berlin", "Australia/Sydney"), Hours: week})
	require.NoError(t, err)
	s.BaseURL = "http://desk.example"
	s.Languages = []string{"en", "fr", "de", "es"}
	s.PromiseDays, s.QuoteDays, s.LastNoticeDays = pick(r, 3, 6, 10), pick(r, 5, 14), 1
	s.Gather = time.Duration(pick(r, 0, 0, 1, 10)) * time.Minute
	s.UndoFor = time.Duration(pick(r, 0, 30, 600)) * time.Minute
	s.SettleFirst, s.Silence, s.SilenceDays = r.IntN(2) == 0, pick(r, workflow.SilenceAgrees, workflow.SilenceReturns, workflow.SilenceAgreesOnce), pick(r, 2, 5)
	s.PayURL = pick(r, "", "https://pay.example/{job}?amount={amount}&currency={currency}")
	s.Tests = []string{"Power-on"}
	s.WarrantyDays, s.WarnAt = 90, []int{80}
	s.Uncollected = []workflow.UncollectedNotice{{AfterDays: 7, GiveDays: 14, Text: map[string]string{"en": "Please collect your device."}}}
	if r.IntN(2) == 0 {
		s.Fee = &money.Amount{Minor: 3500, Currency: "CAD"}
	}
	if r.IntN(3) == 0 {
		s.Prices = money.WithTax
	}
	if r.IntN(3) == 0 {
		s.Quiet = workflow.Quiet{From: 21 * 60, To: 8 * 60}
	}
	if r.IntN(3) == 0 {
		s.PayWords = map[string]string{"en": "By transfer, or at the counter."}
	}
	if r.IntN(2) == 0 {
		fee := money.Line{Kind: money.Labour, Text: "Express", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal("30.00"), Tax: "hst"}
		s.Levels = []workflow.Level{
			{Key: "standard", Name: "Standard", Promise: promiseclock.Quota{WorkingDays: s.PromiseDays}},
			{Key: "express", Name: "Express", Promise: promiseclock.Quota{WorkingDays: 2}, Fee: &fee},
		}
	}
	return s
}

// newShop opens a shop on a store; open is asked for the store again after each kill.
func newShop(t testing.TB, seed uint64, open func() workflow.Store) *shop {
	r := rand.New(rand.NewPCG(seed, 1))
	s := &shop{
		t: t, cfg: settings(t, r), dice: notifytest.NewDice(seed), open: open, post: &post{}, log: &loud{}, tokens: map[workflow.Role]string{}, docs: map[string]doc{},
		clock: notifytest.NewClock(time.Date(2026, time.Month(pick(r, 2, 6, 9, 11)), 2+r.IntN(20), 13, 0, r.IntN(60), 0, time.UTC)),
	}
	key, err := link.NewKey(s.dice, 1)
	must(err)
	s.keys, err = link.NewMaker(key)
	must(err)
	s.start()
	for _, role := range []workflow.Role{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner} {
		s.tokens[role], err = portal.AddToken(context.Background(), s.svc, string(role), role, time.Time{})
		must(err)
	}
	must(portal.AddStaff(context.Background(), s.svc, "olga", "Olga", workflow.RoleOwner, password))
	return s
}

// start builds the shop over its store, as a server does that starts.
func (s *shop) start() {
	s.disk = &disk{Store: s.open(), jobs: map[workflow.JobNumber]*workflow.Job{}}
	s.happens()
	log := slog.New(slog.NewTextHandler(s.log, nil))
	s.svc = workflow.Service{Shop: s.cfg, Links: s.keys, Now: s.clock.Now, Random: s.dice, Log: log, Pictures: noPictures{}}.On(s.disk)
	writer := &mail.Writer{Service: s.svc, Templates: pages, Log: log}
	s.sends = []*notify.Dispatcher{
		notify.New(notify.Config{Service: s.svc, Channel: &mail.Channel{Composer: writer, Transport: s.post}, Log: log, Workers: 1}),
	}
	s.phones = &phones{Pushes: &push.Pushes{Service: s.svc, Writer: writer}}
	s.sends = append(s.sends, notify.New(notify.Config{Service: s.svc, Channel: s.phones, Log: log, Workers: 1, Apart: true}))
	effects := notify.EffectsConfig(s.svc)
	effects.Log, effects.Workers = log, 1
	s.sends = append(s.sends, notify.New(effects))
	var err error
	s.portal, err = portal.New(portal.Config{Service: s.svc, Photos: noPictures{}, Templates: pages, Log: log, PushKey: browserKey, Ask: 1 << 30, AskFor: time.Minute})
	must(err)
	must(counter.Mount(s.portal, counter.Config{}))
	api.Mount(s.portal)
	s.serve = s.portal.App().Handler()
	s.svc.Kept = s.portal.Kept()
	s.svc.Committed = func(j *workflow.Job, _ int) { s.portal.Committed(j) }
}

// settle does what is due now: what time alone brings about, and what waits to be sent.
func (s *shop) settle() { must(s.tries()) }

func (s *shop) tries() error {
	s.happens()
	_, err := s.svc.WakeDue(context.Background())
	for _, d := range s.sends {
		err = errors.Join(err, d.Flush(context.Background()))
	}
	return err
}

// next returns the first instant at which something is due by itself, zero for none.
func (s *shop) next() time.Time {
	first, err := s.svc.NextWake(context.Background())
	must(err)
	for _, c := range []workflow.Channel{workflow.Email, workflow.Push, workflow.Effects} {
		at, err := s.svc.NextEntry(context.Background(), c)
		must(err)
		if !at.IsZero() && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	return first
}

// answer is what a page or the interface answered.
type answer struct {
	status int
	to     string // where it leads
	body   string
}

// ask asks the server as a browser or a program does, without a network between: headers come in pairs.
func (s *shop) ask(method, path, body string, header ...string) answer {
	var q strings.Builder // as it comes over the wire
	fmt.Fprintf(&q, "%s %s HTTP/1.1\r\nHost: desk.example\r\nContent-Length: %d\r\n", method, path, len(body))
	for i := 0; i+1 < len(header); i += 2 {
		fmt.Fprintf(&q, "%s: %s\r\n", header[i], header[i+1])
	}
	q.WriteString("\r\n" + body)
	if method != http.MethodGet {
		s.happens()
	}
	var c fasthttp.RequestCtx
	c.Init(new(fasthttp.Request), &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)}, nil)
	must(c.Request.Read(bufio.NewReader(strings.NewReader(q.String()))))
	s.disk.reading = method == http.MethodGet
	s.serve(&c)
	s.disk.reading = false
	s.portal.Wait()
	b, code := string(c.Response.Body()), c.Response.StatusCode()
	if code >= 500 && !s.disk.full {
		panic(&broken{truth: "works", says: fmt.Sprintf("%s %s answers %d: %.300s %s", method, path, code, b, strings.Join(s.log.errors, ""))})
	}
	if strings.HasPrefix(path, "/counter") {
		var all []string
		for k, v := range c.Response.Header.Cookies() {
			var one fasthttp.Cookie
			must(one.ParseBytes(v))
			all = append(all, string(k)+"="+string(one.Value()))
		}
		if len(all) > 0 {
			s.cookie = strings.Join(all, "; ")
		}
	}
	return answer{code, string(c.Response.Header.Peek("Location")), b}
}

// happens forgets what was read: something has happened since, or will.
func (s *shop) happens() {
	clear(s.docs)
	clear(s.disk.jobs)
}

func (s *shop) get(path string) answer { return s.ask(http.MethodGet, path, "") }

// send sends a form as a customer's browser does.
func (s *shop) send(path string, pairs ...string) answer {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return s.ask(http.MethodPost, path, v.Encode(), "Content-Type", "application/x-www-form-urlencoded")
}

// desk returns a page of the counter.
func (s *shop) desk(path string) string {
	for {
		a := s.ask(http.MethodGet, path, "", "Cookie", s.cookie)
		if a.status == http.StatusOK {
			return a.body
		}
		if a = s.send("/counter/sign-in", "login", "olga", "password", password); a.status != http.StatusSeeOther {
			panic(&broken{truth: "works", says: "nobody can sign in: " + a.body})
		}
	}
}

// call asks the interface; what it answers is read into out.
func (s *shop) call(role workflow.Role, method, path string, body, out any, header ...string) answer {
	b, err := json.Marshal(body)
	must(err)
	a := s.ask(method, "/api/v1/jobs"+path, string(b), append(header, "Content-Type", "application/json", "Authorization", "Bearer "+s.tokens[role])...)
	if a.status < 300 && out != nil {
		must(json.Unmarshal([]byte(a.body), out))
	}
	return a
}

// photo adds a photo to a job.
func (s *shop) photo(number, kind string) answer {
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	must(w.WriteField("kind", kind))
	part, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {`form-data; name="photo"; filename="a.jpg"`}, "Content-Type": {"image/jpeg"}})
	must(err)
	_, err = part.Write(picture)
	must(err)
	must(w.Close())
	return s.ask(http.MethodPost, "/api/v1/jobs/"+number+"/photos", b.String(), "Content-Type", w.FormDataContentType(), "Authorization", "Bearer "+s.tokens[workflow.RoleBench])
}

var picture = func() []byte {
	var b bytes.Buffer
	must(jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 16, 12)), nil))
	return b.Bytes()
}()

// noPictures is a photo desk where all pictures are the same.
type noPictures struct{}

func (noPictures) Take(_ context.Context, _ workflow.ShopID, _ workflow.JobNumber, r io.Reader) (workflow.Photo, error) {
	_, err := io.Copy(io.Discard, r)
	of := func(c string, w, h int) workflow.Copy {
		return workflow.Copy{Digest: strings.Repeat(c, 64), Width: w, Height: h}
	}
	return workflow.Photo{Original: strings.Repeat("a", 64), Copies: workflow.Copies{Large: of("b", 16, 12), Small: of("c", 4, 3)}}, err
}

func (noPictures) Redraw(context.Context, workflow.ShopID, workflow.JobNumber, string, []workflow.Mark) (workflow.Copies, error) {
	return workflow.Copies{}, evidence.ErrNotThere
}

func (noPictures) Open(context.Context, workflow.ShopID, workflow.JobNumber, string) (io.ReadCloser, int64, error) {
	return io.NopCloser(bytes.NewReader(picture)), int64(len(picture)), nil
}

func (noPictures) Mend(context.Context, workflow.ShopID, workflow.JobNumber, *workflow.Photo) error {
	return nil
}

func (noPictures) Discard(context.Context, workflow.ShopID, workflow.JobNumber, ...string) error {
	return nil
}
func (noPictures) Clear(context.Context, workflow.ShopID, workflow.JobNumber) error { return nil }

// post is the mail server, and what it delivered. Its weather is drawn for each email.
type post struct {
	weather func() notify.Fate
	slow    func() // nil for a server that takes an email at once
	letters []*letter
	ids     map[string]string // by Message-ID, to whom
}

// Send implements [mail.Transport].
func (p *post) Send(_ context.Context, m *mail.Message) (string, error) {
	fate := notify.Accepted
	if p.weather != nil {
		fate = p.weather()
	}
	if fate != notify.Accepted && fate != notify.Unknown {
		return "", &notify.Failure{Fate: fate, Step: "data", Words: "not now"}
	}
	l, err := openLetter(m)
	if err != nil {
		return "", err
	}
	if p.ids == nil {
		p.ids = map[string]string{}
	}
	if l.slow = p.slow != nil; l.slow {
		p.slow()
		p.slow = nil
	}
	l.again = slices.ContainsFunc(p.letters, func(x *letter) bool { return x.id == l.id })
	p.letters = append(p.letters, l)
	if fate == notify.Unknown {
		return "", &notify.Failure{Fate: fate, Step: "end", Words: "no answer"}
	}
	return "250 taken", nil
}

// browserKey and browserAuth are a browser's, from RFC 8291, 5.
const (
	browserKey  = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	browserAuth = "BTBZMqHH6r4Tts7J_aSIgg"
)

// phones are the customers' browsers: they are given a push as it is before it is sealed.
type phones struct {
	*push.Pushes
	told []ring
}

// ring is what a phone shows.
type ring struct{ Title, Body, Lang, URL, Tag string }

// Attempt implements [notify.Channel].
func (p *phones) Attempt(_ context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (notify.Done, error) {
	b, err := p.Text(s, j, e)
	if err != nil {
		return notify.Done{}, err
	}
	var x ring
	if err := json.Unmarshal(b, &x); err != nil {
		return notify.Done{}, err
	}
	p.told = append(p.told, x)
	return notify.Done{Words: "201"}, nil
}
