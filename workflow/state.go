package workflow

import (
	"fmt"
	"strings"
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

// Outcome is how a job ended, or is going to.
type Outcome string

const (
	OutcomeRepaired   Outcome = "repaired"
	OutcomeNoFault    Outcome = "no_fault_found"
	OutcomeUnrepaired Outcome = "returned_unrepaired"
	OutcomeRecycled   Outcome = "recycled"
	OutcomeCancelled  Outcome = "cancelled"
)

// Outcomes lists every outcome.
var Outcomes = []Outcome{OutcomeRepaired, OutcomeNoFault, OutcomeUnrepaired, OutcomeRecycled, OutcomeCancelled}

// Transition is one row of the table that drives everything: the decisions, the counter's buttons,
// the tracking page's rail, the diagram.
type Transition struct {
	From, To Stage
	// Needs says in words what the guard asks for, for documentation.
	Needs string
	// ByCustomer marks a move that the customer's decision makes by itself.
	ByCustomer bool
	guard      func(m *moving)
}

// moving is one look at a row for one job: guards note what is missing.
type moving struct {
	j       *Job
	shop    *Shop
	outcome Outcome
	reason  string
	missing []string
}

func (m *moving) need(ok bool, sentence string, args ...any) {
	if !ok {
		m.missing = append(m.missing, fmt.Sprintf(sentence, args...))
	}
}

// Transitions is the table. A move that has no row is not possible.
var Transitions = []Transition{
	{From: stageNone, To: StageBooked, Needs: "a customer with a way to reach them; a fault in the customer's own words", guard: guardNew},
	{From: stageNone, To: StageReceived, Needs: "the same; it was handed in", guard: guardNew},
	{From: StageBooked, To: StageReceived, Needs: "contents listed; an arrival photo; safety screening answered", guard: guardReceived},
	{From: StageReceived, To: StageDiagnosing, Needs: "condition noted; the fault reproduced, not reproduced, or intermittent: said", guard: guardDiagnosing},
	{From: StageReceived, To: StageTesting, Needs: "a promise was missed, and the customer chose to have it back", ByCustomer: true, guard: guardChoseReturn},
	{From: StageDiagnosing, To: StageAwaitingApproval, Needs: "a findings report sent and a quote issued", guard: guardAwaiting},
	{From: StageDiagnosing, To: StageRepairing, Needs: "the quote is within the limit agreed beforehand, or an approval is still in force", guard: guardWithinLimit},
	{From: StageDiagnosing, To: StageTesting, Needs: "nothing to repair: no fault found, or cured by the checks themselves", guard: guardNothingToRepair},
	{From: StageAwaitingApproval, To: StageRepairing, Needs: "an approval of the current revision", ByCustomer: true, guard: guardApproved},
	{From: StageAwaitingApproval, To: StageDiagnosing, Needs: "a question that needs the bench, or the quote withdrawn", guard: guardBackToBench},
	{From: StageAwaitingApproval, To: StageTesting, Needs: "declined: goes back unrepaired, after closing up and a safety check", ByCustomer: true, guard: guardDeclined},
	{From: StageRepairing, To: StageAwaitingApproval, Needs: "a further finding, and a new revision above what was approved; or the approval taken back in time", guard: guardFurther},
	{From: StageRepairing, To: StageDiagnosing, Needs: "the repair did not cure it: said", guard: guardNotCured},
	{From: StageRepairing, To: StageTesting, Needs: "what was done is recorded", guard: guardTesting},
	{From: StageTesting, To: StageRepairing, Needs: "a test failed", guard: guardTestFailed},
	{From: StageTesting, To: StageDiagnosing, Needs: "a test failed", guard: guardTestFailed},
	{From: StageTesting, To: StageAwaitingApproval, Needs: "the customer took their no back in time", ByCustomer: true, guard: guardTakenBack},
	{From: StageTesting, To: StageShipped, Needs: "required tests passed (or outcome is not repaired); duties done or waived; contents reconciled; balance settled where the shop demands it; parcel number, or handed over in person", guard: guardShipped},
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

// Moves gives the rows that start at the job's stage: the counter's buttons.
func (j *Job) Moves(shop *Shop) []Move {
	var out []Move
	for _, t := range Transitions {
		if t.From != j.Stage || t.From == stageNone || t.From == StageReceived && t.To == StageTesting {
			continue // the last one is the customer's alone, and seldom
		}
		m := &moving{j: j, shop: shop, outcome: j.expectedOutcome(t.To), reason: "given when moving"}
		t.guard(m)
		if blocked := j.openDuties(t.To, shop); blocked != "" && !t.ByCustomer {
			m.missing = append(m.missing, blocked)
		}
		out = append(out, Move{To: t.To, Missing: m.missing, ByCustomer: t.ByCustomer})
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

// stageRank orders the stages along a job's way.
func stageRank(s Stage) int {
	for i, x := range Stages {
		if x == s {
			return i
		}
	}
	return -1
}

// openDuties gives one sentence about the duties that stand before a stage, "" if there are none.
// Going back (from testing to repairing) is never blocked by a duty, nor is a customer's decision: their
// no brings the job to testing, and from there the duties stand before shipping.
func (j *Job) openDuties(to Stage, shop *Shop) string {
	if stageRank(to) <= stageRank(j.Stage) || to == StageWithdrawn {
		return ""
	}
	var open []string
	for _, d := range j.Duties {
		if d.Open() && stageRank(d.Before) <= stageRank(to) {
			s := "“" + d.Text + "”"
			if why := j.why(d, shop.Trade()); why != "" {
				s += " (" + why + ")"
			}
			open = append(open, s)
		}
	}
	switch len(open) {
	case 0:
		return ""
	case 1:
		return "One duty is open: " + open[0] + ". Do it, or waive it with a reason that the customer will read."
	}
	return fmt.Sprintf("%d duties are open: %s. Do them, or waive each with a reason that the customer will read.", len(open), strings.Join(open, ", "))
}

func guardNew(m *moving) {
	c := m.j.Customer
	m.need(c.Name.Text != "", "Say who the customer is.")
	m.need(c.Email.Text != "" || c.Phone.Text != "", "Give a way to reach the customer: an e-mail address or a telephone number.")
	m.need(m.j.Fault.Text != "", "Write down the fault in the customer's own words.")
	m.need(m.j.Device.Kind != "", "Say what kind of device it is.")
}

func guardReceived(m *moving) {
	device := false
	for _, i := range m.j.Contents {
		device = device || i.Device
	}
	m.need(len(m.j.Contents) > 0, "List what was in the parcel.")
	m.need(len(m.j.Contents) == 0 || device, "Mark which item of the contents is the device.")
	m.need(m.j.hasPhoto(PhotoArrival), "Add at least one arrival photo.")
	m.need(m.j.Screening != nil, "Answer the safety screening (lithium cells, mains, liquid).")
}

func (j *Job) hasPhoto(k PhotoKind) bool {
	for _, p := range j.Photos {
		if p.Kind == k && !p.Removed {
			return true
		}
	}
	return false
}

func guardDiagnosing(m *moving) {
	m.need(m.j.Condition != "", "Note the condition the device came in.")
	m.need(m.j.Reproduction != nil, "Say whether the fault was reproduced, not reproduced, or is intermittent.")
	if s := m.j.Screening; s != nil && s.CellDamaged == Yes {
		m.need(strings.Contains(strings.ToLower(m.j.Condition+" "+s.Note), "isolat"), "A cell is damaged: isolate it first, and write in the condition that it is isolated.")
	}
}

func guardAwaiting(m *moving) {
	m.need(len(m.j.Reports) > 0, "Send a findings report first.")
	q := m.j.Quote()
	m.need(q != nil && q.State == QuoteOpen, "Issue a quote first.")
}

func guardWithinLimit(m *moving) {
	q := m.j.Quote()
	_, approved := m.j.Approved()
	switch {
	case approved != nil && approved.repairs() && q.State != QuoteOpen:
		// Approved before, and back at the bench: the approval still covers its total.
	case m.j.Limit == nil:
		m.need(false, "The customer agreed to no limit beforehand, so the quote needs their approval.")
	case q == nil || (q.State != QuoteOpen && q.State != QuoteApproved):
		m.need(false, "Issue a quote first.")
	default:
		m.need(q.withinLimit(m.j) != nil, "No repair in the quote is within the limit of %s that the customer agreed to beforehand.", m.j.Limit)
	}
}

// guardChoseReturn is the customer's choice after a promise was missed.
func guardChoseReturn(m *moving) {
	m.need(m.j.returning(), "The customer has not chosen to have it back unrepaired after a missed date.")
}

func guardNothingToRepair(m *moving) {
	if m.j.returning() {
		return
	}
	m.need(m.outcome == OutcomeNoFault || m.outcome == OutcomeRepaired, "Say whether no fault was found or the checks themselves cured it.")
	if q := m.j.Quote(); q != nil {
		m.need(q.State != QuoteOpen, "A quote is still open; withdraw it first.")
	}
	done := false
	for _, s := range m.j.Suspects {
		done = done || len(s.Checks) > 0
	}
	m.need(done, "Record at least one check, so that the customer can see what was looked at.")
}

func guardApproved(m *moving) {
	q := m.j.Quote()
	m.need(q != nil && q.State == QuoteApproved, "The customer has not approved the current revision of the quote.")
	if q != nil && q.State == QuoteApproved {
		o := q.Option(q.Approved)
		m.need(o != nil && o.repairs(), "The option that was approved is not a repair.")
	}
}

func guardBackToBench(m *moving) {
	q := m.j.Quote()
	withdrawn := q == nil || q.State == QuoteWithdrawn || q.State == QuoteExpired
	asked := false
	for _, msg := range m.j.Messages {
		asked = asked || (msg.Question && !msg.Answered)
	}
	m.need(withdrawn || asked, "There is no open question from the customer, and the quote has not been withdrawn.")
}

func guardDeclined(m *moving) {
	if m.j.returning() {
		return
	}
	q := m.j.Quote()
	ok := q != nil && (q.State == QuoteDeclined || q.State == QuoteExpired)
	if q != nil && q.State == QuoteApproved {
		o := q.Option(q.Approved)
		ok = o != nil && o.Kind == OptionReturn
	}
	m.need(ok, "The customer has not declined the quote.")
}

func guardTakenBack(m *moving) {
	m.need(m.j.takenBack(), "The customer has not taken their answer back.")
}

func guardFurther(m *moving) {
	if m.j.takenBack() {
		return
	}
	q := m.j.Quote()
	if q == nil || q.State != QuoteOpen || q.Revision < 2 {
		m.need(false, "Issue a new revision of the quote first.")
		return
	}
	_, approved := m.j.Approved()
	if approved == nil {
		return
	}
	above := false
	for _, o := range q.Options {
		above = above || o.Result.Total.Minor > approved.Result.Total.Minor
	}
	m.need(above, "The new revision is not above what was approved, so it needs no new approval.")
	further := false
	for _, f := range m.j.Findings {
		further = further || (!f.Withdrawn && f.At.After(m.j.StageSince.Add(-1)))
	}
	m.need(further, "Record the further finding first, so that the customer can see why the price rises.")
}

func guardNotCured(m *moving) {
	m.need(m.reason != "", "Say in a few words why it goes back to diagnosing.")
}

func guardTesting(m *moving) {
	if m.j.returning() {
		return
	}
	if len(m.j.Work) == 0 {
		m.need(false, "Record what was done.")
		return
	}
	m.need(!m.j.Work[len(m.j.Work)-1].At.Before(m.j.StageSince), "Record what was done since the device came back to the bench.")
	if q := m.j.Quote(); q != nil {
		m.need(q.State != QuoteOpen, "A further quote waits for an answer; move the job to awaiting approval, or withdraw the quote.")
	}
}

func guardTestFailed(m *moving) {
	failed := false
	for _, t := range m.j.LatestTests() {
		failed = failed || (!t.Passed && !t.At.Before(m.j.StageSince))
	}
	m.need(failed, "No test has failed.")
}

func guardShipped(m *moving) {
	j := m.j
	if m.outcome == OutcomeRepaired {
		passed := map[string]bool{}
		for _, t := range j.LatestTests() {
			passed[t.Name] = t.Passed && !t.At.Before(j.StageSince)
		}
		for _, name := range m.shop.Tests {
			m.need(passed[name], "The test “%s” has not passed yet.", name)
		}
		for name, ok := range passed {
			if !ok {
				m.need(contains(m.shop.Tests, name), "The test “%s” has failed.", name)
			}
		}
	} else if j.Screening != nil && j.Screening.Mains == Yes {
		safe := false
		for _, t := range j.LatestTests() {
			safe = safe || t.Passed && strings.EqualFold(t.Name, SafetyTest)
		}
		m.need(safe, "The device is mains-operated and was opened: record a passed “%s” first.", SafetyTest)
	}
	accounted := map[int]bool{}
	for _, p := range j.Packed {
		accounted[p.Item] = true
	}
	for _, i := range j.Contents {
		m.need(accounted[i.ID], "“%s” came in with the parcel and is not accounted for.", i.Text)
	}
	if m.shop.SettleFirst {
		b := j.Balance(m.shop)
		m.need(b.Minor <= 0, "%s is still to be paid; the shop sends nothing back before that.", b)
	}
	m.need(j.Shipment != nil, "Give the parcel number, or say that it was handed over in person.")
	if j.Shipment != nil && j.Device.Serial != "" && j.Shipment.Serial != "" {
		m.need(strings.EqualFold(j.Device.Serial, j.Shipment.Serial), "The serial number read at packing (%s) is not the one read on arrival (%s).", j.Shipment.Serial, j.Device.Serial)
	}
	if j.Shipment != nil && !j.Shipment.InPerson {
		m.need(!j.cellIn(), "A damaged cell is still with the device: it must not be posted. Take it out and record that first, or hand the device over in person.")
	}
}

func guardCancelled(m *moving) {
	m.need(m.outcome == OutcomeCancelled, "A job that has not arrived can only be cancelled.")
}

func guardRecycled(m *moving) {
	q := m.j.Quote()
	ok := false
	if q != nil && q.State == QuoteApproved {
		o := q.Option(q.Approved)
		ok = o != nil && o.Kind == OptionRecycle
	}
	m.need(ok, "The customer has not consented in writing to recycling: that takes an approved recycling option.")
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// SafetyTest is the name of the test that a mains-operated device which was opened must have passed
// before it goes back unrepaired (common practice, no source).
const SafetyTest = "Electrical safety"

// LatestTests gives the latest run of each test, in the order of first run.
func (j *Job) LatestTests() []Test {
	var out []Test
	at := map[string]int{}
	for _, t := range j.Tests {
		if i, ok := at[t.Name]; ok {
			out[i] = t
			continue
		}
		at[t.Name] = len(out)
		out = append(out, t)
	}
	return out
}

// Diagram gives the table as a Mermaid state diagram.
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
