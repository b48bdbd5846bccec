package workflow

import (
	"strings"
	"testing"

	"benchword/workflow/catalogue"

	"github.com/stretchr/testify/require"
)

// The sequences that a master technician tried and that went through.

func (b *bench) onTheBench(s Screening) *Job {
	b.t.Helper()
	b.do(customer, booking)
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}}, AnswerScreening{s}, photo(PhotoArrival), Go{To: StageReceived})
	return b.do(technician, NoteCondition{"Good; what is in doubt is isolated"}, TryFault{Result: "not_tried", Why: "unsafe"}, Go{To: StageDiagnosing})
}

// toRepairing goes on to a yes.
func (b *bench) toRepairing() *Job {
	b.t.Helper()
	b.do(technician, NameSuspect{Text: "Supply"}, DoCheck{Suspect: 1, Check: Check{Text: "Measured", Outcome: CheckConfirmed}})
	b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00"), replaceOption()}}, Go{To: StageAwaitingApproval})
	return b.approve()
}

var (
	byPost = []Command{packAll, PrepareShipment{Parcel: "RR473124829CA"}, Go{To: StageShipped}}
	// mainsPlug is a mains device with nothing else about it, cordless one with nothing at all.
	mainsPlug, cordless = Screening{Lithium: No, CellDamaged: No, Mains: Yes, Liquid: No}, Screening{Lithium: No, CellDamaged: No, Mains: No, Liquid: No}
)

func with(list []Command, first ...Command) []Command { return append(first, list...) }

// missing returns all that a refusal asks for, in one line.
func (b *bench) missing(by Actor, commands ...Command) string {
	b.t.Helper()
	e := b.refuses(CodeRefused, by, commands...)
	return strings.Join(append(e.Missing, e.Message), " ")
}

// T1: a repaired mains device does not leave without the safety test, whatever the shop's usual tests are.
func TestARepairedMainsDeviceIsTestedForSafety(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Tests = []string{"Function"}
	b.onTheBench(mainsPlug)
	b.toRepairing()
	b.do(technician, DoWork{Text: "Renewed the mains switch and the mains lead"}, Go{To: StageTesting})
	require.Contains(t, b.missing(counter, with(byPost, pass("Function"))...), SafetyTest)
	require.Contains(t, b.missing(counter, pass("Function"), DeclareReady{}), SafetyTest, "nobody is told that it is done and tested before")
	b.do(counter, with(byPost, pass("Function"), pass(SafetyTest))...)
	b.checkHistory()
}

// T2: can't tell counts as yes until somebody says no.
func TestCantTellCountsAsYes(t *testing.T) {
	b := newBench(t)
	b.onTheBench(Screening{No, No, Unknown, No, nil, Plain("")})
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran it", Outcome: CheckRuledOut}}, Go{To: StageTesting, Outcome: OutcomeNoFault})
	require.Contains(t, b.missing(counter, byPost...), SafetyTest, "mains")
	b.do(technician, AnswerScreening{cordless})
	b.do(counter, byPost...)

	b = newBench(t)
	j := b.onTheBench(Screening{Yes, Unknown, No, Yes, nil, Plain("")})
	require.NotEmpty(t, j.Duties, "a cell that nobody can vouch for")
	b.refuses(CodeRefused, technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran it", Outcome: CheckRuledOut}})
	require.Contains(t, b.missing(technician, DoDuty{1}), "screening", "nobody knows yet what there is to take out")
	j = b.do(technician, AnswerScreening{Screening{Yes, No, No, Yes, nil, Plain("looked at it: flat and dry")}})
	require.False(t, j.Duties[0].Open())
	b.do(technician, NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran it", Outcome: CheckRuledOut}}, Go{To: StageTesting, Outcome: OutcomeNoFault})
	b.do(counter, byPost...)
	b.checkHistory()
}

// T3: a swollen cell found inside is an alert, is due at once, and corrects the screening.
func TestADangerFoundInsideIsDueAtOnce(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	b.toRepairing()
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "cell_swollen"}})
	require.Equal(t, Screening{Yes, Yes, No, No, nil, Plain("")}, *j.Screening, "the screening is corrected")
	require.Len(t, j.Dangers(b.s.Shop), 1)
	for _, c := range []Command{DoWork{Text: "Renewed the lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Ran it", Outcome: CheckRuledOut}},
		NoteFinding{Finding: Finding{Entry: "case_scratched"}}, Go{To: StageTesting}} {
		require.Contains(t, b.missing(technician, c), "Take the damaged cell out", "%T", c)
	}
	b.do(technician, photo(PhotoEvidence), NoteFinding{Finding: Finding{Entry: "cell_pierced"}}) // one danger more, and its photo, can always be noted
	j = b.do(technician, DoWork{Text: "Took the cell out", Findings: []int{1, 2}, Duties: []int{1, 2}}, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting})
	require.Empty(t, j.Dangers(b.s.Shop))
	b.do(counter, with(byPost, pass("Function"), pass(SafetyTest))...)
	b.checkHistory()
}

