package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/memory"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

const shop workflow.ShopID = "harbour"

func openIn(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(context.Background(), dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB) workflow.Store { return openIn(t, t.TempDir()) })
}

func TestKeepsWhatItWasGiven(t *testing.T) {
	dir := t.TempDir()
	storetest.Durable(t, func(t testing.TB) workflow.Store { return openIn(t, dir) },
		func(t testing.TB, s workflow.Store) workflow.Store {
			require.NoError(t, s.Close())
			return openIn(t, dir)
		})
}

// book writes the n-th job.
func book(t testing.TB, s *Store, n int) *storetest.History {
	t.Helper()
	h := storetest.NewHistory(shop, storetest.Number(n))
	c := h.Book("Mira Osei", "film scanner", "Hums, then stops.")
	require.NoError(t, s.Commit(t.Context(), c))
	h.Accept(c)
	return h
}

func TestOpenMakesAFolderOfItsOwn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a b", "50% of #1, what?")
	s := openIn(t, dir)
	book(t, s, 1)
	f, err := os.Stat(filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), f.Mode().Perm(), "it holds names and addresses")
	f, err = os.Stat(filepath.Join(dir, FileName+"-wal"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), f.Mode().Perm())
	f, err = os.Stat(dir)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), f.Mode().Perm())

	ctx := t.Context()
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "secure_delete": "1", "application_id": "1651406692", "user_version": "4"} {
		var got string
		require.NoError(t, s.write.conn.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got))
		require.Equal(t, want, got, pragma)
	}
	_, err = s.read.db.ExecContext(ctx, "DELETE FROM events")
	require.Error(t, err, "readers only read")
	require.NoError(t, s.Close())
	_, err = os.Stat(filepath.Join(dir, FileName+"-wal"))
	require.ErrorIs(t, err, os.ErrNotExist, "a store that was closed is one file")
}

// refused checks that a folder can't be opened, and that the person is told why in a sentence.
func refused(t *testing.T, open func(context.Context, string) (*Store, error), dir, says string) {
	t.Helper()
	_, err := open(t.Context(), dir)
	require.Error(t, err)
	require.Contains(t, workflow.MessageOf(err), says)
}

func TestAFolderHasOneServer(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	h := book(t, s, 1)
	refused(t, Open, dir, "Another benchword has the data folder "+dir+" open.")

	beside, err := OpenBeside(t.Context(), dir)
	require.NoError(t, err)
	c := h.Write("From beside.")
	require.NoError(t, beside.Commit(t.Context(), c))
	v, err := s.Version(t.Context(), shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, c.State.Version, v)
	require.ErrorIs(t, s.Commit(t.Context(), c), workflow.ErrConflict)
	require.NoError(t, beside.Close())
	refused(t, Open, dir, "Another benchword")

	require.NoError(t, s.Close())
	beside, err = OpenBeside(t.Context(), dir)
	require.NoError(t, err)
	refused(t, Open, dir, "Another benchword") // a command that found nobody is alone as well
	require.NoError(t, beside.Close())
	s = openIn(t, dir)
	_, err = s.Job(t.Context(), shop, h.Job)
	require.NoError(t, err)
}

func alter(t *testing.T, dir, statement string) {
	t.Helper()
	db, err := sql.Open("sqlite", address(filepath.Join(dir, FileName)))
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), statement)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

func TestOnlyOurOwnFileIsOpened(t *testing.T) {
	ours := func() string {
		dir := t.TempDir()
		s := openIn(t, dir)
		book(t, s, 1)
		require.NoError(t, s.Close())
		return dir
	}
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	for says, content := range map[string][]byte{"can't be read as a database": bytes.Repeat([]byte("not a database\n"), 1000), "is not a benchword database": []byte("x")} {
		require.NoError(t, os.WriteFile(path, content, 0o600))
		refused(t, Open, dir, says)
		after, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, content, after, "and is left as it was")
	}
	require.NoError(t, os.Remove(path))
	alter(t, dir, "CREATE TABLE things (a)")
	refused(t, Open, dir, "is not a benchword database")
	alter(t, dir, "DROP TABLE things; PRAGMA user_version = 1")
	refused(t, Open, dir, "is not a benchword database")

	dir = ours()
	alter(t, dir, "PRAGMA user_version = 99")
	before, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	refused(t, Open, dir, "was written by a newer benchword (its form is 99, this program knows up to 4)")
	after, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.True(t, bytes.Equal(before, after))

	dir = ours()
	raw, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	for i := range 16 {
		raw[i] ^= 0xff // the first bytes of every SQLite file
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), raw, 0o600))
	refused(t, Open, dir, "put a backup in its place")

	// A file of no length is what a crash right at the first start leaves.
	dir = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), nil, 0o600))
	openIn(t, dir)
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	refused(t, Open, file, "can't be made")
}

