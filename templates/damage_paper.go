package templates

import (
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/templates/paper"
	"benchword/workflow"
	"benchword/workflow/calendar"
)

// DamagePaper writes damage in transit as PDF, for a carrier or an insurer: what was found on arrival, the photos of that,
// what it costs, and who was told. It claims nothing about who is liable, and says that the carrier's own rules hold.
func DamagePaper(j *workflow.Job, shop *workflow.Shop, w *locale.Words, now time.Time, photos PhotoBytes) ([]byte, error) {
	loc := zoneOf(shop)
	title := w.T("damage.title")
	p, err := paper.New(paper.About{
		Size: paper.Size(shop.PaperSize()), Lang: w.Lang, Title: title + " · " + j.Device.Name(), Author: shop.Name, Date: j.ChangedAt,
		Head: shop.Name + " · " + j.Number.Shown(), Missing: w.T("paper.missing"),
		Foot: func(n, of int) string { return w.T("paper.page", n, of) },
	})
	if err != nil {
		return nil, err
	}
	d := &reportPaper{Paper: p, v: ReportView{W: w}, photos: photos}
	nowhere := func(*workflow.Photo, string) string { return "" }
	d.Heading(1, title)
	d.Spans(paper.Span{Text: j.Device.Name(), Style: paper.Strong}, paper.Span{Text: " · " + w.T("track.number") + " "}, paper.Span{Text: j.Number.Shown(), Style: paper.Code})
	d.Text(w.T("damage.made", shop.Name, w.Date(now, loc)), paper.Muted)
	d.Box(func(in *paper.Paper) { in.Text(w.T("damage.rules")) })
	known(d.Paper, w, "address", strings.Join(ShopOf(shop).Address, ", "))
	fromShop(d.Paper, w, shop)
	known(d.Paper, w, "customer", j.Customer.Name.Text, "customer_address", j.Customer.Address.Text)
	if !j.Device.Serial.Empty() {
		d.Text(w.T("report.serial", j.Device.Serial))
	}

	c := j.Damage
	if c == nil {
		c = &workflow.Damage{}
	}
	d.Heading(2, w.T("damage.parcel"))
	fact := func(key, value string) {
		if value != "" {
			d.Spans(paper.Span{Text: w.Named(w.T("damage."+key), "") + " ", Style: paper.Strong}, paper.Span{Text: value})
		}
	}
	fact("carrier", c.Carrier)
	fact("number", j.Inbound.Text)
	fact("arrived", w.DateTime(j.ReceivedAt, loc))
	if c.Value != nil {
		fact("value", w.Money(*c.Value))
	}
	if day, err := calendar.ParseDate(c.TellBy); err == nil {
		fact("by", w.Date(noon(day, loc), loc))
	}

	d.Heading(2, w.T("report.arrived"))
	var items []string
	for _, it := range ContentsOf(j, w) {
		if it.Condition != "" {
			it.Text = w.Named(it.Text, it.Condition)
		}
		items = append(items, it.Text)
	}
	d.Bullets(items...)
	d.Text(j.Condition.Text)
	shown := map[int]bool{}
	var arrival []int
	for _, x := range j.Photos {
		if x.Kind == workflow.PhotoArrival && !x.Removed {
			arrival, shown[x.ID] = append(arrival, x.ID), true
		}
	}
	d.show(PhotosOf(j, arrival, w, loc, nowhere))

	d.Heading(2, w.T("damage.found"))
	found := j.Arrived(shop)
	var views []FindingView
	for _, f := range found {
		v := findingView(j, f, w, func(ids []int) (out []PhotoView, _ string) {
			var fresh []int
			for _, id := range ids {
				if !shown[id] {
					fresh, shown[id] = append(fresh, id), true
				}
			}
			return PhotosOf(j, fresh, w, loc, nowhere), ""
		})
		v.Duties = nil // the bench's own
		views = append(views, v)
	}
	d.findings(views)
	if len(found) == 0 {
		d.Text(w.T("damage.found.none"))
	}
	if !c.Before.Empty() {
		d.Heading(2, w.T("damage.before"))
		d.Text(c.Before.Text)
	}

	d.Heading(2, w.T("damage.cost"))
	if q := j.Quote(); q != nil && q.State != workflow.RevisionWithdrawn {
		var rows []paper.Row
		for i := range q.Options {
			o := optionView(&q.Options[i], w)
			rows = append(rows, paper.Row{Cells: []string{o.Named, o.Total}})
		}
		d.Table([]paper.Column{{Share: 3}, {Share: 1.3, Right: true}}, rows)
	} else {
		d.Text(w.T("damage.cost.none"))
	}

	d.Heading(2, w.T("damage.told"))
	var told []string
	for _, x := range c.Told {
		told = append(told, w.T("damage.told."+string(x.To), w.DateTime(x.When(), loc), x.How))
	}
	if d.Bullets(told...); told == nil {
		d.Text(w.T("damage.told.none"))
	}
	if d.err != nil {
		return nil, d.err
	}
	return p.Bytes()
}

