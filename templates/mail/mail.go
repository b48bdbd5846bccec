// Package mail puts notices into the words of emails.
//
// Contract: each notice makes one part of an email, from the job as it stood, and knows of no other. [Of]
// joins the parts: the first gives subject and heading, the heading of another stands over what that one
// tells. The button asks for one thing; what a second notice asks for stands under its own heading. A photo
// is shown once. Nothing here reads a clock or a store.
package mail

import (
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// Order says which notice to put into words, and what its links are.
type Order struct {
	// Job is as the mail tells it; At is the instant of which it tells.
	Job   *workflow.Job
	At    time.Time
	Entry *workflow.Entry
	Shop  *workflow.Shop
	Words *locale.Words
	// Own is the customer's link to the job, Decide opens the quote ("" if there is nothing to decide), Find is
	// the page that emails a fresh link, Packing the packing guide. All are whole addresses.
	Own, Decide, Find, Packing string
	// Also are the other notices that the mail tells, in order.
	Also []workflow.Entry
	// Confirm is where the reader says whether a message or a booking is theirs, "" for nowhere.
	Confirm string
	// Data is where all that is kept about the reader can be had, "" for nowhere.
	Data string
	// DataUntil is when that ends.
	DataUntil time.Time
	// Delay is where to choose after a missed promise, "" where there is nothing to.
	Delay string
	// Choose is where the customer chooses what to be mailed about, "" for nowhere.
	Choose string
	// Brief shortens long texts and lists: 0 says all that a mail can well carry, 1 less, 2 little. What
	// is left out is on the page, and the mail says so.
	Brief int
}

// Of puts a notice, and those that are told with it, into words.
func Of(o Order) *Mail {
	j, w := o.Job, o.Words
	t := &teller{Order: o, w: w, loc: o.Shop.Calendar.Location(), now: o.At, device: deviceWord(j.Device), seen: map[int]bool{}}
	t.status = templates.StatusOf(j, o.Shop, t.now, w)
	p := t.tell(o.Entry)
	for i := range o.Also {
		p = p.and(t.tell(&o.Also[i]))
	}
	if !p.saysWhy && !p.alone {
		p = p.with(t.paras("mail.why", t.status.WhenWhy...))
	}
	if p.alone {
		t.Own, t.Choose, o.Own, o.Choose = "", "", "", ""
	} else {
		p = t.asks(p)
	}
	if p.act == (templates.Link{}) {
		p.act = t.home()
	}
	m := &Mail{
		W: w, Kind: o.Entry.Kind, Shop: templates.ShopOf(o.Shop), Number: j.Number.Shown(), Device: j.Device.Name(), Own: o.Own, Find: o.Find,
		Subject: p.subject, Heading: p.heading, Lead: p.lead, Act: p.act, Decides: p.decides, Chooses: p.chooses, Sections: p.sections,
		left: t.left, Why: w.T("mail.foot.why", o.Shop.Name, j.Device.Name()),
	}
	if j.Stranger() {
		m.Why = w.T("mail.foot.booked", o.Shop.Name)
	}
	m.Shop.Zone, m.Preview = w.Zone(t.loc), m.Heading
	if !p.alone {
		m.Answers = t.answers()
		m.Preview = strings.Join([]string{m.Heading, m.Answers[1].Answer, m.Answers[2].Answer}, " ")
	}
	if o.Choose != "" {
		m.Choose, m.ChooseSays = o.Choose, w.T("notices.foot."+string(j.Choice()))
	}
	if t.cut {
		m.More = w.T("mail.more.text")
	}
	return m
}

// part is what one notice tells.
type part struct {
	subject, heading, lead string
	// act is what it asks for, or leads to; empty leads to the job.
	act              templates.Link
	decides, chooses bool
	sections         []Section
	// saysWhy marks a part that tells why the date moved.
	saysWhy bool
	// alone: nothing else is told and no other link given, since the reader may be nobody's customer.
	alone bool
}

// with adds sections.
func (p part) with(more ...[]Section) part {
	p.sections = append(p.sections, slices.Concat(more...)...)
	return p
}

// and adds what another notice tells, under that one's heading. What it asks for is the mail's button,
// unless the mail asks for something else already.
func (p part) and(q part) part {
	head := Section{Heading: q.heading}
	if q.lead != "" {
		head.Paras = []string{q.lead}
	}
	switch asks := p.decides || p.chooses; {
	case !q.decides && !q.chooses:
	case asks && q.act != p.act:
		head.Act = q.act
	default:
		p.act, p.decides, p.chooses = q.act, q.decides, q.chooses
	}
	p.saysWhy = p.saysWhy || q.saysWhy
	return p.with([]Section{head}, q.sections)
}

// parts returns the part of each kind of notice. A notice that names what the job does not have, and one that
// only brings the link, is told by [teller.link].
var parts = map[workflow.NoticeKind]func(*teller, *workflow.Entry) part{
	workflow.NoticeBooked:         (*teller).booked,
	workflow.NoticeReceived:       (*teller).received,
	workflow.NoticeFindings:       (*teller).findings,
	workflow.NoticeQuote:          (*teller).quote,
	workflow.NoticeFurtherQuote:   (*teller).quote,
	workflow.NoticeReminder:       (*teller).quote,
	workflow.NoticeLastNotice:     (*teller).quote,
	workflow.NoticeQuoteWithdrawn: (*teller).quoteWithdrawn,
	workflow.NoticeExpired:        (*teller).expired,
	workflow.NoticeDecision:       (*teller).decision,
	workflow.NoticeUndone:         (*teller).undone,
	workflow.NoticeReady:          (*teller).ready,
	workflow.NoticeUncollected:    (*teller).uncollected,
	workflow.NoticeShipped:        (*teller).shipped,
	workflow.NoticeWithdrawn:      (*teller).withdrawn,
	workflow.NoticePromiseMoved:   (*teller).promiseMoved,
	workflow.NoticeBreach:         (*teller).breach,
	workflow.NoticeDelayAnswered:  (*teller).delayAnswered,
	workflow.NoticeMessage:        (*teller).message,
	workflow.NoticeLink:           (*teller).link,
	workflow.NoticeConfirm:        (*teller).confirm,
	workflow.NoticeData:           (*teller).data,
}

// teller holds what the parts of a mail are made from, and remembers what they have shown and left out.
type teller struct {
	Order
	w      *locale.Words
	loc    *time.Location
	now    time.Time
	device string
	status templates.Status
	// seen are the photos shown or counted, left how many were only counted, cut that texts or lists were
	// shortened.
	seen map[int]bool
	left int
	cut  bool
}

// tell makes a notice's part. One that shows an open quote asks for its answer.
func (t *teller) tell(e *workflow.Entry) part {
	of := parts[e.Kind]
	if of == nil {
		of = (*teller).link
	}
	p := of(t, e)
	if p.act == (templates.Link{}) && t.answerable(e) {
		p.act, p.decides = templates.Link{Words: t.w.T("mail.act.decide"), URL: t.Decide}, true
	}
	return p
}

// asks adds the link for what waits for the customer, whatever else the email tells; it is the button where there
// is none yet.
func (t *teller) asks(p part) part {
	var q part
	switch n := t.Job.Standing(t.Shop, t.now).Need; {
	case p.decides || p.chooses:
	case n.Kind == workflow.NeedDecide && t.Decide != "":
		q.act, q.decides = templates.Link{Words: t.w.T("mail.act.decide"), URL: t.Decide}, true
	case n.Kind == workflow.NeedChoose && t.Delay != "":
		q.act, q.chooses = templates.Link{Words: t.w.T("mail.act.choose"), URL: t.Delay}, true
	case t.Entry.Kind == workflow.NoticeLink && t.Decide != "" && t.now.Before(t.Job.UndoUntil(t.Shop)):
		q.act, q.decides = templates.Link{Words: t.w.T("undo.look"), URL: t.Decide + "/done"}, true
	}
	if q.act == (templates.Link{}) {
		return p
	}
	if p.act == (templates.Link{}) {
		p.act = q.act
	} else {
		p = p.with([]Section{{Act: q.act}})
	}
	p.decides, p.chooses = q.decides, q.chooses
	return p
}

// home leads to the job, or to where a link to it is sent.
func (t *teller) home() templates.Link {
	if t.Own == "" {
		return templates.Link{Words: t.w.T("mail.act.find"), URL: t.Find}
	}
	return templates.Link{Words: t.w.T("mail.act.look"), URL: t.Own}
}

// answers returns the three answers: where it is, what is needed, when it will be back.
func (t *teller) answers() []Answer {
	s, w := t.status, t.w
	more := func(texts ...string) []string {
		return slices.DeleteFunc(texts, func(x string) bool { return x == "" })
	}
	hold := s.HoldNote
	if hold != "" {
		hold = w.T("mail.hold.note", t.clip(hold))
	}
	return []Answer{
		{Asked: w.T("mail.asked.where"), Answer: s.Where, More: more(s.WhereMore, s.Hold, hold)},
		{Asked: w.T("mail.asked.need"), Answer: s.Need, More: more(s.NeedAway, s.PayURL, t.clip(s.Pay)), Acts: s.NeedAction != workflow.NeedNone && s.NeedAction != workflow.NeedTell},
		{Asked: w.T("mail.asked.when"), Answer: s.When, More: more(s.WhenMore)},
	}
}

// deviceWord returns the plain word for the device with a capital, short enough for a subject.
func deviceWord(d workflow.Device) string {
	s := strings.Join(strings.Fields(d.Kind), " ")
	if utf8.RuneCountInString(s) > 40 {
		s = strings.TrimSpace(string([]rune(s)[:39])) + "…"
	}
	return locale.Capital(s)
}

// say begins a part with subject, heading and lead from the words of a key.
func (t *teller) say(key string, args ...any) part {
	args = append([]any{t.device}, args...)
	p := part{subject: t.w.T("mail."+key+".subject", args...), heading: t.w.T("mail."+key+".heading", args...)}
	if lead := "mail." + key + ".lead"; t.w.Has(lead) {
		p.lead = t.w.T(lead, args...)
	}
	return p
}

// date is the answer to "when".
func (t *teller) date() workflow.Date { return t.Job.Standing(t.Shop, t.now).Date }

// day returns a date as it stands in a sentence.
func (t *teller) day(at time.Time) string { return t.w.DayAsOf(at, t.now, t.loc) }

// clip shortens a long text at a word, and remembers that it did.
func (t *teller) clip(s string) string {
	limit := [...]int{1500, 500, 160}[min(max(t.Brief, 0), 2)]
	r := []rune(s)
	if len(r) <= limit {
		return s
	}
	t.cut = true
	cut := string(r[:limit])
	if i := strings.LastIndexAny(cut, " \n"); i > len(cut)/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " \n,;:.") + " …"
}