func TestAnOlderFileIsNotChangedUnderARunningServer(t *testing.T) {
	dir := t.TempDir()
	openIn(t, dir)
	alter(t, dir, "PRAGMA user_version = 0")
	refused(t, OpenBeside, dir, "is of an older form and a server has it open")
}

func TestMigrationsAreInOrder(t *testing.T) {
	steps, err := migrations()
	require.NoError(t, err)
	require.Len(t, steps, 4)
	for _, s := range steps {
		require.False(t, strings.Contains(strings.ToUpper(s), "COMMIT;"), "all steps are one transaction")
	}
}

// A file of the first form gets its courses from the jobs' states, as commits would have given them.
func TestCoursesOfOlderFiles(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	for n := range 3 {
		h := book(t, s, n)
		for _, step := range []func() *workflow.Commit{
			func() *workflow.Commit { return h.Move(workflow.StageReceived) }, func() *workflow.Commit { return h.Promise(10) },
			func() *workflow.Commit { return h.Move(workflow.StageShipped) },
		}[:n+1] {
			c := step()
			require.NoError(t, s.Commit(t.Context(), c))
			h.Accept(c)
		}
	}
	want, err := s.Courses(t.Context(), shop, nil, 10)
	require.NoError(t, err)
	require.Len(t, want, 3)
	require.NoError(t, s.Close())
	alter(t, dir, withoutLanes+"DROP TABLE courses; PRAGMA user_version = 1")
	s = openIn(t, dir)
	got, err := s.Courses(t.Context(), shop, nil, 10)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

// withoutLanes leads from the newest form back to the second.
const withoutLanes = `DROP TABLE held; DROP INDEX outbox_head; DROP INDEX outbox_ready; ALTER TABLE outbox DROP COLUMN channel; ALTER TABLE outbox DROP COLUMN via;
	CREATE INDEX outbox_head ON outbox (job) WHERE head = 1; CREATE INDEX outbox_ready ON outbox (shop, ready_at, number) WHERE head = 1;`

// What waits in a file of the second form is mail, and goes out in the order in which it would have.
func TestMailsOfOlderFiles(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	h := book(t, s, 1)
	c := h.Write("second")
	require.NoError(t, s.Commit(t.Context(), c))
	want, err := s.Entries(t.Context(), shop, h.Job)
	require.NoError(t, err)
	require.Len(t, want, 2)
	require.NoError(t, s.Close())
	alter(t, dir, withoutLanes+"PRAGMA user_version = 2")
	s = openIn(t, dir)
	for i, w := range want {
		now := storetest.Begin.Add(time.Hour)
		got, err := s.ClaimEntries(t.Context(), shop, workflow.Claim{Now: now, Until: now.Add(time.Hour), Limit: 10, Lease: fmt.Sprint(i)})
		require.NoError(t, err)
		require.Len(t, got, 1)
		require.Equal(t, w.ID, got[0].ID)
		require.NoError(t, s.SettleEntry(t.Context(), shop, workflow.Settlement{Entry: w.ID, Lease: fmt.Sprint(i), State: workflow.EntrySent}))
	}
}

// TestForgottenIsGone looks for forgotten words in the bytes of the files themselves.
func TestForgottenIsGone(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	var histories []*storetest.History
	word := func(what string, n int) string { return fmt.Sprintf("%s%dq%dz", what, n*7919%1009, n) }
	// Enough jobs, one after the other and then changed here and there, that pages split and fill again.
	for n := range 300 {
		h := storetest.NewHistory(shop, storetest.Number(n))
		c := h.Book(word("zyxname", n), "film scanner", strings.Repeat(word("jvkfault", n)+" ", 1+n%30))
		c.Notices[0].Body = []byte(strings.Repeat(word("wqxmail", n)+"\n", 50+n))
		c.Once = &workflow.Once{Key: fmt.Sprint(n), Result: []byte(word("gxqonce", n))}
		require.NoError(t, s.Commit(t.Context(), c))
		h.Accept(c)
		histories = append(histories, h)
	}
	for round := range 3 {
		for n, h := range histories {
			c := h.Write(strings.Repeat(word("kzqletter", n)+" ", 1+(n*31+round*17)%200))
			require.NoError(t, s.Commit(t.Context(), c))
			h.Accept(c)
		}
	}
	files := map[string][]byte{}
	read := func() {
		for _, name := range []string{FileName, FileName + "-wal"} {
			raw, err := os.ReadFile(filepath.Join(dir, name))
			require.NoError(t, err)
			files[name] = raw
		}
	}
	held := func(n int) (found []string) {
		for name, raw := range files {
			for _, what := range []string{"zyxname", "jvkfault", "wqxmail", "gxqonce", "kzqletter"} {
				if bytes.Contains(raw, []byte(word(what, n))) {
					found = append(found, what+" in "+name)
				}
			}
		}
		return found
	}
	read()
	require.NotEmpty(t, held(7), "this test can see")
	var forgotten []int
	for n := 0; n < len(histories); n += 3 {
		h := histories[n]
		c := h.Erase()
		c.Index.Text, c.Index.Person = string(h.Job), ""
		require.NoError(t, s.Commit(t.Context(), c))
		forgotten = append(forgotten, n)
	}
	// The log is emptied after the last answer; a key more comes behind it.
	require.NoError(t, s.PutKey(t.Context(), shop, "b", "k", nil, time.Time{}))
	read()
	for _, n := range forgotten {
		require.Empty(t, held(n), "job %d", n)
	}
	require.NotEmpty(t, held(1), "others are not forgotten")
	s.mustBeWhole(t)
}

// mustBeWhole runs SQLite's own check, which compares the search index with its content too.
func (s *Store) mustBeWhole(t testing.TB) {
	t.Helper()
	require.NoError(t, check(context.Background(), s.path))
	rows, err := s.read.db.Query("PRAGMA foreign_key_check")
	require.NoError(t, err)
	require.False(t, rows.Next(), "every row has its job")
	require.NoError(t, rows.Close())
}

func TestBackupWhileRunning(t *testing.T) {
	s := openIn(t, t.TempDir())
	for n := range 50 {
		book(t, s, n)
	}
	ctx, stop := context.WithCancel(t.Context())
	written := make(chan int)
	go func() {
		n := 50
		for ; ctx.Err() == nil; n++ {
			book(t, s, n)
		}
		written <- n
	}()
	dir := t.TempDir()
	path := filepath.Join(dir, "copy of it.db")
	require.NoError(t, s.Backup(t.Context(), path))
	stop()
	require.Greater(t, <-written, 50, "writing went on")

	require.Contains(t, workflow.MessageOf(s.Backup(t.Context(), path)), "there is something of that name already")
	require.Contains(t, workflow.MessageOf(s.Backup(t.Context(), filepath.Join(dir, "no", "such"))), "Check that its folder is there")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	require.Error(t, s.Backup(ended, filepath.Join(dir, "another")))
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Equal(t, []string{path}, names, "a backup that failed leaves nothing")
	f, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), f.Mode().Perm())

	restored := t.TempDir()
	require.NoError(t, os.Rename(path, filepath.Join(restored, FileName)))
	r := openIn(t, restored)
	for n := range 50 {
		j, err := r.Job(t.Context(), shop, storetest.Number(n))
		require.NoError(t, err)
		require.Equal(t, "Mira Osei", j.Customer.Name.Text)
	}
	found, err := r.Search(t.Context(), shop, "osei", 50)
	require.NoError(t, err)
	require.Len(t, found, 50)
	book(t, r, 100000)
	r.mustBeWhole(t)
}

