// Package memory is the reference store: everything in maps under one lock, nothing clever, nothing
// kept once the process ends. It is what the other stores are compared with, and what tests and
// trials run on.
//
// Jobs are kept in their stored form (canonical JSON with digests in place of personal data, the
// texts in a vault beside it), so that what comes back is what would come back from a disk.
package memory

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/store"
)

// Store keeps jobs, outbox and keys in memory. Make one with [New]. It is safe for concurrent use.
type Store struct {
	mu    sync.Mutex
	shops map[workflow.ShopID]*shop
	done  bool
}

var _ workflow.Store = (*Store)(nil)

type shop struct {
	jobs  map[workflow.JobNumber]*job
	links map[link.Hash]workflow.LinkRow
	once  map[string]done
	keys  map[bucketKey]value
	held  string
}

// kept refuses what would change a job while the shop is held.
func (p *shop) kept() error {
	if p.held != "" {
		return fmt.Errorf("%w: %s", workflow.ErrUnavailable, p.held)
	}
	return nil
}

type job struct {
	version int64
	state   []byte
	course  []byte // JSON, nil for none
	vault   map[string]workflow.Secret
	events  []*workflow.Event
	index   workflow.Index
	wakeAt  time.Time
	entries []*workflow.Entry // by Seq, then ID
}

type done struct {
	workflow.Once
	job workflow.JobNumber
}

type bucketKey struct{ bucket, key string }

type value struct {
	bytes []byte
	until time.Time
}

func (v value) live(now time.Time) bool { return v.until.IsZero() || now.Before(v.until) }

// New makes an empty store.
func New() *Store { return &Store{shops: map[workflow.ShopID]*shop{}} }

var errClosed = errors.New("the store is closed")

// open takes the lock and returns the shop's part; the caller unlocks.
func (s *Store) open(ctx context.Context, id workflow.ShopID) (*shop, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	if s.done {
		s.mu.Unlock()
		return nil, errClosed
	}
	p := s.shops[id]
	if p == nil {
		p = &shop{
			jobs: map[workflow.JobNumber]*job{}, links: map[link.Hash]workflow.LinkRow{},
			once: map[string]done{}, keys: map[bucketKey]value{},
		}
		s.shops[id] = p
	}
	return p, nil
}

// Close ends the store; what it held is gone.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.done, s.shops = true, map[workflow.ShopID]*shop{}
	return nil
}

// cut returns an instant as stores keep it: UTC, whole milliseconds.
func cut(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return time.UnixMilli(t.UnixMilli()).UTC()
}

func notFound(what string) error {
	return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such " + what + "."}
}

// Commit writes c, or nothing.
func (s *Store) Commit(ctx context.Context, c *workflow.Commit) error {
	if err := store.Check(c); err != nil {
		return err
	}
	state, err := json.Marshal(c.State)
	if err != nil {
		return fmt.Errorf("commit of %s: %w", c.Job, err)
	}
	var course []byte
	if c.Course != nil {
		if course, err = json.Marshal(c.Course); err != nil {
			return fmt.Errorf("commit of %s: %w", c.Job, err)
		}
	}
	p, err := s.open(ctx, c.Shop)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()

	if c.Settle == nil {
		if err := p.kept(); err != nil {
			return err
		}
	}
	// Look first, write after: nothing below the checks can fail.
	if c.Once != nil {
		if d, ok := p.once[c.Once.Key]; ok {
			d.Result = bytes.Clone(d.Result)
			return &workflow.AlreadyDone{Once: d.Once}
		}
	}
	j := p.jobs[c.Job]
	switch {
	case j == nil && c.Expect != 0:
		return workflow.Conflict(fmt.Errorf("version %d of %s expected, there is no such job", c.Expect, c.Job))
	case j != nil && j.version != c.Expect:
		return workflow.Conflict(fmt.Errorf("version %d of %s expected, %d found", c.Expect, c.Job, j.version))
	}
	var claimed *workflow.Entry
	if c.Settle != nil {
		if claimed, err = p.claimed(c.Settle); err != nil {
			return err
		}
	}
	if j == nil {
		j = &job{vault: map[string]workflow.Secret{}}
	}
	ids := map[string]bool{}
	for _, e := range j.entries {
		ids[e.ID] = true
	}
	for _, n := range c.Notices {
		if ids[n.ID] {
			return fmt.Errorf("commit of %s: notice %q is there already", c.Job, n.ID)
		}
		ids[n.ID] = true
	}

	p.jobs[c.Job] = j
	if claimed != nil {
		settle(claimed, c.Settle)
	}
	for _, id := range c.Requeue {
		p.requeue(id, c.SendAt())
	}
	if c.Hasten {
		for _, e := range j.entries {
			if e.State == workflow.EntryQueued && e.Channel == workflow.Email && e.NotBefore.After(cut(c.SendAt())) {
				e.NotBefore = cut(c.SendAt())
			}
		}
	}
	if c.Forget {
		j.vault = map[string]workflow.Secret{}
		for _, e := range j.entries {
			e.Body = nil
			for i := range e.Attempts {
				e.Attempts[i].Words = ""
			}
		}
		for k, d := range p.once {
			if d.job == c.Job {
				d.Result = nil
				p.once[k] = d
			}
		}
	}
	for _, digest := range c.Wipe {
		delete(j.vault, digest)
	}
	for _, x := range c.Secrets {
		j.vault[x.Digest] = x
	}
	for _, e := range c.Events {
		kept := *e
		kept.At, kept.Data, kept.Payload = cut(e.At), bytes.Clone(e.Data), nil
		j.events = append(j.events, &kept)
	}
	j.version, j.state = c.State.Version, state
	if course != nil {
		j.course = course
	}
	j.index, j.wakeAt = c.Index, cut(c.WakeAt)
	j.index.DueAt, j.index.ChangedAt = cut(c.Index.DueAt), cut(c.Index.ChangedAt)
	for _, l := range c.Links {
		l.ExpiresAt = cut(l.ExpiresAt)
		p.links[l.Hash] = l
	}
	for _, n := range c.Notices {
		j.entries = append(j.entries, keptEntry(&n))
	}
	slices.SortStableFunc(j.entries, func(a, b *workflow.Entry) int {
		return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
	})
	if c.Once != nil {
		d := done{*c.Once, c.Job}
		d.Until, d.Result = cut(d.Until), bytes.Clone(d.Result)
		p.once[d.Key] = d
	}
	return nil
}

