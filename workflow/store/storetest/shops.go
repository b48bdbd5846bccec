package storetest

import (
	"context"
	"maps"
	"reflect"
	"slices"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// rich is a shop that has something for every method of the contract to find.
type rich struct {
	jobs           []workflow.JobNumber
	look           workflow.LinkRow
	leased, buried string // entries
	commit         *workflow.Commit
	now            time.Time
}

// asked are the methods of the contract, each asked for what the rich shop has, in the name of a shop. A
// new method of [workflow.Store] without a line here fails the test.
var asked = map[string]func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error){
	"Board": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		running, err := s.Board(ctx, shop, workflow.BoardFilter{Limit: 10})
		if err != nil {
			return nil, err
		}
		booked, err := s.Board(ctx, shop, workflow.BoardFilter{Stage: workflow.StageBooked, Limit: 10})
		if err != nil {
			return nil, err
		}
		ended, err := s.Board(ctx, shop, workflow.BoardFilter{Ended: true, Limit: 10})
		return []int{len(running), len(booked), len(ended)}, err
	},
	"ClaimEntries": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.ClaimEntries(ctx, shop, workflow.Claim{Now: x.now, Until: x.now.Add(time.Hour), Limit: 10, Lease: "new"})
		return ids(got), err
	},
	"Commit": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		c := *x.commit
		c.Shop = shop
		return nil, s.Commit(ctx, &c)
	},
	"CountKey": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.CountKey(ctx, shop, "rate", "ada", x.now, x.now.Add(time.Hour))
	},
	"Counts": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		got, err := s.Counts(ctx, shop)
		return len(got), err
	},
	"Courses": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		got, err := s.Courses(ctx, shop, nil, 10)
		return len(got), err
	},
	"DeleteKey": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return nil, s.DeleteKey(ctx, shop, "staff", "leaves")
	},
	"Done": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return s.Done(ctx, shop, "once")
	},
	"Due": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.Due(ctx, shop, x.now.AddDate(1, 0, 0), 10)
		return len(got), err
	},
	"Entries": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.Entries(ctx, shop, x.jobs[0])
		return ids(got), err
	},
	"EntriesIn": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		var all []string
		for _, state := range []workflow.EntryState{workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried} {
			got, err := s.EntriesIn(ctx, shop, state, 10)
			if err != nil {
				return nil, err
			}
			all = append(all, ids(got)...)
		}
		return all, nil
	},
	"Events": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.Events(ctx, shop, x.jobs[0], 0)
		return len(got), err
	},
	"Failing": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.Failing(ctx, shop, "effect")
		return got == nil, err
	},
	"GetKey": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.GetKey(ctx, shop, "staff", "ada", x.now)
	},
	"Held": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return s.Held(ctx, shop)
	},
	"Hold": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		if err := s.Hold(ctx, shop, "It is being transferred."); err != nil {
			return nil, err
		}
		why, err := s.Held(ctx, shop)
		if err != nil {
			return nil, err
		}
		return why, s.Hold(ctx, shop, "")
	},
	"In": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return nil, s.In(ctx, shop, &workflow.Part{Keys: []workflow.KeyRow{{Bucket: "staff", KeyValue: workflow.KeyValue{Key: "ada", Value: []byte("transferred in")}}}})
	},
	"Job": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.Job(ctx, shop, x.jobs[0])
	},
	"Link": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.Link(ctx, shop, x.look.Hash)
	},
	"ListKeys": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		got, err := s.ListKeys(ctx, shop, "session", x.now)
		return len(got), err
	},
	"NextEntry": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return s.NextEntry(ctx, shop, "")
	},
	"NextWake": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return s.NextWake(ctx, shop)
	},
	"Out": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		jobs, links, steps, from := 0, 0, 0, ""
		for {
			part, next, err := s.Out(ctx, shop, from)
			if err != nil {
				return nil, err
			}
			jobs, links, steps = jobs+len(part.Jobs), links+len(part.Links), steps+len(part.Steps)
			if from = next; next == "" {
				return []int{jobs, links, steps}, nil
			}
		}
	},
	"PutKey": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		return nil, s.PutKey(ctx, shop, "staff", "ada", []byte("of another"), time.Time{})
	},
	"PutNewKey": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.PutNewKey(ctx, shop, "staff", "olga", []byte("of another"), x.now, time.Time{})
	},
	"Requeue": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return nil, s.Requeue(ctx, shop, x.buried, x.now)
	},
	"Search": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, _ *rich) (any, error) {
		got, err := s.Search(ctx, shop, "mira osei", 10)
		return len(got), err
	},
	"SettleEntry": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return nil, s.SettleEntry(ctx, shop, workflow.Settlement{Entry: x.leased, Lease: "held", State: workflow.EntrySent, Attempt: workflow.Attempt{At: x.now, Result: "accepted"}})
	},
	"SweepKeys": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return nil, s.SweepKeys(ctx, shop, x.now.AddDate(1, 0, 0))
	},
	"Version": func(ctx context.Context, s workflow.Store, shop workflow.ShopID, x *rich) (any, error) {
		return s.Version(ctx, shop, x.jobs[0])
	},
}