func TestADamagedCopyIsNoticed(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	for n := range 50 {
		book(t, s, n)
	}
	require.NoError(t, s.Close())
	path := filepath.Join(dir, FileName)
	require.NoError(t, check(t.Context(), path))
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := range 3 * 4096 {
		raw[len(raw)/2+i] ^= 0x55
	}
	require.NoError(t, os.WriteFile(path, raw, 0o600))
	require.Error(t, check(t.Context(), path))
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	require.Error(t, check(t.Context(), path))
}

func TestARestartTakesUpWhatWasLeased(t *testing.T) {
	s := openIn(t, t.TempDir())
	h := book(t, s, 1)
	book(t, s, 2)
	claim := workflow.Claim{Now: h.Now, Until: h.Now.Add(time.Hour), Limit: 1, Lease: "killed"}
	first, err := s.ClaimEntries(t.Context(), shop, claim)
	require.NoError(t, err)
	require.Len(t, first, 1)
	require.NoError(t, s.ReleaseLeases(t.Context(), "another"))
	require.ErrorIs(t, s.SettleEntry(t.Context(), "another", workflow.Settlement{Entry: first[0].ID, Lease: "killed", State: workflow.EntrySent}), workflow.ErrConflict)
	require.NoError(t, s.ReleaseLeases(t.Context(), shop))
	require.ErrorIs(t, s.SettleEntry(t.Context(), shop, workflow.Settlement{Entry: first[0].ID, Lease: "killed", State: workflow.EntrySent}), workflow.ErrConflict, "whoever held it finds it lost")
	claim.Limit, claim.Lease = 10, "after"
	both, err := s.ClaimEntries(t.Context(), shop, claim)
	require.NoError(t, err)
	require.Len(t, both, 2)
}

