package portal

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
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
	// Locked lets nobody in by this account.
	Locked bool `json:"locked,omitempty"`
	// NoPassword marks an account in a list that has none yet.
	NoPassword bool `json:"-"`
	// Until is when an API token ends, nil for never; tokens of earlier versions don't say.
	Until *time.Time `json:"until,omitempty"`
}

// Session is a signed-in person, or an API token's holder.
type Session struct {
	Account
	SignedInAt time.Time `json:"signed_in_at"`
	SeenAt     time.Time `json:"seen_at"`
	// ProvedAt is when the person last proved who they are; see [Server.Fresh].
	ProvedAt time.Time `json:"proved_at,omitzero"`
	// Factor is the second factor that was given: app, recovery or passkey; "" for none.
	Factor string `json:"factor,omitempty"`
	// First marks the session of an account's first sign-in.
	First bool `json:"first,omitempty"`
	// Phone marks a phone that was signed in from a desk, for one Job or for all; it ends with Until.
	Phone bool               `json:"phone,omitempty"`
	Job   workflow.JobNumber `json:"job,omitempty"`
	Until time.Time          `json:"ends,omitzero"`
	// Browser says what was signed in with: "Firefox on Android".
	Browser string `json:"browser,omitempty"`
	secret  string
	// Token marks a caller of the API.
	Token bool `json:"-"`
}

// Sessions end after idleFor without a request, and after sessionFor in any case (ASVS 5.0 V7.3.1, V7.3.2).
const (
	idleFor    = 12 * time.Hour
	sessionFor = 7 * 24 * time.Hour
	seenStep   = 5 * time.Minute // how exactly SeenAt is kept
	freshFor   = 10 * time.Minute
)

const (
	bucketStaff   = "staff"
	bucketSession = "session"
	bucketToken   = "token"
	bucketFirst   = "signed-in" // the first session of each account
	bucketReset   = "reset"
)

// TokenFor is how long an API token lasts that nobody said anything about.
const TokenFor = 365 * 24 * time.Hour

