package templates

import (
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/calendar"
)

// NeedKind is what the customer is asked for.
type NeedKind string

const (
	NeedNone   NeedKind = "none"
	NeedSend   NeedKind = "send"   // the parcel
	NeedDecide NeedKind = "decide" // an answer to the quote
	NeedChoose NeedKind = "choose" // what is to happen after a missed promise
	NeedAnswer NeedKind = "answer" // an answer to a message
	NeedPay    NeedKind = "pay"    // the balance
	// NeedCollect: it is ready at the counter.
	NeedCollect NeedKind = "collect"
)

// Status answers the three things that an owner wants to know, in words: where is it, do you need
// anything from me, when will it be back. The tracking page and every mail say it in the same words.
type Status struct {
	Job    workflow.JobNumber
	Number string // as people read it out
	Device string
	Stage  workflow.Stage
	// StageName is the stage in two or three words.
	StageName string

	// Where answers "where is it" in a few words, WhereMore adds a sentence or two.
	Where, WhereMore string
	// Hold says that and why work stands still, "" if it does not; HoldNote is the bench's own word.
	Hold, HoldNote string

	// Need answers "do you need anything from me", NeedMore says what, until when.
	NeedAction     NeedKind
	Need, NeedMore string

	// When answers "when will it be back", WhenMore says what the date means, WhenWhy why it moved.
	When, WhenMore string
	WhenWhy        []string
	// Due is the promised instant, zero where none can be named.
	Due time.Time
	// Breached: the date in force has passed and the job is not done.
	Breached bool
	Ended    bool

	Rail []RailStep
}

// RailStep is one stage of the job's way.
type RailStep struct {
	Stage workflow.Stage
	Name  string
	// State is "done", "here", "ahead" or "left-out"; StateWords says it.
	State, StateWords string
}

// zoneOf returns the shop's time zone.
func zoneOf(shop *workflow.Shop) *time.Location { return shop.Calendar.Location() }

// statusMaker holds what the parts of a status are made from.
type statusMaker struct {
	j    *workflow.Job
	shop *workflow.Shop
	now  time.Time
	w    *locale.Words
	loc  *time.Location
}

// StatusOf puts a job into words as it stands at an instant.
func StatusOf(j *workflow.Job, shop *workflow.Shop, now time.Time, w *locale.Words) Status {
	m := &statusMaker{j, shop, now, w, zoneOf(shop)}
	s := Status{
		Job: j.Number, Number: j.Number.Shown(), Device: j.Device.Name(), Stage: j.Stage,
		StageName: w.T("stage." + string(j.Stage)), Ended: j.Ended(), NeedAction: NeedNone,
	}
	m.where(&s)
	m.need(&s)
	m.when(&s)
	s.Rail = m.rail()
	return s
}

// day returns a date as it stands after "by" or "since".
func (m *statusMaker) day(t time.Time) string { return m.w.DayAsOf(t, m.now, m.loc) }

