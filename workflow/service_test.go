package workflow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A clock that was set back does not bring a job's history out of order: it stands still until it has caught up.
func TestAClockThatWasSetBack(t *testing.T) {
	b := newBench(t)
	was := b.toDiagnosing().ChangedAt
	b.now = was.Add(-time.Hour)
	j := b.do(counter, SendMessage{Text: "It is on the bench."})
	require.Equal(t, was, j.ChangedAt)
	require.Equal(t, was, j.Messages[0].At)
	require.Equal(t, was, b.store.notices[len(b.store.notices)-1].MadeAt)
	b.now = was.Add(time.Hour)
	require.Equal(t, b.now.Add(time.Minute), b.do(counter, SendMessage{Text: "Still there."}).ChangedAt)
	b.checkHistory()
}
