package counter

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/portal"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// A draft is a findings report or a quote that is being written. It belongs to the job, not to its
// writer: the bench writes, the counter looks at it and sends it. It changes nothing on the job.
type draft struct {
	Values url.Values `json:"values"`
	By     string     `json:"by"`
	At     time.Time  `json:"at"`
}

type draftKind string

const (
	draftReport draftKind = "report"
	draftQuote  draftKind = "quote"
)

var draftKinds = []draftKind{draftReport, draftQuote}

const (
	bucketDraft = "draft"
	draftFor    = 60 * 24 * time.Hour
)

func (x *counter) draft(ctx context.Context, n workflow.JobNumber, kind draftKind) (*draft, error) {
	b, err := x.s.Service().Store.GetKey(ctx, x.s.Shop().ID, bucketDraft, string(n)+"/"+string(kind), x.s.Now())
	if errors.Is(err, workflow.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	d := &draft{}
	if err := json.Unmarshal(b, d); err != nil {
		return nil, err
	}
	return d, nil
}

// keepDraft keeps what was typed, without the form's own fields.
func (x *counter) keepDraft(r *request, kind draftKind) error {
	v := url.Values{}
	for k, s := range r.form.Values {
		switch k {
		case "csrf", "once", "v", "do":
		default:
			v[k] = s
		}
	}
	b, err := json.Marshal(draft{Values: v, By: x.s.Actor(r.c).ID, At: x.s.Now()})
	if err != nil {
		return err
	}
	return x.s.Service().Store.PutKey(r.c.UserContext(), x.s.Shop().ID, bucketDraft, string(r.job.Number)+"/"+string(kind), b, x.s.Now().Add(draftFor))
}

func (x *counter) dropDraft(r *request, kind draftKind) error {
	return x.s.Service().Store.DeleteKey(r.c.UserContext(), x.s.Shop().ID, bucketDraft, string(r.job.Number)+"/"+string(kind))
}

func (r *request) drafted(d *draft) string {
	if d == nil {
		return ""
	}
	return "Kept by " + d.By + ", " + templates.MomentOf(d.At, r.now(), r.shop()) + "."
}

func reportText(v url.Values) workflow.ReportText {
	return workflow.ReportText{
		Short: v.Get("short"), Cause: v.Get("cause"), Certainty: workflow.Certainty(v.Get("certainty")),
		Proposal: v.Get("proposal"), Next: v.Get("next"),
	}
}

// reportHints looks at everything in the report that the bench wrote by hand.
func reportHints(j *workflow.Job, t workflow.ReportText) []templates.Hint {
	var out []templates.Hint
	lang := j.Customer.Language
	out = append(out, hints("short", "The short answer", t.Short, lang)...)
	out = append(out, hints("cause", "What we think is wrong", t.Cause, lang)...)
	out = append(out, hints("proposal", "What we propose", t.Proposal, lang)...)
	out = append(out, hints("next", "What happens next", t.Next, lang)...)
	for _, f := range j.Findings {
		if !f.Withdrawn {
			out = append(out, hints("", "Finding "+strconv.Itoa(f.ID), f.Text+"\n"+f.Matters, lang)...)
		}
	}
	return out
}

var reportStages = []workflow.Stage{workflow.StageDiagnosing, workflow.StageRepairing, workflow.StageTesting}

func in(s workflow.Stage, of []workflow.Stage) bool {
	for _, x := range of {
		if x == s {
			return true
		}
	}
	return false
}

var reportTask = &task{
	path: "report", then: "report",
	view: func(r *request) (templates.View, error) {
		d, err := r.x.draft(r.c.UserContext(), r.job.Number, draftReport)
		if err != nil {
			return nil, err
		}
		if d != nil && !r.refused {
			r.form.Values = d.Values
		}
		v := &templates.CounterReport{Number: len(r.job.Reports) + 1, Drafted: r.drafted(d), Sendable: in(r.job.Stage, reportStages)}
		all := templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now())
		for _, f := range all.Findings {
			if f.Withdrawn == "" {
				v.Findings = append(v.Findings, f)
			}
		}
		v.Suspects = all.Suspects
		v.Hints = reportHints(r.job, reportText(r.form.Values))
		v.Reading = r.reading(reportText(r.form.Values))
		v.JobPage = r.title("Findings report")
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		for _, f := range []struct{ name, what string }{{"short", "The short answer"}, {"cause", "What we think is wrong"}, {"proposal", "What we propose"}, {"next", "What happens next"}} {
			if n := len([]rune(r.value(f.name))); n > workflow.MaxText {
				r.form.Add(f.name, fmt.Sprintf("%s is too long: %d characters, at most %d fit.", f.what, n, workflow.MaxText))
			}
		}
		look := r.value("do") == "look"
		if look && strings.TrimSpace(r.value("short")) == "" {
			r.form.Add("short", "The short answer is missing: one or two sentences that a customer wants to read first.")
		}
		if r.form.Bad() {
			return nil, nil
		}
		if err := r.x.keepDraft(r, draftReport); err != nil {
			return nil, err
		}
		r.said, r.then = "The draft is kept.", "report"
		switch r.value("do") {
		case "look":
			r.said, r.then = "", "report/preview"
		case "quote":
			r.said, r.then = "The draft of the report is kept.", "quote"
		}
		return nil, nil
	},
}

