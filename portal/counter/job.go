package counter

import (
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

func (x *counter) showJob(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	entries, err := x.s.Service().Store.Entries(c.UserContext(), x.s.Shop().ID, r.job.Number)
	if err != nil {
		return err
	}
	r.base.Title = r.base.Card.Number + " · " + r.base.Card.Device
	r.form.Act = r.base.To("move")
	v := templates.CounterJobOf(r.base, r.job, entries, x.s.Shop(), x.s.Now())
	v.Forecast = templates.ForecastViewOf(x.s.Forecast(), r.job, x.s.Shop(), x.s.Now())
	return x.s.Render(c, fiber.StatusOK, v)
}

func (x *counter) showHistory(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	events, err := x.s.Service().Store.Events(c.UserContext(), x.s.Shop().ID, r.job.Number, 0)
	if err != nil {
		return err
	}
	r.base.Title = "History · " + r.base.Card.Number
	v := &templates.CounterHistory{JobPage: r.base, Head: r.job.Head}
	if v.Events, err = templates.EventViews(events, x.s.Shop()); err != nil {
		return err
	}
	return x.s.Render(c, fiber.StatusOK, v)
}

// title heads a task's page.
func (r *request) title(words string) templates.JobPage {
	r.base.Title = words + " · " + r.base.Card.Number
	r.base.Form = r.form
	return r.base
}

// moveTo is the stage that a move's page is about.
func (r *request) moveTo() workflow.Stage {
	if s := r.c.Params("to"); s != "" {
		return workflow.Stage(s)
	}
	return workflow.Stage(r.value("to"))
}

// moveTask is a row of the transition table. The job's page has a button for those that need no words;
// the others, and those that are refused, have a page.
var moveTask = &task{
	path: "move/:to",
	view: func(r *request) (templates.View, error) {
		to := r.moveTo()
		v := &templates.CounterMove{ToWords: templates.StageWords(to)}
		row := false
		for _, m := range r.job.Moves(r.shop()) {
			if m.To == to {
				row = true
				v.Move = templates.MoveView{To: to, Words: templates.MoveWords(r.job.Stage, to), Missing: m.Missing, Ask: templates.MoveAsks(r.job.Stage, to)}
			}
		}
		if !row && !r.refused {
			return nil, &workflow.Error{Code: workflow.CodeRefused, Message: "This step is not open to the job as it stands. It may have moved on in the meantime."}
		}
		if !row {
			v.Move = templates.MoveView{To: to, Words: "Move the job"}
		}
		if r.job.Stage == workflow.StageDiagnosing && to == workflow.StageTesting {
			v.Outcomes = []templates.Choice{
				{Value: string(workflow.OutcomeNoFault), Words: "No fault was found"},
				{Value: string(workflow.OutcomeRepaired), Words: "The checks themselves cured it"},
			}
		}
		switch to {
		case workflow.StageReceived:
			v.Told = "The customer gets a mail: what was in the parcel, with the arrival photos, and the promised date."
		case workflow.StageShipped:
			v.Told = "The customer gets a mail with the parcel number."
		case workflow.StageWithdrawn:
			v.Told = "The customer gets a mail that the job is closed."
		}
		if v.Move.Words == "" {
			v.Move.Words = "Move the job"
		}
		v.JobPage = r.title(v.Move.Words)
		r.form.Act = r.base.To("move/" + string(to))
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		to := r.moveTo()
		if r.job.Stage == workflow.StageDiagnosing && to == workflow.StageTesting && r.value("outcome") == "" {
			r.form.Add("outcome", "Say whether no fault was found or the checks themselves cured it.")
			return nil, nil
		}
		r.said = "The job is now: " + templates.StageWords(to) + "."
		return []workflow.Command{workflow.Go{To: to, Outcome: workflow.Outcome(r.value("outcome")), Reason: r.value("reason")}}, nil
	},
}