// Done returns the step that was done under a key and has not been swept since. Error: ErrNotFound.
func (s *Store) Done(ctx context.Context, id workflow.ShopID, key string) (workflow.Once, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return workflow.Once{}, err
	}
	defer s.mu.Unlock()
	d, ok := p.once[key]
	if !ok {
		return workflow.Once{}, notFound("step")
	}
	d.Result = bytes.Clone(d.Result)
	return d.Once, nil
}

// Job returns a job as it stands, unsealed.
func (s *Store) Job(ctx context.Context, id workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	j := p.jobs[n]
	if j == nil {
		s.mu.Unlock()
		return nil, notFound("job")
	}
	state, texts := j.state, j.texts() // of one moment; what is read from them holds up nobody
	s.mu.Unlock()
	out := new(workflow.Job)
	if err := json.Unmarshal(state, out); err != nil {
		return nil, fmt.Errorf("job %s: %w", n, err)
	}
	texts.Unseal(out)
	return out, nil
}

func (j *job) texts() workflow.Vault {
	v := workflow.Vault{}
	for d, x := range j.vault {
		v[d] = x.Text
	}
	return v
}

// Version returns a job's version.
func (s *Store) Version(ctx context.Context, id workflow.ShopID, n workflow.JobNumber) (int64, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return 0, err
	}
	defer s.mu.Unlock()
	if j := p.jobs[n]; j != nil {
		return j.version, nil
	}
	return 0, notFound("job")
}

// Events returns a job's events after a sequence number, decoded and unsealed; none for a job that is
// not there.
func (s *Store) Events(ctx context.Context, id workflow.ShopID, n workflow.JobNumber, after int64) ([]*workflow.Event, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	j := p.jobs[n]
	if j == nil {
		return nil, nil
	}
	var out []*workflow.Event
	vault := j.texts()
	for _, e := range j.events {
		if e.Seq <= after {
			continue
		}
		c := *e
		c.Data = bytes.Clone(e.Data)
		if err := c.Decode(); err != nil {
			return nil, err
		}
		vault.Unseal(c.Payload)
		out = append(out, &c)
	}
	return out, nil
}

// Link looks a link up.
func (s *Store) Link(ctx context.Context, id workflow.ShopID, hash link.Hash) (workflow.LinkRow, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return workflow.LinkRow{}, err
	}
	defer s.mu.Unlock()
	if l, ok := p.links[hash]; ok {
		return l, nil
	}
	return workflow.LinkRow{}, notFound("link")
}

