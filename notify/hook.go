package notify

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

	"benchword/workflow"
	"benchword/workflow/money"
)

// Hook tells one of the shop's own systems of steps, by the Standard Webhooks specification: it is the
// [Composer] and the [Transport] of that hook's channel. Make one with [NewHook].
//
// A message is a POST of JSON, signed; 2xx takes it. "429" and "503" (and the two of a gateway) leave the
// whole system alone, for as long as it says; "410" switches the hook off until somebody at the counter
// switches it on again, and what came up meanwhile waits; any other answer is tried again like a mail that
// was put off.
type Hook struct {
	Name    string
	service *workflow.Service
	url     string
	keys    []HookKey
	client  *http.Client
}

var (
	_ Composer  = (*Hook)(nil)
	_ Transport = (*Hook)(nil)
)

// HookKey signs messages: with a secret that both sides have ("whsec_", HMAC-SHA256), or with a private key
// ("whsk_", Ed25519).
type HookKey struct {
	secret  []byte
	private ed25519.PrivateKey
}

// ParseHookKey reads a key in the specification's form: "whsec_" and 24 to 64 bytes in base64, or "whsk_" and
// an Ed25519 key.
func ParseHookKey(text string) (HookKey, error) {
	wrong := errors.New("a webhook's secret is “whsec_” and 24 to 64 bytes in base64, or “whsk_” and an Ed25519 key")
	kind, rest, ok := strings.Cut(strings.TrimSpace(text), "_")
	raw, err := base64.StdEncoding.DecodeString(rest)
	switch {
	case !ok || err != nil:
		return HookKey{}, wrong
	case kind == "whsec" && len(raw) >= 24 && len(raw) <= 64:
		return HookKey{secret: raw}, nil
	case kind == "whsk" && len(raw) == ed25519.SeedSize:
		return HookKey{private: ed25519.NewKeyFromSeed(raw)}, nil
	case kind == "whsk" && len(raw) == ed25519.PrivateKeySize && bytes.Equal(ed25519.NewKeyFromSeed(raw[:ed25519.SeedSize]), raw):
		return HookKey{private: raw}, nil
	}
	return HookKey{}, wrong
}

// Public returns the key that the other side checks with, "whpk_…", "" for a shared secret.
func (k HookKey) Public() string {
	if k.private == nil {
		return ""
	}
	return "whpk_" + base64.StdEncoding.EncodeToString(k.private.Public().(ed25519.PublicKey))
}

