package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// lettersPage is the exchange of letters.
type lettersPage struct {
	jobBase
	Letters []templates.LetterView
}

func (*lettersPage) Template() string { return "letters.html" }

var lettersTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &lettersPage{jobBase: r.title("Letters")}
		v.Letters = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Letters
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SendMessage{Text: r.value("text"), Question: r.value("question") == "yes"}}, nil
	},
	said: "The letter is on its way.",
}
