package workflow

import (
	"testing"
	"time"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// What follows an answer is the same before it is given and afterwards.
func TestConsequences(t *testing.T) {
	b := newBench(t).undoable()
	b.s.Shop.SettleFirst = true
	repair, recycle := repairOption("100.00"), recycleOption()
	repair.WorkingDays, repair.Deposit = 3, &money.Amount{Minor: 4000, Currency: "CAD"}
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repair, recycle}}, Go{To: StageAwaitingApproval})
	cad := func(minor int64) money.Amount { return money.Amount{Minor: minor, Currency: "CAD"} }
	after := func(v Verdict, option string) []Consequence {
		return b.job().Consequences(b.s.Shop, b.job().Quote(), v, option)
	}
	yes := []Consequence{{Kind: ThenDeposit, Amount: cad(4000)}, {Kind: ThenRepair, Days: 3}, {Kind: ThenMost, Amount: cad(11500)}, {Kind: ThenSettle}}
	require.Equal(t, yes, after(VerdictApprove, "A"))
	require.Equal(t, []Consequence{{Kind: ThenRecycle}}, after(VerdictApprove, "B"))
	require.Equal(t, []Consequence{{Kind: ThenReply}}, after(VerdictAsk, ""))
	require.Equal(t, []Consequence{{Kind: ThenReturn}, {Kind: ThenCost, Amount: cad(0)}}, after(VerdictDecline, ""))
	require.Equal(t, after(VerdictDecline, ""), after(VerdictApprove, "Z"), "an option that is none")

	b.do(counter, RecordPayment{Amount: "15.00", How: "transfer"})
	yes[0].Amount = cad(2500)
	require.Equal(t, yes, after(VerdictApprove, "A"), "what came in is taken off the deposit")
	b.do(counter, RecordPayment{Amount: "25.00", How: "transfer"})
	require.Equal(t, yes[1:], after(VerdictApprove, "A"))

	b.do(customer, Decide{Verdict: VerdictApprove, Option: "B", Digest: b.job().Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, []Consequence{{Kind: ThenRecycle}, {Kind: ThenUndo, Until: b.now.Add(b.s.Shop.UndoFor)}}, after(VerdictApprove, "B"))
	b.now = b.now.Add(time.Minute)
	b.do(customer, UndoDecision{Digest: b.job().Quote().Digest})
	b.do(counter, RecordPayment{Amount: "75.00", How: "transfer"})
	require.Equal(t, yes[1:3], after(VerdictApprove, "A"), "nothing is left to settle")
}
