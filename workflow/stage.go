package workflow

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/promiseclock"
)

// Stage is where a job is.
type Stage string

// The stages, in the order of a job's way.
const (
	StageBooked           Stage = "booked"            // announced, not here yet
	StageReceived         Stage = "received"          // here, opened, listed
	StageDiagnosing       Stage = "diagnosing"        // being looked at
	StageAwaitingApproval Stage = "awaiting_approval" // a quote waits for the customer
	StageRepairing        Stage = "repairing"         // being worked on
	StageTesting          Stage = "testing"           // being proved, closed up, packed
	StageShipped          Stage = "shipped"           // left the shop
	StageWithdrawn        Stage = "withdrawn"         // ended without coming back
)

// stageNone is where a job that does not exist yet moves from.
const stageNone Stage = ""

// Stages lists every stage in the order of a job's way.
var Stages = []Stage{StageBooked, StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting, StageShipped, StageWithdrawn}

// words returns a stage as one says it.
func (s Stage) words() string { return strings.ReplaceAll(string(s), "_", " ") }

// Rank orders the stages along a job's way; what is no stage stands before all of them.
func (s Stage) Rank() int { return slices.Index(Stages, s) }

// Outcome is how a job ended, or is going to.
type Outcome string

const (
	OutcomeRepaired       Outcome = "repaired"
	OutcomePartlyRepaired Outcome = "partly_repaired" // and it says what is not
	OutcomeNoFault        Outcome = "no_fault_found"
	OutcomeCuredOutside   Outcome = "cured_outside" // the device is in order; what was wrong lay outside it
	OutcomeBeyondRepair   Outcome = "beyond_repair" // the bench can't, and says why
	OutcomeUnrepaired     Outcome = "returned_unrepaired"
	OutcomeRecycled       Outcome = "recycled"
	OutcomeCancelled      Outcome = "cancelled"
)

// Outcomes lists every outcome.
var Outcomes = []Outcome{OutcomeRepaired, OutcomePartlyRepaired, OutcomeNoFault, OutcomeCuredOutside, OutcomeBeyondRepair, OutcomeUnrepaired, OutcomeRecycled, OutcomeCancelled}

// Repaired reports whether the device leaves as one that works again, in whole or in part.
func (o Outcome) Repaired() bool { return o == OutcomeRepaired || o == OutcomePartlyRepaired }

// Explained returns what the bench has to say with an outcome, for the customer to read, "" for nothing.
func (o Outcome) Explained() string {
	switch o {
	case OutcomePartlyRepaired:
		return "Say in a few words what is not repaired, and why; the customer reads it."
	case OutcomeCuredOutside:
		return "Say in a few words what was wrong outside the device, and why that was it; the customer reads it."
	case OutcomeBeyondRepair:
		return "Say in a few words why it is beyond repair; the customer reads it."
	}
	return ""
}

// Transition is one row of the table that drives everything: the decisions, the counter's buttons,
// the tracking page's rail, the diagram.
type Transition struct {
	From, To Stage
	// Needs says in words what the guard asks for, for documentation.
	Needs string
	// ByCustomer marks a move that the customer's decision makes by itself.
	ByCustomer bool
	guard      func(g *gate)
}

// gate is one look at a row of the table for one job, in which guards note what is missing.
type gate struct {
	j       *Job
	shop    *Shop
	outcome Outcome
	reason  string
	missing []string
}

func (g *gate) need(ok bool, sentence string, args ...any) {
	if !ok {
		g.missing = append(g.missing, fmt.Sprintf(sentence, args...))
	}
}

// explained asks for what has to be said with the outcome, unless it was said before.
func (g *gate) explained() {
	why := g.outcome.Explained()
	g.need(why == "" || g.reason != "" || g.outcome == g.j.Outcome && !g.j.OutcomeWhy.Empty(), "%s", why)
}

