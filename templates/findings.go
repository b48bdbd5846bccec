package templates

import (
	"slices"

	"benchword/templates/locale"
	"benchword/workflow"
)

// FindingView is a finding as a reader meets it.
type FindingView struct {
	ID int
	// Term is the trade's term and Plain the plain words for it, "" for a finding in the bench's own words
	// only; Plain is "" too where Text says the same.
	Term, Plain string
	// Called is Term, with Plain after it.
	Called string
	// Text is what was observed, in the bench's words.
	Text  string
	Where string
	// Sentence says how it is known and where it comes from; how much it matters is its WeightName.
	Sentence string
	// Matters is the bench's own word on why it matters, or that it does not.
	Matters string
	Reading string
	// Measured is the reading taken apart, nil if it was not.
	Measured *MeasuredView
	// WeightName marks it in one or two words: "Part of the fault"; Weight is for the style sheet.
	Weight     workflow.Weight
	WeightName string
	PriorWork  bool
	Photos     []PhotoView
	// See names photos that stand further up already.
	See    string
	Duties []DutyView
}

// showPhotos returns the photos to show with something, and a sentence about those that stand elsewhere.
type showPhotos func(ids []int) (photos []PhotoView, see string)

// DutyView is a duty as the customer reads of it.
type DutyView struct {
	Text string
	// State says "to be done", "done" or "left, because …"; Line is both in one.
	State, Line string
	Done        bool
}

// findingSentence says how a finding is known and where it comes from. It claims no more than the certainty
// allows, says what is there, and blames nobody. A reading that is shown by itself is not told here as well.
// What was smelled, heard or felt leaves no marks to see: where it comes from is concluded.
func findingSentence(f workflow.Finding, w *locale.Words) string {
	from := f.Certainty
	if from == workflow.CertaintyNoticed {
		from = workflow.CertaintyInferred
	}
	origin := w.T("origin." + string(f.Origin) + "." + string(from))
	if f.Measurement != nil {
		return origin
	}
	return w.T("certainty."+string(f.Certainty), f.Reading) + " " + origin
}

// weightName says how much a finding matters, once, as sure as its certainty allows.
func weightName(f workflow.Finding, w *locale.Words) string {
	if f.Certainty == workflow.CertaintyInferred {
		return w.T("weight." + string(f.Weight) + ".inferred")
	}
	return w.T("weight." + string(f.Weight))
}

// dangers returns the catalogue's cautions for what is dangerous, without those that the screening's own
// cautions say already.
func dangers(j *workflow.Job, f *workflow.Finding, shop *workflow.Shop, w *locale.Words) []string {
	e := shop.Trade().Finding(f.Entry)
	if e == nil || f.Weight != workflow.WeightDanger {
		return nil
	}
	var out []string
	for _, c := range e.Cautions {
		s := j.Screening
		said := s != nil && (c == "mains" && s.Mains.Taken() || c == "lithium" && s.CellInDoubt())
		if text := shop.Trade().Caution(w.Lang, c); text != "" && !said {
			out = append(out, text)
		}
	}
	return out
}

// findingView makes the view; photos come from show.
func findingView(j *workflow.Job, f *workflow.Finding, w *locale.Words, show showPhotos) FindingView {
	v := FindingView{
		ID: f.ID, Term: f.Term, Text: f.Text, Where: f.Where, Sentence: findingSentence(*f, w), Matters: f.Matters, Reading: f.Reading,
		Weight: f.Weight, WeightName: weightName(*f, w), PriorWork: f.PriorWork(),
	}
	v.Measured = measuredView(f.Measurement, w)
	if f.Plain != "" && f.Plain != f.Text {
		v.Plain = f.Plain
	}
	if v.Called = v.Term; v.Plain != "" {
		v.Called = w.Named(v.Term, v.Plain)
	}
	v.Photos, v.See = show(f.Photos)
	for _, d := range j.Duties {
		if d.Finding == f.ID && !d.Dropped {
			v.Duties = append(v.Duties, dutyView(j, d, w))
		}
	}
	return v
}

func dutyView(j *workflow.Job, d workflow.Duty, w *locale.Words) DutyView {
	v, safe := DutyView{Text: d.Words(), State: w.T("duty.open." + string(d.Before))}, j.SafeToReturn()
	switch {
	case safe != nil && slices.Contains(safe.Duties, d.ID):
		v.State = w.T("duty.made_safe")
	case d.Waived.Text != "":
		v.State = w.T("duty.waived", d.Waived)
	case !d.DoneAt.IsZero():
		v.State, v.Done = w.T("duty.done"), true
	}
	v.Line = w.Named(v.Text, v.State)
	return v
}
