package counter

import (
	"slices"

	"benchword/templates"
	"benchword/workflow"
)

// movePage asks what a move needs to have said, and shows what is still missing.
type movePage struct {
	jobBase
	Move     moveView
	ToWords  string
	Outcomes []choice
	// Told says what the customer will be told by it, "" for nothing.
	Told string
}

func (*movePage) Template() string { return "move.html" }

// moveView is a row of the transition table as a button.
type moveView struct {
	To    workflow.Stage
	Words string
	// Missing lists what is still needed; then the button can't be pressed.
	Missing []string
	// Ask says that something must be said with the move, on a page of its own.
	Ask bool
	// Back marks a move against the job's way.
	Back       bool
	ByCustomer bool
	// Main marks the move on the job's way that can be made now.
	Main bool
}

// moveWords are the counter's buttons, by the row of the transition table.
var moveWords = map[[2]workflow.Stage]string{
	{workflow.StageBooked, workflow.StageReceived}:             "Parcel received",
	{workflow.StageReceived, workflow.StageDiagnosing}:         "Start diagnosing",
	{workflow.StageReceived, workflow.StageTesting}:            "Close up unrepaired",
	{workflow.StageDiagnosing, workflow.StageAwaitingApproval}: "Wait for the customer’s answer",
	{workflow.StageDiagnosing, workflow.StageRepairing}:        "Go ahead, within the limit",
	{workflow.StageDiagnosing, workflow.StageTesting}:          "Nothing to repair, or beyond repair",
	{workflow.StageAwaitingApproval, workflow.StageRepairing}:  "Go ahead with the repair",
	{workflow.StageAwaitingApproval, workflow.StageDiagnosing}: "Back to the bench",
	{workflow.StageAwaitingApproval, workflow.StageTesting}:    "Close up unrepaired",
	{workflow.StageRepairing, workflow.StageAwaitingApproval}:  "Wait for the customer’s answer",
	{workflow.StageRepairing, workflow.StageDiagnosing}:        "Not cured: back to diagnosing",
	{workflow.StageRepairing, workflow.StageTesting}:           "Go to testing",
	{workflow.StageTesting, workflow.StageRepairing}:           "Back to repairing",
	{workflow.StageTesting, workflow.StageDiagnosing}:          "Back to diagnosing",
	{workflow.StageTesting, workflow.StageAwaitingApproval}:    "The answer was taken back",
	{workflow.StageTesting, workflow.StageShipped}:             "It has left the shop",
	{workflow.StageBooked, workflow.StageWithdrawn}:            "Cancel the job",
	{workflow.StageAwaitingApproval, workflow.StageWithdrawn}:  "Recycle it",
}

// moveOutcomes are the ways in which the work can have ended with a move.
var moveOutcomes = map[[2]workflow.Stage][]choice{
	{workflow.StageDiagnosing, workflow.StageTesting}: {
		{string(workflow.OutcomeNoFault), "No fault was found"},
		{string(workflow.OutcomeRepaired), "The checks themselves cured it"},
		{string(workflow.OutcomeCuredOutside), "What was wrong lay outside the device"},
		{string(workflow.OutcomeBeyondRepair), "It is beyond repair: a part, the board, or our safety"},
	},
	{workflow.StageRepairing, workflow.StageTesting}: {
		{string(workflow.OutcomeRepaired), "Repaired"},
		{string(workflow.OutcomePartlyRepaired), "Repaired in part"},
	},
}

// moveName returns the words on the button for a row of the transition table.
func moveName(from, to workflow.Stage) string { return moveWords[[2]workflow.Stage{from, to}] }

// moveAsks reports whether something must be said with a move: why it goes back, or how it ended.
func moveAsks(from, to workflow.Stage) bool {
	back := to.Rank() < from.Rank()
	return back || to == workflow.StageWithdrawn || from == workflow.StageDiagnosing && to == workflow.StageTesting
}

// movesOf returns the rows of the table that start at the job's stage, as buttons.
func movesOf(j *workflow.Job, shop *workflow.Shop, base jobBase) []moveView {
	var out []moveView
	main := false
	for _, m := range j.Moves(shop) {
		if !workflow.Permits(workflow.Go{To: m.To}, base.role()) {
			continue
		}
		v := moveView{To: m.To, Words: moveName(j.Stage, m.To), Missing: m.Missing, ByCustomer: m.ByCustomer, Ask: moveAsks(j.Stage, m.To)}
		v.Back = m.To.Rank() < j.Stage.Rank()
		if !main && !v.Ask && len(v.Missing) == 0 {
			v.Main, main = true, true
		}
		out = append(out, v)
		if j.Stage == workflow.StageRepairing && m.To == workflow.StageTesting && len(v.Missing) == 0 {
			out = append(out, moveView{To: m.To, Words: "Repaired in part: go to testing", Ask: true})
		}
	}
	// What leads on stands before what leads back.
	slices.SortStableFunc(out, func(a, b moveView) int {
		switch {
		case a.Back == b.Back:
			return 0
		case b.Back:
			return -1
		}
		return 1
	})
	return out
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
	view: func(r *request) (templates.View, error) {
		to := r.moveTo()
		v := &movePage{ToWords: stageWords[to]}
		row := false
		for _, m := range r.job.Moves(r.shop()) {
			if m.To == to {
				row = true
				v.Move = moveView{To: to, Words: moveName(r.job.Stage, to), Missing: m.Missing, Ask: moveAsks(r.job.Stage, to)}
			}
		}
		if !row && !r.refused {
			return nil, &workflow.Error{Code: workflow.CodeRefused, Message: "This step is not open to the job as it stands. It may have moved on in the meantime."}
		}
		if !row {
			v.Move = moveView{To: to, Words: "Move the job"}
		}
		v.Outcomes = moveOutcomes[[2]workflow.Stage{r.job.Stage, to}]
		switch to {
		case workflow.StageReceived:
			v.Told = "The customer gets an email: what was in the parcel, with the arrival photos, and the promised date."
		case workflow.StageShipped:
			v.Told = "The customer gets an email with the parcel number."
		case workflow.StageWithdrawn:
			v.Told = "The customer gets an email that the job is closed."
		}
		if v.Move.Words == "" {
			v.Move.Words = "Move the job"
		}
		v.jobBase = r.title(v.Move.Words)
		r.form.Act = r.base.To("move/" + string(to))
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		to := r.moveTo()
		if r.job.Stage == workflow.StageDiagnosing && to == workflow.StageTesting && r.value("outcome") == "" {
			r.form.Add("outcome", "Say how it ended: no fault, cured by the checks, outside the device, or beyond repair.")
			return nil, nil
		}
		r.said = "The job is now: " + stageWords[to] + "."
		return []workflow.Command{workflow.Go{To: to, Outcome: workflow.Outcome(r.value("outcome")), Reason: r.value("reason")}}, nil
	},
}
