package mail

import (
	"bytes"
	"context"
	"sync"
	"testing"
	"time"

	"benchword/notify/notifytest"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

var (
	counter  = notifytest.Counter
	customer = notifytest.Customer
	clock    = notifytest.System
)

// bench is a shop with everything in memory.
type bench struct {
	t      testing.TB
	svc    *workflow.Service
	store  *memory.Store
	clock  *notifytest.Clock
	photos *evidence.Memory
	mails  *Writer
	n      workflow.JobNumber
	nth    int
}

var loadTemplates = sync.OnceValues(templates.Load)

func newBench(t testing.TB) *bench {
	b := &bench{t: t, store: memory.New(), photos: &evidence.Memory{}}
	b.clock = notifytest.NewClock(time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC))
	b.svc = notifytest.Service(t, b.store, b.clock.Now, notifytest.NewDice(7))
	set, err := loadTemplates()
	require.NoError(t, err)
	b.mails = &Writer{Service: b.svc, Templates: set, Photos: b.photos}
	return b
}

// do takes a step of the job in hand; Book begins another.
func (b *bench) do(by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	b.t.Helper()
	b.clock.Move(time.Second)
	o := workflow.Order{Job: b.n, By: by, Commands: commands}
	if _, ok := commands[0].(workflow.Book); ok {
		o.Job = ""
	}
	j, err := b.svc.Do(context.Background(), o)
	require.NoError(b.t, err)
	b.n = j.Number
	return j
}

func (b *bench) job() *workflow.Job {
	j, err := b.svc.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	return j
}

// by is the customer by their link for a purpose.
func (b *bench) by(p link.Purpose) workflow.Actor {
	b.t.Helper()
	g := b.job().Link(p, b.clock.Now())
	require.NotNil(b.t, g, p)
	return workflow.Actor{Role: workflow.RoleCustomer, ID: g.ID}
}

// photo puts a picture on the job in hand.
func (b *bench) photo(kind workflow.PhotoKind, caption, alt string, pair int, marks ...workflow.Mark) int {
	b.t.Helper()
	b.nth++
	f := evidence.Folder{Shop: b.svc.Shop.ID, Job: b.n, Area: evidence.Shown}
	large, _, err := b.photos.Put(context.Background(), f, bytes.NewReader(notifytest.Picture(1200, 900, uint8(b.nth))))
	require.NoError(b.t, err)
	small, _, err := b.photos.Put(context.Background(), f, bytes.NewReader(notifytest.Picture(480, 360, uint8(b.nth))))
	require.NoError(b.t, err)
	j := b.do(counter, workflow.AddPhoto{Photo: workflow.Photo{
		Original: string(large), Kind: kind, Caption: workflow.Plain(caption), Alt: workflow.Plain(alt), Pair: pair, Marks: marks,
		Copies: workflow.Copies{Large: workflow.Copy{Digest: string(large), Width: 1200, Height: 900}, Small: workflow.Copy{Digest: string(small), Width: 480, Height: 360}},
	}})
	return j.Photos[len(j.Photos)-1].ID
}

func (b *bench) book(name string) {
	b.do(customer, workflow.Book{
		Person: workflow.Person{Name: name, Email: "maud@example.org", Phone: "+1 902 555 0177", Address: "4 Cedar Lane\nMill Cove", Language: "en", TimeZone: "America/St_Johns"},
		Kind:   "film scanner", Maker: "Tarnside", Model: "FS-40",
		Fault: "It starts, whirrs, then stops half-way through a frame.\nThe light stays on.",
	})
}

func (b *bench) receive() {
	b.clock.Move(26 * time.Hour)
	b.photo(workflow.PhotoArrival, "The parcel as it came", "A brown box with one crushed corner", 0)
	b.photo(workflow.PhotoArrival, "Unpacked", "A grey film scanner on a mat, its lid closed", 0)
	b.do(counter,
		workflow.ListContents{Serial: "TS-4410-0923", Items: []workflow.Item{
			{Text: "Film scanner", Device: true, Condition: "a scratch on the lid; otherwise clean"},
			{Text: "Power supply, 24 V", Condition: "cable taped near the plug"},
			{Text: "Film holder for 35 mm strips"},
		}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.Unknown}},
		workflow.Go{To: workflow.StageReceived},
	)
}

