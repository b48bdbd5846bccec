package templates

import (
	"strings"
	"time"

	"benchword/templates/paper"
	"benchword/workflow"
)

// PhotoBytes returns the JPEG of a photo as it is shown, with its marks drawn in; nil if it is gone.
type PhotoBytes func(id int) ([]byte, error)

// ReportPaper writes a findings report as PDF: the same sentences as on the page, in the same order, each
// photo with its number and what its marks point at. The same report gives the same bytes.
func ReportPaper(v ReportView, shop *workflow.Shop, at time.Time, photos PhotoBytes) ([]byte, error) {
	w := v.W
	p, err := paper.New(paper.About{
		Size: paper.Size(shop.PaperSize()), Lang: w.Lang, Title: w.T("report.title", v.Number) + " · " + v.Device, Author: shop.Name, Date: at,
		Head: shop.Name + " · " + v.Job, Missing: w.T("paper.missing"),
		Foot: func(n, of int) string { return w.T("paper.page", n, of) },
	})
	if err != nil {
		return nil, err
	}
	d := &reportPaper{Paper: p, v: v, photos: photos}
	d.fill(shop)
	if d.err != nil {
		return nil, d.err
	}
	return p.Bytes()
}

type reportPaper struct {
	*paper.Paper
	v      ReportView
	photos PhotoBytes
	err    error
}

func (d *reportPaper) fill(shop *workflow.Shop) {
	d.top(shop)
	d.arrived()
	d.found()
	d.checked()
	d.proof()
	d.proposal()
	d.bottom()
}

func (d *reportPaper) top(shop *workflow.Shop) {
	v, w := d.v, d.v.W
	d.Heading(1, w.T("report.title", v.Number))
	of := []paper.Span{{Text: v.Device, Style: paper.Strong}}
	if v.Serial != "" {
		of = append(of, paper.Span{Text: " · " + w.T("report.serial", v.Serial)})
	}
	d.Spans(of...)
	d.Spans(paper.Span{Text: w.T("track.number") + " "}, paper.Span{Text: v.Job, Style: paper.Code})
	d.Text(w.T("report.sent", shop.Name, v.Sent), paper.Muted)
	known(d.Paper, w, "address", strings.Join(ShopOf(shop).Address, ", "))
	fromShop(d.Paper, w, shop)
	known(d.Paper, w, "customer", v.Customer, "customer_address", v.CustomerAddress, "tax_number", v.CustomerTax)
	if v.Newer > 0 {
		d.Text(w.T("report.newer", v.Newer), paper.Strong)
	}
	d.Box(func(in *paper.Paper) {
		in.Heading(2, w.T("report.short"))
		in.Text(v.Short)
	})
	if c := v.Changes; c != nil {
		d.Heading(2, c.Title)
		d.Text(c.None)
		d.Bullets(c.Items...)
	}
}

func (d *reportPaper) arrived() {
	v, w := d.v, d.v.W
	d.Heading(2, w.T("report.arrived"))
	var items []string
	for _, c := range v.Contents {
		text := c.Text
		if c.Condition != "" {
			text = w.Named(text, c.Condition)
		}
		items = append(items, text)
	}
	d.Bullets(items...)
	d.Text(v.Condition)
	if v.Fault != "" {
		d.Heading(3, w.T("report.fault"))
		d.Text(v.Fault, paper.Italic)
	}
	d.Text(v.Does)
	d.Text(strings.TrimSpace(v.Tried + " " + v.TriedNote))
	d.show(v.Arrival)
}

func (d *reportPaper) found() {
	v, w := d.v, d.v.W
	d.Heading(2, w.T("report.seen"))
	d.findings(v.Seen)
	if len(v.Seen) == 0 {
		d.Text(w.T("report.seen.none"))
	}
	d.Heading(2, w.T("report.prior"))
	if len(v.Prior) > 0 {
		d.Text(w.T("report.prior.intro"))
		d.findings(v.Prior)
	} else {
		d.Text(w.T("report.prior.none"))
	}
}

