package api

import (
	"math"
	"strconv"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// Job is a job as this interface shows it: the domain's own parts, with personal data in the clear
// for those who may see it.
type Job struct {
	Number     workflow.JobNumber `json:"number"`
	Version    int64              `json:"version"`
	Head       string             `json:"head"`
	Stage      workflow.Stage     `json:"stage"`
	Outcome    workflow.Outcome   `json:"outcome,omitempty"`
	OutcomeWhy string             `json:"outcome_why,omitempty"`
	StageSince time.Time          `json:"stage_since"`
	BookedAt   time.Time          `json:"booked_at"`
	ReceivedAt *time.Time         `json:"received_at,omitempty"`
	EndedAt    *time.Time         `json:"ended_at,omitempty"`
	ChangedAt  time.Time          `json:"changed_at"`

	Customer Customer           `json:"customer"`
	Device   workflow.Device    `json:"device"`
	Fault    string             `json:"fault"`
	Follows  workflow.JobNumber `json:"follows,omitempty"`
	Limit    *money.Amount      `json:"limit,omitempty"`
	Inbound  string             `json:"inbound,omitempty"`
	// Wishes are what the customer wants done with data and parcel; OwnChange is what they asked for on their page and
	// have not confirmed yet.
	Wishes    workflow.Wishes `json:"wishes,omitzero"`
	OwnChange *OwnChange      `json:"own_change,omitempty"`

	Screening    *workflow.Screening    `json:"screening,omitempty"`
	Contents     []workflow.Item        `json:"contents"`
	Condition    string                 `json:"condition,omitempty"`
	Reproduction *workflow.Reproduction `json:"reproduction,omitempty"`
	Photos       []workflow.Photo       `json:"photos"`
	Symptom      string                 `json:"symptom,omitempty"`
	AlsoDoes     []string               `json:"also_does"`
	Suspects     []workflow.Suspect     `json:"suspects"`
	Plans        []workflow.CheckPlan   `json:"plans"`
	Ledger       Ledger                 `json:"ledger"`
	Findings     []workflow.Finding     `json:"findings"`
	Duties       []workflow.Duty        `json:"duties"`
	Reports      []workflow.Report      `json:"reports"`
	Quotes       []workflow.Quote       `json:"quotes"`
	Decisions    []Decision             `json:"decisions"`
	Payments     []workflow.Payment     `json:"payments"`
	Work         []workflow.Work        `json:"work"`
	Tests        []workflow.Test        `json:"tests"`
	// Running is a test that runs by itself, MadeSafe how a device that stays dangerous was made safe to go back.
	Running   *workflow.RunningTest `json:"running,omitempty"`
	MadeSafe  *MadeSafe             `json:"made_safe,omitempty"`
	Packed    []workflow.PackedItem `json:"packed"`
	Shipment  *workflow.Shipment    `json:"shipment,omitempty"`
	Damage    *workflow.Damage      `json:"damage,omitempty"`
	Promises  []workflow.Promise    `json:"promises"`
	Level     *workflow.JobLevel    `json:"level,omitempty"`
	Targets   []Target              `json:"targets"`
	Delays    []Delay               `json:"delays"`
	DelayNote *workflow.DelayNote   `json:"delay_note,omitempty"`
	DueAt     *time.Time            `json:"due_at" jsonschema:"nullable"`
	Breached  bool                  `json:"breached"`
	Holds     []workflow.Hold       `json:"holds"`
	Pauses    []promiseclock.Pause  `json:"pauses"`
	Messages  []Message             `json:"messages"`
	Notices   []workflow.Notice     `json:"notices"`
	Charge    money.Amount          `json:"charge"`
	Paid      money.Amount          `json:"paid"`
	Balance   money.Amount          `json:"balance"`
	// Standing is what is true for the customer now: where, what is needed of them, the date, the money, what
	// comes next.
	Standing workflow.Standing `json:"standing"`
	// Todo is what its stage asks of bench and counter, in the order in which it is done.
	Todo []workflow.Todo `json:"todo"`
	// Moves are the rows of the table that start here, with what each still needs.
	Moves []Move `json:"moves"`
	// Forecast is when it will most likely leave; it is left out where the shop's own history says too little.
	Forecast *Forecast `json:"forecast,omitempty"`
}

// MadeSafe is how a device that stays dangerous was made safe to go back unrepaired.
type MadeSafe struct {
	Done  string `json:"done"`
	Label string `json:"label"`
	// Word is what the customer wrote.
	Word string    `json:"word"`
	At   time.Time `json:"at"`
}

// madeSafe is nil where it was not, or where it has been opened since.
func madeSafe(j *workflow.Job) *MadeSafe {
	m := j.SafeToReturn()
	if m == nil {
		return nil
	}
	return &MadeSafe{m.Done, m.Label, m.Word.Text, m.At}
}

// Forecast is an estimate from the shop's own history: eight in ten jobs like this one leave from From to To.
type Forecast struct {
	From   time.Time  `json:"from"`
	Median *time.Time `json:"median,omitempty"`
	To     time.Time  `json:"to"`
	// Jobs is how many ended jobs it rests on, and Kind the kind of device that they all are, left out for any.
	Jobs int    `json:"jobs"`
	Kind string `json:"kind,omitempty"`
}

// Ledger is how likely each suspect is by now, and which check is proposed next. Nobody has to follow it.
type Ledger struct {
	Chances []Chance `json:"chances"`
	// Plan is the planned check that is proposed, 0 if none is left.
	Plan int `json:"plan,omitempty"`
	// Minutes include the steps that have to be opened for it.
	Minutes float64  `json:"minutes,omitempty"`
	Opens   []string `json:"opens,omitempty"`
	// Why says in words what speaks for it.
	Why string `json:"why,omitempty"`
}

// Chance is how likely a suspect is to be the cause; suspect 0 is one that nobody has named yet.
type Chance struct {
	Suspect int     `json:"suspect"`
	Percent float64 `json:"percent"`
}

// ledgerOf shows the job's ledger; one that can't be made is empty.
func ledgerOf(j *workflow.Job) Ledger {
	out := Ledger{Chances: []Chance{}}
	l, err := j.Ledger()
	if err != nil || len(j.Suspects) == 0 {
		return out
	}
	for id := range len(j.Suspects) + 1 {
		out.Chances = append(out.Chances, Chance{id, math.Round(l.Chance(strconv.Itoa(id))*1000) / 10})
	}
	if p, ok := l.Next(); ok {
		out.Plan, _ = strconv.Atoi(p.Check)
		out.Minutes, out.Opens, out.Why = p.Minutes, p.Opens, templates.WhyCheck(p)
	}
	return out
}

// Customer is the person to tell.
type Customer struct {
	Name     string `json:"name"`
	Email    string `json:"email,omitempty"`
	Phone    string `json:"phone,omitempty"`
	Address  string `json:"address,omitempty"`
	Language string `json:"language"`
	TimeZone string `json:"time_zone,omitempty"`
	// Company and TaxNumber stand on papers beside the name.
	Company   string `json:"company,omitempty"`
	TaxNumber string `json:"tax_number,omitempty"`
	// Erased: the person was erased from the job.
	Erased bool `json:"erased,omitempty"`
}

// OwnChange is another way to reach the customer, which they gave on their page; of names what changes.
type OwnChange struct {
	Number  int       `json:"number"`
	Of      []string  `json:"of"`
	Email   string    `json:"email,omitempty"`
	Phone   string    `json:"phone,omitempty"`
	Address string    `json:"address,omitempty"`
	At      time.Time `json:"at"`
}

func ownChange(j *workflow.Job) *OwnChange {
	x := j.OpenChange()
	if x == nil {
		return nil
	}
	return &OwnChange{x.Number, x.Of, x.Email.Text, x.Phone.Text, x.Address.Text, x.At}
}

// Decision is a customer's answer with its evidence.
type Decision struct {
	Verdict  workflow.Verdict `json:"verdict"`
	Revision int              `json:"revision"`
	Digest   string           `json:"digest"`
	Option   string           `json:"option,omitempty"`
	// Kept is the revision whose approval a no to a further quote left in force, left out where it comes back.
	Kept    int            `json:"kept,omitempty"`
	Name    string         `json:"name,omitempty"`
	Words   string         `json:"words,omitempty"`
	Total   *money.Amount  `json:"total,omitempty"`
	At      time.Time      `json:"at"`
	By      workflow.Actor `json:"by"`
	Address string         `json:"address,omitempty"`
	Agent   string         `json:"agent,omitempty"`
	// SentTo is the mail address that the link had been sent to, Shown the summary above the button.
	SentTo string `json:"sent_to,omitempty"`
	Shown  string `json:"shown,omitempty"`
	// Called and CalledAt are of an answer by telephone.
	Called   string    `json:"called,omitempty"`
	CalledAt time.Time `json:"called_at,omitzero"`
	// UndoneAt is when it was taken back, left out while it stands.
	UndoneAt time.Time `json:"undone_at,omitzero"`
}

// Target is something that the job's level of service wants done within a time.
type Target struct {
	Kind  workflow.TargetKind `json:"kind"`
	DueAt *time.Time          `json:"due_at,omitempty"`
	MetAt *time.Time          `json:"met_at,omitempty"`
	Late  bool                `json:"late"`
}

// Delay is what was told about a missed promise, and what the customer chose.
type Delay struct {
	workflow.DelayTerms
	Digest     string               `json:"digest"`
	Choice     workflow.DelayChoice `json:"choice,omitempty"`
	Unanswered bool                 `json:"unanswered,omitempty"`
	ChosenAt   *time.Time           `json:"chosen_at,omitempty"`
	By         workflow.Actor       `json:"by,omitzero"`
	Address    string               `json:"address,omitempty"`
	Agent      string               `json:"agent,omitempty"`
	// Open: the customer can still choose.
	Open bool `json:"open"`
}

// Message is a letter between customer and bench.
type Message struct {
	ID       int            `json:"id"`
	By       workflow.Actor `json:"by"`
	Text     string         `json:"text"`
	At       time.Time      `json:"at"`
	Question bool           `json:"question,omitempty"`
	Answered bool           `json:"answered,omitempty"`
	// Came is how it came, left out where nobody knows. Doubtful: it may redirect the parcel, or change who is asked, and
	// is not to be acted on before the address on file has confirmed it; Confirmed is what that said.
	Came        workflow.Came      `json:"came,omitempty"`
	Doubtful    bool               `json:"doubtful,omitempty"`
	Confirmed   workflow.Confirmed `json:"confirmed,omitempty"`
	ConfirmedAt time.Time          `json:"confirmed_at,omitzero"`
}

// Move is a row of the transition table that starts at the job's stage.
type Move struct {
	To      workflow.Stage `json:"to"`
	Missing []string       `json:"missing"`
}

func (a *api) view(j *workflow.Job) *Job {
	shop := a.s.Shop()
	out := &Job{
		Number: j.Number, Version: j.Version, Head: j.Head, Stage: j.Stage, Outcome: j.Outcome, OutcomeWhy: j.OutcomeWhy.Text, StageSince: j.StageSince,
		BookedAt: j.BookedAt, ReceivedAt: instant(j.ReceivedAt), EndedAt: instant(j.EndedAt), ChangedAt: j.ChangedAt,
		Customer: Customer{
			Name: j.Customer.Name.Text, Email: j.Customer.Email.Text, Phone: j.Customer.Phone.Text, Address: j.Customer.Address.Text,
			Language: j.Customer.Language, TimeZone: j.Customer.TimeZone, Erased: !j.Erased.IsZero(),
			Company: j.Customer.Company.Text, TaxNumber: j.Customer.TaxNumber.Text,
		},
		Wishes: j.Wishes, OwnChange: ownChange(j),
		Device: j.Device, Fault: j.Fault.Text, Follows: j.Follows, Limit: j.Limit, Inbound: j.Inbound.Text,
		Screening: j.Screening, Contents: list(j.Contents), Condition: j.Condition.Text, Reproduction: j.Reproduction,
		Symptom: j.Symptom, AlsoDoes: list(j.AlsoDoes), Suspects: list(j.Suspects), Plans: list(j.Plans), Ledger: ledgerOf(j), Findings: list(j.Findings), Duties: list(j.Duties), Reports: list(j.Reports), Quotes: list(j.Quotes),
		Payments: list(j.Payments), Work: list(j.Work), Tests: list(j.Tests), Running: j.Running, MadeSafe: madeSafe(j), Packed: list(j.Packed), Shipment: j.Shipment, Damage: j.Damage,
		Promises: list(j.Promises), Holds: list(j.Holds), Pauses: list(j.Pauses), Notices: list(j.Notices),
		Photos: []workflow.Photo{}, Decisions: []Decision{}, Messages: []Message{}, Moves: []Move{},
		Charge: j.Charge(shop), Paid: j.Paid(shop), Balance: j.Balance(shop),
	}
	for _, p := range j.Photos {
		if !p.Removed {
			out.Photos = append(out.Photos, p)
		}
	}
	for _, r := range j.ExportedDecisions() {
		out.Decisions = append(out.Decisions, Decision{
			Verdict: r.Verdict, Revision: r.Revision, Digest: r.Digest, Option: r.Option, Kept: r.Kept, Name: r.Name, Words: r.Words,
			Total: r.Total, At: r.At, By: r.By, Address: r.Address, Agent: r.Agent, SentTo: r.SentTo, Shown: r.Shown,
			Called: r.Called, CalledAt: r.CalledAt, UndoneAt: r.UndoneAt,
		})
	}
	for _, m := range j.Messages {
		out.Messages = append(out.Messages, Message{ID: m.ID, By: m.By, Text: m.Text.Text, At: m.At, Question: m.Question, Answered: m.Answered,
			Came: j.Came(&m), Doubtful: m.Doubtful(), Confirmed: m.Confirmed, ConfirmedAt: m.ConfirmedAt})
	}
	out.Level, out.DelayNote, out.Targets, out.Delays = j.Level, j.DelayNote, []Target{}, []Delay{}
	now := a.s.Now()
	out.Standing, out.Todo = j.Standing(shop, now), list(j.Todo(shop, workflow.RoleOwner))
	for _, x := range j.Targets(shop) {
		out.Targets = append(out.Targets, Target{x.Kind, instant(x.Due), instant(x.MetAt), x.Late(now)})
	}
	for i := range j.Delays {
		d := &j.Delays[i]
		out.Delays = append(out.Delays, Delay{d.DelayTerms, d.Digest, d.Choice, d.Unanswered, instant(d.ChosenAt), d.By, d.Address.Text, d.Agent.Text, d.Open(now)})
	}
	for _, m := range j.Moves(shop) {
		out.Moves = append(out.Moves, Move{To: m.To, Missing: list(m.Missing)})
	}
	if due, ok := j.Due(shop); ok {
		out.DueAt = &due
	}
	if p := j.Promise(); p != nil {
		out.Breached = !p.BreachedAt.IsZero()
	}
	if f := a.s.Forecast(); f != nil {
		if o, err := f.Outlook(j, a.s.Now()); err == nil {
			out.Forecast = &Forecast{From: o.From, Median: instant(o.Median), To: o.To, Jobs: o.Jobs, Kind: o.Kind}
		}
	}
	return out
}

// list returns an empty list for a missing one, so that callers need not tell the two apart.
func list[T any](x []T) []T {
	if x == nil {
		return []T{}
	}
	return x
}

func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
