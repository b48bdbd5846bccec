// Package storetest holds every implementation of [workflow.Store] to its contract. It is one suite;
// each implementation runs all of it.
//
//	func TestStore(t *testing.T) {
//		storetest.Run(t, func(t testing.TB) workflow.Store { return memory.New() })
//	}
//
// A store that keeps what it was given beyond its life runs [Durable] as well.
//
// # Decisions
//
//   - 2026-11-27: Every method of [workflow.Store] is tried for another shop, by reflection (shops.go): it
//     must answer as it does for a shop nobody has heard of. TestNoShopReachesAnother does the same over all
//     routes, for two shops whose jobs, people, link ids and link keys are the same.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

const (
	shop  workflow.ShopID = "harbour"
	other workflow.ShopID = "hillside"
)

// test is one test with its store.
type test struct {
	*testing.T
	store workflow.Store
	ctx   context.Context
}

// Run holds the stores that open returns to the whole contract. Every call of open must return an empty
// store and see to its end.
func Run(t *testing.T, open func(t testing.TB) workflow.Store) {
	for _, x := range []struct {
		name string
		run  func(t *test)
	}{
		{"a job comes back as it was committed", jobComesBack},
		{"what is passed in is not kept, what is returned is the caller's", nothingShared},
		{"a stale version is refused", staleVersion},
		{"of many writers on one job one wins at a time", manyWriters},
		{"many writers on many jobs", manyJobs},
		{"a refused commit leaves nothing", refusedLeavesNothing},
		{"a commit that makes no sense is refused", senselessCommit},
		{"a step is done once for its key", doneOnce},
		{"the board is in order and pages", board},
		{"stages are counted", counts},
		{"courses are listed and page", courses},
		{"search finds words", search},
		{"search takes anything", searchHostile},
		{"search lists the most recent first", searchOrder},
		{"links", links},
		{"wake-ups", wakeUps},
		{"deciding at the same time", deciding},
		{"entries come in order, one a job", outboxOrder},
		{"a lease keeps others away until it runs out", outboxLeases},
		{"a lost lease settles nothing", outboxFencing},
		{"a settlement stands with its event", outboxSettleWithEvent},
		{"entries put off, buried and put back", outboxFates},
		{"a commit puts entries back in the queue", outboxRequeueWithEvent},
		{"entries that wait are hastened", outboxHastened},
		{"each way has an order of its own", outboxLanes},
		{"entries are listed without bodies", outboxLists},
		{"what fails is found wherever it stands", outboxFailing},
		{"many dispatchers share the queue", outboxShared},
		{"keys", keys},
		{"keys expire", keysExpire},
		{"facts about staff, and who was erased", facts},
		{"counters", counters},
		{"many counters at once", countersShared},
		{"a person is forgotten", forget},
		{"a shop sees nothing of another", isolation},
		{"a shop is transferred in and out", transfer},
		{"a job takes the place of an earlier one of its own", fresher},
		{"a shop is held", holding},
		{"no method reaches into another shop", everyMethodApart},
		{"an ended context", endedContext},
		{"a closed store", closedStore},
	} {
		t.Run(x.name, func(t *testing.T) {
			x.run(&test{t, open(t), t.Context()})
		})
	}
	t.Run("any sequence does as the reference does", func(t *testing.T) { machine(t, open(t)) })
}

// Durable holds a store to keeping what it was given: reopen closes a store and opens what it left.
func Durable(t *testing.T, open func(t testing.TB) workflow.Store, reopen func(t testing.TB, s workflow.Store) workflow.Store) {
	x := &test{t, open(t), t.Context()}
	h := x.booked(1)
	c := h.Write("The lamp has come.")
	c.WakeAt = h.Now
	c.Once = &workflow.Once{Key: "k", Digest: "d", Result: []byte("r"), Until: h.Now.AddDate(0, 0, 1)}
	x.commit(h, c)
	require.NoError(t, x.store.PutKey(x.ctx, shop, "staff", "ada", []byte("x"), time.Time{}))
	_, err := x.store.CountKey(x.ctx, shop, "rate", "ada", h.Now, h.Now.Add(time.Hour))
	require.NoError(t, err)
	_, err = x.store.ClaimEntries(x.ctx, shop, workflow.Claim{Now: h.Now, Until: h.Now.Add(time.Minute), Limit: 1, Lease: "one"})
	require.NoError(t, err)

	before := look(x, shop, h.Now, h.Job)
	x.store = reopen(t, x.store)
	require.Equal(t, before, look(x, shop, h.Now, h.Job))
	require.ErrorAs(t, x.store.Commit(x.ctx, c), new(*workflow.AlreadyDone))
	x.commit(h, h.Note("Goes on."))
	n, err := x.store.CountKey(x.ctx, shop, "rate", "ada", h.Now, h.Now)
	require.NoError(t, err)
	require.Equal(t, int64(2), n)
	require.NoError(t, x.store.SettleEntry(x.ctx, shop, workflow.Settlement{Entry: before.Entries[0][0].ID, Lease: "one", State: workflow.EntrySent}), "a lease outlives its dispatcher")
}

// booked returns the n-th job, booked.
func (t *test) booked(n int) *History { return t.bookedIn(shop, n) }

func (t *test) bookedIn(shop workflow.ShopID, n int) *History {
	t.Helper()
	h := NewHistory(shop, Number(n))
	t.commit(h, h.Book("Mira Osei", "film scanner", "Hums, then stops."))
	return h
}

