package templates

import (
	"fmt"
	"strconv"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/catalogue"
	"benchword/workflow/money"
)

// CounterNew is the form for a device handed in, or told of by telephone.
type CounterNew struct {
	Page
	Form      *Form
	Languages []Choice
	Currency  string
	// Levels are the levels of service, ByDate says that one has a date to agree.
	Levels []Choice
	ByDate bool
	// Fee is the diagnostic fee, which the customer must know of beforehand; "" for none.
	Fee string
}

// Template implements [View].
func (*CounterNew) Template() string { return "counter/new.html" }

// LanguageChoices are the languages that a shop answers in.
func LanguageChoices(shop *workflow.Shop) []Choice {
	var out []Choice
	for _, l := range shop.Languages {
		words := languageWords[l]
		if words == "" {
			words = l
		}
		out = append(out, Choice{l, words})
	}
	return out
}

// CounterIntake is the form for opening the parcel.
type CounterIntake struct {
	JobPage
	Rows   []RowNumber
	Photos []PhotoView
	// Receive offers to mark the parcel as received with the same press.
	Receive bool
}

// RowNumber counts the rows of a list in a form, from 0.
type RowNumber struct {
	Index int
	// Extra marks an empty row that is there to be filled in.
	Extra bool
}

// Shown counts from 1.
func (r RowNumber) Shown() int { return r.Index + 1 }

// Value gives the index as a form sends it.
func (r RowNumber) Value() string { return strconv.Itoa(r.Index) }

// Rows gives the rows of a list that holds n entries, with some to spare.
func Rows(n, spare int) []RowNumber {
	var out []RowNumber
	for i := range n + spare {
		out = append(out, RowNumber{i, i >= n})
	}
	return out
}

// Template implements [View].
func (*CounterIntake) Template() string { return "counter/intake.html" }

// CounterLook is the form for the first look: condition, and whether the fault shows.
type CounterLook struct {
	JobPage
	Start bool
}

// Template implements [View].
func (*CounterLook) Template() string { return "counter/look.html" }

// CounterPhotoList shows a job's photos, takes new ones in, and asks for the words that are missing.
type CounterPhotoList struct {
	JobPage
	Photos []PhotoView
	// Bare are those that have no caption or no description yet.
	Bare []PhotoView
	// Words is the form for them.
	Words *Form
}

// Template implements [View].
func (*CounterPhotoList) Template() string { return "counter/photos.html" }

// CounterPhoto is one photo: its words, its marks, and its removal.
type CounterPhoto struct {
	JobPage
	Photo PhotoView
	// Marks are the rows of the marks' table; Pairs the photos that could show the same place.
	Marks  []MarkRow
	Pairs  []Choice
	Remove *Form
	// MarkWords are the kinds of marks to choose from.
	MarkWords []Choice
}

// MarkRow is one mark in the form's numbers.
type MarkRow struct {
	Index        int
	Prefix       string
	Kind         string
	X, Y, X2, Y2 string
	Number, Text string
}

// Shown counts from 1.
func (r MarkRow) Shown() int { return r.Index + 1 }

// MarkChoices are the kinds of marks.
var MarkChoices = []Choice{
	{string(workflow.MarkRing), "ring"}, {string(workflow.MarkArrow), "arrow"},
	{string(workflow.MarkPoint), "numbered point"}, {string(workflow.MarkBlur), "make unreadable"},
}

// Template implements [View].
func (*CounterPhoto) Template() string { return "counter/photo.html" }

// CounterFindingForm is the quickest way from the bench: a photo and what it shows, in one form.
type CounterFindingForm struct {
	JobPage
	// ID is the finding being corrected, 0 for a new one.
	ID     int
	Photos []PhotoView
	// Withdraw is the form that takes it back; Withdrawn the reason, once it was.
	Withdraw  *Form
	Withdrawn string
	// Saved are the findings so far, newest first, so that one sees what is there.
	Saved []CounterFinding
	// More says that a field of the second part holds something, so it is shown open.
	More bool
	// Find is what was looked for in the catalogue, Hits what fits it, several of them or none.
	Find  string
	Hits  []EntryView
	Entry *EntryView // what was chosen, nil for a finding in the bench's own words
	// Groups is the whole catalogue.
	Groups []EntryGroup
}

// EntryGroup is a group of the catalogue of findings.
type EntryGroup struct {
	Name    string
	Entries []EntryView
}

// EntryView is an entry of the catalogue as staff read it.
type EntryView struct {
	ID string
	catalogue.FindingWords
	// Evidence is what should be shown, Duties what it obliges to, Cautions what may hurt.
	Evidence, Duties, Cautions []string
	// Danger: it usually can hurt somebody, so the care stands open.
	Danger bool
}

