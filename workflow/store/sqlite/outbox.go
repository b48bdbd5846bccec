package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
)

// entryColumns are what scanEntry reads.
const entryColumns = "shop, number, id, via, seq, kind, ref, quote, made_at, not_before, state, attempts, lease, lease_until"

func scanEntry(scan func(...any) error, more ...any) (e workflow.Entry, err error) {
	var made, notBefore int64
	var attempts sql.NullString
	var until sql.NullInt64
	if err := scan(append([]any{&e.Shop, &e.Job, &e.ID, &e.Channel, &e.Seq, &e.Kind, &e.Ref, &e.Quote, &made, &notBefore, &e.State, &attempts, &e.Lease, &until}, more...)...); err != nil {
		return e, err
	}
	e.MadeAt, e.NotBefore, e.LeaseUntil = time.UnixMilli(made).UTC(), time.UnixMilli(notBefore).UTC(), instant(until)
	if attempts.Valid {
		err = json.Unmarshal([]byte(attempts.String), &e.Attempts)
	}
	return e, err
}

// encodeAttempts returns the attempts as they are stored, nil for none.
func encodeAttempts(a []workflow.Attempt) (any, error) {
	if len(a) == 0 {
		return nil, nil
	}
	for i := range a {
		a[i].At = time.UnixMilli(a[i].At.UnixMilli()).UTC()
	}
	b, err := json.Marshal(a)
	return string(b), err
}

// queue writes a job's new entries. They come after all that the job has, so the first of each
// lane becomes its head if no other waits there.
func (t *tx) queue(job int64, entries []workflow.Entry) error {
	for _, n := range entries {
		attempts, err := encodeAttempts(n.Attempts)
		if err != nil {
			return err
		}
		var body any
		if len(n.Body) > 0 {
			body = n.Body
		}
		if err := t.exec("INSERT INTO outbox (job, "+entryColumns+`, body, head)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? AND NOT EXISTS (SELECT 1 FROM outbox WHERE job = ? AND via = ? AND head = 1))`,
			job, string(n.Shop), string(n.Job), n.ID, string(n.Channel), n.Seq, string(n.Kind), n.Ref, n.Quote, n.MadeAt.UnixMilli(), n.NotBefore.UnixMilli(),
			string(n.State), attempts, n.Lease, stamp(n.LeaseUntil), body, n.State == workflow.EntryQueued, job, string(n.Channel)); err != nil {
			return err
		}
	}
	return nil
}

// lead marks the first queued entry of a lane as its head, and no other.
func (t *tx) lead(job int64, via string) error {
	return t.exec(`UPDATE outbox SET head = 1 - head WHERE job = ?1 AND via = ?2 AND head <> ((seq, id) IS
		(SELECT seq, id FROM outbox WHERE job = ?1 AND via = ?2 AND state = 'queued' ORDER BY seq, id LIMIT 1))`, job, via)
}

// settlement is a [workflow.Settlement] in the form in which it is written.
type settlement struct {
	workflow.Settlement
	job string
}

func encodeSettlement(s *workflow.Settlement) (*settlement, error) {
	switch s.State {
	case workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried:
	default:
		return nil, fmt.Errorf("settling %s: there is no state %q", s.Entry, s.State)
	}
	c := &settlement{Settlement: *s, job: jobOf(s.Entry)}
	c.Body = slices.Clone(s.Body)
	return c, nil
}

// jobOf returns the job number that an entry's id begins with.
func jobOf(id string) string {
	job, _, _ := strings.Cut(id, "-")
	return job
}

// claimed is an entry whose claim is about to be settled.
type claimed struct {
	entry, job int64
	via        string
	attempts   []workflow.Attempt
}

// find looks for the entry and refuses if the lease was lost.
func (s *settlement) find(t *tx, shop string) (*claimed, error) {
	var c claimed
	var state, lease string
	var stored sql.NullString
	found, err := t.one("SELECT o.entry, o.job, o.via, o.state, o.lease, o.attempts FROM jobs j JOIN outbox o ON o.job = j.id WHERE j.shop = ? AND j.number = ? AND o.id = ?",
		[]any{shop, s.job, s.Entry}, &c.entry, &c.job, &c.via, &state, &lease, &stored)
	if err != nil {
		return nil, err
	}
	if !found || state != string(workflow.EntryQueued) || lease == "" || lease != s.Lease {
		return nil, workflow.Conflict(fmt.Errorf("entry %s: the lease was lost", s.Entry))
	}
	if stored.Valid {
		if err := json.Unmarshal([]byte(stored.String), &c.attempts); err != nil {
			return nil, fmt.Errorf("attempts of %s: %w", s.Entry, err)
		}
	}
	return &c, nil
}

// write ends the claim.
func (s *settlement) write(t *tx, c *claimed) error {
	attempts, err := encodeAttempts(append(c.attempts, s.Attempt))
	if err != nil {
		return err
	}
	if s.State == workflow.EntryQueued {
		// Still the first of its lane. No body leaves the one that is there.
		return t.exec("UPDATE outbox SET attempts = ?, lease = '', lease_until = NULL, not_before = ?, body = ifnull(?, body) WHERE entry = ?",
			attempts, s.RetryAt.UnixMilli(), s.Body, c.entry)
	}
	if err := t.exec("UPDATE outbox SET attempts = ?, lease = '', lease_until = NULL, state = ?, body = NULL, head = 0 WHERE entry = ?",
		attempts, string(s.State), c.entry); err != nil {
		return err
	}
	return t.exec(`UPDATE outbox SET head = 1 WHERE head = 0 AND entry =
		(SELECT entry FROM outbox WHERE job = ? AND via = ? AND state = 'queued' ORDER BY seq, id LIMIT 1)`, c.job, c.via)
}

