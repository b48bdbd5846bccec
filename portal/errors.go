package portal

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// statusOf is the one place where a domain code becomes an HTTP status.
var statusOf = map[workflow.Code]int{
	workflow.CodeInvalid:   fiber.StatusUnprocessableEntity,
	workflow.CodeRefused:   fiber.StatusConflict,
	workflow.CodeConflict:  fiber.StatusConflict,
	workflow.CodeNotFound:  fiber.StatusNotFound,
	workflow.CodeForbidden: fiber.StatusForbidden,
	workflow.CodeGone:      fiber.StatusGone,
	workflow.CodeInternal:  fiber.StatusInternalServerError,
}

// Status returns the HTTP status for an error.
func Status(err error) int {
	var f *fiber.Error
	if errors.As(err, &f) {
		return f.Code
	}
	var s *StatusError
	if errors.As(err, &s) {
		return s.Status
	}
	if errors.Is(err, workflow.ErrUnavailable) {
		return fiber.StatusServiceUnavailable
	}
	if n, ok := statusOf[workflow.CodeOf(err)]; ok {
		return n
	}
	return fiber.StatusInternalServerError
}

// StatusError is an error with a status of its own: 412, 413, 415, 429 and the like.
type StatusError struct {
	Status  int
	Message string
	// Reason names the sentence for a customer's page, as in [workflow.Error].
	Reason string
	Err    error
}

func (e *StatusError) Error() string { return fmt.Sprintf("%d: %s", e.Status, e.Message) }

// Unwrap returns the private cause.
func (e *StatusError) Unwrap() error { return e.Err }

// Sentence returns what may be shown to a person about an error.
func Sentence(err error) string {
	var s *StatusError
	if errors.As(err, &s) {
		return s.Message
	}
	if errors.Is(err, workflow.ErrUnavailable) {
		return workflow.StoreWords(err)
	}
	var f *fiber.Error
	if errors.As(err, &f) {
		switch f.Code {
		case fiber.StatusNotFound:
			return "There is nothing at this address. Check it against your mail, or start from the front page."
		case fiber.StatusMethodNotAllowed:
			return "This address can't be used in that way. Go back and try again from the page."
		case fiber.StatusRequestEntityTooLarge:
			return "That was too much at once. Send fewer or smaller photos."
		case fiber.StatusUpgradeRequired, fiber.StatusBadRequest:
			return "Your browser sent something that can't be read. Please go back and try again."
		}
		return "Your request could not be answered. Please go back and try again."
	}
	return workflow.MessageOf(err)
}

// say returns what a customer reads about an error, in their language. What has no sentence of its own in
// the catalogue gets one of its kind.
func say(w *locale.Words, err error) string {
	reason, kind := "", "code.internal"
	var values []any
	var e *workflow.Error
	var s *StatusError
	var f *fiber.Error
	switch {
	case errors.As(err, &s):
		reason, kind = s.Reason, "code.request"
	case errors.As(err, &e):
		reason, values, kind = e.Reason, e.Values, "code."+string(e.Code)
	case errors.As(err, &f):
		kind = "code.request"
		switch f.Code {
		case fiber.StatusNotFound:
			reason = "no_page"
		case fiber.StatusMethodNotAllowed:
			reason = "method"
		case fiber.StatusRequestEntityTooLarge:
			reason = "too_much"
		case fiber.StatusUpgradeRequired, fiber.StatusBadRequest:
			reason = "unreadable"
		}
	}
	if reason == "look" {
		return w.T("error.look")
	}
	if reason != "" && w.Has("refusal."+reason) {
		return w.T("refusal."+reason, values...)
	}
	if w.Lang == "en" && e != nil && e.Message != "" && e.Code != workflow.CodeInternal {
		return e.Message // says more than its kind
	}
	return w.T("refusal." + kind)
}

// heading returns an error page's heading, in the customer's language.
func heading(w *locale.Words, status int) string {
	key := "refusal.title." + strconv.Itoa(status)
	switch {
	case w.Has(key):
		return w.T(key)
	case status >= 500:
		return w.T("refusal.title.500")
	}
	return w.T("refusal.title.other")
}

func notFound(reason, sentence string) error {
	return &workflow.Error{Code: workflow.CodeNotFound, Reason: reason, Message: sentence}
}

