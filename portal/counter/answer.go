package counter

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// answerPage writes down an answer that came by telephone.
type answerPage struct {
	jobBase
	Quote   *templates.QuoteView
	Options []choice
	// Answers are yes, no with its meaning and price, and a question.
	Answers []choice
	// Answered says what was answered already, "" if nothing; Undo leads to taking it back, "" if it stands.
	Answered, Undo string
}

// answered says what was answered to the current quote, "" if nothing.
func (r *request) answered() string {
	q := r.job.Quote()
	if q == nil || r.job.AnswerTo(q.Revision) == nil {
		return ""
	}
	k := newClock(r.shop(), r.now())
	answers := k.quote(r.job, q).Answers
	a := answers[len(answers)-1]
	return "Answered " + a.When + ": " + lower(a.Text) + "."
}

func (*answerPage) Template() string { return "answer.html" }

// callAt reads when a call was, "2026-11-25T14:30" in the shop's zone; zero for just now.
func (r *request) callAt(name string) time.Time {
	s := strings.TrimSpace(r.value(name))
	if s == "" {
		return time.Time{}
	}
	at, err := time.ParseInLocation("2006-01-02T15:04", s, r.shop().Calendar.Location())
	if err != nil {
		r.form.Add(name, "The time of the call can't be read; write it like 2026-11-25T14:30.")
	}
	return at
}

// answerTask writes down what the customer said on the telephone.
var answerTask = &task{
	fields: map[string]string{"call": "when"},
	fill:   func(r *request) { r.form.Values.Set("name", r.job.Customer.Name.Text) },
	view: func(r *request) (templates.View, error) {
		v := &answerPage{jobBase: r.title("Telephone answer")}
		if q := r.job.Quote(); q != nil {
			view := templates.QuoteOf(r.job, q, r.shop(), r.now(), locale.For("en"))
			v.Quote = &view
			if v.Answered = r.answered(); v.Answered != "" && r.now().Before(r.job.UndoUntil(r.shop())) {
				v.Undo = v.To("undo")
			}
			v.Answers = slices.Clone(verdictChoices)
			for i := range v.Answers {
				if v.Answers[i].Value == string(workflow.VerdictDecline) {
					v.Answers[i].Words += ": " + lower(view.No)
				}
			}
			for _, o := range view.Options {
				v.Options = append(v.Options, choice{Value: o.Key, Words: o.Key + ": " + o.Title + ", " + o.Total})
			}
			if r.value("digest") == "" || r.refused {
				r.form.Values.Set("digest", q.Digest)
				r.form.Values.Set("round", itoa(r.job.Undone(q.Revision)))
			}
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		verdict := workflow.Verdict(r.value("verdict"))
		how := strings.TrimSpace(r.value("how"))
		switch {
		case verdict == "":
			r.form.Add("verdict", "Say what the answer was: yes, no, or a question.")
		case verdict == workflow.VerdictApprove && r.value("option") == "":
			r.form.Add("option", "Say which option the customer said yes to.")
		}
		if verdict != workflow.VerdictAsk && how == "" {
			r.form.Add("how", "Say how the customer was reached, such as the number that was called: it is the evidence of the answer.")
		}
		if verdict != "" && !slices.Contains([]workflow.Verdict{workflow.VerdictApprove, workflow.VerdictDecline, workflow.VerdictAsk}, verdict) {
			r.form.Add("verdict", "Choose one of the answers offered.")
		}
		if said := r.answered(); said != "" {
			r.form.Add("verdict", said+" Take that answer back first, or issue a further quote.")
		}
		who := r.x.s.Actor(r.c).ID
		var call *workflow.CallNote
		if how != "" {
			call = &workflow.CallNote{At: r.callAt("when"), Number: how}
		}
		return []workflow.Command{workflow.Decide{
			Round: r.number("round", "The round"), Call: call, Verdict: verdict, Digest: r.value("digest"), Option: r.value("option"), Name: r.value("name"), Words: r.value("words"),
			Agent: fmt.Sprintf("by telephone, taken by %s: %s", who, how),
		}}, nil
	},
	said: "The answer is written down, and the customer gets it in writing.",
}
