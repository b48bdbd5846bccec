package workflow

import (
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
)

// kinds is the closed set of events. A recipe for adding one stands in DEVELOPERS.md.
var kinds = map[EventKind]kindOf{
	"job.booked":         {make: func() Payload { return new(JobBooked) }},
	"customer.changed":   {make: func() Payload { return new(CustomerChanged) }},
	"stage.moved":        {make: func() Payload { return new(StageMoved) }},
	"contents.listed":    {make: func() Payload { return new(ContentsListed) }},
	"screening.answered": {make: func() Payload { return new(ScreeningAnswered) }},
	"condition.noted":    {make: func() Payload { return new(ConditionNoted) }},
	"fault.tried":        {make: func() Payload { return new(FaultTried) }},
	"photo.added":        {make: func() Payload { return new(PhotoAdded) }},
	"photo.described":    {make: func() Payload { return new(PhotoDescribed) }},
	"photo.removed":      {make: func() Payload { return new(PhotoRemoved) }},
	"suspect.named":      {make: func() Payload { return new(SuspectNamed) }},
	"check.done":         {make: func() Payload { return new(CheckDone) }},
	"finding.noted":      {make: func() Payload { return new(FindingNoted) }},
	"finding.withdrawn":  {make: func() Payload { return new(FindingWithdrawn) }},
	"duty.raised":        {make: func() Payload { return new(DutyRaised) }},
	"duty.done":          {make: func() Payload { return new(DutyDone) }},
	"duty.waived":        {make: func() Payload { return new(DutyWaived) }},
	"duty.dropped":       {make: func() Payload { return new(DutyDropped) }},
	"symptom.noted":      {make: func() Payload { return new(SymptomNoted) }},
	"check.planned":      {make: func() Payload { return new(CheckPlanned) }},
	"report.sent":        {make: func() Payload { return new(ReportSent) }},
	"quote.issued":       {make: func() Payload { return new(QuoteIssued) }},
	"quote.withdrawn":    {make: func() Payload { return new(QuoteTakenBack) }},
	"quote.expired":      {make: func() Payload { return new(QuoteLapsed) }},
	"quote.reminded":     {make: func() Payload { return new(QuoteReminded) }},
	"decision.made":      {make: func() Payload { return new(DecisionMade) }},
	"decision.undone":    {make: func() Payload { return new(DecisionUndone) }},
	"charge.set":         {make: func() Payload { return new(ChargeSet) }},
	"collection.asked":   {make: func() Payload { return new(CollectionAsked) }},
	"payment.recorded":   {make: func() Payload { return new(PaymentRecorded) }},
	"promise.made":       {make: func() Payload { return new(PromiseMade) }},
	"promise.breached":   {make: func() Payload { return new(PromiseBreached) }},
	"promise.warned":     {make: func() Payload { return new(PromiseWarned) }},
	"promise.at_risk":    {make: func() Payload { return new(PromiseAtRisk) }},
	"level.chosen":       {make: func() Payload { return new(LevelChosen) }},
	"target.missed":      {make: func() Payload { return new(TargetMissed) }},
	"delay.prepared":     {make: func() Payload { return new(DelayPrepared) }},
	"delay.told":         {make: func() Payload { return new(DelayTold) }},
	"delay.answered":     {make: func() Payload { return new(DelayAnswered) }},
	"hold.placed":        {make: func() Payload { return new(HoldPlaced) }},
	"hold.lifted":        {make: func() Payload { return new(HoldLifted) }},
	"clock.paused":       {make: func() Payload { return new(ClockPaused) }},
	"clock.resumed":      {make: func() Payload { return new(ClockResumed) }},
	"work.done":          {make: func() Payload { return new(WorkDone) }},
	"test.done":          {make: func() Payload { return new(TestDone) }},
	"job.ready":          {make: func() Payload { return new(JobReady) }},
	"contents.packed":    {make: func() Payload { return new(ContentsPacked) }},
	"shipment.prepared":  {make: func() Payload { return new(ShipmentPrepared) }},
	"message.sent":       {make: func() Payload { return new(MessageSent) }},
	"link.issued":        {make: func() Payload { return new(LinkIssued) }},
	"link.revoked":       {make: func() Payload { return new(LinkRevoked) }},
	"link.asked":         {make: func() Payload { return new(LinkAsked) }},
	"notice.made":        {make: func() Payload { return new(NoticeMade) }},
	"notice.delivered":   {make: func() Payload { return new(NoticeDelivered) }},
	"notice.buried":      {make: func() Payload { return new(NoticeGivenUp) }},
	"notice.requeued":    {make: func() Payload { return new(NoticeRequeued) }},
	"notice.bounced":     {make: func() Payload { return new(NoticeBounced) }},
	"notice.told":        {make: func() Payload { return new(NoticeTold) }},
	"notices.chosen":     {make: func() Payload { return new(NoticesChosen) }},
	"push.subscribed":    {make: func() Payload { return new(PushSubscribed) }},
	"push.ended":         {make: func() Payload { return new(PushEnded) }},
	"person.erased":      {make: func() Payload { return new(PersonErased) }},
}

