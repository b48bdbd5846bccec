package workflow

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

func dec(s string) *money.Decimal { d := money.MustDecimal(s); return &d }

// What the shop's settings say of a step's limits is kept with the reading as it was, and a pass needs that reading; no
// limit is built in.
func TestLimitsOfTheShopsOwnSteps(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.toRepairing()
	b.do(technician, DoWork{Text: "Renewed the supply."}, Go{To: StageTesting})
	step := func(name string, m *Measurement) DoTest {
		return DoTest{Test: Test{Name: "function", Passed: true, Steps: []TestStep{{Name: name, Result: StepPassed, Measurement: m}}}}
	}
	limit := func(s string) Limit {
		l, err := ParseLimit(s)
		require.NoError(t, err, s)
		return l
	}
	reading := func(value, unit string) *Measurement { return &Measurement{Value: *dec(value), Unit: unit} }
	b.do(technician, step("Ripple", nil)) // nothing is built in
	b.s.Shop.TestLimits = map[string]map[string]Limit{"Function": {
		"Ripple": limit("0 to 20 mV"), "Supply": limit("5 ± 5 % V"), "Insulation": limit("> 100 Mohm"), "Leak": limit("< 0.5 mA"), "Far pins": limit("open"), "Minutes": limit("min"),
	}}
	j := b.do(technician, step("ripple", reading("12", "")))
	m := j.Tests[len(j.Tests)-1].Steps[0].Measurement
	require.Equal(t, []any{"mV", "0", "20", FitWithin}, []any{m.Unit, m.Low.String(), m.High.String(), m.Fit()})
	for name, pair := range map[string][2]*Measurement{
		"Ripple": {reading("20", "mV"), reading("20.1", "mV")}, "Supply": {reading("5.25", "V"), reading("4.7", "V")}, "Insulation": {reading("100", "meg"), reading("99", "Mohm")},
		"Leak": {reading("0.5", "mA"), reading("0.6", "mA")}, "Far pins": {{Is: ValueOpen}, reading("3", "ohm")}, "Minutes": {reading("120", "min"), reading("2", "h")},
	} {
		b.do(technician, step(name, pair[0]))
		b.refuses(CodeInvalid, technician, step(name, pair[1]))
	}
	loose := reading("50", "mV")
	loose.High = dec("100")
	b.refuses(CodeInvalid, technician, step("Ripple", loose))
	b.refuses(CodeInvalid, technician, step("Ripple", reading("12", "V")))
	require.Contains(t, b.refuses(CodeInvalid, technician, step("Ripple", nil)).Message, "has not passed without its reading")
	b.do(technician, DoTest{Test: Test{Name: "Function", Passed: true, Steps: []TestStep{{Name: "Ripple", Result: StepSkipped, Note: Plain("No load at hand")}}}})
	b.s.Shop.TestLimits = nil
	j = b.checkHistory()
	require.Equal(t, "20", j.Tests[1].Steps[0].Measurement.High.String(), "as it was")
	for _, bad := range []string{"", "0 to 20", "20 to 0 mV", "± 5 % V", "5 ± 5 V", "x mV", "> mV", "about 5 V"} {
		_, err := ParseLimit(bad)
		require.Error(t, err, bad)
	}
}

