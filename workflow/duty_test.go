package workflow

import (
	"slices"
	"strings"
	"testing"

	"benchword/workflow/catalogue"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The catalogue speaks in the words of this package.
func TestCatalogueFitsTheDomain(t *testing.T) {
	for _, f := range catalogue.Standard().Findings {
		require.Contains(t, Origins, Origin(f.Origin), f.ID)
		require.Contains(t, Weights, Weight(f.Weight), f.ID)
		require.Contains(t, Certainties, Certainty(f.Certainty), f.ID)
	}
	for _, r := range catalogue.Standard().Rules {
		require.Contains(t, []Stage{AtOnce, StageTesting, StageShipped}, Stage(r.Before), r.ID)
	}
	require.Equal(t, SafetyTest, catalogue.Standard().Rule("safety").Test)
	require.True(t, catalogue.Standard().Rule(ruleCell).NoPost)
	for _, id := range []string{ruleCell, ruleDoubt, ruleSecure, ruleDanger} {
		require.True(t, catalogue.Standard().Rule(id).Domain, id)
	}
	require.NotEmpty(t, catalogue.Standard().RulesAfter(actionMains))
	for _, o := range Origins {
		_, err := catalogue.Standard().With(catalogue.Own{Findings: map[string]catalogue.OwnFinding{"flux_residue": {Origin: string(o)}}}, nil)
		require.NoError(t, err)
	}
}

// The rules that a trade takes for granted (common practice, no source): what was found, before what it
// must be put right.
func TestRulesOfTheTrade(t *testing.T) {
	for found, want := range map[string][]string{
		"heatsink_dry":      {"compound testing"},
		"fastener_missing":  {"fastener shipped"},
		"insulator_missing": {"secure at_once", "insulator testing", "safety shipped"},
		"flux_residue":      {"residue testing"},
		"cell_swollen":      {"cell at_once"},
		"cell_pierced":      {"cell at_once"},
		"fuse_bridged":      {"secure at_once", "fuse testing", "safety shipped"},
	} {
		b := newBench(t)
		b.toDiagnosing()
		j := b.do(technician, NoteFinding{Finding: Finding{Entry: found}})
		var got []string
		for _, d := range j.Duties {
			require.Equal(t, 1, d.Finding)
			require.Equal(t, catalogue.Standard().Duty("en", d.Rule), d.Text)
			got = append(got, d.Rule+" "+string(d.Before))
		}
		require.Equal(t, want, got, found)
		b.checkHistory()
	}
	for did, want := range map[string]string{"heatsink_lifted": "compound", "mains_opened": "safety", "soldered": "residue"} {
		b := newBench(t)
		b.toDiagnosing()
		j := b.do(technician, DoWork{Text: "Opened it", Did: []string{did}}, DoWork{Text: "Opened it again", Did: []string{did}})
		require.Len(t, j.Duties, 1, "open already")
		require.Equal(t, want, j.Duties[0].Rule)
		require.Equal(t, did, j.Duties[0].Action)
	}
}

// A finding from the catalogue fills itself in, in the customer's language, and says no more than is known.
func TestFindingFromTheCatalogue(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Languages = []string{"en", "fr"}
	french := booking
	french.Person.Language = "fr"
	b.do(customer, french)
	b.do(technician, ListContents{Items: []Item{{Text: "Scanner", Device: true}}}, AnswerScreening{Screening{No, No, No, No, nil, Plain("")}}, photo(PhotoArrival), Go{To: StageReceived},
		NoteCondition{"Good"}, TryFault{Result: FaultReproduced}, Go{To: StageDiagnosing})
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "flux_residue"}}, NoteFinding{Finding: Finding{Entry: "capacitor_dry"}},
		NoteFinding{Finding: Finding{Entry: "capacitor_dry", Reading: "ESR 9 ohm", Text: "C7 est desséché.", Origin: OriginUnknown}})
	f := j.Findings[0]
	require.Equal(t, "Résidu de flux", f.Term)
	require.Equal(t, f.Plain, f.Text)
	require.Equal(t, []any{OriginEarlierWork, WeightOpen, CertaintySeen}, []any{f.Origin, f.Weight, f.Certainty})
	require.Contains(t, f.Matters, "l’humidité")
	require.Equal(t, CertaintySeen, j.Findings[1].Certainty, "nothing was measured")
	require.Equal(t, CertaintyMeasured, j.Findings[2].Certainty)
	require.Equal(t, OriginUnknown, j.Findings[2].Origin)
	require.Equal(t, "C7 est desséché.", j.Findings[2].Text)
	require.Equal(t, "Clean the flux residue off, or write down why it may stay", j.Duties[0].Text, "for the bench")
	require.Equal(t, "Nettoyer le résidu de flux, ou noter pourquoi il peut rester", j.Duties[0].Words(), "for the customer")

	require.Equal(t, "entry", b.refuses(CodeInvalid, technician, NoteFinding{Finding: Finding{Entry: "flux capacitor"}}).Field)
	j = b.do(technician, WithdrawFinding{1, "Vu de travers"})
	require.False(t, j.Duties[0].Open(), "what it came from was taken back")
	require.True(t, j.Duties[0].Dropped)
	// In one's own words again: nothing of the catalogue stays.
	j = b.do(technician, NoteFinding{Finding: Finding{ID: 2, Text: "Autre chose", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	require.Empty(t, j.Findings[1].Term+j.Findings[1].Plain+j.Findings[1].Entry)
	b.checkHistory()
}

// Open duties block the move and say why; a waiver needs its reason.
func TestDutiesBlockAndSayWhy(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, NoteFinding{Finding: Finding{Entry: "heatsink_dry"}}, NoteFinding{Finding: Finding{Entry: "fastener_missing"}}, DoWork{Text: "Renewed the capacitor", Did: []string{"mains_opened"}})
	e := b.refuses(CodeRefused, technician, Go{To: StageTesting})
	require.Contains(t, e.Message, "“Renew the thermal compound” (finding 2)")
	require.NotContains(t, e.Message, "fastener", "that is due later")
	j := b.do(technician, DoDuty{1}, Go{To: StageTesting})
	require.Equal(t, StageTesting, j.Stage)

	e = b.refuses(CodeRefused, technician, DoDuty{3})
	require.Contains(t, e.Message, SafetyTest)
	b.do(technician, DoTest{Test: Test{Name: SafetyTest, Passed: false, Note: Plain("Leakage too high")}})
	e = b.refuses(CodeRefused, counter, pass("Function"), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	require.Contains(t, strings.Join(e.Missing, "\n"), "“Record a passed electrical safety test” (a mains part was opened)")
	require.Contains(t, strings.Join(e.Missing, "\n"), "“Fit the right fastener” (finding 3)")
	b.refuses(CodeForbidden, technician, WaiveDuty{2, "No such screw to be had"})
	b.refuses(CodeInvalid, counter, WaiveDuty{2, " "})
	j = b.do(counter, WaiveDuty{2, "No such screw is to be had; the board is held by three others"}, pass(SafetyTest))
	require.False(t, j.Duties[2].Open(), "the test settles it")
	j = b.do(counter, pass("Function"), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	require.Equal(t, StageShipped, j.Stage)
	b.checkHistory()
}

// A swollen cell never goes by post, made safe or not; a bench that can't take it out hands it over in person.
func TestASwollenCellIsNotWaivedIntoThePost(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(technician, NoteFinding{Finding: Finding{Entry: "cell_swollen"}}, Go{To: StageTesting, Outcome: OutcomeBeyondRepair, Reason: "We are not equipped to take such a cell out."})
	b.refuses(CodeRefused, counter, WaiveDuty{1, "The customer takes it to the collection point"})
	b.do(owner, packAll, MakeSafe{"Switched off, terminals covered, in a fire-proof bag", "Do not charge: damaged cell", "I take it to the collection point myself."})
	e := b.refuses(CodeRefused, counter, PrepareShipment{Parcel: "RR473124829CA"}, Go{To: StageShipped})
	require.Contains(t, e.Message, "must not be posted")
	b.do(counter, PrepareShipment{InPerson: true}, Go{To: StageShipped})

	b = newBench(t)
	b.do(customer, booking)
	j := b.do(technician, AnswerScreening{Screening{Yes, Yes, No, No, nil, Plain("")}}, AnswerScreening{Screening{Yes, Yes, No, No, nil, Plain("again")}})
	require.Len(t, j.Duties, 1)
	j = b.do(technician, AnswerScreening{Screening{Yes, No, No, No, nil, Plain("mistaken")}})
	require.True(t, j.Duties[0].Dropped)
}

// A shop's own rules hold as the trade's do.
func TestAShopsOwnRule(t *testing.T) {
	b := newBench(t)
	own, err := catalogue.Standard().With(catalogue.Own{Duties: map[string]catalogue.OwnRule{
		"leads": {Found: []string{"lead_worn"}, Done: []string{"mains_opened"}, Before: "testing", Text: map[string]string{"en": "Cut the old lead in two"}},
	}}, []string{"en"})
	require.NoError(t, err)
	b.s.Shop.Catalogue = own
	b.toDiagnosing()
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "lead_worn"}}, RaiseDuty{Duty{Rule: "leads"}}, RaiseDuty{Duty{Rule: "leads"}})
	require.Len(t, j.Duties, 3, "the trade’s; and the shop’s once for the finding, once by hand")
	b.refuses(CodeInvalid, technician, RaiseDuty{Duty{Rule: "nothing"}})
	b.refuses(CodeInvalid, technician, RaiseDuty{Duty{Rule: "leads", Finding: 7}})
	b.refuses(CodeInvalid, technician, DoWork{Text: "Danced", Did: []string{"danced"}})
	b.do(technician, NameSuspect{Text: "Lead"}, DoCheck{Suspect: 1, Check: Check{Text: "Seen", Outcome: CheckConfirmed}})
	e := b.refuses(CodeRefused, technician, Go{To: StageTesting, Outcome: OutcomeNoFault})
	require.Contains(t, e.Message, "Cut the old lead in two")
}