// EventKinds lists every kind of event there is, in no particular order.
func EventKinds() []EventKind {
	var out []EventKind
	for k := range kinds {
		out = append(out, k)
	}
	return out
}

// apply folds a decoded event into the job. It is the only way in which a job changes.
func (j *Job) apply(e *Event) error {
	if err := e.Decode(); err != nil {
		return err
	}
	e.Payload.fold(j, e)
	hash, err := e.Hash()
	if err != nil {
		return err
	}
	j.Version, j.Head, j.ChangedAt = e.Seq, hash, e.At
	return nil
}

// Replay folds a job's whole history into the job.
func Replay(events []*Event) (*Job, error) {
	j := &Job{}
	for _, e := range events {
		if err := j.apply(e); err != nil {
			return nil, err
		}
	}
	return j, nil
}

func (j *Job) tell(e *Event, ref int) {
	j.Story = append(j.Story, Moment{Seq: e.Seq, At: e.At, Kind: e.Payload.Kind(), By: e.By.Role, Ref: ref})
}

// JobBooked begins a job.
type JobBooked struct {
	Customer Customer      `json:"customer"`
	Device   Device        `json:"device"`
	Fault    Sealed        `json:"fault"`
	Follows  JobNumber     `json:"follows,omitempty"`
	Limit    *money.Amount `json:"limit,omitempty"`
	Inbound  string        `json:"inbound,omitempty"`
	// Fee is the diagnostic fee that was announced on booking, nil for none.
	Fee *money.Amount `json:"fee,omitempty"`
	// WalkIn: handed in at the counter, so that no "booked" notice is sent.
	WalkIn bool `json:"walk_in,omitempty"`
}

// Kind is "job.booked".
func (*JobBooked) Kind() EventKind { return "job.booked" }

func (p *JobBooked) fold(j *Job, e *Event) {
	j.Shop, j.Number, j.Stage, j.StageSince, j.BookedAt = e.Shop, e.Job, StageBooked, e.At, e.At
	j.Customer, j.Device, j.Fault, j.Follows, j.Limit, j.Inbound = p.Customer, p.Device, p.Fault, p.Follows, p.Limit, p.Inbound
	j.Fee = p.Fee
	j.tell(e, 0)
}

// CustomerChanged corrects how the customer is reached, or the limit agreed to.
type CustomerChanged struct {
	Customer Customer      `json:"customer"`
	Limit    *money.Amount `json:"limit,omitempty"`
}

// Kind is "customer.changed".
func (*CustomerChanged) Kind() EventKind { return "customer.changed" }

func (p *CustomerChanged) fold(j *Job, e *Event) { j.Customer, j.Limit = p.Customer, p.Limit }

// StageMoved is a move along a row of the table.
type StageMoved struct {
	From    Stage   `json:"from"`
	To      Stage   `json:"to"`
	Outcome Outcome `json:"outcome,omitempty"`
	Reason  string  `json:"reason,omitempty"`
}

// Kind is "stage.moved".
func (*StageMoved) Kind() EventKind { return "stage.moved" }

