package workflow

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/gowebpki/jcs"

	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// OptionKind is a way on that a quote offers.
type OptionKind string

const (
	OptionRepair  OptionKind = "repair"  // repair the fault
	OptionRenew   OptionKind = "renew"   // repair, and renew what is worn
	OptionReturn  OptionKind = "return"  // return unrepaired
	OptionRecycle OptionKind = "recycle" // recycle, with written consent
	OptionReplace OptionKind = "replace" // replace by agreement
)

// OptionKinds lists every kind that a quote can offer, in the order in which a form offers them. Earlier quotes
// offered [OptionReturn] too.
//
// # Decisions
//
//   - 2026-11-30: A no has one meaning and one price: the device comes back, for what was announced on booking
//     ([Job.CostOfNo]). So an option that means "send it back" is refused, and a no to an earlier quote that holds
//     one is a yes to it, at its price, which is told before. Rejected: keeping both, of which one had a price and
//     the other none.
//   - 2026-11-30: A further quote leaves what was approved in force. Its no means "only what I approved": the bench
//     goes on with that. Rejected: a no that stops the approved work as well, since nobody can say beforehand what
//     that costs; who wants that writes to the bench.
var OptionKinds = []OptionKind{OptionRepair, OptionRenew, OptionRecycle, OptionReplace}

// Option is one priced way on. Approving it authorises its total, and nothing above it.
type Option struct {
	// Key names the option within its revision: "A", "B" …
	Key   string     `json:"key,omitempty"`
	Kind  OptionKind `json:"kind"`
	Title string     `json:"title"`
	Text  string     `json:"text,omitempty"`
	// Excluded says what is not included.
	Excluded     string        `json:"excluded,omitempty"`
	Price        money.Request `json:"price"`
	Result       money.Result  `json:"result,omitzero"`
	WorkingDays  int           `json:"working_days,omitempty"`
	WarrantyDays int           `json:"warranty_days,omitempty"`
	// Deposit is what is to be paid before the work begins, part of the total; nil for none.
	Deposit *money.Amount `json:"deposit,omitempty"`
}

// repairs reports whether the option has the bench work on the fault.
func (o *Option) repairs() bool {
	return o.Kind == OptionRepair || o.Kind == OptionRenew || o.Kind == OptionReplace
}

// QuoteTerms is what a quote says: the part that its digest covers.
type QuoteTerms struct {
	Job      JobNumber `json:"job"`
	Revision int       `json:"revision"`
	Options  []Option  `json:"options"`
	// Note is the bench's own word to the customer.
	Note Words `json:"note,omitzero"`
	// Reason says why this revision differs from the one before; "" for the first.
	Reason    Words     `json:"reason,omitzero"`
	IssuedAt  time.Time `json:"issued_at"`
	ExpiresAt time.Time `json:"expires_at"`
	// Words is the sentence that the customer agrees to when approving.
	Words string `json:"words"`
	// RecycleWords is the sentence agreed to for an option to recycle, "" where there is none, and in earlier quotes.
	RecycleWords string `json:"recycle_words,omitempty"`
	// Language is that of Words, "" for English.
	Language string `json:"language,omitempty"`
}

// Digest is the hex SHA-256 of the terms in canonical JSON (RFC 8785). A decision names it.
func (t QuoteTerms) Digest() (string, error) { return digestOf("quote", t) }

// digestOf returns the hex SHA-256 of a value in canonical JSON (RFC 8785).
func digestOf(what string, v any) (string, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("%s digest: %w", what, err)
	}
	c, err := jcs.Transform(raw)
	if err != nil {
		return "", fmt.Errorf("%s digest: %w", what, err)
	}
	sum := sha256.Sum256(c)
	return hex.EncodeToString(sum[:]), nil
}

// QuoteState is where a revision stands.
type QuoteState string

const (
	RevisionOpen       QuoteState = "open"
	RevisionApproved   QuoteState = "approved"
	RevisionDeclined   QuoteState = "declined"
	RevisionWithdrawn  QuoteState = "withdrawn"  // by the bench
	RevisionSuperseded QuoteState = "superseded" // a newer revision took its place
	RevisionExpired    QuoteState = "expired"
)

