package templates

import (
	"slices"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
)

// Consent returns a sentence that is agreed to on approving, in each of the languages, in the shop's words:
// that of the key "words", or of "recycle".
func Consent(set *locale.Set, languages []string, key string) map[string]string {
	out := map[string]string{}
	for _, l := range languages {
		if w := set.For(l); w.Lang == l {
			out[l] = w.T("consent." + key)
		}
	}
	return out
}

// QuoteView is a revision of the quote as a customer reads it: on the quote page, in the mail, in the
// findings report.
type QuoteView struct {
	W        *locale.Words
	Revision int
	Digest   string
	State    workflow.QuoteState
	// StateWords says where the revision stands, in a sentence.
	StateWords string
	// Answerable: a decision can still be taken.
	Answerable bool
	Note       string
	// Limit says what was agreed to beforehand, "" if nothing was. No says what a no means and costs, Decline is
	// its button.
	Limit, No, Decline string
	// Changes says what a later revision changes, nil for the first.
	Changes *QuoteChanges
	// Reason says why this revision differs from the one before; Before what was approved until then.
	Reason, Before  string
	Issued, Expires string
	// Consent is the sentence agreed to on approving, exactly as the digest covers it.
	Consent string
	// TaxNote says whether the prices of the lines hold the taxes.
	TaxNote string
	Options []OptionView
}

// OptionView is one priced way on.
type OptionView struct {
	Key      string
	Kind     workflow.OptionKind
	KindName string
	Title    string
	// Named is "A: Repair".
	Named    string
	Text     string
	Excluded string
	Lines    []LineView
	// Net and Taxes are empty where no tax is charged: then the total says it all.
	Net   string
	Taxes []TaxView
	Total string
	// Days says how long it takes once approved, Warranty how long the work is warranted; "" if not said.
	Days, Warranty string
	// Deposit is what is to be paid before; Within says that its total was agreed to beforehand. "" if not said.
	Deposit, Within string
	// Repairs: the bench works on the fault.
	Repairs  bool
	Approved bool
	// The words around the figures.
	Caption, HeadLine, HeadAmount, NetName, TotalName, ExcludedName string
}

// recycles is what a key has more for consent to recycling, which takes effect at a named instant.
func (o *OptionView) recycles() string {
	if o != nil && o.Kind == workflow.OptionRecycle {
		return ".recycle"
	}
	return ""
}

// LineView is a line of an option.
type LineView struct {
	KindName, Text string
	// Named is both, with the language's colon between them.
	Named string
	// Grade says what kind of part it is, "" if not said.
	Grade string
	// Free: there is no charge for it; Amount says so.
	Free bool
	// Count is quantity and unit price, "" for one piece.
	Count  string
	Amount string
}

// Plain returns the line as text: "Part: Lamp, new, compatible (2 at CA$4.00 each), CA$8.00".
func (l LineView) Plain() string { return l.What() + ", " + l.Amount }

// What is Plain without the amount.
func (l LineView) What() string {
	s := l.Named
	if l.Grade != "" {
		s += ", " + l.Grade
	}
	if l.Count != "" {
		s += " (" + l.Count + ")"
	}
	return s
}

// TaxView is one tax of an option.
type TaxView struct{ Name, Amount string }

