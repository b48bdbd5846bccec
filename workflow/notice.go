package workflow

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/link"
)

// Notice is a notice's fate as the job's history knows it.
type Notice struct {
	ID   string     `json:"id"`
	Kind NoticeKind `json:"kind"`
	At   time.Time  `json:"at,omitzero"`
	// Ref, Quote, With, Due and Asked are those of [NoticeMade].
	Ref   int       `json:"ref,omitempty"`
	Quote int       `json:"quote,omitempty"`
	With  string    `json:"with,omitempty"`
	Due   time.Time `json:"due,omitzero"`
	Asked bool      `json:"asked,omitempty"`
	// DeliveredAt is when the mail server accepted it; BuriedAt when it was given up; BouncedAt when it
	// came back after all. Reason says why.
	DeliveredAt time.Time `json:"delivered_at,omitzero"`
	BuriedAt    time.Time `json:"buried_at,omitzero"`
	BouncedAt   time.Time `json:"bounced_at,omitzero"`
	Reason      string    `json:"reason,omitempty"`
	// Moot marks one that was not sent, since later steps had made it out of date.
	Moot bool `json:"moot,omitempty"`
	// ToldAt is when the counter told the customer in another way.
	ToldAt time.Time `json:"told_at,omitzero"`
}

// waits reports whether the notice has not been sent yet.
func (n *Notice) waits() bool { return n.DeliveredAt.IsZero() && n.BuriedAt.IsZero() }

// ChooseNotices is the customer's choice of what to be told by mail.
type ChooseNotices struct {
	Choice NoticeChoice `json:"choice"`
}

func (c ChooseNotices) decide(t *turn) error {
	if err := oneOf("choice", "The choice", c.Choice, NoticeChoices); err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to write to.").because("erased")
	}
	if t.j.Choice() == c.Choice {
		return nil
	}
	return t.record(&NoticesChosen{c.Choice})
}

// NoticeKind is what a notice is about.
type NoticeKind string

const (
	NoticeBooked         NoticeKind = "booked"
	NoticeReceived       NoticeKind = "received"
	NoticeFindings       NoticeKind = "findings_report"
	NoticeQuote          NoticeKind = "quote"
	NoticeFurtherQuote   NoticeKind = "further_quote"
	NoticeQuoteWithdrawn NoticeKind = "quote_withdrawn"
	NoticeDecision       NoticeKind = "decision_received"
	NoticeReady          NoticeKind = "ready"
	NoticeShipped        NoticeKind = "shipped"
	NoticeWithdrawn      NoticeKind = "withdrawn"
	NoticePromiseMoved   NoticeKind = "promise_moved"
	NoticeBreach         NoticeKind = "promise_breached"
	NoticeReminder       NoticeKind = "quote_reminder"
	NoticeLastNotice     NoticeKind = "quote_last_notice"
	NoticeUndone         NoticeKind = "decision_undone"
	NoticeUncollected    NoticeKind = "uncollected"
	NoticeExpired        NoticeKind = "quote_expired"
	NoticeDelayAnswered  NoticeKind = "delay_answered"
	NoticeMessage        NoticeKind = "message"
	NoticeLink           NoticeKind = "link"
	NoticeConfirm        NoticeKind = "confirm"
	NoticeData           NoticeKind = "data"
)

// noticeRule says which notice an event leads to. The first rule of a kind whose when holds counts.
type noticeRule struct {
	On     EventKind
	Notice NoticeKind
	// Says when the rule applies, in words, for the generated table.
	Says string
	// Optional marks a step that the customer may choose not to be mailed about.
	Optional bool
	when     func(j *Job, e *Event) bool
	ref      func(j *Job, e *Event) int
}

// on makes the rule for the event with payload P. What it asks may be nil.
func on[P Payload](n NoticeKind, says string, when func(e *Event, p P) bool, ref func(j *Job, p P) int) noticeRule {
	var none P
	r := noticeRule{On: KindOf(none), Notice: n, Says: says}
	if when != nil {
		r.when = func(_ *Job, e *Event) bool { return when(e, e.Payload.(P)) }
	}
	if ref != nil {
		r.ref = func(j *Job, e *Event) int { return ref(j, e.Payload.(P)) }
	}
	return r
}

