package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"benchword/workflow"
)

// deliver takes one claimed entry to its end: sent, put off, or buried.
func (d *Dispatcher) deliver(ctx context.Context, e *workflow.Entry) {
	log := d.cfg.Log.With("job", e.Job, "notice", e.ID)
	begin := d.now()
	done, err := d.attempt(ctx, e)
	now := d.now()
	var skip *Skip
	var later *Later
	switch {
	case errors.Is(err, ErrLapsed):
		d.away.unused()
		log.Warn("the lease ran out before the attempt was begun; the entry is left to the next claim")
		return
	case errors.As(err, &skip):
		d.away.unused()
		state := workflow.EntrySent
		if skip.Fate == Refused {
			state = workflow.EntryBuried
		}
		var record workflow.Command
		if skip.Record {
			record = done.Command(nil)
		}
		d.settle(ctx, log, e, workflow.Settlement{State: state, Attempt: workflow.Attempt{At: begin, Result: string(skip.Fate), Words: skip.Why}}, record)
		return
	case errors.As(err, &later):
		d.away.unused()
		d.tried(e, later.Fate, 0)
		d.settle(ctx, log, e, workflow.Settlement{State: workflow.EntryQueued, RetryAt: later.Until, Attempt: workflow.Attempt{At: begin, Result: string(later.Fate), Words: later.Why}}, nil)
		return
	}
	var f *Failure
	fate, words := Accepted, done.Words
	if err != nil {
		f = FailureOf(err)
		fate, words = f.Fate, f.Words
		if f.Code != 0 {
			words = fmt.Sprintf("%d %s", f.Code, f.Words)
		}
		log.Warn("a notice was not accepted", "fate", f.Fate, "step", f.Step, "code", f.Code, "words", f.Words, "cause", f.Err)
	}
	var until time.Time
	if d.cfg.Apart || f != nil && f.Step == "" && f.Fate != Unreached {
		d.away.unused() // it says nothing about the server
	} else {
		until = d.away.note(now, f)
	}
	d.tried(e, fate, now.Sub(begin))
	s := workflow.Settlement{State: d.verdict(e, fate, now), Attempt: workflow.Attempt{At: now, Result: string(fate), Words: FirstLine(words)}}
	var cmd workflow.Command
	switch s.State {
	case workflow.EntryQueued:
		s.Body = done.Body
		s.RetryAt = now.Add(d.gap(e, fate))
		if fate == Unreached && until.After(now) {
			s.RetryAt = until
		}
		if at := now.Add(min(f.RetryAfter, MostRetryAfter)); at.After(s.RetryAt) {
			s.RetryAt = at
		}
	case workflow.EntryBuried:
		if fate != Refused {
			s.Attempt.Result = string(GivenUp)
		}
		fallthrough
	default:
		if done.Command != nil {
			cmd = done.Command(f)
		}
	}
	d.settle(ctx, log, e, s, cmd)
}

// attempt has the channel carry an entry. It does not panic.
func (d *Dispatcher) attempt(ctx context.Context, e *workflow.Entry) (done Done, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &Failure{Fate: Unknown, Words: "It failed because of a fault in the program.", Err: panicked(p)}
		}
	}()
	j, err := d.cfg.Service.Job(ctx, e.Job)
	switch {
	case errors.Is(err, workflow.ErrNotFound):
		return done, &Skip{Fate: Gone, Why: "Not sent: the job is gone."}
	case err != nil:
		return done, &Failure{Fate: PutOff, Words: "The job could not be read just now.", Err: err}
	case Lapsed(d.cfg.Service, e):
		return done, ErrLapsed
	}
	return d.cfg.Channel.Attempt(ctx, d.cfg.Service, j, e)
}

// tried tells whoever counts of an attempt.
func (d *Dispatcher) tried(e *workflow.Entry, f Fate, took time.Duration) {
	if d.cfg.Tried != nil {
		d.cfg.Tried(e, f, took)
	}
}

// MostRetryAfter bounds how long a server may ask to be left alone.
const MostRetryAfter = 24 * time.Hour

// verdict says where an entry stands after a try.
func (d *Dispatcher) verdict(e *workflow.Entry, fate Fate, now time.Time) workflow.EntryState {
	switch fate {
	case Accepted, Gone:
		return workflow.EntrySent
	case Refused:
		return workflow.EntryBuried
	case Unwritten:
		if Tries(e, Unwritten) >= unwrittenTries-1 {
			return workflow.EntryBuried
		}
	case PutOff, Unknown:
		for _, a := range current(e) {
			if Fate(a.Result) == PutOff || Fate(a.Result) == Unknown {
				if now.Sub(a.At) >= d.cfg.GiveUpAfter {
					return workflow.EntryBuried
				}
				break
			}
		}
	}
	return workflow.EntryQueued
}

// current returns the tries since the entry was last queued: those before a burial no longer count.
func current(e *workflow.Entry) []workflow.Attempt {
	for i := len(e.Attempts) - 1; i >= 0; i-- {
		if r := Fate(e.Attempts[i].Result); r == Refused || r == GivenUp {
			return e.Attempts[i+1:]
		}
	}
	return e.Attempts
}

// Tries counts the attempts since the entry was last queued that ended in one of the fates.
func Tries(e *workflow.Entry, fates ...Fate) int {
	n := 0
	for _, a := range current(e) {
		if slices.Contains(fates, Fate(a.Result)) {
			n++
		}
	}
	return n
}

// gap is the wait before the next try.
func (d *Dispatcher) gap(e *workflow.Entry, fate Fate) time.Duration {
	n := Tries(e, PutOff, Unknown)
	if fate == Unwritten {
		n = Tries(e, Unwritten)
	}
	if fate == Unreached {
		n = 0
	}
	g := d.cfg.FirstGap
	for range n {
		if g = 3 * g; g >= d.cfg.MostGap {
			g = d.cfg.MostGap
			break
		}
	}
	return d.jitter(g)
}
