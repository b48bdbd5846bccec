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
	OriginAccident    Origin = "accident"     // a fall, a knock
	OriginLiquid      Origin = "liquid"       // liquid got in
	OriginManufacture Origin = "manufacture"  // made that way
	OriginEarlierWork Origin = "earlier_work" // work by a third party before us
	OriginUnknown     Origin = "unknown"
)

// Origins lists every origin in the order in which a form offers them.
var Origins = []Origin{OriginArrival, OriginWear, OriginAccident, OriginLiquid, OriginManufacture, OriginEarlierWork, OriginUnknown}

// Weight says how much a finding matters.
type Weight string

const (
	WeightCosmetic Weight = "cosmetic"  // looks only
	WeightPutRight Weight = "put_right" // put right while the device is open
	WeightFault    Weight = "fault"     // part of the fault
	WeightDanger   Weight = "danger"    // can hurt somebody or damage the device
)

// Weights lists every weight, lightest first.
var Weights = []Weight{WeightCosmetic, WeightPutRight, WeightFault, WeightDanger}

// Certainty says how a thing is known.
type Certainty string

const (
	CertaintyMeasured Certainty = "measured"
	CertaintySeen     Certainty = "seen"
	CertaintyInferred Certainty = "inferred"
)

// Certainties lists every certainty, surest first.
var Certainties = []Certainty{CertaintyMeasured, CertaintySeen, CertaintyInferred}

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
	Withdrawn bool   `json:"withdrawn,omitempty"`
	Reason    string `json:"reason,omitempty"`
}

// PriorWork reports whether the finding is about earlier work by a third party.
func (f Finding) PriorWork() bool { return f.Origin == OriginEarlierWork }

// fromCatalogue gives a finding its entry's words in a language, and what was left out from the entry.
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