// A danger in the bench's own words obliges as the catalogue's do: to make it safe at once, and to put it right.
// A smell is perceived: it is neither seen nor concluded, and says nothing of the fault yet.
func TestWhatIsSmelledIsNoticed(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "smell_burnt"}})
	require.Equal(t, []any{CertaintyNoticed, WeightOpen}, []any{j.Findings[0].Certainty, j.Findings[0].Weight})
}

// Who can't tell whether a cell is sound, after a damaged one was found, has the rest looked at: taking the one out settles
// only that one.
func TestCantTellAfterADamagedCell(t *testing.T) {
	b := newBench(t)
	cell := func(a Answer) AnswerScreening {
		return AnswerScreening{Screening{Lithium: Yes, CellDamaged: a, Mains: No, Liquid: No}}
	}
	b.onTheBench(cell(No).Screening)
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "cell_pierced"}}, cell(Unknown))
	b.do(technician, DoDuty{dutyOf(t, j, ruleCell)})
	j = b.job()
	require.True(t, j.cellIn(), "one more may be damaged")
	j = b.do(technician, cell(No))
	require.False(t, j.cellIn())
}

// A danger that the screening takes back obliges still where the symptom asks for the same: one duty stood for both.
func TestASymptomStillObligesWhenTheScreeningDoesNot(t *testing.T) {
	b := newBench(t)
	burnt := cordless
	burnt.Hazards = []string{"burnt"}
	b.onTheBench(burnt)
	b.do(technician, NoteSymptom{Symptom: "shock"}, AnswerScreening{cordless})
	j := b.job()
	require.True(t, j.duty(dutyOf(t, j, ruleSecure)).Open())
	b.do(technician, NoteSymptom{Symptom: "noise"}, AnswerScreening{burnt}, AnswerScreening{cordless})
	require.Len(t, b.job().Dangers(b.s.Shop), 0, "nothing asks for it any more")
}

func TestADangerInOwnWordsObliges(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	b.toRepairing()
	own := Finding{Text: "The spring of the lid can hit a hand", Origin: OriginWear, Weight: WeightDanger, Certainty: CertaintySeen}
	j := b.do(technician, NoteFinding{Finding: own})
	require.Len(t, j.Duties, 2)
	require.Equal(t, []Stage{AtOnce, StageTesting}, []Stage{j.Duties[0].Before, j.Duties[1].Before})
	b.refuses(CodeRefused, technician, DoWork{Text: "Went on"})
	j = b.do(technician, DoDuty{1}, DoWork{Text: "Went on"})
	require.Len(t, j.Dangers(b.s.Shop), 1, "made safe for the bench is not put right")
	require.Contains(t, b.missing(technician, Go{To: StageTesting}), "Put right")
	// Called lighter afterwards, it still can't be waived; taken back, it is gone.
	own.ID, own.Weight = 1, WeightNoted
	b.do(technician, NoteFinding{Finding: own})
	require.Contains(t, b.missing(counter, WaiveDuty{2, "It is nothing"}), "danger")
	j = b.do(technician, WithdrawFinding{1, "It is another device's"}, Go{To: StageTesting})
	require.Empty(t, j.Dangers(b.s.Shop))
	b.checkHistory()
}

