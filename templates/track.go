package templates

import (
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
)

// Track is the tracking page: the three answers first, then the story so far, what came in, the findings
// reports, letters, and the promise.
type Track struct {
	Page
	Status Status
	// Base is the address of this page, "/j/…"; Live that of its event stream.
	Base, Live string
	Version    int64
	// Decide is the address of the quote page, "" where this link can't decide.
	Decide string
	// QuoteMailed says when the mail with the decide link went out, for a look link.
	QuoteMailed string
	Reports     []ReportLink
	Story       []MomentView
	Pairs       []PhotoPair
	Contents    []ContentView
	Serial      string
	Fault       string
	Condition   string
	Duties      []DutyView
	Letters     []LetterView
	// Promises are those told so far, first first; Holds what the job stood still for.
	Promises []PromiseView
	Holds    []HoldView
	// Strip is the picture of the promise, nil before there is one. Calendar is the address of the file
	// with the promised date; Level names the level of service. Choose is where to choose after a missed
	// date, ChooseMailed when the mail with that link went out.
	Strip                *StripView
	Calendar, Level      string
	Choose, ChooseMailed string
	Paid                 *PaidView
	// Erased says that the person was erased: no letters, no form.
	Erased bool
	// Message is what was typed into the form, kept when it could not be sent.
	Message string
	Errors  []FieldError
	// LinkUntil is when this link ends.
	LinkUntil string
	// Outlook says when it will most likely leave, by the shop's own history, and OutlookOf what that rests
	// on; "" where the history has nothing to say.
	Outlook, OutlookOf string
	// PushKey is the key that a browser subscribes with to be told of the job, "" where it can't be.
	PushKey string
	// Address is where the parcel goes, for a job that is not here yet.
	SendTo bool
}

// Template implements [View].
func (*Track) Template() string { return "customer/track.html" }

// ErrorFor returns the sentence about a field of the form.
func (t *Track) ErrorFor(field string) string { return ErrorFor(t.Errors, field) }

// ReportLink leads to a findings report.
type ReportLink struct {
	Number    int
	URL, Sent string
	Short     string
}

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

// LetterView is a message.
type LetterView struct {
	Mine     bool // from the customer
	Who      string
	When     string
	Text     string
	Question bool
}

// PromiseView is a promise as told.
type PromiseView struct {
	Text, Reason string
	State        string
}

// HoldView is a stretch in which the job stood still.
type HoldView struct{ Text, Note string }

// TrackLink is what a tracking page needs to know about the link it was opened by.
type TrackLink struct {
	Token   string
	Purpose link.Purpose
	Until   time.Time
	// Outlook is what the forecast says, nil for nothing.
	Outlook *workflow.Outlook
	// PushKey is the shop's key for push services, "" for none.
	PushKey string
}

