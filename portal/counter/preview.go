package counter

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/url"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// previewPage shows report and quote exactly as the customer will see them, and sends them.
type previewPage struct {
	jobBase
	// Report and Quote say whether there is a draft of each.
	Report, Quote bool
	// Refused says why they can't be sent as they stand, "" if they can.
	Refused string
	// PageURL, PaperURL, QuoteURL and MailURL are what is shown, "" for none.
	PageURL, PaperURL, QuoteURL, MailURL string
	// MailText is the text part of the mail.
	MailText string
	// Mailed is the address that the mail goes to, "" if there is none.
	Mailed string
	Then   []choice
	Hints  []hint
	// Unshown are findings that are told without being shown.
	Unshown []unshownRow
	// Reading says how hard the report is to read, "" if there is none.
	Reading string
}

func (*previewPage) Template() string { return "preview.html" }

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
	if k.report, err = r.x.draft(ctx, r.job, draftReport); err != nil {
		return nil, err
	}
	if k.quote, err = r.x.draft(ctx, r.job, draftQuote); err != nil {
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
		f := &form{Values: k.quote.Values}
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
func (r *request) thenChoices(k *coming) []choice {
	stay := choice{Value: "", Words: "Stay in “" + stageWords[r.job.Stage] + "”"}
	if k.quote == nil || r.job.Stage == workflow.StageAwaitingApproval {
		return nil
	}
	out := []choice{{Value: string(workflow.StageAwaitingApproval), Words: "Wait for the customer’s answer"}}
	if r.job.Stage == workflow.StageDiagnosing && r.job.Limit != nil {
		out = append(out, choice{Value: string(workflow.StageRepairing), Words: "Go ahead with the repair, within the limit agreed beforehand"})
	}
	return append(out, stay)
}

// previewTask shows what the drafts would send.
var previewTask = &task{
	view: func(r *request) (templates.View, error) {
		k, err := r.coming("")
		if err != nil {
			return nil, err
		}
		r.form = r.formTo("report/send")
		v := &previewPage{Report: k.report != nil, Quote: k.quote != nil, Then: r.thenChoices(k), Mailed: r.job.Customer.Email.Text}
		if !r.form.Bad() {
			r.form.Version = r.job.Version
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
				v.Unshown = r.unshown()
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
		v.jobBase = r.title("Look, and send")
		return v, nil
	},
}

// sendTask sends report and quote as they were looked at, and moves the job on, in one step.
var sendTask = &task{
	stale:  true,
	fields: map[string]string{"to": "then", "short": "", "text": "", "title": "", "lines": "", "options": "", "reason": "", "kind": ""},
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
		Report: templates.ReportOf(k.job, report, x.s.Shop(), x.s.Now(), w, photoURLs(r.job)), Track: "#",
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
	if k.job.ReportWith(k.job.Quote()) != 0 {
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
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "This server shows no emails."}
	}
	html, _, err := x.mail(c.UserContext(), k)
	if err != nil {
		return err
	}
	return sendMail(c, html)
}
