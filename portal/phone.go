package portal

import (
	"context"
	"errors"
	"strings"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// A phone at the bench is signed in by a code that a desk shows: for twelve hours, for one job or for all, and with what
// the bench may do, whoever made the code. It can't change accounts, and can be ended from the desk like any session.

const (
	bucketPhone  = "phone"
	phoneCodeFor = 10 * time.Minute
	phoneFor     = 12 * time.Hour
)

// PhoneCode says whom a code signs a phone in as, and for which job; "" is for all.
type PhoneCode struct {
	Login string             `json:"login"`
	Job   workflow.JobNumber `json:"job,omitempty"`
	At    time.Time          `json:"at"`
}

// NewPhone makes the address that signs a phone in as who is signed in here, once.
func (s *Server) NewPhone(c *fiber.Ctx, job workflow.JobNumber) (string, error) {
	secret, err := newSecret(s.cfg.Service.Random)
	if err != nil {
		return "", err
	}
	code := PhoneCode{s.Staff(c).Login, job, s.Now()}
	return s.Shop().BaseURL + "/counter/phone/" + secret, putJSON(c.UserContext(), s.cfg.Service.Bucket(bucketPhone), hashed(secret), code, s.Now().Add(phoneCodeFor))
}

// FindPhone returns what a code is for, and whose it is.
func (s *Server) FindPhone(ctx context.Context, secret string) (p PhoneCode, a Account, err error) {
	if err = getJSON(ctx, s.cfg.Service.Bucket(bucketPhone), hashed(secret), &p); err == nil {
		a, err = FindStaff(ctx, s.cfg.Service, p.Login)
	}
	if err == nil && (a.Locked || a.MadeAt.After(p.At)) {
		err = workflow.ErrNotFound
	}
	if errors.Is(err, workflow.ErrNotFound) {
		err = &workflow.Error{Code: workflow.CodeNotFound, Message: "This code has been used, or its ten minutes are over. Show a new one at the desk.", Err: err}
	}
	return p, a, err
}

// UsePhone signs this phone in, by a code that is then over.
func (s *Server) UsePhone(c *fiber.Ctx, secret string) (PhoneCode, error) {
	ctx := c.UserContext()
	p, a, err := s.FindPhone(ctx, secret)
	if err != nil {
		return p, err
	}
	if first, err := once(ctx, s.cfg.Service, "phone", hashed(secret), 2*phoneCodeFor); err != nil {
		return p, err
	} else if !first {
		return p, &workflow.Error{Code: workflow.CodeConflict, Message: "This code has just been used. Show a new one at the desk."}
	}
	if err := s.cfg.Service.Bucket(bucketPhone).Delete(ctx, hashed(secret)); err != nil {
		return p, err
	}
	s.cfg.Log.Info("signed in", "login", a.Login, "phone", true, "job", p.Job, "from", s.address(c))
	_, err = s.begin(c, a, &Session{Phone: true, Job: p.Job, Until: s.Now().Add(phoneFor)})
	return p, err
}

// phoneMay says what keeps a phone away from an address, and where it is sent instead.
func phoneMay(c *fiber.Ctx, x *Session) (to string, err error) {
	if c.Path() == "/counter/sign-out" {
		return "", nil
	}
	for _, account := range []string{"/counter/account", "/counter/confirm", "/counter/phone"} {
		if strings.HasPrefix(c.Path(), account) {
			return "", &workflow.Error{Code: workflow.CodeForbidden, Message: "This phone was signed in from the desk, for work at the bench. Accounts are changed at the desk."}
		}
	}
	if n, err := workflow.ParseJobNumber(c.Params("number")); x.Job == "" || err == nil && n == x.Job {
		return "", nil
	}
	return "/counter/job/" + string(x.Job), &workflow.Error{Code: workflow.CodeForbidden, Message: "This phone was signed in for one job only. Show a code for all of them at the desk."}
}