func (p *StageMoved) fold(j *Job, e *Event) {
	j.Stage, j.StageSince = p.To, e.At
	if p.Outcome != "" {
		j.Outcome = p.Outcome
	}
	switch p.To {
	case StageReceived:
		j.ReceivedAt = e.At
	case StageTesting:
		j.overtakeDelays()
	case StageRepairing, StageDiagnosing:
		j.Outcome, j.Ready, j.Packed, j.Shipment = "", nil, nil, nil
	case StageShipped, StageWithdrawn:
		j.EndedAt, j.EndReason = e.At, p.Reason
		j.overtakeDelays()
	}
	j.Story = append(j.Story, Moment{Seq: e.Seq, At: e.At, Kind: p.Kind(), By: e.By.Role, From: p.From, To: p.To})
}

// ContentsListed lists what came in the parcel; a later one replaces the list.
type ContentsListed struct {
	Items  []Item `json:"items"`
	Serial string `json:"serial,omitempty"`
}

// Kind is "contents.listed".
func (*ContentsListed) Kind() EventKind { return "contents.listed" }

func (p *ContentsListed) fold(j *Job, e *Event) {
	j.Contents = p.Items
	if p.Serial != "" {
		j.Device.Serial = p.Serial
	}
}

// ScreeningAnswered is the safety screening.
type ScreeningAnswered struct {
	Screening Screening `json:"screening"`
}

// Kind is "screening.answered".
func (*ScreeningAnswered) Kind() EventKind { return "screening.answered" }

func (p *ScreeningAnswered) fold(j *Job, e *Event) { s := p.Screening; j.Screening = &s }

// ConditionNoted says how the device looks on arrival.
type ConditionNoted struct {
	Text string `json:"text"`
}

// Kind is "condition.noted".
func (*ConditionNoted) Kind() EventKind { return "condition.noted" }

func (p *ConditionNoted) fold(j *Job, e *Event) { j.Condition = p.Text }

// FaultTried says whether the customer's fault was seen at the bench.
type FaultTried struct {
	Result Reproduced `json:"result"`
	Note   string     `json:"note,omitempty"`
}

// Kind is "fault.tried".
func (*FaultTried) Kind() EventKind { return "fault.tried" }

func (p *FaultTried) fold(j *Job, e *Event) {
	j.Reproduction = &Reproduction{Result: p.Result, Note: p.Note, At: e.At}
	j.tell(e, 0)
}

// PhotoAdded adds a picture.
type PhotoAdded struct {
	Photo Photo `json:"photo"`
}

// Kind is "photo.added".
func (*PhotoAdded) Kind() EventKind { return "photo.added" }

func (p *PhotoAdded) fold(j *Job, e *Event) {
	photo := p.Photo
	photo.At = e.At
	j.Photos = append(j.Photos, photo)
	j.tell(e, photo.ID)
}

// PhotoDescribed changes what is said about, or drawn on, a picture. Large and Small change when
// marks blur part of it.
type PhotoDescribed struct {
	ID        int       `json:"id"`
	PhotoKind PhotoKind `json:"kind"`
	Caption   string    `json:"caption,omitempty"`
	Alt       string    `json:"alt,omitempty"`
	Pair      int       `json:"pair,omitempty"`
	Marks     []Mark    `json:"marks,omitempty"`
	Large     Copy      `json:"large"`
	Small     Copy      `json:"small"`
}

// Kind is "photo.described".
func (*PhotoDescribed) Kind() EventKind { return "photo.described" }

func (p *PhotoDescribed) fold(j *Job, e *Event) {
	if x := j.Photo(p.ID); x != nil {
		x.Kind, x.Caption, x.Alt, x.Pair, x.Marks, x.Large, x.Small = p.PhotoKind, p.Caption, p.Alt, p.Pair, p.Marks, p.Large, p.Small
	}
}

// PhotoRemoved takes a picture off the pages.
type PhotoRemoved struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

// Kind is "photo.removed".
func (*PhotoRemoved) Kind() EventKind { return "photo.removed" }

func (p *PhotoRemoved) fold(j *Job, e *Event) {
	if x := j.Photo(p.ID); x != nil {
		x.Removed = true
	}
}

