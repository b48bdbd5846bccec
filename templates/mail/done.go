package mail

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

func (t *teller) ready(*workflow.Entry) part {
	var p part
	switch j := t.Job; {
	case j.OutcomeWhy.Text != "":
		p = t.say("ready."+string(j.Outcome), templates.OutcomeWhy(j))
	case j.Outcome == workflow.OutcomeNoFault:
		p = t.say("ready.no_fault")
	case j.Outcome == workflow.OutcomeUnrepaired:
		p = t.say("ready.unrepaired")
	default:
		p = t.say("ready")
	}
	if r := t.Job.Ready; r != nil {
		p = p.with(t.letter("mail.note", r.Note.Text))
	}
	return p.with(t.work(), t.tests(), t.waived(), t.pairs(workflow.PhotoAfter, workflow.PhotoTest), t.money(), t.madeSafe())
}

// madeSafe are the cautions, where a device goes back made safe and not repaired.
func (t *teller) madeSafe() []Section {
	if t.Job.SafeToReturn() == nil {
		return nil
	}
	return t.cautions(templates.CautionsOf(t.Job, t.Shop, t.w))
}

func (t *teller) shipped(*workflow.Entry) part {
	j, w, s := t.Job, t.w, t.Job.Shipment
	p, rows := t.say("shipped"), Section{Heading: w.T("mail.shipped.parcel"), After: w.T("mail.shipped.open")}
	if s != nil && s.InPerson {
		p, rows = t.say("handed_over"), Section{Heading: w.T("mail.shipped.handed_over")}
	}
	if s != nil {
		var warranty string
		if s.WarrantyDays > 0 && j.Outcome.Repaired() {
			warranty = w.Date(j.EndedAt.AddDate(0, 0, s.WarrantyDays), t.loc)
		}
		rows.Rows = t.rows("mail.shipped.carrier", s.Carrier, "mail.shipped.number", s.Parcel.Text, "mail.shipped.on", w.Date(j.EndedAt, t.loc),
			"mail.shipped.serial", cmp.Or(j.Device.Serial, s.Serial).Text, "mail.shipped.warranty", warranty)
	}
	var contents []Item
	for _, c := range few(t, templates.ContentsOf(j, w)) {
		c.Condition = ""
		contents = append(contents, t.content(c, ""))
	}
	p = p.with([]Section{rows}, t.items("mail.shipped.contents", contents), t.work(), t.waived())
	if photos := t.ofKind(workflow.PhotoPacking); len(photos) > 0 {
		p = p.with([]Section{{Heading: w.T("mail.shipped.photos"), Photos: photos}})
	}
	return p.with(t.pairs(workflow.PhotoAfter, workflow.PhotoTest), t.money(), t.cautions(templates.CautionsOf(j, t.Shop, w)))
}

func (t *teller) withdrawn(*workflow.Entry) part {
	key := "cancelled"
	if t.Job.Outcome == workflow.OutcomeRecycled {
		key = "recycled"
	}
	return t.say(key).with(t.paras("mail.moved.why", t.Job.EndReason.Text), t.paras("mail.next", t.w.T("mail.withdrawn.next")))
}

// uncollected is a notice about goods that wait for their customer, in the shop's own words.
func (t *teller) uncollected(e *workflow.Entry) part {
	j, w := t.Job, t.w
	if e.Ref < 1 || e.Ref > len(j.Uncollected) || j.Ready == nil {
		return t.link(e)
	}
	u := &j.Uncollected[e.Ref-1]
	var by, left string
	if day, err := time.ParseInLocation(time.DateOnly, u.By, t.loc); err == nil {
		by = w.Date(day, t.loc)
	}
	if b := j.Balance(t.Shop); b.Minor > 0 {
		left = w.Money(b)
	}
	return t.say("uncollected", t.day(j.Ready.At)).with([]Section{
		{Heading: w.T("mail.uncollected.text"), Letter: u.Text},
		{Heading: w.T("mail.uncollected.dates"), Rows: t.rows(
			"mail.uncollected.since", w.Date(j.Ready.At, t.loc), "mail.uncollected.by", by, "mail.uncollected.paid", left)},
	}, t.money())
}

// work is what was done, without the photos that stand side by side further down.
func (t *teller) work() []Section {
	paired := map[int]bool{}
	for _, p := range templates.PairsOf(t.Job, t.w, t.loc, noURLs) {
		paired[p.Before.ID], paired[p.After.ID] = true, true
	}
	var items []Item
	for _, x := range few(t, t.Job.Work) {
		alone := slices.DeleteFunc(slices.Clone(x.Photos), func(id int) bool { return paired[id] })
		items = append(items, Item{Text: t.clip(x.Text), Photos: t.numbered(alone)})
	}
	return t.items("mail.work", items)
}

// tests are how it was tested, with their steps; before them stand the parts that were fitted.
func (t *teller) tests() []Section {
	v := templates.ProofOf(t.Job, t.Shop, t.now, t.w, noURLs)
	if v == nil {
		return nil
	}
	var parts, tests []Item
	for _, p := range few(t, v.Parts) {
		parts = append(parts, Item{Text: p.Name, Notes: nonEmpty(p.Facts, p.Old)})
	}
	for _, x := range few(t, v.Tests) {
		it := Item{Lead: locale.Capital(x.Verdict), Text: x.Name, Notes: nonEmpty(x.Reading, t.clip(x.Note), strings.Join(x.Facts, " "))}
		for _, s := range few(t, x.Steps) {
			it.Notes = append(it.Notes, s.Line())
		}
		for _, p := range x.Photos {
			it.Photos = append(it.Photos, t.numbered([]int{p.ID})...)
		}
		tests = append(tests, it)
	}
	var pairs []Row
	for _, p := range few(t, v.Pairs) {
		pairs = append(pairs, Row{p.Point, t.w.T("proof.pair", p.Found, p.Left)})
	}
	out := append(t.items("proof.parts", parts), t.items("mail.tests", tests)...)
	if len(pairs) > 0 {
		out = append(out, Section{Heading: t.w.T("proof.pairs"), Rows: pairs})
	}
	return out
}

func nonEmpty(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// waived tells of duties that were let go: the customer reads the reason.
func (t *teller) waived() []Section {
	var items []Item
	for _, d := range t.Job.Duties {
		if d.Waived.Text != "" {
			items = append(items, Item{Text: d.Words(), Notes: []string{t.w.T("duty.waived", d.Waived)}})
		}
	}
	return t.items("mail.waived", few(t, items))
}

// money is where it stands, and where to pay.
func (t *teller) money() []Section {
	v := templates.PaidOf(t.Job, t.Shop, t.w)
	if v == nil {
		return nil
	}
	rows := append([]Row{{v.For, v.Charge}}, t.rows("mail.money.paid", v.Paid, "mail.money.balance", v.Balance)...)
	return append([]Section{{Heading: t.w.T("mail.money"), Rows: rows, After: v.Less}}, t.pay(v)...)
}

// pay is the shop's payment service, where something is due.
func (t *teller) pay(v *templates.PaidView) []Section {
	if v == nil || v.PayURL == "" || t.status.PayURL != "" {
		return nil
	}
	return []Section{{Heading: t.w.T("mail.pay"), Paras: []string{v.PayURL}}}
}
