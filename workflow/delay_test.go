package workflow

import (
	"context"
	"sync"
	"testing"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
)

// late brings a device onto the bench and lets its promise pass, to the millisecond.
func (b *bench) late() (*Job, time.Time) {
	b.t.Helper()
	j := b.toDiagnosing()
	due, ok := j.Due(b.s.Shop)
	require.True(b.t, ok)
	b.now = due
	j = b.passes(0)
	require.True(b.t, j.Promise().BreachedAt.IsZero(), "ending exactly at due is kept")
	j = b.passes(time.Millisecond)
	require.Equal(b.t, due, j.Promise().BreachedAt)
	return j, due
}

func (b *bench) kindsFrom(from int) []NoticeKind {
	var out []NoticeKind
	for _, n := range b.store.notices[from:] {
		out = append(out, n.Kind)
	}
	return out
}

func TestBreachAsksTheCustomer(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Silence, b.s.Shop.SilenceDays = SilenceReturns, 3
	j, due := b.late()
	d := j.Delay()
	require.Equal(t, "", d.Reason.Text, "nobody has written one")
	require.Zero(t, d.NewPromise)
	require.Equal(t, DelayReturn, d.Silence)
	by, _ := b.s.Shop.Calendar.CloseOf(due, 3)
	require.Equal(t, by, d.AnswerBy)
	require.True(t, j.Unexplained())
	require.True(t, j.index(b.s.Shop).Waiting, "the counter must see that words are wanted")
	require.NotNil(t, j.Link(link.Choose, b.now))
	n := len(b.store.notices)
	require.Equal(t, NoticeBreach, b.store.notices[n-1].Kind)

	// The bench says why and when: a new promise, a new question, one mail.
	b.refuses(CodeInvalid, counter, ExplainDelay{})
	j = b.do(counter, ExplainDelay{Reason: "The motor comes from overseas.", Days: 4})
	require.Equal(t, []NoticeKind{NoticePromiseMoved}, b.kindsFrom(n))
	require.Len(t, j.Promises, 2)
	require.Equal(t, due, j.Promises[0].BreachedAt, "the first promise stays on record")
	require.True(t, j.Delays[0].Overtaken)
	require.Equal(t, 2, j.Delay().NewPromise)
	require.False(t, j.Unexplained())

	// One answer counts, whoever comes first.
	b.refuses(CodeConflict, customer, AnswerDelay{Choice: DelayReturn, Digest: j.Delays[0].Digest})
	var wait sync.WaitGroup
	results := make([]error, 8)
	for i := range results {
		wait.Go(func() {
			choice := DelayChoices[i%2]
			_, results[i] = b.s.Do(context.Background(), Order{Job: b.n, By: customer, Commands: []Command{AnswerDelay{Choice: choice, Digest: j.Delay().Digest, Address: "192.0.2.7"}}})
		})
	}
	wait.Wait()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(t, err)
	for i, err := range results {
		if DelayChoices[i%2] == j.Delay().Choice {
			require.NoError(t, err)
		} else {
			require.ErrorIs(t, err, ErrConflict)
		}
	}
	answers := 0
	for _, e := range b.store.events[b.n] {
		if e.Kind() == "delay.answered" {
			answers++
			require.NotContains(t, string(e.Data), "192.0.2.7")
		}
	}
	require.Equal(t, 1, answers)
	require.Equal(t, []NoticeKind{NoticePromiseMoved, NoticeDelayAnswered}, b.kindsFrom(n))
	b.checkHistory()
}

func TestReasonWrittenBeforehandGoesWithTheBreach(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(counter, ExplainDelay{Reason: "The lamp is late.", Days: 2})
	n := len(b.store.notices)
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(t, err)
	due, _ := j.Due(b.s.Shop)
	b.now = due
	j = b.passes(time.Millisecond)
	require.Equal(t, "The lamp is late.", j.Delay().Reason.Text)
	require.Equal(t, 2, j.Delay().NewPromise)
	by, _ := b.s.Shop.Calendar.CloseOf(b.now, 2)
	require.Equal(t, by, j.Delay().NewBy)
	require.Nil(t, j.DelayNote)
	require.Equal(t, []NoticeKind{NoticeBreach}, b.kindsFrom(n), "missed date, reason and new date are one mail")
	require.False(t, j.Moot(&b.store.notices[n]), "which is not out of date because of the date that it tells itself")
	b.do(counter, MovePromise{Days: 5, Reason: "It is later still."})
	require.True(t, b.job().Moot(&b.store.notices[n]), "but because of one that was told after it")
	b.checkHistory()
}

