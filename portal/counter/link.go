package counter

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"
)

// linkPage hands out the customer's own link, to read out or copy.
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
	// Shared says that a link to share is out; Open what waits for the customer, "" for nothing.
	Shared bool
	Open   string
}

func (*linkPage) Template() string { return "link.html" }

var linkTask = &task{
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job, and every link with it."}
		}
		v := &linkPage{jobBase: r.title("Customer’s link"), Mailed: r.job.Customer.Email.Text}
		v.Revoke, v.Mail = r.formTo("link/revoke"), r.formTo("link/mail")
		v.Shared = r.job.Link(link.Share, r.now()) != nil || r.job.Link(link.Look, r.now()) != nil
		switch r.job.Standing(r.shop(), r.now()).Need.Kind {
		case workflow.NeedDecide:
			v.Open = "the quote"
		case workflow.NeedChoose:
			v.Open = "the choice after the missed date"
		}
		g := r.job.Link(link.Own, r.now())
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
	said: "Every link that was out has ended. This is the customer’s new one.",
}

var linkMailTask = &task{
	then: "link",
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.AskLink{}}, nil },
	said: "The link is on its way by email.",
}
