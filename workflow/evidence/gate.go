package evidence

import (
	"container/list"
	"context"
	"sync"
)

// gate lets through as much as it holds; who asks first goes first, so a large one is not starved.
type gate struct {
	mu    sync.Mutex
	free  int64
	queue list.List // of *waiting
}

type waiting struct {
	n     int64
	ready chan struct{}
}

// enter waits for n, which must not be more than the gate ever has, or for ctx.
func (g *gate) enter(ctx context.Context, n int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	g.mu.Lock()
	if g.queue.Len() == 0 && g.free >= n {
		g.free -= n
		g.mu.Unlock()
		return nil
	}
	w := &waiting{n, make(chan struct{})}
	e := g.queue.PushBack(w)
	g.mu.Unlock()
	select {
	case <-w.ready:
		return nil
	case <-ctx.Done():
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	select {
	case <-w.ready: // it came just now: hand it on
		g.free += n
	default:
		g.queue.Remove(e)
	}
	g.admit()
	return ctx.Err()
}

// leave releases n.
func (g *gate) leave(n int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.free += n
	g.admit()
}

func (g *gate) admit() {
	for e := g.queue.Front(); e != nil; e = g.queue.Front() {
		w := e.Value.(*waiting)
		if w.n > g.free {
			return
		}
		g.free -= w.n
		g.queue.Remove(e)
		close(w.ready)
	}
}
