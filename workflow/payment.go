package workflow

import (
	"strings"
	"time"

	"benchword/workflow/money"
)

// PaymentKind says what a payment was for.
type PaymentKind string

const (
	PaymentDeposit PaymentKind = "deposit" // asked for before the work begins
	PaymentPart    PaymentKind = "part"    // towards the balance, or all of it
	PaymentRefund  PaymentKind = "refund"  // went back
)

// PaymentKinds lists every kind in the order in which a form offers them.
var PaymentKinds = []PaymentKind{PaymentPart, PaymentDeposit, PaymentRefund}

// Payment is money that came in (or, negative, went back), as a fact. No card data, ever.
type Payment struct {
	Amount money.Amount `json:"amount"`
	// Kind is "" for one that was written down before there were kinds.
	Kind PaymentKind `json:"kind,omitempty"`
	How  string      `json:"how"`
	At   time.Time   `json:"at,omitzero"`
}

// Paid is the sum of the payments.
func (j *Job) Paid(shop *Shop) money.Amount {
	sum := money.Amount{Currency: shop.Currency}
	for _, p := range j.Payments {
		if p.Amount.Currency == sum.Currency {
			sum.Minor += p.Amount.Minor
		}
	}
	return sum
}

// Balance is what is left to pay; below zero if more was paid than charged.
func (j *Job) Balance(shop *Shop) money.Amount {
	b := j.Charge(shop)
	b.Minor -= j.Paid(shop).Minor
	return b
}

// DepositOpen is what is still missing of the deposit that the approved option asks for; zero if
// nothing is.
func (j *Job) DepositOpen(shop *Shop) money.Amount {
	out := money.Amount{Currency: shop.Currency}
	if _, o := j.Approved(); o != nil && o.Deposit != nil {
		out.Minor = max(0, o.Deposit.Minor-j.Paid(shop).Minor)
	}
	return out
}

// Payable returns what can be paid now: the deposit while it is awaited, else the balance once it is asked
// for; zero once the person was erased.
func (j *Job) Payable(shop *Shop) money.Amount {
	if !j.Erased.IsZero() {
		return money.Amount{}
	}
	if d := j.DepositOpen(shop); d.Minor > 0 {
		return d
	}
	h := j.Hold()
	switch {
	case j.Stage == StageTesting, j.Ended(), h != nil && h.Reason == HoldPayment:
		return j.Balance(shop)
	}
	return money.Amount{}
}

// Authorised is the most that may be charged: the total of the approved option, or, where nothing was
// approved, the diagnostic fee that was announced before the device was sent in.
func (j *Job) Authorised(shop *Shop) money.Amount {
	if _, o := j.Approved(); o != nil {
		return o.Result.Total
	}
	return j.fee(shop)
}

func (j *Job) fee(shop *Shop) money.Amount {
	if j.Fee != nil && j.Received() {
		return *j.Fee
	}
	return money.Amount{Currency: shop.Currency}
}

// CostOfNo is what it costs to have the device back after a no, its carriage included: what was announced on
// booking, or nothing.
func (j *Job) CostOfNo(shop *Shop) money.Amount { return j.fee(shop) }

// Charge is what the job is charged at: what was set, or else what was approved. After a no it is the
// diagnostic fee that was announced beforehand, zero if there was none. It is never above
// [Job.Authorised].
func (j *Job) Charge(shop *Shop) money.Amount {
	if j.returning() {
		return money.Amount{Currency: shop.Currency} // having it back after a missed date costs nothing
	}
	most := j.Authorised(shop)
	charge := most
	switch {
	case j.Charged != nil:
		charge = *j.Charged
	case j.declined():
		charge = j.fee(shop)
	}
	charge.Minor = min(charge.Minor, most.Minor)
	return charge
}

// awaitDeposit lets the job stand still until the deposit has come in, where the approved option asks
// for one.
func (t *turn) awaitDeposit() error {
	if t.j.DepositOpen(t.shop).Minor <= 0 || t.j.Hold() != nil {
		return nil
	}
	return PlaceHold{Reason: HoldPayment}.decide(t)
}

// RecordPayment writes down money that came in; below zero, that went back. It never holds card data.
type RecordPayment struct {
	Amount string `json:"amount"`
	How    string `json:"how"`
	// For is what it was for, "" for what the sign says.
	For PaymentKind `json:"for,omitempty"`
}