// A choice ends before the day of the new date, also where an earlier one is told while it is open: it is asked again.
func TestAChoiceEndsBeforeANewDateThatIsSooner(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Silence, b.s.Shop.SilenceDays = SilenceAgreesOnce, 5
	b.late()
	j := b.do(counter, ExplainDelay{Reason: "The motor comes from overseas.", Days: 8})
	b.do(counter, MovePromise{Days: 7, Reason: "It is on its way."})
	require.Equal(t, j.Delay().Digest, b.job().Delay().Digest, "that date lies behind the time to choose")
	b.do(counter, MovePromise{Days: 3, Reason: "It came."})
	d := b.job().Delay()
	require.NotEqual(t, j.Delay().Digest, d.Digest)
	require.Equal(t, []any{3, 1, 4}, []any{d.Number, d.Promise, d.NewPromise})
	require.Less(t, b.s.Shop.Calendar.Date(d.AnswerBy), b.s.Shop.Calendar.Date(d.NewBy))
	require.Equal(t, DelayAgree, d.Silence, "a date that is sooner is no second delay")
	require.NotNil(t, b.job().Link(link.Choose, b.now))
	b.refuses(CodeConflict, customer, AnswerDelay{Choice: DelayReturn, Digest: j.Delay().Digest})
	b.do(customer, AnswerDelay{Choice: DelayReturn, Digest: d.Digest})
	b.checkHistory()
}

// What was chosen after a missed date came after the answer to the quote, which can't be taken back any more.
func TestAnAnswerBeforeAChoiceStaysAsItIs(t *testing.T) {
	b := newBench(t)
	b.s.Shop.UndoFor = 24 * time.Hour
	b.toAwaiting()
	b.do(counter, IssueQuote{Options: []Option{repairOption("100.00")}, Days: 60, Reason: "It takes longer."})
	b.approve()
	b.do(counter, MovePromise{Days: 1, Reason: "It is simple."})
	j := b.passes(5 * 24 * time.Hour)
	require.False(t, j.UndoUntil(b.s.Shop).IsZero())
	j = b.do(customer, AnswerDelay{Choice: DelayReturn, Digest: j.Delay().Digest})
	require.True(t, j.Queued())
	require.True(t, j.UndoUntil(b.s.Shop).IsZero())
	b.refuses(CodeRefused, customer, UndoDecision{Digest: j.Quote().Digest})
	require.Equal(t, StageTesting, b.job().Stage)
	b.checkHistory()
}

// TestHavingItBack: from every stage in which it can be chosen, the device goes to be closed up, and nothing
// is charged.
func TestHavingItBack(t *testing.T) {
	for _, stage := range []Stage{StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing} {
		t.Run(string(stage), func(t *testing.T) {
			b := newBench(t)
			b.s.Shop.PromiseDays = 0
			switch stage {
			case StageReceived:
				b.do(customer, booking)
				b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}}, AnswerScreening{Screening{No, No, Yes, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived})
			case StageDiagnosing:
				b.toDiagnosing()
			case StageAwaitingApproval:
				b.toAwaiting()
				b.do(customer, SendMessage{Text: "What is a capacitor?", Question: true}) // the clock runs: the ball is with the bench
			case StageRepairing:
				b.toAwaiting()
				b.approve()
				b.do(technician, PlaceHold{HoldPayment, ""})
				b.s.Shop.PauseFor = map[HoldReason]bool{HoldPayment: false}
				b.do(technician, LiftHold{}, PlaceHold{HoldPayment, ""}, RaiseDuty{Duty{Text: "Fit the screw", Before: StageTesting}})
			}
			b.do(counter, MovePromise{Days: 1})
			j := b.passes(5 * 24 * time.Hour)
			require.Equal(t, stage, j.Stage)
			require.True(t, j.Delay().Open(b.now))
			j = b.do(counter, AnswerDelay{Choice: DelayReturn, Digest: j.Delay().Digest, Agent: "telephone, ada"})
			require.Equal(t, StageTesting, j.Stage)
			require.Equal(t, OutcomeUnrepaired, j.Outcome)
			require.Zero(t, j.Charge(b.s.Shop).Minor, "without cost")
			require.Nil(t, j.Hold())
			require.Nil(t, j.running("approval"))
			b.refuses(CodeRefused, counter, ExplainDelay{Reason: "Too late."})
			duties := []Command{pass(SafetyTest), packAll, PrepareShipment{InPerson: true}}
			for _, d := range j.Duties {
				if d.Open() {
					duties = append(duties, WaiveDuty{ID: d.ID, Reason: "Goes back as it came."})
				}
			}
			b.do(counter, append(duties, Go{To: StageShipped})...)
			b.checkHistory()
		})
	}
}

