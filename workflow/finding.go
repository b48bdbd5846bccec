package workflow

import "time"

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
	ID        int       `json:"id,omitempty"`
	Text      string    `json:"text"`
	Origin    Origin    `json:"origin"`
	Weight    Weight    `json:"weight"`
	Certainty Certainty `json:"certainty"`
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

// Duty is what a finding or an action obliges the bench to do before a later stage.
type Duty struct {
	ID   int    `json:"id,omitempty"`
	Text string `json:"text"`
	// Before is the stage that the job can't enter while the duty is open.
	Before Stage `json:"before,omitempty"`
	// Finding is what it comes from, 0 for a duty that comes from something else.
	Finding int       `json:"finding,omitempty"`
	DoneAt  time.Time `json:"done_at,omitzero"`
	// Waived is the reason, which the customer will read; "" if not waived.
	Waived string `json:"waived,omitempty"`
}

// Open reports whether the duty is neither done nor waived.
func (d Duty) Open() bool { return d.DoneAt.IsZero() && d.Waived == "" }