// commit writes a commit that must be accepted.
func (t *test) commit(h *History, c *workflow.Commit) {
	t.Helper()
	require.NoError(t, t.store.Commit(t.ctx, c))
	h.Accept(c)
}

// chain checks that what the store holds of a job is whole: numbered, chained, and leading to the state.
func (t *test) chain(h *History) *workflow.Job {
	t.Helper()
	j, err := t.store.Job(t.ctx, h.Shop, h.Job)
	require.NoError(t, err)
	events, err := t.store.Events(t.ctx, h.Shop, h.Job, 0)
	require.NoError(t, err)
	head, err := workflow.VerifyChain(events)
	require.NoError(t, err)
	require.Equal(t, head, j.Head)
	require.Equal(t, int64(len(events)), j.Version)
	v, err := t.store.Version(t.ctx, h.Shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, j.Version, v)
	return j
}

// kind names what came of a call in a way that is the same for every implementation.
func kind(err error) string {
	var done *workflow.AlreadyDone
	switch {
	case err == nil:
		return "ok"
	case errors.As(err, &done):
		return fmt.Sprintf("already done: %s %s %q %s", done.Once.Key, done.Once.Digest, done.Once.Result, done.Once.Until)
	}
	return string(workflow.CodeOf(err))
}

// view is everything that a shop's store shows.
type view struct {
	Versions             map[workflow.JobNumber]int64
	Jobs                 []*workflow.Job
	Events               [][]*workflow.Event
	Entries              [][]workflow.Entry
	Running, Ended       []workflow.Row
	Stages               map[workflow.Stage][]workflow.Row
	Counts               map[workflow.Stage]int
	Courses              []workflow.Course
	Due                  []workflow.JobNumber
	NextWake, NextEntry  time.Time
	Queued, Sent, Buried []workflow.Entry
	Keys                 []workflow.KeyValue
	Found                map[string][]workflow.Row
}

// look reads everything that can be read of some jobs, keys of the bucket "staff", and what a few
// searches find.
func look(t *test, shop workflow.ShopID, now time.Time, jobs ...workflow.JobNumber) view {
	t.Helper()
	v := view{Versions: map[workflow.JobNumber]int64{}, Stages: map[workflow.Stage][]workflow.Row{}, Found: map[string][]workflow.Row{}}
	var err error
	ok := func(e error) {
		t.Helper()
		require.NoError(t, e)
	}
	for _, n := range jobs {
		j, err := t.store.Job(t.ctx, shop, n)
		if err != nil {
			require.ErrorIs(t, err, workflow.ErrNotFound)
			_, err = t.store.Version(t.ctx, shop, n)
			require.ErrorIs(t, err, workflow.ErrNotFound)
			continue
		}
		v.Jobs = append(v.Jobs, j)
		v.Versions[n], err = t.store.Version(t.ctx, shop, n)
		ok(err)
		events, err := t.store.Events(t.ctx, shop, n, 0)
		ok(err)
		entries, err := t.store.Entries(t.ctx, shop, n)
		ok(err)
		v.Events, v.Entries = append(v.Events, events), append(v.Entries, entries)
	}
	v.Running, err = t.store.Board(t.ctx, shop, workflow.BoardFilter{Limit: 100})
	ok(err)
	v.Ended, err = t.store.Board(t.ctx, shop, workflow.BoardFilter{Ended: true, Limit: 100})
	ok(err)
	for _, s := range []workflow.Stage{workflow.StageBooked, workflow.StageShipped} {
		v.Stages[s], err = t.store.Board(t.ctx, shop, workflow.BoardFilter{Stage: s, Limit: 100})
		ok(err)
	}
	v.Counts, err = t.store.Counts(t.ctx, shop)
	ok(err)
	v.Courses, err = t.store.Courses(t.ctx, shop, nil, 100)
	ok(err)
	v.Due, err = t.store.Due(t.ctx, shop, now, 100)
	ok(err)
	v.NextWake, err = t.store.NextWake(t.ctx, shop)
	ok(err)
	v.NextEntry, err = t.store.NextEntry(t.ctx, shop, "")
	ok(err)
	for state, to := range map[workflow.EntryState]*[]workflow.Entry{workflow.EntryQueued: &v.Queued, workflow.EntrySent: &v.Sent, workflow.EntryBuried: &v.Buried} {
		*to, err = t.store.EntriesIn(t.ctx, shop, state, 100)
		ok(err)
	}
	v.Keys, err = t.store.ListKeys(t.ctx, shop, "staff", now)
	ok(err)
	for _, q := range []string{"o", "halden", "osei hums", "lamp"} {
		v.Found[q], err = t.store.Search(t.ctx, shop, q, 100)
		ok(err)
	}
	return v
}

func numbers(rows []workflow.Row) []workflow.JobNumber {
	var out []workflow.JobNumber
	for _, r := range rows {
		out = append(out, r.Job)
	}
	return out
}

func ids(entries []workflow.Entry) []string {
	var out []string
	for _, e := range entries {
		out = append(out, e.ID)
	}
	return out
}

func sorted(n ...workflow.JobNumber) []workflow.JobNumber {
	slices.Sort(n)
	return n
}

func hash(s string) (h link.Hash) {
	copy(h[:], s)
	return h
}
