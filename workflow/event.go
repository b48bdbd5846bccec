package workflow

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"reflect"
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

// Payload is what an event says. The set is closed: kinds lists every one.
type Payload interface {
	fold(j *Job, e *Event)
}

// Event is one thing that happened to one job. Events are never changed or deleted; a correction is
// a new event. Replaying a job's events in the order of Seq yields the job.
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

// Canonical returns the event as canonical JSON (RFC 8785): what the hash is computed over and what an
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

// Hash returns the hex SHA-256 of [Event.Canonical].
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

// encodePayload returns the wire name and canonical data of a payload at its newest version.
func encodePayload(p Payload) (wire string, data json.RawMessage, err error) {
	name := KindOf(p)
	k, ok := kinds[name]
	if !ok {
		return "", nil, fmt.Errorf("payload %T is not registered", p)
	}
	raw, err := json.Marshal(p)
	if err != nil {
		return "", nil, err
	}
	if data, err = jcs.Transform(raw); err != nil {
		return "", nil, err
	}
	return string(name) + "/" + strconv.Itoa(k.version()), data, nil
}

// Kind returns the event's kind, without the version of its payload.
func (e *Event) Kind() EventKind {
	name, _, _ := strings.Cut(e.Wire, "/")
	return EventKind(name)
}

// KindOf returns the kind of the event that a payload makes, "" if it is not registered.
func KindOf(p Payload) EventKind { return kindsBy[reflect.TypeOf(p)] }

// kindOf describes one event kind: how to make an empty payload, and how to read older versions
// forward: upcast[0] turns version 1 into version 2, and so on.
type kindOf struct {
	make   func() Payload
	upcast []func(json.RawMessage) (json.RawMessage, error)
}

// of describes a kind by its payload, and how older versions of that are read forward.
func of[P any, PP interface {
	*P
	Payload
}](upcast ...func(json.RawMessage) (json.RawMessage, error)) kindOf {
	return kindOf{make: func() Payload { return PP(new(P)) }, upcast: upcast}
}

// wordsSealed reads a payload forward that held some of its [Words] in clear: a plain string is what they are
// read from.
func wordsSealed(data json.RawMessage) (json.RawMessage, error) { return data, nil }

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

