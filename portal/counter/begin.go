package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// beginPage begins what the customer decided.
type beginPage struct {
	jobBase
	// Queued says since when it waits, "" if nothing does.
	Queued string
}

func (*beginPage) Template() string { return "begin.html" }

var beginTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &beginPage{jobBase: r.title("Begin")}
		if r.job.Queued() {
			v.Queued = newClock(r.shop(), r.now()).at(r.job.QueuedAt)
		}
		return v, nil
	},
	read: func(*request) ([]workflow.Command, error) { return []workflow.Command{workflow.Begin{}}, nil },
	said: "Begun.",
}
