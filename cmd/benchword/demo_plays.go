package main

import (
	"context"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"
)

// write writes the demo's jobs: every stage and outcome, one with earlier work, one held for parts, one in breach,
// one declined, one that came back under warranty.
func (d *demo) write() {
	d.scannerToApprove()
	d.pianoWithEarlierWork()
	d.radioHeldForParts()
	d.supplyInBreach()
	d.scannerDeclined()
	d.recorderUnderWarranty()
	d.radioBooked()
	d.pianoReceived()
	d.supplyReady()
	d.scannerCuredOutside()
	d.recorderRecycled()
	d.radioFurtherQuote()
	d.recorderCancelled()
	d.supplyQuestion()
	d.recorderRepaired()
}

// scannerToApprove is the job whose link the demo prints: a quote waits for an answer.
func (d *demo) scannerToApprove() {
	p := d.play("mira")
	d.toApprove = p
	p.book(d.ago(6, 10, 5), "scanner", "Halden", "FS-35")
	p.arrive(d.ago(4, 9, 20), "Q2-20417", mains, "parcel-dented", "contents-film-scanner")
	p.onTheBench(d.ago(3, 10, 0), workflow.FaultReproduced)
	t := d.ago(3, 11, 0)
	p.suspects(t, "lamp", "transport", "usb")
	p.check(t.Add(10*time.Minute), 3, "usb", workflow.CheckRuledOut)
	p.check(t.Add(40*time.Minute), 2, "transport", workflow.CheckRuledOut)
	p.picture(t.Add(60*time.Minute), workflow.PhotoEvidence, "capacitor-bulging", workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 4600, X2: 6500, Y2: 4600, Number: 1, Text: workflow.Plain(p.w("cap.mark"))})
	p.check(t.Add(70*time.Minute), 1, "lamp", workflow.CheckConfirmed)
	p.found(t.Add(80*time.Minute), "cap", "capacitor-bulging", workflow.Finding{Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured,
		Measurement: shows("180", "µF", "800", "1200", p.w("cap.conditions"))}, workflow.Duty{})
	p.picture(t.Add(85*time.Minute), workflow.PhotoEvidence, "flux-residue")
	p.found(t.Add(90*time.Minute), "flux", "flux-residue", workflow.Finding{Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen}, workflow.Duty{Before: workflow.StageTesting})
	p.picture(d.ago(2, 8, 55), workflow.PhotoEvidence, "screw-missing")
	p.found(d.ago(2, 9, 0), "screw", "screw-missing", workflow.Finding{Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen}, workflow.Duty{Before: workflow.StageShipped})
	both := p.repair("b", 6, p.labour("2.25"), p.part("part", "18.40"), p.part("belt", "27.00"), p.back("14.50"))
	both.Kind, both.WarrantyDays = workflow.OptionRenew, 365
	p.report(d.ago(1, 15, 30), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintyMeasured, Proposal: p.w("proposal"), Next: p.w("next")}, p.w("note"),
		p.repair("a", 4, p.labour("1.5"), p.part("part", "18.40"), p.back("14.50")), both)
}

