package templates

import (
	"context"
	"crypto/rand"
	"io"
	"log/slog"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

// bench is a shop with a clock that only moves when told to, on which sample jobs are played.
type bench struct {
	t   testing.TB
	s   *workflow.Service
	now time.Time
	n   workflow.JobNumber
}

var (
	ada  = workflow.Actor{Role: workflow.RoleCounter, ID: "ada"}
	tom  = workflow.Actor{Role: workflow.RoleBench, ID: "tom"}
	mira = workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}
)

// sampleShop is invented, like everything else in these samples.
func sampleShop(t testing.TB) *workflow.Shop {
	day := []string{"09:00-12:30", "13:00-17:00"}
	c, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": day, "tue": day, "wed": day, "thu": day, "fri": day}})
	require.NoError(t, err)
	return &workflow.Shop{
		ID: "harbour", Name: "Harbour Bench", BaseURL: "http://localhost", Email: "bench@harbour.example", Phone: "+1 902 555 0100",
		Address: "Harbour Bench\n1 Dock Street\nLunenburg NS  B0J 2C0\nCanada", About: "Board-level repair of instruments, scanners and radios",
		Calendar: c, Currency: "CAD", Prices: money.BeforeTax, Taxes: map[string]money.Tax{"hst": {Percent: money.MustDecimal("15")}},
		Languages: []string{"en"}, PromiseDays: 10, QuoteDays: 14, RemindDays: []int{2, 5}, WarrantyDays: 90,
		Tests: []string{"Function", workflow.SafetyTest}, LinkFor: 365 * 24 * time.Hour,
	}
}

func newBench(t testing.TB) *bench {
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	maker, err := link.NewMaker(key)
	require.NoError(t, err)
	b := &bench{t: t, now: time.Date(2026, 11, 16, 13, 20, 0, 0, time.UTC)}
	b.s = workflow.Service{Shop: sampleShop(t), Links: maker, Now: func() time.Time { return b.now }, Random: rand.Reader, Log: slog.New(slog.NewTextHandler(io.Discard, nil))}.On(memory.New())
	return b
}

func (b *bench) do(by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	b.t.Helper()
	b.now = b.now.Add(3 * time.Minute)
	j, err := b.s.Do(context.Background(), workflow.Order{Job: b.n, By: by, Commands: commands})
	require.NoError(b.t, err)
	b.n = j.Number
	return j
}

func (b *bench) job() *workflow.Job {
	b.t.Helper()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	return j
}

func (b *bench) passes(d time.Duration) *workflow.Job {
	b.t.Helper()
	b.now = b.now.Add(d)
	_, err := b.s.WakeDue(context.Background())
	require.NoError(b.t, err)
	return b.job()
}

// the ways of the samples; each goes on from the one before

func (b *bench) booked() *workflow.Job {
	b.t.Helper()
	return b.do(mira, workflow.Book{
		Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Address: "4 Quay Row\nLisbon", TimeZone: "Europe/Lisbon"},
		Kind:   "stage piano", Maker: "Corvane", Model: "SP-88",
		Fault: "Keys from middle C upwards stopped sounding in the middle of a concert.\nSomebody opened it last year for a sticking key.",
	})
}

func samplePhoto(k workflow.PhotoKind, caption, alt string, marks ...workflow.Mark) workflow.AddPhoto {
	return workflow.AddPhoto{Photo: workflow.Photo{
		Original: "aa", Copies: workflow.Copies{Large: workflow.Copy{Digest: "bbbbbbbbbbbb", Width: 1600, Height: 1200}, Small: workflow.Copy{Digest: "cccccccccccc", Width: 480, Height: 360}},
		Kind: k, Caption: workflow.Plain(caption), Alt: workflow.Plain(alt), Marks: marks,
	}}
}