// Whatever entries are found, each duty that the table asks for is there once for its finding, and no
// move past its stage is offered while one is open.
func TestEveryRuleIsRaised(t *testing.T) {
	all := catalogue.Standard()
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		b.toDiagnosing()
		b.do(technician, NameSuspect{Text: "Any"}, DoCheck{Suspect: 1, Check: Check{Text: "Seen", Outcome: CheckConfirmed}})
		var j *Job
		for range rapid.IntRange(1, 5).Draw(rt, "n") {
			f := rapid.SampledFrom(all.Findings).Draw(rt, "entry")
			j = b.do(technician, NoteFinding{Finding: Finding{Entry: f.ID}})
			for _, d := range j.Duties {
				if d.Open() && d.Before == AtOnce {
					j = b.do(technician, DoDuty{d.ID})
				}
			}
		}
		for _, f := range j.Findings {
			for _, r := range all.RulesFor(f.Entry) {
				require.True(t, slices.ContainsFunc(j.Duties, func(d Duty) bool { return d.Rule == r.ID && (d.Finding == f.ID || r.Test != "") }), "%s: %s", f.Entry, r.ID)
			}
		}
		for _, m := range j.Moves(b.s.Shop) {
			blocked := slices.ContainsFunc(j.Duties, func(d Duty) bool { return d.Open() && d.before(m.To) }) && m.To.Rank() > j.Stage.Rank() && m.To != StageWithdrawn
			said := slices.ContainsFunc(m.Missing, func(s string) bool { return strings.Contains(s, "open: “") })
			require.Equal(t, blocked, said, "%s: %v", m.To, m.Missing)
		}
	})
}
