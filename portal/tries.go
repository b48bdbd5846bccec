package portal

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// Trying passwords is bounded in four ways: for each network (see [Server.Ask]), for each name, for all that are checked
// at one time, and for each browser that has signed in before. Such a browser has a lane of its own and is held up by none of
// the others, so that no flood of strangers keeps the staff out.
//
// # Decisions
//
//   - 2026-11-30: A browser that has signed in before is known for that name by a signed cookie, and strangers who
//     fail hold up a name for strangers only (the device cookies of OWASP's guide against guessing). Rejected: locking
//     the account, with which a stranger keeps its owner out; a puzzle, which WCAG 3.3.8 forbids.

// lane lets a few in at a time and a few wait; whoever comes after that is turned away at once.
type lane struct {
	places  chan struct{}
	waiting atomic.Int32
	most    int32
}

func newLane(places int, most int32) *lane {
	return &lane{places: make(chan struct{}, places), most: most}
}

// enter waits for a place. It reports whether there was one; then leave gives it back.
func (l *lane) enter() bool {
	select {
	case l.places <- struct{}{}:
		return true
	default:
	}
	defer l.waiting.Add(-1)
	if l.waiting.Add(1) > l.most {
		return false
	}
	l.places <- struct{}{}
	return true
}

func (l *lane) leave() { <-l.places }

// A name can be tried freeTries times by strangers; then each failure holds it up, twice as long as the one before.
const (
	freeTries   = 5
	firstHold   = 30 * time.Second
	longestHold = time.Hour
	triesFor    = 24 * time.Hour // so long after the last one, failures are forgotten
)

// holdAfter is how long a name is held up after so many failures.
func holdAfter(failed int) time.Duration {
	if failed < freeTries {
		return 0
	}
	return min(firstHold<<min(failed-freeTries, 16), longestHold)
}

// byName counts failures by name, over all shops of the process.
type byName struct {
	mu    sync.Mutex
	of    map[string]*failures
	sweep time.Time
}

type failures struct {
	count       int
	held, until time.Time
}

// begin counts a try as failed until it is [byName.passed], so that many at once are no way round. If the name is held up
// it returns for how long.
func (n *byName) begin(name string, now time.Time) time.Duration {
	n.mu.Lock()
	defer n.mu.Unlock()
	if !now.Before(n.sweep) {
		for k, f := range n.of {
			if !now.Before(f.until) {
				delete(n.of, k)
			}
		}
		n.sweep = now.Add(10 * time.Minute)
	}
	f := n.of[name]
	if f == nil && len(n.of) >= mostNetworks {
		name = "" // so many names are nobody's: they share one count, and no memory
		f = n.of[name]
	}
	if f == nil || !now.Before(f.until) {
		f = &failures{}
		n.of[name] = f
	}
	if wait := f.held.Sub(now); wait > 0 {
		return wait
	}
	f.count++
	f.held, f.until = now.Add(holdAfter(f.count)), now.Add(triesFor)
	return 0
}

func (n *byName) passed(name string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.of, name)
}

// beginTry counts a try at something of a person's, here and, where processes share a store, over all of them. It fails
// if there were too many.
func (s *Server) beginTry(ctx context.Context, what, login string) error {
	wait := s.common.byName.begin(s.sign("try", what, login), s.Now())
	if wait == 0 && s.cfg.Shared {
		held, err := s.cfg.Service.Bucket("asks").Get(ctx, s.sign("held", what, login))
		if errors.Is(err, workflow.ErrNotFound) {
			return nil
		} else if err != nil {
			return err
		}
		until, err := time.Parse(time.RFC3339, string(held))
		if err != nil {
			return err
		}
		wait = until.Sub(s.Now())
	}
	if wait <= 0 {
		return nil
	}
	words := "a minute"
	if n := int((wait + time.Minute - 1) / time.Minute); n > 1 {
		words = strconv.Itoa(n) + " minutes"
	}
	return &StatusError{Status: fiber.StatusTooManyRequests,
		Message: "There were too many wrong tries for this name. Please wait " + words + ". A browser that you've signed in with before isn't held up."}
}

// failedTry tells the other processes of a failure. What is not there is counted in this process only, so that
// strangers fill no store.
func (s *Server) failedTry(ctx context.Context, what, login string) {
	if !s.cfg.Shared {
		return
	}
	asks := s.cfg.Service.Bucket("asks")
	n, err := asks.Count(ctx, s.sign("try", what, login), triesFor)
	if hold := holdAfter(int(n)); err == nil && hold > 0 {
		until := s.Now().Add(hold)
		err = asks.Put(ctx, s.sign("held", what, login), []byte(until.Format(time.RFC3339)), until)
	}
	if err != nil {
		s.cfg.Log.Error("a failed try was not counted", "cause", err)
	}
}

