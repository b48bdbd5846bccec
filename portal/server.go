// Package portal is what people see in a browser: the customer's pages and, in the packages counter
// and api below it, the counter's pages and the JSON interface.
//
// Rules that every handler keeps: a GET or HEAD changes nothing. Whatever a page shows is rendered
// whole into memory before the first byte is sent. Handlers return errors; one error handler turns
// them into a page or a problem document, shows the sentence and logs the cause. Addresses that hold
// a link are never logged, sent as a referrer, or cached by a proxy. Strings that leave a handler are
// the handler's own (the server runs with immutable request strings). What a handler passes on as a
// context is fiber's UserContext: the request's own belongs to the server, which ends it on stopping and
// uses it again for the next request.
//
// # Decisions
//
//   - 2026-11-25: Rendered pages are kept per link until their job changes, in the process that writes; the
//     commit hook drops them, and a page that was being rendered meanwhile is not kept. Rejected: asking the
//     store for the version on each request, which costs more than the page.
//   - 2026-11-25: Where several servers share a store, a kept page is checked against the job's version with
//     each request all the same. The word of a change may come after the request; one small look-up is what
//     it costs never to show an old page.
//   - 2026-11-25: CSRF: same-origin checks everywhere, and a signed field where there is a session. Customer
//     pages carry their authority in the address, not in a cookie, so another site can't send a form in their
//     name.
package portal

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/history"

	"github.com/gofiber/fiber/v2"
	"github.com/valyala/fasthttp"
)

// Config is what the portal is built from.
type Config struct {
	Service   *workflow.Service
	Photos    PhotoDesk
	Templates *templates.Set
	// Words are what customers read; nil means the usual texts.
	Words *locale.Set
	Log   *slog.Logger
	// Shared says that other processes write to the same store: kept pages are checked against their job's
	// version with each request, and tries are counted for all processes together.
	Shared bool
	// HealthOnly answers nothing but the health pages, for a process that only sends mail.
	HealthOnly bool
	// TrustedProxies are the addresses or networks whose X-Forwarded-For is believed.
	TrustedProxies []string
	// Version is what the health page says.
	Version string
	// Health, if set, adds to the health page; an error makes it answer 503.
	Health func(ctx context.Context) (map[string]string, error)
	// Troubles, if set, says what the owner should know of how the server is set up.
	Troubles func() []string
	// Ask is how often one address may ask for what can be guessed or abused (signing in, finding a
	// job, unknown links, bookings) within AskFor; zero values mean 20 in 10 minutes.
	Ask    int
	AskFor time.Duration
	// Render is how many pages one network may have made anew within AskFor; zero means sixty times Ask.
	Render int
	// SecondFactor says of whom one is demanded, "" of nobody; see [FactorOwner].
	SecondFactor string
	// Common is what the shops of one process share; nil means that this is its only one.
	Common *Common
	// Forecast, if set, returns what the shop's history says; may be nil.
	Forecast func() *history.Forecast
	// PushKey is the public key that browsers subscribe with, in base64url; "" offers them nothing.
	PushKey string
}

// Server is the portal. Build it with New, add counter and api, then Serve.
type Server struct {
	cfg    Config
	app    *fiber.App
	whole  func(*fiber.Ctx) // answers a request that came to another server, see [Hosts]
	hub    *hub
	common *Common
	secure bool
	host   string
	key    []byte // signs CSRF fields

	proxies []netip.Prefix
	unnamed unnamed
	// refusals bounds the lines about one refusal; watched are lines for the owner that wait to be kept.
	refusals *limiter
	watched  struct {
		sync.Mutex
		waiting []Watched
		writing bool
	}
	writing, rendering *limiter // of papers, and of pages that are made anew

	work   sync.WaitGroup // what goes on after an answer; see later
	ending sync.Mutex     // guards over: nothing begins once finish waits
	over   bool
	mu     sync.Mutex
	closed bool
}

// bodyLimit bounds a request with photos; other requests have formLimit.
const (
	bodyLimit = 100 << 20
	formLimit = 1 << 20
)

// Words returns the texts that customers read.
func (s *Server) Words() *locale.Set { return s.cfg.Words }

// New builds the portal with its customer pages. The caller tells it of commits by setting
// Service.Committed to [Server.Committed].
func New(cfg Config) (*Server, error) {
	if cfg.Ask == 0 {
		cfg.Ask, cfg.AskFor = 20, 10*time.Minute
	}
	s := &Server{cfg: cfg, common: cfg.Common}
	if s.common == nil {
		s.common = NewCommon()
	}
	s.hub = newHub(s.common.live)
	s.writing = s.common.asks.limiter(3*cfg.Ask, cfg.AskFor)
	if cfg.Render == 0 {
		cfg.Render = 60 * cfg.Ask
	}
	s.rendering = s.common.asks.limiter(cfg.Render, cfg.AskFor)
	base := cfg.Service.Shop.BaseURL
	s.secure = strings.HasPrefix(base, "https://")
	_, s.host, _ = strings.Cut(base, "://")
	var err error
	if s.proxies, err = readProxies(cfg.TrustedProxies); err != nil {
		return nil, err
	}
	if s.key, err = s.formKey(context.Background()); err != nil {
		return nil, err
	}
	s.refusals = s.common.asks.limiter(1, time.Minute)
	s.cfg.Log = slog.New(&watch{s.cfg.Log.Handler(), s})
	s.app = newApp(s.fail)
	s.app.Use(s.guard)
	s.healthRoutes()
	if !cfg.HealthOnly {
		s.routes()
	}
	return s, nil
}