// TestNothingLooksThroughAll asks SQLite how it would find the rows of every statement that the store
// has used: by an index, whatever the number of jobs.
func TestNothingLooksThroughAll(t *testing.T) {
	s := openIn(t, t.TempDir())
	h := book(t, s, 1)
	ctx, now := t.Context(), h.Now
	row := &workflow.Row{Job: h.Job}
	for _, f := range []workflow.BoardFilter{{}, {Ended: true}, {Stage: workflow.StageBooked}, {Stage: workflow.StageShipped, Ended: true}} {
		for _, f.After = range []*workflow.Row{nil, row} {
			f.Limit = 10
			_, err := s.Board(ctx, shop, f)
			require.NoError(t, err)
		}
	}
	_, _ = s.Job(ctx, shop, h.Job)
	_, _ = s.Version(ctx, shop, h.Job)
	_, _ = s.Events(ctx, shop, h.Job, 0)
	_, _ = s.Link(ctx, shop, [32]byte{})
	_, _ = s.Search(ctx, shop, "osei", 10)
	_, _ = s.Counts(ctx, shop)
	_, _ = s.Due(ctx, shop, now, 10)
	_, _ = s.NextWake(ctx, shop)
	_, _ = s.Done(ctx, shop, "k")
	_, _ = s.Entries(ctx, shop, h.Job)
	_, _ = s.EntriesIn(ctx, shop, workflow.EntryBuried, 10)
	_, _ = s.NextEntry(ctx, shop, "")
	_, _ = s.Failing(ctx, shop, "")
	entries, err := s.ClaimEntries(ctx, shop, workflow.Claim{Now: now, Until: now, Limit: 10, Lease: "a"})
	require.NoError(t, err)
	require.NoError(t, s.SettleEntry(ctx, shop, workflow.Settlement{Entry: entries[0].ID, Lease: "a", State: workflow.EntryBuried}))
	require.NoError(t, s.Requeue(ctx, shop, entries[0].ID, now))
	require.NoError(t, s.ReleaseLeases(ctx, shop))
	_, err = s.CountKey(ctx, shop, "b", "k", now, now)
	require.NoError(t, err)
	_, _ = s.GetKey(ctx, shop, "b", "k", now)
	_, _ = s.ListKeys(ctx, shop, "b", now)
	require.NoError(t, s.DeleteKey(ctx, shop, "b", "k"))
	require.NoError(t, s.SweepKeys(ctx, shop, now))
	c := h.Erase()
	c.Once, c.WakeAt = &workflow.Once{Key: "k"}, now
	require.NoError(t, s.Commit(ctx, c))

	var queries []string
	for q := range s.read.kept {
		queries = append(queries, q)
	}
	for q := range s.write.kept {
		queries = append(queries, q)
	}
	require.Greater(t, len(queries), 35)
	for _, q := range queries {
		if strings.Contains("BEGIN IMMEDIATE COMMIT ROLLBACK", q) {
			continue
		}
		for _, line := range plan(t, s, q) {
			switch {
			case line == "SCAN held": // a row for each shop that is held, none as a rule
			case line == "SCAN CONSTANT ROW", line == "SCAN (subquery-1)", strings.HasPrefix(line, "SCAN search VIRTUAL TABLE"), strings.HasPrefix(line, "SCAN json_each VIRTUAL TABLE"):
			case strings.HasPrefix(line, "SCAN"):
				t.Errorf("looks through all: %s\n%s", q, line)
			case strings.Contains(q, "attempts IS NOT NULL"): // lanes of a channel that failed: few
			case strings.Contains(line, "USE TEMP B-TREE FOR ORDER BY") && !strings.Contains(q, "search MATCH"):
				t.Errorf("sorts: %s\n%s", q, line)
			case strings.HasSuffix(line, " (shop=?)") && !strings.Contains(line, "stages") && !strings.Contains(line, "outbox_ready") && !strings.Contains(q, "LIMIT"):
				t.Errorf("looks through all of a shop: %s\n%s", q, line)
			}
		}
	}
	require.Contains(t, strings.Join(plan(t, s, "SELECT 1 FROM jobs WHERE title = 'x'"), "\n"), "SCAN jobs", "this test can see")
}

