package workflow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"reflect"
	"slices"
	"time"

	"benchword/workflow/link"
)

// Service loads a job, decides commands on it, and commits what follows from them: events, notices,
// links, index and wake-up in one step. It is safe for concurrent use.
type Service struct {
	Shop  *Shop
	Links *link.Maker
	// Now returns the time; nothing else in this package reads a clock.
	Now func() time.Time
	// Random is a cryptographic source, safe for concurrent use.
	Random io.Reader
	Log    *slog.Logger
	// Pictures is where photos lie, nil where there are none.
	Pictures Pictures
	// Kept are the places beside photos and drafts where bytes made from a job lie: kept pages, pictures drawn.
	Kept []Kept
	// Forgotten is the list of who was erased, nil for none.
	Forgotten Forgotten
	// Risk, if set, estimates whether promises will be missed.
	Risk RiskOf
	// Committed, if set, is told of every commit that was acknowledged. It must not block.
	Committed func(j *Job, notices int)

	store   Store // nobody outside of this package reaches it but through the service
	trouble *trouble
}

// On returns a service like s that keeps its shop in store.
func (s Service) On(store Store) *Service {
	s.store, s.trouble = store, &trouble{}
	return &s
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
	// Seen is the version that whoever asks has looked at, 0 for none: the step is refused if something has
	// happened since that changes what they saw. What became of notices does not.
	Seen int64
	// Once makes the step happen once for its key.
	Once *Once
	// Settle settles an outbox entry in the same step.
	Settle *Settlement
	// Result, if set, computes what Once keeps as the answer.
	Result func(j *Job) []byte
}

// retries bounds how often a step that loses against others is decided again.
const retries = 20