// AddToken makes an API token and returns it; only its hash is kept. A zero until means for ever.
func AddToken(ctx context.Context, s *workflow.Service, name string, role workflow.Role, until time.Time) (string, error) {
	if !isStaff(role) {
		return "", errRole
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
	if !until.IsZero() {
		a.Until = &until
	}
	return token, putJSON(ctx, s.Bucket(bucketToken), hashed(token), a, until)
}

// ListTokens returns the names and roles of the API tokens.
func ListTokens(ctx context.Context, s *workflow.Service) ([]Account, error) {
	return listAccounts(ctx, s.Bucket(bucketToken))
}

// RemoveToken ends every API token with this name. Error: ErrNotFound.
func RemoveToken(ctx context.Context, s *workflow.Service, name string) error {
	tokens := s.Bucket(bucketToken)
	rows, err := tokens.List(ctx)
	if err != nil {
		return err
	}
	found := false
	for _, r := range rows {
		var a Account
		if json.Unmarshal(r.Value, &a) == nil && a.Name == name {
			found = true
			if err := tokens.Delete(ctx, r.Key); err != nil {
				return err
			}
		}
	}
	if !found {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "No token is called “" + name + "”, so none was removed. “benchword token list” shows those there are."}
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

// lookUp is getJSON for what may not be there; it reports whether it is.
func lookUp(ctx context.Context, from workflow.Bucket, key string, v any) (bool, error) {
	err := getJSON(ctx, from, key, v)
	if errors.Is(err, workflow.ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// SignIn checks name and password and starts a new session (ASVS 5.0 V7.2.4), or fails with [ErrSecond]. The refusal is the same
// for an unknown name, a locked one and a wrong password.
func (s *Server) SignIn(c *fiber.Ctx, login, password string) (*Session, error) {
	login = cleanLogin(login)
	a, err := FindStaff(c.UserContext(), s.cfg.Service, login)
	if err != nil && !errors.Is(err, workflow.ErrNotFound) {
		return nil, err
	}
	if err := s.prove(c, login, a, password); err != nil {
		return nil, err
	}
	if f, err := FindFactors(c.UserContext(), s.cfg.Service, login); err != nil {
		return nil, err
	} else if f.Any() {
		return nil, s.askSecond(c, a)
	}
	s.cfg.Log.Info("signed in", "login", login, "from", s.address(c))
	return s.begin(c, a, &Session{})
}

var errMismatch = &workflow.Error{Code: workflow.CodeForbidden, Field: "password", Message: "Name and password do not match. Check both; after several tries the page asks you to wait."}

// prove checks a person's password; the account is empty if nobody has the name.
func (s *Server) prove(c *fiber.Ctx, login string, a Account, password string) error {
	ctx, browser := c.UserContext(), ""
	if a.Login != "" {
		browser = s.knownBy(c, login)
	}
	if browser == "" {
		if err := s.beginTry(ctx, "password", login); err != nil {
			return err
		}
	}
	hash := a.Password
	if hash == "" {
		hash = aHash
	}
	ok := false
	if len(password) <= MaxPassword {
		var full error
		if ok, full = s.checkPassword(browser, hash, password); full != nil {
			return full
		}
	}
	if !ok || a.Login == "" || a.Locked {
		known := login
		if a.Login == "" {
			known = "unknown" // it may be a password, typed into the wrong field
		} else if browser == "" {
			s.failedTry(ctx, "password", login)
		}
		s.cfg.Log.Warn("sign-in refused", "login", known, "from", s.address(c))
		return errMismatch
	}
	s.passedTry(ctx, "password", login)
	return nil
}

// Fresh lets only those on who proved who they are within the last minutes: for pages on which accounts change
// (ASVS 5.0 V7.5.1, V7.5.2). It stands behind [Server.Need]; who is sent on comes back by page.
func (s *Server) Fresh(page string) fiber.Handler {
	return func(c *fiber.Ctx) error {
		if s.Now().Sub(s.Staff(c).ProvedAt) < freshFor {
			return c.Next()
		}
		if c.Method() == fiber.MethodGet {
			return s.Back(c, "/counter/confirm?to="+page)
		}
		return &workflow.Error{Code: workflow.CodeForbidden, Message: "It's a while since you said who you are. Open the page again, confirm your password and send the form once more."}
	}
}

// Confirm checks the password of who is signed in.
func (s *Server) Confirm(c *fiber.Ctx, password string) error {
	x := s.Staff(c)
	a, err := FindStaff(c.UserContext(), s.cfg.Service, x.Login)
	if err != nil {
		return err
	}
	if err := s.prove(c, a.Login, a, password); err != nil {
		return err
	}
	x.ProvedAt = s.Now()
	return s.keepSession(c, x)
}

// keepSession writes a session down.
func (s *Server) keepSession(c *fiber.Ctx, x *Session) error {
	kept := *x
	kept.Password = ""
	return putJSON(c.UserContext(), s.cfg.Service.Bucket(bucketSession), hashed(x.secret), kept, s.Now().Add(idleFor))
}

// ChangePassword gives who is signed in a new password. Their other sessions end.
func (s *Server) ChangePassword(c *fiber.Ctx, current, password string) error {
	x := s.Staff(c)
	a, err := FindStaff(c.UserContext(), s.cfg.Service, x.Login)
	if err != nil {
		return err
	}
	if err := s.prove(c, a.Login, a, current); errors.Is(err, workflow.ErrForbidden) {
		return &workflow.Error{Code: workflow.CodeForbidden, Field: "current", Message: "That isn't your password now, so nothing was changed."}
	} else if err != nil {
		return err
	}
	if err := SetPassword(c.UserContext(), s.cfg.Service, a.Login, password); err != nil {
		return err
	}
	s.cfg.Log.Info("password changed", "login", a.Login, "from", s.address(c))
	if a, err = FindStaff(c.UserContext(), s.cfg.Service, a.Login); err != nil {
		return err
	}
	_, err = s.begin(c, a, &Session{First: x.First, Factor: x.Factor})
	return err
}

// OpenSession is a session as people see it.
type OpenSession struct {
	Session
	// ID names it; it opens nothing.
	ID   string
	Here bool
}

// Sessions lists the open sessions of somebody, of everybody for "", the last used first.
func (s *Server) Sessions(c *fiber.Ctx, login string) ([]OpenSession, error) {
	ctx, now := c.UserContext(), s.Now()
	staff, err := ListStaff(ctx, s.cfg.Service)
	if err != nil {
		return nil, err
	}
	rows, err := s.cfg.Service.Bucket(bucketSession).List(ctx)
	if err != nil {
		return nil, err
	}
	var out []OpenSession
	for _, r := range rows {
		x := OpenSession{ID: r.Key, Here: r.Key == hashed(s.Staff(c).secret)}
		if err := json.Unmarshal(r.Value, &x.Session); err != nil {
			return nil, err
		}
		i := slices.IndexFunc(staff, func(a Account) bool { return a.Login == x.Login && x.open(a, now) })
		if i >= 0 && (login == "" || login == x.Login) {
			x.Account = staff[i]
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b OpenSession) int { return b.SeenAt.Compare(a.SeenAt) })
	return out, nil
}

// open reports whether a session holds, of an account as it stands now.
func (x *Session) open(a Account, now time.Time) bool {
	return !a.Locked && !a.MadeAt.After(x.SignedInAt) && !now.After(x.SignedInAt.Add(sessionFor)) &&
		(x.Until.IsZero() || now.Before(x.Until))
}

// EndSession ends a session of somebody, whosever it is for "". One that has ended is no error.
func (s *Server) EndSession(c *fiber.Ctx, id, login string) error {
	ctx, sessions := c.UserContext(), s.cfg.Service.Bucket(bucketSession)
	var x Session
	if there, err := lookUp(ctx, sessions, id, &x); err != nil || !there {
		return err
	}
	if login != "" && x.Login != login {
		return &workflow.Error{Code: workflow.CodeForbidden, Message: "That isn't a session of yours, so it was not ended. The owner can end it."}
	}
	s.cfg.Log.Info("session ended", "login", x.Login, "by", s.Staff(c).Login)
	return sessions.Delete(ctx, id)
}

// browserOf says in a few words what a request comes from; it proves nothing.
func browserOf(agent string) string {
	find := func(words string, other string) string {
		for pair := range strings.SplitSeq(words, ";") {
			sign, name, _ := strings.Cut(pair, "=")
			if strings.Contains(agent, sign) {
				return name
			}
		}
		return other
	}
	return find("Edg/=Edge;OPR/=Opera;Firefox/=Firefox;Chrome/=Chrome;CriOS/=Chrome;Safari/=Safari", "A browser") + " on " +
		find("iPhone=iPhone;iPad=iPad;Android=Android;Windows=Windows;Mac OS=Mac;CrOS=Chromebook;Linux=Linux", "an unknown device")
}

// begin starts a session of somebody who has proved who they are, in place of the one before.
func (s *Server) begin(c *fiber.Ctx, a Account, x *Session) (*Session, error) {
	ctx, sessions := c.UserContext(), s.cfg.Service.Bucket(bucketSession)
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
	x.Account, x.SignedInAt, x.SeenAt, x.ProvedAt, x.secret = a, now, now, now, secret
	x.Password, x.Browser = "", browserOf(c.Get(fiber.HeaderUserAgent))
	first, err := s.cfg.Service.Bucket(bucketFirst).First(ctx, a.Login, []byte(hashed(secret)))
	if err != nil {
		return nil, err
	}
	x.First = x.First || string(first) == hashed(secret)
	if err := s.keepSession(c, x); err != nil {
		return nil, err
	}
	s.setCookie(c, "staff", secret, now.Add(sessionFor))
	c.Locals(localStaff, x)
	if x.Phone {
		return x, nil // nobody has typed a password here
	}
	return x, s.know(c, a.Login)
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
	if err := getJSON(ctx, sessions, hashed(secret), x); err != nil {
		return nil, err
	}
	// The account as it stands now: a role that was taken away is gone at once.
	var a Account
	if err := getJSON(ctx, s.cfg.Service.Bucket(bucketStaff), x.Login, &a); err != nil || !x.open(a, now) {
		return nil, err
	}
	a.Password = ""
	x.Account, x.secret = a, secret
	if x.Phone {
		x.Role = workflow.RoleBench
	}
	if now.Sub(x.SeenAt) > seenStep {
		x.SeenAt = now
		if err := s.keepSession(c, x); err != nil {
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
		if x.Phone {
			if to, err := phoneMay(c, x); to != "" && c.Method() == fiber.MethodGet {
				return s.Back(c, to)
			} else if err != nil {
				return err
			}
		}
		if s.owes(x) && !strings.HasPrefix(c.Path(), "/counter/account") && c.Path() != "/counter/confirm" && c.Path() != "/counter/sign-out" {
			if c.Method() == fiber.MethodGet || c.Method() == fiber.MethodHead {
				return s.Back(c, "/counter/account")
			}
			return &workflow.Error{Code: workflow.CodeForbidden, Message: "Your account needs a second factor before anything else. Set one up under your name at the foot of the page."}
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