// Missing returns the sentences of a refusal, where it has several.
func Missing(err error) []string {
	var e *workflow.Error
	if errors.As(err, &e) {
		return e.Missing
	}
	return nil
}

// FieldOf returns the name of the input that an error is about, "" if none.
func FieldOf(err error) string {
	var e *workflow.Error
	if errors.As(err, &e) {
		return e.Field
	}
	return ""
}

// Problem is an RFC 9457 problem document.
type Problem struct {
	Type    string   `json:"type"`
	Title   string   `json:"title"`
	Status  int      `json:"status"`
	Detail  string   `json:"detail"`
	Field   string   `json:"field,omitempty"`
	Missing []string `json:"missing,omitempty"`
	Request string   `json:"request,omitempty"`
}

// fail is the sole error handler. It is called, too, for what can't be read as a request at all, and
// then nothing has gone before it.
func (s *Server) fail(c *fiber.Ctx, err error) (sent error) {
	defer func() {
		if r := recover(); r != nil {
			s.cfg.Log.Error("the error page panicked", "request", requestID(c), "cause", fmt.Sprint(r), "of", err)
			c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
			sent = c.Status(Status(err)).SendString(Sentence(err))
		}
	}()
	s.protect(c)
	status := Status(err)
	if status >= 500 {
		if requestID(c) == "" {
			nameRequest(c)
		}
		s.cfg.Log.Error("request failed", "request", requestID(c), "method", c.Method(), "route", route(c), "status", status, "cause", err)
	}
	c.Response().ResetBody()
	c.Set(fiber.HeaderCacheControl, "no-store")
	if strings.HasPrefix(c.Path(), "/api/") {
		code := string(workflow.CodeOf(err))
		if code == string(workflow.CodeInternal) && status < 500 {
			code = "http"
		}
		p := Problem{
			Type: "/api/v1/problems#" + code, Title: title(status), Status: status, Detail: Sentence(err),
			Field: FieldOf(err), Missing: Missing(err), Request: requestID(c),
		}
		if err := c.Status(status).JSON(p); err != nil {
			return err
		}
		c.Set(fiber.HeaderContentType, "application/problem+json")
		return nil
	}
	if errors.Is(err, workflow.ErrUnavailable) {
		return s.away(c)
	}
	v := &templates.Problem{Status: status, Request: requestID(c)}
	if strings.HasPrefix(c.Path(), "/counter") {
		v.Page, v.Heading, v.Message, v.Missing = s.Page(c, title(status)), title(status), Sentence(err), Missing(err)
		v.Lang = "en"
	} else {
		v.Page = s.publicPage(c, "")
		if lang, ok := c.Locals(speaks).(string); ok {
			v.Lang = lang
		}
		v.Heading, v.Message = heading(v.Words(), status), say(v.Words(), err)
		v.Title = v.Heading
	}
	if rerr := s.Render(c, status, v); rerr != nil {
		s.cfg.Log.Error("the error page failed", "request", requestID(c), "cause", rerr)
		c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
		return c.Status(status).SendString(Sentence(err))
	}
	return nil
}

// away answers while the store can't be reached: in the browser's language, since who asks can't be looked
// up either.
func (s *Server) away(c *fiber.Ctx) error {
	c.Locals(localStaff, (*Session)(nil))
	c.Set(fiber.HeaderRetryAfter, "10")
	page := s.publicPage(c, "outage.heading")
	return s.Render(c, fiber.StatusServiceUnavailable, &templates.Problem{
		Page: page, Status: fiber.StatusServiceUnavailable, Heading: page.T("outage.heading"), Message: page.T("outage.text"), Request: requestID(c),
	})
}

// title heads an error page or problem document.
func title(status int) string {
	switch status {
	case 401:
		return "Please sign in"
	case 403:
		return "Not for you to do"
	case 404:
		return "Not found"
	case 409:
		return "Not possible as things stand"
	case 410:
		return "This has ended"
	case 412:
		return "Changed in the meantime"
	case 413:
		return "Too large"
	case 415:
		return "This kind of file can't be read"
	case 422:
		return "Something is missing or wrong"
	case 429:
		return "Too many tries"
	case 503:
		return "We cannot look right now"
	}
	if status >= 500 {
		return "Something went wrong on our side"
	}
	return "That did not work"
}