func (c RecordPayment) decide(t *turn) error {
	a, err := t.amount("amount", c.Amount)
	if err != nil {
		return err
	}
	if a == nil || a.Minor == 0 {
		return invalid("amount", "Give the amount that was paid.")
	}
	how, err := line("how", "How it was paid", c.How, true)
	if err != nil {
		return err
	}
	if cardLike(how) {
		return invalid("how", "This looks like a card number. Card data is never kept here: write “card at the counter” or the receipt's number.")
	}
	if c.For != "" {
		if err := oneOf("for", "What a payment is for", c.For, PaymentKinds); err != nil {
			return err
		}
		if (c.For == PaymentRefund) != (a.Minor < 0) {
			return invalid("amount", "A refund is below zero, and every other payment above it.")
		}
	}
	sum, err := t.j.Paid(t.shop).Add(*a)
	if err != nil {
		return &Error{Code: CodeInvalid, Field: "amount", Message: "The payments would come to more than can be counted.", Err: err}
	}
	if a.Minor < 0 && sum.Minor < 0 {
		return refused("Only %s has come in, so no more than that can go back.", t.j.Paid(t.shop))
	}
	awaited := t.j.DepositOpen(t.shop).Minor > 0
	if err := t.record(&PaymentRecorded{Amount: *a, How: how, For: c.For}); err != nil {
		return err
	}
	// The deposit that the job stood still for has come in.
	if h := t.j.Hold(); h != nil && h.Reason == HoldPayment && t.j.Stage == StageRepairing && awaited && t.j.DepositOpen(t.shop).Minor == 0 {
		return LiftHold{}.decide(t)
	}
	return nil
}

// PaymentRecorded is money that came in, or went back.
type PaymentRecorded struct {
	Amount money.Amount `json:"amount"`
	How    string       `json:"how"`
	// For is what it was for, "" for what the sign says.
	For PaymentKind `json:"for,omitempty"`
}

func (p *PaymentRecorded) fold(j *Job, e *Event) {
	j.Payments = append(j.Payments, Payment{Amount: p.Amount, Kind: p.For, How: p.How, At: e.At})
	j.addMoment(e, len(j.Payments))
}

// SetCharge charges less than what was approved: the work came to less, or part of it was not done.
type SetCharge struct {
	Amount string `json:"amount"`
	Reason string `json:"reason"`
}

func (c SetCharge) decide(t *turn) error {
	if err := t.needOpen("Changing the charge"); err != nil {
		return err
	}
	a, err := t.amount("amount", c.Amount)
	if err != nil {
		return err
	}
	if a == nil || a.Minor < 0 {
		return invalid("amount", "Give the amount to charge, zero or more.")
	}
	if most := t.j.Authorised(t.shop); a.Minor > most.Minor {
		return refused("The customer agreed to %s, so at most that can be charged. For more, issue a new revision of the quote.", most)
	}
	reason, err := t.text("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&ChargeSet{*a, reason})
}

// ChargeSet is a charge below what was approved.
type ChargeSet struct {
	Amount money.Amount `json:"amount"`
	Reason Words        `json:"reason"`
}

func (p *ChargeSet) fold(j *Job, e *Event) {
	a := p.Amount
	j.Charged, j.ChargedWhy = &a, p.Reason
	j.addMoment(e, 0)
}

// cardLike reports whether a text holds what may be a card number: groups of digits, with spaces or
// dashes between them, that make 13 to 19 together, begin with 2 to 6 and have the check digit of ISO/IEC
// 7812-1 (Luhn). Such a number is refused, at the price of refusing a few that are none.
func cardLike(s string) bool {
	for _, run := range strings.FieldsFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != ' ' && r != '-' && r != '\u00a0' && r != '.' }) {
		groups := strings.FieldsFunc(run, func(r rune) bool { return r < '0' || r > '9' })
		for from := range groups {
			number := ""
			for _, g := range groups[from:] {
				if number += g; len(number) > 19 {
					break
				}
				if len(number) >= 13 && number[0] >= '2' && number[0] <= '6' && luhn(number) {
					return true
				}
			}
		}
	}
	return false
}

func luhn(digits string) bool {
	sum := 0
	for i := range digits {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 1 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return sum%10 == 0
}
