package redis_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/redis"
	"benchword/workflow/store/redis/redistest"
	"benchword/workflow/store/storetest"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/require"
)

// What is done while a server fails: writers each write one job after the other of their own, and count
// what was acknowledged; all of them also contend for one job, whose versions are a history to be checked.

const shop = workflow.ShopID("harbour")

// load is writers at work until stopped.
type load struct {
	store   workflow.Store
	stop    atomic.Bool
	all     sync.WaitGroup
	mu      sync.Mutex
	acked   map[workflow.JobNumber]int64 // the version that was acknowledged
	count   atomic.Int64
	refused atomic.Int64
	history []porcupine.Operation
	began   time.Time
}

// put is an attempt to write a version over another one: a register that is only set if it is as expected.
type put struct{ expect, version int64 }

// outcome is what came of it: done, refused, or unknown.
type outcome struct {
	read    bool
	version int64 // read
	ok      bool
	unknown bool
}

// register is the model that the shared job is compared with: reads give the last version written, a write
// is done exactly if it expected that version.
var register = porcupine.Model{
	Init: func() any { return int64(0) },
	Step: func(state, input, output any) (bool, any) {
		now, out := state.(int64), output.(outcome)
		if out.read {
			return out.version == now, now
		}
		in := input.(put)
		switch {
		case out.unknown && in.expect == now: // it may have been done; the other branch is a later end
			return true, in.version
		case out.unknown:
			return true, now
		case out.ok:
			return in.expect == now, in.version
		}
		return in.expect != now, now
	},
	Equal: func(a, b any) bool { return a == b },
}

func start(store workflow.Store, writers int) *load {
	l := &load{store: store, acked: map[workflow.JobNumber]int64{}, began: time.Now()}
	for w := range writers {
		l.all.Go(func() { l.own(w) })
		l.all.Go(func() { l.contend(w) })
	}
	return l
}

// own writes jobs of its own, step by step.
func (l *load) own(w int) {
	for n := 0; !l.stop.Load(); n++ {
		h := storetest.NewHistory(shop, storetest.Number(1000*(w+1)+n))
		c := h.Book("Mira Osei", "film scanner", "Hums.")
		for i := 0; i < 4 && !l.stop.Load(); {
			ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
			err := l.store.Commit(ctx, c)
			cancel()
			if errors.Is(err, workflow.ErrConflict) {
				// An earlier try was done after all.
				v, verr := l.store.Version(context.Background(), shop, h.Job)
				if verr == nil && v == c.State.Version {
					err = nil
				}
			}
			if err != nil {
				l.refused.Add(1)
				time.Sleep(5 * time.Millisecond)
				continue
			}
			h.Accept(c)
			l.count.Add(1)
			l.mu.Lock()
			l.acked[h.Job] = h.Version()
			l.mu.Unlock()
			c = h.Note(fmt.Sprint("step ", i))
			i++
		}
	}
}

// contend writes the one job that all write, from whatever version it reads.
func (l *load) contend(w int) {
	ctx := context.Background()
	n := storetest.Number(0)
	for i := 0; !l.stop.Load(); i++ {
		call := time.Since(l.began).Nanoseconds()
		j, err := l.store.Job(ctx, shop, n)
		switch {
		case errors.Is(err, workflow.ErrNotFound):
			j = &workflow.Job{}
		case err != nil:
			time.Sleep(5 * time.Millisecond)
			continue
		}
		l.note(w, call, put{}, outcome{read: true, version: j.Version})
		h := storetest.NewHistory(shop, n)
		var c *workflow.Commit
		if j.Version == 0 {
			c = h.Book("Jo Brandt", "marine radio", "Silent.")
		} else {
			events, err := l.store.Events(ctx, shop, n, 0)
			if err != nil || int64(len(events)) < j.Version {
				continue
			}
			h.Events = events[:j.Version]
			c = h.Note(fmt.Sprintf("writer %d, step %d", w, i))
		}
		call = time.Since(l.began).Nanoseconds()
		err = l.store.Commit(ctx, c)
		out := outcome{ok: err == nil, unknown: err != nil && !errors.Is(err, workflow.ErrConflict)}
		l.note(w, call, put{c.Expect, c.State.Version}, out)
		time.Sleep(2 * time.Millisecond)
	}
}

