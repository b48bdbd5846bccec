package counter

import (
	"fmt"
	"math"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/plain"
)

// hints looks at a text for its reader: words of blame, jargon that is not explained, and sentences too
// long to follow. The text is in the customer's language.
func hints(field, where, text, lang string) []templates.Hint {
	var out []templates.Hint
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
		out = append(out, templates.Hint{Field: field, Where: where, Words: words})
	}
	return out
}

// reading says how hard the whole report is to read, as the customer would get it. It is "" for a language
// without a measure.
func (r *request) reading(t workflow.ReportText) string {
	report := templates.DraftReport(r.job, t, r.now())
	nowhere := func(*workflow.Photo) (string, string) { return "", "" }
	v := templates.ReportOf(r.job, report, r.shop(), r.now(), r.customersWords(), nowhere)
	m, ok := plain.Read(v.Prose(), r.job.Customer.Language)
	if !ok {
		return ""
	}
	out := fmt.Sprintf("Reading ease %d of 100 by %s", int(math.Round(min(max(m.Ease, 0), 100))), m.Name)
	if m.HasGrade {
		out += fmt.Sprintf(", Flesch-Kincaid grade %.1f", m.Grade)
	}
	out += fmt.Sprintf("; %d words a sentence, %d words in all.", m.WordsPerSentence(), m.Words)
	if m.Ease < plain.Easy {
		out += fmt.Sprintf(" Aim for %d or more: shorter sentences, shorter words.", plain.Easy)
	}
	return out
}
