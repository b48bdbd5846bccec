package portal

import (
	"bufio"
	"context"
	"fmt"
	"strconv"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// Live streams are server-sent events (WHATWG HTML, section 9.2). Each tells only that the job has a
// new version; the page then fetches itself. The id of an event is the version, so that a browser
// that comes back after a gap is told at once if it missed anything.
const (
	keepAlive  = 25 * time.Second
	flushLimit = 10 * time.Second
)

// live streams a job's new versions to a browser that shows version seen, as long as its link opens the job.
func (s *Server) live(c *fiber.Ctx, token string, row workflow.LinkRow) error {
	n := row.Job
	seen, _ := strconv.ParseInt(c.Query("v"), 10, 64)
	if last, err := strconv.ParseInt(c.Get("Last-Event-ID"), 10, 64); err == nil {
		seen = last
	}
	c.Set(fiber.HeaderContentType, "text/event-stream; charset=utf-8")
	c.Set(fiber.HeaderCacheControl, "no-store")
	c.Set("X-Accel-Buffering", "no")
	if c.Method() == fiber.MethodHead {
		return nil // nobody listens
	}
	ch, leave := s.hub.subscribe(n, opener{link: string(s.Shop().ID) + " " + row.ID}, opener{network: network(s.address(c))})
	if ch == nil {
		return &StatusError{Status: fiber.StatusServiceUnavailable, Reason: "too_many_open", Message: "Too many pages are open at once; this one does not update itself now. Reload it to see what is new.", Err: errClosed}
	}
	// Read after subscribing: a commit in between is either in the version or in the channel.
	version, err := s.cfg.Service.Version(c.UserContext(), n)
	if err != nil {
		leave()
		return err
	}
	conn := c.Context().Conn()
	log := s.cfg.Log
	// Only a link that is known to have ended ends its page: while the store can't be asked, what is sent is a
	// version number, and what it leads to asks again.
	opens := func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), flushLimit)
		defer cancel()
		_, err := s.cfg.Service.Open(ctx, token)
		code := workflow.CodeOf(err)
		return code != workflow.CodeGone && code != workflow.CodeNotFound
	}
	c.Context().SetBodyStreamWriter(func(w *bufio.Writer) {
		defer leave()
		defer func() {
			if r := recover(); r != nil {
				log.Error("a live page panicked", "cause", fmt.Sprint(r))
			}
		}()
		send := func(format string, args ...any) bool {
			fmt.Fprintf(w, format, args...)
			// A deadline for each flush: a reader that never reads must not pin this goroutine, and
			// one deadline for the whole response would cut healthy streams.
			_ = conn.SetWriteDeadline(time.Now().Add(flushLimit))
			return w.Flush() == nil
		}
		if !send("retry: 5000\n\n") {
			return
		}
		// The link may have ended between opening and subscribing.
		if !opens() {
			return
		}
		if version > seen && seen > 0 && !send("id: %d\nevent: changed\ndata: %d\n\n", version, version) {
			return
		}
		seen = version
		tick := time.NewTicker(keepAlive)
		defer tick.Stop()
		for {
			select {
			case v, ok := <-ch:
				if ok && v <= seen {
					continue // told before
				}
				if !ok || !opens() || !send("id: %d\nevent: changed\ndata: %d\n\n", v, v) {
					return
				}
				seen = v
			case <-tick.C:
				if !s.Now().Before(row.ExpiresAt) || !send(": still here\n\n") {
					return
				}
			}
		}
	})
	return nil
}