// Transitions is the table. A move that has no row is not possible.
var Transitions = []Transition{
	{From: stageNone, To: StageBooked, Needs: "a customer with a way to reach them; a fault in the customer's own words", guard: guardNew},
	{From: stageNone, To: StageReceived, Needs: "the same; it was handed in", guard: guardNew},
	{From: StageBooked, To: StageReceived, Needs: "contents listed; an arrival photo; safety screening answered", guard: guardReceived},
	{From: StageReceived, To: StageDiagnosing, Needs: "condition noted; the fault reproduced, not reproduced, intermittent, or not tried (with why): said", guard: guardDiagnosing},
	{From: StageReceived, To: StageTesting, Needs: "a promise was missed, and the customer chose to have it back", ByCustomer: true, guard: guardChoseReturn},
	{From: StageDiagnosing, To: StageAwaitingApproval, Needs: "a findings report sent and a quote issued", guard: guardAwaiting},
	{From: StageDiagnosing, To: StageRepairing, Needs: "the quote is within the limit agreed beforehand, or an approval is still in force", guard: guardWithinLimit},
	{From: StageDiagnosing, To: StageTesting, Needs: "nothing to repair (no fault found, cured by the checks, cured outside the device), or beyond repair, with its reason", guard: guardNothingToRepair},
	{From: StageAwaitingApproval, To: StageRepairing, Needs: "an approval of the current revision; or a no to a further one, after which what was approved before stands", ByCustomer: true, guard: guardApproved},
	{From: StageAwaitingApproval, To: StageDiagnosing, Needs: "a question that needs the bench, or the quote withdrawn", guard: guardBackToBench},
	{From: StageAwaitingApproval, To: StageTesting, Needs: "declined: goes back unrepaired, after closing up and a safety check", ByCustomer: true, guard: guardDeclined},
	{From: StageRepairing, To: StageAwaitingApproval, Needs: "a further finding, and a new revision above what was approved; or the approval taken back in time", guard: guardFurther},
	{From: StageRepairing, To: StageDiagnosing, Needs: "the repair did not cure it: said", guard: guardNotCured},
	{From: StageRepairing, To: StageTesting, Needs: "what was done is recorded", guard: guardTesting},
	{From: StageTesting, To: StageRepairing, Needs: "a test failed", guard: guardTestFailed},
	{From: StageTesting, To: StageDiagnosing, Needs: "a test failed", guard: guardTestFailed},
	{From: StageTesting, To: StageAwaitingApproval, Needs: "the customer took their no back in time", ByCustomer: true, guard: guardTakenBack},
	{From: StageTesting, To: StageShipped, Needs: "required tests passed for what leaves as repaired; the safety test, whatever the outcome, where mains is yes or can't tell and the device was opened; duties done or waived, but never a danger's on what leaves as repaired; contents reconciled; balance settled where the shop demands it; parcel number, or handed over in person", guard: guardShipped},
	{From: StageBooked, To: StageWithdrawn, Needs: "cancelled, or never arrived", guard: guardCancelled},
	{From: StageAwaitingApproval, To: StageWithdrawn, Needs: "recycled with the customer's written consent", guard: guardRecycled},
}

// transition finds the row, nil if there is none.
func transition(from, to Stage) *Transition {
	for i := range Transitions {
		if t := &Transitions[i]; t.From == from && t.To == to {
			return t
		}
	}
	return nil
}

// Move is a row that starts at a job's stage, and whether it can be gone now.
type Move struct {
	To Stage
	// Missing lists, one plain sentence each, what is still needed; empty if the move can be made.
	Missing []string
	// ByCustomer marks a move that the customer's decision makes.
	ByCustomer bool
}

// Moves returns the rows that start at the job's stage: the counter's buttons.
func (j *Job) Moves(shop *Shop) []Move {
	var out []Move
	for _, t := range Transitions {
		if t.From != j.Stage || t.From == stageNone || t.From == StageReceived && t.To == StageTesting {
			continue // the last one is the customer's alone, and seldom
		}
		g := &gate{j: j, shop: shop, outcome: j.expectedOutcome(t.To), reason: "given when moving"}
		t.guard(g)
		if blocked := j.openDuties(t.To, g.outcome, shop); blocked != "" && !t.ByCustomer {
			g.missing = append(g.missing, blocked)
		}
		out = append(out, Move{To: t.To, Missing: g.missing, ByCustomer: t.ByCustomer})
	}
	return out
}

// expectedOutcome is the outcome that a move would have if nothing else is said.
func (j *Job) expectedOutcome(to Stage) Outcome {
	switch {
	case j.Outcome != "":
		return j.Outcome
	case to == StageWithdrawn && j.Stage == StageBooked:
		return OutcomeCancelled
	case to == StageWithdrawn:
		return OutcomeRecycled
	case j.Stage == StageDiagnosing && to == StageTesting:
		return OutcomeNoFault
	}
	return OutcomeRepaired
}

// Go moves the job along a row of the table.
type Go struct {
	To      Stage   `json:"to"`
	Outcome Outcome `json:"outcome,omitempty"`
	// Reason is wanted for a move back and for a withdrawal.
	Reason string `json:"reason,omitempty"`
}

func (c Go) decide(t *turn) error {
	if c.To == StageWithdrawn && t.now.Before(t.j.pendingUntil(t.shop)) {
		return refused("The customer can still take their consent back; the job is closed by itself when that time is over.")
	}
	return t.move(c.To, c.Outcome, c.Reason)
}

