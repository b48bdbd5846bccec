package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

// benchJobs is how many jobs the commits of a benchmark are spread over.
const benchJobs = 4000

// telling returns a commit of one event with one notice: three rows.
func telling(h *storetest.History) *workflow.Commit {
	c := h.Try("Stops at the third frame, each time after about a minute.")
	storetest.Tell(c, workflow.NoticeReady)
	return c
}

// BenchmarkGroupedCommits compares commits by many writers with the bare driver, which writes the same
// three rows (event, job, entry) in groups of the same size and with the same care for the disk, turn
// by turn in one run. "of-raw" is the median of the turns' ratios. What the store does besides is to
// encode the job, to check its version, to keep each commit apart from its neighbours, to find the entry
// its place in the queue, and to hand everything from goroutine to goroutine.
//
// Figures (two shared cores): 0.56 and 0.43 of the raw driver in the calmest run (8 and 64 writers), up to
// 1.09 and 0.66 where the disk was slow (aim 0.7, missed).
//
//	go test ./workflow/store/sqlite -run XXX -bench Grouped
func BenchmarkGroupedCommits(b *testing.B) {
	for _, writers := range []int{8, 64} {
		b.Run(fmt.Sprint(writers, "-writers"), func(b *testing.B) {
			const turns = 4 // of all the jobs
			ctx := context.Background()
			s := openIn(b, b.TempDir())
			raw := newRaw(b)
			histories := make([]*storetest.History, benchJobs)
			spread(writers, benchJobs, func(i int) {
				h := storetest.NewHistory(shop, storetest.Number(i))
				// A job of a few KiB, as they are once a device has been looked at.
				for _, next := range []func() *workflow.Commit{
					func() *workflow.Commit { return h.Book("Mira Osei", "film scanner", "Hums, then stops.") },
					func() *workflow.Commit { return h.Note(strings.Repeat("Scratches on the lid. ", 100)) },
				} {
					c := next()
					if err := s.Commit(ctx, c); err != nil {
						b.Error(err)
					}
					h.Accept(c)
				}
				histories[i] = h
			})
			raw.begin(b, s, histories)
			order := rand.New(rand.NewPCG(1, 2)).Perm(benchJobs)
			var ours, theirs []float64 // commits a second
			var ratios, work []float64
			done, groups := 0, int64(0)
			for turn := 0; done < b.N; turn++ {
				const each = benchJobs / turns
				mine := order[turn%turns*each:][:each]
				commits := make([]*workflow.Commit, each)
				spread(2, each, func(i int) { commits[i] = telling(histories[mine[i]]) })
				rows := raw.encode(b, commits, mine)

				before, began, used := s.write.groups.Load(), time.Now(), processor()
				spread(writers, each, func(i int) {
					if err := s.Commit(ctx, commits[i]); err != nil {
						b.Error(err)
					}
				})
				us, usUsed := time.Since(began), processor()-used
				made := s.write.groups.Load() - before
				began, used = time.Now(), processor()
				raw.write(b, rows, max(1, each/int(made)))
				them, themUsed := time.Since(began), processor()-used

				for i, c := range commits {
					histories[mine[i]].Accept(c)
				}
				done, groups = done+each, groups+made
				ours, theirs = append(ours, each/us.Seconds()), append(theirs, each/them.Seconds())
				ratios = append(ratios, them.Seconds()/us.Seconds())
				work = append(work, themUsed.Seconds()/usUsed.Seconds())
			}
			b.ReportMetric(median(ours), "commits/s")
			b.ReportMetric(median(theirs), "raw-commits/s")
			b.ReportMetric(median(ratios), "of-raw")
			b.ReportMetric(median(work), "of-raw-cpu")
			b.ReportMetric(float64(done)/float64(groups), "a-group")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// processor is the processor time that this process has used.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func median(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}

// spread does n things by a number of goroutines.
func spread(by, n int, do func(i int)) {
	var all sync.WaitGroup
	for w := range by {
		all.Go(func() {
			for i := w; i < n; i += by {
				do(i)
			}
		})
	}
	all.Wait()
}

// raw is the bare driver.
type raw struct {
	conn                *sql.Conn
	begins, commits     *sql.Stmt
	event, job, entries *sql.Stmt
}

func newRaw(b *testing.B) *raw {
	db, err := sql.Open("sqlite", address(filepath.Join(b.TempDir(), "raw.db"), settings(writerCache, "journal_mode(wal)", "synchronous(full)", "wal_autocheckpoint("+strconv.Itoa(checkpointAt)+")")...))
	require.NoError(b, err)
	r := &raw{}
	r.conn, err = db.Conn(b.Context())
	require.NoError(b, err)
	_, err = r.conn.ExecContext(b.Context(), `
		CREATE TABLE events (job INTEGER, seq INTEGER, at INTEGER, role TEXT, actor TEXT, wire TEXT, prev TEXT, payload TEXT, PRIMARY KEY (job, seq));
		CREATE TABLE jobs (id INTEGER PRIMARY KEY, version INTEGER, state TEXT);
		CREATE TABLE outbox (id TEXT PRIMARY KEY, job INTEGER, seq INTEGER, kind TEXT, state TEXT, made_at INTEGER)`)
	require.NoError(b, err)
	for st, q := range map[**sql.Stmt]string{
		&r.begins: "BEGIN IMMEDIATE", &r.commits: "COMMIT", &r.event: "INSERT INTO events (seq, at, role, actor, wire, prev, payload, job) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
		&r.job: "UPDATE jobs SET version = ?, state = ? WHERE id = ?", &r.entries: "INSERT INTO outbox (seq, kind, made_at, id, job, state) VALUES (?, ?, ?, ?, ?, 'queued')",
	} {
		*st, err = r.conn.PrepareContext(b.Context(), q)
		require.NoError(b, err)
	}
	b.Cleanup(func() {
		for _, st := range []*sql.Stmt{r.begins, r.commits, r.event, r.job, r.entries} {
			require.NoError(b, st.Close())
		}
		require.NoError(b, r.conn.Close())
		require.NoError(b, db.Close())
	})
	return r
}

func (r *raw) do(b *testing.B, st *sql.Stmt, args ...any) {
	if _, err := st.ExecContext(context.Background(), args...); err != nil {
		b.Fatal(err)
	}
}

// begin returns it what the store has by then.
func (r *raw) begin(b *testing.B, s *Store, histories []*storetest.History) {
	r.do(b, r.begins)
	for i, h := range histories {
		j, err := s.Job(b.Context(), h.Shop, h.Job)
		require.NoError(b, err)
		state, err := json.Marshal(j)
		require.NoError(b, err)
		_, err = r.conn.ExecContext(b.Context(), "INSERT INTO jobs VALUES (?, ?, ?)", i, h.Version(), string(state))
		require.NoError(b, err)
		for _, e := range h.Events {
			r.do(b, r.event, eventRow(e, i)...)
		}
		r.do(b, r.entries, 1, "booked", h.Now.UnixMilli(), string(h.Job)+"-1-booked", i)
	}
	r.do(b, r.commits)
}

func eventRow(e *workflow.Event, job int) []any {
	return []any{e.Seq, e.At.UnixMilli(), string(e.By.Role), e.By.ID, e.Wire, e.Prev, string(e.Data), job}
}

// rawRows is what one commit comes to.
type rawRows struct{ event, job, entry []any }

func (r *raw) encode(b *testing.B, commits []*workflow.Commit, jobs []int) (out []rawRows) {
	for i, c := range commits {
		state, err := json.Marshal(c.State)
		require.NoError(b, err)
		e, n := c.Events[0], c.Notices[0]
		out = append(out, rawRows{
			eventRow(e, jobs[i]),
			[]any{c.State.Version, string(state), jobs[i]},
			[]any{n.Seq, string(n.Kind), n.MadeAt.UnixMilli(), n.ID, jobs[i]},
		})
	}
	return out
}

func (r *raw) write(b *testing.B, rows []rawRows, group int) {
	for i := 0; i < len(rows); i += group {
		r.do(b, r.begins)
		for k := i; k < min(i+group, len(rows)); k++ {
			r.do(b, r.event, rows[k].event...)
			r.do(b, r.job, rows[k].job...)
			r.do(b, r.entries, rows[k].entry...)
		}
		r.do(b, r.commits)
	}
}

const many = 100_000

// large returns a folder with 100,000 jobs, most of them ended, made once for all benchmarks. Their
// text is made of a few thousand words, so that some searches find little and some find a lot.
var large = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "benchword-large-")
	if err != nil {
		return "", err
	}
	ctx := context.Background()
	s, err := Open(ctx, dir)
	if err != nil {
		return "", err
	}
	devices := []string{"film scanner", "stage piano", "field recorder", "marine radio", "bench supply"}
	began := time.Now()
	var mu sync.Mutex
	var failed error
	spread(64, many, func(i int) {
		h := storetest.NewHistory(shop, storetest.Number(i))
		h.Now = h.Now.Add(-time.Duration(many-i) * 10 * time.Minute)
		name := fmt.Sprintf("Person%d Family%d", i%9973, i%3001)
		step := func(c *workflow.Commit) {
			err := s.Commit(ctx, c)
			h.Accept(c)
			// Of 100,000 numbers out of 2^30 a few are the same.
			if err != nil && !errors.Is(err, workflow.ErrConflict) {
				mu.Lock()
				failed = err
				mu.Unlock()
			}
		}
		c := h.Book(name, devices[i%len(devices)], fmt.Sprintf("Fault %d: hums and stops after a while, worse when warm", i%911))
		if i%20 == 0 {
			c.WakeAt, c.Index.DueAt, c.Index.Breached = h.Now.AddDate(0, 0, 30), h.Now.AddDate(0, 0, 30), i%200 == 0
		}
		step(c)
		if i%20 != 0 {
			c := h.Move(workflow.StageShipped)
			step(c)
		}
	})
	if failed == nil {
		failed = s.Close()
	}
	size, _ := os.Stat(filepath.Join(dir, FileName))
	fmt.Printf("%d jobs written in %v, %d MiB\n", many, time.Since(began).Round(time.Second), size.Size()>>20)
	return dir, failed
})

// BenchmarkManyJobs measures what a counter with 100,000 jobs waits for.
func BenchmarkManyJobs(b *testing.B) {
	dir, err := large()
	require.NoError(b, err)
	defer os.RemoveAll(dir)
	ctx := context.Background()
	b.Run("open", func(b *testing.B) {
		for range b.N {
			s, err := Open(ctx, dir)
			require.NoError(b, err)
			_, err = s.Version(ctx, shop, storetest.Number(7))
			require.NoError(b, err)
			require.NoError(b, s.Close())
		}
	})
	b.Run("idle", func(b *testing.B) {
		for range b.N {
			child := exec.Command(os.Args[0])
			child.Env = append(os.Environ(), idleDir+"="+dir)
			child.Stderr = os.Stderr
			out, err := child.Output()
			require.NoError(b, err)
			kib, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
			require.NoError(b, err)
			b.ReportMetric(kib/1024, "resident-MiB")
		}
	})
	s, err := Open(ctx, dir)
	require.NoError(b, err)
	defer s.Close()
	rows := func(f func() ([]workflow.Row, error), want int) func(b *testing.B) {
		return func(b *testing.B) {
			for range b.N {
				got, err := f()
				if err != nil || len(got) != want {
					b.Fatal(len(got), err)
				}
			}
		}
	}
	board := func(f workflow.BoardFilter) func() ([]workflow.Row, error) {
		f.Limit = 50
		return func() ([]workflow.Row, error) { return s.Board(ctx, shop, f) }
	}
	search := func(q string) func() ([]workflow.Row, error) {
		return func() ([]workflow.Row, error) { return s.Search(ctx, shop, q, 50) }
	}
	b.Run("board", rows(board(workflow.BoardFilter{}), 50))
	b.Run("board-ended", rows(board(workflow.BoardFilter{Ended: true}), 50))
	b.Run("board-stage", rows(board(workflow.BoardFilter{Stage: workflow.StageBooked}), 50))
	b.Run("board-page-90", rows(func() ([]workflow.Row, error) {
		all, err := s.Board(ctx, shop, workflow.BoardFilter{Limit: 1})
		if err != nil {
			return nil, err
		}
		all[0].Breached, all[0].DueAt = false, storetest.Begin.AddDate(0, 0, 10)
		return board(workflow.BoardFilter{After: &all[0]})()
	}, 50))
	b.Run("search-number", rows(search(string(storetest.Number(777))), 1))
	b.Run("search-name", rows(search("person77 famil"), 11))
	b.Run("search-two-common", rows(search("scanner 91"), 50))
	b.Run("search-every-job", rows(search("halden"), 50))
	b.Run("search-one-letter", rows(search("h"), 50))
	b.Run("counts", func(b *testing.B) {
		for range b.N {
			c, err := s.Counts(ctx, shop)
			require.NoError(b, err)
			require.InDelta(b, many, c[workflow.StageBooked]+c[workflow.StageShipped], 50)
		}
	})
	b.Run("job", func(b *testing.B) {
		for i := range b.N {
			if _, err := s.Job(ctx, shop, storetest.Number(i%many)); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("version", func(b *testing.B) {
		for range b.N {
			if _, err := s.Version(ctx, shop, storetest.Number(7)); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("next-wake", func(b *testing.B) {
		for range b.N {
			if _, err := s.NextWake(ctx, shop); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("book-alone", func(b *testing.B) {
		for i := range b.N {
			h := storetest.NewHistory(shop, storetest.Number(many+i))
			if err := s.Commit(ctx, h.Book("Mira Osei", "film scanner", "Hums.")); err != nil && !errors.Is(err, workflow.ErrConflict) {
				b.Fatal(err)
			}
		}
	})
	b.Run("claim-and-send-100", func(b *testing.B) {
		now := storetest.Begin.AddDate(1, 0, 0)
		for i := range b.N {
			lease := fmt.Sprint("bench ", i)
			entries, err := s.ClaimEntries(ctx, shop, workflow.Claim{Now: now, Until: now.Add(time.Minute), Limit: 100, Lease: lease})
			require.NoError(b, err)
			spread(8, len(entries), func(k int) {
				if err := s.SettleEntry(ctx, shop, workflow.Settlement{Entry: entries[k].ID, Lease: lease, State: workflow.EntrySent, Attempt: workflow.Attempt{At: now, Result: "accepted", Words: "250 ok"}}); err != nil {
					b.Error(err)
				}
			})
		}
	})
	b.Run("backup", func(b *testing.B) {
		for i := range b.N {
			require.NoError(b, s.Backup(ctx, filepath.Join(b.TempDir(), fmt.Sprint(i))))
		}
	})
}

const idleDir = "BENCHWORD_TEST_IDLE_DIR"

// idle opens a folder, does what a counter does when it signs in, and prints the memory that is
// resident, in KiB, as Linux counts it.
func idle(dir string) error {
	ctx := context.Background()
	s, err := Open(ctx, dir)
	if err != nil {
		return err
	}
	var all sync.WaitGroup
	for range readers { // all of them have something in their cache
		all.Go(func() {
			for i := range 2000 {
				_, _ = s.Job(ctx, shop, storetest.Number(i*37))
			}
			_, _ = s.Board(ctx, shop, workflow.BoardFilter{Limit: 100})
			_, _ = s.Search(ctx, shop, "halden", 50)
		})
	}
	all.Wait()
	for i := range 2000 {
		if err := s.PutKey(ctx, shop, "b", strconv.Itoa(i), nil, time.Time{}); err != nil {
			return err
		}
	}
	debug.FreeOSMemory()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(status)) {
		if kib, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			fmt.Println(strings.TrimSuffix(strings.TrimSpace(kib), " kB"))
		}
	}
	return s.Close()
}
