package notify

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"benchword/workflow"
)

// Config wires a [Dispatcher]. Service and Channel are needed; the zero value of all else means its default.
type Config struct {
	Service *workflow.Service
	Channel Channel
	Log     *slog.Logger
	// Apart says that its receivers have servers of their own: that one is away says nothing of the others,
	// so each entry waits by itself.
	Apart bool
	// Off, if set, is asked before anything is claimed: whether nothing may be sent at all.
	Off func(ctx context.Context) (bool, error)
	// Random is where jitter and lease tokens come from; default Service.Random.
	Random io.Reader
	// Workers is how many mails are under way at once; default 4.
	Workers int
	// Lease is how long a claim holds; it must be longer than the transport takes at most. Default
	// 4 min.
	Lease time.Duration
	// FirstGap is the wait after a mail was put off for the first time; each further one is three times
	// as long, up to MostGap, give or take a fifth. Default 1 min and 6 h.
	FirstGap, MostGap time.Duration
	// GiveUpAfter is how long a mail is tried, counted from when it was first put off; default 5 days
	// (RFC 5321, 4.5.4.1: "at least 4-5 days").
	GiveUpAfter time.Duration
	// AwayGap is the wait after the server was found away, doubling up to MostAwayGap. Default 15 s and
	// 15 min.
	AwayGap, MostAwayGap time.Duration
	// Poll is how often the outbox is looked into without being told: another process may have written
	// to it. Default 30 s.
	Poll time.Duration
	// Grace is how long a stop waits for the mails under way; default 20 s.
	Grace time.Duration
	// PerMinute is how many entries are begun in a minute at most, 0 for no limit.
	PerMinute int
	// Tried, if set, is told of every try: for figures. It must not block.
	Tried func(e *workflow.Entry, f Fate, took time.Duration)
}

// Dispatcher sends what is in the outbox. See the package comment for what it promises.
type Dispatcher struct {
	cfg  Config
	away breaker
	wake chan struct{}

	mu     sync.Mutex // guards Random and the pace
	pace   float64    // mails that may begin now
	pacedA time.Time
}

// unwrittenTries is how often a mail that can't be rendered is tried before it is buried.
const unwrittenTries = 3

