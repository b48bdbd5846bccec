package templates

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
)

// JobCard is the head of every page about one job: what it is, whose, where it stands.
type JobCard struct {
	Job    workflow.JobNumber
	Number string
	// URL is the job's page.
	URL     string
	Version int64
	Device  string
	Serial  string
	Person  string
	Email   string
	Phone   string
	PhoneTo template.URL
	Address []string
	// Language is the customer's, where it is not the shop's first; TimeZone where it is known.
	Language, TimeZone string
	// Fault is the fault in the customer's own words.
	Fault      string
	Stage      workflow.Stage
	StageWords string
	// Since says since when the job has been in its stage.
	Since   string
	Outcome string
	// Urgency is the part of the board that the job belongs to; Promise says how it stands, in words.
	Urgency, Promise string
	// Hold says what the job is on hold for, with the note, "" if it is not.
	Hold string
	// Level is the level of service, "" where the shop has none.
	Level    string
	Limit    string
	Follows  string
	Inbound  string
	Ended    bool
	Erased   bool
	FollowTo string
}

// JobPage is what all pages about one job have in common.
type JobPage struct {
	Page
	Card JobCard
	Form *Form
	// Counter and Owner say what the reader's role includes beyond the bench.
	Counter, Owner bool
}

// To gives an address below the job's page.
func (p JobPage) To(rest string) string { return p.Card.URL + "/" + rest }

// JobPageOf makes the common part of a page about a job.
func JobPageOf(page Page, j *workflow.Job, shop *workflow.Shop, now time.Time) JobPage {
	k := newClock(shop, now)
	c := JobCard{
		Job: j.Number, Number: j.Number.Shown(), URL: "/counter/job/" + string(j.Number), Version: j.Version,
		Device: j.Device.Name(), Serial: j.Device.Serial, Person: j.Customer.Name.Text, Email: j.Customer.Email.Text,
		Phone: j.Customer.Phone.Text, PhoneTo: ShopView{Phone: j.Customer.Phone.Text}.PhoneURL(),
		Address: Lines(j.Customer.Address.Text), TimeZone: j.Customer.TimeZone, Fault: j.Fault.Text, Stage: j.Stage,
		StageWords: stageWords[j.Stage], Since: k.at(j.StageSince), Outcome: outcomeWords[j.Outcome], Inbound: j.Inbound,
		Ended: j.Ended(), Erased: !j.Erased.IsZero(),
	}
	if c.Person == "" {
		c.Person = "person erased"
	}
	if l := j.Customer.Language; len(shop.Languages) > 0 && l != shop.Languages[0] {
		if c.Language = languageWords[l]; c.Language == "" {
			c.Language = l
		}
	}
	if j.Level != nil {
		c.Level = j.Level.Name
	}
	if j.Limit != nil {
		c.Limit = k.w.Money(*j.Limit)
	}
	if j.Follows != "" {
		c.Follows, c.FollowTo = j.Follows.Shown(), "/counter/job/"+string(j.Follows)
	}
	if h := j.Hold(); h != nil {
		c.Hold = "On hold for " + holdWords[h.Reason] + " since " + k.day(h.From) + "."
		if h.Note != "" {
			c.Hold += " " + h.Note
		}
	}
	c.Urgency, c.Promise = k.standing(j)
	p := JobPage{Page: page, Card: c}
	if s := page.Staff; s != nil {
		p.Owner = s.Role == workflow.RoleOwner
		p.Counter = p.Owner || s.Role == workflow.RoleCounter
	}
	return p
}

var languageWords = map[string]string{"en": "English", "fr": "French", "de": "German", "es": "Spanish"}

// standing says how a job stands to its promise.
func (k clockOf) standing(j *workflow.Job) (group, words string) {
	p := j.Promise()
	switch {
	case j.Ended():
		words = "Ended " + k.at(j.EndedAt)
		if p != nil && !p.BreachedAt.IsZero() {
			return "ended", words + ", after the promised date."
		}
		if p != nil {
			return "ended", words + ", within the promise."
		}
		return "ended", words + "."
	case p == nil:
		return "open", "No date is promised yet."
	}
	due, _ := j.Due(k.shop)
	group, words = k.promise(due, !p.BreachedAt.IsZero())
	if group == "stopped" {
		if left, ok := j.Turnaround(k.shop, p).Remaining(k.now); ok {
			words += "; " + span(left) + " are left"
		}
	}
	return group, strings.ToUpper(words[:1]) + words[1:] + "."
}

