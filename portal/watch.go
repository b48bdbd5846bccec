package portal

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"
)

// What the owner reads of the log at the counter: the lines that say who did, or was refused, what, and from where.
// The newest are kept, in a ring that can't grow, and none of them for long.
const (
	bucketWatch = "watch"
	watchKept   = 500
	watchFor    = 90 * 24 * time.Hour
	// watchWaiting bounds the lines that wait to be kept: a flood of them is in the log only.
	watchWaiting = 100
)

// Watched is such a line.
type Watched struct {
	At   time.Time `json:"at"`
	What string    `json:"what"`
	// Facts are names and what they are: login, from, route.
	Facts [][2]string `json:"facts"`
}

// watch is a log's handler that keeps them.
type watch struct {
	slog.Handler
	s *Server
}

func (w *watch) WithAttrs(a []slog.Attr) slog.Handler { return &watch{w.Handler.WithAttrs(a), w.s} }
func (w *watch) WithGroup(name string) slog.Handler   { return &watch{w.Handler.WithGroup(name), w.s} }

// Enabled is so for all that the owner may read, however little goes to the log itself.
func (w *watch) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelInfo || w.Handler.Enabled(ctx, l)
}

func (w *watch) Handle(ctx context.Context, r slog.Record) error {
	if r.Message != requestLine {
		w.keep(r)
	}
	if !w.Handler.Enabled(ctx, r.Level) {
		return nil
	}
	return w.Handler.Handle(ctx, r)
}

// keep keeps a line that says who did, or was refused, what.
func (w *watch) keep(r slog.Record) {
	x, kept := Watched{What: r.Message}, false
	r.Attrs(func(a slog.Attr) bool {
		kept = kept || a.Key == "from" || a.Key == "by"
		if a.Key != "request" {
			x.Facts = append(x.Facts, [2]string{a.Key, a.Value.String()})
		}
		return true
	})
	if kept {
		x.At = w.s.Now().UTC()
		w.s.keepWatched(x)
	}
}

func (s *Server) keepWatched(x Watched) {
	s.watched.Lock()
	defer s.watched.Unlock()
	if len(s.watched.waiting) >= watchWaiting {
		return
	}
	s.watched.waiting = append(s.watched.waiting, x)
	if !s.watched.writing {
		s.watched.writing = true
		s.later(s.writeWatched)
	}
}

func (s *Server) writeWatched(ctx context.Context) {
	bucket := s.cfg.Service.Bucket(bucketWatch)
	for {
		s.watched.Lock()
		lines := s.watched.waiting
		s.watched.waiting, s.watched.writing = nil, len(lines) > 0
		s.watched.Unlock()
		if len(lines) == 0 {
			return
		}
		for _, x := range lines {
			n, err := bucket.CountAt(ctx, "last", x.At, 100*365*24*time.Hour)
			if err == nil {
				raw, _ := json.Marshal(x) // texts and an instant always encode
				err = bucket.Put(ctx, fmt.Sprintf("line %03d", n%watchKept), raw, x.At.Add(watchFor))
			}
			if err != nil {
				s.cfg.Log.Error("a line of the log was not kept for the owner", "cause", err)
			}
		}
	}
}

// Watched returns the lines that are kept, the newest first.
func (s *Server) Watched(ctx context.Context) ([]Watched, error) {
	kept, err := s.cfg.Service.Bucket(bucketWatch).List(ctx)
	var out []Watched
	for _, kv := range kept {
		var x Watched
		if strings.HasPrefix(kv.Key, "line ") && json.Unmarshal(kv.Value, &x) == nil {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b Watched) int { return b.At.Compare(a.At) })
	return out, err
}

// requestLine is the message of the line that each request leaves which may change something.
const requestLine = "request"

// by is who is signed in on a request, "" for nobody.
func by(c *fiber.Ctx) string {
	if x, ok := c.Locals(localStaff).(*Session); ok && x != nil {
		return x.Login
	}
	return ""
}

// noteRefused leaves a line of what somebody was not let do, at most one a minute for the same by the same
// person from one network.
func (s *Server) noteRefused(c *fiber.Ctx, err error) {
	status := c.Response().StatusCode()
	if err != nil {
		status = Status(err)
	}
	switch status {
	case fiber.StatusUnauthorized, fiber.StatusForbidden, fiber.StatusTooManyRequests:
	default:
		return
	}
	from := s.address(c)
	if s.refusals.count(fmt.Sprintf("%s %s %d %s %s", network(from), by(c), status, c.Method(), route(c)), s.Now()) == 0 {
		s.cfg.Log.Warn("refused", "status", status, "method", c.Method(), "route", route(c), "by", by(c), "from", from)
	}
}
