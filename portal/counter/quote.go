package counter

import (
	"slices"
	"sort"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
)

// quotePage is the composer of a quote.
type quotePage struct {
	jobBase
	Revision int
	Options  []quoteOptionRow
	Kinds    []choice
	Lines    []choice
	Taxes    []choice
	Currency string
	// Inside says that the prices include tax.
	Inside  bool
	Drafted string
	// Open is the revision that waits for an answer, nil if none does.
	Open     *revision
	TakeBack *form
	// Sendable: the stage allows a quote to be issued.
	Sendable bool
	Days     int
}

func (*quotePage) Template() string { return "quote.html" }

// revision is a revision with what was answered to it.
type revision struct {
	templates.QuoteView
	StateName string
	Answers   []doneView
	Open      bool
}

// quoteOptionRow is one option in the composer. Names of fields begin with Prefix.
type quoteOptionRow struct {
	Prefix string
	Key    string
	Lines  []quoteLineRow
	// Total and its parts are worked out by the server, "" before that.
	Total, Net string
	Taxes      []templates.TaxView
	Error      string
	Extra      bool
}

// quoteLineRow is one line of an option in the composer.
type quoteLineRow struct {
	Prefix string
	Shown  int
	Amount string
	Error  string
}

func (k clockOf) quote(j *workflow.Job, q *workflow.Quote) revision {
	v := revision{QuoteView: templates.QuoteOf(j, q, k.shop, k.now, k.w), StateName: quoteStateWords[q.State], Open: q.State == workflow.RevisionOpen}
	for _, d := range j.Decisions {
		if d.Revision != q.Revision {
			continue
		}
		a := doneView{When: k.at(d.At), By: d.Name.Text}
		switch d.Verdict {
		case workflow.VerdictApprove:
			a.Text = "Yes to option " + d.Option
			if d.Total != nil {
				a.Text += ", " + k.w.Money(*d.Total)
			}
		case workflow.VerdictDecline:
			if a.Text = "No"; d.Kept > 0 {
				a.Text = "Only what was approved"
			}
		case workflow.VerdictAsk:
			a.Text = "A question: " + d.Words.Text
		}
		if d.By.Role != workflow.RoleCustomer {
			a.Text += " (written down by " + d.By.ID + ")"
		}
		v.Answers = append(v.Answers, a)
	}
	return v
}

// deposit reads an option's deposit, nil for none.
func (x *counter) deposit(f *form, name string) *money.Amount {
	s := strings.TrimSpace(f.Value(name))
	if s == "" {
		return nil
	}
	a, err := money.Parse(x.amount(s), x.s.Shop().Currency)
	if err != nil {
		f.Add(name, "The deposit can't be read; write it like 40.00.")
		return nil
	}
	return &a
}

// lineChoice is a line's kind, with the grade of a part: one choice in the form.
func lineChoice(l money.Line) string {
	if l.Grade != "" {
		return string(l.Kind) + ":" + string(l.Grade)
	}
	return string(l.Kind)
}

func lineKind(choice string) (money.LineKind, money.Grade) {
	kind, grade, _ := strings.Cut(choice, ":")
	return money.LineKind(kind), money.Grade(grade)
}

// feeLines puts the diagnostic fee that was announced on booking into a first quote: charged, and counted
// towards a repair where the shop does so.
func (r *request) feeLines(option string, line int, tax string) {
	f := r.job.Fee
	if f == nil || f.Minor == 0 {
		return
	}
	add := func(kind money.LineKind, text, price string) {
		p := linePrefix(option, line)
		line++
		r.form.Values.Set(p+"kind", string(kind))
		r.form.Values.Set(p+"text", text)
		r.form.Values.Set(p+"price", price)
		r.form.Values.Set(p+"tax", tax)
	}
	add(money.Fee, "Finding the cause", f.Plain())
	if r.shop().FeeCredited {
		add(money.Credit, "Finding the cause, counted towards the repair", "-"+f.Plain())
	}
}