func (m *statusMaker) where(s *Status) {
	j, w := m.j, m.w
	since := m.day(j.StageSince)
	say := func(key string, args ...any) {
		s.Where, s.WhereMore = w.T("where."+key), w.T("where."+key+".more", args...)
	}
	switch j.Stage {
	case workflow.StageBooked:
		say("booked", since)
	case workflow.StageReceived:
		say("received", since)
	case workflow.StageDiagnosing:
		say("diagnosing", since)
	case workflow.StageAwaitingApproval:
		say("awaiting_approval", since)
		if j.OpenQuestion() != nil {
			s.WhereMore = w.T("where.awaiting_approval.question")
		}
	case workflow.StageRepairing:
		say("repairing", since)
	case workflow.StageTesting:
		switch {
		case j.Ready != nil:
			say("ready", m.day(j.Ready.At))
		case j.Outcome == workflow.OutcomeUnrepaired:
			say("closing", since)
		case j.Outcome == workflow.OutcomeNoFault:
			say("no_fault", since)
		default:
			say("testing", since)
		}
	case workflow.StageShipped:
		ended := m.day(j.EndedAt)
		p := j.Shipment
		switch {
		case p != nil && p.InPerson:
			say("handed_over", ended)
		case p != nil && p.Carrier != "":
			say("shipped", ended, p.Carrier, p.Parcel)
		default:
			say("shipped", ended, "", "")
			s.WhereMore = w.T("where.shipped.plain", ended)
		}
		if w.Has("outcome." + string(j.Outcome) + ".more") {
			s.WhereMore += " " + w.T("outcome."+string(j.Outcome)+".more")
		}
	case workflow.StageWithdrawn:
		if j.Outcome == workflow.OutcomeRecycled {
			say("recycled", m.day(j.EndedAt))
		} else {
			say("cancelled", m.day(j.EndedAt))
		}
	}
	if h := j.Hold(); h != nil {
		s.Hold = w.T("hold."+string(h.Reason), m.day(h.From))
		s.HoldNote = h.Note
	}
}

// asked returns the bench's newest question that the customer has not written after, nil if there is none.
func asked(j *workflow.Job) *workflow.Message {
	for i := len(j.Messages) - 1; i >= 0; i-- {
		m := &j.Messages[i]
		if m.By.Role == workflow.RoleCustomer {
			return nil
		}
		if m.Question {
			return m
		}
	}
	return nil
}

func (m *statusMaker) need(s *Status) {
	j, w := m.j, m.w
	say := func(kind NeedKind, key string, args ...any) {
		s.NeedAction, s.Need, s.NeedMore = kind, w.T("need."+key), w.T("need."+key+".more", args...)
	}
	q := j.Quote()
	balance := j.Balance(m.shop)
	hold := j.Hold()
	switch {
	case j.Ended():
		say(NeedNone, "ended")
		if j.Stage == workflow.StageShipped && j.Shipment != nil && j.Shipment.WarrantyDays > 0 && j.Outcome == workflow.OutcomeRepaired {
			s.NeedMore = w.T("need.ended.warranty", m.w.Date(j.EndedAt.AddDate(0, 0, j.Shipment.WarrantyDays), m.loc))
		}
	case j.Stage == workflow.StageBooked && j.Inbound == "":
		say(NeedSend, "send")
	case j.Stage == workflow.StageBooked:
		say(NeedNone, "on_its_way", j.Inbound)
	case j.Stage == workflow.StageAwaitingApproval && q != nil && q.Answerable(m.now) && j.OpenQuestion() != nil:
		say(NeedDecide, "question", m.day(q.ExpiresAt))
	case j.Stage == workflow.StageAwaitingApproval && q != nil && q.Answerable(m.now):
		say(NeedDecide, "decide", m.day(q.ExpiresAt))
	case asked(j) != nil:
		say(NeedAnswer, "answer")
	case j.Stage == workflow.StageAwaitingApproval && q != nil && (q.State == workflow.QuoteExpired || q.State == workflow.QuoteOpen):
		say(NeedAnswer, "expired", m.day(q.ExpiresAt))
	case m.toChoose() != nil:
		say(NeedChoose, "choose", m.day(j.Delay().AnswerBy))
	case hold != nil && hold.Reason == workflow.HoldCustomer:
		say(NeedAnswer, "hold")
	case j.DepositOpen(m.shop).Minor > 0 && hold != nil && hold.Reason == workflow.HoldPayment:
		say(NeedPay, "deposit", w.Money(j.DepositOpen(m.shop)))
	case j.Shipment != nil && j.Shipment.InPerson && !j.WaitsSince(m.shop).IsZero():
		say(NeedCollect, "collect", m.day(j.WaitsSince(m.shop)))
	case balance.Minor > 0 && (hold != nil && hold.Reason == workflow.HoldPayment || m.shop.SettleFirst && j.Stage == workflow.StageTesting):
		say(NeedPay, "pay", w.Money(balance))
	default:
		say(NeedNone, "nothing")
	}
}

