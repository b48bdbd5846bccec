package workflow

import (
	"time"

	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// Verdict is the customer's yes, no, or question.
type Verdict string

const (
	VerdictApprove Verdict = "approve"
	VerdictDecline Verdict = "decline"
	VerdictAsk     Verdict = "ask"
)

// Decision is what the customer answered, with the evidence of it.
type Decision struct {
	Verdict  Verdict `json:"verdict"`
	Revision int     `json:"revision"`
	Digest   string  `json:"digest"`
	Option   string  `json:"option,omitempty"`
	// Name is the customer's own. Filled: the page had it from the job, and the customer confirmed it by the
	// summary's button; otherwise it was typed.
	Name   Sealed `json:"name"`
	Filled bool   `json:"filled,omitempty"`
	// Words is the sentence agreed to, or the customer's question or remark.
	Words Sealed `json:"words"`
	// Total is what an approval authorises, in the quote's currency.
	Total *money.Amount `json:"total,omitempty"`
	At    time.Time     `json:"at,omitzero"`
	By    Actor         `json:"by"`
	// Address is the network address that the decision came from, Agent its user agent; for a
	// decision by telephone Agent says who took the call and how.
	Address Sealed `json:"address"`
	Agent   Sealed `json:"agent"`
	// SentTo is the mail address that the link had been sent to.
	SentTo Sealed `json:"sent_to,omitzero"`
	// Shown is the text of the summary that stood above the button, as it was shown.
	Shown Sealed `json:"shown,omitzero"`
	// Language is the one that it was shown in.
	Language string `json:"language,omitempty"`
	// Call says more of an answer by telephone.
	Call *Call `json:"call,omitempty"`
	// Kept is the revision whose approval a no to a further quote left in force, 0 where it comes back.
	Kept int `json:"kept,omitempty"`

	// The rest is not evidence but what became of it; the event does not hold it.

	// UndoneAt is when it was taken back, zero while it stands.
	UndoneAt time.Time `json:"undone_at,omitzero"`
	// Replaced is the revision whose approval it took the place of, 0 for none.
	Replaced int `json:"replaced,omitempty"`
}

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

// Approved returns the approved revision and option in force, nil if there is none.
func (j *Job) Approved() (*Quote, *Option) {
	for i := len(j.Quotes) - 1; i >= 0; i-- {
		if q := &j.Quotes[i]; q.State == RevisionApproved {
			return q, q.Option(q.Approved)
		}
	}
	return nil, nil
}

// declined reports whether the last answer that stands was a no after which it comes back.
func (j *Job) declined() bool {
	q := j.Quote()
	_, kept := j.Kept()
	return q != nil && q.State == RevisionDeclined && (kept == nil || j.Outcome == OutcomeUnrepaired)
}

// Kept returns the approved repair that a further quote leaves in force, nil if there is none: a no to the
// further quote means only that.
func (j *Job) Kept() (*Quote, *Option) {
	if q, o := j.Approved(); o != nil && o.repairs() && q.Revision < len(j.Quotes) {
		return q, o
	}
	return nil, nil
}

// standingYes returns the decision that approved what is in force, nil if nothing is.
func (j *Job) standingYes() *Decision {
	if q, _ := j.Approved(); q != nil {
		return j.AnswerTo(q.Revision)
	}
	return nil
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

// AnswerTo returns the yes or no to a revision that stands, nil if there is none.
func (j *Job) AnswerTo(revision int) *Decision {
	for i := len(j.Decisions) - 1; i >= 0; i-- {
		if d := &j.Decisions[i]; d.Revision == revision && d.Verdict != VerdictAsk && d.UndoneAt.IsZero() {
			return d
		}
	}
	return nil
}

// UndoUntil returns until when the standing answer to the current revision can be taken back, unless the bench
// begins before: as long as the quote would stand, for taken back it could not be answered after that; consent to
// recycling, until it takes effect. It is zero if it can't be taken back: the shop lets nobody, or the bench has
// begun. It does not look at the time.
func (j *Job) UndoUntil(shop *Shop) time.Time {
	q := j.Quote()
	if q == nil || shop.UndoFor <= 0 {
		return time.Time{}
	}
	d := j.AnswerTo(q.Revision)
	switch pending := j.pendingUntil(shop); {
	case d == nil || d.WithinLimit() || j.returning():
		return time.Time{}
	case !pending.IsZero():
		return pending
	case j.Queued():
		return q.ExpiresAt
	}
	return time.Time{}
}

// pendingUntil returns when an answer takes effect that waits because its step could not be undone:
// consent to recycling. Zero if there is none.
func (j *Job) pendingUntil(shop *Shop) time.Time {
	q := j.Quote()
	if !j.Recycling() {
		return time.Time{}
	}
	d := j.AnswerTo(q.Revision)
	if d == nil {
		return time.Time{}
	}
	if until := d.At.Add(shop.UndoFor); until.Before(q.ExpiresAt) {
		return until
	}
	return q.ExpiresAt
}

// agreedToRecycling refuses what would go on beside a consent that only waits for the time to take it back.
const agreedToRecycling = "The customer agreed to have it recycled. If something has changed, ask them to take that back first."

// Recycling reports whether the customer agreed to recycling, and the job has not been closed yet.
func (j *Job) Recycling() bool {
	q := j.Quote()
	if j.Stage != StageAwaitingApproval || q == nil || q.Approved == "" {
		return false
	}
	o := q.Option(q.Approved)
	return o != nil && o.Kind == OptionRecycle
}

// AskedBack reports whether the customer themselves chose to have it back unrepaired.
func (j *Job) AskedBack() bool {
	if d := j.Delay(); j.returning() {
		return d != nil && !d.Unanswered
	}
	d := j.AnswerTo(len(j.Quotes))
	return d != nil && j.Outcome == OutcomeUnrepaired
}

// WithinLimit reports whether nobody was asked: the limit agreed to beforehand was the approval.
func (d *Decision) WithinLimit() bool { return d.By.Role != RoleCustomer && d.Name.Empty() }

// Decide is the customer's answer to a revision of the quote, by link, or by telephone as staff
// write it down.
type Decide struct {
	Verdict Verdict `json:"verdict"`
	// Digest names the revision exactly.
	Digest string `json:"digest"`
	Option string `json:"option,omitempty"`
	// Name is the customer's own; Filled says that the page had it from the job.
	Name   string `json:"name,omitempty"`
	Filled bool   `json:"-"`
	// Words is the question, or a remark.
	Words string `json:"words,omitempty"`
	// Address and Agent say where the answer came from; for a telephone answer, Agent says who took
	// the call and how the customer was reached.
	Address string `json:"address,omitempty"`
	Agent   string `json:"agent,omitempty"`
	// Round counts the answers to this revision that were taken back before; an answer from an earlier
	// round is refused.
	Round int `json:"round,omitempty"`
	// Shown is the text of the summary that stood above the button.
	Shown string `json:"shown,omitempty"`
	// Call says more of an answer by telephone.
	Call *CallNote `json:"call,omitempty"`
}

func (c Decide) decide(t *turn) error {
	q := t.j.Quote()
	if q == nil {
		return refused("There is no quote on this job.").because("quote_none")
	}
	if err := oneOf("verdict", "Your answer", c.Verdict, []Verdict{VerdictApprove, VerdictDecline, VerdictAsk}); err != nil {
		return err
	}
	if c.Digest != q.Digest {
		return &Error{Code: CodeConflict, Reason: "quote_replaced", Message: "This quote has been replaced by a newer one. Nothing was decided; please look at the new one."}
	}
	if o := q.Back(); o != nil && c.Verdict == VerdictDecline {
		c.Verdict, c.Option = VerdictApprove, o.Key
	}
	if c.Verdict != VerdictAsk && c.Round != t.j.Undone(q.Revision) {
		return &Error{Code: CodeConflict, Reason: "quote_round", Message: "An earlier answer to this quote was taken back. Nothing was decided now; please look at the quote again."}
	}
	if last := t.j.AnswerTo(q.Revision); last != nil && q.State != RevisionOpen {
		if last.Verdict == c.Verdict && last.Option == c.Option {
			return nil // the same answer again: it counts once
		}
		return &Error{Code: CodeConflict, Reason: "quote_answered", Message: "This quote was answered already, and that answer stands. Write to the bench if it should change."}
	}
	switch {
	case q.State == RevisionWithdrawn:
		return &Error{Code: CodeGone, Reason: "quote_withdrawn", Message: "The bench has taken this quote back. Nothing was decided; you will hear from us."}
	case q.State == RevisionExpired || !t.now.Before(q.ExpiresAt):
		return &Error{Code: CodeGone, Reason: "quote_expired", Message: "This quote has run out, so it can't be answered any more. Write to the bench for a new one."}
	case t.j.Stage != StageAwaitingApproval:
		return refused("This quote is not waiting for an answer.").because("quote_not_open")
	}
	d := Decision{Verdict: c.Verdict, Revision: q.Revision, Digest: q.Digest, Filled: c.Filled}
	name, err := line("name", "Your name", c.Name, c.Verdict != VerdictAsk)
	if err != nil {
		return err
	}
	words, err := text("words", "Your question", c.Words, c.Verdict == VerdictAsk)
	if err != nil {
		return err
	}
	var option *Option
	if c.Verdict == VerdictApprove {
		if option = q.Option(c.Option); option == nil {
			return invalid("option", "Choose one of the options.").because("option")
		}
		d.Option = option.Key
		total := option.Result.Total
		d.Total = &total
		if words == "" {
			words = q.WordsFor(option)
		} else {
			words = q.WordsFor(option) + "\n" + words
		}
	}
	if kept, _ := t.j.Kept(); kept != nil && c.Verdict == VerdictDecline {
		d.Kept = kept.Revision
	}
	if d.Name, err = t.seal(name); err != nil {
		return err
	}
	if d.Words, err = t.seal(words); err != nil {
		return err
	}
	if d.Address, err = t.seal(bounded(c.Address)); err != nil {
		return err
	}
	if d.Agent, err = t.seal(bounded(c.Agent)); err != nil {
		return err
	}
	shown, err := text("shown", "The summary", c.Shown, false)
	if err != nil {
		return err
	}
	if d.Shown, err = t.seal(shown); err != nil {
		return err
	}
	if d.Call, err = t.call(c.Call); err != nil {
		return err
	}
	d.SentTo, d.Language = t.j.Customer.Email, t.j.Customer.Language
	if err := t.record(&DecisionMade{d}); err != nil {
		return err
	}
	switch {
	case c.Verdict == VerdictAsk:
		var came Came
		if t.by.Role != RoleCustomer {
			came = CamePhone
		}
		return t.message(c.Words, true, came)
	case d.Kept > 0:
		return t.move(StageRepairing, "", "")
	case c.Verdict == VerdictDecline, option.Kind == OptionReturn:
		return t.move(StageTesting, OutcomeUnrepaired, "")
	case option.Kind == OptionRecycle:
		if t.now.Before(t.j.pendingUntil(t.shop)) {
			return nil // what can't be undone waits until the answer can't be taken back any more
		}
		return t.move(StageWithdrawn, OutcomeRecycled, "")
	}
	if err := t.move(StageRepairing, "", ""); err != nil {
		return err
	}
	return t.awaitDeposit()
}

// approveWithinLimit records the approval that the limit agreed beforehand amounts to.
func (t *turn) approveWithinLimit(q *Quote) error {
	o := q.withinLimit(t.j)
	if o == nil {
		return refused("No repair in the quote is within the limit that the customer agreed to beforehand.")
	}
	words, err := t.seal("Within the limit of " + t.j.Limit.String() + " agreed to beforehand.")
	if err != nil {
		return err
	}
	total := o.Result.Total
	return t.record(&DecisionMade{Decision{Verdict: VerdictApprove, Revision: q.Revision, Digest: q.Digest, Option: o.Key, Words: words, Total: &total}})
}

// DecisionMade is the customer's answer, with its evidence.
type DecisionMade struct {
	Decision Decision `json:"decision"`
}

func (p *DecisionMade) fold(j *Job, e *Event) {
	d := p.Decision
	d.At, d.By = e.At, e.By
	if old, _ := j.Approved(); old != nil && d.Verdict == VerdictApprove {
		d.Replaced = old.Revision
	}
	j.Decisions = append(j.Decisions, d)
	if q := j.revision(d.Revision); q != nil {
		switch d.Verdict {
		case VerdictApprove:
			for i := range j.Quotes {
				if j.Quotes[i].State == RevisionApproved {
					j.Quotes[i].State = RevisionSuperseded
				}
			}
			q.State, q.Approved = RevisionApproved, d.Option
			j.Charged, j.ChargedWhy = nil, Words{}
		case VerdictDecline:
			q.State = RevisionDeclined
		}
	}
	j.addMoment(e, len(j.Decisions))
}

// UndoDecision takes the answer to the current revision back, while the bench has not begun. The revision is
// then open again.
type UndoDecision struct {
	// Digest names the revision, Round which answer to it: the number taken back before.
	Digest string `json:"digest"`
	Round  int    `json:"round,omitempty"`
	// Address and Agent say where it came from, or who took the call.
	Address string `json:"address,omitempty"`
	Agent   string `json:"agent,omitempty"`
}

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
	d := t.j.AnswerTo(q.Revision)
	switch {
	case d == nil || c.Round > undone:
		return refused("There is no answer to take back.").because("undo_none")
	case t.shop.UndoFor <= 0 || d.WithinLimit():
		return refused("This answer stands. Write to the bench if it should change.").because("undo_stands")
	case t.j.returning(): // what was chosen after the missed date came after the answer
		return refused("A choice was made already, and it stands. Write to the bench if it should change.").because("delay_chosen")
	case !t.j.Queued() && t.j.pendingUntil(t.shop).IsZero():
		return refused("The bench has begun, so this answer stands. Write to the bench at once if it should change.").because("undo_begun")
	case !t.now.Before(t.j.UndoUntil(t.shop)):
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
	if p.Address, err = t.seal(bounded(c.Address)); err != nil {
		return err
	}
	if p.Agent, err = t.seal(bounded(c.Agent)); err != nil {
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
		return t.pause(promiseclock.AccountCustomer, "approval")
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

func (p *DecisionUndone) fold(j *Job, e *Event) {
	if p.Decision >= 1 && p.Decision <= len(j.Decisions) {
		j.Decisions[p.Decision-1].UndoneAt = e.At
	}
	if q := j.revision(p.Revision); q != nil {
		q.State, q.Approved = RevisionOpen, ""
	}
	if q := j.revision(p.Restores); q != nil && q.Approved != "" {
		q.State = RevisionApproved
	}
	j.Outcome = ""
	j.addMoment(e, p.Decision)
}

// takenBack reports whether the last answer to the current, open revision was taken back.
func (j *Job) takenBack() bool {
	q := j.Quote()
	return q != nil && q.State == RevisionOpen && j.Undone(q.Revision) > 0
}

// ExportedDecision is a decision's evidence as it is exported: what was shown, to whom it had been sent, who
// answered what, when, and from where. Anybody can take the digest of Terms anew (RFC 8785, SHA-256) and compare.
type ExportedDecision struct {
	Job      JobNumber `json:"job"`
	Shop     ShopID    `json:"shop"`
	Decision int       `json:"decision"`
	Verdict  Verdict   `json:"verdict"`
	Revision int       `json:"revision"`
	Digest   string    `json:"digest"`
	Option   string    `json:"option,omitempty"`
	Kept     int       `json:"kept,omitempty"`
	// Total is what was authorised, Added what that is above the approval before it.
	Total *money.Amount `json:"total,omitempty"`
	Added *money.Amount `json:"added,omitempty"`
	// Shown is the summary above the button, Words what was agreed to or said, Name what was typed, or filled in
	// from the job and confirmed by the button.
	Shown    string    `json:"shown,omitempty"`
	Words    string    `json:"words,omitempty"`
	Name     string    `json:"name,omitempty"`
	Filled   bool      `json:"filled,omitempty"`
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

// ExportedDecisions returns the evidence of every decision on the job, in order.
func (j *Job) ExportedDecisions() []ExportedDecision {
	out := []ExportedDecision{}
	for i := range j.Decisions {
		d := &j.Decisions[i]
		r := ExportedDecision{
			Job: j.Number, Shop: j.Shop, Decision: i + 1, Verdict: d.Verdict, Revision: d.Revision, Digest: d.Digest, Option: d.Option, Kept: d.Kept, Total: d.Total,
			Shown: d.Shown.Text, Words: d.Words.Text, Name: d.Name.Text, Filled: d.Filled, Language: d.Language, At: d.At, By: d.By, SentTo: d.SentTo.Text,
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

func guardWithinLimit(g *gate) {
	q := g.j.Quote()
	_, approved := g.j.Approved()
	switch {
	case approved != nil && approved.repairs() && q.State != RevisionOpen:
		// Approved before, and back at the bench: the approval still covers its total.
	case g.j.Limit == nil:
		g.need(false, "The customer agreed to no limit beforehand, so the quote needs their approval.")
	case q == nil || (q.State != RevisionOpen && q.State != RevisionApproved):
		g.need(false, "Issue a quote first.")
	default:
		g.need(q.withinLimit(g.j) != nil, "No repair in the quote is within the limit of %s that the customer agreed to beforehand.", g.j.Limit)
	}
}

func guardApproved(g *gate) {
	q := g.j.Quote()
	if _, kept := g.j.Kept(); kept != nil && (q.State == RevisionDeclined || q.State == RevisionExpired) {
		return // what was approved before stands
	}
	g.need(q != nil && q.State == RevisionApproved, "The customer has not approved the current revision of the quote.")
	if q != nil && q.State == RevisionApproved {
		o := q.Option(q.Approved)
		g.need(o != nil && o.repairs(), "The option that was approved is not a repair.")
	}
}

func guardBackToBench(g *gate) {
	q := g.j.Quote()
	withdrawn := q.State == RevisionWithdrawn || q.State == RevisionExpired // there is one, or it would not be awaited
	asked := false
	for _, msg := range g.j.Messages {
		asked = asked || (msg.Question && !msg.Answered && msg.FromCustomer())
	}
	g.need(!g.j.Recycling(), agreedToRecycling)
	g.need(withdrawn || asked, "There is no open question from the customer, and the quote has not been withdrawn.")
}

func guardDeclined(g *gate) {
	if g.j.returning() {
		return
	}
	q := g.j.Quote()
	ok := q != nil && (q.State == RevisionDeclined || q.State == RevisionExpired)
	if q != nil && q.State == RevisionApproved {
		o := q.Option(q.Approved)
		ok = o != nil && o.Kind == OptionReturn
	}
	g.need(ok, "The customer has not declined the quote.")
}

func guardTakenBack(g *gate) {
	g.need(g.j.takenBack(), "The customer has not taken their answer back.")
}

func guardRecycled(g *gate) {
	q := g.j.Quote()
	ok := false
	if q != nil && q.State == RevisionApproved {
		o := q.Option(q.Approved)
		ok = o != nil && o.Kind == OptionRecycle
	}
	g.need(ok, "The customer has not consented in writing to recycling: that takes an approved recycling option.")
}