// quotePaper returns a revision as PDF, in the customer's language.
func (x *counter) quotePaper(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	n, err := c.ParamsInt("n")
	if err != nil || n < 1 || n > len(j.Quotes) {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such revision of the quote."}
	}
	return x.s.SendQuotePaper(c, j, &j.Quotes[n-1], c.Params("form"), x.s.Words().For(j.Customer.Language))
}

// A quote's form has up to maxOptions options of up to maxQuoteLines lines. Fields are named
// o<option>.<field> and o<option>.l<line>.<field>, both from 0.
const (
	maxOptions    = 5
	maxQuoteLines = 40
)

var quoteStages = []workflow.Stage{workflow.StageDiagnosing, workflow.StageAwaitingApproval, workflow.StageRepairing}

func optionPrefix(i int) string { return "o" + strconv.Itoa(i) + "." }

func linePrefix(option string, i int) string { return option + "l" + strconv.Itoa(i) + "." }

// shape counts the options and lines that stand in the form, up to the last that holds something.
func shape(f *form) []int {
	var lines []int
	for i := range maxOptions {
		o := optionPrefix(i)
		if !f.Values.Has(o + "title") {
			break
		}
		n := 0
		for l := range maxQuoteLines {
			p := linePrefix(o, l)
			if strings.TrimSpace(f.Value(p+"text")+f.Value(p+"price")) != "" {
				n = l + 1
			}
		}
		lines = append(lines, n)
	}
	for n := len(lines); n > 0 && blankOption(f, n-1, lines[n-1]); n-- {
		lines = lines[:n-1]
	}
	return lines
}

func blankOption(f *form, i, lines int) bool {
	o := optionPrefix(i)
	return lines == 0 && strings.TrimSpace(f.Value(o+"title")+f.Value(o+"text")+f.Value(o+"excluded")) == ""
}

// readQuote turns the form into a quote. What can't be read is noted beside its field. An option that is
// blank between others is left out; from says which option of the form each one is.
func (x *counter) readQuote(f *form) (q workflow.IssueQuote, from []int) {
	// The level's line stands in the form already, or was taken out of it.
	q = workflow.IssueQuote{NoFee: true, Note: f.Value("note"), Reason: f.Value("reason"), Days: x.whole(f, "days", "The number of days")}
	for i, lines := range shape(f) {
		if blankOption(f, i, lines) {
			continue
		}
		q.Options = append(q.Options, x.readOption(f, i, lines))
		from = append(from, i)
	}
	if len(q.Options) == 0 {
		f.Add("o0.title", "A quote offers at least one way on; give the first one a title.")
	}
	return q, from
}

func (x *counter) readOption(f *form, i, lines int) workflow.Option {
	o := optionPrefix(i)
	key := string(rune('A' + i))
	out := workflow.Option{
		Kind: workflow.OptionKind(f.Value(o + "kind")), Title: f.Value(o + "title"), Text: f.Value(o + "text"), Excluded: f.Value(o + "excluded"),
		WorkingDays: x.whole(f, o+"days", "The working days of option "+key), WarrantyDays: x.whole(f, o+"warranty", "The warranty of option "+key),
	}
	out.Deposit = x.deposit(f, o+"deposit")
	if strings.TrimSpace(out.Title) == "" {
		f.Add(o+"title", "Option "+key+" has no title.")
	}
	if out.WorkingDays > 365 {
		f.Add(o+"days", "At most 365 working days are possible.")
	}
	if out.WarrantyDays > 3650 {
		f.Add(o+"warranty", "At most 3650 days of warranty are possible.")
	}
	for l := range lines {
		p := linePrefix(o, l)
		if strings.TrimSpace(f.Value(p+"text")+f.Value(p+"price")) == "" {
			continue
		}
		out.Price.Lines = append(out.Price.Lines, x.readLine(f, p))
	}
	return out
}