func (m *statusMaker) when(s *Status) {
	j, w := m.j, m.w
	p := j.Promise()
	switch {
	case j.Stage == workflow.StageWithdrawn:
		s.When = w.T("when.withdrawn")
		s.WhenMore = w.T("when.withdrawn.more")
		return
	case j.Stage == workflow.StageShipped:
		s.When = w.T("when.shipped", m.day(j.EndedAt))
		if j.Shipment != nil && j.Shipment.InPerson {
			s.When = w.T("when.handed_over", m.day(j.EndedAt))
		}
		if p != nil {
			if due, ok := j.Turnaround(m.shop, p).Due(); ok {
				s.Due = due
				key := "when.kept"
				if !p.BreachedAt.IsZero() || j.EndedAt.After(due) {
					key = "when.missed"
				}
				s.WhenMore = w.T(key, m.day(due))
			}
		}
		m.why(s)
		return
	case p == nil && j.Stage == workflow.StageBooked && m.shop.PromiseDays > 0:
		s.When = w.T("when.booked", m.shop.PromiseDays)
		s.WhenMore = w.T("when.booked.more")
		return
	case p == nil:
		s.When = w.T("when.none")
		s.WhenMore = w.T("when.none.more")
		return
	}
	due, ok := j.Due(m.shop)
	switch {
	case !p.BreachedAt.IsZero() || ok && m.now.After(due):
		if !p.BreachedAt.IsZero() {
			due = p.BreachedAt
		}
		s.Due, s.Breached = due, true
		s.When = w.T("when.late")
		s.WhenMore = w.T("when.late.more", m.day(due))
		if d := j.Delay(); d != nil && d.Choice == workflow.DelayReturn {
			s.When, s.WhenMore = w.T("when.returning"), w.T("when.returning.more", m.day(due))
		} else if d != nil && d.Promise == p.Number && d.Reason != "" {
			s.WhenMore = w.T("when.late.unknown", m.day(due))
			s.WhenWhy = append(s.WhenWhy, d.Reason)
		}
	case ok:
		s.Due = due
		s.When = w.T("when.by", m.day(due))
		s.WhenMore = w.T("when.by.more", w.Clock(due, m.loc), w.Zone(m.loc))
		if their := m.theirs(due); their != "" {
			s.WhenMore += " " + their
		}
	default:
		// The clock stands still. What the date would be if it went on this minute is worth saying.
		s.When = w.T("when.paused")
		if due, ok := j.Turnaround(m.shop, p).DueAt(m.now); ok {
			s.When = w.T("when.paused.by", m.day(due))
		}
		s.WhenMore = w.T("when.paused.more." + string(m.waitingFor()))
	}
	m.why(s)
}

// theirs returns an instant in the customer's own zone where that shows another time, "" otherwise.
func (m *statusMaker) theirs(t time.Time) string {
	if m.j.Customer.TimeZone == "" {
		return ""
	}
	loc, err := calendar.LoadLocation(m.j.Customer.TimeZone)
	if err != nil || !locale.Differs(t, m.loc, loc) {
		return ""
	}
	if t.In(loc).Day() != t.In(m.loc).Day() {
		return m.w.T("when.theirs.day", m.w.Day(t, loc), m.w.Clock(t, loc), m.w.Zone(loc))
	}
	return m.w.T("when.theirs", m.w.Clock(t, loc), m.w.Zone(loc))
}

// waitingFor returns whom the clock stands still for: the latest running pause.
func (m *statusMaker) waitingFor() workflow.Account {
	for i := len(m.j.Pauses) - 1; i >= 0; i-- {
		if m.j.Pauses[i].To.IsZero() {
			return m.j.Pauses[i].For
		}
	}
	return workflow.AccountCustomer
}

