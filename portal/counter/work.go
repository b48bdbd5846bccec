package counter

import (
	"strconv"
	"strings"

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
	path: "work",
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
		out := r.addPhotos(workflow.PhotoAfter)
		for i, c := range out {
			if p, ok := c.(workflow.AddPhoto); ok && strings.TrimSpace(p.Photo.Caption) == "" {
				p.Photo.Caption = clip(r.value("text"), workflow.MaxLine)
				out[i] = p
			}
		}
		out = append(out, workflow.DoWork{Text: r.value("text"), Findings: r.ids("findings"), Duties: r.ids("duties"), Did: r.form.Values["did"], Photos: append(r.newIDs(), r.ids("photos")...)})
		if r.value("do") == "another" {
			r.then = "work"
		}
		return out, nil
	},
	said: "Written down.",
}
