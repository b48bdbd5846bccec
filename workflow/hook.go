package workflow

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"
)

// Ways beside mail: webhooks to the shop's own systems, each a channel of its own, and pushes to the
// customer's browsers, each a lane of one channel. Both leave the outbox like a mail does, and wait for
// nothing in each other.

// Hook is a system of the shop's own that is told of steps.
type Hook struct {
	// Name is of small letters, digits and hyphens.
	Name string
	// Events are what it is told of; none means all of [HookEvents].
	Events []EventKind
}

// Channel is the channel of the hook's entries.
func (h *Hook) Channel() Channel { return "hook:" + Channel(h.Name) }

// HookEvents is the table of the events that the shop's systems are told of: what a customer is told, and
// what a system that keeps books or a display needs beside it. The type of the message is the event's kind.
var HookEvents = []EventKind{
	KindJobBooked, KindStageMoved, KindReportSent, KindQuoteIssued, KindQuoteWithdrawn, KindQuoteReminded, KindQuoteExpired,
	KindDecisionMade, KindDecisionUndone, KindChargeSet, KindPaymentRecorded, KindPromiseMade, KindPromiseWarned, KindPromiseAtRisk, KindPromiseBreached, KindDateTold,
	KindDelayTold, KindDelayAnswered, KindHoldPlaced, KindHoldLifted, KindWorkBegun, KindJobReady, KindCollectionAsked, KindParcelOverdue, KindArrivalTold, KindJobReturned, KindMessageSent, KindPersonErased,
}

func (h *Hook) wants(k EventKind) bool {
	return slices.Contains(HookEvents, k) && (len(h.Events) == 0 || slices.Contains(h.Events, k))
}

// hookEntries are those that a step's events lead to. They go out at once, at night too.
func (t *turn) hookEntries(events []*Event) (out []Entry) {
	for _, e := range events {
		for i := range t.shop.Hooks {
			if h := &t.shop.Hooks[i]; h.wants(e.Kind()) {
				out = append(out, t.j.entry(e, NoticeKind(e.Kind()), 0, 0).by(h.Channel()))
			}
		}
	}
	return out
}

// bucketHooks keeps which hooks are switched off.
const bucketHooks = "hooks-off"

// HookState says since when a hook is switched off, and in which words its system asked for it.
type HookState struct {
	At    time.Time `json:"at"`
	Words string    `json:"words"`
}

// HookOff tells whether a hook is switched off, nil if it is not. What comes up meanwhile waits.
func (s *Service) HookOff(ctx context.Context, name string) (*HookState, error) {
	raw, err := s.Bucket(bucketHooks).Get(ctx, name)
	if errors.Is(err, ErrNotFound) {
		return nil, nil
	}
	var off HookState
	if err == nil {
		err = json.Unmarshal(raw, &off)
	}
	return &off, err
}

// SwitchHookOff lets nothing more go to a hook; words say why.
func (s *Service) SwitchHookOff(ctx context.Context, name, words string) error {
	off, err := json.Marshal(HookState{s.Now().UTC(), words})
	if err != nil {
		return err
	}
	return s.Bucket(bucketHooks).Put(ctx, name, off, time.Time{})
}

// SwitchHookOn undoes it: what waited goes first.
func (s *Service) SwitchHookOn(ctx context.Context, name string) error {
	return s.Bucket(bucketHooks).Delete(ctx, name)
}
