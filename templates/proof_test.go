package templates

import (
	"strings"
	"testing"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// proved plays a repair that proves itself: a part with its lot, a class I safety test with its steps, a reading as
// found and as left, and a report on it.
func (b *bench) proved() *workflow.Job {
	b.t.Helper()
	b.s.Shop.Practice = "EN 50678"
	b.s.Shop.Instruments = []workflow.Instrument{{Name: "Tester 1", Serial: "T-88", Calibrated: "2025-10-01", Due: "2026-10-01"}, {Name: "Meter 2", Calibrated: "2026-03-01"}}
	b.testing()
	d := func(s string) *money.Decimal { x := money.MustDecimal(s); return &x }
	steps := []workflow.TestStep{
		{Key: workflow.StepLook, Result: workflow.StepPassed},
		{Key: workflow.StepEarth, Result: workflow.StepPassed, Found: &workflow.Measurement{Is: workflow.ValueOpen}, Measurement: &workflow.Measurement{Value: *d("0.08"), Unit: "ohm", High: d("0.3"), Instrument: "Meter 2"}},
		{Key: workflow.StepInsulation, Result: workflow.StepSkipped, Note: workflow.Plain("Surge arresters inside.")},
		{Key: workflow.StepTouch, Result: workflow.StepPassed, Measurement: &workflow.Measurement{Is: workflow.ValueLess, Value: *d("0.1"), Unit: "mA", As: "ac", High: d("0.5")}},
		{Key: workflow.StepFunction, Result: workflow.StepPassed},
	}
	b.do(tom, workflow.DoWork{Text: "Renewed C7.", Fitted: []workflow.FittedPart{{Name: "capacitor 220 µF 35 V", Maker: "Nordkap", Type: "NK-35", Lot: "2631", Source: "bench stock", Grade: "equal", Place: "C7", Old: workflow.FateReturned}}})
	b.do(tom, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true, Class: workflow.ClassI, Steps: steps, Instrument: "Tester 1", Conditions: "230 V mains", Person: "Nils Brandt"}})
	return b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "It is repaired."}})
}

// A report shows the proof of the work, in each language; one that was sent before the work shows nothing of it.
func TestTheReportShowsTheProof(t *testing.T) {
	set, err := Load()
	require.NoError(t, err)
	b := newBench(t)
	j := b.proved()
	for lang, words := range map[string][]string{
		"en": {"C7: capacitor 220 µF 35 V", "Maker Nordkap, type NK-35, lot 2631, bought from bench stock, of equal value.", "The old part comes back to you.", "Tested following EN 50678.", "Protection class I.", "Its calibration was overdue: it held until Thursday 1 October 2026.", "Tested by Nils Brandt.", "Protective conductor: passed", "Within what is expected (at most 0.3 ohm).", "Surge arresters inside.", "less than 0.1 mA AC", "As found", "open"},
		"de": {"Elektrische Sicherheit: bestanden", "Schutzleiter: bestanden", "0,08 ohm", "weniger als 0,1 mA AC", "Vorgefunden", "offen", "Das alte Teil kommt zu Ihnen zurück."},
		"fr": {"Conducteur de protection", "0,08 ohm", "circuit ouvert"},
		"es": {"Conductor de protección", "0,08 ohm", "circuito abierto"},
	} {
		w := locale.For(lang)
		v := ReportOf(j, &j.Reports[len(j.Reports)-1], b.s.Shop, b.now, w, func(*workflow.Photo, string) string { return "" })
		p := samplePage(b, "Report")
		p.Lang = lang
		page := strings.Join(sentencesOf(t, render(t, set, &ReportPage{Page: p, Report: v, Track: "/j/x"})), "\n")
		for _, s := range words {
			require.Contains(t, strings.Join(strings.Fields(page), " "), s, lang)
		}
		require.Nil(t, ReportOf(j, &j.Reports[0], b.s.Shop, b.now, w, func(*workflow.Photo, string) string { return "" }).Proof, "sent before the work")
	}
	require.Equal(t, []ReadingPair{{"Protective conductor", "open", "0.08 ohm"}}, ProofOf(j, b.s.Shop, b.now, locale.For("en"), func(*workflow.Photo, string) string { return "" }).Pairs)
}

// A test is called what the shop calls it, in our words where every shop has it, else as the settings have it.
func TestTheNameOfATest(t *testing.T) {
	shop := &workflow.Shop{TestNames: map[string]map[string]string{"Electrical safety": {"de": "Prüfung nach EN 50678"}, "Soak": {"fr": "Endurance"}}}
	for _, x := range [][3]string{{"electrical safety", "de", "Prüfung nach EN 50678"}, {"Electrical safety", "fr", "Sécurité électrique"}, {"Function", "es", "Funcionamiento"}, {"Soak", "fr", "Endurance"}, {"Soak", "de", "Soak"}} {
		require.Equal(t, x[2], TestName(shop, x[0], locale.For(x[1])))
	}
}

// What was dangerous is not called so any more once it was put right; the report from before goes on saying it.
func TestWhatWasPutRightIsNotCalledDangerous(t *testing.T) {
	b := newBench(t)
	b.testing()
	f := *b.job().Finding(1)
	f.Weight = workflow.WeightDanger
	b.do(ada, workflow.NoteFinding{Finding: f}, workflow.SendReport{Text: workflow.ReportText{Short: "Dangerous."}})
	for _, d := range b.job().Duties {
		if d.Open() {
			b.do(ada, workflow.DoDuty{ID: d.ID})
		}
	}
	j := b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "Put right."}})
	said := func(n int) string {
		v := ReportOf(j, &j.Reports[n], b.s.Shop, b.now, locale.For("en"), func(*workflow.Photo, string) string { return "" })
		return strings.Join(v.Cautions, " ")
	}
	require.Contains(t, said(len(j.Reports)-2), "Dangerous as it is")
	require.NotContains(t, said(len(j.Reports)-1), "Dangerous as it is")
}
