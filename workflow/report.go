package workflow

import (
	"slices"
	"time"
)

// Report is a findings report as it was sent.
type Report struct {
	Number int       `json:"number"`
	SentAt time.Time `json:"sent_at,omitzero"`
	ReportText
	// Findings, Suspects and Photos are the ids that stood in it, in order.
	Findings []int `json:"findings,omitempty"`
	Suspects []int `json:"suspects,omitempty"`
	Photos   []int `json:"photos,omitempty"`
	// Does is what the device does, in the customer's language and the catalogue's terms.
	Does []string `json:"does,omitempty"`
	// Head is the event chain's head when the report was sent, printed on it.
	Head string `json:"head"`
	// Said are the findings as they stood when it was sent, for the report itself and for the next one's
	// account of what changed. Folding fills it in; it stands in no event.
	Said []Finding `json:"said,omitempty"`
}

// As returns the job with the duties that a report tells as they were when it was sent, and with nothing packed.
func (j *Job) As(r *Report) *Job {
	x := *j
	x.Packed = nil
	x.Story = slices.DeleteFunc(slices.Clone(j.Story), func(m Moment) bool { return m.At.After(r.SentAt) })
	x.Duties = slices.Clone(j.Duties)
	for i := range x.Duties {
		d := &x.Duties[i]
		if d.DoneAt.After(r.SentAt) {
			d.DoneAt = time.Time{}
		}
		if !slices.ContainsFunc(x.Story, func(m Moment) bool { return m.Kind == KindDutyWaived && m.Ref == d.ID }) {
			d.Waived = Words{}
		}
	}
	return &x
}

// Finding returns a finding as the report has it, nil if it is not in it. A job folded before reports kept
// their findings has them as they stand now.
func (r *Report) Finding(j *Job, id int) *Finding {
	for i := range r.Said {
		if r.Said[i].ID == id {
			return &r.Said[i]
		}
	}
	if r.Said == nil && slices.Contains(r.Findings, id) {
		return j.Finding(id)
	}
	return nil
}

// ReportText is what the technician writes in their own words; all else in the report comes from
// the findings.
type ReportText struct {
	// Short is the short answer: one or two sentences.
	Short string `json:"short"`
	// Cause says what is thought to be wrong.
	Cause string `json:"cause,omitempty"`
	// Certainty says how sure the bench is of Cause.
	Certainty Certainty `json:"certainty,omitempty"`
	// Proposal says what the bench proposes to do.
	Proposal string `json:"proposal,omitempty"`
	// Next says what happens next.
	Next string `json:"next,omitempty"`
}

// SendReport sends a findings report: what the technician writes here, and all findings and
// suspects as they stand.
type SendReport struct {
	Text ReportText `json:"text"`
}

// DraftReport returns the report that would be sent at an instant with this text.
func (j *Job) DraftReport(text ReportText, now time.Time) Report {
	r := Report{Number: len(j.Reports) + 1, ReportText: text, Does: slices.Clone(j.Does), Head: j.Head, SentAt: now}
	photos := map[int]bool{}
	add := func(ids []int) {
		for _, id := range ids {
			if j.Photo(id) != nil && !photos[id] {
				photos[id] = true
				r.Photos = append(r.Photos, id)
			}
		}
	}
	for _, f := range j.Findings {
		if !f.Withdrawn {
			r.Findings = append(r.Findings, f.ID)
			add(f.Photos)
		}
	}
	for _, s := range j.Suspects {
		r.Suspects = append(r.Suspects, s.ID)
		for _, k := range s.Checks {
			add(k.Photos)
		}
	}
	return r
}