// What was waived before anybody knew that it comes from a danger is done all the same before the device leaves.
func TestAWaiverEndsWhenItIsADanger(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	b.toRepairing()
	f := Finding{Text: "A cover is gone", Origin: OriginWear, Weight: WeightPutRight, Certainty: CertaintySeen}
	b.do(counter, NoteFinding{Finding: f, Duty: Duty{Text: "Fit the cover"}}, WaiveDuty{1, "None is to be had"})
	f.ID, f.Weight = 1, WeightDanger
	b.do(technician, NoteFinding{Finding: f}, DoDuty{2}, DoDuty{3}, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting}, pass("Function"), pass(SafetyTest))
	require.Contains(t, b.missing(counter, byPost...), "Fit the cover")
	b.do(counter, with(byPost, DoDuty{1})...)
	b.checkHistory()
}

// T4: what must not be powered is not tried, and says why.
func TestNotTriedSaysWhy(t *testing.T) {
	b := newBench(t)
	b.do(customer, booking)
	b.do(technician, ListContents{Items: []Item{{Text: "Recorder", Device: true}}}, AnswerScreening{Screening{No, No, No, Yes, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived})
	require.Equal(t, "why", b.refuses(CodeInvalid, technician, TryFault{Result: NotTried}).Field)
	require.Equal(t, "why", b.refuses(CodeInvalid, technician, TryFault{Result: NotTried, Why: "no time"}).Field)
	require.Equal(t, "why", b.refuses(CodeInvalid, technician, TryFault{Result: FaultReproduced, Why: NotTriedUnsafe}).Field)
	for _, why := range NotTriedReasons {
		j := b.do(technician, TryFault{NotTried, why, "It is wet inside"})
		require.Equal(t, []any{NotTried, why}, []any{j.Reproduction.Result, j.Reproduction.Why})
	}
	b.do(technician, NoteCondition{"Wet"}, Go{To: StageDiagnosing})
	b.checkHistory()
}

// T8: what comes from a danger is not waived on a device that leaves repaired.
func TestADangerIsNotWaived(t *testing.T) {
	b := newBench(t)
	b.onTheBench(mainsPlug)
	b.toRepairing()
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "fuse_bridged"}})
	j = b.do(technician, DoDuty{dutyOf(t, j, "secure")}, NoteFinding{Finding: Finding{Entry: "live_part_bare"}})
	j = b.do(technician, DoDuty{dutyOf(t, j, "secure")}, DoWork{Text: "Renewed the lamp"})
	for _, d := range j.Duties {
		if d.Open() {
			require.Contains(t, b.missing(owner, WaiveDuty{d.ID, "Customer is in a hurry"}), "danger", d.Text)
		}
	}
	require.Contains(t, b.missing(technician, Go{To: StageTesting}), "open")
	require.Contains(t, b.missing(owner, MakeSafe{"Cut the lead off", "Do not use", "Send it as it is"}), "possible while", "it is still to be repaired")
}

func dutyOf(t *testing.T, j *Job, rule string) int {
	t.Helper()
	for _, d := range j.Duties {
		if d.Rule == rule && d.Open() {
			return d.ID
		}
	}
	t.Fatalf("no open duty %q: %+v", rule, j.Duties)
	return 0
}

