package mail

import (
	"benchword/templates"
	"benchword/workflow"
)

func (t *teller) decision(e *workflow.Entry) part {
	j, w := t.Job, t.w
	if e.Ref < 1 || e.Ref > len(j.Decisions) {
		return t.link(e)
	}
	d := &j.Decisions[e.Ref-1]
	if d.Revision < 1 || d.Revision > len(j.Quotes) {
		return t.link(e)
	}
	q := &j.Quotes[d.Revision-1]
	next := t.paras("mail.next", templates.NextAfter(j.Consequences(t.Shop, q, d.Verdict, d.Option), t.Shop, w)...)
	if d.Verdict == workflow.VerdictAsk {
		return t.say("ask").with(t.letter("mail.ask.yours", d.Words.Text), next)
	}
	o := q.Option(d.Option)
	p := t.decided(d, o)
	var undo string
	if until := j.UndoUntil(t.Shop); d.UndoneAt.IsZero() && t.now.Before(until) {
		key := "mail.decision.undo.until"
		if o != nil && o.Kind == workflow.OptionRecycle {
			key = "mail.decision.undo.recycle"
		}
		undo = w.T(key, w.DateTime(until, t.loc))
		if t.Decide != "" {
			p.act, p.decides = templates.Link{Words: w.T("undo.look"), URL: t.Decide + "/done"}, true
		}
	}
	rows := Section{Heading: w.T("mail.decision.what"), Rows: t.decisionRows(d, o, undo)}
	if !withinLimit(d) {
		rows.After = w.T("mail.decision.wrong")
		if t.Shop.Phone != "" {
			rows.After = w.T("mail.decision.wrong.phone", t.Shop.Phone)
		}
	}
	p = p.with([]Section{rows})
	switch {
	case o != nil && withinLimit(d) && j.Limit != nil:
		p = p.with(t.letter("mail.decision.words", w.T("option.within", w.Money(*j.Limit))+"."))
	case o != nil:
		p = p.with(t.letter("mail.decision.words", d.Words.Text))
	}
	if j.Stage == workflow.StageTesting && o != nil && o.Kind != workflow.OptionReturn && o.Kind != workflow.OptionRecycle {
		next = nil // it is done
	}
	return p.with(next, t.pay(templates.PaidOf(j, t.Shop, w)))
}

// withinLimit reports whether the bench went ahead within the limit that the customer set before.
func withinLimit(d *workflow.Decision) bool {
	return d.By.Role != workflow.RoleCustomer && d.Name.Empty()
}

// decided says in a sentence what was decided.
func (t *teller) decided(d *workflow.Decision, o *workflow.Option) part {
	switch {
	case d.Kept > 0:
		kept := &t.Job.Quotes[d.Kept-1]
		if o := kept.Option(kept.Approved); o != nil {
			return t.say("kept", t.w.Money(o.Result.Total))
		}
		return t.say("declined")
	case d.Verdict == workflow.VerdictDecline || o == nil:
		return t.say("declined")
	case o.Kind == workflow.OptionReturn:
		return t.say("returning")
	case o.Kind == workflow.OptionRecycle:
		return t.say("recycling")
	case withinLimit(d):
		return t.say("within_limit", t.w.Money(o.Result.Total))
	}
	return t.say("approved", t.w.Money(o.Result.Total))
}

// decisionRows are the evidence of a decision.
func (t *teller) decisionRows(d *workflow.Decision, o *workflow.Option, undo string) []Row {
	w := t.w
	var option, total, how, called string
	if o != nil {
		option, total = w.T("mail.decision.option.named", o.Key, o.Title), w.Money(o.Result.Total)
	}
	if d.By.Role != workflow.RoleCustomer && !d.Name.Empty() {
		how = w.T("mail.decision.how.staff")
	}
	if d.Call != nil {
		called = w.DateTime(d.Call.At, t.loc) + ", " + d.Call.Number.Text
	}
	return t.rows("mail.decision.option", option, "mail.decision.total", total, "mail.decision.name", d.Name.Text,
		"mail.decision.at", w.DateTime(d.At, t.loc), "mail.decision.how", how, "mail.decision.called", called,
		"mail.decision.undo", undo, "mail.decision.quote", t.revision(d))
}

// revision names the revision that was decided on.
func (t *teller) revision(d *workflow.Decision) string {
	return t.w.T("mail.decision.quote.named", d.Revision, d.Digest[:min(len(d.Digest), 12)]) // enough to compare by eye
}

// undone confirms that an answer was taken back.
func (t *teller) undone(e *workflow.Entry) part {
	j, w := t.Job, t.w
	q := j.Quote()
	if e.Ref < 1 || e.Ref > len(j.Decisions) || q == nil {
		return t.link(e)
	}
	d := &j.Decisions[e.Ref-1]
	var option string
	if o := q.Option(d.Option); o != nil {
		option = w.T("mail.decision.option.named", o.Key, o.Title)
	}
	return t.say("undone", w.DateTime(q.ExpiresAt, t.loc)).with([]Section{{Heading: w.T("mail.undone.what"), Rows: t.rows(
		"mail.decision.option", option, "mail.decision.at", w.DateTime(d.At, t.loc),
		"mail.undone.at", w.DateTime(d.UndoneAt, t.loc), "mail.decision.quote", t.revision(d),
	)}}, t.ways(q))
}
