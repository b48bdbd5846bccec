package portal

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// Deciding takes steps that a program which follows links and sends forms does not take by accident: a form,
// a summary, and the summary's own button. Only a POST with that button decides. It names the digest of the
// revision that was read and the sum that stood on the button, so it can't decide on another one, and counts
// once however often it is sent.
//
// Decisions:
//   - 2026-11-30: One option is chosen beforehand, several are not; the name is filled in, for the link went to
//     the address on file, and nothing is ticked. The summary says again what a tick would, and its button names
//     the sum. Rejected: a tick and a typed name, which repeat the summary and cost a tap and the
//     typing on a phone.

// answerable is a quote page's ground: the link, the job, and the revision that the link is for.
type answerable struct {
	token string
	row   workflow.LinkRow
	j     *workflow.Job
	q     *workflow.Quote
}

// ended answers with what became of the revision that a link is for.
func (s *Server) ended(c *fiber.Ctx, j *workflow.Job, revision int) error {
	page := s.jobPage(c, j, "")
	v := templates.QuoteEndedOf(page, j, revision, page.Words())
	v.Title = v.Heading
	return s.Render(c, fiber.StatusGone, v)
}

// decideLink opens the decide link in the address. Where the revision can't be shown any more it has
// answered already, and a is nil.
func (s *Server) decideLink(c *fiber.Ctx) (a *answerable, err error) {
	token, row, j, err := s.openedJob(c)
	if errors.Is(err, workflow.ErrGone) && row.Purpose == link.Decide {
		if j, err = s.cfg.Service.Job(c.UserContext(), row.Job); err != nil {
			return nil, err
		}
		return nil, s.ended(c, j, row.Quote)
	}
	if err != nil {
		return nil, err
	}
	if row.Purpose != link.Decide {
		return nil, lookOnly(s.jobPage(c, j, ""))
	}
	q := j.Quote()
	if q == nil || q.Revision != row.Quote {
		return nil, s.ended(c, j, row.Quote)
	}
	return &answerable{token, row, j, q}, nil
}

// lookOnly refuses to decide by a link that can only look.
func lookOnly(page templates.Page) error {
	return &workflow.Error{Code: workflow.CodeForbidden, Reason: "look", Message: page.T("error.look")}
}

// quotePage shows the revision with the ways to answer it.
func (s *Server) quotePage(c *fiber.Ctx, a *answerable) *templates.QuotePage {
	page := s.jobPage(c, a.j, "")
	page.Title = page.T("quote.title")
	w, loc := page.Words(), s.Shop().Calendar.Location()
	v := &templates.QuotePage{
		Page: page, Number: a.j.Number.Shown(), Device: a.j.Device.Name(), Quote: templates.QuoteOf(a.j, a.q, s.Shop(), s.Now(), w),
		Act: "/d/" + a.token, Track: "/j/" + a.token,
	}
	v.Papers = templates.PaperLinks(s.Shop(), v.Act+"/", w)
	if n := a.j.ReportWith(a.q); n > 0 {
		v.Report = v.Track + "/report/" + strconv.Itoa(n)
	}
	v.Round = a.j.Undone(a.q.Revision)
	v.Name = a.j.Customer.Name.Text
	v.DeclineName = v.Name
	if len(a.q.Options) == 1 {
		v.Option = a.q.Options[0].Key
	}
	if d := a.j.AnswerTo(a.q.Revision); d != nil {
		if s.Now().Before(a.j.UndoUntil(s.Shop())) {
			v.Receipt = v.Act + "/done"
		}
		when := w.DateTime(d.At, loc)
		if o := a.q.Option(d.Option); d.Verdict == workflow.VerdictApprove && o != nil {
			v.Answered = w.T("quote.answered.approve", templates.OptionNamed(o, w), when)
		} else if d.Kept > 0 {
			v.Answered = w.T("quote.answered.kept", when)
		} else {
			v.Answered = w.T("quote.answered.decline", when)
		}
	} else if v.Quote.Answerable && a.j.OpenQuestion() != nil {
		v.Asked = w.T("quote.asked")
	}
	return v
}

