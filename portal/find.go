package portal

import (
	"context"
	"errors"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

func (s *Server) showFind(c *fiber.Ctx) error {
	return s.Render(c, fiber.StatusOK, &templates.Find{Page: s.publicPage(c, "find.title")})
}

// postFind mails a fresh link if number and address belong together. The answer is the same in every
// case, and so is its time: what has to be looked up and done is done after it.
func (s *Server) postFind(c *fiber.Ctx) error {
	v := &templates.Find{Page: s.publicPage(c, "find.title"), Number: strings.TrimSpace(c.FormValue("number")), Email: strings.TrimSpace(c.FormValue("email"))}
	n, err := workflow.ParseJobNumber(v.Number)
	if err != nil {
		v.Errors = append(v.Errors, templates.FieldError{Field: "number", Message: v.T("find.error.number")})
	}
	if at := strings.LastIndexByte(v.Email, '@'); at < 1 || at == len(v.Email)-1 || len(v.Email) > 254 {
		v.Errors = append(v.Errors, templates.FieldError{Field: "email", Message: v.T("find.error.email")})
	}
	if len(v.Errors) > 0 {
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, fiber.StatusUnprocessableEntity, v)
	}
	email := v.Email
	s.mailLink(n, workflow.Actor{Role: workflow.RoleCustomer, ID: "find"}, func(j *workflow.Job) bool { return strings.EqualFold(j.Customer.Email.Text, email) })
	v.Asked, v.Title = true, v.T("find.asked")
	return s.Render(c, fiber.StatusOK, v)
}

// At most linksAsked mails with a link go out for one job within linksWithin, whoever asks.
const (
	linksAsked  = 3
	linksWithin = time.Hour
)

// mailLink has a job's customer emailed their links, after the answer, if ask says so.
func (s *Server) mailLink(n workflow.JobNumber, by workflow.Actor, ask func(j *workflow.Job) bool) {
	s.later(func(ctx context.Context) {
		j, err := s.cfg.Service.Job(ctx, n)
		if errors.Is(err, workflow.ErrNotFound) || err == nil && (j.Customer.Email.Text == "" || !ask(j)) {
			return
		}
		if err == nil {
			err = s.linkAsked(ctx, n, by)
		}
		if err != nil {
			s.cfg.Log.Error("a link that was asked for was not emailed", "job", n, "cause", err)
		}
	})
}

func (s *Server) linkAsked(ctx context.Context, n workflow.JobNumber, by workflow.Actor) error {
	count, err := s.cfg.Service.Bucket("find").Count(ctx, string(n), linksWithin)
	if err != nil || count > linksAsked {
		return err
	}
	_, err = s.cfg.Service.Do(ctx, workflow.Order{Job: n, By: by, Commands: []workflow.Command{workflow.AskLink{}}})
	return err
}

// Wait waits for what is being done after answers have gone out.
func (s *Server) Wait() { s.work.Wait() }

// later does something after the answer has gone out; Shutdown waits for it.
func (s *Server) later(do func(ctx context.Context)) {
	s.ending.Lock()
	defer s.ending.Unlock()
	if s.over {
		return // nobody waits for it any more
	}
	s.work.Add(1)
	go func() {
		defer s.work.Done()
		defer func() {
			if r := recover(); r != nil {
				s.cfg.Log.Error("work after an answer panicked", "cause", r)
			}
		}()
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		do(ctx)
	}()
}
