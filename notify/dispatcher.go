package notify

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"benchword/workflow"
)

// Transport delivers a built mail. Send gives the server's words of acceptance or an error that holds
// a *[Failure]; any other error counts as [PutOff].
type Transport interface {
	Send(ctx context.Context, m *Mail) (words string, err error)
}

// Composer renders and builds a notice. For a mail that is tried for the first time the job is as it stood when
// the notice was made, with the customer, links and photos as they are now; else it is as it is now. If the
// entry has a Body, that is an earlier mail of it that may have arrived, and the new one replies to it. The
// same job and entry must give the same bytes.
type Composer interface {
	Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Mail, error)
}

// Config wires a [Dispatcher]. Service, Transport and Composer are needed; the zero value of all else
// means its default.
type Config struct {
	Service   *workflow.Service
	Transport Transport
	Composer  Composer
	Log       *slog.Logger
	// Via is the channel that it serves; "" is mail.
	Via workflow.Via
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
	// PerMinute is how many mails are begun in a minute at most, 0 for no limit.
	PerMinute int
	// PerDomain is how many mails are begun in a minute for addresses of one domain at most, 0 for no
	// limit. One that is over it takes the next free place and lets others pass.
	PerDomain int
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
	places map[string]time.Time // by domain, the next free place
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
	if cfg.Via != "" {
		cfg.Log = cfg.Log.With("way", string(cfg.Via))
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

// Health gives what the last tries have shown.
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
			if d.cfg.PerMinute <= 0 && d.cfg.PerDomain <= 0 {
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

// putBack gives an entry back that was claimed before the server was found away.
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
	store, shop := d.cfg.Service.Store, d.cfg.Service.Shop.ID
	lease, err := d.token()
	if err == nil {
		entries, err = store.ClaimEntries(ctx, shop, workflow.Claim{Via: d.cfg.Via, Now: now, Until: now.Add(d.cfg.Lease), Limit: n, Lease: lease})
	}
	d.began(len(entries))
	if err != nil || len(entries) == 0 {
		d.away.unused()
	}
	if err != nil || len(entries) > 0 {
		return entries, time.Time{}, err
	}
	again, err = store.NextEntry(ctx, shop, d.cfg.Via)
	return nil, again, err
}

// paced gives how many of n mails may begin now by the limit on mails a minute, and if none, when.
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

// jitter gives a duration within a fifth of what is asked.
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

// place gives when a mail for this domain may begin: now, or at a place of its own.
func (d *Dispatcher) place(now time.Time, domain string) time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.places) > 1000 {
		maps.DeleteFunc(d.places, func(_ string, t time.Time) bool { return t.Before(now) })
	}
	at := d.places[domain]
	if at.Before(now) {
		at = now
	}
	if d.places == nil {
		d.places = map[string]time.Time{}
	}
	d.places[domain] = at.Add(time.Minute / time.Duration(d.cfg.PerDomain))
	return at
}

// errLater says that an entry is not tried yet, until when, and why.
type errLater struct {
	fate  Fate
	until time.Time
	why   string
}

func (e errLater) Error() string { return e.why }

// ready holds back what may not be sent now: at night what nobody asked for, and what is over its
// domain's limit.
func (d *Dispatcher) ready(j *workflow.Job, e *workflow.Entry) error {
	now := d.now()
	if n := j.Notice(e.ID); n != nil && !n.Asked {
		if at := d.cfg.Service.Shop.Awake(&j.Customer, now); at.After(now) {
			return errLater{Held, at, "It is night where the customer is."}
		}
	}
	if n := len(e.Attempts); d.cfg.PerDomain <= 0 || n > 0 && Fate(e.Attempts[n-1].Result) == Paced {
		return nil
	}
	domain := strings.ToLower(domainOf(j.Customer.Email.Text))
	if at := d.place(now, domain); at.After(now) {
		return errLater{Paced, at, "Enough mails have gone to this domain in this minute."}
	}
	return nil
}

// errSkip says that an entry is not to be sent and why; it is settled without a word to the job.
type errSkip struct{ why string }

func (e errSkip) Error() string { return e.why }

