package workflow

import (
	"context"
	"errors"
	"time"
)

// alarm is something that time alone brings about: at returns when, zero for not at all, and do does it.
// After do, at is zero or later.
type alarm struct {
	at func(j *Job, shop *Shop) time.Time
	do func(t *turn) error
	// after: it rings for a job that has ended, and not before; all others only before.
	after bool
}

// alarms is the table of all that wakes a job, in the order in which it is done where several are due.
var alarms = []alarm{
	{at: (*Job).breachAt, do: (*turn).breach},
	{at: (*Job).silenceAt, do: (*turn).noteSilence},
	{at: (*Job).targetAt, do: (*turn).noteTargets},
	{at: (*Job).warnAt, do: (*turn).noteWarnings},
	{at: (*Job).pendingUntil, do: func(t *turn) error { return t.move(StageWithdrawn, OutcomeRecycled, "") }},
	{at: (*Job).uncollectedAt, do: (*turn).noticeUncollected},
	{at: (*Job).expiresAt, do: (*turn).lapse},
	{at: (*Job).lastNoticeAt, do: func(t *turn) error { return t.remind(true) }},
	{at: (*Job).remindAt, do: func(t *turn) error { return t.remind(false) }},
	{at: (*Job).retellAt, do: (*turn).retell},
	{at: (*Job).unconfirmedUntil, do: (*turn).dropBooking},
	{at: (*Job).unarrivedAt, do: (*turn).noteUnarrived, after: true},
	{at: (*Job).eraseAt, do: ErasePerson{}.decide, after: true},
}

// WakeAt returns the next instant at which time alone changes the job, zero if there is none.
func (j *Job) WakeAt(shop *Shop) time.Time {
	var first time.Time
	for _, a := range alarms {
		if a.after != j.Ended() {
			continue
		}
		if at := a.at(j, shop); !at.IsZero() && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	return first
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

func (c Wake) decide(t *turn) error {
	for _, a := range alarms {
		if a.after != t.j.Ended() {
			continue
		}
		if at := a.at(t.j, t.shop); at.IsZero() || t.now.Before(at) {
			continue
		}
		if err := a.do(t); err != nil {
			return err
		}
	}
	return nil
}

// WakeDue does what time demands for every job whose wake-up instant has come, and returns how many
// that were. A job that fails is logged and left for the next round; it stops no other.
func (s *Service) WakeDue(ctx context.Context) (int, error) {
	done := 0
	failed := map[JobNumber]bool{}
	for {
		due, err := s.store.Due(ctx, s.Shop.ID, s.Now(), 100+len(failed))
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
		j, err := s.Job(ctx, n)
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
			// Nothing to do: the wake-up was set too early. Set the right one.
			err = s.store.Commit(ctx, &Commit{Shop: s.Shop.ID, Job: n, Expect: j.Version, State: j, Index: j.index(s.Shop), WakeAt: t.wakeAt()})
		}
		if !errors.Is(err, ErrConflict) || try >= retries {
			return err
		}
	}
}
