package main

import (
	"time"

	"benchword/workflow"
	"benchword/workflow/money"
)

// plays writes the demo's jobs: every stage and outcome, one with earlier work, one held for parts,
// one in breach, one declined, one that came back under warranty.
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
	d.scannerNoFault()
	d.recorderRecycled()
	d.radioFurtherQuote()
	d.recorderCancelled()
	d.supplyQuestion()
	d.radioRepaired()
}

// scannerToApprove is the job whose link the demo prints: a quote waits for an answer.
func (d *demo) scannerToApprove() {
	p := d.play("film scanner, to approve")
	d.toApprove = p
	p.book(d.ago(6, 10, 5), "Mira Osei", "mira@post.example", "en", "film scanner", "Halden", "FS-35", "It hums when I switch it on and stops in the middle of a frame. A friend's workshop looked at it in spring and gave it back the same.")
	p.arrive(d.ago(4, 9, 20), "Q2-20417", mains, []string{"parcel-dented", "contents-film-scanner"}, "Film scanner", "Two film holders, one with film in it", "Mains lead", "USB cable")
	p.onTheBench(d.ago(3, 10, 0), "Lid scratched on the left, one foot missing; otherwise clean. A corner of the parcel was dented, the padding held.", workflow.FaultReproduced, "Stopped at the third frame, three times out of three, after about two minutes.")
	t := d.ago(3, 11, 0)
	p.at(t, technicianNils, workflow.NameSuspect{Text: "Lamp supply breaks down when it is warm"}, workflow.NameSuspect{Text: "Transport motor or belt sticks"}, workflow.NameSuspect{Text: "USB connection drops out"})
	p.check(t.Add(10*time.Minute), 3, "Ran for an hour with another cable and another computer", workflow.CheckRuledOut, "")
	p.check(t.Add(40*time.Minute), 2, "Turned by hand, then driven from a bench supply", workflow.CheckRuledOut, "0.21 A, even over the whole way")
	p.picture(t.Add(60*time.Minute), workflow.PhotoEvidence, "capacitor-bulging", workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 4600, X2: 6500, Y2: 4600, Number: 1, Text: workflow.Plain("The top of this capacitor has bulged")})
	p.check(t.Add(70*time.Minute), 1, "Measured the lamp supply cold and warm", workflow.CheckConfirmed, "12.0 V cold, 9.1 V after two minutes (12.0 V ± 0.3 V expected)")
	p.then(t.Add(80*time.Minute), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.NoteFinding{Finding: workflow.Finding{
			Text: "A capacitor in the lamp supply has bulged and lost most of its capacity", Where: "power board, beside the transformer", Origin: workflow.OriginWear,
			Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Reading: "180 µF (1000 µF expected)", Photos: p.ids("capacitor-bulging"),
			Matters: "When the lamp warms up the supply sags, and the scanner stops itself.",
		}}}
	})
	p.picture(t.Add(85*time.Minute), workflow.PhotoEvidence, "flux-residue")
	p.then(t.Add(90*time.Minute), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.NoteFinding{Finding: workflow.Finding{
			Text: "Flux residue has been left around a chip that was soldered by hand", Where: "main board, motor driver", Origin: workflow.OriginEarlierWork,
			Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen, Photos: p.ids("flux-residue"),
			Matters: "It did not cause the fault. Left there it can draw damp, so we clean it while the scanner is open.",
		}, Duty: workflow.Duty{Text: "Clean the flux residue off the main board", Before: workflow.StageTesting}}}
	})
	p.at(d.ago(2, 9, 0), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{
		Text: "One screw of the bottom plate is missing", Where: "rear left", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen,
		Matters: "We fit a matching one.",
	}, Duty: workflow.Duty{Text: "Fit the missing bottom plate screw", Before: workflow.StageShipped}})
	p.report(d.ago(1, 15, 30), workflow.ReportText{
		Short: "The lamp's power supply gives way when it is warm, because a capacitor in it is worn out. It can be repaired, and the rest of the scanner is sound.",
		Cause: "A worn capacitor in the lamp supply.", Certainty: workflow.CertaintyMeasured,
		Proposal: "Renew the worn capacitor and the three like it, clean the board, fit the missing screw, and scan for two hours as a test.",
		Next:     "Choose what we should do; we start on the morning after your answer.",
	}, "Capacitors of this kind age together, so the four of them are changed as a set.",
		repair("Repair the lamp supply", "Four capacitors renewed, board cleaned, two hours of scanning as proof.", 4, labour("Bench time", "1.5"), part("Four capacitors, new, of higher temperature rating", "18.40"), carriage("14.50")),
		workflow.Option{Kind: workflow.OptionRenew, Title: "Repair, and renew the transport belt", Text: "As above, and the belt, which shows its age but still works.", WorkingDays: 6, WarrantyDays: 365,
			Price: repair("", "", 0, labour("Bench time", "2.25"), part("Four capacitors, new, of higher temperature rating", "18.40"), part("Transport belt, new", "27.00"), carriage("14.50")).Price})
}