func (s *Server) showQuote(c *fiber.Ctx) error {
	a, err := s.decideLink(c)
	if a == nil {
		return err
	}
	v := s.quotePage(c, a)
	if s.hasFlash(c) {
		v.Flash = s.Page(c, "").Flash
	}
	return s.Render(c, fiber.StatusOK, v)
}

// answer is what was sent from the quote page or the summary.
type answer struct {
	verdict                     workflow.Verdict
	digest, option, name, words string
	sum                         string // on the summary's button
	confirm                     bool
	round                       int
}

func readAnswer(c *fiber.Ctx) answer {
	return answer{
		verdict: workflow.Verdict(c.FormValue("verdict")), digest: c.FormValue("digest"), option: c.FormValue("option"),
		name: strings.TrimSpace(c.FormValue("name")), words: strings.TrimSpace(c.FormValue("words")),
		sum: c.FormValue("sum"), confirm: c.FormValue("confirm") == "yes", round: whole(c.FormValue("round")),
	}
}

// whole reads a number that a form carried; what is no number is 0, and then fits no round but the first.
func whole(s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		return 0
	}
	return n
}

// fill puts what was typed back into the page.
func (a answer) fill(v *templates.QuotePage) {
	switch a.verdict {
	case workflow.VerdictApprove:
		v.Option, v.Name = a.option, a.name
	case workflow.VerdictDecline:
		v.DeclineName, v.Remark, v.Declining = a.name, a.words, true
	case workflow.VerdictAsk:
		v.Question = a.words
	}
}

// missing lists what the answer lacks to be one, as keys of sentences.
func (a answer) missing(q *workflow.Quote) []templates.FieldError {
	var out []templates.FieldError
	need := func(ok bool, field, key string) {
		if !ok {
			out = append(out, templates.FieldError{Field: field, Message: key})
		}
	}
	switch a.verdict {
	case workflow.VerdictApprove:
		need(q.Option(a.option) != nil, "option", "error.option")
		need(a.name != "", "name", "error.name")
	case workflow.VerdictDecline:
		need(a.name != "", "decline-name", "error.name")
	case workflow.VerdictAsk:
		need(a.words != "", "words", "error.words")
	default:
		need(false, "", "error.again")
	}
	return out
}

// unanswered shows the quote page again, with what was typed and what is wrong with it, as keys of sentences or
// as these themselves.
func (s *Server) unanswered(c *fiber.Ctx, status int, a *answerable, x answer, errs ...templates.FieldError) error {
	v := s.quotePage(c, a)
	x.fill(v)
	for i := range errs {
		if v.Words().Has(errs[i].Message) {
			errs[i].Message = v.T(errs[i].Message)
		}
	}
	v.Errors = errs
	v.Title = v.T("form.titled", v.Title)
	v.Asked = ""
	return s.Render(c, status, v)
}

// stale refuses an answer to a revision that is not the one shown, or that can't be answered any more.
// It reports whether it answered.
func (s *Server) stale(c *fiber.Ctx, a *answerable, x answer) (bool, error) {
	if x.digest != a.q.Digest {
		return true, s.unanswered(c, fiber.StatusConflict, a, answer{}, templates.FieldError{Message: "error.changed"})
	}
	if !a.j.Decidable(a.q, s.Now()) {
		return true, s.Render(c, fiber.StatusConflict, s.quotePage(c, a))
	}
	return false, nil
}

// postReview shows the summary of an answer. It changes nothing.
func (s *Server) postReview(c *fiber.Ctx) error {
	a, err := s.decideLink(c)
	if a == nil {
		return err
	}
	x := readAnswer(c)
	if done, err := s.stale(c, a, x); done {
		return err
	}
	if c.FormValue("back") == "yes" { // from the summary, to change something
		v := s.quotePage(c, a)
		x.fill(v)
		return s.Render(c, fiber.StatusOK, v)
	}
	if errs := x.missing(a.q); len(errs) > 0 || x.verdict == workflow.VerdictAsk {
		return s.unanswered(c, fiber.StatusUnprocessableEntity, a, x, errs...)
	}
	return s.Render(c, fiber.StatusOK, s.review(c, a, x))
}

