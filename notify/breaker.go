package notify

import (
	"sync"
	"time"
)

// breaker keeps a mail server that is away from being stormed: after a failure that no mail is to
// blame for, nothing is tried until a growing gap has passed, and then one mail alone tries.
type breaker struct {
	first, most time.Duration
	jitter      func(time.Duration) time.Duration

	mu      sync.Mutex
	since   time.Time // of the first failure, zero while the server is there
	until   time.Time
	gap     time.Duration
	probing bool
	lost    int // lines lost in a row, in the middle of a mail
	words   string
}

// lostLines is how many mails in a row must lose their line before the server counts as away.
const lostLines = 3

// allow returns how many of want mails may be tried now; if none, when to ask again, zero for "when the
// mail that is trying comes back".
func (b *breaker) allow(now time.Time, want int) (n int, again time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.since.IsZero():
		return want, time.Time{}
	case b.probing:
		return 0, time.Time{}
	case now.Before(b.until):
		return 0, b.until
	}
	b.probing = true
	return 1, time.Time{}
}

// tripped reports whether the server counts as away.
func (b *breaker) tripped() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return !b.since.IsZero()
}

// unused returns a permission back for which there was no mail, or whose mail never got to the server.
func (b *breaker) unused() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.probing = false
}

// note learns from one try. It gives when the server will be tried again if it is away.
func (b *breaker) note(now time.Time, f *Failure) (until time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	probe := b.probing
	b.probing = false
	away := false
	switch {
	case f == nil, f.Fate == Refused, f.Fate == PutOff && f.Code != 0:
		// The server is there, whatever it thinks of this mail.
		b.since, b.until, b.gap, b.lost, b.words = time.Time{}, time.Time{}, 0, 0, ""
		return time.Time{}
	case f.Fate == Unreached:
		away = true
	default:
		b.lost++
		away = b.lost >= lostLines
	}
	if !away {
		return b.until
	}
	b.words = FirstLine(f.Words)
	if b.since.IsZero() {
		b.since, b.gap = now, b.first
	} else if probe || !now.Before(b.until) {
		b.gap = min(2*b.gap, b.most)
	} else {
		return b.until // one of several that were on their way when the first failed
	}
	b.until = now.Add(max(b.jitter(b.gap), min(f.RetryAfter, MostRetryAfter)))
	return b.until
}
