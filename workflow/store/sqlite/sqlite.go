// Package sqlite keeps a shop's jobs, outbox and keys in one SQLite file, benchword.db in the data
// folder: the store of a server that stands alone.
//
// Contract, beyond that of [workflow.Store]:
//
//   - What was acknowledged is on the disk: the write-ahead log is synced before a commit returns
//     (synchronous=FULL). A process that is killed, or a machine whose power fails, loses nothing that
//     was acknowledged, provided that the disk does not lie about syncing.
//   - One goroutine writes. It takes whatever waits as one group and syncs once for all of it. A commit
//     that is refused or fails takes nothing of its neighbours with it. Readers read beside it and never
//     wait for it.
//   - A folder has one server: [Open] refuses a folder that another process has open. [OpenBeside] is
//     for one short command beside a running server.
//   - A file of a newer benchword, or one that is not benchword's, is refused and not touched. One of
//     an older benchword is brought up to date in one transaction.
//   - Personal data that is forgotten is overwritten in the file and the log, not only marked as free.
//     What the disk or the file system keeps of overwritten blocks is beyond it.
//
// Instants are kept to the millisecond.
package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchword/workflow"

	driver "modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"
)

const (
	// FileName is the database's name within the data folder.
	FileName = "benchword.db"
	lockName = "benchword.lock"
	// applicationID marks the file as benchword's: "bnwd" in ASCII, at offset 68 of the file's header.
	applicationID = 0x626e7764
	headerSize    = 100 // bytes

	// Page caches in KiB. They are what an idle server keeps in memory; the operating system's own
	// cache does the rest.
	writerCache = 8 << 10
	readerCache = 2 << 10
	readers     = 4
	// checkpointAt is the size of the log, in pages of 4 KiB, at which it is moved into the file.
	checkpointAt = 2000
)

//go:embed schema/*.sql
var schema embed.FS

// Store is one open database. Make one with [Open]; it is safe for concurrent use.
type Store struct {
	path  string
	write *writer
	read  *reader
	lock  io.Closer

	closing sync.Once
	closed  error
}

var _ workflow.Store = (*Store)(nil)

// Open opens the database in a data folder, and makes folder and database if they are not there. It is
// the only one to have the folder open until [Store.Close]. Errors are [workflow.Error] with a sentence
// for the person who started the program.
func Open(ctx context.Context, dir string) (*Store, error) { return open(ctx, dir, false) }

// OpenBeside opens the database like [Open], but also where a running server has it open: for one short
// command. Two things are not for it while a server runs: to bring an older database up to date, and to
// wake the server, which learns of a change when it next looks.
func OpenBeside(ctx context.Context, dir string) (*Store, error) { return open(ctx, dir, true) }

// unusable is a folder or database that can't be opened.
func unusable(cause error, format string, args ...any) error {
	return &workflow.Error{Code: workflow.CodeInternal, Message: fmt.Sprintf(format, args...), Err: cause}
}

// settle makes the driver's process-wide settings, once, before the first file is opened. Where a
// platform lacks one, its default serves as well, only slower or less forgiving.
var settle = sync.OnceFunc(func() {
	// A commit waits for data and size, not for the file's time stamps: as durable, and faster.
	_, _ = driver.Fdatasync(true)
	// Without it, closing any other descriptor of the file in this process drops SQLite's locks.
	_, _ = driver.OFDLocking(true)
})

func open(ctx context.Context, dir string, beside bool) (_ *Store, err error) {
	settle()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, unusable(err, "The data folder %s can't be made. Check the path and who may write there.", dir)
	}
	s := &Store{path: filepath.Join(dir, FileName)}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	alone := true
	if s.lock, err = lock(ctx, filepath.Join(dir, lockName)); err != nil {
		if !isBusy(err) {
			return nil, unusable(err, "The data folder %s can't be written to. Check who may write there.", dir)
		}
		if alone = false; !beside {
			return nil, unusable(err, "Another benchword has the data folder %s open. Stop that one first, or give this one a folder of its own.", dir)
		}
	}
	if f, err := os.Stat(s.path); err == nil && f.Size() > 0 && f.Size() < headerSize {
		// SQLite takes what is too short to be a database for an empty one.
		return nil, unusable(nil, "The file %s is not a benchword database. Move it away, or give another data folder.", s.path)
	}
	// Made here, so that nobody but its owner may read it; the log takes its mode from it.
	f, err := os.OpenFile(s.path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, unusable(err, "The database %s can't be opened. Check who may read and write it.", s.path)
	}
	if err := f.Close(); err != nil {
		return nil, unusable(err, "The database %s can't be opened.", s.path)
	}
	if err := s.prepare(ctx, alone); err != nil {
		return nil, err
	}
	w, err := newWriter(ctx, s.path)
	if err != nil {
		return nil, unusable(err, "The database %s can't be written to.", s.path)
	}
	s.write = w
	if s.read, err = newReader(s.path); err != nil {
		return nil, unusable(err, "The database %s can't be read.", s.path)
	}
	return s, nil
}

