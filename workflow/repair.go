package workflow

import "time"

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
	if c.Photos, err = t.addPhotos(c.NewPhotos, c.Photos); err != nil {
		return err
	}
	if err := t.record(&WorkDone{Work{ID: len(t.j.Work) + 1, Text: s, Findings: c.Findings, Photos: c.Photos, Did: c.Did}}); err != nil {
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
