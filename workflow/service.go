package workflow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"reflect"
	"strings"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
)

// Service loads a job, decides commands on it, and commits what follows from them: events, notices,
// links, index and wake-up in one step. It is safe for concurrent use.
type Service struct {
	Shop  *Shop
	Store Store
	Links *link.Maker
	// Now gives the time; nothing else in this package reads a clock.
	Now func() time.Time
	// Random is a cryptographic source, safe for concurrent use.
	Random io.Reader
	Log    *slog.Logger
	// Risk, if set, estimates whether promises will be missed.
	Risk RiskOf
	// Committed, if set, is told of every commit that was acknowledged. It must not block.
	Committed func(j *Job, notices int)
}

// Order is one step to take: commands that are all done, or none.
type Order struct {
	// Job is empty for a new one, whose first command must be [Book].
	Job      JobNumber
	By       Actor
	Commands []Command
	// Expect demands that the job still has this version; 0 takes it as it is. Without it a step
	// that loses against another one is decided again on the new state.
	Expect int64
	// Once makes the step happen once for its key.
	Once *Once
	// Settle settles an outbox entry in the same step.
	Settle *Settlement
	// Result, if set, computes what Once keeps as the answer.
	Result func(j *Job) []byte
}

// retries bounds how often a step that loses against others is decided again.
const retries = 20

