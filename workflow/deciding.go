package workflow

import (
	"strings"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/money"
)

// Call is an answer given by telephone, as 16 CCR 2722 wants it noted: date and time, the number
// called, who answered (the decision's name), who took it down (its actor), and on what conditions
// (its words). What was added, and what it comes to, stands in the quote that the decision names.
type Call struct {
	// At is when the customer said it; writing it down may come later.
	At time.Time `json:"at"`
	// Number is the number called, or other words for how the customer was reached.
	Number Sealed `json:"number"`
}

// CallNote is a call as staff type it.
type CallNote struct {
	// At is when the customer said it, zero for now.
	At     time.Time `json:"at,omitzero"`
	Number string    `json:"number"`
}

func (t *turn) call(n *CallNote) (*Call, error) {
	if n == nil {
		return nil, nil
	}
	at := n.At.UTC().Truncate(time.Second)
	switch {
	case n.At.IsZero():
		at = t.now
	case at.After(t.now):
		return nil, invalid("call", "The call can't have been later than now.")
	case at.Before(t.j.Quote().IssuedAt.Truncate(time.Minute)):
		return nil, invalid("call", "The call can't have been before the quote was issued.")
	}
	number, err := line("call", "The number called, or how the customer was reached,", n.Number, true)
	if err != nil {
		return nil, err
	}
	sealed, err := t.seal(number)
	return &Call{At: at, Number: sealed}, err
}

// Undone counts the answers to a revision that were taken back. An answer names it as its round, so
// that a form sent again after the answer was taken back does not give it anew.
func (j *Job) Undone(revision int) int {
	n := 0
	for i := range j.Decisions {
		if d := &j.Decisions[i]; d.Revision == revision && !d.UndoneAt.IsZero() {
			n++
		}
	}
	return n
}

// Standing gives the yes or no to a revision that stands, nil if there is none.
func (j *Job) Standing(revision int) *Decision {
	for i := len(j.Decisions) - 1; i >= 0; i-- {
		if d := &j.Decisions[i]; d.Revision == revision && d.Verdict != VerdictAsk && d.UndoneAt.IsZero() {
			return d
		}
	}
	return nil
}

// UndoUntil gives until when the standing answer to the current revision can be taken back, zero if
// it can't: the shop sets no waiting time, or the bench has begun. It does not look at the time.
func (j *Job) UndoUntil(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || shop.UndoFor <= 0 {
		return time.Time{}
	}
	d := j.Standing(q.Revision)
	if d == nil || d.WithinLimit() || j.begun(d) {
		return time.Time{}
	}
	return j.waitsUntil(shop, q, d)
}

func (j *Job) waitsUntil(shop *Shop, q *Quote, d *Decision) time.Time {
	until := d.At.Add(shop.UndoFor)
	if until.After(q.ExpiresAt) {
		until = q.ExpiresAt // taken back, it could not be answered any more
	}
	return until
}

// WithinLimit reports whether nobody was asked: the limit agreed to beforehand was the approval.
func (d *Decision) WithinLimit() bool { return d.By.Role != RoleCustomer && d.Name.Empty() }

// begun reports whether the bench has done something about an answer: from then on it stands.
func (j *Job) begun(d *Decision) bool {
	switch j.Stage {
	case StageRepairing:
		if d.Verdict != VerdictApprove {
			return true
		}
	case StageTesting, StageAwaitingApproval:
	default:
		return true
	}
	if o := j.Quotes[d.Revision-1].Option(d.Option); j.Stage == StageTesting && o != nil && o.repairs() {
		return true
	}
	if h := j.Hold(); h != nil && h.Reason != HoldPayment && !h.From.Before(d.At) {
		return true // parts may be on their way
	}
	return len(j.Work) > d.WorkBefore || len(j.Tests) > d.TestsBefore || len(j.Packed) > 0 || j.Shipment != nil || j.Ready != nil
}

