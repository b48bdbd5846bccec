package templates

import (
	"cmp"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// ProofView is what proves the work: the parts that were fitted, the tests with their steps, and readings as found
// beside those as left.
type ProofView struct {
	W     *locale.Words
	Parts []PartView
	Tests []TestView
	Pairs []ReadingPair
}

// PartView is a part that was fitted.
type PartView struct {
	Name string // with its place before it
	// Facts are maker, type, lot, source and grade, each named; Old says what became of the old part.
	Facts, Old string
}

// TestView is one run of a test.
type TestView struct {
	Name    string
	Passed  bool
	Verdict string // "passed"
	Reading string
	Note    string
	// Facts are class, practice, instrument, conditions, times and person, each a sentence.
	Facts  []string
	Steps  []StepView
	Photos []PhotoView
}

// StepView is one step of a test.
type StepView struct {
	Name    string
	Result  workflow.StepResult
	Verdict string
	// Measured is the reading as left; the one as found stands beside it in the table.
	Measured *MeasuredView
	Note     string
}

// Line returns all of a step in one line, for an email.
func (s StepView) Line() string {
	out := s.Name + ": " + s.Verdict + "."
	if s.Measured != nil {
		out += " " + s.Measured.Line()
	}
	return strings.TrimSpace(out + " " + s.Note)
}

// ReadingPair is one point measured before and after the work.
type ReadingPair struct{ Point, Found, Left string }

// TestName returns what a test is called in a language: as the shop says it, else in our words where it is one that
// every shop has, else as the settings have it.
func TestName(shop *workflow.Shop, name string, w *locale.Words) string {
	for key, names := range shop.TestNames {
		if strings.EqualFold(key, name) && names[w.Lang] != "" {
			return names[w.Lang]
		}
	}
	switch {
	case strings.EqualFold(name, workflow.SafetyTest):
		return w.T("proof.test.safety")
	case strings.EqualFold(name, "Function"):
		return w.T("proof.test.function")
	}
	return name
}

// stepName names a step.
func stepName(s workflow.TestStep, w *locale.Words) string {
	if s.Name != "" {
		return s.Name
	}
	return w.T("proof.step." + string(s.Key))
}

// ProofOf shows what proves the work up to an instant; nil where there is nothing.
func ProofOf(j *workflow.Job, shop *workflow.Shop, until time.Time, w *locale.Words, urls PhotoURLs) *ProofView {
	v := &ProofView{W: w}
	for _, x := range j.Work {
		if !x.At.After(until) {
			for _, p := range x.Fitted {
				v.Parts = append(v.Parts, partView(p, w))
			}
		}
	}
	for _, t := range j.LatestTests() {
		if t.At.After(until) {
			continue
		}
		v.Tests = append(v.Tests, testView(j, t, shop, w, urls))
		for _, s := range t.Steps {
			if found := j.AsFound(s); found != nil && s.Measurement != nil {
				v.Pairs = append(v.Pairs, ReadingPair{stepName(s, w), valueOf(found, w), valueOf(s.Measurement, w)})
			}
		}
	}
	if len(v.Parts)+len(v.Tests) == 0 {
		return nil
	}
	return v
}

func partView(p workflow.FittedPart, w *locale.Words) PartView {
	v := PartView{Name: p.Name}
	if p.Place != "" {
		v.Name = w.Named(p.Place, p.Name)
	}
	var facts []string
	for _, f := range []struct{ key, text string }{{"maker", p.Maker}, {"type", p.Type}, {"lot", p.Lot}, {"source", p.Source}} {
		if f.text != "" {
			facts = append(facts, w.T("proof.part."+f.key, f.text))
		}
	}
	if p.Grade != "" {
		facts = append(facts, w.T("proof.grade."+string(p.Grade)))
	}
	v.Facts = sentence(locale.Capital(strings.Join(facts, ", ")))
	if p.Old != "" {
		v.Old = w.T("proof.old." + string(p.Old))
	}
	return v
}

func testView(j *workflow.Job, t workflow.Test, shop *workflow.Shop, w *locale.Words, urls PhotoURLs) TestView {
	loc := zoneOf(shop)
	v := TestView{Name: TestName(shop, t.Name, w), Passed: t.Passed, Verdict: w.T("mail.tests.failed"), Reading: t.Reading, Note: t.Note.Text, Photos: PhotosOf(j, t.Photos, w, loc, urls)}
	if t.Passed {
		v.Verdict = w.T("mail.tests.passed")
	}
	say := func(key, text string) {
		if text != "" {
			v.Facts = append(v.Facts, w.T(key, text))
		}
	}
	say("proof.practice", t.Practice)
	say("proof.class", string(t.Class))
	v.Facts = append(v.Facts, instrument(t.Instrument, t.Calibration, w)...)
	say("measured.conditions", t.Conditions)
	if !t.From.IsZero() {
		v.Facts = append(v.Facts, w.T("proof.time", w.DateTime(t.From, loc), w.DateTime(t.At, loc)))
	}
	say("proof.person", t.Person)
	for _, s := range t.Steps {
		v.Steps = append(v.Steps, StepView{stepName(s, w), s.Result, w.T("proof.result." + string(s.Result)), measuredView(s.Measurement, w), s.Note.Text})
	}
	return v
}

// instrument says what was measured with, and how far that can be trusted.
func instrument(name string, c *workflow.Calibration, w *locale.Words) []string {
	if name == "" {
		return nil
	}
	if c == nil {
		return []string{w.T("measured.with", name)}
	}
	if c.Serial != "" {
		name = w.T("measured.serial", name, c.Serial)
	}
	out := []string{w.T("measured.with", name)}
	day := func(s string) string {
		t, err := time.Parse(time.DateOnly, s)
		if err != nil {
			return s
		}
		return w.Date(t, time.UTC)
	}
	switch {
	case c.Overdue:
		out = append(out, w.T("measured.overdue", day(c.Due)))
	case c.On != "":
		out = append(out, w.T("measured.calibrated", day(c.On)))
	}
	return out
}

// valueOf says a value with its unit.
func valueOf(m *workflow.Measurement, w *locale.Words) string {
	with := func(d string) string { return w.T("measured.value", d, m.Unit) }
	out := with(w.Decimal(m.Value))
	switch {
	case m.Is == workflow.ValueOpen || m.Is == workflow.ValueOver:
		return w.T("measured." + string(m.Is))
	case m.Is != "":
		out = w.T("measured."+string(m.Is), out)
	case m.To != nil:
		out = w.T("measured.range", w.Decimal(m.Value), with(w.Decimal(*m.To)))
	}
	if m.As != "" {
		out = w.T("measured.as."+string(m.As), out)
	}
	return out
}

// readingOf returns a reading as its reader says it: one that stands for a measurement in English is said anew.
func readingOf(reading string, m *workflow.Measurement, w *locale.Words) string {
	if m != nil && cmp.Or(string(m.Is), string(m.As)) != "" || m != nil && m.To != nil {
		if reading == m.String() {
			return valueOf(m, w)
		}
	}
	return reading
}
