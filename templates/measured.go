package templates

import (
	"slices"
	"strings"

	"benchword/templates/locale"
	"benchword/workflow"
)

// MeasuredView is a measurement as a reader meets it: words first, the sign is an extra.
type MeasuredView struct {
	Text string // "Measured: 9.1 V"
	// Fit is for the style sheet, Verdict says it: "below what is expected (11.5 V to 12.5 V)".
	Fit     workflow.Fit
	Verdict string
	With    string // conditions, the instrument and its calibration
}

// Sign stands before the verdict, for those who look only.
func (m *MeasuredView) Sign() string {
	switch m.Fit {
	case workflow.FitWithin:
		return "●"
	case workflow.FitBelow:
		return "▼"
	case workflow.FitAbove:
		return "▲"
	}
	return ""
}

// Line returns all of it as one sentence, for a mail.
func (m *MeasuredView) Line() string {
	out := m.Text
	for _, s := range []string{m.Verdict, m.With} {
		if s != "" {
			out += " " + s
		}
	}
	return out
}

func measuredView(m *workflow.Measurement, w *locale.Words) *MeasuredView {
	if m == nil {
		return nil
	}
	unit := func(d string) string { return w.T("measured.value", d, m.Unit) }
	v := &MeasuredView{Text: w.T("measured", valueOf(m, w)), Fit: m.Fit()}
	if v.Fit != workflow.FitUnsaid {
		var span string
		switch {
		case m.ExpectOpen:
			span = w.T("measured.open")
		case m.Nominal != nil:
			span = w.T("measured.tolerance", unit(w.Decimal(*m.Nominal)), w.Decimal(*m.Tolerance))
		case m.Low != nil && m.High != nil && m.Low.Cmp(*m.High) == 0:
			span = unit(w.Decimal(*m.Low))
		case m.Low != nil && m.High != nil:
			span = w.T("measured.range", unit(w.Decimal(*m.Low)), unit(w.Decimal(*m.High)))
		case m.Low != nil:
			span = w.T("measured.least", unit(w.Decimal(*m.Low)))
		default:
			span = w.T("measured.most", unit(w.Decimal(*m.High)))
		}
		v.Verdict = w.T("measured."+string(v.Fit), span)
	}
	var with []string
	if m.Conditions != "" {
		with = append(with, w.T("measured.conditions", m.Conditions))
	}
	v.With = strings.Join(append(with, instrument(m.Instrument, m.Calibration, w)...), " ")
	return v
}

// ChangesView says what a later report changes against the one before it.
type ChangesView struct {
	Title string
	// Items are whole sentences; None stands where nothing about the findings changed.
	Items []string
	None  string
}

// changesOf compares a report with the one before it; nil for the first.
func changesOf(j *workflow.Job, r *workflow.Report, w *locale.Words) *ChangesView {
	if r.Number < 2 || r.Number-2 >= len(j.Reports) {
		return nil
	}
	old := &j.Reports[r.Number-2]
	v := &ChangesView{Title: w.T("changes", old.Number)}
	say := func(key string, args ...any) { v.Items = append(v.Items, w.T("changes."+key, args...)) }
	for _, id := range r.Findings {
		was, is := old.Finding(j, id), r.Finding(j, id)
		switch {
		case is == nil:
		case !slices.Contains(old.Findings, id):
			say("added", id, sentence(is.Text))
		case was == nil:
		case was.Text != is.Text:
			say("reworded", id, is.Text, was.Text)
		default:
			if what := differences(was, is, w); len(what) > 0 {
				say("changed", id, sentence(is.Text), w.List(what))
			}
		}
	}
	for _, id := range old.Findings {
		if was := old.Finding(j, id); was != nil && !slices.Contains(r.Findings, id) {
			reason := ""
			if now := j.Finding(id); now != nil {
				reason = now.Reason.Text
			}
			say("withdrawn", id, sentence(was.Text), sentence(reason))
		}
	}
	if old.Cause != r.Cause || old.Certainty != r.Certainty {
		say("cause")
	}
	if len(v.Items) == 0 {
		v.None = w.T("changes.none", old.Number)
	}
	return v
}

// differences names what else than its words is new about a finding.
func differences(was, is *workflow.Finding, w *locale.Words) []string {
	var out []string
	for _, x := range []struct {
		key  string
		same bool
	}{
		{"where", was.Where == is.Where}, {"weight", was.Weight == is.Weight}, {"origin", was.Origin == is.Origin},
		{"certainty", was.Certainty == is.Certainty}, {"reading", was.Reading == is.Reading && sameMeasured(was.Measurement, is.Measurement)},
		{"matters", was.Matters == is.Matters}, {"photos", slices.Equal(was.Photos, is.Photos)},
	} {
		if !x.same {
			out = append(out, w.T("changes.of."+x.key))
		}
	}
	return out
}

func sameMeasured(a, b *workflow.Measurement) bool {
	if a == nil || b == nil {
		return a == b
	}
	text := func(m *workflow.Measurement) string {
		v := measuredView(m, locale.For("en"))
		return v.Line()
	}
	return text(a) == text(b)
}
