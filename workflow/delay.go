package workflow

import (
	"time"

	"benchword/workflow/link"
	"benchword/workflow/promiseclock"
)

// When a promise is missed the customer is told why, in the bench's words; a definite new date, or that
// none can be said yet; and asked to choose, at no cost: wait, or have it back unrepaired. It is modelled on
// the logic of 16 CFR 435 (the FTC's rule on late mail orders), whose words and duties do not apply here.

// DelayChoice is what a customer can do about a missed promise.
type DelayChoice string

const (
	DelayAgree  DelayChoice = "agree"  // wait
	DelayReturn DelayChoice = "return" // have it back unrepaired, without cost
)

// DelayChoices lists both.
var DelayChoices = []DelayChoice{DelayAgree, DelayReturn}

// SilencePolicy is what no answer to that question means, by the shop's settings.
type SilencePolicy string

const (
	SilenceAgrees  SilencePolicy = "agree"
	SilenceReturns SilencePolicy = "return"
	// SilenceAgreesOnce is 16 CFR 435's own table: silence agrees to a first delay with a definite date at
	// most thirty days on, and to nothing else.
	SilenceAgreesOnce SilencePolicy = "agree_once"
)

// means returns what silence means for one delay.
func (s SilencePolicy) means(first bool, missed, by time.Time) DelayChoice {
	switch s {
	case SilenceReturns:
		return DelayReturn
	case SilenceAgreesOnce:
		if !first || by.IsZero() || by.After(missed.AddDate(0, 0, 30)) {
			return DelayReturn
		}
	}
	return DelayAgree
}

// DelayTerms is what the customer is told about a missed promise: the part that its digest covers.
type DelayTerms struct {
	Job JobNumber `json:"job"`
	// Number counts what was told on this job, from 1; a later one takes the place of those before.
	Number int `json:"number"`
	// Promise is the number of the promise that was missed; MissedAt the instant.
	Promise  int       `json:"promise"`
	MissedAt time.Time `json:"missed_at"`
	// Reason is in the bench's words, "" where nobody has written them.
	Reason Words `json:"reason,omitzero"`
	// NewPromise is the number of the promise that takes its place, 0 where no date can be said yet; NewBy
	// is its instant as told.
	NewPromise int       `json:"new_promise,omitempty"`
	NewBy      time.Time `json:"new_by,omitzero"`
	ToldAt     time.Time `json:"told_at"`
	// AnswerBy is until when the customer can choose, zero where there is nothing to choose: the work is
	// done. Silence says what no answer means.
	AnswerBy time.Time   `json:"answer_by,omitzero"`
	Silence  DelayChoice `json:"silence,omitempty"`
}

// linkUntil is when the link to choose by ends: it outlives the choice, so that it can say what was chosen.
func (t DelayTerms) linkUntil() time.Time { return t.AnswerBy.AddDate(0, 0, 90) }

// Digest is the hex SHA-256 of the terms in canonical JSON (RFC 8785). An answer names it.
func (t DelayTerms) Digest() (string, error) { return digestOf("delay", t) }

// Delay is what was told about a missed promise, and what the customer chose.
type Delay struct {
	DelayTerms
	Digest string `json:"digest"`
	// Choice is "" as long as nobody has chosen.
	Choice DelayChoice `json:"choice,omitempty"`
	// Unanswered marks a choice that silence made.
	Unanswered bool      `json:"unanswered,omitempty"`
	ChosenAt   time.Time `json:"chosen_at,omitzero"`
	By         Actor     `json:"by,omitzero"`
	// Address and Agent are the evidence, as of a [Decision].
	Address Sealed `json:"address"`
	Agent   Sealed `json:"agent"`
	// Overtaken marks a question that needs no answer any more: a later one was asked, or the work is done.
	Overtaken bool `json:"overtaken,omitempty"`
}

// Open reports whether the customer can still choose at an instant.
func (d *Delay) Open(now time.Time) bool { return d.waits() && now.Before(d.AnswerBy) }

func (d *Delay) waits() bool { return d.Choice == "" && !d.Overtaken && !d.AnswerBy.IsZero() }

// Delay returns what was told last about a missed promise, nil if none was missed.
func (j *Job) Delay() *Delay {
	if len(j.Delays) == 0 {
		return nil
	}
	return &j.Delays[len(j.Delays)-1]
}

// Unexplained reports whether the promise in force is missed and the bench has not said why.
func (j *Job) Unexplained() bool {
	p, d := j.Promise(), j.Delay()
	return !j.Ended() && p != nil && !p.BreachedAt.IsZero() && d != nil && d.Reason.Empty() && d.Promise == p.Number && d.Choice != DelayReturn
}

// returning reports whether the customer chose to have it back after a promise was missed.
func (j *Job) returning() bool {
	d := j.Delay()
	return d != nil && d.Choice == DelayReturn
}

// DelayNote is what the bench has written beforehand, to be told if the promise is missed.
type DelayNote struct {
	Promise int   `json:"promise"`
	Reason  Words `json:"reason"`
	// Quota is the new promise, counted from when it is told; empty where no date can be said.
	Quota promiseclock.Quota `json:"quota,omitzero"`
}