func (d *reportPaper) checked() {
	v, w := d.v, d.v.W
	d.Heading(2, w.T("report.checked"))
	for _, s := range v.Suspects {
		d.Spans(paper.Span{Text: s.Text + ": "}, paper.Span{Text: s.VerdictWords, Style: paper.Strong})
		for _, c := range s.Checks {
			spans := []paper.Span{{Text: c.Text + " "}}
			if c.Reading != "" && c.Measured == nil {
				spans = append(spans, paper.Span{Text: c.Reading + " ", Style: paper.Strong})
			}
			spans = append(spans, paper.Span{Text: c.Outcome})
			if c.See != "" {
				spans = append(spans, paper.Span{Text: " " + c.See, Style: paper.Muted})
			}
			d.List(spans)
			d.measured(c.Measured)
			d.show(c.Photos)
		}
	}
	d.Text(v.Spared, paper.Muted)
	if len(v.Suspects) == 0 && v.Spared == "" {
		d.Text(w.T("report.checked.none"))
	}
}

// proof is what had been fitted and tested.
func (d *reportPaper) proof() {
	v, w := d.v.Proof, d.v.W
	if v == nil {
		return
	}
	if len(v.Parts) > 0 {
		d.Heading(2, w.T("proof.parts"))
		for _, p := range v.Parts {
			spans := []paper.Span{{Text: p.Name + " ", Style: paper.Strong}}
			for _, s := range []string{p.Facts, p.Old} {
				if s != "" {
					spans = append(spans, paper.Span{Text: s + " "})
				}
			}
			d.List(spans)
		}
	}
	if len(v.Tests) > 0 {
		d.Heading(2, w.T("proof.tests"))
	}
	for _, t := range v.Tests {
		d.Heading(3, w.Named(t.Name, t.Verdict))
		d.Text(t.Reading)
		d.Text(t.Note)
		d.Text(strings.Join(t.Facts, " "), paper.Muted)
		for _, s := range t.Steps {
			spans := []paper.Span{{Text: s.Name + ": "}, {Text: s.Verdict, Style: paper.Strong}}
			if s.Note != "" {
				spans = append(spans, paper.Span{Text: " " + s.Note})
			}
			d.List(spans)
			d.measured(s.Measured)
		}
		d.show(t.Photos)
	}
	if len(v.Pairs) > 0 {
		d.Heading(2, w.T("proof.pairs"))
		var rows []paper.Row
		for _, p := range v.Pairs {
			rows = append(rows, paper.Row{Cells: []string{p.Point, p.Found, p.Left}})
		}
		d.Table([]paper.Column{{Title: w.T("proof.point"), Share: 2}, {Title: w.T("proof.found"), Share: 1.5}, {Title: w.T("proof.left"), Share: 1.5}}, rows)
	}
}

func (d *reportPaper) proposal() {
	v, w := d.v, d.v.W
	if v.Cause != "" {
		d.Heading(2, w.T("report.cause"))
		d.Text(v.Cause)
		d.Text(v.CauseHow, paper.Italic)
	}
	if v.Proposal != "" || len(v.Ways) > 0 || v.Date != "" {
		d.Heading(2, w.T("report.proposal"))
		d.Text(v.Proposal)
		var rows []paper.Row
		for _, x := range v.Ways {
			rows = append(rows, paper.Row{Cells: []string{x.Title, x.Total, x.Days}})
		}
		if len(rows) > 0 {
			d.Table([]paper.Column{{Share: 3}, {Share: 1.3, Right: true}, {Share: 2}}, rows)
		}
		d.Text(v.QuoteStands)
		if v.Date != "" {
			d.Spans(paper.Span{Text: w.T("report.date") + " "}, paper.Span{Text: v.Date, Style: paper.Strong})
		}
	}
}

