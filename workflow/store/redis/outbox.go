package redis

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// jobOf returns the job number that an entry's id begins with.
func jobOf(id string) workflow.JobNumber {
	job, _, _ := strings.Cut(id, "-")
	return workflow.JobNumber(job)
}

func lostLease(id string) error {
	return workflow.Conflict(fmt.Errorf("entry %s: the lease was lost", id))
}

// static is what never changes of an entry.
type static struct {
	Seq     int64               `json:"s"`
	Kind    workflow.NoticeKind `json:"k"`
	Ref     int                 `json:"r,omitempty"`
	Quote   int                 `json:"q,omitempty"`
	Made    string              `json:"m,omitempty"`
	Channel workflow.Channel    `json:"v,omitempty"` // the functions look for it
}

// encodeEntry returns a new entry as the function takes it.
func encodeEntry(n *workflow.Entry) ([]any, error) {
	m, err := json.Marshal(static{n.Seq, n.Kind, n.Ref, n.Quote, ms(n.MadeAt), n.Channel})
	if err != nil {
		return nil, err
	}
	var tries strings.Builder
	for _, a := range n.Attempts {
		line, err := attemptLine(a)
		if err != nil {
			return nil, err
		}
		tries.WriteString(line)
	}
	where := place(n.MadeAt) + string(n.Job) + "\x00" + fmt.Sprintf("%012x", n.Seq) + n.ID
	status := string(n.State) + "\t" + ms(n.NotBefore) + "\t" + ms(n.LeaseUntil)
	if n.NotBefore.IsZero() {
		status = string(n.State) + "\t" + fmt.Sprint(n.NotBefore.UnixMilli()) + "\t" + ms(n.LeaseUntil)
	}
	return []any{n.ID, where, m, status, n.Lease, tries.String(), n.Body}, nil
}

// decodeEntry reads an entry's fields: static, status, attempts, lease.
func decodeEntry(shop workflow.ShopID, n workflow.JobNumber, id, m, status, attempts, lease string) (workflow.Entry, error) {
	e := workflow.Entry{Shop: shop, Job: n, ID: id, Lease: lease}
	var x static
	if err := json.Unmarshal([]byte(m), &x); err != nil {
		return e, fmt.Errorf("entry %s: %w", id, err)
	}
	parts := strings.Split(status, "\t")
	if len(parts) != 3 {
		return e, fmt.Errorf("entry %s: its state is %q", id, status)
	}
	e.Seq, e.Kind, e.Ref, e.Quote, e.MadeAt, e.Channel = x.Seq, x.Kind, x.Ref, x.Quote, instant(x.Made), x.Channel
	e.State, e.NotBefore, e.LeaseUntil = workflow.EntryState(parts[0]), instant(parts[1]), instant(parts[2])
	var err error
	e.Attempts, err = decodeAttempts(attempts)
	return e, err
}

// encodeSettlement returns a settlement as the functions take it.
func encodeSettlement(s *workflow.Settlement) ([]any, error) {
	switch s.State {
	case workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried:
	default:
		return nil, fmt.Errorf("settling %s: there is no state %q", s.Entry, s.State)
	}
	line, err := attemptLine(s.Attempt)
	return []any{string(jobOf(s.Entry)), s.Entry, s.Lease, string(s.State), s.RetryAt.UnixMilli(), line, flag(s.Body != nil), s.Body}, err
}

// ClaimEntries leases entries that may be sent now: of each lane its first queued one, those first that
// could have been claimed longest.
func (s *Store) ClaimEntries(ctx context.Context, shop workflow.ShopID, c workflow.Claim) ([]workflow.Entry, error) {
	if c.Limit <= 0 {
		return nil, ctx.Err()
	}
	k := of(shop)
	answer, err := s.change(ctx, false, "claim", []string{k.channel(c.Channel)}, c.Now.UnixMilli(), c.Until.UnixMilli(), c.Limit, c.Lease, k.outbox(""), string(c.Channel))
	if err == nil && said(answer, 0) == "held" {
		err = heldBack(answer)
	}
	if err != nil {
		return nil, err
	}
	var out []workflow.Entry
	for _, x := range answer {
		f, _ := x.([]any)
		e, err := decodeEntry(shop, workflow.JobNumber(said(f, 0)), said(f, 1), said(f, 2), said(f, 3), said(f, 4), c.Lease)
		if err != nil {
			return nil, err
		}
		if body := said(f, 5); body != "" {
			e.Body = []byte(body)
		}
		e.LeaseUntil = instant(ms(c.Until))
		out = append(out, e)
	}
	return out, nil
}