// Quote is one revision of the priced options.
type Quote struct {
	QuoteTerms
	Digest string     `json:"digest"`
	State  QuoteState `json:"state"`
	// Approved is the key of the approved option.
	Approved string `json:"approved,omitempty"`
	// TakenBack is the bench's reason for withdrawing it.
	TakenBack Words `json:"taken_back,omitzero"`
	// Reminded counts the reminders sent.
	Reminded int `json:"reminded,omitempty"`
	// LastNotice: the last notice before it runs out was sent.
	LastNotice bool `json:"last_notice,omitempty"`
}

// Option returns the option with this key, nil if there is none.
func (q *Quote) Option(key string) *Option {
	for i := range q.Options {
		if q.Options[i].Key == key {
			return &q.Options[i]
		}
	}
	return nil
}

// withinLimit returns the first repairing option whose total is within the limit that the customer
// agreed to beforehand, nil if there is none.
func (q *Quote) withinLimit(j *Job) *Option {
	if j.Limit == nil {
		return nil
	}
	for i := range q.Options {
		if o := &q.Options[i]; o.repairs() && o.Result.Total.Minor <= j.Limit.Minor {
			return o
		}
	}
	return nil
}

// Back returns the option that a no to an earlier quote means, nil where a no is a no.
func (q *Quote) Back() *Option {
	for i := range q.Options {
		if q.Options[i].Kind == OptionReturn {
			return &q.Options[i]
		}
	}
	return nil
}

func (q *Quote) firstRepair() *Option {
	for i := range q.Options {
		if q.Options[i].repairs() {
			return &q.Options[i]
		}
	}
	return nil
}

// Decidable reports whether a decision on a revision of the job's quote can be taken at an instant.
func (j *Job) Decidable(q *Quote, now time.Time) bool {
	return q != nil && j.Stage == StageAwaitingApproval && q.Answerable(now)
}

// Became returns what became of a revision that nobody can decide on any more.
func (j *Job) Became(revision int) QuoteState {
	q := j.revision(revision)
	switch {
	case q == nil:
		return RevisionSuperseded
	case q.State == RevisionOpen && j.Ended():
		return RevisionWithdrawn
	case q.State == RevisionOpen:
		return RevisionExpired
	}
	return q.State
}

// Answerable reports whether a decision on this revision can still be taken at an instant.
func (q *Quote) Answerable(now time.Time) bool {
	return q.State == RevisionOpen && now.Before(q.ExpiresAt)
}

// Quote returns the current revision, nil if none was issued.
func (j *Job) Quote() *Quote {
	if len(j.Quotes) == 0 {
		return nil
	}
	return &j.Quotes[len(j.Quotes)-1]
}

func (j *Job) revision(n int) *Quote {
	if n < 1 || n > len(j.Quotes) {
		return nil
	}
	return &j.Quotes[n-1]
}

// ConsentWords is the sentence agreed to on approving; the quote's digest covers it.
const ConsentWords = "I approve this option at the total shown. The bench may do the work and charge this total, and nothing above it without asking me again."

// RecycleWords is the sentence agreed to for an option to recycle.
const RecycleWords = "I agree to have the device, and everything that came with it, recycled. It will be destroyed and won't come back to me, and everything stored on it will be lost. The bench may charge the total shown, and nothing above it."

// WordsFor returns the sentence agreed to for an option.
func (q *Quote) WordsFor(o *Option) string {
	if o != nil && o.Kind == OptionRecycle && q.RecycleWords != "" {
		return q.RecycleWords
	}
	return q.Words
}

// IssueQuote issues the next revision of the quote. Prices are worked out from the lines.
type IssueQuote struct {
	Options []Option `json:"options"`
	Note    string   `json:"note,omitempty"`
	Reason  string   `json:"reason,omitempty"`
	// Days is how many calendar days it stands; 0 means the shop's usual.
	Days int `json:"days,omitempty"`
	// NoFee leaves out the line of the job's level of service, which repairing options get otherwise.
	NoFee bool `json:"no_fee,omitempty"`
}

