package main

import (
	"context"
	"fmt"
	"sort"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"
)

// The demo's people, makers and devices are invented. Its photos are rendered illustrations.

var (
	technicianNils = workflow.Actor{Role: workflow.RoleBench, ID: "nils"}
	counterRosa    = workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}
	byLink         = workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}
)

// play is a way of one job through the shop: steps at instants, on a clock that the demo moves.
type play struct {
	d      *demo
	key    string
	number workflow.JobNumber
	steps  []step
	// photos maps the demo's picture names to the ids that they got on this job.
	photos map[string]int
}

type step struct {
	at time.Time
	do func(ctx context.Context) error
}

// ago returns a wall time on the n-th weekday before today, in the shop's zone.
func (d *demo) ago(weekdays int, hour, minute int) time.Time {
	t := d.today
	for n := 0; n < weekdays; {
		t = t.AddDate(0, 0, -1)
		if wd := t.Weekday(); wd != time.Saturday && wd != time.Sunday {
			n++
		}
	}
	y, m, day := t.Date()
	return time.Date(y, m, day, hour, minute, 0, 0, t.Location())
}

// at adds a step that takes commands in one commit.
func (p *play) at(t time.Time, by workflow.Actor, commands ...workflow.Command) *play {
	p.steps = append(p.steps, step{t, func(ctx context.Context) error {
		j, err := p.d.service.Do(ctx, workflow.Order{Job: p.number, By: by, Commands: commands})
		if err != nil {
			return err
		}
		p.number = j.Number
		return nil
	}})
	return p
}

// then adds a step that is worked out when it is taken, on the job as it stands then.
func (p *play) then(t time.Time, by workflow.Actor, make func(j *workflow.Job) []workflow.Command) *play {
	p.steps = append(p.steps, step{t, func(ctx context.Context) error {
		j, err := p.d.service.Job(ctx, p.number)
		if err != nil {
			return err
		}
		_, err = p.d.service.Do(ctx, workflow.Order{Job: p.number, By: by, Commands: make(j)})
		return err
	}})
	return p
}

// picture adds one of the demo's illustrations to the job.
func (p *play) picture(t time.Time, kind workflow.PhotoKind, name string, marks ...workflow.Mark) *play {
	p.steps = append(p.steps, step{t, func(ctx context.Context) error {
		photo, err := p.d.photo(ctx, p.number, name)
		if err != nil {
			return fmt.Errorf("picture %s: %w", name, err)
		}
		photo.Kind, photo.Marks = kind, marks
		j, err := p.d.service.Do(ctx, workflow.Order{Job: p.number, By: technicianNils, Commands: []workflow.Command{workflow.AddPhoto{Photo: photo}}})
		if err != nil {
			return err
		}
		p.photos[name] = len(j.Photos)
		return nil
	}})
	return p
}

// pair says that two pictures show the same place before and after.
func (p *play) pair(t time.Time, before, after string) *play {
	return p.then(t, technicianNils, func(j *workflow.Job) []workflow.Command {
		b, a := j.Photo(p.photos[before]), j.Photo(p.photos[after])
		return []workflow.Command{
			workflow.DescribePhoto{ID: b.ID, Kind: workflow.PhotoBefore, Caption: b.Caption.Text, Alt: b.Alt.Text, Marks: b.Marks, Pair: a.ID},
			workflow.DescribePhoto{ID: a.ID, Kind: workflow.PhotoAfter, Caption: a.Caption.Text, Alt: a.Alt.Text, Marks: a.Marks, Pair: b.ID},
		}
	})
}

// ids returns the ids of pictures; only inside then, once they were taken.
func (p *play) ids(names ...string) []int {
	var out []int
	for _, n := range names {
		out = append(out, p.photos[n])
	}
	return out
}

func (p *play) book(t time.Time, name, email, language, kind, maker, model, fault string) *play {
	return p.at(t, byLink, workflow.Book{
		Person: workflow.Person{Name: name, Email: email, Phone: "+1 902 555 0142", Address: name + "\n14 Fisher Lane\nLunenburg NS", Language: language},
		Kind:   kind, Maker: maker, Model: model, Fault: fault,
	})
}

