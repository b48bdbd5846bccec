package templates

import (
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/templates/paper"
	"benchword/workflow"
	"benchword/workflow/money"
)

// QuoteForm is a paper that a quote can be had as.
type QuoteForm string

const (
	FormQuote QuoteForm = "quote" // as on the page
	// FormEstimate has the fields that 16 CCR 2721 to 2723 name for a claim check and a written estimate.
	FormEstimate QuoteForm = "written-estimate"
	// FormRepair has the fields of the European Repair Information Form, Directive (EU) 2024/1799, annex I.
	FormRepair QuoteForm = "repair-form"
)

// QuoteForms lists the forms that a shop gives, the plain quote first.
func QuoteForms(shop *workflow.Shop) []QuoteForm {
	out := []QuoteForm{FormQuote}
	if shop.Estimate != nil {
		out = append(out, FormEstimate)
	}
	if shop.RepairForm != nil {
		out = append(out, FormRepair)
	}
	return out
}

// PaperLinks leads to the papers of a quote. Base is the address that they stand below.
func PaperLinks(shop *workflow.Shop, base string, w *locale.Words) []Link {
	var out []Link
	for _, f := range QuoteForms(shop) {
		out = append(out, Link{w.T("form."+string(f)) + " (PDF)", base + string(f) + ".pdf"})
	}
	return out
}

// QuotePaper writes a revision of the quote as PDF, in one of the forms. The forms after a law name their
// fields; their wording is not checked against the official text, and each says so.
func QuotePaper(j *workflow.Job, q *workflow.Quote, shop *workflow.Shop, form QuoteForm, w *locale.Words) ([]byte, error) {
	title := w.T("form." + string(form))
	p, err := paper.New(paper.About{
		Size: paper.Size(shop.PaperSize()), Lang: w.Lang, Title: title + " · " + j.Device.Name(), Author: shop.Name, Date: q.IssuedAt,
		Head: shop.Name + " · " + j.Number.Shown(), Missing: w.T("paper.missing"),
		Foot: func(n, of int) string { return w.T("paper.page", n, of) },
	})
	if err != nil {
		return nil, err
	}
	d := &quotePaper{p, j, q, shop, w, zoneOf(shop), QuoteOf(j, q, shop, q.IssuedAt, w)}
	d.Heading(1, title)
	d.Spans(paper.Span{Text: j.Device.Name(), Style: paper.Strong}, paper.Span{Text: " · " + w.T("track.number") + " "}, paper.Span{Text: j.Number.Shown(), Style: paper.Code})
	d.Text(w.T("quote.revision", q.Revision)+" "+w.T("form.issued", d.v.Issued), paper.Muted)
	if form != FormQuote {
		d.Box(func(in *paper.Paper) {
			in.Text(w.T("form.unchecked."+string(form)), paper.Strong)
			in.Text(w.T("form.no_advice"))
		})
	}
	switch form {
	case FormEstimate:
		d.estimate()
	case FormRepair:
		d.repair()
	default:
		d.plain()
	}
	d.Rule()
	d.Text(w.T("quote.digest"), paper.Muted)
	d.Text(q.Digest, paper.Code)
	return p.Bytes()
}

type quotePaper struct {
	*paper.Paper
	j    *workflow.Job
	q    *workflow.Quote
	shop *workflow.Shop
	w    *locale.Words
	loc  *time.Location
	v    QuoteView
}

// fields writes names and values; a value that is missing is a blank to be filled in by hand.
func (d *quotePaper) fields(pairs ...string) {
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			d.Blank(d.w.T("form.field." + pairs[i]))
		}
		known(d.Paper, d.w, pairs[i:i+2]...)
	}
}

// known writes the names and values among pairs that have a value.
func known(p *paper.Paper, w *locale.Words, pairs ...string) {
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			name := w.Named(w.T("form.field."+pairs[i]), "")
			p.Spans(paper.Span{Text: name + " ", Style: paper.Strong}, paper.Span{Text: strings.ReplaceAll(pairs[i+1], "\n", ", ")})
		}
	}
}

// fromShop are the shop's fields on a paper.
func fromShop(p *paper.Paper, w *locale.Words, shop *workflow.Shop) {
	known(p, w, "phone", shop.Phone, "email", shop.Email, "online", shop.BaseURL, "tax_number", shop.TaxNumber)
}

func (d *quotePaper) plain() {
	d.repairer()
	d.Heading(2, d.w.T("form.customer"))
	known(d.Paper, d.w, "customer", d.j.Customer.OnPaper(), "customer_address", d.j.Customer.Address.Text, "tax_number", d.j.Customer.TaxNumber.Text)
	d.Rule()
	if d.v.Reason != "" {
		d.Heading(2, d.w.T("quote.reason"))
		d.Text(d.v.Reason)
	}
	if c := d.v.Changes; c != nil {
		d.Heading(3, c.Title)
		d.Text(c.Since)
		d.Bullets(append(append([]string{}, c.Lines...), c.Total)...)
	}
	d.Text(d.v.Note)
	d.options()
	d.Text(d.v.Limit)
	d.Text(d.v.No)
	if told := d.j.ToldBy(d.shop, d.q.IssuedAt); !told.IsZero() {
		d.Text(d.w.T("form.promised", d.date(told)))
	}
	d.Text(d.w.T("mail.quote.stands", d.v.Expires))
	d.Heading(3, d.w.T("review.words"))
	d.Text(d.v.Consent, paper.Italic)
}