func (c IssueQuote) decide(t *turn) error {
	if err := t.needStage("Issuing a quote", StageDiagnosing, StageAwaitingApproval, StageRepairing); err != nil {
		return err
	}
	if t.j.Recycling() {
		return refused(agreedToRecycling)
	}
	if n := len(c.Options); n < 1 || n > 5 {
		return invalid("options", "A quote offers one to five options; this one has %d.", n)
	}
	days := c.Days
	if days == 0 {
		days = t.shop.QuoteDays
	}
	if days < 1 || days > 365 {
		return invalid("days", "A quote can stand for 1 to 365 days.")
	}
	terms := QuoteTerms{
		Job: t.j.Number, Revision: len(t.j.Quotes) + 1, Words: ConsentWords,
		IssuedAt: t.now, ExpiresAt: t.now.Add(time.Duration(days) * 24 * time.Hour).Truncate(time.Second),
	}
	if t.shop.RepairForm != nil {
		if last, ok := t.shop.Calendar.LastDay(t.shop.Calendar.Date(t.now), max(days, 30)); ok {
			terms.ExpiresAt = midnight(t.shop, last+1).Add(-time.Second).UTC() // the last second of the last day
		}
	}
	if w := t.shop.Consent[t.j.Customer.Language]; w != "" {
		terms.Words, terms.Language = w, t.j.Customer.Language
	}
	var err error
	if terms.Note, err = t.text("note", "The note", c.Note, false); err != nil {
		return err
	}
	if terms.Reason, err = t.text("reason", "Why the quote changes", c.Reason, terms.Revision > 1); err != nil {
		return err
	}
	for i, o := range c.Options {
		o.Key = string(rune('A' + i))
		if o.Kind == OptionReturn {
			return invalid("kind", "Leave option %s out: a no means that it comes back, and costs what was announced on booking.", o.Key)
		}
		if err := oneOf("kind", "The kind of option", o.Kind, OptionKinds); err != nil {
			return err
		}
		if o.Title, err = line("title", "The title of option "+o.Key, o.Title, true); err != nil {
			return err
		}
		if o.Text, err = text("text", "The description of option "+o.Key, o.Text, false); err != nil {
			return err
		}
		if o.Excluded, err = text("excluded", "What option "+o.Key+" does not include", o.Excluded, false); err != nil {
			return err
		}
		if o.WorkingDays < 0 || o.WorkingDays > 365 || o.WarrantyDays < 0 || o.WarrantyDays > 3650 {
			return invalid("option", "Option %s: the working days or warranty days are out of range.", o.Key)
		}
		o.Price.Currency, o.Price.Prices, o.Price.Taxes = t.shop.Currency, t.shop.Prices, t.shop.Taxes
		o.Price.Paid = money.Decimal{}
		if !c.NoFee {
			t.j.Level.addFee(&o)
		}
		if o.Result, err = money.Price(o.Price); err != nil {
			return &Error{Code: CodeInvalid, Field: "lines", Message: "Option " + o.Key + ": " + err.Error(), Err: err}
		}
		if d := o.Deposit; d != nil && (d.Currency != t.shop.Currency || d.Minor <= 0 || d.Minor > o.Result.Total.Minor || !o.repairs()) {
			return invalid("deposit", "Option %s: a deposit goes with a repair, in %s, above zero and at most the total of %s.", o.Key, t.shop.Currency, o.Result.Total)
		}
		terms.Options = append(terms.Options, o)
	}
	if slices.ContainsFunc(terms.Options, func(o Option) bool { return o.Kind == OptionRecycle }) {
		if terms.RecycleWords = RecycleWords; terms.Language != "" {
			terms.RecycleWords = cmp.Or(t.shop.ConsentRecycle[terms.Language], RecycleWords)
		}
	}
	if err := t.furtherQuote(terms.Options); err != nil {
		return err
	}
	digest, err := terms.Digest()
	if err != nil {
		return err
	}
	if err := t.revokeLinks(link.Decide); err != nil {
		return err
	}
	if err := t.record(&QuoteIssued{terms, digest}); err != nil {
		return err
	}
	return t.issueLink(link.Decide, terms.Revision, terms.ExpiresAt)
}

// QuoteIssued is a revision of the quote.
type QuoteIssued struct {
	Terms  QuoteTerms `json:"terms"`
	Digest string     `json:"digest"`
}

