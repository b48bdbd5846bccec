package workflow

import (
	"encoding/json"
	"slices"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
)

// Job is one device's stay, from booking to shipping: the aggregate. It is what its events fold to;
// nothing else changes it. Instants are UTC.
type Job struct {
	Shop   ShopID    `json:"shop"`
	Number JobNumber `json:"number"`
	// Version is the sequence number of the last event; Head is that event's hash.
	Version int64  `json:"version"`
	Head    string `json:"head"`

	Stage   Stage   `json:"stage"`
	Outcome Outcome `json:"outcome,omitempty"`
	// StageSince is when the job came to its stage.
	StageSince time.Time `json:"stage_since"`
	BookedAt   time.Time `json:"booked_at"`
	ReceivedAt time.Time `json:"received_at,omitzero"`
	// EndedAt is when the job was shipped or withdrawn.
	EndedAt time.Time `json:"ended_at,omitzero"`
	// EndReason is why it ended as it did, where somebody said.
	EndReason string `json:"end_reason,omitempty"`
	// ChangedAt is the instant of the last event.
	ChangedAt time.Time `json:"changed_at"`

	Customer Customer `json:"customer"`
	Device   Device   `json:"device"`
	// Fault is the fault in the customer's own words.
	Fault Sealed `json:"fault"`
	// Follows is the earlier job that this one comes back from, under warranty.
	Follows JobNumber `json:"follows,omitempty"`
	// Limit is the total that the customer agreed to beforehand, without being asked again; zero
	// value if none.
	Limit *money.Amount `json:"limit,omitempty"`
	// Fee is the diagnostic fee that was announced on booking, nil for none.
	Fee *money.Amount `json:"fee,omitempty"`
	// Charged is set where less is charged than was approved; ChargedWhy says why.
	Charged    *money.Amount `json:"charged,omitempty"`
	ChargedWhy string        `json:"charged_why,omitempty"`
	// Inbound is the number of the parcel on its way to the shop, as the customer gave it.
	Inbound string `json:"inbound,omitempty"`

	Screening    *Screening    `json:"screening,omitempty"`
	Contents     []Item        `json:"contents,omitempty"`
	Condition    string        `json:"condition,omitempty"`
	Reproduction *Reproduction `json:"reproduction,omitempty"`
	Photos       []Photo       `json:"photos,omitempty"`
	// Symptom is what the device does, in the catalogue's terms, "" if that was not said.
	Symptom  string    `json:"symptom,omitempty"`
	Suspects []Suspect `json:"suspects,omitempty"`
	// Plans are the checks that can be done.
	Plans     []CheckPlan  `json:"plans,omitempty"`
	Findings  []Finding    `json:"findings,omitempty"`
	Duties    []Duty       `json:"duties,omitempty"`
	Reports   []Report     `json:"reports,omitempty"`
	Quotes    []Quote      `json:"quotes,omitempty"`
	Decisions []Decision   `json:"decisions,omitempty"`
	Payments  []Payment    `json:"payments,omitempty"`
	Work      []Work       `json:"work,omitempty"`
	Tests     []Test       `json:"tests,omitempty"`
	Ready     *Ready       `json:"ready,omitempty"`
	Packed    []PackedItem `json:"packed,omitempty"`
	Shipment  *Shipment    `json:"shipment,omitempty"`
	Promises  []Promise    `json:"promises,omitempty"`
	Holds     []Hold       `json:"holds,omitempty"`
	// Pauses are the stretches during which the promise clock stands still, in order of From.
	Pauses []Pause `json:"pauses,omitempty"`
	// Level is the level of service, nil where the shop has none; Missed are its targets that were missed.
	Level  *JobLevel      `json:"level,omitempty"`
	Missed []MissedTarget `json:"missed,omitempty"`
	// Delays are what was told about promises that were missed; DelayNote is written for the next one.
	Delays    []Delay    `json:"delays,omitempty"`
	DelayNote *DelayNote `json:"delay_note,omitempty"`

	Messages []Message      `json:"messages,omitempty"`
	Links    []LinkGrant    `json:"links,omitempty"`
	Notices  []NoticeRecord `json:"notices,omitempty"`
	// Tell is what the customer wants to be told by mail, "" for every step.
	Tell NoticeChoice `json:"tell,omitempty"`
	// Subscriptions are the browsers that are told of the job, ended ones among them.
	Subscriptions []Subscription `json:"subscriptions,omitempty"`
	// DeadAddress is the digest of the mail address that sent a mail back for good.
	DeadAddress string `json:"dead_address,omitempty"`
	// Uncollected are the notices about goods that wait for their customer.
	Uncollected []Uncollected `json:"uncollected,omitempty"`
	// Story is what happened, in order, as far as the customer is concerned.
	Story []Moment `json:"story,omitempty"`
	// Erased is when the person was erased from the job, zero if not.
	Erased time.Time `json:"erased,omitzero"`
}