// QuoteOf makes the view of a revision as it stands at an instant.
func QuoteOf(j *workflow.Job, q *workflow.Quote, shop *workflow.Shop, now time.Time, w *locale.Words) QuoteView {
	loc := zoneOf(shop)
	v := QuoteView{
		W: w, Revision: q.Revision, Digest: q.Digest, State: q.State, Answerable: j.Decidable(q, now),
		Note: q.Note.Text, Reason: q.Reason.Text, Issued: w.DateTime(q.IssuedAt, loc), Expires: w.DateTime(q.ExpiresAt, loc), Consent: q.Words,
	}
	if v.State == workflow.RevisionOpen && !now.Before(q.ExpiresAt) {
		v.State = workflow.RevisionExpired
	}
	v.StateWords = w.T("quote.state."+string(v.State), v.Expires)
	if v.State == workflow.RevisionOpen && j.Undone(q.Revision) > 0 {
		v.StateWords = w.T("quote.state.again", v.Expires)
	}
	if v.State == workflow.RevisionOpen && !v.Answerable {
		v.StateWords = w.T("quote.state.soon")
	} else if v.Answerable {
		m := &statusMaker{j, shop, now, w, loc}
		if theirs := m.theirs(q.ExpiresAt); theirs != "" {
			v.StateWords += " " + theirs
		}
	}
	taxed := false
	for i := range q.Options {
		o := optionView(&q.Options[i], w)
		o.Approved = q.State == workflow.RevisionApproved && q.Approved == o.Key
		if j.Limit != nil && o.Repairs && q.Options[i].Result.Total.Minor <= j.Limit.Minor {
			o.Within = w.T("option.within", w.Money(*j.Limit))
		}
		taxed = taxed || len(o.Taxes) > 0
		v.Options = append(v.Options, o)
	}
	if taxed {
		v.TaxNote = w.T("quote.prices." + string(q.Options[0].Price.Prices))
	}
	if q.Revision > 1 {
		if old, o := j.Approved(); o != nil && old.Revision < q.Revision {
			v.Before = w.T("quote.before", o.Title, w.Money(o.Result.Total))
		}
	}
	if j.Limit != nil {
		v.Limit = w.T("quote.limit", w.Money(*j.Limit))
	}
	if v.Decline = w.T("quote.decline"); q.State == workflow.RevisionOpen {
		v.No = noOf(j, q, shop, w)
	}
	if j.NoTo(shop, q).Kept != nil {
		v.Decline = w.T("quote.decline.kept")
	}
	if c := j.Changes(q); c != nil {
		v.Changes = quoteChanges(c, w)
	}
	return v
}

// noOf says what a no to a revision means, and what it costs.
func noOf(j *workflow.Job, q *workflow.Quote, shop *workflow.Shop, w *locale.Words) string {
	switch no := j.NoTo(shop, q); {
	case no.Back != nil:
		return w.T("quote.no.back", no.Back.Title, w.Money(no.Cost))
	case no.Kept != nil:
		return w.T("quote.no.kept", no.Kept.Title, w.Money(no.Kept.Result.Total))
	case no.Cost.Minor > 0:
		return w.T("quote.no.fee", w.Money(no.Cost))
	}
	return w.T("quote.no.free")
}

// QuoteChanges is what a later revision changes against what was approved, or against the one before.
type QuoteChanges struct {
	Title, Since string
	Lines        []string
	// Total sums up: more, less, or as before.
	Total string
}

func quoteChanges(c *workflow.Changes, w *locale.Words) *QuoteChanges {
	since := "quote.changes.since"
	if !c.Approved {
		since = "quote.changes.since.before"
	}
	v := &QuoteChanges{Title: w.T("quote.changes.title"), Since: w.T(since, c.From.Title, w.Money(c.From.Result.Total))}
	for _, l := range c.Lines {
		switch {
		case l.Was == nil:
			v.Lines = append(v.Lines, w.T("quote.changes.added", l.Text, w.Money(*l.Is)))
		case l.Is == nil:
			v.Lines = append(v.Lines, w.T("quote.changes.gone", l.Text, w.Money(*l.Was)))
		default:
			v.Lines = append(v.Lines, w.T("quote.changes.other", l.Text, w.Money(*l.Is), w.Money(*l.Was)))
		}
	}
	total, more := w.Money(c.To.Result.Total), c.More
	switch {
	case more.Minor > 0:
		v.Total = w.T("quote.changes.more", total, w.Money(more))
	case more.Minor < 0:
		more.Minor = -more.Minor
		v.Total = w.T("quote.changes.less", total, w.Money(more))
	default:
		v.Total = w.T("quote.changes.same", total)
	}
	return v
}

