package portal

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
	"golang.org/x/crypto/argon2"
)

// Account is somebody who signs in.
type Account struct {
	Login string        `json:"login"`
	Name  string        `json:"name"`
	Role  workflow.Role `json:"role"`
	// Password is an argon2id hash in PHC string format; empty for an API token.
	Password string `json:"password,omitempty"`
	// MadeAt dates the password: sessions from before it end.
	MadeAt time.Time `json:"made_at"`
}

// Session is a signed-in person, or an API token's holder.
type Session struct {
	Account
	SignedInAt time.Time `json:"signed_in_at"`
	SeenAt     time.Time `json:"seen_at"`
	secret     string
	// Token marks a caller of the API.
	Token bool `json:"-"`
}

// Sessions end after idleFor without a request, and after sessionFor in any case (ASVS 5.0 V7.3.1, V7.3.2).
const (
	idleFor    = 12 * time.Hour
	sessionFor = 7 * 24 * time.Hour
	seenStep   = 5 * time.Minute // how exactly SeenAt is kept
)

const (
	bucketStaff   = "staff"
	bucketSession = "session"
	bucketToken   = "token"
)

// The cost of a password hash: OWASP's second recommended setting for argon2id (19 MiB, 2 passes,
// 1 lane), from memory.
const (
	argonPasses = 2
	argonLanes  = 1
)

// HashMemory is what a new password hash takes, in KiB. Only tests of other things make it less.
var HashMemory uint32 = 19 * 1024

// HashPassword returns an argon2id hash in PHC string format.
func HashPassword(random io.Reader, password string) (string, error) {
	salt := make([]byte, 16)
	if _, err := io.ReadFull(random, salt); err != nil {
		return "", err
	}
	key := argon2.IDKey([]byte(password), salt, argonPasses, HashMemory, argonLanes, 32)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, HashMemory, argonPasses, argonLanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// CheckPassword reports whether the password is the one that the hash was made of.
func CheckPassword(hash, password string) bool {
	var version, memory, passes int
	var lanes uint8
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || memory < 8 || memory > 1<<20 || passes < 1 || passes > 16 || lanes < 1 {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	want, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(want) == 0 {
		return false
	}
	got := argon2.IDKey([]byte(password), salt, uint32(passes), uint32(memory), lanes, uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1
}

// MinPassword is the shortest password taken, in characters (ASVS 5.0 asks for 8 and recommends 15; from memory).
const MinPassword = 12

// AddStaff writes an account down, or replaces the one with the same sign-in name.
func AddStaff(ctx context.Context, s *workflow.Service, login, name string, role workflow.Role, password string) error {
	login = strings.ToLower(strings.TrimSpace(login))
	switch {
	case login == "" || len(login) > 64 || strings.ContainsAny(login, " \t\r\n/\\\"'<>"):
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "login", Message: "A sign-in name has 1 to 64 characters without spaces or quotation marks."}
	case role != workflow.RoleBench && role != workflow.RoleCounter && role != workflow.RoleOwner:
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "role", Message: "The role must be bench, counter or owner."}
	case len([]rune(password)) < MinPassword || len(password) > 256:
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "password", Message: fmt.Sprintf("A password has %d to 256 characters; a sentence is easy to remember.", MinPassword)}
	}
	hash, err := HashPassword(s.Random, password)
	if err != nil {
		return err
	}
	if name = strings.TrimSpace(name); name == "" {
		name = login
	}
	return putJSON(ctx, s.Bucket(bucketStaff), login, Account{Login: login, Name: name, Role: role, Password: hash, MadeAt: s.Now()}, time.Time{})
}

// RemoveStaff ends an account; its sessions end with their next request.
func RemoveStaff(ctx context.Context, s *workflow.Service, login string) error {
	return s.Bucket(bucketStaff).Delete(ctx, strings.ToLower(strings.TrimSpace(login)))
}

// ListStaff returns the accounts, without their password hashes.
func ListStaff(ctx context.Context, s *workflow.Service) ([]Account, error) {
	return listAccounts(ctx, s.Bucket(bucketStaff))
}

func listAccounts(ctx context.Context, b workflow.Bucket) ([]Account, error) {
	rows, err := b.List(ctx)
	if err != nil {
		return nil, err
	}
	var out []Account
	for _, r := range rows {
		var a Account
		if err := json.Unmarshal(r.Value, &a); err != nil {
			return nil, err
		}
		a.Password = ""
		out = append(out, a)
	}
	return out, nil
}