// where adds what must hold of the job after the step.
func (r noticeRule) where(holds func(j *Job) bool) noticeRule {
	was := r.when
	r.when = func(j *Job, e *Event) bool { return holds(j) && (was == nil || was(j, e)) }
	return r
}

func (r noticeRule) optional() noticeRule {
	r.Optional = true
	return r
}

// noticeRules is the table "which event leads to which notice"; NoticeTable prints it.
var noticeRules = []noticeRule{
	on(NoticeBooked, "booked in advance", func(_ *Event, p *JobBooked) bool { return !p.WalkIn && !p.Confirms }, nil),
	on(NoticeConfirm, "booked on the web, in a shop that has the address confirmed first", func(_ *Event, p *JobBooked) bool { return p.Confirms }, nil),
	on(NoticeBooked, "the booking's address was confirmed", func(_ *Event, p *ConfirmAnswered) bool { return p.Message == 0 && !p.Not }, nil),
	on(NoticeConfirm, "the counter asks whether a message is the customer's", nil, func(_ *Job, p *ConfirmAsked) int { return p.Message }),
	on(NoticeConfirm, "another way to reach the customer was given on their page", nil, func(_ *Job, p *ChangeAsked) int { return -p.Number }),
	on(NoticeReceived, "the parcel was opened", movedTo(StageReceived), nil).optional(),
	on(NoticeShipped, "it left the shop", movedTo(StageShipped), nil),
	on(NoticeWithdrawn, "the job was withdrawn", movedTo(StageWithdrawn), nil),
	on(NoticeFindings, "a findings report was sent", nil, func(_ *Job, p *ReportSent) int { return p.Number }).optional(),
	on(NoticeQuote, "the first quote", func(_ *Event, p *QuoteIssued) bool { return p.Terms.Revision == 1 }, quoteRef).where((*Job).quoteWaits),
	on(NoticeFurtherQuote, "a later revision", nil, quoteRef).where((*Job).quoteWaits),
	on(NoticeQuote, "the first quote, issued before, can now be answered", movedTo(StageAwaitingApproval), newestRef).where(func(j *Job) bool { return j.quoteUntold() && len(j.Quotes) == 1 }),
	on(NoticeFurtherQuote, "a later revision, issued before, can now be answered", movedTo(StageAwaitingApproval), newestRef).where((*Job).quoteUntold),
	on[*QuoteWithdrawn](NoticeQuoteWithdrawn, "the bench took a quote back", nil, nil).where((*Job).quoteTold),
	on[*QuoteExpired](NoticeExpired, "nobody answered in time", nil, nil),
	on(NoticeLastNotice, "a quote is about to run out", func(_ *Event, p *QuoteReminded) bool { return p.Last }, nil),
	on[*QuoteReminded](NoticeReminder, "a quote waits for an answer", nil, nil),
	on(NoticeDecision, "yes, no or a question came in", nil, func(j *Job, _ *DecisionMade) int { return len(j.Decisions) }),
	on[*JobReady](NoticeReady, "done and tested", nil, nil).optional(),
	on(NoticePromiseMoved, "a new date, with its reason", func(_ *Event, p *PromiseMade) bool { return p.Promise.Number > 1 }, func(_ *Job, p *PromiseMade) int { return p.Promise.Number }).optional(),
	on(NoticePromiseMoved, "pauses moved the date by a working day", func(_ *Event, p *DateTold) bool { return !p.Known }, func(_ *Job, p *DateTold) int { return p.Number }).optional(),
	on(NoticeBreach, "the promised date has passed", nil, func(_ *Job, p *PromiseBreached) int { return p.Number }),
	on(NoticeUndone, "an answer was taken back in time", nil, func(_ *Job, p *DecisionUndone) int { return p.Decision }),
	on(NoticeUncollected, "goods wait to be collected or paid for", nil, func(_ *Job, p *CollectionAsked) int { return p.Number }),
	on(NoticeBreach, "why a promised date was missed, in the bench's words", nil, func(_ *Job, p *DelayTold) int { return p.Terms.Promise }),
	on(NoticeDelayAnswered, "the customer's choice after a missed date, or what silence means", nil, func(_ *Job, p *DelayAnswered) int { return p.Number }),
	on(NoticeMessage, "the bench wrote", func(e *Event, p *MessageSent) bool { return e.By.Role != RoleCustomer && p.Came != CamePhone }, func(_ *Job, p *MessageSent) int { return p.ID }),
	on[*DataSent](NoticeData, "the owner sends what is kept about the customer", nil, nil),
	on(NoticeLink, "somebody asked for the customer's link, or all links were ended", nil, func(_ *Job, p *LinkAsked) int { return slices.Index(linkWhys, p.Why) + 1 }),
}