// SymptomNoted says in the catalogue's terms what the device does.
type SymptomNoted struct {
	Symptom string `json:"symptom"`
}

// Kind is "symptom.noted".
func (*SymptomNoted) Kind() EventKind { return "symptom.noted" }

func (p *SymptomNoted) fold(j *Job, e *Event) { j.Symptom = p.Symptom }

// CheckPlanned is a check that can be done, with what its outcomes say.
type CheckPlanned struct {
	Plan CheckPlan `json:"plan"`
}

// Kind is "check.planned".
func (*CheckPlanned) Kind() EventKind { return "check.planned" }

func (p *CheckPlanned) fold(j *Job, e *Event) { j.Plans = append(j.Plans, p.Plan) }

// SuspectNamed adds a candidate cause.
type SuspectNamed struct {
	ID   int    `json:"id"`
	Text string `json:"text"`
	// Cause and Weight are as in [Suspect].
	Cause  string `json:"cause,omitempty"`
	Weight int    `json:"weight,omitempty"`
}

// Kind is "suspect.named".
func (*SuspectNamed) Kind() EventKind { return "suspect.named" }

func (p *SuspectNamed) fold(j *Job, e *Event) {
	j.Suspects = append(j.Suspects, Suspect{ID: p.ID, Text: p.Text, Cause: p.Cause, Weight: p.Weight})
}

// CheckDone is something done to a suspect.
type CheckDone struct {
	Suspect int   `json:"suspect"`
	Check   Check `json:"check"`
}

// Kind is "check.done".
func (*CheckDone) Kind() EventKind { return "check.done" }

func (p *CheckDone) fold(j *Job, e *Event) {
	for i := range j.Suspects {
		if j.Suspects[i].ID == p.Suspect {
			c := p.Check
			c.At = e.At
			j.Suspects[i].Checks = append(j.Suspects[i].Checks, c)
			j.tell(e, p.Suspect)
		}
	}
}

// FindingNoted adds a finding, or corrects the one with the same id.
type FindingNoted struct {
	Finding Finding `json:"finding"`
}

// Kind is "finding.noted".
func (*FindingNoted) Kind() EventKind { return "finding.noted" }

func (p *FindingNoted) fold(j *Job, e *Event) {
	f := p.Finding
	f.At = e.At
	if old := j.Finding(f.ID); old != nil {
		f.At = old.At
		*old = f
		return
	}
	j.Findings = append(j.Findings, f)
	j.tell(e, f.ID)
}

// FindingWithdrawn takes a finding back.
type FindingWithdrawn struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

// Kind is "finding.withdrawn".
func (*FindingWithdrawn) Kind() EventKind { return "finding.withdrawn" }

func (p *FindingWithdrawn) fold(j *Job, e *Event) {
	if f := j.Finding(p.ID); f != nil {
		f.Withdrawn, f.Reason = true, p.Reason
	}
}

// DutyRaised obliges the bench.
type DutyRaised struct {
	Duty Duty `json:"duty"`
}

// Kind is "duty.raised".
func (*DutyRaised) Kind() EventKind { return "duty.raised" }

func (p *DutyRaised) fold(j *Job, e *Event) { j.Duties = append(j.Duties, p.Duty) }

// DutyDone settles a duty.
type DutyDone struct {
	ID int `json:"id"`
}

// Kind is "duty.done".
func (*DutyDone) Kind() EventKind { return "duty.done" }

func (p *DutyDone) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.DoneAt = e.At
	}
}

// DutyWaived lets a duty go, with a reason that the customer will read.
type DutyWaived struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

// Kind is "duty.waived".
func (*DutyWaived) Kind() EventKind { return "duty.waived" }

func (p *DutyWaived) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.Waived = p.Reason
		j.tell(e, p.ID)
	}
}

// DutyDropped: what the duty came from was taken back.
type DutyDropped struct {
	ID int `json:"id"`
}

// Kind is "duty.dropped".
func (*DutyDropped) Kind() EventKind { return "duty.dropped" }

