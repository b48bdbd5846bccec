package workflow

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Test is one run of one test. The latest run of a name counts.
type Test struct {
	// Name is the test's key: the name in the settings, whatever people read in their language.
	Name    string `json:"name"`
	Passed  bool   `json:"passed"`
	Reading string `json:"reading,omitempty"`
	Note    Words  `json:"note,omitzero"`
	Photos  []int  `json:"photos,omitempty"`
	// Class is the protection class that it was tested by, Practice the shop's word for what it goes by. Both are
	// said of the safety test.
	Class    ProtectionClass `json:"class,omitempty"`
	Practice string          `json:"practice,omitempty"`
	// Steps are in the order in which they were gone through.
	Steps []TestStep `json:"steps,omitempty"`
	// Instrument and Conditions hold for every step that says nothing else; see [Measurement].
	Instrument  string       `json:"instrument,omitempty"`
	Calibration *Calibration `json:"calibration,omitempty"`
	Conditions  string       `json:"conditions,omitempty"`
	// Person is who tested, as papers name them.
	Person string `json:"person,omitempty"`
	// From is when it began, zero where nobody said; At is when it ended.
	From time.Time `json:"from,omitzero"`
	At   time.Time `json:"at,omitzero"`
}

// ProtectionClass is how a device protects against electric shock (IEC 61140; the symbols are IEC 60417-5172 for
// class II and 5180 for class III; from memory).
type ProtectionClass string

const (
	ClassI   ProtectionClass = "I"   // a protective conductor
	ClassII  ProtectionClass = "II"  // double or reinforced insulation
	ClassIII ProtectionClass = "III" // extra-low voltage: a battery, an outside adaptor
)

// ProtectionClasses lists them.
var ProtectionClasses = []ProtectionClass{ClassI, ClassII, ClassIII}

// StepKey names a step of the safety test that every language has words for.
type StepKey string

// The steps, in the usual order (common practice; which of them apply and with what limits, local rules and the
// maker say).
const (
	StepLook       StepKey = "look"
	StepEarth      StepKey = "earth" // the protective conductor
	StepInsulation StepKey = "insulation"
	StepTouch      StepKey = "touch" // leakage or touch current
	StepPolarity   StepKey = "polarity"
	StepHeat       StepKey = "heat"
	StepCharging   StepKey = "charging"
	StepFunction   StepKey = "function"
)

// SafetySteps returns the steps of the safety test of a class.
func SafetySteps(c ProtectionClass) []StepKey {
	switch c {
	case ClassI:
		return []StepKey{StepLook, StepEarth, StepInsulation, StepTouch, StepFunction}
	case ClassII:
		return []StepKey{StepLook, StepInsulation, StepTouch, StepFunction}
	case ClassIII:
		return []StepKey{StepLook, StepPolarity, StepHeat, StepCharging, StepFunction}
	}
	return nil
}

// StepKeys lists every step that has words.
var StepKeys = []StepKey{StepLook, StepEarth, StepInsulation, StepTouch, StepPolarity, StepHeat, StepCharging, StepFunction}

// StepResult is what came of a step.
type StepResult string

const (
	StepPassed  StepResult = "passed"
	StepFailed  StepResult = "failed"
	StepSkipped StepResult = "skipped" // left out, and its note says why
)

// StepResults lists them.
var StepResults = []StepResult{StepPassed, StepFailed, StepSkipped}

// TestStep is one step of a test.
type TestStep struct {
	// Key names a step that every language has words for, Name another one in the bench's words.
	Key    StepKey    `json:"key,omitempty"`
	Name   string     `json:"name,omitempty"`
	Result StepResult `json:"result"`
	// Measurement is what it showed: the device as left.
	Measurement *Measurement `json:"measurement,omitempty"`
	// Found is the same as found, before anything was done; where a finding holds that, Finding names it.
	Found   *Measurement `json:"found,omitempty"`
	Finding int          `json:"finding,omitempty"`
	Note    Words        `json:"note,omitzero"`
}

// AsFound returns the reading at the same point before anything was done, nil if there is none.
func (j *Job) AsFound(s TestStep) *Measurement {
	if f := j.Finding(s.Finding); f != nil && s.Found == nil && !f.Withdrawn {
		return f.Measurement
	}
	return s.Found
}

// SafetyTest is the name of the test that a mains-operated device which was opened or worked on must have
// passed before it goes back, whatever the outcome (common practice, no source; local rules come first).
const SafetyTest = "Electrical safety"

