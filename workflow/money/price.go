package money

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

const (
	// MaxLines is the most lines that one price may have: their sum can't leave 64 bits.
	MaxLines = 1000
	// MaxTaxes is the most taxes that one price may name.
	MaxTaxes = 20

	maxText = 1000 // bytes of a line's text
	maxName = 40   // bytes of a tax's name
)

// Prices says what the unit prices of a [Request] hold.
type Prices string

const (
	BeforeTax Prices = "before_tax" // taxes come on top
	WithTax   Prices = "with_tax"   // taxes are inside
)

// LineKind says what a line is for.
type LineKind string

const (
	Labour   LineKind = "labour"
	Part     LineKind = "part"
	Fee      LineKind = "fee"
	Carriage LineKind = "carriage"
	Credit   LineKind = "credit" // takes money off: its unit price is not above zero
)

// LineKinds lists every kind in the order in which a form offers them.
var LineKinds = []LineKind{Labour, Part, Fee, Carriage, Credit}

// Grade says what kind of part a line is for (common practice, no source).
type Grade string

const (
	GradeOriginal    Grade = "new_original"   // new, from the device's maker
	GradeCompatible  Grade = "new_compatible" // new, from somebody else
	GradeTested      Grade = "pulled_tested"  // taken out of another device, and tested
	GradeRefurbished Grade = "refurbished"    // used, and made good
)

// Grades lists every grade in the order in which a form offers them.
var Grades = []Grade{GradeOriginal, GradeCompatible, GradeTested, GradeRefurbished}

// Line is one line of a price. Its amount is quantity times unit price, rounded.
type Line struct {
	Kind LineKind `json:"kind"`
	Text string   `json:"text"`
	// Grade is for a part, "" if nothing is said about it.
	Grade Grade `json:"grade,omitempty"`
	// Quantity is not negative: hours, pieces.
	Quantity Decimal `json:"quantity"`
	// UnitPrice may be finer than the minor unit. It is below zero on a credit line only.
	UnitPrice Decimal `json:"unit_price"`
	// Tax names the tax on this line, "" for none.
	Tax string `json:"tax,omitempty"`
}

// Tax is a tax as the shop sets it.
type Tax struct {
	// Percent is 0 to 100.
	Percent Decimal `json:"percent"`
}

// Request is what is to be priced.
type Request struct {
	Currency Currency       `json:"currency"`
	Prices   Prices         `json:"prices"`
	Lines    []Line         `json:"lines"`
	Taxes    map[string]Tax `json:"taxes"`
	// Paid is what came in already, an exact amount in Currency, not negative.
	Paid Decimal `json:"paid"`
}

// TaxAmount is one tax as charged.
type TaxAmount struct {
	Name    string
	Percent Decimal
	// Base is what the tax is taken on, without the tax.
	Base   Amount
	Amount Amount
}

// Result is a price. Lines are in the order of the request; they are without tax where the request's
// prices are before tax, and with it where they are with tax. Net + TaxTotal = Total, the sum of Tax
// is TaxTotal, and Balance is what is left to pay, below zero if more was paid than charged.
//
// Its JSON form is that of [Answer] with a "currency" beside it, so that it can be read back.
type Result struct {
	Currency Currency
	Lines    []Amount
	Net      Amount
	// Tax is sorted by name and holds only the taxes that a line uses.
	Tax      []TaxAmount
	TaxTotal Amount
	Total    Amount
	Balance  Amount
}

