package notify_test

import (
	"context"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// carrier is a channel that does what a test wants.
type carrier func(e *workflow.Entry) (notify.Done, error)

func (carrier) Via() workflow.Via { return "" }

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
			x := notify.New(notify.Config{Service: d.Svc, Channel: carrier(func(*workflow.Entry) (notify.Done, error) { return notify.Done{Record: told}, c.err })})
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