// CounterEntry shows an entry, nil if there is none.
func CounterEntry(shop *workflow.Shop, id string) *EntryView {
	c := shop.Trade()
	e := c.Finding(id)
	if e == nil {
		return nil
	}
	v := &EntryView{ID: id, FindingWords: c.Say("en", id), Danger: e.Weight == string(workflow.WeightDanger)}
	for _, x := range e.Evidence {
		v.Evidence = append(v.Evidence, c.Evidence("en", x))
	}
	for _, r := range c.RulesFor(id) {
		v.Duties = append(v.Duties, c.Duty("en", r.ID)+" ("+dutyBefore(workflow.Stage(r.Before))+")")
	}
	for _, x := range e.Cautions {
		v.Cautions = append(v.Cautions, c.Caution("en", x))
	}
	return v
}

func dutyBefore(s workflow.Stage) string {
	if s == workflow.StageTesting {
		return "before testing"
	}
	return "before it leaves"
}

// CounterGroups lists the shop's catalogue of findings by group.
func CounterGroups(shop *workflow.Shop) []EntryGroup {
	c := shop.Trade()
	var out []EntryGroup
	for _, name := range catalogue.Groups {
		g := EntryGroup{Name: c.Group("en", name)}
		for _, f := range c.Findings {
			if f.Group == name {
				g.Entries = append(g.Entries, EntryView{ID: f.ID, FindingWords: c.Say("en", f.ID)})
			}
		}
		out = append(out, g)
	}
	return out
}

// Template implements [View].
func (*CounterFindingForm) Template() string { return "counter/finding.html" }

// CounterChecks is the list of suspects with what was checked.
type CounterChecks struct {
	JobPage
	Suspects []SuspectView
	// Pick are the suspects to choose from.
	Pick   []Choice
	Photos []PhotoView
	// Symptoms are what the device can be said to do, Symptom what was said, Tell its form.
	Symptoms []Choice
	Symptom  string
	// SymptomWords is the symptom as staff read it.
	SymptomWords string
	Tell         *Form
	// Next is the check that is proposed, nil if none is left; Plans are the others that can be done.
	Next  *PlanView
	Plans []PlanView
	// Found says that a suspect is confirmed.
	Found bool
	// Plan is the form for a check of one's own; Steps what can lie before it.
	Plan  *Form
	Steps []Choice
	// Chances are the suspects, the likeliest first.
	Chances []ChanceView
}

// PlanView is a check that can be done.
type PlanView struct {
	ID            int
	Suspect, Text string
	Takes, Why    string
}

// ChanceView is how likely a suspect is by now, in percent.
type ChanceView struct {
	Text    string
	Percent int
}

// Template implements [View].
func (*CounterChecks) Template() string { return "counter/checks.html" }

// CounterReport is the composer of a findings report.
type CounterReport struct {
	JobPage
	Number int
	// Findings and Suspects are what goes into it by itself.
	Findings []CounterFinding
	Suspects []SuspectView
	// Reading says how hard the report is to read as it stands.
	Reading string
	Hints   []Hint
	// Drafted says who kept the draft, and when, "" if there is none.
	Drafted string
	// Sendable: the stage allows a report to be sent.
	Sendable bool
}

// Template implements [View].
func (*CounterReport) Template() string { return "counter/report.html" }

// Hint is something about a text that its reader may stumble over.
type Hint struct {
	// Field is where it stands, Where names it.
	Field, Where string
	Words        string
}

// CounterPreview shows report and quote exactly as the customer will see them, and sends them.
type CounterPreview struct {
	JobPage
	// Report and Quote say whether there is a draft of each.
	Report, Quote bool
	// Refused says why they can't be sent as they stand, "" if they can.
	Refused string
	// PageURL, PaperURL, QuoteURL and MailURL are what is shown, "" for none.
	PageURL, PaperURL, QuoteURL, MailURL string
	// MailText is the text part of the mail.
	MailText string
	// Mailed is the address that the mail goes to, "" if there is none.
	Mailed string
	Then   []Choice
	Hints  []Hint
	// Reading says how hard the report is to read, "" if there is none.
	Reading string
}

// Template implements [View].
func (*CounterPreview) Template() string { return "counter/preview.html" }

// CounterSent is a report as it was sent.
type CounterSent struct {
	JobPage
	Report ReportView
}

// Template implements [View].
func (*CounterSent) Template() string { return "counter/sent.html" }