// Customer is the person to tell. All of it is personal data.
type Customer struct {
	Name  Sealed `json:"name"`
	Email Sealed `json:"email"`
	Phone Sealed `json:"phone"`
	// Address is the postal address to send the device back to, lines separated by "\n".
	Address Sealed `json:"address"`
	// Language is a BCP 47 tag: en, fr, de, es.
	Language string `json:"language"`
	// TimeZone is an IANA name, "" if not known.
	TimeZone string `json:"time_zone,omitempty"`
}

// Device is what the job is about.
type Device struct {
	// Kind is the plain word: "film scanner", "stage piano".
	Kind  string `json:"kind"`
	Maker string `json:"maker,omitempty"`
	Model string `json:"model,omitempty"`
	// Serial is read off the device at intake and compared at dispatch.
	Serial string `json:"serial,omitempty"`
}

// Name gives maker, model and kind in one line, as one would say it: "Halden F2 film scanner".
func (d Device) Name() string {
	out := ""
	for _, s := range []string{d.Maker, d.Model, d.Kind} {
		if s != "" {
			if out != "" {
				out += " "
			}
			out += s
		}
	}
	return out
}

// Answer is the reply to a screening question.
type Answer string

const (
	Yes     Answer = "yes"
	No      Answer = "no"
	Unknown Answer = "unknown"
)

// Screening is the safety screening answered when the parcel is opened.
type Screening struct {
	// Lithium: does it hold a lithium cell or battery?
	Lithium Answer `json:"lithium"`
	// CellDamaged: is a cell swollen, pierced, hot or leaking? Then it is isolated and never posted.
	CellDamaged Answer `json:"cell_damaged"`
	// Mains: does it connect to the mains?
	Mains Answer `json:"mains"`
	// Liquid: traces of liquid?
	Liquid Answer `json:"liquid"`
	Note   string `json:"note,omitempty"`
}

// Item is one thing that came in the parcel.
type Item struct {
	ID   int    `json:"id,omitempty"`
	Text string `json:"text"`
	// Device marks the device itself; all else is an extra.
	Device    bool   `json:"device,omitempty"`
	Condition string `json:"condition,omitempty"`
}

// Fate says where an item of the contents went when the parcel was packed.
type Fate string

const (
	FateReturned Fate = "returned" // in the parcel that goes back
	FateReplaced Fate = "replaced" // a new one goes back in its place
	FateRecycled Fate = "recycled" // disposed of, with the customer's consent
	FateKept     Fate = "kept"     // stays at the shop, as agreed
)

// PackedItem accounts for one item of the contents.
type PackedItem struct {
	Item int    `json:"item"`
	Fate Fate   `json:"fate"`
	Note string `json:"note,omitempty"`
}

// Reproduced says whether the customer's fault was seen at the bench.
type Reproduced string

const (
	FaultReproduced    Reproduced = "reproduced"
	FaultNotReproduced Reproduced = "not_reproduced"
	FaultIntermittent  Reproduced = "intermittent"
)

// Reproduction is the first try at the fault as the customer described it.
type Reproduction struct {
	Result Reproduced `json:"result"`
	// Note says how it was tried and for how long.
	Note string    `json:"note,omitempty"`
	At   time.Time `json:"at,omitzero"`
}

// PhotoKind says what a photo is for.
type PhotoKind string

const (
	PhotoArrival  PhotoKind = "arrival"  // parcel, packing, device as it came
	PhotoEvidence PhotoKind = "evidence" // proves a finding
	PhotoBefore   PhotoKind = "before"   // stands beside an "after" of the same place
	PhotoAfter    PhotoKind = "after"
	PhotoTest     PhotoKind = "test"
	PhotoPacking  PhotoKind = "packing"
)

// Copy is a shown copy of a photo: re-encoded, upright, without metadata.
type Copy struct {
	Digest string `json:"digest"`
	Width  int    `json:"width"`
	Height int    `json:"height"`
}

