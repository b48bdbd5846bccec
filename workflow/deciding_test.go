package workflow

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/longtest"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

func (b *bench) undoable() *bench {
	b.s.Shop.UndoFor = 30 * time.Minute
	return b
}

func (b *bench) job() *Job {
	b.t.Helper()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	return j
}

func (b *bench) kinds() []NoticeKind {
	var out []NoticeKind
	for _, n := range b.store.notices {
		out = append(out, n.Kind)
	}
	return out
}

func (b *bench) last() NoticeKind { k := b.kinds(); return k[len(k)-1] }

func recycleOption() Option { return Option{Kind: OptionRecycle, Title: "Recycle it"} }

func TestAnAnswerCanBeTakenBackInTime(t *testing.T) {
	b := newBench(t).undoable()
	b.toAwaiting()
	j := b.approve()
	d := j.AnswerTo(1)
	require.Equal(t, j.Quote().ExpiresAt, j.UndoUntil(b.s.Shop), "as long as the bench has not begun")
	b.now = b.now.Add(3 * 24 * time.Hour)
	require.Equal(t, "mira@post.example", d.SentTo.Text)
	undo := UndoDecision{Digest: j.Quote().Digest, Address: "192.0.2.7", Agent: "a browser"}
	b.refuses(CodeForbidden, technician, undo)
	b.refuses(CodeConflict, customer, UndoDecision{Digest: "other"})
	j = b.do(customer, undo)
	require.Equal(t, StageAwaitingApproval, j.Stage)
	require.Equal(t, RevisionOpen, j.Quote().State)
	require.NotNil(t, j.running("approval"), "the clock stands still again")
	require.Zero(t, j.Charge(b.s.Shop).Minor)
	require.Nil(t, j.AnswerTo(1))
	require.Equal(t, NoticeUndone, b.last())
	require.Equal(t, j.Version, b.do(customer, undo).Version, "it counts once")

	// The form of the answer that was taken back, sent again, decides nothing.
	b.refuses(CodeConflict, customer, Decide{Verdict: VerdictApprove, Digest: undo.Digest, Option: "A", Name: "Mira Osei"})
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: undo.Digest, Name: "Mira Osei", Round: 1})
	require.Equal(t, StageTesting, j.Stage)
	j = b.do(customer, UndoDecision{Digest: undo.Digest, Round: 1})
	require.Equal(t, StageAwaitingApproval, j.Stage)
	require.Empty(t, j.Outcome)
	j = b.do(customer, Decide{Verdict: VerdictApprove, Digest: undo.Digest, Option: "A", Name: "Mira Osei", Round: 2})
	require.Equal(t, StageRepairing, j.Stage)
	b.now = j.Quote().ExpiresAt
	b.refuses(CodeRefused, customer, UndoDecision{Digest: undo.Digest, Round: 2}) // it could not be answered any more
	b.checkHistory()
}

func TestAnAnswerStandsOnceTheBenchHasBegun(t *testing.T) {
	for name, begin := range map[string][]Command{
		"work": {DoWork{Text: "Renewed the capacitor"}}, "parts ordered": {PlaceHold{Reason: HoldParts}}, "moved on": {Go{To: StageDiagnosing, Reason: "Another look"}},
		"said so": {Begin{}}, "a photo": {photo(PhotoBefore)}, "a check": {DoCheck{Suspect: 1, Check: Check{Text: "Looked again", Outcome: CheckConfirmed}}},
	} {
		b := newBench(t).undoable()
		b.toAwaiting()
		j := b.approve()
		b.do(technician, begin...)
		require.Zero(t, b.job().UndoUntil(b.s.Shop), name)
		e := b.refuses(CodeRefused, customer, UndoDecision{Digest: j.Quote().Digest})
		require.Contains(t, e.Message, "begun", name)
	}
	b := newBench(t) // a shop without a waiting time
	b.toAwaiting()
	j := b.approve()
	b.refuses(CodeRefused, customer, UndoDecision{Digest: j.Quote().Digest})
}

