package portal

import (
	"context"
	"errors"
	"fmt"
	"html"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	"benchword/templates/locale"

	"github.com/gofiber/fiber/v2"
	"golang.org/x/net/idna"
)

// Hosts answers for many shops on one listener: each request goes whole to the server of the shop whose
// host it names, and that server knows of no other. A host that is nobody's gets a page that names no
// shop. The health pages are answered under any host, for all shops together, and name none either.
//
// The Host header decides, without its port, in any case of letters, with or without the last dot. Nothing
// else does: X-Forwarded-Host is never read, for a proxy that does not set it hands on what the client wrote.
//
// # Decisions
//
//   - 2026-11-27: Only Host chooses the shop. nginx passes a client's own X-Forwarded-Host on unless told
//     otherwise, so a cache in front could be made to keep one shop's page under another's address; every
//     proxy can pass Host on. Ports do not tell shops apart, since cookies do not either. A request line that
//     names another host than the header is refused.
type Hosts struct {
	cfg HostsConfig
	app *fiber.App

	mu     sync.RWMutex
	of     map[string]*Server // by host; nil for a shop that is closed
	closed bool

	asking sync.Mutex // one looks at all shops at a time
	looked time.Time
	found  condition
}

// HostsConfig is what [Hosts] is built from.
type HostsConfig struct {
	Log     *slog.Logger
	Now     func() time.Time
	Version string // what the health page says
}

// lookEvery is how often it is looked at how the shops are, however often the health page is asked for.
const lookEvery = time.Second

// NewHosts returns one without shops. Add them with [Hosts.Open] and [Hosts.Shut], then Serve.
func NewHosts(cfg HostsConfig) *Hosts {
	h := &Hosts{cfg: cfg, of: map[string]*Server{}}
	h.app = newApp(h.fail)
	h.app.Use(h.answer)
	return h
}

// HostOf returns the host of a shop's address as requests name it: in lower case, without port or last dot,
// and in ASCII. It is "" if there is none.
func HostOf(base string) string {
	u, err := url.Parse(base)
	if err != nil {
		return ""
	}
	host := u.Hostname()
	if ascii, err := idna.Lookup.ToASCII(host); err == nil {
		host = ascii
	}
	return strings.TrimSuffix(strings.ToLower(host), ".")
}

// named is HostOf for a Host header.
func named(header string) string {
	host := header
	if v6, _, ok := strings.Cut(strings.TrimPrefix(host, "["), "]"); ok && strings.Contains(v6, ":") {
		host = v6
	} else {
		host, _, _ = strings.Cut(host, ":")
	}
	return strings.TrimSuffix(strings.ToLower(host), ".")
}

// Open lets a shop's server answer for its host.
func (h *Hosts) Open(s *Server) {
	handler := s.app.Handler()
	s.whole = func(c *fiber.Ctx) { handler(c.Context()) }
	h.put(HostOf(s.Shop().BaseURL), s)
}

// Shut says on a host that its shop is closed for a while.
func (h *Hosts) Shut(host string) { h.put(host, nil) }

func (h *Hosts) put(host string, s *Server) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if host != "" {
		h.of[host] = s
	}
}

// Serve answers on the listener until Shutdown.
func (h *Hosts) Serve(l net.Listener) error { return h.app.Listener(l) }

// Shutdown ends the live pages of all shops first, then waits for requests under way and for what they
// left to be done, until ctx ends.
func (h *Hosts) Shutdown(ctx context.Context) error {
	h.mu.Lock()
	h.closed = true
	h.mu.Unlock()
	all, _ := h.servers()
	for _, s := range all {
		s.quit()
	}
	errs := []error{h.app.ShutdownWithContext(ctx)}
	for _, s := range all {
		errs = append(errs, s.finish(ctx))
	}
	return errors.Join(errs...)
}

// servers returns those that are open, and how many are shut.
func (h *Hosts) servers() (open []*Server, shut int) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.of {
		if s == nil {
			shut++
		} else {
			open = append(open, s)
		}
	}
	return open, shut
}