// Board lists jobs. A stage that jobs end in is listed in the order of running ones unless Ended is
// set. A limit of zero or less lists nothing.
func (s *Store) Board(ctx context.Context, id workflow.ShopID, f workflow.BoardFilter) ([]workflow.Row, error) {
	order := f.Order
	return s.rows(ctx, id, f.Limit, order, func(r *workflow.Row) bool {
		switch {
		case f.Stage != "" && r.Stage != f.Stage, f.Ended && !r.Ended, f.Stage == "" && !f.Ended && r.Ended:
			return false
		}
		return f.After == nil || order(f.After, r) < 0
	})
}

// Search finds jobs by words; a query without any finds nothing.
func (s *Store) Search(ctx context.Context, id workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	want := store.Query(query)
	if len(want) == 0 {
		return nil, ctx.Err()
	}
	return s.rows(ctx, id, limit, workflow.BoardFilter{Ended: true}.Order, func(r *workflow.Row) bool {
		have := store.Words(r.Text)
		for i, w := range want {
			if !slices.ContainsFunc(have, func(h string) bool {
				return h == w || i == len(want)-1 && strings.HasPrefix(h, w)
			}) {
				return false
			}
		}
		return true
	})
}

func (s *Store) rows(ctx context.Context, id workflow.ShopID, limit int, order func(a, b *workflow.Row) int, keep func(r *workflow.Row) bool) ([]workflow.Row, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	var out []workflow.Row
	for n, j := range p.jobs {
		if r := (workflow.Row{Job: n, Index: j.index}); keep(&r) {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b workflow.Row) int { return order(&a, &b) })
	return first(out, limit), nil
}

// first returns the first of a list, nil for none.
func first[T any](all []T, limit int) []T {
	if limit <= 0 || len(all) == 0 {
		return nil
	}
	return all[:min(len(all), limit)]
}

// Courses lists courses, the latest booked first.
func (s *Store) Courses(ctx context.Context, id workflow.ShopID, after *workflow.Course, limit int) ([]workflow.Course, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	order := func(a, b *workflow.Course) int {
		return cmp.Or(cmp.Compare(b.BookedAt.UnixMilli(), a.BookedAt.UnixMilli()), cmp.Compare(b.Job, a.Job))
	}
	var out []workflow.Course
	for n, j := range p.jobs {
		if j.course == nil {
			continue
		}
		var c workflow.Course
		if err := json.Unmarshal(j.course, &c); err != nil {
			return nil, fmt.Errorf("course of %s: %w", n, err)
		}
		if after == nil || order(after, &c) < 0 {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b workflow.Course) int { return order(&a, &b) })
	return first(out, limit), nil
}

// Counts returns the number of jobs in each stage that has any.
func (s *Store) Counts(ctx context.Context, id workflow.ShopID) (map[workflow.Stage]int, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	out := map[workflow.Stage]int{}
	for _, j := range p.jobs {
		out[j.index.Stage]++
	}
	return out, nil
}

// Due returns the jobs whose wake-up instant is at or before now, the longest overdue first.
func (s *Store) Due(ctx context.Context, id workflow.ShopID, now time.Time, limit int) ([]workflow.JobNumber, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	var out []workflow.JobNumber
	for n, j := range p.jobs {
		if !j.wakeAt.IsZero() && !j.wakeAt.After(now) {
			out = append(out, n)
		}
	}
	slices.SortFunc(out, func(a, b workflow.JobNumber) int {
		return cmp.Or(p.jobs[a].wakeAt.Compare(p.jobs[b].wakeAt), cmp.Compare(a, b))
	})
	return first(out, limit), nil
}

// NextWake returns the earliest wake-up instant, zero if there is none.
func (s *Store) NextWake(ctx context.Context, id workflow.ShopID) (time.Time, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return time.Time{}, err
	}
	defer s.mu.Unlock()
	var at []time.Time
	for _, j := range p.jobs {
		at = append(at, j.wakeAt)
	}
	return earliest(at), nil
}

// earliest returns the first of the instants that are not zero.
func earliest(at []time.Time) time.Time {
	var out time.Time
	for _, t := range at {
		if !t.IsZero() && (out.IsZero() || t.Before(out)) {
			out = t
		}
	}
	return out
}

// keptEntry copies an entry as stores keep it.
func keptEntry(e *workflow.Entry) *workflow.Entry {
	c := *e
	c.MadeAt, c.NotBefore, c.LeaseUntil = cut(e.MadeAt), cut(e.NotBefore), cut(e.LeaseUntil)
	c.Body, c.Attempts = bytes.Clone(e.Body), slices.Clone(e.Attempts)
	for i := range c.Attempts {
		c.Attempts[i].At = cut(c.Attempts[i].At)
	}
	return &c
}