func (c SendReport) decide(t *turn) error {
	if err := t.needStage("Sending a findings report", StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	r := t.j.DraftReport(c.Text, t.now)
	var err error
	if r.Short, err = text("short", "The short answer", r.Short, true); err != nil {
		return err
	}
	if r.Cause, err = text("cause", "What we think is wrong", r.Cause, false); err != nil {
		return err
	}
	if r.Proposal, err = text("proposal", "What we propose", r.Proposal, false); err != nil {
		return err
	}
	if r.Next, err = text("next", "What happens next", r.Next, false); err != nil {
		return err
	}
	if r.Certainty != "" {
		if err := oneOf("certainty", "The certainty", r.Certainty, Certainties); err != nil {
			return err
		}
	}
	if len(r.Findings) == 0 && len(r.Suspects) == 0 {
		return refused("There is nothing to report yet: note a finding, or record a check.")
	}
	return t.record(&ReportSent{r})
}

// ReportSent is a findings report on its way to the customer.
type ReportSent struct {
	Report
}

func (p *ReportSent) fold(j *Job, e *Event) {
	r := p.Report
	r.SentAt, r.Said = e.At, nil
	for _, id := range r.Findings {
		if f := j.Finding(id); f != nil {
			r.Said = append(r.Said, *f)
		}
	}
	j.Reports = append(j.Reports, r)
	j.addMoment(e, r.Number)
}

// QuoteWith returns the quote that goes with a report: the last one issued from its sending until the next
// report, nil if there is none.
func (j *Job) QuoteWith(r *Report) *Quote {
	var next time.Time
	if r.Number < len(j.Reports) {
		next = j.Reports[r.Number].SentAt
	}
	var out *Quote
	for i := range j.Quotes {
		q := &j.Quotes[i]
		if !q.IssuedAt.Before(r.SentAt) && (next.IsZero() || q.IssuedAt.Before(next)) && q.State != RevisionWithdrawn {
			out = q
		}
	}
	return out
}

// ReportWith returns the number of the report that goes with a quote: the last one sent no later than the
// quote was issued, 0 if there is none.
func (j *Job) ReportWith(q *Quote) int {
	n := 0
	for _, r := range j.Reports {
		if !r.SentAt.After(q.IssuedAt) {
			n = r.Number
		}
	}
	return n
}

func guardAwaiting(g *gate) {
	g.need(len(g.j.Reports) > 0, "Send a findings report first.")
	q := g.j.Quote()
	g.need(q != nil && q.State == RevisionOpen, "Issue a quote first.")
}

// StageOf returns the stage that the job was in once the step with a report was done, and whether it is in it still.
// Where a quote went with it, that was the wait for the answer.
func (j *Job) StageOf(r *Report) (stage Stage, still bool) {
	stage = j.Stage
	quoted := j.QuoteWith(r) != nil
	for _, x := range j.Story {
		switch waits := quoted && x.To == StageAwaitingApproval; {
		case x.To == "":
		case x.At.After(r.SentAt) && !waits:
			return stage, false
		default:
			stage = x.To
		}
	}
	return stage, true
}

// Unshown lists the findings that the next report tells without a photo, or without a reading where the catalogue
// wants one: dangers and earlier work first. It is asked for, and blocks nothing.
func (j *Job) Unshown(shop *Shop) []Unshown {
	var out []Unshown
	for i := range j.Findings {
		f := &j.Findings[i]
		if f.Withdrawn {
			continue
		}
		u := Unshown{Finding: f, Photo: !slices.ContainsFunc(f.Photos, func(id int) bool { return j.Photo(id) != nil })}
		if e := shop.Trade().Finding(f.Entry); e != nil {
			u.Photo = u.Photo && slices.ContainsFunc(e.Evidence, func(x string) bool { return x != "reading" })
			u.Reading = f.Reading == "" && slices.Contains(e.Evidence, "reading")
		}
		if u.Photo || u.Reading {
			out = append(out, u)
		}
	}
	rank := func(u Unshown) int {
		switch {
		case dangerous(u.Finding, shop.Trade()):
			return 0
		case u.Finding.PriorWork():
			return 1
		}
		return 2
	}
	slices.SortStableFunc(out, func(a, b Unshown) int { return rank(a) - rank(b) })
	return out
}

// Unshown is a finding, and what would show it.
type Unshown struct {
	Finding        *Finding
	Photo, Reading bool
}