// RequiredTests lists the tests that must have passed before the device leaves with an outcome.
func (j *Job) RequiredTests(shop *Shop, o Outcome) []string {
	var out []string
	if o.Repaired() {
		out = slices.Clone(shop.Tests)
	}
	named := slices.ContainsFunc(out, func(name string) bool { return strings.EqualFold(name, SafetyTest) })
	if j.Mains() && (j.Opened() || len(j.Work) > 0) && !named {
		out = append(out, SafetyTest)
	}
	return out
}

// Passed reports whether the latest run of a test passed and still counts: a pass ends when the job comes to
// testing again, and when the device is opened again.
func (j *Job) Passed(name string) bool {
	latest := -1
	at := j.last(func(m Moment) bool {
		if m.Kind == KindTestDone && strings.EqualFold(j.Tests[m.Ref-1].Name, name) {
			latest = m.Ref - 1
		}
		return latest >= 0
	})
	return latest >= 0 && j.Tests[latest].Passed && at > j.closedSince()
}

// needTests asks for the tests that the device leaves with; one made safe to go back needs no safety test.
func (g *gate) needTests() {
	for _, name := range g.j.RequiredTests(g.shop, g.outcome) {
		safe := strings.EqualFold(name, SafetyTest) && !g.outcome.Repaired() && g.j.SafeToReturn() != nil
		stale := slices.ContainsFunc(g.j.LatestTests(), func(t Test) bool { return t.Passed && strings.EqualFold(t.Name, name) })
		switch {
		case g.j.Passed(name) || safe:
		case stale:
			g.need(false, "The test “%s” passed before the device was last opened; do it again.", name)
		default:
			g.need(false, "The test “%s” has not passed yet.", name)
		}
	}
}

// LatestTests returns the latest run of each test, in the order of first run.
func (j *Job) LatestTests() []Test {
	var out []Test
	at := map[string]int{}
	for _, t := range j.Tests {
		if i, ok := at[t.Name]; ok {
			out[i] = t
			continue
		}
		at[t.Name] = len(out)
		out = append(out, t)
	}
	return out
}

// DoTest records one run of one test.
type DoTest struct {
	Test Test `json:"test"`
	// NewPhotos are added, and are the first of the test's.
	NewPhotos []Photo `json:"-"`
}

func (c DoTest) decide(t *turn) error {
	if err := t.needStage("Recording a test", StageTesting); err != nil {
		return err
	}
	if err := t.needSafe("Recording a test"); err != nil {
		return err
	}
	x := c.Test
	var err error
	if x.Name, err = line("name", "The name of the test", x.Name, true); err != nil {
		return err
	}
	if x.Reading, err = line("reading", "The reading", x.Reading, false); err != nil {
		return err
	}
	if x.Note, err = t.text("note", "The note", x.Note.Text, !x.Passed); err != nil {
		return err
	}
	if err := t.proof(&x); err != nil {
		return err
	}
	if x.Photos, err = t.addPhotos(c.NewPhotos, x.Photos); err != nil {
		return err
	}
	if err := t.record(&TestDone{x}); err != nil || !x.Passed {
		return err
	}
	return t.passed(x.Name)
}

// proof cleans what a test proves itself by, and refuses a pass that its own steps don't bear out.
func (t *turn) proof(x *Test) error {
	safety := strings.EqualFold(x.Name, SafetyTest)
	x.Practice = ""
	if safety {
		x.Practice = t.shop.Practice
		x.Class = cmp.Or(x.Class, t.j.Device.Class)
	}
	if x.Class != "" {
		if err := oneOf("class", "The protection class", x.Class, ProtectionClasses); err != nil {
			return err
		}
	}
	var err error
	for _, f := range []struct {
		field, what string
		to          *string
	}{{"instrument", "The instrument", &x.Instrument}, {"conditions", "The conditions", &x.Conditions}, {"person", "Who tested", &x.Person}} {
		if *f.to, err = line(f.field, f.what, *f.to, false); err != nil {
			return err
		}
	}
	x.Calibration = t.calibration(x.Instrument)
	if run := t.j.Running; run != nil && strings.EqualFold(run.Name, x.Name) {
		x.From, x.Conditions = run.From, cmp.Or(x.Conditions, run.Conditions)
	}
	if x.From = x.From.UTC(); x.From.After(t.now) {
		return invalid("from", "The test can't have begun later than now.")
	}
	if len(x.Steps) > MaxList {
		return invalid("steps", "At most %d steps fit into a test.", MaxList)
	}
	x.Steps = slices.Clone(x.Steps)
	for i := range x.Steps {
		if err := t.step(x.Name, &x.Steps[i]); err != nil {
			return err
		}
		if x.Passed && x.Steps[i].Result == StepFailed {
			return invalid("steps", "The step “%s” has failed, so the test has not passed.", x.Steps[i].words())
		}
	}
	if !x.Passed || !safety || t.shop.Practice == "" {
		return nil
	}
	if x.Class == "" {
		return invalid("class", "Say which protection class the device has: the safety test by %s goes by it.", t.shop.Practice)
	}
	for _, key := range SafetySteps(x.Class) {
		if !slices.ContainsFunc(x.Steps, func(s TestStep) bool { return s.Key == key }) {
			return invalid("steps", "The step “%s” is missing: the safety test by %s has it for class %s. Do it, or leave it out and say why.", key, t.shop.Practice, x.Class)
		}
	}
	return nil
}

