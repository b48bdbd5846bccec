package counter

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// paymentsPage lists payments and takes another.
type paymentsPage struct {
	jobBase
	Payments []doneView
	Paid     *templates.PaidView
	Currency string
}

func (*paymentsPage) Template() string { return "payments.html" }

var paymentTask = &task{
	then: "payment",
	view: func(r *request) (templates.View, error) {
		v := &paymentsPage{jobBase: r.title("Payments"), Currency: string(r.shop().Currency)}
		all := jobPageOf(r.base, r.job, nil, r.shop(), r.now())
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