// deliver takes one claimed entry to its end: sent, put off, or buried.
func (d *Dispatcher) deliver(ctx context.Context, e *workflow.Entry) {
	log := d.cfg.Log.With("job", e.Job, "notice", e.ID)
	begin := d.now()
	m, err := d.prepare(ctx, e)
	var skip errSkip
	if errors.As(err, &skip) {
		d.away.unused()
		state, fate := workflow.EntryBuried, Refused
		if d.cfg.Via != "" { // nobody needs to see to it
			state, fate = workflow.EntrySent, Gone
		}
		d.settle(ctx, log, e, workflow.Settlement{State: state, Attempt: workflow.Attempt{At: begin, Result: string(fate), Words: skip.why}}, nil)
		return
	}
	var later errLater
	if errors.As(err, &later) {
		d.away.unused()
		if d.cfg.Tried != nil {
			d.cfg.Tried(e, later.fate, 0)
		}
		d.settle(ctx, log, e, workflow.Settlement{State: workflow.EntryQueued, RetryAt: later.until, Attempt: workflow.Attempt{At: begin, Result: string(later.fate), Words: later.why}}, nil)
		return
	}
	var words string
	if err == nil {
		if !d.now().Before(e.LeaseUntil) {
			d.away.unused()
			log.Warn("the lease ran out before the mail was begun; it is left to the next claim")
			return
		}
		words, err = d.send(ctx, m)
	}
	now := d.now()
	var f *Failure
	var until time.Time
	if err != nil {
		f = FailureOf(err)
	}
	if f != nil && (f.Fate == Unwritten || m == nil) || d.cfg.Apart {
		d.away.unused()
	} else {
		until = d.away.note(now, f)
	}
	fate := Accepted
	if f != nil {
		fate, words = f.Fate, f.Words
		if f.Code != 0 {
			words = fmt.Sprintf("%d %s", f.Code, f.Words)
		}
		log.Warn("a mail was not accepted", "fate", f.Fate, "step", f.Step, "code", f.Code, "words", f.Words, "cause", f.Err)
	}
	if d.cfg.Tried != nil {
		d.cfg.Tried(e, fate, now.Sub(begin))
	}
	s := workflow.Settlement{State: workflow.EntryQueued, Attempt: workflow.Attempt{At: now, Result: string(fate), Words: firstLine(words)}}
	told := workflow.RecordDelivery{ID: e.ID}
	var record workflow.Command
	if m != nil {
		told.With = m.With
	}
	switch d.verdict(e, fate, now) {
	case workflow.EntrySent:
		s.State, record = workflow.EntrySent, told
		if fate == Gone && m != nil {
			record = m.Gone
		}
	case workflow.EntryBuried:
		s.State = workflow.EntryBuried
		if fate != Refused {
			s.Attempt.Result = string(GivenUp)
		}
		if d.cfg.Via == "" {
			told.Buried = f.reason()
		}
		record = told
	default:
		s.RetryAt = now.Add(d.gap(e, fate))
		if fate == Unreached && until.After(now) {
			s.RetryAt = until
		}
		if f.RetryAfter > 0 {
			s.RetryAt = latest(s.RetryAt, now.Add(min(f.RetryAfter, mostRetryAfter)))
		}
		if m != nil && d.cfg.Via == "" && fate == Unknown {
			s.Body = m.keep()
		}
	}
	if _, mail := record.(workflow.RecordDelivery); mail && d.cfg.Via != "" {
		record = nil // a job's history tells of mails
	}
	d.settle(ctx, log, e, s, record)
}

// mostRetryAfter bounds how long a server may ask to be left alone.
const mostRetryAfter = 24 * time.Hour

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// verdict says where an entry stands after a try.
func (d *Dispatcher) verdict(e *workflow.Entry, fate Fate, now time.Time) workflow.EntryState {
	switch fate {
	case Accepted, Gone:
		return workflow.EntrySent
	case Refused:
		return workflow.EntryBuried
	case Unwritten:
		if tries(e, Unwritten) >= unwrittenTries-1 {
			return workflow.EntryBuried
		}
	case PutOff, Unknown:
		for _, a := range current(e) {
			if Fate(a.Result) == PutOff || Fate(a.Result) == Unknown {
				if now.Sub(a.At) >= d.cfg.GiveUpAfter {
					return workflow.EntryBuried
				}
				break
			}
		}
	}
	return workflow.EntryQueued
}

