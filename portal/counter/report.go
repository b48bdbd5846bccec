package counter

import (
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/plain"
)

// reportPage is the composer of a findings report.
type reportPage struct {
	jobBase
	Number int
	// Findings and Suspects are what goes into it by itself.
	Findings []findingRow
	Suspects []templates.SuspectView
	// Reading says how hard the report is to read as it stands.
	Reading string
	Hints   []hint
	// Unshown are findings without the photo or reading that would show them, dangers and earlier work first.
	Unshown []unshownRow
	// Drafted says who kept the draft, and when, "" if there is none.
	Drafted string
	// Sendable: the stage allows a report to be sent.
	Sendable bool
}

func (*reportPage) Template() string { return "report.html" }

// unshownRow is a finding with what would show it.
type unshownRow struct{ URL, Text, Wanted string }

// unshown lists what a report would tell without showing it.
func (r *request) unshown() []unshownRow {
	var out []unshownRow
	for _, u := range r.job.Unshown(r.shop()) {
		wanted := "a photo"
		switch {
		case u.Photo && u.Reading:
			wanted = "a photo and a reading"
		case u.Reading:
			wanted = "a reading"
		}
		out = append(out, unshownRow{r.base.To("finding/" + strconv.Itoa(u.Finding.ID)), firstLine(u.Finding.Text, 80), wanted})
	}
	return out
}

// hint is something about a text that its reader may stumble over.
type hint struct {
	// Field is where it stands, Where names it.
	Field, Where string
	Words        string
}

// hints looks at a text for its reader: words of blame, jargon that is not explained, and sentences too
// long to follow. The text is in the customer's language.
func hints(field, where, text, lang string) []hint {
	var out []hint
	for _, n := range plain.Notes(text, lang) {
		words := ""
		switch n.Kind {
		case plain.Blame:
			words = fmt.Sprintf("“%s” sounds like blame. Say what is there instead.", n.Words)
		case plain.Jargon:
			words = fmt.Sprintf("“%s” is a word of the trade. Say “%s”, or explain it.", n.Words, n.Plain)
		case plain.Long:
			words = fmt.Sprintf("A sentence has %d words: “%s …”. Two short ones read more easily.", n.Length, n.Words)
		}
		out = append(out, hint{Field: field, Where: where, Words: words})
	}
	return out
}

// reading says how hard what the bench wrote is to read. It is "" for a language
// without a measure.
func (r *request) reading(t workflow.ReportText) string {
	report := r.job.DraftReport(t, r.now())
	nowhere := func(*workflow.Photo, string) string { return "" }
	v := templates.ReportOf(r.job, &report, r.shop(), r.now(), r.customersWords(), nowhere)
	m, ok := plain.Read(v.Prose(t.Next), r.job.Customer.Language)
	if !ok {
		return ""
	}
	out := fmt.Sprintf("Reading ease %d of 100 by %s", int(math.Round(min(max(m.Ease, 0), 100))), m.Name)
	if m.HasGrade {
		out += fmt.Sprintf(", Flesch-Kincaid grade %.1f", m.Grade)
	}
	out += fmt.Sprintf("; %d words a sentence, %d words of yours.", m.WordsPerSentence(), m.Words)
	if m.Ease < plain.Easy {
		out += fmt.Sprintf(" Aim for %d or more: shorter sentences, shorter words.", plain.Easy)
	}
	return out
}

func reportText(v url.Values) workflow.ReportText {
	return workflow.ReportText{
		Short: v.Get("short"), Cause: v.Get("cause"), Certainty: workflow.Certainty(v.Get("certainty")),
		Proposal: v.Get("proposal"), Next: v.Get("next"),
	}
}

// reportHints looks at everything in the report that the bench wrote by hand.
func reportHints(j *workflow.Job, t workflow.ReportText) []hint {
	var out []hint
	lang := j.Customer.Language
	out = append(out, hints("short", "The short answer", t.Short, lang)...)
	out = append(out, hints("cause", "What we think is wrong", t.Cause, lang)...)
	out = append(out, hints("proposal", "What we propose", t.Proposal, lang)...)
	out = append(out, hints("next", "What happens next", t.Next, lang)...)
	for _, f := range j.Findings {
		if !f.Withdrawn && f.Weight == workflow.WeightOpen && j.Found() {
			out = append(out, hint{Where: "Finding " + strconv.Itoa(f.ID), Words: "The cause is confirmed. Has this to do with the fault? The report says that it is not known yet."})
		}
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
	then: "report",
	view: func(r *request) (templates.View, error) {
		d, err := r.x.draft(r.c.UserContext(), r.job, draftReport)
		if err != nil {
			return nil, err
		}
		if d != nil && !r.refused {
			r.form.Values = d.Values
		}
		v := &reportPage{Number: len(r.job.Reports) + 1, Drafted: r.drafted(d), Sendable: in(r.job.Stage, reportStages)}
		all := jobPageOf(r.base, r.job, nil, r.shop(), r.now())
		for _, f := range all.Findings {
			if f.Withdrawn == "" {
				v.Findings = append(v.Findings, f)
			}
		}
		v.Suspects = all.Suspects
		v.Unshown = r.unshown()
		v.Hints = reportHints(r.job, reportText(r.form.Values))
		v.Reading = r.reading(reportText(r.form.Values))
		v.jobBase = r.title("Findings report")
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