// T8: it goes back unrepaired only made safe, labelled, by the owner and with the customer's word; and what was
// waived like that stands again once it is to be repaired after all.
func TestMadeSafeIsTheOnlyWayBackWithADanger(t *testing.T) {
	b := newBench(t)
	b.onTheBench(mainsPlug)
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "fuse_bridged"}})
	b.do(technician, DoDuty{dutyOf(t, j, "secure")}, NameSuspect{Text: "Supply"}, DoCheck{Suspect: 1, Check: Check{Text: "Measured", Outcome: CheckConfirmed}})
	j = b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00")}}, Go{To: StageAwaitingApproval})
	j = b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, StageTesting, j.Stage)
	all := b.missing(counter, byPost...)
	require.Contains(t, all, SafetyTest)
	require.Contains(t, all, "right rating")
	safe := MakeSafe{Done: "Mains lead taken off", Label: "Do not use: fuse bridged", Word: "Send it back as it is, I know that it must not be used."}
	b.refuses(CodeForbidden, counter, safe)
	for field, c := range map[string]MakeSafe{"done": {"", safe.Label, safe.Word}, "label": {safe.Done, "", safe.Word}, "word": {safe.Done, safe.Label, ""}} {
		require.Equal(t, field, b.refuses(CodeInvalid, owner, c).Field)
	}
	j = b.do(owner, safe)
	require.Equal(t, safe.Word, j.MadeSafe.Word.Text)
	require.Contains(t, b.missing(counter, append(byPost[:2:2], pass("Function"), pass(SafetyTest), Go{To: StageShipped, Outcome: OutcomeRepaired})...), "danger", "not as repaired")
	require.Contains(t, b.missing(counter, with(byPost, DoWork{Text: "Put the lead back"})...), SafetyTest, "made safe ends when it is opened again")
	for _, e := range b.store.events[b.n] {
		require.NotContains(t, string(e.Data), "must not be used", "the customer's word is sealed")
	}
	require.Equal(t, StageShipped, b.do(counter, byPost...).Stage)
	b.checkHistory()
}

// T9: a pass ends when the device is opened again, whatever the outcome.
func TestAPassEndsWhenItIsOpenedAgain(t *testing.T) {
	b := newBench(t)
	b.onTheBench(mainsPlug)
	b.toRepairing()
	b.do(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting})
	b.do(technician, pass(SafetyTest), DoTest{Test: Test{Name: "Function", Note: Plain("Stops")}}, Go{To: StageDiagnosing})
	b.do(counter, Go{To: StageTesting, Outcome: OutcomeBeyondRepair, Reason: "the lamp is not made any more"})
	require.Contains(t, b.missing(counter, byPost...), SafetyTest, "the old pass")
	// Opened in testing, in the same step: what came after the pass ends it.
	require.Contains(t, b.missing(counter, with(byPost, pass(SafetyTest), DoWork{Text: "Put a screw in"})...), SafetyTest)
	require.Contains(t, b.missing(counter, with(byPost, pass(SafetyTest), DoCheck{Suspect: 1, Check: Check{Text: "Looked again", Outcome: CheckUnclear}})...), SafetyTest)
	b.do(counter, with(byPost, DoWork{Text: "Put a screw in"}, pass(SafetyTest))...)
	b.checkHistory()

	b = newBench(t)
	b.onTheBench(cordless)
	b.toRepairing()
	b.do(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting}, pass("Function"), pass(SafetyTest), DoWork{Text: "And another"})
	require.Contains(t, b.missing(counter, byPost...), "Function")
}

// T10 and T11: what must be right before power is due before testing, and what a danger burnt or reversed is replaced.
func TestWhatMustBeRightBeforePower(t *testing.T) {
	for _, entry := range strings.Fields("insulator_missing shield_missing fastener_length screw_damage surge_part_burnt cable_pinched part_reversed cell_leaked mould_inside mains_lead_damaged") {
		b := newBench(t)
		b.onTheBench(mainsPlug)
		b.toRepairing()
		j := b.do(technician, NoteFinding{Finding: Finding{Entry: entry}})
		for _, d := range j.Duties {
			if d.Before == AtOnce {
				b.do(technician, DoDuty{d.ID})
			}
		}
		require.Contains(t, b.missing(technician, DoWork{Text: "Renewed the lamp"}, Go{To: StageTesting}), "open", entry)
	}
	for _, entry := range strings.Fields("insulator_missing surge_part_burnt mains_lead_damaged") {
		require.Contains(t, catalogue.Standard().Rule("safety").Found, entry)
	}
	for _, entry := range strings.Fields("coating_removed lead_worn tube_broken") {
		require.NotEmpty(t, catalogue.Standard().RulesFor(entry), entry)
	}
}