// AddToken makes an API token and returns it; only its hash is kept.
func AddToken(ctx context.Context, s *workflow.Service, name string, role workflow.Role, until time.Time) (string, error) {
	if role != workflow.RoleBench && role != workflow.RoleCounter && role != workflow.RoleOwner {
		return "", &workflow.Error{Code: workflow.CodeInvalid, Field: "role", Message: "The role must be bench, counter or owner."}
	}
	if name = strings.TrimSpace(name); name == "" {
		return "", &workflow.Error{Code: workflow.CodeInvalid, Field: "name", Message: "Give the token a name that says what uses it."}
	}
	secret, err := newSecret(s.Random)
	if err != nil {
		return "", err
	}
	token := "bw_" + secret
	a := Account{Login: "token:" + name, Name: name, Role: role, MadeAt: s.Now()}
	return token, putJSON(ctx, s.Bucket(bucketToken), hashed(token), a, until)
}

// ListTokens returns the names and roles of the API tokens.
func ListTokens(ctx context.Context, s *workflow.Service) ([]Account, error) {
	return listAccounts(ctx, s.Bucket(bucketToken))
}

// RemoveToken ends every API token with this name.
func RemoveToken(ctx context.Context, s *workflow.Service, name string) error {
	tokens := s.Bucket(bucketToken)
	rows, err := tokens.List(ctx)
	if err != nil {
		return err
	}
	for _, r := range rows {
		var a Account
		if json.Unmarshal(r.Value, &a) == nil && a.Name == name {
			if err := tokens.Delete(ctx, r.Key); err != nil {
				return err
			}
		}
	}
	return nil
}

// newSecret draws 160 bits (ASVS 5.0 V7.2.3 asks for 128).
func newSecret(random io.Reader) (string, error) {
	var b [20]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(b[:]), nil
}

func hashed(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

func putJSON(ctx context.Context, to workflow.Bucket, key string, v any, until time.Time) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return to.Put(ctx, key, b, until)
}

func getJSON(ctx context.Context, from workflow.Bucket, key string, v any) error {
	b, err := from.Get(ctx, key)
	if err != nil {
		return err
	}
	return json.Unmarshal(b, v)
}

// aHash is compared against when nobody has the sign-in name, so that the answer takes as long.
const aHash = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// SignIn checks name and password and starts a new session (ASVS 5.0 V7.2.4). The refusal is the same
// for an unknown name and a wrong password.
func (s *Server) SignIn(c *fiber.Ctx, login, password string) (*Session, error) {
	ctx, sessions := c.UserContext(), s.cfg.Service.Bucket(bucketSession)
	login = strings.ToLower(strings.TrimSpace(login))
	var a Account
	err := getJSON(ctx, s.cfg.Service.Bucket(bucketStaff), login, &a)
	if err != nil && !errors.Is(err, workflow.ErrNotFound) {
		return nil, err
	}
	hash := a.Password
	if hash == "" {
		hash = aHash
	}
	if len(password) > 256 || !s.checkPassword(hash, password) || err != nil {
		if err != nil {
			login = "unknown" // it may be a password, typed into the wrong field
		}
		s.cfg.Log.Warn("sign-in refused", "login", login, "from", s.address(c))
		return nil, &workflow.Error{Code: workflow.CodeForbidden, Message: "Name and password do not match. Check both; after several tries the page asks you to wait."}
	}
	s.cfg.Log.Info("signed in", "login", login, "from", s.address(c))
	if old := c.Cookies(s.cookie("staff")); old != "" {
		if err := sessions.Delete(ctx, hashed(old)); err != nil {
			return nil, err
		}
	}
	secret, err := newSecret(rand.Reader)
	if err != nil {
		return nil, err
	}
	now := s.Now()
	x := &Session{Account: a, SignedInAt: now, SeenAt: now, secret: secret}
	x.Password = ""
	if err := putJSON(ctx, sessions, hashed(secret), x, now.Add(idleFor)); err != nil {
		return nil, err
	}
	s.setCookie(c, "staff", secret, now.Add(sessionFor))
	c.Locals(localStaff, x)
	return x, nil
}

// checkPassword is [CheckPassword], few at a time: each takes 19 MiB and most of a processor.
func (s *Server) checkPassword(hash, password string) bool {
	s.common.hashing <- struct{}{}
	defer func() { <-s.common.hashing }()
	return CheckPassword(hash, password)
}

// SignOut ends the session.
func (s *Server) SignOut(c *fiber.Ctx) error {
	c.Locals(localStaff, nil)
	secret := c.Cookies(s.cookie("staff"))
	s.setCookie(c, "staff", "", time.Unix(1, 0))
	c.Set("Clear-Site-Data", `"cache"`)
	return s.cfg.Service.Bucket(bucketSession).Delete(c.UserContext(), hashed(secret))
}

