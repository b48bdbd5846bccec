package templates

import (
	"slices"
	"strconv"
	"time"

	"benchword/workflow"
)

// MomentView is one step of the story.
type MomentView struct {
	// Seq is the number of the event.
	Seq int64
	// Machine is the instant in RFC 3339, for the page's source; When is for people.
	Machine, When string
	// Text says what happened; Quote is the bench's own word on it.
	Text, Quote string
	// Milestone marks the steps that a reader in a hurry looks for.
	Milestone bool
	Photos    []PhotoView
	// URL leads to more, under LinkText; "" for none.
	URL, LinkText string
}

var milestones = map[workflow.EventKind]bool{
	workflow.KindJobBooked: true, workflow.KindStageMoved: true, workflow.KindReportSent: true, workflow.KindQuoteIssued: true,
	workflow.KindDecisionMade: true, workflow.KindDecisionUndone: true, workflow.KindCollectionAsked: true, workflow.KindPromiseMade: true, workflow.KindDateTold: true,
	workflow.KindPromiseBreached: true, workflow.KindDelayAnswered: true, workflow.KindHoldPlaced: true, workflow.KindWorkBegun: true, workflow.KindJobReady: true,
}

// story tells what happened, newest first. Photos that came one after the other within the hour make one
// step.
func (m *statusMaker) story(base string, urls PhotoURLs) []MomentView {
	j, w := m.j, m.w
	var out []MomentView // oldest first, turned round at the end
	paired := map[int]bool{}
	for _, p := range PairsOf(j, w, m.loc, urls) {
		paired[p.Before.ID], paired[p.After.ID] = true, true // they stand above the story, side by side
	}
	lastPhotos := time.Time{}
	for k, x := range j.Story {
		if x.To == workflow.StageAwaitingApproval && k > 0 && j.Story[k-1].At.Equal(x.At) && (j.Story[k-1].Kind == workflow.KindQuoteIssued || j.Story[k-1].Kind == workflow.KindDecisionUndone) {
			continue // the quote going out, or the answer taken back, says it already
		}
		v := MomentView{Seq: x.Seq, Milestone: milestones[x.Kind], Machine: x.At.UTC().Format(time.RFC3339), When: w.T("story.when", m.day(x.At), w.Clock(x.At, m.loc))}
		if x.Kind == workflow.KindPhotoAdded {
			p := j.Photo(x.Ref)
			if p == nil || paired[p.ID] {
				continue
			}
			photo := photoOf(j, p, w, m.loc, urls)
			if n := len(out); n > 0 && !lastPhotos.IsZero() && x.At.Sub(lastPhotos) < time.Hour && out[n-1].Photos != nil {
				out[n-1].Photos = append(out[n-1].Photos, photo)
				out[n-1].Text = w.T("story.photo.added", len(out[n-1].Photos))
				continue
			}
			lastPhotos = x.At
			v.Photos, v.Text = []PhotoView{photo}, w.T("story.photo.added", 1)
			out = append(out, v)
			continue
		}
		if tell := steps[x.Kind]; tell != nil {
			v.Text, v.Quote = tell(m, x, "story."+string(x.Kind))
		}
		if v.Text == "" {
			continue
		}
		switch x.Kind {
		case workflow.KindReportSent:
			v.URL, v.LinkText = base+"/report/"+strconv.Itoa(x.Ref), w.T("story.report.open", x.Ref)
		case workflow.KindMessageSent:
			v.URL, v.LinkText = "#letters", w.T("story.letters.open")
		}
		lastPhotos = time.Time{}
		out = append(out, v)
	}
	slices.Reverse(out)
	return out
}

// nth returns the nth of a list, counted from 1, nil if there is none.
func nth[T any](list []T, n int) *T {
	if n < 1 || n > len(list) {
		return nil
	}
	return &list[n-1]
}

// withReading adds what was read off to a text.
func (m *statusMaker) withReading(text, reading string) string {
	switch {
	case reading == "":
		return text
	case text == "":
		return reading
	}
	return m.w.T("story.reading", sentence(text), reading)
}

// step puts one step into words, with texts below a key, and quotes the bench's own. A step without a text
// is left out.
type step func(m *statusMaker, x workflow.Moment, key string) (text, quote string)

func plainStep(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
	return m.w.T(key), ""
}