func (p *shop) entry(id string) *workflow.Entry {
	for _, j := range p.jobs {
		for _, e := range j.entries {
			if e.ID == id {
				return e
			}
		}
	}
	return nil
}

// claimed returns the entry that a settlement is about if its lease is still in force.
func (p *shop) claimed(s *workflow.Settlement) (*workflow.Entry, error) {
	switch s.State {
	case workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried:
	default:
		return nil, fmt.Errorf("settling %s: there is no state %q", s.Entry, s.State)
	}
	e := p.entry(s.Entry)
	if e == nil || e.State != workflow.EntryQueued || e.Lease == "" || e.Lease != s.Lease {
		return nil, workflow.Conflict(fmt.Errorf("entry %s: the lease was lost", s.Entry))
	}
	return e, nil
}

func settle(e *workflow.Entry, s *workflow.Settlement) {
	a := s.Attempt
	a.At = cut(a.At)
	e.Attempts = append(e.Attempts, a)
	e.State, e.Lease, e.LeaseUntil = s.State, "", time.Time{}
	switch {
	case s.State != workflow.EntryQueued:
		e.Body = nil
	case s.Body != nil:
		e.Body = bytes.Clone(s.Body)
	}
	if s.State == workflow.EntryQueued {
		e.NotBefore = cut(s.RetryAt)
	}
}

// heads returns the first queued entry of every lane of a channel that has one.
func (p *shop) heads(channel workflow.Channel) []*workflow.Entry {
	var out []*workflow.Entry
	for _, j := range p.jobs {
		led := map[workflow.Channel]bool{}
		for _, e := range j.entries {
			if e.State == workflow.EntryQueued && e.Channel.Base() == channel && !led[e.Channel] {
				led[e.Channel] = true
				out = append(out, e)
			}
		}
	}
	return out
}

// readyAt is when a queued entry may be claimed: at its time, and not before a lease has run out.
func readyAt(e *workflow.Entry) time.Time {
	if e.LeaseUntil.After(e.NotBefore) {
		return e.LeaseUntil
	}
	return e.NotBefore
}

// ClaimEntries leases entries that may be sent now: of each lane its first queued one, those first
// that could have been claimed longest.
func (s *Store) ClaimEntries(ctx context.Context, id workflow.ShopID, c workflow.Claim) ([]workflow.Entry, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	if err := p.kept(); err != nil {
		return nil, err
	}
	ready := slices.DeleteFunc(p.heads(c.Channel), func(e *workflow.Entry) bool { return readyAt(e).After(c.Now) })
	slices.SortFunc(ready, func(a, b *workflow.Entry) int {
		return cmp.Or(readyAt(a).Compare(readyAt(b)), cmp.Compare(a.Job, b.Job), cmp.Compare(a.Channel, b.Channel))
	})
	var out []workflow.Entry
	for _, e := range first(ready, c.Limit) {
		e.Lease, e.LeaseUntil = c.Lease, cut(c.Until)
		out = append(out, *keptEntry(e))
	}
	return out, nil
}

// SettleEntry ends a claim without touching the job.
func (s *Store) SettleEntry(ctx context.Context, id workflow.ShopID, x workflow.Settlement) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	e, err := p.claimed(&x)
	if err != nil {
		return err
	}
	settle(e, &x)
	return nil
}

// Entries returns a job's entries in order, without bodies.
func (s *Store) Entries(ctx context.Context, id workflow.ShopID, n workflow.JobNumber) ([]workflow.Entry, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	if j := p.jobs[n]; j != nil {
		return listed(j.entries), nil
	}
	return nil, nil
}

func listed(entries []*workflow.Entry) []workflow.Entry {
	var out []workflow.Entry
	for _, e := range entries {
		c := keptEntry(e)
		c.Body = nil
		out = append(out, *c)
	}
	return out
}

// EntriesIn lists a state's entries over all jobs, oldest first, without bodies.
func (s *Store) EntriesIn(ctx context.Context, id workflow.ShopID, state workflow.EntryState, limit int) ([]workflow.Entry, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	var all []*workflow.Entry
	for _, j := range p.jobs {
		for _, e := range j.entries {
			if e.State == state {
				all = append(all, e)
			}
		}
	}
	slices.SortFunc(all, byAge)
	return listed(first(all, limit)), nil
}

