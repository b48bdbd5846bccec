package workflow

import (
	"encoding/base64"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Push is the channel of entries to browsers.
const Push Channel = "push"

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

// Channel is the lane of the subscription's entries.
func (s *Subscription) Channel() Channel { return Push + "/" + Channel(strconv.Itoa(s.Number)) }

// Live reports whether it is told of the job.
func (s *Subscription) Live() bool { return s.EndedAt.IsZero() && s.Endpoint.Text != "" }

// SubscriptionOf returns the subscription that an entry goes to, nil if there is none or it has ended.
func (j *Job) SubscriptionOf(c Channel) *Subscription {
	for i := range j.Subscriptions {
		if s := &j.Subscriptions[i]; s.Channel() == c && s.Live() {
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
				e := n.Entry.by(s.Channel())
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

// PushSubscribed is a browser that wants to be told of the job.
type PushSubscribed struct {
	Number   int    `json:"number"`
	Endpoint Sealed `json:"endpoint"`
	Key      Sealed `json:"key"`
	Auth     Sealed `json:"auth"`
	LinkID   string `json:"link_id"`
}

func (p *PushSubscribed) fold(j *Job, e *Event) {
	j.Subscriptions = append(j.Subscriptions, Subscription{Number: p.Number, Endpoint: p.Endpoint, Key: p.Key, Auth: p.Auth, LinkID: p.LinkID, At: e.At})
}

// Unsubscribe ends what [Subscribe] began, by the browser's address. One that is not told changes nothing.
type Unsubscribe struct {
	Endpoint string `json:"endpoint"`
}

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

func (c EndSubscription) decide(t *turn) error {
	for i := range t.j.Subscriptions {
		if s := &t.j.Subscriptions[i]; s.Number == c.Number && s.EndedAt.IsZero() {
			return t.record(&PushEnded{Number: c.Number})
		}
	}
	return nil
}

// PushEnded is a browser that is told no more: its reader said so, or its push service.
type PushEnded struct {
	Number int `json:"number"`
}

func (p *PushEnded) fold(j *Job, e *Event) {
	for i := range j.Subscriptions {
		if s := &j.Subscriptions[i]; s.Number == p.Number {
			s.EndedAt = e.At
		}
	}
}
