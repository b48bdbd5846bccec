package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// readyPage tells the customer that the device is done and tested.
type readyPage struct {
	jobBase
	Told  string
	Tests []testView
}

func (*readyPage) Template() string { return "ready.html" }

var readyTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &readyPage{}
		v.jobBase = r.title("Ready")
		all := jobPageOf(r.base, r.job, nil, r.shop(), r.now())
		v.Tests = all.Tests
		if r.job.Ready != nil {
			v.Told = "The customer was told already that it is ready."
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.DeclareReady{Note: r.value("note")}}, nil
	},
	said: "The customer is told that it is done and tested.",
}