// TestSilence: no answer means what the shop's settings say, at the exact instant, and is told in so many
// words beforehand.
func TestSilence(t *testing.T) {
	for _, policy := range []SilencePolicy{SilenceAgrees, SilenceReturns} {
		b := newBench(t)
		b.s.Shop.Silence, b.s.Shop.SilenceDays = policy, 2
		j, _ := b.late()
		d := j.Delay()
		require.Equal(t, d.AnswerBy, j.WakeAt(b.s.Shop))
		n := len(b.store.notices)
		b.now = d.AnswerBy.Add(-time.Millisecond)
		require.Equal(t, DelayChoice(""), b.passes(0).Delay().Choice)
		j = b.passes(time.Millisecond)
		require.Equal(t, DelayChoice(policy), j.Delay().Choice)
		require.True(t, j.Delay().Unanswered)
		require.Equal(t, []NoticeKind{NoticeDelayAnswered}, b.kindsFrom(n))
		require.Equal(t, policy == SilenceReturns, j.Stage == StageTesting)
		b.refuses(CodeConflict, customer, AnswerDelay{Choice: DelayChoices[map[SilencePolicy]int{SilenceAgrees: 1, SilenceReturns: 0}[policy]], Digest: d.Digest})
		b.checkHistory()
	}
}

// The state table of the FTC's business guide to 16 CFR 435.2(b), as checks.md section 5.3 has it: what
// silence means by situation.
func TestSilenceByTheModel(t *testing.T) {
	missed := time.Date(2026, 11, 18, 21, 0, 0, 0, time.UTC)
	soon, far := missed.AddDate(0, 0, 30), missed.AddDate(0, 0, 30).Add(time.Second)
	for _, c := range []struct {
		first bool
		by    time.Time
		want  DelayChoice
	}{
		{true, soon, DelayAgree},          // first delay, definite date at most 30 days on
		{true, far, DelayReturn},          // first delay, later than that
		{true, time.Time{}, DelayReturn},  // first delay, unknown date
		{false, soon, DelayReturn},        // any later delay
		{false, time.Time{}, DelayReturn}, // any later delay
	} {
		require.Equal(t, c.want, SilenceAgreesOnce.means(c.first, missed, c.by))
		require.Equal(t, DelayAgree, SilenceAgrees.means(c.first, missed, c.by))
		require.Equal(t, DelayReturn, SilenceReturns.means(c.first, missed, c.by))
	}
}

func TestNothingToChooseOnceTheWorkIsDone(t *testing.T) {
	b := newBench(t)
	j, _ := b.late()
	digest := j.Delay().Digest
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran for four hours", Outcome: CheckRuledOut}}, Go{To: StageTesting, Outcome: OutcomeNoFault})
	b.refuses(CodeGone, customer, AnswerDelay{Choice: DelayReturn, Digest: digest})
	j = b.do(counter, MovePromise{Days: 2, Reason: "One more day of testing."})
	require.True(t, j.Delay().AnswerBy.IsZero())
	b.passes(30 * 24 * time.Hour)
	b.checkHistory()
}

