package workflow

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A job goes back to the bench from a quote that was taken back or ran out, or with a question of the customer's that
// is open: not with an answered one, and not because the bench itself asked something.
func TestBackToTheBenchHasAReason(t *testing.T) {
	back := Go{To: StageDiagnosing}
	b := newBench(t)
	b.toAwaiting()
	b.refuses(CodeRefused, technician, back)
	b.do(counter, SendMessage{Text: "Shall we keep the old lamp?", Question: true})
	b.refuses(CodeRefused, technician, back)
	b.do(customer, Decide{Verdict: VerdictAsk, Digest: b.job().Quote().Digest, Words: "Is the lamp new?"})
	b.do(counter, SendMessage{Text: "It is new."})
	b.refuses(CodeRefused, technician, back)
	b.do(customer, Decide{Verdict: VerdictAsk, Digest: b.job().Quote().Digest, Words: "And the fan?"})
	require.Equal(t, StageDiagnosing, b.do(technician, back).Stage)

	b = newBench(t)
	b.toAwaiting()
	require.Equal(t, StageDiagnosing, b.do(counter, WithdrawQuote{Reason: "A cheaper lamp is to be had."}).Stage)

	b = newBench(t)
	b.toAwaiting()
	b.now = b.job().Quote().ExpiresAt
	b.passes(0)
	require.Equal(t, StageDiagnosing, b.do(technician, back).Stage)
}

// An email about a decision is out of date once the answer was taken back; one about a question, once more was decided.
func TestAnEmailAboutADecisionGoesOutOfDate(t *testing.T) {
	b := newBench(t).undoable()
	b.toAwaiting()
	old := func(ref int) bool { return moot[NoticeDecision](b.job(), &Entry{Ref: ref}) }
	digest := b.job().Quote().Digest
	require.False(t, old(0))
	require.False(t, old(1), "there is none yet")
	b.do(customer, Decide{Verdict: VerdictAsk, Digest: digest, Words: "Is the lamp new?"})
	require.False(t, old(1))
	b.do(customer, Decide{Verdict: VerdictApprove, Option: "A", Digest: digest, Name: "Mira Osei"})
	require.True(t, old(1))
	require.False(t, old(2))
	b.do(customer, UndoDecision{Digest: digest})
	require.True(t, old(2))
	b.do(customer, Decide{Verdict: VerdictApprove, Option: "A", Digest: digest, Name: "Mira Osei", Round: 1})
	require.False(t, old(3))
	require.True(t, old(2), "that answer stays taken back")
}

// What was handed over in person was not posted.
func TestHandedOverIsNotPosted(t *testing.T) {
	for inPerson, want := range map[bool]Where{true: WhereHandedOver, false: WhereShipped} {
		j := &Job{Stage: StageShipped, Shipment: &Shipment{InPerson: inPerson}}
		where, _ := j.where()
		require.Equal(t, want, where)
	}
	where, _ := (&Job{Stage: StageShipped}).where()
	require.Equal(t, WhereShipped, where, "an earlier version's, without a parcel")
}