func optionView(o *workflow.Option, w *locale.Words) OptionView {
	v := OptionView{
		Key: o.Key, Kind: o.Kind, KindName: w.T("option." + string(o.Kind)), Title: o.Title, Named: OptionNamed(o, w), Text: o.Text, Excluded: o.Excluded,
		Caption: w.T("option.lines", o.Title), HeadLine: w.T("option.line"), HeadAmount: w.T("option.amount"),
		NetName: w.T("option.net"), TotalName: w.T("option.total"), ExcludedName: w.T("option.excluded"),
		Total: w.Money(o.Result.Total), Repairs: o.Kind != workflow.OptionReturn && o.Kind != workflow.OptionRecycle,
	}
	one := money.MustDecimal("1")
	for i, l := range o.Price.Lines {
		lv := LineView{KindName: w.T("line." + string(l.Kind)), Text: l.Text}
		if lv.Named = lv.KindName; l.Text != "" {
			lv.Named = w.Named(lv.KindName, l.Text)
		}
		if i < len(o.Result.Lines) {
			lv.Amount = w.Money(o.Result.Lines[i])
			if lv.Free = o.Result.Lines[i].Minor == 0; lv.Free {
				lv.Amount = w.T("line.free")
			}
		}
		if l.Grade != "" {
			lv.Grade = w.T("grade." + string(l.Grade))
		}
		if l.Quantity.Cmp(one) != 0 {
			unit := w.Decimal(l.UnitPrice)
			if a, err := money.Exact(l.UnitPrice, o.Result.Currency); err == nil {
				unit = w.Money(a)
			}
			lv.Count = w.T("line.count."+unitOf(l.Kind), w.Decimal(l.Quantity), unit)
		}
		v.Lines = append(v.Lines, lv)
	}
	for _, t := range o.Result.Tax {
		v.Taxes = append(v.Taxes, TaxView{TaxWords(t.Name, t.Percent, w), w.Money(t.Amount)})
	}
	if len(v.Taxes) > 0 {
		v.Net = w.Money(o.Result.Net)
	}
	if o.WorkingDays > 0 {
		v.Days = w.T("option.days", o.WorkingDays)
	}
	if o.WarrantyDays > 0 {
		v.Warranty = w.T("option.warranty", o.WarrantyDays)
	}
	if o.Deposit != nil {
		v.Deposit = w.T("option.deposit", w.Money(*o.Deposit))
	}
	return v
}

// OptionNamed names an option by its letter and title, as it is called wherever an answer is about it.
func OptionNamed(o *workflow.Option, w *locale.Words) string {
	return w.T("mail.decision.option.named", o.Key, o.Title)
}

func unitOf(k money.LineKind) string {
	if k == money.Labour {
		return "hours"
	}
	return "pieces"
}

// TaxWords names a tax with its rate: "HST 15 %".
func TaxWords(name string, percent money.Decimal, w *locale.Words) string {
	return w.T("tax.name", taxName(name), w.Decimal(percent))
}

// taxName shows a tax's short name as people write it: HST, VAT, TVA.
func taxName(s string) string {
	if len(s) <= 4 {
		return upper(s)
	}
	return s
}

func upper(s string) string {
	b := []byte(s)
	for i, c := range b {
		if c >= 'a' && c <= 'z' {
			b[i] = c - 'a' + 'A'
		}
	}
	return string(b)
}

// QuotePage is the page on which a customer decides.
type QuotePage struct {
	Page
	Number, Device string
	Quote          QuoteView
	// Act is the address of the page, "/d/…"; Track that of the tracking page.
	Act, Track string
	// Report is the address of the findings report that the quote goes with, "" if there is none.
	Report string
	// What the customer typed, kept when something was missing.
	Option, Name string
	DeclineName  string
	Declining    bool // a no was on its way, and comes back
	Remark       string
	Question     string
	// Errors lead to the fields they are about.
	Errors []FieldError
	// Answered says what was decided already, "" if nothing; then no form is shown. Receipt leads to its
	// receipt, with the way to take it back while there is one.
	Answered, Receipt string
	// Round counts the answers that were taken back before.
	Round int
	// Papers leads to the quote as files.
	Papers []Link
	// Asked says that a question is on its way to the bench.
	Asked string
}

// Template implements [View].
func (*QuotePage) Template() string { return "customer/quote.html" }

// FieldError is a sentence about a field.
type FieldError struct{ Field, Message string }

// ErrorFor returns the sentence about a field, "" if there is none.
func ErrorFor(errors []FieldError, field string) string {
	for _, e := range errors {
		if e.Field == field {
			return e.Message
		}
	}
	return ""
}

// ErrorFor returns the sentence about a field of the form.
func (q *QuotePage) ErrorFor(field string) string { return ErrorFor(q.Errors, field) }

// Chosen reports whether an option was chosen before.
func (q *QuotePage) Chosen(key string) bool { return q.Option == key }

