package counter

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"
)

// linkPage hands out the customer's look link, to read out or copy.
type linkPage struct {
	jobBase
	// Link is the whole address, "" if none is live; Until is when it ends.
	Link, Until string
	// Groups is the secret part in groups of four, to be read out.
	Groups []string
	Host   string
	// Revoke and Mail are the forms that end it, and that mail it again.
	Revoke, Mail *form
	Mailed       string
}

func (*linkPage) Template() string { return "link.html" }

var linkTask = &task{
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job, and every link with it."}
		}
		v := &linkPage{jobBase: r.title("Customer’s link"), Mailed: r.job.Customer.Email.Text}
		v.Revoke, v.Mail = r.formTo("link/revoke"), r.formTo("link/mail")
		g := r.job.Link(link.Look, r.now())
		if g == nil {
			return v, nil
		}
		token, err := r.x.s.Service().Token(r.job, g)
		if err != nil {
			return nil, err
		}
		_, v.Host, _ = strings.Cut(r.shop().BaseURL, "://")
		v.Link, v.Until = r.shop().BaseURL+"/j/"+token, dayOf(g.ExpiresAt, r.shop())
		for i := 0; i < len(token); i += 4 {
			v.Groups = append(v.Groups, token[i:min(i+4, len(token))])
		}
		return v, nil
	},
}

var linkRevokeTask = &task{
	then: "link",
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.RevokeLinks{}}, nil },
	said: "Every link that was out has ended. This is the new one.",
}

var linkMailTask = &task{
	then: "link",
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.AskLink{}}, nil },
	said: "The link is on its way by mail.",
}