func quoteRef(_ *Job, p *QuoteIssued) int { return p.Terms.Revision }

func newestRef(j *Job, _ *StageMoved) int { return len(j.Quotes) }

// quoteWaits reports whether the job waits for an answer to its quote.
//
// # Decisions
//
//   - 2026-11-30: A quote is told when it can be answered: one that is issued by itself is told with the move to
//     awaiting approval. Rejected: an email at once, whose link has no form yet and whose reader is asked for what
//     the page does not ask for; a move that comes with each quote, since one within the limit asks nobody.
func (j *Job) quoteWaits() bool {
	q := j.Quote()
	return q != nil && q.State == RevisionOpen && j.Stage == StageAwaitingApproval
}

// quoteTold reports whether a notice has told the current quote.
func (j *Job) quoteTold() bool {
	return slices.ContainsFunc(j.Notices, func(n Notice) bool { return n.Quote > 0 && n.Quote == len(j.Quotes) })
}

func (j *Job) quoteUntold() bool { return j.quoteWaits() && !j.quoteTold() }

func movedTo(s Stage) func(*Event, *StageMoved) bool {
	return func(_ *Event, p *StageMoved) bool { return p.To == s }
}

// NoticeRow is a row of the notice table, for documentation and tests.
type NoticeRow struct {
	Event  EventKind
	Notice NoticeKind
	When   string
	// Optional: not sent to a customer who wants to hear only of what needs them, and of shipping. A
	// report that holds a quote, and "done" with a balance to pay, need them.
	Optional bool
}

// NoticeTable returns the table "which event leads to which notice", in order.
func NoticeTable() []NoticeRow {
	var rows []NoticeRow
	for _, r := range noticeRules {
		rows = append(rows, NoticeRow{r.On, r.Notice, r.Says, r.Optional})
	}
	return rows
}

// NoticeChoice is what a customer wants to be told by mail.
type NoticeChoice string

const (
	TellEveryStep NoticeChoice = "every_step"
	// TellWhatNeedsMe is what asks something of the customer, letters, answers, and the end.
	TellWhatNeedsMe NoticeChoice = "what_needs_me"
)

// NoticeChoices lists the choices.
var NoticeChoices = []NoticeChoice{TellEveryStep, TellWhatNeedsMe}

// Choice returns what the customer wants to be told by mail.
func (j *Job) Choice() NoticeChoice {
	if j.Tell == "" {
		return TellEveryStep
	}
	return j.Tell
}

// Optional reports whether the customer may choose not to be mailed about this notice.
func (j *Job) Optional(shop *Shop, kind NoticeKind, quote int) bool {
	for _, r := range noticeRules {
		if r.Notice == kind {
			d := j.Delay() // a new date that comes with a choice
			return r.Optional && quote == 0 && (kind != NoticeReady || j.Balance(shop).Minor <= 0) && !(kind == NoticePromiseMoved && d != nil && d.waits())
		}
	}
	return false
}

// Quiet are the hours of the night, in minutes of the customer's day. From may be later than To, over
// midnight; the same for both is no quiet at all.
type Quiet struct{ From, To int }

// Awake returns the instant at or after t at which the customer may be written to.
func (s *Shop) Awake(c *Customer, t time.Time) time.Time {
	q := s.Quiet
	if q.From == q.To {
		return t
	}
	zone := s.Calendar.Location()
	if c.TimeZone != "" {
		if z, err := calendar.LoadLocation(c.TimeZone); err == nil {
			zone = z
		}
	}
	local := t.In(zone)
	now, day := local.Hour()*60+local.Minute(), calendar.DateOf(t, zone)
	switch {
	case q.From < q.To && (now < q.From || now >= q.To), q.From > q.To && now >= q.To && now < q.From:
		return t
	case q.From > q.To && now >= q.From:
		day++
	}
	if end := calendar.Local(zone, day, q.To/60, q.To%60); end.After(t) {
		return end.UTC()
	}
	return t
}

// mostInMail bounds how many notices one mail tells.
const mostInMail = 20