func (b *bench) diagnose() {
	b.clock.Move(20 * time.Hour)
	b.do(counter, workflow.NoteCondition{Text: "Two screws of the base are missing, one is of another kind."},
		workflow.TryFault{Result: workflow.FaultReproduced, Note: "Five scans in a row stopped at the same place."},
		workflow.Go{To: workflow.StageDiagnosing})
}

func (b *bench) report() {
	socket := b.photo(workflow.PhotoEvidence, "The joint of the motor plug, enlarged", "A dull, cracked ring of solder around one of five pins", 0,
		workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6200, Y2: 5000, Number: 1, Text: workflow.Plain("the cracked joint")})
	wire := b.photo(workflow.PhotoEvidence, "", "A thin blue wire glued across the board", 0,
		workflow.Mark{Kind: workflow.MarkArrow, X: 4200, Y: 4000, X2: 2000, Y2: 2200, Text: workflow.Plain("the added wire")})
	b.do(counter, workflow.NameSuspect{Text: "The carriage motor"}, workflow.NameSuspect{Text: "The power supply"}, workflow.NameSuspect{Text: "The joint at the motor plug"})
	b.do(counter,
		workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Ran the motor from a bench supply for ten minutes", Outcome: workflow.CheckRuledOut, Reading: "0.31 A, steady"}},
		workflow.DoCheck{Suspect: 2, Check: workflow.Check{Text: "Loaded the supply with 2 A.", Outcome: workflow.CheckRuledOut, Reading: "23.9 V (24 V expected)"}},
		workflow.DoCheck{Suspect: 3, Check: workflow.Check{Text: "Moved the plug with a plastic stick while it ran", Outcome: workflow.CheckConfirmed, Photos: []int{socket}}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "A solder joint of the motor plug is cracked all round.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Where: "main board, beside the motor plug", Photos: []int{socket}}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "A wire has been added between two points that the maker does not join.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen, Where: "main board, underside", Matters: "It bridges the fuse of the lamp, so the lamp is not protected.", Photos: []int{wire}},
			Duty: workflow.Duty{Text: "Take the added wire out and fit the fuse", Before: workflow.StageShipped}},
	)
	b.do(counter, workflow.SendReport{Text: workflow.ReportText{
		Short:     "The scanner stops because one solder joint at the motor plug is cracked. It can be repaired.",
		Cause:     "The joint opens when the board warms up, and the motor loses its supply.",
		Certainty: workflow.CertaintySeen, Proposal: "Remake the joints of the plug, take the added wire out, fit a fuse, and clean the rails.",
	}}, quote("80.00", ""), workflow.Go{To: workflow.StageAwaitingApproval})
}

func quote(rate, reason string) workflow.IssueQuote {
	line := func(kind money.LineKind, text, n, price string) money.Line {
		return money.Line{Kind: kind, Text: text, Quantity: money.MustDecimal(n), UnitPrice: money.MustDecimal(price), Tax: "hst"}
	}
	return workflow.IssueQuote{Reason: reason, Options: []workflow.Option{
		{Kind: workflow.OptionRepair, Title: "Repair the joint, remove the wire", WorkingDays: 4, WarrantyDays: 180, Excluded: "scratches on the lid", Price: money.Request{Lines: []money.Line{
			line(money.Labour, "Bench time", "1.5", rate), line(money.Part, "Fuse and holder", "1", "4.80"), line(money.Carriage, "Parcel back", "1", "18.00")}}},
		{Kind: workflow.OptionReplace, Title: "Another scanner of the kind", Price: money.Request{Lines: []money.Line{line(money.Carriage, "Parcel back", "1", "18.00")}}},
	}}
}

func (b *bench) approve() {
	b.clock.Move(3 * time.Hour)
	q := b.job().Quote()
	b.do(customer, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: q.Digest, Option: "A", Name: "Maud Ellery", Address: "203.0.113.9", Agent: "a phone"})
}

