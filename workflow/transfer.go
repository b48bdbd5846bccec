package workflow

import (
	"context"
	"encoding/json"
	"time"
)

// Transfer is the contract by which a shop is carried from one store to another, whatever technologies the
// two are of. What is read out is the stored form itself: sealed, hashed, not interpreted, so that nothing
// is lost or made up on the way.
type Transfer interface {
	// Out reads a shop out, part by part: keys, steps, jobs, then links, each in any order. from is "" to
	// begin and then the next of the call before; a next of "" says that this part is the last. Each job is
	// of one moment; parts are not of one moment with each other. What is there from the first call to the
	// last is given at least once.
	Out(ctx context.Context, shop ShopID, from string) (part *Part, next string, err error)
	// In writes a part as it was read, in place of what is there of the same jobs, links, steps and keys.
	// Leases are not kept. A job that has another history here, or a longer one, fails with ErrConflict;
	// links and steps of jobs that are not there are left out. Writing a part again changes nothing. If it
	// fails, some of the part may have been written.
	In(ctx context.Context, shop ShopID, part *Part) error
	// Hold keeps a shop's jobs as they are: until it is called with an empty reason, every Commit that
	// settles no entry, ClaimEntries and Requeue fail with [ErrUnavailable] and say why. What was claimed
	// can still be settled, keys go on, and In is not held up.
	Hold(ctx context.Context, shop ShopID, why string) error
	// Held returns the reason of the hold in force, "" for none.
	Held(ctx context.Context, shop ShopID) (string, error)
}

// Part is some of what a store keeps of a shop.
type Part struct {
	Jobs  []Whole
	Links []LinkRow
	Steps []Step
	Keys  []KeyRow
}

// Whole is all that is kept of a job but its links and steps.
type Whole struct {
	Job JobNumber
	// State and Course are JSON as stored, personal data as digests; Course is nil for none.
	State, Course json.RawMessage
	// Events are all of them, sealed and not decoded.
	Events  []*Event
	Secrets []Secret // by digest
	Index   Index
	// Entries are in order, with their bodies.
	Entries []Entry
	WakeAt  time.Time
}

// Step is a [Once] that was done, with the job it was done to.
type Step struct {
	Job JobNumber
	Once
}

// KeyRow is one row of [Keys].
type KeyRow struct {
	Bucket string
	KeyValue
	Until time.Time // zero for ever
}
