package workflow

import (
	"strings"
	"time"

	"benchword/workflow/catalogue"
)

// Origin says where a finding comes from. About earlier work a finding says what is there, never who
// is to blame.
type Origin string

const (
	OriginArrival     Origin = "arrival"      // as it came out of the parcel
	OriginWear        Origin = "wear"         // age and use
	OriginImpact      Origin = "impact"       // marks of a fall, a knock
	OriginElectrical  Origin = "electrical"   // marks of a surge, an overload, a wrong supply
	OriginAccident    Origin = "accident"     // marks of something sudden, which of the two can't be said
	OriginLiquid      Origin = "liquid"       // liquid got in
	OriginManufacture Origin = "manufacture"  // made that way
	OriginEarlierWork Origin = "earlier_work" // work by a third party before us
	OriginUnknown     Origin = "unknown"
)

// Origins lists every origin in the order in which a form offers them.
var Origins = []Origin{OriginArrival, OriginWear, OriginImpact, OriginElectrical, OriginAccident, OriginLiquid, OriginManufacture, OriginEarlierWork, OriginUnknown}

// Weight says how much a finding matters.
type Weight string

const (
	WeightCosmetic Weight = "cosmetic"  // looks only
	WeightNoted    Weight = "noted"     // written down; it asks for nothing by itself
	WeightOpen     Weight = "open"      // whether it has to do with the fault is not known yet
	WeightPutRight Weight = "put_right" // put right while the device is open
	WeightFault    Weight = "fault"     // part of the fault
	WeightDanger   Weight = "danger"    // can hurt somebody or damage the device
)

// Weights lists every weight, lightest first.
var Weights = []Weight{WeightCosmetic, WeightNoted, WeightOpen, WeightPutRight, WeightFault, WeightDanger}

// Certainty says how a thing is known.
type Certainty string

const (
	CertaintyMeasured Certainty = "measured"
	CertaintySeen     Certainty = "seen"
	CertaintyNoticed  Certainty = "noticed" // smelled, heard or felt
	CertaintyInferred Certainty = "inferred"
)

// Certainties lists every certainty, surest first.
var Certainties = []Certainty{CertaintyMeasured, CertaintySeen, CertaintyNoticed, CertaintyInferred}

// Finding is something observed, with its origin, weight, certainty and evidence.
type Finding struct {
	ID int `json:"id,omitempty"`
	// Entry is the finding's entry in the catalogue, "" for one in the bench's own words. Term and Plain
	// are what the catalogue said then, in the customer's language.
	Entry     string    `json:"entry,omitempty"`
	Term      string    `json:"term,omitempty"`
	Plain     string    `json:"plain,omitempty"`
	Text      string    `json:"text,omitempty"`
	Origin    Origin    `json:"origin,omitempty"`
	Weight    Weight    `json:"weight,omitempty"`
	Certainty Certainty `json:"certainty,omitempty"`
	// Where is the place on the device: "main board, beside the DC socket".
	Where string `json:"where,omitempty"`
	// Matters says in the bench's words why it matters, or that it does not.
	Matters string `json:"matters,omitempty"`
	Photos  []int  `json:"photos,omitempty"`
	Reading string `json:"reading,omitempty"`
	// Measurement is the reading taken apart, if it was.
	Measurement *Measurement `json:"measurement,omitempty"`
	At          time.Time    `json:"at,omitzero"`
	// Withdrawn findings stay in the history but leave the report; Reason says why.
	Withdrawn bool  `json:"withdrawn,omitempty"`
	Reason    Words `json:"reason,omitzero"`
}

// PriorWork reports whether the finding is about earlier work by a third party.
func (f Finding) PriorWork() bool { return f.Origin == OriginEarlierWork }

// fromCatalogue fills a finding with its entry's words in a language, and what was left out from the entry.
func (f *Finding) fromCatalogue(c *catalogue.Catalogue, lang string) error {
	f.Term, f.Plain = "", ""
	if f.Entry == "" {
		return nil
	}
	e := c.Finding(f.Entry)
	if e == nil {
		return invalid("entry", "There is no entry “%s” in the catalogue of findings.", f.Entry)
	}
	w := c.Say(lang, e.ID)
	f.Term, f.Plain = w.Term, w.Plain
	if strings.TrimSpace(f.Text) == "" {
		f.Text = w.Plain
	}
	if strings.TrimSpace(f.Matters) == "" {
		f.Matters = w.Matters
	}
	if f.Origin == "" {
		f.Origin = Origin(e.Origin)
	}
	if f.Weight == "" {
		f.Weight = Weight(e.Weight)
	}
	if f.Certainty == "" {
		f.Certainty = Certainty(e.Certainty)
		if f.Certainty == CertaintyMeasured && strings.TrimSpace(f.Reading) == "" && f.Measurement == nil {
			f.Certainty = CertaintySeen // no more than is known
		}
	}
	return nil
}