// current gives the tries since the entry was last queued: those before a burial no longer count.
func current(e *workflow.Entry) []workflow.Attempt {
	for i := len(e.Attempts) - 1; i >= 0; i-- {
		if r := Fate(e.Attempts[i].Result); r == Refused || r == GivenUp {
			return e.Attempts[i+1:]
		}
	}
	return e.Attempts
}

// tries counts the current tries that ended in one of the fates.
func tries(e *workflow.Entry, fates ...Fate) int {
	n := 0
	for _, a := range current(e) {
		if slices.Contains(fates, Fate(a.Result)) {
			n++
		}
	}
	return n
}

// tried reports whether the entry has been on its way before, or found the server away.
func tried(e *workflow.Entry) bool {
	return slices.ContainsFunc(e.Attempts, func(a workflow.Attempt) bool {
		return !slices.Contains([]Fate{Held, Paced, Unwritten}, Fate(a.Result))
	})
}

// gap is the wait before the next try.
func (d *Dispatcher) gap(e *workflow.Entry, fate Fate) time.Duration {
	n := tries(e, PutOff, Unknown)
	if fate == Unwritten {
		n = tries(e, Unwritten)
	}
	if fate == Unreached {
		n = 0
	}
	g := d.cfg.FirstGap
	for range n {
		if g = 3 * g; g >= d.cfg.MostGap {
			g = d.cfg.MostGap
			break
		}
	}
	return d.jitter(g)
}

// prepare gives the mail of an entry: the one that was kept, or a new one. It does not panic.
func (d *Dispatcher) prepare(ctx context.Context, e *workflow.Entry) (m *Mail, err error) {
	defer func() {
		if p := recover(); p != nil {
			d.cfg.Log.Error("writing a mail panicked", "notice", e.ID, "cause", p, "stack", string(debug.Stack()))
			m, err = nil, &Failure{Fate: Unwritten, Words: "The mail could not be written.", Err: fmt.Errorf("panic: %v", p)}
		}
	}()
	svc := d.cfg.Service
	j, err := svc.Job(ctx, e.Job)
	switch {
	case errors.Is(err, workflow.ErrNotFound):
		return nil, errSkip{"Not sent: the job is gone."}
	case err != nil:
		return nil, &Failure{Fate: PutOff, Words: "The job could not be read just now.", Err: err}
	case d.cfg.Via != "":
		if m, err = d.cfg.Composer.Compose(ctx, j, e); err != nil {
			return nil, unwritten(err)
		}
		return m, nil
	case !j.Erased.IsZero():
		return nil, errSkip{"Not sent: the person was erased from the job."}
	case j.Customer.Email.Text == "":
		return nil, &Failure{Fate: Refused, Words: "The customer has no mail address any more"}
	}
	if err := d.ready(j, e); err != nil {
		return nil, err
	}
	if tries(e, Unknown) == 0 {
		e.Body = nil // an earlier version kept what was put off, too
	}
	if m, err := kept(e.Body); err == nil && !m.withdrawn(j, d.now()) {
		return m, nil
	}
	told, with := j.Told(e)
	if !tried(e) {
		if j, err = d.asOf(ctx, j, told[len(told)-1]); err != nil {
			return nil, &Failure{Fate: PutOff, Words: "The job's history could not be read just now.", Err: err}
		}
	}
	if m, err = d.cfg.Composer.Compose(ctx, j, e); err == nil {
		m.With = with
	}
	if err != nil {
		return nil, unwritten(err)
	}
	return m, nil
}

// unwritten makes a failure of what a composer gave, unless that says itself what is to become of the entry.
func unwritten(err error) error {
	var f *Failure
	var skip errSkip
	var wait errLater
	switch {
	case errors.As(err, &f), errors.As(err, &skip), errors.As(err, &wait):
		return err
	}
	return &Failure{Fate: Unwritten, Words: "The mail could not be written.", Err: err}
}

