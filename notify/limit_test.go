package notify_test

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"benchword/notify/notifytest"
	"benchword/workflow/store/sqlite"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

// BenchmarkDeadServer holds that entries which wait for a server that is away cost no memory, however many
// they are. Run it with -benchtime=1x.
//
// Figures (two shared cores): 100,000 entries take 1.01 of the memory of 1,000 (3.6 MB in all).
//
//	go test ./notify -run XXX -bench DeadServer -benchtime=1x
func BenchmarkDeadServer(b *testing.B) {
	heap := map[int]uint64{}
	for _, n := range []int{1000, 100000} {
		store, err := sqlite.Open(b.Context(), b.TempDir())
		require.NoError(b, err)
		c := notifytest.NewClock(storetest.Begin.Add(24 * time.Hour))
		d := newDesk(b, c.Now)
		*d.Svc = *d.Svc.On(store)
		const each = 50 // notices of a job
		for i := range n / each {
			h := storetest.NewHistory(d.Svc.Shop.ID, storetest.Number(i))
			x := h.Book("Maud Ellery", "film scanner", "stops")
			for k := range each - 1 {
				e := x.Notices[0]
				e.ID = fmt.Sprintf("%s-%d", e.ID, k)
				x.Notices = append(x.Notices, e)
			}
			require.NoError(b, store.Commit(b.Context(), x))
		}
		d.w.set(away)
		disp := d.dispatcher(func(cfg *setting) { cfg.Workers = 8 })
		for range 20 {
			require.NoError(b, disp.Flush(b.Context()))
			c.Move(20 * time.Minute)
		}
		require.False(b, disp.Health().AwaySince.IsZero())
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		heap[n] = m.HeapAlloc
		require.NoError(b, store.Close())
		runtime.KeepAlive(disp)
	}
	b.ReportMetric(float64(heap[100000])/float64(heap[1000]), "of-1000")
	b.ReportMetric(float64(heap[100000])/(1<<20), "MB")
}