// CounterQuoteForm is the composer of a quote.
type CounterQuoteForm struct {
	JobPage
	Revision int
	Options  []QuoteOptionRow
	Kinds    []Choice
	Lines    []Choice
	Taxes    []Choice
	Currency string
	// Inside says that the prices hold the taxes.
	Inside  bool
	Drafted string
	// Open is the revision that waits for an answer, nil if none does.
	Open     *CounterQuote
	TakeBack *Form
	// Sendable: the stage allows a quote to be issued.
	Sendable bool
	Days     int
}

// Template implements [View].
func (*CounterQuoteForm) Template() string { return "counter/quote.html" }

// QuoteOptionRow is one option in the composer. Names of fields begin with Prefix.
type QuoteOptionRow struct {
	Prefix string
	Key    string
	Lines  []QuoteLineRow
	// Total and its parts are worked out by the server, "" before that.
	Total, Net string
	Taxes      []TaxView
	Error      string
	Extra      bool
}

// QuoteLineRow is one line of an option in the composer.
type QuoteLineRow struct {
	Prefix string
	Shown  int
	Amount string
	Error  string
}

// CounterAnswer writes down an answer that came by telephone.
type CounterAnswer struct {
	JobPage
	Quote   *QuoteView
	Options []Choice
}

// Template implements [View].
func (*CounterAnswer) Template() string { return "counter/answer.html" }

// CounterWork is the form for what was done.
type CounterWork struct {
	JobPage
	Done     []DoneView
	Findings []Choice
	Duties   []Choice
	Photos   []PhotoView
	// Did are the actions that bring a duty with them.
	Did []Choice
}

// Template implements [View].
func (*CounterWork) Template() string { return "counter/work.html" }

// CounterDuties lists what the bench is obliged to do.
type CounterDuties struct {
	JobPage
	Duties []CounterDuty
	// Waive is the form that lets one go; WaiveID says which, 0 for none.
	Waive    *Form
	Findings []Choice
	// Rules are the duties that the catalogue knows.
	Rules []Choice
}

// Template implements [View].
func (*CounterDuties) Template() string { return "counter/duties.html" }

// CounterTests is the form for the tests.
type CounterTests struct {
	JobPage
	Tests []TestView
	Rows  []TestRow
}

// TestRow is one test in the form; Names of its fields end in Index.
type TestRow struct {
	Index int
	TestView
	// Open marks the row for a test of another name.
	Other bool
}

// Template implements [View].
func (*CounterTests) Template() string { return "counter/tests.html" }

// CounterReady tells the customer that the device is done and tested.
type CounterReady struct {
	JobPage
	Told  string
	Tests []TestView
}

// Template implements [View].
func (*CounterReady) Template() string { return "counter/ready.html" }

// CounterPacking reconciles the contents and takes the parcel number.
type CounterPacking struct {
	JobPage
	Items []PackRow
	// Serial is the one read on arrival; Warranty what is given if nothing else is said.
	Warranty int
	Repaired bool
	// Ship offers to mark it as gone with the same press.
	Ship bool
}

// PackRow is one item of the contents in the form.
type PackRow struct {
	ID                   int
	Text, Condition      string
	Device               bool
	FateField, NoteField string
}

// Template implements [View].
func (*CounterPacking) Template() string { return "counter/packing.html" }

// CounterHold places or lifts a hold.
type CounterHold struct {
	JobPage
	Holds []HoldView
	// Lift is the form that ends the hold in force, nil if there is none.
	Lift *Form
}

// Template implements [View].
func (*CounterHold) Template() string { return "counter/hold.html" }

// CounterPromise tells a new date.
type CounterPromise struct {
	JobPage
	Promises []PromiseView
}

// Template implements [View].
func (*CounterPromise) Template() string { return "counter/promise.html" }

// CounterPayments lists payments and takes another.
type CounterPayments struct {
	JobPage
	Payments []DoneView
	Paid     *PaidView
	Currency string
}

// Template implements [View].
func (*CounterPayments) Template() string { return "counter/payments.html" }

// CounterCustomer corrects how the customer is reached.
type CounterCustomer struct {
	JobPage
	Languages []Choice
	Currency  string
}

// Template implements [View].
func (*CounterCustomer) Template() string { return "counter/customer.html" }

// CounterLetters is the exchange of letters.
type CounterLetters struct {
	JobPage
	Letters []LetterView
}

// Template implements [View].
func (*CounterLetters) Template() string { return "counter/letters.html" }

// CounterLink gives out the customer's look link, to read out or copy.
type CounterLink struct {
	JobPage
	// Link is the whole address, "" if none is live; Until is when it ends.
	Link, Until string
	// Groups is the secret part in groups of four, to be read out.
	Groups []string
	Host   string
	// Revoke and Mail are the forms that end it, and that mail it again.
	Revoke, Mail *Form
	Mailed       string
}