// TrackOf makes the tracking page.
func TrackOf(page Page, j *workflow.Job, shop *workflow.Shop, now time.Time, l TrackLink) *Track {
	w, loc := page.Words(), zoneOf(shop)
	base := "/j/" + l.Token
	urls := TrackPhotos(l.Token)
	t := &Track{
		Page: page, Status: StatusOf(j, shop, now, w), Base: base, Live: base + "/live", Version: j.Version,
		Contents: ContentsOf(j, w), Serial: j.Device.Serial, Fault: j.Fault.Text, Condition: j.Condition,
		Pairs: PairsOf(j, w, loc, urls), Paid: PaidOf(j, shop, w), Erased: !j.Erased.IsZero(), SendTo: j.Stage == workflow.StageBooked,
		LinkUntil: w.Date(l.Until, loc),
	}
	if !j.Ended() && j.Erased.IsZero() {
		t.PushKey = l.PushKey
	}
	if q := j.Quote(); q != nil && q.Answerable(now) && j.Stage == workflow.StageAwaitingApproval {
		if l.Purpose == link.Decide {
			t.Decide = "/d/" + l.Token
		} else {
			t.QuoteMailed = w.Day(q.IssuedAt, loc)
		}
	}
	for i := len(j.Reports) - 1; i >= 0; i-- {
		r := &j.Reports[i]
		t.Reports = append(t.Reports, ReportLink{r.Number, base + "/report/" + itoa(r.Number), w.Day(r.SentAt, loc), r.Short})
	}
	for _, d := range j.Duties {
		if d.Waived != "" {
			t.Duties = append(t.Duties, dutyView(d, w))
		}
	}
	for _, m := range j.Messages {
		v := LetterView{Mine: m.By.Role == workflow.RoleCustomer, Who: w.T("letter.bench"), When: w.DayTime(m.At, loc), Text: m.Text.Text, Question: m.Question && !m.Answered}
		if v.Mine {
			v.Who = w.T("letter.you")
			v.Question = false
		}
		if m.Text.Erased() {
			v.Text = w.T("letter.erased")
		}
		t.Letters = append(t.Letters, v)
	}
	m := &statusMaker{j, shop, now, w, loc}
	t.Promises, t.Holds = m.promises(), m.holds()
	t.Story = m.story(base, urls)
	if l.Outlook != nil && !j.Ended() {
		t.Outlook, t.OutlookOf = m.outlook(l.Outlook)
	}
	if j.Stage != workflow.StageWithdrawn {
		t.Strip = m.stripOf(false)
	}
	if j.Promise() != nil {
		t.Calendar = base + "/date.ics"
	}
	if j.Level != nil {
		t.Level = j.Level.Named(w.Lang)
	}
	if d := m.j.ToChoose(m.now); d != nil {
		if l.Purpose == link.Choose {
			t.Choose = "/c/" + l.Token
		} else {
			t.ChooseMailed = w.Day(d.ToldAt, loc)
		}
	}
	return t
}

// TrackPhotos returns the addresses of photos below a link.
func TrackPhotos(token string) PhotoURLs {
	return func(p *workflow.Photo) (small, large string) {
		at := "/j/" + token + "/photo/" + itoa(p.ID)
		// A blur drawn later makes new copies: their digest in the address lets a browser keep them.
		return at + "/small.jpg?v=" + first(p.Small.Digest, 8), at + "/large.jpg?v=" + first(p.Large.Digest, 8)
	}
}

// sentence ends a text with a full stop, where it has no end of its own, so that another can follow.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?:") || strings.HasSuffix(s, "…") {
		return s
	}
	return s + "."
}

func first(s string, n int) string {
	if len(s) < n {
		return s
	}
	return s[:n]
}

func (m *statusMaker) promises() []PromiseView {
	j, w := m.j, m.w
	var out []PromiseView
	for i := range j.Promises {
		p := &j.Promises[i]
		due := j.ToldOf(m.shop, p)
		if due.IsZero() {
			continue
		}
		key := "promise.later"
		if i == 0 {
			key = "promise.first"
		}
		v := PromiseView{Text: w.T(key, m.day(p.MadeAt), m.day(due)), Reason: p.Reason}
		switch {
		case !p.BreachedAt.IsZero():
			v.State = w.T("promise.missed")
		case i < len(j.Promises)-1:
			v.State = w.T("promise.replaced")
		case j.Stage == workflow.StageShipped:
			v.State = w.T("promise.kept")
		default:
			v.State = w.T("promise.open")
		}
		out = append(out, v)
	}
	return out
}

