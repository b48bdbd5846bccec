package counter

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// testsPage is the form for the tests.
type testsPage struct {
	jobBase
	Tests []testView
	Rows  []testRow
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
