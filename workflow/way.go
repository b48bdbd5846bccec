package workflow

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
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

// Via is the channel of the hook's entries.
func (h *Hook) Via() Via { return "hook:" + Via(h.Name) }

// HookEvents is the table of the events that the shop's systems are told of: what a customer is told, and
// what a system that keeps books or a display needs beside it. The type of the message is the event's kind.
var HookEvents = []EventKind{
	"job.booked", "stage.moved", "report.sent", "quote.issued", "quote.withdrawn", "quote.reminded", "quote.expired",
	"decision.made", "decision.undone", "charge.set", "payment.recorded", "promise.made", "promise.warned", "promise.at_risk", "promise.breached",
	"delay.told", "delay.answered", "hold.placed", "hold.lifted", "job.ready", "collection.asked", "message.sent", "person.erased",
}

func (h *Hook) wants(k EventKind) bool {
	return slices.Contains(HookEvents, k) && (len(h.Events) == 0 || slices.Contains(h.Events, k))
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
	raw, err := s.Store.GetKey(ctx, s.Shop.ID, bucketHooks, name, s.Now())
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
	return s.Store.PutKey(ctx, s.Shop.ID, bucketHooks, name, off, time.Time{})
}

// SwitchHookOn undoes it: what waited goes first.
func (s *Service) SwitchHookOn(ctx context.Context, name string) error {
	return s.Store.DeleteKey(ctx, s.Shop.ID, bucketHooks, name)
}

// SendOtherAgain puts an entry that went another way than mail, and was given up, back in its queue. Error:
// ErrNotFound. (A mail is put back by [SendAgain], which the job's history tells.)
func (s *Service) SendOtherAgain(ctx context.Context, n JobNumber, id string) error {
	entries, err := s.Store.Entries(ctx, s.Shop.ID, n)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(entries, func(e Entry) bool { return e.ID == id && e.Via != "" }) {
		return &Error{Code: CodeNotFound, Message: "There is no such message on this job."}
	}
	return s.Store.Requeue(ctx, s.Shop.ID, id, s.Now().UTC())
}

// by makes an entry of another way.
func (e Entry) by(v Via) Entry {
	e.Via, e.ID = v, e.ID+"-"+string(v)
	return e
}

// hookEntries are those that a step's events lead to. They go out at once, at night too.
func (t *turn) hookEntries(events []*Event) (out []Entry) {
	for _, e := range events {
		for i := range t.shop.Hooks {
			if h := &t.shop.Hooks[i]; h.wants(e.Payload.Kind()) {
				out = append(out, t.j.entry(e, NoticeKind(e.Payload.Kind()), 0, 0).by(h.Via()))
			}
		}
	}
	return out
}

// Push is the channel of entries to browsers.
const Push Via = "push"

// MostSubscriptions is how many browsers may be told of one job.
const MostSubscriptions = 10

// Subscription is a browser that is told of a job (RFC 8030). Its address and keys are personal data.
type Subscription struct {
	Number int `json:"number"`
	// Endpoint is where its messages are posted; Key is the browser's public key and Auth its secret, both
	// in base64url (RFC 8291).
	Endpoint Sealed    `json:"endpoint"`
	Key      Sealed    `json:"key"`
	Auth     Sealed    `json:"auth"`
	At       time.Time `json:"at"`
	// LinkID names the link from whose page it was asked for: a touch on the notice opens it.
	LinkID  string    `json:"link_id"`
	EndedAt time.Time `json:"ended_at,omitzero"`
}

// Via is the lane of the subscription's entries.
func (s *Subscription) Via() Via { return Push + "/" + Via(strconv.Itoa(s.Number)) }

// Live reports whether it is told of the job.
func (s *Subscription) Live() bool { return s.EndedAt.IsZero() && s.Endpoint.Text != "" }

// SubscriptionOf gives the subscription that an entry goes to, nil if there is none or it has ended.
func (j *Job) SubscriptionOf(v Via) *Subscription {
	for i := range j.Subscriptions {
		if s := &j.Subscriptions[i]; s.Via() == v && s.Live() {
			return s
		}
	}
	return nil
}

// pushEntries are those that a step's notices lead to. What the customer did themselves is not pushed to
// them. They are not gathered, since a later one takes the place of an earlier one, but wait for the
// morning.
func (t *turn) pushEntries(made []wanted) (out []Entry) {
	for _, n := range made {
		if n.asked || n.instead != "" {
			continue
		}
		for i := range t.j.Subscriptions {
			if s := &t.j.Subscriptions[i]; s.Live() {
				e := n.Entry.by(s.Via())
				e.NotBefore = t.shop.Awake(&t.j.Customer, e.MadeAt).Truncate(time.Millisecond)
				out = append(out, e)
			}
		}
	}
	return out
}

// Subscribe lets a browser be told of the job. One that is told already changes nothing.
type Subscribe struct {
	Endpoint string `json:"endpoint"`
	Key      string `json:"key"`
	Auth     string `json:"auth"`
	// LinkID is that of the link it was asked with.
	LinkID string `json:"link_id"`
}