func TestWarningsAtSharesOfTheQuota(t *testing.T) {
	b := newBench(t)
	b.s.Shop.WarnAt = []int{50, 80}
	j := b.toDiagnosing()
	p := j.Promise()
	total, _ := j.Turnaround(b.s.Shop, p).Total()
	for _, percent := range []int{50, 80} {
		at := j.WakeAt(b.s.Shop)
		require.Equal(t, total*time.Duration(percent)/100, b.s.Shop.Calendar.Worked(p.Starts, at))
		b.now = at.Add(-time.Second)
		require.Less(t, b.passes(0).Promise().Warned, percent)
		b.now = at
		j = b.passes(0)
		require.Equal(t, percent, j.Promise().Warned)
		require.True(t, j.index(b.s.Shop).Waiting)
	}
	last := b.store.events[b.n][j.Version-1].Payload.(*PromiseWarned)
	require.Equal(t, b.now, last.At)
	j = b.do(counter, MovePromise{Days: 20, Reason: "Parts."})
	require.Zero(t, j.Promise().Warned)
	require.False(t, j.index(b.s.Shop).Waiting, "a new promise begins without a flag")

	// A server that was away notes the largest share that was passed, once.
	j = b.passes(23 * 24 * time.Hour)
	require.Equal(t, 80, j.Promise().Warned)
	b.checkHistory()
}

func TestRiskRaisesTheFlagOnce(t *testing.T) {
	b := newBench(t)
	b.s.Shop.RiskAt = 60
	asked, risk := 0, 10
	again := time.Date(2026, 11, 5, 14, 0, 0, 0, time.UTC)
	b.s.Risk = func(j *Job, due, now time.Time) (Risk, bool) {
		asked++
		want, _ := j.Turnaround(b.s.Shop, j.Promise()).DueAt(now)
		require.Equal(t, want, due)
		return Risk{Percent: risk, AskAgain: again}, true
	}
	b.toDiagnosing()
	require.Positive(t, asked)
	require.Equal(t, again, b.store.wakes[b.n], "it is woken when the forecast wants to be asked again")
	risk, b.now = 70, again
	j := b.passes(0)
	require.Equal(t, 70, j.Promise().Risk)
	require.True(t, j.index(b.s.Shop).Waiting)
	before := asked
	b.do(technician, NameSuspect{Text: "Lamp"})
	require.Equal(t, before, asked, "a flag that is up is not asked about")
	b.checkHistory()
}

func TestPausePolicy(t *testing.T) {
	// Each reason's pause can be switched by itself; without a setting every hold stops the clock, but for those that
	// are on the bench's own account: no setting lets them.
	for _, r := range HoldReasons {
		for _, stops := range []bool{true, false} {
			b := newBench(t)
			b.s.Shop.PauseFor = map[HoldReason]bool{r: stops}
			b.toDiagnosing()
			j := b.do(technician, PlaceHold{Reason: r})
			stops := stops && r != HoldOutside && r != HoldWatching
			require.Equal(t, stops, j.running("hold") != nil, r)
			b.passes(48 * time.Hour)
			j = b.do(technician, LiftHold{})
			a := j.Turnaround(b.s.Shop, j.Promise()).Accounts(b.now)
			require.Equal(t, stops, a.Paused() > 0)
			if stops {
				require.Equal(t, a.Paused(), a.Of(r.Account()))
			} else {
				require.Equal(t, a.Total(), a.Bench)
			}
		}
	}
}

