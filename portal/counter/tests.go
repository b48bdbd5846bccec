package counter

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
)

// testsPage is the form for the tests.
type testsPage struct {
	jobBase
	Tests []testView
	Rows  []testRow
	// Soak is the form that starts a test which runs by itself, nil while one runs or none can; Running says which.
	Soak    *form
	Running string
	// Shut is the form that says that the device stayed shut, nil where that changes nothing.
	Shut *form
}

func (*testsPage) Template() string { return "tests.html" }

// testView is the latest run of a test.
type testView struct {
	Name, Reading, Note, When string
	// State is "passed", "failed" or "todo".
	State, StateWords string
}

// testRow is one test in the form; Names of its fields end in Index.
type testRow struct {
	Index int
	testView
	// Open marks the row for a test of another name.
	Other bool
}

// tests lists the shop's required tests and all others that were run, in their latest run.
func (k clockOf) tests(j *workflow.Job) []testView {
	var out []testView
	latest := j.LatestTests()
	find := func(name string) *workflow.Test {
		for i := range latest {
			if latest[i].Name == name {
				return &latest[i]
			}
		}
		return nil
	}
	add := func(name string, t *workflow.Test) {
		v := testView{Name: name, State: "todo", StateWords: "not done yet"}
		switch {
		case t == nil:
		case t.Passed && !j.Passed(name) && j.Stage == workflow.StageTesting:
			v.StateWords = "passed before the device was last opened: do it again"
		case t.Passed:
			v.State, v.StateWords = "passed", "passed"
		default:
			v.State, v.StateWords = "failed", "failed"
		}
		if t != nil {
			v.Reading, v.Note, v.When = t.Reading, t.Note.Text, k.at(t.At)
		}
		out = append(out, v)
	}
	required := requiredTests(j, k.shop)
	for _, name := range required {
		add(name, find(name))
	}
	for i := range latest {
		if !slices.Contains(required, latest[i].Name) {
			add(latest[i].Name, &latest[i])
		}
	}
	return out
}

// requiredTests are those that the way out asks for; see the guard of the last row of the table.
func requiredTests(j *workflow.Job, shop *workflow.Shop) []string {
	switch j.Stage {
	case workflow.StageTesting:
		return j.RequiredTests(shop, j.Outcome)
	case workflow.StageRepairing:
		return j.RequiredTests(shop, workflow.OutcomeRepaired)
	}
	return nil
}

// shutTask says that nobody has opened the device, so that it needs no safety test.
var shutTask = &task{
	then: "tests",
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.NoteShut{}}, nil },
	said: "Noted: it stayed shut.",
}

var testsTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &testsPage{}
		v.jobBase = r.title("Tests")
		v.Tests = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Tests
		for i, t := range v.Tests {
			v.Rows = append(v.Rows, testRow{Index: i, testView: t})
		}
		v.Rows = append(v.Rows, testRow{Index: len(v.Rows), Other: true})
		if run := r.job.Running; run != nil {
			k := newClock(r.shop(), r.now())
			v.Running = fmt.Sprintf("“%s” has been running since %s", run.Name, k.at(run.From))
			if !run.Until.IsZero() {
				v.Running += ", until " + k.at(run.Until)
			}
			v.Running += "."
		} else if r.job.Stage == workflow.StageTesting {
			v.Soak = r.formTo("test/begin")
		}
		if r.job.Mains() && r.job.Opened() && len(r.job.Work) == 0 {
			v.Shut = r.formTo("shut")
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		for i := range workflow.MaxList {
			n := strconv.Itoa(i)
			name, result := r.value("name-"+n), r.value("result-"+n)
			if !r.form.Values.Has("name-" + n) {
				break
			}
			reading, note := r.value("reading-"+n), r.value("note-"+n)
			typed := strings.TrimSpace(reading+note) != ""
			switch {
			case result == "" && typed:
				r.form.Add("result-"+n, fmt.Sprintf("Say whether “%s” passed.", firstLine(name, 60)))
				continue
			case result == "":
				continue
			case strings.TrimSpace(name) == "":
				r.form.Add("name-"+n, "Name the test.")
				continue
			case result == "failed" && strings.TrimSpace(note) == "":
				r.form.Add("note-"+n, fmt.Sprintf("Say in a few words how “%s” failed.", firstLine(name, 60)))
				continue
			}
			out = append(out, workflow.DoTest{Test: workflow.Test{Name: name, Passed: result == "passed", Reading: reading, Note: workflow.Plain(note)}})
		}
		if len(out) == 0 && !r.form.Bad() {
			r.form.Add("result-0", "Say of at least one test whether it passed.")
		}
		return out, nil
	},
	said: "The tests are written down.",
}

// testPage is the form for one test with its steps.
type testPage struct {
	jobBase
	Of string
	// Classes are the ways to the steps of each protection class, where nobody has said which the device has.
	Classes []choice
	Class   string
	// Practice is what the shop's safety test goes by, "" for another test.
	Practice string
	Steps    []stepRow
	// Findings are those with a reading, that a step may have been measured again for.
	Findings []choice
	Photos   []templates.PhotoView
}

func (*testPage) Template() string { return "test.html" }