// passedTry forgets the failures before it.
func (s *Server) passedTry(ctx context.Context, what, login string) {
	s.common.byName.passed(s.sign("try", what, login))
	if !s.cfg.Shared {
		return
	}
	for _, use := range []string{"try", "held"} {
		if err := s.cfg.Service.Bucket("asks").Delete(ctx, s.sign(use, what, login)); err != nil {
			s.cfg.Log.Error("failed tries were not forgotten", "cause", err)
		}
	}
}

// A browser is known for knownFor after it signed in, for the last mostKnown names that did.
const (
	knownFor  = 180 * 24 * time.Hour
	mostKnown = 5
)

// knownBy returns the name of the browser that a request comes from, if that person has signed in with it before, else
// "". The name is the browser's own: no two share one.
func (s *Server) knownBy(c *fiber.Ctx, login string) string {
	id, rest, _ := strings.Cut(c.Cookies(s.cookie("known")), ".")
	known := func(k string) bool { return s.knows(k, id, cleanLogin(login)) }
	if id == "" || !slices.ContainsFunc(strings.Split(rest, "."), known) {
		return ""
	}
	return id
}

// knownMark says that a person signed in with a browser on a day, so that it ends by itself.
func (s *Server) knownMark(id, login string, day int64) string {
	on := strconv.FormatInt(day, 36)
	return on + "-" + s.sign("known", id, login, on)
}

// knows reports whether a mark is of this browser and person, and no older than knownFor.
func (s *Server) knows(mark, id, login string) bool {
	on, sum, _ := strings.Cut(mark, "-")
	day, err := strconv.ParseInt(on, 36, 64)
	return err == nil && s.signed(sum, "known", id, login, on) && !s.Now().After(time.Unix(day*86400, 0).Add(knownFor))
}

// know makes the browser known for a person.
func (s *Server) know(c *fiber.Ctx, login string) error {
	id, rest, _ := strings.Cut(c.Cookies(s.cookie("known")), ".")
	known := strings.Split(rest, ".")
	// Whose id it is can't be told of one that no known name has signed; then it is a new browser.
	ours := func(k string) bool { return s.knows(k, id, login) || s.signed(k, "browser", id) }
	if !slices.ContainsFunc(known, ours) {
		var err error
		if id, err = newSecret(s.cfg.Service.Random); err != nil {
			return err
		}
		known = []string{s.sign("browser", id)}
	}
	known = slices.DeleteFunc(known, func(k string) bool { return s.knows(k, id, login) })
	known = append(known, s.knownMark(id, login, s.Now().Unix()/86400))
	if n := len(known) - 1 - mostKnown; n > 0 {
		known = slices.Delete(known, 1, 1+n)
	}
	s.setCookie(c, "known", id+"."+strings.Join(known, "."), s.Now().Add(knownFor))
	return nil
}

// AskStrangers is [Server.Ask] for who signs in: a browser that the person has signed in with before is asked by itself,
// so that no neighbour in its network holds it up.
func (s *Server) AskStrangers() fiber.Handler {
	strangers, known := s.Ask(false), s.limiter()
	return func(c *fiber.Ctx) error {
		id := s.knownBy(c, c.FormValue("login"))
		if id == "" {
			return strangers(c)
		}
		if wait := known.count(id, s.Now()); wait > 0 {
			return tooMany(c, wait)
		}
		err := c.Next()
		if !failed(c, err) {
			known.forgive(id)
		}
		return err
	}
}

// checkPassword is [CheckPassword], few at a time: each takes 19 MiB and most of a processor. A known browser waits in
// a lane of its own, and for its own check before.
func (s *Server) checkPassword(browser, hash, password string) (bool, error) {
	full := &StatusError{Status: fiber.StatusTooManyRequests,
		Message: "Too many people are trying to sign in just now. Please try again in a minute. A browser that you've signed in with before isn't held up."}
	l := s.common.strangers
	if browser != "" {
		l = s.common.known
		if _, busy := s.common.checking.LoadOrStore(browser, true); busy {
			full.Message = "Your last try is still being checked. Please wait a moment, then try again."
			return false, full
		}
		defer s.common.checking.Delete(browser)
	}
	if !l.enter() {
		return false, full
	}
	defer l.leave()
	return CheckPassword(hash, password), nil
}