// gathering returns the notice whose mail still waits and that one more may go with, nil if there is none.
// Only the last mail may take more, or the order would not hold.
func (j *Job) gathering(at time.Time) *Notice {
	told := 0
	for i := len(j.Notices) - 1; i >= 0; i-- {
		told++
		n := &j.Notices[i]
		if n.With != "" {
			continue
		}
		if n.waits() && !n.Asked && n.Due.After(at) && told < mostInMail {
			return n
		}
		return nil
	}
	return nil
}

// notices records the notices that the step's events lead to, and returns the outbox entries of those that
// get a mail of their own. hasten says that what waits goes first, and now. ahead is by how much the job is ahead
// of a clock that was set back, for which nothing waits.
func (t *turn) notices(ahead time.Duration) (entries []Entry, hasten bool, err error) {
	made := noticesFor(t.shop, t.j, t.events)
	entries = slices.Concat(t.effects, t.hookEntries(t.events), t.pushEntries(made))
	for i := range entries {
		entries[i].NotBefore = entries[i].NotBefore.Add(-ahead)
	}
	if t.j.Customer.Email.Text == "" {
		return entries, false, nil // nobody to write a mail to
	}
	if len(made) > 0 { // an email never holds a link that is about to end
		if err := t.lend(); err != nil {
			return nil, false, err
		}
	}
	by := Actor{Role: RoleSystem, ID: "notices"}
	if late := t.late; late != nil && len(t.events) > 0 {
		e := t.events[len(t.events)-1]
		made = append(made, wanted{Entry: t.j.entry(e, late.Kind, late.Ref, late.Quote), instead: late.ID})
	}
	for _, n := range made {
		p := &NoticeMade{ID: n.ID, Notice: n.Kind, Ref: n.Ref, Quote: n.Quote, Asked: n.asked, Instead: n.instead}
		n.NotBefore = n.MadeAt.Add(-ahead)
		if !n.asked {
			n.NotBefore = t.shop.Awake(&t.j.Customer, n.NotBefore.Add(t.shop.Gather)).Truncate(time.Millisecond)
		}
		if with := t.j.gathering(t.now); with != nil && !n.asked && n.instead == "" {
			p.With, p.Due = with.ID, with.Due
		} else if n.NotBefore.After(n.MadeAt) {
			p.Due = n.NotBefore
		}
		if p.With == "" {
			entries = append(entries, n.Entry)
		}
		if err := t.recordBy(by, p); err != nil {
			return nil, false, err
		}
		hasten = hasten || n.asked
	}
	return entries, hasten, nil
}

// wanted is a notice that an event leads to.
type wanted struct {
	Entry
	// asked: the customer caused it and waits for it.
	asked bool
	// moved: pauses moved the date, which any other email of the step tells too.
	moved   bool
	instead string
}

func (j *Job) entry(e *Event, kind NoticeKind, ref, quote int) Entry {
	return Entry{
		Shop: j.Shop, Job: j.Number, Seq: e.Seq, Kind: kind, Ref: ref, Quote: quote, MadeAt: e.At, NotBefore: e.At,
		State: EntryQueued, ID: fmt.Sprintf("%s-%d-%s", j.Number, e.Seq, kind),
	}
}

// noticesFor returns the notices that a commit's events lead to. A report and a quote issued in one step
// become one: the report, which then shows the quote; so do a missed date, its reason and the new date.
func noticesFor(shop *Shop, j *Job, events []*Event) []wanted {
	var out []wanted
	report, date, quoted := -1, -1, false
	for _, e := range events {
		for _, r := range noticeRules {
			if r.On != e.Kind() || (r.when != nil && !r.when(j, e)) {
				continue
			}
			n := wanted{Entry: j.entry(e, r.Notice, 0, 0), asked: e.By.Role == RoleCustomer || r.Notice == NoticeLink || r.Notice == NoticeConfirm || r.Notice == NoticeData, moved: e.Kind() == KindDateTold}
			if r.ref != nil {
				n.Ref = r.ref(j, e)
			}
			switch r.Notice {
			case NoticeFindings:
				report = len(out)
			case NoticeBreach, NoticePromiseMoved:
				if date >= 0 {
					n.Kind = ""
				} else {
					date = len(out)
				}
			case NoticeQuote, NoticeFurtherQuote:
				if n.Quote = n.Ref; report >= 0 {
					out[report].Quote = n.Ref
				}
				if report >= 0 || quoted {
					n.Kind = ""
				}
				quoted = true
			}
			if n.Kind != "" {
				out = append(out, n)
			}
			break
		}
	}
	if len(out) > 1 { // each email says the date, and why it moved
		out = slices.DeleteFunc(out, func(n wanted) bool { return n.moved })
	}
	if j.Choice() == TellEveryStep {
		return out
	}
	var need []wanted
	for _, n := range out {
		if !j.Optional(shop, n.Kind, n.Quote) {
			need = append(need, n)
		}
	}
	return need
}