func (p *QuoteIssued) fold(j *Job, e *Event) {
	if q := j.Quote(); q != nil && q.State == RevisionOpen {
		q.State = RevisionSuperseded
	}
	j.Quotes = append(j.Quotes, Quote{QuoteTerms: p.Terms, Digest: p.Digest, State: RevisionOpen})
	j.addMoment(e, p.Terms.Revision)
}

// WithdrawQuote takes the open revision back, and the job with it to diagnosing.
type WithdrawQuote struct {
	Revision int    `json:"revision,omitempty"`
	Reason   string `json:"reason"`
}

func (c WithdrawQuote) decide(t *turn) error {
	q := t.j.Quote()
	if q == nil || q.State != RevisionOpen || (c.Revision != 0 && q.Revision != c.Revision) {
		return refused("There is no open quote to withdraw; the customer may have answered it just now.")
	}
	reason, err := t.text("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	if err := t.record(&QuoteWithdrawn{q.Revision, reason}); err != nil {
		return err
	}
	if err := t.revokeLinks(link.Decide); err != nil {
		return err
	}
	if t.j.Stage == StageAwaitingApproval {
		return t.move(StageDiagnosing, "", reason.Text)
	}
	return nil
}

// QuoteWithdrawn withdraws the current revision.
type QuoteWithdrawn struct {
	Revision int   `json:"revision"`
	Reason   Words `json:"reason"`
}

func (p *QuoteWithdrawn) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil {
		q.State, q.TakenBack = RevisionWithdrawn, p.Reason
		j.addMoment(e, p.Revision)
	}
}

// expiresAt returns when the open quote runs out, zero if there is none.
func (j *Job) expiresAt(*Shop) time.Time {
	if q := j.Quote(); q != nil && q.State == RevisionOpen {
		return q.ExpiresAt
	}
	return time.Time{}
}

// lapse lets the open quote run out.
func (t *turn) lapse() error {
	if err := t.record(&QuoteExpired{t.j.Quote().Revision}); err != nil {
		return err
	}
	// Everything waits for the customer's word on how to go on, a question of theirs that nobody answered too.
	if t.j.Stage == StageAwaitingApproval {
		if err := t.pause(promiseclock.AccountCustomer, "approval"); err != nil {
			return err
		}
	}
	return t.revokeLinks(link.Decide)
}

// remind follows the open quote up.
func (t *turn) remind(last bool) error {
	return t.record(&QuoteReminded{Revision: t.j.Quote().Revision, Last: last})
}

// remindAt returns when the open quote is followed up next: at the opening of the shop's n-th working
// day after its issue, zero if not again, or while their question waits. From the last notice on nothing more is sent.
func (j *Job) remindAt(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || q.State != RevisionOpen || j.Stage != StageAwaitingApproval || q.LastNotice || q.Reminded >= len(shop.RemindDays) || j.OpenQuestion() != nil {
		return time.Time{}
	}
	at, ok := shop.Calendar.OpeningOf(q.IssuedAt, shop.RemindDays[q.Reminded])
	if !ok || !at.Before(q.ExpiresAt) {
		return time.Time{}
	}
	if last := j.lastNoticeAt(shop); !last.IsZero() && !at.Before(last) {
		return time.Time{}
	}
	return at
}

// lastNoticeAt returns when the last notice about the open quote goes out, zero if it does not: at the
// opening of the working day that is so many working days before the one it runs out on.
func (j *Job) lastNoticeAt(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || q.State != RevisionOpen || j.Stage != StageAwaitingApproval || q.LastNotice || shop.LastNoticeDays <= 0 {
		return time.Time{}
	}
	day, ok := shop.Calendar.AddWorkingDays(shop.Calendar.Date(q.ExpiresAt), -shop.LastNoticeDays)
	if !ok {
		return time.Time{}
	}
	at, ok := shop.Calendar.NextOpen(midnight(shop, day))
	if !ok || !at.Before(q.ExpiresAt) || shop.Calendar.Date(at) <= shop.Calendar.Date(q.IssuedAt) {
		return time.Time{}
	}
	return at
}

// QuoteReminded is a follow-up on an open revision.
type QuoteReminded struct {
	Revision int `json:"revision"`
	// Last marks the last notice before it runs out.
	Last bool `json:"last,omitempty"`
}

