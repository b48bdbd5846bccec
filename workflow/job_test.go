package workflow

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// checkHistory holds the invariants that every job must keep at every moment.
func (b *bench) checkHistory() *Job {
	b.t.Helper()
	events := b.store.events[b.n]
	head, err := VerifyChain(events)
	require.NoError(b.t, err)
	stored, err := b.store.Job(context.Background(), "harbour", b.n)
	require.NoError(b.t, err)
	require.Equal(b.t, head, stored.Head)
	require.Equal(b.t, int64(len(events)), stored.Version)

	// Replay from what an export holds, not from the payloads in memory.
	var again []*Event
	for _, e := range events {
		line, err := e.Canonical()
		require.NoError(b.t, err)
		read, err := ParseEvent(line)
		require.NoError(b.t, err)
		b.store.secrets[b.n].unsealPayload(read)
		again = append(again, read)
	}
	replayed, err := Replay(again)
	require.NoError(b.t, err)
	require.Equal(b.t, stored, replayed)
	return stored
}

func (v Vault) unsealPayload(e *Event) { v.Unseal(e.Payload) }

func TestWholeWayFromParcelToPosted(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	require.Equal(t, StageAwaitingApproval, j.Stage)
	require.NotNil(t, j.running("approval"), "the clock stands still while the customer thinks")
	j = b.approve()
	require.Equal(t, StageRepairing, j.Stage)
	require.Nil(t, j.running("approval"))
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor)

	e := b.refuses(CodeRefused, technician, Go{To: StageTesting})
	require.Contains(t, e.Message, "what was done")
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
	e = b.refuses(CodeRefused, counter, Go{To: StageShipped})
	require.Len(t, e.Missing, 5) // two tests, two items, no parcel
	b.do(technician, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA", Serial: "h-20417"})
	b.refuses(CodeForbidden, technician, Go{To: StageShipped})
	b.do(counter, DeclareReady{"Works again"})
	j = b.do(counter, Go{To: StageShipped})
	require.Equal(t, OutcomeRepaired, j.Outcome)
	require.True(t, j.Shipment.WellFormed)
	require.Equal(t, 90, j.Shipment.WarrantyDays)
	require.True(t, j.Promise().BreachedAt.IsZero())
	require.True(t, j.WakeAt(b.s.Shop).IsZero(), "an ended job never wakes up")

	var kinds []NoticeKind
	for _, n := range b.store.notices {
		kinds = append(kinds, n.Kind)
	}
	require.Equal(t, []NoticeKind{NoticeBooked, NoticeReceived, NoticeFindings, NoticeDecision, NoticeReady, NoticeShipped}, kinds)
	require.Equal(t, 1, b.store.notices[2].Quote, "report and quote of one step are one mail")
	b.checkHistory()
}

func TestEveryRefusalSaysWhatIsMissing(t *testing.T) {
	b := newBench(t)
	j := b.do(customer, booking)
	for _, m := range j.Moves(b.s.Shop) {
		if m.To == StageWithdrawn {
			require.Empty(t, m.Missing)
			continue
		}
		require.Len(t, m.Missing, 3)
	}
	e := b.refuses(CodeRefused, technician, Go{To: StageReceived})
	require.Contains(t, e.Message, "List what was in the parcel")
	b.refuses(CodeRefused, technician, Go{To: StageTesting})
	b.refuses(CodeRefused, technician, PlaceHold{Reason: HoldParts})
	b.refuses(CodeForbidden, customer, Go{To: StageReceived})
	b.refuses(CodeInvalid, technician, ListContents{Items: []Item{{Text: "A\r\nBcc: x", Device: true}}})
	b.refuses(CodeInvalid, technician, ListContents{Items: []Item{{Text: strings.Repeat("ä", 201), Device: true}}})
	require.Equal(t, j, b.checkHistory(), "a refusal changes nothing")
}

func TestDeclinedGoesBackUnrepairedAfterASafetyCheck(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, StageTesting, j.Stage)
	require.Equal(t, OutcomeUnrepaired, j.Outcome)
	b.do(technician, packAll, PrepareShipment{InPerson: true})
	e := b.refuses(CodeRefused, counter, Go{To: StageShipped})
	require.Contains(t, e.Message, SafetyTest)
	j = b.do(counter, pass(SafetyTest), Go{To: StageShipped})
	require.Equal(t, OutcomeUnrepaired, j.Outcome)
	b.checkHistory()
}

