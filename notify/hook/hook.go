// Package hook tells one of the shop's own systems of steps, by the Standard Webhooks specification.
//
// A message is a POST of JSON, signed; 2xx takes it. "429" and "503" (and the two of a gateway) leave the
// whole system alone, for as long as it says; "410" switches the hook off until somebody at the counter
// switches it on again, and what came up meanwhile waits; any other answer is put off as an email would be.
// A repeat carries the same webhook-id and the same body: the job as it stood right after the event.
//
// A message says no more than a status display needs, and nothing about the person.
//
// # Decisions
//
//   - 2026-11-27: Webhooks say no more than a status display needs, and nothing about the person. A failure
//     is no event of the job, since it is about the shop's own systems. "Gone" switches a hook off and its
//     messages wait: rows of an outbox cost nothing, and an answer given by mistake loses nothing.
package hook

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/notify"
	"benchword/notify/outside"
	"benchword/workflow"
	"benchword/workflow/money"
)

// Hook is the [notify.Channel] of one of the shop's own systems. Make one with [New].
type Hook struct {
	Name    string
	service *workflow.Service
	url     string
	keys    []Key
	client  *http.Client
}

var _ notify.Channel = (*Hook)(nil)

// Key signs messages: with a secret that both sides have ("whsec_", HMAC-SHA256), or with a private key
// ("whsk_", Ed25519).
type Key struct {
	secret  []byte
	private ed25519.PrivateKey
}

// ParseKey reads a key in the specification's form: "whsec_" and 24 to 64 bytes in base64, or "whsk_" and
// an Ed25519 key.
func ParseKey(text string) (Key, error) {
	wrong := errors.New("a webhook's secret is “whsec_” and 24 to 64 bytes in base64, or “whsk_” and an Ed25519 key")
	kind, rest, ok := strings.Cut(strings.TrimSpace(text), "_")
	raw, err := base64.StdEncoding.DecodeString(rest)
	switch {
	case !ok || err != nil:
		return Key{}, wrong
	case kind == "whsec" && len(raw) >= 24 && len(raw) <= 64:
		return Key{secret: raw}, nil
	case kind == "whsk" && len(raw) == ed25519.SeedSize:
		return Key{private: ed25519.NewKeyFromSeed(raw)}, nil
	case kind == "whsk" && len(raw) == ed25519.PrivateKeySize && bytes.Equal(ed25519.NewKeyFromSeed(raw[:ed25519.SeedSize]), raw):
		return Key{private: raw}, nil
	}
	return Key{}, wrong
}

// Public returns the key that the other side checks with, "whpk_…", "" for a shared secret.
func (k Key) Public() string {
	if k.private == nil {
		return ""
	}
	return "whpk_" + base64.StdEncoding.EncodeToString(k.private.Public().(ed25519.PublicKey))
}

