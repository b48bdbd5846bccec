package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// customerPage corrects how the customer is reached.
type customerPage struct {
	jobBase
	Languages []choice
	Currency  string
	// Doubt is why a message that may be the reason for the change is not to be acted on yet, "" for none.
	Doubt string
}

func (*customerPage) Template() string { return "customer.html" }

var customerTask = &task{
	stale: true,
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
		v := &customerPage{jobBase: r.title("Customer"), Languages: languageChoices(r.shop()), Currency: string(r.shop().Currency)}
		if m := r.job.Doubt(); m != nil {
			v.Doubt = newClock(r.shop(), r.now()).doubtWords(m)
		}
		return v, nil
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