// Do takes a step and returns the job as it then stands. Errors: those of the commands, ErrNotFound,
// ErrConflict (Expect does not hold), *[AlreadyDone].
func (s *Service) Do(ctx context.Context, o Order) (*Job, error) {
	for _, c := range o.Commands {
		if err := forbid(c, o.By.Role); err != nil {
			return nil, err
		}
	}
	if o.Once != nil {
		// A repeat is told so before the job is looked at: it may have moved on since, by this very step.
		now := s.Now()
		switch once, err := s.Done(ctx, o.Once.Key); {
		case err == nil && (once.Until.IsZero() || now.Before(once.Until)):
			return nil, &AlreadyDone{once}
		case err == nil: // too long ago to be a repeat: forgotten, but not swept away yet
			if err := s.Sweep(ctx); err != nil {
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
			if once, missing := s.Done(ctx, o.Once.Key); missing == nil {
				return nil, &AlreadyDone{once}
			}
		}
		if !errors.Is(err, ErrConflict) || o.Expect != 0 || o.Settle != nil && try > 2 || try >= retries {
			return j, err
		}
		var e *Error
		if errors.As(err, &e) && !e.lost {
			return j, err // a command's own word on it, not the store's
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
}

// Try decides on a step without taking it, and returns the job as it would then stand: what a preview
// shows. Nothing is stored, no notice is made; links that the step would give out open nothing.
func (s *Service) Try(ctx context.Context, o Order) (*Job, error) {
	for _, c := range o.Commands {
		if err := forbid(c, o.By.Role); err != nil {
			return nil, err
		}
	}
	j, err := s.begin(ctx, o.Job)
	if err != nil {
		return nil, err
	}
	if _, err := s.decide(j, o.By, o.Commands); err != nil {
		return nil, err
	}
	return j, nil
}

const conflictMessage = "Somebody else changed this job a moment ago. Please look at it again; what you typed is still here."

// changed is the refusal of a step that was asked for on a job as it is not any more.
func changed(cause error) *Error {
	return &Error{Code: CodeConflict, Reason: "conflict", Message: conflictMessage, Err: cause}
}

// Conflict is the error of a commit whose expected version does not hold. Stores return it.
func Conflict(cause error) error {
	e := changed(cause)
	e.lost = true
	return e
}

// begin returns the job that a step is taken on, a new one where it has no number yet.
func (s *Service) begin(ctx context.Context, n JobNumber) (*Job, error) {
	if n != "" {
		return s.Job(ctx, n)
	}
	n, err := NewJobNumber(s.Random)
	return &Job{Shop: s.Shop.ID, Number: n}, err
}

func (s *Service) try(ctx context.Context, o Order) (*Job, error) {
	j, err := s.begin(ctx, o.Job)
	if err != nil {
		return nil, err
	}
	if o.Expect != 0 && j.Version != o.Expect {
		return nil, Conflict(fmt.Errorf("version %d expected, %d found", o.Expect, j.Version))
	}
	if o.Seen != 0 && j.Version != o.Seen {
		events, err := s.store.Events(ctx, s.Shop.ID, o.Job, o.Seen)
		if err != nil {
			return nil, err
		}
		for _, e := range events {
			if !slices.Contains(quiet, e.Kind()) {
				return nil, changed(fmt.Errorf("version %d seen, %d found", o.Seen, j.Version))
			}
		}
	}
	expect, was := j.Version, j.Course()
	t, err := s.decide(j, o.By, o.Commands)
	if err != nil {
		return nil, err
	}
	if len(t.events) == 0 && o.Settle == nil {
		return j, nil
	}
	now := s.Now().UTC().Truncate(time.Millisecond)
	notices, hasten, err := t.notices(max(0, t.now.Sub(now)))
	if err != nil {
		return nil, err
	}
	c := &Commit{
		Shop: s.Shop.ID, Job: j.Number, Expect: expect, Events: t.events, State: j, Secrets: t.secrets,
		Index: j.index(s.Shop), Links: t.rows, Notices: notices, WakeAt: t.wakeAt(), Settle: o.Settle,
		Forget: t.forget, Wipe: t.wipe, Hasten: hasten, Requeue: t.requeue, Now: now,
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
	err = s.store.Commit(ctx, c)
	s.trouble.note(ctx, s.Now(), err)
	if err != nil {
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
		if err := j.lets(by, c, now); err != nil {
			return nil, err
		}
		if err := c.decide(t); err != nil {
			return nil, err
		}
	}
	if err := t.retell(); err != nil {
		return nil, err
	}
	return t, t.noteRisk(s.Risk)
}

// Job returns a job as it stands. Error: ErrNotFound.
func (s *Service) Job(ctx context.Context, n JobNumber) (*Job, error) {
	j, err := s.store.Job(ctx, s.Shop.ID, n)
	if errors.Is(err, ErrDamaged) {
		s.trouble.note(ctx, s.Now(), err)
	}
	return j, err
}

// Version returns a job's version only: what a cache asks. Error: ErrNotFound.
func (s *Service) Version(ctx context.Context, n JobNumber) (int64, error) {
	return s.store.Version(ctx, s.Shop.ID, n)
}

// Events returns a job's events after a sequence number, in order; none for a job that is not there.
func (s *Service) Events(ctx context.Context, n JobNumber, after int64) ([]*Event, error) {
	return s.store.Events(ctx, s.Shop.ID, n, after)
}

// Done returns the step that was done under a key and has not been forgotten since. Error: ErrNotFound.
func (s *Service) Done(ctx context.Context, key string) (Once, error) {
	return s.store.Done(ctx, s.Shop.ID, key)
}

// Board lists jobs, in the order of [Jobs]. Those sent back include the ones whose parcel nobody has heard of.
func (s *Service) Board(ctx context.Context, f BoardFilter) ([]Row, error) {
	rows, err := s.store.Board(ctx, s.Shop.ID, f)
	if err != nil || f.Stage != StageShipped {
		return rows, err
	}
	f.Stage = StageUnarrived
	more, err := s.store.Board(ctx, s.Shop.ID, f)
	rows = slices.SortedFunc(slices.Values(append(rows, more...)), func(a, b Row) int { return f.Order(&a, &b) })
	return rows[:min(len(rows), max(f.Limit, 0))], err
}

// Search finds jobs by words, the most recently changed first. A job number finds its job in whatever way
// people read it out.
func (s *Service) Search(ctx context.Context, query string, limit int) ([]Row, error) {
	if n, err := ParseJobNumber(query); err == nil {
		if _, err := s.Version(ctx, n); err == nil {
			query = string(n)
		}
	}
	return s.store.Search(ctx, s.Shop.ID, query, limit)
}

// Counts returns the number of jobs in each stage that has any.
func (s *Service) Counts(ctx context.Context) (map[Stage]int, error) {
	return s.store.Counts(ctx, s.Shop.ID)
}

// NextWake returns the earliest wake-up instant of the shop, zero if there is none.
func (s *Service) NextWake(ctx context.Context) (time.Time, error) {
	return s.store.NextWake(ctx, s.Shop.ID)
}

// Entries returns a job's outbox entries in order, without bodies.
func (s *Service) Entries(ctx context.Context, n JobNumber) ([]Entry, error) {
	return s.store.Entries(ctx, s.Shop.ID, n)
}

// EntriesIn lists a state's outbox entries over all jobs, oldest first, without bodies.
func (s *Service) EntriesIn(ctx context.Context, state EntryState, limit int) ([]Entry, error) {
	return s.store.EntriesIn(ctx, s.Shop.ID, state, limit)
}

// Claim leases outbox entries as [Outbox] says.
func (s *Service) Claim(ctx context.Context, c Claim) ([]Entry, error) {
	return s.store.ClaimEntries(ctx, s.Shop.ID, c)
}

// Settle ends a claim without touching the job. Error: ErrConflict if the lease was lost.
func (s *Service) Settle(ctx context.Context, x Settlement) error {
	return s.store.SettleEntry(ctx, s.Shop.ID, x)
}

// Failing returns the entry of a channel, made first, that waits after a try which failed, nil for none.
func (s *Service) Failing(ctx context.Context, channel Channel) (*Entry, error) {
	return s.store.Failing(ctx, s.Shop.ID, channel)
}

// NextEntry returns the earliest instant at which an entry of a channel may be claimed, zero if none is queued.
func (s *Service) NextEntry(ctx context.Context, channel Channel) (time.Time, error) {
	return s.store.NextEntry(ctx, s.Shop.ID, channel)
}