// pianoWithEarlierWork is the example to read through: another workshop had opened it and left three traces,
// none of them the cause; suspects are ruled out until one is confirmed; before and after.
func (d *demo) pianoWithEarlierWork() {
	p := d.play("jonas")
	d.story = p
	p.book(d.ago(19, 18, 40), "piano", "Ostrava Tide", "Stage 88")
	p.arrive(d.ago(16, 9, 45), "SP88-00731", lowVolt, "parcel-closed", "contents-stage-piano")
	p.onTheBench(d.ago(15, 9, 30), workflow.FaultIntermittent)
	t := d.ago(15, 10, 0)
	p.at(t, technicianNils, workflow.NoteSymptom{Symptom: "cuts_out"})
	p.usual(t.Add(5*time.Minute), "seen_damage", workflow.CheckRuledOut, "")
	p.usual(t.Add(15*time.Minute), "lead_or_adaptor", workflow.CheckRuledOut, p.w("lead.reading"))
	p.usual(t.Add(50*time.Minute), "power_switch", workflow.CheckRuledOut, p.w("switch.reading"))
	p.picture(t.Add(65*time.Minute), workflow.PhotoEvidence, "joint-cracked", workflow.Mark{Kind: workflow.MarkArrow, X: 5200, Y: 5000, X2: 7800, Y2: 2400, Number: 1, Text: workflow.Plain(p.w("joint.mark"))})
	p.usual(t.Add(70*time.Minute), "power_socket", workflow.CheckConfirmed, p.w("socket.reading"))
	p.found(t.Add(75*time.Minute), "joint", "joint-cracked", workflow.Finding{Entry: "joint_cracked", Certainty: workflow.CertaintyMeasured, Measurement: wanders("0.02", "180", "ohm", "0.1", p.w("joint.conditions"))}, workflow.Duty{})
	p.picture(t.Add(77*time.Minute), workflow.PhotoEvidence, "compound-dried")
	p.usual(t.Add(77*time.Minute), "heat_path", workflow.CheckRuledOut, p.w("heat.reading"))
	p.found(t.Add(78*time.Minute), "sink", "compound-dried", workflow.Finding{Entry: "heatsink_dry", Weight: workflow.WeightPutRight}, workflow.Duty{})
	p.picture(t.Add(80*time.Minute), workflow.PhotoEvidence, "flux-residue")
	p.found(t.Add(85*time.Minute), "flux", "flux-residue", workflow.Finding{Entry: "flux_residue", Weight: workflow.WeightPutRight}, workflow.Duty{})
	p.picture(t.Add(90*time.Minute), workflow.PhotoEvidence, "pad-lifted-wire", workflow.Mark{Kind: workflow.MarkArrow, X: 5300, Y: 5200, X2: 3000, Y2: 7600, Number: 1, Text: workflow.Plain(p.w("wire.mark"))})
	p.found(t.Add(95*time.Minute), "wire", "pad-lifted-wire", workflow.Finding{Entry: "wire_added", Weight: workflow.WeightPutRight}, workflow.Duty{})
	p.report(d.ago(14, 11, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintyMeasured, Proposal: p.w("proposal")}, "",
		p.repair("a", 3, p.labour("1.25"), p.part("part", "6.20"), p.back("38.00")))
	p.decides(d.ago(13, 20, 15), workflow.VerdictApprove, "A", "")
	p.at(d.ago(12, 13, 0), technicianNils, workflow.DoWork{Text: p.w("work"), Findings: []int{1, 4}, Did: []string{"soldered"},
		Fitted: []workflow.FittedPart{{Name: p.w("socket"), Maker: "Ostrava Tide", Lot: "SP-07", Source: p.w("maker"), Grade: "original", Place: p.w("place"), Old: workflow.FateReturned}}})
	for i, pair := range [][2]string{{"joint-cracked", "joint-resoldered"}, {"flux-residue", "flux-washed"}, {"compound-dried", "compound-fresh"}} {
		at := d.ago(12, 14, 10*i)
		p.picture(at, workflow.PhotoAfter, pair[1])
		p.pair(at.Add(time.Minute), pair[0], pair[1])
	}
	p.then(d.ago(12, 15, 0), technicianNils, func(j *workflow.Job) []workflow.Command {
		var open []int
		for _, x := range j.Duties {
			if x.Open() && x.Test == "" {
				open = append(open, x.ID)
			}
		}
		return []workflow.Command{workflow.DoWork{Text: p.w("work2"), Findings: []int{2, 3}, Duties: open}, workflow.Go{To: workflow.StageTesting}}
	})
	p.picture(d.ago(11, 9, 0), workflow.PhotoTest, "test-meter")
	rail := workflow.TestStep{Name: p.w("step2"), Result: workflow.StepPassed, Measurement: shows("12.05", "V", "11.4", "12.6", "")}
	p.at(d.ago(11, 13, 30), technicianNils, proved("Function", "", p.w("test"), again(1, p.w("step"), "0.02", "ohm", "0.1"), rail), p.outside())
	p.at(d.ago(11, 13, 45), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: p.w("after"), Cause: p.w("cause"), Certainty: workflow.CertaintyMeasured, Next: p.w("after.next")}})
	p.at(d.ago(11, 14, 0), counterRosa, workflow.DeclareReady{Note: p.w("ready")})
	p.at(d.ago(10, 12, 0), counterRosa, workflow.RecordPayment{Amount: "165.83", How: p.w("bank")})
	p.ship(d.ago(10, 16, 0), "GP-7731-0482")
}