func TestAnOpenDutyDoesNotStopTheCustomersNo(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	b.do(technician, RaiseDuty{Duty{Text: "Clean the residue", Before: StageTesting}})
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, StageTesting, j.Stage)
	e := b.refuses(CodeRefused, counter, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	require.Contains(t, e.Message, "Clean the residue")
	b.do(counter, WaiveDuty{1, "It goes back as it came."}, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	b.checkHistory()
}

func TestADecisionCountsOnce(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	yes := Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"}
	b.refuses(CodeInvalid, customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A"})
	b.refuses(CodeInvalid, customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "Z", Name: "M"})
	b.refuses(CodeInvalid, customer, Decide{Digest: j.Quote().Digest, Name: "M"})
	b.refuses(CodeConflict, customer, Decide{Verdict: VerdictApprove, Digest: "other", Option: "A", Name: "M"})
	first := b.do(customer, yes)
	second := b.do(customer, yes)
	require.Equal(t, first.Version, second.Version, "a replayed POST changes nothing")
	b.refuses(CodeConflict, customer, Decide{Verdict: VerdictDecline, Digest: yes.Digest, Name: "Mira Osei"})
	b.checkHistory()
}

func TestAQuestionHandsTheClockBackToTheBench(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	j = b.do(customer, Decide{Verdict: VerdictAsk, Digest: j.Quote().Digest, Words: "Is the lamp included?"})
	require.Equal(t, StageAwaitingApproval, j.Stage)
	require.Nil(t, j.running("approval"))
	require.NotNil(t, j.OpenQuestion())
	j = b.do(counter, SendMessage{Text: "Yes, it is."})
	require.NotNil(t, j.running("approval"))
	require.Nil(t, j.OpenQuestion())
	require.Equal(t, StageRepairing, b.approve().Stage)
	b.checkHistory()
}

func TestFurtherQuoteStopsTheWork(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.refuses(CodeRefused, counter, Go{To: StageAwaitingApproval})
	b.do(technician, NoteFinding{Finding: Finding{Text: "The fan has seized too", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	b.refuses(CodeInvalid, counter, IssueQuote{Options: []Option{repairOption("150.00")}}) // no reason
	b.do(counter, IssueQuote{Options: []Option{repairOption("150.00")}, Reason: "A fan must be renewed as well."})
	b.refuses(CodeRefused, technician, DoWork{Text: "Fan"})
	j := b.do(counter, Go{To: StageAwaitingApproval})
	require.Equal(t, NoticeFurtherQuote, b.store.notices[len(b.store.notices)-1].Kind)
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor, "until then the earlier approval stands")
	j = b.approve()
	require.Equal(t, int64(17250), j.Charge(b.s.Shop).Minor)
	b.checkHistory()
}

func TestWithdrawnAndExpiredQuotesCantBeApproved(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	yes := Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"}
	j = b.do(counter, WithdrawQuote{Reason: "A price was wrong."})
	require.Equal(t, StageDiagnosing, j.Stage)
	b.refuses(CodeGone, customer, yes)
	j = b.do(counter, IssueQuote{Options: []Option{repairOption("90.00")}, Reason: "The price was wrong."}, Go{To: StageAwaitingApproval})
	yes.Digest = j.Quote().Digest
	j = b.passes(4 * 24 * time.Hour)
	require.Equal(t, 1, j.Quote().Reminded)
	j = b.passes(12 * 24 * time.Hour)
	require.Equal(t, RevisionExpired, j.Quote().State)
	require.Equal(t, 1, j.Quote().Reminded, "a server that was away past the expiry sends no late reminder")
	b.refuses(CodeGone, customer, yes)
	require.Nil(t, j.Link(link.Decide, b.now))
	b.checkHistory()
}

func TestBreachIsRecordedOnceAndTheFirstPromiseStays(t *testing.T) {
	b := newBench(t)
	j := b.toDiagnosing()
	due, ok := j.Due(b.s.Shop)
	require.True(t, ok)
	j = b.passes(due.Sub(b.now))
	require.True(t, j.Promise().BreachedAt.IsZero(), "ending exactly at due is kept")
	j = b.passes(time.Second)
	require.Equal(t, due, j.Promise().BreachedAt)
	b.passes(48 * time.Hour)
	count := 0
	for _, n := range b.store.notices {
		if n.Kind == NoticeBreach {
			count++
		}
	}
	require.Equal(t, 1, count)
	b.refuses(CodeInvalid, counter, MovePromise{Days: 3})
	j = b.do(counter, MovePromise{Days: 3, Reason: "The part came late."})
	require.Len(t, j.Promises, 2)
	require.Equal(t, due, j.Promises[0].BreachedAt)
	b.checkHistory()
}

func TestHoldForPartsMovesTheDate(t *testing.T) {
	b := newBench(t)
	j := b.toDiagnosing()
	before, _ := j.Due(b.s.Shop)
	b.do(technician, PlaceHold{HoldParts, "A lamp from the maker"})
	b.refuses(CodeRefused, technician, PlaceHold{Reason: HoldParts})
	j = b.passes(7 * 24 * time.Hour)
	_, ok := j.Due(b.s.Shop)
	require.False(t, ok, "while a pause runs no date can be named")
	j = b.do(technician, LiftHold{})
	after, ok := j.Due(b.s.Shop)
	require.True(t, ok)
	require.True(t, after.After(before))
	b.checkHistory()
}

func TestNoFaultFound(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.refuses(CodeRefused, technician, Go{To: StageTesting, Outcome: OutcomeNoFault})
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran for four hours", Outcome: CheckRuledOut}})
	j := b.do(technician, Go{To: StageTesting, Outcome: OutcomeNoFault})
	require.Equal(t, OutcomeNoFault, j.Outcome)
	b.checkHistory()
}

func TestFailedTestGoesBack(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
	b.refuses(CodeRefused, technician, Go{To: StageDiagnosing})
	b.refuses(CodeInvalid, technician, DoTest{Test: Test{Name: "Function"}}) // a failure needs a note
	j := b.do(technician, DoTest{Test: Test{Name: "Function", Note: Plain("Stops again after an hour")}}, Go{To: StageDiagnosing})
	require.Equal(t, StageDiagnosing, j.Stage)
	b.do(technician, Go{To: StageRepairing}) // the approval still covers its total
	b.refuses(CodeRefused, technician, Go{To: StageTesting})
	b.do(technician, DoWork{Text: "Renewed the switch"}, Go{To: StageTesting})
	b.do(counter, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	b.checkHistory()
}

func TestLimitAgreedBeforehand(t *testing.T) {
	b := newBench(t)
	with := booking
	with.Limit = "120.00"
	b.do(customer, with)
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}}}, AnswerScreening{Screening{No, No, No, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived},
		NoteCondition{"Good"}, TryFault{Result: FaultReproduced}, Go{To: StageDiagnosing})
	b.do(counter, IssueQuote{Options: []Option{repairOption("110.00")}})
	b.refuses(CodeRefused, technician, Go{To: StageRepairing})
	b.do(counter, IssueQuote{Options: []Option{repairOption("100.00")}, Reason: "Cheaper part."})
	j := b.do(technician, Go{To: StageRepairing})
	require.Equal(t, int64(11500), j.Charge(b.s.Shop).Minor)
	b.checkHistory()
}

func TestDamagedCellIsNeverPosted(t *testing.T) {
	b := newBench(t)
	b.do(customer, booking)
	b.do(technician, ListContents{Items: []Item{{Text: "Recorder", Device: true}}}, AnswerScreening{Screening{Yes, Yes, No, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived})
	e := b.refuses(CodeRefused, technician, NoteCondition{"Case bulges"}, TryFault{Result: NotTried, Why: NotTriedUnsafe}, Go{To: StageDiagnosing})
	require.Contains(t, e.Message, "isolate")
	b.do(technician, NoteCondition{"Case bulges; cell isolated in the fire box"}, TryFault{Result: NotTried, Why: NotTriedUnsafe}, Go{To: StageDiagnosing})
	b.do(technician, photo(PhotoEvidence), NoteFinding{Finding: Finding{Entry: "cell_swollen"}}, Go{To: StageTesting, Outcome: OutcomeBeyondRepair, Reason: "The cell has pressed the board out of shape."})
	e = b.refuses(CodeRefused, counter, Pack{[]PackedItem{{Item: 1, Fate: FateReturned}}}, PrepareShipment{Parcel: "RR473124829CA"}, Go{To: StageShipped})
	require.Contains(t, strings.Join(e.Missing, " "), "damaged cell")
	b.do(counter, DoDuty{1}, DoDuty{2}, pass(SafetyTest), Pack{[]PackedItem{{Item: 1, Fate: FateReturned}}}, PrepareShipment{Parcel: "RR473124829CA"}, Go{To: StageShipped})
}

func TestErasingAPersonLeavesTheChainWhole(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.refuses(CodeRefused, owner, ErasePerson{})
	j := b.checkHistory()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei", Address: "192.0.2.7"})
	b.do(counter, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	b.refuses(CodeForbidden, counter, ErasePerson{})
	for _, e := range b.store.events[b.n] {
		require.NotContains(t, string(e.Data), "Mira", "no event ever held the name")
		require.NotContains(t, string(e.Data), "mira@post")
		require.NotContains(t, string(e.Data), "192.0.2.7")
		require.NotContains(t, string(e.Data), "Hums")
	}
	j = b.do(owner, ErasePerson{})
	require.True(t, j.Customer.Name.Erased())
	require.Empty(t, b.store.secrets[b.n])
	require.NotContains(t, j.index(b.s.Shop).Text, "Mira")
	require.Nil(t, j.Link(link.Own, b.now))
	require.Equal(t, int64(0), j.Charge(b.s.Shop).Minor)
	b.checkHistory()
}

func TestChainFindsEveryChange(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	events := b.store.events[b.n]
	lines := make([][]byte, len(events))
	for i, e := range events {
		var err error
		lines[i], err = e.Canonical()
		require.NoError(t, err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		i := r.IntN(len(lines) - 1) // the last one's hash is the head, which the export states apart
		changed := append([]byte(nil), lines[i]...)
		k := r.IntN(len(changed))
		changed[k] ^= 1 << r.IntN(7)
		if string(changed) == string(lines[i]) {
			continue
		}
		again := append([]*Event(nil), events...)
		e, err := ParseEvent(changed)
		if err != nil {
			continue // it can't even be read
		}
		again[i] = e
		_, err = VerifyChain(again)
		require.Error(t, err, "byte %d of event %d", k, i+1)
	}
	_, err := VerifyChain(append(append([]*Event(nil), events[:3]...), events[4:]...))
	require.ErrorContains(t, err, "event 5 is where event 4 should be")
}

func TestStaleDiagram(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	require.NoError(t, err)
	want := "// BEGIN DIAGRAM\n//\n"
	for l := range strings.Lines(Diagram()) {
		want += "//\t" + l
	}
	want += "//\n// END DIAGRAM\n"
	begin, end := strings.Index(string(doc), "// BEGIN DIAGRAM"), strings.Index(string(doc), "// END DIAGRAM\n")
	got := string(doc)[begin : end+len("// END DIAGRAM\n")]
	if os.Getenv("UPDATE") != "" {
		require.NoError(t, os.WriteFile("doc.go", []byte(strings.Replace(string(doc), got, want, 1)), 0o644))
		got = want
	}
	require.Equal(t, want, got, "the diagram is stale: run UPDATE=1 go test ./workflow -run StaleDiagram")
}

func TestTableIsSound(t *testing.T) {
	seen := map[[2]Stage]bool{}
	for _, r := range Transitions {
		require.NotNil(t, r.guard)
		require.NotEmpty(t, r.Needs)
		require.False(t, seen[[2]Stage{r.From, r.To}], "%s -> %s stands twice", r.From, r.To)
		seen[[2]Stage{r.From, r.To}] = true
	}
	for _, k := range NoticeTable() {
		require.Contains(t, kinds, k.Event)
	}
	for name, k := range kinds {
		require.Equal(t, name, KindOf(k.make()))
		require.Equal(t, strings.NewReplacer(".", "", "_", "").Replace(string(name)), strings.ToLower(reflect.TypeOf(k.make()).Elem().Name()), "a payload is named after its kind")
	}
}

// TestRandomWays tries random commands in random order, with the clock moving, and holds the
// invariants after each: an illegal event is never recorded, a refusal changes nothing, and replay
// gives the job.
func TestRandomWays(t *testing.T) {
	share := longtest.Share(t, 4)
	for seed := range uint64(60) {
		if !share(int(seed)) {
			continue
		}
		b := newBench(t)
		r := rand.New(rand.NewPCG(seed, 7))
		b.do(customer, booking)
		pick := func(list ...Command) Command { return list[r.IntN(len(list))] }
		for range 120 {
			j, err := b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			digest, reason := "", ""
			if q := j.Quote(); q != nil {
				digest, reason = q.Digest, "It changed."
			}
			c := pick(
				ListContents{Items: []Item{{Text: "Scanner", Device: true}, {Text: "Holder"}}}, AnswerScreening{Screening{No, No, Yes, No, nil, Plain("")}},
				photo(PhotoArrival), NoteCondition{"Good"}, TryFault{Result: FaultReproduced}, NameSuspect{Text: "Lamp"},
				DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckUnclear}}, NoteFinding{Finding: Finding{Text: "Dust", Origin: OriginWear, Weight: WeightPutRight, Certainty: CertaintySeen}, Duty: Duty{Text: "Clean it", Before: StageTesting}},
				SendReport{ReportText{Short: "Dust."}}, IssueQuote{Options: []Option{repairOption("80.00"), replaceOption()}, Reason: reason}, IssueQuote{Options: []Option{repairOption("95.00")}, Reason: reason},
				WithdrawQuote{Reason: "Wrong"}, Decide{Verdict: VerdictApprove, Digest: digest, Option: "A", Name: "M"}, Decide{Verdict: VerdictDecline, Digest: digest, Name: "M"},
				Decide{Verdict: VerdictAsk, Digest: digest, Words: "Why?"}, SendMessage{Text: "Hello"}, PlaceHold{HoldParts, ""}, LiftHold{}, MovePromise{Days: 2, Reason: "Late"},
				DoWork{Text: "Did it"}, DoDuty{1 + r.IntN(3)}, WaiveDuty{1, "Not needed"}, pass("Function"), pass(SafetyTest), DoTest{Test: Test{Name: "Function", Note: Plain("No")}},
				packAll, PrepareShipment{InPerson: true}, RecordPayment{Amount: "20.00", How: "bank"}, DeclareReady{}, AskLink{}, RevokeLinks{},
				Go{To: StageReceived}, Go{To: StageDiagnosing, Reason: "again"}, Go{To: StageAwaitingApproval}, Go{To: StageRepairing}, Go{To: StageTesting}, Go{To: StageShipped},
			)
			by := counter
			if _, ok := c.(Decide); ok {
				by = customer
			}
			if r.IntN(4) == 0 {
				b.passes(time.Duration(r.IntN(72)) * time.Hour)
			}
			if _, err := b.try(by, c); err != nil {
				require.NotEqual(t, CodeInternal, CodeOf(err), "%#v: %v", c, err)
			}
		}
		j := b.checkHistory()
		from := StageBooked
		for _, e := range b.store.events[b.n] {
			if m, ok := e.Payload.(*StageMoved); ok {
				require.Equal(t, from, m.From)
				require.NotNil(t, transition(m.From, m.To), "%s -> %s is not in the table", m.From, m.To)
				from = m.To
			}
		}
		require.Equal(t, from, j.Stage)
		if _, o := j.Approved(); o != nil {
			require.LessOrEqual(t, j.Charge(b.s.Shop).Minor, o.Result.Total.Minor)
		}
	}
}

func TestUpcastingReadsOldEventsForward(t *testing.T) {
	kinds["test.old"] = kindOf{make: func() Payload { return new(oldPayload) }, upcast: []func(json.RawMessage) (json.RawMessage, error){
		func(m json.RawMessage) (json.RawMessage, error) {
			return json.RawMessage(strings.Replace(string(m), "colour", "color", 1)), nil
		},
	}}
	defer delete(kinds, "test.old")
	e := &Event{Wire: "test.old/1", Data: json.RawMessage(`{"colour":"red"}`)}
	before, err := e.Hash()
	require.NoError(t, err)
	require.NoError(t, e.Decode())
	require.Equal(t, "red", e.Payload.(*oldPayload).Color)
	after, err := e.Hash()
	require.NoError(t, err)
	require.Equal(t, before, after, "reading forward never touches what the hash covers")
	require.ErrorContains(t, (&Event{Wire: "test.old/3", Data: e.Data}).Decode(), "newer")
	require.ErrorContains(t, (&Event{Wire: "no.such/1", Data: e.Data}).Decode(), "unknown")
}

type oldPayload struct{ Color string }

func (*oldPayload) fold(*Job, *Event) {}

func FuzzParseEvent(f *testing.F) {
	b := newBench(f)
	b.toAwaiting()
	for _, e := range b.store.events[b.n] {
		line, err := e.Canonical()
		require.NoError(f, err)
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		e, err := ParseEvent(line)
		if err != nil {
			return
		}
		c, err := e.Canonical()
		if err != nil {
			return
		}
		again, err := ParseEvent(c)
		require.NoError(t, err)
		d, err := again.Canonical()
		require.NoError(t, err)
		require.Equal(t, string(c), string(d))
	})
}

// A job that ends at its due instant is kept, and one that ends a millisecond later is not: the job and
// the promise's own clock say the same.
func TestOneBreachForJobAndClock(t *testing.T) {
	for _, late := range []time.Duration{0, time.Millisecond, time.Second} {
		b := newBench(t)
		b.toAwaiting()
		b.approve()
		b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
		b.do(technician, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{InPerson: true, Serial: "h-20417"})
		j, err := b.s.Job(context.Background(), b.n)
		require.NoError(t, err)
		due, ok := j.Turnaround(b.s.Shop, j.Promise()).DueAt(b.now)
		require.True(t, ok)
		b.now = due.Add(late - time.Minute) // a step takes one
		j = b.do(counter, Go{To: StageShipped})
		require.Equal(t, due.Add(late), j.EndedAt)
		require.Equal(t, late > 0, !j.Promise().BreachedAt.IsZero(), late)
		_, breached := j.Turnaround(b.s.Shop, j.Promise()).Breached(j.EndedAt)
		require.Equal(t, late > 0, breached, late)
	}
}

// A clock that is set back leaves history in order, and wakes nothing that has been done.
func TestAClockSetBack(t *testing.T) {
	b := newBench(t)
	j := b.toDiagnosing()
	last := j.ChangedAt
	b.now = last.Add(-3 * time.Hour)
	require.True(t, b.now.Before(last))
	j = b.do(technician, NoteFinding{Finding: Finding{Text: "Dust", Origin: OriginWear, Weight: WeightPutRight, Certainty: CertaintySeen}})
	require.Equal(t, last, j.ChangedAt)
	require.Equal(t, last, j.Findings[len(j.Findings)-1].At)
	b.do(counter, SendMessage{Text: "We found dust."})
	made := b.store.notices[len(b.store.notices)-1]
	require.Equal(t, b.now.Truncate(time.Millisecond), made.NotBefore, "the email does not wait for the old time")
	b.checkHistory()
}

// What an alarm rings for is done by it: it does not ring again for the same.
func TestAlarmsRingOnce(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 11))
		b := newBench(t)
		b.s.Shop.WarnAt, b.s.Shop.Silence, b.s.Shop.SilenceDays = []int{50, 80, 100}, SilenceAgrees, 3
		if seed%2 == 0 {
			b.toAwaiting()
		} else {
			b.toDiagnosing()
		}
		for range 30 {
			j, err := b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			at := j.WakeAt(b.s.Shop)
			if at.IsZero() {
				break
			}
			b.now = at.Add(time.Duration(r.IntN(3)*r.IntN(72)) * time.Hour)
			_, err = b.s.Do(context.Background(), Order{Job: b.n, By: clockActor, Commands: []Command{Wake{}}})
			require.NoError(t, err)
			j, err = b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			for i, a := range alarms {
				if again := a.at(j, b.s.Shop); !j.Ended() && !again.IsZero() && i != 8 { // the next of several reminders may be due as well
					require.True(t, again.After(b.now), "alarm %d is still due at %s", i, again)
				}
			}
		}
		b.checkHistory()
	}
}