// ClaimEntries leases entries that may be sent now: of each lane its first queued one, those first that
// could have been claimed longest.
func (s *Store) ClaimEntries(ctx context.Context, shop workflow.ShopID, c workflow.Claim) ([]workflow.Entry, error) {
	if c.Limit <= 0 {
		return nil, ctx.Err()
	}
	var out []workflow.Entry
	err := s.write.update(ctx, func(t *tx) error {
		if err := t.kept(string(shop)); err != nil {
			return err
		}
		var ready []int64
		out = nil
		err := t.each("SELECT "+entryColumns+", body, entry FROM outbox WHERE shop = ? AND channel = ? AND head = 1 AND ready_at <= ? ORDER BY ready_at, number, via LIMIT ?",
			[]any{string(shop), string(c.Channel), c.Now.UnixMilli(), c.Limit}, func(scan func(...any) error) error {
				var body []byte
				var entry int64
				e, err := scanEntry(scan, &body, &entry)
				if err != nil {
					return err
				}
				e.Body, e.Lease, e.LeaseUntil = body, c.Lease, time.UnixMilli(c.Until.UnixMilli()).UTC()
				out, ready = append(out, e), append(ready, entry)
				return nil
			})
		if err != nil || len(ready) == 0 {
			return err
		}
		list, err := json.Marshal(ready)
		if err != nil {
			return err
		}
		return t.exec("UPDATE outbox SET lease = ?, lease_until = ? WHERE entry IN (SELECT value FROM json_each(?))", c.Lease, c.Until.UnixMilli(), string(list))
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// SettleEntry ends a claim without touching the job.
func (s *Store) SettleEntry(ctx context.Context, shop workflow.ShopID, x workflow.Settlement) error {
	c, err := encodeSettlement(&x)
	if err != nil {
		return err
	}
	return s.write.update(ctx, func(t *tx) error {
		entry, err := c.find(t, string(shop))
		if err != nil {
			return err
		}
		return c.write(t, entry)
	})
}

func (s *Store) entries(ctx context.Context, query string, args ...any) ([]workflow.Entry, error) {
	var out []workflow.Entry
	err := s.read.each(ctx, query, args, func(scan func(...any) error) error {
		e, err := scanEntry(scan)
		out = append(out, e)
		return err
	})
	return out, err
}

// Entries returns a job's entries in order, without bodies.
func (s *Store) Entries(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) ([]workflow.Entry, error) {
	return s.entries(ctx, "SELECT "+entryColumns+" FROM outbox WHERE job = (SELECT id FROM jobs WHERE shop = ? AND number = ?) ORDER BY seq, id", string(shop), string(n))
}

// EntriesIn lists a state's entries over all jobs, oldest first, without bodies. Queued and buried ones
// are found by an index; to list those sent, all are looked through.
func (s *Store) EntriesIn(ctx context.Context, shop workflow.ShopID, state workflow.EntryState, limit int) ([]workflow.Entry, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	query := "SELECT " + entryColumns + " FROM outbox WHERE shop = ? AND state = ?"
	if state != workflow.EntrySent {
		query += " AND state <> 'sent'" // what the index is limited to
	}
	return s.entries(ctx, query+" ORDER BY made_at, number, seq, id LIMIT ?", string(shop), string(state), limit)
}

// Failing returns the entry of a channel, made first, that waits after a try which failed.
func (s *Store) Failing(ctx context.Context, shop workflow.ShopID, channel workflow.Channel) (*workflow.Entry, error) {
	found, err := s.entries(ctx, "SELECT "+entryColumns+" FROM outbox WHERE shop = ? AND channel = ? AND head = 1 AND attempts IS NOT NULL ORDER BY made_at, number, seq, id LIMIT 1",
		string(shop), string(channel))
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return &found[0], nil
}

// NextEntry returns the earliest instant at which an entry of a channel may be claimed, zero if none is queued.
func (s *Store) NextEntry(ctx context.Context, shop workflow.ShopID, channel workflow.Channel) (time.Time, error) {
	var at sql.NullInt64
	_, err := s.read.one(ctx, "SELECT ready_at FROM outbox WHERE shop = ? AND channel = ? AND head = 1 ORDER BY ready_at LIMIT 1", []any{string(shop), string(channel)}, &at)
	return instant(at), err
}

// Requeue puts a buried entry back in the queue.
func (s *Store) Requeue(ctx context.Context, shop workflow.ShopID, id string, at time.Time) error {
	return s.write.update(ctx, func(t *tx) error {
		if err := t.kept(string(shop)); err != nil {
			return err
		}
		var job int64
		if _, err := t.one("SELECT id FROM jobs WHERE shop = ? AND number = ?", []any{string(shop), jobOf(id)}, &job); err != nil {
			return err
		}
		found, err := t.requeue(job, id, at.UnixMilli())
		if err == nil && !found {
			err = notFound("buried notice")
		}
		return err
	})
}

// requeue puts an entry back in its lane, and reports whether it was buried.
func (t *tx) requeue(job int64, id string, at int64) (bool, error) {
	var entry int64
	var via string
	found, err := t.one("SELECT entry, via FROM outbox WHERE job = ? AND id = ? AND state = 'buried'", []any{job, id}, &entry, &via)
	if err != nil || !found {
		return false, err
	}
	if err := t.exec("UPDATE outbox SET state = 'queued', not_before = ? WHERE entry = ?", at, entry); err != nil {
		return false, err
	}
	return true, t.lead(job, via)
}