func (x *counter) readLine(f *form, p string) money.Line {
	l := money.Line{Text: strings.TrimSpace(f.Value(p + "text")), Tax: f.Value(p + "tax")}
	l.Kind, l.Grade = lineKind(f.Value(p + "kind"))
	if l.Text == "" {
		f.Add(p+"text", "Say what this line is for.")
	}
	number := func(name, spare, what string) money.Decimal {
		s := plainNumber(f.Value(p + name))
		if s == "" {
			s = spare
		}
		if s == "" {
			f.Add(p+name, what+" is missing.")
			return money.Decimal{}
		}
		d, err := money.ParseDecimal(s)
		if err != nil {
			f.Add(p+name, what+" can't be read; write it like 1.5 or 80.00.")
		}
		return d
	}
	l.Quantity = number("quantity", "1", "The quantity")
	l.UnitPrice = number("price", "", "The price")
	switch {
	case l.Quantity.Sign() < 0:
		f.Add(p+"quantity", "The quantity can't be below zero.")
	case l.Kind == money.Credit && l.UnitPrice.Sign() > 0:
		// A credit takes money off, whichever way it was typed.
		l.UnitPrice, _ = money.ParseDecimal("-" + l.UnitPrice.String())
	case l.Kind != money.Credit && l.UnitPrice.Sign() < 0:
		f.Add(p+"price", "A price below zero takes money off: choose “credit” for this line.")
	}
	if _, ok := x.s.Shop().Taxes[l.Tax]; l.Tax != "" && !ok {
		f.Add(p+"tax", "Choose one of the taxes.")
	}
	return l
}

// price works out one option for the form. It never changes what was typed.
func (x *counter) price(o workflow.Option) (money.Result, error) {
	shop := x.s.Shop()
	o.Price.Currency, o.Price.Prices, o.Price.Taxes = shop.Currency, shop.Prices, shop.Taxes
	return money.Price(o.Price)
}

// optionRows lays out the form with what it comes to. Spare rows are for browsers without scripts; more
// names the option that was asked to get further ones.
func (x *counter) optionRows(f *form, more string) []quoteOptionRow {
	w := locale.For("en")
	counts := shape(f)
	options := max(len(counts), 1)
	if more == "option" {
		options++
	}
	var out []quoteOptionRow
	for i := range min(options, maxOptions) {
		o := optionPrefix(i)
		row := quoteOptionRow{Prefix: o, Key: string(rune('A' + i)), Extra: i >= len(counts)}
		lines := 0
		if i < len(counts) {
			lines = counts[i]
		}
		spare := 1
		if more == o {
			spare = 4
		}
		if lines == 0 {
			spare = max(spare, 2)
		}
		for l := range min(lines+spare, maxQuoteLines) {
			row.Lines = append(row.Lines, quoteLineRow{Prefix: linePrefix(o, l), Shown: l + 1})
		}
		if !row.Extra {
			x.total(f, &row, i, lines, w)
		}
		out = append(out, row)
	}
	return out
}

// total works out what an option comes to, as it stands in the form; a line that can't be read leaves it
// open.
func (x *counter) total(f *form, row *quoteOptionRow, i, lines int, w *locale.Words) {
	probe := &form{Values: f.Values}
	o := x.readOption(probe, i, lines)
	for _, e := range probe.Errors {
		if strings.HasPrefix(e.Field, row.Prefix+"l") {
			row.Error = "not worked out yet"
			return
		}
	}
	if len(o.Price.Lines) == 0 {
		return
	}
	result, err := x.price(o)
	if err != nil {
		row.Error = priceWords(err)
		return
	}
	n := 0
	for l := range row.Lines {
		p := row.Lines[l].Prefix
		if strings.TrimSpace(f.Value(p+"text")+f.Value(p+"price")) != "" && n < len(result.Lines) {
			row.Lines[l].Amount = w.Money(result.Lines[n])
			n++
		}
	}
	row.Total = w.Money(result.Total)
	if len(result.Tax) > 0 {
		row.Net = w.Money(result.Net)
	}
	for _, t := range result.Tax {
		row.Taxes = append(row.Taxes, templates.TaxView{Name: templates.TaxWords(t.Name, t.Percent, w), Amount: w.Money(t.Amount)})
	}
}