// UndoDecision takes the answer to the current revision back: within the shop's waiting time, and only
// while the bench has not begun. The revision is then open again.
type UndoDecision struct {
	// Digest names the revision, Round which answer to it: the number taken back before.
	Digest string `json:"digest"`
	Round  int    `json:"round,omitempty"`
	// Address and Agent say where it came from, or who took the call.
	Address string `json:"address,omitempty"`
	Agent   string `json:"agent,omitempty"`
}

func (UndoDecision) allowed() []Role { return []Role{RoleCustomer, RoleCounter, RoleOwner} }

func (c UndoDecision) decide(t *turn) error {
	q := t.j.Quote()
	if q == nil {
		return refused("There is no quote on this job.").because("quote_none")
	}
	undone := t.j.Undone(q.Revision)
	switch {
	case c.Digest != q.Digest:
		return &Error{Code: CodeConflict, Reason: "undo_replaced", Message: "This quote has been replaced by a newer one, so its answer can't be taken back."}
	case c.Round < undone:
		return nil // taken back already: it counts once
	}
	d := t.j.Standing(q.Revision)
	switch {
	case d == nil || c.Round > undone:
		return refused("There is no answer to take back.").because("undo_none")
	case t.shop.UndoFor <= 0 || d.WithinLimit():
		return refused("This answer stands. Write to the bench if it should change.").because("undo_stands")
	case t.j.begun(d):
		return refused("The bench has begun, so this answer stands. Write to the bench at once if it should change.").because("undo_begun")
	case !t.now.Before(t.j.waitsUntil(t.shop, q, d)):
		return refused("The time to take this answer back is over, so it stands. Write to the bench if it should change.").because("undo_late")
	}
	p := &DecisionUndone{Revision: q.Revision}
	for i := range t.j.Decisions {
		if &t.j.Decisions[i] == d {
			p.Decision = i + 1
		}
	}
	if d.Verdict == VerdictApprove {
		p.Restores = d.Replaced
	}
	var err error
	if p.Address, err = t.seal(clip(c.Address)); err != nil {
		return err
	}
	if p.Agent, err = t.seal(clip(c.Agent)); err != nil {
		return err
	}
	if t.j.Hold() != nil {
		if err := (LiftHold{}).decide(t); err != nil {
			return err
		}
	}
	if err := t.record(p); err != nil {
		return err
	}
	if t.j.Stage == StageAwaitingApproval {
		return t.pause(AccountCustomer, "approval")
	}
	return t.move(StageAwaitingApproval, "", "")
}

// DecisionUndone takes an answer back within its waiting time.
type DecisionUndone struct {
	// Decision counts from 1.
	Decision int `json:"decision"`
	Revision int `json:"revision"`
	// Restores is the revision whose approval is in force again, 0 for none.
	Restores int    `json:"restores,omitempty"`
	Address  Sealed `json:"address,omitzero"`
	Agent    Sealed `json:"agent,omitzero"`
}

// Kind is "decision.undone".
func (*DecisionUndone) Kind() EventKind { return "decision.undone" }

func (p *DecisionUndone) fold(j *Job, e *Event) {
	if p.Decision >= 1 && p.Decision <= len(j.Decisions) {
		j.Decisions[p.Decision-1].UndoneAt = e.At
	}
	if q := j.revision(p.Revision); q != nil {
		q.State, q.Approved = QuoteOpen, ""
	}
	if q := j.revision(p.Restores); q != nil && q.Approved != "" {
		q.State = QuoteApproved
	}
	j.Outcome = ""
	j.tell(e, p.Decision)
}

// takenBack reports whether the last answer to the current, open revision was taken back.
func (j *Job) takenBack() bool {
	q := j.Quote()
	return q != nil && q.State == QuoteOpen && j.Undone(q.Revision) > 0
}

// pendingUntil gives when an answer takes effect that waits because its step could not be undone:
// consent to recycling. Zero if there is none.
func (j *Job) pendingUntil(shop *Shop) time.Time {
	q := j.Quote()
	if j.Stage != StageAwaitingApproval || q == nil || q.State != QuoteApproved {
		return time.Time{}
	}
	d, o := j.Standing(q.Revision), q.Option(q.Approved)
	if d == nil || o == nil || o.Kind != OptionRecycle {
		return time.Time{}
	}
	return j.waitsUntil(shop, q, d)
}