// words names a step for the bench.
func (s TestStep) words() string { return cmp.Or(s.Name, string(s.Key)) }

func (t *turn) step(test string, s *TestStep) error {
	if s.Key != "" {
		if err := oneOf("steps", "A step", s.Key, StepKeys); err != nil {
			return err
		}
	}
	var err error
	if s.Name, err = line("steps", "The name of a step", s.Name, s.Key == ""); err != nil {
		return err
	}
	if err := oneOf("steps", "What came of the step “"+s.words()+"”", s.Result, StepResults); err != nil {
		return err
	}
	s.Measurement, s.Found = s.Measurement.clone(), s.Found.clone()
	if err := t.limited(test, s); err != nil {
		return err
	}
	if s.Measurement, _, err = t.measurement(s.Measurement, ""); err != nil {
		return err
	}
	if s.Found, _, err = t.measurement(s.Found, ""); err != nil {
		return err
	}
	if s.Finding != 0 && t.j.Finding(s.Finding) == nil {
		return invalid("finding", "There is no finding %d on this job.", s.Finding)
	}
	if s.Note, err = t.line("steps", "The note on the step “"+s.words()+"”", s.Note.Text, s.Result == StepSkipped); err != nil {
		return err
	}
	if m := s.Measurement; m != nil && s.Result == StepPassed && (m.Fit() == FitBelow || m.Fit() == FitAbove) {
		return invalid("steps", "“%s” shows %s, which is outside of its limits, so the step has not passed.", s.words(), m)
	}
	return nil
}

// RunningTest is a test that runs by itself: a soak.
type RunningTest struct {
	Name       string    `json:"name"`
	Conditions string    `json:"conditions,omitempty"`
	From       time.Time `json:"from,omitzero"`
	// Until is when somebody means to look, zero if nobody said.
	Until time.Time `json:"until,omitzero"`
}

// BeginTest starts a test that runs by itself. The next run of its name that is recorded ends it.
type BeginTest struct {
	Name       string    `json:"name"`
	Conditions string    `json:"conditions,omitempty"`
	Until      time.Time `json:"until,omitzero"`
}

func (c BeginTest) decide(t *turn) error {
	if err := t.needStage("Starting a test", StageTesting); err != nil {
		return err
	}
	if err := t.needSafe("Starting a test"); err != nil {
		return err
	}
	if run := t.j.Running; run != nil {
		return refused("“%s” is running already: record how it ended first.", run.Name)
	}
	p := &TestBegun{RunningTest{Until: c.Until.UTC()}}
	var err error
	if p.Name, err = line("name", "The name of the test", c.Name, true); err != nil {
		return err
	}
	if p.Conditions, err = line("conditions", "The conditions", c.Conditions, false); err != nil {
		return err
	}
	if !p.Until.IsZero() && !p.Until.After(t.now) {
		return invalid("until", "The test ends later than now.")
	}
	return t.record(p)
}

// TestBegun is a test that runs by itself, started.
type TestBegun struct{ RunningTest }

func (p *TestBegun) fold(j *Job, e *Event) {
	r := p.RunningTest
	r.From = e.At
	j.Running = &r
	j.addMoment(e, 0)
}

// TestDone is one run of one test.
type TestDone struct {
	Test Test `json:"test"`
}

func (p *TestDone) fold(j *Job, e *Event) {
	t := p.Test
	t.At = e.At
	j.Tests = append(j.Tests, t)
	if j.Running != nil && strings.EqualFold(j.Running.Name, t.Name) {
		j.Running = nil
	}
	j.addMoment(e, len(j.Tests))
}

func guardTestFailed(g *gate) {
	failed := false
	for _, t := range g.j.LatestTests() {
		failed = failed || (!t.Passed && !t.At.Before(g.j.StageSince))
	}
	g.need(failed, "No test has failed.")
}
