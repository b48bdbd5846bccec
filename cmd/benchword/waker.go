package main

import (
	"context"
	"log/slog"
	"time"

	"benchword/workflow"
)

// waker calls the service when the earliest wake-up instant has come: it sleeps until then, and looks
// at no job that is not due.
type waker struct {
	service *workflow.Service
	log     *slog.Logger
	sooner  chan struct{}
	// pack, if set, packs some jobs that ended long ago, and returns how many.
	pack func(ctx context.Context) (int, error)
}

func newWaker(s *workflow.Service, log *slog.Logger) *waker {
	return &waker{service: s, log: log, sooner: make(chan struct{}, 1)}
}

// packedAtOnce bounds how many jobs are packed before the clock is looked at again.
const packedAtOnce = 500

// wake tells the waker that an instant may have changed. It never blocks.
func (w *waker) wake() {
	select {
	case w.sooner <- struct{}{}:
	default:
	}
}

// longestSleep bounds a sleep, so that a clock that was set is noticed.
const longestSleep = time.Minute

// sweepEvery is how often what has expired (sessions, settled requests, counters) is removed.
const sweepEvery = time.Hour

func (w *waker) run(ctx context.Context) {
	var swept time.Time
	for {
		if now := w.service.Now(); now.Sub(swept) >= sweepEvery {
			swept = now
			if err := w.service.Sweep(ctx); err != nil && ctx.Err() == nil {
				w.log.Error("what has expired was not removed", "cause", err)
			}
			if w.pack != nil {
				n, err := w.pack(ctx)
				if err != nil && ctx.Err() == nil {
					w.log.Error("jobs that ended were not packed", "cause", err)
				}
				if n == packedAtOnce { // there are more
					swept = time.Time{}
					w.wake()
				}
			}
		}
		if _, err := w.service.WakeDue(ctx); err != nil && ctx.Err() == nil {
			w.log.Error("wake-ups failed", "cause", err)
		}
		sleep := longestSleep
		next, err := w.service.NextWake(ctx)
		switch {
		case err != nil && ctx.Err() == nil:
			w.log.Error("the next wake-up can't be read", "cause", err)
		case err == nil && !next.IsZero():
			// At least a moment: a job whose wake-up fails must not make this spin.
			sleep = min(max(next.Sub(w.service.Now()), 50*time.Millisecond), longestSleep)
		}
		timer := time.NewTimer(sleep)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-w.sooner:
		case <-timer.C:
		}
		timer.Stop()
	}
}