// awaitDeposit lets the job stand still until the deposit has come in, where the approved option asks
// for one.
func (t *turn) awaitDeposit() error {
	if t.j.DepositOpen(t.shop).Minor <= 0 || t.j.Hold() != nil {
		return nil
	}
	return PlaceHold{Reason: HoldPayment}.decide(t)
}

// DepositOpen is what is still missing of the deposit that the approved option asks for; zero if
// nothing is.
func (j *Job) DepositOpen(shop *Shop) money.Amount {
	out := money.Amount{Currency: shop.Currency}
	if _, o := j.Approved(); o != nil && o.Deposit != nil {
		out.Minor = max(0, o.Deposit.Minor-j.Paid(shop).Minor)
	}
	return out
}

// Authorised is the most that may be charged: the total of the approved option, or, where nothing was
// approved, the diagnostic fee that was announced before the device was sent in.
func (j *Job) Authorised(shop *Shop) money.Amount {
	if _, o := j.Approved(); o != nil {
		return o.Result.Total
	}
	return j.fee(shop)
}

func (j *Job) fee(shop *Shop) money.Amount {
	if j.Fee != nil && j.Received() {
		return *j.Fee
	}
	return money.Amount{Currency: shop.Currency}
}

// Received reports whether the device has come in.
func (j *Job) Received() bool { return !j.ReceivedAt.IsZero() }

// Charge is what the job is charged at: what was set, or else what was approved. After a no it is the
// diagnostic fee that was announced beforehand, zero if there was none. It is never above
// [Job.Authorised].
func (j *Job) Charge(shop *Shop) money.Amount {
	if j.returning() {
		return money.Amount{Currency: shop.Currency} // having it back after a missed date costs nothing
	}
	most := j.Authorised(shop)
	charge := most
	switch {
	case j.Charged != nil:
		charge = *j.Charged
	case j.declined():
		charge = j.fee(shop)
	}
	if charge.Minor > most.Minor {
		return most
	}
	return charge
}

// declined reports whether the last answer that stands was a no.
func (j *Job) declined() bool {
	q := j.Quote()
	return q != nil && q.State == QuoteDeclined
}

// SetCharge charges less than what was approved: the work came to less, or part of it was not done.
type SetCharge struct {
	Amount string `json:"amount"`
	Reason string `json:"reason"`
}

func (SetCharge) allowed() []Role { return counterUp }

func (c SetCharge) decide(t *turn) error {
	if err := t.needOpen("Changing the charge"); err != nil {
		return err
	}
	a, err := t.amount("amount", c.Amount)
	if err != nil {
		return err
	}
	if a == nil || a.Minor < 0 {
		return invalid("amount", "Give the amount to charge, zero or more.")
	}
	if most := t.j.Authorised(t.shop); a.Minor > most.Minor {
		return refused("The customer agreed to %s, so at most that can be charged. For more, issue a new revision of the quote.", most)
	}
	reason, err := text("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&ChargeSet{*a, reason})
}

// ChargeSet is a charge below what was approved.
type ChargeSet struct {
	Amount money.Amount `json:"amount"`
	Reason string       `json:"reason"`
}

// Kind is "charge.set".
func (*ChargeSet) Kind() EventKind { return "charge.set" }

func (p *ChargeSet) fold(j *Job, e *Event) {
	a := p.Amount
	j.Charged, j.ChargedWhy = &a, p.Reason
	j.tell(e, 0)
}

// PaymentKind says what a payment was for.
type PaymentKind string

const (
	PaymentDeposit PaymentKind = "deposit" // asked for before the work begins
	PaymentPart    PaymentKind = "part"    // towards the balance, or all of it
	PaymentRefund  PaymentKind = "refund"  // went back
)

// PaymentKinds lists every kind in the order in which a form offers them.
var PaymentKinds = []PaymentKind{PaymentPart, PaymentDeposit, PaymentRefund}

// cardLike reports whether a text holds what may be a card number: groups of digits, with spaces or
// dashes between them, that make 13 to 19 together, begin with 2 to 6 and have the check digit of ISO/IEC
// 7812-1 (Luhn). Such a number is refused, at the price of refusing a few that are none.
func cardLike(s string) bool {
	for _, run := range strings.FieldsFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != ' ' && r != '-' && r != '\u00a0' && r != '.' }) {
		groups := strings.FieldsFunc(run, func(r rune) bool { return r < '0' || r > '9' })
		for from := range groups {
			number := ""
			for _, g := range groups[from:] {
				if number += g; len(number) > 19 {
					break
				}
				if len(number) >= 13 && number[0] >= '2' && number[0] <= '6' && luhn(number) {
					return true
				}
			}
		}
	}
	return false
}