// why says what moved the date, oldest first: the promises made before, and what the clock stood still
// for.
func (m *statusMaker) why(s *Status) {
	j, w := m.j, m.w
	p := j.Promise()
	if p == nil {
		return
	}
	for i := range j.Promises[:len(j.Promises)-1] {
		old := &j.Promises[i]
		key, first := "why.moved", m.toldOf(old)
		if first.IsZero() {
			continue
		}
		if i == 0 {
			key = "why.first"
		}
		if !old.BreachedAt.IsZero() {
			key += ".missed"
		}
		s.WhenWhy = append(s.WhenWhy, w.T(key, m.day(first)))
	}
	if p.Reason != "" {
		s.WhenWhy = append(s.WhenWhy, w.T("why.reason", p.Reason))
	}
	// Pauses that moved the date in force: those that ended after it was made.
	t := j.Turnaround(m.shop, p)
	t.Pauses = nil
	before, ok := t.Due()
	if !ok {
		return
	}
	for _, x := range j.Pauses {
		// One pause more at a time, in order: the share of each is what it adds to those before it.
		t.Pauses = append(t.Pauses, x)
		after, ok := t.DueAt(m.now)
		if !ok || !after.After(before) {
			continue
		}
		key := "why.pause." + string(x.For)
		if x.To.IsZero() {
			key = "why.pausing." + string(x.For)
		}
		if !sameDay(before, after, m.loc) {
			s.WhenWhy = append(s.WhenWhy, w.T(key, m.day(before), m.day(after), m.day(x.From), m.day(x.To)))
		}
		before = after
	}
}

func sameDay(a, b time.Time, loc *time.Location) bool {
	return a.In(loc).Format(time.DateOnly) == b.In(loc).Format(time.DateOnly)
}

// dueOf returns the instant at which a promise runs out as things stand: a pause that is still running
// counts up to now. It is zero where none can be named.
func (m *statusMaker) dueOf(p *workflow.Promise) time.Time {
	if !p.BreachedAt.IsZero() {
		return p.BreachedAt
	}
	due, ok := m.j.Turnaround(m.shop, p).DueAt(m.now)
	if !ok {
		return time.Time{}
	}
	return due
}

// toldOf returns the date that was told when the promise was made: what came later moved it later.
func (m *statusMaker) toldOf(p *workflow.Promise) time.Time {
	t := m.j.Turnaround(m.shop, p)
	t.Pauses = nil
	for _, x := range m.j.Pauses {
		if x.From.Before(p.MadeAt) {
			t.Pauses = append(t.Pauses, x)
		}
	}
	due, ok := t.DueAt(p.MadeAt)
	if !ok {
		return time.Time{}
	}
	return due
}

// rail lays out the job's way. Stages that it passed by are marked as such; a job that goes back has
// the later ones before it again.
func (m *statusMaker) rail() []RailStep {
	j := m.j
	been := map[workflow.Stage]bool{j.Stage: true}
	for _, x := range j.Story {
		if x.Kind == workflow.KindJobBooked {
			been[workflow.StageBooked] = true
		}
		if x.To != "" {
			been[x.To] = true
		}
	}
	var out []RailStep
	at := -1
	for i, s := range workflow.Stages {
		if s == j.Stage {
			at = i
		}
	}
	for i, s := range workflow.Stages {
		switch {
		case s == workflow.StageWithdrawn && j.Stage != s:
			continue
		case j.Stage == workflow.StageWithdrawn && s != j.Stage && !been[s]:
			continue
		}
		step := RailStep{Stage: s, Name: m.w.T("stage." + string(s)), State: "ahead"}
		switch {
		case i == at && j.Ended():
			step.State = "done"
		case i == at:
			step.State = "here"
		case i < at && been[s]:
			step.State = "done"
		case i < at:
			step.State = "left-out"
		}
		step.StateWords = m.w.T("rail." + step.State)
		out = append(out, step)
	}
	return out
}
