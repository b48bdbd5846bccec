package notify

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

	"benchword/templates/mail"
	"benchword/workflow"
	"benchword/workflow/link"
)

// Pushes tells browsers of steps (Web Push: RFC 8030, 8291, 8292): it is the [Composer] and the [Transport] of
// the push channel. A push is a sentence in the customer's language; a touch on it opens the tracking page. What
// the push service sees is an address, a size and an urgency: the sentence and the link are encrypted for the
// browser.
type Pushes struct {
	// Mails writes the sentence: the subject of the mail of the same notice.
	Mails *Mails
	Key   *PushKey
	// client replaces the one that reaches the open internet only; for tests.
	client *http.Client
}

var (
	_ Composer  = (*Pushes)(nil)
	_ Transport = (*Pushes)(nil)
)

// Push services keep a push for pushTTL at most if the browser is not there, and so long it is tried, too: an
// old one says what is no longer so.
const pushTTL = 48 * time.Hour

// Config gives the settings of the dispatcher of pushes.
func (p *Pushes) Config() Config {
	if p.client == nil {
		p.client = poster(false)
	}
	return Config{Service: p.Mails.Service, Transport: p, Composer: p, Via: workflow.Push, Apart: true, GiveUpAfter: pushTTL}
}

// PushKey is the key by which push services know the shop (VAPID, RFC 8292). Browsers are bound to it when
// they subscribe, so it must stay the same.
type PushKey struct {
	private *ecdsa.PrivateKey
	public  string
}

const bucketPush, keyPush = "push", "vapid"

// OpenPushKey gives the shop's key, and makes it the first time. It lies in the store: whoever reads it there
// has the subscriptions too, and every process of the shop has the same.
func OpenPushKey(ctx context.Context, s *workflow.Service) (*PushKey, error) {
	fresh, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	raw, err := fresh.Bytes()
	if err != nil {
		return nil, err
	}
	if _, err := s.Store.PutNewKey(ctx, s.Shop.ID, bucketPush, keyPush, raw, s.Now(), time.Time{}); err != nil {
		return nil, err
	}
	if raw, err = s.Store.GetKey(ctx, s.Shop.ID, bucketPush, keyPush, s.Now()); err != nil {
		return nil, err
	}
	return parsePushKey(raw)
}

func parsePushKey(raw []byte) (*PushKey, error) {
	private, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), raw)
	if err != nil {
		return nil, fmt.Errorf("the key for push services can't be read: %w", err)
	}
	public, err := private.PublicKey.Bytes()
	return &PushKey{private, base64.RawURLEncoding.EncodeToString(public)}, err
}

// Public is the public key in base64url, as browsers take it.
func (k *PushKey) Public() string { return k.public }

