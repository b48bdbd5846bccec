package templates

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/history"
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
	// Writes: by this link the customer can write, choose what to be told, and share. Asks: it can have the
	// customer's own links emailed to them.
	Writes, Asks bool
	// Decide is the address of the quote page, "" where this link can't decide.
	Decide string
	// QuoteMailed says when the email with the decide link went out, for another link.
	QuoteMailed string
	Reports     []ReportLink
	Story       []MomentView // the newest steps
	Earlier     []MomentView // the others
	Pairs       []PhotoPair
	Contents    []ContentView
	Serial      string
	Fault       string
	// Follows names the job that this one comes back from under warranty, "" for none.
	Follows   string
	Condition string
	Duties    []DutyView
	Letters   []LetterView
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
	// Arrive: the customer can say that the parcel has come, Missing that it has not.
	Arrive, Missing bool
	// Erased says that the person was erased: no letters, no form.
	Erased bool
	// Message is what was typed into the form, kept when it could not be sent; Question its tick, which AsksQuote shows
	// while a quote waits.
	Message   string
	Question  bool
	AsksQuote bool
	Errors    []FieldError
	// LinkUntil is when this link ends.
	LinkUntil string
	// Outlook says when it will most likely leave, by the shop's own history, and OutlookOf what that rests
	// on; "" where the history has nothing to say.
	Outlook, OutlookOf string
	// Ended: the device has left, or was never here; writing is folded then.
	Ended bool
	// PushKey is the key that a browser subscribes with to be told of the job, "" where it can't be.
	PushKey string
	// Night: nothing is told in the night.
	Night bool
	// Address is where the parcel goes, for a job that is not here yet.
	SendTo bool
}

// newest parts a story into the steps that stand open and those that are folded: four, or up to eight until
// there is a photo to see, where more than one step would be left.
func newest(story []MomentView) (open, folded []MomentView) {
	n := 4
	if i := slices.IndexFunc(story, func(m MomentView) bool { return m.Photos != nil }); i >= n && i < 8 {
		n = i + 1
	}
	if len(story) <= n+1 {
		return story, nil
	}
	return story[:n], story[n:]
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

// LetterView is a message.
type LetterView struct {
	ID       int
	Mine     bool // from the customer
	Who      string
	When     string
	Text     string
	Question bool
	// Came says how it came, and Flag what to do before anybody acts on it; for the counter only.
	Came, Flag string
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
	Outlook *history.Outlook
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
		Contents: ContentsOf(j, w), Serial: j.Device.Serial.Text, Fault: j.Fault.Text, Condition: j.Condition.Text,
		Pairs: PairsOf(j, w, loc, urls), Paid: PaidOf(j, shop, w), Erased: !j.Erased.IsZero(), Ended: j.Ended(), SendTo: j.Stage == workflow.StageBooked,
		LinkUntil: w.Date(l.Until, loc),
		Writes:    workflow.LinkPermits(l.Purpose, workflow.SendMessage{}), Asks: workflow.LinkPermits(l.Purpose, workflow.AskLink{}),
	}
	if posted := j.Shipment != nil && !j.Shipment.InPerson; t.Writes && j.Stage == workflow.StageShipped && posted && j.Erased.IsZero() {
		a := j.Arrival
		t.Arrive = a == nil || !a.Arrived
		t.Missing = a == nil && (j.ArriveBy != "" || j.ArriveDay(shop).IsZero()) || a != nil && a.Arrived && a.By != workflow.RoleCustomer && len(j.Returns) == 0
	}
	if j.Follows != "" {
		t.Follows = w.T("track.follows", j.Follows.Shown())
	}
	if !t.Writes && j.Standing(shop, now).Need.Why == workflow.WhyOnItsWay {
		t.Status.NeedMore = "" // it names the parcel
	}
	if t.Writes && !j.Ended() && j.Erased.IsZero() {
		t.PushKey, t.Night = l.PushKey, shop.Quiet.From != shop.Quiet.To
	}
	if t.AsksQuote = t.Status.NeedAction == workflow.NeedDecide; t.AsksQuote {
		if l.Purpose == link.Decide {
			t.Decide = "/d/" + l.Token
		} else {
			t.QuoteMailed = w.Day(j.Quote().IssuedAt, loc)
		}
	}
	for i := len(j.Reports) - 1; i >= 0; i-- {
		r := &j.Reports[i]
		t.Reports = append(t.Reports, ReportLink{r.Number, base + "/report/" + strconv.Itoa(r.Number), w.Day(r.SentAt, loc), r.Short})
	}
	for _, d := range j.Duties {
		if d.Waived.Text != "" {
			t.Duties = append(t.Duties, dutyView(j, d, w))
		}
	}
	t.Letters = lettersOf(j, w, loc)
	m := &statusMaker{j, shop, now, w, loc}
	t.Promises, t.Holds = m.promises(), m.holds()
	t.Story = m.story(base, urls)
	t.Story, t.Earlier = newest(t.Story)
	if l.Outlook != nil && l.Outlook.Agrees(j.Standing(shop, now).Date, shop) {
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
func TrackPhotos(token string) PhotoURLs { return PhotosAt("/j/" + token + "/photo/") }

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

// promises are the dates told, oldest first: each promise, and what pauses made of it.
func (m *statusMaker) promises() []PromiseView {
	j, w := m.j, m.w
	var out []PromiseView
	for i := range j.Promises {
		p := &j.Promises[i]
		for k, x := range j.Tellings(m.shop, p) {
			v := PromiseView{State: w.T("promise.replaced")}
			switch {
			case k > 0:
				v.Text = w.T("promise.told", m.day(x.At), m.day(x.Date), m.waitedFor(x.For))
			case i > 0:
				v.Text, v.Reason = w.T("promise.later", m.day(x.At), m.day(x.Date)), p.Reason.Text
			default:
				v.Text = w.T("promise.first", m.day(x.At), m.day(x.Date))
			}
			out = append(out, v)
		}
		if n := len(out) - 1; n >= 0 && !p.BreachedAt.IsZero() {
			out[n].State = w.T("promise.missed")
		}
	}
	if n := len(out) - 1; n >= 0 && out[n].State == w.T("promise.replaced") {
		switch d := j.Standing(m.shop, m.now).Date; {
		case d.Kind == workflow.DateBy:
			out[n].State = w.T("promise.open")
		case d.Kind == workflow.DateLeft && !d.Missed:
			out[n].State = w.T("promise.kept")
		case d.Kind == workflow.DateLeft:
			out[n].State = w.T("promise.missed")
		default:
			out[n].State = ""
		}
	}
	return out
}

func (m *statusMaker) holds() []HoldView {
	var out []HoldView
	for _, h := range m.j.Holds {
		if h.To.IsZero() {
			out = append(out, HoldView{m.w.T("hold."+string(h.Reason), m.day(h.From)), h.Note.Text})
			continue
		}
		out = append(out, HoldView{m.w.T("held."+string(h.Reason), m.day(h.From), m.day(h.To)), h.Note.Text})
	}
	return out
}

// lettersOf are the messages of a job, in order.
func lettersOf(j *workflow.Job, w *locale.Words, loc *time.Location) (out []LetterView) {
	for _, m := range j.Messages {
		v := LetterView{Mine: m.FromCustomer(), Who: w.T("letter.bench"), When: w.DayTime(m.At, loc), Text: m.Text.Text, Question: m.Question && !m.Answered}
		if v.Mine {
			v.Who = w.T("letter.you")
			v.Question = false
		}
		if m.Text.Erased() {
			v.Text = w.T("letter.erased")
		}
		out = append(out, v)
	}
	return out
}