func (p *DutyDropped) fold(j *Job, e *Event) {
	if d := j.duty(p.ID); d != nil {
		d.Dropped = true
	}
}

func (j *Job) duty(id int) *Duty {
	for i := range j.Duties {
		if j.Duties[i].ID == id {
			return &j.Duties[i]
		}
	}
	return nil
}

// ReportSent is a findings report on its way to the customer.
type ReportSent struct {
	Report
}

// Kind is "report.sent".
func (*ReportSent) Kind() EventKind { return "report.sent" }

func (p *ReportSent) fold(j *Job, e *Event) {
	r := p.Report
	r.SentAt, r.Said = e.At, nil
	for _, id := range r.Findings {
		if f := j.Finding(id); f != nil {
			r.Said = append(r.Said, *f)
		}
	}
	j.Reports = append(j.Reports, r)
	j.tell(e, r.Number)
}

// QuoteIssued is a revision of the quote.
type QuoteIssued struct {
	Terms  QuoteTerms `json:"terms"`
	Digest string     `json:"digest"`
}

// Kind is "quote.issued".
func (*QuoteIssued) Kind() EventKind { return "quote.issued" }

func (p *QuoteIssued) fold(j *Job, e *Event) {
	if q := j.Quote(); q != nil && q.State == QuoteOpen {
		q.State = QuoteSuperseded
	}
	j.Quotes = append(j.Quotes, Quote{QuoteTerms: p.Terms, Digest: p.Digest, State: QuoteOpen})
	j.tell(e, p.Terms.Revision)
}

// QuoteTakenBack withdraws the current revision.
type QuoteTakenBack struct {
	Revision int    `json:"revision"`
	Reason   string `json:"reason"`
}

// Kind is "quote.withdrawn".
func (*QuoteTakenBack) Kind() EventKind { return "quote.withdrawn" }

func (p *QuoteTakenBack) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil {
		q.State, q.TakenBack = QuoteWithdrawn, p.Reason
		j.tell(e, p.Revision)
	}
}

// QuoteLapsed is a revision that nobody answered in time.
type QuoteLapsed struct {
	Revision int `json:"revision"`
}

// Kind is "quote.expired".
func (*QuoteLapsed) Kind() EventKind { return "quote.expired" }

func (p *QuoteLapsed) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil {
		q.State = QuoteExpired
		j.tell(e, p.Revision)
	}
}

// QuoteReminded is a follow-up on an open revision.
type QuoteReminded struct {
	Revision int `json:"revision"`
	// Last marks the last notice before it runs out.
	Last bool `json:"last,omitempty"`
}

// Kind is "quote.reminded".
func (*QuoteReminded) Kind() EventKind { return "quote.reminded" }

func (p *QuoteReminded) fold(j *Job, e *Event) {
	if q := j.revision(p.Revision); q != nil && p.Last {
		q.LastNotice = true
	} else if q != nil {
		q.Reminded++
	}
}

func (j *Job) revision(n int) *Quote {
	if n < 1 || n > len(j.Quotes) {
		return nil
	}
	return &j.Quotes[n-1]
}

// DecisionMade is the customer's answer, with its evidence.
type DecisionMade struct {
	Decision Decision `json:"decision"`
}

// Kind is "decision.made".
func (*DecisionMade) Kind() EventKind { return "decision.made" }

func (p *DecisionMade) fold(j *Job, e *Event) {
	d := p.Decision
	d.At, d.By = e.At, e.By
	d.WorkBefore, d.TestsBefore = len(j.Work), len(j.Tests)
	if old, _ := j.Approved(); old != nil && d.Verdict == VerdictApprove {
		d.Replaced = old.Revision
	}
	j.Decisions = append(j.Decisions, d)
	if q := j.revision(d.Revision); q != nil {
		switch d.Verdict {
		case VerdictApprove:
			for i := range j.Quotes {
				if j.Quotes[i].State == QuoteApproved {
					j.Quotes[i].State = QuoteSuperseded
				}
			}
			q.State, q.Approved = QuoteApproved, d.Option
			j.Charged, j.ChargedWhy = nil, ""
		case VerdictDecline:
			q.State = QuoteDeclined
		}
	}
	j.tell(e, len(j.Decisions))
}

