package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// arrivalPage is the form that says whether a parcel has arrived.
type arrivalPage struct {
	jobBase
	// Posted says when and how it was posted, By when it should have arrived; Said what was said last.
	Posted, By, Said string
	Choices          []choice
}

func (*arrivalPage) Template() string { return "arrival.html" }

var arrivalTask = &task{
	view: func(r *request) (templates.View, error) {
		k := newClock(r.shop(), r.now())
		v := &arrivalPage{jobBase: r.title("Has it arrived?"), Said: k.arrival(r.job)}
		v.Choices = []choice{{"here", "It has arrived"}, {"missing", "It has not come"}}
		if s := r.job.Shipment; s != nil && !s.InPerson {
			v.Posted = "Posted " + k.day(r.job.EndedAt) + ", " + s.Carrier + " " + s.Parcel.Text
		}
		if at := r.job.ArriveDay(r.shop()); !at.IsZero() {
			v.By = k.day(at)
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		said := r.value("said")
		if said != "here" && said != "missing" {
			r.form.Add("said", "Say whether it has arrived.")
		}
		return []workflow.Command{workflow.TellArrival{Arrived: said == "here", Note: r.value("note")}}, nil
	},
	said: "Written down. The customer’s page says it.",
}

// arrival says what was said last of a parcel's arrival, "" for nothing.
func (k clockOf) arrival(j *workflow.Job) string {
	a := j.Arrival
	if a == nil {
		return ""
	}
	who, what := "The counter", "it has not come"
	switch {
	case a.By == workflow.RoleCustomer:
		who = "The customer"
	case a.By == workflow.RoleSystem:
		return "It came back under warranty."
	}
	if a.Arrived {
		what = "it has arrived"
	}
	s := who + " said " + k.day(a.At) + " that " + what + "."
	if a.Note.Text != "" {
		s += " " + a.Note.Text
	}
	return s
}