func TestConsentToRecyclingTakesEffectWhenItCantBeTakenBackAnyMore(t *testing.T) {
	b := newBench(t).undoable()
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	j := b.do(counter, SendReport{ReportText{Short: "Not worth it."}}, IssueQuote{Options: []Option{recycleOption()}}, Go{To: StageAwaitingApproval})
	yes := Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"}
	b.do(customer, SendMessage{Text: "What becomes of it?", Question: true})
	j = b.do(customer, yes)
	require.Equal(t, StageAwaitingApproval, j.Stage)
	require.Equal(t, RevisionApproved, j.Quote().State)
	b.refuses(CodeRefused, counter, Go{To: StageWithdrawn})
	b.refuses(CodeRefused, counter, Go{To: StageDiagnosing, Reason: "To look again."})
	b.refuses(CodeRefused, counter, IssueQuote{Options: []Option{repairOption("100.00")}, Reason: "It can be repaired."})
	j = b.do(customer, UndoDecision{Digest: yes.Digest})
	require.Equal(t, RevisionOpen, j.Quote().State)
	yes.Round = 1
	b.do(customer, yes)
	j = b.passes(31 * time.Minute)
	require.Equal(t, StageWithdrawn, j.Stage)
	require.Equal(t, OutcomeRecycled, j.Outcome)
	b.refuses(CodeRefused, customer, UndoDecision{Digest: yes.Digest, Round: 1})
	b.checkHistory()
}

func TestTakingAFurtherApprovalBackRestoresTheEarlierOne(t *testing.T) {
	b := newBench(t).undoable()
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Opened it"}, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	b.do(counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan as well."}, Go{To: StageAwaitingApproval})
	j := b.approve()
	require.Equal(t, int64(17250), j.Charge(b.s.Shop).Minor)
	j = b.do(customer, UndoDecision{Digest: j.Quote().Digest})
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor)
	require.Equal(t, []QuoteState{RevisionApproved, RevisionOpen}, []QuoteState{j.Quotes[0].State, j.Quotes[1].State})
	b.checkHistory()
}

func TestADepositComesBeforeTheWork(t *testing.T) {
	b := newBench(t).undoable()
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}})
	o := repairOption("100.00")
	deposit := money.Amount{Minor: 11501, Currency: "CAD"}
	o.Deposit = &deposit
	report := SendReport{ReportText{Short: "It can be repaired."}}
	b.refuses(CodeInvalid, counter, report, IssueQuote{Options: []Option{o}}) // above the total
	deposit.Minor = 4000
	b.do(counter, report, IssueQuote{Options: []Option{o}}, Go{To: StageAwaitingApproval})
	j := b.approve()
	require.Equal(t, HoldPayment, j.Hold().Reason)
	require.Equal(t, int64(4000), j.DepositOpen(b.s.Shop).Minor)
	require.Equal(t, int64(4000), j.Payable(b.s.Shop).Minor, "not the whole, yet")
	require.NotZero(t, j.UndoUntil(b.s.Shop), "waiting for the deposit is no beginning")
	b.refuses(CodeRefused, technician, DoWork{Text: "Renewed it"})
	j = b.do(counter, RecordPayment{Amount: "10.00", How: "transfer", For: PaymentDeposit})
	require.NotNil(t, j.Hold())
	j = b.do(counter, RecordPayment{Amount: "30.00", How: "transfer", For: PaymentDeposit})
	require.Nil(t, j.Hold())
	j = b.do(technician, DoWork{Text: "Renewed it"})
	require.Equal(t, int64(7500), j.Balance(b.s.Shop).Minor)
	require.Zero(t, j.Payable(b.s.Shop), "the rest is asked for once the work is done")
	b.checkHistory()
	// A hold that somebody placed for another payment is theirs to lift.
	j = b.do(counter, PlaceHold{Reason: HoldPayment, Note: "The rest, too."})
	require.Equal(t, int64(7500), j.Payable(b.s.Shop).Minor)
	j = b.do(counter, RecordPayment{Amount: "1.00", How: "cash"})
	require.NotNil(t, j.Hold(), "the deposit had come in before")
}

