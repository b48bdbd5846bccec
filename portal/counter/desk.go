package counter

import (
	"fmt"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
)

var promiseTask = &task{
	path: "promise", roles: counterUp, stale: true,
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterPromise{JobPage: r.title("Promise")}
		v.Promises = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Promises
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		cmd := workflow.MovePromise{Days: r.number("days", "The number of working days"), Reason: r.value("reason")}
		by, ok := r.date("by")
		if !ok {
			return nil, nil
		}
		cmd.By = by
		return []workflow.Command{cmd}, nil
	},
	said: "The new date is on its way to the customer, with the reason.",
}

// closing gives the end of the shop's hours on a date, or the end of the date where it is closed.
func (r *request) closing(day calendar.Date) time.Time { return closing(r.shop(), day) }

func closing(shop *workflow.Shop, day calendar.Date) time.Time {
	loc := shop.Calendar.Location()
	begin, end := calendar.Local(loc, day, 0, 0), calendar.Local(loc, day+1, 0, 0)
	last := end.Add(-time.Second)
	for _, to := range shop.Calendar.Stretches(begin, end) {
		last = to
	}
	return last
}

var paymentTask = &task{
	path: "payment", roles: counterUp, then: "payment",
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterPayments{JobPage: r.title("Payments"), Currency: string(r.shop().Currency)}
		all := templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now())
		v.Payments, v.Paid = all.Payments, all.Paid
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		a := r.x.amount(r.value("amount"))
		if r.value("way") == "out" && a != "" && !strings.HasPrefix(a, "-") {
			a = "-" + a
		}
		what := map[string]workflow.PaymentKind{"in": workflow.PaymentPart, "deposit": workflow.PaymentDeposit, "out": workflow.PaymentRefund}[r.value("way")]
		return []workflow.Command{workflow.RecordPayment{Amount: a, How: r.value("how"), For: what}}, nil
	},
	said: "The payment is written down.",
	fill: func(r *request) { r.form.Values.Set("way", "in") },
}

var customerTask = &task{
	path: "customer", roles: counterUp, stale: true,
	fill: func(r *request) {
		c, v := r.job.Customer, r.form.Values
		v.Set("name", c.Name.Text)
		v.Set("email", c.Email.Text)
		v.Set("phone", c.Phone.Text)
		v.Set("address", c.Address.Text)
		v.Set("language", c.Language)
		v.Set("time_zone", c.TimeZone)
		if r.job.Limit != nil {
			v.Set("limit", r.job.Limit.Plain())
		}
	},
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job."}
		}
		return &templates.CounterCustomer{JobPage: r.title("Customer"), Languages: templates.LanguageChoices(r.shop()), Currency: string(r.shop().Currency)}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.ChangeCustomer{
			Person: workflow.Person{
				Name: r.value("name"), Email: r.value("email"), Phone: r.value("phone"), Address: r.value("address"),
				Language: r.value("language"), TimeZone: r.value("time_zone"),
			},
			Limit: r.x.amount(r.value("limit")),
		}}, nil
	},
	said: "The customer’s particulars are changed.",
}

var lettersTask = &task{
	path: "letters", roles: counterUp,
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterLetters{JobPage: r.title("Letters")}
		v.Letters = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Letters
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SendMessage{Text: r.value("text"), Question: r.value("question") == "yes"}}, nil
	},
	said: "The letter is on its way.",
}

var linkTask = &task{
	path: "link", roles: counterUp,
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job, and every link with it."}
		}
		v := &templates.CounterLink{JobPage: r.title("Customer’s link"), Mailed: r.job.Customer.Email.Text}
		v.Revoke, v.Mail = r.x.form(r.c, r.base.To("link/revoke")), r.x.form(r.c, r.base.To("link/mail"))
		if r.refused {
			v.Revoke.Errors = r.form.Errors
		}
		g := r.job.Link(link.Look, r.now())
		if g == nil {
			return v, nil
		}
		token, err := r.x.s.Service().Token(r.job, g)
		if err != nil {
			return nil, err
		}
		_, v.Host, _ = strings.Cut(r.shop().BaseURL, "://")
		v.Link, v.Until = r.shop().BaseURL+"/j/"+token, templates.DayOf(g.ExpiresAt, r.shop())
		for i := 0; i < len(token); i += 4 {
			v.Groups = append(v.Groups, token[i:min(i+4, len(token))])
		}
		return v, nil
	},
}

var linkRevokeTask = &task{
	path: "link/revoke", postOnly: true, roles: counterUp, then: "link",
	view: linkTask.view,
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.RevokeLinks{}}, nil },
	said: "Every link that was out has ended. This is the new one.",
}

var linkMailTask = &task{
	path: "link/mail", postOnly: true, roles: counterUp, then: "link",
	view: linkTask.view,
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.AskLink{}}, nil },
	said: "The link is on its way by mail.",
}

var eraseTask = &task{
	path: "erase", roles: ownerOnly,
	view: func(r *request) (templates.View, error) {
		return &templates.CounterErase{JobPage: r.title("Erase the person")}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		if n, err := workflow.ParseJobNumber(r.value("number")); err != nil || n != r.job.Number {
			r.form.Add("number", fmt.Sprintf("Type the job’s number, %s, to say that you mean this one.", r.job.Number.Shown()))
			return nil, nil
		}
		return []workflow.Command{workflow.ErasePerson{}}, nil
	},
	after: func(r *request, j *workflow.Job) error {
		for _, kind := range draftKinds {
			if err := r.x.dropDraft(r, kind); err != nil {
				return err
			}
		}
		return r.x.s.Photos().Clear(r.c.UserContext(), r.shop().ID, j.Number)
	},
	said: "The person is erased. Figures and history stay.",
}