// pianoWithEarlierWork is the example to read through: another workshop had opened it and left three traces,
// one of them the cause of nothing; two suspects are ruled out, the third is confirmed; before and after.
func (d *demo) pianoWithEarlierWork() {
	p := d.play("stage piano, earlier work")
	d.story = p
	p.book(d.ago(19, 18, 40), "Jonas Tremblay", "jonas@post.example", "en", "stage piano", "Ostrava Tide", "Stage 88", "It cuts out in the middle of a song, mostly when somebody touches the power lead. Another workshop had it open in spring and it was good for a week.")
	p.arrive(d.ago(16, 9, 45), "SP88-00731", lowVolt, []string{"parcel-closed", "contents-stage-piano"}, "Stage piano", "Power adaptor", "Sustain pedal")
	p.onTheBench(d.ago(15, 9, 30), "Well kept. Two scuffs on the left cheek. The bottom plate does not sit flat.", workflow.FaultIntermittent, "It cut out four times in an hour while we moved the plug sideways. With the plug at rest it played for three hours.")
	t := d.ago(15, 10, 0)
	p.at(t, technicianNils, workflow.NoteSymptom{Symptom: "cuts_out"})
	look, lead, sw, socket := "seen_damage", "lead_or_adaptor", "power_switch", "power_socket"
	p.usual(t.Add(5*time.Minute), look, workflow.CheckRuledOut, "")
	p.usual(t.Add(15*time.Minute), lead, workflow.CheckRuledOut, "15.1 V, steady while the lead was moved")
	p.usual(t.Add(50*time.Minute), sw, workflow.CheckRuledOut, "0.02 ohm, steady while it was tapped")
	p.picture(t.Add(65*time.Minute), workflow.PhotoEvidence, "joint-cracked", workflow.Mark{Kind: workflow.MarkArrow, X: 5200, Y: 5000, X2: 7800, Y2: 2400, Number: 1, Text: workflow.Plain("The crack runs all round the pin")})
	p.usual(t.Add(70*time.Minute), socket, workflow.CheckConfirmed, "contact lost each time the socket was bent")
	p.found(t.Add(75*time.Minute), "joint-cracked", workflow.Finding{
		Entry: "joint_cracked", Where: "main board, power socket", Certainty: workflow.CertaintyMeasured, Reading: "contact lost each time the socket was bent", Measurement: wanders("0.02", "180", "ohm", "0.1", "lead moved"),
		Text:    "The solder joint of the power socket has cracked all round its pin.",
		Matters: "Moving the lead moves the pin, and the piano loses its power for a moment. That is what you saw.",
	})
	p.picture(t.Add(77*time.Minute), workflow.PhotoEvidence, "compound-dried")
	p.found(t.Add(78*time.Minute), "compound-dried", workflow.Finding{
		Entry: "heatsink_dry", Where: "main board, sound processor",
		Text:    "The heat sink of the sound processor has been lifted and put back on its old, dry compound.",
		Matters: "The processor gets hotter like this and ages faster. It still works as it should, and this is not the cause of the fault.",
	})
	p.picture(t.Add(80*time.Minute), workflow.PhotoEvidence, "flux-residue")
	p.found(t.Add(85*time.Minute), "flux-residue", workflow.Finding{
		Entry: "flux_residue", Where: "main board, around chip U9",
		Text:    "Flux was left all round a chip that has been soldered by hand.",
		Matters: "The chip works, and this is not the cause of the fault. Flux draws damp, so it should not stay.",
	})
	p.picture(t.Add(90*time.Minute), workflow.PhotoEvidence, "pad-lifted-wire", workflow.Mark{Kind: workflow.MarkArrow, X: 5300, Y: 5200, X2: 3000, Y2: 7600, Number: 1, Text: workflow.Plain("The wire that was added")})
	p.found(t.Add(95*time.Minute), "pad-lifted-wire", workflow.Finding{
		Entry: "wire_added", Where: "main board, beside the pedal socket",
		Matters: "It takes the place of a copper contact that has come off, and carries the pedal’s signal. It does that well: it is the cause of nothing. We only fix it down, so that it stays so.",
	})
	p.report(d.ago(14, 11, 0), workflow.ReportText{
		Short: "One solder joint at the power socket has cracked, so the piano loses power when the lead is touched. It is a small repair. Earlier work left three traces. None of them caused the fault, and we put them right on the way.",
		Cause: "The cracked joint of the power socket: moving the lead opens it. The lead, the adaptor and the main switch are in order.", Certainty: workflow.CertaintyMeasured,
		Proposal: "We fit a new power socket and make its joints anew. We wash the flux off, renew the thermal compound and fix the added wire down. Then it plays for four hours while we move the lead.",
	}, "", repair("Repair the power socket", "New socket, board washed, thermal compound renewed, wire fixed down. Four hours of playing as proof.", 3, labour("Bench time", "1.25"), part("Power socket, new original", "6.20"), carriage("38.00")))
	p.decides(d.ago(13, 20, 15), workflow.VerdictApprove, "A", "Jonas Tremblay")
	p.at(d.ago(12, 13, 0), technicianNils, workflow.DoWork{Text: "Fitted a new power socket and resoldered its joints. Fixed the added wire down.", Findings: []int{1, 4}, Duties: []int{3}, Did: []string{"soldered"},
		Fitted: []workflow.FittedPart{{Name: "power socket", Maker: "Ostrava Tide", Type: "original", Lot: "SP-26-07", Source: "the maker", Grade: "original", Place: "main board, rear", Old: workflow.FateReturned}}})
	for i, pair := range [][2]string{{"joint-cracked", "joint-resoldered"}, {"flux-residue", "flux-washed"}, {"compound-dried", "compound-fresh"}} {
		at := d.ago(12, 14, 10*i)
		p.picture(at, workflow.PhotoAfter, pair[1])
		p.pair(at.Add(time.Minute), pair[0], pair[1])
	}
	p.at(d.ago(12, 15, 0), technicianNils,
		workflow.DoWork{Text: "Washed the board. Cleaned processor and heat sink and spread fresh thermal compound.", Findings: []int{2, 3}, Duties: []int{1, 2, 4}},
		workflow.Go{To: workflow.StageTesting})
	p.picture(d.ago(11, 9, 0), workflow.PhotoTest, "test-meter")
	p.at(d.ago(11, 13, 30), technicianNils, proved("Function", "", "four hours of playing, lead moved throughout, no break", again(1, "Joint of the power socket", "0.02", "ohm", "0.1")), outside)
	p.at(d.ago(11, 13, 45), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: "Repaired: it played for four hours without a break while we moved the lead.", Cause: "The cracked joint of the power socket.", Certainty: workflow.CertaintyMeasured, Next: "We pack it and post it."}})
	p.at(d.ago(11, 14, 0), counterRosa, workflow.DeclareReady{Note: "It plays through whatever one does to the lead."})
	p.at(d.ago(10, 12, 0), counterRosa, workflow.RecordPayment{Amount: "165.83", How: "bank transfer"})
	p.picture(d.ago(10, 15, 30), workflow.PhotoPacking, "parcel-packed")
	p.ship(d.ago(10, 16, 0), "RR473124829CA")
}