// New makes a dispatcher; [Dispatcher.Run] sets it going.
func New(cfg Config) *Dispatcher {
	set := func(d *time.Duration, def time.Duration) {
		if *d <= 0 {
			*d = def
		}
	}
	set(&cfg.Lease, 4*time.Minute)
	set(&cfg.FirstGap, time.Minute)
	set(&cfg.MostGap, 6*time.Hour)
	set(&cfg.GiveUpAfter, 5*24*time.Hour)
	set(&cfg.AwayGap, 15*time.Second)
	set(&cfg.MostAwayGap, 15*time.Minute)
	set(&cfg.Poll, 30*time.Second)
	set(&cfg.Grace, 20*time.Second)
	if cfg.Workers <= 0 {
		cfg.Workers = 4
	}
	if cfg.Random == nil {
		cfg.Random = cfg.Service.Random
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if channel := cfg.Channel.Serves(); channel != workflow.Email {
		cfg.Log = cfg.Log.With("way", string(channel))
	}
	d := &Dispatcher{cfg: cfg, wake: make(chan struct{}, 1)}
	d.away.first, d.away.most, d.away.jitter = cfg.AwayGap, cfg.MostAwayGap, d.jitter
	return d
}

// For returns a dispatcher that works as this one does, on another service's outbox.
func (d *Dispatcher) For(s *workflow.Service) *Dispatcher {
	cfg := d.cfg
	cfg.Service = s
	return New(cfg)
}

// Wake tells the dispatcher to look into the outbox now. It never blocks: Service.Committed may call it.
func (d *Dispatcher) Wake() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// Health says whether the mail server is there.
type Health struct {
	// AwaySince is when the server was first found away, zero while it is there; Words says how.
	AwaySince time.Time
	Words     string
	// TryAt is when it is tried again.
	TryAt time.Time
}

// Health returns what the last tries have shown.
func (d *Dispatcher) Health() Health {
	d.away.mu.Lock()
	defer d.away.mu.Unlock()
	return Health{d.away.since, d.away.words, d.away.until}
}

func (d *Dispatcher) now() time.Time { return d.cfg.Service.Now().UTC() }

// Run sends until ctx ends; then it claims nothing more, waits for the mails under way (Grace at most)
// and returns.
func (d *Dispatcher) Run(ctx context.Context) {
	hand, release := context.WithCancel(context.WithoutCancel(ctx))
	defer release()
	back := make(chan struct{}, d.cfg.Workers)
	busy, storeGap := 0, time.Duration(0)
	// What is claimed beyond the hands that are free waits here: a claim is a step of the database, and a
	// batch costs no more than one.
	var ahead []workflow.Entry
	probe := false // what is claimed while the server is away is the one mail that tries
	begin := func(do func(context.Context, *workflow.Entry)) {
		e := ahead[0]
		ahead = ahead[1:]
		busy++
		go func() {
			defer func() { back <- struct{}{} }()
			do(hand, &e)
		}()
	}
	for ctx.Err() == nil {
		var timer <-chan time.Time
		var t *time.Timer
		wait := func(for_ time.Duration) {
			t = time.NewTimer(max(for_, 100*time.Millisecond))
			timer = t.C
		}
		if free := d.cfg.Workers - busy; free > 0 {
			if len(ahead) > 0 {
				if !probe && d.away.tripped() {
					begin(d.putBack)
				} else {
					begin(d.deliver)
				}
				continue
			}
			most := free
			probe = d.away.tripped()
			if d.cfg.PerMinute <= 0 {
				most = free + claimAhead*d.cfg.Workers
			}
			entries, again, err := d.claim(hand, most)
			switch {
			case err != nil:
				storeGap = min(max(2*storeGap, time.Second), time.Minute)
				d.cfg.Log.Error("the outbox can't be read", "cause", err)
				wait(storeGap)
			case len(entries) > 0:
				storeGap, ahead = 0, entries
				continue
			default:
				storeGap = 0
				gap := d.cfg.Poll
				if !again.IsZero() {
					gap = min(gap, again.Sub(d.now()))
				}
				wait(gap)
			}
		}
		select {
		case <-ctx.Done():
		case <-d.wake:
		case <-back:
			busy--
		case <-timer:
		}
		if t != nil {
			t.Stop()
		}
	}
	stop := time.AfterFunc(d.cfg.Grace, release)
	defer stop.Stop()
	for i := range ahead {
		d.giveBack(hand, &ahead[i], ahead[i].NotBefore, "The program was stopped.")
	}
	for ; busy > 0; busy-- {
		<-back
	}
}

// claimAhead is how many entries for each worker are claimed beforehand. They are few, so that a lease
// does not run out while an entry waits for its turn.
const claimAhead = 3

// putBack returns an entry back that was claimed before the server was found away.
func (d *Dispatcher) putBack(ctx context.Context, e *workflow.Entry) {
	d.giveBack(ctx, e, d.Health().TryAt, "The mail server is away.")
}

// giveBack ends a claim without a try, and says why.
func (d *Dispatcher) giveBack(ctx context.Context, e *workflow.Entry, until time.Time, why string) {
	now := d.now()
	if until.Before(now) {
		until = now
	}
	d.settle(ctx, d.cfg.Log.With("job", e.Job, "notice", e.ID), e, workflow.Settlement{
		State: workflow.EntryQueued, RetryAt: until, Attempt: workflow.Attempt{At: now, Result: string(Held), Words: why},
	}, nil)
}

// Flush sends all that may be sent now and returns when nothing is left that may, or when the server
// is away. It is for commands and tests; Run needs no help from it.
func (d *Dispatcher) Flush(ctx context.Context) error {
	for {
		entries, _, err := d.claim(ctx, d.cfg.Workers)
		if err != nil || len(entries) == 0 {
			return err
		}
		var wg sync.WaitGroup
		for i := range entries {
			wg.Go(func() { d.deliver(ctx, &entries[i]) })
		}
		wg.Wait()
	}
}

// claim leases up to most entries. If there are none, again is when to look next, zero for "when told".
func (d *Dispatcher) claim(ctx context.Context, most int) (entries []workflow.Entry, again time.Time, err error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	if d.cfg.Off != nil {
		if off, err := d.cfg.Off(ctx); off || err != nil {
			return nil, time.Time{}, err
		}
	}
	now := d.now()
	n, again := d.away.allow(now, most)
	if n > 0 {
		var paced time.Time
		if n, paced = d.paced(now, n); n == 0 {
			d.away.unused()
			again = paced
		}
	}
	if n == 0 {
		return nil, again, nil
	}
	lease, err := d.token()
	if err == nil {
		entries, err = d.cfg.Service.Claim(ctx, workflow.Claim{Channel: d.cfg.Channel.Serves(), Now: now, Until: now.Add(d.cfg.Lease), Limit: n, Lease: lease})
	}
	d.began(len(entries))
	if err != nil || len(entries) == 0 {
		d.away.unused()
	}
	if err != nil || len(entries) > 0 {
		return entries, time.Time{}, err
	}
	again, err = d.cfg.Service.NextEntry(ctx, d.cfg.Channel.Serves())
	return nil, again, err
}

// paced returns how many of n mails may begin now by the limit on mails a minute, and if none, when.
func (d *Dispatcher) paced(now time.Time, n int) (int, time.Time) {
	if d.cfg.PerMinute <= 0 {
		return n, time.Time{}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	rate := float64(d.cfg.PerMinute) / 60
	if d.pacedA.IsZero() {
		d.pace = 1
	} else if passed := now.Sub(d.pacedA).Seconds(); passed > 0 {
		d.pace = min(d.pace+passed*rate, max(1, rate))
	}
	d.pacedA = now
	if d.pace < 1 {
		return 0, now.Add(time.Duration((1 - d.pace) / rate * float64(time.Second)))
	}
	return min(n, int(d.pace)), time.Time{}
}

func (d *Dispatcher) began(n int) {
	if d.cfg.PerMinute <= 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.pace -= float64(n)
}

func (d *Dispatcher) token() (string, error) {
	var b [16]byte
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := io.ReadFull(d.cfg.Random, b[:]); err != nil {
		return "", fmt.Errorf("drawing a lease: %w", err)
	}
	return hex.EncodeToString(b[:]), nil
}

// jitter returns a duration within a fifth of what is asked.
func (d *Dispatcher) jitter(want time.Duration) time.Duration {
	var b [8]byte
	d.mu.Lock()
	_, err := io.ReadFull(d.cfg.Random, b[:])
	d.mu.Unlock()
	if err != nil {
		return want
	}
	part := time.Duration(binary.LittleEndian.Uint64(b[:]) % 4001)
	return want - want/5 + want/10000*part
}

// settle ends the claim. With a command, event and settlement are one commit. What can't be settled
// stays leased and is claimed again when the lease runs out: a repeat, never a loss.
func (d *Dispatcher) settle(ctx context.Context, log *slog.Logger, e *workflow.Entry, s workflow.Settlement, cmd workflow.Command) {
	// Even a stop that ran out of grace writes down what happened: it is what keeps a mail from being
	// sent twice.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	s.Entry, s.Lease = e.ID, e.Lease
	svc := d.cfg.Service
	gap := 50 * time.Millisecond
	for try := 0; ; try++ {
		var err error
		if cmd != nil {
			_, err = svc.Do(ctx, workflow.Order{
				Job: e.Job, By: workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"},
				Commands: []workflow.Command{cmd}, Settle: &s,
			})
		} else {
			err = svc.Settle(ctx, s)
		}
		switch {
		case err == nil:
			return
		case cmd == nil && errors.Is(err, workflow.ErrConflict):
			log.Warn("the lease was lost to another dispatcher; the email may be sent twice, with one Message-ID", "state", s.State)
			return
		case cmd != nil && errors.Is(err, workflow.ErrConflict) && try < 3:
			continue // lost against another step of the job
		case cmd != nil && workflow.CodeOf(err) != workflow.CodeInternal:
			// The job won't have the event. The entry must be settled all the same, or it would be sent
			// again and again.
			log.Error("a delivery could not be written into the job's history", "cause", err)
			cmd = nil
			continue
		case try >= 8 && cmd != nil && ctx.Err() == nil:
			log.Error("a delivery could not be written into the job's history; the outbox is told all the same", "cause", err)
			cmd, try = nil, 4
			continue
		case try >= 8 || ctx.Err() != nil:
			log.Error("an outbox entry could not be settled; it is claimed again when its lease runs out", "state", s.State, "cause", err)
			return
		}
		time.Sleep(gap)
		gap = min(2*gap, 5*time.Second)
	}
}