// Prepared returns what is written for the case that the promise in force is missed, nil if nothing is: a note
// about an earlier promise went with that.
func (j *Job) Prepared() *DelayNote {
	if n, p := j.DelayNote, j.Promise(); n != nil && p != nil && n.Promise == p.Number {
		return n
	}
	return nil
}

// DelayPrepared writes that down.
type DelayPrepared struct {
	Note DelayNote `json:"note"`
}

func (p *DelayPrepared) fold(j *Job, e *Event) {
	n := p.Note
	j.DelayNote = &n
}

// DelayTold is what the customer is told about a missed promise.
type DelayTold struct {
	Terms  DelayTerms `json:"terms"`
	Digest string     `json:"digest"`
}

func (p *DelayTold) fold(j *Job, e *Event) {
	j.overtakeDelays()
	j.Delays = append(j.Delays, Delay{DelayTerms: p.Terms, Digest: p.Digest})
	j.DelayNote = nil
	j.addMoment(e, p.Terms.Number)
}

// overtakeDelays closes questions about a delay that nobody needs to answer any more.
func (j *Job) overtakeDelays() {
	for i := range j.Delays {
		if d := &j.Delays[i]; d.waits() {
			d.Overtaken = true
		}
	}
}

// DelayAnswered is the customer's choice, or what their silence means.
type DelayAnswered struct {
	Number     int         `json:"number"`
	Digest     string      `json:"digest"`
	Choice     DelayChoice `json:"choice"`
	Unanswered bool        `json:"unanswered,omitempty"`
	Address    Sealed      `json:"address"`
	Agent      Sealed      `json:"agent"`
}

func (p *DelayAnswered) fold(j *Job, e *Event) {
	if p.Number < 1 || p.Number > len(j.Delays) {
		return
	}
	d := &j.Delays[p.Number-1]
	d.Choice, d.Unanswered, d.ChosenAt, d.By, d.Address, d.Agent = p.Choice, p.Unanswered, e.At, e.By, p.Address, p.Agent
	if p.Choice == DelayReturn {
		// Without cost: nothing that was quoted is done or charged.
		for i := range j.Quotes {
			if q := &j.Quotes[i]; q.State == RevisionOpen || q.State == RevisionApproved {
				q.State, q.Approved = RevisionDeclined, ""
			}
		}
	}
	j.addMoment(e, p.Number)
}

// choosable are the stages in which having it back unrepaired is still a choice.
func (j *Job) choosable() bool {
	switch j.Stage {
	case StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing:
		return !j.returning()
	}
	return false
}

// tellDelay tells the customer about the missed promise in force, with the new promise if there is one; where that
// is told already and one stands in its place, about the same one again.
func (t *turn) tellDelay(reason Words, q promiseclock.Quota) error {
	j := t.j
	missed := j.Promise()
	if missed.BreachedAt.IsZero() {
		missed = &j.Promises[j.Delay().Promise-1]
	}
	terms := DelayTerms{Job: j.Number, Number: len(j.Delays) + 1, Promise: missed.Number, MissedAt: missed.BreachedAt, Reason: reason, ToldAt: t.now}
	if q != (promiseclock.Quota{}) {
		if err := t.promise(q, reason); err != nil {
			return err
		}
		p := j.Promise()
		if due, ok := j.Turnaround(t.shop, p).DueAt(t.now); ok {
			terms.NewPromise, terms.NewBy = p.Number, due
		}
	}
	if j.choosable() {
		if by := t.chooseBy(terms.NewBy); !by.IsZero() {
			first := true
			for _, d := range j.Delays {
				sooner := !terms.NewBy.IsZero() && !terms.NewBy.After(d.NewBy)
				first = first && d.Promise == terms.Promise && (d.NewBy.IsZero() || sooner)
			}
			terms.AnswerBy, terms.Silence = by, t.shop.Silence.means(first, terms.MissedAt, terms.NewBy)
		}
	}
	digest, err := terms.Digest()
	if err != nil {
		return err
	}
	if err := t.record(&DelayTold{terms, digest}); err != nil {
		return err
	}
	if err := t.revokeLinks(link.Choose); err != nil {
		return err
	}
	if terms.AnswerBy.IsZero() {
		return nil
	}
	return t.issueLink(link.Choose, terms.Number, terms.linkUntil())
}

// chooseBy returns until when the customer can choose after a missed promise: some working days, but before
// the day of the new date. It is zero where no closing lies between.
func (t *turn) chooseBy(newBy time.Time) (by time.Time) {
	c := t.shop.Calendar
	by, _ = c.CloseOf(t.now, t.shop.silenceDays())
	by = t.shop.DayOf(by)
	last := midnight(t.shop, c.Date(t.shop.DayOf(newBy)))
	if newBy.IsZero() || by.Before(last) {
		return by
	}
	by = time.Time{}
	for _, closes := range c.Stretches(t.now, last) {
		by = t.shop.DayOf(closes)
	}
	return by
}