// Photo is one picture. The original is private; Large and Small are what people see.
type Photo struct {
	ID int `json:"id"`
	// Original is the hex SHA-256 of the file as it came.
	Original string    `json:"original"`
	Large    Copy      `json:"large"` // long side at most 1600 px
	Small    Copy      `json:"small"` // long side at most 480 px
	Kind     PhotoKind `json:"kind"`
	Caption  string    `json:"caption,omitempty"`
	// Alt says in words what can be seen, for those who can't see it.
	Alt string `json:"alt,omitempty"`
	// Pair is the photo of the same place before (or after), 0 if none.
	Pair  int       `json:"pair,omitempty"`
	Marks []Mark    `json:"marks,omitempty"`
	At    time.Time `json:"at,omitzero"`
	// Removed photos keep their place but are no longer shown.
	Removed bool `json:"removed,omitempty"`
}

// MarkKind is the shape of a mark on a photo.
type MarkKind string

const (
	MarkRing  MarkKind = "ring"  // X,Y centre; X2,Y2 a point on the ring
	MarkArrow MarkKind = "arrow" // from X2,Y2 to X,Y
	MarkPoint MarkKind = "point" // a numbered point at X,Y
	MarkBlur  MarkKind = "blur"  // the rectangle X,Y to X2,Y2 is made unreadable
)

// Mark is drawn over a photo. Coordinates are ten-thousandths of the upright photo's width and
// height, 0 to 10000.
type Mark struct {
	Kind   MarkKind `json:"kind"`
	X      int      `json:"x"`
	Y      int      `json:"y"`
	X2     int      `json:"x2,omitempty"`
	Y2     int      `json:"y2,omitempty"`
	Number int      `json:"number,omitempty"`
	// Text says what the mark points at; a screen reader reads it.
	Text string `json:"text,omitempty"`
}

// Suspect is a candidate cause of the fault, with what was checked about it.
type Suspect struct {
	ID   int    `json:"id"`
	Text string `json:"text"`
	// Cause is its entry among the catalogue's usual suspects, "" for one in the bench's own words.
	Cause string `json:"cause,omitempty"`
	// Weight is how likely it was to be the cause when it was named, in thousandths; 0 is not known.
	Weight int     `json:"weight,omitempty"`
	Checks []Check `json:"checks,omitempty"`
}

// Verdict is the outcome of the latest check that was not unclear, or unclear.
func (s Suspect) Verdict() CheckOutcome {
	out := CheckOutcome("")
	for _, c := range s.Checks {
		if c.Outcome != CheckUnclear || out == "" {
			out = c.Outcome
		}
	}
	return out
}

// CheckOutcome is what came of a check.
type CheckOutcome string

const (
	CheckConfirmed CheckOutcome = "confirmed"
	CheckRuledOut  CheckOutcome = "ruled_out"
	CheckUnclear   CheckOutcome = "unclear"
)

// Check is something done to a suspect, and what came of it.
type Check struct {
	Text    string       `json:"text,omitempty"`
	Outcome CheckOutcome `json:"outcome"`
	// Plan is the planned check that this was, 0 for another.
	Plan int `json:"plan,omitempty"`
	// Reading is a measured value with its unit, if there was one: "3.28 V (3.30 V expected)".
	Reading string `json:"reading,omitempty"`
	// Measurement is the reading taken apart, if it was.
	Measurement *Measurement `json:"measurement,omitempty"`
	Photos      []int        `json:"photos,omitempty"`
	At          time.Time    `json:"at,omitzero"`
}

// Report is a findings report as it was sent.
type Report struct {
	Number int       `json:"number"`
	SentAt time.Time `json:"sent_at,omitzero"`
	ReportText
	// Findings, Suspects and Photos are the ids that stood in it, in order.
	Findings []int `json:"findings,omitempty"`
	Suspects []int `json:"suspects,omitempty"`
	Photos   []int `json:"photos,omitempty"`
	// Head is the event chain's head when the report was sent, printed on it.
	Head string `json:"head"`
	// Said are the findings as they stood when it was sent, for the report itself and for the next one's
	// account of what changed. Folding fills it in; it stands in no event.
	Said []Finding `json:"said,omitempty"`
}

// Finding gives a finding as the report has it, nil if it is not in it. A job folded before reports kept
// their findings has them as they stand now.
func (r *Report) Finding(j *Job, id int) *Finding {
	for i := range r.Said {
		if r.Said[i].ID == id {
			return &r.Said[i]
		}
	}
	if r.Said == nil && slices.Contains(r.Findings, id) {
		return j.Finding(id)
	}
	return nil
}

