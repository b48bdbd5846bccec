package workflow

import (
	"testing"
	"time"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// What the customer asks on the telephone is their question, whoever wrote it down.
func TestAQuestionByTelephoneIsTheCustomers(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	j = b.do(counter, Decide{Verdict: VerdictAsk, Digest: j.Quote().Digest, Words: "Why so much?", Call: &CallNote{Number: "+1 902 555 0123"}})
	require.True(t, j.Messages[0].FromCustomer())
	require.NotNil(t, j.OpenQuestion())
	require.NotContains(t, b.kinds(), NoticeMessage, "nobody asked the customer anything")
	require.Equal(t, WhereQuestion, b.standing().Where)
	require.Nil(t, j.running("approval"), "the bench has to answer")
	b.do(customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"})
	require.Equal(t, NeedNone, b.standing().Need.Kind)
	b.checkHistory()
}

// A letter is a question only where its writer says so, and asks about no quote that came later.
func TestALetterIsAQuestionWhereItSaysSo(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(customer, SendMessage{Text: "Is it bad?", Question: true})
	require.NotNil(t, b.job().Unanswered())
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	b.now = b.now.Add(time.Hour)
	b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00")}}, Go{To: StageAwaitingApproval})
	require.Nil(t, b.job().OpenQuestion(), "it was written before the quote")
	require.Equal(t, WhyDecide, b.standing().Need.Why)
	j := b.do(customer, SendMessage{Text: "Thank you!"})
	require.Equal(t, WhyDecide, b.standing().Need.Why, "a thank-you asks nothing")
	require.NotNil(t, j.running("approval"), "and stops no clock")
	require.NotNil(t, j.Unanswered(), "but the counter sees that it waits")
	j = b.do(customer, SendMessage{Text: "What is a capacitor?", Question: true})
	require.Equal(t, WhyQuestion, b.standing().Need.Why)
	require.Nil(t, j.running("approval"))
	b.checkHistory()
}

// A quote is told when it can be answered, not before; one that nobody was told of is not taken back from anybody.
func TestAQuoteIsToldWhenItCanBeAnswered(t *testing.T) {
	prepared := func() *bench {
		b := newBench(t)
		b.s.Shop.UndoFor = time.Hour
		b.toDiagnosing()
		b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
		b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00")}})
		return b
	}
	b := prepared()
	told := func() (n int) {
		for _, x := range b.store.notices {
			if x.Quote > 0 {
				n++
			}
		}
		return n
	}
	require.Zero(t, told(), "it can’t be answered yet")
	b.now = b.now.Add(time.Hour)
	b.do(counter, Go{To: StageAwaitingApproval})
	require.Equal(t, 1, told())
	b.approve()
	j := b.job()
	b.do(customer, UndoDecision{Digest: j.Quote().Digest})
	require.Equal(t, 1, told(), "coming back to it tells it no second time")
	b.do(counter, WithdrawQuote{Reason: "A mistake."})
	require.Contains(t, b.kinds(), NoticeQuoteWithdrawn)

	b = prepared()
	b.do(counter, WithdrawQuote{Reason: "A mistake."})
	require.NotContains(t, b.kinds(), NoticeQuoteWithdrawn)
	b.checkHistory()
}

// A quote that runs out while a question on it waits leaves nothing to answer next, and the clock stands still.
func TestAQuestionEndsWithItsQuote(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictAsk, Digest: j.Quote().Digest, Words: "Why so much?"})
	reminded := func() int { return b.job().Quote().Reminded }
	b.passes(j.Quote().ExpiresAt.Sub(b.now) - 25*time.Hour)
	require.Zero(t, reminded(), "nobody is reminded whose question waits")
	j = b.passes(26 * time.Hour)
	require.Equal(t, WhyExpired, b.standing().Need.Why)
	require.Equal(t, WhereAwaiting, b.standing().Where)
	require.NotNil(t, j.running("approval"))
	b.checkHistory()
}

// Money that is due is asked for wherever it is due.
func TestMoneyDueIsAskedFor(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting})
	require.Equal(t, NeedNone, b.standing().Need.Kind)
	b.do(technician, pass("Function"), pass(SafetyTest), packAll)
	b.do(counter, DeclareReady{})
	require.Equal(t, Need{Kind: NeedPay, Why: WhyOwed, Amount: &money.Amount{Minor: 11500, Currency: "CAD"}}, b.standing().Need)
	b.do(counter, PlaceHold{Reason: HoldPayment})
	require.Equal(t, WhyBalance, b.standing().Need.Why)
	b.do(counter, LiftHold{}, PrepareShipment{InPerson: true})
	require.Equal(t, WhyWithPay, b.standing().Need.Why)
	b.do(counter, Go{To: StageShipped})
	require.Equal(t, WhyOwed, b.standing().Need.Why, "shipped, and unpaid")
	b.do(counter, RecordPayment{Amount: "115.00", How: "cash"})
	require.Equal(t, WhyEnded, b.standing().Need.Why)
}

// Consent to recycling has words of its own, and the job is then not said to wait.
func TestConsentToRecyclingSaysWhatIsAgreed(t *testing.T) {
	b := newBench(t).undoable()
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	j := b.do(counter, SendReport{ReportText{Short: "Not worth it."}}, IssueQuote{Options: []Option{repairOption("100.00"), recycleOption()}}, Go{To: StageAwaitingApproval})
	require.Equal(t, RecycleWords, j.Quote().WordsFor(&j.Quote().Options[1]))
	require.Equal(t, ConsentWords, j.Quote().WordsFor(&j.Quote().Options[0]))
	j = b.do(customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "B", Name: "Mira Osei"})
	require.Equal(t, RecycleWords, j.Decisions[0].Words.Text)
	at := b.standing()
	require.Equal(t, []any{WhereRecycling, NeedNone, DateClosed}, []any{at.Where, at.Need.Kind, at.Date.Kind})
	require.Equal(t, OutcomeRecycled, b.passes(31*time.Minute).Outcome)
	require.Equal(t, WhereRecycled, b.standing().Where)
}

// Who gave a parcel's number is not asked for the parcel, also in emails that hold no word of theirs.
func TestAParcelsNumberIsNoWord(t *testing.T) {
	for text, stays := range map[string]bool{"RR473124829CA": true, "1Z 999 AA": false, "00340434161094042557": true, "call 902 555 0199": false, "www.example.org 123456": false} {
		j := Job{Stage: StageBooked, Inbound: Plain(text)}
		require.Equal(t, stays, !j.Unsaid("device").Inbound.Empty(), text)
	}
}