// moot says when a notice is out of date as its job stands, whatever its email tells beside it: what it says is
// over, or another says it. A kind that is missing never is; those that say nothing of a job that has ended
// are in overAtEnd.
var moot = map[NoticeKind]func(j *Job, e *Entry) bool{
	NoticeBooked:         func(j *Job, _ *Entry) bool { return j.Stage != StageBooked },
	NoticeQuote:          notOpen,
	NoticeFurtherQuote:   notOpen,
	NoticeReminder:       notOpen,
	NoticeLastNotice:     notOpen,
	NoticeQuoteWithdrawn: func(j *Job, _ *Entry) bool { return j.Quote() != nil && j.Quote().State != RevisionWithdrawn },
	NoticeExpired:        func(j *Job, _ *Entry) bool { return j.Quote() != nil && j.Quote().State != RevisionExpired },
	NoticeDecision: func(j *Job, e *Entry) bool {
		if e.Ref < 1 || e.Ref > len(j.Decisions) {
			return false
		}
		d := &j.Decisions[e.Ref-1]
		return !d.UndoneAt.IsZero() || d.Verdict == VerdictAsk && e.Ref < len(j.Decisions)
	},
	NoticeConfirm: func(j *Job, e *Entry) bool {
		if e.Ref < 0 {
			x := j.OpenChange()
			return x == nil || x.Number != -e.Ref
		}
		if m := j.message(e.Ref); m != nil {
			return m.Confirmed != ""
		}
		return !j.Unconfirmed()
	},
	NoticeData: func(j *Job, _ *Entry) bool {
		return !slices.ContainsFunc(j.Links, func(l LinkGrant) bool { return l.Purpose == link.Data && !l.Revoked })
	},
	NoticeUndone:       notOpen,
	NoticePromiseMoved: overtakenDate,
	NoticeBreach:       overtakenDate,
}

var overAtEnd = []NoticeKind{
	NoticeReceived, NoticeFindings, NoticeQuote, NoticeFurtherQuote, NoticeReminder, NoticeLastNotice, NoticeQuoteWithdrawn, NoticeExpired,
	NoticeDecision, NoticeUndone, NoticeReady, NoticePromiseMoved, NoticeBreach, NoticeDelayAnswered, NoticeUncollected,
}

func notOpen(j *Job, e *Entry) bool {
	n := e.Quote
	if n == 0 {
		n = len(j.Quotes)
	}
	return n >= 1 && n <= len(j.Quotes) && j.Quotes[n-1].State != RevisionOpen
}

func overtakenDate(j *Job, e *Entry) bool {
	at := slices.IndexFunc(j.Notices, func(n Notice) bool { return n.ID == e.ID })
	return at >= 0 && slices.ContainsFunc(j.Notices[at+1:], func(n Notice) bool { return topics[n.Kind] == "promise" })
}

// Moot reports whether a notice is out of date as the job stands.
func (j *Job) Moot(e *Entry) bool {
	is := moot[e.Kind]
	return is != nil && is(j, e) || j.Ended() && slices.Contains(overAtEnd, e.Kind)
}

// now makes of a notice what there is to tell of it as the job stands; ok is false for nothing.
func (j *Job) now(e Entry) (x Entry, ok bool) {
	if e.Quote > 0 && e.Quote <= len(j.Quotes) && e.Kind == NoticeFindings {
		if s := j.Quotes[e.Quote-1].State; s != RevisionOpen && s != RevisionApproved && s != RevisionDeclined {
			e.Quote = 0
		}
	}
	if e.Kind == NoticeBooked && j.Stage != StageBooked && !slices.ContainsFunc(j.Notices, func(n Notice) bool { return n.Kind == NoticeReceived }) {
		e.Kind = NoticeReceived // which the customer did not want to be told of by itself
	}
	return e, !j.Moot(&e)
}

