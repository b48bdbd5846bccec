package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"

	"benchword/workflow"
)

// mostInGroup bounds a group, so that nobody waits for more than this many others.
const mostInGroup = 256

var errClosed = errors.New("the store is closed")

// writer owns the one connection that writes, and the goroutine that does.
type writer struct {
	statements
	db   *sql.DB
	conn *sql.Conn

	requests chan *request
	stop     chan struct{} // closed by close
	closing  sync.Once
	stopped  chan struct{} // closed when the goroutine has ended

	// groups and commits count what was done, for the benchmark.
	groups, commits atomic.Int64
	// held are the shops whose jobs stay as they are, with the reason, as of the transaction that runs.
	held map[string]string
	// sweep asks for the log to be emptied once nobody reads from it: personal data was forgotten.
	sweep bool
}

// request is one step that waits to be written.
type request struct {
	do     func(t *tx) error
	sweep  bool
	given  atomic.Bool // whoever sets it first decides: taken up, or given up
	err    error
	answer chan error
}

func newWriter(ctx context.Context, path string) (*writer, error) {
	db, err := sql.Open("sqlite", address(path, settings(writerCache,
		"synchronous(full)", "secure_delete(on)", "wal_autocheckpoint("+strconv.Itoa(checkpointAt)+")", "journal_size_limit(67108864)")...))
	if err != nil {
		return nil, err
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	// A backup that was put in place comes without a log.
	var mode string
	if err := conn.QueryRowContext(ctx, "PRAGMA journal_mode(wal)").Scan(&mode); err != nil || mode != "wal" {
		return nil, errors.Join(fmt.Errorf("journal mode is %q", mode), err, conn.Close(), db.Close())
	}
	w := &writer{
		statements: statements{from: conn}, db: db, conn: conn,
		requests: make(chan *request), stop: make(chan struct{}), stopped: make(chan struct{}),
	}
	go w.run()
	return w, nil
}

// submit hands a step to the writer and waits until it is durable, or refused. If the context ends
// first the step may still be done, whole.
func (w *writer) submit(ctx context.Context, r *request) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	r.answer = make(chan error, 1)
	select {
	case w.requests <- r:
	case <-ctx.Done():
		return ctx.Err()
	case <-w.stop:
		return errClosed
	}
	select {
	case err := <-r.answer:
		return err
	case <-ctx.Done():
		r.given.CompareAndSwap(false, true)
		return ctx.Err()
	}
}

// update is submit for a step without ceremony.
func (w *writer) update(ctx context.Context, do func(t *tx) error) error {
	return w.submit(ctx, &request{do: do})
}

func (w *writer) close() error {
	w.closing.Do(func() { close(w.stop) })
	<-w.stopped
	return errors.Join(w.end(), w.conn.Close(), w.db.Close())
}

func (w *writer) run() {
	defer close(w.stopped)
	var group []*request
	for {
		select {
		case r := <-w.requests:
			group = w.gather(append(group[:0], r))
			w.commit(group)
		case <-w.stop:
			return
		}
	}
}

// gather adds what else is waiting. Those that were answered a moment ago get a chance to come back.
func (w *writer) gather(group []*request) []*request {
	yielded := false
	for len(group) < mostInGroup {
		select {
		case r := <-w.requests:
			group = append(group, r)
		default:
			if yielded {
				return group
			}
			yielded = true
			runtime.Gosched()
		}
	}
	return group
}

// commit does a group in one transaction and answers all of it after the transaction is on the disk.
//
// A request that is refused has written nothing yet, so the others go on. One that fails in the middle
// spoils the transaction: then each is done again in one of its own. (A savepoint around each would do
// the same, but makes the search index write out what it holds at every one of them.)
func (w *writer) commit(group []*request) {
	group = slices.DeleteFunc(group, func(r *request) bool { return !r.given.CompareAndSwap(false, true) })
	if w.together(group) && len(group) > 1 {
		for i := range group {
			w.together(group[i : i+1])
		}
	}
	for _, r := range group {
		if r.err == nil {
			w.commits.Add(1)
			w.sweep = w.sweep || r.sweep
		}
		r.answer <- r.err
	}
	if w.sweep {
		w.empty()
	}
}

// together does requests in one transaction and notes what came of each. If one of them spoilt it,
// nothing was written.
func (w *writer) together(group []*request) (spoilt bool) {
	w.groups.Add(1)
	err := w.exec("BEGIN IMMEDIATE")
	if err == nil {
		err = w.holds()
	}
	if err == nil {
		for _, r := range group {
			t := &tx{w: w}
			if r.err = r.do(t); r.err != nil && t.wrote {
				err = r.err
				break
			}
		}
		if err == nil {
			if err = w.exec("COMMIT"); err == nil {
				return false
			}
		}
		spoilt = true
		// The transaction may be gone already; then there is nothing to roll back.
		_ = w.exec("ROLLBACK")
	}
	for _, r := range group {
		r.err = err
	}
	return spoilt
}

// holds looks which shops are held: another process may have changed that.
func (w *writer) holds() error {
	w.held = nil
	return w.each(context.Background(), "SELECT shop, why FROM held", nil, func(scan func(...any) error) error {
		var shop, why string
		if err := scan(&shop, &why); err != nil {
			return err
		}
		if w.held == nil {
			w.held = map[string]string{}
		}
		w.held[shop] = why
		return nil
	})
}

// kept refuses what would change a job while its shop is held.
func (t *tx) kept(shop string) error {
	if why, held := t.w.held[shop]; held {
		return fmt.Errorf("%w: %s", workflow.ErrUnavailable, why)
	}
	return nil
}

// empty moves the log into the file and cuts it to nothing. Where somebody still reads from it, the
// next group tries again.
func (w *writer) empty() {
	var busy, log, moved int
	row := w.conn.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint(truncate)")
	w.sweep = row.Scan(&busy, &log, &moved) != nil || busy != 0
}

func (w *writer) exec(query string, args ...any) error {
	_, err := w.do(query, args...)
	return err
}

func (w *writer) do(query string, args ...any) (sql.Result, error) {
	st, err := w.stmt(context.Background(), query)
	if err != nil {
		return nil, err
	}
	res, err := st.ExecContext(context.Background(), args...)
	return res, told(err)
}

// tx is what a step works on: the writer's connection, inside the group's transaction. A step must not
// keep it, and what it refers to must be its own: its caller may have gone. It has no context: a step
// that was begun is finished.
//
// A step may be done more than once, if the transaction that it was in came to nothing.
type tx struct {
	w     *writer
	wrote bool // a step that is refused must not have written
}

func (t *tx) exec(query string, args ...any) error {
	t.wrote = true
	return t.w.exec(query, args...)
}

// changed runs a statement and returns how many rows it changed.
func (t *tx) changed(query string, args ...any) (int64, error) {
	t.wrote = true
	res, err := t.w.do(query, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

// insert runs a statement and returns the id of the row that it inserted.
func (t *tx) insert(query string, args ...any) (int64, error) {
	t.wrote = true
	res, err := t.w.do(query, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

func (t *tx) one(query string, args []any, dest ...any) (found bool, err error) {
	return t.w.one(context.Background(), query, args, dest...)
}

func (t *tx) each(query string, args []any, do func(scan func(...any) error) error) error {
	return t.w.each(context.Background(), query, args, do)
}