// T13: a wrong fuse in a device that has nothing to do with the mains asks for no electrical safety test.
func TestNoSafetyTestWithoutMains(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "fuse_wrong"}})
	for _, d := range j.Duties {
		require.Empty(t, d.Test)
	}
	j = b.do(technician, DoDuty{dutyOf(t, j, "secure")}, NoteFinding{Finding: Finding{Entry: "insulation_damaged"}})
	require.Equal(t, Yes, j.Screening.Mains, "it is a mains device after all")
	dutyOf(t, j, "safety")
}

// T20: a confirmed consequence does not end the search.
func TestAConsequenceDoesNotEndTheSearch(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	j := b.do(technician, NoteSymptom{Symptom: "no_power"})
	plan := func(cause string) int {
		for _, p := range j.Plans {
			if p.Cause == cause {
				return p.ID
			}
		}
		t.Fatal(cause)
		return 0
	}
	for _, cause := range []string{"fuse", "short_on_board"} {
		j = b.do(technician, DoCheck{Check: Check{Plan: plan(cause), Outcome: CheckConfirmed}})
		require.False(t, j.Found(), cause)
	}
	j = b.do(technician, DoCheck{Check: Check{Plan: plan("supply"), Outcome: CheckConfirmed}})
	require.True(t, j.Found())
	b.checkHistory()
}

// T22: a bench that can't repair a device says so, and why.
func TestBeyondRepairSaysSo(t *testing.T) {
	for _, outcome := range []Outcome{OutcomeBeyondRepair, OutcomeCuredOutside} {
		b := newBench(t)
		b.onTheBench(mainsPlug)
		b.do(technician, NameSuspect{Text: "Supply"}, DoCheck{Suspect: 1, Check: Check{Text: "Measured", Outcome: CheckConfirmed}})
		require.Contains(t, b.missing(technician, Go{To: StageTesting, Outcome: outcome}), "why")
		j := b.do(technician, Go{To: StageTesting, Outcome: outcome, Reason: "The maker’s chip is not to be had any more."})
		require.Equal(t, outcome, j.Outcome)
		require.Equal(t, "The maker’s chip is not to be had any more.", j.OutcomeWhy.Text)
		require.Contains(t, b.missing(counter, byPost...), SafetyTest)
		j = b.do(counter, with(byPost, pass(SafetyTest))...)
		require.Equal(t, outcome, j.Outcome)
		require.Zero(t, j.Shipment.WarrantyDays)
		b.checkHistory()
	}
}

// Partly repaired is repaired as far as tests, duties and warranty go, and says what is not.
func TestPartlyRepaired(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	b.toRepairing()
	b.do(technician, DoWork{Text: "Renewed the lamp"})
	require.Contains(t, b.missing(technician, Go{To: StageTesting, Outcome: OutcomePartlyRepaired}), "not repaired")
	b.do(technician, Go{To: StageTesting, Outcome: OutcomePartlyRepaired, Reason: "The counter still sticks: its gear is not made any more."})
	require.Contains(t, b.missing(counter, byPost...), "Function")
	j := b.do(counter, with(byPost, pass("Function"), pass(SafetyTest))...)
	require.Equal(t, 90, j.Shipment.WarrantyDays)
	b.checkHistory()
}

