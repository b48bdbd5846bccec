package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/store"
)

// The sections of a shop that is read out, in their order.
const (
	outKeys  = "keys"
	outSteps = "steps"
	outJobs  = "jobs"
	outLinks = "links"
)

var outAfter = map[string]string{outKeys: outSteps, outSteps: outJobs, outJobs: outLinks, outLinks: ""}

// outRows is how many rows of other things than jobs a part has at most.
const outRows = 10 * store.PartSize

// Out reads a shop out. A part is of one moment.
func (s *Store) Out(ctx context.Context, shop workflow.ShopID, from string) (*workflow.Part, string, error) {
	if from == "" {
		from = outKeys + ":"
	}
	section, after, _ := strings.Cut(from, ":")
	p := &workflow.Part{}
	tx, err := s.read.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, "", err
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	each := func(query string, args []any, do func(scan func(...any) error) error) error {
		rows, err := tx.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			if err := do(rows.Scan); err != nil {
				return err
			}
		}
		return rows.Err()
	}
	last, n, most := after, 0, outRows
	id, _ := strconv.ParseInt(after, 10, 64)
	switch section {
	case outKeys:
		bucket, key, _ := strings.Cut(after, "\x00")
		err = each("SELECT bucket, key, value, until FROM keys WHERE shop = ? AND (bucket, key) > (?, ?) ORDER BY bucket, key LIMIT ?", []any{string(shop), bucket, key, most}, func(scan func(...any) error) error {
			var k workflow.KeyRow
			var until sql.NullInt64
			err := scan(&k.Bucket, &k.Key, &k.Value, &until)
			k.Until, n, last = instant(until), n+1, k.Bucket+"\x00"+k.Key
			p.Keys = append(p.Keys, k)
			return err
		})
	case outSteps:
		err = each("SELECT o.id, j.number, o.key, o.digest, o.result, o.until FROM once o JOIN jobs j ON j.id = o.job WHERE o.shop = ? AND o.id > ? ORDER BY o.id LIMIT ?", []any{string(shop), id, most}, func(scan func(...any) error) error {
			var x workflow.Step
			var until sql.NullInt64
			err := scan(&id, &x.Job, &x.Key, &x.Digest, &x.Result, &until)
			x.Until, n, last = instant(until), n+1, strconv.FormatInt(id, 10)
			p.Steps = append(p.Steps, x)
			return err
		})
	case outJobs:
		most = store.PartSize
		var ids []int64
		err = each("SELECT id, wake_at, state, ifnull(course, ''), "+strings.ReplaceAll(rowColumns, "number", "jobs.number")+" FROM jobs CROSS JOIN texts ON texts.job = id LEFT JOIN courses ON courses.job = id WHERE jobs.shop = ? AND id > ? ORDER BY id LIMIT ?",
			[]any{string(shop), id, most}, func(scan func(...any) error) error {
				var w workflow.Whole
				var wake sql.NullInt64
				var state, course string
				var r workflow.Row
				err := scanRow(scan, &r, &id, &wake, &state, &course)
				w.Job, w.Index, w.WakeAt, w.State, w.Course = r.Job, r.Index, instant(wake), json.RawMessage(state), json.RawMessage(course)
				n, last, ids = n+1, strconv.FormatInt(id, 10), append(ids, id)
				p.Jobs = append(p.Jobs, w)
				return err
			})
		for i := 0; i < len(ids) && err == nil; i++ {
			err = outJob(each, shop, ids[i], &p.Jobs[i])
		}
	case outLinks:
		err = each("SELECT l.hash, j.number, l.id, l.purpose, l.quote, l.expires_at, l.revoked FROM links l JOIN jobs j ON j.id = l.job WHERE l.shop = ? AND l.hash > ? ORDER BY l.hash LIMIT ?", []any{string(shop), []byte(after), most}, func(scan func(...any) error) error {
			var l workflow.LinkRow
			var hash []byte
			var expires sql.NullInt64
			err := scan(&hash, &l.Job, &l.ID, &l.Purpose, &l.Quote, &expires, &l.Revoked)
			copy(l.Hash[:], hash)
			l.ExpiresAt, n, last = instant(expires), n+1, string(hash)
			p.Links = append(p.Links, l)
			return err
		})
	default:
		err = fmt.Errorf("nothing of a shop is called %q", section)
	}
	if err != nil {
		return nil, "", err
	}
	if n == most {
		return p, section + ":" + last, nil
	}
	if section = outAfter[section]; section != "" {
		section += ":"
	}
	return p, section, nil
}