func (Subscribe) allowed() []Role { return []Role{RoleCustomer} }

func (c Subscribe) decide(t *turn) error {
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to tell.").because("erased")
	}
	if t.j.Ended() {
		return refused("This job has ended; there is nothing more to tell.").because("push_ended")
	}
	if err := checkEndpoint(c.Endpoint); err != nil {
		return err
	}
	key, err := base64.RawURLEncoding.DecodeString(c.Key)
	auth, err2 := base64.RawURLEncoding.DecodeString(c.Auth)
	if err != nil || err2 != nil || len(key) != 65 || key[0] != 4 || len(auth) != 16 {
		return invalid("key", "The browser sent keys that can't be used.").because("push_key")
	}
	live := 0
	for i := range t.j.Subscriptions {
		s := &t.j.Subscriptions[i]
		if !s.Live() {
			continue
		}
		if live++; s.Endpoint.Text == c.Endpoint {
			if s.Key.Text == c.Key && s.Auth.Text == c.Auth {
				return nil
			}
			if err := t.record(&PushEnded{Number: s.Number}); err != nil {
				return err
			}
			live--
		}
	}
	if live >= MostSubscriptions {
		return refused("%d browsers are told of this job already, which is as many as may be. Switch one off first.", MostSubscriptions).because("push_many", MostSubscriptions)
	}
	s := Subscription{Number: len(t.j.Subscriptions) + 1, LinkID: c.LinkID}
	if s.Endpoint, err = t.seal(c.Endpoint); err == nil {
		if s.Key, err = t.seal(c.Key); err == nil {
			s.Auth, err = t.seal(c.Auth)
		}
	}
	if err != nil {
		return err
	}
	return t.record(&PushSubscribed{s.Number, s.Endpoint, s.Key, s.Auth, s.LinkID})
}

// checkEndpoint refuses an address of a push service that cannot be one. That it leads to nothing inside the
// house is looked at again when a message goes out, by where its name leads then.
func checkEndpoint(address string) error {
	wrong := invalid("endpoint", "The browser gave an address that notices can't be sent to.").because("push_endpoint")
	u, err := url.Parse(address)
	if err != nil || len(address) > 2000 || u.Scheme != "https" || u.Host == "" || u.User != nil || u.Fragment != "" || (u.Port() != "" && u.Port() != "443") {
		return wrong
	}
	host := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
	if _, err := netip.ParseAddr(host); err == nil || !strings.Contains(host, ".") || strings.HasSuffix(host, ".localhost") ||
		strings.HasSuffix(host, ".local") || strings.HasSuffix(host, ".internal") {
		return wrong
	}
	return nil
}

// Unsubscribe ends what [Subscribe] began, by the browser's address. One that is not told changes nothing.
type Unsubscribe struct {
	Endpoint string `json:"endpoint"`
}

func (Unsubscribe) allowed() []Role { return []Role{RoleCustomer} }

func (c Unsubscribe) decide(t *turn) error {
	for i := range t.j.Subscriptions {
		if s := &t.j.Subscriptions[i]; s.Live() && s.Endpoint.Text == c.Endpoint {
			return t.record(&PushEnded{Number: s.Number})
		}
	}
	return nil
}

// EndSubscription writes down that a push service knows a browser no more.
type EndSubscription struct {
	Number int `json:"number"`
}

func (EndSubscription) allowed() []Role { return systemDo }

func (c EndSubscription) decide(t *turn) error {
	for i := range t.j.Subscriptions {
		if s := &t.j.Subscriptions[i]; s.Number == c.Number && s.EndedAt.IsZero() {
			return t.record(&PushEnded{Number: c.Number})
		}
	}
	return nil
}

// PushSubscribed is a browser that wants to be told of the job.
type PushSubscribed struct {
	Number   int    `json:"number"`
	Endpoint Sealed `json:"endpoint"`
	Key      Sealed `json:"key"`
	Auth     Sealed `json:"auth"`
	LinkID   string `json:"link_id"`
}

// Kind is "push.subscribed".
func (*PushSubscribed) Kind() EventKind { return "push.subscribed" }

func (p *PushSubscribed) fold(j *Job, e *Event) {
	j.Subscriptions = append(j.Subscriptions, Subscription{Number: p.Number, Endpoint: p.Endpoint, Key: p.Key, Auth: p.Auth, LinkID: p.LinkID, At: e.At})
}

// PushEnded is a browser that is told no more: its reader said so, or its push service.
type PushEnded struct {
	Number int `json:"number"`
}

// Kind is "push.ended".
func (*PushEnded) Kind() EventKind { return "push.ended" }

func (p *PushEnded) fold(j *Job, e *Event) {
	for i := range j.Subscriptions {
		if s := &j.Subscriptions[i]; s.Number == p.Number {
			s.EndedAt = e.At
		}
	}
}