// arrive opens the parcel: contents (the first one is the device), screening, two photos, received.
func (p *play) arrive(t time.Time, serial string, s workflow.Screening, pictures []string, contents ...string) *play {
	var items []workflow.Item
	for i, c := range contents {
		items = append(items, workflow.Item{Text: c, Device: i == 0})
	}
	p.at(t, technicianNils, workflow.ListContents{Items: items, Serial: serial}, workflow.AnswerScreening{Screening: s})
	for i, n := range pictures {
		p.picture(t.Add(time.Duration(i+1)*time.Minute), workflow.PhotoArrival, n)
	}
	return p.at(t.Add(6*time.Minute), technicianNils, workflow.Go{To: workflow.StageReceived})
}

func (p *play) onTheBench(t time.Time, condition string, r workflow.Reproduced, note string) *play {
	return p.at(t, technicianNils, workflow.NoteCondition{Text: condition}, workflow.TryFault{Result: r, Note: note}, workflow.Go{To: workflow.StageDiagnosing})
}

func (p *play) check(t time.Time, suspect int, what string, outcome workflow.CheckOutcome, reading string) *play {
	return p.at(t, technicianNils, workflow.DoCheck{Suspect: suspect, Check: workflow.Check{Text: what, Outcome: outcome, Reading: reading}})
}

// usual does the usual check of one of the catalogue's suspects.
func (p *play) usual(t time.Time, cause string, outcome workflow.CheckOutcome, reading string) *play {
	return p.then(t, technicianNils, func(j *workflow.Job) []workflow.Command {
		for _, x := range j.Plans {
			if x.Cause == cause {
				return []workflow.Command{workflow.DoCheck{Check: workflow.Check{Plan: x.ID, Outcome: outcome, Reading: reading}}}
			}
		}
		return nil
	})
}

// found notes a finding that a picture shows.
func (p *play) found(t time.Time, picture string, f workflow.Finding) *play {
	return p.then(t, technicianNils, func(*workflow.Job) []workflow.Command {
		f.Photos = p.ids(picture)
		return []workflow.Command{workflow.NoteFinding{Finding: f}}
	})
}

// report sends report and quote in one step, and waits for the customer.
func (p *play) report(t time.Time, text workflow.ReportText, note string, options ...workflow.Option) *play {
	return p.at(t, counterRosa, workflow.SendReport{Text: text}, workflow.IssueQuote{Options: options, Note: note}, workflow.Go{To: workflow.StageAwaitingApproval})
}

func (p *play) decides(t time.Time, v workflow.Verdict, option, name string) *play {
	return p.then(t, byLink, func(j *workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.Decide{Verdict: v, Digest: j.Quote().Digest, Option: option, Name: name, Address: "192.0.2.44", Agent: "a browser"}}
	})
}

func (p *play) ship(t time.Time, parcel string) *play {
	return p.then(t, counterRosa, func(j *workflow.Job) []workflow.Command {
		var packed []workflow.PackedItem
		for _, it := range j.Contents {
			packed = append(packed, workflow.PackedItem{Item: it.ID, Fate: workflow.FateReturned})
		}
		return []workflow.Command{
			workflow.Pack{Items: packed},
			workflow.PrepareShipment{Carrier: "Post", Parcel: parcel, Serial: j.Device.Serial.Text},
			workflow.Go{To: workflow.StageShipped},
		}
	})
}

// shows is a reading of the demo's meter; low and high are "" where nothing is expected.
func shows(value, unit, low, high, conditions string) *workflow.Measurement {
	m := &workflow.Measurement{Value: money.MustDecimal(value), Unit: unit, Conditions: conditions, Instrument: "Meter 2"}
	for s, to := range map[*string]**money.Decimal{&low: &m.Low, &high: &m.High} {
		if *s != "" {
			d := money.MustDecimal(*s)
			*to = &d
		}
	}
	return m
}

// wanders is a reading that wandered between two values.
func wanders(from, to, unit, most, conditions string) *workflow.Measurement {
	m, end := shows(from, unit, "", most, conditions), money.MustDecimal(to)
	m.To = &end
	return m
}

func good(key workflow.StepKey) workflow.TestStep {
	return workflow.TestStep{Key: key, Result: workflow.StepPassed}
}