// outJob reads what belongs to a job.
func outJob(each func(string, []any, func(func(...any) error) error) error, shop workflow.ShopID, id int64, w *workflow.Whole) error {
	err := each("SELECT seq, at, role, actor, wire, prev, payload FROM events WHERE job = ? ORDER BY seq", []any{id}, func(scan func(...any) error) error {
		e := &workflow.Event{Shop: shop, Job: w.Job}
		var at int64
		var text string
		err := scan(&e.Seq, &at, &e.By.Role, &e.By.ID, &e.Wire, &e.Prev, &text)
		e.At, e.Data = time.UnixMilli(at).UTC(), json.RawMessage(text)
		w.Events = append(w.Events, e)
		return err
	})
	if err != nil {
		return err
	}
	if err := each("SELECT digest, salt, text FROM vault WHERE job = ?", []any{id}, func(scan func(...any) error) error {
		var x workflow.Secret
		err := scan(&x.Digest, &x.Salt, &x.Text)
		w.Secrets = append(w.Secrets, x)
		return err
	}); err != nil {
		return err
	}
	if err := each("SELECT "+entryColumns+", body FROM outbox WHERE job = ?", []any{id}, func(scan func(...any) error) error {
		var body []byte
		e, err := scanEntry(scan, &body)
		e.Body = body
		w.Entries = append(w.Entries, e)
		return err
	}); err != nil {
		return err
	}
	store.Tidy(w)
	return nil
}

// In writes a part in place of what is there, all of it or nothing.
func (s *Store) In(ctx context.Context, shop workflow.ShopID, p *workflow.Part) error {
	type wanted struct {
		*row
		whole *workflow.Whole
		old   stored
	}
	jobs := make([]wanted, len(p.Jobs))
	for i := range p.Jobs {
		w := &p.Jobs[i]
		if err := store.CheckWhole(shop, w); err != nil {
			return err
		}
		r, err := brought(shop, w)
		if err != nil {
			return err
		}
		jobs[i] = wanted{row: r, whole: w}
	}
	q := &request{}
	q.do = func(t *tx) error {
		for i := range jobs {
			x := &jobs[i]
			x.old = stored{}
			var state string
			found, err := t.one("SELECT id, version, stage, ended, calm, due_at, wake_at, text_sum, state FROM jobs WHERE shop = ? AND number = ?", []any{x.shop, x.number},
				&x.old.id, &x.old.version, &x.old.stage, &x.old.ended, &x.old.calm, &x.old.due, &x.old.wakeAt, &x.old.textSum, &state)
			if err == nil && found {
				err = store.Follows(x.whole, json.RawMessage(state))
			}
			if err != nil {
				return err
			}
			q.sweep = q.sweep || found // a person may be forgotten by it
		}
		for i := range jobs {
			x := &jobs[i]
			for _, table := range []string{"events", "vault", "outbox"} {
				if x.old.id == 0 {
					break
				}
				if err := t.exec("DELETE FROM "+table+" WHERE job = ?", x.old.id); err != nil {
					return err
				}
			}
			id, err := x.writeJob(t, x.old)
			if err == nil {
				err = x.writeRows(t, id)
			}
			if err != nil {
				return err
			}
		}
		return rowsIn(t, string(shop), p)
	}
	return s.write.submit(ctx, q)
}