// newApp returns a web server with the limits that all of ours have.
func newApp(fail fiber.ErrorHandler) *fiber.App {
	app := fiber.New(fiber.Config{
		AppName:               "benchword",
		ServerHeader:          "",
		DisableStartupMessage: true,
		Immutable:             true,
		StreamRequestBody:     true,
		// Or forms with files would be read to the disk, of any size, before the guard is asked.
		DisablePreParseMultipartForm: true,
		BodyLimit:                    bodyLimit,
		ReadTimeout:                  2 * time.Minute,
		IdleTimeout:                  2 * time.Minute,
		// Browsers send every cookie that the shop's other sites set for the whole domain.
		ReadBufferSize: 16 << 10,
		ErrorHandler:   fail,
		// One address, one handler: what looks at an address ("/api/") and the router must agree.
		CaseSensitive: true,
		// No header is believed by fiber; see address.
		EnableTrustedProxyCheck: true,
	})
	app.Server().FormValueFunc = typed
	return app
}

// typed returns what was sent in a field of a form. What stands under its name in the address is not asked (fasthttp
// would ask that first): a link that somebody else wrote must not fill in a form for its reader.
func typed(c *fasthttp.RequestCtx, field string) []byte {
	if v := c.PostArgs().Peek(field); len(v) > 0 {
		return v
	}
	form, err := c.MultipartForm()
	if err != nil || len(form.Value[field]) == 0 {
		return nil
	}
	return []byte(form.Value[field][0])
}

