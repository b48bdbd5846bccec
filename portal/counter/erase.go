package counter

import (
	"fmt"

	"benchword/templates"
	"benchword/workflow"
)

// erasePage asks once more before a person is erased.
type erasePage struct {
	jobBase
	// Unsealed counts the steps that hold in clear what was typed, for good.
	Unsealed int
}

func (*erasePage) Template() string { return "erase.html" }

var eraseTask = &task{
	view: func(r *request) (templates.View, error) {
		events, err := r.x.s.Service().Events(r.c.UserContext(), r.job.Number, 0)
		return &erasePage{r.title("Erase the person"), workflow.Unsealed(events)}, err
	},
	read: func(r *request) ([]workflow.Command, error) {
		if n, err := workflow.ParseJobNumber(r.value("number")); err != nil || n != r.job.Number {
			r.form.Add("number", fmt.Sprintf("Type the job’s number, %s, to say that you mean this one.", r.job.Number.Shown()))
			return nil, nil
		}
		return []workflow.Command{workflow.ErasePerson{}}, nil
	},
	said: "The person is erased. Figures and history stay.",
}
