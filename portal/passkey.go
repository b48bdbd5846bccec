package portal

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"benchword/workflow"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
	"github.com/gofiber/fiber/v2"
)

const (
	bucketPasskey = "passkey"
	ceremonyFor   = 5 * time.Minute
)

// Passkey is one of somebody's passkeys, kept under the digest of its id.
//
// # Decisions
//
//   - 2026-11-30: A passkey signs in by itself: its device has asked for a finger, a face or a PIN (user verification is
//     required of each), which makes it two factors in one. Rejected: keys that are only touched, as a second factor, for
//     which a phone's app is there.
type Passkey struct {
	Login  string    `json:"login"`
	Name   string    `json:"name"`
	MadeAt time.Time `json:"made_at"`
	UsedAt time.Time `json:"used_at,omitzero"`
	// Credential holds no attestation: nobody is asked what make their device is.
	Credential webauthn.Credential `json:"credential"`
	// ID names it in forms.
	ID string `json:"-"`
}

func passkeysOf(ctx context.Context, s *workflow.Service, login string) ([]Passkey, error) {
	rows, err := s.Bucket(bucketPasskey).List(ctx)
	if err != nil {
		return nil, err
	}
	var out []Passkey
	for _, r := range rows {
		p := Passkey{ID: r.Key}
		if err := json.Unmarshal(r.Value, &p); err != nil {
			return nil, err
		}
		if p.Login == login {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b Passkey) int { return a.MadeAt.Compare(b.MadeAt) })
	return out, nil
}

// holder is somebody as the library wants to see them.
type holder struct {
	Account
	handle   []byte
	passkeys []Passkey
}

func (h *holder) WebAuthnID() []byte          { return h.handle }
func (h *holder) WebAuthnName() string        { return h.Login }
func (h *holder) WebAuthnDisplayName() string { return h.Name }
func (h *holder) WebAuthnCredentials() []webauthn.Credential {
	var out []webauthn.Credential
	for _, p := range h.passkeys {
		out = append(out, p.Credential)
	}
	return out
}

func (s *Server) holder(ctx context.Context, login string) (*holder, error) {
	a, err := FindStaff(ctx, s.cfg.Service, login)
	if err != nil {
		return nil, err
	}
	h := &holder{Account: a, handle: []byte(s.sign("handle", a.Login))}
	h.passkeys, err = passkeysOf(ctx, s.cfg.Service, a.Login)
	return h, err
}

// TakesPasskeys reports whether browsers make passkeys for this shop's address: it has a name, and https or stands on the
// visitor's own machine.
func (s *Server) TakesPasskeys() bool {
	u, err := url.Parse(s.Shop().BaseURL)
	if err != nil {
		return false
	}
	_, isIP := netip.ParseAddr(u.Hostname())
	return isIP != nil && (s.secure || u.Hostname() == "localhost")
}

func relyingParty(name, base string) (*webauthn.WebAuthn, error) {
	u, err := url.Parse(base)
	if err != nil {
		return nil, err
	}
	return webauthn.New(&webauthn.Config{
		RPID: u.Hostname(), RPDisplayName: name, RPOrigins: []string{u.Scheme + "://" + u.Host}, AttestationPreference: protocol.PreferNoAttestation,
		AuthenticatorSelection: protocol.AuthenticatorSelection{ResidentKey: protocol.ResidentKeyRequirementRequired, UserVerification: protocol.VerificationRequired},
		// Some password managers say more than they are asked.
		ExtensionsUnsolicitedOutputPolicy: protocol.UnsolicitedOutputPolicyIgnore,
	})
}

// challenge makes one that needs no keeping: it carries when it ends, and our signature for one use by one person.
func (s *Server) challenge(use, login string) ([]byte, error) {
	b := make([]byte, 24)
	if _, err := io.ReadFull(rand.Reader, b[8:]); err != nil {
		return nil, err
	}
	binary.BigEndian.PutUint64(b, uint64(s.Now().Add(ceremonyFor).Unix()))
	return append(b, s.sign("passkey", use, login, string(b))...), nil
}

