package counter

import (
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// chargePage charges less than was agreed to.
type chargePage struct {
	jobBase
	// Most is what was agreed to, Now what is charged as things stand.
	Most, Now string
	Currency  string
}

func (*chargePage) Template() string { return "charge.html" }

var chargeTask = &task{
	then: "payment",
	view: func(r *request) (templates.View, error) {
		w := locale.For("en")
		return &chargePage{
			jobBase: r.title("Charge less"), Most: w.Money(r.job.Authorised(r.shop())), Now: w.Money(r.job.Charge(r.shop())), Currency: string(r.shop().Currency),
		}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SetCharge{Amount: r.x.amount(r.value("amount")), Reason: r.value("reason")}}, nil
	},
	said: "The charge is changed; the customer can see why.",
}