func (b *bench) received() *workflow.Job {
	b.t.Helper()
	b.booked()
	b.now = b.now.Add(24 * time.Hour)
	return b.do(tom,
		workflow.ListContents{Items: []workflow.Item{{Text: "Stage piano", Device: true, Condition: "scratches on the left end"}, {Text: "Power lead"}, {Text: "Sustain pedal", Condition: "cable kinked"}}, Serial: "C88-104417"},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}},
		samplePhoto(workflow.PhotoArrival, "The parcel before we opened it", "A long cardboard box with one dented corner"),
		samplePhoto(workflow.PhotoArrival, "As it lay in the box", "A stage piano in bubble wrap, a pedal beside it"),
		workflow.Go{To: workflow.StageReceived})
}

func (b *bench) diagnosing() *workflow.Job {
	b.t.Helper()
	b.received()
	b.now = b.now.Add(2 * time.Hour)
	return b.do(tom, workflow.NoteCondition{Text: "Complete. Four case screws of two different lengths; the keys are clean."},
		workflow.TryFault{Result: workflow.FaultReproduced, Note: "Keys 40 to 88 are silent on all sounds."}, workflow.Go{To: workflow.StageDiagnosing})
}

func (b *bench) findings() *workflow.Job {
	b.t.Helper()
	b.diagnosing()
	b.do(tom, workflow.NameSuspect{Text: "The main board’s supply"}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Measured both rails at the main board, under load.", Outcome: workflow.CheckRuledOut, Reading: "5.02 V and 3.31 V"}})
	b.do(tom, workflow.NameSuspect{Text: "The flat cable from the upper key contacts"}, workflow.DoCheck{Suspect: 2, Check: workflow.Check{Text: "Swapped the cable for a known good one: nothing changed.", Outcome: workflow.CheckRuledOut}})
	b.do(tom, workflow.NameSuspect{Text: "The socket of that cable on the contact board"},
		samplePhoto(workflow.PhotoEvidence, "The socket J4, from above", "A row of solder joints; three of them are dull and cracked",
			workflow.Mark{Kind: workflow.MarkRing, X: 4200, Y: 5100, X2: 5300, Y2: 5100, Text: workflow.Plain("three cracked joints")},
			workflow.Mark{Kind: workflow.MarkPoint, X: 7300, Y: 3000, Number: 1, Text: workflow.Plain("a good joint, for comparison")},
			workflow.Mark{Kind: workflow.MarkArrow, X: 2500, Y: 7200, X2: 1200, Y2: 8800, Number: 2, Text: workflow.Plain("flux left beside it")}))
	b.do(tom, workflow.DoCheck{Suspect: 3, Check: workflow.Check{Text: "Measured from pin to track while pressing on the socket.", Outcome: workflow.CheckConfirmed, Reading: "open to 0.4 Ω, as one presses", Photos: []int{3}}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "Three solder joints of socket J4 are cracked.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Where: "contact board, socket J4", Reading: "open to 0.4 Ω", Matters: "The upper keys get no signal through them.", Photos: []int{3}}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "One case screw is longer than the others.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen, Where: "rear left", Matters: "Tightened fully it would touch the board."}, Duty: workflow.Duty{Text: "Fit a screw of the right length", Before: workflow.StageShipped}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "Flux was left around J4.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightCosmetic, Certainty: workflow.CertaintySeen, Where: "contact board"}})
	return b.do(tom, workflow.NoteFinding{Finding: workflow.Finding{Text: "The felt under five keys is pressed flat.", Origin: workflow.OriginWear, Weight: workflow.WeightCosmetic, Certainty: workflow.CertaintySeen, Where: "around middle C"}})
}

func line(kind money.LineKind, text, quantity, price, tax string) money.Line {
	return money.Line{Kind: kind, Text: text, Quantity: money.MustDecimal(quantity), UnitPrice: money.MustDecimal(price), Tax: tax}
}

func sampleOptions() []workflow.Option {
	return []workflow.Option{
		{
			Kind: workflow.OptionRepair, Title: "Resolder the socket", Text: "We renew all joints of J4, clean the board and test every key.", Excluded: "The worn felt stays as it is.", WorkingDays: 3, WarrantyDays: 90,
			Price: money.Request{Lines: []money.Line{line(money.Labour, "Bench time", "1.5", "80.00", "hst"), line(money.Part, "Socket, new", "1", "6.40", "hst"), line(money.Carriage, "Parcel to Lisbon, insured", "1", "48.00", "")}},
		},
		{
			Kind: workflow.OptionRenew, Title: "The same, and new felt", Text: "As before, and we renew the felt under all white keys.", WorkingDays: 5, WarrantyDays: 180,
			Price: money.Request{Lines: []money.Line{line(money.Labour, "Bench time", "3.25", "80.00", "hst"), line(money.Part, "Socket, new", "1", "6.40", "hst"), line(money.Part, "Felt strip", "52", "0.85", "hst"), line(money.Carriage, "Parcel to Lisbon, insured", "1", "48.00", "")}},
		},
		{
			Kind: workflow.OptionReplace, Title: "A used one in its place",
			Price: money.Request{Lines: []money.Line{line(money.Fee, "Finding the cause", "1", "45.00", "hst"), line(money.Carriage, "Parcel to Lisbon, insured", "1", "48.00", "")}},
		},
	}
}

func (b *bench) awaiting() *workflow.Job {
	b.t.Helper()
	b.findings()
	b.now = b.now.Add(20 * time.Hour)
	return b.do(ada, workflow.SendReport{Text: workflow.ReportText{
		Short:    "Three solder joints of one socket are cracked, so the upper half of the keys gets no signal. It can be repaired well.",
		Cause:    "The socket J4 was soldered by hand at some time, and three of its joints cracked as the board flexed.",
		Proposal: "We renew the socket and all of its joints, and clean the board.", Certainty: workflow.CertaintyMeasured,
	}}, workflow.IssueQuote{Options: sampleOptions(), Note: "The middle option is worth it if you play it every week."}, workflow.Go{To: workflow.StageAwaitingApproval})
}

func (b *bench) repairing() *workflow.Job {
	b.t.Helper()
	j := b.awaiting()
	b.passes(3 * 24 * time.Hour)
	return b.do(mira, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei", Address: "192.0.2.7", Agent: "a browser"})
}

func (b *bench) testing() *workflow.Job {
	b.t.Helper()
	b.repairing()
	b.now = b.now.Add(5 * time.Hour)
	return b.do(tom, samplePhoto(workflow.PhotoBefore, "J4 before", "Cracked joints"), workflow.AddPhoto{Photo: workflow.Photo{
		Original: "ad", Copies: workflow.Copies{Large: workflow.Copy{Digest: "dd", Width: 1600, Height: 1200}, Small: workflow.Copy{Digest: "ee", Width: 480, Height: 360}}, Kind: workflow.PhotoAfter, Caption: workflow.Plain("J4 after"), Alt: workflow.Plain("Bright, even joints"), Pair: 4,
	}}, workflow.DoWork{Text: "Renewed socket J4 and its twelve joints; cleaned the board; fitted a screw of the right length.", Findings: []int{1, 2, 3}, Duties: []int{1}}, workflow.Go{To: workflow.StageTesting})
}

func (b *bench) shipped() *workflow.Job {
	b.t.Helper()
	b.testing()
	b.now = b.now.Add(18 * time.Hour)
	b.do(tom, workflow.DoTest{Test: workflow.Test{Name: "Function", Passed: true, Reading: "all 88 keys, 2 hours"}}, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true, Reading: "0.08 Ω, above 200 MΩ"}})
	b.do(ada, workflow.DeclareReady{Note: "It sounds again from end to end."}, workflow.RecordPayment{Amount: "193.36", How: "bank transfer"})
	return b.do(ada, workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}, {Item: 2, Fate: workflow.FateReturned}, {Item: 3, Fate: workflow.FateReturned}}},
		workflow.PrepareShipment{Carrier: "Coastal Parcels", Parcel: "RR473124829CA", Serial: "C88-104417"}, workflow.Go{To: workflow.StageShipped})
}
