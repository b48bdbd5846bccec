package main

import (
	"context"
	"log/slog"
	"time"

	"benchword/workflow/history"
)

// renewer makes the forecast anew where jobs have changed, apart from requests, and not too often: it costs
// some tenths of a second, and a date that is told should not flicker.
type renewer struct {
	forecaster *history.Forecaster
	now        func() time.Time
	log        *slog.Logger
	noted      chan struct{}
	turn       chan struct{} // of all shops of the process one is made at a time
}

func newRenewer(f *history.Forecaster, now func() time.Time, log *slog.Logger, turn chan struct{}) *renewer {
	return &renewer{f, now, log, make(chan struct{}, 1), turn}
}

// note tells the renewer that a job has changed. It never blocks.
func (r *renewer) note() {
	select {
	case r.noted <- struct{}{}:
	default:
	}
}

// A forecast stands at least so long after jobs change, and at most so long where nothing does: the jobs
// on the bench grow older all the same.
const (
	renewAfter = 10 * time.Minute
	renewAlso  = 6 * time.Hour
)

func (r *renewer) run(ctx context.Context) {
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
			return
		case r.turn <- struct{}{}:
		}
		err := r.forecaster.Renew(ctx, r.now())
		<-r.turn
		if err != nil && ctx.Err() == nil {
			r.log.Error("the forecast can't be renewed", "cause", err)
		}
		if wait(ctx, renewAfter, nil) {
			wait(ctx, renewAlso-renewAfter, r.noted)
		}
	}
}

// wait waits for a while, or until told; it reports whether the work goes on.
func wait(ctx context.Context, d time.Duration, told <-chan struct{}) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-told:
	case <-timer.C:
	}
	return true
}