// priceWords turns the pricing's error into a sentence.
func priceWords(err error) string {
	s := err.Error()
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// quoteTotal answers the page's script with what the options come to.
func (x *counter) quoteTotal(c *fiber.Ctx) error {
	if _, err := x.load(c); err != nil {
		return err
	}
	values, err := x.read(c)
	if err != nil {
		return err
	}
	type line struct {
		Name   string `json:"name"`
		Amount string `json:"amount"`
	}
	type option struct {
		Prefix string `json:"prefix"`
		Total  string `json:"total"`
		Net    string `json:"net"`
		Taxes  []line `json:"taxes"`
		Lines  []line `json:"lines"`
		Error  string `json:"error"`
	}
	out := []option{}
	for _, r := range x.optionRows(&form{Values: values}, "") {
		o := option{Prefix: r.Prefix, Total: r.Total, Net: r.Net, Taxes: []line{}, Lines: []line{}, Error: r.Error}
		for _, t := range r.Taxes {
			o.Taxes = append(o.Taxes, line{t.Name, t.Amount})
		}
		for _, l := range r.Lines {
			o.Lines = append(o.Lines, line{l.Prefix, l.Amount})
		}
		out = append(out, o)
	}
	return c.JSON(fiber.Map{"options": out})
}

// fillQuote fills the form with its first values: the draft, or the last revision, or the two usual ways on.
func (r *request) fillQuote(d *draft) {
	v := r.form.Values
	if d != nil {
		r.form.Values = d.Values
		return
	}
	tax := ""
	if len(r.shop().Taxes) == 1 {
		for name := range r.shop().Taxes {
			tax = name
		}
	}
	if q := r.job.Quote(); q != nil {
		again := slices.DeleteFunc(slices.Clone(q.Options), func(o workflow.Option) bool { return o.Kind == workflow.OptionReturn })
		for i, o := range again {
			p := optionPrefix(i)
			v.Set(p+"kind", string(o.Kind))
			v.Set(p+"title", o.Title)
			v.Set(p+"text", o.Text)
			v.Set(p+"excluded", o.Excluded)
			if o.WorkingDays > 0 {
				v.Set(p+"days", strconv.Itoa(o.WorkingDays))
			}
			if o.WarrantyDays > 0 {
				v.Set(p+"warranty", strconv.Itoa(o.WarrantyDays))
			}
			if o.Deposit != nil {
				v.Set(p+"deposit", o.Deposit.Plain())
			}
			for l, x := range o.Price.Lines {
				lp := linePrefix(p, l)
				v.Set(lp+"kind", lineChoice(x))
				v.Set(lp+"text", x.Text)
				v.Set(lp+"quantity", x.Quantity.String())
				v.Set(lp+"price", x.UnitPrice.String())
				v.Set(lp+"tax", x.Tax)
			}
		}
		v.Set("note", q.Note.Text)
		return
	}
	v.Set("o0.kind", string(workflow.OptionRepair))
	v.Set("o0.title", "Repair")
	v.Set("o0.l0.kind", string(money.Labour))
	v.Set("o0.l0.tax", tax)
	v.Set("o0.l1.kind", string(money.Part))
	v.Set("o0.l1.tax", tax)
	next := 2
	if l := r.job.Level; l != nil && l.Fee != nil {
		next = 3
		v.Set("o0.l2.kind", string(l.Fee.Kind))
		v.Set("o0.l2.text", l.Fee.Text)
		v.Set("o0.l2.quantity", l.Fee.Quantity.String())
		v.Set("o0.l2.price", l.Fee.UnitPrice.String())
		v.Set("o0.l2.tax", l.Fee.Tax)
	}
	r.feeLines("o0.", next, tax)
}

func (r *request) quotePage() (*quotePage, error) {
	d, err := r.x.draft(r.c.UserContext(), r.job, draftQuote)
	if err != nil {
		return nil, err
	}
	more := ""
	if r.refused {
		more = strings.TrimPrefix(r.value("do"), "more:")
	} else {
		r.fillQuote(d)
	}
	v := &quotePage{
		Revision: len(r.job.Quotes) + 1, Kinds: optionChoices, Lines: lineChoices, Currency: string(r.shop().Currency),
		Inside: r.shop().Prices == money.WithTax, Drafted: r.drafted(d), Sendable: in(r.job.Stage, quoteStages), Days: r.shop().QuoteDays,
	}
	v.Taxes = []choice{{Value: "", Words: "no tax"}}
	var names []string
	for name := range r.shop().Taxes {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		v.Taxes = append(v.Taxes, choice{Value: name, Words: templates.TaxWords(name, r.shop().Taxes[name].Percent, locale.For("en"))})
	}
	v.Options = r.x.optionRows(r.form, more)
	// A kind that nobody chose yet: rows that are there to be filled in begin as the likeliest.
	for _, o := range v.Options {
		if r.form.Value(o.Prefix+"kind") == "" {
			r.form.Values.Set(o.Prefix+"kind", string(workflow.OptionRepair))
		}
		for _, l := range o.Lines {
			if r.form.Value(l.Prefix+"kind") == "" {
				r.form.Values.Set(l.Prefix+"kind", string(money.Part))
				if !r.form.Values.Has(l.Prefix+"tax") && len(names) == 1 {
					r.form.Values.Set(l.Prefix+"tax", names[0])
				}
			}
		}
	}
	v.jobBase = r.title("Quote")
	quotes := jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Quotes
	if len(quotes) > 0 && quotes[0].Open {
		v.Open = &quotes[0]
		v.TakeBack = r.formTo("quote/back")
	}
	return v, nil
}

var quoteTask = &task{
	view: func(r *request) (templates.View, error) { return r.quotePage() },
	read: func(r *request) ([]workflow.Command, error) {
		do := r.value("do")
		if do == "total" || strings.HasPrefix(do, "more:") {
			// Work out the total, or show more rows: the form as it stands, with nothing kept.
			r.refused = true
			return nil, errShowAgain
		}
		q, from := r.x.readQuote(r.form)
		if len(r.job.Quotes) > 0 && strings.TrimSpace(q.Reason) == "" && do == "look" {
			r.form.Add("reason", "Say why the quote changes; the customer will read it.")
		}
		if q.Days > 365 {
			r.form.Add("days", "A quote can stand for 1 to 365 days.")
		}
		if !r.form.Bad() {
			for i, o := range q.Options {
				if _, err := r.x.price(o); err != nil {
					r.form.Add(optionPrefix(from[i])+"title", "Option "+string(rune('A'+from[i]))+": "+priceWords(err))
				}
			}
		}
		// An unfinished quote may be kept, but not looked at.
		if do == "look" && r.form.Bad() {
			return nil, nil
		}
		r.form.Errors = nil
		if err := r.x.keepDraft(r, draftQuote); err != nil {
			return nil, err
		}
		r.said, r.then = "The draft is kept.", "quote"
		if do == "look" {
			r.said, r.then = "", "report/preview"
		}
		return nil, nil
	},
}

var takeBackTask = &task{
	fields: map[string]string{"reason": "back_reason"},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.WithdrawQuote{Revision: r.number("revision", "The revision"), Reason: r.value("back_reason")}}, nil
	},
	said: "The quote is taken back; the customer is told.",
}
