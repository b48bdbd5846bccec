package mail

import (
	"context"
	"fmt"
	"maps"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"benchword/notify"
	"benchword/workflow"
)

// Transport delivers a built email. Send returns the server's words of acceptance or an error that holds
// a [*notify.Failure]; any other error counts as [notify.PutOff].
type Transport interface {
	Send(ctx context.Context, m *Message) (words string, err error)
}

// Composer renders and builds a notice, of the job as it is now. If the entry has a Body, that is an earlier email of it that may have arrived, and the new one replies to it.
// The same job and entry must give the same bytes.
type Composer interface {
	Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Message, error)
}

// Channel is the [notify.Channel] of email: what is emailed to customers. It tells the job what came of it.
type Channel struct {
	Composer  Composer
	Transport Transport
	// PerDomain is how many emails are begun in a minute for addresses of one domain at most, 0 for no limit.
	// One that is over it takes the next free place and lets others pass.
	PerDomain int

	mu     sync.Mutex
	places map[string]time.Time // by domain, the next free place
}

var _ notify.Channel = (*Channel)(nil)

// Serves implements [notify.Channel].
func (*Channel) Serves() workflow.Channel { return workflow.Email }

// Attempt implements [notify.Channel].
func (c *Channel) Attempt(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (done notify.Done, err error) {
	delivery := workflow.RecordDelivery{ID: e.ID}
	done.Command = func(why *notify.Failure) workflow.Command {
		if why != nil {
			delivery.Buried = reason(why)
		}
		return delivery
	}
	m, err := notify.Write(func() (*Message, error) { return c.prepare(ctx, s, j, e) })
	if err != nil {
		return done, err
	}
	if notify.Lapsed(s, e) {
		return done, notify.ErrLapsed
	}
	if delivery.With = m.With; m.Data == nil {
		delivery.Moot = true
		return done, &notify.Skip{Fate: notify.Gone, Why: "Not sent: later steps had made it out of date.", Record: true}
	}
	if done.Words, err = c.send(ctx, m); err != nil && notify.FailureOf(err).Fate == notify.Unknown {
		done.Body = m.keep()
	}
	return done, err
}

// prepare returns the email of an entry: the one that was kept, or a new one, without Data if there is nothing to
// tell any more.
func (c *Channel) prepare(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (*Message, error) {
	switch {
	case !j.Erased.IsZero():
		return nil, &notify.Skip{Fate: notify.Refused, Why: "Not sent: the person was erased from the job."}
	case j.Customer.Email.Text == "":
		return nil, &notify.Failure{Fate: notify.Refused, Words: "The customer has no email address any more"}
	}
	if err := c.ready(s, j, e); err != nil {
		return nil, err
	}
	if notify.Tries(e, notify.Unknown) == 0 {
		e.Body = nil // an earlier version kept what was put off, too
	}
	if m, err := kept(e.Body); err == nil && !m.withdrawn(j, s.Now()) {
		return m, nil
	}
	gathered, with := j.Gathered(e)
	if len(gathered) == 0 {
		return &Message{With: with}, nil
	}
	m, err := c.Composer.Compose(ctx, j, e)
	if err == nil {
		m.With = with
	}
	return m, err
}

// send hands the email to the transport. It does not panic: the server may have it.
func (c *Channel) send(ctx context.Context, m *Message) (words string, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &notify.Failure{Fate: notify.Unknown, Words: "Sending the email failed because of a fault in the program.", Err: fmt.Errorf("panic: %v\n%s", p, debug.Stack())}
		}
	}()
	return c.Transport.Send(ctx, m)
}

// ready holds back what may not be sent now: at night what nobody asked for, and what is over its
// domain's limit.
func (c *Channel) ready(s *workflow.Service, j *workflow.Job, e *workflow.Entry) error {
	now := s.Now().UTC()
	if n := j.Notice(e.ID); n != nil && !n.Asked {
		if at := s.Shop.Awake(&j.Customer, now); at.After(now) {
			return &notify.Later{Fate: notify.Held, Until: at, Why: "It is night where the customer is."}
		}
	}
	if n := len(e.Attempts); c.PerDomain <= 0 || n > 0 && notify.Fate(e.Attempts[n-1].Result) == notify.Paced {
		return nil
	}
	if at := c.place(now, strings.ToLower(domainOf(j.Customer.Email.Text))); at.After(now) {
		return &notify.Later{Fate: notify.Paced, Until: at, Why: "Enough mails have gone to this domain in this minute."}
	}
	return nil
}

// place returns when a mail for this domain may begin: now, or at a place of its own.
func (c *Channel) place(now time.Time, domain string) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.places) > 1000 {
		maps.DeleteFunc(c.places, func(_ string, t time.Time) bool { return t.Before(now) })
	}
	at := c.places[domain]
	if at.Before(now) {
		at = now
	}
	if c.places == nil {
		c.places = map[string]time.Time{}
	}
	c.places[domain] = at.Add(time.Minute / time.Duration(c.PerDomain))
	return at
}