func (d *demo) radioHeldForParts() {
	p := d.play("marine radio, held for parts")
	p.book(d.ago(12, 8, 30), "Aoife Brannigan", "aoife@post.example", "en", "marine radio", "Ostrava Tide", "VHF 5", "Receives, but nobody hears me.")
	p.arrive(d.ago(10, 10, 0), "OT5-1180", lithium, []string{"parcel-closed", "contents-marine-radio"}, "Marine radio, with its battery", "Charging cradle", "Belt clip", "Printed box")
	p.onTheBench(d.ago(9, 9, 0), "Salt traces around the battery contacts. Battery flat and even.", workflow.FaultReproduced, "0.2 W into a dummy load; 5 W expected.")
	p.at(d.ago(9, 10, 0), technicianNils, workflow.NameSuspect{Text: "The output stage has failed"})
	p.check(d.ago(9, 10, 30), 1, "Measured the drive before and after the output stage", workflow.CheckConfirmed, "drive present, no gain")
	p.picture(d.ago(9, 10, 40), workflow.PhotoEvidence, "connector-corroded")
	p.then(d.ago(9, 11, 0), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{
			workflow.NoteFinding{Finding: workflow.Finding{Text: "The output stage no longer amplifies", Where: "transmitter board", Origin: workflow.OriginElectrical, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: shows("0.2", "W", "4.5", "5.5", "key down, dummy load"), Matters: "With a supply that comes and goes it has been overloaded, most likely."}},
			workflow.NoteFinding{Finding: workflow.Finding{Text: "Battery connector J7 is corroded: two of its pins no longer make contact", Where: "main board, J7", Origin: workflow.OriginLiquid, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintySeen, Photos: p.ids("connector-corroded"), Matters: "The supply sags here while it transmits, which can damage the output stage again."}},
		}
	})
	p.report(d.ago(8, 14, 0), workflow.ReportText{Short: "The transmitter's output stage has failed and its battery connector is corroded. Both can be put right.", Cause: "A failed output stage.", Certainty: workflow.CertaintyMeasured, Proposal: "Renew the output stage and the connector. A licensed technician then measures power and frequency into a dummy load."}, "",
		repair("Renew output stage and battery connector", "Measured afterwards by a licensed technician.", 6, labour("Bench time", "2"), part("Output stage, new compatible", "74.00"), part("Battery connector, new", "9.80"), carriage("16.00")))
	p.decides(d.ago(7, 19, 5), workflow.VerdictApprove, "A", "Aoife Brannigan")
	p.at(d.ago(5, 9, 15), technicianNils, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "The output stage is on its way from the maker's store; it is expected within a week."})
}