func (p *QuoteReminded) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil && p.Last {
		q.LastNotice = true
	} else if q != nil {
		q.Reminded++
	}
}

// QuoteExpired is a revision that nobody answered in time.
type QuoteExpired struct {
	Revision int `json:"revision"`
}

func (p *QuoteExpired) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil {
		q.State = RevisionExpired
		j.addMoment(e, p.Revision)
	}
}

// Changes is what one option is against another: what a customer asks of a new revision.
type Changes struct {
	// From is the option that was approved, or, where none was, that of the revision before.
	From, To *Option
	Approved bool
	Lines    []LineChange
	// More is what the total grew by, below zero if it fell.
	More money.Amount
}

// LineChange is one line that was added (Was is nil), taken out (Is is nil), or has another amount.
type LineChange struct {
	Text    string
	Was, Is *money.Amount
}

// Changes compares a later revision with what was approved before it: its first repair with the approved
// option. Where nothing was approved it is compared with the revision before. It is nil for the first
// revision, and where there is nothing to compare.
func (j *Job) Changes(q *Quote) *Changes {
	if q.Revision < 2 || q.Revision > len(j.Quotes) {
		return nil
	}
	c := &Changes{}
	for i := q.Revision - 2; i >= 0 && c.From == nil; i-- {
		if old := &j.Quotes[i]; old.Approved != "" && old.Option(old.Approved).repairs() {
			c.From, c.Approved = old.Option(old.Approved), true
		}
	}
	if c.From == nil {
		c.From = j.Quotes[q.Revision-2].firstRepair()
	}
	if c.To = q.firstRepair(); c.From == nil || c.To == nil {
		return nil
	}
	c.More = money.Amount{Minor: c.To.Result.Total.Minor - c.From.Result.Total.Minor, Currency: c.To.Result.Total.Currency}
	used := make([]bool, len(c.From.Price.Lines))
	was := func(l money.Line) int {
		for i, o := range c.From.Price.Lines {
			if !used[i] && o.Kind == l.Kind && o.Text == l.Text && o.Grade == l.Grade {
				used[i] = true
				return i
			}
		}
		return -1
	}
	for i, l := range c.To.Price.Lines {
		is := c.To.Result.Lines[i]
		switch at := was(l); {
		case at < 0:
			c.Lines = append(c.Lines, LineChange{Text: l.Text, Is: &is})
		case c.From.Result.Lines[at].Minor != is.Minor:
			c.Lines = append(c.Lines, LineChange{Text: l.Text, Was: &c.From.Result.Lines[at], Is: &is})
		}
	}
	for i, l := range c.From.Price.Lines {
		if !used[i] {
			c.Lines = append(c.Lines, LineChange{Text: l.Text, Was: &c.From.Result.Lines[i]})
		}
	}
	return c
}

func guardFurther(g *gate) {
	if g.j.takenBack() {
		return
	}
	q := g.j.Quote()
	if q == nil || q.State != RevisionOpen || q.Revision < 2 {
		g.need(false, "Issue a new revision of the quote first.")
		return
	}
	g.further(q.Options)
}

// further asks for what a quote beyond the approved work needs, so that the customer can answer it.
func (g *gate) further(options []Option) {
	_, approved := g.j.Approved()
	if approved == nil {
		return
	}
	g.need(slices.ContainsFunc(options, func(o Option) bool { return o.Result.Total.Minor > approved.Result.Total.Minor }),
		"The new revision is not above what was approved, so it needs no new approval. To charge less, change the charge.")
	g.need(slices.ContainsFunc(g.j.Findings, func(f Finding) bool { return !f.Withdrawn && f.At.After(g.j.StageSince.Add(-1)) }),
		"Record the further finding first, so that the customer can see why the price rises.")
}

// furtherQuote refuses a quote from the middle of the repair that nobody could answer.
func (t *turn) furtherQuote(options []Option) error {
	if t.j.Stage != StageRepairing {
		return nil
	}
	g := &gate{j: t.j, shop: t.shop}
	if g.further(options); len(g.missing) > 0 {
		return &Error{Code: CodeRefused, Message: g.missing[0], Missing: g.missing}
	}
	return nil
}
