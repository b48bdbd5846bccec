package portal

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/history"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// publicPage is the base of a page that belongs to no job: in the language that the browser asks for, as
// far as the shop speaks it. Nobody is signed in on a customer's page, whatever cookies came along.
func (s *Server) publicPage(c *fiber.Ctx, title string) templates.Page {
	p := s.Page(c, "")
	p.Staff, p.CSRF = nil, ""
	if l := c.AcceptsLanguages(s.Shop().Languages...); l != "" {
		p.Lang = l
	}
	c.Vary(fiber.HeaderAcceptLanguage)
	if title != "" {
		p.Title = p.T(title)
	}
	p.Shop.Zone = p.Words().Zone(s.Shop().Calendar.Location())
	return p
}

// speaks is where a request keeps the language of the job it is about, for a page that tells of an error.
const speaks = "speaks"

// jobPage is the base of a page about a job: in its customer's language.
func (s *Server) jobPage(c *fiber.Ctx, j *workflow.Job, title string) templates.Page {
	c.Locals(speaks, j.Customer.Language)
	p := templates.Page{Lang: j.Customer.Language, Catalogue: s.cfg.Words, Title: title, Path: c.Path(), Shop: templates.ShopOf(s.Shop())}
	p.Shop.Zone = p.Words().Zone(s.Shop().Calendar.Location())
	return p
}

// found is a public page that search engines may name: nothing on it is anybody's.
func (s *Server) found(c *fiber.Ctx, title string) templates.Page {
	c.Response().Header.Del("X-Robots-Tag")
	return s.publicPage(c, title)
}

func (s *Server) showHome(c *fiber.Ctx) error {
	p := s.found(c, "home.short")
	return s.Render(c, fiber.StatusOK, &templates.Home{Page: p, Days: s.Shop().UsualDays()})
}

func (s *Server) showPacking(c *fiber.Ctx) error {
	return s.Render(c, fiber.StatusOK, &templates.Packing{Page: s.found(c, "base.packing")})
}

// opensOne are the purposes of links that open one page, and nothing else; that page is opened by nothing else.
var opensOne = []link.Purpose{link.Confirm, link.Data}

// opened returns the link in the address, if it opens anything: by default any but those of opensOne.
func (s *Server) opened(c *fiber.Ctx, only ...link.Purpose) (token string, row workflow.LinkRow, err error) {
	token = c.Params("token")
	row, err = s.cfg.Service.Open(c.UserContext(), token)
	opens := only != nil && slices.Contains(only, row.Purpose) || only == nil && !slices.Contains(opensOne, row.Purpose)
	if err == nil && !opens {
		err = workflow.LinkLooks()
	}
	if row.Job != "" && err != nil { // the link was one of ours: its end is told in its holder's language
		if j, gone := s.cfg.Service.Job(c.UserContext(), row.Job); gone == nil {
			c.Locals(speaks, j.Customer.Language)
		}
	}
	return token, row, err
}

// openedJob is opened with the job behind it, for pages that are not kept.
func (s *Server) openedJob(c *fiber.Ctx) (token string, row workflow.LinkRow, j *workflow.Job, err error) {
	c.Set(fiber.HeaderCacheControl, "private, no-cache")
	if token, row, err = s.opened(c); err != nil {
		return token, row, nil, err
	}
	if j, err = s.cfg.Service.Job(c.UserContext(), row.Job); err != nil {
		return token, row, nil, err
	}
	return token, row, j.Seen(row.Purpose), nil
}

func (s *Server) trackOf(page templates.Page, j *workflow.Job, token string, row workflow.LinkRow) *templates.Track {
	l := templates.TrackLink{Token: token, Purpose: row.Purpose, Until: row.ExpiresAt, PushKey: s.cfg.PushKey}
	if f := s.Forecast(); f != nil {
		if o, err := f.Outlook(j, s.Now()); err == nil {
			l.Outlook = &o
		}
	}
	return templates.TrackOf(page, j, s.Shop(), s.Now(), l)
}

// Forecast returns what the shop's history says, nil if nothing yet.
func (s *Server) Forecast() *history.Forecast {
	if s.cfg.Forecast == nil {
		return nil
	}
	return s.cfg.Forecast()
}

// Renewed drops every kept page: there is a new forecast.
func (s *Server) Renewed() { s.common.pages.clear(s.Shop().ID) }

