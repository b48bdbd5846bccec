package workflow

import (
	"reflect"
	"testing"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// A no has one meaning and one price: what was announced on booking.
func TestAQuoteHoldsNoSecondNo(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	back := Option{Kind: OptionReturn, Title: "Send it back", Price: repairOption("12.00").Price}
	e := b.refuses(CodeInvalid, counter, IssueQuote{Options: []Option{repairOption("100.00"), back}})
	require.Contains(t, e.Message, "Leave option B out: a no means that it comes back")
	require.NotContains(t, OptionKinds, OptionReturn)
}

// earlierQuote issues a quote as an earlier version did.
type earlierQuote struct{ options []Option }

func (c earlierQuote) decide(t *turn) error {
	was := OptionReturn
	last := &c.options[len(c.options)-1]
	last.Kind = OptionReplace
	if err := (IssueQuote{Options: c.options}).decide(t); err != nil {
		return err
	}
	p := t.events[len(t.events)-2].Payload.(*QuoteIssued)
	p.Terms.Options[len(c.options)-1].Kind, t.j.Quote().Options[len(c.options)-1].Kind = was, was
	return nil
}

func TestANoToAnEarlierQuoteCostsWhatItsOptionSays(t *testing.T) {
	access[reflect.TypeOf(earlierQuote{})] = []Role{RoleCounter}
	t.Cleanup(func() { delete(access, reflect.TypeOf(earlierQuote{})) })
	b := newBench(t)
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	j := b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, earlierQuote{[]Option{repairOption("100.00"), repairOption("20.00")}}, Go{To: StageAwaitingApproval})
	require.Equal(t, "B", j.Quote().Back().Key)
	cost := []Consequence{{Kind: ThenReturn}, {Kind: ThenCost, Amount: money.Amount{Minor: 2300, Currency: "CAD"}}}
	require.Equal(t, cost, j.Consequences(b.s.Shop, j.Quote(), VerdictDecline, ""))
	no := Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"}
	j = b.do(customer, no)
	require.Equal(t, StageTesting, j.Stage)
	require.Equal(t, OutcomeUnrepaired, j.Outcome)
	require.Equal(t, "B", j.Decisions[0].Option)
	require.Equal(t, int64(2300), j.Charge(b.s.Shop).Minor)
	require.Equal(t, cost, j.Consequences(b.s.Shop, j.Quote(), VerdictApprove, "B"))
	require.Equal(t, j.Version, b.do(customer, no).Version, "it counts once")
}

// A further quote leaves what was approved in force, and its no means only that.
func TestANoToAFurtherQuoteKeepsWhatWasApproved(t *testing.T) {
	b := newBench(t).undoable()
	b.s.Shop.Fee = &money.Amount{Minor: 3500, Currency: "CAD"}
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Opened it"}, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	j := b.do(counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan as well."}, Go{To: StageAwaitingApproval})
	_, kept := j.Kept()
	require.Equal(t, int64(11500), kept.Result.Total.Minor)
	stands := []Consequence{{Kind: ThenKept, Title: kept.Title}, {Kind: ThenMost, Amount: kept.Result.Total}}
	require.Equal(t, stands, j.Consequences(b.s.Shop, j.Quote(), VerdictDecline, ""))
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, StageRepairing, j.Stage)
	require.Equal(t, WhereQueued, b.standing().Where)
	require.Equal(t, 1, j.Decisions[1].Kept)
	require.Equal(t, stands, j.Consequences(b.s.Shop, j.Quote(), VerdictDecline, ""), "the same once it was given")
	require.Nil(t, j.NoTo(b.s.Shop, &j.Quotes[0]).Kept, "what was approved is not kept by a no to itself")
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor)
	j = b.do(customer, UndoDecision{Digest: j.Quote().Digest})
	require.Equal(t, StageAwaitingApproval, j.Stage)
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei", Round: 1})
	j = b.do(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting})
	require.Equal(t, OutcomeRepaired, j.Outcome)
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor)
	b.checkHistory()
}

// A further quote that runs out leaves the bench the way back to what was approved.
func TestAnExpiredFurtherQuoteKeepsWhatWasApproved(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Opened it"}, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	j := b.do(counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan as well."}, Go{To: StageAwaitingApproval})
	b.refuses(CodeRefused, technician, Go{To: StageRepairing})
	b.now = j.Quote().ExpiresAt
	b.passes(0)
	require.Equal(t, StageRepairing, b.do(technician, Go{To: StageRepairing}).Stage)
}

// A further quote that nobody could answer is refused when it is issued.
func TestAFurtherQuoteCanBeAnswered(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Opened it"})
	e := b.refuses(CodeRefused, counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan as well."})
	require.Contains(t, e.Message, "Record the further finding first")
	b.do(technician, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	e = b.refuses(CodeRefused, counter, IssueQuote{Options: []Option{repairOption("90.00")}, Reason: "Less."})
	require.Contains(t, e.Message, "not above what was approved")
	require.Len(t, b.job().Quotes, 1)
}
