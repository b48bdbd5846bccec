package workflow

import (
	"context"
	"fmt"
	"maps"
	"slices"
)

// Effects is the channel of what must be done outside the store because of a commit. An effect is an entry
// of the outbox, written with its event by whatever door the command came: it is done at least once, under
// a lease, tried again until it succeeds, and seen at the counter while it fails. Doing one again changes
// nothing.
//
// # Decisions
//
//   - 2026-11-30: An effect is never given up, and waits for no other. Rejected: doing it in the handler
//     after the commit, where a crash, an outage of the bucket or another door leaves it undone for ever.
const Effects Channel = "effect"

// The effects. Each is the kind of its entry.
const (
	// EffectForget removes an erased person's photos, originals too, and all that was being written.
	EffectForget NoticeKind = "forget"
	// EffectDiscard removes copies of photos that nothing names any more: what they showed was blurred.
	EffectDiscard NoticeKind = "discard"
	// EffectReturned tells the job that this one follows, under warranty, that the device came back.
	EffectReturned NoticeKind = "returned"
)

// effects is the table of what each of them does.
var effects = map[NoticeKind]func(s *Service, ctx context.Context, n JobNumber) error{
	EffectForget:   (*Service).forget,
	EffectDiscard:  (*Service).discard,
	EffectReturned: (*Service).nameReturn,
}

// Pictures is where photos lie, as far as effects reach into it.
type Pictures interface {
	// Clear removes every picture of a job, originals too.
	Clear(ctx context.Context, shop ShopID, job JobNumber) error
	// Discard removes shown copies; one that is not there is no error.
	Discard(ctx context.Context, shop ShopID, job JobNumber, digests ...string) error
	// Mend makes those shown copies of a photo again that are not there; without its original nothing can be done.
	Mend(ctx context.Context, shop ShopID, job JobNumber, p *Photo) error
}

// effect adds an effect of the last event that was recorded.
func (t *turn) effect(kind NoticeKind) {
	e := t.events[len(t.events)-1]
	t.effects = append(t.effects, t.j.entry(e, kind, 0, 0).by(Effects))
}

// TakeEffect does what an entry of that kind on the channel [Effects] asks for.
func (s *Service) TakeEffect(ctx context.Context, n JobNumber, kind NoticeKind) error {
	do := effects[kind]
	if do == nil {
		return fmt.Errorf("there is no effect %q: a newer benchword may have asked for it", kind)
	}
	return do(s, ctx, n)
}

func (s *Service) discard(ctx context.Context, n JobNumber) error {
	if s.Pictures == nil {
		return nil
	}
	events, err := s.Events(ctx, n, 0)
	if err != nil {
		return err
	}
	j, err := s.Job(ctx, n) // after the events: what it names is at least as new
	if err != nil {
		return err
	}
	old, drawn := map[string]bool{}, map[int]bool{}
	mark := func(c Copies, unused bool) {
		for _, x := range c.All() {
			old[x.Digest] = unused
		}
	}
	for _, e := range events {
		switch p := e.Payload.(type) {
		case *PhotoAdded:
			mark(p.Photo.Copies, true)
		case *PhotoDescribed:
			mark(p.Copies, true)
			drawn[p.ID] = true
		}
	}
	for _, p := range j.Photos {
		mark(p.Copies, false)
	}
	maps.DeleteFunc(old, func(digest string, unused bool) bool { return digest == "" || !unused })
	if err := s.Pictures.Discard(ctx, s.Shop.ID, n, slices.Collect(maps.Keys(old))...); err != nil {
		return err
	}
	// Meanwhile somebody may have drawn a photo as it was before: the same bytes, which have just gone.
	if j, err = s.Job(ctx, n); err != nil || !j.Erased.IsZero() {
		return err
	}
	for i := range j.Photos {
		if p := &j.Photos[i]; drawn[p.ID] && !p.Removed {
			if err := s.Pictures.Mend(ctx, s.Shop.ID, n, p); err != nil {
				return err
			}
		}
	}
	return nil
}