// Sign returns the signature of a message, with its version before it.
func (k Key) Sign(id string, at time.Time, body []byte) string {
	signed := append([]byte(id+"."+strconv.FormatInt(at.Unix(), 10)+"."), body...)
	if k.private != nil {
		return "v1a," + base64.StdEncoding.EncodeToString(ed25519.Sign(k.private, signed))
	}
	h := hmac.New(sha256.New, k.secret)
	h.Write(signed)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// New makes a hook. The address must be https, or http on this very machine; private allows an internal one.
// During a change of keys there are several: each signs.
func New(service *workflow.Service, name, address string, private bool, keys ...Key) (*Hook, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.User != nil {
		return nil, errors.New("its address must be like https://till.example/hook")
	}
	own := u.Hostname() == "localhost" || u.Hostname() == "127.0.0.1" || u.Hostname() == "::1"
	switch {
	case u.Scheme != "https" && (u.Scheme != "http" || !own):
		return nil, errors.New("its address must start with https://; http:// is for this very machine")
	case len(keys) == 0:
		return nil, errors.New("it needs a secret to sign with")
	}
	return &Hook{name, service, address, keys, outside.Client(private || own)}, nil
}

// Config returns the settings of the hook's dispatcher.
func (h *Hook) Config() notify.Config {
	return notify.Config{Service: h.service, Channel: h, Off: func(ctx context.Context) (bool, error) {
		off, err := h.service.HookOff(ctx, h.Name)
		return off != nil, err
	}}
}

// Public returns the keys that the other side checks with, of those keys that are no shared secrets.
func (h *Hook) Public() (out []string) {
	for _, k := range h.keys {
		if p := k.Public(); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// message is the body of a webhook. It holds nothing about a person: who may see that asks the JSON interface
// with the job's number.
type message struct {
	Type      string    `json:"type"`
	Timestamp time.Time `json:"timestamp"`
	Data      any       `json:"data"`
}

type data struct {
	Shop workflow.ShopID    `json:"shop"`
	Job  workflow.JobNumber `json:"job"`
	// Seq is the number of the event, from which the order of a job's messages can be told.
	Seq     int64               `json:"seq"`
	Stage   workflow.Stage      `json:"stage"`
	Outcome workflow.Outcome    `json:"outcome,omitempty"`
	Hold    workflow.HoldReason `json:"hold,omitempty"`
	Promise *promise            `json:"promise,omitempty"`
	Quote   *quote              `json:"quote,omitempty"`
	Charge  *money.Amount       `json:"charge,omitempty"`
	Balance *money.Amount       `json:"balance,omitempty"`
}

type promise struct {
	Number int `json:"number"`
	// DueAt is left out while the clock stands still.
	DueAt    time.Time `json:"due_at,omitzero"`
	Breached bool      `json:"breached"`
}

type quote struct {
	Revision int                 `json:"revision"`
	State    workflow.QuoteState `json:"state"`
	// Totals are those of the options, by their key.
	Totals    map[string]money.Amount `json:"totals"`
	ExpiresAt time.Time               `json:"expires_at"`
}

// Serves implements [notify.Channel].
func (h *Hook) Serves() workflow.Channel { return (&workflow.Hook{Name: h.Name}).Channel() }

// Attempt implements [notify.Channel].
func (h *Hook) Attempt(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (notify.Done, error) {
	body, err := notify.Write(func() ([]byte, error) { return compose(ctx, s, j, e) })
	if err != nil {
		return notify.Done{}, err
	}
	words, err := h.post(ctx, strings.NewReplacer(".", "_", ":", "_", "/", "_").Replace(e.ID), body)
	var f *notify.Failure
	if !errors.As(err, &f) || f.Code != http.StatusGone {
		return notify.Done{Words: words}, err
	}
	err = s.SwitchHookOff(ctx, h.Name, notify.FirstLine(fmt.Sprintf("%d %s", f.Code, f.Words)))
	return notify.Done{}, &notify.Failure{Fate: notify.Unreached, Step: "end", Code: f.Code, Words: "It wants no more messages. It is switched off until somebody switches it on again.", Err: err}
}

// compose writes the job as it stood right after the event, so that a repeat says the same.
func compose(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) ([]byte, error) {
	events, err := s.Events(ctx, j.Number, 0)
	if err != nil {
		return nil, &notify.Failure{Fate: notify.PutOff, Words: "The job's history could not be read just now.", Err: err}
	}
	if int64(len(events)) < e.Seq || e.Seq < 1 {
		return nil, fmt.Errorf("event %d of %d", e.Seq, len(events))
	}
	then, err := workflow.Replay(events[:e.Seq])
	if err != nil {
		return nil, err
	}
	shop := s.Shop
	d := data{Shop: then.Shop, Job: then.Number, Seq: e.Seq, Stage: then.Stage, Outcome: then.Outcome}
	if x := then.Hold(); x != nil {
		d.Hold = x.Reason
	}
	if p := then.Promise(); p != nil {
		d.Promise = &promise{Number: p.Number, Breached: !p.BreachedAt.IsZero()}
		if due, ok := then.Due(shop); ok {
			d.Promise.DueAt = due
		}
	}
	if q := then.Quote(); q != nil {
		d.Quote = &quote{q.Revision, q.State, map[string]money.Amount{}, q.ExpiresAt}
		for _, o := range q.Options {
			d.Quote.Totals[o.Key] = o.Result.Total
		}
		charge, balance := then.Charge(shop), then.Balance(shop)
		d.Charge, d.Balance = &charge, &balance
	}
	return json.Marshal(message{string(e.Kind), e.MadeAt.UTC(), d})
}

// post sends one message.
func (h *Hook) post(ctx context.Context, id string, body []byte) (string, error) {
	now := h.service.Now().UTC()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, h.url, bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	var signatures []string
	for _, k := range h.keys {
		signatures = append(signatures, k.Sign(id, now, body))
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "benchword")
	r.Header.Set("webhook-id", id)
	r.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	r.Header.Set("webhook-signature", strings.Join(signatures, " "))
	a, err := outside.Post(ctx, h.client, r, now)
	if err != nil {
		return "", err
	}
	if !a.Accepted() {
		return "", a.Failed()
	}
	return a.String(), nil
}

// Try sends a message of type "test" and returns the address's own words. An error is a *[notify.Failure].
func (h *Hook) Try(ctx context.Context) (string, error) {
	now := h.service.Now().UTC()
	body, err := json.Marshal(message{"test", now, map[string]any{"shop": h.service.Shop.ID}})
	if err != nil {
		return "", err
	}
	return h.post(ctx, "test-"+strconv.FormatInt(now.UnixMilli(), 10), body)
}