// Do takes a step and gives the job as it then stands. Errors: those of the commands, ErrNotFound,
// ErrConflict (Expect does not hold), *[AlreadyDone].
func (s *Service) Do(ctx context.Context, o Order) (*Job, error) {
	for _, c := range o.Commands {
		if !permits(c, o.By.Role) {
			return nil, &Error{Code: CodeForbidden, Reason: "role", Message: "Your role does not include this action; ask somebody at the counter."}
		}
	}
	if o.Once != nil {
		// A repeat is told so before the job is looked at: it may have moved on since, by this very step.
		now := s.Now()
		switch once, err := s.Store.Done(ctx, s.Shop.ID, o.Once.Key); {
		case err == nil && (once.Until.IsZero() || now.Before(once.Until)):
			return nil, &AlreadyDone{once}
		case err == nil: // too long ago to be a repeat: forgotten, but not swept away yet
			if err := s.Store.SweepKeys(ctx, s.Shop.ID, now); err != nil {
				return nil, err
			}
		case !errors.Is(err, ErrNotFound):
			return nil, err
		}
	}
	for try := 0; ; try++ {
		j, err := s.try(ctx, o)
		if err != nil && o.Once != nil {
			// Its twin may have come first in the meantime, and be the very reason for the refusal.
			if once, missing := s.Store.Done(ctx, s.Shop.ID, o.Once.Key); missing == nil {
				return nil, &AlreadyDone{once}
			}
		}
		if !errors.Is(err, ErrConflict) || o.Expect != 0 || o.Settle != nil && try > 2 || try >= retries {
			return j, err
		}
		var e *Error
		if errors.As(err, &e) && e.Message != conflictMessage {
			return j, err // a command's own word on it, not the store's
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
}

// Try decides on a step without taking it, and gives the job as it would then stand: what a preview
// shows. Nothing is stored, no notice is made; links that the step would give out open nothing.
func (s *Service) Try(ctx context.Context, o Order) (*Job, error) {
	for _, c := range o.Commands {
		if !permits(c, o.By.Role) {
			return nil, &Error{Code: CodeForbidden, Reason: "role", Message: "Your role does not include this action; ask somebody at the counter."}
		}
	}
	j, err := s.Store.Job(ctx, s.Shop.ID, o.Job)
	if err != nil {
		return nil, err
	}
	if _, err := s.decide(j, o.By, o.Commands); err != nil {
		return nil, err
	}
	return j, nil
}

const conflictMessage = "Somebody else changed this job a moment ago. Please look at it again; what you typed is still here."

// Conflict is the error of a commit whose expected version does not hold. Stores return it.
func Conflict(cause error) error {
	return &Error{Code: CodeConflict, Reason: "conflict", Message: conflictMessage, Err: cause}
}

func permits(c Command, r Role) bool {
	for _, a := range c.allowed() {
		if a == r {
			return true
		}
	}
	return false
}

func (s *Service) try(ctx context.Context, o Order) (*Job, error) {
	var j *Job
	var err error
	if o.Job == "" {
		n, err := NewJobNumber(s.Random)
		if err != nil {
			return nil, err
		}
		j = &Job{Shop: s.Shop.ID, Number: n}
	} else if j, err = s.Store.Job(ctx, s.Shop.ID, o.Job); err != nil {
		return nil, err
	}
	if o.Expect != 0 && j.Version != o.Expect {
		return nil, Conflict(fmt.Errorf("version %d expected, %d found", o.Expect, j.Version))
	}
	expect, was := j.Version, j.Course()
	t, err := s.decide(j, o.By, o.Commands)
	if err != nil {
		return nil, err
	}
	if len(t.events) == 0 && o.Settle == nil {
		return j, nil
	}
	notices, hasten, err := t.notices()
	if err != nil {
		return nil, err
	}
	for _, id := range t.requeue {
		// Before its event: a crash in between leaves a mail that goes out unannounced, never one that
		// was announced and lies buried.
		if err := s.Store.Requeue(ctx, s.Shop.ID, id, t.now); err != nil && !errors.Is(err, ErrNotFound) {
			return nil, err
		}
	}
	c := &Commit{
		Shop: s.Shop.ID, Job: j.Number, Expect: expect, Events: t.events, State: j, Secrets: t.secrets,
		Index: j.index(s.Shop), Links: t.rows, Notices: notices, WakeAt: t.wakeAt(), Settle: o.Settle,
		Forget: t.forget, Hasten: hasten,
	}
	if course := j.Course(); expect == 0 || !reflect.DeepEqual(was, course) {
		c.Course = &course
	}
	if o.Once != nil {
		once := *o.Once
		if o.Result != nil {
			once.Result = o.Result(j)
		}
		c.Once = &once
	}
	if err := s.Store.Commit(ctx, c); err != nil {
		return nil, err
	}
	if s.Committed != nil {
		s.Committed(j, len(notices)+len(t.requeue))
	}
	return j, nil
}

// decide lets the commands decide on j, which they change.
func (s *Service) decide(j *Job, by Actor, commands []Command) (*turn, error) {
	now := s.Now().UTC().Truncate(time.Millisecond)
	if now.Before(j.ChangedAt) {
		now = j.ChangedAt // a clock that was set back: history stays in order
	}
	t := &turn{j: j, shop: s.Shop, now: now, by: by, random: s.Random, links: s.Links}
	for _, c := range commands {
		if err := c.decide(t); err != nil {
			return nil, err
		}
	}
	return t, t.noteRisk(s.Risk)
}

// wakeAt is the job's next wake-up instant after the step.
func (t *turn) wakeAt() time.Time {
	at := t.j.WakeAt(t.shop)
	if !t.askAgain.IsZero() && !t.j.Ended() && (at.IsZero() || t.askAgain.Before(at)) {
		return t.askAgain
	}
	return at
}

// Job gives a job as it stands.
func (s *Service) Job(ctx context.Context, n JobNumber) (*Job, error) {
	return s.Store.Job(ctx, s.Shop.ID, n)
}

// Open finds what a link's token opens. It tells an unknown link from one that has ended, and
// nothing else. Errors: ErrNotFound, ErrGone.
func (s *Service) Open(ctx context.Context, token string) (LinkRow, error) {
	unknown := &Error{Code: CodeNotFound, Reason: "link_unknown", Message: "This link is not complete. Open it again from the mail, or ask for a new one with your job number."}
	parsed, err := link.ParseToken(token)
	if err != nil {
		return LinkRow{}, unknown
	}
	row, err := s.Store.Link(ctx, s.Shop.ID, parsed.Hash())
	if errors.Is(err, ErrNotFound) {
		return LinkRow{}, unknown
	}
	if err != nil {
		return LinkRow{}, err
	}
	if row.Revoked || !s.Now().Before(row.ExpiresAt) {
		return row, &Error{Code: CodeGone, Reason: "link_ended", Message: "This link has ended. Ask for a new one with your job number and e-mail address."}
	}
	return row, nil
}

// Token derives the link's token of a grant: what goes into a mail.
func (s *Service) Token(j *Job, g *LinkGrant) (string, error) {
	t, err := s.Links.Token(string(j.Shop), string(j.Number), g.Purpose, g.ID)
	if err != nil {
		return "", err
	}
	return t.Text(), nil
}

// WakeDue does what time demands for every job whose wake-up instant has come, and gives how many
// that were. A job that fails is logged and left for the next round; it stops no other.
func (s *Service) WakeDue(ctx context.Context) (int, error) {
	done := 0
	failed := map[JobNumber]bool{}
	for {
		due, err := s.Store.Due(ctx, s.Shop.ID, s.Now(), 100+len(failed))
		if err != nil {
			return done, err
		}
		progress := false
		for _, n := range due {
			if failed[n] {
				continue
			}
			progress = true
			if err := s.wake(ctx, n); err != nil {
				if ctx.Err() != nil {
					return done, ctx.Err()
				}
				failed[n] = true
				s.Log.Error("wake-up failed", "job", n, "cause", err)
				continue
			}
			done++
		}
		if !progress {
			return done, nil
		}
	}
}

func (s *Service) wake(ctx context.Context, n JobNumber) error {
	for try := 0; ; try++ {
		j, err := s.Store.Job(ctx, s.Shop.ID, n)
		if err != nil {
			return err
		}
		t, err := s.decide(j, clockActor, []Command{Wake{}})
		if err != nil {
			return err
		}
		if len(t.events) > 0 {
			_, err = s.try(ctx, Order{Job: n, By: clockActor, Commands: []Command{Wake{}}})
		} else {
			// Nothing to do: the instant stands too early. Write the right one.
			err = s.Store.Commit(ctx, &Commit{Shop: s.Shop.ID, Job: n, Expect: j.Version, State: j, Index: j.index(s.Shop), WakeAt: t.wakeAt()})
		}
		if !errors.Is(err, ErrConflict) || try >= retries {
			return err
		}
	}
}

// Account gives whose account the time of a hold goes to.
func (r HoldReason) Account() Account {
	switch r {
	case HoldParts:
		return AccountParts
	case HoldCarrier:
		return AccountCarrier
	}
	return AccountCustomer
}

// Turnaround gives the promise's clock, with the job's pauses.
func (j *Job) Turnaround(shop *Shop, p *Promise) Turnaround {
	return Turnaround{Calendar: shop.Calendar, Start: p.Starts, Quota: p.Quota, Pauses: j.Pauses}
}

// Due gives the due instant of the current promise; ok is false if there is none, or if a pause is
// running, so that no instant can be named.
func (j *Job) Due(shop *Shop) (due time.Time, ok bool) {
	p := j.Promise()
	if p == nil {
		return time.Time{}, false
	}
	return j.Turnaround(shop, p).Due()
}

// WakeAt gives the next instant at which time alone changes the job, zero if there is none.
func (j *Job) WakeAt(shop *Shop) time.Time {
	var at time.Time
	sooner := func(t time.Time) {
		if !t.IsZero() && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	if j.Ended() {
		return at
	}
	if p := j.Promise(); p != nil && p.BreachedAt.IsZero() {
		if due, ok := j.Due(shop); ok {
			// Ending exactly at due is kept: the breach begins right after it.
			sooner(due.Add(time.Millisecond))
		}
	}
	if warn, percent := j.warnedAt(shop); percent > 0 {
		sooner(warn)
	}
	for _, x := range j.Targets(shop) {
		if x.MetAt.IsZero() && !x.Due.IsZero() && !j.missed(x.Kind) {
			sooner(x.Due.Add(time.Millisecond))
		}
	}
	if d := j.Delay(); d != nil && d.waits() {
		sooner(d.AnswerBy)
	}
	if q := j.Quote(); q != nil && q.State == QuoteOpen {
		sooner(q.ExpiresAt)
		if j.Stage == StageAwaitingApproval {
			sooner(j.remindAt(shop))
			sooner(j.lastNoticeAt(shop))
		}
	}
	sooner(j.pendingUntil(shop))
	sooner(j.uncollectedAt(shop))
	return at
}

// remindAt gives when the open quote is followed up next: at the opening of the shop's n-th working
// day after its issue, zero if not again. From the last notice on nothing more is sent.
func (j *Job) remindAt(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || q.State != QuoteOpen || q.LastNotice || q.Reminded >= len(shop.RemindDays) {
		return time.Time{}
	}
	at, ok := shop.Calendar.OpeningOf(q.IssuedAt, shop.RemindDays[q.Reminded])
	if !ok || !at.Before(q.ExpiresAt) {
		return time.Time{}
	}
	if last := j.lastNoticeAt(shop); !last.IsZero() && !at.Before(last) {
		return time.Time{}
	}
	return at
}

// Paid is the sum of the payments.
func (j *Job) Paid(shop *Shop) money.Amount {
	sum := money.Amount{Currency: shop.Currency}
	for _, p := range j.Payments {
		if p.Amount.Currency == sum.Currency {
			sum.Minor += p.Amount.Minor
		}
	}
	return sum
}

// Balance is what is left to pay; below zero if more was paid than charged.
func (j *Job) Balance(shop *Shop) money.Amount {
	b := j.Charge(shop)
	b.Minor -= j.Paid(shop).Minor
	return b
}

// OpenQuestion gives the customer's oldest message that nobody has answered, nil if there is none.
func (j *Job) OpenQuestion() *Message {
	for i := range j.Messages {
		if m := &j.Messages[i]; m.By.Role == RoleCustomer && m.Question && !m.Answered {
			return m
		}
	}
	return nil
}

// Undelivered lists the notices that were given up or came back: somebody should telephone.
func (j *Job) Undelivered() []NoticeRecord {
	var out []NoticeRecord
	for _, n := range j.Notices {
		if (!n.BuriedAt.IsZero() || !n.BouncedAt.IsZero()) && n.With == "" && n.ToldAt.IsZero() {
			out = append(out, n)
		}
	}
	return out
}

func (j *Job) index(shop *Shop) Index {
	x := Index{
		Stage: j.Stage, Ended: j.Ended(), Title: j.Device.Name(), Person: j.Customer.Name.Text, ChangedAt: j.ChangedAt,
		Waiting: j.OpenQuestion() != nil || len(j.Undelivered()) > 0 || j.pressing(),
	}
	if due, ok := j.Due(shop); ok {
		x.DueAt = due
	}
	if p := j.Promise(); p != nil {
		x.Breached = !p.BreachedAt.IsZero()
	}
	if h := j.Hold(); h != nil {
		x.OnHold = h.Reason
	}
	words := []string{string(j.Number), x.Title, x.Person, j.Customer.Email.Text, j.Customer.Phone.Text, j.Device.Serial, j.Fault.Text, j.Inbound}
	if j.Shipment != nil {
		words = append(words, j.Shipment.Parcel)
	}
	for _, it := range j.Contents {
		words = append(words, it.Text)
	}
	x.Text = strings.Join(words, "\n")
	return x
}
