package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// holdPage places or lifts a hold.
type holdPage struct {
	jobBase
	Holds []templates.HoldView
	// Lift is the form that ends the hold in force, nil if there is none.
	Lift *form
}

func (*holdPage) Template() string { return "hold.html" }

var holdTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &holdPage{jobBase: r.title("Hold")}
		v.Holds = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Holds
		if r.job.Hold() != nil {
			v.Lift = r.x.form(r.c, r.base.To("hold/lift"))
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.PlaceHold{Reason: workflow.HoldReason(r.value("reason")), Note: r.value("note")}}, nil
	},
	said: "The job is on hold; the customer can see why.",
}

var liftTask = &task{
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.LiftHold{}}, nil },
	said: "It’s off hold. The date counts again.",
}