// What was never opened needs no safety test, if somebody says so and nothing says otherwise.
func TestStayedShut(t *testing.T) {
	b := newBench(t)
	b.onTheBench(mainsPlug)
	j := b.do(technician, NameSuspect{Text: "Lead"}, DoCheck{Suspect: 1, Check: Check{Text: "Swapped the lead", Outcome: CheckConfirmed}})
	require.True(t, j.Opened(), "a check counts as one inside until somebody says otherwise")
	j = b.do(technician, NoteShut{}, Go{To: StageTesting, Outcome: OutcomeCuredOutside, Reason: "Its lead is broken."})
	require.False(t, j.Opened())
	j = b.do(technician, DoCheck{Suspect: 1, Check: Check{Text: "Looked inside after all", Outcome: CheckUnclear}})
	require.True(t, j.Opened())
	require.Contains(t, b.missing(counter, byPost...), SafetyTest)
	b.do(technician, NoteShut{})
	b.do(counter, byPost...)
	b.checkHistory()

	b = newBench(t)
	b.onTheBench(mainsPlug)
	j = b.do(technician, NoteSymptom{Symptom: "no_power"})
	for _, p := range j.Plans {
		if p.Cause == "supply" {
			b.do(technician, DoCheck{Check: Check{Plan: p.ID, Outcome: CheckConfirmed}})
		}
	}
	require.Contains(t, b.missing(technician, NoteShut{}), "case", "the case was off for that check")
}

// What intake sees beside the four obliges before anything is tried: ask, or make it safe; never waived. What is not
// there after all obliges no more, and what is seen later obliges anew.
func TestHazardsSeenOnArrival(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	screening := func(hazards ...string) AnswerScreening {
		return AnswerScreening{Screening{Lithium: No, CellDamaged: No, Mains: No, Liquid: No, Hazards: hazards}}
	}
	b.refuses(CodeInvalid, technician, screening("dragons"))
	j := b.do(technician, screening("soiled"))
	require.Empty(t, j.Duties, "gloves, and on with it")
	j = b.do(technician, screening("radium", "burnt", "burnt"))
	require.Equal(t, []string{"burnt", "radium"}, j.Screening.Hazards, "each once, in the catalogue’s order")
	require.Len(t, j.Duties, 2)
	for i, rule := range []string{"secure", "ask"} {
		require.Equal(t, []any{rule, AtOnce, true}, []any{j.Duties[i].Rule, j.Duties[i].Before, j.Duties[i].Danger})
		require.Contains(t, b.missing(counter, WaiveDuty{j.Duties[i].ID, "In a hurry"}), "danger")
	}
	b.refuses(CodeRefused, technician, TryFault{Result: FaultReproduced})
	b.do(technician, DoDuty{2})
	j = b.do(technician, screening("radium"))
	require.True(t, j.Duties[0].Dropped, "it does not smell after all")
	require.Len(t, b.do(technician, screening("radium")).Duties, 2, "asked already")
	b.do(technician, TryFault{Result: FaultReproduced})
	j = b.do(technician, screening("radium", "laser"))
	require.Len(t, j.Duties, 3, "another danger is asked about anew")
	require.Equal(t, "ask", j.Duties[2].Rule)
	b.checkHistory()
}

// A device that was thought to have nothing to do with the mains, and has: what was noted before asks for the safety
// test now, even if nobody opened it.
func TestMainsAfterAll(t *testing.T) {
	b := newBench(t)
	b.onTheBench(cordless)
	j := b.do(technician, NoteSymptom{Symptom: "shock"})
	require.Len(t, j.Duties, 1)
	j = b.do(technician, DoDuty{1}, NoteShut{}, AnswerScreening{mainsPlug}, AnswerScreening{mainsPlug})
	require.Len(t, j.Duties, 2)
	dutyOf(t, j, "safety")

	b = newBench(t)
	b.onTheBench(cordless)
	b.do(technician, NoteFinding{Finding: Finding{Entry: "fuse_bridged"}}, WithdrawFinding{1, "Seen wrong"}, NoteFinding{Finding: Finding{Entry: "fuse_wrong"}})
	j = b.do(technician, AnswerScreening{mainsPlug})
	require.Equal(t, 2, j.duty(dutyOf(t, j, "safety")).Finding)
	b.checkHistory()
}