func (m *statusMaker) holds() []HoldView {
	var out []HoldView
	for _, h := range m.j.Holds {
		if h.To.IsZero() {
			out = append(out, HoldView{m.w.T("hold."+string(h.Reason), m.day(h.From)), h.Note})
			continue
		}
		out = append(out, HoldView{m.w.T("held."+string(h.Reason), m.day(h.From), m.day(h.To)), h.Note})
	}
	return out
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
		if x.To == workflow.StageAwaitingApproval && k > 0 && j.Story[k-1].Kind == workflow.KindQuoteIssued && j.Story[k-1].At.Equal(x.At) {
			continue // the quote going out says it already
		}
		v := MomentView{Seq: x.Seq, Milestone: milestones[x.Kind], Machine: x.At.UTC().Format(time.RFC3339), When: w.T("story.when", m.day(x.At), w.Clock(x.At, m.loc))}
		switch x.Kind {
		case workflow.KindPhotoAdded:
			p := j.Photo(x.Ref)
			if p == nil || paired[p.ID] {
				continue
			}
			photo := PhotoOf(j, p, w, m.loc, urls)
			if n := len(out); n > 0 && !lastPhotos.IsZero() && x.At.Sub(lastPhotos) < time.Hour && out[n-1].Photos != nil {
				out[n-1].Photos = append(out[n-1].Photos, photo)
				out[n-1].Text = w.T("story.photo.added", len(out[n-1].Photos))
				continue
			}
			lastPhotos = x.At
			v.Photos = []PhotoView{photo}
			v.Text = w.T("story.photo.added", 1)
			out = append(out, v)
			continue
		case workflow.KindStageMoved:
			v.Text = w.T("story.stage." + string(x.To))
			if x.To == workflow.StageTesting && j.Outcome == workflow.OutcomeUnrepaired && x.From == workflow.StageAwaitingApproval {
				v.Text = w.T("story.stage.closing")
			}
			if x.From == workflow.StageTesting && (x.To == workflow.StageDiagnosing || x.To == workflow.StageRepairing) {
				v.Text = w.T("story.stage.back")
			}
		default:
			if !m.tell(&v, x, base) {
				continue
			}
		}
		lastPhotos = time.Time{}
		out = append(out, v)
	}
	for a, b := 0, len(out)-1; a < b; a, b = a+1, b-1 {
		out[a], out[b] = out[b], out[a]
	}
	return out
}

var milestones = map[workflow.EventKind]bool{
	workflow.KindJobBooked: true, workflow.KindStageMoved: true, workflow.KindReportSent: true, workflow.KindQuoteIssued: true, workflow.KindDecisionMade: true, workflow.KindDecisionUndone: true, workflow.KindCollectionAsked: true,
	workflow.KindPromiseMade: true, workflow.KindPromiseBreached: true, workflow.KindHoldPlaced: true, workflow.KindJobReady: true,
}