// coming is a step being prepared: what the drafts would send, tried out on the job.
type coming struct {
	report, quote *draft
	commands      []workflow.Command
	// job is as it would stand; err says why it can't be done.
	job *workflow.Job
	err error
	// digest names the drafts, so that what is sent is what was looked at.
	digest string
}

// coming tries out what the drafts would send. Only what the stage allows is taken.
func (r *request) coming(then string) (*coming, error) {
	ctx := r.c.UserContext()
	k := &coming{}
	var err error
	if k.report, err = r.x.draft(ctx, r.job.Number, draftReport); err != nil {
		return nil, err
	}
	if k.quote, err = r.x.draft(ctx, r.job.Number, draftQuote); err != nil {
		return nil, err
	}
	if !in(r.job.Stage, reportStages) {
		k.report = nil
	}
	if !in(r.job.Stage, quoteStages) {
		k.quote = nil
	}
	raw, err := json.Marshal([]any{k.report, k.quote})
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(raw)
	k.digest = hex.EncodeToString(sum[:12])
	if k.report != nil {
		k.commands = append(k.commands, workflow.SendReport{Text: reportText(k.report.Values)})
	}
	if k.quote != nil {
		f := &templates.Form{Values: k.quote.Values}
		q, _ := r.x.readQuote(f)
		if f.Bad() {
			k.err = &workflow.Error{Code: workflow.CodeInvalid, Message: "The quote can't be issued as it stands: " + f.Errors[0].Message}
		}
		k.commands = append(k.commands, q)
	}
	if then != "" {
		k.commands = append(k.commands, workflow.Go{To: workflow.Stage(then)})
	}
	if k.err != nil || len(k.commands) == 0 {
		return k, nil
	}
	// The bench may look at what the counter will send.
	by := workflow.Actor{Role: workflow.RoleCounter, ID: r.x.s.Actor(r.c).ID}
	k.job, k.err = r.x.s.Service().Try(ctx, workflow.Order{Job: r.job.Number, By: by, Commands: k.commands})
	if k.err != nil && !shown(k.err) {
		return nil, k.err
	}
	return k, nil
}

// thenChoices are the ways in which the job can go on once report and quote are sent.
func (r *request) thenChoices(k *coming) []templates.Choice {
	stay := templates.Choice{Value: "", Words: "Stay in “" + templates.StageWords(r.job.Stage) + "”"}
	if k.quote == nil || r.job.Stage == workflow.StageAwaitingApproval {
		return nil
	}
	out := []templates.Choice{{Value: string(workflow.StageAwaitingApproval), Words: "Wait for the customer’s answer"}}
	if r.job.Stage == workflow.StageDiagnosing && r.job.Limit != nil {
		out = append(out, templates.Choice{Value: string(workflow.StageRepairing), Words: "Start the repair, within the limit agreed beforehand"})
	}
	return append(out, stay)
}

func (x *counter) showPreview(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	r.task = sendTask
	return r.render(fiber.StatusOK)
}