// SettleEntry ends a claim without touching the job.
func (s *Store) SettleEntry(ctx context.Context, shop workflow.ShopID, x workflow.Settlement) error {
	a, err := encodeSettlement(&x)
	if err != nil {
		return err
	}
	k := of(shop)
	answer, err := s.change(ctx, false, "settle", []string{k.ix(), k.queue(), k.outbox(jobOf(x.Entry))}, a...)
	if err == nil && said(answer, 0) == "lease" {
		err = lostLease(x.Entry)
	}
	return err
}

// Requeue puts a buried entry back in the queue.
func (s *Store) Requeue(ctx context.Context, shop workflow.ShopID, id string, at time.Time) error {
	k, n := of(shop), jobOf(id)
	answer, err := s.change(ctx, true, "requeue", []string{k.ix(), k.queue(), k.outbox(n)}, string(n), id, at.UnixMilli())
	switch {
	case err != nil:
	case said(answer, 0) == "none":
		err = notFound("buried notice")
	case said(answer, 0) == "held":
		err = heldBack(answer)
	}
	return err
}

// entriesOf reads the hash of a job's outbox.
func entriesOf(shop workflow.ShopID, n workflow.JobNumber, r map[string]string) ([]workflow.Entry, error) {
	var out []workflow.Entry
	for f, m := range r {
		id, ok := strings.CutPrefix(f, "m")
		if !ok {
			continue
		}
		e, err := decodeEntry(shop, n, id, m, r["s"+id], r["a"+id], r["l"+id])
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b workflow.Entry) int { return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID)) })
	return out, nil
}

// Entries returns a job's entries in order, without bodies.
func (s *Store) Entries(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) ([]workflow.Entry, error) {
	k := of(shop)
	var box *driver.MapStringStringCmd
	var packed *driver.StringCmd
	err := s.batch(ctx, true, func(p driver.Pipeliner) {
		box, packed = p.HGetAll(ctx, k.outbox(n)), p.HGet(ctx, k.job(n), "Z")
	})
	if err != nil {
		return nil, err
	}
	r := box.Val()
	if packed.Val() != "" {
		p, err := openPack(packed.Val())
		if err != nil {
			return nil, fmt.Errorf("entries of %s: %w", n, err)
		}
		r = p.Outbox
	}
	return entriesOf(shop, n, r)
}

// EntriesIn lists a state's entries over all jobs, oldest first, without bodies. Queued and buried ones
// are found by an index; to list those sent, all are looked through.
func (s *Store) EntriesIn(ctx context.Context, shop workflow.ShopID, state workflow.EntryState, limit int) ([]workflow.Entry, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	k, prefix := of(shop), ""
	switch state {
	case workflow.EntryQueued:
		prefix = "oq"
	case workflow.EntryBuried:
		prefix = "ob"
	case workflow.EntrySent:
		return s.looked(ctx, shop, state, limit)
	default:
		return nil, ctx.Err()
	}
	var places []string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		places, err = c.ZRangeByLex(ctx, k.ix(), &driver.ZRangeBy{Min: "[" + prefix, Max: "(" + prefix + "\xff", Count: int64(limit)}).Result()
		return err
	})
	if err != nil {
		return nil, err
	}
	at := make([]named, len(places))
	for i, x := range places {
		at[i].job, at[i].id = placed(x)
	}
	return s.named(ctx, shop, state, at)
}

// named is an entry by its job and id.
type named struct {
	job workflow.JobNumber
	id  string
}