// Price prices the request. Taxes on prices before tax: each tax's base is the sum of its lines, the tax
// is base * percent / 100, rounded once (EN 16931, BR-CO-17). Taxes inside prices: the tax is
// gross * percent / (100 + percent), rounded once, and its base is gross less tax. A line without a tax
// counts to the net. A total below zero is refused.
func Price(r Request) (Result, error) {
	if err := r.check(); err != nil {
		return Result{}, err
	}
	out := Result{Currency: r.Currency, Lines: make([]Amount, len(r.Lines)), Tax: []TaxAmount{}}
	byTax := make(map[string][]Amount)
	for i, l := range r.Lines {
		a, err := Multiply(l.Quantity, l.UnitPrice, r.Currency)
		if err != nil {
			return Result{}, fmt.Errorf("lines[%d]: %w", i, err)
		}
		out.Lines[i] = a
		byTax[l.Tax] = append(byTax[l.Tax], a)
	}
	bases := make([]Amount, 0, len(byTax))
	amounts := make([]Amount, 0, len(byTax))
	for name, lines := range byTax {
		sum, err := Sum(r.Currency, lines...)
		if err != nil {
			return Result{}, err
		}
		if name == "" {
			bases = append(bases, sum)
			continue
		}
		t := TaxAmount{Name: name, Percent: r.Taxes[name].Percent, Base: sum}
		if r.Prices == WithTax {
			t.Base, t.Amount, err = TaxInside(sum, t.Percent)
		} else {
			t.Amount, err = TaxOn(sum, t.Percent)
		}
		if err != nil {
			return Result{}, err
		}
		bases = append(bases, t.Base)
		amounts = append(amounts, t.Amount)
		out.Tax = append(out.Tax, t)
	}
	slices.SortFunc(out.Tax, func(a, b TaxAmount) int { return cmp.Compare(a.Name, b.Name) })

	paid, err := Exact(r.Paid, r.Currency)
	if err != nil {
		return Result{}, fmt.Errorf("paid: %w", err)
	}
	if out.Net, err = Sum(r.Currency, bases...); err != nil {
		return Result{}, err
	}
	if out.TaxTotal, err = Sum(r.Currency, amounts...); err != nil {
		return Result{}, err
	}
	if out.Total, err = out.Net.Add(out.TaxTotal); err != nil {
		return Result{}, err
	}
	if out.Total.Minor < 0 {
		return Result{}, fmt.Errorf("the total would be %s; it can't be below zero, so the credits may be at most what the other lines come to", out.Total)
	}
	if out.Balance, err = out.Total.Sub(paid); err != nil {
		return Result{}, err
	}
	return out, nil
}

// TaxOn returns the tax on a base without tax: base * percent / 100, rounded half away from zero. The base
// may be negative, as on a corrected invoice.
func TaxOn(base Amount, percent Decimal) (Amount, error) {
	return share(base, percent, 100*pow10[percent.decimals])
}

// TaxInside splits a gross amount into its base and the tax inside it: gross * percent / (100 + percent),
// rounded half away from zero. The percentage is not negative.
func TaxInside(gross Amount, percent Decimal) (base, tax Amount, err error) {
	tax, err = share(gross, percent, 100*pow10[percent.decimals]+magnitude(percent.coef))
	if err != nil {
		return Amount{}, Amount{}, err
	}
	base, err = gross.Sub(tax)
	return base, tax, err
}

func share(of Amount, percent Decimal, whole uint64) (Amount, error) {
	if percent.coef < 0 {
		return Amount{}, fmt.Errorf("a tax of %s %% is below zero", percent)
	}
	n, ok := mulDiv(of.Minor, uint64(percent.coef), whole, HalfAway)
	if !ok {
		return Amount{}, fmt.Errorf("%s %% of %s is too much: %w", percent, of, ErrTooLarge)
	}
	return Amount{n, of.Currency}, nil
}

var hundred = Decimal{coef: 100}

func (r *Request) check() error {
	if _, err := r.Currency.exponent(); err != nil {
		return fmt.Errorf("currency: %w", err)
	}
	if r.Prices != BeforeTax && r.Prices != WithTax {
		return fmt.Errorf("prices: %q is not known; write before_tax or with_tax", short(string(r.Prices)))
	}
	if r.Paid.coef < 0 {
		return fmt.Errorf("paid: %s is below zero", r.Paid)
	}
	if len(r.Lines) > MaxLines {
		return fmt.Errorf("lines: there are %d; at most %d are possible", len(r.Lines), MaxLines)
	}
	if len(r.Taxes) > MaxTaxes {
		return fmt.Errorf("taxes: there are %d; at most %d are possible", len(r.Taxes), MaxTaxes)
	}
	for _, name := range slices.Sorted(maps.Keys(r.Taxes)) {
		t := r.Taxes[name]
		if name == "" || len(name) > maxName {
			return fmt.Errorf("taxes: %q is not a name for a tax; it has 1 to %d characters", short(name), maxName)
		}
		if t.Percent.coef < 0 || t.Percent.Cmp(hundred) > 0 {
			return fmt.Errorf("taxes.%s.percent: %s is not a percentage from 0 to 100", name, t.Percent)
		}
	}
	for i, l := range r.Lines {
		if err := l.check(r.Taxes); err != nil {
			return fmt.Errorf("lines[%d].%w", i, err)
		}
	}
	return nil
}