func (d *reportPaper) bottom() {
	v, w := d.v, d.v.W
	if len(v.Pairs) > 0 {
		d.Heading(2, w.T("report.pairs"))
		d.pairs(v.Pairs)
	}
	if len(v.Left) > 0 {
		d.Heading(2, w.T("report.left"))
		for _, x := range v.Left {
			d.Bullets(x.Line)
		}
	}
	if len(v.Cautions) > 0 {
		d.Box(func(in *paper.Paper) {
			in.Heading(2, w.T("report.cautions"))
			in.Bullets(v.Cautions...)
		})
	}
	d.Heading(2, w.T("report.next"))
	d.Text(v.Next)
	if s := v.Since; s != nil {
		d.Box(func(in *paper.Paper) {
			in.Heading(2, w.T("report.since"))
			for _, l := range s.Lines {
				in.Text(l)
			}
		})
		d.pairs(s.Pairs)
	}
	d.Rule()
	d.Spans(paper.Span{Text: w.T("report.head") + " ", Style: paper.Small | paper.Muted}, paper.Span{Text: v.Head, Style: paper.Small | paper.Code})
	for _, key := range []string{"report.head.more", "report.head.not", "report.head.check"} {
		d.Text(w.T(key), paper.Small, paper.Muted)
	}
}

func (d *reportPaper) pairs(list []PhotoPair) {
	for _, x := range list {
		before, after := d.picture(x.Before), d.picture(x.After)
		if before != nil && after != nil {
			d.Beside(*before, *after)
		}
	}
}

func (d *reportPaper) findings(list []FindingView) {
	for _, f := range list {
		d.Together(func(in *paper.Paper) {
			in.Heading(3, d.v.W.T("paper.finding", f.ID, f.WeightName))
			if f.Term != "" {
				in.Text(f.Called, paper.Muted)
			}
			in.Spans(paper.Span{Text: f.Text, Style: paper.Strong})
			in.Text(f.Where, paper.Muted)
			in.Text(f.Sentence)
		})
		d.measured(f.Measured)
		d.Text(f.Matters)
		var duties []string
		for _, x := range f.Duties {
			duties = append(duties, x.Line)
		}
		d.Bullets(duties...)
		d.Text(f.See, paper.Muted)
		d.show(f.Photos)
	}
}

func (d *reportPaper) measured(m *MeasuredView) {
	if m == nil {
		return
	}
	spans := []paper.Span{{Text: m.Text}}
	if m.Verdict != "" {
		spans = append(spans, paper.Span{Text: " " + strings.TrimSpace(m.Sign()+" "+m.Verdict), Style: paper.Strong})
	}
	if m.With != "" {
		spans = append(spans, paper.Span{Text: " " + m.With, Style: paper.Muted})
	}
	d.Spans(spans...)
}

func (d *reportPaper) show(photos []PhotoView) {
	var out []paper.Picture
	for _, v := range photos {
		if p := d.picture(v); p != nil {
			out = append(out, *p)
		}
	}
	d.Pictures(out...)
}

// picture returns a photo with its words, nil if its bytes are gone; then the words stand by themselves.
func (d *reportPaper) picture(v PhotoView) *paper.Picture {
	b, err := d.photos(v.ID)
	if err != nil && d.err == nil {
		d.err = err
	}
	name := v.Number
	if v.Label != "" {
		name += " " + v.Label
	}
	if b == nil {
		d.Text(d.v.W.T("paper.gone", strings.TrimSpace(name+" "+v.Caption)), paper.Small)
		return nil
	}
	out := &paper.Picture{JPEG: b, Alt: v.Alt, Caption: []paper.Span{{Text: strings.TrimSpace(name + " " + v.Caption)}}}
	for _, n := range v.Notes {
		text := n.Text
		if n.Number != "" {
			text = n.Number + " " + text
		}
		out.Caption = append(out.Caption, paper.Span{Text: text})
	}
	return out
}