// tell puts one step into words; false leaves it out.
func (m *statusMaker) tell(v *MomentView, x workflow.Moment, base string) bool {
	j, w, i := m.j, m.w, x.Ref-1
	key := "story." + string(x.Kind)
	switch x.Kind {
	case workflow.KindJobBooked:
		v.Text = w.T(key, j.Device.Name())
	case workflow.KindFaultTried:
		if j.Reproduction == nil {
			return false
		}
		v.Text, v.Quote = w.T("tried."+string(j.Reproduction.Result)), j.Reproduction.Note
	case workflow.KindCheckDone:
		s, c := m.checkAt(x)
		if c == nil {
			return false
		}
		v.Text = w.T(key+"."+string(c.Outcome), s.Text)
		v.Quote = sentence(c.Text)
		if c.Reading != "" {
			v.Quote = w.T("story.reading", v.Quote, c.Reading)
		}
	case workflow.KindFindingNoted:
		f := j.Finding(x.Ref)
		if f == nil || f.Withdrawn {
			return false
		}
		v.Text = w.T(key, f.Text)
	case workflow.KindDutyWaived:
		if i < 0 || i >= len(j.Duties) {
			return false
		}
		v.Text, v.Quote = w.T(key, j.Duties[i].Words()), j.Duties[i].Waived
	case workflow.KindReportSent:
		if i < 0 || i >= len(j.Reports) {
			return false
		}
		v.Text, v.Quote = w.T(key, x.Ref), j.Reports[i].Short
		v.URL, v.LinkText = base+"/report/"+itoa(x.Ref), w.T("story.report.open", x.Ref)
	case workflow.KindQuoteIssued:
		if x.Ref > 1 {
			key += ".further"
		}
		v.Text = w.T(key)
		if i >= 0 && i < len(j.Quotes) {
			v.Quote = j.Quotes[i].Reason
		}
	case workflow.KindQuoteWithdrawn, workflow.KindQuoteExpired:
		v.Text = w.T(key)
	case workflow.KindDecisionMade:
		if i < 0 || i >= len(j.Decisions) {
			return false
		}
		d := &j.Decisions[i]
		switch {
		case d.Verdict == workflow.VerdictApprove && d.Total != nil && d.Revision >= 1 && d.Revision <= len(j.Quotes):
			title := d.Option
			if o := j.Quotes[d.Revision-1].Option(d.Option); o != nil {
				title = o.Title
			}
			v.Text = w.T(key+".approve", title, w.Money(*d.Total))
		default:
			v.Text = w.T(key + "." + string(d.Verdict))
		}
	case workflow.KindDecisionUndone:
		v.Text = w.T(key)
	case workflow.KindChargeSet:
		if j.Charged == nil {
			return false
		}
		v.Text, v.Quote = w.T(key, w.Money(*j.Charged)), j.ChargedWhy
	case workflow.KindCollectionAsked:
		if i < 0 || i >= len(j.Uncollected) {
			return false
		}
		v.Text, v.Quote = w.T(key), j.Uncollected[i].Text
	case workflow.KindPaymentRecorded:
		if i < 0 || i >= len(j.Payments) {
			return false
		}
		a := j.Payments[i].Amount
		if a.Minor < 0 {
			a.Minor = -a.Minor
			key += ".back"
		}
		v.Text = w.T(key, w.Money(a))
	case workflow.KindPromiseMade:
		if i < 0 || i >= len(j.Promises) {
			return false
		}
		due := j.ToldOf(m.shop, &j.Promises[i])
		if due.IsZero() {
			return false
		}
		if i > 0 {
			key += ".moved"
		}
		v.Text, v.Quote = w.T(key, m.day(due)), j.Promises[i].Reason
	case workflow.KindPromiseBreached:
		if i < 0 || i >= len(j.Promises) {
			return false
		}
		v.Text = w.T(key, m.day(j.Promises[i].BreachedAt))
	case workflow.KindHoldPlaced, workflow.KindHoldLifted:
		if i < 0 || i >= len(j.Holds) {
			return false
		}
		h := &j.Holds[i]
		v.Text = w.T(key + "." + string(h.Reason))
		if x.Kind == workflow.KindHoldPlaced {
			v.Quote = h.Note
		}
	case workflow.KindWorkDone:
		if i < 0 || i >= len(j.Work) {
			return false
		}
		v.Text, v.Quote = w.T(key), j.Work[i].Text
	case workflow.KindTestDone:
		if i < 0 || i >= len(j.Tests) {
			return false
		}
		t := &j.Tests[i]
		if !t.Passed {
			key += ".failed"
		}
		v.Text, v.Quote = w.T(key, t.Name), t.Note
		if t.Reading != "" && t.Note != "" {
			v.Quote = w.T("story.reading", sentence(t.Note), t.Reading)
		} else if t.Reading != "" {
			v.Quote = t.Reading
		}
	case workflow.KindJobReady:
		v.Text = w.T(key)
		if j.Ready != nil {
			v.Quote = j.Ready.Note
		}
	case workflow.KindMessageSent:
		if x.By == workflow.RoleCustomer {
			v.Text = w.T(key + ".you")
		} else {
			v.Text = w.T(key)
		}
		v.URL, v.LinkText = "#letters", w.T("story.letters.open")
	default:
		return m.tellDelay(v, x)
	}
	return true
}

// checkAt finds the check that a step of the story is about: the one made at that instant.
func (m *statusMaker) checkAt(x workflow.Moment) (*workflow.Suspect, *workflow.Check) {
	for i := range m.j.Suspects {
		s := &m.j.Suspects[i]
		if s.ID != x.Ref {
			continue
		}
		for k := range s.Checks {
			if s.Checks[k].At.Equal(x.At) {
				return s, &s.Checks[k]
			}
		}
	}
	return nil, nil
}
