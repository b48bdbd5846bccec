package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// lettersPage is the exchange of letters.
type lettersPage struct {
	jobBase
	Letters []templates.LetterView
	// Doubts are messages that wait to be confirmed, each with its form; Asked is the address that is asked.
	Doubts []doubtView
	Asked  string
}

// doubtView is a message of the customer's that is not to be acted on yet.
type doubtView struct {
	ID    int
	Begin string
	// Again: it was asked before.
	Again bool
	Form  *form
}

func (*lettersPage) Template() string { return "letters.html" }

var lettersTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &lettersPage{jobBase: r.title("Messages")}
		v.Letters = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Letters
		if v.Asked = r.job.Customer.Email.Text; v.Asked == "" {
			return v, nil
		}
		for i := range r.job.Messages {
			if m := &r.job.Messages[i]; m.Redirects() && m.Confirmed == "" {
				v.Doubts = append(v.Doubts, doubtView{m.ID, firstLine(m.Text.Text, 60), !m.ConfirmAskedAt.IsZero(), r.formTo("letters/confirm")})
			}
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SendMessage{Text: r.value("text"), Question: r.value("question") == "yes"}}, nil
	},
	said: "The message is on its way.",
}

var letterConfirmTask = &task{
	then: "letters",
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.AskConfirm{Message: r.number("message", "The message")}}, nil
	},
	said: "The address on file is being asked. The answer shows beside the message.",
}