// shopless are methods that no shop is named to.
var shopless = []string{"Close"}

// silent are methods that answer nothing by which one shop could be told from another.
var silent = []string{"DeleteKey", "Hold", "In", "PutKey", "SweepKeys"}

// everyMethodApart asks every method of the contract in the name of another shop for what one shop has: it
// gets what a shop gets that nobody has ever heard of, and changes nothing there.
func everyMethodApart(t *test) {
	var methods []string
	contract := reflect.TypeFor[workflow.Store]()
	for i := range contract.NumMethod() {
		if name := contract.Method(i).Name; !slices.Contains(shopless, name) {
			methods = append(methods, name)
		}
	}
	require.Equal(t, methods, slices.Sorted(maps.Keys(asked)), "each method of workflow.Store needs a line in asked, which tries it for another shop")

	x := t.rich()
	state := func() []any {
		olga, _ := t.store.GetKey(t.ctx, shop, "staff", "olga", x.now)
		done, gone := t.store.Done(t.ctx, shop, "once")
		sessions, err := t.store.ListKeys(t.ctx, shop, "session", x.now)
		require.NoError(t, err)
		row, err := t.store.Link(t.ctx, shop, x.look.Hash)
		require.NoError(t, err)
		held, err := t.store.Held(t.ctx, shop)
		require.NoError(t, err)
		return []any{held, look(t, shop, x.now, x.jobs...), olga, done, kind(gone), sessions, row}
	}
	for _, name := range methods {
		if name == "Held" {
			require.NoError(t, t.store.Hold(t.ctx, shop, "It is being transferred."))
		}
		before := state()
		nobody, err := asked[name](t.ctx, t.store, "hall", x)
		answer := []any{nobody, kind(err)}
		theirs, err := asked[name](t.ctx, t.store, other, x)
		require.Equal(t, answer, []any{theirs, kind(err)}, "%s tells one shop from another that has nothing either", name)
		require.Equal(t, before, state(), "%s changes what another shop has", name)
		own, err := asked[name](t.ctx, t.store, shop, x)
		if !slices.Contains(silent, name) {
			require.NotEqual(t, answer, []any{own, kind(err)}, "%s would find nothing in its own shop either, so this tries nothing", name)
		}
		if name == "Held" {
			require.NoError(t, t.store.Hold(t.ctx, shop, ""))
		}
	}
}

func (t *test) rich() *rich {
	a, b, c := t.booked(1), t.booked(2), t.booked(3)
	x := &rich{jobs: []workflow.JobNumber{a.Job, b.Job, c.Job}, now: Begin.Add(time.Hour)}

	first := a.Write("The lamp has come.")
	first.Once = &workflow.Once{Key: "once", Digest: "d", Result: []byte("r"), Until: x.now.AddDate(0, 0, 1)}
	failing := TellBy(first, workflow.NoticeMessage, "effect").ID
	t.commit(a, first)
	look := NewHistory(shop, Number(4))
	booked := look.Book("Mira Osei", "film scanner", "Hums.")
	x.look = booked.Links[0]
	t.commit(look, booked)
	x.jobs = append(x.jobs, look.Job)
	wakes := b.Still()
	wakes.WakeAt = x.now
	t.commit(b, wakes)
	x.commit = a.Note("One more.")

	// One entry is held, one buried; those of the other jobs may be claimed.
	held, err := t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Now: x.now, Until: x.now.Add(time.Hour), Limit: 2, Lease: "held"})
	require.NoError(t, err)
	require.Len(t, held, 2)
	_, err = t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Channel: "effect", Now: x.now, Until: x.now.Add(time.Hour), Limit: 1, Lease: "effect"})
	require.NoError(t, err)
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: failing, Lease: "effect", State: workflow.EntryQueued, RetryAt: x.now.Add(time.Hour), Attempt: workflow.Attempt{At: x.now, Result: "put off"}}))
	x.leased, x.buried = held[0].ID, held[1].ID
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: x.buried, Lease: "held", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: x.now, Result: "refused"}}))

	for _, key := range []string{"ada", "leaves", "olga"} {
		require.NoError(t, t.store.PutKey(t.ctx, shop, "staff", key, []byte(key), time.Time{}))
	}
	require.NoError(t, t.store.PutKey(t.ctx, shop, "session", "s", []byte("ada"), x.now.Add(time.Hour)))
	for range 3 {
		_, err := t.store.CountKey(t.ctx, shop, "rate", "ada", x.now, x.now.Add(time.Hour))
		require.NoError(t, err)
	}
	return x
}
