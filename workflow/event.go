package workflow

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gowebpki/jcs"
)

// ShopID names one bench business: 1 to 32 characters of a-z, 0-9 and "-". Every event, key, path
// and query carries it.
type ShopID string

// Valid reports whether the id has the form above.
func (id ShopID) Valid() bool {
	if len(id) == 0 || len(id) > 32 {
		return false
	}
	for _, c := range id {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// EventKind is an event's name in the past tense, e.g. "quote.issued". On the wire it is followed by
// the version of its payload: "quote.issued/1".
type EventKind string

// Payload is what an event says. The set is closed: payloads.go lists every kind.
type Payload interface {
	// Kind is the event's name.
	Kind() EventKind
	fold(j *Job, e *Event)
}

// Event is one thing that happened to one job. Events are never changed or deleted; a correction is
// a new event. Replaying a job's events in the order of Seq gives the job.
type Event struct {
	Shop ShopID
	Job  JobNumber
	// Seq counts from 1 within the job, without gaps.
	Seq int64
	// At is UTC, to the millisecond.
	At time.Time
	By Actor
	// Wire is kind and payload version as stored, e.g. "quote.issued/1".
	Wire string
	// Data is the payload's canonical JSON as stored; the hash is over these bytes.
	Data json.RawMessage
	// Prev is the hex SHA-256 of the event before this one, "" for the first.
	Prev string

	// Payload is Data decoded and read forward to the newest version; nil until [Event.Decode].
	Payload Payload
}

// envelope is the stored and hashed form. The order of fields does not matter: RFC 8785 sorts them.
type envelope struct {
	At   string          `json:"at"`
	By   Actor           `json:"by"`
	Data json.RawMessage `json:"data"`
	Job  JobNumber       `json:"job"`
	Kind string          `json:"kind"`
	Prev string          `json:"prev"`
	Seq  int64           `json:"seq"`
	Shop ShopID          `json:"shop"`
}

const eventTime = "2006-01-02T15:04:05.000Z"

// Canonical gives the event as canonical JSON (RFC 8785): what the hash is computed over and what an
// export holds, one line an event.
func (e *Event) Canonical() ([]byte, error) {
	raw, err := json.Marshal(envelope{
		At: e.At.UTC().Format(eventTime), By: e.By, Data: e.Data, Job: e.Job,
		Kind: e.Wire, Prev: e.Prev, Seq: e.Seq, Shop: e.Shop,
	})
	if err != nil {
		return nil, fmt.Errorf("event %d of %s: %w", e.Seq, e.Job, err)
	}
	out, err := jcs.Transform(raw)
	if err != nil {
		return nil, fmt.Errorf("event %d of %s: %w", e.Seq, e.Job, err)
	}
	return out, nil
}

// Hash gives the hex SHA-256 of [Event.Canonical].
func (e *Event) Hash() (string, error) {
	b, err := e.Canonical()
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// ParseEvent reads one line written by [Event.Canonical] and decodes its payload. A line that says the
// same in another spelling is refused: what was hashed is these bytes and no others.
func ParseEvent(line []byte) (*Event, error) {
	var v envelope
	dec := json.NewDecoder(bytes.NewReader(line))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&v); err != nil {
		return nil, fmt.Errorf("event: %w", err)
	}
	at, err := time.Parse(eventTime, v.At)
	if err != nil {
		return nil, fmt.Errorf("event %d: %w", v.Seq, err)
	}
	e := &Event{Shop: v.Shop, Job: v.Job, Seq: v.Seq, At: at, By: v.By, Wire: v.Kind, Data: v.Data, Prev: v.Prev}
	if c, err := e.Canonical(); err != nil || !bytes.Equal(c, line) {
		return nil, fmt.Errorf("event %d: the line is not in canonical form", v.Seq)
	}
	return e, e.Decode()
}

// Decode fills Payload from Wire and Data, upcasting older versions. It is an error if the kind is
// unknown or written by a newer benchword.
func (e *Event) Decode() error {
	if e.Payload != nil {
		return nil
	}
	name, version, ok := strings.Cut(e.Wire, "/")
	v, err := strconv.Atoi(version)
	if !ok || err != nil {
		return fmt.Errorf("event %d of %s: bad kind %q", e.Seq, e.Job, e.Wire)
	}
	k, ok := kinds[EventKind(name)]
	if !ok {
		return fmt.Errorf("event %d of %s: unknown kind %q", e.Seq, e.Job, e.Wire)
	}
	if v > k.version() {
		return fmt.Errorf("event %d of %s: %q is newer than this benchword knows (%d)", e.Seq, e.Job, e.Wire, k.version())
	}
	data := e.Data
	for ; v < k.version(); v++ {
		if data, err = k.upcast[v-1](data); err != nil {
			return fmt.Errorf("event %d of %s: reading %q forward: %w", e.Seq, e.Job, e.Wire, err)
		}
	}
	p := k.make()
	if err := json.Unmarshal(data, p); err != nil {
		return fmt.Errorf("event %d of %s: %q: %w", e.Seq, e.Job, e.Wire, err)
	}
	e.Payload = p
	return nil
}

// encodePayload gives the wire name and canonical data of a payload at its newest version.
func encodePayload(p Payload) (wire string, data json.RawMessage, err error) {
	k, ok := kinds[p.Kind()]
	if !ok {
		return "", nil, fmt.Errorf("event kind %q is not registered", p.Kind())
	}
	raw, err := json.Marshal(p)
	if err != nil {
		return "", nil, err
	}
	if data, err = jcs.Transform(raw); err != nil {
		return "", nil, err
	}
	return string(p.Kind()) + "/" + strconv.Itoa(k.version()), data, nil
}

// kindOf describes one event kind: how to make an empty payload, and how to read older versions
// forward: upcast[0] turns version 1 into version 2, and so on.
type kindOf struct {
	make   func() Payload
	upcast []func(json.RawMessage) (json.RawMessage, error)
}

func (k kindOf) version() int { return len(k.upcast) + 1 }

// VerifyChain checks that events are one job's whole, unbroken history: numbered from 1 without
// gaps, each naming the hash of the one before. It returns the head (the last event's hash), or an
// error that names the first event that does not fit.
//
// What it proves: order, and that nothing before the head was changed later. What it does not
// prove: who wrote it, or that a photo shows this device.
func VerifyChain(events []*Event) (head string, err error) {
	for i, e := range events {
		switch {
		case e.Seq != int64(i)+1:
			return "", fmt.Errorf("event %d is where event %d should be", e.Seq, i+1)
		case e.Prev != head:
			return "", fmt.Errorf("event %d (%s) does not follow from the one before it: it names %.12s…, the chain is at %.12s…", e.Seq, e.Wire, e.Prev, head)
		case i > 0 && (e.Job != events[0].Job || e.Shop != events[0].Shop):
			return "", fmt.Errorf("event %d belongs to another job", e.Seq)
		}
		if head, err = e.Hash(); err != nil {
			return "", err
		}
	}
	return head, nil
}

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
