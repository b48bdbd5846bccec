package portal

import (
	"maps"
	"slices"
	"sync"
	"sync/atomic"

	"benchword/workflow"
)

// hub tells open pages that their job changed. A slow reader loses nothing that matters: it holds at
// most one version, the newest, and publishing never waits.
type hub struct {
	mu     sync.Mutex
	subs   map[workflow.JobNumber]map[chan int64]struct{}
	count  int
	live   *atomic.Int64 // open pages of the whole process
	closed bool
}

// maxLive bounds the open live pages of one process.
const maxLive = 20000

func newHub(live *atomic.Int64) *hub {
	return &hub{subs: map[workflow.JobNumber]map[chan int64]struct{}{}, live: live}
}

// subscribe returns a channel of new versions, closed when the hub closes; nil if there is no room.
func (h *hub) subscribe(n workflow.JobNumber) (ch chan int64, leave func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, func() {}
	}
	if h.live.Add(1) > maxLive {
		h.live.Add(-1)
		return nil, func() {}
	}
	ch = make(chan int64, 1)
	if h.subs[n] == nil {
		h.subs[n] = map[chan int64]struct{}{}
	}
	h.subs[n][ch] = struct{}{}
	h.count++
	return ch, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		if _, ok := h.subs[n][ch]; !ok {
			return
		}
		delete(h.subs[n], ch)
		if len(h.subs[n]) == 0 {
			delete(h.subs, n)
		}
		h.count--
		h.live.Add(-1)
	}
}

func (h *hub) publish(n workflow.JobNumber, version int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for ch := range h.subs[n] {
		select {
		case <-ch: // an older version that nobody fetched yet
		default:
		}
		ch <- version
	}
}

// jobs returns those that somebody has a page open of.
func (h *hub) jobs() []workflow.JobNumber {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Collect(maps.Keys(h.subs))
}

// close ends every subscription; no new one is taken.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for _, chans := range h.subs {
		for ch := range chans {
			close(ch)
		}
	}
	h.live.Add(-int64(h.count))
	h.subs, h.count = map[workflow.JobNumber]map[chan int64]struct{}{}, 0
}
