package mail

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

func (t *teller) booked(*workflow.Entry) part {
	w, number := t.w, t.Job.Number.Shown()
	p := t.say("booked", number)
	if t.Job.Inbound.Text != "" {
		p.heading, p.subject = w.T("mail.booked.sent.heading"), w.T("mail.booked.sent.subject", t.device)
	}
	pack := Section{Heading: w.T("mail.booked.pack"), After: w.T("mail.booked.guide", t.Packing)}
	for _, key := range []string{"slip", "box", "extras", "copies"} {
		pack.Items = append(pack.Items, Item{Text: w.T("mail.booked.pack."+key, number)})
	}
	return p.with([]Section{
		{Heading: w.T("mail.booked.to"), Paras: []string{t.Shop.Name + "\n" + strings.TrimSpace(t.Shop.Address) + "\n" + w.T("mail.booked.number", number)}},
		pack,
	}, t.cautions([]string{w.T("mail.booked.lithium")}), t.letter("mail.fault", t.Job.Fault.Text))
}

func (t *teller) received(*workflow.Entry) part {
	w := t.w
	p := t.say("received", t.day(t.Job.ReceivedAt))
	if d := t.date(); d.Kind == workflow.DateBy {
		p.subject = w.T("mail.received.subject.by", t.device, t.day(d.At))
	}
	list := Section{Heading: w.T("mail.contents"), After: w.T("mail.received.missing")}
	for _, c := range few(t, templates.ContentsOf(t.Job, w)) {
		list.Items = append(list.Items, t.content(c, t.Job.Device.Serial.Text))
	}
	p = p.with([]Section{list}, t.cautions(templates.CautionsOf(t.Job, t.Shop, w)))
	if photos := t.ofKind(workflow.PhotoArrival); len(photos) > 0 {
		p = p.with([]Section{{Heading: w.T("mail.received.photos"), Photos: photos}})
	}
	if t.Job.Stage != workflow.StageReceived {
		return p
	}
	return p.with(t.paras("mail.next", w.T("mail.received.next")))
}

// content is an item of the parcel, the device with its serial number.
func (t *teller) content(c templates.ContentView, serial string) Item {
	it := Item{Text: c.Text}
	if c.Device {
		it.Text = t.w.T("mail.contents.device", c.Text)
		if serial != "" {
			it.Notes = append(it.Notes, t.w.T("mail.contents.serial", serial))
		}
	}
	for _, note := range []string{c.Condition, c.Fate} {
		if note != "" {
			it.Notes = append(it.Notes, note)
		}
	}
	return it
}
