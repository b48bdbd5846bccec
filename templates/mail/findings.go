package mail

import (
	"slices"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// findings is the findings report, in its order, shortened to what a mail carries.
func (t *teller) findings(e *workflow.Entry) part {
	j, w := t.Job, t.w
	if e.Ref < 1 || e.Ref > len(j.Reports) {
		return t.link(e)
	}
	r := templates.ReportOf(j, &j.Reports[e.Ref-1], t.Shop, t.now, w, noURLs)
	p := t.say("findings")
	q := t.quoted(e)
	if t.answerable(e) {
		p = t.say("findings.quote", t.day(q.ExpiresAt))
	}
	p = p.with(t.paras("mail.report.short", r.Short), t.changed(r.Changes), t.arrived(&r),
		t.found("mail.report.saw", "", r.Seen), t.found("mail.report.prior", "mail.report.prior.note", r.Prior), t.checked(r.Suspects, r.Spared))
	t.leave(&r)
	p = p.with(t.paras("mail.report.cause", r.Cause, r.CauseHow), t.paras("mail.report.proposal", r.Proposal))
	if q != nil {
		p = p.with(t.ways(q))
	}
	var left []Item
	for _, d := range few(t, r.Left) {
		left = append(left, Item{Text: d.Text, Notes: []string{d.State}})
	}
	return p.with(t.pairs(), t.items("report.left", left), t.cautions(few(t, r.Cautions)), t.paras("mail.next", r.Next))
}

// changed is what is different from the report before.
func (t *teller) changed(c *templates.ChangesView) []Section {
	if c == nil {
		return nil
	}
	s := Section{Heading: c.Title}
	if c.None != "" {
		s.Paras = []string{c.None}
	}
	for _, text := range few(t, c.Items) {
		s.Items = append(s.Items, Item{Text: t.clip(text)})
	}
	return []Section{s}
}

// arrived is what came, and how.
func (t *teller) arrived(r *templates.ReportView) []Section {
	s := Section{Heading: t.w.T("mail.report.arrived")}
	if r.Fault != "" {
		s.Paras = append(s.Paras, t.w.T("mail.report.fault", t.clip(r.Fault)))
	}
	if r.Does != "" {
		s.Paras = append(s.Paras, r.Does)
	}
	var items []string
	for _, c := range few(t, r.Contents) {
		items = append(items, c.Text)
	}
	if len(items) > 0 {
		s.Paras = append(s.Paras, t.w.T("mail.report.contents", t.w.List(items)))
	}
	if r.Condition != "" {
		s.Paras = append(s.Paras, t.w.T("mail.report.condition", t.clip(r.Condition)))
	}
	if r.Tried != "" {
		s.Paras = append(s.Paras, strings.TrimSpace(r.Tried+" "+t.clip(r.TriedNote)))
	}
	return []Section{s}
}

// found is a list of findings.
func (t *teller) found(heading, note string, list []templates.FindingView) []Section {
	if len(list) == 0 {
		return nil
	}
	s := Section{Heading: t.w.T(heading)}
	if note != "" {
		s.Paras = append(s.Paras, t.w.T(note))
	}
	for _, f := range few(t, list) {
		it := Item{Lead: f.WeightName, Text: t.clip(f.Text)}
		if f.Term != "" {
			it.Text = t.w.T("finding.named", f.Term, it.Text)
		}
		if f.Where != "" {
			it.Notes = append(it.Notes, t.w.T("mail.report.where", f.Where))
		}
		if f.Plain != "" {
			it.Notes = append(it.Notes, t.w.T("finding.plain", f.Plain))
		}
		it.Notes = append(it.Notes, f.Sentence)
		if f.Measured != nil {
			it.Notes = append(it.Notes, f.Measured.Line())
		}
		if f.Matters != "" {
			it.Notes = append(it.Notes, t.clip(f.Matters))
		}
		for _, d := range few(t, f.Duties) {
			it.Notes = append(it.Notes, t.w.T("mail.report.duty", d.Text, d.State))
		}
		it.Photos = t.photos(f.Photos)
		s.Items = append(s.Items, it)
	}
	return []Section{s}
}

// checked is what was checked, and what came of it.
func (t *teller) checked(suspects []templates.SuspectView, spared string) []Section {
	var items []Item
	for _, x := range few(t, suspects) {
		it := Item{Lead: locale.Capital(x.VerdictWords), Text: x.Text}
		for _, c := range few(t, x.Checks) {
			note := strings.TrimRight(t.clip(c.Text), ".")
			if c.Reading != "" && c.Measured == nil {
				note = t.w.T("mail.report.reading", note, c.Reading)
			}
			it.Notes = append(it.Notes, t.w.T("mail.report.check", note, c.Outcome))
			if c.Measured != nil {
				it.Notes = append(it.Notes, c.Measured.Line())
			}
			it.Photos = append(it.Photos, t.photos(c.Photos)...)
		}
		items = append(items, it)
	}
	out := t.items("mail.report.checked", items)
	switch {
	case spared == "":
	case out == nil:
		return t.paras("mail.report.checked", spared)
	default:
		out[0].After = spared
	}
	return out
}

// leave counts the report's photos that belong to what was left out.
func (t *teller) leave(r *templates.ReportView) {
	count := func(views []templates.PhotoView) {
		for _, v := range views {
			if !t.seen[v.ID] {
				t.seen[v.ID] = true
				t.left++
			}
		}
	}
	for _, f := range slices.Concat(r.Seen, r.Prior) {
		count(f.Photos)
	}
	for _, s := range r.Suspects {
		for _, c := range s.Checks {
			count(c.Photos)
		}
	}
}
