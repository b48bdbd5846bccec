package storetest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

// lived fills a store with jobs at every point of their way: running and ended, with entries queued,
// tried, sent and buried, a person forgotten, steps done and keys kept.
func (t *test) lived() []*History {
	var all []*History
	for i := range 7 {
		h := t.bookedIn(shop, 100+i)
		c := h.Write("The lamp has come.")
		c.WakeAt = h.Now.Add(time.Duration(i) * time.Hour)
		c.Once = &workflow.Once{Key: fmt.Sprint("step ", i), Digest: "d", Result: []byte("answer"), Until: h.Now.AddDate(0, 0, i)}
		t.commit(h, c)
		all = append(all, h)
	}
	t.commit(all[1], all[1].Promise(5))
	ended := all[2].Move(workflow.StageShipped)
	t.commit(all[2], ended)
	t.commit(all[3], all[3].Erase())
	claimed, err := t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Now: all[0].Now, Until: all[0].Now.Add(time.Minute), Limit: 4, Lease: "one"})
	require.NoError(t, err)
	require.Len(t, claimed, 4)
	for i, state := range []workflow.EntryState{workflow.EntrySent, workflow.EntryBuried, workflow.EntryQueued} {
		require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{
			Entry: claimed[i].ID, Lease: "one", State: state, RetryAt: all[0].Now.Add(time.Hour), Body: []byte("body"),
			Attempt: workflow.Attempt{At: all[0].Now, Result: "put off", Words: "451 later"},
		}))
	}
	for _, until := range []time.Time{{}, Begin.AddDate(1, 0, 0), Begin.AddDate(-1, 0, 0)} {
		require.NoError(t, t.store.PutKey(t.ctx, shop, "staff", fmt.Sprint("ada", until.Year()), []byte("a\x00\n"), until))
	}
	_, err = t.store.CountKey(t.ctx, shop, "rate", "ada", Begin, Begin.AddDate(0, 1, 0))
	require.NoError(t, err)
	return all
}

func jobsOf(all []*History) (out []workflow.JobNumber) {
	for _, h := range all {
		out = append(out, h.Job)
	}
	return out
}

// carried carries the store's shop to another one and returns what there was of it.
func (t *test) carried(to workflow.Store) store.Tally {
	t.Helper()
	c := store.Carrier{From: t.store, To: to, Shop: shop, Now: func() time.Time { return Begin.Add(2 * time.Minute) }}
	tally, err := c.Pass(t.ctx)
	require.NoError(t, err)
	require.NoError(t, c.Verify(t.ctx))
	return tally
}

// transfer carries a shop from the reference into the store and out of it again; everything that can be seen
// of it stays the same, and it goes on where it was.
func transfer(t *test) {
	own := t.store
	t.store = memory.New()
	all := t.lived()
	// What is in nobody's hands any more is claimed again only once its lease has run out: let it.
	now := all[0].Now.AddDate(0, 0, 1)
	before, reference := look(t, shop, now, jobsOf(all)...), t.store
	first := t.carried(own)
	require.Equal(t, 7, first.Jobs)
	require.Equal(t, 7, first.Links)
	require.Equal(t, 6, first.Steps, "one had run out")
	require.Equal(t, 3, first.Keys, "one had run out")
	require.Equal(t, 7+7+6+3, first.Written)
	require.Empty(t, first.Other)
	require.Equal(t, all[0].Now.Add(time.Minute), first.Leased, "one mail is in somebody's hands")
	again := t.carried(own)
	require.Zero(t, again.Written, "what is there is not written again")

	t.store = own
	free := func(v view) view {
		for _, list := range append([][]workflow.Entry{v.Queued, v.Sent, v.Buried}, v.Entries...) {
			for i := range list {
				list[i].Lease, list[i].LeaseUntil = "", time.Time{}
			}
		}
		v.NextEntry = time.Time{}
		return v
	}
	require.Equal(t, free(before), free(look(t, shop, now, jobsOf(all)...)))
	for _, h := range all {
		t.chain(h)
		for i := range h.Events {
			require.Equal(t, h.Events[i].Data, must(t.store.Events(t.ctx, shop, h.Job, 0))[i].Data)
		}
	}
	out := memory.New()
	t.carried(out)
	for _, s := range []workflow.Store{reference, own, out} {
		for i := range 6 {
			_, err := s.Done(t.ctx, shop, fmt.Sprint("step ", i+1))
			require.NoError(t, err)
		}
	}
	claims := func(s workflow.Store) []workflow.Entry {
		got, err := s.ClaimEntries(t.ctx, shop, workflow.Claim{Now: now, Until: now.Add(time.Minute), Limit: 10, Lease: "two"})
		require.NoError(t, err)
		// In which order they could have been claimed before is not kept where one was leased.
		slices.SortFunc(got, func(a, b workflow.Entry) int { return strings.Compare(a.ID, b.ID) })
		return got
	}
	want := claims(reference)
	require.Equal(t, want, claims(own), "bodies and all, for repeats are of the same bytes")
	require.Equal(t, want, claims(out))

	// It goes on: and what has gone on is not overwritten by what has not.
	h := all[1]
	c := h.Write("It is in.")
	t.commit(h, c)
	t.chain(h)
	back := store.Carrier{From: out, To: own, Shop: shop, Now: func() time.Time { return now }}
	_, err := back.Pass(t.ctx)
	require.ErrorIs(t, err, workflow.ErrConflict)
	// The other way it is brought up to date, and nothing is left of where it stood.
	require.NoError(t, out.DeleteKey(t.ctx, shop, "staff", "ada1"))
	require.NoError(t, out.PutKey(t.ctx, shop, "staff", "eve", []byte("x"), time.Time{}))
	t.carried(out)
	require.ErrorIs(t, second(out.GetKey(t.ctx, shop, "staff", "eve", now)), workflow.ErrNotFound, "what the source has no more goes")
}