func (d *demo) supplyInBreach() {
	p := d.play("bench supply, in breach")
	p.book(d.ago(20, 9, 0), "Priya Raman", "priya@post.example", "en", "bench supply", "Ostrava Tide", "BS-30", "Output jumps to full voltage by itself. I do not dare to use it any more.")
	p.arrive(d.ago(14, 10, 30), "K30-5520", mains, []string{"parcel-closed", "contents-bench-supply"}, "Bench supply", "Mains lead", "Two test leads, red and black")
	p.onTheBench(d.ago(13, 9, 0), "Fan grille bent; dusty inside.", workflow.FaultIntermittent, "Seen twice in six hours.")
	p.at(d.ago(13, 11, 0), technicianNils, workflow.NameSuspect{Text: "The voltage control's wiper lifts off"}, workflow.NameSuspect{Text: "The regulator board has a heat fault"})
	p.check(d.ago(12, 10, 0), 1, "Turned through its range under a microscope, measured its resistance", workflow.CheckUnclear, "a short break at two thirds, once")
	p.picture(d.ago(12, 10, 30), workflow.PhotoEvidence, "board-burnt")
	p.then(d.ago(12, 11, 0), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.NoteFinding{Finding: workflow.Finding{Text: "A driver chip has burst, and the board under it is scorched", Where: "regulator board", Origin: workflow.OriginElectrical, Weight: workflow.WeightOpen, Certainty: workflow.CertaintySeen, Photos: p.ids("board-burnt"), Matters: "It has carried far too much current. Whether it is the cause or came of it we are still checking."}}}
	})
	p.at(d.ago(3, 16, 0), counterRosa, workflow.SendMessage{Text: "The fault comes only every few hours, so each attempt takes a day. We are keeping at it."})
}

