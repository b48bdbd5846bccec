package portal

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"io"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/recover"
)

// policy is the Content-Security-Policy of every page: nothing from anywhere else, no inline code.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; font-src 'self'; " +
	"connect-src 'self'; worker-src 'self'; form-action 'self'; frame-src 'self'; frame-ancestors 'none'; base-uri 'none'"

// protective are the headers of every answer. They are kept as bytes with canonical names: a page that
// was rendered before costs little more than its headers.
var protective = headers(
	"Content-Security-Policy", policy,
	"X-Content-Type-Options", "nosniff",
	"X-Frame-Options", "DENY",
	"Referrer-Policy", "no-referrer",
	"Cross-Origin-Opener-Policy", "same-origin",
	"Cross-Origin-Resource-Policy", "same-origin",
	"X-Robots-Tag", "noindex, nofollow, noarchive",
	"Permissions-Policy", "accelerometer=(), autoplay=(), bluetooth=(), browsing-topics=(), camera=(), display-capture=(), encrypted-media=(), "+
		"geolocation=(), gyroscope=(), hid=(), idle-detection=(), local-fonts=(), magnetometer=(), microphone=(), midi=(), payment=(), picture-in-picture=(), "+
		"publickey-credentials-create=(self), publickey-credentials-get=(self), screen-wake-lock=(), serial=(), usb=(), web-share=(), xr-spatial-tracking=()",
)

type header struct{ name, value []byte }

func headers(pairs ...string) []header {
	var out []header
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, header{[]byte(pairs[i]), []byte(pairs[i+1])})
	}
	return out
}

const localRequest = "request"

func requestID(c *fiber.Ctx) string {
	id, _ := c.Locals(localRequest).(string)
	return id
}

// nameRequest assigns the request an id, by which what a person reads out is found in the log.
func nameRequest(c *fiber.Ctx) {
	var id [8]byte
	_, _ = rand.Read(id[:]) // crypto/rand never fails
	c.Locals(localRequest, hex.EncodeToString(id[:]))
}

// route is the pattern that a request matched, for the log. Never the address: that may hold a link.
func route(c *fiber.Ctx) string {
	r := c.Route()
	if len(r.Handlers) == 0 {
		return "-" // not routed at all; fiber then fills in the address
	}
	return r.Path
}

