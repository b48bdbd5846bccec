package templates

import (
	"benchword/templates/locale"
	"benchword/workflow"
)

// CounterDecisions shows the evidence of every decision.
type CounterDecisions struct {
	JobPage
	Records []RecordView
	// Papers are the revisions as files.
	Papers []MailLink
	// Export is the address of the same as JSON.
	Export string
}

// RecordView is the evidence of a decision: names and values, and the texts in full.
type RecordView struct {
	Title string
	Rows  []MailRow
	Shown string
	// Sound: the digest, taken anew over the terms as they are kept, is the one that was decided on.
	Sound bool
}

// Template implements [View].
func (*CounterDecisions) Template() string { return "counter/decisions.html" }

// CounterDecisionsOf makes the page.
func CounterDecisionsOf(base JobPage, j *workflow.Job, shop *workflow.Shop) *CounterDecisions {
	w, loc := locale.For("en"), zoneOf(shop)
	v := &CounterDecisions{JobPage: base, Export: base.To("decisions.json")}
	for i := range j.Quotes {
		for _, l := range PaperLinks(shop, base.To("quote/"+itoa(i+1)+"/"), w) {
			v.Papers = append(v.Papers, MailLink{"Revision " + itoa(i+1) + ": " + l.Words, l.URL})
		}
	}
	for _, r := range j.Records() {
		x := RecordView{Title: "Revision " + itoa(r.Revision) + ": " + verdictWords[r.Verdict], Shown: r.Shown}
		row := func(name, value string) {
			if value != "" {
				x.Rows = append(x.Rows, MailRow{name, value})
			}
		}
		row("When", w.DateTime(r.At, loc))
		row("Typed name", r.Name)
		row("Option", r.Option)
		if r.Total != nil {
			row("Authorised", w.Money(*r.Total))
		}
		if r.Added != nil {
			row("Of it added", w.Money(*r.Added))
		}
		row("Agreed to, or said", r.Words)
		row("Link sent to", r.SentTo)
		row("Came from", r.Address)
		row("With", r.Agent)
		if r.By.Role != workflow.RoleCustomer {
			row("Written down by", r.By.ID)
		}
		if !r.CalledAt.IsZero() {
			row("By telephone", w.DateTime(r.CalledAt, loc)+", "+r.Called)
		}
		if !r.UndoneAt.IsZero() {
			row("Taken back", w.DateTime(r.UndoneAt, loc))
		}
		row("Fingerprint", r.Digest)
		digest, err := r.Terms.Digest()
		x.Sound = err == nil && digest == r.Digest
		v.Records = append(v.Records, x)
	}
	return v
}

// CounterCharge charges less than was agreed to.
type CounterCharge struct {
	JobPage
	// Most is what was agreed to, Now what is charged as things stand.
	Most, Now string
	Currency  string
}

// Template implements [View].
func (*CounterCharge) Template() string { return "counter/charge.html" }

// CounterUndo takes an answer back that the customer takes back by telephone.
type CounterUndo struct {
	JobPage
	// Until says until when it is possible, "" if it is not.
	Until string
}

// Template implements [View].
func (*CounterUndo) Template() string { return "counter/undo.html" }