// few keeps a list short, and remembers that it did.
func few[T any](t *teller, list []T) []T {
	if limit := [...]int{20, 8, 4}[min(max(t.Brief, 0), 2)]; len(list) > limit {
		t.cut = true
		return list[:limit]
	}
	return list
}

// paras makes a section of texts, none if all are empty.
func (t *teller) paras(heading string, texts ...string) []Section {
	var out []string
	for _, x := range texts {
		if x != "" {
			out = append(out, t.clip(x))
		}
	}
	if out == nil {
		return nil
	}
	return []Section{{Heading: t.w.T(heading), Paras: out}}
}

// letter makes a section of what somebody wrote, none if it is empty.
func (t *teller) letter(heading, text string) []Section {
	if text == "" {
		return nil
	}
	return []Section{{Heading: t.w.T(heading), Letter: t.clip(text)}}
}

// items makes a section of a list, none if it is empty.
func (t *teller) items(heading string, items []Item) []Section {
	if len(items) == 0 {
		return nil
	}
	return []Section{{Heading: t.w.T(heading), Items: items}}
}

// cautions makes a section of what can hurt somebody.
func (t *teller) cautions(texts []string) []Section {
	if len(texts) == 0 {
		return nil
	}
	return []Section{{Heading: t.w.T("mail.caution"), Caution: true, Paras: texts}}
}

// rows makes rows of keys and values; those without a value are left out.
func (t *teller) rows(pairs ...string) []Row {
	var out []Row
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			out = append(out, Row{t.w.T(pairs[i]), pairs[i+1]})
		}
	}
	return out
}