func (l *load) note(w int, call int64, in put, out outcome) {
	end := time.Since(l.began).Nanoseconds()
	if out.unknown {
		end = 1 << 62 // it may be done at any time after, or never
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	client := w
	if out.unknown {
		client = 1000 + len(l.history) // a client that never heard back
	}
	l.history = append(l.history, porcupine.Operation{ClientId: client, Input: in, Call: call, Output: out, Return: end})
}

// until waits for so many more acknowledged steps.
func (l *load) until(t *testing.T, more int64) {
	t.Helper()
	want := l.count.Load() + more
	require.Eventually(t, func() bool { return l.count.Load() >= want }, 60*time.Second, 5*time.Millisecond, "%d steps were acknowledged, %d tries were not", l.count.Load(), l.refused.Load())
}

// end stops the writers and counts what was acknowledged and is not there.
func (l *load) end(t *testing.T, store workflow.Store) (lost int) {
	t.Helper()
	l.stop.Store(true)
	l.all.Wait()
	for n, version := range l.acked {
		v, err := store.Version(t.Context(), shop, n)
		if errors.Is(err, workflow.ErrNotFound) {
			v = 0
		} else {
			require.NoError(t, err)
		}
		if v < version {
			lost += int(version - v)
		}
		events, err := store.Events(t.Context(), shop, n, 0)
		require.NoError(t, err)
		_, err = workflow.VerifyChain(events)
		require.NoError(t, err)
		require.Len(t, events, int(v))
	}
	t.Logf("%d steps acknowledged, %d tries refused or unknown, %d events of acknowledged steps lost; %d operations on one job", l.count.Load(), l.refused.Load(), lost, len(l.history))
	return lost
}

func (l *load) linearizable(t *testing.T) {
	t.Helper()
	result, _ := porcupine.CheckOperationsVerbose(register, l.history, 30*time.Second)
	require.Equal(t, porcupine.Ok, result, "the history of the one job")
}

// The checker itself must be able to say no: a version that was acknowledged and is gone.
func TestALostWriteIsNoticed(t *testing.T) {
	lost := []porcupine.Operation{
		{ClientId: 0, Input: put{0, 3}, Output: outcome{ok: true}, Call: 0, Return: 1},
		{ClientId: 0, Input: put{}, Output: outcome{read: true, version: 0}, Call: 2, Return: 3},
	}
	require.False(t, porcupine.CheckOperations(register, lost))
	lost[0].Output = outcome{unknown: true}
	lost[1].Output = outcome{read: true, version: 3}
	require.True(t, porcupine.CheckOperations(register, lost))
}

// Killed at any moment (SIGKILL), a server that syncs each change has lost nothing that was acknowledged.
func TestKilledServerLosesNothing(t *testing.T) {
	s := redistest.Start(t)
	x := open(t, redis.Options{URL: s.URL()})
	l := start(x, 4)
	for range 3 {
		l.until(t, 40)
		s.Kill()
		s.Again(t)
	}
	l.until(t, 40)
	require.Zero(t, l.end(t, x))
	l.linearizable(t)
}

// A cut wire between process and server: steps are refused or unknown, none is lost or done twice, and
// everything goes on once it is mended.
func TestCutOffFromTheServer(t *testing.T) {
	s := redistest.Start(t)
	p := redistest.NewProxy(t, s.Addr)
	x := open(t, redis.Options{URL: p.URL()})
	l := start(x, 4)
	for range 3 {
		l.until(t, 30)
		p.Cut()
		require.Eventually(t, func() bool {
			_, err := x.Version(t.Context(), shop, storetest.Number(0))
			return errors.Is(err, workflow.ErrUnavailable)
		}, 30*time.Second, time.Millisecond)
		p.Mend()
	}
	l.until(t, 30)
	require.Zero(t, l.end(t, x))
	l.linearizable(t)
}

// A failover to the replica under load. With WAIT nothing that was acknowledged is lost: every step was on
// the one replica there is before it was acknowledged, and that one is chosen.
func TestFailoverLosesNothingThatReplicasHave(t *testing.T) {
	s := redistest.Start(t)
	redistest.Replica(t, s)
	url, _ := redistest.Sentinel(t, s)
	x := open(t, redis.Options{URL: url, Replicas: 1, Within: 300 * time.Millisecond})
	l := start(x, 4)
	l.until(t, 100)
	s.Kill()
	// After the failover the new primary has no replica, so that nothing more is acknowledged.
	require.Eventually(t, func() bool {
		_, err := x.Version(t.Context(), shop, storetest.Number(0))
		return err == nil
	}, 60*time.Second, 10*time.Millisecond)
	l.stop.Store(true)
	l.all.Wait()
	require.Zero(t, l.end(t, open(t, redis.Options{URL: url})))
	l.linearizable(t)
}

// Without WAIT the same failover loses steps that were acknowledged, if the replica was behind: here it is
// cut off. This is what the setting is for.
func TestFailoverWithoutWaitingLoses(t *testing.T) {
	s := redistest.Start(t)
	wire := redistest.NewProxy(t, s.Addr)
	replica := redistest.ReplicaOver(t, wire.Addr)
	x := open(t, redis.Options{URL: s.URL()})
	l := start(x, 2)
	l.until(t, 20)
	wire.Cut()
	l.until(t, 50)
	l.stop.Store(true)
	l.all.Wait()
	s.Kill()
	c := replica.Client(t)
	require.Eventually(t, func() bool { return c.Do(t.Context(), "replicaof", "no", "one").Err() == nil }, 30*time.Second, 10*time.Millisecond)
	y := open(t, redis.Options{URL: replica.URL()})
	require.Positive(t, l.end(t, y))
}