func (h *Hosts) answer(c *fiber.Ctx) error {
	switch c.Path() {
	case "/livez":
		guarded(c)
		return alive(c)
	case "/readyz", "/healthz":
		guarded(c)
		return h.health(c)
	}
	header := &c.Request().Header
	h.mu.RLock()
	s, ours := h.of[named(string(header.Host()))]
	h.mu.RUnlock()
	switch {
	case !ours || string(c.Request().URI().Host()) != strings.ToLower(string(header.Host())):
		// Nobody's, or a request whose first line names another host than its header.
		return h.say(c, fiber.StatusNotFound, "house.unknown")
	case s == nil:
		c.Set(fiber.HeaderRetryAfter, "60")
		return h.say(c, fiber.StatusServiceUnavailable, "house.closed")
	}
	s.whole(c)
	return nil
}

// say answers with a plain page in the browser's language that names nobody.
func (h *Hosts) say(c *fiber.Ctx, status int, key string) error {
	if c.Request().IsBodyStream() {
		c.Context().SetConnectionClose() // its body is not read, and must not become the next request
	}
	guarded(c)
	w := locale.For(c.AcceptsLanguages(locale.Languages...))
	c.Vary(fiber.HeaderAcceptLanguage)
	c.Set(fiber.HeaderCacheControl, "no-store")
	c.Set(fiber.HeaderContentType, fiber.MIMETextHTMLCharsetUTF8)
	heading := html.EscapeString(w.T(key + ".heading"))
	return c.Status(status).SendString(`<!doctype html><html lang="` + w.Lang + `"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>` +
		heading + `</title><h1>` + heading + `</h1><p>` + html.EscapeString(w.T(key+".text")) + "</p></html>\n")
}

// fail is for what can't be read as a request at all: a shop's own errors are answered by its server.
func (h *Hosts) fail(c *fiber.Ctx, err error) error {
	guarded(c)
	c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
	return c.Status(Status(err)).SendString(Sentence(err))
}

// condition is how the shops of a process are.
type condition struct{ open, shut, ill int }

// health says how many shops are well. It answers 503 only if none is: a load balancer must not turn
// away all because of one.
func (h *Hosts) health(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	h.mu.RLock()
	closed := h.closed
	h.mu.RUnlock()
	if closed && c.Path() == "/readyz" {
		return c.Status(fiber.StatusServiceUnavailable).JSON(fiber.Map{"status": "stopping"})
	}
	now := h.look()
	status := "ok"
	switch {
	case now.ill == now.open:
		status = "not well"
		c.Status(fiber.StatusServiceUnavailable)
	case now.ill+now.shut > 0:
		status = "well in part"
	}
	out := fiber.Map{"status": status, "shops": now.open, "closed": now.shut, "not_well": now.ill}
	if inside(peer(c)) && len(c.Request().Header.Peek(fiber.HeaderXForwardedFor)) == 0 {
		out["version"] = h.cfg.Version
	}
	return c.JSON(out)
}

// look asks all shops at once how they are, unless that was asked a moment ago.
func (h *Hosts) look() condition {
	h.asking.Lock()
	defer h.asking.Unlock()
	if since := h.cfg.Now().Sub(h.looked); !h.looked.IsZero() && since >= 0 && since < lookEvery {
		return h.found
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	open, shut := h.servers()
	ill := make([]error, len(open))
	var all sync.WaitGroup
	for i, s := range open {
		if s.cfg.Health == nil {
			continue
		}
		all.Go(func() {
			defer func() {
				if r := recover(); r != nil {
					ill[i] = fmt.Errorf("panic: %v", r)
				}
			}()
			_, ill[i] = s.cfg.Health(ctx)
		})
	}
	all.Wait()
	found := condition{open: len(open), shut: shut}
	for i, err := range ill {
		if err != nil {
			found.ill++
			open[i].cfg.Log.Error("not healthy", "cause", err)
		}
	}
	h.looked, h.found = h.cfg.Now(), found
	return found
}
