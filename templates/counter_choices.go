package templates

import (
	"strconv"
)

// Answers are the answers to a screening question.
func (JobPage) Answers() []Choice { return AnswerChoices }

// Tries are the ways in which the first try at the fault can end.
func (JobPage) Tries() []Choice { return TriedChoices }

// Weights are the weights of a finding.
func (JobPage) Weights() []Choice { return WeightChoices }

// Origins are the origins of a finding.
func (JobPage) Origins() []Choice { return OriginChoices }

// Certainties are the ways in which something is known.
func (JobPage) Certainties() []Choice { return CertaintyChoices }

// Results are what can come of a check.
func (JobPage) Results() []Choice { return CheckChoices }

// Befores are the stages before which a duty can be due.
func (JobPage) Befores() []Choice { return DutyChoices }

// PhotoKinds are what a photo can be for.
func (JobPage) PhotoKinds() []Choice { return PhotoChoices }

// Fates are where an item of the contents can go.
func (JobPage) Fates() []Choice { return FateChoices }

// Holding are who a job can wait for.
func (JobPage) Holding() []Choice { return HoldChoices }

// Verdicts are the answers to a quote.
func (JobPage) Verdicts() []Choice { return VerdictChoices }

// Ways are how a device can leave.
func (JobPage) Ways() []Choice { return []Choice{{"post", "by post"}, {"person", "handed over here"}} }

// InOut are the ways that money can go.
func (JobPage) InOut() []Choice {
	return []Choice{{"in", "payment"}, {"deposit", "deposit"}, {"out", "refund"}}
}

// TestResults are what can come of a test.
func (JobPage) TestResults() []Choice { return []Choice{{"passed", "passed"}, {"failed", "failed"}} }

// ShotView is a photo at the counter: it leads to its own page, and can be ticked.
type ShotView struct {
	PhotoView
	Page   string
	Ticked bool
}

// Shots makes photos lead to their pages.
func (p JobPage) Shots(photos []PhotoView) []ShotView {
	var out []ShotView
	for _, v := range photos {
		out = append(out, ShotView{v, p.To("photo/" + itoa(v.ID)), p.Form != nil && p.Form.Holds("photos", itoa(v.ID))})
	}
	return out
}

// ShotPick is a choice of photos to tick.
type ShotPick struct {
	Legend string
	Photos []ShotView
}

// PickPhotos offers photos to tick.
func (p JobPage) PickPhotos(legend string, photos []PhotoView) ShotPick {
	return ShotPick{legend, p.Shots(photos)}
}

// Ticks offers choices to tick, any number of them.
func (p JobPage) Ticks(name, label string, choices []Choice) Field {
	f := Field{Name: name, ID: name, Label: label}
	for i, c := range choices {
		f.Choices = append(f.Choices, FieldChoice{c, name + "-" + strconv.Itoa(i), p.Form.Holds(name, c.Value)})
	}
	return f
}

// WaiveReason is the field for the reason of waiving a duty.
func (d *CounterDuties) WaiveReason(id int) Field {
	f := d.Waive.Line("reason", "Reason, which the customer will read", "id: reason-"+itoa(id))
	if !d.Waive.Holds("id", itoa(id)) {
		f.Value, f.Error = "", ""
	}
	return f
}

// PlanForm is the small form with which a planned check is written down.
type PlanForm struct {
	Act  string
	Form *Form
	ID   int
}

// OnPlan makes the form for a planned check. Each is done once by itself.
func (v *CounterChecks) OnPlan(id int) PlanForm {
	f := *v.Form
	f.Once += "-" + itoa(id)
	return PlanForm{v.To("checks"), &f, id}
}

// PlanFor are the suspects that a check can be planned for.
func (v *CounterChecks) PlanFor() []Choice { return v.Pick[:len(v.Pick)-1] }

// FromFindings are the findings that a duty can come from.
func (d *CounterDuties) FromFindings() []Choice {
	return append([]Choice{{"", "none"}}, d.Findings...)
}

// Words names the item, and marks the device.
func (r PackRow) Words() string {
	s := r.Text
	if r.Device {
		s += " (the device)"
	}
	if r.Condition != "" {
		s += ", came in: " + r.Condition
	}
	return s
}