// CounterJob is a job's page at the counter.
type CounterJob struct {
	JobPage
	// Alerts are what must not be overlooked.
	Alerts []Alert
	// Tasks belong to the stage; More are always there.
	Tasks, More []Task
	Moves       []MoveView
	// Bar holds the one or two steps at hand: it stays within reach of the thumb.
	Bar []BarStep

	Contents  []ContentView
	Screening []string
	Condition string
	Tried     string
	Photos    []PhotoView
	Findings  []CounterFinding
	Suspects  []SuspectView
	Duties    []CounterDuty
	Reports   []ReportLink
	Quotes    []CounterQuote
	Work      []DoneView
	Tests     []TestView
	Letters   []LetterView
	Promises  []PromiseView
	Holds     []HoldView
	Accounts  []AccountView
	// Forecast is what the shop's history says, nil for a job that is not on its way.
	Forecast *ForecastView
	Strip    *StripView
	Targets  []TargetView
	Paid     *PaidView
	Payments []DoneView
	Notices  []NoticeView
	// Told says which mails the customer wants.
	Told  string
	Story []MomentView
}

// Template implements [View].
func (*CounterJob) Template() string { return "counter/job.html" }

// Alert is something that must not be overlooked, with where to deal with it.
type Alert struct {
	Kind, Words string
	URL, Link   string
}

// Task is one thing to do, or done, on a job.
type Task struct {
	Words, URL string
	// State is "done", "todo" or "" where a task is never finished; StateWords says it, with what is
	// there or missing.
	State, StateWords string
}

// MoveView is a row of the transition table as a button.
type MoveView struct {
	To    workflow.Stage
	Words string
	// Missing lists what is still needed; then the button can't be pressed.
	Missing []string
	// Ask says that something must be said with the move, on a page of its own.
	Ask bool
	// Back marks a move against the job's way.
	Back       bool
	ByCustomer bool
	// Main marks the move on the job's way that can be made now.
	Main bool
}

// BarStep is a step at hand: a page to go to, or a move to make.
type BarStep struct {
	Words, URL string
	// To is the stage of a move, "" for a page.
	To   workflow.Stage
	Main bool
}

// CounterFinding is a finding with what staff can do to it.
type CounterFinding struct {
	FindingView
	URL       string
	Origin    string
	Certainty string
	Withdrawn string
}

// CounterDuty is a duty with what staff can do to it.
type CounterDuty struct {
	ID   int
	Text string
	// Test is the test that settles it, "" if it is settled by hand.
	Test   string
	Open   bool
	State  string
	Before string
}

// CounterQuote is a revision with what was answered to it.
type CounterQuote struct {
	QuoteView
	StateName string
	Answers   []DoneView
	Open      bool
}

// DoneView is something done: what, when, by whom.
type DoneView struct {
	Text, When, By string
	Photos         []PhotoView
}

// TestView is the latest run of a test.
type TestView struct {
	Name, Reading, Note, When string
	// State is "passed", "failed" or "todo".
	State, StateWords string
}

// AccountView is the open time on somebody's account.
type AccountView struct{ Name, Time string }

// NoticeView is a notice and its fate.
type NoticeView struct {
	ID          string
	Words, When string
	// Way is how it goes where that is no mail.
	Way string
	// Fate is "sent", "queued", "back" (telephone the customer), "stopped" (one of the shop's systems did not
	// take it) or "left" (nothing needs to be done); FateWords says it.
	Fate, FateWords string
	// Tries are the tries so far, in the mail server's words.
	Tries []string
	// Task marks one that somebody must telephone about; Again one that can be sent again, Other one that
	// went another way.
	Task, Again, Other bool
}