// QuoteReview is the summary that stands between choosing and deciding.
type QuoteReview struct {
	Page
	Number, Device string
	Act            string
	Verdict        workflow.Verdict
	Revision       int
	Digest         string
	// Round counts the answers that were taken back before.
	Round int
	// Option is the option chosen, nil for a no.
	Option *OptionView
	Name   string
	Remark string
	// Consent is the sentence that is agreed to.
	Consent string
	// Next says what happens once it is sent. Heading says what is about to be said, Send is the button.
	Next          []string
	Heading, Send string
	// Sum is what the button names, "115.00 CAD": what a yes allows, or a no costs.
	Sum string
}

// Template implements [View].
func (*QuoteReview) Template() string { return "customer/review.html" }

// QuoteDone is the receipt.
type QuoteDone struct {
	Page
	Number, Device string
	// Said is what was decided, in a sentence; When the instant.
	Said, When string
	Option     *OptionView
	// Consent is the sentence that was agreed to.
	Consent string
	// Next says what happens next.
	Next  []string
	Track string
	// Undo says until when the answer can be taken back, "" if it can't (any more); Act is the address of
	// that form, Round which answer it is about.
	Undo, Act string
	Round     int
	Errors    []FieldError
	// PayURL and Pay lead to the shop's payment service, "" where nothing is to be paid now.
	PayURL, Pay string
	// Digest is printed, so that the receipt names the revision exactly.
	Digest string
	// Mailed marks that the same went out by email.
	Mailed bool
}

// ErrorFor returns the sentence about a field of the form.
func (v *QuoteDone) ErrorFor(field string) string { return ErrorFor(v.Errors, field) }

// Template implements [View].
func (*QuoteDone) Template() string { return "customer/done.html" }

// ReviewOf makes the summary of a choice. Option is "" for a no.
func ReviewOf(page Page, j *workflow.Job, q *workflow.Quote, shop *workflow.Shop, now time.Time, verdict workflow.Verdict, option string, w *locale.Words) *QuoteReview {
	v := &QuoteReview{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Verdict: verdict, Revision: q.Revision, Digest: q.Digest}
	v.Heading, v.Send = w.T("review.no"), w.T("review.send.no")
	o, no := q.Option(option), j.NoTo(shop, q)
	switch {
	case verdict == workflow.VerdictApprove && o != nil:
		v.Heading, v.Send = w.T("review.yes", OptionNamed(o, w)), w.T("review.send.yes", w.Money(o.Result.Total))
	case no.Kept != nil:
		v.Heading, v.Send = w.T("review.kept"), w.T("quote.decline.kept")
	case no.Back != nil:
		o, option, v.Send = no.Back, no.Back.Key, w.T("review.send.no.cost", w.Money(no.Cost))
	case no.Cost.Minor > 0:
		v.Send = w.T("review.send.no.cost", w.Money(no.Cost))
	}
	if o != nil {
		ov := optionView(o, w)
		v.Option, v.Consent = &ov, q.WordsFor(o)
	}
	v.Next = NextAfter(j.Consequences(shop, q, verdict, option), shop, w)
	if d := j.Standing(shop, now).Date; v.Option != nil && v.Option.Repairs && d.Kind == workflow.DatePaused && !d.At.IsZero() {
		loc := zoneOf(shop)
		v.Next = append([]string{w.T("review.date", w.Day(d.At, loc), w.Day(d.If, loc))}, v.Next...)
	}
	switch o := q.Option(option); {
	case shop.UndoFor <= 0:
	case verdict == workflow.VerdictApprove && o != nil && o.Kind == workflow.OptionRecycle:
		v.Next = append(v.Next, w.T("review.undo.recycle", w.Duration(shop.UndoFor)))
	default:
		v.Next = append(v.Next, w.T("review.undo", w.DateTime(q.ExpiresAt, zoneOf(shop))))
	}
	v.Round = j.Undone(q.Revision)
	v.Sum = no.Cost.String()
	if o != nil {
		v.Sum = o.Result.Total.String()
	}
	return v
}