// The kinds of events. What each one says is its payload, which stands with its noun.
//
// # Decisions
//
//   - 2026-11-30: Kinds and payloads are listed here, once, so that one place says all that can happen to a
//     job. Rejected: each noun registering its own as the program starts, which spreads the list over thirty
//     files and orders it by chance.
const (
	KindJobBooked         EventKind = "job.booked"
	KindCustomerChanged   EventKind = "customer.changed"
	KindChangeAsked       EventKind = "change.asked"
	KindChangeAnswered    EventKind = "change.answered"
	KindWishesChosen      EventKind = "wishes.chosen"
	KindPasscodeGiven     EventKind = "passcode.given"
	KindPasscodeSeen      EventKind = "passcode.seen"
	KindPasscodeWiped     EventKind = "passcode.wiped"
	KindStageMoved        EventKind = "stage.moved"
	KindContentsListed    EventKind = "contents.listed"
	KindScreeningAnswered EventKind = "screening.answered"
	KindConditionNoted    EventKind = "condition.noted"
	KindFaultTried        EventKind = "fault.tried"
	KindDeviceShut        EventKind = "device.stayed_shut"
	KindDeviceMadeSafe    EventKind = "device.made_safe"
	KindPhotoAdded        EventKind = "photo.added"
	KindPhotoDescribed    EventKind = "photo.described"
	KindPhotoRemoved      EventKind = "photo.removed"
	KindSuspectNamed      EventKind = "suspect.named"
	KindCheckDone         EventKind = "check.done"
	KindFindingNoted      EventKind = "finding.noted"
	KindFindingWithdrawn  EventKind = "finding.withdrawn"
	KindDutyRaised        EventKind = "duty.raised"
	KindDutyDone          EventKind = "duty.done"
	KindDutyWaived        EventKind = "duty.waived"
	KindDutyDropped       EventKind = "duty.dropped"
	KindSymptomNoted      EventKind = "symptom.noted"
	KindCheckPlanned      EventKind = "check.planned"
	KindReportSent        EventKind = "report.sent"
	KindQuoteIssued       EventKind = "quote.issued"
	KindQuoteWithdrawn    EventKind = "quote.withdrawn"
	KindQuoteExpired      EventKind = "quote.expired"
	KindQuoteReminded     EventKind = "quote.reminded"
	KindDecisionMade      EventKind = "decision.made"
	KindDecisionUndone    EventKind = "decision.undone"
	KindChargeSet         EventKind = "charge.set"
	KindCollectionAsked   EventKind = "collection.asked"
	KindPaymentRecorded   EventKind = "payment.recorded"
	KindPromiseMade       EventKind = "promise.made"
	KindPromiseBreached   EventKind = "promise.breached"
	KindPromiseWarned     EventKind = "promise.warned"
	KindPromiseAtRisk     EventKind = "promise.at_risk"
	KindDateTold          EventKind = "date.told"
	KindLevelChosen       EventKind = "level.chosen"
	KindTargetMissed      EventKind = "target.missed"
	KindDelayPrepared     EventKind = "delay.prepared"
	KindDelayTold         EventKind = "delay.told"
	KindDelayAnswered     EventKind = "delay.answered"
	KindHoldPlaced        EventKind = "hold.placed"
	KindHoldLifted        EventKind = "hold.lifted"
	KindClockPaused       EventKind = "clock.paused"
	KindClockResumed      EventKind = "clock.resumed"
	KindWorkBegun         EventKind = "work.begun"
	KindWorkDone          EventKind = "work.done"
	KindTestBegun         EventKind = "test.begun"
	KindTestDone          EventKind = "test.done"
	KindJobReady          EventKind = "job.ready"
	KindContentsPacked    EventKind = "contents.packed"
	KindShipmentPrepared  EventKind = "shipment.prepared"
	KindParcelOverdue     EventKind = "parcel.overdue"
	KindArrivalTold       EventKind = "arrival.told"
	KindJobReturned       EventKind = "job.returned"
	KindDamageNoted       EventKind = "damage.noted"
	KindDamageTold        EventKind = "damage.told"
	KindMessageSent       EventKind = "message.sent"
	KindConfirmAsked      EventKind = "confirm.asked"
	KindConfirmAnswered   EventKind = "confirm.answered"
	KindLinkIssued        EventKind = "link.issued"
	KindLinkRevoked       EventKind = "link.revoked"
	KindLinkAsked         EventKind = "link.asked"
	KindNoticeMade        EventKind = "notice.made"
	KindNoticeDelivered   EventKind = "notice.delivered"
	KindNoticeBuried      EventKind = "notice.buried"
	KindNoticeRequeued    EventKind = "notice.requeued"
	KindNoticeBounced     EventKind = "notice.bounced"
	KindNoticeTold        EventKind = "notice.told"
	KindNoticesChosen     EventKind = "notices.chosen"
	KindPushSubscribed    EventKind = "push.subscribed"
	KindPushEnded         EventKind = "push.ended"
	KindDataSent          EventKind = "data.sent"
	KindPersonErased      EventKind = "person.erased"
)

