package portal

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base32"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
	"github.com/pquerna/otp"
	"github.com/pquerna/otp/totp"
)

// Who is asked for a second factor: those with one are always asked for it, and those of whom one is demanded can do nothing
// but set one up. An account's first sign-in is let in without, or nobody could ever set one up.
const (
	FactorOwner     = "owner"
	FactorEverybody = "everybody"
	FactorNobody    = "nobody"
)

const (
	bucketApp      = "totp"
	bucketNewApp   = "totp-new"
	bucketRecovery = "recovery"
	bucketHalf     = "half" // who has given a password, and not yet the second factor
)

const (
	halfFor   = 10 * time.Minute
	appStep   = 30 * time.Second
	recoverBy = 10 // recovery codes
)

// app is what is kept of an authenticator app.
type app struct {
	Secret string `json:"secret"`
	// Step is the last one whose code was taken; none up to it is taken again.
	Step int64 `json:"step"`
}

// codes are the digests of the recovery codes left.
type codes struct {
	Hashes []string `json:"hashes"`
}

// Factors are somebody's second factors.
type Factors struct {
	App      bool
	Codes    int
	Passkeys []Passkey
}

// Any reports whether there is one to be asked for.
func (f Factors) Any() bool { return f.App || len(f.Passkeys) > 0 }

// FindFactors returns somebody's second factors.
func FindFactors(ctx context.Context, s *workflow.Service, login string) (f Factors, err error) {
	var a app
	var c codes
	if f.App, err = lookUp(ctx, s.Bucket(bucketApp), login, &a); err != nil {
		return f, err
	}
	if _, err = lookUp(ctx, s.Bucket(bucketRecovery), login, &c); err != nil {
		return f, err
	}
	f.Codes = len(c.Hashes)
	f.Passkeys, err = passkeysOf(ctx, s, login)
	return f, err
}

// RemoveFactors forgets all second factors of somebody who has lost them. Whoever does it has made sure who asks.
func RemoveFactors(ctx context.Context, s *workflow.Service, login string) error {
	login = cleanLogin(login)
	if err := deleteOf(ctx, s.Bucket(bucketPasskey), login); err != nil {
		return err
	}
	return errors.Join(s.Bucket(bucketApp).Delete(ctx, login), s.Bucket(bucketRecovery).Delete(ctx, login))
}

// owes reports whether a session can do nothing but set a second factor up.
func (s *Server) owes(x *Session) bool {
	return x != nil && !x.Token && !x.Phone && x.Factor == "" && !x.First && s.Demanded(x.Role)
}

// Demanded reports whether a role has to have a second factor.
func (s *Server) Demanded(r workflow.Role) bool {
	return s.cfg.SecondFactor == FactorEverybody || s.cfg.SecondFactor == FactorOwner && r == workflow.RoleOwner
}

// appCode returns the step within reach whose code this is, 0 if none.
//
// # Decisions
//
//   - 2026-11-30: A code is taken in its own half minute and the ones before and after, as RFC 6238 allows for clocks
//     that differ and fingers that are slow, each once and none older than the last one taken. ASVS V6.5.5 asks for 30
//     seconds: not followed, since a phone's clock half a minute off would lock its owner out.
func appCode(secret, code string, now time.Time) int64 {
	code = strings.Join(strings.Fields(code), "")
	if len(code) != 6 {
		return 0
	}
	at := now.Unix() / int64(appStep/time.Second)
	for _, step := range []int64{at, at - 1, at + 1} {
		want, err := totp.GenerateCodeCustom(secret, time.Unix(step*int64(appStep/time.Second), 0), totp.ValidateOpts{Digits: otp.DigitsSix})
		if err == nil && subtle.ConstantTimeCompare([]byte(want), []byte(code)) == 1 {
			return step
		}
	}
	return 0
}

// takeApp takes a code of somebody's app, once.
func (s *Server) takeApp(ctx context.Context, login, code string) (bool, error) {
	var a app
	if there, err := lookUp(ctx, s.cfg.Service.Bucket(bucketApp), login, &a); err != nil || !there {
		return false, err
	}
	step := appCode(a.Secret, code, s.Now())
	if step <= a.Step {
		return false, nil
	}
	// Two servers at one time have both read the step before.
	first, err := once(ctx, s.cfg.Service, "totp", login+" "+strconv.FormatInt(step, 10), time.Hour)
	if err != nil || !first {
		return false, err
	}
	a.Step = step
	return true, putJSON(ctx, s.cfg.Service.Bucket(bucketApp), login, a, time.Time{})
}

