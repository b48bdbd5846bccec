package workflow

import (
	"strings"
	"time"

	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
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
	// OutcomeWhy is what the bench says with it, for those that need a word: see [Outcome.Explained].
	OutcomeWhy Words `json:"outcome_why,omitzero"`
	// StageSince is when the job came to its stage.
	StageSince time.Time `json:"stage_since"`
	// QueuedAt is since when what was decided waits for the bench, zero once it has begun, and where nothing
	// waits; BegunAt is when it began.
	QueuedAt   time.Time `json:"queued_at,omitzero"`
	BegunAt    time.Time `json:"begun_at,omitzero"`
	BookedAt   time.Time `json:"booked_at"`
	ReceivedAt time.Time `json:"received_at,omitzero"`
	// EndedAt is when the job was shipped or withdrawn.
	EndedAt time.Time `json:"ended_at,omitzero"`
	// EndReason is why it ended as it did, where somebody said.
	EndReason Words `json:"end_reason,omitzero"`
	// ChangedAt is the instant of the last event.
	ChangedAt time.Time `json:"changed_at"`

	Customer Customer `json:"customer"`
	// Unproven is set while nobody knows whether the email address is the customer's, see [Job.Stranger]; Confirms
	// while the booking waits for that.
	Unproven bool `json:"unproven,omitempty"`
	Confirms bool `json:"confirms,omitempty"`

	// OwnChanges are new ways to reach the customer that they gave on their page, answered ones among them.
	OwnChanges []Change `json:"own_changes,omitempty"`
	// Wishes are what is to be done with data and parcel; Passcode unlocks the device, nil if there is none.
	Wishes   Wishes    `json:"wishes,omitzero"`
	Passcode *Passcode `json:"passcode,omitempty"`

	Device Device `json:"device"`
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
	ChargedWhy Words         `json:"charged_why,omitzero"`
	// Inbound is the number of the parcel on its way to the shop, as the customer gave it.
	Inbound Words `json:"inbound,omitzero"`

	Screening    *Screening    `json:"screening,omitempty"`
	Contents     []Item        `json:"contents,omitempty"`
	Condition    Words         `json:"condition,omitzero"`
	Reproduction *Reproduction `json:"reproduction,omitempty"`
	Photos       []Photo       `json:"photos,omitempty"`
	// Symptom is what the device does, in the catalogue's terms, "" if that was not said.
	// AlsoDoes are further ones, see [Job.Symptoms]; Does are all of them in the customer's language.
	Symptom  string    `json:"symptom,omitempty"`
	AlsoDoes []string  `json:"also_does,omitempty"`
	Does     []string  `json:"does,omitempty"`
	Suspects []Suspect `json:"suspects,omitempty"`
	// Plans are the checks that can be done.
	Plans     []CheckPlan `json:"plans,omitempty"`
	Findings  []Finding   `json:"findings,omitempty"`
	Duties    []Duty      `json:"duties,omitempty"`
	Reports   []Report    `json:"reports,omitempty"`
	Quotes    []Quote     `json:"quotes,omitempty"`
	Decisions []Decision  `json:"decisions,omitempty"`
	Payments  []Payment   `json:"payments,omitempty"`
	Work      []Work      `json:"work,omitempty"`
	Tests     []Test      `json:"tests,omitempty"`
	// Running is a test that runs by itself, nil if none does.
	Running *RunningTest `json:"running,omitempty"`
	// MadeSafe is how a device that stays dangerous was made safe to go back; see [Job.SafeToReturn].
	MadeSafe *MadeSafe    `json:"made_safe,omitempty"`
	Ready    *Ready       `json:"ready,omitempty"`
	Packed   []PackedItem `json:"packed,omitempty"`
	// Damage is damage in transit, nil where nothing was written down about it.
	Damage   *Damage   `json:"damage,omitempty"`
	Shipment *Shipment `json:"shipment,omitempty"`
	// ArriveBy is the day by which the parcel should have arrived, once that has passed and nobody had said that it
	// did. Arrival is what was said last, Arrivals whether it had arrived, each time.
	ArriveBy string   `json:"arrive_by,omitempty"`
	Arrival  *Arrival `json:"arrival,omitempty"`
	Arrivals []bool   `json:"arrivals,omitempty"`
	// Returns are the jobs under which the device came back under warranty.
	Returns  []JobNumber `json:"returns,omitempty"`
	Promises []Promise   `json:"promises,omitempty"`
	Holds    []Hold      `json:"holds,omitempty"`
	// Pauses are the stretches during which the promise clock stands still, in order of From.
	Pauses []promiseclock.Pause `json:"pauses,omitempty"`
	// Level is the level of service, nil where the shop has none; Missed are its targets that were missed.
	Level  *JobLevel      `json:"level,omitempty"`
	Missed []MissedTarget `json:"missed,omitempty"`
	// Delays are what was told about promises that were missed; DelayNote is written for the next one.
	Delays    []Delay    `json:"delays,omitempty"`
	DelayNote *DelayNote `json:"delay_note,omitempty"`

	Messages []Message   `json:"messages,omitempty"`
	Links    []LinkGrant `json:"links,omitempty"`
	Notices  []Notice    `json:"notices,omitempty"`
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

// Ended reports whether the job has left the shop or was withdrawn.
func (j *Job) Ended() bool { return j.Stage == StageShipped || j.Stage == StageWithdrawn }

// Received reports whether the device has come in.
func (j *Job) Received() bool { return !j.ReceivedAt.IsZero() }

// Moment is one line of the story. Ref is the id of what it is about (photo, report, quote revision,
// promise, message …), by kind.
type Moment struct {
	Seq  int64     `json:"seq"`
	At   time.Time `json:"at,omitzero"`
	Kind EventKind `json:"kind"`
	By   Role      `json:"by"`
	Ref  int       `json:"ref,omitempty"`
	// From and To are stages, for stage.moved; work.begun has the stage in which it began in From.
	From Stage `json:"from,omitempty"`
	To   Stage `json:"to,omitempty"`
	// Queued marks a move after which the bench has not begun yet.
	Queued bool `json:"queued,omitempty"`
}

// addMoment adds an event to the story.
func (j *Job) addMoment(e *Event, ref int) {
	j.Story = append(j.Story, Moment{Seq: e.Seq, At: e.At, Kind: e.Kind(), By: e.By.Role, Ref: ref})
}

// apply folds a decoded event into the job. It is the only way in which a job changes.
func (j *Job) apply(e *Event) error {
	if err := e.Decode(); err != nil {
		return err
	}
	e.Payload.fold(j, e)
	hash, err := e.Hash()
	if err != nil {
		return err
	}
	j.Version, j.Head, j.ChangedAt = e.Seq, hash, e.At
	return nil
}

// Replay folds a job's whole history into the job.
func Replay(events []*Event) (*Job, error) {
	j := &Job{}
	for _, e := range events {
		if err := j.apply(e); err != nil {
			return nil, err
		}
	}
	return j, nil
}

func (j *Job) index(shop *Shop) Index {
	x := Index{
		Stage: j.Stage, Ended: j.Ended(), Title: j.Device.Name(), Person: j.Customer.Name.Text, ChangedAt: j.ChangedAt,
		Waiting: j.Unanswered() != nil || len(j.Undelivered()) > 0 || j.pressing() || j.toRing() || j.Untold(),
	}
	if j.Unconfirmed() {
		x.Stage, x.Ended = StageUnconfirmed, true
	}
	if due, ok := j.Due(shop); ok {
		x.DueAt = due
	}
	if j.Unarrived() {
		x.Stage, x.Waiting = StageUnarrived, x.Waiting || j.Arrival != nil
		if day, ok := j.ShouldArrive(shop); ok {
			x.DueAt = midnight(shop, day)
		}
	}
	if p := j.Promise(); p != nil {
		x.Breached = !p.BreachedAt.IsZero()
	}
	if h := j.Hold(); h != nil {
		x.OnHold = h.Reason
	}
	words := []string{string(j.Number), x.Title, x.Person, j.Customer.Email.Text, j.Customer.Phone.Text, j.Device.Serial.Text, j.Fault.Text, j.Inbound.Text}
	if j.Shipment != nil {
		words = append(words, j.Shipment.Parcel.Text)
	}
	for _, it := range j.Contents {
		words = append(words, it.Text)
	}
	x.Text = strings.Join(words, "\n")
	return x
}