// sendTask sends report and quote as they were looked at, and moves the job on, in one step.
var sendTask = &task{
	path: "report/send", postOnly: true, roles: counterUp, stale: true,
	fields: map[string]string{"to": "then", "short": "", "text": "", "title": "", "lines": "", "options": "", "reason": "", "kind": ""},
	view: func(r *request) (templates.View, error) {
		k, err := r.coming("")
		if err != nil {
			return nil, err
		}
		r.form.Act = r.base.To("report/send")
		v := &templates.CounterPreview{Report: k.report != nil, Quote: k.quote != nil, Then: r.thenChoices(k), Mailed: r.job.Customer.Email.Text}
		if !r.refused {
			r.form.Values = url.Values{"then": {string(workflow.StageAwaitingApproval)}}
		}
		r.form.Values.Set("draft", k.digest)
		if k.report == nil && k.quote == nil {
			v.Refused = "There is nothing to look at yet: write the findings report or the quote first."
		} else if k.err != nil {
			v.Refused = portal.Sentence(k.err)
		} else {
			if k.report != nil {
				v.PageURL, v.PaperURL = r.base.To("report/preview/page"), r.base.To("report/preview/paper.pdf")
				v.Hints = reportHints(r.job, reportText(k.report.Values))
				v.Reading = r.reading(reportText(k.report.Values))
			}
			if k.quote != nil {
				v.QuoteURL = r.base.To("report/preview/quote")
			}
			if r.x.cfg.PreviewMail != nil && v.Mailed != "" {
				_, text, err := r.x.mail(r.c.UserContext(), k)
				if err != nil {
					return nil, err
				}
				v.MailURL, v.MailText = r.base.To("report/preview/mail"), string(text)
			}
		}
		v.JobPage = r.title("Look, and send")
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		k, err := r.coming(r.value("then"))
		if err != nil {
			return nil, err
		}
		switch {
		case k.report == nil && k.quote == nil:
			r.form.Add("", "There is nothing to send: write the findings report or the quote first.")
			return nil, nil
		case r.value("draft") != k.digest:
			return nil, r.replaced()
		case k.err != nil:
			r.note(k.err)
			return nil, nil
		}
		switch {
		case k.quote == nil:
			r.said = "The findings report is sent."
		case k.report == nil:
			r.said = "The quote is sent."
		default:
			r.said = "The findings report and the quote are sent."
		}
		return k.commands, nil
	},
	after: func(r *request, j *workflow.Job) error {
		for _, kind := range draftKinds {
			if err := r.x.dropDraft(r, kind); err != nil {
				return err
			}
		}
		return nil
	},
}

// replaced notes that the drafts are no longer what was looked at.
func (r *request) replaced() error {
	r.form.Add("", "The draft was changed after you opened this page, perhaps in another window. Nothing was sent; this is how it stands now.")
	return nil
}

// mail renders the mail that the step would send.
func (x *counter) mail(ctx context.Context, k *coming) (html, text []byte, err error) {
	kind := workflow.NoticeFindings
	if k.report == nil {
		kind = workflow.NoticeQuote
		if q := k.job.Quote(); q != nil && q.Revision > 1 {
			kind = workflow.NoticeFurtherQuote
		}
	}
	return x.cfg.PreviewMail(ctx, k.job, kind)
}

// framed lets a page be shown inside one of ours, and nowhere else.
func framed(c *fiber.Ctx, styles string) {
	c.Set("Content-Security-Policy", "default-src 'none'; style-src "+styles+"; img-src 'self' data:; font-src 'self'; script-src 'none'; form-action 'none'; base-uri 'none'; frame-ancestors 'self'")
	c.Set("X-Frame-Options", "SAMEORIGIN")
}

// sendMail shows a mail inside one of our pages; mails carry their styles with them.
func sendMail(c *fiber.Ctx, html []byte) error {
	framed(c, "'self' 'unsafe-inline'")
	c.Set(fiber.HeaderContentType, fiber.MIMETextHTMLCharsetUTF8)
	return c.Send(bytes.TrimSpace(html))
}