func (d *demo) scannerDeclined() {
	p := d.play("film scanner, declined")
	p.book(d.ago(18, 12, 0), "Tomasz Wilk", "tomasz@post.example", "en", "film scanner", "Halden", "FS-20", "A line across every picture.")
	p.arrive(d.ago(16, 11, 0), "Q1-00877", mains, []string{"parcel-closed", "contents-film-scanner"}, "Film scanner", "Two film holders, one with film in it", "USB cable", "Mains lead")
	p.onTheBench(d.ago(14, 10, 0), "Yellowed, otherwise good.", workflow.FaultReproduced, "A dark line at the same place in every picture.")
	p.at(d.ago(14, 10, 30), technicianNils, workflow.NameSuspect{Text: "The sensor has a dead column"})
	p.check(d.ago(14, 11, 0), 1, "Scanned without film, sensor cleaned", workflow.CheckConfirmed, "")
	p.at(d.ago(14, 11, 30), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{Text: "One column of the sensor no longer answers", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Matters: "Only a new sensor cures it."}})
	p.report(d.ago(13, 15, 0), workflow.ReportText{Short: "The picture sensor is worn out. A new one costs more than the scanner is worth to most people.", Cause: "A dead column in the sensor.", Certainty: workflow.CertaintySeen, Proposal: "Renew the sensor, or have it back as it is."}, "We would understand a no.",
		repair("Renew the sensor", "", 8, labour("Bench time", "2.5"), part("Sensor, pulled and tested", "190.00"), carriage("14.50")))
	p.decides(d.ago(12, 7, 45), workflow.VerdictDecline, "", "Tomasz Wilk")
	p.at(d.ago(11, 10, 0), technicianNils, earthed("0.08", "0.21"))
	p.ship(d.ago(10, 15, 0), "RR473124829CA")
}

// radioRepaired is finished long ago; recorderUnderWarranty does not follow it: see there.
func (d *demo) radioRepaired() {
	p := d.play("field recorder, repaired before")
	d.before = p
	p.book(d.ago(50, 9, 0), "Ingrid Solheim", "ingrid@post.example", "en", "field recorder", "Halden", "FR-2", "The left channel crackles.")
	p.arrive(d.ago(48, 10, 0), "R4-3391", lithium, []string{"parcel-open", "contents-field-recorder"}, "Field recorder", "Two microphones", "Two AA cells", "Lead", "Battery (built in)")
	p.onTheBench(d.ago(47, 9, 0), "Good. Battery flat and even.", workflow.FaultReproduced, "Crackles when the left socket is moved.")
	p.at(d.ago(47, 10, 0), technicianNils, workflow.NameSuspect{Text: "The left input socket is worn"})
	p.check(d.ago(47, 10, 20), 1, "Measured while moving the plug", workflow.CheckConfirmed, "0.2 to 40 ohm")
	p.at(d.ago(47, 10, 40), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{Text: "The contacts of the left input socket are worn", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: wanders("0.2", "40", "ohm", "1", "plug moved by hand")}})
	p.report(d.ago(46, 11, 0), workflow.ReportText{Short: "The left socket is worn and can be renewed."}, "", repair("Renew the left socket", "", 3, labour("Bench time", "0.75"), part("Socket, new original", "11.00"), carriage("12.00")))
	p.decides(d.ago(46, 18, 0), workflow.VerdictApprove, "A", "Ingrid Solheim")
	p.at(d.ago(44, 10, 0), technicianNils, workflow.DoWork{Text: "Renewed the left input socket."}, workflow.Go{To: workflow.StageTesting})
	p.at(d.ago(44, 14, 0), technicianNils, proved("Function", "", "two hours of recording", again(1, "Left input socket, plug moved", "0.1", "ohm", "1")), proved(workflow.SafetyTest, workflow.ClassIII, "", good(workflow.StepLook), good(workflow.StepPolarity), good(workflow.StepHeat), good(workflow.StepCharging), good(workflow.StepFunction)))
	p.ship(d.ago(43, 15, 0), "RR473124829CA")
}

func (d *demo) recorderUnderWarranty() {
	p := d.play("field recorder, under warranty")
	p.steps = append(p.steps, step{d.ago(3, 8, 15), d.followUp(p)})
	p.arrive(d.ago(1, 9, 50), "R4-3391", lithium, []string{"parcel-closed", "contents-field-recorder"}, "Field recorder", "Two microphones", "Two AA cells", "Lead", "Battery (built in)")
	p.onTheBench(d.ago(1, 14, 0), "As we sent it. Battery flat and even.", workflow.FaultReproduced, "The left channel is silent.")
	p.at(d.ago(1, 14, 30), technicianNils, workflow.NoteSymptom{Symptom: "no_sound"})
}

