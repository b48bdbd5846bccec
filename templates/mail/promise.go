package mail

import (
	"cmp"

	"benchword/templates"
	"benchword/workflow"
)

func (t *teller) promiseMoved(e *workflow.Entry) part {
	j, w := t.Job, t.w
	now := j.Promise()
	if now == nil {
		return t.link(e)
	}
	p := t.say("moved.open")
	if d := t.date(); d.Kind == workflow.DateBy || d.Kind == workflow.DatePaused && !d.At.IsZero() {
		p = t.say("moved", t.day(d.At))
	}
	p.saysWhy = true
	var rows []Row
	for i := range j.Promises {
		x := &j.Promises[i]
		for _, told := range j.Tellings(t.Shop, x) {
			rows = append(rows, Row{w.T("mail.moved.before"), w.Date(told.Date, t.loc)})
		}
		if n := len(rows) - 1; n >= 0 && !x.BreachedAt.IsZero() {
			rows[n].Value = w.T("mail.moved.missed", rows[n].Value)
		}
	}
	if n := len(rows) - 1; n >= 0 {
		rows[n].Name = w.T("mail.moved.now")
	}
	if len(now.Told) > 1 { // pauses moved it
		p = p.with(t.paras("mail.why", t.status.WhenWhy...), []Section{{Heading: w.T("mail.moved.dates"), Rows: rows}})
		return p
	}
	p = p.with(t.paras("mail.moved.why", now.Reason.Text), []Section{{Heading: w.T("mail.moved.dates"), Rows: rows}})
	if d := j.Delay(); d != nil && d.NewPromise == now.Number {
		p = t.choice(p, d)
	}
	return p
}

func (t *teller) breach(e *workflow.Entry) part {
	j, w := t.Job, t.w
	p := t.say("breach", t.day(j.MissedDate(t.Shop, e.Ref)))
	p.saysWhy = true
	d := j.Delay()
	if d == nil {
		return p
	}
	why := t.paras("choose.why", cmp.Or(d.Reason.Text, w.T("choose.why.default")))
	return t.choice(p.with(why, t.paras("choose.date", templates.NewDate(d, t.Shop, t.now, w))), d)
}

// choice adds what the customer can choose after a missed promise, while they can.
func (t *teller) choice(p part, d *workflow.Delay) part {
	if !d.Open(t.now) {
		return p
	}
	if t.Delay != "" {
		p.act, p.chooses = templates.Link{Words: t.w.T("mail.act.choose"), URL: t.Delay}, true
	}
	return p.with(t.paras("mail.breach.yours", t.w.T("mail.delay.choice"),
		t.w.T("choose.until", t.day(d.AnswerBy))+" "+t.w.T("choose.silence."+string(d.Silence))))
}

// delayAnswered tells what the customer chose, or what their silence meant.
func (t *teller) delayAnswered(e *workflow.Entry) part {
	if e.Ref < 1 || e.Ref > len(t.Job.Delays) || t.Job.Delays[e.Ref-1].Choice == "" {
		return t.link(e)
	}
	d := &t.Job.Delays[e.Ref-1]
	key := "delay_"
	if d.Unanswered {
		key = "delay_silent_"
	}
	return t.say(key + string(d.Choice))
}
