package workflow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Nobody is reminded of a quote at the instant at which it has run out, nor answers it then.
func TestTheInstantAtWhichAQuoteRunsOut(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	at := j.remindAt(b.s.Shop)
	require.False(t, at.IsZero())
	q := j.Quote()
	q.ExpiresAt = at
	require.Zero(t, j.remindAt(b.s.Shop))
	q.ExpiresAt = at.Add(instant)
	require.Equal(t, at, j.remindAt(b.s.Shop))

	yes := Decide{Verdict: VerdictApprove, Digest: q.Digest, Option: "A", Name: "Mira Osei"}
	until := b.checkHistory().Quote().ExpiresAt
	b.now = until.Add(-time.Minute) // a step takes a minute
	b.refuses(CodeGone, customer, yes)
	b.now = until.Add(-time.Minute - instant)
	require.Equal(t, StageRepairing, b.do(customer, yes).Stage)
}