// ours reports whether a challenge is one of ours for that use, and not over.
func (s *Server) ours(use, login, challenge string) bool {
	b, err := base64.RawURLEncoding.DecodeString(challenge)
	return err == nil && len(b) > 24 && s.signed(string(b[24:]), "passkey", use, login, string(b[:24])) &&
		s.Now().Unix() < int64(binary.BigEndian.Uint64(b))
}

var errPasskey = &workflow.Error{Code: workflow.CodeForbidden, Message: "That passkey was not accepted here. Try again, or sign in with your password."}

// refusedPasskey tells the log why, and the person that.
func (s *Server) refusedPasskey(c *fiber.Ctx, login string, cause error) error {
	var p *protocol.Error
	why := ""
	if errors.As(cause, &p) {
		why = p.DevInfo
	}
	s.cfg.Log.Warn("passkey refused", "login", login, "from", s.address(c), "cause", cause, "more", why)
	return errPasskey
}

// PasskeyToMake returns what a browser needs to make a passkey for who is signed in.
func (s *Server) PasskeyToMake(c *fiber.Ctx) (*protocol.CredentialCreation, error) {
	w, err := relyingParty(s.Shop().Name, s.Shop().BaseURL)
	if err != nil {
		return nil, err
	}
	h, err := s.holder(c.UserContext(), s.Staff(c).Login)
	if err != nil {
		return nil, err
	}
	challenge, err := s.challenge("make", h.Login)
	if err != nil {
		return nil, err
	}
	make, _, err := w.BeginRegistration(h, webauthn.WithExclusions(webauthn.Credentials(h.WebAuthnCredentials()).CredentialDescriptors()))
	if err != nil {
		return nil, err
	}
	make.Response.Challenge = challenge
	return make, nil
}

// AddPasskey keeps the passkey that a browser has made.
func (s *Server) AddPasskey(c *fiber.Ctx, name string, made []byte) error {
	ctx, x := c.UserContext(), s.Staff(c)
	w, err := relyingParty(s.Shop().Name, s.Shop().BaseURL)
	if err != nil {
		return err
	}
	h, err := s.holder(ctx, x.Login)
	if err != nil {
		return err
	}
	parsed, err := protocol.ParseCredentialCreationResponseBytes(made)
	if err != nil {
		return s.refusedPasskey(c, x.Login, err)
	}
	challenge := parsed.Response.CollectedClientData.Challenge
	if !s.ours("make", x.Login, challenge) {
		return s.refusedPasskey(c, x.Login, errors.New("the challenge is not ours, or over"))
	}
	credential, err := w.CreateCredential(h, webauthn.SessionData{
		Challenge: challenge, UserID: h.handle, UserVerification: protocol.VerificationRequired, CredParams: webauthn.CredentialParametersDefault(),
	}, parsed)
	if err != nil {
		return s.refusedPasskey(c, x.Login, err)
	}
	credential.Attestation = webauthn.CredentialAttestation{}
	if name = strings.TrimSpace(name); name == "" {
		name = browserOf(c.Get(fiber.HeaderUserAgent))
	}
	if r := []rune(name); len(r) > 80 {
		name = string(r[:80])
	}
	mine, err := json.Marshal(Passkey{Login: x.Login, Name: name, MadeAt: s.Now(), Credential: *credential})
	if err != nil {
		return err
	}
	there, err := s.cfg.Service.Bucket(bucketPasskey).First(ctx, hashed(string(credential.ID)), mine)
	if err == nil && !bytes.Equal(there, mine) {
		return s.refusedPasskey(c, x.Login, errors.New("a passkey with this id is there"))
	}
	if err != nil {
		return err
	}
	s.cfg.Log.Info("second factor set up", "login", x.Login, "factor", "passkey", "from", s.address(c))
	x.Factor = "passkey"
	return s.keepSession(c, x)
}

// RemovePasskey forgets a passkey of who is signed in.
func (s *Server) RemovePasskey(c *fiber.Ctx, id string) error {
	ctx, x := c.UserContext(), s.Staff(c)
	all, err := passkeysOf(ctx, s.cfg.Service, x.Login)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(all, func(p Passkey) bool { return p.ID == id }) {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "That passkey isn't here any more. Open the page again."}
	}
	s.cfg.Log.Info("second factor removed", "login", x.Login, "factor", "passkey", "from", s.address(c))
	if err := s.cfg.Service.Bucket(bucketPasskey).Delete(ctx, id); err != nil {
		return err
	}
	return s.still(c, x)
}