// protect sets the headers that every answer has, whatever comes of the request.
func (s *Server) protect(c *fiber.Ctx) {
	guarded(c)
	if s.secure {
		c.Response().Header.Set("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
	}
}

// guarded sets the headers of every answer of every server.
func guarded(c *fiber.Ctx) {
	h := &c.Response().Header
	for i := range protective {
		h.SetCanonical(protective[i].name, protective[i].value)
	}
}

// guard stands before every handler: it sets the protective headers, bounds the body, refuses
// requests that another site's page sent, catches panics and writes the access log.
func (s *Server) guard(c *fiber.Ctx) error {
	s.protect(c)
	if err := oneHost(c); err != nil {
		c.Context().SetConnectionClose()
		return err
	}
	s.lookAtProxy(c)
	switch c.Method() {
	case fiber.MethodGet, fiber.MethodHead, fiber.MethodOptions:
		if c.Request().IsBodyStream() {
			c.Context().SetConnectionClose() // its body is not read, and must not become the next request
		}
		err := caught(c)
		s.noteRefused(c, err)
		return err
	}
	nameRequest(c)
	// Not the server's own context, which ends as soon as the server begins to stop: what was begun is
	// finished.
	ctx, cancel := context.WithTimeout(context.Background(), handleFor)
	defer func() {
		cancel()
		c.SetUserContext(context.Background()) // for the page that tells of an error
	}()
	c.SetUserContext(ctx)
	began := s.Now()
	err := s.guardBody(c)
	if err == nil {
		err = s.guardOrigin(c)
	}
	if err == nil {
		err = caught(c)
	}
	status := c.Response().StatusCode()
	if err != nil {
		status = Status(err)
	}
	if rest := c.Context().RequestBodyStream(); rest != nil && (err != nil || !drained(rest)) {
		c.Context().SetConnectionClose() // what is left of the body must not become the next request
	}
	s.cfg.Log.Info(requestLine, "request", requestID(c), "method", c.Method(), "route", route(c), "by", by(c), "status", status, "took", s.Now().Sub(began))
	s.noteRefused(c, err)
	return err
}

// oneHost refuses a request that does not say, once, which host it is for (RFC 9112, 3.2): what stands before us may
// read another host out of it than we do. Of two lengths the web server itself has refused the request.
func oneHost(c *fiber.Ctx) error {
	h, n := &c.Request().Header, 0
	for raw := h.RawHeaders(); len(raw) > 0; {
		var line []byte
		line, raw, _ = bytes.Cut(raw, []byte("\n"))
		if len(line) >= 5 && line[4] == ':' && bytes.EqualFold(line[:4], []byte("host")) {
			n++
		}
	}
	if n == 1 || n == 0 && (!h.IsHTTP11() || len(h.Host()) > 0) {
		return nil
	}
	return &StatusError{Status: fiber.StatusBadRequest, Reason: "unreadable", Message: "What was sent names no host, or more than one. Please open the page again."}
}

// handleFor bounds how long a step may take, with a form's worth of photos.
const handleFor = 5 * time.Minute

// drained reads what little a handler may have left of a body, as the lines after the last part of a
// multipart form. It reports whether that was all.
func drained(rest io.Reader) bool {
	_, err := io.CopyN(io.Discard, rest, 4<<10)
	return errors.Is(err, io.EOF)
}

var caught = recover.New(recover.Config{})

// guardBody bounds what is sent. Photos may be large, but only where they are taken in, and only from
// those who may send them.
func (s *Server) guardBody(c *fiber.Ctx) error {
	n := c.Request().Header.ContentLength()
	if n < 0 {
		if n == -1 { // chunked: its size is not known beforehand
			return &StatusError{Status: fiber.StatusLengthRequired, Reason: "unreadable", Message: "The length of what was sent is not stated. Please send it again from the page."}
		}
		return nil
	}
	if e := c.Get(fiber.HeaderContentEncoding); e != "" && !strings.EqualFold(e, "identity") {
		// A small body may unpack to a very large one, and the limits below are for what is sent.
		return &StatusError{Status: fiber.StatusUnsupportedMediaType, Reason: "unreadable", Message: "What was sent is compressed, which is not read here. Please send it as it is."}
	}
	limit := formLimit
	if s.takesPhotos(c) {
		limit = bodyLimit
	}
	if n > limit {
		return &StatusError{Status: fiber.StatusRequestEntityTooLarge, Reason: "too_much", Message: "That was too much at once. Send fewer or smaller photos, at most " + megabytes(limit) + " together."}
	}
	return nil
}

func megabytes(n int) string {
	if n >= 100<<20 {
		return "100 MB"
	}
	return "1 MB"
}

// takesPhotos reports whether a large body is expected: photos come in multipart forms, from signed-in
// staff (by session or token) only.
func (s *Server) takesPhotos(c *fiber.Ctx) bool {
	p := c.Path()
	if !strings.HasPrefix(strings.ToLower(c.Get(fiber.HeaderContentType)), fiber.MIMEMultipartForm) {
		return false
	}
	if !strings.HasPrefix(p, "/counter/job/") && !strings.HasPrefix(p, "/api/v1/jobs/") {
		return false
	}
	return s.Staff(c) != nil
}

// guardOrigin refuses a form that another site's page sends (ASVS 5.0 V3.5.1). Browsers say where a
// form comes from; the API's callers, which are no browsers, say nothing.
func (s *Server) guardOrigin(c *fiber.Ctx) error {
	refuse := &workflow.Error{Code: workflow.CodeForbidden, Reason: "foreign", Message: "This was not sent from a page of ours, so it was not acted on. Open the page again and send it from there."}
	switch c.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
	default:
		return refuse
	}
	if o := c.Get(fiber.HeaderOrigin); o != "" && o != "null" {
		u, err := url.Parse(o)
		if err != nil || (u.Host != string(c.Request().Host()) && u.Host != s.host) {
			return refuse
		}
	}
	return nil
}