// readProxies reads addresses and networks.
func readProxies(texts []string) ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, t := range texts {
		if a, err := netip.ParseAddr(t); err == nil {
			out = append(out, netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()))
			continue
		}
		p, err := netip.ParsePrefix(t)
		if err != nil {
			return nil, fmt.Errorf("the trusted proxy %q is no address and no network: write it like 127.0.0.1 or 10.0.0.0/8", t)
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// App returns the fiber application, for counter and api to mount on, and for tests.
func (s *Server) App() *fiber.App { return s.app }

// Service returns the domain.
func (s *Server) Service() *workflow.Service { return s.cfg.Service }

// Shop returns the shop's settings.
func (s *Server) Shop() *workflow.Shop { return s.cfg.Service.Shop }

// Photos returns the photo desk.
func (s *Server) Photos() PhotoDesk { return s.cfg.Photos }

// Now returns the time.
func (s *Server) Now() time.Time { return s.cfg.Service.Now() }

// Log returns the logger.
func (s *Server) Log() *slog.Logger { return s.cfg.Log }

// Kept lists what the portal keeps of a job's bytes.
func (s *Server) Kept() []workflow.Kept {
	return []workflow.Kept{
		{What: "pages and papers", Drop: func(_ context.Context, n workflow.JobNumber) error {
			s.drop(n)
			return nil
		}},
		{What: "photos in papers", Drop: func(_ context.Context, n workflow.JobNumber) error {
			s.common.marked.recent.Drop(fmt.Sprintf("%s %s ", s.Shop().ID, n))
			return nil
		}},
	}
}

// Committed tells the portal of a commit: kept pages of the job go, and open pages are told.
func (s *Server) Committed(j *workflow.Job) {
	s.drop(j.Number)
	s.hub.publish(j.Number, j.Version)
}

// Changed tells the portal of a commit of another process.
func (s *Server) Changed(n workflow.JobNumber, version int64) {
	s.drop(n)
	s.hub.publish(n, version)
}

// Missed tells the portal that it may not have been told of commits: open pages are told of what they have
// missed. It does not wait for that.
func (s *Server) Missed() {
	s.later(func(ctx context.Context) {
		for _, n := range s.hub.jobs() {
			version, err := s.cfg.Service.Version(ctx, n)
			if err != nil {
				s.cfg.Log.Error("what open pages may have missed can't be read", "cause", err)
				return
			}
			s.Changed(n, version)
		}
	})
}

// Serve answers on the listener until Shutdown.
func (s *Server) Serve(l net.Listener) error { return s.app.Listener(l) }

// Shutdown ends the live pages first, then waits for requests under way and for what they left to be
// done, until ctx ends.
func (s *Server) Shutdown(ctx context.Context) error {
	s.quit()
	return errors.Join(s.app.ShutdownWithContext(ctx), s.finish(ctx))
}

// quit ends the live pages; no new ones are begun.
func (s *Server) quit() {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.hub.close()
}

// finish waits for what requests left to be done.
func (s *Server) finish(ctx context.Context) error {
	s.ending.Lock()
	s.over = true
	s.ending.Unlock()
	done := make(chan struct{})
	go func() { s.work.Wait(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Render sends one of the customers' pages. It is rendered whole before the first byte goes out.
func (s *Server) Render(c *fiber.Ctx, status int, v templates.View) error {
	return s.RenderFrom(s.cfg.Templates, c, status, v)
}

// RenderFrom is [Server.Render] for a page of another set.
func (s *Server) RenderFrom(set *templates.Set, c *fiber.Ctx, status int, v templates.View) error {
	var b bytes.Buffer
	if err := set.Render(&b, v); err != nil {
		return err
	}
	h := &c.Response().Header
	if len(h.Peek(fiber.HeaderCacheControl)) == 0 {
		// What was typed comes back in the answer to a form; a page that was only asked for may be gone
		// back to.
		keep := "no-store"
		if c.Method() == fiber.MethodGet || c.Method() == fiber.MethodHead {
			keep = "private, no-cache"
		}
		h.Set(fiber.HeaderCacheControl, keep)
	}
	c.Set(fiber.HeaderContentType, fiber.MIMETextHTMLCharsetUTF8)
	page := b.Bytes()
	if !utf8.Valid(page) { // what was typed and refused stands in it as it came
		page = bytes.ToValidUTF8(page, []byte("\ufffd"))
	}
	if c.Status(status); set != s.cfg.Templates {
		return c.Send(page)
	}
	return (&packed{body: page, level: pageLevel}).send(c, "")
}

// formKey returns the key that signs form fields; it outlives a restart, so that a form that was open
// meanwhile can still be sent.
func (s *Server) formKey(ctx context.Context) ([]byte, error) {
	fresh := make([]byte, 32)
	if _, err := io.ReadFull(rand.Reader, fresh); err != nil {
		return nil, err
	}
	return s.cfg.Service.Bucket("secret").First(ctx, "form", fresh)
}

// alive answers as long as the process does: what restarts it must not do so because the store is away.
func alive(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.JSON(fiber.Map{"status": "ok"})
}

// ready says whether requests should be sent here now.
func (s *Server) ready(c *fiber.Ctx) error {
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return c.Status(fiber.StatusServiceUnavailable).JSON(fiber.Map{"status": "stopping"})
	}
	return s.health(c)
}

// health answers a load balancer and the container's check. It says nothing about customers.
func (s *Server) health(c *fiber.Ctx) error {
	out := fiber.Map{"status": "ok"}
	if s.fromInside(c) {
		out["version"] = s.cfg.Version
	}
	if s.cfg.Health != nil {
		ctx, cancel := context.WithTimeout(c.UserContext(), 3*time.Second)
		defer cancel()
		more, err := s.cfg.Health(ctx)
		for k, v := range more {
			out[k] = v
		}
		if err != nil {
			s.cfg.Log.Error("not healthy", "cause", err)
			out["status"] = "not well"
			c.Status(fiber.StatusServiceUnavailable)
		}
	}
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.JSON(out)
}

func (s *Server) asset(c *fiber.Ctx) error {
	body, contentType, etag, ok := templates.Asset(c.Params("*"))
	if !ok {
		return notFound("no_file", "There is no such file here.")
	}
	c.Set(fiber.HeaderContentType, contentType)
	if c.Query("v") != "" {
		c.Set(fiber.HeaderCacheControl, "public, max-age=31536000, immutable")
	} else {
		c.Set(fiber.HeaderCacheControl, "public, max-age=300")
	}
	return packedAsset(c.Params("*"), body).send(c, etag)
}

// logo sends the shop's picture. Opened by itself it is a page of its own that can do nothing.
func (s *Server) logo(c *fiber.Ctx) error {
	l := s.Shop().Look
	return s.look(c, l.LogoType, l.Logo)
}

// style sends the shop's colours.
func (s *Server) style(c *fiber.Ctx) error {
	return s.look(c, "text/css; charset=utf-8", []byte(templates.StyleOf(s.Shop().Look)))
}

func (s *Server) look(c *fiber.Ctx, contentType string, body []byte) error {
	if len(body) == 0 {
		return notFound("no_file", "There is no such file here.")
	}
	c.Set(fiber.HeaderContentType, contentType)
	c.Set(fiber.HeaderCacheControl, "public, max-age=31536000, immutable")
	return c.Send(body)
}

func (s *Server) robots(c *fiber.Ctx) error {
	body, contentType, _, _ := templates.Asset("robots.txt")
	c.Set(fiber.HeaderContentType, contentType)
	return c.Send(body)
}

var errClosed = errors.New("the server is stopping")