func holdStep(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
	h := nth(m.j.Holds, x.Ref)
	if h == nil {
		return "", ""
	}
	if x.Kind == workflow.KindHoldPlaced {
		quote = h.Note.Text
	}
	return m.w.T(key + "." + string(h.Reason)), quote
}

// steps are the kinds of events that the story tells of.
var steps = map[workflow.EventKind]step{
	workflow.KindJobBooked: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		return m.w.T(key, m.j.Device.Name()), ""
	},
	workflow.KindStageMoved: func(m *statusMaker, x workflow.Moment, _ string) (text, quote string) {
		switch {
		case x.Queued && x.To == workflow.StageRepairing:
			return "", "" // the decision says it already
		case x.Queued:
			return m.w.T("story.stage.returning"), ""
		case x.From == workflow.StageTesting && (x.To == workflow.StageDiagnosing || x.To == workflow.StageRepairing):
			return m.w.T("story.stage.back"), ""
		case x.To == workflow.StageShipped && m.j.Shipment != nil && m.j.Shipment.InPerson:
			return m.w.T("story.stage.handed_over"), ""
		case x.To == workflow.StageWithdrawn && m.j.Outcome == workflow.OutcomeRecycled:
			return m.w.T("story.stage.recycled"), ""
		case x.To == workflow.StageTesting && x.From == workflow.StageDiagnosing && m.j.Outcome == workflow.OutcomeRepaired && len(m.j.Work) == 0:
			return m.w.T("story.stage.cured"), ""
		case x.To == workflow.StageTesting && m.j.Outcome == workflow.OutcomeUnrepaired:
			return m.w.T("story.stage.closing"), ""
		case x.To == workflow.StageTesting && x.From == workflow.StageDiagnosing && m.w.Has("story.stage."+string(m.j.Outcome)):
			return m.w.T("story.stage." + string(m.j.Outcome)), m.j.OutcomeWhy.Text
		}
		return m.w.T("story.stage." + string(x.To)), ""
	},
	workflow.KindFaultTried: func(m *statusMaker, _ workflow.Moment, _ string) (text, quote string) {
		r := m.j.Reproduction
		if r == nil {
			return "", ""
		}
		return triedWords(r, m.w), r.Note.Text
	},
	workflow.KindDeviceShut: plainStep,
	workflow.KindDeviceMadeSafe: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		if m.j.MadeSafe == nil {
			return "", ""
		}
		return m.w.T(key), m.j.MadeSafe.Done
	},
	workflow.KindCheckDone: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		for _, s := range m.j.Suspects {
			for _, c := range s.Checks {
				if s.ID == x.Ref && c.At.Equal(x.At) {
					return m.w.T(key+"."+string(c.Outcome), s.Text), m.withReading(sentence(c.Text), c.Reading)
				}
			}
		}
		return "", ""
	},
	workflow.KindFindingNoted: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		if f := m.j.Finding(x.Ref); f != nil && !f.Withdrawn {
			text = m.w.T(key, f.Text)
		}
		return text, ""
	},
	workflow.KindDutyWaived: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		d := nth(m.j.Duties, x.Ref)
		if d == nil {
			return "", ""
		}
		return m.w.T(key, d.Words()), d.Waived.Text
	},
	workflow.KindReportSent: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		r := nth(m.j.Reports, x.Ref)
		if r == nil {
			return "", ""
		}
		return m.w.T(key, x.Ref), r.Short
	},
	workflow.KindQuoteIssued: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		if q := nth(m.j.Quotes, x.Ref); q != nil {
			quote = q.Reason.Text
		}
		if x.Ref > 1 {
			key += ".further"
		}
		return m.w.T(key), quote
	},
	workflow.KindQuoteWithdrawn: plainStep,
	workflow.KindQuoteExpired:   plainStep,
	workflow.KindDecisionMade: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		d := nth(m.j.Decisions, x.Ref)
		if d == nil {
			return "", ""
		}
		q := nth(m.j.Quotes, d.Revision)
		if d.WithinLimit() {
			key += ".within_limit"
		} else {
			key += "." + string(d.Verdict) + keptKey(d)
		}
		if d.Verdict != workflow.VerdictApprove || d.Total == nil || q == nil {
			return m.w.T(key), ""
		}
		title := d.Option
		if o := q.Option(d.Option); o != nil {
			title = o.Title
		}
		return m.w.T(key, title, m.w.Money(*d.Total)), ""
	},
	workflow.KindDecisionUndone: plainStep,
	workflow.KindChargeSet: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		if m.j.Charged == nil {
			return "", ""
		}
		return m.w.T(key, m.w.Money(*m.j.Charged)), m.j.ChargedWhy.Text
	},
	workflow.KindCollectionAsked: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		u := nth(m.j.Uncollected, x.Ref)
		if u == nil {
			return "", ""
		}
		return m.w.T(key), u.Text
	},
	workflow.KindPaymentRecorded: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		p := nth(m.j.Payments, x.Ref)
		if p == nil {
			return "", ""
		}
		a := p.Amount
		if a.Minor < 0 {
			a.Minor = -a.Minor
			key += ".back"
		}
		return m.w.T(key, m.w.Money(a)), ""
	},
	workflow.KindPromiseMade: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		p := nth(m.j.Promises, x.Ref)
		if p == nil {
			return "", ""
		}
		told := m.j.ToldOf(m.shop, p)
		if told.IsZero() {
			return "", ""
		}
		if x.Ref > 1 {
			key += ".moved"
		}
		return m.w.T(key, m.day(m.shop.DayOf(told))), p.Reason.Text
	},
	workflow.KindDateTold: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		for i := range m.j.Promises {
			for _, told := range m.j.Promises[i].Told {
				if told.At.Equal(x.At) {
					return m.w.T(key, m.day(m.shop.DayOf(told.Date))), ""
				}
			}
		}
		return "", ""
	},
	workflow.KindPromiseBreached: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		p := nth(m.j.Promises, x.Ref)
		if p == nil {
			return "", ""
		}
		return m.w.T(key, m.day(m.j.MissedDate(m.shop, p.Number))), ""
	},
	// Where the breach, or a new date, does not say it already.
	workflow.KindDelayTold: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		d := nth(m.j.Delays, x.Ref)
		if d == nil || d.Reason.Text == "" || d.NewPromise > 0 {
			return "", ""
		}
		return m.w.T(key), d.Reason.Text
	},
	workflow.KindDelayAnswered: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		d := nth(m.j.Delays, x.Ref)
		if d == nil {
			return "", ""
		}
		if d.Unanswered {
			key = "story.delay.silent"
		}
		return m.w.T(key + "." + string(d.Choice)), ""
	},
	workflow.KindHoldPlaced: holdStep,
	workflow.KindHoldLifted: holdStep,
	workflow.KindWorkBegun: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		return m.w.T(key + "." + string(x.From)), ""
	},
	workflow.KindWorkDone: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		d := nth(m.j.Work, x.Ref)
		if d == nil {
			return "", ""
		}
		return m.w.T(key), d.Text
	},
	workflow.KindTestBegun: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		if m.j.Running == nil {
			return "", "" // how it ended says more
		}
		if !m.j.Running.Until.IsZero() {
			quote = m.w.T("story.test.until", m.w.DateTime(m.j.Running.Until, m.loc))
		}
		return m.w.T(key, TestName(m.shop, m.j.Running.Name, m.w)), quote
	},
	workflow.KindTestDone: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		t := nth(m.j.Tests, x.Ref)
		if t == nil {
			return "", ""
		}
		if !t.Passed {
			key += ".failed"
		}
		return m.w.T(key, TestName(m.shop, t.Name, m.w)), m.withReading(t.Note.Text, t.Reading)
	},
	workflow.KindJobReady: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		if m.j.Ready != nil {
			quote = m.j.Ready.Note.Text
		}
		return m.w.T(key), quote
	},
	workflow.KindParcelOverdue: func(m *statusMaker, _ workflow.Moment, key string) (text, quote string) {
		return m.w.T(key, m.day(m.j.ArriveDay(m.shop))), ""
	},
	workflow.KindArrivalTold: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		arrived := nth(m.j.Arrivals, x.Ref)
		if arrived == nil {
			return "", ""
		}
		if key += ".missing"; *arrived {
			key = "story.arrival.told.here"
		}
		if x.By != workflow.RoleCustomer {
			key += ".bench"
		}
		return m.w.T(key), ""
	},
	workflow.KindJobReturned: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		n := nth(m.j.Returns, x.Ref)
		if n == nil {
			return "", ""
		}
		return m.w.T(key, n.Shown()), ""
	},
	workflow.KindMessageSent: func(m *statusMaker, x workflow.Moment, key string) (text, quote string) {
		if x.By == workflow.RoleCustomer {
			key += ".you"
		}
		return m.w.T(key), ""
	},
}