// topics are what a later notice of one email makes an earlier one of it out of date about.
var topics = map[NoticeKind]string{
	NoticeQuote: "quote", NoticeFurtherQuote: "quote", NoticeReminder: "quote", NoticeLastNotice: "quote",
	NoticePromiseMoved: "promise", NoticeBreach: "promise", NoticeLink: "link",
}

// Gathered returns all that one email tells as the job stands: its own notice and those that go with it, in order,
// without what is out of date; nothing if all of it is. with names all that it settles beside its own.
func (j *Job) Gathered(e *Entry) (gathered []Entry, with []string) {
	all := []Entry{*e}
	for i := range j.Notices {
		if n := &j.Notices[i]; n.With == e.ID {
			with = append(with, n.ID)
			x := *e
			x.ID, x.Kind, x.Ref, x.Quote, x.MadeAt, x.Seq = n.ID, n.Kind, n.Ref, n.Quote, n.At, n.seq()
			all = append(all, x)
		}
	}
	for i, x := range all {
		later := slices.ContainsFunc(all[i+1:], func(y Entry) bool {
			topic := topics[x.Kind]
			return topic != "" && topics[y.Kind] == topic || y.Kind == NoticeFindings && y.Quote > 0 && topic == "quote"
		})
		if x, ok := j.now(x); ok && !later {
			gathered = append(gathered, x)
		}
	}
	return gathered, with
}

// seq returns the sequence number of the event that the notice is about.
func (n *Notice) seq() (seq int64) {
	if part := strings.SplitN(n.ID, "-", 3); len(part) == 3 {
		_, _ = fmt.Sscan(part[1], &seq)
	}
	return seq
}

// Notice returns the record of a notice, nil if there is none.
func (j *Job) Notice(id string) *Notice {
	for i := range j.Notices {
		if j.Notices[i].ID == id {
			return &j.Notices[i]
		}
	}
	return nil
}

// NoticeMade is the decision to tell somebody something. Its outbox entry stands in the same commit, or
// it goes with the mail of an earlier notice that still waits.
type NoticeMade struct {
	ID     string     `json:"id"`
	Notice NoticeKind `json:"notice"`
	// Ref and Quote are those of its [Entry].
	Ref   int `json:"ref,omitempty"`
	Quote int `json:"quote,omitempty"`
	// With is the earlier notice whose mail tells this one too, "" for a mail of its own.
	With string `json:"with,omitempty"`
	// Due is the earliest instant of that mail where it is later than the event.
	Due time.Time `json:"due,omitzero"`
	// Asked marks a notice that the customer waits for: it goes at once, at night too.
	Asked bool `json:"asked,omitempty"`
	// Instead is the notice that came too late for the mail it was to go with, and which this one
	// tells.
	Instead string `json:"instead,omitempty"`
}

func (p *NoticeMade) fold(j *Job, e *Event) {
	n := Notice{ID: p.ID, Kind: p.Notice, At: e.At, Ref: p.Ref, Quote: p.Quote, With: p.With, Due: p.Due, Asked: p.Asked}
	if p.Asked {
		// The customer is there: what waited for the morning, or for company, goes before it.
		for i := range j.Notices {
			if w := &j.Notices[i]; w.waits() && w.Due.After(e.At) {
				w.Due, w.Asked = e.At, true
			}
		}
	}
	if late := j.Notice(p.Instead); late != nil {
		gone := late.With
		*late = n
		for i := range j.Notices {
			if m := &j.Notices[i]; m.With == gone && m.waits() {
				m.With = p.ID
			}
		}
		return
	}
	j.Notices = append(j.Notices, n)
}

// NoticesChosen is the customer's choice of what to be told by mail.
type NoticesChosen struct {
	Choice NoticeChoice `json:"choice"`
}

func (p *NoticesChosen) fold(j *Job, e *Event) { j.Tell = p.Choice }

// quiet are events that change nothing of what staff look at before they decide.
var quiet = []EventKind{
	KindNoticeMade, KindNoticeDelivered, KindNoticeBuried, KindNoticeRequeued, KindNoticeBounced, KindNoticeTold, KindNoticesChosen,
	KindPushSubscribed, KindPushEnded, KindQuoteReminded, KindPasscodeSeen, KindLinkAsked, KindLinkIssued,
}