// fresher carries a job over an earlier state of itself: its old places in lists, searches and queues go.
func fresher(t *test) {
	own := t.store
	t.store = memory.New()
	h := t.booked(1)
	now := func() time.Time { return h.Now }
	c := store.Carrier{From: t.store, To: own, Shop: shop, Now: now}
	_, err := c.Pass(t.ctx)
	require.NoError(t, err)
	x := h.Write("The lamp has come.")
	x.Index.Text, x.WakeAt, x.Index.DueAt = "another", h.Now.Add(time.Hour), h.Now.Add(time.Hour)
	t.commit(h, x)
	t.commit(h, h.Move(workflow.StageShipped))
	t.commit(h, h.Erase())
	tally, err := c.Pass(t.ctx)
	require.NoError(t, err)
	require.Equal(t, 1, tally.Written)
	require.NoError(t, c.Verify(t.ctx))
	want := look(t, shop, h.Now, h.Job)
	t.store = own
	require.Equal(t, want, look(t, shop, h.Now, h.Job))

	// A history that is another one is not overwritten, and one that is broken is not taken.
	other := memory.New()
	t.store = other
	strange := NewHistory(shop, h.Job)
	t.commit(strange, strange.Book("Somebody Else", "tape echo", "Wobbles."))
	for range 5 {
		t.commit(strange, strange.Note("x"))
	}
	t.store = own
	p, _, err := other.Out(t.ctx, shop, "jobs:")
	require.NoError(t, err)
	require.Len(t, p.Jobs, 1)
	require.ErrorIs(t, own.In(t.ctx, shop, p), workflow.ErrConflict)
	p.Jobs[0].Events[0].Data = append([]byte(nil), p.Jobs[0].Events[0].Data...)
	p.Jobs[0].Events[0].Data[len(p.Jobs[0].Events[0].Data)/2] ^= 1
	require.ErrorContains(t, own.In(t.ctx, shop, p), "does not follow")
	require.Equal(t, want, look(t, shop, h.Now, h.Job))
}

// holding keeps a shop's jobs as they are, and no other shop's.
func holding(t *test) {
	h, elsewhere := t.booked(1), t.bookedIn(other, 2)
	buried := t.booked(3)
	claim := workflow.Claim{Now: h.Now.AddDate(0, 0, 1), Until: h.Now.AddDate(0, 0, 1).Add(time.Minute), Limit: 10, Lease: "one"}
	got, err := t.store.ClaimEntries(t.ctx, shop, claim)
	require.NoError(t, err)
	require.Len(t, got, 2)
	inHand := got[0]
	if inHand.Job != h.Job {
		inHand = got[1]
	}
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: got[0].ID, Lease: "one", State: workflow.EntryQueued, RetryAt: claim.Now}))
	got, err = t.store.ClaimEntries(t.ctx, shop, claim)
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.NoError(t, t.store.Hold(t.ctx, shop, "It is in another store now."))
	why, err := t.store.Held(t.ctx, shop)
	require.NoError(t, err)
	require.Equal(t, "It is in another store now.", why)
	before := look(t, shop, h.Now, h.Job, buried.Job)
	no := func(err error) {
		t.Helper()
		require.ErrorIs(t, err, workflow.ErrUnavailable)
		require.ErrorContains(t, err, why)
	}
	no(t.store.Commit(t.ctx, h.Note("x")))
	fresh := NewHistory(shop, Number(4))
	no(t.store.Commit(t.ctx, fresh.Book("A", "B", "C")))
	_, err = t.store.ClaimEntries(t.ctx, shop, claim)
	no(err)
	no(t.store.Requeue(t.ctx, shop, inHand.ID, claim.Now))
	require.Equal(t, before, look(t, shop, h.Now, h.Job, buried.Job), "it can be read")
	t.commit(elsewhere, elsewhere.Note("x"))
	require.NoError(t, t.store.PutKey(t.ctx, shop, "session", "k", []byte("v"), time.Time{}))
	// What was in somebody's hands can be laid down, with its event or without.
	c := h.Note("sent")
	c.Settle = &workflow.Settlement{Entry: inHand.ID, Lease: "one", State: workflow.EntrySent, Attempt: workflow.Attempt{At: h.Now, Result: "accepted"}}
	t.commit(h, c)
	for _, e := range got {
		if e.ID != inHand.ID {
			require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: "one", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: h.Now, Result: "refused"}}))
		}
	}
	require.NoError(t, t.store.Hold(t.ctx, shop, ""))
	why, err = t.store.Held(t.ctx, shop)
	require.NoError(t, err)
	require.Empty(t, why)
	t.commit(h, h.Note("on"))
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func second[T any](_ T, err error) error { return err }

// sums is everything that a store has of a shop, by its rows.
func sums(t testing.TB, s workflow.Store, shop workflow.ShopID) map[store.Sum]store.Sum {
	t.Helper()
	out := map[store.Sum]store.Sum{}
	require.NoError(t, store.Each(context.Background(), s, shop, func(p *workflow.Part) error {
		store.Rows(p, func(name, sum store.Sum) { out[name] = sum })
		return nil
	}))
	return out
}
