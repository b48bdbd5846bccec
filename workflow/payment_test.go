package workflow

import (
	"testing"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// As much can go back as came in, and not a cent more.
func TestARefundIsNoMoreThanCameIn(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.do(counter, RecordPayment{Amount: "20.00", How: "bank"})
	e := b.refuses(CodeRefused, counter, RecordPayment{Amount: "-20.01", How: "bank"})
	require.Contains(t, e.Message, "20.00")
	j := b.do(counter, RecordPayment{Amount: "-20.00", How: "bank", For: PaymentRefund})
	require.Zero(t, j.Paid(b.s.Shop).Minor)
	b.refuses(CodeRefused, counter, RecordPayment{Amount: "-0.01", How: "bank"})
	b.refuses(CodeInvalid, counter, RecordPayment{Amount: "0.00", How: "bank"})
	b.refuses(CodeInvalid, counter, RecordPayment{Amount: "1.00", How: "bank", For: PaymentRefund})
	b.refuses(CodeInvalid, counter, RecordPayment{Amount: "-1.00", How: "bank", For: PaymentPart})
}

// The fee that was announced is owed once the device is here, and after a no it is all that is owed.
func TestWhatANoCosts(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Fee = &money.Amount{Minor: 2500, Currency: "CAD"}
	require.Zero(t, b.do(customer, booking).Charge(b.s.Shop).Minor, "nothing is owed before the device is here")
	b = newBench(t)
	b.s.Shop.Fee = &money.Amount{Minor: 2500, Currency: "CAD"}
	j := b.toAwaiting()
	require.Equal(t, int64(2500), j.Charge(b.s.Shop).Minor)
	b.approve()
	b.refuses(CodeRefused, counter, SetCharge{Amount: "115.01", Reason: "More"})

	// A no costs the fee.
	b = newBench(t)
	b.s.Shop.Fee = &money.Amount{Minor: 2500, Currency: "CAD"}
	j = b.toAwaiting()
	require.Equal(t, int64(2500), j.CostOfNo(b.s.Shop).Minor)
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, StageTesting, j.Stage)
	require.Equal(t, int64(2500), j.Charge(b.s.Shop).Minor)
	b.refuses(CodeRefused, counter, SetCharge{Amount: "25.01", Reason: "More"})
	require.Zero(t, b.do(counter, SetCharge{Amount: "0.00", Reason: "A gift"}).Charge(b.s.Shop).Minor)
}

// A deposit counts as soon as it is whole.
func TestTheDeposit(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	o := repairOption("100.00")
	o.Deposit = &money.Amount{Minor: 5000, Currency: "CAD"}
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	j := b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{o}}, Go{To: StageAwaitingApproval})
	j = b.do(customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"})
	require.Equal(t, HoldPayment, j.Hold().Reason)
	require.Equal(t, int64(5000), j.DepositOpen(b.s.Shop).Minor)
	j = b.do(counter, RecordPayment{Amount: "49.99", How: "bank"})
	require.Equal(t, int64(1), j.DepositOpen(b.s.Shop).Minor)
	require.NotNil(t, j.Hold(), "a cent is missing")
	j = b.do(counter, RecordPayment{Amount: "0.01", How: "cash"})
	require.Zero(t, j.DepositOpen(b.s.Shop).Minor)
	require.Nil(t, j.Hold())
	require.Equal(t, int64(6500), j.Balance(b.s.Shop).Minor)
	require.Zero(t, b.do(counter, RecordPayment{Amount: "80.00", How: "bank"}).DepositOpen(b.s.Shop).Minor)
}
