package templates

import (
	"cmp"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
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
	NeedAction     workflow.NeedKind
	Need, NeedMore string
	// NeedAway is NeedMore for who does not read it on the page, where nothing stands below.
	NeedAway string
	// Pay says how to pay, where money is asked for; PayURL and PayNow lead to the payment service, "" for none.
	Pay, PayURL, PayNow string

	// When answers "when will it be back", WhenMore says what the date means, WhenWhy why it moved.
	When, WhenMore string
	WhenWhy        []string
	// Date is the date that is named, or when it left; zero where none can be named.
	Date time.Time
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
		StageName: m.stageName(j.Stage), Ended: j.Ended(),
	}
	at := j.Standing(shop, now)
	m.where(&s, at)
	m.need(&s, at.Need)
	m.when(&s, at.Date)
	s.Rail = m.rail()
	return s
}

// day returns a date as it stands after "by" or "since".
func (m *statusMaker) day(t time.Time) string { return m.w.DayAsOf(t, m.now, m.loc) }

func (m *statusMaker) where(s *Status, at workflow.Standing) {
	j, w := m.j, m.w
	since := m.day(at.Since)
	key, args := string(at.Where), []any{since}
	more := key
	switch p := j.Shipment; at.Where {
	case workflow.WhereQuestion:
		more = ""
		s.WhereMore = w.T("where.awaiting_approval.question")
	case workflow.WhereAwaiting:
		if _, kept := j.Kept(); kept != nil {
			more += ".kept"
		} else if cost := j.CostOfNo(m.shop); cost.Minor > 0 {
			more, args = more+".fee", append(args, w.Money(cost))
		}
	case workflow.WhereReady:
		if at.Need.Kind == workflow.NeedCollect {
			more += ".collect"
		}
	case workflow.WhereQueued:
		if d := j.AnswerTo(len(j.Quotes)); d != nil {
			more += keptKey(d)
		}
	case workflow.WherePartly, workflow.WhereOutside, workflow.WhereBeyond:
		args = append(args, OutcomeWhy(j))
	case workflow.WhereShipped, workflow.WhereOverdue, workflow.WhereMissing, workflow.WhereArrived:
		more, s.WhereMore = "", w.T("where.shipped.plain", m.day(j.EndedAt))
		if p != nil && p.Carrier != "" {
			s.WhereMore = w.T("where.shipped.more", m.day(j.EndedAt), p.Carrier, p.Parcel)
		}
		s.WhereMore += m.arrival(at)
	}
	if len(j.Returns) > 0 && at.Where == workflow.WhereArrived {
		key = "again"
	}
	if s.Where = w.T("where." + key); more != "" {
		s.WhereMore = w.T("where."+more+".more", args...)
	}
	if j.Stage == workflow.StageShipped && j.Outcome == workflow.OutcomeUnrepaired && j.AskedBack() {
		s.WhereMore += " " + w.T("outcome.returned_unrepaired.asked")
	} else if j.Stage == workflow.StageShipped && w.Has("outcome."+string(j.Outcome)+".more") {
		s.WhereMore += " " + w.T("outcome."+string(j.Outcome)+".more", OutcomeWhy(j))
	}
	if safe := madeSafe(j, w); safe != "" && j.Ended() {
		s.WhereMore += " " + safe
	}
	if h := at.Waiting; h != nil {
		s.Hold = w.T("hold."+string(h.Reason), m.day(h.From))
		s.HoldNote = h.Note.Text
	}
}

// arrival says of a parcel that was posted what is known of its arrival, with a blank before it.
func (m *statusMaker) arrival(at workflow.Standing) string {
	since := m.day(at.Since)
	switch {
	case len(m.j.Returns) > 0:
		return " " + m.w.T("where.returned", m.j.Returns[len(m.j.Returns)-1].Shown())
	case at.Where == workflow.WhereMissing:
		return " " + m.w.T("where.missing.more", since)
	case at.Where == workflow.WhereArrived && at.Arrival.By == workflow.RoleCustomer:
		return " " + m.w.T("where.arrived.more", since)
	case at.Where == workflow.WhereArrived:
		return " " + m.w.T("where.arrived.bench", since)
	}
	return ""
}

// stageName returns a stage in two or three words; what was withdrawn is called as it ended.
func (m *statusMaker) stageName(s workflow.Stage) string {
	if s == workflow.StageWithdrawn && m.j.Outcome != "" {
		return m.w.T("outcome." + string(m.j.Outcome))
	}
	return m.w.T("stage." + string(s))
}

// UntilYouAnswer says that nothing is done or charged before an answer, apart from what was announced on booking.
func UntilYouAnswer(j *workflow.Job, shop *workflow.Shop, w *locale.Words) string {
	if cost := j.CostOfNo(shop); cost.Minor > 0 {
		return w.T("quote.until.fee", w.Money(cost))
	}
	return w.T("quote.until")
}

