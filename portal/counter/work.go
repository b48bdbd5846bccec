package counter

import (
	"strconv"

	"benchword/templates"
	"benchword/workflow"
)

// workPage is the form for what was done.
type workPage struct {
	jobBase
	Done     []doneView
	Findings []choice
	Duties   []choice
	Photos   []templates.PhotoView
	// Did are the actions that bring a duty with them.
	Did []choice
}

func (*workPage) Template() string { return "work.html" }

var workTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &workPage{Photos: photoViews(r.job, r.shop())}
		for _, f := range r.job.Findings {
			if !f.Withdrawn {
				v.Findings = append(v.Findings, choice{Value: strconv.Itoa(f.ID), Words: f.Text})
			}
		}
		for _, d := range r.job.Duties {
			if d.Open() && d.Test == "" {
				v.Duties = append(v.Duties, choice{Value: strconv.Itoa(d.ID), Words: d.Text})
			}
		}
		for _, a := range r.shop().Trade().Actions() {
			v.Did = append(v.Did, choice{Value: a, Words: r.shop().Trade().Action("en", a)})
		}
		v.jobBase = r.title("What was done")
		v.Done = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Work
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		if r.value("do") == "another" {
			r.then = "work"
		}
		part := workflow.FittedPart{
			Name: r.value("part"), Maker: r.value("maker"), Type: r.value("type"), Lot: r.value("lot"), Source: r.value("source"),
			Grade: workflow.Grade(r.value("grade")), Place: r.value("place"), Old: workflow.Fate(r.value("old")),
		}
		var fitted []workflow.FittedPart
		if part != (workflow.FittedPart{}) {
			fitted = append(fitted, part)
		}
		return []workflow.Command{workflow.DoWork{
			Fitted: fitted,
			Text:   r.value("text"), Findings: r.ids("findings"), Duties: r.ids("duties"), Did: r.form.Values["did"], Photos: r.ids("photos"),
			NewPhotos: r.pictures(workflow.PhotoAfter, r.value("text")),
		}}, nil
	},
	said: "Written down.",
}