// What instruments show beside a number, and what that says of what is expected.
func TestWhatAnInstrumentShows(t *testing.T) {
	v := func(s string) money.Decimal { return money.MustDecimal(s) }
	for _, x := range []struct {
		m    Measurement
		fit  Fit
		text string
	}{
		{Measurement{Value: v("9.1"), Unit: "V", Low: dec("11.5")}, FitBelow, "9.1 V"},
		{Measurement{Value: v("0.1"), Unit: "ohm", ExpectOpen: true}, FitBelow, "0.1 ohm"},
		{Measurement{Is: ValueOpen, Unit: "ohm", ExpectOpen: true}, FitWithin, "open"},
		{Measurement{Is: ValueOver, High: dec("1")}, FitAbove, "over range"},
		{Measurement{Is: ValueOpen, Low: dec("1")}, FitWithin, "open"},
		{Measurement{Is: ValueMore, Value: v("100"), Unit: "Mohm", Low: dec("1")}, FitWithin, "> 100 Mohm"},
		{Measurement{Is: ValueMore, Value: v("0.5"), Unit: "Mohm", Low: dec("1")}, FitUnsaid, "> 0.5 Mohm"},
		{Measurement{Is: ValueMore, Value: v("2"), Unit: "A", High: dec("1")}, FitAbove, "> 2 A"},
		{Measurement{Is: ValueLess, Value: v("0.1"), Unit: "mA", High: dec("0.25")}, FitWithin, "< 0.1 mA"},
		{Measurement{Is: ValueLess, Value: v("1"), Unit: "mA", High: dec("0.25")}, FitUnsaid, "< 1 mA"},
		{Measurement{Is: ValueLess, Value: v("1"), Unit: "V", Low: dec("3")}, FitBelow, "< 1 V"},
		{Measurement{Value: v("0.2"), To: dec("40"), Unit: "ohm", High: dec("1")}, FitAbove, "0.2 to 40 ohm"},
		{Measurement{Value: v("4.9"), To: dec("5.1"), Unit: "V", As: "dc", Low: dec("4.75"), High: dec("5.25")}, FitWithin, "4.9 to 5.1 V dc"},
		{Measurement{Value: v("4"), Unit: "V"}, FitUnsaid, "4 V"},
	} {
		require.Equal(t, x.fit, x.m.Fit(), x.text)
		require.Equal(t, x.text, x.m.String())
	}
	for typed, want := range map[string]string{"uF": "µF", "μF": "µF", "Ω": "ohm", "kΩ": "kohm", "Mohm": "Mohm", "mohm": "mohm", "ohms": "ohm", "KHz": "kHz", "unit": "unit", "V": "V"} {
		require.Equal(t, want, unit(typed))
	}
	b := newBench(t)
	b.toDiagnosing()
	f := Finding{Text: "Low", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintyMeasured}
	f.Measurement = &Measurement{Value: v("4.7"), Unit: "v", Nominal: dec("5"), Tolerance: dec("5")}
	j := b.do(technician, NoteFinding{Finding: f})
	m := j.Findings[0].Measurement
	require.Equal(t, []string{"4.75", "5.25", "V"}, []string{m.Low.String(), m.High.String(), m.Unit})
	require.Equal(t, FitBelow, m.Fit())
	f.Measurement = &Measurement{Is: ValueOpen, Value: v("7"), Unit: ""}
	j = b.do(technician, NoteFinding{Finding: f})
	require.Equal(t, "open", j.Findings[1].Reading)
	for field, m := range map[string]Measurement{"tolerance": {Value: v("1"), Unit: "V", Nominal: dec("5")}, "to": {Value: v("2"), To: dec("1"), Unit: "V"}, "is": {Value: v("2"), Is: "about", Unit: "V"}, "as": {Value: v("2"), As: "rms", Unit: "V"}, "unit": {Value: v("2")}} {
		f.Measurement = &m
		require.Equal(t, field, b.refuses(CodeInvalid, technician, NoteFinding{Finding: f}).Field)
	}
	b.checkHistory()
}

// A pass of the safety test by the shop's practice has every step of the device's class, in limits or left out with a
// reason; what it says of the instrument is what the list says that day.
func TestTheSafetyTestProvesItself(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Practice = "EN 50678"
	b.s.Shop.Instruments = []Instrument{{Name: "Tester 1", Serial: "T-88", Calibrated: "2025-10-01", Due: "2026-10-01"}, {Name: "Meter 2", Due: "2027-01-01"}}
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
	safety := func(class ProtectionClass, steps ...TestStep) DoTest {
		return DoTest{Test: Test{Name: SafetyTest, Passed: true, Class: class, Steps: steps, Instrument: "tester 1", Conditions: "230 V mains", Person: "Nils Brandt", Practice: "none at all"}}
	}
	step := func(key StepKey, m *Measurement) TestStep {
		return TestStep{Key: key, Result: StepPassed, Measurement: m}
	}
	earth := &Measurement{Value: money.MustDecimal("0.08"), Unit: "ohm", High: dec("0.3"), Instrument: "Meter 2"}
	whole := []TestStep{step(StepLook, nil), {Key: StepEarth, Result: StepPassed, Measurement: earth, Finding: 1}, {Key: StepInsulation, Result: StepSkipped, Note: Plain("Surge arresters inside; touch current instead")},
		step(StepTouch, &Measurement{Is: ValueLess, Value: money.MustDecimal("0.1"), Unit: "mA", High: dec("0.5")}), step(StepFunction, nil)}
	require.Equal(t, "class", b.refuses(CodeInvalid, technician, safety("", whole...)).Field)
	require.Contains(t, b.refuses(CodeInvalid, technician, safety(ClassI)).Message, "look")
	require.Contains(t, b.refuses(CodeInvalid, technician, safety(ClassI, whole[:4]...)).Message, "function")
	require.Contains(t, b.refuses(CodeInvalid, technician, safety(ClassI, append(whole[1:], TestStep{Key: StepLook, Result: StepFailed, Note: Plain("The lead is torn")})...)).Message, "has failed")
	high := *earth
	high.Value = money.MustDecimal("0.31")
	require.Contains(t, b.refuses(CodeInvalid, technician, safety(ClassI, append(whole[:1:1], step(StepEarth, &high))...)).Message, "outside of its limits")
	require.Contains(t, b.refuses(CodeInvalid, technician, safety(ClassI, TestStep{Key: StepLook, Result: StepSkipped})).Message, "note")
	j := b.do(technician, safety(ClassI, whole...))
	x := j.Tests[0]
	require.Equal(t, []any{"EN 50678", ClassI, "Nils Brandt", "230 V mains"}, []any{x.Practice, x.Class, x.Person, x.Conditions})
	require.Equal(t, &Calibration{Serial: "T-88", On: "2025-10-01", Due: "2026-10-01", Overdue: true}, x.Calibration)
	require.False(t, x.Steps[1].Measurement.Calibration.Overdue)
	require.Equal(t, "ESR 9 ohm", j.Finding(1).Reading)
	require.Nil(t, j.AsFound(x.Steps[1]), "that finding has words only")
	found := &Measurement{Value: money.MustDecimal("0.9"), Unit: "ohm"}
	require.Equal(t, found, j.AsFound(TestStep{Found: found, Finding: 1}))
	require.True(t, j.Passed(SafetyTest))
	// A shop that names no practice goes on as before.
	b.s.Shop.Practice = ""
	j = b.do(technician, pass(SafetyTest))
	require.Empty(t, j.Tests[1].Practice)
	b.checkHistory()
}

