package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"time"

	"benchword/workflow"
)

// The demo's shop has been there for a while: finished jobs, brought in over the counter and told about by
// telephone, so that figures and forecasts have something to stand on. They are made by the same commands
// as any job, each on a clock of its own, several at a time.

// pastJobs is how many there are.
const pastJobs = 180

var pastKinds = []struct {
	kind, maker, model string
	size               float64 // how long it takes, of the usual
	share              float64
}{
	{"scanner", "Halden", "FS-35", 1, 0.35},
	{"piano", "Ostrava Tide", "Stage 88", 1.4, 0.2},
	{"recorder", "Halden", "FR-2", 0.8, 0.2},
	{"radio", "Ostrava Tide", "VHF 5", 1.1, 0.15},
	{"supply", "Ostrava Tide", "BS-30", 0.9, 0.1},
}

var (
	pastFirst = []string{"Anouk", "Bram", "Carys", "Dario", "Eilidh", "Femi", "Greta", "Hugo", "Ines", "Jonas", "Kaia", "Leif"}
	pastLast  = []string{"Aldana", "Birk", "Castell", "Dunmore", "Eriksen", "Falk", "Gagnon", "Haas", "Iversen", "Jarvi"}
)

// playPast makes n finished jobs that came and went in the months before the demo's own.
func (d *demo) playPast(ctx context.Context, service *workflow.Service, n int) error {
	var wg sync.WaitGroup
	places := make(chan struct{}, 2*runtime.GOMAXPROCS(0))
	errs := make([]error, n)
	last := d.ago(22, 9, 0)
	for i := range n {
		wg.Go(func() {
			places <- struct{}{}
			defer func() { <-places }()
			chance := rand.New(rand.NewPCG(uint64(i), 7))
			// Evenly over some ten months, the last of them early enough to be finished.
			begun := last.Add(-time.Duration(float64(n-i)/float64(max(n, 1))*280*24) * time.Hour)
			if err := d.playOne(ctx, service, chance, begun); err != nil {
				errs[i] = fmt.Errorf("earlier job %d: %w", i+1, err)
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// pastJob is one of them while it is played.
type pastJob struct {
	service workflow.Service // a copy, on a clock of its own
	now     time.Time
	number  workflow.JobNumber
	size    float64
	chance  *rand.Rand
	talk    *play // its words
	err     error
}

// after lets open hours go by: about so many, seldom more than three times.
func (p *pastJob) after(hours float64) *pastJob {
	h := hours * p.size * math.Exp(0.45*p.chance.NormFloat64())
	if at, ok := p.service.Shop.Calendar.After(p.now, time.Duration(h*float64(time.Hour)).Truncate(time.Second)); ok {
		p.now = at
	}
	return p
}

func (p *pastJob) do(ctx context.Context, by workflow.Actor, commands ...workflow.Command) {
	if p.err != nil {
		return
	}
	j, err := p.service.Do(ctx, workflow.Order{Job: p.number, By: by, Commands: commands})
	if p.err = err; err == nil {
		p.number = j.Number
	}
}

func (d *demo) playOne(ctx context.Context, service *workflow.Service, chance *rand.Rand, begun time.Time) error {
	k := pastKinds[0]
	for x, i := chance.Float64(), 0; x >= 0 && i < len(pastKinds); i++ {
		k = pastKinds[i]
		x -= k.share
	}
	talk := &play{d: d, word: "past", lang: cmp.Or(d.lang, service.Shop.Languages[0])}
	p := &pastJob{talk: talk, now: begun, chance: chance, size: 1.25 * k.size * math.Exp(0.3*chance.NormFloat64())}
	s := *service
	s.Now = func() time.Time { return p.now }
	p.service = s
	p.after(4)
	name := pastFirst[chance.IntN(len(pastFirst))] + " " + pastLast[chance.IntN(len(pastLast))]
	p.do(ctx, counterRosa, workflow.Book{Person: workflow.Person{Name: name, Phone: fmt.Sprintf("+1 902 555 %04d", 200+chance.IntN(700))},
		Kind: d.say(talk.lang, "kind."+k.kind), Maker: k.maker, Model: k.model, Fault: talk.w(k.kind), WalkIn: true})
	if p.err != nil {
		return p.err
	}
	photo, err := d.photo(ctx, p.number, "parcel-closed", talk.lang)
	if err != nil {
		return err
	}
	photo.Kind = workflow.PhotoArrival
	p.do(ctx, counterRosa, workflow.ListContents{Items: []workflow.Item{{Text: d.say(talk.lang, "kind."+k.kind), Device: true}}, Serial: fmt.Sprintf("%05d", chance.IntN(100000))},
		workflow.AnswerScreening{Screening: lowVolt}, workflow.AddPhoto{Photo: photo}, workflow.Go{To: workflow.StageReceived})
	p.after(6).do(ctx, technicianNils, workflow.NoteCondition{Text: talk.w("condition")}, workflow.TryFault{Result: workflow.FaultReproduced}, workflow.Go{To: workflow.StageDiagnosing})
	outcome := workflow.OutcomeRepaired
	p.after(9)
	if chance.Float64() < 0.08 {
		outcome = workflow.OutcomeNoFault
		p.do(ctx, technicianNils, workflow.NameSuspect{Text: talk.w("contact")}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: talk.w("contact.check"), Outcome: workflow.CheckRuledOut}},
			workflow.Go{To: workflow.StageTesting, Outcome: outcome})
	} else {
		p.do(ctx, counterRosa, workflow.NameSuspect{Text: talk.w("cap")}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: talk.w("cap.check"), Outcome: workflow.CheckConfirmed}},
			workflow.SendReport{Text: workflow.ReportText{Short: talk.w("short"), Cause: talk.w("cause"), Certainty: workflow.CertaintyMeasured, Proposal: talk.w("proposal")}},
			workflow.IssueQuote{Options: []workflow.Option{talk.repair("a", 5, talk.labour("1.5"), talk.part("part", "18.00"), talk.back("24.00"))}},
			workflow.Go{To: workflow.StageAwaitingApproval})
		asked := p.now
		if p.after(9); p.now.Sub(asked) > 13*24*time.Hour {
			p.now = asked.Add(13 * 24 * time.Hour)
		}
		p.decide(ctx, &outcome)
	}
	tests := []workflow.Command{proved("Function", "", ""), proved("Electrical safety", "", "")}
	p.after(9)
	p.do(ctx, counterRosa, append(tests, workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}}},
		workflow.PrepareShipment{InPerson: true}, workflow.Go{To: workflow.StageShipped})...)
	return p.err
}

