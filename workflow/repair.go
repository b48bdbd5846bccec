package workflow

import (
	"slices"
	"time"
)

// Work is something that was done to the device.
type Work struct {
	ID   int       `json:"id"`
	Text string    `json:"text"`
	At   time.Time `json:"at,omitzero"`
	// Findings are those that this work put right.
	Findings []int `json:"findings,omitempty"`
	Photos   []int `json:"photos,omitempty"`
	// Did are actions that bring a duty: "heatsink_lifted".
	Did []string `json:"did,omitempty"`
	// Fitted are the parts that were fitted.
	Fitted []FittedPart `json:"fitted,omitempty"`
}

// FittedPart is a part that was fitted, so that the shop can say later what is in there.
type FittedPart struct {
	Name string `json:"name"`
	// Maker, Type and Lot (a date or lot code) are what stands on the part; Source is where it was bought.
	Maker  string `json:"maker,omitempty"`
	Type   string `json:"type,omitempty"`
	Lot    string `json:"lot,omitempty"`
	Source string `json:"source,omitempty"`
	Grade  Grade  `json:"grade,omitempty"`
	// Place is where it sits: "C7".
	Place string `json:"place,omitempty"`
	// Old is what became of the part that was there, "" where none was.
	Old Fate `json:"old,omitempty"`
}

// Grade says what kind of part it is.
type Grade string

// Grades lists them: the maker's own, one of equal value, used, made good again.
var Grades = []Grade{"original", "equal", "used", "refurbished"}

// OldParts lists what becomes of a part that was taken out.
var OldParts = []Fate{FateReturned, FateRecycled, FateKept}

func (p *FittedPart) check() error {
	for _, f := range []struct {
		field, what string
		to          *string
	}{
		{"part", "The part that was fitted", &p.Name}, {"maker", "Its maker", &p.Maker}, {"type", "Its type", &p.Type},
		{"lot", "Its lot or date code", &p.Lot}, {"source", "Where it was bought", &p.Source}, {"place", "Where it sits", &p.Place},
	} {
		var err error
		if *f.to, err = line(f.field, f.what, *f.to, f.field == "part"); err != nil {
			return err
		}
	}
	if p.Grade != "" {
		if err := oneOf("grade", "The grade of a part", p.Grade, Grades); err != nil {
			return err
		}
	}
	if p.Old != "" {
		return oneOf("old", "What became of the old part", p.Old, OldParts)
	}
	return nil
}

// DoWork records something that was done to the device.
type DoWork struct {
	Text     string `json:"text"`
	Findings []int  `json:"findings,omitempty"`
	Photos   []int  `json:"photos,omitempty"`
	// NewPhotos are added, and are the first of the work's.
	NewPhotos []Photo `json:"-"`
	// Duties are settled with it.
	Duties []int `json:"duties,omitempty"`
	// Did are actions that bring a duty with them, as the catalogue names them: "heatsink_lifted".
	Did []string `json:"did,omitempty"`
	// Fitted are the parts that were fitted.
	Fitted []FittedPart `json:"fitted,omitempty"`
}

func (c DoWork) decide(t *turn) error {
	if err := t.needStage("Recording work", StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	if err := t.needSafe("Recording work", c.Duties...); err != nil {
		return err
	}
	if t.j.Stage == StageRepairing {
		if q := t.j.Quote(); q != nil && q.State == RevisionOpen {
			return refused("A further quote waits for an answer: work above the approved total stops until then. Move the job to awaiting approval, or withdraw the quote.")
		}
	}
	if h, open := t.j.Hold(), t.j.DepositOpen(t.shop); h != nil && h.Reason == HoldPayment && open.Minor > 0 {
		return refused("%s of the deposit has not come in. Record the payment first, or lift the hold to begin without it.", open)
	}
	s, err := text("text", "What was done", c.Text, true)
	if err != nil {
		return err
	}
	for _, id := range c.Findings {
		if t.j.Finding(id) == nil {
			return invalid("findings", "There is no finding %d on this job.", id)
		}
	}
	if len(c.Fitted) > MaxList {
		return invalid("fitted", "At most %d parts fit into one entry.", MaxList)
	}
	c.Fitted = slices.Clone(c.Fitted)
	for i := range c.Fitted {
		if err := c.Fitted[i].check(); err != nil {
			return err
		}
	}
	if c.Photos, err = t.addPhotos(c.NewPhotos, c.Photos); err != nil {
		return err
	}
	if err := t.record(&WorkDone{Work{ID: len(t.j.Work) + 1, Text: s, Findings: c.Findings, Photos: c.Photos, Did: c.Did, Fitted: c.Fitted}}); err != nil {
		return err
	}
	if err := t.did(c.Did); err != nil {
		return err
	}
	for _, id := range c.Duties {
		if err := (DoDuty{id}).decide(t); err != nil {
			return err
		}
	}
	return nil
}

// WorkDone is something done to the device.
type WorkDone struct {
	Work Work `json:"work"`
}

func (p *WorkDone) fold(j *Job, e *Event) {
	w := p.Work
	w.At = e.At
	j.Work = append(j.Work, w)
	j.Running = nil // what is opened does not run on
	j.addMoment(e, w.ID)
}

func guardNotCured(g *gate) {
	g.need(g.reason != "", "Say in a few words why it goes back to diagnosing.")
}

// WorkedSince reports whether work was recorded since the job came to its stage.
func (j *Job) WorkedSince() bool {
	n := len(j.Work)
	return n > 0 && !j.Work[n-1].At.Before(j.StageSince)
}

func guardTesting(g *gate) {
	if g.j.returning() {
		return
	}
	g.explained()
	if len(g.j.Work) == 0 {
		g.need(false, "Record what was done.")
		return
	}
	g.need(g.j.WorkedSince(), "Record what was done since the device came back to the bench.")
	if q := g.j.Quote(); q != nil {
		g.need(q.State != RevisionOpen, "A further quote waits for an answer; move the job to awaiting approval, or withdraw the quote.")
	}
}