// review is the summary of an answer: what is shown above the button, and kept with the decision.
func (s *Server) review(c *fiber.Ctx, a *answerable, x answer) *templates.QuoteReview {
	page := s.jobPage(c, a.j, "")
	page.Title = page.T("review.title")
	r := templates.ReviewOf(page, a.j, a.q, s.Shop(), s.Now(), x.verdict, x.option, page.Words())
	r.Act, r.Name, r.Remark = "/d/"+a.token, x.name, x.words
	return r
}

// postDecision decides, or passes a question on.
func (s *Server) postDecision(c *fiber.Ctx) error {
	a, err := s.decideLink(c)
	if a == nil {
		return err
	}
	x := readAnswer(c)
	// A yes or no that was given already, and comes again, is left to the domain to recognise.
	answered := a.j.AnswerTo(a.q.Revision) != nil
	if !answered || x.verdict == workflow.VerdictAsk {
		if done, err := s.stale(c, a, x); done {
			return err
		}
	}
	if errs := x.missing(a.q); len(errs) > 0 {
		return s.unanswered(c, fiber.StatusUnprocessableEntity, a, x, errs...)
	}
	if x.verdict != workflow.VerdictAsk && !x.confirm {
		return s.unanswered(c, fiber.StatusUnprocessableEntity, a, x, templates.FieldError{Message: "error.again"})
	}
	d := workflow.Decide{
		Verdict: x.verdict, Digest: x.digest, Name: x.name, Words: x.words, Address: s.address(c), Agent: c.Get(fiber.HeaderUserAgent), Round: x.round,
	}
	if x.verdict == workflow.VerdictApprove {
		d.Option = x.option
	}
	if x.verdict != workflow.VerdictAsk {
		summary := s.review(c, a, x)
		if !answered && x.sum != summary.Sum {
			return s.unanswered(c, fiber.StatusConflict, a, answer{}, templates.FieldError{Message: "error.changed"})
		}
		d.Shown, d.Filled = summary.Text(), x.name == a.j.Customer.Name.Text
	}
	o := workflow.Order{Job: a.row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: a.row.ID}, Commands: []workflow.Command{d}}
	if x.verdict == workflow.VerdictAsk {
		o.Once = s.once("ask", a.row.ID, x.digest, x.words)
	}
	if _, err = s.cfg.Service.Do(c.UserContext(), o); s.done(err) != nil {
		return s.notDecided(c, a, x, err)
	}
	if x.verdict == workflow.VerdictAsk {
		return s.Back(c, "/d/"+a.token)
	}
	return s.Back(c, "/d/"+a.token+"/done")
}

// notDecided tells the truth about an answer that was not taken: as things stand now, which may be
// otherwise than a moment ago.
func (s *Server) notDecided(c *fiber.Ctx, a *answerable, x answer, cause error) error {
	if workflow.CodeOf(cause) == workflow.CodeInternal {
		return cause
	}
	now, err := s.decideLink(c)
	if now == nil {
		return err
	}
	field := FieldOf(cause)
	if field == "name" && x.verdict == workflow.VerdictDecline {
		field = "decline-name"
	}
	return s.unanswered(c, Status(cause), now, x, templates.FieldError{Field: field, Message: say(s.jobPage(c, now.j, "").Words(), cause)})
}