// Template implements [View].
func (*CounterLink) Template() string { return "counter/link.html" }

// CounterMove asks what a move needs to have said, and shows what is still missing.
type CounterMove struct {
	JobPage
	Move     MoveView
	ToWords  string
	Outcomes []Choice
	// Told says what the customer will be told by it, "" for nothing.
	Told string
}

// Template implements [View].
func (*CounterMove) Template() string { return "counter/move.html" }

// CounterErase asks once more before a person is erased.
type CounterErase struct{ JobPage }

// Template implements [View].
func (*CounterErase) Template() string { return "counter/erase.html" }

// CounterHistory lists every event with who caused it.
type CounterHistory struct {
	JobPage
	Events []EventView
	Head   string
}

// EventView is one event of the history.
type EventView struct {
	Seq           int64
	Machine, When string
	Kind, By      string
	Hash          string
}

// Template implements [View].
func (*CounterHistory) Template() string { return "counter/history.html" }

// EventViews lists a job's events, newest first.
func EventViews(events []*workflow.Event, shop *workflow.Shop) ([]EventView, error) {
	k := newClock(shop, time.Time{})
	out := make([]EventView, 0, len(events))
	for i := len(events) - 1; i >= 0; i-- {
		e := events[i]
		hash, err := e.Hash()
		if err != nil {
			return nil, err
		}
		by := roleWords[e.By.Role]
		if e.By.ID != "" && e.By.Role != workflow.RoleCustomer && e.By.Role != workflow.RoleSystem {
			by = e.By.ID + " (" + by + ")"
		}
		out = append(out, EventView{
			Seq: e.Seq, Machine: e.At.UTC().Format(time.RFC3339Nano), When: k.w.Day(e.At, k.loc) + " " + k.w.Clock(e.At, k.loc),
			Kind: e.Wire, By: by, Hash: first(hash, 12),
		})
	}
	return out, nil
}

// DayOf gives a date of the shop's for staff: "Thu 3 December 2026".
func DayOf(t time.Time, shop *workflow.Shop) string { return newClock(shop, t).w.Date(t, zoneOf(shop)) }

// MomentOf gives an instant for staff: "today 14:05", "Thu 3 December 09:12".
func MomentOf(t, now time.Time, shop *workflow.Shop) string { return newClock(shop, now).at(t) }

// TaxWords names a tax with its rate for staff: "HST 15 %".
func TaxWords(name string, percent money.Decimal) string {
	return locale.For("en").T("tax.name", taxName(name), locale.For("en").Decimal(percent))
}

// CounterMails is the outbox over all jobs.
type CounterMails struct {
	Page
	States []StageFilter
	// Lists are the mails and, where there is any, what goes other ways.
	Lists []OutboxList
	// Hooks are the shop's own systems.
	Hooks []HookView
}

// OutboxList is a list of entries, the oldest first; Cut says that there are more.
type OutboxList struct {
	ID, Heading string
	Rows        []OutboxRow
	Cut         bool
}

// HookView is one of the shop's own systems that is told of steps. Off says in words since when and why it is
// told nothing, "" while it is told; Waiting what there is for it, "" for nothing.
type HookView struct{ Name, Off, Waiting string }

// HookViewOf makes the view of a hook; off is nil while it is told, more says that not all that waits was counted.
func HookViewOf(name string, off *workflow.HookState, waiting int, more bool, shop *workflow.Shop, now time.Time) HookView {
	v := HookView{Name: name}
	if off != nil {
		v.Off = "switched off " + newClock(shop, now).at(off.At) + ", since it answered “" + off.Words + "”"
	}
	switch {
	case waiting == 0:
	case more:
		v.Waiting = fmt.Sprintf("%d messages or more wait", waiting)
	case waiting == 1:
		v.Waiting = "1 message waits"
	default:
		v.Waiting = fmt.Sprintf("%d messages wait", waiting)
	}
	return v
}

// Template implements [View].
func (*CounterMails) Template() string { return "counter/mails.html" }

// MailStateWords names where a mail stands.
func MailStateWords(s workflow.EntryState) string { return mailStateWords[s] }

// CounterNotices writes down which mails a customer wants.
type CounterNotices struct {
	JobPage
	Choices []Choice
}

// Template implements [View].
func (*CounterNotices) Template() string { return "counter/notices.html" }

// NoticeChoices are what a customer can want to be told by mail.
func NoticeChoices() []Choice {
	var out []Choice
	for _, c := range workflow.NoticeChoices {
		out = append(out, Choice{Value: string(c), Words: choiceWords[c]})
	}
	return out
}