// authorization is the header that a push service knows the shop by, good for one service and half a day.
func (k *PushKey) authorization(endpoint, contact string, now time.Time) (string, error) {
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

// pushText is what the service worker gets.
type pushText struct {
	Title string `json:"title"`
	Body  string `json:"body"`
	Lang  string `json:"lang"`
	// URL is the path of the tracking page; Tag is the same for all pushes of a job, so that the last one
	// takes the place of those before.
	URL string `json:"url"`
	Tag string `json:"tag"`
}

// pushing is what Compose keeps for Send.
type pushing struct {
	Key     string   `json:"key"`
	Auth    string   `json:"auth"`
	Topic   string   `json:"topic"`
	Urgency string   `json:"urgency"`
	Text    pushText `json:"text"`
}

// Compose implements [Composer].
func (p *Pushes) Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Mail, error) {
	svc := p.Mails.Service
	now := svc.Now()
	sub := j.SubscriptionOf(e.Via)
	if sub == nil {
		return nil, errSkip{"Not sent: the browser is told no more."}
	}
	if at := svc.Shop.Awake(&j.Customer, now); at.After(now) {
		return nil, errLater{Held, at, "It is night where the customer is."}
	}
	order, _, err := p.Mails.order(j, e)
	if err != nil {
		return nil, err
	}
	x := pushing{Key: sub.Key.Text, Auth: sub.Auth.Text, Urgency: "high", Text: pushText{
		Title: svc.Shop.Name, Body: short(mail.Of(order).Subject), Lang: order.Words.Lang, URL: "/find", Tag: string(j.Number),
	}}
	if j.Optional(svc.Shop, e.Kind, e.Quote) {
		x.Urgency = "normal"
	}
	sum := sha256.Sum256([]byte(string(j.Shop) + "\x00" + string(j.Number)))
	x.Topic = base64.RawURLEncoding.EncodeToString(sum[:24]) // 32 characters, the most that there may be
	for i := range j.Links {
		if g := &j.Links[i]; g.ID == sub.LinkID && !g.Revoked && now.Before(g.ExpiresAt) {
			t, err := svc.Token(j, g)
			if err != nil {
				return nil, err
			}
			x.Text.URL = "/j/" + t
		}
	}
	if g := j.Link(link.Look, now); x.Text.URL == "/find" && g != nil {
		t, err := svc.Token(j, g)
		if err != nil {
			return nil, err
		}
		x.Text.URL = "/j/" + t
	}
	data, err := json.Marshal(x)
	return &Mail{ID: e.ID, To: sub.Endpoint.Text, Data: data, Gone: workflow.EndSubscription{Number: sub.Number}}, err
}

// short cuts a sentence to what a notice shows, and a push carries.
func short(s string) string {
	if r := []rune(s); len(r) > 300 {
		return string(r[:299]) + "…"
	}
	return s
}

// Send implements [Transport].
func (p *Pushes) Send(ctx context.Context, m *Mail) (string, error) {
	var x pushing
	if err := json.Unmarshal(m.Data, &x); err != nil {
		return "", err
	}
	text, err := json.Marshal(x.Text)
	if err != nil {
		return "", err
	}
	body, err := sealPush(text, x.Key, x.Auth)
	if err != nil {
		// The browser's keys are none: it can never be told.
		return "", &Failure{Fate: Gone, Words: "The browser's keys can't be used.", Err: err}
	}
	svc := p.Mails.Service
	now := svc.Now()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, m.To, bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	auth, err := p.Key.authorization(m.To, svc.Shop.Email, now)
	if err != nil {
		return "", err
	}
	r.Header.Set("Authorization", auth)
	r.Header.Set("Content-Encoding", "aes128gcm")
	r.Header.Set("Content-Type", "application/octet-stream")
	r.Header.Set("TTL", strconv.Itoa(int(pushTTL.Seconds())))
	r.Header.Set("Urgency", x.Urgency)
	r.Header.Set("Topic", x.Topic)
	a, err := postTo(ctx, p.client, r, now)
	var f *Failure
	if errors.As(err, &f) {
		// Each browser has a service of its own, so none stands for all; and an address that leads into the
		// house is nobody's push service.
		if f.Fate == Unreached {
			f.Fate = PutOff
		}
		if errors.As(f.Err, new(errInside)) {
			f.Fate = Gone
		}
		return "", f
	}
	if err != nil {
		return "", err
	}
	switch {
	case a.status >= 200 && a.status < 300:
		return strings.TrimSpace(strconv.Itoa(a.status) + " " + a.words), nil
	case a.status == http.StatusNotFound, a.status == http.StatusGone:
		return "", &Failure{Fate: Gone, Step: "end", Code: a.status, Words: "The browser is there no more."}
	}
	f = a.failed()
	f.Fate = PutOff
	return "", f
}

// sealPush encrypts a push for a browser (RFC 8291), by its public key and secret in base64url.
func sealPush(text []byte, key, auth string) ([]byte, error) {
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

// sealWith is sealPush with what is drawn given. The text is padded to a multiple of pad bytes, so that its length
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