// kinds is the closed set of events: each kind with its payload.
var kinds = map[EventKind]kindOf{
	KindJobBooked:         of[JobBooked](wordsSealed),
	KindCustomerChanged:   of[CustomerChanged](),
	KindChangeAsked:       of[ChangeAsked](),
	KindChangeAnswered:    of[ChangeAnswered](),
	KindWishesChosen:      of[WishesChosen](),
	KindPasscodeGiven:     of[PasscodeGiven](),
	KindPasscodeSeen:      of[PasscodeSeen](),
	KindPasscodeWiped:     of[PasscodeWiped](),
	KindStageMoved:        of[StageMoved](wordsSealed),
	KindContentsListed:    of[ContentsListed](wordsSealed),
	KindScreeningAnswered: of[ScreeningAnswered](wordsSealed),
	KindConditionNoted:    of[ConditionNoted](wordsSealed),
	KindFaultTried:        of[FaultTried](wordsSealed),
	KindDeviceShut:        of[DeviceStayedShut](),
	KindDeviceMadeSafe:    of[DeviceMadeSafe](),
	KindPhotoAdded:        of[PhotoAdded](wordsSealed),
	KindPhotoDescribed:    of[PhotoDescribed](wordsSealed),
	KindPhotoRemoved:      of[PhotoRemoved](wordsSealed),
	KindSuspectNamed:      of[SuspectNamed](),
	KindCheckDone:         of[CheckDone](),
	KindFindingNoted:      of[FindingNoted](),
	KindFindingWithdrawn:  of[FindingWithdrawn](wordsSealed),
	KindDutyRaised:        of[DutyRaised](),
	KindDutyDone:          of[DutyDone](),
	KindDutyWaived:        of[DutyWaived](wordsSealed),
	KindDutyDropped:       of[DutyDropped](),
	KindSymptomNoted:      of[SymptomNoted](),
	KindCheckPlanned:      of[CheckPlanned](),
	KindReportSent:        of[ReportSent](),
	KindQuoteIssued:       of[QuoteIssued](wordsSealed),
	KindQuoteWithdrawn:    of[QuoteWithdrawn](wordsSealed),
	KindQuoteExpired:      of[QuoteExpired](),
	KindQuoteReminded:     of[QuoteReminded](),
	KindDecisionMade:      of[DecisionMade](),
	KindDecisionUndone:    of[DecisionUndone](),
	KindChargeSet:         of[ChargeSet](wordsSealed),
	KindCollectionAsked:   of[CollectionAsked](),
	KindPaymentRecorded:   of[PaymentRecorded](),
	KindPromiseMade:       of[PromiseMade](wordsSealed),
	KindPromiseBreached:   of[PromiseBreached](),
	KindPromiseWarned:     of[PromiseWarned](),
	KindPromiseAtRisk:     of[PromiseAtRisk](),
	KindDateTold:          of[DateTold](),
	KindLevelChosen:       of[LevelChosen](),
	KindTargetMissed:      of[TargetMissed](),
	KindDelayPrepared:     of[DelayPrepared](wordsSealed),
	KindDelayTold:         of[DelayTold](wordsSealed),
	KindDelayAnswered:     of[DelayAnswered](),
	KindHoldPlaced:        of[HoldPlaced](wordsSealed),
	KindHoldLifted:        of[HoldLifted](),
	KindClockPaused:       of[ClockPaused](),
	KindClockResumed:      of[ClockResumed](),
	KindWorkBegun:         of[WorkBegun](),
	KindWorkDone:          of[WorkDone](),
	KindTestBegun:         of[TestBegun](),
	KindTestDone:          of[TestDone](wordsSealed),
	KindJobReady:          of[JobReady](wordsSealed),
	KindContentsPacked:    of[ContentsPacked](wordsSealed),
	KindShipmentPrepared:  of[ShipmentPrepared](wordsSealed),
	KindParcelOverdue:     of[ParcelOverdue](),
	KindArrivalTold:       of[ArrivalTold](),
	KindJobReturned:       of[JobReturned](),
	KindDamageNoted:       of[DamageNoted](),
	KindDamageTold:        of[DamageTold](),
	KindMessageSent:       of[MessageSent](),
	KindConfirmAsked:      of[ConfirmAsked](),
	KindConfirmAnswered:   of[ConfirmAnswered](),
	KindLinkIssued:        of[LinkIssued](),
	KindLinkRevoked:       of[LinkRevoked](),
	KindLinkAsked:         of[LinkAsked](),
	KindNoticeMade:        of[NoticeMade](),
	KindNoticeDelivered:   of[NoticeDelivered](),
	KindNoticeBuried:      of[NoticeBuried](),
	KindNoticeRequeued:    of[NoticeRequeued](),
	KindNoticeBounced:     of[NoticeBounced](),
	KindNoticeTold:        of[NoticeTold](),
	KindNoticesChosen:     of[NoticesChosen](),
	KindPushSubscribed:    of[PushSubscribed](),
	KindPushEnded:         of[PushEnded](),
	KindDataSent:          of[DataSent](),
	KindPersonErased:      of[PersonErased](),
}

// kindsBy finds a payload's kind.
var kindsBy = func() map[reflect.Type]EventKind {
	by := map[reflect.Type]EventKind{}
	for name, k := range kinds {
		by[reflect.TypeOf(k.make())] = name
	}
	return by
}()

// EventKinds lists every kind of event there is, in no particular order.
func EventKinds() []EventKind {
	var out []EventKind
	for k := range kinds {
		out = append(out, k)
	}
	return out
}