// AgainChoices are the findings whose reading was taken again, or none.
func (v *testPage) AgainChoices() []choice {
	return append([]choice{{"", "no finding"}}, v.Findings...)
}

// stepRow is one step in the form; names of its fields end in At.
type stepRow struct {
	At, Key, Name string
	// Limit is what the shop's settings measure it against, "" for nothing; Unit is what it is measured in then.
	Limit, Unit string
}

// stepsOf lists the steps of a test as the form offers them.
func (r *request) stepsOf(of, class string) []stepRow {
	var out []stepRow
	if strings.EqualFold(of, workflow.SafetyTest) {
		for _, key := range workflow.SafetySteps(workflow.ProtectionClass(class)) {
			out = append(out, stepRow{Key: string(key), Name: stepWords[key]})
		}
	}
	for name, steps := range r.shop().TestSteps {
		if strings.EqualFold(name, of) {
			for _, s := range steps {
				out = append(out, stepRow{Name: s})
			}
		}
	}
	out = append(out, stepRow{}, stepRow{}) // one's own
	for i := range out {
		out[i].At = "-" + strconv.Itoa(i)
		if l := r.shop().Limit(of, cmp.Or(out[i].Key, out[i].Name)); l != nil {
			out[i].Limit, out[i].Unit = l.Text, l.Unit
		}
	}
	return out
}

var testTask = &task{
	then:   "tests",
	fields: map[string]string{"steps": "", "photo": "photo"},
	fill: func(r *request) {
		v := r.form.Values
		v.Set("of", firstLine(r.c.Query("of"), workflow.MaxLine))
		v.Set("class", string(r.job.Device.Class))
		for _, t := range r.job.Tests { // as last time
			v.Set("instrument", t.Instrument)
			v.Set("person", t.Person)
			if t.Class != "" && v.Get("class") == "" {
				v.Set("class", string(t.Class))
			}
		}
		if c := r.c.Query("class"); c != "" {
			v.Set("class", firstLine(c, 3))
		}
	},
	view: func(r *request) (templates.View, error) {
		of, class := r.value("of"), r.value("class")
		v := &testPage{Of: of, Photos: photoViews(r.job, r.shop())}
		if strings.EqualFold(of, workflow.SafetyTest) {
			v.Practice, v.Class = r.shop().Practice, class
			for _, c := range workflow.ProtectionClasses {
				v.Classes = append(v.Classes, choice{string(c), classWords[c]})
			}
		}
		v.Steps = r.stepsOf(of, class)
		for _, f := range r.job.Findings {
			if f.Measurement != nil && !f.Withdrawn {
				v.Findings = append(v.Findings, choice{strconv.Itoa(f.ID), firstLine(f.Text, 60) + " (" + f.Measurement.String() + ")"})
			}
		}
		v.jobBase = r.title("Test with steps")
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		t := workflow.Test{
			Name: r.value("of"), Passed: r.value("result") == "passed", Reading: r.value("reading"), Note: workflow.Plain(r.value("note")), Instrument: r.value("instrument"),
			Conditions: r.value("conditions"), Person: r.value("person"), Photos: r.ids("photos"), Class: workflow.ProtectionClass(r.value("class")),
		}
		if r.value("result") == "" {
			r.form.Add("result", "Say whether the test passed.")
		}
		for i := range workflow.MaxList {
			at := "-" + strconv.Itoa(i)
			if !r.form.Values.Has("step" + at) {
				break
			}
			s := workflow.TestStep{Key: workflow.StepKey(r.value("key" + at)), Name: strings.TrimSpace(r.value("step" + at)), Result: workflow.StepResult(r.value("came" + at)), Note: workflow.Plain(r.value("why" + at))}
			s.Measurement = r.measurement(at)
			if found := strings.TrimSpace(r.value("found" + at)); found != "" {
				s.Found = &workflow.Measurement{}
				s.Found.Unit, s.Found.As = unitOf(r.value("unit" + at))
				if !instrumentShown(found, s.Found) {
					r.form.Add("found"+at, "The reading as found must be a number, like 9.1.")
				}
			}
			s.Finding, _ = strconv.Atoi(r.value("again" + at))
			if s.Key != "" {
				s.Name = ""
			}
			switch {
			case s.Key == "" && s.Name == "", s.Result == "" && s.Measurement == nil && s.Note.Empty():
				continue
			case s.Result == "":
				r.form.Add("came"+at, "Say what came of this step.")
			}
			t.Steps = append(t.Steps, s)
		}
		return []workflow.Command{workflow.DoTest{Test: t, NewPhotos: r.pictures(workflow.PhotoTest, t.Name)}}, nil
	},
	said: "The test is written down.",
}

// soakTask starts a test that runs by itself.
var soakTask = &task{
	then: "tests",
	read: func(r *request) ([]workflow.Command, error) {
		c := workflow.BeginTest{Name: r.value("soak"), Conditions: r.value("soak_conditions")}
		if hours := r.number("hours", "The number of hours"); hours > 0 {
			c.Until = r.now().Add(time.Duration(min(hours, 1000)) * time.Hour)
		}
		return []workflow.Command{c}, nil
	},
	fields: map[string]string{"name": "soak", "conditions": "soak_conditions", "until": "hours"},
	said:   "It is running. Record the test when it has ended; beginning and end are kept.",
}