// again is a reading taken once more where a finding has it as found.
func again(finding int, name, value, unit, most string) workflow.TestStep {
	return workflow.TestStep{Name: name, Result: workflow.StepPassed, Finding: finding, Measurement: shows(value, unit, "", most, "")}
}

func openAgain(finding int, name string) workflow.TestStep {
	return workflow.TestStep{Name: name, Result: workflow.StepPassed, Finding: finding, Measurement: &workflow.Measurement{Is: workflow.ValueOpen, ExpectOpen: true, Instrument: "Meter 2"}}
}

func proved(name string, class workflow.ProtectionClass, reading string, steps ...workflow.TestStep) workflow.DoTest {
	return workflow.DoTest{Test: workflow.Test{Name: name, Passed: true, Class: class, Reading: reading, Steps: steps, Person: "Nils Brandt"}}
}

// earthed is the safety test of an earthed mains device. Its limits are the demo's, and no law's.
func earthed(conductor, touch string) workflow.DoTest {
	measured := func(key workflow.StepKey, m *workflow.Measurement) workflow.TestStep {
		s := good(key)
		m.Instrument, s.Measurement = "Tester 1", m
		return s
	}
	low := money.MustDecimal("1")
	t := proved(workflow.SafetyTest, workflow.ClassI, "", good(workflow.StepLook), measured(workflow.StepEarth, shows(conductor, "ohm", "", "0.3", "")),
		measured(workflow.StepInsulation, &workflow.Measurement{Is: workflow.ValueMore, Value: money.MustDecimal("100"), Unit: "Mohm", Low: &low}),
		measured(workflow.StepTouch, shows(touch, "mA", "", "0.5", "")), good(workflow.StepFunction))
	t.Test.Instrument, t.Test.Conditions = "Tester 1", "120 V mains"
	return t
}

// outside is the safety test of a device that an outside adaptor feeds.
var outside = proved(workflow.SafetyTest, workflow.ClassIII, "", good(workflow.StepLook), good(workflow.StepPolarity), good(workflow.StepHeat),
	workflow.TestStep{Key: workflow.StepCharging, Result: workflow.StepSkipped, Note: workflow.Plain("It has no battery.")}, good(workflow.StepFunction))

func labour(text, hours string) money.Line {
	return money.Line{Kind: money.Labour, Text: text, Quantity: money.MustDecimal(hours), UnitPrice: money.MustDecimal("80.00"), Tax: "hst"}
}

func part(text, price string) money.Line {
	return money.Line{Kind: money.Part, Text: text, Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}
}

func carriage(price string) money.Line {
	return money.Line{Kind: money.Carriage, Text: "Insured parcel back to you", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}
}

func repair(title, text string, days int, lines ...money.Line) workflow.Option {
	return workflow.Option{Kind: workflow.OptionRepair, Title: title, Text: text, WorkingDays: days, WarrantyDays: 180, Price: money.Request{Lines: lines}}
}

var (
	mains   = workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}
	lowVolt = workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}
	lithium = workflow.Screening{Lithium: workflow.Yes, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}
)

func (d *demo) play(key string) *play {
	p := &play{d: d, key: key, photos: map[string]int{}}
	d.plays = append(d.plays, p)
	return p
}

// run takes every step of every play in the order of time, with wake-ups and mails in between.
func (d *demo) run(ctx context.Context) error {
	type due struct {
		step
		key string
		n   int
	}
	var all []due
	for _, p := range d.plays {
		for i, s := range p.steps {
			all = append(all, due{s, p.key, i})
		}
	}
	sort.SliceStable(all, func(i, k int) bool { return all[i].at.Before(all[k].at) })
	for _, s := range all {
		d.clock.set(s.at)
		if _, err := d.service.WakeDue(ctx); err != nil {
			return err
		}
		if err := s.do(ctx); err != nil {
			return fmt.Errorf("demo job %s, step %d: %w", s.key, s.n+1, err)
		}
		if err := d.deliver(ctx); err != nil {
			return err
		}
	}
	d.clock.set(d.today)
	if _, err := d.service.WakeDue(ctx); err != nil {
		return err
	}
	if err := d.deliver(ctx); err != nil {
		return err
	}
	d.clock.live()
	return nil
}
