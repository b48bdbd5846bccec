// Package push tells browsers of steps (Web Push: RFC 8030, 8291, 8292).
//
// A push is a sentence in the customer's language, which tells its step as the job stands when it goes out; a
// touch on it opens the tracking page, and it takes the place of earlier ones. What the push service sees is
// an address, a size and an urgency: the sentence and the link are encrypted for the browser. Pushes keep the
// quiet hours; a browser that is gone (404, 410) is written off, and any other refusal is put off, for two days.
//
// # Decisions
//
//   - 2026-11-27: A push says what the email's subject says, encrypted with the standard library: 60 lines,
//     held to RFC 8291's example. Rejected: webpush-go v1.4.0, which ignores the expiry it is given, takes
//     neither a clock nor a key to test with, and uses deprecated curve functions; tests use it as the
//     independent implementation. The shop's key lies in the store, unlike the link keys: whoever reads it
//     there has the subscriptions too, and every process needs the same one.
package push

import (
	"bytes"
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/notify"
	"benchword/notify/outside"
	"benchword/workflow"
	"benchword/workflow/link"
)

// Writer puts a notice into one sentence, in the customer's language.
type Writer interface {
	Subject(j *workflow.Job, e *workflow.Entry) (subject, lang string, err error)
}

// Pushes is the [notify.Channel] of browsers.
type Pushes struct {
	Service *workflow.Service
	Writer  Writer
	Key     *Key
	// client replaces the one that reaches the open internet only; for tests.
	client *http.Client
}

var _ notify.Channel = (*Pushes)(nil)

// ttl is how long push services keep a push at most if the browser is not there. So long it is tried, too: an
// old one says what is no longer so.
const ttl = 48 * time.Hour

// Config returns the settings of the dispatcher of pushes.
func (p *Pushes) Config() notify.Config {
	if p.client == nil {
		p.client = outside.Client(false)
	}
	return notify.Config{Service: p.Service, Channel: p, Apart: true, GiveUpAfter: ttl}
}

// Key is the key by which push services know the shop (VAPID, RFC 8292). Browsers are bound to it when
// they subscribe, so it must stay the same.
type Key struct {
	private *ecdsa.PrivateKey
	public  string
}

// OpenKey returns the shop's key, and makes it the first time. It lies in the store: whoever reads it there
// has the subscriptions too, and every process of the shop has the same.
func OpenKey(ctx context.Context, s *workflow.Service) (*Key, error) {
	fresh, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	raw, err := fresh.Bytes()
	if err != nil {
		return nil, err
	}
	if raw, err = s.Bucket("push").First(ctx, "vapid", raw); err != nil {
		return nil, err
	}
	return parseKey(raw)
}

func parseKey(raw []byte) (*Key, error) {
	private, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), raw)
	if err != nil {
		return nil, fmt.Errorf("the key for push services can't be read: %w", err)
	}
	public, err := private.PublicKey.Bytes()
	return &Key{private, base64.RawURLEncoding.EncodeToString(public)}, err
}

// Public is the public key in base64url, as browsers take it.
func (k *Key) Public() string { return k.public }

// authorization is the header that a push service knows the shop by, good for one service and half a day.
func (k *Key) authorization(endpoint, contact string, now time.Time) (string, error) {
	u, err := url.Parse(endpoint)
	if err != nil {
		return "", err
	}
	claims, err := json.Marshal(map[string]any{"aud": u.Scheme + "://" + u.Host, "exp": now.Add(12 * time.Hour).Unix(), "sub": "mailto:" + contact})
	if err != nil {
		return "", err
	}
	enc := base64.RawURLEncoding.EncodeToString
	token := enc([]byte(`{"typ":"JWT","alg":"ES256"}`)) + "." + enc(claims)
	sum := sha256.Sum256([]byte(token))
	r, s, err := ecdsa.Sign(rand.Reader, k.private, sum[:])
	if err != nil {
		return "", err
	}
	signature := make([]byte, 64) // RFC 7518, 3.4: both numbers in full length
	r.FillBytes(signature[:32])
	s.FillBytes(signature[32:])
	return "vapid t=" + token + "." + enc(signature) + ", k=" + k.public, nil
}

