package portal

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"net/url"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/limiter"
	"github.com/gofiber/fiber/v2/middleware/recover"
)

// policy is the Content-Security-Policy of every page: nothing from anywhere else, no inline code.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; font-src 'self'; " +
	"connect-src 'self'; form-action 'self'; frame-src 'self'; frame-ancestors 'none'; base-uri 'none'"

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
	"Permissions-Policy", "camera=(), microphone=(), geolocation=()",
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

// guard stands before every handler: it sets the protective headers, bounds the body, refuses
// requests that another site's page sent, catches panics and writes the access log.
func (s *Server) guard(c *fiber.Ctx) error {
	h := &c.Response().Header
	for i := range protective {
		h.SetCanonical(protective[i].name, protective[i].value)
	}
	if s.secure {
		h.Set("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
	}
	switch c.Method() {
	case fiber.MethodGet, fiber.MethodHead, fiber.MethodOptions:
		return caught(c)
	}
	var id [8]byte
	_, _ = rand.Read(id[:])
	c.Locals(localRequest, hex.EncodeToString(id[:]))
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
		if c.Request().IsBodyStream() {
			c.Context().SetConnectionClose() // the rest of a refused body is not read
		}
	}
	// The route's pattern, never the address: that may hold a link.
	s.cfg.Log.Info("request", "request", requestID(c), "method", c.Method(), "route", c.Route().Path, "status", status, "took", s.Now().Sub(began))
	return err
}

var caught = recover.New(recover.Config{})

// guardBody bounds what is sent. Photos may be large, but only where they are taken in, and only from
// those who may send them.
func (s *Server) guardBody(c *fiber.Ctx) error {
	n := c.Request().Header.ContentLength()
	if n < 0 {
		if n == -1 { // chunked: its size is not known beforehand
			return &StatusError{Status: fiber.StatusLengthRequired, Message: "The length of what was sent is not stated. Please send it again from the page."}
		}
		return nil
	}
	limit := formLimit
	if s.takesPhotos(c) {
		limit = bodyLimit
	}
	if n > limit {
		return &StatusError{Status: fiber.StatusRequestEntityTooLarge, Message: "That was too much at once. Send fewer or smaller photos, at most " + megabytes(limit) + " together."}
	}
	return nil
}

func megabytes(n int) string {
	if n >= 100<<20 {
		return "100 MB"
	}
	return "1 MB"
}

// takesPhotos reports whether a large body is expected: photos come from signed-in staff (by session
// or token) only.
func (s *Server) takesPhotos(c *fiber.Ctx) bool {
	p := c.Path()
	if !strings.HasPrefix(p, "/counter/job/") && !strings.HasPrefix(p, "/api/v1/jobs/") {
		return false
	}
	return s.Staff(c) != nil
}

// guardOrigin refuses a form that another site's page sends (ASVS 5.0 V3.5.1). Browsers say where a
// form comes from; the API's callers, which are no browsers, say nothing.
func (s *Server) guardOrigin(c *fiber.Ctx) error {
	refuse := &workflow.Error{Code: workflow.CodeForbidden, Message: "This was not sent from a page of ours, so it was not acted on. Open the page again and send it from there."}
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

// Ask gives a limiter for what can be guessed or abused: at most so many failed tries (or all tries,
// if every) from one address within a while. Constant in its answer, per node.
func (s *Server) Ask(every bool) fiber.Handler {
	return limiter.New(limiter.Config{
		Max:                    s.cfg.Ask,
		Expiration:             s.cfg.AskFor,
		SkipSuccessfulRequests: !every,
		KeyGenerator:           func(c *fiber.Ctx) string { return network(c.IP()) },
		LimitReached: func(c *fiber.Ctx) error {
			return &StatusError{Status: fiber.StatusTooManyRequests, Message: "There were too many tries from your connection. Please wait ten minutes, or telephone the bench."}
		},
	})
}

// network gives the part of an address that one subscriber usually holds: all of an IPv4 address, the
// first 64 bits of an IPv6 one (common practice, no source).
func network(ip string) string {
	if strings.Contains(ip, ":") {
		parts := strings.Split(ip, ":")
		if len(parts) > 4 {
			parts = parts[:4]
		}
		return strings.Join(parts, ":")
	}
	return ip
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
		Lang: shop.Languages[0], Title: title, Path: c.Path(),
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
