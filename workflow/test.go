package workflow

import "time"

// Test is one run of one test. The latest run of a name counts.
type Test struct {
	Name    string    `json:"name"`
	Passed  bool      `json:"passed"`
	Reading string    `json:"reading,omitempty"`
	Note    string    `json:"note,omitempty"`
	Photos  []int     `json:"photos,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// SafetyTest is the name of the test that a mains-operated device which was opened must have passed
// before it goes back unrepaired (common practice, no source).
const SafetyTest = "Electrical safety"

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

// needTests needs the shop's tests to have passed since the job came to its stage. It returns how the latest
// run of each test stands.
func (g *gate) needTests() map[string]bool {
	passed := map[string]bool{}
	for _, t := range g.j.LatestTests() {
		passed[t.Name] = t.Passed && !t.At.Before(g.j.StageSince)
	}
	for _, name := range g.shop.Tests {
		g.need(passed[name], "The test “%s” has not passed yet.", name)
	}
	return passed
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
	x := c.Test
	var err error
	if x.Name, err = line("name", "The name of the test", x.Name, true); err != nil {
		return err
	}
	if x.Reading, err = line("reading", "The reading", x.Reading, false); err != nil {
		return err
	}
	if x.Note, err = text("note", "The note", x.Note, !x.Passed); err != nil {
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
	j.tell(e, len(j.Tests))
}

func guardTestFailed(g *gate) {
	failed := false
	for _, t := range g.j.LatestTests() {
		failed = failed || (!t.Passed && !t.At.Before(g.j.StageSince))
	}
	g.need(failed, "No test has failed.")
}