// Close finishes the commits that were begun, moves the log into the file and releases the folder.
func (s *Store) Close() error {
	s.closing.Do(func() { s.closed = s.close() })
	return s.closed
}

func (s *Store) close() error {
	var errs []error
	if s.read != nil {
		errs = append(errs, s.read.end(), s.read.db.Close())
	}
	if s.write != nil {
		errs = append(errs, s.write.close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// address returns the driver's name for a database file with settings for every connection.
func address(path string, pragmas ...string) string {
	q := url.Values{"_pragma": pragmas}
	return (&url.URL{Scheme: "file", Opaque: escapePath(path), RawQuery: q.Encode()}).String()
}

// escapePath keeps a path's own "?", "#" and "%" from being read as part of an address.
func escapePath(path string) string {
	return strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(filepath.ToSlash(path))
}

// settings are those that every connection needs.
func settings(cache int, more ...string) []string {
	return append([]string{
		"busy_timeout(10000)", // only a command beside the server makes anybody wait
		// References are kept right by the one who writes: no row is written but for a job just found, and
		// jobs are never deleted. Checking each again would cost a tenth of a commit. Tests check all.
		"foreign_keys(off)",
		"cache_size(-" + strconv.Itoa(cache) + ")",
		"mmap_size(0)", // what is mapped counts as resident
		"temp_store(memory)",
		"trusted_schema(off)",
	}, more...)
}

// lock takes the folder's lock: an exclusive transaction on an empty database beside the real one. It
// ends with the process, however that ends, on every platform.
func lock(ctx context.Context, path string) (io.Closer, error) {
	db, err := sql.Open("sqlite", address(path, "busy_timeout(0)", "cache_size(-64)", "journal_mode(off)"))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	if _, err = db.ExecContext(ctx, "BEGIN EXCLUSIVE"); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// isBusy reports whether somebody else holds a lock on the file.
func isBusy(err error) bool {
	var e *driver.Error
	return errors.As(err, &e) && e.Code()&0xff == codes.SQLITE_BUSY
}

// told says of an error what the service and those above it ask: whether room is lacking, or the file damaged.
func told(err error) error {
	var e *driver.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff {
	case codes.SQLITE_FULL:
		return fmt.Errorf("%w: %w", workflow.ErrFull, err)
	case codes.SQLITE_CORRUPT, codes.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", workflow.ErrDamaged, err)
	case codes.SQLITE_IOERR, codes.SQLITE_READONLY, codes.SQLITE_CANTOPEN:
		return fmt.Errorf("%w: %w", workflow.ErrUnavailable, err)
	}
	return err
}

// prepare looks whether the file is ours and of a version that this program knows, and brings it up to
// date.
func (s *Store) prepare(ctx context.Context, alone bool) error {
	db, err := sql.Open("sqlite", address(s.path, settings(readerCache)...))
	if err != nil {
		return unusable(err, "The database %s can't be opened.", s.path)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var app, version, tables int
	err = db.QueryRowContext(ctx, "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema) FROM pragma_application_id, pragma_user_version").Scan(&app, &version, &tables)
	switch {
	case err != nil:
		return unusable(err, "The file %s can't be read as a database. If it was damaged, put a backup in its place.", s.path)
	case app == 0 && version == 0 && tables == 0: // just made
	case app != applicationID:
		return unusable(nil, "The file %s is not a benchword database. Move it away, or give another data folder.", s.path)
	}
	steps, err := migrations()
	if err != nil {
		return err
	}
	switch {
	case version > len(steps):
		return unusable(nil, "The database %s was written by a newer benchword (its form is %d, this program knows up to %d). Start that version again, or put an older backup in its place.", s.path, version, len(steps))
	case version < len(steps) && !alone:
		return unusable(nil, "The database %s is of an older form and a server has it open. Stop the server, and start it in this version first.", s.path)
	}
	if version == len(steps) {
		return nil
	}
	if _, err := db.ExecContext(ctx, "PRAGMA journal_mode(wal)"); err != nil {
		return unusable(err, "The database %s can't be written to. Check who may write there, and that it is on a local disk.", s.path)
	}
	script := fmt.Sprintf("PRAGMA secure_delete(on); BEGIN IMMEDIATE; PRAGMA application_id = %d;\n", applicationID)
	script += strings.Join(steps[version:], "\n") + fmt.Sprintf("\nPRAGMA user_version = %d; COMMIT;", len(steps))
	if _, err := db.ExecContext(ctx, script); err != nil {
		return unusable(err, "The database %s can't be brought up to date; it was left as it is.", s.path)
	}
	return nil
}

// migrations returns the steps that lead from an empty file to the newest form: the n-th leads to
// version n. Their file names start with their number.
func migrations() ([]string, error) {
	names, err := fs.Glob(schema, "schema/*.sql")
	if err != nil {
		return nil, err
	}
	var steps []string
	for i, name := range names {
		if !strings.HasPrefix(filepath.Base(name), fmt.Sprintf("%04d_", i+1)) {
			return nil, fmt.Errorf("migration %s is out of order", name)
		}
		b, err := schema.ReadFile(name)
		if err != nil {
			return nil, err
		}
		steps = append(steps, string(b))
	}
	return steps, nil
}

// none stands for "no due instant known" in the order of the board: after every other.
const none = int64(1<<63 - 1)

// stamp returns an instant as it is stored, nil for none.
func stamp(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMilli()
}

// instant reads what stamp wrote.
func instant(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return time.UnixMilli(ms.Int64).UTC()
}

func notFound(what string) error {
	return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such " + what + "."}
}

// statements runs queries and keeps them prepared.
type statements struct {
	from interface {
		PrepareContext(ctx context.Context, query string) (*sql.Stmt, error)
	}
	mu   sync.RWMutex
	kept map[string]*sql.Stmt
}

func (p *statements) stmt(ctx context.Context, query string) (*sql.Stmt, error) {
	p.mu.RLock()
	st := p.kept[query]
	p.mu.RUnlock()
	if st != nil {
		return st, nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if st = p.kept[query]; st != nil {
		return st, nil
	}
	st, err := p.from.PrepareContext(ctx, query)
	if err != nil {
		return nil, told(err)
	}
	if p.kept == nil {
		p.kept = map[string]*sql.Stmt{}
	}
	p.kept[query] = st
	return st, nil
}

// end closes the statements: a connection whose statements are open outlives its own closing.
func (p *statements) end() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	var errs []error
	for _, st := range p.kept {
		errs = append(errs, st.Close())
	}
	p.kept = nil
	return errors.Join(errs...)
}

// each calls do for every row of a query.
func (p *statements) each(ctx context.Context, query string, args []any, do func(scan func(...any) error) error) error {
	st, err := p.stmt(ctx, query)
	if err != nil {
		return err
	}
	rows, err := st.QueryContext(ctx, args...)
	if err != nil {
		return told(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := do(rows.Scan); err != nil {
			return err
		}
	}
	return told(rows.Err())
}

// one reads the first row of a query into dest; found is false if there is none.
func (p *statements) one(ctx context.Context, query string, args []any, dest ...any) (found bool, err error) {
	st, err := p.stmt(ctx, query)
	if err != nil {
		return false, err
	}
	err = st.QueryRowContext(ctx, args...).Scan(dest...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, told(err)
}

// reader is a pool of connections that only read.
type reader struct {
	statements
	db *sql.DB
}

func newReader(path string) (*reader, error) {
	db, err := sql.Open("sqlite", address(path, settings(readerCache, "query_only(on)")...))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(readers)
	db.SetMaxIdleConns(readers)
	return &reader{statements: statements{from: db}, db: db}, nil
}