// takeRecovery takes one of somebody's recovery codes, once.
func (s *Server) takeRecovery(ctx context.Context, login, code string) (bool, error) {
	var c codes
	if there, err := lookUp(ctx, s.cfg.Service.Bucket(bucketRecovery), login, &c); err != nil || !there {
		return false, err
	}
	// A person may type it in either case, with 0 and 1 for the letters that look like them, which base32 has instead.
	code = strings.NewReplacer(" ", "", "-", "", "0", "O", "1", "I").Replace(strings.ToUpper(code))
	i := slices.Index(c.Hashes, hashed(code))
	if i < 0 {
		return false, nil
	}
	first, err := once(ctx, s.cfg.Service, "recovery", login+" "+c.Hashes[i], 365*24*time.Hour)
	if err != nil || !first {
		return false, err
	}
	c.Hashes = slices.Delete(c.Hashes, i, i+1)
	return true, putJSON(ctx, s.cfg.Service.Bucket(bucketRecovery), login, c, time.Time{})
}

// ErrSecond says that the password was right and the second factor is asked for next.
var ErrSecond = errors.New("the second factor is asked for")

// half is somebody who has given the first of two factors.
type half struct {
	Login string    `json:"login"`
	At    time.Time `json:"at"`
}

// askSecond remembers that a browser has given a person's password.
func (s *Server) askSecond(c *fiber.Ctx, a Account) error {
	secret, err := newSecret(rand.Reader)
	if err != nil {
		return err
	}
	until := s.Now().Add(halfFor)
	if err := putJSON(c.UserContext(), s.cfg.Service.Bucket(bucketHalf), hashed(secret), half{a.Login, s.Now()}, until); err != nil {
		return err
	}
	s.setCookie(c, "half", secret, until)
	return ErrSecond
}

// Half returns whose password this browser has given, for the page that asks for the second factor. Error: ErrNotFound.
func (s *Server) Half(c *fiber.Ctx) (Account, error) {
	ctx := c.UserContext()
	var h half
	if err := getJSON(ctx, s.cfg.Service.Bucket(bucketHalf), hashed(c.Cookies(s.cookie("half"))), &h); err != nil {
		return Account{}, err
	}
	a, err := FindStaff(ctx, s.cfg.Service, h.Login)
	if err == nil && (a.Locked || a.MadeAt.After(h.At)) {
		err = workflow.ErrNotFound
	}
	return a, err
}

// Second checks a code of the app, or a recovery code, and signs in who gave their password before.
func (s *Server) Second(c *fiber.Ctx, code string) (*Session, error) {
	ctx := c.UserContext()
	a, err := s.Half(c)
	if err != nil {
		return nil, err
	}
	if err := s.beginTry(ctx, "code", a.Login); err != nil {
		return nil, err
	}
	how := "app"
	ok, err := s.takeApp(ctx, a.Login, code)
	if err == nil && !ok {
		how = "recovery"
		ok, err = s.takeRecovery(ctx, a.Login, code)
	}
	if err != nil {
		return nil, err
	}
	if !ok {
		s.failedTry(ctx, "code", a.Login)
		s.cfg.Log.Warn("second factor refused", "login", a.Login, "from", s.address(c))
		return nil, &workflow.Error{Code: workflow.CodeForbidden, Field: "code", Message: "That code doesn't fit, or has been used. Wait for the next one, and check the clock of your phone."}
	}
	return s.signInWhole(c, a, how)
}

// signInWhole signs in who has given both factors.
func (s *Server) signInWhole(c *fiber.Ctx, a Account, how string) (*Session, error) {
	s.passedTry(c.UserContext(), "code", a.Login)
	s.cfg.Log.Info("signed in", "login", a.Login, "factor", how, "from", s.address(c))
	if err := s.cfg.Service.Bucket(bucketHalf).Delete(c.UserContext(), hashed(c.Cookies(s.cookie("half")))); err != nil {
		return nil, err
	}
	s.setCookie(c, "half", "", time.Unix(1, 0))
	return s.begin(c, a, &Session{Factor: how})
}