// brought returns a job in the form in which it is written.
func brought(shop workflow.ShopID, w *workflow.Whole) (*row, error) {
	x := &w.Index
	r := &row{
		shop: string(shop), number: string(w.Job), version: int64(len(w.Events)), state: string(w.State), index: *x, textSum: sum(x.Text),
		changedAt: x.ChangedAt.UnixMilli(), due: none, wakeAt: stamp(w.WakeAt), secrets: w.Secrets,
	}
	if !x.DueAt.IsZero() {
		r.due = x.DueAt.UnixMilli()
	}
	if w.Course != nil {
		var c workflow.Course
		if err := json.Unmarshal(w.Course, &c); err != nil {
			return nil, fmt.Errorf("the course of job %s can't be read: %w", w.Job, err)
		}
		r.course, r.bookedAt = string(w.Course), c.BookedAt.UnixMilli()
	}
	for _, e := range w.Events {
		r.events = append(r.events, event{e.Seq, e.At.UnixMilli(), string(e.By.Role), e.By.ID, e.Wire, e.Prev, string(e.Data)})
	}
	for _, n := range w.Entries {
		n.Lease, n.LeaseUntil = "", time.Time{}
		n.Attempts = append([]workflow.Attempt(nil), n.Attempts...)
		r.notices = append(r.notices, n)
	}
	return r, nil
}

// rowsIn writes the rows beside the jobs.
func rowsIn(t *tx, shop string, p *workflow.Part) error {
	for i := range p.Links {
		l := &p.Links[i]
		if err := t.exec("INSERT OR REPLACE INTO links (shop, job, hash, id, purpose, quote, expires_at, revoked) SELECT ?1, id, ?3, ?4, ?5, ?6, ?7, ?8 FROM jobs WHERE shop = ?1 AND number = ?2",
			shop, string(l.Job), l.Hash[:], l.ID, string(l.Purpose), l.Quote, stamp(l.ExpiresAt), l.Revoked); err != nil {
			return err
		}
	}
	for i := range p.Steps {
		x := &p.Steps[i]
		if err := t.exec("INSERT OR REPLACE INTO once (shop, job, key, digest, result, until) SELECT ?1, id, ?3, ?4, ?5, ?6 FROM jobs WHERE shop = ?1 AND number = ?2",
			shop, string(x.Job), x.Key, x.Digest, x.Result, stamp(x.Until)); err != nil {
			return err
		}
	}
	for i := range p.Keys {
		k := &p.Keys[i]
		if err := t.exec(putKey, shop, k.Bucket, k.Key, present(k.Value), stamp(k.Until)); err != nil {
			return err
		}
	}
	return nil
}

// Hold keeps a shop's jobs as they are, until it is called with no reason.
func (s *Store) Hold(ctx context.Context, shop workflow.ShopID, why string) error {
	return s.write.update(ctx, func(t *tx) error {
		if why == "" {
			return t.exec("DELETE FROM held WHERE shop = ?", string(shop))
		}
		return t.exec("INSERT OR REPLACE INTO held (shop, why) VALUES (?, ?)", string(shop), why)
	})
}

// Held returns the reason of the hold in force, "" for none.
func (s *Store) Held(ctx context.Context, shop workflow.ShopID) (why string, err error) {
	_, err = s.read.one(ctx, "SELECT why FROM held WHERE shop = ?", []any{string(shop)}, &why)
	return why, err
}

// Shops returns the shops that the file has anything of, in the order of their names.
func (s *Store) Shops(ctx context.Context) (out []workflow.ShopID, err error) {
	err = s.read.each(ctx, "SELECT DISTINCT shop FROM stages UNION SELECT DISTINCT shop FROM keys ORDER BY shop", nil, func(scan func(...any) error) error {
		var shop workflow.ShopID
		err := scan(&shop)
		out = append(out, shop)
		return err
	})
	return out, err
}