func plan(t *testing.T, s *Store, query string) (lines []string) {
	nulls := make([]any, strings.Count(query, "?"))
	rows, err := s.read.db.QueryContext(t.Context(), "EXPLAIN QUERY PLAN "+query, nulls...)
	require.NoError(t, err, query)
	defer rows.Close()
	for rows.Next() {
		var id, parent, unused int
		var line string
		require.NoError(t, rows.Scan(&id, &parent, &unused, &line))
		lines = append(lines, line)
	}
	return lines
}

// FuzzSearch holds any text and any query to what the reference finds.
func FuzzSearch(f *testing.F) {
	f.Add("Mira Osei, film scanner", "osei")
	f.Add("Äußere Straße 5", "STRASSE \"x\" OR *")
	f.Add("a\x00b\xff\u0301\U0001e900", "\u0301 b")
	f.Add("ﬁﬂ ½ Ⅷ ΐ", "fi")
	s, reference := openIn(f, f.TempDir()), memory.New()
	n := 0
	f.Fuzz(func(t *testing.T, text, query string) {
		n++
		mine := workflow.ShopID(fmt.Sprint("shop-", n))
		h := storetest.NewHistory(mine, storetest.Number(n))
		c := h.Book("Mira Osei", "film scanner", "Hums.")
		c.Index.Text = text
		require.NoError(t, s.Commit(t.Context(), c))
		require.NoError(t, reference.Commit(t.Context(), c))
		for _, q := range []string{query, text} {
			got, err := s.Search(t.Context(), mine, q, 10)
			require.NoError(t, err)
			want, err := reference.Search(t.Context(), mine, q, 10)
			require.NoError(t, err)
			require.Equal(t, want, got)
		}
	})
}

// A file that may not grow is told from one that is damaged; both are told from what is only refused.
func TestFullAndDamagedAreTold(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	h := book(t, s, 1)
	var pages int
	require.NoError(t, s.write.conn.QueryRowContext(t.Context(), "PRAGMA page_count").Scan(&pages))
	require.NoError(t, s.write.exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)))
	long := h.Note(strings.Repeat("It hums. ", 5000))
	require.ErrorIs(t, s.Commit(t.Context(), long), workflow.ErrFull)
	require.NoError(t, s.write.exec("PRAGMA max_page_count = 1000000"))
	require.NoError(t, s.Commit(t.Context(), long), "nothing of the first try is there")

	_, err := s.Job(t.Context(), shop, storetest.Number(9))
	require.NotErrorIs(t, err, workflow.ErrUnavailable)
	require.NoError(t, s.Close())
	file, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(t, err)
	for at := 4096; at < len(file); at += 4096 { // the first page stays: the file opens
		copy(file[at:], bytes.Repeat([]byte{0xff}, 64))
	}
	damaged := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(damaged, FileName), file, 0o600))
	x, err := Open(t.Context(), damaged)
	if err == nil {
		defer x.Close()
		_, err = x.Job(t.Context(), shop, h.Job)
		require.ErrorIs(t, err, workflow.ErrDamaged)
		err = x.Backup(t.Context(), filepath.Join(t.TempDir(), "copy.db"))
	}
	require.Contains(t, workflow.MessageOf(err), "damaged")
}
