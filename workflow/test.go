package workflow

import (
	"slices"
	"strings"
	"time"
)

// Test is one run of one test. The latest run of a name counts.
type Test struct {
	Name    string    `json:"name"`
	Passed  bool      `json:"passed"`
	Reading string    `json:"reading,omitempty"`
	Note    Words     `json:"note,omitzero"`
	Photos  []int     `json:"photos,omitempty"`
	At      time.Time `json:"at,omitzero"`
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
	if x.Photos, err = t.addPhotos(c.NewPhotos, x.Photos); err != nil {
		return err
	}
	if err := t.record(&TestDone{x}); err != nil || !x.Passed {
		return err
	}
	return t.passed(x.Name)
}

// TestDone is one run of one test.
type TestDone struct {
	Test Test `json:"test"`
}

func (p *TestDone) fold(j *Job, e *Event) {
	t := p.Test
	t.At = e.At
	j.Tests = append(j.Tests, t)
	j.addMoment(e, len(j.Tests))
}

func guardTestFailed(g *gate) {
	failed := false
	for _, t := range g.j.LatestTests() {
		failed = failed || (!t.Passed && !t.At.Before(g.j.StageSince))
	}
	g.need(failed, "No test has failed.")
}
