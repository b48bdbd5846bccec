package workflow

import (
	"cmp"
	"context"
	"time"

	"benchword/workflow/link"
)

// Store keeps everything of a shop but its photos. It is four contracts that one technology
// implements together, since a commit spans the first three and a transfer all of them. storetest holds every implementation to it.
//
// Rules for all methods: values passed in are not kept, values returned are the caller's own; a
// context that ends gives up waiting but never half a commit; an error that is not an [Error] means
// that the outcome is unknown to the caller and logged as internal.
type Store interface {
	Jobs
	Outbox
	Keys
	Transfer
	// Close finishes what was begun and releases the store.
	Close() error
}

// Commit is one atomic step of one job: all of it is there afterwards, or none. There is no moment
// at which an event exists and its notice does not.
type Commit struct {
	Shop ShopID
	Job  JobNumber
	// Expect is the version the decision was taken on: 0 for a new job. If the stored version
	// differs the commit fails with ErrConflict and nothing is written.
	Expect int64
	// Events are numbered Expect+1, Expect+2 … and chained.
	Events []*Event
	// State is the job after the events; its Version is that of the last one.
	State *Job
	// Secrets are the new vault rows.
	Secrets []Secret
	Index   Index
	// Course is the job's course, set by the first commit and where it has changed; nil leaves the one
	// that is there.
	Course  *Course
	Links   []LinkRow
	Notices []Entry
	// WakeAt is the job's next wake-up instant, zero for none. It replaces the one before.
	WakeAt time.Time
	// Settle settles one outbox entry in the same step; it fails with ErrConflict if the lease was
	// lost.
	Settle *Settlement
	// Once, if set, makes the commit happen once for its key; see [Once].
	Once *Once
	// Now is what the clock says, the zero time for State.ChangedAt. It is before that where the clock was set
	// back: history stays in order, and emails don't wait until the old time comes again.
	Now time.Time
	// Hasten lets the job's queued mails be sent from [Commit.SendAt] on, where that is sooner: the
	// customer is there and waits for what comes after them.
	Hasten bool
	// Requeue are entries of the job to put back in the queue at [Commit.SendAt]. One that is not buried
	// (any more) is left as it is.
	Requeue []string
	// Forget removes every vault row of the job that is not in Secrets: the person is erased.
	Forget bool
	// Wipe are digests whose vault rows are removed.
	Wipe []string
}

// SendAt returns the instant from which on what is sent because of the step may be sent.
func (c *Commit) SendAt() time.Time {
	if !c.Now.IsZero() && c.Now.Before(c.State.ChangedAt) {
		return c.Now
	}
	return c.State.ChangedAt
}

// Once names a step so that a repeat of it is not done again. A commit whose key is taken fails with
// *[AlreadyDone] and writes nothing.
type Once struct {
	Key string
	// Digest is that of the request, so that the same key with another request can be told apart.
	Digest string
	// Result is what the first caller answered, kept to answer a repeat.
	Result []byte
	Until  time.Time
}

// AlreadyDone is the error for a step that was done before; it carries the first one.
type AlreadyDone struct{ Once Once }

func (e *AlreadyDone) Error() string { return "already done under key " + e.Once.Key }

// Index is a job's entry in what the counter lists and searches.
type Index struct {
	Stage Stage
	// Ended jobs leave the board.
	Ended bool
	// DueAt is the due instant of the current promise, zero if unknown or the clock stands still.
	DueAt    time.Time
	Breached bool
	// OnHold is the reason of the hold in force.
	OnHold HoldReason
	// Waiting marks a job that waits for the counter: an unanswered question, a buried notice, a warning
	// about its promise.
	Waiting bool
	Title   string // device, as one line
	// Person is the customer's name, "" once erased.
	Person    string
	ChangedAt time.Time
	// Text is what the search looks in: number, names, addresses, serial, device, fault.
	Text string
}

// Row is an index entry as listed.
type Row struct {
	Job JobNumber
	Index
}

// LinkRow is a link as stored: by the hash of its token.
type LinkRow struct {
	Hash    link.Hash
	Job     JobNumber
	ID      string
	Purpose link.Purpose
	// Quote is that of its [LinkGrant].
	Quote int
	// ExpiresAt is zero for a link that was ended for good.
	ExpiresAt time.Time
	Revoked   bool
}

// Ended reports whether the link was ended for good: nothing opens by it any more.
func (l *LinkRow) Ended() bool { return l.ExpiresAt.IsZero() }

// BoardFilter chooses what the board lists.
type BoardFilter struct {
	// Stage limits to one stage, "" for all that have not ended.
	Stage Stage
	// Ended lists those that ended, newest first, instead of those that run.
	Ended bool
	// After continues after this row (keyset paging); nil from the top.
	After *Row
	Limit int
}

// Order compares two rows as they are listed: ended ones by when they changed, the latest first; others by how
// pressing their promise is.
func (f BoardFilter) Order(a, b *Row) int {
	if f.Ended {
		return cmp.Or(b.ChangedAt.Compare(a.ChangedAt), cmp.Compare(a.Job, b.Job))
	}
	first := func(yes bool) int {
		if yes {
			return 0
		}
		return 1
	}
	return cmp.Or(first(a.Breached)-first(b.Breached), first(!a.DueAt.IsZero())-first(!b.DueAt.IsZero()),
		a.DueAt.Compare(b.DueAt), cmp.Compare(a.Job, b.Job))
}