// CounterPhotos gives the addresses of photos below the job at the counter.
func CounterPhotos(j *workflow.Job) PhotoURLs {
	return func(p *workflow.Photo) (small, large string) {
		at := "/counter/job/" + string(j.Number) + "/photo/" + itoa(p.ID)
		return at + "/small.jpg?v=" + first(p.Small.Digest, 8), at + "/large.jpg?v=" + first(p.Large.Digest, 8)
	}
}

// CounterJobOf makes the job's page. Entries are its notices as the outbox has them.
func CounterJobOf(base JobPage, j *workflow.Job, entries []workflow.Entry, shop *workflow.Shop, now time.Time) *CounterJob {
	k := newClock(shop, now)
	v := &CounterJob{JobPage: base, Contents: ContentsOf(j, k.w), Condition: j.Condition, Paid: PaidOf(j, shop, k.w)}
	urls := CounterPhotos(j)
	show := func(ids []int) []PhotoView { return PhotosOf(j, ids, k.w, k.loc, urls) }
	with := func(ids []int) ([]PhotoView, string) { return show(ids), "" }
	v.Photos = CounterPhotoViews(j, shop)
	if t := j.Reproduction; t != nil {
		v.Tried = "Does the fault show? " + strings.ToUpper(reproducedWords[t.Result][:1]) + reproducedWords[t.Result][1:] + "."
		if t.Note != "" {
			v.Tried += " " + t.Note
		}
	}
	if s := j.Screening; s != nil {
		v.Screening = screeningWords(s)
	}
	for i := range j.Findings {
		f := &j.Findings[i]
		v.Findings = append(v.Findings, CounterFinding{
			findingView(j, f, k.w, with), base.To("finding/" + itoa(f.ID)), originWords[f.Origin], certaintyWords[f.Certainty], f.Reason,
		})
	}
	for i := range j.Suspects {
		v.Suspects = append(v.Suspects, suspectView(&j.Suspects[i], k.w, with))
	}
	v.Duties = k.duties(j)
	for i := range j.Reports {
		r := &j.Reports[i]
		v.Reports = append(v.Reports, ReportLink{r.Number, base.To("report/" + itoa(r.Number)), k.at(r.SentAt), r.Short})
	}
	for i := range slices.Backward(j.Quotes) {
		v.Quotes = append(v.Quotes, k.quote(j, &j.Quotes[i]))
	}
	for _, x := range j.Work {
		v.Work = append(v.Work, DoneView{Text: x.Text, When: k.at(x.At), Photos: show(x.Photos)})
	}
	v.Tests = k.tests(j)
	for _, m := range j.Messages {
		l := LetterView{Mine: m.By.Role == workflow.RoleCustomer, Who: base.Card.Person, When: k.at(m.At), Text: m.Text.Text, Question: m.Question && !m.Answered}
		if !l.Mine {
			l.Who = firstOf(m.By.ID, roleWords[m.By.Role])
		}
		if m.Text.Erased() {
			l.Text = "(erased)"
		}
		v.Letters = append(v.Letters, l)
	}
	for _, p := range j.Payments {
		v.Payments = append(v.Payments, DoneView{Text: strings.TrimPrefix(paymentWords[p.Kind]+": ", ": ") + k.w.Money(p.Amount) + ", " + p.How, When: k.at(p.At)})
	}
	v.Accounts = k.accounts(j)
	m := &statusMaker{j, shop, now, k.w, k.loc}
	v.Promises, v.Holds = m.promises(), m.holds()
	v.Strip, v.Targets = m.stripOf(true), k.targets(j)
	v.Story = m.story(base.Card.URL, urls)
	v.Notices, v.Told = k.notices(j, entries), toldWords[j.Choice()]
	v.Alerts = slices.Concat(k.promiseAlerts(j, base), alertsOf(j, base, now))
	v.Tasks, v.More = k.tasks(j, base)
	v.Moves = movesOf(j, shop, base)
	v.Bar = barOf(j, v)
	return v
}