func luhn(digits string) bool {
	sum := 0
	for i := range digits {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 1 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return sum%10 == 0
}

// Uncollected is a notice about goods that wait to be collected, or to be paid for.
type Uncollected struct {
	Number int       `json:"number"`
	At     time.Time `json:"at,omitzero"`
	// By is the date that it sets, in the shop's zone, "" for none.
	By string `json:"by,omitempty"`
	// Text is the shop's own, as it was sent.
	Text string `json:"text"`
}

// UncollectedNotice is a notice that the shop sends about goods that nobody collects: which ones, when,
// and in which words local law asks for, the shop knows.
type UncollectedNotice struct {
	// AfterDays is in calendar days after the goods were ready; it goes out at the opening of the first
	// working day from then on.
	AfterDays int
	// GiveDays is how many calendar days it gives, counted as in Regulation (EEC, Euratom) 1182/71: its
	// own day never counts, and a last day that is not a working day moves to the next. 0 sets no date.
	GiveDays int
	// Text is in the shop's own words, by language.
	Text map[string]string
}

// WaitsSince gives since when the goods wait for their customer, zero if they don't: they are ready,
// and to be collected in person, or held until they are paid for.
func (j *Job) WaitsSince(shop *Shop) time.Time {
	if j.Stage != StageTesting || j.Ready == nil {
		return time.Time{}
	}
	since := j.Ready.At
	h := j.Hold()
	switch {
	case j.Shipment != nil && j.Shipment.InPerson:
		if j.Shipment.At.After(since) {
			since = j.Shipment.At
		}
	case shop.SettleFirst && j.Balance(shop).Minor > 0:
	case h != nil && (h.Reason == HoldPayment || h.Reason == HoldCustomer):
		if h.From.After(since) {
			since = h.From
		}
	default:
		return time.Time{}
	}
	return since
}

// uncollectedAt gives when the next notice about uncollected goods is due, zero if none is.
func (j *Job) uncollectedAt(shop *Shop) time.Time {
	since := j.WaitsSince(shop)
	if since.IsZero() || len(j.Uncollected) >= len(shop.Uncollected) {
		return time.Time{}
	}
	next := shop.Uncollected[len(j.Uncollected)]
	at, ok := shop.Calendar.NextOpen(midnight(shop, shop.Calendar.Date(since)+calendar.Date(next.AfterDays)))
	if !ok {
		return time.Time{}
	}
	return at
}

func (t *turn) noticeUncollected() error {
	at := t.j.uncollectedAt(t.shop)
	if at.IsZero() || t.now.Before(at) {
		return nil
	}
	n := t.shop.Uncollected[len(t.j.Uncollected)]
	words := n.Text[t.j.Customer.Language]
	if words == "" {
		words = n.Text[t.shop.Languages[0]]
	}
	u := Uncollected{Number: len(t.j.Uncollected) + 1, Text: words}
	if n.GiveDays > 0 {
		if by, ok := t.shop.Calendar.LastDay(t.shop.Calendar.Date(t.now), n.GiveDays); ok {
			u.By = by.String()
		}
	}
	return t.record(&CollectionAsked{u})
}

// CollectionAsked is a notice about goods that nobody collects.
type CollectionAsked struct {
	Uncollected
}

// Kind is "collection.asked".
func (*CollectionAsked) Kind() EventKind { return "collection.asked" }

func (p *CollectionAsked) fold(j *Job, e *Event) {
	u := p.Uncollected
	u.At = e.At
	j.Uncollected = append(j.Uncollected, u)
	j.tell(e, u.Number)
}

// midnight gives the instant at which a date begins in the shop's zone.
func midnight(shop *Shop, d calendar.Date) time.Time {
	return calendar.Local(shop.Calendar.Location(), d, 0, 0)
}

// lastNoticeAt gives when the last notice about the open quote goes out, zero if it does not: at the
// opening of the working day that is so many working days before the one it runs out on.
func (j *Job) lastNoticeAt(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || q.State != QuoteOpen || q.LastNotice || shop.LastNoticeDays <= 0 {
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

func (q *Quote) firstRepair() *Option {
	for i := range q.Options {
		if q.Options[i].repairs() {
			return &q.Options[i]
		}
	}
	return nil
}

// waitForCollection puts the time for which goods wait at the counter to the customer's account.
func (t *turn) waitForCollection() error {
	if t.j.Ready != nil && t.j.Shipment != nil && t.j.Shipment.InPerson {
		return t.pause(AccountCustomer, "collection")
	}
	return t.resume("collection")
}

// Record is a decision's evidence as it is exported: what was shown, to whom it had been sent, who answered
// what, when, and from where. Anybody can take the digest of Terms anew (RFC 8785, SHA-256) and compare.
type Record struct {
	Job      JobNumber `json:"job"`
	Shop     ShopID    `json:"shop"`
	Decision int       `json:"decision"`
	Verdict  Verdict   `json:"verdict"`
	Revision int       `json:"revision"`
	Digest   string    `json:"digest"`
	Option   string    `json:"option,omitempty"`
	// Total is what was authorised, Added what that is above the approval before it.
	Total *money.Amount `json:"total,omitempty"`
	Added *money.Amount `json:"added,omitempty"`
	// Shown is the summary above the button, Words what was agreed to or said, Name what was typed.
	Shown    string    `json:"shown,omitempty"`
	Words    string    `json:"words,omitempty"`
	Name     string    `json:"name,omitempty"`
	Language string    `json:"language,omitempty"`
	At       time.Time `json:"at"`
	By       Actor     `json:"by"`
	SentTo   string    `json:"sent_to,omitempty"`
	Address  string    `json:"address,omitempty"`
	Agent    string    `json:"agent,omitempty"`
	// CalledAt and Called are of an answer by telephone; By took it down.
	CalledAt time.Time `json:"called_at,omitzero"`
	Called   string    `json:"called,omitempty"`
	UndoneAt time.Time `json:"undone_at,omitzero"`
	// Terms is the revision that was decided on.
	Terms QuoteTerms `json:"terms"`
}

// Records gives the evidence of every decision on the job, in order.
func (j *Job) Records() []Record {
	out := []Record{}
	for i := range j.Decisions {
		d := &j.Decisions[i]
		r := Record{
			Job: j.Number, Shop: j.Shop, Decision: i + 1, Verdict: d.Verdict, Revision: d.Revision, Digest: d.Digest, Option: d.Option, Total: d.Total,
			Shown: d.Shown.Text, Words: d.Words.Text, Name: d.Name.Text, Language: d.Language, At: d.At, By: d.By, SentTo: d.SentTo.Text,
			Address: d.Address.Text, Agent: d.Agent.Text, UndoneAt: d.UndoneAt,
		}
		if q := j.revision(d.Revision); q != nil {
			r.Terms = q.QuoteTerms
		}
		if old := j.revision(d.Replaced); old != nil && d.Total != nil && old.Option(old.Approved) != nil {
			r.Added = &money.Amount{Minor: d.Total.Minor - old.Option(old.Approved).Result.Total.Minor, Currency: d.Total.Currency}
		}
		if d.Call != nil {
			r.CalledAt, r.Called = d.Call.At, d.Call.Number.Text
		}
		out = append(out, r)
	}
	return out
}
