package workflow

import (
	"context"
	"errors"
	"time"

	"benchword/workflow/link"
)

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

// wakeAt is the job's next wake-up instant after the step.
func (t *turn) wakeAt() time.Time {
	at := t.j.WakeAt(t.shop)
	if !t.askAgain.IsZero() && !t.j.Ended() && (at.IsZero() || t.askAgain.Before(at)) {
		return t.askAgain
	}
	return at
}

// Wake does what time alone demands at this instant: a breach, a reminder, a quote that runs out.
type Wake struct{}

func (Wake) allowed() []Role { return systemDo }

func (c Wake) decide(t *turn) error {
	p := t.j.Promise()
	kept := p != nil && p.BreachedAt.IsZero()
	if err := t.noteBreach(); err != nil {
		return err
	}
	if kept && !t.j.Promise().BreachedAt.IsZero() {
		if err := t.breached(); err != nil {
			return err
		}
	}
	for _, note := range []func() error{t.noteSilence, t.noteTargets, t.noteWarnings} {
		if err := note(); err != nil {
			return err
		}
	}
	if t.j.Ended() {
		return nil
	}
	if at := t.j.pendingUntil(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.move(StageWithdrawn, OutcomeRecycled, "")
	}
	if err := t.noticeUncollected(); err != nil {
		return err
	}
	q := t.j.Quote()
	if q == nil || q.State != QuoteOpen {
		return nil
	}
	if !t.now.Before(q.ExpiresAt) {
		if err := t.record(&QuoteLapsed{q.Revision}); err != nil {
			return err
		}
		if err := t.revokeLinks(link.Decide); err != nil {
			return err
		}
		// The customer has had their time; the bench has the ball again.
		return t.resume("approval")
	}
	if t.j.Stage != StageAwaitingApproval {
		return nil
	}
	if at := t.j.lastNoticeAt(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.record(&QuoteReminded{Revision: q.Revision, Last: true})
	}
	if at := t.j.remindAt(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.record(&QuoteReminded{Revision: q.Revision})
	}
	return nil
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