// named returns those entries that are in a state, without bodies.
func (s *Store) named(ctx context.Context, shop workflow.ShopID, state workflow.EntryState, at []named) ([]workflow.Entry, error) {
	if len(at) == 0 {
		return nil, nil
	}
	var found []*driver.SliceCmd
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		found = nil
		for _, x := range at {
			found = append(found, p.HMGet(ctx, of(shop).outbox(x.job), "m"+x.id, "s"+x.id, "a"+x.id, "l"+x.id))
		}
	})
	if err != nil {
		return nil, err
	}
	var out []workflow.Entry
	for i, f := range found {
		v := f.Val()
		if said(v, 0) == "" {
			continue // gone in between
		}
		e, err := decodeEntry(shop, at[i].job, at[i].id, said(v, 0), said(v, 1), said(v, 2), said(v, 3))
		if err != nil {
			return nil, err
		}
		if e.State == state {
			out = append(out, e)
		}
	}
	return out, nil
}

// Failing returns the entry of a channel, made first, that waits after a try which failed. All lanes of the channel
// are looked at: those of effects are few.
func (s *Store) Failing(ctx context.Context, shop workflow.ShopID, channel workflow.Channel) (*workflow.Entry, error) {
	k := of(shop)
	var lanes []string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		lanes, err = c.ZRange(ctx, k.channel(channel), 0, -1).Result()
		return err
	})
	if err != nil {
		return nil, err
	}
	var oldest *workflow.Entry
	for some := range slices.Chunk(lanes, 500) {
		heads, at := make([]*driver.StringCmd, len(some)), []named{}
		if err := s.batch(ctx, false, func(p driver.Pipeliner) {
			for i, lane := range some {
				n, rest, more := strings.Cut(lane, "/")
				if more {
					rest = "/" + rest
				}
				heads[i] = p.HGet(ctx, k.outbox(workflow.JobNumber(n)), "q"+string(channel)+rest)
			}
		}); err != nil {
			return nil, err
		}
		for i, lane := range some {
			n, _, _ := strings.Cut(lane, "/")
			if first, _, _ := strings.Cut(strings.TrimLeft(heads[i].Val(), "\n"), "\n"); len(first) > 12 {
				at = append(at, named{workflow.JobNumber(n), first[12:]})
			}
		}
		found, err := s.named(ctx, shop, workflow.EntryQueued, at)
		if err != nil {
			return nil, err
		}
		for i := range found {
			if e := &found[i]; len(e.Attempts) > 0 && (oldest == nil || byAge(*e, *oldest) < 0) {
				oldest = e
			}
		}
	}
	return oldest, nil
}

// byAge puts the oldest entry first.
func byAge(a, b workflow.Entry) int {
	return cmp.Or(a.MadeAt.Compare(b.MadeAt), cmp.Compare(a.Job, b.Job), cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
}

// placed reads a member of ix that stands for an entry.
func placed(at string) (workflow.JobNumber, string) {
	n, rest, _ := strings.Cut(at[14:], "\x00")
	return workflow.JobNumber(n), rest[min(12, len(rest)):]
}

// looked finds entries by looking at every job.
func (s *Store) looked(ctx context.Context, shop workflow.ShopID, state workflow.EntryState, limit int) ([]workflow.Entry, error) {
	var out []workflow.Entry
	err := s.every(ctx, shop, func(numbers []workflow.JobNumber) error {
		for _, n := range numbers {
			all, err := s.Entries(ctx, shop, n)
			if err != nil {
				return err
			}
			for _, e := range all {
				if e.State == state {
					out = append(out, e)
				}
			}
		}
		return nil
	})
	slices.SortFunc(out, byAge)
	if err != nil || len(out) == 0 {
		return nil, err
	}
	return out[:min(limit, len(out))], nil
}

// NextEntry returns the earliest instant at which an entry of a channel may be claimed, zero if none is queued.
func (s *Store) NextEntry(ctx context.Context, shop workflow.ShopID, channel workflow.Channel) (time.Time, error) {
	return s.first(ctx, of(shop).channel(channel))
}