func (s *Server) showTrack(c *fiber.Ctx) error {
	if s.hasFlash(c) {
		token, row, j, err := s.openedJob(c)
		if err != nil {
			return err
		}
		page := s.jobPage(c, j, j.Device.Name())
		page.Flash = s.Page(c, "").Flash
		c.Set(fiber.HeaderCacheControl, "no-store")
		return s.Render(c, fiber.StatusOK, s.trackOf(page, j, token, row))
	}
	token, row, err := s.opened(c)
	if err != nil {
		return err
	}
	return s.keep(c, token, row, func(j *workflow.Job) (templates.View, error) {
		return s.trackOf(s.jobPage(c, j, j.Device.Name()), j, token, row), nil
	})
}

func (s *Server) showLive(c *fiber.Ctx) error {
	token, row, err := s.opened(c)
	if err != nil {
		return err
	}
	return s.live(c, token, row)
}

// reportOf returns the report of a job that the address names.
func reportOf(c *fiber.Ctx, j *workflow.Job) (*workflow.Report, error) {
	n, err := strconv.Atoi(c.Params("n"))
	if err != nil || n < 1 || n > len(j.Reports) {
		return nil, notFound("no_report", "There is no such report on this job.")
	}
	return &j.Reports[n-1], nil
}

func (s *Server) showReport(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	sent, err := reportOf(c, j)
	if err != nil {
		return err
	}
	n := sent.Number
	page := s.jobPage(c, j, "")
	page.Title = page.T("report.title", n)
	v := &templates.ReportPage{
		Page: page, Track: "/j/" + token,
		Report: templates.ReportOf(j, sent, s.Shop(), s.Now(), page.Words(), templates.TrackPhotos(token)),
	}
	v.Paper = "/j/" + token + "/report/" + strconv.Itoa(n) + ".pdf"
	if v.Report.Newer > 0 {
		v.NewerURL = "/j/" + token + "/report/" + strconv.Itoa(v.Report.Newer)
	}
	if row.Purpose == link.Decide && j.Decidable(j.Quote(), s.Now()) {
		v.Decide = "/d/" + token
	}
	return s.Render(c, fiber.StatusOK, v)
}

func (s *Server) showPhoto(c *fiber.Ctx) error {
	_, row, err := s.opened(c)
	if err != nil {
		return err
	}
	j, err := s.cfg.Service.Job(c.UserContext(), row.Job)
	if err != nil {
		return err
	}
	return s.SendPhoto(c, j, c.Params("id"), c.Params("size"))
}

// hasFlash reports whether the step before left a sentence to show.
func (s *Server) hasFlash(c *fiber.Ctx) bool { return c.Cookies(s.cookie("flash")) != "" }

// repeatFor is how long the same form, sent again, counts as the same step: a double click, a reload.
const repeatFor = 10 * time.Minute

// once names a step by what was sent, so that sending it again soon does nothing.
func (s *Server) once(parts ...string) *workflow.Once {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	key := hex.EncodeToString(sum[:])
	return &workflow.Once{Key: "form-" + key[:40], Digest: key, Until: s.Now().Add(repeatFor)}
}

// done takes a step; one that was taken before counts as taken.
func (s *Server) done(err error) error {
	var again *workflow.AlreadyDone
	if errors.As(err, &again) {
		return nil
	}
	return err
}

func (s *Server) postMessage(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	text := c.FormValue("text")
	_, err = s.cfg.Service.Do(c.UserContext(), workflow.Order{
		Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID},
		Commands: []workflow.Command{workflow.SendMessage{Text: text, Question: c.FormValue("question") == "yes"}}, Once: s.once("message", row.ID, strings.TrimSpace(text)),
	})
	if err = s.done(err); err != nil {
		if code := workflow.CodeOf(err); code != workflow.CodeInvalid && code != workflow.CodeRefused {
			return err
		}
		v := s.trackOf(s.jobPage(c, j, j.Device.Name()), j, token, row)
		v.Message, v.Question, v.Errors = text, c.FormValue("question") == "yes", []templates.FieldError{{Field: "text", Message: say(v.Words(), err)}}
		if strings.TrimSpace(text) == "" {
			v.Errors[0].Message = v.T("letter.missing")
		}
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, Status(err), v)
	}
	s.Flash(c, s.jobPage(c, j, "").T("letter.sent"))
	return s.Back(c, "/j/"+token+"#letters")
}