// text is what the service worker gets.
type text struct {
	Title string `json:"title"`
	Body  string `json:"body"`
	Lang  string `json:"lang"`
	// URL is the path of the tracking page; Tag is the same for all pushes of a job, so that the last one
	// takes the place of those before.
	URL string `json:"url"`
	Tag string `json:"tag"`
}

// message is a push, ready to be sealed.
type message struct {
	number                              int // the subscription's
	endpoint, key, auth, topic, urgency string
	text                                text
}

// Serves implements [notify.Channel].
func (*Pushes) Serves() workflow.Channel { return workflow.Push }

// Attempt implements [notify.Channel].
func (p *Pushes) Attempt(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (notify.Done, error) {
	m, err := notify.Write(func() (*message, error) { return p.compose(s, j, e) })
	if err != nil {
		return notify.Done{}, err
	}
	done := notify.Done{Command: func(why *notify.Failure) workflow.Command {
		if why != nil && why.Fate == notify.Gone {
			return workflow.EndSubscription{Number: m.number}
		}
		return nil
	}}
	done.Words, err = p.post(ctx, s, m)
	return done, err
}

// Text returns what the browser's worker is given for an entry, as JSON.
func (p *Pushes) Text(s *workflow.Service, j *workflow.Job, e *workflow.Entry) ([]byte, error) {
	m, err := p.compose(s, j, e)
	if err != nil {
		return nil, err
	}
	return json.Marshal(m.text)
}

func (p *Pushes) compose(s *workflow.Service, j *workflow.Job, e *workflow.Entry) (*message, error) {
	now := s.Now()
	sub := j.SubscriptionOf(e.Channel)
	if sub == nil {
		return nil, &notify.Skip{Fate: notify.Gone, Why: "Not sent: the browser is told no more."}
	}
	if at := s.Shop.Awake(&j.Customer, now); at.After(now) {
		return nil, &notify.Later{Fate: notify.Held, Until: at, Why: "It is night where the customer is."}
	}
	told := *e // the notice whose entry for this browser it is
	told.ID = strings.TrimSuffix(e.ID, "-"+string(e.Channel))
	if gathered, _ := j.Gathered(&told); len(gathered) == 0 {
		return nil, &notify.Skip{Fate: notify.Gone, Why: "Not sent: later steps had made it out of date."}
	}
	subject, lang, err := p.Writer.Subject(j, e)
	if err != nil {
		return nil, err
	}
	x := &message{endpoint: sub.Endpoint.Text, number: sub.Number, key: sub.Key.Text, auth: sub.Auth.Text, urgency: "high", text: text{
		Title: s.Shop.Name, Body: short(subject), Lang: lang, URL: "/find", Tag: string(j.Number),
	}}
	if j.Optional(s.Shop, e.Kind, e.Quote) {
		x.urgency = "normal"
	}
	sum := sha256.Sum256([]byte(string(j.Shop) + "\x00" + string(j.Number)))
	x.topic = base64.RawURLEncoding.EncodeToString(sum[:24]) // 32 characters, the most that there may be
	for i := range j.Links {
		g := &j.Links[i]
		if g.ID != sub.LinkID {
			continue
		}
		if g.Ended() || g.Revoked && g.Purpose == link.Look {
			// Taken back before this was an end of its subscriptions, too.
			return nil, &notify.Skip{Fate: notify.Gone, Why: "Not sent: the link that this browser was told by has ended."}
		}
		if !g.Revoked && now.Before(g.ExpiresAt) {
			t, err := s.Token(j, g)
			if err != nil {
				return nil, err
			}
			x.text.URL = "/j/" + t
		}
	}
	return x, nil
}

// short cuts a sentence to what a notice shows, and a push carries.
func short(s string) string {
	if r := []rune(s); len(r) > 300 {
		return string(r[:299]) + "…"
	}
	return s
}

// post seals a push and sends it.
func (p *Pushes) post(ctx context.Context, s *workflow.Service, m *message) (string, error) {
	plain, err := json.Marshal(m.text)
	if err != nil {
		return "", err
	}
	body, err := seal(plain, m.key, m.auth)
	if err != nil {
		// The browser's keys are none: it can never be told.
		return "", &notify.Failure{Fate: notify.Gone, Words: "The browser's keys can't be used.", Err: err}
	}
	now := s.Now()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, m.endpoint, bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	auth, err := p.Key.authorization(m.endpoint, s.Shop.Email, now)
	if err != nil {
		return "", err
	}
	r.Header.Set("Authorization", auth)
	r.Header.Set("Content-Encoding", "aes128gcm")
	r.Header.Set("Content-Type", "application/octet-stream")
	r.Header.Set("TTL", strconv.Itoa(int(ttl.Seconds())))
	r.Header.Set("Urgency", m.urgency)
	r.Header.Set("Topic", m.topic)
	a, err := outside.Post(ctx, p.client, r, now)
	var f *notify.Failure
	if errors.As(err, &f) {
		// Each browser has a service of its own, so none stands for all; and an address that leads into the
		// house is nobody's push service.
		if f.Fate == notify.Unreached {
			f.Fate = notify.PutOff
		}
		if errors.As(f.Err, new(outside.InternalError)) {
			f.Fate = notify.Gone
		}
		return "", f
	}
	if err != nil {
		return "", err
	}
	switch {
	case a.Accepted():
		return a.String(), nil
	case a.Status == http.StatusNotFound, a.Status == http.StatusGone:
		return "", &notify.Failure{Fate: notify.Gone, Step: "end", Code: a.Status, Words: "The browser is there no more."}
	}
	f = a.Failed()
	f.Fate = notify.PutOff
	return "", f
}

// seal encrypts a push for a browser (RFC 8291), by its public key and secret in base64url.
func seal(text []byte, key, auth string) ([]byte, error) {
	once, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	salt := make([]byte, 16)
	if _, err := io.ReadFull(rand.Reader, salt); err != nil {
		return nil, err
	}
	return sealWith(text, key, auth, once, salt, 512)
}

// recordSize is the one of RFC 8291, 4: a push is one record, and services take 4096 bytes.
const recordSize = 4096

// sealWith is seal with what is drawn given. The text is padded to a multiple of pad bytes, so that its length
// does not tell which sentence it is.
func sealWith(text []byte, key, auth string, once *ecdh.PrivateKey, salt []byte, pad int) ([]byte, error) {
	raw, err := base64.RawURLEncoding.DecodeString(key)
	if err != nil {
		return nil, err
	}
	browser, err := ecdh.P256().NewPublicKey(raw)
	if err != nil {
		return nil, err
	}
	secret, err := base64.RawURLEncoding.DecodeString(auth)
	if err != nil {
		return nil, err
	}
	shared, err := once.ECDH(browser)
	if err != nil {
		return nil, err
	}
	ours := once.PublicKey().Bytes()
	ikm, err := hkdf.Key(sha256.New, shared, secret, "WebPush: info\x00"+string(browser.Bytes())+string(ours), 32)
	if err != nil {
		return nil, err
	}
	cek, err := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: aes128gcm\x00", 16)
	if err != nil {
		return nil, err
	}
	nonce, err := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: nonce\x00", 12)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(cek)
	if err != nil {
		return nil, err
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	// RFC 8188: the header, then one record, which ends in 2 and padding.
	head := append(bytes.Clone(salt), binary.BigEndian.AppendUint32(nil, recordSize)...)
	head = append(append(head, byte(len(ours))), ours...)
	plain := append(bytes.Clone(text), 2)
	room := recordSize - len(head) - gcm.Overhead()
	if len(plain) > room {
		return nil, fmt.Errorf("a push of %d bytes is too long", len(text))
	}
	plain = append(plain, make([]byte, min((len(plain)+pad-1)/pad*pad, room)-len(plain))...)
	return gcm.Seal(head, nonce, plain, nil), nil
}