// ExplainDelay writes down why a promise is (or would be) missed, and a new date if there is one. Before
// the breach it is kept for then; after it the customer is told, and asked again.
type ExplainDelay struct {
	Reason string `json:"reason"`
	// Days is the new turnaround in working days from when it is told; By is a date instead. Neither means
	// that no date can be said yet.
	Days int       `json:"days,omitempty"`
	By   time.Time `json:"by,omitzero"`
}

func (c ExplainDelay) decide(t *turn) error {
	if err := t.needOpen("Explaining a delay"); err != nil {
		return err
	}
	if t.j.Promise() == nil {
		return refused("No date has been promised, so none can be missed.")
	}
	reason, err := t.text("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	var q promiseclock.Quota
	if c.Days != 0 || !c.By.IsZero() {
		if q, err = t.newQuota(c.Days, c.By); err != nil {
			return err
		}
	}
	if err := t.noteBreach(); err != nil {
		return err
	}
	if p := t.j.Promise(); p.BreachedAt.IsZero() {
		return t.record(&DelayPrepared{DelayNote{Promise: p.Number, Reason: reason, Quota: q}})
	}
	if t.j.returning() {
		return refused("The customer chose to have it back: there is nothing left to explain. Write a message if something must be said.")
	}
	return t.tellDelay(reason, q)
}

// breach records the breach of the promise in force and tells the customer: in the bench's words where
// somebody has written them.
func (t *turn) breach() error {
	if err := t.noteBreach(); err != nil {
		return err
	}
	if t.j.returning() {
		return nil
	}
	n := t.j.Prepared()
	if n == nil {
		return t.tellDelay(Words{}, promiseclock.Quota{})
	}
	q := n.Quota
	if !q.By.IsZero() && !q.By.After(t.now) {
		q = promiseclock.Quota{} // that date has passed too
	}
	return t.tellDelay(n.Reason, q)
}

// AnswerDelay is the customer's choice about a missed promise, by link, or by telephone as staff write it
// down.
type AnswerDelay struct {
	Choice DelayChoice `json:"choice"`
	// Digest names exactly what was told.
	Digest string `json:"digest"`
	// Address and Agent say where the answer came from, as for [Decide].
	Address string `json:"address,omitempty"`
	Agent   string `json:"agent,omitempty"`
}

func (c AnswerDelay) decide(t *turn) error {
	d := t.j.Delay()
	if d == nil {
		return refused("No promise was missed on this job, so there is nothing to choose.")
	}
	if err := oneOf("choice", "Your choice", c.Choice, DelayChoices); err != nil {
		return err
	}
	switch {
	case c.Digest != d.Digest:
		return &Error{Code: CodeConflict, Reason: "delay_newer", Message: "There is newer word about the date. Nothing was chosen; please look at it first."}
	case d.Choice == c.Choice:
		return nil // the same again: it counts once
	case d.Choice != "":
		return &Error{Code: CodeConflict, Reason: "delay_chosen", Message: "A choice was made already, and it stands. Write to the bench if it should change."}
	case !d.Open(t.now):
		return &Error{Code: CodeGone, Reason: "delay_over", Message: "There is nothing left to choose: the work is done, or the time for it has passed. Write to the bench."}
	}
	x := &DelayAnswered{Number: d.Number, Digest: d.Digest, Choice: c.Choice}
	var err error
	if x.Address, err = t.seal(bounded(c.Address)); err != nil {
		return err
	}
	if x.Agent, err = t.seal(bounded(c.Agent)); err != nil {
		return err
	}
	return t.answerDelay(t.by, x)
}

func (t *turn) answerDelay(by Actor, x *DelayAnswered) error {
	if err := t.recordBy(by, x); err != nil || x.Choice != DelayReturn {
		return err
	}
	if err := t.revokeLinks(link.Decide); err != nil {
		return err
	}
	if t.j.Hold() != nil {
		if err := (LiftHold{}).decide(t); err != nil {
			return err
		}
	}
	return t.move(StageTesting, OutcomeUnrepaired, "")
}

// silenceAt returns when the time for an answer about a missed promise is over, zero if none is awaited.
func (j *Job) silenceAt(*Shop) time.Time {
	if d := j.Delay(); d != nil && d.waits() {
		return d.AnswerBy
	}
	return time.Time{}
}

// noteSilence records what no answer means.
func (t *turn) noteSilence() error {
	d := t.j.Delay()
	return t.answerDelay(clockActor, &DelayAnswered{Number: d.Number, Digest: d.Digest, Choice: d.Silence, Unanswered: true})
}

func (s *Shop) silenceDays() int {
	if s.SilenceDays > 0 {
		return s.SilenceDays
	}
	return 5
}

// guardChoseReturn is the customer's choice after a promise was missed.
func guardChoseReturn(g *gate) {
	g.need(g.j.returning(), "The customer has not chosen to have it back unrepaired after a missed date.")
}
