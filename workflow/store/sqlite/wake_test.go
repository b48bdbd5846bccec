package sqlite

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkWakeUps pops the hundred jobs that are due out of a set of a thousand, and of a million: what it
// costs must not grow with those that are not due.
//
// Figures (two shared cores): Of a thousand 0.20 ms, of a million 0.25 ms; sqlite_test.go holds the plan of
// every query to its index.
//
//	go test ./workflow/store/sqlite -run XXX -bench WakeUps
func BenchmarkWakeUps(b *testing.B) {
	for name, many := range map[string]int{"1000": 1000, "1000000": 1_000_000} {
		b.Run(name, func(b *testing.B) {
			dir := b.TempDir()
			s, err := Open(b.Context(), dir)
			require.NoError(b, err)
			require.NoError(b, s.Close())
			db, err := sql.Open("sqlite", address(filepath.Join(dir, FileName)))
			require.NoError(b, err)
			// One job each second; the first hundred are due.
			_, err = db.Exec(`WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < ? - 1)
				INSERT INTO jobs (shop, number, version, stage, ended, calm, due_at, hold, waiting, title, person, changed_at, wake_at, text_sum, state)
				SELECT 'harbour', printf('N%07d', i), 1, 'booked', 0, 1, i * 1000, '', 0, '', '', 0, i * 1000, 0, '{}' FROM n`, many)
			require.NoError(b, err)
			require.NoError(b, db.Close())
			s, err = Open(b.Context(), dir)
			require.NoError(b, err)
			defer func() { require.NoError(b, s.Close()) }()
			now := time.UnixMilli(99_000)
			b.ResetTimer()
			for range b.N {
				due, err := s.Due(b.Context(), "harbour", now, 200)
				if err != nil || len(due) != 100 {
					b.Fatal(len(due), err)
				}
				if _, err := s.NextWake(b.Context(), "harbour"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