// ReportText is what the technician writes in their own words; all else in the report comes from
// the findings.
type ReportText struct {
	// Short is the short answer: one or two sentences.
	Short string `json:"short"`
	// Cause says what is thought to be wrong.
	Cause string `json:"cause,omitempty"`
	// Certainty says how sure the bench is of Cause.
	Certainty Certainty `json:"certainty,omitempty"`
	// Proposal says what the bench proposes to do.
	Proposal string `json:"proposal,omitempty"`
	// Next says what happens next.
	Next string `json:"next,omitempty"`
}

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

// Test is one run of one test. The latest run of a name counts.
type Test struct {
	Name    string    `json:"name"`
	Passed  bool      `json:"passed"`
	Reading string    `json:"reading,omitempty"`
	Note    string    `json:"note,omitempty"`
	Photos  []int     `json:"photos,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// Ready records that the device is ready to go back, and what the customer was told about it.
type Ready struct {
	At   time.Time `json:"at,omitzero"`
	Note string    `json:"note,omitempty"`
}

// Shipment leaves the shop.
type Shipment struct {
	// InPerson: handed over at the counter; then there is no parcel number.
	InPerson bool   `json:"in_person,omitempty"`
	Carrier  string `json:"carrier,omitempty"`
	Parcel   string `json:"parcel,omitempty"`
	// WellFormed: the parcel number's check digit is right by Scheme's public rule. That does not
	// make it a parcel that exists.
	WellFormed   bool      `json:"well_formed,omitempty"`
	Scheme       string    `json:"scheme,omitempty"`
	Serial       string    `json:"serial,omitempty"`
	WarrantyDays int       `json:"warranty_days,omitempty"`
	At           time.Time `json:"at,omitzero"`
}

// Promise is a date told to the customer. The first is kept for ever; a later one carries its reason.
type Promise struct {
	Number int       `json:"number"`
	MadeAt time.Time `json:"made_at,omitzero"`
	// Starts is where the turnaround begins to count.
	Starts time.Time `json:"starts"`
	Quota  Quota     `json:"quota"`
	// Reason says why the date moved; "" for the first.
	Reason string `json:"reason,omitempty"`
	// BreachedAt is the due instant that the clock passed, zero while kept.
	BreachedAt time.Time `json:"breached_at,omitzero"`
	// Warned is the last share of the quota, in percent, that the counter was warned at.
	Warned int `json:"warned,omitempty"`
	// Risk is how probable the forecast said a miss is, in percent, when it raised its flag.
	Risk int `json:"risk,omitempty"`
}

// HoldReason says who a job is waiting for.
type HoldReason string

const (
	HoldParts    HoldReason = "parts"
	HoldCustomer HoldReason = "customer"
	HoldCarrier  HoldReason = "carrier"
	HoldPayment  HoldReason = "payment"
)

// Hold is why a job stands still while its stage does not change.
type Hold struct {
	Reason HoldReason `json:"reason"`
	// Note is told to the customer: what is awaited, and until when it is expected.
	Note string    `json:"note,omitempty"`
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
}

// Message is a letter between customer and bench.
type Message struct {
	ID   int       `json:"id"`
	By   Actor     `json:"by"`
	Text Sealed    `json:"text"`
	At   time.Time `json:"at,omitzero"`
	// Question marks a message that needs an answer; Answered is set by the other side's next one.
	Question bool `json:"question,omitempty"`
	Answered bool `json:"answered,omitempty"`
}

// LinkGrant is a link that was given out. The link itself is derived from ID by [link.Maker]; the
// store keeps its hash.
type LinkGrant struct {
	ID      string       `json:"id"`
	Purpose link.Purpose `json:"purpose"`
	// Quote is the revision that a decide link is for, or the number of the delay that a choose link is for.
	Quote     int       `json:"quote,omitempty"`
	IssuedAt  time.Time `json:"issued_at"`
	ExpiresAt time.Time `json:"expires_at"`
	Revoked   bool      `json:"revoked,omitempty"`
}

// NoticeRecord is a notice's fate as the job's history knows it.
type NoticeRecord struct {
	ID   string     `json:"id"`
	Kind NoticeKind `json:"kind"`
	At   time.Time  `json:"at,omitzero"`
	// Ref, Quote, With, Due and Asked are those of [NoticeMade].
	Ref   int       `json:"ref,omitempty"`
	Quote int       `json:"quote,omitempty"`
	With  string    `json:"with,omitempty"`
	Due   time.Time `json:"due,omitzero"`
	Asked bool      `json:"asked,omitempty"`
	// DeliveredAt is when the mail server accepted it; BuriedAt when it was given up; BouncedAt when it
	// came back after all. Reason says why.
	DeliveredAt time.Time `json:"delivered_at,omitzero"`
	BuriedAt    time.Time `json:"buried_at,omitzero"`
	BouncedAt   time.Time `json:"bounced_at,omitzero"`
	Reason      string    `json:"reason,omitempty"`
	// ToldAt is when the counter told the customer in another way.
	ToldAt time.Time `json:"told_at,omitzero"`
}

// waits reports whether the notice has not been sent yet.
func (n *NoticeRecord) waits() bool { return n.DeliveredAt.IsZero() && n.BuriedAt.IsZero() }

// Moment is one line of the story. Ref is the id of what it is about (photo, report, quote revision,
// promise, message …), by kind.
type Moment struct {
	Seq  int64     `json:"seq"`
	At   time.Time `json:"at,omitzero"`
	Kind EventKind `json:"kind"`
	By   Role      `json:"by"`
	Ref  int       `json:"ref,omitempty"`
	// From and To are stages, for stage.moved.
	From Stage `json:"from,omitempty"`
	To   Stage `json:"to,omitempty"`
}

// clone copies the job deeply, so that a command can be tried without touching the original.
func (j *Job) clone() *Job {
	c := *j
	vault := Vault{}
	j.secrets(vault)
	raw, err := json.Marshal(j)
	if err != nil {
		panic("workflow: a job that can't be encoded: " + err.Error())
	}
	c = Job{}
	if err := json.Unmarshal(raw, &c); err != nil {
		panic("workflow: a job that can't be decoded: " + err.Error())
	}
	vault.Unseal(&c)
	return &c
}

func (j *Job) secrets(into Vault) {
	for _, s := range []Sealed{j.Customer.Name, j.Customer.Email, j.Customer.Phone, j.Customer.Address, j.Fault} {
		into[s.Digest] = s.Text
	}
	for _, d := range j.Decisions {
		for _, s := range []Sealed{d.Name, d.Words, d.Address, d.Agent, d.SentTo, d.Shown} {
			into[s.Digest] = s.Text
		}
		if d.Call != nil {
			into[d.Call.Number.Digest] = d.Call.Number.Text
		}
	}
	for _, d := range j.Delays {
		for _, s := range []Sealed{d.Address, d.Agent} {
			into[s.Digest] = s.Text
		}
	}
	for _, s := range j.Subscriptions {
		into[s.Endpoint.Digest], into[s.Key.Digest], into[s.Auth.Digest] = s.Endpoint.Text, s.Key.Text, s.Auth.Text
	}
	for _, m := range j.Messages {
		into[m.Text.Digest] = m.Text.Text
	}
}

// Photo gives the photo with this id, nil if there is none (or it was removed).
func (j *Job) Photo(id int) *Photo {
	for i := range j.Photos {
		if j.Photos[i].ID == id && !j.Photos[i].Removed {
			return &j.Photos[i]
		}
	}
	return nil
}

// Finding gives the finding with this id, nil if there is none.
func (j *Job) Finding(id int) *Finding {
	for i := range j.Findings {
		if j.Findings[i].ID == id {
			return &j.Findings[i]
		}
	}
	return nil
}

// Quote gives the current revision, nil if none was issued.
func (j *Job) Quote() *Quote {
	if len(j.Quotes) == 0 {
		return nil
	}
	return &j.Quotes[len(j.Quotes)-1]
}

// Promise gives the current promise, nil if none was made.
func (j *Job) Promise() *Promise {
	if len(j.Promises) == 0 {
		return nil
	}
	return &j.Promises[len(j.Promises)-1]
}

// Hold gives the hold in force, nil if there is none.
func (j *Job) Hold() *Hold {
	if n := len(j.Holds); n > 0 && j.Holds[n-1].To.IsZero() {
		return &j.Holds[n-1]
	}
	return nil
}

// Ended reports whether the job has left the shop or was withdrawn.
func (j *Job) Ended() bool { return j.Stage == StageShipped || j.Stage == StageWithdrawn }

// Link gives the newest live grant for a purpose at an instant, nil if there is none.
func (j *Job) Link(purpose link.Purpose, now time.Time) *LinkGrant {
	for i := range slices.Backward(j.Links) {
		if l := &j.Links[i]; l.Purpose == purpose && !l.Revoked && now.Before(l.ExpiresAt) {
			return l
		}
	}
	return nil
}