func TestLevels(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Levels = []Level{
		{Key: "standard", Name: "Standard", Promise: promiseclock.Quota{WorkingDays: 10}, Look: promiseclock.Quota{WorkingHours: promiseclock.QuotaHours(8 * time.Hour)}, Answer: promiseclock.Quota{WorkingHours: promiseclock.QuotaHours(24 * time.Hour)}},
		{Key: "express", Name: "Express", Names: map[string]string{"fr": "Rapide"}, Promise: promiseclock.Quota{WorkingHours: promiseclock.QuotaHours(20 * time.Hour)},
			Fee: &money.Line{Kind: money.Fee, Text: "Express", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal("35.00"), Tax: "hst"}},
		{Key: "dated", Name: "By a date", ByDate: true},
	}
	bad := booking
	bad.Level = "first-class"
	b.refuses(CodeInvalid, customer, bad)
	j := b.do(customer, booking)
	require.Equal(t, "standard", j.Level.Key, "the first is the usual one")
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}}, AnswerScreening{Screening{No, No, Yes, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived})
	j = b.passes(0)
	require.Equal(t, promiseclock.Quota{WorkingDays: 10}, j.Promise().Quota)

	// The first look is late: exactly from its due instant on.
	targets := j.Targets(b.s.Shop)
	require.Equal(t, TargetLook, targets[0].Kind)
	require.Equal(t, 8*time.Hour, b.s.Shop.Calendar.Worked(j.ReceivedAt, targets[0].Due))
	b.now = targets[0].Due
	require.Empty(t, b.passes(0).LateTargets())
	j = b.passes(time.Millisecond)
	require.Equal(t, []TargetKind{TargetLook}, j.LateTargets())
	require.True(t, j.index(b.s.Shop).Waiting)
	j = b.do(technician, NoteCondition{"Scratched lid"}, TryFault{Result: FaultReproduced, Note: "Hums"}, Go{To: StageDiagnosing})
	require.Empty(t, j.LateTargets(), "it was met, late")
	require.True(t, j.Targets(b.s.Shop)[0].Late(b.now))

	// Changed at the counter: the customer gets the new promise with the reason, the first one stays.
	b.refuses(CodeInvalid, counter, ChooseLevel{Level: "express"})
	b.refuses(CodeForbidden, technician, ChooseLevel{Level: "express", Reason: "Asked for."})
	j = b.do(counter, ChooseLevel{Level: "express", Reason: "You asked for it by telephone."})
	require.Equal(t, "Rapide", j.Level.Named("fr"))
	require.Len(t, j.Promises, 2)
	require.Equal(t, 20*time.Hour, j.Promise().Quota.WorkingHours.Duration())
	require.Equal(t, NoticePromiseMoved, b.store.notices[len(b.store.notices)-1].Kind)

	// Its price is a line on every repairing option, once.
	b.do(technician, NoteFinding{Finding: Finding{Text: "A capacitor has dried out", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	j = b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00"), recycleOption()}})
	require.Len(t, j.Quote().Options[0].Price.Lines, 2)
	require.Equal(t, int64(15525), j.Quote().Options[0].Result.Total.Minor) // (100 + 35) x 1.15
	require.Empty(t, j.Quote().Options[1].Price.Lines)
	again := repairOption("100.00")
	again.Price.Lines = j.Quote().Options[0].Price.Lines
	j = b.do(counter, IssueQuote{Options: []Option{again}, Reason: "The same."})
	require.Len(t, j.Quote().Options[0].Price.Lines, 2)
	j = b.do(counter, IssueQuote{Options: []Option{repairOption("100.00")}, Reason: "As a favour.", NoFee: true})
	require.Len(t, j.Quote().Options[0].Price.Lines, 1)
	b.refuses(CodeInvalid, counter, ChooseLevel{Level: "standard", By: b.now.AddDate(0, 0, 5), Reason: "No."})
	b.checkHistory()

	// A date that is agreed.
	dated := booking
	dated.Level, dated.LevelBy = "dated", b.now.AddDate(0, 0, 20)
	b.n = ""
	b.do(counter, dated)
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}}}, AnswerScreening{Screening{No, No, Yes, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived})
	j = b.passes(0)
	require.Equal(t, dated.LevelBy.Truncate(time.Second), j.Promise().Quota.By)
	b.checkHistory()
}

// TestOldEventsAreReadable: what was written before levels, warnings and delays replays as it did.
func TestOldEventsAreReadable(t *testing.T) {
	b := newBench(t)
	b.s.Shop.WarnAt, b.s.Shop.Levels = nil, nil
	b.toAwaiting()
	for _, e := range b.store.events[b.n] {
		for _, word := range []string{"warned", "risk", "level", "delay"} {
			require.NotContains(t, string(e.Data), `"`+word+`"`, "optional fields are left out, so that old hashes stay")
		}
	}
}