func (d *demo) radioHeldForParts() {
	p := d.play("aoife")
	p.book(d.ago(12, 8, 30), "radio", "Ostrava Tide", "VHF 5")
	p.arrive(d.ago(10, 10, 0), "OT5-1180", lithium, "parcel-closed", "contents-marine-radio")
	p.onTheBench(d.ago(9, 9, 0), workflow.FaultReproduced)
	p.suspects(d.ago(9, 10, 0), "stage")
	p.check(d.ago(9, 10, 30), 1, "stage", workflow.CheckConfirmed)
	p.picture(d.ago(9, 10, 40), workflow.PhotoEvidence, "connector-corroded")
	p.found(d.ago(9, 11, 0), "out", "", workflow.Finding{Origin: workflow.OriginElectrical, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: shows("0.2", "W", "4.5", "5.5", p.w("out.conditions"))}, workflow.Duty{})
	p.found(d.ago(9, 11, 5), "conn", "connector-corroded", workflow.Finding{Origin: workflow.OriginLiquid, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	p.report(d.ago(8, 14, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintyMeasured, Proposal: p.w("proposal")}, "",
		p.repair("a", 6, p.labour("2"), p.part("part", "74.00"), p.part("part2", "9.80"), p.back("16.00")))
	p.decides(d.ago(7, 19, 5), workflow.VerdictApprove, "A", "")
	p.at(d.ago(5, 9, 15), technicianNils, workflow.PlaceHold{Reason: workflow.HoldParts, Note: p.w("hold")})
}

func (d *demo) supplyInBreach() {
	p := d.play("priya")
	p.book(d.ago(20, 9, 0), "supply", "Ostrava Tide", "BS-30")
	p.arrive(d.ago(14, 10, 30), "K30-5520", mains, "parcel-closed", "contents-bench-supply")
	p.onTheBench(d.ago(13, 9, 0), workflow.FaultIntermittent)
	p.suspects(d.ago(13, 11, 0), "wiper", "heat")
	p.check(d.ago(12, 10, 0), 1, "wiper", workflow.CheckUnclear)
	p.picture(d.ago(12, 10, 30), workflow.PhotoEvidence, "board-burnt")
	p.found(d.ago(12, 11, 0), "chip", "board-burnt", workflow.Finding{Origin: workflow.OriginElectrical, Weight: workflow.WeightOpen, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	p.at(d.ago(3, 16, 0), counterRosa, workflow.SendMessage{Text: p.w("message")})
}

func (d *demo) scannerDeclined() {
	p := d.play("tomasz")
	p.book(d.ago(18, 12, 0), "scanner", "Halden", "FS-35")
	p.arrive(d.ago(16, 11, 0), "Q1-00877", mains, "parcel-closed", "contents-film-scanner")
	p.onTheBench(d.ago(14, 10, 0), workflow.FaultReproduced)
	p.suspects(d.ago(14, 10, 30), "sensor")
	p.check(d.ago(14, 11, 0), 1, "sensor", workflow.CheckConfirmed)
	p.found(d.ago(14, 11, 30), "column", "", workflow.Finding{Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	p.report(d.ago(13, 15, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintySeen, Proposal: p.w("proposal")}, p.w("note"),
		p.repair("a", 8, p.labour("2.5"), p.part("part", "190.00"), p.back("14.50")))
	p.decides(d.ago(12, 7, 45), workflow.VerdictDecline, "", "")
	p.at(d.ago(11, 10, 0), technicianNils, p.locked(earthed("0.08", "0.21")))
	p.ship(d.ago(10, 15, 0), "GP-7731-0416")
}

// recorderRepaired is finished long ago; recorderUnderWarranty follows it.
func (d *demo) recorderRepaired() {
	p := d.play("ingrid")
	d.before = p
	p.book(d.ago(50, 9, 0), "recorder", "Halden", "FR-2")
	p.arrive(d.ago(48, 10, 0), "R4-3391", lowVolt, "parcel-open", "contents-field-recorder")
	p.onTheBench(d.ago(47, 9, 0), workflow.FaultReproduced)
	p.suspects(d.ago(47, 10, 0), "socket")
	p.check(d.ago(47, 10, 20), 1, "socket", workflow.CheckConfirmed)
	p.found(d.ago(47, 10, 40), "contacts", "", workflow.Finding{Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: wanders("0.2", "40", "ohm", "1", p.w("contacts.conditions"))}, workflow.Duty{})
	p.report(d.ago(46, 11, 0), workflow.ReportText{Short: p.w("short")}, "", p.repair("a", 3, p.labour("0.75"), p.part("part", "11.00"), p.back("12.00")))
	p.decides(d.ago(46, 18, 0), workflow.VerdictApprove, "A", "")
	p.at(d.ago(44, 10, 0), technicianNils, workflow.DoWork{Text: p.w("work"), Findings: []int{1}}, workflow.Go{To: workflow.StageTesting})
	p.picture(d.ago(44, 12, 0), workflow.PhotoTest, "test-bench-supply")
	current := workflow.TestStep{Name: p.w("step2"), Result: workflow.StepPassed, Measurement: shows("0.348", "A", "0.30", "0.40", "")}
	p.at(d.ago(44, 14, 0), technicianNils, proved("Function", "", p.w("test"), again(1, p.w("step"), "0.1", "ohm", "1"), current), p.outside())
	p.picture(d.ago(43, 14, 30), workflow.PhotoPacking, "parcel-packed")
	p.ship(d.ago(43, 15, 0), "GP-7730-9128")
}

func (d *demo) recorderUnderWarranty() {
	p := d.play("ingrid")
	p.word = "ingrid.back"
	p.steps = append(p.steps, step{d.ago(3, 8, 15), func(ctx context.Context) error {
		j, err := d.service.Do(ctx, workflow.Order{By: counterRosa, Commands: []workflow.Command{workflow.Book{
			Person: p.person(), Kind: d.say(p.lang, "kind.recorder"), Maker: "Halden", Model: "FR-2", Fault: d.say(p.lang, "ingrid.back"), Follows: d.before.number,
		}}})
		if err == nil {
			p.number = j.Number
		}
		return err
	}})
	p.arrive(d.ago(1, 9, 50), "R4-3391", lowVolt, "parcel-closed", "contents-field-recorder")
	p.onTheBench(d.ago(1, 14, 0), workflow.FaultReproduced)
	p.at(d.ago(1, 14, 30), technicianNils, workflow.NoteSymptom{Symptom: "no_sound"})
}

func (d *demo) radioBooked() {
	d.play("helene").book(d.ago(1, 17, 20), "radio", "Ostrava Tide", "VHF 5")
}

func (d *demo) pianoReceived() {
	p := d.play("samir")
	p.book(d.ago(5, 21, 0), "piano", "Ostrava Tide", "Stage 88")
	p.arrive(d.ago(1, 16, 10), "SP88-02210", lowVolt, "parcel-dented", "contents-stage-piano")
}

func (d *demo) supplyReady() {
	p := d.play("lotte")
	p.book(d.ago(11, 9, 0), "supply", "Ostrava Tide", "BS-30")
	p.arrive(d.ago(9, 9, 30), "K30-0098", mains, "parcel-closed", "contents-bench-supply")
	p.onTheBench(d.ago(8, 9, 0), workflow.FaultReproduced)
	p.suspects(d.ago(8, 9, 40), "input")
	p.check(d.ago(8, 10, 0), 1, "input", workflow.CheckConfirmed)
	p.found(d.ago(8, 10, 20), "rect", "", workflow.Finding{Origin: workflow.OriginElectrical, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured,
		Measurement: &workflow.Measurement{Value: money.MustDecimal("0.4"), Unit: "ohm", ExpectOpen: true, Conditions: p.w("rect.conditions"), Instrument: "Meter 2"}}, workflow.Duty{Before: workflow.StageShipped})
	p.report(d.ago(7, 15, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintyInferred}, "", p.repair("a", 4, p.labour("1"), p.part("part", "21.50"), p.back("19.00")))
	p.decides(d.ago(6, 12, 0), workflow.VerdictApprove, "A", "")
	p.at(d.ago(3, 11, 0), technicianNils, workflow.DoWork{Text: p.w("work"), Findings: []int{1}, Fitted: []workflow.FittedPart{
		{Name: p.w("fit1"), Maker: "Nordkap", Type: "NK-606", Lot: "B-2619", Source: p.w("stock"), Grade: "equal", Place: "D1", Old: workflow.FateReturned},
		{Name: p.w("fit2"), Maker: "Nordkap", Lot: "A-2544", Source: p.w("stock"), Grade: "equal", Place: "F1", Old: workflow.FateRecycled},
	}}, workflow.Go{To: workflow.StageTesting})
	p.picture(d.ago(2, 10, 0), workflow.PhotoTest, "test-load")
	output := workflow.TestStep{Name: p.w("step2"), Result: workflow.StepPassed, Found: shows("0", "V", "", "", ""), Measurement: shows("15.00", "V", "14.9", "15.1", "3 A")}
	p.at(d.ago(2, 15, 0), technicianNils, proved("Function", "", p.w("test"), openAgain(1, p.w("step1")), output), earthed("0.07", "0.30"), workflow.DoDuty{ID: 1})
	p.at(d.ago(1, 9, 30), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: p.w("after"), Cause: p.w("cause"), Certainty: workflow.CertaintyInferred, Next: p.w("after.next")}})
	p.at(d.ago(1, 10, 0), counterRosa, workflow.DeclareReady{Note: p.w("after.next")})
}

func (d *demo) scannerCuredOutside() {
	p := d.play("eloi")
	p.book(d.ago(16, 9, 0), "scanner", "Halden", "FS-35")
	p.arrive(d.ago(14, 9, 0), "Q2-11805", mains, "parcel-closed", "contents-film-scanner")
	p.onTheBench(d.ago(12, 9, 0), workflow.FaultNotReproduced)
	p.suspects(d.ago(12, 10, 0), "cable", "usb")
	p.check(d.ago(12, 10, 30), 1, "cable", workflow.CheckConfirmed)
	p.check(d.ago(12, 11, 0), 2, "usb", workflow.CheckRuledOut)
	p.at(d.ago(11, 10, 0), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: p.w("short"), Next: p.w("next")}})
	p.at(d.ago(11, 10, 30), technicianNils, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeCuredOutside, Reason: p.w("why")})
	p.at(d.ago(11, 13, 0), technicianNils, p.locked(earthed("0.09", "0.18")))
	p.ship(d.ago(10, 15, 30), "GP-7731-0420")
}

// locked adds to a scanner's last test that it can travel.
func (p *play) locked(t workflow.DoTest) workflow.DoTest {
	t.Test.Steps = append(t.Test.Steps, workflow.TestStep{Name: p.d.say(p.lang, "step.lock"), Result: workflow.StepPassed})
	return t
}

func (d *demo) recorderRecycled() {
	p := d.play("yuki")
	p.book(d.ago(15, 9, 0), "recorder", "Halden", "FR-2")
	p.arrive(d.ago(13, 9, 0), "R4-7702", workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.Yes}, "parcel-closed", "contents-muddy-recorder")
	p.at(d.ago(11, 9, 0), technicianNils, workflow.NoteCondition{Text: p.w("condition")}, workflow.TryFault{Result: workflow.NotTried, Why: workflow.NotTriedUnsafe, Note: p.w("tried")}, workflow.Go{To: workflow.StageDiagnosing})
	p.suspects(d.ago(11, 9, 30), "chips")
	p.check(d.ago(11, 10, 0), 1, "chips", workflow.CheckConfirmed)
	p.found(d.ago(11, 10, 30), "corroded", "", workflow.Finding{Origin: workflow.OriginLiquid, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	free := p.labour("0")
	free.Text = p.w("free")
	p.report(d.ago(10, 11, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintySeen}, "",
		workflow.Option{Kind: workflow.OptionRecycle, Title: p.w("a"), Text: p.w("a.text"), Price: money.Request{Lines: []money.Line{free}}})
	p.decides(d.ago(9, 20, 0), workflow.VerdictApprove, "A", "")
}

func (d *demo) radioFurtherQuote() {
	p := d.play("marisol")
	p.book(d.ago(13, 9, 0), "radio", "Ostrava Tide", "VHF 5")
	p.arrive(d.ago(11, 9, 0), "OT5-0663", lithium, "parcel-closed", "contents-marine-radio")
	p.onTheBench(d.ago(9, 13, 0), workflow.FaultReproduced)
	p.suspects(d.ago(9, 13, 30), "key")
	p.check(d.ago(9, 14, 0), 1, "key", workflow.CheckConfirmed)
	p.found(d.ago(9, 14, 20), "worn", "", workflow.Finding{Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	p.report(d.ago(8, 9, 0), workflow.ReportText{Short: p.w("short")}, "", p.repair("a", 5, p.labour("1"), p.part("part", "19.00"), p.back("16.00")))
	p.decides(d.ago(7, 12, 30), workflow.VerdictApprove, "A", "")
	p.picture(d.ago(2, 10, 0), workflow.PhotoEvidence, "flex-torn", workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6400, Y2: 5000, Number: 1, Text: workflow.Plain(p.w("flex.mark"))})
	p.found(d.ago(2, 10, 20), "flex", "flex-torn", workflow.Finding{Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}, workflow.Duty{})
	p.at(d.ago(2, 11, 0), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: p.w("short2")}}, workflow.IssueQuote{
		Reason:  p.w("reason"),
		Options: []workflow.Option{p.repair("a2", 6, p.labour("1.5"), p.part("part", "19.00"), p.part("part2", "24.00"), p.back("16.00"))},
	}, workflow.Go{To: workflow.StageAwaitingApproval})
}

func (d *demo) recorderCancelled() {
	p := d.play("noor")
	p.book(d.ago(25, 9, 0), "recorder", "Halden", "FR-2")
	p.at(d.ago(6, 9, 0), counterRosa, workflow.Go{To: workflow.StageWithdrawn, Reason: p.w("reason")})
}

func (d *demo) supplyQuestion() {
	p := d.play("beatriz")
	p.book(d.ago(9, 9, 0), "supply", "Ostrava Tide", "BS-30")
	p.arrive(d.ago(7, 9, 0), "K30-6001", mains, "parcel-closed", "contents-bench-supply")
	p.onTheBench(d.ago(5, 9, 0), workflow.FaultReproduced)
	p.suspects(d.ago(5, 10, 0), "bridge")
	p.picture(d.ago(5, 10, 20), workflow.PhotoEvidence, "solder-bridge", workflow.Mark{Kind: workflow.MarkPoint, X: 5000, Y: 5200, Number: 1, Text: workflow.Plain(p.w("bridge.mark"))})
	p.check(d.ago(5, 10, 30), 1, "bridge", workflow.CheckConfirmed)
	p.found(d.ago(5, 10, 45), "solder", "solder-bridge", workflow.Finding{Origin: workflow.OriginEarlierWork, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured,
		Measurement: &workflow.Measurement{Value: money.MustDecimal("0.1"), Unit: "ohm", ExpectOpen: true, Instrument: "Meter 2"}}, workflow.Duty{})
	p.report(d.ago(3, 9, 0), workflow.ReportText{Short: p.w("short"), Cause: p.w("cause"), Certainty: workflow.CertaintyMeasured}, "", p.repair("a", 2, p.labour("0.75"), p.back("19.00")))
	p.decides(d.ago(1, 21, 10), workflow.VerdictAsk, "", p.w("question"))
}
