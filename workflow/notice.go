package workflow

import "fmt"

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
	NoticeExpired        NoticeKind = "quote_expired"
	NoticeMessage        NoticeKind = "message"
	NoticeLink           NoticeKind = "link"
)

// Audience is whom a notice is for.
type Audience string

const (
	ToCustomer Audience = "customer"
	ToCounter  Audience = "counter"
)

// noticeRule says which notice an event leads to. The first rule of a kind whose when holds counts.
type noticeRule struct {
	On     EventKind
	Notice NoticeKind
	// Says when the rule applies, in words, for the generated table.
	Says string
	when func(j *Job, e *Event) bool
	ref  func(j *Job, e *Event) int
}

// noticeRules is the table "which event leads to which notice"; NoticeTable prints it.
var noticeRules = []noticeRule{
	{On: "job.booked", Notice: NoticeBooked, Says: "booked in advance", when: func(j *Job, e *Event) bool { return !e.Payload.(*JobBooked).WalkIn }},
	{On: "stage.moved", Notice: NoticeReceived, Says: "the parcel was opened", when: movedTo(StageReceived)},
	{On: "stage.moved", Notice: NoticeShipped, Says: "it left the shop", when: movedTo(StageShipped)},
	{On: "stage.moved", Notice: NoticeWithdrawn, Says: "the job was withdrawn", when: movedTo(StageWithdrawn)},
	{On: "report.sent", Notice: NoticeFindings, Says: "a findings report was sent", ref: func(j *Job, e *Event) int { return e.Payload.(*ReportSent).Number }},
	{On: "quote.issued", Notice: NoticeQuote, Says: "the first quote", when: func(j *Job, e *Event) bool { return e.Payload.(*QuoteIssued).Terms.Revision == 1 }, ref: quoteRef},
	{On: "quote.issued", Notice: NoticeFurtherQuote, Says: "a later revision", ref: quoteRef},
	{On: "quote.withdrawn", Notice: NoticeQuoteWithdrawn, Says: "the bench took a quote back"},
	{On: "quote.expired", Notice: NoticeExpired, Says: "nobody answered in time"},
	{On: "quote.reminded", Notice: NoticeReminder, Says: "a quote waits for an answer"},
	{On: "decision.made", Notice: NoticeDecision, Says: "yes, no or a question came in", ref: func(j *Job, e *Event) int { return len(j.Decisions) }},
	{On: "job.ready", Notice: NoticeReady, Says: "done and tested"},
	{On: "promise.made", Notice: NoticePromiseMoved, Says: "a new date, with its reason", when: func(j *Job, e *Event) bool { return e.Payload.(*PromiseMade).Promise.Number > 1 }, ref: func(j *Job, e *Event) int { return e.Payload.(*PromiseMade).Promise.Number }},
	{On: "promise.breached", Notice: NoticeBreach, Says: "the promised date has passed", ref: func(j *Job, e *Event) int { return e.Payload.(*PromiseBreached).Number }},
	{On: "message.sent", Notice: NoticeMessage, Says: "the bench wrote", when: func(j *Job, e *Event) bool { return e.By.Role != RoleCustomer }, ref: func(j *Job, e *Event) int { return e.Payload.(*MessageSent).ID }},
	{On: "link.asked", Notice: NoticeLink, Says: "somebody who knows number and address asked for the link"},
}

func quoteRef(j *Job, e *Event) int { return e.Payload.(*QuoteIssued).Terms.Revision }

func movedTo(s Stage) func(*Job, *Event) bool {
	return func(_ *Job, e *Event) bool { return e.Payload.(*StageMoved).To == s }
}

// NoticeRow is a row of the notice table, for documentation and tests.
type NoticeRow struct {
	Event  EventKind
	Notice NoticeKind
	When   string
}

// NoticeTable gives the table "which event leads to which notice", in order.
func NoticeTable() []NoticeRow {
	var rows []NoticeRow
	for _, r := range noticeRules {
		rows = append(rows, NoticeRow{r.On, r.Notice, r.Says})
	}
	return rows
}

// noticesFor gives the outbox entries that a commit's events lead to. A report and a quote issued in
// one step become one mail: the report, which then shows the quote.
func noticesFor(j *Job, events []*Event) []Entry {
	if j.Customer.Email.Text == "" {
		return nil
	}
	var out []Entry
	report := -1
	for _, e := range events {
		for _, r := range noticeRules {
			if r.On != e.Payload.Kind() || (r.when != nil && !r.when(j, e)) {
				continue
			}
			n := Entry{
				Shop: j.Shop, Job: j.Number, Seq: e.Seq, Kind: r.Notice, MadeAt: e.At, NotBefore: e.At,
				State: EntryQueued, ID: fmt.Sprintf("%s-%d-%s", j.Number, e.Seq, r.Notice),
			}
			if r.ref != nil {
				n.Ref = r.ref(j, e)
			}
			switch r.Notice {
			case NoticeFindings:
				report = len(out)
			case NoticeQuote, NoticeFurtherQuote:
				n.Quote = n.Ref
				if report >= 0 {
					out[report].Quote = n.Ref
					n.Kind = ""
				}
			}
			if n.Kind != "" {
				out = append(out, n)
			}
			break
		}
	}
	return out
}

func (j *Job) noticeRecord(id string) *NoticeRecord {
	for i := range j.Notices {
		if j.Notices[i].ID == id {
			return &j.Notices[i]
		}
	}
	return nil
}