// Sign returns the signature of a message, with its version before it.
func (k HookKey) Sign(id string, at time.Time, body []byte) string {
	signed := append([]byte(id+"."+strconv.FormatInt(at.Unix(), 10)+"."), body...)
	if k.private != nil {
		return "v1a," + base64.StdEncoding.EncodeToString(ed25519.Sign(k.private, signed))
	}
	h := hmac.New(sha256.New, k.secret)
	h.Write(signed)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// NewHook makes a hook. The address must be https, or http on this very machine; private allows an
// internal one. During a change of keys there are several: each signs.
func NewHook(service *workflow.Service, name, address string, private bool, keys ...HookKey) (*Hook, error) {
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
	return &Hook{name, service, address, keys, poster(private || own)}, nil
}

// Config returns the settings of the hook's dispatcher.
func (h *Hook) Config() Config {
	return Config{Service: h.service, Transport: h, Composer: h, Via: (&workflow.Hook{Name: h.Name}).Via(), Off: func(ctx context.Context) (bool, error) {
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

// hookMessage is the body of a webhook. It holds nothing about a person: who may see that asks the JSON interface
// with the job's number.
type hookMessage struct {
	Type      string    `json:"type"`
	Timestamp time.Time `json:"timestamp"`
	Data      any       `json:"data"`
}

type hookData struct {
	Shop workflow.ShopID    `json:"shop"`
	Job  workflow.JobNumber `json:"job"`
	// Seq is the number of the event, from which the order of a job's messages can be told.
	Seq     int64               `json:"seq"`
	Stage   workflow.Stage      `json:"stage"`
	Outcome workflow.Outcome    `json:"outcome,omitempty"`
	Hold    workflow.HoldReason `json:"hold,omitempty"`
	Promise *hookPromise        `json:"promise,omitempty"`
	Quote   *hookQuote          `json:"quote,omitempty"`
	Charge  *money.Amount       `json:"charge,omitempty"`
	Balance *money.Amount       `json:"balance,omitempty"`
}

type hookPromise struct {
	Number int `json:"number"`
	// DueAt is left out while the clock stands still.
	DueAt    time.Time `json:"due_at,omitzero"`
	Breached bool      `json:"breached"`
}

type hookQuote struct {
	Revision int                 `json:"revision"`
	State    workflow.QuoteState `json:"state"`
	// Totals are those of the options, by their key.
	Totals    map[string]money.Amount `json:"totals"`
	ExpiresAt time.Time               `json:"expires_at"`
}

// Compose implements [Composer]: the job as it stood right after the event, so that a repeat says the same.
func (h *Hook) Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Mail, error) {
	events, err := h.service.Store.Events(ctx, j.Shop, j.Number, 0)
	if err != nil {
		return nil, &Failure{Fate: PutOff, Words: "The job's history could not be read just now.", Err: err}
	}
	if int64(len(events)) < e.Seq || e.Seq < 1 {
		return nil, fmt.Errorf("event %d of %d", e.Seq, len(events))
	}
	then, err := workflow.Replay(events[:e.Seq])
	if err != nil {
		return nil, err
	}
	shop := h.service.Shop
	d := hookData{Shop: then.Shop, Job: then.Number, Seq: e.Seq, Stage: then.Stage, Outcome: then.Outcome}
	if x := then.Hold(); x != nil {
		d.Hold = x.Reason
	}
	if p := then.Promise(); p != nil {
		d.Promise = &hookPromise{Number: p.Number, Breached: !p.BreachedAt.IsZero()}
		if due, ok := then.Due(shop); ok {
			d.Promise.DueAt = due
		}
	}
	if q := then.Quote(); q != nil {
		d.Quote = &hookQuote{q.Revision, q.State, map[string]money.Amount{}, q.ExpiresAt}
		for _, o := range q.Options {
			d.Quote.Totals[o.Key] = o.Result.Total
		}
		charge, balance := then.Charge(shop), then.Balance(shop)
		d.Charge, d.Balance = &charge, &balance
	}
	return h.build(strings.NewReplacer(".", "_", ":", "_", "/", "_").Replace(e.ID), hookMessage{string(e.Kind), e.MadeAt.UTC(), d})
}

func (h *Hook) build(id string, m hookMessage) (*Mail, error) {
	body, err := json.Marshal(m)
	return &Mail{ID: id, To: h.url, Data: body}, err
}

// Send implements [Transport].
func (h *Hook) Send(ctx context.Context, m *Mail) (string, error) {
	words, err := h.send(ctx, m)
	var f *Failure
	if !errors.As(err, &f) || f.Code != http.StatusGone {
		return words, err
	}
	err = h.service.SwitchHookOff(ctx, h.Name, firstLine(fmt.Sprintf("%d %s", f.Code, f.Words)))
	return "", &Failure{Fate: Unreached, Step: "end", Code: f.Code, Words: "It wants no more messages. It is switched off until somebody switches it on again.", Err: err}
}

func (h *Hook) send(ctx context.Context, m *Mail) (string, error) {
	now := h.service.Now().UTC()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, m.To, bytes.NewReader(m.Data))
	if err != nil {
		return "", err
	}
	var signatures []string
	for _, k := range h.keys {
		signatures = append(signatures, k.Sign(m.ID, now, m.Data))
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "benchword")
	r.Header.Set("webhook-id", m.ID)
	r.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	r.Header.Set("webhook-signature", strings.Join(signatures, " "))
	a, err := postTo(ctx, h.client, r, now)
	if err != nil {
		return "", err
	}
	if a.status < 200 || a.status >= 300 {
		return "", a.failed()
	}
	return strings.TrimSpace(strconv.Itoa(a.status) + " " + a.words), nil
}

// Try sends a message of type "test" and returns the address's own words. An error is a *[Failure].
func (h *Hook) Try(ctx context.Context) (string, error) {
	now := h.service.Now().UTC()
	m, err := h.build("test-"+strconv.FormatInt(now.UnixMilli(), 10), hookMessage{"test", now, map[string]any{"shop": h.service.Shop.ID}})
	if err != nil {
		return "", err
	}
	return h.send(ctx, m)
}
