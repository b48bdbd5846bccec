package portal

import (
	"context"
	"slices"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/sqlite"

	"github.com/stretchr/testify/require"
)

// timed measures how long a store's commits take.
type timed struct {
	workflow.Store
	spent time.Duration
}

func (s *timed) Commit(ctx context.Context, c *workflow.Commit) error {
	began := time.Now()
	err := s.Store.Commit(ctx, c)
	s.spent += time.Since(began)
	return err
}

// BenchmarkDecision is a decision's whole round trip on SQLite with its usual care for the disk: the POST
// is read, the link opened, the job loaded and decided on, events, links, index and the mail's entry
// committed, and the answer written. "of-commit" is the median of its time as a multiple of the commit's
// alone.
//
// Figures (two shared cores): 3.0 times the bare commit (3.1 ms).
//
//	go test ./portal -run XXX -bench Decision -benchtime 60x
func BenchmarkDecision(b *testing.B) {
	d := newDesk(b)
	store, err := sqlite.Open(b.Context(), b.TempDir())
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, store.Close()) })
	s := &timed{Store: store}
	*d.svc = *d.svc.On(s)
	d.svc.Shop.UndoFor = 30 * time.Minute
	d = d.with(func(*Config) {})
	var ratios, times []float64
	for b.Loop() {
		b.StopTimer()
		d.n = ""
		page := d.toAwaiting()
		form := []string{"verdict", "approve", "digest", d.job().Quote().Digest, "option", "A", "name", "Mira Osei", "sum", d.sum("A"), "confirm", "yes", "round", "0"}
		s.spent = 0
		b.StartTimer()
		began := time.Now()
		g := d.post(page, form...)
		all := time.Since(began)
		b.StopTimer()
		require.Equal(b, 303, g.StatusCode)
		j := d.job()
		require.Equal(b, workflow.StageRepairing, j.Stage)
		require.Equal(b, workflow.NoticeDecision, j.Notices[len(j.Notices)-1].Kind)
		ratios = append(ratios, float64(all)/float64(s.spent))
		times = append(times, float64(all.Microseconds())/1000)
		b.StartTimer()
	}
	slices.Sort(ratios)
	slices.Sort(times)
	b.ReportMetric(ratios[len(ratios)/2], "of-commit")
	b.ReportMetric(times[len(times)/2], "ms")
}