// PaymentRecorded is money that came in, or went back.
type PaymentRecorded struct {
	Amount money.Amount `json:"amount"`
	How    string       `json:"how"`
	// For is what it was for, "" for what the sign says.
	For PaymentKind `json:"for,omitempty"`
}

// Kind is "payment.recorded".
func (*PaymentRecorded) Kind() EventKind { return "payment.recorded" }

func (p *PaymentRecorded) fold(j *Job, e *Event) {
	j.Payments = append(j.Payments, Payment{Amount: p.Amount, Kind: p.For, How: p.How, At: e.At})
	j.tell(e, len(j.Payments))
}

// PromiseMade is a date told to the customer.
type PromiseMade struct {
	Promise Promise `json:"promise"`
}

// Kind is "promise.made".
func (*PromiseMade) Kind() EventKind { return "promise.made" }

func (p *PromiseMade) fold(j *Job, e *Event) {
	x := p.Promise
	x.MadeAt = e.At
	j.Promises = append(j.Promises, x)
	j.tell(e, x.Number)
}

// PromiseBreached is the clock passing a promise.
type PromiseBreached struct {
	Number int `json:"number"`
	// DueAt is the exact instant that was passed.
	DueAt time.Time `json:"due_at"`
}

// Kind is "promise.breached".
func (*PromiseBreached) Kind() EventKind { return "promise.breached" }

func (p *PromiseBreached) fold(j *Job, e *Event) {
	if p.Number >= 1 && p.Number <= len(j.Promises) {
		j.Promises[p.Number-1].BreachedAt = p.DueAt
		j.tell(e, p.Number)
	}
}

// HoldPlaced says that the job stands still, and why.
type HoldPlaced struct {
	Reason HoldReason `json:"reason"`
	Note   string     `json:"note,omitempty"`
}

// Kind is "hold.placed".
func (*HoldPlaced) Kind() EventKind { return "hold.placed" }

func (p *HoldPlaced) fold(j *Job, e *Event) {
	j.Holds = append(j.Holds, Hold{Reason: p.Reason, Note: p.Note, From: e.At})
	j.tell(e, len(j.Holds))
}

// HoldLifted ends the hold in force.
type HoldLifted struct{}

// Kind is "hold.lifted".
func (*HoldLifted) Kind() EventKind { return "hold.lifted" }

func (p *HoldLifted) fold(j *Job, e *Event) {
	if h := j.Hold(); h != nil {
		h.To = e.At
		j.tell(e, len(j.Holds))
	}
}

// ClockPaused starts a pause of the promise clock on somebody's account.
type ClockPaused struct {
	For Account `json:"for"`
	// Why is "approval" or "hold": pauses of different causes may overlap and end apart.
	Why string `json:"why"`
}

// Kind is "clock.paused".
func (*ClockPaused) Kind() EventKind { return "clock.paused" }

func (p *ClockPaused) fold(j *Job, e *Event) {
	j.Pauses = append(j.Pauses, Pause{From: e.At, For: p.For, Why: p.Why})
}

// ClockResumed ends the pause with this cause.
type ClockResumed struct {
	Why string `json:"why"`
}

// Kind is "clock.resumed".
func (*ClockResumed) Kind() EventKind { return "clock.resumed" }

func (p *ClockResumed) fold(j *Job, e *Event) {
	if x := j.running(p.Why); x != nil {
		x.To = e.At
	}
}

// running gives the pause with this cause that has not ended, nil if there is none.
func (j *Job) running(why string) *Pause {
	for i := range j.Pauses {
		if x := &j.Pauses[i]; x.Why == why && x.To.IsZero() {
			return x
		}
	}
	return nil
}

// WorkDone is something done to the device.
type WorkDone struct {
	Work Work `json:"work"`
}

// Kind is "work.done".
func (*WorkDone) Kind() EventKind { return "work.done" }

func (p *WorkDone) fold(j *Job, e *Event) {
	w := p.Work
	w.At = e.At
	j.Work = append(j.Work, w)
	j.tell(e, w.ID)
}