func (d *demo) radioBooked() {
	p := d.play("marine radio, on its way")
	p.book(d.ago(1, 17, 20), "Hélène Fournier", "helene@post.example", "en", "marine radio", "Osterhav", "VHF 9", "No display. The speaker still works.")
}

func (d *demo) pianoReceived() {
	p := d.play("stage piano, received")
	p.book(d.ago(5, 21, 0), "Samir Haddad", "samir@post.example", "en", "stage piano", "Ostrava Tide", "Stage 61", "Three keys play twice.")
	p.arrive(d.ago(1, 16, 10), "SP61-2210", lowVolt, []string{"parcel-dented", "contents-stage-piano"}, "Stage piano", "Power adaptor", "Sustain pedal")
}

func (d *demo) supplyReady() {
	p := d.play("bench supply, ready")
	p.book(d.ago(11, 9, 0), "Lotte Brandt", "lotte@post.example", "en", "bench supply", "Ostrava Tide", "BS-15", "Dead after a thunderstorm.")
	p.arrive(d.ago(9, 9, 30), "K15-0098", mains, []string{"parcel-closed", "contents-bench-supply"}, "Bench supply", "Mains lead", "Two test leads, red and black")
	p.onTheBench(d.ago(8, 9, 0), "Clean.", workflow.FaultReproduced, "No output, fuse open.")
	p.at(d.ago(8, 9, 40), technicianNils, workflow.NameSuspect{Text: "The mains input stage was hit by the surge"})
	p.check(d.ago(8, 10, 0), 1, "Measured the input stage with the mains off and the capacitors discharged", workflow.CheckConfirmed, "rectifier short-circuited")
	p.at(d.ago(8, 10, 20), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{Text: "The mains rectifier has failed short-circuit", Where: "input board", Origin: workflow.OriginElectrical, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: &workflow.Measurement{Value: money.MustDecimal("0.4"), Unit: "ohm", ExpectOpen: true, Conditions: "unplugged, discharged, backwards", Instrument: "Meter 2"}}, Duty: workflow.Duty{Text: "Record an electrical safety test: the mains part was opened", Before: workflow.StageShipped}})
	p.report(d.ago(7, 15, 0), workflow.ReportText{Short: "The thunderstorm took the rectifier and the fuse; nothing behind them was hit.", Cause: "A surge on the mains.", Certainty: workflow.CertaintyInferred}, "", repair("Renew rectifier, fuse and surge protection", "", 4, labour("Bench time", "1"), part("Rectifier, fuse, surge arrester, new", "21.50"), carriage("19.00")))
	p.decides(d.ago(6, 12, 0), workflow.VerdictApprove, "A", "Lotte Brandt")
	p.at(d.ago(3, 11, 0), technicianNils, workflow.DoWork{Text: "Renewed rectifier, fuse and surge arrester.", Findings: []int{1}, Fitted: []workflow.FittedPart{
		{Name: "bridge rectifier 600 V 6 A", Maker: "Nordkap", Type: "NK-606", Lot: "2619", Source: "bench stock", Grade: "equal", Place: "D1", Old: workflow.FateReturned},
		{Name: "fuse T 2 A 250 V, high breaking capacity", Maker: "Nordkap", Lot: "2544", Source: "bench stock", Grade: "equal", Place: "F1", Old: workflow.FateRecycled},
	}}, workflow.Go{To: workflow.StageTesting})
	p.picture(d.ago(2, 10, 0), workflow.PhotoTest, "test-bench-supply")
	p.at(d.ago(2, 15, 0), technicianNils, proved("Function", "", "three hours at 3 A", openAgain(1, "Rectifier, backwards"), workflow.TestStep{Name: "Output at 3 A", Result: workflow.StepPassed, Found: shows("0", "V", "", "", ""), Measurement: shows("15.00", "V", "14.9", "15.1", "3 A")}), earthed("0.07", "0.30"), workflow.DoDuty{ID: 1})
	p.at(d.ago(1, 9, 30), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: "Repaired, and tested for three hours at full load.", Cause: "A surge on the mains.", Certainty: workflow.CertaintyInferred, Next: "It goes into the post as soon as the payment is here."}})
	p.at(d.ago(1, 10, 0), counterRosa, workflow.DeclareReady{Note: "It goes into the post as soon as the payment is here."})
}

