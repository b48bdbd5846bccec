package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/store"
)

// row is a commit in the form in which it is written: nothing in it is the caller's any more.
type row struct {
	shop, number   string
	expect         int64
	version        int64
	state          string
	index          workflow.Index
	course         string // JSON, "" for none
	bookedAt       int64
	textSum        int64
	changedAt, due int64
	wakeAt         any
	events         []event
	secrets        []workflow.Secret
	links          []workflow.LinkRow
	notices        []workflow.Entry
	settle         *settlement
	once           *workflow.Once
	forget, hasten bool
	wipe           []string
	requeue        []string
	sendAt         int64
}

type event struct {
	seq, at                          int64
	role, actor, wire, prev, payload string
}

// encode checks a commit and takes everything out of it that is to be written. A commit that can't be
// kept is a mistake of the program, not of a person.
func encode(c *workflow.Commit) (*row, error) {
	if err := store.Check(c); err != nil {
		return nil, err
	}
	state, err := json.Marshal(c.State)
	if err != nil {
		return nil, fmt.Errorf("commit of %s: %w", c.Job, err)
	}
	r := &row{
		shop: string(c.Shop), number: string(c.Job), expect: c.Expect, version: c.State.Version, state: string(state),
		index: c.Index, textSum: sum(c.Index.Text), changedAt: c.Index.ChangedAt.UnixMilli(), due: none, wakeAt: stamp(c.WakeAt),
		secrets: append([]workflow.Secret(nil), c.Secrets...), links: append([]workflow.LinkRow(nil), c.Links...),
		forget: c.Forget, hasten: c.Hasten, wipe: slices.Clone(c.Wipe), requeue: slices.Clone(c.Requeue), sendAt: c.SendAt().UnixMilli(),
	}
	if !c.Index.DueAt.IsZero() {
		r.due = c.Index.DueAt.UnixMilli()
	}
	if c.Course != nil {
		course, err := json.Marshal(c.Course)
		if err != nil {
			return nil, fmt.Errorf("commit of %s: %w", c.Job, err)
		}
		r.course, r.bookedAt = string(course), c.Course.BookedAt.UnixMilli()
	}
	for _, e := range c.Events {
		r.events = append(r.events, event{e.Seq, e.At.UnixMilli(), string(e.By.Role), e.By.ID, e.Wire, e.Prev, string(e.Data)})
	}
	for _, n := range c.Notices {
		n.Body = append([]byte(nil), n.Body...)
		n.Attempts = append([]workflow.Attempt(nil), n.Attempts...)
		r.notices = append(r.notices, n)
	}
	slices.SortFunc(r.notices, func(a, b workflow.Entry) int { return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID)) })
	if c.Settle != nil {
		if r.settle, err = encodeSettlement(c.Settle); err != nil {
			return nil, err
		}
	}
	if c.Once != nil {
		once := *c.Once
		once.Result = append([]byte(nil), once.Result...)
		r.once = &once
	}
	return r, nil
}

// Commit writes c, or nothing.
func (s *Store) Commit(ctx context.Context, c *workflow.Commit) error {
	r, err := encode(c)
	if err != nil {
		return err
	}
	return s.write.submit(ctx, &request{do: r.write, sweep: c.Forget || len(c.Wipe) > 0})
}