// NewApp returns the secret of an app that who is signed in sets up, and the address that the app reads it from. It counts
// once a code of it was typed; until then the same one comes again.
func (s *Server) NewApp(c *fiber.Ctx) (secret, address string, err error) {
	x := s.Staff(c)
	var a app
	waiting := s.cfg.Service.Bucket(bucketNewApp)
	there, err := lookUp(c.UserContext(), waiting, hashed(x.secret), &a)
	if err == nil && !there {
		var b [20]byte
		if _, err = io.ReadFull(rand.Reader, b[:]); err != nil {
			return "", "", err
		}
		a.Secret = base32.StdEncoding.EncodeToString(b[:])
		err = putJSON(c.UserContext(), waiting, hashed(x.secret), a, s.Now().Add(halfFor))
	}
	if err != nil {
		return "", "", err
	}
	raw, err := base32.StdEncoding.DecodeString(a.Secret)
	if err != nil {
		return "", "", err
	}
	key, err := totp.Generate(totp.GenerateOpts{Issuer: s.Shop().Name, AccountName: x.Login, Secret: raw})
	if err != nil {
		return "", "", err
	}
	return a.Secret, key.URL(), nil
}

// FinishApp makes the app that was set up a factor, if this is a code of it, and returns new recovery codes.
func (s *Server) FinishApp(c *fiber.Ctx, code string) ([]string, error) {
	ctx, x := c.UserContext(), s.Staff(c)
	var a app
	waiting := s.cfg.Service.Bucket(bucketNewApp)
	if _, err := lookUp(ctx, waiting, hashed(x.secret), &a); err != nil {
		return nil, err
	}
	if a.Step = appCode(a.Secret, code, s.Now()); a.Secret == "" || a.Step == 0 {
		return nil, &workflow.Error{Code: workflow.CodeForbidden, Field: "code", Message: "That isn't the app's code now. Type the six digits that it shows, and check the clock of your phone."}
	}
	if err := putJSON(ctx, s.cfg.Service.Bucket(bucketApp), x.Login, a, time.Time{}); err != nil {
		return nil, err
	}
	if err := waiting.Delete(ctx, hashed(x.secret)); err != nil {
		return nil, err
	}
	s.cfg.Log.Info("second factor set up", "login", x.Login, "factor", "app", "from", s.address(c))
	x.Factor = "app"
	if err := s.keepSession(c, x); err != nil {
		return nil, err
	}
	return s.NewCodes(c)
}

// RemoveApp forgets the app of who is signed in.
func (s *Server) RemoveApp(c *fiber.Ctx) error {
	x := s.Staff(c)
	s.cfg.Log.Info("second factor removed", "login", x.Login, "factor", "app", "from", s.address(c))
	if err := s.cfg.Service.Bucket(bucketApp).Delete(c.UserContext(), x.Login); err != nil {
		return err
	}
	return s.still(c, x)
}

// still looks whether a session has a factor left.
func (s *Server) still(c *fiber.Ctx, x *Session) error {
	f, err := FindFactors(c.UserContext(), s.cfg.Service, x.Login)
	if err != nil || f.Any() {
		return err
	}
	x.Factor = ""
	return s.keepSession(c, x)
}

// NewCodes gives who is signed in new recovery codes, in place of those before. Each has 120 random bits, above the 112
// from which ASVS V6.5.2 takes a plain digest.
func (s *Server) NewCodes(c *fiber.Ctx) ([]string, error) {
	var kept codes
	var out []string
	for range recoverBy {
		var b [15]byte
		if _, err := io.ReadFull(rand.Reader, b[:]); err != nil {
			return nil, err
		}
		code := base32.StdEncoding.EncodeToString(b[:])
		kept.Hashes = append(kept.Hashes, hashed(code))
		out = append(out, InFours(code))
	}
	return out, putJSON(c.UserContext(), s.cfg.Service.Bucket(bucketRecovery), s.Staff(c).Login, kept, time.Time{})
}

// InFours puts a blank after each four letters.
func InFours(code string) string {
	var out []string
	for part := range slices.Chunk([]byte(code), 4) {
		out = append(out, string(part))
	}
	return strings.Join(out, " ")
}