func (d *demo) scannerNoFault() {
	p := d.play("film scanner, cured outside")
	p.book(d.ago(16, 9, 0), "Emeka Obi", "emeka@post.example", "en", "film scanner", "Halden", "FS-35", "The computer does not find it any more.")
	p.arrive(d.ago(14, 9, 0), "Q2-11805", mains, []string{"parcel-closed", "contents-film-scanner"}, "Film scanner", "Two film holders, one with film in it", "USB cable", "Mains lead")
	p.onTheBench(d.ago(12, 9, 0), "Very clean.", workflow.FaultNotReproduced, "Found at once by three computers; forty films scanned without a break.")
	p.at(d.ago(12, 10, 0), technicianNils, workflow.NameSuspect{Text: "USB cable"}, workflow.NameSuspect{Text: "USB socket"})
	p.check(d.ago(12, 10, 30), 1, "Bent and pulled under load", workflow.CheckConfirmed, "drops out when bent near the plug")
	p.check(d.ago(12, 11, 0), 2, "Measured while moving the plug", workflow.CheckRuledOut, "steady")
	p.at(d.ago(11, 10, 0), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: "Your scanner is in order; its USB cable is broken inside. A new cable is all it needs.", Next: "We send the scanner back with a new cable."}})
	p.at(d.ago(11, 10, 30), technicianNils, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeCuredOutside, Reason: "the USB cable breaks contact when it is bent near the plug."})
	p.at(d.ago(11, 13, 0), technicianNils, earthed("0.09", "0.18"))
	p.ship(d.ago(10, 15, 30), "RR473124829CA")
}

func (d *demo) recorderRecycled() {
	p := d.play("field recorder, recycled")
	p.book(d.ago(15, 9, 0), "Yuki Arai", "yuki@post.example", "en", "field recorder", "Halden", "FR-1", "Fell into a river.")
	p.arrive(d.ago(13, 9, 0), "R2-7702", workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.Yes}, []string{"parcel-open", "contents-field-recorder"}, "Field recorder", "Two microphones", "Two AA cells", "Lead")
	p.at(d.ago(11, 9, 0), technicianNils, workflow.NoteCondition{Text: "Mud in the sockets."}, workflow.TryFault{Result: workflow.NotTried, Why: workflow.NotTriedUnsafe, Note: "It is wet inside."}, workflow.Go{To: workflow.StageDiagnosing})
	p.at(d.ago(11, 9, 30), technicianNils, workflow.NameSuspect{Text: "Corrosion under the main chips"})
	p.check(d.ago(11, 10, 0), 1, "Opened, looked at under the microscope", workflow.CheckConfirmed, "")
	p.at(d.ago(11, 10, 30), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{Text: "Corrosion has spread under most chips of the main board", Origin: workflow.OriginLiquid, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Matters: "A repair would not last."}})
	p.report(d.ago(10, 11, 0), workflow.ReportText{Short: "The water has spread under the chips; a repair would not last. We can recycle it properly, or send it back.", Cause: "Liquid.", Certainty: workflow.CertaintySeen}, "",
		workflow.Option{Kind: workflow.OptionRecycle, Title: "Recycle it", Text: "You consent in writing to our passing it to a licensed recycler. Nothing comes back to you.", Price: repair("", "", 0, labour("No charge", "0")).Price})
	p.decides(d.ago(9, 20, 0), workflow.VerdictApprove, "A", "Yuki Arai")
}