func (l *Line) check(taxes map[string]Tax) error {
	if !slices.Contains(LineKinds, l.Kind) {
		return fmt.Errorf("kind: %q is not known; write labour, part, fee, carriage or credit", short(string(l.Kind)))
	}
	if l.Grade != "" && (l.Kind != Part || !slices.Contains(Grades, l.Grade)) {
		return fmt.Errorf("grade: %q is not known, or not for a part; write new_original, new_compatible, pulled_tested or refurbished", short(string(l.Grade)))
	}
	if len(l.Text) > maxText {
		return fmt.Errorf("text: it has %d bytes; at most %d are possible", len(l.Text), maxText)
	}
	if l.Quantity.coef < 0 {
		return fmt.Errorf("quantity: %s is below zero; to take money off, write a credit line with a unit price below zero", l.Quantity)
	}
	if l.Kind != Credit && l.UnitPrice.coef < 0 {
		return fmt.Errorf("unit_price: %s is below zero; to take money off, write a line of the kind credit", l.UnitPrice)
	}
	if l.Kind == Credit && l.UnitPrice.coef > 0 {
		return fmt.Errorf("unit_price: %s is above zero; a credit takes money off, so write -%s", l.UnitPrice, l.UnitPrice)
	}
	if _, ok := taxes[l.Tax]; l.Tax != "" && !ok {
		return fmt.Errorf("tax: %q is not among the taxes", short(l.Tax))
	}
	return nil
}

// Answer is a [Result] as `benchword price` prints it: amounts are strings with the currency's decimals.
type Answer struct {
	Lines    []string    `json:"lines"`
	Net      string      `json:"net"`
	Tax      []TaxAnswer `json:"tax"`
	TaxTotal string      `json:"tax_total"`
	Total    string      `json:"total"`
	Balance  string      `json:"balance"`
}

// TaxAnswer is one tax of an [Answer].
type TaxAnswer struct {
	Name    string  `json:"name"`
	Percent Decimal `json:"percent"`
	Base    string  `json:"base"`
	Amount  string  `json:"amount"`
}

// Answer returns the result in the form that is printed.
func (r Result) Answer() Answer {
	a := Answer{
		Lines: make([]string, len(r.Lines)), Net: r.Net.Plain(), Tax: make([]TaxAnswer, len(r.Tax)),
		TaxTotal: r.TaxTotal.Plain(), Total: r.Total.Plain(), Balance: r.Balance.Plain(),
	}
	for i, l := range r.Lines {
		a.Lines[i] = l.Plain()
	}
	for i, t := range r.Tax {
		a.Tax[i] = TaxAnswer{t.Name, t.Percent, t.Base.Plain(), t.Amount.Plain()}
	}
	return a
}

type storedResult struct {
	Currency Currency `json:"currency"`
	Answer
}

// MarshalJSON returns the [Answer] with the currency beside it. The zero value is null.
func (r Result) MarshalJSON() ([]byte, error) {
	if r.Currency == "" {
		return []byte("null"), nil
	}
	return json.Marshal(storedResult{r.Currency, r.Answer()})
}

// UnmarshalJSON reads what [Result.MarshalJSON] wrote.
func (r *Result) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*r = Result{}
		return nil
	}
	var s storedResult
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	var failed error
	read := func(text string) Amount {
		a, err := Parse(text, s.Currency)
		if err != nil && failed == nil {
			failed = err
		}
		return a
	}
	out := Result{
		Currency: s.Currency, Lines: make([]Amount, len(s.Lines)), Net: read(s.Net), Tax: make([]TaxAmount, len(s.Tax)),
		TaxTotal: read(s.TaxTotal), Total: read(s.Total), Balance: read(s.Balance),
	}
	for i, l := range s.Lines {
		out.Lines[i] = read(l)
	}
	for i, t := range s.Tax {
		out.Tax[i] = TaxAmount{t.Name, t.Percent, read(t.Base), read(t.Amount)}
	}
	if failed != nil {
		return failed
	}
	*r = out
	return nil
}