// byAge puts the oldest entry first.
func byAge(a, b *workflow.Entry) int {
	return cmp.Or(a.MadeAt.Compare(b.MadeAt), cmp.Compare(a.Job, b.Job), cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
}

// Failing returns the entry of a channel, made first, that waits after a try which failed.
func (s *Store) Failing(ctx context.Context, id workflow.ShopID, channel workflow.Channel) (*workflow.Entry, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	failing := slices.DeleteFunc(p.heads(channel), func(e *workflow.Entry) bool { return len(e.Attempts) == 0 })
	if len(failing) == 0 {
		return nil, nil
	}
	return &listed([]*workflow.Entry{slices.MinFunc(failing, byAge)})[0], nil
}

// NextEntry returns the earliest instant at which an entry of a channel may be claimed, zero if none is queued.
func (s *Store) NextEntry(ctx context.Context, id workflow.ShopID, channel workflow.Channel) (time.Time, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return time.Time{}, err
	}
	defer s.mu.Unlock()
	var at []time.Time
	for _, e := range p.heads(channel) {
		at = append(at, readyAt(e))
	}
	return earliest(at), nil
}

// Requeue puts a buried entry back in the queue.
func (s *Store) Requeue(ctx context.Context, id workflow.ShopID, entry string, at time.Time) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	if err := p.kept(); err != nil {
		return err
	}
	if !p.requeue(entry, at) {
		return notFound("buried notice")
	}
	return nil
}

// requeue puts an entry back in the queue, and reports whether it was buried.
func (p *shop) requeue(id string, at time.Time) bool {
	e := p.entry(id)
	if e == nil || e.State != workflow.EntryBuried {
		return false
	}
	e.State, e.NotBefore = workflow.EntryQueued, cut(at)
	return true
}

// PutKey writes a value.
func (s *Store) PutKey(ctx context.Context, id workflow.ShopID, bucket, key string, b []byte, until time.Time) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	p.keys[bucketKey{bucket, key}] = value{bytes.Clone(b), cut(until)}
	return nil
}

// PutNewKey writes a value if the key is not there or has expired.
func (s *Store) PutNewKey(ctx context.Context, id workflow.ShopID, bucket, key string, b []byte, now, until time.Time) (bool, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return false, err
	}
	defer s.mu.Unlock()
	k := bucketKey{bucket, key}
	if v, ok := p.keys[k]; ok && v.live(now) {
		return false, nil
	}
	p.keys[k] = value{bytes.Clone(b), cut(until)}
	return true, nil
}

// GetKey returns a value that has not expired. A counter's value is its count in decimal digits.
func (s *Store) GetKey(ctx context.Context, id workflow.ShopID, bucket, key string, now time.Time) ([]byte, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	if v, ok := p.keys[bucketKey{bucket, key}]; ok && v.live(now) {
		return bytes.Clone(v.bytes), nil
	}
	return nil, notFound("key")
}

// DeleteKey removes a key.
func (s *Store) DeleteKey(ctx context.Context, id workflow.ShopID, bucket, key string) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	delete(p.keys, bucketKey{bucket, key})
	return nil
}

// ListKeys returns a bucket's live keys with their values, by key.
func (s *Store) ListKeys(ctx context.Context, id workflow.ShopID, bucket string, now time.Time) ([]workflow.KeyValue, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	var out []workflow.KeyValue
	for k, v := range p.keys {
		if k.bucket == bucket && v.live(now) {
			out = append(out, workflow.KeyValue{Key: k.key, Value: bytes.Clone(v.bytes)})
		}
	}
	slices.SortFunc(out, func(a, b workflow.KeyValue) int { return cmp.Compare(a.Key, b.Key) })
	return out, nil
}

// CountKey adds one to a counter and returns the new count.
func (s *Store) CountKey(ctx context.Context, id workflow.ShopID, bucket, key string, now, until time.Time) (int64, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return 0, err
	}
	defer s.mu.Unlock()
	k := bucketKey{bucket, key}
	v, ok := p.keys[k]
	if !ok || !v.live(now) {
		v = value{[]byte("0"), cut(until)}
	}
	n, err := strconv.ParseInt(string(v.bytes), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("key %s/%s is not a counter", bucket, key)
	}
	v.bytes = strconv.AppendInt(nil, n+1, 10)
	p.keys[k] = v
	return n + 1, nil
}

// SweepKeys removes what has expired, settled requests among it.
func (s *Store) SweepKeys(ctx context.Context, id workflow.ShopID, now time.Time) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	maps.DeleteFunc(p.keys, func(_ bucketKey, v value) bool { return !v.live(now) })
	maps.DeleteFunc(p.once, func(_ string, d done) bool { return !d.Until.IsZero() && !now.Before(d.Until) })
	return nil
}