// countShared counts one more try of a network, or only looks, over all processes. There are too many if
// wait is above 0. Addresses are not kept, only what a secret makes of them.
func (s *Server) countShared(c *fiber.Ctx, from string, add bool) (wait time.Duration, err error) {
	if !s.cfg.Shared {
		return 0, nil
	}
	key := s.sign("asks", c.Method(), route(c), from)
	asks := s.cfg.Service.Bucket("asks")
	if add {
		n, err := asks.Count(c.UserContext(), key, s.cfg.AskFor)
		if err == nil && n > int64(s.cfg.Ask) {
			wait = s.cfg.AskFor
		}
		return wait, err
	}
	b, err := asks.Get(c.UserContext(), key)
	if errors.Is(err, workflow.ErrNotFound) {
		return 0, nil
	}
	if n, _ := strconv.ParseInt(string(b), 10, 64); err == nil && n >= int64(s.cfg.Ask) {
		wait = s.cfg.AskFor
	}
	return wait, err
}

// Ask returns a limiter for what can be guessed or abused: at most so many failed tries (or all tries,
// if every) from one network within a while; after that the handler isn't asked. Tries under way
// count, so that many at once are no way round it. Where processes share a store, they count together.
func (s *Server) Ask(every bool) fiber.Handler {
	a := s.limiter()
	return func(c *fiber.Ctx) error {
		from := network(s.address(c))
		if wait := a.count(from, s.Now()); wait > 0 {
			return tooMany(c, wait)
		}
		switch wait, err := s.countShared(c, from, every); {
		case err != nil:
			return err
		case wait > 0:
			return tooMany(c, wait)
		}
		err := c.Next()
		if every {
			return err
		}
		if !failed(c, err) || errors.Is(err, workflow.ErrUnavailable) {
			a.forgive(from)
		} else if _, err2 := s.countShared(c, from, true); err2 != nil {
			s.cfg.Log.Error("a failed try was not counted", "cause", err2)
		}
		return err
	}
}

// rendered bounds how many pages one network has made anew: those by a link that are not kept, since each visit costs
// some milliseconds. Each process counts for itself, since it is its own processor that is spent.
func (s *Server) rendered(c *fiber.Ctx) error {
	if wait := s.rendering.count(network(s.address(c)), s.Now()); wait > 0 {
		return tooMany(c, wait)
	}
	return c.Next()
}

// askLinks limits who tries links that open nothing. It stands behind them: a program that tries
// addresses is told to stop, while a link that is right opens for everybody who shares its network.
func (s *Server) askLinks() fiber.Handler {
	a := s.limiter()
	return func(c *fiber.Ctx) error {
		err := c.Next()
		if !failed(c, err) {
			return err
		}
		if errors.Is(err, workflow.ErrUnavailable) {
			return err // nobody's fault, and not counted
		}
		from := network(s.address(c))
		if wait := a.count(from, s.Now()); wait > 0 {
			return tooMany(c, wait)
		}
		if wait, err2 := s.countShared(c, from, true); err2 == nil && wait > 0 {
			return tooMany(c, wait)
		}
		return err
	}
}

// failed reports whether a request came to nothing. A handler's error has not become a status yet.
func failed(c *fiber.Ctx, err error) bool {
	if err != nil {
		return Status(err) >= fiber.StatusBadRequest
	}
	return c.Response().StatusCode() >= fiber.StatusBadRequest
}

func tooMany(c *fiber.Ctx, wait time.Duration) error {
	c.Set(fiber.HeaderRetryAfter, strconv.Itoa(int((wait+time.Second-1)/time.Second)))
	return &StatusError{Status: fiber.StatusTooManyRequests, Reason: "too_many", Message: "There were too many tries from your connection. Please wait ten minutes, or telephone the bench."}
}

// mostNetworks is how many networks are counted one by one, by all limiters of the process.
const mostNetworks = 100_000

// asks counts tries of all limiters, by network, each within a while that begins with its first.
type asks struct {
	mu       sync.Mutex
	limiters int
	of       map[counted]*tries
	sweep    time.Time // when what has run out is next looked for
}

// counted is a network at a limiter.
type counted struct {
	limiter int
	from    string
}

// limiter counts tries of one thing.
type limiter struct {
	*asks
	number, max int
	within      time.Duration
}

func (a *asks) limiter(most int, within time.Duration) *limiter {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.limiters++
	return &limiter{a, a.limiters, most, within}
}

func (s *Server) limiter() *limiter { return s.common.asks.limiter(s.cfg.Ask, s.cfg.AskFor) }

type tries struct {
	count int
	until time.Time
}