// glimpse begins a page inside the preview.
func (x *counter) glimpse(c *fiber.Ctx) (*request, *coming, error) {
	r, err := x.open(c, "")
	if err != nil {
		return nil, nil, err
	}
	k, err := r.coming("")
	if err != nil {
		return nil, nil, err
	}
	if k.err != nil {
		return nil, nil, k.err
	}
	if k.job == nil {
		return nil, nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no draft to look at any more."}
	}
	return r, k, nil
}

// customersPage is the base of a page as the customer would get it: nobody signed in, their language.
func (r *request) customersPage(title string) templates.Page {
	p := r.base.Page
	p.Staff, p.CSRF, p.Flash = nil, "", ""
	p.Lang, p.Title = r.job.Customer.Language, title
	return p
}

// customersWords are the words of the job's customer.
func (r *request) customersWords() *locale.Words {
	return r.base.Catalogue.For(r.job.Customer.Language)
}

func (x *counter) previewPage(c *fiber.Ctx) error {
	r, k, err := x.glimpse(c)
	if err != nil {
		return err
	}
	if k.report == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no draft of a findings report."}
	}
	w := r.customersWords()
	report := &k.job.Reports[len(k.job.Reports)-1]
	v := &templates.ReportPage{
		Page:   r.customersPage(w.T("report.title", report.Number)),
		Report: templates.ReportOf(k.job, report, x.s.Shop(), x.s.Now(), w, templates.CounterPhotos(r.job)), Track: "#",
	}
	framed(c, "'self'")
	return x.s.Render(c, fiber.StatusOK, v)
}

// previewPaper is the report as PDF, as it would be sent.
func (x *counter) previewPaper(c *fiber.Ctx) error {
	_, k, err := x.glimpse(c)
	if err != nil {
		return err
	}
	if k.report == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no draft of a findings report."}
	}
	return x.s.SendReportPaper(c, k.job, &k.job.Reports[len(k.job.Reports)-1])
}

// sent gives the report that the address names.
func (x *counter) sent(c *fiber.Ctx) (*request, *workflow.Report, error) {
	r, err := x.open(c, "")
	if err != nil {
		return nil, nil, err
	}
	n := r.param("n")
	if n < 1 || n > len(r.job.Reports) {
		return nil, nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such findings report on this job."}
	}
	return r, &r.job.Reports[n-1], nil
}

// showSentPaper is a report that was sent, as PDF.
func (x *counter) showSentPaper(c *fiber.Ctx) error {
	r, sent, err := x.sent(c)
	if err != nil {
		return err
	}
	return x.s.SendReportPaper(c, r.job, sent)
}

func (x *counter) previewQuote(c *fiber.Ctx) error {
	r, k, err := x.glimpse(c)
	if err != nil {
		return err
	}
	if k.quote == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no draft of a quote."}
	}
	w := r.customersWords()
	k.job.Stage = workflow.StageAwaitingApproval // the customer opens it while it waits for an answer
	v := &templates.QuotePage{
		Page: r.customersPage(w.T("quote.title")), Number: k.job.Number.Shown(), Device: k.job.Device.Name(),
		Quote: templates.QuoteOf(k.job, k.job.Quote(), x.s.Shop(), x.s.Now(), w), Act: "#", Track: "#",
	}
	if templates.ReportFor(k.job, k.job.Quote()) != 0 {
		v.Report = "#"
	}
	framed(c, "'self'")
	return x.s.Render(c, fiber.StatusOK, v)
}

func (x *counter) previewMail(c *fiber.Ctx) error {
	_, k, err := x.glimpse(c)
	if err != nil {
		return err
	}
	if x.cfg.PreviewMail == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "This server shows no mails."}
	}
	html, _, err := x.mail(c.UserContext(), k)
	if err != nil {
		return err
	}
	return sendMail(c, html)
}

// showSent shows a report as it was sent.
func (x *counter) showSent(c *fiber.Ctx) error {
	r, sent, err := x.sent(c)
	if err != nil {
		return err
	}
	v := &templates.CounterSent{JobPage: r.title("Report " + strconv.Itoa(sent.Number))}
	v.Report = templates.ReportOf(r.job, sent, x.s.Shop(), x.s.Now(), r.customersWords(), templates.CounterPhotos(r.job))
	return x.s.Render(c, fiber.StatusOK, v)
}