func (b *bench) repair() {
	b.clock.Move(22 * time.Hour)
	before := b.photo(workflow.PhotoBefore, "The plug's joints", "Five dull solder joints, one cracked", 0)
	after := b.photo(workflow.PhotoAfter, "The plug's joints", "Five smooth, bright solder joints", before)
	b.do(counter, workflow.DoWork{Text: "Remade all five joints of the motor plug.", Findings: []int{1}, Photos: []int{after}},
		workflow.DoWork{Text: "Took the added wire out and fitted a fuse of the right rating.", Findings: []int{2}, Duties: []int{1}},
		workflow.Go{To: workflow.StageTesting})
}

func (b *bench) test() {
	b.do(counter, workflow.DoTest{Test: workflow.Test{Name: "Power-on", Passed: true}},
		workflow.DoTest{Test: workflow.Test{Name: "Full scan", Passed: true, Reading: "20 frames, none stopped", Note: workflow.Plain("Run warm, after an hour under power.")}},
		workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true, Reading: "0.12 Ω to earth"}})
	b.do(counter, workflow.DeclareReady{Note: "It scans as it should. Keep the rails free of dust and it will stay quiet."})
}

func (b *bench) ship() {
	b.photo(workflow.PhotoPacking, "Packed", "The scanner between foam blocks in its box", 0)
	b.do(counter,
		workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}, {Item: 2, Fate: workflow.FateReplaced, Note: workflow.Plain("the taped cable was not safe")}, {Item: 3, Fate: workflow.FateReturned}}},
		workflow.PrepareShipment{Carrier: "Coast Parcels", Parcel: "RB123456785CA", Serial: "ts-4410-0923"},
		workflow.Go{To: workflow.StageShipped})
}

// told is a notice with the job as it stood right after it was made.
type told struct {
	name  string
	job   *workflow.Job
	entry workflow.Entry
}