// accounts says whose open time it was since the first promise.
func (k clockOf) accounts(j *workflow.Job) []AccountView {
	if len(j.Promises) == 0 {
		return nil
	}
	end := k.now
	if j.Ended() {
		end = j.EndedAt
	}
	a := j.Turnaround(k.shop, &j.Promises[0]).Accounts(end)
	var out []AccountView
	for _, who := range []workflow.Account{workflow.AccountBench, workflow.AccountCustomer, workflow.AccountParts, workflow.AccountCarrier} {
		if d := a.Of(who); d > 0 || who == workflow.AccountBench {
			out = append(out, AccountView{accountWords[who], span(d)})
		}
	}
	return out
}

// CounterPhotoViews shows all of a job's photos, newest first.
func CounterPhotoViews(j *workflow.Job, shop *workflow.Shop) []PhotoView {
	k := newClock(shop, time.Time{})
	var ids []int
	for i := range slices.Backward(j.Photos) {
		ids = append(ids, j.Photos[i].ID)
	}
	out := PhotosOf(j, ids, k.w, k.loc, CounterPhotos(j))
	for i := range out {
		if out[i].Label == "" {
			out[i].Label = photoKindWords[out[i].Kind]
		}
	}
	return out
}

func screeningWords(s *workflow.Screening) []string {
	var out []string
	for _, q := range []struct {
		words string
		a     workflow.Answer
	}{{"lithium cell or battery", s.Lithium}, {"cell swollen, pierced, hot or leaking", s.CellDamaged}, {"connects to the mains", s.Mains}, {"traces of liquid", s.Liquid}} {
		out = append(out, q.words+": "+answerWords[q.a])
	}
	if s.Note != "" {
		out = append(out, s.Note)
	}
	return out
}

func (k clockOf) duties(j *workflow.Job) []CounterDuty {
	var out []CounterDuty
	for _, d := range j.Duties {
		if d.Dropped {
			continue
		}
		v := CounterDuty{ID: d.ID, Text: d.Text, Test: d.Test, Open: d.Open(), Before: "before it leaves"}
		if d.Before == workflow.StageTesting {
			v.Before = "before testing"
		}
		switch {
		case d.Waived != "":
			v.State = "waived: " + d.Waived
		case !d.DoneAt.IsZero():
			v.State = "done " + k.at(d.DoneAt)
		default:
			v.State = "open, due " + v.Before
			if d.Test != "" {
				v.State += ", settled by the test “" + d.Test + "”"
			}
		}
		out = append(out, v)
	}
	return out
}

func (k clockOf) quote(j *workflow.Job, q *workflow.Quote) CounterQuote {
	v := CounterQuote{QuoteView: QuoteOf(j, q, k.shop, k.now, k.w), StateName: quoteStateWords[q.State], Open: q.State == workflow.QuoteOpen}
	for _, d := range j.Decisions {
		if d.Revision != q.Revision {
			continue
		}
		a := DoneView{When: k.at(d.At), By: d.Name.Text}
		switch d.Verdict {
		case workflow.VerdictApprove:
			a.Text = "Yes to option " + d.Option
			if d.Total != nil {
				a.Text += ", " + k.w.Money(*d.Total)
			}
		case workflow.VerdictDecline:
			a.Text = "No"
		case workflow.VerdictAsk:
			a.Text = "A question: " + d.Words.Text
		}
		if d.By.Role != workflow.RoleCustomer {
			a.Text += " (written down by " + d.By.ID + ")"
		}
		v.Answers = append(v.Answers, a)
	}
	return v
}

// tests lists the shop's required tests and all others that were run, in their latest run.
func (k clockOf) tests(j *workflow.Job) []TestView {
	var out []TestView
	latest := j.LatestTests()
	find := func(name string) *workflow.Test {
		for i := range latest {
			if latest[i].Name == name {
				return &latest[i]
			}
		}
		return nil
	}
	add := func(name string, t *workflow.Test) {
		v := TestView{Name: name, State: "todo", StateWords: "not done yet"}
		switch {
		case t == nil:
		case t.At.Before(j.StageSince) && j.Stage == workflow.StageTesting:
			v.StateWords = "was done before the last repair: do it again"
		case t.Passed:
			v.State, v.StateWords = "passed", "passed"
		default:
			v.State, v.StateWords = "failed", "failed"
		}
		if t != nil {
			v.Reading, v.Note, v.When = t.Reading, t.Note, k.at(t.At)
		}
		out = append(out, v)
	}
	required := requiredTests(j, k.shop)
	for _, name := range required {
		add(name, find(name))
	}
	for i := range latest {
		if !slices.Contains(required, latest[i].Name) {
			add(latest[i].Name, &latest[i])
		}
	}
	return out
}