func (d *quotePaper) options() {
	for _, o := range d.v.Options {
		d.Heading(2, o.Named)
		d.Text(o.Text)
		d.lines(o)
		for _, s := range []string{o.Days, o.Deposit, o.Within, o.Warranty} {
			d.Text(s)
		}
		if o.Excluded != "" {
			d.Text(d.w.Named(o.ExcludedName, o.Excluded), paper.Muted)
		}
	}
	d.Text(d.v.TaxNote, paper.Muted)
}

func (d *quotePaper) lines(o OptionView) {
	var rows []paper.Row
	for _, l := range o.Lines {
		rows = append(rows, paper.Row{Cells: []string{l.What(), l.Amount}})
	}
	if o.Net != "" {
		rows = append(rows, paper.Row{Cells: []string{o.NetName, o.Net}})
	}
	for _, t := range o.Taxes {
		rows = append(rows, paper.Row{Cells: []string{t.Name, t.Amount}})
	}
	rows = append(rows, paper.Row{Cells: []string{o.TotalName, o.Total}, Total: true})
	d.Table([]paper.Column{{Title: o.HeadLine, Share: 4}, {Title: o.HeadAmount, Right: true}}, rows)
}

func (d *quotePaper) date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return d.w.Date(t, d.loc)
}

func (d *quotePaper) repairer() {
	d.Heading(2, d.w.T("form.repairer"))
	d.fields("name", d.shop.Name, "address", strings.Join(ShopOf(d.shop).Address, ", "))
	fromShop(d.Paper, d.w, d.shop)
}

// estimate has, in this order, what 16 CCR 2721 names for the claim check, 2722 for the estimate, and 2722.5
// for the fee of a diagnosis. Sales tax is no part of the estimate there, so it stands apart.
func (d *quotePaper) estimate() {
	j, w := d.j, d.w
	d.repairer()
	d.fields("registration", d.shop.Estimate.Registration)
	d.Heading(2, w.T("form.customer"))
	d.fields("customer", j.Customer.OnPaper(), "customer_address", j.Customer.Address.Text)
	known(d.Paper, d.w, "tax_number", j.Customer.TaxNumber.Text)
	d.Heading(2, w.T("form.good"))
	d.fields("received", d.date(j.ReceivedAt), "good", j.Device.Name(), "serial", j.Device.Serial.Text, "problem", j.Fault.Text, "receiver", "")
	if j.Fee != nil && j.Fee.Minor > 0 {
		d.fields("diagnosis", w.Money(*j.Fee))
	}
	d.Heading(2, w.T("form.estimate"))
	d.options()
	d.Text(w.T("form.estimate.limit"), paper.Strong)
	if n := d.shop.Estimate.Notice; n != "" {
		d.Box(func(in *paper.Paper) { in.Text(n, paper.Strong) })
	} else {
		d.Box(func(in *paper.Paper) { in.Text(w.T("form.notice.missing"), paper.Strong) })
	}
	for _, r := range j.ExportedDecisions() {
		if r.CalledAt.IsZero() || r.Revision > d.q.Revision {
			continue
		}
		d.Heading(3, w.T("form.oral"))
		added, total := "", ""
		if r.Added != nil {
			added = w.Money(*r.Added)
		}
		if r.Total != nil {
			total = w.Money(*r.Total)
		}
		d.fields("oral_at", w.DateTime(r.CalledAt, d.loc), "oral_by", r.Name, "oral_number", r.Called, "oral_taken", r.By.ID, "oral_conditions", r.Words, "oral_added", added, "oral_total", total)
	}
	d.Blank(w.T("form.field.signature"))
}

// repair has the fields of the European Repair Information Form.
func (d *quotePaper) repair() {
	j, w := d.j, d.w
	d.repairer()
	d.Heading(2, w.T("form.good"))
	d.fields("good", strings.TrimSpace(j.Device.Name()+" "+j.Device.Serial.Text), "defect", d.defect())
	for i := range d.v.Options {
		o, x := d.v.Options[i], &d.q.Options[i]
		if !o.Repairs {
			continue
		}
		d.Heading(2, o.Named)
		d.fields("type", o.KindName+". "+o.Text, "price", o.Total, "time", o.Days)
		var more []string
		for n, l := range x.Price.Lines {
			if l.Kind == money.Carriage {
				more = append(more, l.Text+", "+o.Lines[n].Amount)
			}
		}
		if len(more) == 0 {
			more = []string{w.T("form.none")}
		}
		d.fields("ancillary", strings.Join(more, "; "))
		d.lines(o)
	}
	replacement := d.shop.RepairForm.Replacement
	if replacement == "" {
		replacement = w.T("form.no")
	}
	place := d.shop.RepairForm.Place
	if place == "" {
		place = d.shop.Address
	}
	d.Heading(2, w.T("form.conditions"))
	d.fields("replacement", replacement, "place", place, "validity", w.Date(d.q.ExpiresAt, d.loc), "more", strings.TrimSpace(d.v.Note+" "+w.T("form.binding")))
}

// defect is what is wrong: as the last report before the quote has it, else in the customer's words.
func (d *quotePaper) defect() string {
	for i := len(d.j.Reports) - 1; i >= 0; i-- {
		if r := &d.j.Reports[i]; !r.SentAt.After(d.q.IssuedAt) {
			return r.Short
		}
	}
	return d.j.Fault.Text
}