// TestDone is one run of one test.
type TestDone struct {
	Test Test `json:"test"`
}

// Kind is "test.done".
func (*TestDone) Kind() EventKind { return "test.done" }

func (p *TestDone) fold(j *Job, e *Event) {
	t := p.Test
	t.At = e.At
	j.Tests = append(j.Tests, t)
	j.tell(e, len(j.Tests))
}

// JobReady says that the device is done and tested.
type JobReady struct {
	Note string `json:"note,omitempty"`
}

// Kind is "job.ready".
func (*JobReady) Kind() EventKind { return "job.ready" }

func (p *JobReady) fold(j *Job, e *Event) {
	j.Ready = &Ready{At: e.At, Note: p.Note}
	j.tell(e, 0)
}

// ContentsPacked accounts for items of the contents; a later one adds to or corrects it.
type ContentsPacked struct {
	Items []PackedItem `json:"items"`
}

// Kind is "contents.packed".
func (*ContentsPacked) Kind() EventKind { return "contents.packed" }

func (p *ContentsPacked) fold(j *Job, e *Event) {
next:
	for _, n := range p.Items {
		for i := range j.Packed {
			if j.Packed[i].Item == n.Item {
				j.Packed[i] = n
				continue next
			}
		}
		j.Packed = append(j.Packed, n)
	}
}

// ShipmentPrepared is the parcel closed and addressed, or the device ready to be handed over.
type ShipmentPrepared struct {
	Shipment Shipment `json:"shipment"`
}

// Kind is "shipment.prepared".
func (*ShipmentPrepared) Kind() EventKind { return "shipment.prepared" }

func (p *ShipmentPrepared) fold(j *Job, e *Event) {
	s := p.Shipment
	s.At = e.At
	j.Shipment = &s
}

// MessageSent is a letter between customer and bench.
type MessageSent struct {
	ID       int    `json:"id"`
	Text     Sealed `json:"text"`
	Question bool   `json:"question,omitempty"`
}

// Kind is "message.sent".
func (*MessageSent) Kind() EventKind { return "message.sent" }

func (p *MessageSent) fold(j *Job, e *Event) {
	if e.By.Role != RoleCustomer {
		for i := range j.Messages {
			j.Messages[i].Answered = true
		}
	}
	j.Messages = append(j.Messages, Message{ID: p.ID, By: e.By, Text: p.Text, At: e.At, Question: p.Question})
	j.tell(e, p.ID)
}

// LinkIssued gives out a link.
type LinkIssued struct {
	ID        string       `json:"id"`
	Purpose   link.Purpose `json:"purpose"`
	Quote     int          `json:"quote,omitempty"`
	ExpiresAt time.Time    `json:"expires_at"`
}

// Kind is "link.issued".
func (*LinkIssued) Kind() EventKind { return "link.issued" }

func (p *LinkIssued) fold(j *Job, e *Event) {
	j.Links = append(j.Links, LinkGrant{ID: p.ID, Purpose: p.Purpose, Quote: p.Quote, IssuedAt: e.At, ExpiresAt: p.ExpiresAt})
}

// LinkRevoked ends a link.
type LinkRevoked struct {
	ID string `json:"id"`
}

// Kind is "link.revoked".
func (*LinkRevoked) Kind() EventKind { return "link.revoked" }

func (p *LinkRevoked) fold(j *Job, e *Event) {
	for i := range j.Links {
		if j.Links[i].ID == p.ID {
			j.Links[i].Revoked = true
		}
	}
}

// LinkAsked: somebody who knows job number and address asked for the link to be mailed again.
type LinkAsked struct{}

// Kind is "link.asked".
func (*LinkAsked) Kind() EventKind { return "link.asked" }

func (p *LinkAsked) fold(j *Job, e *Event) {}

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

// Kind is "notice.made".
func (*NoticeMade) Kind() EventKind { return "notice.made" }

