package notify_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/workflow"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

// carrier is a channel that does what a test wants.
type carrier func(e *workflow.Entry) (notify.Done, error)

func (carrier) Serves() workflow.Channel { return workflow.Email }

func (c carrier) Attempt(_ context.Context, _ *workflow.Service, _ *workflow.Job, e *workflow.Entry) (notify.Done, error) {
	return c(e)
}

// What a channel says, and where that leaves its entry.
func TestWhatAChannelSays(t *testing.T) {
	told := func(*notify.Failure) workflow.Command { panic("the job is told nothing") }
	for name, c := range map[string]struct {
		err    error
		state  workflow.EntryState
		result notify.Fate
		away   bool
	}{
		"skipped, and nobody need see to it": {&notify.Skip{Fate: notify.Gone, Why: "No."}, workflow.EntrySent, notify.Gone, false},
		"skipped, and seen":                  {&notify.Skip{Fate: notify.Refused, Why: "No."}, workflow.EntryBuried, notify.Refused, false},
		"not yet":                            {&notify.Later{Fate: notify.Held, Until: time.Date(2026, 11, 3, 8, 0, 0, 0, time.UTC), Why: "Night."}, workflow.EntryQueued, notify.Held, false},
		"nobody there":                       {&notify.Failure{Fate: notify.Unreached, Words: "Away."}, workflow.EntryQueued, notify.Unreached, true},
		"an error without a fate":            {context.DeadlineExceeded, workflow.EntryQueued, notify.PutOff, false},
	} {
		t.Run(name, func(t *testing.T) {
			d := notifytest.NewDesk(t, notifytest.NewClock(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC)).Now)
			n := d.Book()
			x := notify.New(notify.Config{Service: d.Svc, Channel: carrier(func(*workflow.Entry) (notify.Done, error) { return notify.Done{Command: told}, c.err })})
			require.NoError(t, x.Flush(t.Context()))
			e := d.Entries(n)[0]
			require.Equal(t, c.state, e.State)
			require.Len(t, e.Attempts, 1)
			require.Equal(t, string(c.result), e.Attempts[0].Result)
			require.Equal(t, c.away, !x.Health().AwaySince.IsZero())
			if e.State == workflow.EntryQueued {
				require.True(t, e.NotBefore.After(d.Svc.Now()))
			}
		})
	}
}

// A lease that ran out on the way is left to the next claim, without a word.
func TestALapsedLeaseIsLeft(t *testing.T) {
	clock := notifytest.NewClock(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
	d := notifytest.NewDesk(t, clock.Now)
	n := d.Book()
	lapsed := true
	x := notify.New(notify.Config{Service: d.Svc, Channel: carrier(func(*workflow.Entry) (notify.Done, error) {
		if lapsed {
			return notify.Done{}, notify.ErrLapsed
		}
		return notify.Done{}, nil
	})})
	require.NoError(t, x.Flush(t.Context()))
	require.Empty(t, d.Entries(n)[0].Attempts)
	lapsed = false
	clock.Move(5 * time.Minute)
	require.NoError(t, x.Flush(t.Context()))
	require.Equal(t, workflow.EntrySent, d.Entries(n)[0].State)
}

// An email that is put off is tried for as long as it says, and given up at the end of that very time.
func TestGivenUpWhenItsTimeIsOver(t *testing.T) {
	for _, c := range []struct {
		after time.Duration
		state workflow.EntryState
	}{{5*24*time.Hour - time.Millisecond, workflow.EntryQueued}, {5 * 24 * time.Hour, workflow.EntryBuried}} {
		clock := notifytest.NewClock(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
		d := notifytest.NewDesk(t, clock.Now)
		n := d.Book()
		x := notify.New(notify.Config{Service: d.Svc, Channel: carrier(func(*workflow.Entry) (notify.Done, error) {
			return notify.Done{}, &notify.Failure{Fate: notify.PutOff, Words: "Later."}
		})})
		require.NoError(t, x.Flush(t.Context()))
		clock.Move(c.after)
		require.NoError(t, x.Flush(t.Context()))
		require.Len(t, d.Entries(n)[0].Attempts, 2)
		require.Equal(t, c.state, d.Entries(n)[0].State, c.after)
	}
}

// stumbling fails to settle the first time.
type stumbling struct {
	*memory.Store
	failed bool
}

func (s *stumbling) SettleEntry(ctx context.Context, shop workflow.ShopID, x workflow.Settlement) error {
	if !s.failed {
		s.failed = true
		return errors.New("the disk is full")
	}
	return s.Store.SettleEntry(ctx, shop, x)
}

// A settlement that fails is tried again: the entry is not left to be sent once more.
func TestASettlementIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &stumbling{Store: memory.New()}
		svc := notifytest.Service(t, store, time.Now, notifytest.NewDice(3))
		j, err := svc.Do(t.Context(), workflow.Order{By: workflow.Actor{Role: workflow.RoleCustomer}, Commands: []workflow.Command{
			workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@example.org"}, Kind: "film scanner", Fault: "stops"},
		}})
		require.NoError(t, err)
		x := notify.New(notify.Config{Service: svc, Channel: carrier(func(*workflow.Entry) (notify.Done, error) { return notify.Done{}, nil })})
		require.NoError(t, x.Flush(t.Context()))
		require.True(t, store.failed)
		entries, err := svc.Entries(t.Context(), j.Number)
		require.NoError(t, err)
		require.Equal(t, workflow.EntrySent, entries[0].State)
	})
}