const localStaff = "staff"

// Staff returns who is signed in (by session cookie, or by bearer token below /api/), nil if nobody is.
func (s *Server) Staff(c *fiber.Ctx) *Session {
	x, err := s.signedIn(c)
	if err != nil {
		s.cfg.Log.Error("who is signed in can't be read", "request", requestID(c), "cause", err)
	}
	return x
}

// signedIn is Staff, but tells a store that does not answer from somebody who is not signed in.
func (s *Server) signedIn(c *fiber.Ctx) (*Session, error) {
	if x, ok := c.Locals(localStaff).(*Session); ok {
		return x, nil
	}
	find := s.bySession
	if strings.HasPrefix(c.Path(), "/api/") {
		find = s.byToken
	}
	x, err := find(c)
	if x != nil {
		c.Locals(localStaff, x)
	}
	if errors.Is(err, workflow.ErrNotFound) {
		err = nil
	}
	return x, err
}

// bearer returns the token that a request carries (RFC 6750), "" if none.
func bearer(c *fiber.Ctx) string {
	scheme, token, _ := strings.Cut(c.Get(fiber.HeaderAuthorization), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(token)
}

func (s *Server) byToken(c *fiber.Ctx) (*Session, error) {
	token := bearer(c)
	if token == "" {
		return nil, nil
	}
	x := &Session{Token: true}
	if err := getJSON(c.UserContext(), s.cfg.Service.Bucket(bucketToken), hashed(token), &x.Account); err != nil {
		return nil, err
	}
	return x, nil
}

func (s *Server) bySession(c *fiber.Ctx) (*Session, error) {
	secret := c.Cookies(s.cookie("staff"))
	if secret == "" {
		return nil, nil
	}
	ctx, now, sessions := c.UserContext(), s.Now(), s.cfg.Service.Bucket(bucketSession)
	x := &Session{}
	if err := getJSON(ctx, sessions, hashed(secret), x); err != nil || now.After(x.SignedInAt.Add(sessionFor)) {
		return nil, err
	}
	// The account as it stands now: a role that was taken away is gone at once.
	var a Account
	if err := getJSON(ctx, s.cfg.Service.Bucket(bucketStaff), x.Login, &a); err != nil || a.MadeAt.After(x.SignedInAt) {
		return nil, err
	}
	a.Password = ""
	x.Account, x.secret = a, secret
	if now.Sub(x.SeenAt) > seenStep {
		x.SeenAt = now
		if err := putJSON(ctx, sessions, hashed(secret), x, now.Add(idleFor)); err != nil {
			s.cfg.Log.Error("session not renewed", "cause", err)
		}
	}
	return x, nil
}

// Need lets only signed-in people with one of the roles through (all staff if none is named), and
// only forms that carry the session's hidden field.
func (s *Server) Need(roles ...workflow.Role) fiber.Handler {
	return func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderCacheControl, "no-store")
		x, err := s.signedIn(c)
		if err != nil {
			return err
		}
		if x == nil {
			if strings.HasPrefix(c.Path(), "/api/") {
				challenge := `Bearer realm="benchword"`
				if bearer(c) != "" {
					challenge += `, error="invalid_token"`
				}
				c.Set(fiber.HeaderWWWAuthenticate, challenge)
				return &StatusError{Status: fiber.StatusUnauthorized, Message: "Send a valid token in the header Authorization: Bearer. “benchword token add” makes one."}
			}
			if c.Method() == fiber.MethodGet {
				return c.Redirect("/counter/sign-in", fiber.StatusSeeOther)
			}
			return &StatusError{Status: fiber.StatusUnauthorized, Message: "You are not signed in any more. Sign in in another tab, then go back and send the form again; what you typed is still there."}
		}
		ok := len(roles) == 0
		for _, r := range roles {
			ok = ok || r == x.Role
		}
		if !ok {
			return &workflow.Error{Code: workflow.CodeForbidden, Message: "Your role does not include this; ask somebody who has it."}
		}
		if c.Method() != fiber.MethodGet && c.Method() != fiber.MethodHead && !x.Token {
			if err := s.checkForm(c, x); err != nil {
				return err
			}
		}
		return c.Next()
	}
}

// Actor returns who acts, for events.
func (s *Server) Actor(c *fiber.Ctx) workflow.Actor {
	if x := s.Staff(c); x != nil {
		return workflow.Actor{Role: x.Role, ID: x.Login}
	}
	return workflow.Actor{Role: workflow.RoleCustomer}
}
