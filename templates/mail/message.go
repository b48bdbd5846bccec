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

// link only leads to the job.
func (t *teller) link(*workflow.Entry) part { return t.say("link", t.Job.Number.Shown()) }
