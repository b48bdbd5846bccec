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
	// Waits is a change that the customer asked for on their page and that waits to be confirmed, nil for none.
	Waits *changeView
	// Wishes is the form for parcel and data, nil once the job has ended.
	Wishes *form
	// Doubt is why a message that may be the reason for the change is not to be acted on yet, "" for none.
	Doubt string
}

// changeView is a change with the form for what the customer says of it on the telephone.
type changeView struct {
	Number      int
	When, Asked string
	Lines       []string
	Form        *form
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
		v.Set("company", c.Company.Text)
		v.Set("tax_number", c.TaxNumber.Text)
		if r.job.Limit != nil {
			v.Set("limit", r.job.Limit.Plain())
		}
	},
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job."}
		}
		v := &customerPage{jobBase: r.title("Customer"), Languages: languageChoices(r.shop()), Currency: string(r.shop().Currency)}
		if w := r.job.Wishes; !r.job.Ended() {
			if v.Wishes = r.formTo("customer/wishes"); !v.Wishes.Bad() {
				v.Wishes.Values.Set("data", string(w.Data))
				v.Wishes.Values.Set("return", string(w.Return))
				if w.Insured != nil {
					v.Wishes.Values.Set("insured", w.Insured.Plain())
				}
			}
		}
		if x := r.job.OpenChange(); x != nil {
			k := newClock(r.shop(), r.now())
			v.Waits = &changeView{x.Number, k.at(x.At), r.job.Customer.Email.Text, templates.ChangeLines(x, k.w), r.formTo("customer/change")}
		}
		if m := r.job.Doubt(); m != nil {
			v.Doubt = newClock(r.shop(), r.now()).doubtWords(m)
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.ChangeCustomer{
			Person: workflow.Person{
				Name: r.value("name"), Email: r.value("email"), Phone: r.value("phone"), Address: r.value("address"),
				Company: r.value("company"), TaxNumber: r.value("tax_number"), Language: r.value("language"), TimeZone: r.value("time_zone"),
			},
			Limit: r.x.amount(r.value("limit")),
		}}, nil
	},
	said: "The customer’s particulars are changed.",
}

var wishesTask = &task{
	then: "customer",
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.ChooseWishes{Insured: r.x.amount(r.value("insured")), Data: workflow.DataLeave(r.value("data")), Return: workflow.ReturnBy(r.value("return"))}}, nil
	},
	said: "Saved.",
}

var changeTask = &task{
	then: "customer",
	read: func(r *request) ([]workflow.Command, error) {
		not := r.value("mine") == "no"
		if r.said = "The change counts now."; not {
			r.said = "Everything stays as it was."
		}
		return []workflow.Command{workflow.SettleChange{Change: r.number("change", "The change"), Not: not}}, nil
	},
}

// Returns are the ways in which the customer can have it back, and DataLeaves what may be done with the data on it.
func (jobBase) Returns() []choice {
	return append([]choice{{"", "not said"}}, choices(workflow.ReturnBys, returnWords)...)
}

// DataLeaves are what may be done with the data on it.
func (jobBase) DataLeaves() []choice {
	return append([]choice{{"", "not said"}}, choices(workflow.DataLeaves, dataWords)...)
}

var returnWords = map[workflow.ReturnBy]string{workflow.ReturnPost: "by post", workflow.ReturnCollect: "they collect it"}

var dataWords = map[workflow.DataLeave]string{
	workflow.DataAlone: "open and erase nothing", workflow.DataLook: "files may be opened where a test needs it", workflow.DataErase: "may be erased, they have a copy",
}
