package portal

import (
	"maps"
	"slices"
	"sync"

	"benchword/workflow"
)

// hub tells open pages that their job changed. A slow reader loses nothing that matters: it holds at
// most one version, the newest, and publishing never waits.
type hub struct {
	mu     sync.Mutex
	subs   map[workflow.JobNumber]map[chan int64]struct{}
	live   *openPages
	closed bool
}

// How many live pages may be open at once: in one process, by one link (a family's tabs and telephones), and
// from one network (an office, or all that a telephone company has behind one address).
const (
	maxLive        = 20000
	maxLiveLink    = 20
	maxLiveNetwork = 500
)

// opener is whom open pages are counted by: a link of a shop, or a network.
type opener struct{ link, network string }

// openPages counts the open live pages of the whole process.
type openPages struct {
	mu                  sync.Mutex
	all                 int
	by                  map[opener]int
	perLink, perNetwork int
}

func newOpenPages() *openPages {
	return &openPages{by: map[opener]int{}, perLink: maxLiveLink, perNetwork: maxLiveNetwork}
}

// enter counts one more page of its openers; false if that is too many.
func (p *openPages) enter(by ...opener) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all >= maxLive {
		return false
	}
	for _, o := range by {
		most := p.perNetwork
		if o.link != "" {
			most = p.perLink
		}
		if p.by[o] >= most {
			return false
		}
	}
	p.all++
	for _, o := range by {
		p.by[o]++
	}
	return true
}

func (p *openPages) leave(by ...opener) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.all--
	for _, o := range by {
		if p.by[o]--; p.by[o] <= 0 {
			delete(p.by, o)
		}
	}
}

func newHub(live *openPages) *hub {
	return &hub{subs: map[workflow.JobNumber]map[chan int64]struct{}{}, live: live}
}

// subscribe returns a channel of new versions, closed when the hub closes; nil if there is no room. Whoever got
// one leaves.
func (h *hub) subscribe(n workflow.JobNumber, by ...opener) (ch chan int64, leave func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || !h.live.enter(by...) {
		return nil, func() {}
	}
	ch = make(chan int64, 1)
	if h.subs[n] == nil {
		h.subs[n] = map[chan int64]struct{}{}
	}
	h.subs[n][ch] = struct{}{}
	return ch, sync.OnceFunc(func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.live.leave(by...)
		delete(h.subs[n], ch)
		if len(h.subs[n]) == 0 {
			delete(h.subs, n)
		}
	})
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
	h.subs = map[workflow.JobNumber]map[chan int64]struct{}{}
}
