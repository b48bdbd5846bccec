package counter

import (
	"strconv"

	"benchword/templates"
	"benchword/workflow"
)

// dutiesPage lists what the bench is obliged to do.
type dutiesPage struct {
	jobBase
	Duties []dutyRow
	// Waive is the form that lets one go; WaiveID says which, 0 for none.
	Waive    *form
	Findings []choice
	// Rules are the duties that the catalogue knows.
	Rules []choice
}

func (*dutiesPage) Template() string { return "duties.html" }

// dutyRow is a duty with what staff can do to it.
type dutyRow struct {
	ID   int
	Text string
	// Test is the test that settles it, "" if it is settled by hand.
	Test string
	Open bool
	// Waivable: it comes from no danger.
	Waivable bool
	State    string
}

// WaiveReason is the field for the reason of waiving a duty.
func (d *dutiesPage) WaiveReason(id int) field {
	f := d.Waive.Line("reason", "Reason, which the customer will read", "id: reason-"+itoa(id))
	if !d.Waive.Holds("id", itoa(id)) {
		f.Value, f.Error = "", ""
	}
	return f
}

// FromFindings are the findings that a duty can come from.
func (d *dutiesPage) FromFindings() []choice {
	return append([]choice{{"", "none"}}, d.Findings...)
}

func (k clockOf) duties(j *workflow.Job) []dutyRow {
	var out []dutyRow
	for _, d := range j.Duties {
		if d.Dropped {
			continue
		}
		v := dutyRow{ID: d.ID, Text: d.Text, Test: d.Test, Open: d.Open(), Waivable: d.Open() && !j.FromDanger(d, k.shop.Trade())}
		switch {
		case d.Waived.Text != "":
			v.State = "waived: " + d.Waived.Text
		case !d.DoneAt.IsZero():
			v.State = "done " + k.at(d.DoneAt)
		default:
			v.State = "open, due " + dutyWords[d.Before]
			if d.Test != "" {
				v.State += ", settled by the test “" + d.Test + "”"
			}
		}
		out = append(out, v)
	}
	return out
}

var dutiesTask = &task{
	then:   "duties",
	fields: map[string]string{"text": "duty"},
	fill:   func(r *request) { r.form.Values.Set("before", string(workflow.StageShipped)) },
	view:   func(r *request) (templates.View, error) { return r.dutiesPage(), nil },
	read: func(r *request) ([]workflow.Command, error) {
		finding := r.number("finding", "The finding")
		return []workflow.Command{workflow.RaiseDuty{Duty: workflow.Duty{Rule: r.value("rule"), Text: r.value("duty"), Before: workflow.Stage(r.value("before")), Finding: finding}}}, nil
	},
	said: "The duty is on the list.",
}

// dutiesPage makes the list of duties.
func (r *request) dutiesPage() *dutiesPage {
	v := &dutiesPage{Waive: r.formTo("duty/waive")}
	for _, f := range r.job.Findings {
		if !f.Withdrawn {
			v.Findings = append(v.Findings, choice{Value: strconv.Itoa(f.ID), Words: f.Text})
		}
	}
	v.Rules = []choice{{Value: "", Words: "none of these"}}
	for _, x := range r.shop().Trade().Rules {
		if len(x.Found)+len(x.Done) == 0 {
			continue // the domain raises it
		}
		v.Rules = append(v.Rules, choice{Value: x.ID, Words: r.shop().Trade().Duty("en", x.ID)})
	}
	v.jobBase = r.title("Duties")
	v.Duties = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Duties
	return v
}

var dutyDoneTask = &task{
	then: "duties",
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.DoDuty{ID: r.number("id", "The duty")}}, nil
	},
	said: "Done.",
}

var dutyWaiveTask = &task{
	then:   "duties",
	fields: map[string]string{"duty": "id"},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.WaiveDuty{ID: r.number("id", "The duty"), Reason: r.value("reason")}}, nil
	},
	said: "Waived. The customer will read the reason.",
}