func (m *statusMaker) need(s *Status, n workflow.Need) {
	j, w := m.j, m.w
	var args []any
	switch {
	case n.Why == workflow.WhyOnItsWay:
		args = []any{j.Inbound}
	case n.Amount != nil:
		args = []any{w.Money(*n.Amount), m.day(n.Since)}
		s.PayURL, s.PayNow = payLink(j, m.shop, w)
		s.Pay = cmp.Or(m.shop.PayWords[w.Lang], m.shop.PayWords[m.shop.Languages[0]])
		if s.Pay == "" && s.PayURL == "" {
			s.Pay = w.T("pay.ask")
		}
	case !n.By.IsZero():
		args = []any{m.day(n.By)}
	case !n.Since.IsZero():
		args = []any{m.day(n.Since)}
	}
	s.NeedAction, s.Need, s.NeedMore = n.Kind, w.T("need."+string(n.Why)), w.T("need."+string(n.Why)+".more", args...)
	if n.Why == workflow.WhyEnded && j.Stage == workflow.StageShipped && j.Shipment != nil && j.Shipment.WarrantyDays > 0 && j.Outcome.Repaired() {
		s.NeedMore = w.T("need.ended.warranty", m.w.Date(j.EndedAt.AddDate(0, 0, j.Shipment.WarrantyDays), m.loc))
	}
	switch s.NeedAway = s.NeedMore; {
	case n.Why == workflow.WhyExpired:
		s.NeedAway = w.T("mail.need.expired", args...)
	case n.Kind == workflow.NeedAnswer:
		s.NeedAway = w.T("mail.need.answer")
	}
}

func (m *statusMaker) when(s *Status, d workflow.Date) {
	w := m.w
	s.Date, s.Breached = d.At, d.Missed && !m.j.Ended()
	day := m.day(d.At)
	key, args := "when."+string(d.Kind), []any{day}
	more, told := key+".more", m.day(d.Told)
	switch d.Kind {
	case workflow.DateClosed:
		key, more = "when.withdrawn", "when.withdrawn.more"
	case workflow.DateLeft:
		if key, more = "when.shipped", ""; m.j.Shipment != nil && m.j.Shipment.InPerson {
			key = "when.handed_over"
		}
		switch {
		case d.Told.IsZero():
		case d.Missed:
			more = "when.missed"
		case m.shop.Calendar.Date(d.At) > m.shop.Calendar.Date(d.Told):
			more = "when.kept.later"
		default:
			more = "when.kept"
		}
		if arrive := m.j.ArriveDay(m.shop); !arrive.IsZero() || m.j.Arrival != nil {
			s.WhenMore = w.T("where.shipped.plain", day)
			switch a := m.j.Arrival; {
			case len(m.j.Returns) > 0:
				key, args = "when.again", []any{m.j.Returns[len(m.j.Returns)-1].Shown()}
			case a != nil && a.Arrived:
				key, args = "when.arrived", nil
			case a != nil:
				key, args = "when.missing", nil
			case m.j.ArriveBy != "":
				key, args = "when.overdue", []any{m.day(arrive)}
			default:
				key, args = "when.arrive", []any{m.day(arrive)}
			}
		}
	case workflow.DateBooked:
		s.When = quotaWords(d.Quota, m.shop, m.now, w)
	case workflow.DateLate:
		if d.Reason != "" {
			more = "when.late.unknown"
			s.WhenWhy = append(s.WhenWhy, d.Reason)
		}
	case workflow.DatePaused:
		if !d.At.IsZero() {
			key, more, args = "when.if."+m.cause(d.For, d.Since), "when.if.more", []any{day, m.day(d.If)}
		}
	}
	if s.When == "" {
		s.When = w.T(key, args...)
	}
	if more != "" {
		s.WhenMore = strings.TrimSpace(s.WhenMore + " " + w.T(more, told))
	}
	for _, x := range d.Moved {
		s.WhenWhy = append(s.WhenWhy, m.why(d, x))
	}
}

// why says one thing that moved the date.
func (m *statusMaker) why(d workflow.Date, x workflow.DateMove) string {
	w := m.w
	switch {
	case x.Reason != "":
		return w.T("why.reason", x.Reason)
	case x.Promise > 0:
		key := "why.moved"
		if x.Promise == 1 {
			key = "why.first"
		}
		if x.Missed {
			key += ".missed"
		}
		return w.T(key, m.day(x.From))
	case x.To.IsZero():
		return w.T("why.waits", m.day(x.From), m.waitedFor(x.For), m.day(d.Since))
	}
	return w.T("why.waited", m.day(x.From), m.day(x.To), m.waitedFor(x.For))
}

// waitedFor lists whom the bench waited for.
func (m *statusMaker) waitedFor(list []promiseclock.Account) string {
	var names []string
	for _, a := range list {
		names = append(names, m.w.T("why.for."+string(a)))
	}
	return m.w.List(names)
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

func sameDay(a, b time.Time, loc *time.Location) bool {
	return a.In(loc).Format(time.DateOnly) == b.In(loc).Format(time.DateOnly)
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
		step := RailStep{Stage: s, Name: m.stageName(s), State: "ahead"}
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
		if step.StateWords = m.w.T("rail." + step.State); i == at && j.Queued() {
			step.StateWords = m.w.T("rail.queued")
		}
		if kept, _ := j.Kept(); kept != nil && s == workflow.StageRepairing && j.Stage == workflow.StageAwaitingApproval {
			step.StateWords = m.w.T("rail.kept")
		}
		out = append(out, step)
	}
	return out
}