// everything plays jobs until every kind of notice has been made, some of them in several ways, and
// gives them with a name each.
func (b *bench) everything() []told {
	b.t.Helper()
	var out []told
	seen := map[string]bool{}
	take := func(names ...string) {
		b.t.Helper()
		j := b.job()
		entries, err := b.store.Entries(context.Background(), b.svc.Shop.ID, b.n)
		require.NoError(b.t, err)
		for _, e := range entries {
			if seen[e.ID] {
				continue
			}
			seen[e.ID] = true
			require.NotEmpty(b.t, names, "one more notice than expected: %s", e.ID)
			out = append(out, told{names[0], j, e})
			names = names[1:]
		}
		require.Empty(b.t, names, "notices that were not made")
	}
	b.book("Maud Ellery")
	take("booked")
	b.receive()
	take("received")
	b.diagnose()
	b.report()
	take("findings_with_quote")
	b.clock.Move(2 * 24 * time.Hour)
	b.do(customer, workflow.Decide{Verdict: workflow.VerdictAsk, Digest: b.job().Quote().Digest, Words: "Does the price hold the parcel back?"})
	take("decision_ask")
	b.do(counter, workflow.SendMessage{Text: "Yes, the parcel back is in it.\n\nThe total does not change."})
	take("message")
	b.clock.Move(26 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("quote_reminder")
	b.approve()
	take("decision_approve")
	b.clock.Move(time.Hour)
	b.do(counter, workflow.NoteFinding{Finding: workflow.Finding{Text: "The belt of the carriage is worn through at one edge.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Reading: "4.1 mm wide (6 mm new)"}})
	b.do(counter, quote("112.00", "The belt must be renewed as well; we found it once the carriage was out."), workflow.Go{To: workflow.StageAwaitingApproval})
	take("further_quote")
	b.approve()
	take("decision_approve_again")
	b.clock.Move(time.Hour)
	b.do(counter, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "The belt is on order; the maker of belts says Friday."})
	b.do(counter, workflow.SendMessage{Text: "May we keep the worn belt to measure a new one?", Question: true})
	take("message_question")
	b.clock.Move(3 * 24 * time.Hour)
	b.do(counter, workflow.LiftHold{})
	take("promise_moved_waited")
	b.do(counter, workflow.MovePromise{Days: 12, Reason: "The belt had to be made to measure."})
	take("promise_moved")
	b.clock.Move(20 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("promise_breached")
	b.do(customer, workflow.AskLink{})
	take("link")
	b.repair()
	b.test()
	take("ready")
	b.ship()
	take("shipped")

	b.book("Maud Ellery")
	take("booked_2")
	b.do(counter, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "The customer cancelled."})
	take("withdrawn_cancelled")

	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.do(counter, workflow.NameSuspect{Text: "The lamp"})
	b.do(counter, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Measured the lamp", Outcome: workflow.CheckUnclear}})
	b.do(counter, workflow.SendReport{Text: workflow.ReportText{Short: "We have not found the cause yet, and go on looking."}})
	take("booked_3", "received_3", "findings_alone")
	b.do(counter, quote("60.00", ""), workflow.Go{To: workflow.StageAwaitingApproval})
	take("quote")
	b.do(counter, workflow.WithdrawQuote{Reason: "We found something cheaper."})
	take("quote_withdrawn")
	b.do(counter, quote("40.00", "A shorter repair will do."), workflow.Go{To: workflow.StageAwaitingApproval})
	take("further_quote_3")
	b.clock.Move(15 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("quote_expired")
	b.do(counter, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeUnrepaired})
	take("promise_moved_returning")
	b.do(counter, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.DeclareReady{})
	take("ready_unrepaired")
	b.do(counter, workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}, {Item: 2, Fate: workflow.FateReturned}, {Item: 3, Fate: workflow.FateReturned}}},
		workflow.PrepareShipment{InPerson: true}, workflow.Go{To: workflow.StageShipped})
	take("shipped_in_person")

	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.report()
	b.do(customer, workflow.Decide{Verdict: workflow.VerdictDecline, Digest: b.job().Quote().Digest, Name: "Maud Ellery"})
	take("booked_4", "received_4", "findings_4", "decision_decline")

	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.report()
	take("booked_5", "received_5", "findings_5")
	b.do(counter, workflow.WithdrawQuote{Reason: "The customer would rather have it recycled."})
	q := quote("80.00", "You asked for recycling as well.")
	q.Options = append(q.Options, workflow.Option{Kind: workflow.OptionRecycle, Title: "Recycle it", Price: money.Request{}})
	b.do(counter, q, workflow.Go{To: workflow.StageAwaitingApproval})
	b.do(customer, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: b.job().Quote().Digest, Option: "C", Name: "Maud Ellery"})
	b.clock.Move(31 * time.Minute)
	b.do(clock, workflow.Wake{})
	take("quote_withdrawn_5", "further_quote_5", "decision_recycle", "withdrawn_recycled")

	b.do(customer, workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@example.org"}, Kind: "bench supply", Fault: "The needle sticks.", Limit: "200.00", Inbound: "RB123456785CA"})
	b.receive()
	b.diagnose()
	b.do(counter, workflow.NoteFinding{Finding: workflow.Finding{Text: "The needle's pivot is dry.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}},
		workflow.SendReport{Text: workflow.ReportText{Short: "A dry pivot."}}, quote("80.00", ""), workflow.Go{To: workflow.StageRepairing})
	take("booked_sent", "received_6", "findings_within_limit", "decision_within_limit")

	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.do(counter, workflow.NameSuspect{Text: "The carriage motor"})
	b.do(counter, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Ran it for a day", Outcome: workflow.CheckRuledOut}}, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeNoFault})
	b.do(counter, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.DeclareReady{})
	take("booked_7", "received_7", "ready_no_fault")

	shop := b.svc.Shop
	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.report()
	b.do(customer, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: b.job().Quote().Digest, Option: "A", Name: "Maud Ellery"})
	take("booked_8", "received_8", "findings_8", "decision_undoable")
	b.do(customer, workflow.UndoDecision{Digest: b.job().Quote().Digest})
	take("decision_undone")
	for !b.job().Quote().LastNotice {
		b.clock.Move(b.job().WakeAt(shop).Sub(b.clock.Now()))
		b.do(clock, workflow.Wake{})
	}
	take("quote_reminder_8", "quote_reminder_9", "quote_last_notice")
	b.do(counter, workflow.Decide{Verdict: workflow.VerdictDecline, Digest: b.job().Quote().Digest, Name: "Maud Ellery", Round: 1, Call: &workflow.CallNote{Number: "+1 902 555 0123"}})
	take("decision_by_telephone")
	b.do(counter, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.DeclareReady{}, workflow.PrepareShipment{InPerson: true})
	take("ready_8")
	b.clock.Move(33 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("uncollected")

	// A missed date: with words and a date written beforehand; a choice by each way, and by none.
	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.do(counter, workflow.ExplainDelay{Reason: "The motor had to be wound anew.", Days: 4})
	b.clock.Move(20 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("booked_x", "received_x", "promise_breached_explained")
	b.do(customer, workflow.AnswerDelay{Choice: workflow.DelayAgree, Digest: b.job().Delay().Digest})
	take("delay_agree")
	b.clock.Move(14 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	b.do(counter, workflow.ExplainDelay{Reason: "It failed again."})
	take("promise_breached_unsaid", "promise_breached_again")
	b.clock.Move(14 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("delay_silent_agree")
	b.do(counter, workflow.MovePromise{Days: 3, Reason: "A new motor is here."})
	take("promise_moved_choice")
	b.do(customer, workflow.AnswerDelay{Choice: workflow.DelayReturn, Digest: b.job().Delay().Digest})
	take("delay_return")
	b.svc.Shop.Silence = workflow.SilenceReturns
	b.book("Maud Ellery")
	b.receive()
	b.clock.Move(20 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	b.clock.Move(14 * 24 * time.Hour)
	b.do(clock, workflow.Wake{})
	take("booked_y", "received_y", "promise_breached_returns", "delay_silent_return")

	// What the bench can't repair, found dangerous and made safe; what was wrong outside; what is repaired in part.
	check := workflow.DoCheck{NewSuspect: "The supply", Check: workflow.Check{Text: "Measured it", Outcome: workflow.CheckConfirmed}}
	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.do(counter, check, workflow.NoteFinding{Finding: workflow.Finding{Entry: "board_charred"}}, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeBeyondRepair, Reason: "the charred board is not made any more"})
	owner := workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}
	b.do(owner, workflow.MakeSafe{Done: "The mains lead is taken off and lies in the box.", Label: "Do not use: charred board", Word: "Send it back as it is, please."}, workflow.DeclareReady{})
	var packed []workflow.PackedItem
	for _, it := range b.job().Contents {
		packed = append(packed, workflow.PackedItem{Item: it.ID, Fate: workflow.FateReturned})
	}
	b.do(owner, workflow.Pack{Items: packed}, workflow.PrepareShipment{Carrier: "Post", Parcel: "RB123456785CA"}, workflow.Go{To: workflow.StageShipped})
	take("booked_z", "received_z", "ready_beyond_repair", "shipped_made_safe")
	b.book("Maud Ellery")
	b.receive()
	b.diagnose()
	b.do(counter, check, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeCuredOutside, Reason: "The USB cable is broken near its plug."})
	b.do(counter, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.DeclareReady{})
	take("booked_a", "received_a", "ready_cured_outside")
	b.svc.Shop.ConfirmBookings = true
	b.book("Maud Ellery")
	take("confirm_booking")
	b.do(b.by(link.Confirm), workflow.Confirm{})
	take("booked_confirmed")
	b.svc.Shop.ConfirmBookings = false
	b.do(workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}, workflow.SendMessage{Text: "We have moved. Please send it to my new address:\n1 Thief Road, Mill Cove"})
	b.do(counter, workflow.AskConfirm{Message: 1})
	take("confirm_message")
	b.do(owner, workflow.SendData{})
	take("data")
	return out
}

// compose writes a notice's mail as if it went out at once.
func (b *bench) compose(x told) (*Message, error) {
	b.clock.Set(x.entry.MadeAt)
	return b.mails.Compose(context.Background(), x.job, &x.entry)
}