func (p *NoticeMade) fold(j *Job, e *Event) {
	n := NoticeRecord{ID: p.ID, Kind: p.Notice, At: e.At, Ref: p.Ref, Quote: p.Quote, With: p.With, Due: p.Due, Asked: p.Asked}
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

// noticesIn calls do for the record of a mail and those of the notices that it told too.
func (j *Job) noticesIn(id string, with []string, do func(*NoticeRecord)) {
	for _, id := range append([]string{id}, with...) {
		if n := j.Notice(id); n != nil {
			do(n)
		}
	}
}

// NoticeDelivered: the mail server accepted it, and those it told too.
type NoticeDelivered struct {
	ID   string   `json:"id"`
	With []string `json:"with,omitempty"`
}

// Kind is "notice.delivered".
func (*NoticeDelivered) Kind() EventKind { return "notice.delivered" }

func (p *NoticeDelivered) fold(j *Job, e *Event) {
	j.noticesIn(p.ID, p.With, func(n *NoticeRecord) {
		n.DeliveredAt, n.BuriedAt, n.Reason, n.ToldAt = e.At, time.Time{}, "", time.Time{}
	})
}

// NoticeGivenUp: it could not be delivered; the counter telephones. Reason is in our own words: a server's
// may hold an address, which must not stand in a history that is never changed.
type NoticeGivenUp struct {
	ID     string   `json:"id"`
	Reason string   `json:"reason"`
	With   []string `json:"with,omitempty"`
}

// Kind is "notice.buried".
func (*NoticeGivenUp) Kind() EventKind { return "notice.buried" }

func (p *NoticeGivenUp) fold(j *Job, e *Event) {
	j.noticesIn(p.ID, p.With, func(n *NoticeRecord) { n.BuriedAt, n.Reason, n.ToldAt = e.At, p.Reason, time.Time{} })
}

// NoticeRequeued: somebody had a given-up notice sent again.
type NoticeRequeued struct {
	ID string `json:"id"`
}

// Kind is "notice.requeued".
func (*NoticeRequeued) Kind() EventKind { return "notice.requeued" }

func (p *NoticeRequeued) fold(j *Job, e *Event) {
	for i := range j.Notices {
		if n := &j.Notices[i]; n.ID == p.ID || n.With == p.ID {
			n.BuriedAt, n.Reason, n.ToldAt, n.Due = time.Time{}, "", time.Time{}, time.Time{}
		}
	}
}

// NoticeBounced: it was accepted, and came back. Reason is in our own words.
type NoticeBounced struct {
	ID     string `json:"id"`
	Reason string `json:"reason"`
	// Dead marks the address as one that takes no mail.
	Dead bool `json:"dead,omitempty"`
}

// Kind is "notice.bounced".
func (*NoticeBounced) Kind() EventKind { return "notice.bounced" }

func (p *NoticeBounced) fold(j *Job, e *Event) {
	if n := j.Notice(p.ID); n != nil {
		n.BouncedAt, n.Reason, n.ToldAt = e.At, p.Reason, time.Time{}
	}
	if p.Dead {
		j.DeadAddress = j.Customer.Email.Digest
	}
}

// NoticeTold: the counter told the customer in another way what a mail could not.
type NoticeTold struct {
	ID string `json:"id"`
}

// Kind is "notice.told".
func (*NoticeTold) Kind() EventKind { return "notice.told" }

func (p *NoticeTold) fold(j *Job, e *Event) {
	if n := j.Notice(p.ID); n != nil {
		n.ToldAt = e.At
	}
}

// NoticesChosen is the customer's choice of what to be told by mail.
type NoticesChosen struct {
	Choice NoticeChoice `json:"choice"`
}

// Kind is "notices.chosen".
func (*NoticesChosen) Kind() EventKind { return "notices.chosen" }

func (p *NoticesChosen) fold(j *Job, e *Event) { j.Tell = p.Choice }

// PersonErased removes what identifies the person; the figures stay.
type PersonErased struct{}

// Kind is "person.erased".
func (*PersonErased) Kind() EventKind { return "person.erased" }

func (p *PersonErased) fold(j *Job, e *Event) {
	j.Erased = e.At
	for i := range j.Photos {
		j.Photos[i].Removed = true
	}
	for i := range j.Links {
		j.Links[i].Revoked = true
	}
	Vault{}.Unseal(j)
}