// Finding returns the finding with this id, nil if there is none.
func (j *Job) Finding(id int) *Finding {
	for i := range j.Findings {
		if j.Findings[i].ID == id {
			return &j.Findings[i]
		}
	}
	return nil
}

// NoteFinding adds a finding, or corrects the one whose ID is given.
type NoteFinding struct {
	Finding Finding `json:"finding"`
	// NewPhotos are added, and are the first of the finding's.
	NewPhotos []Photo `json:"-"`
	// Duty, if its text is not empty, is raised with the finding.
	Duty Duty `json:"duty,omitempty"`
}

func (c NoteFinding) decide(t *turn) error {
	if err := t.needStage("Noting a finding", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	f, trade := c.Finding, t.shop.Trade()
	err := f.fromCatalogue(trade, t.j.Customer.Language)
	if err != nil {
		return err
	}
	if f.ID == 0 && !dangerous(&f, trade) {
		if err := t.needSafe("Noting another finding"); err != nil {
			return err
		}
	}
	if f.Text, err = text("text", "The finding", f.Text, true); err != nil {
		return err
	}
	if f.Where, err = line("where", "The place", f.Where, false); err != nil {
		return err
	}
	if f.Matters, err = text("matters", "Why it matters", f.Matters, false); err != nil {
		return err
	}
	if f.Reading, err = line("reading", "The reading", f.Reading, false); err != nil {
		return err
	}
	if f.Measurement, f.Reading, err = t.measurement(f.Measurement, f.Reading); err != nil {
		return err
	}
	if err := oneOf("origin", "The origin", f.Origin, Origins); err != nil {
		return err
	}
	if err := oneOf("weight", "The weight", f.Weight, Weights); err != nil {
		return err
	}
	if err := oneOf("certainty", "The certainty", f.Certainty, Certainties); err != nil {
		return err
	}
	if f.Certainty == CertaintyMeasured && f.Reading == "" {
		return invalid("reading", "A finding that is measured needs its reading, with the unit.")
	}
	if f.Photos, err = t.addPhotos(c.NewPhotos, f.Photos); err != nil {
		return err
	}
	f.Withdrawn, f.Reason = false, Words{}
	if f.ID != 0 && t.j.Finding(f.ID) == nil {
		return invalid("finding", "There is no finding %d on this job.", f.ID)
	}
	if f.ID == 0 {
		if len(t.j.Findings) >= MaxList {
			return refused("There are %d findings already; no more fit.", MaxList)
		}
		f.ID = len(t.j.Findings) + 1
	}
	if err := t.record(&FindingNoted{f}); err != nil {
		return err
	}
	before := t.j.Screening
	if e := trade.Finding(f.Entry); e != nil {
		if err := t.correct(e.Shows); err != nil {
			return err
		}
	}
	if err := t.raise(obliges(&f, trade), f.ID, ""); err != nil {
		return err
	}
	if err := t.screened(before); err != nil {
		return err
	}
	if strings.TrimSpace(c.Duty.Text) == "" {
		return nil
	}
	d := c.Duty
	d.Finding = f.ID
	return RaiseDuty{d}.decide(t)
}

// FindingNoted adds a finding, or corrects the one with the same id.
type FindingNoted struct {
	Finding Finding `json:"finding"`
}

func (p *FindingNoted) fold(j *Job, e *Event) {
	f := p.Finding
	f.At = e.At
	if old := j.Finding(f.ID); old != nil {
		f.At = old.At
		*old = f
		return
	}
	j.Findings = append(j.Findings, f)
	j.addMoment(e, f.ID)
}

// WithdrawFinding takes a finding back; it stays in the history.
type WithdrawFinding struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (c WithdrawFinding) decide(t *turn) error {
	if f := t.j.Finding(c.ID); f == nil || f.Withdrawn {
		return invalid("finding", "There is no finding %d on this job.", c.ID)
	}
	reason, err := t.line("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	if err := t.record(&FindingWithdrawn{c.ID, reason}); err != nil {
		return err
	}
	if err := t.drop(c.ID); err != nil {
		return err
	}
	return t.screened(t.j.Screening)
}

// FindingWithdrawn takes a finding back.
type FindingWithdrawn struct {
	ID     int   `json:"id"`
	Reason Words `json:"reason"`
}

func (p *FindingWithdrawn) fold(j *Job, e *Event) {
	if f := j.Finding(p.ID); f != nil {
		f.Withdrawn, f.Reason = true, p.Reason
	}
}
