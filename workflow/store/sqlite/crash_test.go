package sqlite

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/longtest"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

// crashDir names the folder for a process that is there to be killed.
const crashDir, crashRound = "BENCHWORD_TEST_CRASH_DIR", "BENCHWORD_TEST_CRASH_ROUND"

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashDir); dir != "" {
		if err := commitUntilKilled(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	if dir := os.Getenv(idleDir); dir != "" {
		if err := idle(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const crashWriters = 8

// crashJob is the job of one writer in one round.
func crashJob(round, writer int) workflow.JobNumber {
	return storetest.Number(1000 + round*crashWriters + writer)
}

// commitUntilKilled writes from several goroutines and prints every commit that was acknowledged. Each
// writer first goes on with its job of the round before, then begins a new one.
func commitUntilKilled(dir string) error {
	var round int
	if _, err := fmt.Sscan(os.Getenv(crashRound), &round); err != nil {
		return err
	}
	ctx := context.Background()
	s, err := Open(ctx, dir)
	if err != nil {
		return err
	}
	var all sync.WaitGroup
	errs := make(chan error, crashWriters)
	for w := range crashWriters {
		all.Go(func() {
			commit := func(h *storetest.History, c *workflow.Commit) bool {
				if err := s.Commit(ctx, c); err != nil {
					errs <- err
					return false
				}
				h.Accept(c)
				fmt.Printf("%s %d %s\n", h.Job, c.State.Version, c.State.Head)
				return true
			}
			before := storetest.NewHistory(shop, crashJob(round-1, w))
			events, err := s.Events(ctx, shop, before.Job, 0)
			if err != nil {
				errs <- err
				return
			}
			if before.Events = events; len(events) > 0 {
				before.Now = events[len(events)-1].At
				if !commit(before, before.Write("After the crash.")) {
					return
				}
			}
			h := storetest.NewHistory(shop, crashJob(round, w))
			next := h.Book("Mira Osei", "film scanner", "Hums.")
			for commit(h, next) {
				next = nil
				if h.Version() > 40 {
					h = storetest.NewHistory(shop, storetest.Number(1000000+round*10000+w*1000+rand.IntN(1000)))
					if v, _ := s.Version(ctx, shop, h.Job); v > 0 {
						return
					}
					next = h.Book("Jo Brandt", "marine radio", "Silent.")
				}
				if next == nil {
					next = h.Write("A letter.")
				}
			}
		})
	}
	all.Wait()
	return <-errs
}

type acknowledged struct {
	version int64
	head    string
}

// TestKilledProcessLosesNothing kills a process in the middle of its commits, many times over one
// folder: what it had said was done is there, whole, every time.
func TestKilledProcessLosesNothing(t *testing.T) {
	rounds := longtest.Times(50, 50, 10)
	dir := t.TempDir()
	exe, err := os.Executable()
	require.NoError(t, err)
	told := map[workflow.JobNumber]acknowledged{}
	commits := 0
	for round := range rounds {
		child := exec.Command(exe)
		child.Env = append(os.Environ(), crashDir+"="+dir, fmt.Sprintf("%s=%d", crashRound, round))
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		lines := make(chan string)
		go func() {
			defer close(lines)
			for scan := bufio.NewScanner(out); scan.Scan(); {
				lines <- scan.Text()
			}
		}()
		here := map[workflow.JobNumber]bool{}
		note := func(line string) {
			var n workflow.JobNumber
			var a acknowledged
			_, err := fmt.Sscan(line, &n, &a.version, &a.head)
			require.NoError(t, err, line)
			if a.version > told[n].version {
				told[n] = a
			}
			here[n] = true
			commits++
		}
		// Most are killed in the middle of work, some while they still start.
		if round%5 != 4 {
			note(<-lines)
		}
		kill := time.After(time.Duration(rand.IntN(80)) * time.Millisecond)
		for killed := false; ; {
			select {
			case line, ok := <-lines:
				if ok {
					note(line)
					continue
				}
				require.True(t, killed, "the process ended by itself")
			case <-kill:
				require.NoError(t, child.Process.Kill())
				killed = true
				continue
			}
			break
		}
		require.Error(t, child.Wait(), "killed")

		s, err := Open(t.Context(), dir)
		require.NoError(t, err)
		for n, a := range told {
			v, err := s.Version(t.Context(), shop, n)
			require.NoError(t, err)
			require.GreaterOrEqual(t, v, a.version)
			if here[n] || round == rounds-1 {
				verify(t, s, n, a)
			}
		}
		if round == rounds-1 {
			s.mustBeWhole(t)
		}
		require.NoError(t, s.Close())
	}
	t.Logf("%d commits acknowledged over %d kills, %d jobs", commits, rounds, len(told))
	require.Greater(t, commits, 2*rounds, "there was something to lose")
}

// verify checks that a job is whole: chain, state, the acknowledged event, and a notice for every event
// that made one, and none else.
func verify(t *testing.T, s *Store, n workflow.JobNumber, a acknowledged) {
	t.Helper()
	j, err := s.Job(t.Context(), shop, n)
	require.NoError(t, err)
	events, err := s.Events(t.Context(), shop, n, 0)
	require.NoError(t, err)
	head, err := workflow.VerifyChain(events)
	require.NoError(t, err)
	require.Equal(t, head, j.Head)
	require.Equal(t, int64(len(events)), j.Version)
	was, err := events[a.version-1].Hash()
	require.NoError(t, err)
	require.Equal(t, a.head, was, "what was acknowledged is what is there")
	var made, queued []string
	for _, e := range events {
		if p, ok := e.Payload.(*workflow.NoticeMade); ok {
			made = append(made, p.ID)
		}
	}
	entries, err := s.Entries(t.Context(), shop, n)
	require.NoError(t, err)
	for _, e := range entries {
		queued = append(queued, e.ID)
	}
	require.Equal(t, made, queued, "every event has its notice")
	rows, err := s.Search(t.Context(), shop, string(n), 2)
	require.NoError(t, err)
	require.Len(t, rows, 1)
	require.Equal(t, j.ChangedAt, rows[0].ChangedAt)
}