// Jobs is the contract for jobs, links and wake-ups.
type Jobs interface {
	// Commit writes c, or nothing. Errors: ErrConflict, *AlreadyDone.
	Commit(ctx context.Context, c *Commit) error
	// Done returns the step that was done under a key and has not been forgotten since. Error:
	// ErrNotFound.
	Done(ctx context.Context, shop ShopID, key string) (Once, error)
	// Job returns a job as it stands, unsealed. Error: ErrNotFound.
	Job(ctx context.Context, shop ShopID, n JobNumber) (*Job, error)
	// Version returns a job's version only: what a cache asks. Error: ErrNotFound.
	Version(ctx context.Context, shop ShopID, n JobNumber) (int64, error)
	// Events returns a job's events after a sequence number, in order, decoded and unsealed.
	Events(ctx context.Context, shop ShopID, n JobNumber, after int64) ([]*Event, error)
	// Link looks a link up. Error: ErrNotFound. Expiry and revocation are the caller's to judge.
	Link(ctx context.Context, shop ShopID, hash link.Hash) (LinkRow, error)
	// Board lists jobs: running ones by breach first, then due instant (unknown last), then number;
	// ended ones newest first.
	Board(ctx context.Context, shop ShopID, f BoardFilter) ([]Row, error)
	// Search finds jobs whose index text holds every word of the query, the last one as a prefix,
	// without regard to case and accents, most recently changed first.
	Search(ctx context.Context, shop ShopID, query string, limit int) ([]Row, error)
	// Counts returns the number of jobs in each stage that has any.
	Counts(ctx context.Context, shop ShopID) (map[Stage]int, error)
	// Courses lists the courses of all jobs, running and ended, the latest booked first (of those booked in
	// the same millisecond the higher number first), after the one named by BookedAt and Job (keyset
	// paging); nil from the top.
	Courses(ctx context.Context, shop ShopID, after *Course, limit int) ([]Course, error)
	// Due returns the jobs whose wake-up instant is at or before now, the longest overdue first.
	Due(ctx context.Context, shop ShopID, now time.Time, limit int) ([]JobNumber, error)
	// NextWake returns the earliest wake-up instant of the shop, zero if there is none.
	NextWake(ctx context.Context, shop ShopID) (time.Time, error)
}

// Outbox is the queue of notices. Entries of one job that go one way (a lane) are handed out in order:
// while one is queued, those after it wait, leased or not; buried ones do not hold up those after them.
// Lanes wait for nothing in each other.
type Outbox interface {
	// ClaimEntries leases entries of c's channel that may be sent at c.Now and are not leased, oldest
	// first, at most one per lane.
	ClaimEntries(ctx context.Context, shop ShopID, c Claim) ([]Entry, error)
	// SettleEntry ends a claim without touching the job. Error: ErrConflict if the lease was lost.
	SettleEntry(ctx context.Context, shop ShopID, s Settlement) error
	// Entries returns a job's entries in order, without bodies.
	Entries(ctx context.Context, shop ShopID, n JobNumber) ([]Entry, error)
	// EntriesIn lists a state's entries over all jobs, oldest first, without bodies.
	EntriesIn(ctx context.Context, shop ShopID, state EntryState, limit int) ([]Entry, error)
	// Failing returns the entry of a channel, made first, that waits after a try which failed, however many
	// wait before it; nil for none. Of a lane only the first is tried.
	Failing(ctx context.Context, shop ShopID, channel Channel) (*Entry, error)
	// NextEntry returns the earliest instant at which an entry of a channel may be claimed, zero if none is
	// queued.
	NextEntry(ctx context.Context, shop ShopID, channel Channel) (time.Time, error)
	// Requeue puts a buried entry back in the queue at an instant. Error: ErrNotFound.
	Requeue(ctx context.Context, shop ShopID, id string, at time.Time) error
}

// Keys is a small expiring key-value contract for what is not a job: sessions, staff, tokens,
// settled requests, rate counters. Buckets keep the uses apart.
type Keys interface {
	// PutKey writes a value; zero until means for ever.
	PutKey(ctx context.Context, shop ShopID, bucket, key string, value []byte, until time.Time) error
	// PutNewKey writes a value only if the key is not there (or has expired at now); it reports
	// whether it did.
	PutNewKey(ctx context.Context, shop ShopID, bucket, key string, value []byte, now, until time.Time) (bool, error)
	// GetKey returns a value that has not expired at now. Error: ErrNotFound.
	GetKey(ctx context.Context, shop ShopID, bucket, key string, now time.Time) ([]byte, error)
	// DeleteKey removes a key; a key that is not there is no error.
	DeleteKey(ctx context.Context, shop ShopID, bucket, key string) error
	// ListKeys returns a bucket's live keys with their values, by key.
	ListKeys(ctx context.Context, shop ShopID, bucket string, now time.Time) ([]KeyValue, error)
	// CountKey adds one to a counter that starts at zero and forgets at until (set by the first);
	// it returns the new count.
	CountKey(ctx context.Context, shop ShopID, bucket, key string, now, until time.Time) (int64, error)
	// SweepKeys removes what has expired at now.
	SweepKeys(ctx context.Context, shop ShopID, now time.Time) error
}

// KeyValue is one row of a bucket.
type KeyValue struct {
	Key   string
	Value []byte
}