// A soak is a running thing: it has a start, is not left running, and ends when the device is opened.
func TestASoakRuns(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.refuses(CodeRefused, technician, BeginTest{Name: "Function"})
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
	require.Equal(t, "until", b.refuses(CodeInvalid, technician, BeginTest{Name: "Function", Until: b.now.Add(-time.Hour)}).Field)
	j := b.do(technician, BeginTest{Name: "function", Conditions: "full load", Until: b.now.Add(4 * time.Hour)})
	began := b.now
	require.Equal(t, &RunningTest{"function", "full load", began, j.Running.Until}, j.Running)
	b.refuses(CodeRefused, technician, BeginTest{Name: "Other"})
	require.Contains(t, b.missing(counter, with(byPost, pass(SafetyTest))...), "still running")
	b.now = b.now.Add(4 * time.Hour)
	j = b.do(technician, pass("Function"))
	require.Nil(t, j.Running)
	require.Equal(t, []any{began, "full load"}, []any{j.Tests[0].From, j.Tests[0].Conditions})
	j = b.do(technician, BeginTest{Name: "Function"}, DoWork{Text: "Opened it again"})
	require.Nil(t, j.Running, "what was opened has not run on")
	b.checkHistory()
}

// What was fitted can be said later: part, maker, type, lot, source, grade, place, and what became of the old one.
func TestFittedParts(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	part := FittedPart{Name: "Capacitor 220 µF 35 V", Maker: "Nordkap", Type: "NK-35-220", Lot: "2631", Source: "Bench stock", Grade: "equal", Place: "C7", Old: FateReturned}
	j := b.do(technician, DoWork{Text: "Renewed C7", Fitted: []FittedPart{part}})
	require.Equal(t, []FittedPart{part}, j.Work[0].Fitted)
	for field, p := range map[string]FittedPart{"part": {}, "grade": {Name: "x", Grade: "fine"}, "old": {Name: "x", Old: FateReplaced}, "lot": {Name: "x", Lot: strings.Repeat("9", 201)}} {
		require.Equal(t, field, b.refuses(CodeInvalid, technician, DoWork{Text: "x", Fitted: []FittedPart{p}}).Field)
	}
	b.checkHistory()
}

// Before a report goes out its findings are asked for their photo and reading, dangers and earlier work first.
func TestEvidenceIsAskedFor(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(technician, photo(PhotoEvidence), NoteFinding{Finding: Finding{Text: "Worn belt", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}},
		NoteFinding{Finding: Finding{Entry: "flux_residue"}}, NoteFinding{Finding: Finding{Entry: "capacitor_dry", Reading: "ESR 9 ohm"}},
		NoteFinding{Finding: Finding{Text: "Bent plate", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen, Photos: []int{2}}})
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "live_part_bare"}})
	var got []int
	for _, u := range j.Unshown(b.s.Shop) {
		got = append(got, u.Finding.ID)
	}
	require.Equal(t, []int{5, 2, 1}, got[:3])
	require.NotContains(t, got, 4)
	j = b.do(technician, WithdrawFinding{5, "Seen wrong"})
	require.Equal(t, 2, j.Unshown(b.s.Shop)[0].Finding.ID)
}

// A test as it was recorded before there were steps reads as it did.
func TestTestsFromBefore(t *testing.T) {
	var x Test
	require.NoError(t, json.Unmarshal([]byte(`{"name":"Function","passed":true,"reading":"12 V"}`), &x))
	require.Equal(t, Test{Name: "Function", Passed: true, Reading: "12 V"}, x)
	raw, err := json.Marshal(x)
	require.NoError(t, err)
	require.JSONEq(t, `{"name":"Function","passed":true,"reading":"12 V"}`, string(raw))
}