// asOf returns the job as it stood when the notice (the last one of a mail) was made, so that what a crash
// repeats says the same; but with the customer, links and photos as they are now: a mail goes to the
// corrected address, holds no link that was taken back, and shows no photo that was removed.
func (d *Dispatcher) asOf(ctx context.Context, now *workflow.Job, e workflow.Entry) (*workflow.Job, error) {
	store := d.cfg.Service.Store
	after, err := store.Events(ctx, now.Shop, now.Number, e.Seq)
	if err != nil {
		return nil, err
	}
	end := commitEnd(after, e.ID)
	if end == len(after) {
		return now, nil
	}
	events, err := store.Events(ctx, now.Shop, now.Number, 0)
	if err != nil {
		return nil, err
	}
	n := min(int(e.Seq)+end, len(events))
	then, err := workflow.Replay(events[:n])
	if err != nil {
		return nil, err
	}
	then.Customer, then.Links = now.Customer, now.Links
	for i := range then.Photos {
		for _, p := range now.Photos {
			if p.ID == then.Photos[i].ID {
				then.Photos[i] = p
			}
		}
	}
	return then, nil
}

// commitEnd gives how many of the events that come after a notice's own belong to its commit. A commit
// ends with the events that say which notices it made, and no commit begins with one.
func commitEnd(after []*workflow.Event, id string) int {
	made := func(i int) (string, bool) {
		p, ok := after[i].Payload.(*workflow.NoticeMade)
		if !ok {
			return "", false
		}
		return p.ID, true
	}
	for i := range after {
		if x, ok := made(i); !ok || x != id {
			continue
		}
		for i++; i < len(after); i++ {
			if _, ok := made(i); !ok {
				break
			}
		}
		return i
	}
	return len(after)
}

// send hands the mail to the transport. It does not panic.
func (d *Dispatcher) send(ctx context.Context, m *Mail) (words string, err error) {
	defer func() {
		if p := recover(); p != nil {
			d.cfg.Log.Error("sending a mail panicked", "mail", m.ID, "cause", p, "stack", string(debug.Stack()))
			err = &Failure{Fate: Unknown, Words: "Sending the mail failed because of a fault in the program.", Err: fmt.Errorf("panic: %v", p)}
		}
	}()
	return d.cfg.Transport.Send(ctx, m)
}

// settle ends the claim. With a record, event and settlement are one commit. What can't be settled
// stays leased and is claimed again when the lease runs out: a repeat, never a loss.
func (d *Dispatcher) settle(ctx context.Context, log *slog.Logger, e *workflow.Entry, s workflow.Settlement, record workflow.Command) {
	// Even a stop that ran out of grace writes down what happened: it is what keeps a mail from being
	// sent twice.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	s.Entry, s.Lease = e.ID, e.Lease
	svc := d.cfg.Service
	gap := 50 * time.Millisecond
	for try := 0; ; try++ {
		var err error
		if record != nil {
			_, err = svc.Do(ctx, workflow.Order{
				Job: e.Job, By: workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"},
				Commands: []workflow.Command{record}, Settle: &s,
			})
		} else {
			err = svc.Store.SettleEntry(ctx, svc.Shop.ID, s)
		}
		switch {
		case err == nil:
			return
		case record == nil && errors.Is(err, workflow.ErrConflict):
			log.Warn("the lease was lost to another dispatcher; the mail may be sent twice, with one Message-ID", "state", s.State)
			return
		case record != nil && errors.Is(err, workflow.ErrConflict) && try < 3:
			continue // lost against another step of the job
		case record != nil && workflow.CodeOf(err) != workflow.CodeInternal:
			// The job won't have the event. The entry must be settled all the same, or it would be sent
			// again and again.
			log.Error("a delivery could not be written into the job's history", "cause", err)
			record = nil
			continue
		case try >= 8 && record != nil && ctx.Err() == nil:
			log.Error("a delivery could not be written into the job's history; the outbox is told all the same", "cause", err)
			record, try = nil, 4
			continue
		case try >= 8 || ctx.Err() != nil:
			log.Error("an outbox entry could not be settled; it is claimed again when its lease runs out", "state", s.State, "cause", err)
			return
		}
		time.Sleep(gap)
		gap = min(2*gap, 5*time.Second)
	}
}