// noon is an instant on a day, whatever the clocks do at its ends.
func noon(day calendar.Date, loc *time.Location) time.Time {
	y, m, n := day.YMD()
	return time.Date(y, m, n, 12, 0, 0, 0, loc)
}

// SlipPaper writes the slip that lies in the box: what goes back, what must be known when it is opened, and what the
// carrier's rules say of a cell.
func SlipPaper(j *workflow.Job, shop *workflow.Shop, w *locale.Words) ([]byte, error) {
	title := w.T("slip.title")
	p, err := paper.New(paper.About{
		Size: paper.Size(shop.PaperSize()), Lang: w.Lang, Title: title + " · " + j.Device.Name(), Author: shop.Name, Date: j.ChangedAt,
		Head: shop.Name + " · " + j.Number.Shown(), Missing: w.T("paper.missing"),
		Foot: func(n, of int) string { return w.T("paper.page", n, of) },
	})
	if err != nil {
		return nil, err
	}
	p.Heading(1, title)
	p.Spans(paper.Span{Text: j.Device.Name(), Style: paper.Strong}, paper.Span{Text: " · " + w.T("track.number") + " "}, paper.Span{Text: j.Number.Shown(), Style: paper.Code})
	if m := j.SafeToReturn(); m != nil {
		p.Box(func(in *paper.Paper) {
			in.Text(w.T("slip.made_safe"), paper.Strong)
			in.Text(m.Label, paper.Strong)
			in.Text(w.T("caution.made_safe", sentence(m.Done), m.Label))
		})
	}
	known(p, w, "address", strings.Join(ShopOf(shop).Address, ", "))
	fromShop(p, w, shop)
	known(p, w, "customer", j.Customer.Name.Text, "customer_address", j.Customer.Address.Text)
	if j.Outcome != "" {
		p.Text(w.T("outcome."+string(j.Outcome)), paper.Strong)
		p.Text(OutcomeWhy(j))
	}
	p.Heading(2, w.T("slip.inside"))
	var items []string
	for _, it := range ContentsOf(j, w) {
		if it.Fate != "" {
			it.Text = w.Named(it.Text, it.Fate)
		}
		items = append(items, it.Text)
	}
	p.Bullets(items...)
	if s := j.Screening; s != nil && s.Lithium.Taken() {
		p.Heading(2, w.T("slip.cell"))
		if x := j.Shipment; x != nil && x.Cell != nil {
			if x.Cell.Charge != nil {
				p.Text(w.T("slip.charge", *x.Cell.Charge))
			}
			if x.Cell.Off {
				p.Text(w.T("slip.off"))
			}
		}
		key := "caution.lithium"
		if s.Lithium == workflow.Unknown {
			key += ".unknown"
		}
		p.Text(w.T(key))
	}
	return p.Bytes()
}
