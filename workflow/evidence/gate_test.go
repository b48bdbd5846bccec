package evidence

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func TestGate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gate{free: 10}
		var order []string
		var mu sync.Mutex
		use := func(name string, n int64, wait, hold time.Duration) {
			time.Sleep(wait)
			if err := g.enter(t.Context(), n); err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			order = append(order, name)
			mu.Unlock()
			time.Sleep(hold)
			g.leave(n)
		}
		var wg sync.WaitGroup
		wg.Go(func() { use("six", 6, 0, 10*time.Second) })
		wg.Go(func() { use("ten", 10, time.Second, time.Second) })
		wg.Go(func() { use("four", 4, 2*time.Second, time.Second) }) // would fit, but came after ten
		wg.Wait()
		require.Equal(t, []string{"six", "ten", "four"}, order)
		require.EqualValues(t, 10, g.free)
	})
}

func TestGateGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gate{free: 4}
		require.NoError(t, g.enter(t.Context(), 3))
		ctx, end := context.WithTimeout(t.Context(), time.Second)
		defer end()
		behind := make(chan error)
		go func() {
			time.Sleep(time.Millisecond)
			behind <- g.enter(t.Context(), 1) // stands behind the large one
		}()
		require.ErrorIs(t, g.enter(ctx, 4), context.DeadlineExceeded)
		require.NoError(t, <-behind, "when the large one gave up, the small one went in")
		g.leave(1)
		g.leave(3)
		require.EqualValues(t, 4, g.free)
		require.Zero(t, g.queue.Len())
		require.ErrorIs(t, g.enter(ctx, 1), context.DeadlineExceeded)
		require.EqualValues(t, 4, g.free)
	})
}