// write is the commit itself: first all that may refuse it, then what it writes.
//
// Upserts, RETURNING and the like are left out on purpose: SQLite guards each such statement with a
// savepoint, at which the search index writes out what it holds, instead of once for the whole group.
func (r *row) write(t *tx) error {
	if r.settle == nil {
		if err := t.kept(r.shop); err != nil {
			return err
		}
	}
	if r.once != nil {
		first, found, err := t.once(r.shop, r.once.Key)
		if err != nil {
			return err
		}
		if found {
			return &workflow.AlreadyDone{Once: first}
		}
	}
	old, err := r.find(t)
	if err != nil {
		return err
	}
	if r.settle != nil {
		entry, err := r.settle.find(t, r.shop)
		if err != nil {
			return err
		}
		if err := r.settle.write(t, entry); err != nil {
			return err
		}
	}
	id, err := r.writeJob(t, old)
	if err != nil {
		return err
	}
	for _, entry := range r.requeue {
		if _, err := t.requeue(id, entry, r.sendAt); err != nil {
			return err
		}
	}
	if r.hasten {
		if err := t.exec("UPDATE outbox SET not_before = ?1 WHERE job = ?2 AND via = '' AND state = 'queued' AND not_before > ?1", r.sendAt, id); err != nil {
			return err
		}
	}
	if r.forget {
		for _, q := range []string{
			"DELETE FROM vault WHERE job = ?",
			"UPDATE once SET result = NULL WHERE job = ?",
			"UPDATE outbox SET body = NULL WHERE job = ? AND body IS NOT NULL",
			"UPDATE outbox SET attempts = (SELECT json_group_array(json_remove(value, '$.words')) FROM json_each(attempts)) WHERE job = ? AND attempts IS NOT NULL",
		} {
			if err := t.exec(q, id); err != nil {
				return err
			}
		}
	}
	for _, digest := range r.wipe {
		if err := t.exec("DELETE FROM vault WHERE job = ? AND digest = ?", id, digest); err != nil {
			return err
		}
	}
	if err := r.writeRows(t, id); err != nil {
		return err
	}
	for _, l := range r.links {
		args := []any{l.ID, string(l.Purpose), l.Quote, stamp(l.ExpiresAt), l.Revoked, r.shop, l.Hash[:], id}
		n, err := t.changed("UPDATE links SET id = ?, purpose = ?, quote = ?, expires_at = ?, revoked = ? WHERE shop = ? AND hash = ? AND job = ?", args...)
		if err == nil && n == 0 {
			err = t.exec("INSERT INTO links (id, purpose, quote, expires_at, revoked, shop, hash, job) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", args...)
		}
		if err != nil {
			return err
		}
	}
	if o := r.once; o != nil {
		return t.exec("INSERT INTO once (shop, key, job, digest, result, until) VALUES (?, ?, ?, ?, ?, ?)", r.shop, o.Key, id, o.Digest, o.Result, stamp(o.Until))
	}
	return nil
}

// writeRows writes what belongs to a job: its course, and its new secrets, events and notices.
func (r *row) writeRows(t *tx, id int64) error {
	if r.course != "" {
		n, err := t.changed("UPDATE courses SET course = ? WHERE job = ?", r.course, id)
		if err == nil && n == 0 {
			err = t.exec("INSERT INTO courses (job, shop, booked_at, number, course) VALUES (?, ?, ?, ?, ?)", id, r.shop, r.bookedAt, r.number, r.course)
		}
		if err != nil {
			return err
		}
	}
	for _, x := range r.secrets {
		if err := t.exec("INSERT INTO vault (job, digest, salt, text) VALUES (?, ?, ?, ?)", id, x.Digest, x.Salt, x.Text); err != nil {
			return err
		}
	}
	for _, e := range r.events {
		if err := t.exec("INSERT INTO events (job, seq, at, role, actor, wire, prev, payload) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", id, e.seq, e.at, e.role, e.actor, e.wire, e.prev, e.payload); err != nil {
			return err
		}
	}
	return t.queue(id, r.notices)
}

// stored is what there is of a job; an id of 0 means nothing.
type stored struct {
	id, version, ended, calm, due, textSum int64
	stage                                  string
	wakeAt                                 sql.NullInt64
}

// find looks for the job and refuses a version other than the expected.
func (r *row) find(t *tx) (old stored, err error) {
	if _, err = t.one("SELECT id, version, stage, ended, calm, due_at, wake_at, text_sum FROM jobs WHERE shop = ? AND number = ?", []any{r.shop, r.number},
		&old.id, &old.version, &old.stage, &old.ended, &old.calm, &old.due, &old.wakeAt, &old.textSum); err != nil {
		return old, err
	}
	if old.version != r.expect {
		return old, workflow.Conflict(fmt.Errorf("version %d of %s expected, %d found", r.expect, r.number, old.version))
	}
	return old, nil
}

