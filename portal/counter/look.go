package counter

import (
	"slices"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// lookPage is the form for the first look: condition, and whether the fault shows.
type lookPage struct {
	jobBase
	Then     choice
	Symptoms []choice
}

func (*lookPage) Template() string { return "look.html" }

var lookTask = &task{
	fields: map[string]string{"to": ""},
	fill: func(r *request) {
		r.form.Values.Set("condition", r.job.Condition.Text)
		r.form.Values["symptoms"] = r.job.Symptoms()
		if t := r.job.Reproduction; t != nil {
			r.form.Values.Set("result", string(t.Result))
			r.form.Values.Set("why", string(t.Why))
			r.form.Values.Set("note", t.Note.Text)
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &lookPage{jobBase: r.title("First look")}
		for _, s := range r.shop().Trade().Symptoms {
			v.Symptoms = append(v.Symptoms, choice{s.ID, r.shop().Trade().SaySymptom("en", s.ID)})
		}
		if r.job.Stage == workflow.StageReceived {
			v.Then = choice{"start", "Start diagnosing"}
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		if s := strings.TrimSpace(r.value("condition")); s != "" && s != r.job.Condition.Text {
			out = append(out, workflow.NoteCondition{Text: s})
		}
		try := workflow.TryFault{Result: workflow.Reproduced(r.value("result")), Note: strings.TrimSpace(r.value("note"))}
		if try.Result == workflow.NotTried {
			try.Why = workflow.NotTriedReason(r.value("why"))
		}
		if t := r.job.Reproduction; try.Result != "" && (t == nil || try != (workflow.TryFault{Result: t.Result, Why: t.Why, Note: t.Note.Text})) {
			out = append(out, try)
		} else if try.Result == "" && try.Note != "" {
			r.form.Add("result", "Say whether the fault shows; the note alone does not tell.")
		}
		does, err := r.symptoms(slices.DeleteFunc(slices.Clone(r.form.Values["symptoms"]), func(id string) bool { return slices.Contains(r.job.Symptoms(), id) }), true)
		if err != nil {
			return nil, err
		}
		out = append(out, does...)
		out = append(out, r.addPhotos(workflow.PhotoArrival)...)
		r.said = "Kept."
		if r.value("do") == "start" {
			out = append(out, workflow.Go{To: workflow.StageDiagnosing})
			r.said = "On the bench: diagnosing."
		} else if len(out) == 0 {
			r.said = "Nothing was changed."
		}
		return out, nil
	},
}
