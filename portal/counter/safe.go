package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// safePage is the form for how a device that stays dangerous was made safe to go back unrepaired.
type safePage struct {
	jobBase
	// Dangers are what it stands for.
	Dangers []string
}

func (*safePage) Template() string { return "safe.html" }

var safeTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &safePage{jobBase: r.title("Made safe to go back")}
		for _, d := range r.job.Dangers(r.shop()) {
			v.Dangers = append(v.Dangers, d.Text)
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.MakeSafe{Done: r.value("done"), Label: r.value("label"), Word: r.value("word")}}, nil
	},
	said: "Written down. The customer reads what was done, and what the device is marked with.",
}
