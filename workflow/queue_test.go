package workflow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func (b *bench) standing() Standing { return b.job().Standing(b.s.Shop, b.now) }

// A yes begins nothing: the job waits for the bench, and says so, until the bench begins.
func TestApprovedIsNotBegun(t *testing.T) {
	b := newBench(t).undoable()
	b.toAwaiting()
	b.approve()
	yes := b.now
	require.Equal(t, WhereQueued, b.standing().Where)
	require.Equal(t, yes, b.standing().Since)
	require.Equal(t, StageRepairing, b.standing().Next, "the repair comes next")
	require.Equal(t, Todo{Kind: TodoBegin, State: TodoOpen}, b.job().Todo(b.s.Shop, RoleBench)[0])

	b.now = b.now.Add(48 * time.Hour)
	b.do(counter, SendMessage{Text: "It's your turn on Thursday."}, PlaceHold{Reason: HoldCustomer}, LiftHold{})
	require.True(t, b.job().Queued(), "what the counter does begins nothing")
	b.do(customer, AddPhoto{Photo: Photo{Original: "aa", Copies: Copies{Large: Copy{"bb", 16, 12}, Small: Copy{"cc", 4, 3}}, Kind: PhotoEvidence}})
	require.True(t, b.job().Queued(), "nor does a photo of the customer's")
	b.refuses(CodeForbidden, customer, Begin{})

	j := b.do(technician, Begin{})
	require.Equal(t, WhereRepairing, b.standing().Where)
	require.Equal(t, j.BegunAt, b.standing().Since, "the work began now, not with the yes")
	require.NotEqual(t, TodoBegin, j.Todo(b.s.Shop, RoleBench)[0].Kind)
	b.refuses(CodeRefused, technician, Begin{})
	b.refuses(CodeRefused, customer, UndoDecision{Digest: j.Quote().Digest})
	n := j.Version
	require.Equal(t, n+1, b.do(technician, DoWork{Text: "Renewed the lamp"}).Version, "it begins once")
	b.checkHistory()
}

// After a no, closing it up begins when the bench begins it.
func TestANoBeginsNothingEither(t *testing.T) {
	b := newBench(t).undoable()
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, WhereReturning, b.standing().Where)
	require.Equal(t, StageTesting, b.standing().Next)
	b.now = b.now.Add(24 * time.Hour)
	j = b.do(technician, pass(SafetyTest))
	require.Equal(t, WhereClosing, b.standing().Where)
	require.Equal(t, j.BegunAt, b.standing().Since)
	b.refuses(CodeRefused, customer, UndoDecision{Digest: j.Quote().Digest})
	b.checkHistory()
}

func TestWithinTheLimitIsNotBegunEither(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(counter, ChangeCustomer{Person: booking.Person, Limit: "500.00"})
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00")}}, Go{To: StageRepairing})
	require.Equal(t, WhereWithin, b.standing().Where)
	b.do(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting}, DoTest{Test: Test{Name: "Function", Note: Plain("Drops out")}}, Go{To: StageDiagnosing, Reason: "Again"}, Go{To: StageRepairing})
	require.Equal(t, WhereRepairing, b.standing().Where, "under the same approval the bench goes on")
	b.checkHistory()
}

// A job whose yes an earlier version wrote down counts as begun since then: its move bears no mark.
func TestAnOlderYesCountsAsBegun(t *testing.T) {
	b := newBench(t).undoable()
	b.toAwaiting()
	j := b.approve().clone()
	require.NoError(t, j.apply(&Event{Seq: j.Version + 1, At: b.now, By: customer, Wire: "stage.moved/1", Data: []byte(`{"from":"awaiting_approval","to":"repairing"}`), Prev: j.Head}))
	require.Equal(t, WhereRepairing, j.Standing(b.s.Shop, b.now).Where)
	require.Equal(t, b.now, j.Standing(b.s.Shop, b.now).Since)
}