// Text returns the summary as plain text: what the customer had before them when they pressed the button. It
// is kept with the decision.
func (v *QuoteReview) Text() string {
	w, lines := v.Words(), []string{v.Number + " " + v.Device}
	if o := v.Option; o != nil {
		lines = append(lines, v.Heading, o.Title, o.Text)
		for _, l := range o.Lines {
			lines = append(lines, "- "+l.Plain())
		}
		if o.Net != "" {
			lines = append(lines, w.Named(o.NetName, o.Net))
		}
		for _, t := range o.Taxes {
			lines = append(lines, w.Named(t.Name, t.Amount))
		}
		lines = append(lines, w.Named(o.TotalName, o.Total), o.Days, o.Deposit, o.Warranty)
		if o.Excluded != "" {
			lines = append(lines, w.Named(o.ExcludedName, o.Excluded))
		}
	} else {
		lines = append(lines, v.Heading)
	}
	lines = append(lines, w.Named(v.T("quote.name"), v.Name))
	if v.Remark != "" {
		lines = append(lines, w.Named(v.T("quote.remark"), v.Remark))
	}
	if v.Consent != "" {
		lines = append(lines, w.Named(v.T("review.words"), v.Consent))
	}
	lines = append(lines, v.T("next.title"))
	for _, n := range v.Next {
		lines = append(lines, "- "+n)
	}
	lines = slices.DeleteFunc(lines, func(s string) bool { return s == "" })
	return strings.Join(append(lines, v.T("quote.digest")+" "+v.Digest), "\n")
}

// DoneOf makes the receipt of a decision on a revision.
func DoneOf(page Page, j *workflow.Job, q *workflow.Quote, d *workflow.Decision, shop *workflow.Shop, now time.Time, w *locale.Words) *QuoteDone {
	loc := zoneOf(shop)
	v := &QuoteDone{
		Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), When: w.DateTime(d.At, loc), Digest: d.Digest, Mailed: j.Customer.Email.Text != "",
		Said: w.T("done.said." + string(d.Verdict) + keptKey(d)), Next: NextAfter(j.Consequences(shop, q, d.Verdict, d.Option), shop, w),
	}
	if o := q.Option(d.Option); d.Verdict == workflow.VerdictApprove && o != nil {
		ov := optionView(o, w)
		v.Option, v.Consent = &ov, q.WordsFor(o)
		v.Said = w.T("done.said.approve", ov.Named, w.Money(o.Result.Total))
	}
	if q := j.Quote(); q.Revision == d.Revision {
		v.Round = j.Undone(q.Revision)
		if until := j.UndoUntil(shop); now.Before(until) {
			v.Undo = w.T("undo.until"+v.Option.recycles(), w.DateTime(until, loc))
		}
		v.PayURL, v.Pay = payLink(j, shop, w)
	}
	return v
}

// keptKey is what a key has more for a no that left an approval in force.
func keptKey(d *workflow.Decision) string {
	if d.Kept > 0 {
		return ".kept"
	}
	return ""
}

// NextAfter says what follows an answer.
func NextAfter(list []workflow.Consequence, shop *workflow.Shop, w *locale.Words) (out []string) {
	say := func(key string, args ...any) { out = append(out, w.T(key, args...)) }
	for _, x := range list {
		switch x.Kind {
		case workflow.ThenReply:
			say("next.ask")
			say("next.ask.stands")
		case workflow.ThenKept:
			say("next.kept", x.Title)
		case workflow.ThenReturn:
			say("next.return")
			say("next.return.parts")
		case workflow.ThenCost:
			if x.Amount.Minor > 0 {
				say("next.charge", w.Money(x.Amount))
			} else {
				say("next.free")
			}
		case workflow.ThenRecycle:
			say("next.recycle")
		case workflow.ThenUndo:
			say("next.waits", w.DateTime(x.Until, zoneOf(shop)))
		case workflow.ThenDeposit:
			say("next.deposit", w.Money(x.Amount))
		case workflow.ThenRepair:
			say("next.repair")
			if x.Days > 0 {
				say("next.repair.days", x.Days)
			}
		case workflow.ThenMost:
			say("next.repair.more", w.Money(x.Amount))
		case workflow.ThenSettle:
			say("next.repair.pay")
		}
	}
	return out
}

// QuoteEnded is what stands behind a decide link that can't decide any more.
type QuoteEnded struct {
	Page
	Heading string
	// Message tells the truth about the revision: replaced, run out, taken back, answered.
	Message string
	Next    string
}

// Template implements [View].
func (*QuoteEnded) Template() string { return "customer/ended.html" }

// QuoteEndedOf says what became of the revision that a link was for.
func QuoteEndedOf(page Page, j *workflow.Job, revision int, w *locale.Words) *QuoteEnded {
	key := "ended." + string(j.Became(revision))
	return &QuoteEnded{Page: page, Heading: w.T(key), Message: w.T(key + ".more"), Next: w.T("ended.next")}
}