// decide takes the customer's answer by telephone, and does the work if it is yes.
func (p *pastJob) decide(ctx context.Context, outcome *workflow.Outcome) {
	if p.err != nil {
		return
	}
	j, err := p.service.Job(ctx, p.number)
	if err != nil {
		p.err = err
		return
	}
	answer := workflow.Decide{Verdict: workflow.VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: j.Customer.Name.Text}
	if p.chance.Float64() < 0.12 {
		*outcome = workflow.OutcomeUnrepaired
		answer.Verdict, answer.Option = workflow.VerdictDecline, ""
		p.do(ctx, counterRosa, answer)
		return
	}
	p.do(ctx, counterRosa, answer)
	if p.chance.Float64() < 0.2 {
		p.after(2).do(ctx, technicianNils, workflow.PlaceHold{Reason: workflow.HoldParts, Note: p.talk.w("hold")})
		p.after(14).do(ctx, technicianNils, workflow.LiftHold{})
	}
	work := func() {
		p.do(ctx, technicianNils, workflow.DoWork{Text: p.talk.w("work")}, workflow.Go{To: workflow.StageTesting})
	}
	p.after(10)
	work()
	if p.chance.Float64() < 0.12 {
		p.after(3).do(ctx, technicianNils, workflow.DoTest{Test: workflow.Test{Name: "Function", Note: workflow.Plain(p.talk.w("fail"))}}, workflow.Go{To: workflow.StageRepairing})
		p.after(6)
		work()
	}
}
