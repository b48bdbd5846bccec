package counter

import (
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// undoPage takes an answer back that the customer takes back by telephone.
type undoPage struct {
	jobBase
	// Until says until when it is possible, "" if it is not.
	Until string
}

func (*undoPage) Template() string { return "undo.html" }

var undoTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &undoPage{jobBase: r.title("Take an answer back")}
		if until := r.job.UndoUntil(r.shop()); r.now().Before(until) {
			q := r.job.Quote()
			v.Until = locale.For("en").DateTime(until, r.shop().Calendar.Location())
			r.form.Values.Set("digest", q.Digest)
			r.form.Values.Set("round", itoa(r.job.Undone(q.Revision)))
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		how := strings.TrimSpace(r.value("how"))
		if how == "" {
			r.form.Add("how", "Say how the customer was reached: it is the evidence.")
		}
		return []workflow.Command{workflow.UndoDecision{
			Digest: r.value("digest"), Round: r.number("round", "The round"), Agent: "by telephone, taken by " + r.x.s.Actor(r.c).ID + ": " + how,
		}}, nil
	},
	said: "The answer is taken back; the customer gets it in writing.",
}
