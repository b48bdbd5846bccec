package mail

import (
	"benchword/templates"
	"benchword/workflow"
)

// message is what the bench wrote.
func (t *teller) message(e *workflow.Entry) part {
	if e.Ref < 1 || e.Ref > len(t.Job.Messages) {
		return t.link(e)
	}
	x := &t.Job.Messages[e.Ref-1]
	p := t.say("message")
	if x.Question {
		p = t.say("question")
		p.act = templates.Link{Words: t.w.T("mail.act.answer"), URL: t.home().URL}
	}
	return p.with([]Section{{Heading: t.w.T("mail.message.from", t.Shop.Name), Letter: t.clip(x.Text.Text), After: t.w.T("mail.message.after")}})
}

// link leads to the job, and says who asked for that.
func (t *teller) link(e *workflow.Entry) part {
	number := t.Job.Number.Shown()
	p := t.say("link", number)
	if e.Kind != workflow.NoticeLink {
		return p
	}
	why := workflow.LinkWhyOf(e.Ref)
	if why == workflow.LinkEnded || why == workflow.LinkAddress {
		p = t.say("link_new", number)
	}
	if why != "" {
		p.lead = t.w.T("mail.link." + string(why))
	}
	return p
}

// confirm asks whether a message, a change or a booking is the reader's.
func (t *teller) confirm(e *workflow.Entry) part {
	act := templates.Link{Words: t.w.T("mail.act.confirm"), URL: t.Confirm}
	if t.Confirm == "" {
		act = templates.Link{}
	}
	if e.Ref < 0 {
		p := t.say("confirm_change", t.day(e.MadeAt))
		p.act = act
		if x := t.Job.OpenChange(); x != nil {
			p = p.with(t.paras("mail.confirm_change.what", templates.ChangeLines(x, t.w)...))
		}
		return p.with(t.paras("mail.confirm.not", t.w.T("mail.confirm.not.more")))
	}
	if e.Ref < 1 || e.Ref > len(t.Job.Messages) {
		p := t.say("confirm_booking", t.Shop.Name)
		p.act, p.alone = act, true
		return p
	}
	m := &t.Job.Messages[e.Ref-1]
	p := t.say("confirm", t.day(m.At))
	p.act = act
	return p.with(t.letter("mail.confirm.message", m.Text.Text), t.paras("mail.confirm.not", t.w.T("mail.confirm.not.more")))
}

// data leads to the file with all that is kept about the reader.
func (t *teller) data(*workflow.Entry) part {
	p := t.say("data", t.day(t.DataUntil))
	if p.act = (templates.Link{Words: t.w.T("mail.act.data"), URL: t.Data}); t.Data == "" {
		p.act, p.lead = templates.Link{}, t.w.T("mail.data.over")
	}
	return p
}