// requiredTests are those that the way out asks for; see the guard of the last row of the table.
func requiredTests(j *workflow.Job, shop *workflow.Shop) []string {
	switch {
	case j.Stage != workflow.StageTesting && j.Stage != workflow.StageRepairing:
		return nil
	case j.Outcome == workflow.OutcomeRepaired || j.Stage == workflow.StageRepairing:
		return shop.Tests
	case j.Screening != nil && j.Screening.Mains == workflow.Yes:
		return []string{workflow.SafetyTest}
	}
	return nil
}

func (k clockOf) notices(j *workflow.Job, entries []workflow.Entry) []NoticeView {
	byID := map[string]*workflow.Entry{}
	for i := range entries {
		byID[entries[i].ID] = &entries[i]
	}
	var out []NoticeView
	for i := range slices.Backward(j.Notices) {
		n := &j.Notices[i]
		out = append(out, k.notice(j, n, byID[n.ID]))
	}
	for i := range slices.Backward(entries) {
		if e := &entries[i]; e.Via != "" {
			out = append(out, k.other(j, e))
		}
	}
	return out
}

// other tells the life of what goes another way than mail. The outbox alone knows it.
func (k clockOf) other(j *workflow.Job, e *workflow.Entry) NoticeView {
	v := k.notice(j, &workflow.NoticeRecord{ID: e.ID, Kind: e.Kind, At: e.MadeAt, Due: e.NotBefore}, e)
	v.Task, v.Again, v.Other = false, false, e.State == workflow.EntryBuried
	name, hook := strings.CutPrefix(string(e.Via), "hook:")
	if hook {
		v.Way, v.Words = "to your system “"+name+"”", string(e.Kind)
	} else {
		v.Way = "to the customer’s browser"
	}
	var last workflow.Attempt
	if len(e.Attempts) > 0 {
		last = e.Attempts[len(e.Attempts)-1]
	}
	switch {
	case e.State == workflow.EntryBuried && hook:
		v.Fate, v.FateWords = "stopped", "given up "+k.at(last.At)+". The system “"+name+"” did not take it. Have somebody look at its address, then send it again."
	case e.State == workflow.EntryBuried:
		v.Fate, v.FateWords = "left", "given up "+k.at(last.At)+". Nothing needs to be done: the mail tells the same."
	case e.State == workflow.EntrySent && last.Result == "gone":
		v.Fate, v.FateWords = "sent", "not sent: the browser is told no more"
	case e.State == workflow.EntrySent:
		v.Fate, v.FateWords = "sent", "accepted "+k.at(last.At)
	}
	return v
}

