package workflow

import (
	"context"
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/workflow/catalogue"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// leaving is what a job's events say of the moment in which it leaves, worked out without the domain's own questions.
type leaving struct {
	outcome        Outcome
	posted         bool
	screening      *Screening
	opened, worked bool
	closed         int64            // what was proved before it is proved no more
	passed         map[string]int64 // the latest run, if it passed
	findings       map[int][]Finding
	withdrawn      map[int]bool
	actions        map[string]bool
	symptoms       map[string]bool
	duties         []Duty
	done           map[int]bool
	waived         map[int]string
	dropped        map[int]bool
	safe           int64
	stands         []int
}

func leavingOf(t require.TestingT, events []*Event) leaving {
	l := leaving{passed: map[string]int64{}, findings: map[int][]Finding{}, withdrawn: map[int]bool{}, actions: map[string]bool{}, symptoms: map[string]bool{}, done: map[int]bool{}, waived: map[int]string{}, dropped: map[int]bool{}}
	var lastCheck, lastWork, came, shut int64
	for _, e := range events {
		switch p := e.Payload.(type) {
		case *ScreeningAnswered:
			l.screening = &p.Screening
		case *SymptomNoted:
			if !p.Also {
				clear(l.symptoms) // what was said before is taken back
			}
			l.symptoms[p.Symptom] = true
		case *CheckDone:
			l.opened, lastCheck = true, e.Seq
		case *WorkDone:
			l.opened, l.worked, lastWork = true, true, e.Seq
			for _, did := range p.Work.Did {
				l.actions[did] = true
			}
		case *FindingNoted:
			l.opened = l.opened || p.Finding.Origin != OriginArrival
			l.findings[p.Finding.ID] = append(l.findings[p.Finding.ID], p.Finding)
			l.withdrawn[p.Finding.ID] = false
		case *FindingWithdrawn:
			l.withdrawn[p.ID], l.findings[p.ID] = true, nil // noted again, it is another
		case *DeviceStayedShut:
			require.False(t, l.worked)
			l.opened, shut = false, e.Seq
		case *TestDone:
			l.passed[p.Test.Name] = 0
			if p.Test.Passed {
				l.passed[p.Test.Name] = e.Seq
			}
		case *DutyRaised:
			l.duties = append(l.duties, p.Duty)
		case *DutyDone:
			l.done[p.ID] = true
		case *DutyWaived:
			l.waived[p.ID] = p.Reason.Text
		case *DutyDropped:
			l.dropped[p.ID] = true
		case *DeviceMadeSafe:
			require.Equal(t, RoleOwner, e.By.Role)
			l.safe, l.stands = e.Seq, p.Duties
		case *ShipmentPrepared:
			l.posted = !p.Shipment.InPerson
		case *StageMoved:
			if p.To == StageTesting {
				came = e.Seq
			}
			if p.To == StageShipped {
				l.outcome = p.Outcome
			}
		}
	}
	l.closed = max(lastWork, came)
	if lastCheck > shut {
		l.closed = max(l.closed, lastCheck)
	}
	return l
}

// holds says what is wrong with the way in which a device left, nothing if it is safe.
func (l leaving) holds(t require.TestingT, shop *Shop) {
	trade := shop.Trade()
	repaired := l.outcome == OutcomeRepaired || l.outcome == OutcomePartlyRepaired
	safe := !repaired && l.safe > l.closed
	mains := l.screening == nil || l.screening.Mains != No
	if mains && (l.opened || l.worked) {
		require.True(t, l.passed[SafetyTest] > l.closed || safe, "a mains device left untested: %+v", l)
	}
	if repaired {
		for _, name := range shop.Tests {
			require.Greater(t, l.passed[name], l.closed, "left as repaired without %s: %+v", name, l)
		}
	}
	danger := func(f Finding) bool {
		e := trade.Finding(f.Entry)
		return f.Weight == WeightDanger || e != nil && e.Weight == "danger"
	}
	// settled reports whether a duty was done, or let go in a way that its kind allows.
	settled := func(d Duty, never bool) bool {
		return l.done[d.ID] || safe && slices.Contains(l.stands, d.ID) || l.waived[d.ID] != "" && !never
	}
	// asks wants each rule that has a name on its list settled for what it comes from.
	asks := func(rule catalogue.Rule, from string, never bool, of func(Duty) bool) {
		if rule.Test != "" { // one pass settles it for whatever asked for it, and asks for nothing without mains
			require.True(t, !mains || safe || l.passed[rule.Test] > l.closed || slices.ContainsFunc(l.duties, func(d Duty) bool { return d.Rule == rule.ID && l.done[d.ID] }), "%s asks for %s: %+v", from, rule.ID, l)
			return
		}
		require.True(t, slices.ContainsFunc(l.duties, func(d Duty) bool { return d.Rule == rule.ID && of(d) && settled(d, never) }), "%s asks for %s: %+v", from, rule.ID, l)
	}
	cells := 0
	for id, as := range l.findings {
		if l.withdrawn[id] {
			continue
		}
		never := slices.ContainsFunc(as, danger)
		for _, f := range as {
			for _, r := range trade.Rules {
				if slices.Contains(r.Found, f.Entry) {
					asks(r, f.Entry, never, func(d Duty) bool { return d.Finding == id && !l.dropped[d.ID] })
				}
			}
			if !danger(f) {
				continue
			}
			asked := 0
			for _, d := range l.duties {
				if d.Finding == id && d.Test == "" && !l.dropped[d.ID] {
					asked++
					require.True(t, settled(d, true), "left dangerous: %q of %+v: %+v", d.Text, f, l)
				}
			}
			require.Positive(t, asked, "a danger that obliges to nothing: %+v", f)
			if strings.HasPrefix(f.Entry, "cell_") {
				cells++
			}
		}
	}
	for _, r := range trade.Rules {
		at := func(d Duty) bool { return !l.dropped[d.ID] }
		for action := range l.actions {
			if slices.Contains(r.Done, action) {
				asks(r, action, false, at)
			}
		}
		for symptom := range l.symptoms {
			if slices.Contains(r.Symptoms, symptom) {
				asks(r, symptom, r.Before == string(AtOnce), at)
			}
		}
	}
	if l.screening != nil {
		for _, h := range trade.Hazards {
			if slices.Contains(l.screening.Hazards, h.ID) && h.Rule != "" {
				asks(*trade.Rule(h.Rule), h.ID, true, func(d Duty) bool { return !l.dropped[d.ID] })
			}
		}
	}
	if l.posted {
		out := slices.ContainsFunc(l.duties, func(d Duty) bool { return d.Rule == ruleCell && l.done[d.ID] })
		require.False(t, l.screening.CellDamaged == Unknown && l.screening.Lithium != No, "a cell that nobody has looked at was posted: %+v", l)
		require.True(t, l.screening.CellDamaged != Yes && cells == 0 || out, "a damaged cell was posted: %+v", l)
	}
}

// throughJSON is the command as the API reads it.
func throughJSON(t require.TestingT, c Command) Command {
	raw, err := json.Marshal(c)
	require.NoError(t, err)
	again := reflect.New(reflect.TypeOf(c))
	require.NoError(t, json.Unmarshal(raw, again.Interface()))
	return again.Interface().(Command)
}

// fromEvents puts what the job's events alone give in its place, as an import does.
func (b *bench) fromEvents(t require.TestingT) {
	var again []*Event
	for _, e := range b.store.events[b.n] {
		line, err := e.Canonical()
		require.NoError(t, err)
		read, err := ParseEvent(line)
		require.NoError(t, err)
		b.store.secrets[b.n].unsealPayload(read)
		again = append(again, read)
	}
	j, err := Replay(again)
	require.NoError(t, err)
	b.store.jobs[b.n], b.store.events[b.n] = j, again
}

// Over random jobs with mains or cells, nothing leaves as repaired without the tests and duties that its screening,
// its findings, its symptom and the work on it call for, whatever is tried on the way: waivers, a device opened
// again, a no, a word taken back, a missed date, one that comes back under warranty, a job that was read back from
// its events, commands as the API reads them, answers by telephone. And nothing with a damaged cell is posted.
func TestNothingLeavesUnsafe(t *testing.T) {
	entries := strings.Fields("cell_swollen cell_pierced cell_wet parcel_damaged smell_burnt fuse_bridged fuse_wrong live_part_bare earth_open insulator_missing mains_lead_damaged tube_broken mould_inside surge_part_burnt flux_residue heatsink_dry lead_worn case_scratched liquid_traces")
	var percent []int
	for i := range 100 {
		percent = append(percent, i)
	}
	left := map[string]int{}
	longtest.Draws(t, 25)
	rapid.Check(t, func(rt *rapid.T) {
		n := func(k int) int { return rapid.SampledFrom(percent[:k]).Draw(rt, "n") }
		b := newBench(t)
		b.s.Shop.Tests = []string{"Function"}
		answer := func() Answer { return []Answer{Yes, No, Unknown}[n(3)] }
		hazards := [][]string{nil, nil, nil, {"burnt"}, {"radium", "shock"}}
		screening := func() AnswerScreening {
			return AnswerScreening{Screening{answer(), answer(), answer(), answer(), hazards[n(5)], Plain("")}}
		}
		first := booking
		switch n(4) {
		case 0:
			first.Limit = "90.00"
		case 1:
			first.Person.Email, first.Person.Phone, first.WalkIn = "", "+1 902 555 0101", true
		}
		b.do(owner, first)
		if n(3) == 0 {
			first.Follows = b.n // comes back under warranty
			b.n = ""
			b.do(counter, first)
		}
		pick := func(list ...Command) Command { return list[n(len(list))] }
		duty := func(j *Job) int { return 1 + n(len(j.Duties)+1) }
		finding := func() Finding {
			f := Finding{Entry: entries[n(len(entries))]}
			switch n(6) {
			case 0:
				f = Finding{Text: "Something", Origin: OriginWear, Weight: Weights[n(len(Weights))], Certainty: CertaintySeen}
			case 1:
				f.Weight = WeightCosmetic // called light, whatever it is
			}
			return f
		}
		eager := 20 + n(60) // how straight this job goes its way, in percent
		for range 40 {
			j, err := b.s.Job(context.Background(), b.n)
			require.NoError(rt, err)
			if j.Ended() {
				break
			}
			digest, reason, told := "", "", ""
			if q := j.Quote(); q != nil {
				digest, reason = q.Digest, "It changed."
			}
			if d := j.Delay(); d != nil {
				told = d.Digest
			}
			outcome := append([]Outcome{"", ""}, Outcomes...)[n(len(Outcomes)+2)]
			why := []string{"", "It is like that."}[n(2)]
			noise := func() Command {
				id := 1 + n(len(j.Findings)+1)
				corrected := finding()
				corrected.ID = id
				return pick(screening(), NoteFinding{Finding: finding()}, NoteFinding{Finding: corrected}, WithdrawFinding{id, "Seen wrong"}, DoDuty{duty(j)}, WaiveDuty{duty(j), "In a hurry"},
					DoWork{Text: "Did it", Did: [][]string{nil, {"mains_opened"}, {"soldered"}}[n(3)], Duties: []int{duty(j)}}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckUnclear}},
					DoCheck{Check: Check{Plan: 1 + n(9), Outcome: CheckRuledOut}}, NoteSymptom{Symptom: []string{"shock", "wet", "noise", "blows_fuse"}[n(4)], Also: n(2) == 0},
					NoteDamage{Carrier: "Coast Parcel"}, TellDamage{To: PartyCarrier, How: "By email"},
					MakeSafe{"Lead taken off", "Do not use", "As it is, please"}, NoteShut{}, photo(PhotoEvidence), DoTest{Test: Test{Name: "Function", Note: Plain("No")}}, DoTest{Test: Test{Name: SafetyTest, Note: Plain("No")}},
					PrepareShipment{Parcel: "RR473124829CA"}, PrepareShipment{InPerson: true}, IssueQuote{Options: []Option{repairOption("80.00")}, Reason: reason}, UndoDecision{Digest: digest}, AnswerDelay{Choice: DelayReturn, Digest: told},
					Go{To: Stages[n(len(Stages))], Outcome: outcome, Reason: why})
			}
			yes, no := Decide{Verdict: VerdictApprove, Digest: digest, Option: "A", Name: "M"}, Decide{Verdict: VerdictDecline, Digest: digest, Name: "M"}
			phoned := no
			phoned.Call = &CallNote{Number: "+1 902 555 0101"}
			next := map[Stage][]Command{
				StageBooked:           {ListContents{Items: []Item{{Text: "Scanner", Device: true}}}, screening(), photo(PhotoArrival), Go{To: StageReceived}},
				StageReceived:         {NoteCondition{"Good; isolated"}, TryFault{Result: NotTried, Why: NotTriedUnsafe}, Go{To: StageDiagnosing}},
				StageDiagnosing:       {NameSuspect{Text: "Lamp"}, DoCheck{Suspect: 1, Check: Check{Text: "Looked", Outcome: CheckConfirmed}}, pick(Go{To: StageTesting, Outcome: outcome, Reason: why}, Go{To: StageRepairing}), SendReport{ReportText{Short: "So."}}, IssueQuote{Options: []Option{repairOption("80.00")}, Reason: reason}, Go{To: StageAwaitingApproval}},
				StageAwaitingApproval: {pick(yes, yes, no, phoned)},
				StageRepairing:        {DoWork{Text: "Did it"}, pick(Go{To: StageTesting}, Go{To: StageTesting, Outcome: OutcomePartlyRepaired, Reason: why})},
				StageTesting: {pass("Function"), pass(SafetyTest), Pack{[]PackedItem{{Item: 1, Fate: FateReturned}}}, pick(PrepareShipment{Parcel: "RR473124829CA"}, PrepareShipment{InPerson: true}),
					pick(Go{To: StageShipped}, Go{To: StageShipped, Outcome: OutcomeRepaired}, Go{To: StageShipped, Outcome: outcome, Reason: why})},
			}
			try := func(commands ...Command) {
				by := owner
				if _, ok := commands[0].(Decide); ok && n(2) == 0 {
					by = customer
				}
				if _, added := commands[0].(AddPhoto); !added && n(3) == 0 { // no photo comes as JSON
					commands[0] = throughJSON(rt, commands[0])
				}
				if _, err := b.try(by, commands...); err != nil {
					require.NotEqual(rt, CodeInternal, CodeOf(err), "%#v: %v", commands[0], err)
				}
			}
			switch way := n(100); {
			case way < eager: // on along its way, if it may
				for _, c := range next[j.Stage] {
					if n(8) > 0 {
						try(c)
					}
				}
			case way < eager+(100-eager)/3:
				for _, d := range j.Duties {
					if d.unsettled() && n(8) > 0 {
						try(DoDuty{d.ID})
					}
				}
			case j.Stage == StageTesting && n(2) == 0:
				try(pick(MakeSafe{"Lead taken off", "Do not use", "As it is, please"}, DoWork{Text: "Did more"}, Go{To: StageShipped, Outcome: OutcomeRepaired}))
			case n(4) == 0:
				try(noise(), noise()) // in one commit
			default:
				try(noise())
			}
			switch n(40) {
			case 0:
				b.passes(time.Duration(n(100)) * 4 * time.Hour)
			case 1:
				b.fromEvents(rt)
			}
		}
		j := b.checkHistory()
		if j.Stage != StageShipped {
			return
		}
		l := leavingOf(rt, b.store.events[b.n])
		l.holds(rt, b.s.Shop)
		for name, is := range map[string]bool{string(l.outcome): true, "posted": l.posted, "made safe": l.safe > l.closed, "under warranty": j.Follows != "", "cell out": slices.ContainsFunc(j.Duties, func(d Duty) bool { return d.Rule == ruleCell && !d.DoneAt.IsZero() })} {
			if is {
				left[name]++
			}
		}
	})
	t.Log(left)
	for _, way := range []string{"repaired", "posted"} {
		if testing.Short() || !longtest.Whole() {
			break // a fifth of the jobs: one of the ways may be missing
		}
		require.Positive(t, left[way], "no job left like this, so nothing was shown: %s", way)
	}
}