func TestAReportAndTheQuoteThatGoesWithIt(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	j := b.approve()
	require.Equal(t, 1, j.QuoteWith(&j.Reports[0]).Revision)
	b.do(technician, DoWork{Text: "Opened it"}, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	j = b.do(counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan as well."})
	require.Equal(t, 2, j.QuoteWith(&j.Reports[0]).Revision, "the newest")
	j = b.do(counter, SendReport{ReportText{Short: "The fan has seized."}})
	require.Nil(t, j.QuoteWith(&j.Reports[1]), "none was issued since")
	j = b.do(counter, IssueQuote{Options: []Option{repairOption("170.00")}, Reason: "And its felt."})
	require.Equal(t, 3, j.QuoteWith(&j.Reports[1]).Revision)
	require.Equal(t, 2, j.QuoteWith(&j.Reports[0]).Revision)
	require.Equal(t, []int{1, 1, 2}, []int{j.ReportWith(&j.Quotes[0]), j.ReportWith(&j.Quotes[1]), j.ReportWith(&j.Quotes[2])})
	j = b.do(counter, WithdrawQuote{Reason: "The felt is good."})
	require.Nil(t, j.QuoteWith(&j.Reports[1]))
}

func TestPaymentsAreFactsWithoutCardData(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.refuses(CodeRefused, counter, RecordPayment{Amount: "-1.00", How: "back"})
	b.refuses(CodeInvalid, counter, RecordPayment{Amount: "1.00", How: "back", For: PaymentRefund})
	b.refuses(CodeInvalid, counter, RecordPayment{Amount: "9999999999999.99", How: "a"}, RecordPayment{Amount: "0.01", How: "b"})
	// Test numbers that card schemes publish for this purpose (from memory).
	for _, s := range []string{"4111 1111 1111 1111", "card 5555-5555-5555-4444, thanks", "x378282246310005", "ref 99 4111111111111111 0"} {
		e := b.refuses(CodeInvalid, counter, RecordPayment{Amount: "1.00", How: s})
		require.Contains(t, e.Message, "card number", s)
	}
	for _, s := range []string{"transfer 4111 1111 1111 1112", "0000 0000 0000 0000", "receipt 2026-11-25 17:04", "card at the counter"} {
		b.do(counter, RecordPayment{Amount: "1.00", How: s})
	}
	j := b.do(counter, RecordPayment{Amount: "-4.00", How: "transfer", For: PaymentRefund})
	require.Zero(t, j.Paid(b.s.Shop).Minor)
	b.checkHistory()
}

func TestTheDiagnosticFeeIsAllThatANoCosts(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Fee = &money.Amount{Minor: 3500, Currency: "CAD"}
	b.do(customer, booking)
	require.Zero(t, b.job().Charge(b.s.Shop).Minor, "nothing is owed for a device that has not come")
	b.n = ""
	j := b.toAwaiting()
	b.s.Shop.Fee = &money.Amount{Minor: 9900, Currency: "CAD"} // what was announced counts, not what is set later
	require.Equal(t, int64(3500), j.Charge(b.s.Shop).Minor)
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, int64(3500), j.Charge(b.s.Shop).Minor)
	b.refuses(CodeRefused, counter, SetCharge{Amount: "35.01", Reason: "More"})
	j = b.do(counter, SetCharge{Amount: "0.00", Reason: "As a kindness."})
	require.Zero(t, j.Charge(b.s.Shop).Minor)
	b.checkHistory()
}

func TestATelephoneAnswerKeepsWhoWhenAndHow(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	yes := Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei", Words: "Only if it is back by Friday."}
	yes.Call = &CallNote{At: b.now.Add(time.Hour), Number: "+1 902 555 0123"}
	b.refuses(CodeInvalid, counter, yes)
	yes.Call.At = b.now.Add(-24 * time.Hour)
	b.refuses(CodeInvalid, counter, yes)
	yes.Call.At, yes.Call.Number = b.now, " "
	b.refuses(CodeInvalid, counter, yes)
	yes.Call.Number = "+1 902 555 0123"
	d := b.do(counter, yes).Decisions[0]
	require.Equal(t, yes.Call.At, d.Call.At)
	require.Equal(t, "+1 902 555 0123", d.Call.Number.Text)
	require.Equal(t, counter, d.By)
	require.Equal(t, NoticeDecision, b.last(), "the customer gets it in writing")
	for _, e := range b.store.events[b.n] {
		require.NotContains(t, string(e.Data), "555 0123", "the number is sealed")
	}
	b.checkHistory()
}

// The calendar is open Monday to Friday; the quote is issued on Monday 2 November 2026 and stands for 14
// days. Dates counted by hand on a calendar.
func TestFollowUpsAndTheLastNotice(t *testing.T) {
	b := newBench(t)
	b.s.Shop.LastNoticeDays = 2
	b.s.Shop.RemindDays = []int{2, 5, 8, 9}
	b.toAwaiting()
	start := len(b.store.notices)
	loc := b.s.Shop.Calendar.Location()
	var got []string
	for b.job().Quote().State == RevisionOpen {
		at := b.job().WakeAt(b.s.Shop)
		require.False(t, at.IsZero())
		b.now = at
		b.passes(0)
		for _, n := range b.store.notices[start:] {
			if n.Kind != NoticeBreach {
				got = append(got, string(n.Kind)+n.MadeAt.In(loc).Format(" Mon 2 15:04"))
			}
		}
		start = len(b.store.notices)
	}
	require.Equal(t, []string{
		"quote_reminder Wed 4 09:00", "quote_reminder Mon 9 09:00", // the 8th working day, Thu 12, would come after nothing but the last notice
		"quote_last_notice Thu 12 09:00", "quote_expired Mon 16 " + b.job().Quote().ExpiresAt.In(loc).Format("15:04"),
	}, got)
	b.checkHistory()
}

// Ready on Thursday 5 November 2026. 30 days on is Saturday 5 December, so Monday 7; 14 days from there is
// Monday 21; 60 days on is Monday 4 January 2027, and a day given that ends on a Saturday moves to Monday.
func TestUncollectedGoods(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Uncollected = []UncollectedNotice{
		{AfterDays: 30, GiveDays: 14, Text: map[string]string{"en": "Please collect it."}},
		{AfterDays: 60, GiveDays: 5, Text: map[string]string{"en": "It may be sold."}},
	}
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	b.now = time.Date(2026, 11, 5, 18, 0, 0, 0, time.UTC)
	j = b.do(counter, pass(SafetyTest), packAll, DeclareReady{})
	require.True(t, j.WaitsSince(b.s.Shop).IsZero(), "what the shop has not posted yet is not uncollected")
	b.do(technician, PrepareShipment{InPerson: true})
	b.passes(31 * 24 * time.Hour)
	require.Empty(t, b.job().Uncollected, "Sunday")
	b.passes(24 * time.Hour)
	require.Equal(t, "2026-12-21", b.job().Uncollected[0].By)
	require.Equal(t, NoticeUncollected, b.last())
	j = b.passes(60 * 24 * time.Hour)
	require.Len(t, j.Uncollected, 2)
	require.Equal(t, "It may be sold.", j.Uncollected[1].Text)
	require.Equal(t, "2027-02-10", j.Uncollected[1].By) // it was only woken on Friday 5 February 2027
	b.checkHistory()
}

// TestTheChargeNeverExceedsWhatWasAgreed goes random ways with quotes of random prices. After every step
// the charge is compared with the greatest amount that the history itself shows the customer agreed to:
// worked out here from the events, not from the job.
func TestTheChargeNeverExceedsWhatWasAgreed(t *testing.T) {
	share := longtest.Share(t, 4)
	for seed := range uint64(24) {
		if !share(int(seed)) {
			continue
		}
		b := newBench(t).undoable()
		r := rand.New(rand.NewPCG(seed, 11))
		b.s.Shop.Fee = &money.Amount{Minor: 2000, Currency: "CAD"}
		if seed%3 == 0 {
			b.s.Shop.Fee = nil
		}
		b.toAwaiting()
		for range 40 {
			j := b.job()
			q := j.Quote()
			price := fmt.Sprintf("%d.00", 20+r.IntN(200))
			c := []Command{
				IssueQuote{Options: []Option{repairOption(price), replaceOption(), recycleOption()}, Reason: "It changed."}, Go{To: StageAwaitingApproval}, Go{To: StageDiagnosing, Reason: "again"},
				Go{To: StageRepairing}, Go{To: StageTesting}, WithdrawQuote{Reason: "Wrong"}, DoWork{Text: "Did it"}, RecordPayment{Amount: price, How: "bank"},
				Decide{Verdict: VerdictApprove, Digest: q.Digest, Option: string(rune('A' + r.IntN(3))), Name: "M", Round: j.Undone(q.Revision)},
				Decide{Verdict: VerdictDecline, Digest: q.Digest, Name: "M", Round: j.Undone(q.Revision)},
				UndoDecision{Digest: q.Digest, Round: j.Undone(q.Revision)}, SetCharge{Amount: price, Reason: "Less"},
				NoteFinding{Finding: Finding{Text: "More", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}}, DoTest{Test: Test{Name: "Function", Note: Plain("No")}},
			}[r.IntN(14)]
			by := counter
			switch c.(type) {
			case Decide, UndoDecision:
				by = customer
			}
			if _, err := b.try(by, c); err != nil {
				require.NotEqual(t, CodeInternal, CodeOf(err), "%v", err)
			}
			b.passes(time.Duration(r.IntN(40)) * time.Minute)

			j = b.job()
			var agreed int64
			if b.s.Shop.Fee != nil {
				agreed = 2000
			}
			totals := map[int]int64{} // decision -> what it authorised
			n := 0
			for _, e := range b.store.events[b.n] {
				switch p := e.Payload.(type) {
				case *DecisionMade:
					n++
					if p.Decision.Total != nil {
						totals[n] = p.Decision.Total.Minor
					}
				case *DecisionUndone:
					delete(totals, p.Decision)
				}
			}
			for _, v := range totals {
				agreed = max(agreed, v)
			}
			require.LessOrEqual(t, j.Charge(b.s.Shop).Minor, agreed, "seed %d", seed)
			require.GreaterOrEqual(t, j.Charge(b.s.Shop).Minor, int64(0))
			if q, o := j.Approved(); o != nil {
				require.Equal(t, o.Result.Total, *j.AnswerTo(q.Revision).Total)
				digest, err := q.QuoteTerms.Digest()
				require.NoError(t, err)
				require.Equal(t, digest, j.AnswerTo(q.Revision).Digest, "the decision names exactly what was shown")
			}
		}
		b.checkHistory()
	}
}

func TestADigestCoversEveryFieldOfTheTerms(t *testing.T) {
	b := newBench(t)
	terms := b.toAwaiting().Quote().QuoteTerms
	was, err := terms.Digest()
	require.NoError(t, err)
	changes := map[string]func(*QuoteTerms){
		"title": func(x *QuoteTerms) { x.Options[0].Title += "." }, "price": func(x *QuoteTerms) { x.Options[0].Price.Lines[0].UnitPrice = money.MustDecimal("100.01") },
		"grade": func(x *QuoteTerms) { x.Options[0].Price.Lines[0].Grade = money.GradeTested }, "deposit": func(x *QuoteTerms) { x.Options[0].Deposit = &money.Amount{Minor: 1, Currency: "CAD"} },
		"warranty": func(x *QuoteTerms) { x.Options[0].WarrantyDays++ }, "days": func(x *QuoteTerms) { x.Options[0].WorkingDays++ }, "excluded": func(x *QuoteTerms) { x.Options[0].Excluded = "All" },
		"words": func(x *QuoteTerms) { x.Words += "!" }, "expiry": func(x *QuoteTerms) { x.ExpiresAt = x.ExpiresAt.Add(time.Second) }, "job": func(x *QuoteTerms) { x.Job = "X" },
		"revision": func(x *QuoteTerms) { x.Revision++ }, "note": func(x *QuoteTerms) { x.Note = Plain("x") }, "reason": func(x *QuoteTerms) { x.Reason = Plain("x") }, "order": func(x *QuoteTerms) { x.Options[0], x.Options[1] = x.Options[1], x.Options[0] },
	}
	for name, change := range changes {
		again := b.job().Quote().QuoteTerms
		change(&again)
		now, err := again.Digest()
		require.NoError(t, err)
		require.NotEqual(t, was, now, name)
	}
}

// The example of checks.md 5.1: a form given on 25 November 2026 is valid for 30 days, to 25 December, which
// is a public holiday; by Regulation (EEC, Euratom) 1182/71 article 3(4) it runs to Monday 28 December.
func TestARepairFormBindsForThirtyDays(t *testing.T) {
	c, err := calendar.New(calendar.Spec{TimeZone: "Europe/Berlin", Hours: map[string][]string{
		"mon": {"09:00-17:00"}, "tue": {"09:00-17:00"}, "wed": {"09:00-17:00"}, "thu": {"09:00-17:00"}, "fri": {"09:00-17:00"},
	}, Holidays: []calendar.Holidays{{Set: "de-hb"}}})
	require.NoError(t, err)
	given, err := calendar.ParseDate("2026-11-25")
	require.NoError(t, err)
	last, ok := c.LastDay(given, 30)
	require.True(t, ok)
	require.Equal(t, "2026-12-28", last.String())

	b := newBench(t)
	b.s.Shop.Calendar, b.s.Shop.RepairForm, b.s.Shop.QuoteDays = c, &RepairForm{}, 5
	b.now = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	q := b.toAwaiting().Quote()
	require.Equal(t, "2026-12-28 23:59:59", q.ExpiresAt.In(c.Location()).Format(time.DateTime))
}

// Clocks in Santiago went from 23:59:59 to 01:00 on 2024-09-08 (tz_transitions.csv names the year's changes).
func TestADayThatBeginsAtOne(t *testing.T) {
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Santiago", Hours: map[string][]string{"mon": {"09:00-17:00"}}})
	require.NoError(t, err)
	at := midnight(&Shop{Calendar: cal}, calendar.NewDate(2024, time.September, 8))
	require.Equal(t, "2024-09-08T01:00:00-03:00", at.In(cal.Location()).Format(time.RFC3339))
}

// What became of a revision is said of each state, and of one that never was.
func TestWhatBecameOfARevision(t *testing.T) {
	j := &Job{Stage: StageDiagnosing}
	for _, s := range []QuoteState{RevisionOpen, RevisionApproved, RevisionDeclined, RevisionWithdrawn, RevisionSuperseded, RevisionExpired} {
		j.Quotes = append(j.Quotes, Quote{State: s})
	}
	became := func() (out []QuoteState) {
		for n := range 8 {
			out = append(out, j.Became(n))
		}
		return out
	}
	require.Equal(t, []QuoteState{"superseded", "expired", "approved", "declined", "withdrawn", "superseded", "expired", "superseded"}, became())
	j.Stage = StageWithdrawn
	require.Equal(t, RevisionWithdrawn, became()[1], "nobody can answer once the job has ended")
	require.False(t, j.Decidable(nil, time.Time{}))
	open := &Quote{QuoteTerms: QuoteTerms{ExpiresAt: time.Unix(1, 0)}, State: RevisionOpen}
	require.False(t, j.Decidable(open, time.Time{}), "only while it waits for an answer")
	j.Stage = StageAwaitingApproval
	require.True(t, j.Decidable(open, time.Time{}))
}