// count counts one more try. If there are too many it returns how long to wait, else 0.
func (a *limiter) count(from string, now time.Time) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !now.Before(a.sweep) {
		for k, t := range a.of {
			if !now.Before(t.until) {
				delete(a.of, k)
			}
		}
		a.sweep = now.Add(a.within)
	}
	most := a.max
	key := counted{a.number, from}
	t := a.of[key]
	if t == nil && len(a.of) >= mostNetworks {
		// So many at once are no customers: those that come now share one count, and no memory.
		key.from, most = "", a.max*100
		t = a.of[key]
	}
	if t == nil || !now.Before(t.until) {
		t = &tries{until: now.Add(a.within)}
		a.of[key] = t
	}
	if t.count >= most {
		return t.until.Sub(now)
	}
	t.count++
	return 0
}

// forgive takes one try back: it was no failure.
func (a *limiter) forgive(from string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if t := a.of[counted{a.number, from}]; t != nil && t.count > 0 {
		t.count--
	}
}

// address is where a request comes from. Behind trusted proxies that is the last address of
// X-Forwarded-For which is not itself a trusted proxy: those before it are only what the client claims. A
// proxy may add its own line or go on in the client's (RFC 9110, 5.3), so all lines are one list.
func (s *Server) address(c *fiber.Ctx) string {
	from := peer(c)
	if !from.IsValid() {
		return ""
	}
	lines := c.Request().Header.PeekAll(fiber.HeaderXForwardedFor)
	hops := bytes.Split(bytes.Join(lines, []byte(",")), []byte(","))
	for i := len(hops) - 1; i >= 0 && s.trusted(from); i-- {
		hop, ok := readHop(string(hops[i]))
		if !ok {
			break // what a proxy of ours wrote can be read; before it stands something else
		}
		from = hop
	}
	return from.String()
}

// fromInside reports whether a request comes from this machine or its own network, as far as that can be told.
func (s *Server) fromInside(c *fiber.Ctx) bool {
	if from := peer(c); !s.trusted(from) && len(c.Request().Header.Peek(fiber.HeaderXForwardedFor)) > 0 {
		return false // somebody stands between, and nobody named them
	}
	a, err := netip.ParseAddr(s.address(c))
	return err == nil && inside(a)
}

func inside(a netip.Addr) bool { return a.IsLoopback() || a.IsPrivate() || a.IsLinkLocalUnicast() }

// peer is who opened the connection.
func peer(c *fiber.Ctx) netip.Addr {
	a, _ := netip.AddrFromSlice(c.Context().RemoteIP())
	return a.Unmap()
}

// readHop reads an address as proxies write it: some add the port, and brackets around IPv6 (RFC 7239,
// section 6). "unknown", a made-up name and an empty place are nobody's address.
func readHop(text string) (netip.Addr, bool) {
	text = strings.Trim(strings.TrimSpace(text), `"`)
	if inner, ok := strings.CutPrefix(text, "["); ok && strings.HasSuffix(inner, "]") {
		text = inner[:len(inner)-1]
	}
	a, err := netip.ParseAddr(text)
	if err != nil {
		with, err := netip.ParseAddrPort(text)
		if err != nil {
			return a, false
		}
		a = with.Addr()
	}
	return a.Unmap().WithZone(""), true
}

// unnamed are the first senders of X-Forwarded-For that no setting names, inside the house and outside: a
// stranger who sends the header must not keep the warning about the real proxy away.
type unnamed struct{ inside, outside atomic.Pointer[netip.Addr] }

// lookAtProxy tells the log of a proxy that nobody named, once.
func (s *Server) lookAtProxy(c *fiber.Ctx) {
	if len(c.Request().Header.Peek(fiber.HeaderXForwardedFor)) == 0 {
		return
	}
	from := peer(c)
	if s.trusted(from) {
		return
	}
	at := &s.unnamed.outside
	if inside(from) {
		at = &s.unnamed.inside
	}
	if at.Load() == nil && at.CompareAndSwap(nil, &from) {
		s.cfg.Log.Warn("X-Forwarded-For comes from a proxy that web.trusted_proxies does not name: all visitors count as one", "from", from)
	}
}

// What the owner is told of for a day after it happened.
const (
	bucketAlerts  = "alerts"
	alertBookings = "bookings"
	alertFor      = 24 * time.Hour
)