// receipt opens the receipt of a decision. It stays as long as the link would have lived, although the
// link itself may have ended with the decision. Where there is none it has answered already, and j is nil.
func (s *Server) receipt(c *fiber.Ctx) (v *templates.QuoteDone, row workflow.LinkRow, j *workflow.Job, err error) {
	token, row, j, err := s.openedJob(c)
	live := err == nil
	if errors.Is(err, workflow.ErrGone) && row.Purpose == link.Decide && s.Now().Before(row.ExpiresAt) {
		j, err = s.cfg.Service.Job(c.UserContext(), row.Job)
	}
	if err != nil {
		return nil, row, nil, err
	}
	if row.Purpose != link.Decide {
		return nil, row, nil, lookOnly(s.jobPage(c, j, ""))
	}
	c.Set(fiber.HeaderCacheControl, "no-store") // it says who answered, and from where
	d := j.AnswerTo(row.Quote)
	if d == nil || row.Quote > len(j.Quotes) {
		return nil, row, nil, s.Back(c, "/d/"+token)
	}
	page := s.jobPage(c, j, "")
	page.Title = page.T("done.title")
	v = templates.DoneOf(page, j, &j.Quotes[row.Quote-1], d, s.Shop(), s.Now(), page.Words())
	v.Act = "/d/" + token
	if live {
		v.Track = "/j/" + token
	} else {
		v.Undo = ""
	}
	return v, row, j, nil
}

func (s *Server) showDone(c *fiber.Ctx) error {
	v, _, j, err := s.receipt(c)
	if j == nil {
		return err
	}
	return s.Render(c, fiber.StatusOK, v)
}

// postUndo takes an answer back. Like deciding it takes a deliberate tick, so that no program that sends
// forms as they stand does it.
func (s *Server) postUndo(c *fiber.Ctx) error {
	x := workflow.UndoDecision{Digest: c.FormValue("digest"), Round: whole(c.FormValue("round")), Address: s.address(c), Agent: c.Get(fiber.HeaderUserAgent)}
	refuse := func(status int, e templates.FieldError) error {
		v, _, j, err := s.receipt(c)
		if j == nil {
			return err
		}
		if e.Message == "" {
			e.Message = v.T("undo.missing")
		}
		v.Errors = []templates.FieldError{e}
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, status, v)
	}
	if c.FormValue("undo") != "yes" {
		return refuse(fiber.StatusUnprocessableEntity, templates.FieldError{Field: "undo"})
	}
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	_, err = s.cfg.Service.Do(c.UserContext(), workflow.Order{Job: row.Job, By: workflow.Actor{Role: workflow.RoleCustomer, ID: row.ID}, Commands: []workflow.Command{x}})
	if code := workflow.CodeOf(err); err != nil && code != workflow.CodeInternal {
		return refuse(Status(err), templates.FieldError{Message: say(s.jobPage(c, j, "").Words(), err)})
	}
	if err != nil {
		return err
	}
	s.Flash(c, s.jobPage(c, j, "").T("undo.done"))
	return s.Back(c, "/d/"+token)
}

// showQuotePaper returns the revision as a PDF file, in one of the forms that the shop gives.
func (s *Server) showQuotePaper(c *fiber.Ctx) error {
	a, err := s.decideLink(c)
	if a == nil {
		return err
	}
	return s.SendQuotePaper(c, a.j, a.q, c.Params("form"), s.cfg.Words.For(a.j.Customer.Language))
}

// SendQuotePaper sends a revision of the quote as PDF. The job is one that is stored.
func (s *Server) SendQuotePaper(c *fiber.Ctx, j *workflow.Job, q *workflow.Quote, name string, w *locale.Words) error {
	form := templates.QuoteForm(name)
	if !slices.Contains(templates.QuoteForms(s.Shop()), form) {
		return notFound("no_paper", "There is no such paper.")
	}
	return s.SendPaper(c, j, fmt.Sprint("quote ", q.Revision, " ", form, " ", w.Lang), string(form)+"-"+string(j.Number)+"-"+strconv.Itoa(q.Revision)+".pdf",
		func(templates.PhotoBytes) ([]byte, error) { return templates.QuotePaper(j, q, s.Shop(), form, w) })
}