// writeJob writes the job with its index, and returns its id. Statements that touch an index of the
// database run only where what they index has changed: each would write a page somewhere else.
func (r *row) writeJob(t *tx, old stored) (id int64, err error) {
	x := &r.index
	if old.id == 0 {
		if id, err = t.insert(`INSERT INTO jobs (shop, number, version, stage, ended, calm, due_at, hold, waiting, title, person, changed_at, wake_at, text_sum, state)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			r.shop, r.number, r.version, string(x.Stage), x.Ended, !x.Breached, r.due, string(x.OnHold), x.Waiting, x.Title, x.Person, r.changedAt, r.wakeAt, r.textSum, r.state); err != nil {
			return 0, err
		}
		words := indexed(x.Text)
		if err := t.exec("INSERT INTO texts (job, text, words) VALUES (?, ?, ?)", id, x.Text, words); err != nil {
			return 0, err
		}
		if err := t.exec("INSERT INTO search (rowid, words) VALUES (?, ?)", id, words); err != nil {
			return 0, err
		}
		return id, t.count(r.shop, string(x.Stage), 1)
	}
	if old.textSum != r.textSum {
		if err := t.reindex(old.id, x.Text); err != nil {
			return 0, err
		}
	}
	if old.stage != string(x.Stage) {
		if err := t.count(r.shop, old.stage, -1); err != nil {
			return 0, err
		}
		if err := t.count(r.shop, string(x.Stage), 1); err != nil {
			return 0, err
		}
	}
	same := old.stage == string(x.Stage) && (old.ended != 0) == x.Ended && (old.calm == 0) == x.Breached && old.due == r.due &&
		stamp(instant(old.wakeAt)) == r.wakeAt
	const rest = "version = ?, hold = ?, waiting = ?, title = ?, person = ?, changed_at = ?, text_sum = ?, state = ?"
	args := []any{r.version, string(x.OnHold), x.Waiting, x.Title, x.Person, r.changedAt, r.textSum, r.state}
	if same {
		return old.id, t.exec("UPDATE jobs SET "+rest+" WHERE id = ?", append(args, old.id)...)
	}
	return old.id, t.exec("UPDATE jobs SET "+rest+", stage = ?, ended = ?, calm = ?, due_at = ?, wake_at = ? WHERE id = ?",
		append(args, string(x.Stage), x.Ended, !x.Breached, r.due, r.wakeAt, old.id)...)
}

// count moves a stage's number of jobs.
func (t *tx) count(shop, stage string, by int) error {
	n, err := t.changed("UPDATE stages SET jobs = jobs + ? WHERE shop = ? AND stage = ?", by, shop, stage)
	if err == nil && n == 0 {
		err = t.exec("INSERT INTO stages (jobs, shop, stage) VALUES (?, ?, ?)", by, shop, stage)
	}
	return err
}

const onceOf = "SELECT key, digest, result, until FROM once WHERE shop = ? AND key = ?"

func (t *tx) once(shop, key string) (o workflow.Once, found bool, err error) {
	var until sql.NullInt64
	found, err = t.one(onceOf, []any{shop, key}, &o.Key, &o.Digest, &o.Result, &until)
	o.Until = instant(until)
	return o, found, err
}

// Done returns the step that was done under a key and has not been swept since. Error: ErrNotFound.
func (s *Store) Done(ctx context.Context, shop workflow.ShopID, key string) (workflow.Once, error) {
	var o workflow.Once
	var until sql.NullInt64
	found, err := s.read.one(ctx, onceOf, []any{string(shop), key}, &o.Key, &o.Digest, &o.Result, &until)
	if err == nil && !found {
		err = notFound("step")
	}
	if err != nil {
		return workflow.Once{}, err
	}
	o.Until = instant(until)
	return o, nil
}

// Job returns a job as it stands, unsealed.
func (s *Store) Job(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	// One statement, so that state and vault are of one moment. The state's own row has no digest.
	const query = `SELECT '', state FROM jobs WHERE shop = ?1 AND number = ?2 UNION ALL
		SELECT v.digest, v.text FROM jobs j JOIN vault v ON v.job = j.id WHERE j.shop = ?1 AND j.number = ?2`
	var j *workflow.Job
	vault := workflow.Vault{}
	err := s.read.each(ctx, query, []any{string(shop), string(n)}, func(scan func(...any) error) error {
		var digest string
		var text sql.RawBytes
		if err := scan(&digest, &text); err != nil {
			return err
		}
		if digest != "" {
			vault[digest] = string(text)
			return nil
		}
		j = new(workflow.Job)
		return json.Unmarshal(text, j)
	})
	if err != nil {
		return nil, fmt.Errorf("job %s: %w", n, err)
	}
	if j == nil {
		return nil, notFound("job")
	}
	vault.Unseal(j)
	return j, nil
}

// Version returns a job's version.
func (s *Store) Version(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (int64, error) {
	var v int64
	found, err := s.read.one(ctx, "SELECT version FROM jobs WHERE shop = ? AND number = ?", []any{string(shop), string(n)}, &v)
	if err == nil && !found {
		err = notFound("job")
	}
	return v, err
}

// Events returns a job's events after a sequence number, decoded and unsealed; none for a job that is
// not there.
func (s *Store) Events(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber, after int64) ([]*workflow.Event, error) {
	// Vault rows come first, as sequence number 0: one statement, so that both are of one moment.
	const query = `SELECT 0 AS seq, 0, '', '', v.digest, '', v.text FROM jobs j JOIN vault v ON v.job = j.id WHERE j.shop = ?1 AND j.number = ?2 UNION ALL
		SELECT e.seq, e.at, e.role, e.actor, e.wire, e.prev, e.payload FROM jobs j JOIN events e ON e.job = j.id WHERE j.shop = ?1 AND j.number = ?2 AND e.seq > ?3
		ORDER BY seq`
	var out []*workflow.Event
	vault := workflow.Vault{}
	err := s.read.each(ctx, query, []any{string(shop), string(n), after}, func(scan func(...any) error) error {
		e := &workflow.Event{Shop: shop, Job: n}
		var at int64
		var text string
		if err := scan(&e.Seq, &at, &e.By.Role, &e.By.ID, &e.Wire, &e.Prev, &text); err != nil {
			return err
		}
		if e.Seq == 0 {
			vault[e.Wire] = text
			return nil
		}
		e.At, e.Data = time.UnixMilli(at).UTC(), json.RawMessage(text)
		if err := e.Decode(); err != nil {
			return err
		}
		vault.Unseal(e.Payload)
		out = append(out, e)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("events of %s: %w", n, err)
	}
	return out, nil
}

// Link looks a link up.
func (s *Store) Link(ctx context.Context, shop workflow.ShopID, hash link.Hash) (workflow.LinkRow, error) {
	l := workflow.LinkRow{Hash: hash}
	var expires sql.NullInt64
	found, err := s.read.one(ctx, "SELECT j.number, l.id, l.purpose, l.quote, l.expires_at, l.revoked FROM links l JOIN jobs j ON j.id = l.job WHERE l.shop = ? AND l.hash = ?",
		[]any{string(shop), hash[:]}, &l.Job, &l.ID, &l.Purpose, &l.Quote, &expires, &l.Revoked)
	if err == nil && !found {
		err = notFound("link")
	}
	if err != nil {
		return workflow.LinkRow{}, err
	}
	l.ExpiresAt = instant(expires)
	return l, nil
}

// rowColumns are what rows reads.
const rowColumns = "number, stage, ended, calm, due_at, hold, waiting, title, person, changed_at, text"

func (s *Store) rows(ctx context.Context, query string, args ...any) ([]workflow.Row, error) {
	var out []workflow.Row
	err := s.read.each(ctx, query, args, func(scan func(...any) error) error {
		var r workflow.Row
		if err := scanRow(scan, &r); err != nil {
			return err
		}
		out = append(out, r)
		return nil
	})
	return out, err
}

// scanRow reads what stands before rowColumns into first, and them into r.
func scanRow(scan func(...any) error, r *workflow.Row, first ...any) error {
	var calm bool
	var due, changed int64
	if err := scan(append(first, &r.Job, &r.Stage, &r.Ended, &calm, &due, &r.OnHold, &r.Waiting, &r.Title, &r.Person, &changed, &r.Text)...); err != nil {
		return err
	}
	r.Breached, r.ChangedAt = !calm, time.UnixMilli(changed).UTC()
	if due != none {
		r.DueAt = time.UnixMilli(due).UTC()
	}
	return nil
}

// Board lists jobs. A stage that jobs end in is listed in the order of running ones unless Ended is
// set. A limit of zero or less lists nothing.
func (s *Store) Board(ctx context.Context, shop workflow.ShopID, f workflow.BoardFilter) ([]workflow.Row, error) {
	if f.Limit <= 0 {
		return nil, ctx.Err()
	}
	query, args := "SELECT "+rowColumns+" FROM jobs CROSS JOIN texts ON job = id WHERE shop = ?", []any{string(shop)}
	if f.Stage != "" {
		query, args = query+" AND stage = ?", append(args, string(f.Stage))
	}
	switch {
	case f.Ended:
		query += " AND ended = 1"
		if a := f.After; a != nil {
			query += " AND changed_at <= ? AND (changed_at < ? OR number > ?)"
			args = append(args, a.ChangedAt.UnixMilli(), a.ChangedAt.UnixMilli(), string(a.Job))
		}
		query += " ORDER BY changed_at DESC, number LIMIT ?"
	default:
		if f.Stage == "" {
			query += " AND ended = 0"
		}
		if a := f.After; a != nil {
			due := none
			if !a.DueAt.IsZero() {
				due = a.DueAt.UnixMilli()
			}
			query += " AND (calm, due_at, number) > (?, ?, ?)"
			args = append(args, !a.Breached, due, string(a.Job))
		}
		query += " ORDER BY calm, due_at, number LIMIT ?"
	}
	return s.rows(ctx, query, append(args, f.Limit)...)
}

// Counts returns the number of jobs in each stage that has any.
func (s *Store) Counts(ctx context.Context, shop workflow.ShopID) (map[workflow.Stage]int, error) {
	out := map[workflow.Stage]int{}
	err := s.read.each(ctx, "SELECT stage, jobs FROM stages WHERE shop = ? AND jobs > 0", []any{string(shop)}, func(scan func(...any) error) error {
		var stage workflow.Stage
		var n int
		if err := scan(&stage, &n); err != nil {
			return err
		}
		out[stage] = n
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Courses lists courses, the latest booked first.
func (s *Store) Courses(ctx context.Context, shop workflow.ShopID, after *workflow.Course, limit int) ([]workflow.Course, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	query, args := "SELECT course FROM courses WHERE shop = ?", []any{string(shop)}
	if after != nil {
		query, args = query+" AND (booked_at, number) < (?, ?)", append(args, after.BookedAt.UnixMilli(), string(after.Job))
	}
	var out []workflow.Course
	err := s.read.each(ctx, query+" ORDER BY booked_at DESC, number DESC LIMIT ?", append(args, limit), func(scan func(...any) error) error {
		var text sql.RawBytes
		if err := scan(&text); err != nil {
			return err
		}
		var c workflow.Course
		if err := json.Unmarshal(text, &c); err != nil {
			return fmt.Errorf("course: %w", err)
		}
		out = append(out, c)
		return nil
	})
	return out, err
}

// Due returns the jobs whose wake-up instant is at or before now, the longest overdue first.
func (s *Store) Due(ctx context.Context, shop workflow.ShopID, now time.Time, limit int) ([]workflow.JobNumber, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	var out []workflow.JobNumber
	err := s.read.each(ctx, "SELECT number FROM jobs WHERE shop = ? AND wake_at <= ? ORDER BY wake_at, number LIMIT ?", []any{string(shop), now.UnixMilli(), limit}, func(scan func(...any) error) error {
		var n workflow.JobNumber
		err := scan(&n)
		out = append(out, n)
		return err
	})
	return out, err
}

// NextWake returns the earliest wake-up instant, zero if there is none.
func (s *Store) NextWake(ctx context.Context, shop workflow.ShopID) (time.Time, error) {
	var at sql.NullInt64
	_, err := s.read.one(ctx, "SELECT wake_at FROM jobs WHERE shop = ? AND wake_at IS NOT NULL ORDER BY wake_at LIMIT 1", []any{string(shop)}, &at)
	return instant(at), err
}