func (d *demo) radioFurtherQuote() {
	p := d.play("marine radio, further quote")
	p.book(d.ago(13, 9, 0), "Marisol Vega", "marisol@post.example", "en", "marine radio", "Ostrava Tide", "VHF 5", "The talk key sticks and the display is dim.")
	p.arrive(d.ago(11, 9, 0), "OT5-0663", lithium, []string{"parcel-closed", "contents-marine-radio"}, "Marine radio, with its battery", "Charging cradle", "Belt clip", "Printed box")
	p.onTheBench(d.ago(9, 13, 0), "Sun-bleached.", workflow.FaultReproduced, "")
	p.at(d.ago(9, 13, 30), technicianNils, workflow.NameSuspect{Text: "The talk key's switch"})
	p.check(d.ago(9, 14, 0), 1, "Opened it and pressed the switch by hand", workflow.CheckConfirmed, "")
	p.at(d.ago(9, 14, 20), technicianNils, workflow.NoteFinding{Finding: workflow.Finding{Text: "The switch under the talk key has worn through", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	p.report(d.ago(8, 9, 0), workflow.ReportText{Short: "The switch under the talk key is worn; the display's lighting can be renewed in the same go."}, "", repair("Renew switch and lighting", "", 5, labour("Bench time", "1"), part("Switch and two lamps, new", "19.00"), carriage("16.00")))
	p.decides(d.ago(7, 12, 30), workflow.VerdictApprove, "A", "Marisol Vega")
	p.picture(d.ago(2, 10, 0), workflow.PhotoEvidence, "flex-torn", workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6400, Y2: 5000, Number: 1, Text: workflow.Plain("The tear across the flex")})
	p.then(d.ago(2, 10, 20), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.NoteFinding{Finding: workflow.Finding{Text: "The flat flex to the display is torn half through", Where: "behind the display", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Photos: p.ids("flex-torn"), Matters: "It still works, but it would go soon; it came to light when the display was out."}}}
	})
	p.at(d.ago(2, 11, 0), counterRosa, workflow.SendReport{Text: workflow.ReportText{Short: "While renewing the lighting we found that the flex to the display is torn half through."}}, workflow.IssueQuote{
		Reason:  "The torn flex came to light when the display was taken out.",
		Options: []workflow.Option{repair("Renew switch, lighting and flex", "", 6, labour("Bench time", "1.5"), part("Switch and two lamps, new", "19.00"), part("Flex, new compatible", "24.00"), carriage("16.00"))},
	}, workflow.Go{To: workflow.StageAwaitingApproval})
}

func (d *demo) recorderCancelled() {
	p := d.play("field recorder, cancelled")
	p.book(d.ago(25, 9, 0), "Noor de Wit", "noor@post.example", "en", "field recorder", "Halden", "FR-2", "Battery does not last.")
	p.at(d.ago(6, 9, 0), counterRosa, workflow.Go{To: workflow.StageWithdrawn, Reason: "The customer telephoned: they bought a new one."})
}

func (d *demo) supplyQuestion() {
	p := d.play("bench supply, question")
	p.book(d.ago(9, 9, 0), "Beatriz Lima", "beatriz@post.example", "en", "bench supply", "Ostrava Tide", "BS-30", "The display shows nonsense.")
	p.arrive(d.ago(7, 9, 0), "K30-6001", mains, []string{"parcel-closed", "contents-bench-supply"}, "Bench supply", "Mains lead", "Two test leads, red and black")
	p.onTheBench(d.ago(5, 9, 0), "Good.", workflow.FaultReproduced, "Segments missing in both displays.")
	p.at(d.ago(5, 10, 0), technicianNils, workflow.NameSuspect{Text: "Bridged joints at the display driver"})
	p.picture(d.ago(5, 10, 20), workflow.PhotoEvidence, "solder-bridge", workflow.Mark{Kind: workflow.MarkPoint, X: 5000, Y: 5200, Number: 1, Text: workflow.Plain("Solder bridges two legs of the chip")})
	p.check(d.ago(5, 10, 30), 1, "Looked at under the microscope, measured between the legs", workflow.CheckConfirmed, "0.1 ohm (open expected)")
	p.then(d.ago(5, 10, 45), technicianNils, func(*workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.NoteFinding{Finding: workflow.Finding{Text: "Solder bridges two legs of the display driver", Where: "display board", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Measurement: &workflow.Measurement{Value: money.MustDecimal("0.1"), Unit: "ohm", ExpectOpen: true, Instrument: "Meter 2"}, Photos: p.ids("solder-bridge"), Matters: "It makes two segments light together."}}}
	})
	p.report(d.ago(3, 9, 0), workflow.ReportText{Short: "Two legs of the display's chip are joined by solder. Cleaning that up should bring the display back.", Cause: "A solder bridge.", Certainty: workflow.CertaintyMeasured}, "", repair("Clean the joints of the display driver", "", 2, labour("Bench time", "0.75"), carriage("19.00")))
	p.then(d.ago(1, 21, 10), byLink, func(j *workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.Decide{Verdict: workflow.VerdictAsk, Digest: j.Quote().Digest, Name: "Beatriz Lima", Words: "Is the chip itself still good, or might it fail soon?", Address: "192.0.2.60", Agent: "a browser"}}
	})
}