// Warnings are what staff should know of the server: everybody that nothing can be kept, the owner also how it
// is set up and reached.
func (s *Server) Warnings(ctx context.Context, role workflow.Role) (out []string, err error) {
	if t := s.cfg.Service.Trouble(ctx); t != nil {
		out = append(out, t.Words())
	}
	if role != workflow.RoleOwner {
		return out, nil
	}
	if s.cfg.Troubles != nil {
		out = append(out, s.cfg.Troubles()...)
	}
	out = append(out, s.ofProxies()...)
	switch _, err := s.cfg.Service.Bucket(bucketAlerts).Get(ctx, alertBookings); {
	case err == nil:
		out = append(out, "More devices were booked on the web within an hour than the settings allow, so that some were refused in the last day. If that was no busy hour of yours, look through what was booked: somebody may be using the form to send email to strangers.")
	case !errors.Is(err, workflow.ErrNotFound):
		return nil, err
	}
	return out, nil
}

func (s *Server) ofProxies() []string {
	at := s.unnamed.inside.Load()
	if at == nil {
		at = s.unnamed.outside.Load()
	}
	if at == nil {
		return nil
	}
	return []string{"Requests come from " + at.String() + " on behalf of others, but trusted_proxies in the settings doesn't name it. If that is your proxy, add it there: " +
		"until then all visitors count as one, so that too many tries by one of them stop everybody, and decisions are kept with the proxy's address. If it isn't, there's nothing to do."}
}

func (s *Server) trusted(a netip.Addr) bool {
	for _, p := range s.proxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// network returns the part of an address that one subscriber usually holds: all of an IPv4 address, the
// first 64 bits of an IPv6 one (common practice, no source).
func network(address string) string {
	a, err := netip.ParseAddr(address)
	if err != nil || a.Is4() {
		return address
	}
	return netip.PrefixFrom(a, 64).Masked().String()
}

// formToken signs a session for the hidden field of its forms.
func (s *Server) formToken(session string) string {
	m := hmac.New(sha256.New, s.key)
	m.Write([]byte("form\x00" + session))
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil)[:18])
}

// checkForm refuses a form of a signed-in person without the hidden field of that session.
func (s *Server) checkForm(c *fiber.Ctx, x *Session) error {
	got := c.FormValue("csrf")
	if got == "" {
		got = c.Get("X-CSRF")
	}
	if !hmac.Equal([]byte(got), []byte(s.formToken(x.secret))) {
		return &workflow.Error{Code: workflow.CodeForbidden, Message: "This form is from an earlier sign-in. Go back, reload the page and send it again."}
	}
	return nil
}

// Page fills in what all pages have in common.
func (s *Server) Page(c *fiber.Ctx, title string) templates.Page {
	shop := s.Shop()
	p := templates.Page{
		Lang: shop.Languages[0], Catalogue: s.cfg.Words, Title: title, Path: c.Path(),
		Shop: templates.ShopOf(shop),
	}
	if x := s.Staff(c); x != nil {
		p.CSRF = s.formToken(x.secret)
		p.Staff = &templates.StaffView{Login: x.Login, Name: x.Name, Role: x.Role}
	}
	if f := c.Cookies(s.cookie("flash")); f != "" {
		if b, err := base64.RawURLEncoding.DecodeString(f); err == nil {
			p.Flash = string(b)
		}
		s.setCookie(c, "flash", "", time.Unix(1, 0))
	}
	return p
}

// Flash leaves a sentence for the next page.
func (s *Server) Flash(c *fiber.Ctx, sentence string) {
	s.setCookie(c, "flash", base64.RawURLEncoding.EncodeToString([]byte(sentence)), s.Now().Add(time.Minute))
}

// Back redirects after a POST, so that a reload does not send the form again.
func (s *Server) Back(c *fiber.Ctx, to string) error { return c.Redirect(to, fiber.StatusSeeOther) }

func (s *Server) cookie(name string) string {
	if s.secure {
		return "__Host-bw-" + name
	}
	return "bw-" + name
}

func (s *Server) setCookie(c *fiber.Ctx, name, value string, until time.Time) {
	c.Cookie(&fiber.Cookie{
		Name: s.cookie(name), Value: value, Path: "/", Expires: until, Secure: s.secure,
		HTTPOnly: true, SameSite: fiber.CookieSameSiteLaxMode,
	})
}
