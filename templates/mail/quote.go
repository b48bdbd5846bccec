package mail

import (
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// quoted returns the revision that a notice shows, nil if there is none.
func (t *teller) quoted(e *workflow.Entry) *workflow.Quote {
	n := e.Quote
	if n == 0 && (e.Kind == workflow.NoticeReminder || e.Kind == workflow.NoticeLastNotice || e.Kind == workflow.NoticeUndone) {
		n = len(t.Job.Quotes)
	}
	if n < 1 || n > len(t.Job.Quotes) {
		return nil
	}
	return &t.Job.Quotes[n-1]
}

// answerable reports whether a notice shows a quote that the mail's link can answer.
func (t *teller) answerable(e *workflow.Entry) bool {
	q := t.quoted(e)
	return q != nil && q.Answerable(t.now) && t.Decide != ""
}

// quoteWords are the keys of the notices that show a quote.
var quoteWords = map[workflow.NoticeKind]string{
	workflow.NoticeQuote: "quote", workflow.NoticeFurtherQuote: "further", workflow.NoticeReminder: "reminder", workflow.NoticeLastNotice: "last",
}

func (t *teller) quote(e *workflow.Entry) part {
	q := t.quoted(e)
	if q == nil {
		return t.link(e)
	}
	return t.say(quoteWords[e.Kind], t.day(q.ExpiresAt)).with(t.ways(q))
}

// ways shows a quote's options, its words and until when it stands.
func (t *teller) ways(q *workflow.Quote) []Section {
	v := templates.QuoteOf(t.Job, q, t.Shop, t.now, t.w)
	s := Section{Heading: t.w.T("mail.quote.ways"), Ways: v.Options}
	for i := range s.Ways {
		o := &s.Ways[i]
		o.Text = t.clip(o.Text)
		if o.Excluded != "" {
			o.Excluded = t.w.T("mail.quote.excluded", t.clip(o.Excluded))
		}
		o.Lines = few(t, o.Lines)
	}
	var changes []Section
	if c := v.Changes; c != nil {
		x := Section{Heading: c.Title, Paras: []string{c.Since}}
		for _, l := range few(t, c.Lines) {
			x.Items = append(x.Items, Item{Text: l})
		}
		x.Items = append(x.Items, Item{Text: c.Total})
		changes, v.Before = []Section{x}, ""
	}
	for _, x := range []string{t.clip(v.Reason), t.clip(v.Before), t.clip(v.Note), v.Limit, v.No} {
		if x != "" {
			s.Paras = append(s.Paras, x)
		}
	}
	after := []string{v.TaxNote}
	if q.Answerable(t.now) {
		after = []string{t.w.T("mail.quote.stands", v.Expires), v.TaxNote}
	}
	if _, o := t.Job.Approved(); o == nil && q.Answerable(t.now) {
		after = append(after, templates.UntilYouAnswer(t.Job, t.Shop, t.w))
	}
	s.After = strings.TrimSpace(strings.ReplaceAll(strings.Join(after, " "), "  ", " ")) // there may be no tax
	return append(changes, s)
}

func (t *teller) quoteWithdrawn(*workflow.Entry) part {
	p := t.say("taken_back")
	if q := t.Job.Quote(); q != nil {
		p = p.with(t.paras("mail.moved.why", q.TakenBack.Text))
	}
	return p.with(t.paras("mail.next", t.w.T("mail.taken_back.next")))
}

func (t *teller) expired(*workflow.Entry) part {
	return t.say("expired").with(t.paras("mail.next", t.w.T("mail.expired.next")))
}