func (t *turn) move(to Stage, outcome Outcome, reason string) error {
	j := t.j
	row := transition(j.Stage, to)
	if row == nil {
		return refused("A job that is %s can't become %s.", j.Stage.words(), to.words())
	}
	why, err := t.text("reason", "The reason", reason, false)
	if err != nil {
		return err
	}
	if outcome == "" {
		outcome = j.expectedOutcome(to)
	} else if err := oneOf("outcome", "The outcome", outcome, Outcomes); err != nil {
		return err
	}
	g := &gate{j: j, shop: t.shop, outcome: outcome, reason: why.Text}
	row.guard(g)
	if blocked := j.openDuties(to, outcome, t.shop); blocked != "" && !row.ByCustomer && !(to == StageTesting && j.returning()) {
		g.missing = append(g.missing, blocked)
	}
	if len(g.missing) > 0 {
		return &Error{Code: CodeRefused, Message: g.missing[0], Missing: g.missing}
	}
	moved := &StageMoved{From: j.Stage, To: to, Reason: why, Queued: to == StageTesting && j.returning()}
	if to == StageTesting || to == StageShipped || to == StageWithdrawn {
		moved.Outcome = outcome
	}
	if row.From == StageDiagnosing && to == StageRepairing {
		if q := j.Quote(); q != nil && q.State == RevisionOpen {
			if err := t.approveWithinLimit(q); err != nil {
				return err
			}
			moved.Queued = true
		}
	}
	from := j.Stage
	if from == StageAwaitingApproval {
		moved.Queued = to == StageRepairing || to == StageTesting
		if err := t.resume("approval"); err != nil {
			return err
		}
	}
	if from == StageTesting {
		if err := t.resume("collection"); err != nil {
			return err
		}
	}
	if j.Hold() != nil && (to == StageShipped || to == StageWithdrawn) {
		if err := (LiftHold{}).decide(t); err != nil {
			return err
		}
	}
	if err := t.record(moved); err != nil {
		return err
	}
	switch to {
	case StageAwaitingApproval:
		if err := t.pause(promiseclock.AccountCustomer, "approval"); err != nil {
			return err
		}
	case StageReceived:
		if q, ok := j.onArrival(t.shop, t.now); ok && len(j.Promises) == 0 {
			return t.promise(q, Words{})
		}
	case StageShipped, StageWithdrawn:
		if err := t.noteBreach(); err != nil {
			return err
		}
		if err := t.wipePasscode(); err != nil {
			return err
		}
		return t.revokeLinks(link.Decide)
	}
	return nil
}

// StageMoved is a move along a row of the table.
type StageMoved struct {
	From    Stage   `json:"from"`
	To      Stage   `json:"to"`
	Outcome Outcome `json:"outcome,omitempty"`
	Reason  Words   `json:"reason,omitzero"`
	// Queued: what was decided waits for the bench to begin.
	Queued bool `json:"queued,omitempty"`
}

func (p *StageMoved) fold(j *Job, e *Event) {
	j.Stage, j.StageSince, j.QueuedAt, j.BegunAt = p.To, e.At, time.Time{}, time.Time{}
	if p.Queued {
		j.QueuedAt = e.At
	}
	if p.Outcome != "" {
		if j.Outcome != p.Outcome {
			j.OutcomeWhy = Words{}
			if p.Outcome.Explained() != "" {
				j.OutcomeWhy = p.Reason
			}
		}
		j.Outcome = p.Outcome
	}
	switch p.To {
	case StageReceived:
		j.ReceivedAt = e.At
	case StageTesting:
		j.overtakeDelays()
	case StageRepairing, StageDiagnosing:
		j.Outcome, j.OutcomeWhy, j.MadeSafe, j.Ready, j.Packed, j.Shipment, j.Running = "", Words{}, nil, nil, nil, nil, nil
	case StageShipped, StageWithdrawn:
		j.EndedAt, j.EndReason = e.At, p.Reason
		j.overtakeDelays()
	}
	j.Story = append(j.Story, Moment{Seq: e.Seq, At: e.At, Kind: e.Kind(), By: e.By.Role, From: p.From, To: p.To, Queued: p.Queued})
}

// Diagram returns the table as a Mermaid state diagram.
func Diagram() string {
	var b strings.Builder
	b.WriteString("stateDiagram-v2\n")
	for _, t := range Transitions {
		from := string(t.From)
		if t.From == stageNone {
			from = "[*]"
		}
		fmt.Fprintf(&b, "    %s --> %s\n", from, t.To)
	}
	for _, s := range []Stage{StageShipped, StageWithdrawn} {
		fmt.Fprintf(&b, "    %s --> [*]\n", s)
	}
	return b.String()
}