// What a passkey is used for, and so what its challenge is signed for.
const (
	passkeySignsIn  = "use"
	passkeyConfirms = "confirm"
)

// PasskeyToUse returns what a browser needs to sign somebody in, whoever it is.
func (s *Server) PasskeyToUse() (*protocol.CredentialAssertion, error) {
	return s.passkeyFor(passkeySignsIn, "")
}

// PasskeyToConfirm returns what a browser needs to confirm who is signed in.
func (s *Server) PasskeyToConfirm(c *fiber.Ctx) (*protocol.CredentialAssertion, error) {
	return s.passkeyFor(passkeyConfirms, s.Staff(c).Login)
}

func (s *Server) passkeyFor(what, login string) (*protocol.CredentialAssertion, error) {
	w, err := relyingParty(s.Shop().Name, s.Shop().BaseURL)
	if err != nil {
		return nil, err
	}
	challenge, err := s.challenge(what, login)
	if err != nil {
		return nil, err
	}
	use, _, err := w.BeginDiscoverableLogin(webauthn.WithChallenge(challenge), webauthn.WithUserVerification(protocol.VerificationRequired))
	return use, err
}

// UsePasskey signs in whose passkey has answered.
func (s *Server) UsePasskey(c *fiber.Ctx, used []byte) (*Session, error) {
	a, err := s.usedPasskey(c, passkeySignsIn, "", used)
	if err != nil {
		return nil, err
	}
	return s.signInWhole(c, *a, "passkey")
}

// ConfirmPasskey is [Server.Confirm] by a passkey of who is signed in.
func (s *Server) ConfirmPasskey(c *fiber.Ctx, used []byte) error {
	x := s.Staff(c)
	a, err := s.usedPasskey(c, passkeyConfirms, x.Login, used)
	if err != nil {
		return err
	}
	if a.Login != x.Login {
		return s.refusedPasskey(c, x.Login, errors.New("it is another's"))
	}
	x.ProvedAt = s.Now()
	return s.keepSession(c, x)
}

// usedPasskey returns whose passkey has answered a challenge that was made for that.
func (s *Server) usedPasskey(c *fiber.Ctx, what, login string, used []byte) (*Account, error) {
	ctx, keys := c.UserContext(), s.cfg.Service.Bucket(bucketPasskey)
	w, err := relyingParty(s.Shop().Name, s.Shop().BaseURL)
	if err != nil {
		return nil, err
	}
	parsed, err := protocol.ParseCredentialRequestResponseBytes(used)
	if err != nil {
		return nil, s.refusedPasskey(c, "", err)
	}
	challenge := parsed.Response.CollectedClientData.Challenge
	if !s.ours(what, login, challenge) {
		return nil, s.refusedPasskey(c, "", errors.New("the challenge is not ours, or over"))
	}
	var key Passkey
	var h *holder
	_, credential, err := w.ValidatePasskeyLogin(func(id, _ []byte) (webauthn.User, error) {
		if err := getJSON(ctx, keys, hashed(string(id)), &key); err != nil {
			return nil, err
		}
		h, err = s.holder(ctx, key.Login)
		return h, err
	}, webauthn.SessionData{Challenge: challenge, UserVerification: protocol.VerificationRequired}, parsed)
	switch {
	case err != nil:
	case h.Locked:
		err = errors.New("the account is locked")
	case credential.Authenticator.CloneWarning:
		err = errors.New("its counter went back: it may be a copy")
	}
	if err != nil {
		return nil, s.refusedPasskey(c, key.Login, err)
	}
	if first, err := once(ctx, s.cfg.Service, "challenge", challenge, 2*ceremonyFor); err != nil {
		return nil, err
	} else if !first {
		return nil, s.refusedPasskey(c, key.Login, errors.New("the challenge was used before"))
	}
	key.Credential, key.UsedAt = *credential, s.Now()
	if err := putJSON(ctx, keys, hashed(string(parsed.RawID)), key, time.Time{}); err != nil {
		return nil, err
	}
	return &h.Account, nil
}