// notice tells a notice's life: made, held back or tried, and what came of it. The entry may be nil.
func (k clockOf) notice(j *workflow.Job, n *workflow.NoticeRecord, e *workflow.Entry) NoticeView {
	v := NoticeView{ID: n.ID, Words: noticeWords[n.Kind], When: k.at(n.At), Fate: "queued", FateWords: "on its way"}
	tried := 0
	if e != nil {
		for _, a := range e.Attempts {
			switch a.Result {
			case "held back":
				v.Tries = append(v.Tries, k.at(a.At)+": held back, "+lower(a.Words))
				continue
			case "paced":
				v.Tries = append(v.Tries, k.at(a.At)+": waits its turn. "+a.Words)
				continue
			}
			tried++
			if a.Words != "" {
				v.Tries = append(v.Tries, k.at(a.At)+": "+a.Result+", “"+a.Words+"”")
			} else {
				v.Tries = append(v.Tries, k.at(a.At)+": "+a.Result)
			}
		}
		switch {
		case tried == 1:
			v.FateWords = "not through yet; it will be tried again"
		case tried > 1:
			v.FateWords = fmt.Sprintf("not through yet, tried %d times; it will be tried again", tried)
		case n.Due.After(n.At) && n.Due.After(k.now):
			v.FateWords = "goes out " + k.at(n.Due)
		}
		if tried > 0 && e.State == workflow.EntryQueued {
			v.FateWords += ", next " + k.at(e.NotBefore)
		}
	}
	if n.With != "" && n.DeliveredAt.IsZero() && n.BuriedAt.IsZero() {
		v.FateWords = "goes with the mail before it"
	}
	switch {
	case !n.BouncedAt.IsZero():
		v.Fate, v.FateWords, v.Task = "back", "bounced "+k.at(n.BouncedAt)+". "+n.Reason, true
	case !n.DeliveredAt.IsZero():
		v.Fate, v.FateWords = "sent", "accepted by the mail server "+k.at(n.DeliveredAt)
	case !n.BuriedAt.IsZero():
		v.Fate, v.FateWords, v.Task, v.Again = "back", "given up "+k.at(n.BuriedAt)+". "+n.Reason, true, j.Erased.IsZero()
	}
	if !n.ToldAt.IsZero() {
		v.Task, v.Fate = false, "sent"
		v.FateWords += " The customer was told " + k.at(n.ToldAt) + "."
	}
	v.Task = v.Task && n.With == ""
	v.Again = v.Again && v.Task
	return v
}

// lower gives a sentence with a small letter at its beginning.
func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// OutboxRow is a mail on the page of the outbox.
type OutboxRow struct {
	NoticeView
	Number                   workflow.JobNumber
	Job, URL, Device, Person string
}

// OutboxRowOf makes the row of an outbox entry.
func OutboxRowOf(j *workflow.Job, e *workflow.Entry, shop *workflow.Shop, now time.Time) OutboxRow {
	k := newClock(shop, now)
	if e.Via != "" {
		return OutboxRow{NoticeView: k.other(j, e), Number: j.Number, Job: j.Number.Shown(), URL: "/counter/job/" + string(j.Number) + "#notices", Device: j.Device.Name(), Person: j.Customer.Name.Text}
	}
	n := j.Notice(e.ID)
	if n == nil {
		n = &workflow.NoticeRecord{ID: e.ID, Kind: e.Kind, At: e.MadeAt}
	}
	return OutboxRow{
		NoticeView: k.notice(j, n, e), Number: j.Number, Job: j.Number.Shown(), URL: "/counter/job/" + string(j.Number) + "#notices",
		Device: j.Device.Name(), Person: j.Customer.Name.Text,
	}
}

func alertsOf(j *workflow.Job, base JobPage, now time.Time) []Alert {
	var out []Alert
	if n := len(j.Undelivered()); n > 0 {
		words := "A mail did not arrive. Telephone the customer."
		if n > 1 {
			words = fmt.Sprintf("%d mails did not arrive. Telephone the customer.", n)
		}
		out = append(out, Alert{"mail", words, "#notices", "Which mail"})
	}
	if j.DeadAddress != "" && j.DeadAddress == j.Customer.Email.Digest && j.Erased.IsZero() {
		out = append(out, Alert{"mail", "The e-mail address takes no mail. Ask for the right one on the telephone.", base.To("customer"), "Correct it"})
	}
	if m := j.OpenQuestion(); m != nil {
		out = append(out, Alert{"question", "The customer asked: " + m.Text.Text, base.To("letters") + "#form", "Answer"})
	}
	if s := j.Screening; s != nil && s.CellDamaged == workflow.Yes {
		out = append(out, Alert{"danger", "A damaged cell came in. Keep it apart, on something that does not burn; it is never posted.", "", ""})
	}
	if s := j.Screening; s != nil && s.Mains == workflow.Yes && !j.Ended() {
		out = append(out, Alert{"caution", "Mains device. Unplug, let it discharge and measure before touching; local rules and licensed practice come first.", "", ""})
	}
	if q := j.Quote(); q != nil && q.State == workflow.QuoteExpired && j.Stage == workflow.StageAwaitingApproval {
		out = append(out, Alert{"quote", "The quote ran out without an answer. Send a new one, or telephone.", base.To("quote"), "New quote"})
	}
	return out
}
