package main

import (
	"cmp"
	"context"
	"embed"
	"fmt"
	"sort"
	"strings"
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

//go:embed demowords/*.txt
var demoTexts embed.FS

// demoWords are what the demo says in a language: its shop, its people, and who mends for them.
func demoWords(lang string) (map[string]string, error) {
	b, err := demoTexts.ReadFile("demowords/" + lang + ".txt")
	words := map[string]string{}
	for line := range strings.Lines(string(b)) {
		if key, text, ok := strings.Cut(strings.TrimSpace(line), " = "); ok && key[0] != '#' {
			words[key] = text
		}
	}
	return words, err
}

// demoPeople are the demo's customers; each is written to, and told of, in their own language, unless the demo has one.
var demoPeople = map[string]struct{ lang, name, phone, address string }{
	"mira":    {"en", "Mira Osei", "+1 902 555 0142", "14 Fisher Lane\nLunenburg NS"},
	"jonas":   {"en", "Jonas Tremblay", "+1 902 555 0119", "2 Chestnut Road\nTruro NS"},
	"aoife":   {"en", "Aoife Brannigan", "+1 902 555 0163", "9 Lighthouse Road\nLouisbourg NS"},
	"priya":   {"en", "Priya Raman", "+1 902 555 0127", "41 Creamery Street\nAntigonish NS"},
	"tomasz":  {"de", "Tomasz Wilk", "+1 902 555 0185", "6 Kempt Lane\nMahone Bay NS"},
	"ingrid":  {"en", "Ingrid Solheim", "+1 902 555 0108", "3 Spruce Hill\nBridgewater NS"},
	"helene":  {"fr", "Hélène Fournier", "+1 506 555 0131", "18, rue du Phare\nCaraquet NB"},
	"samir":   {"fr", "Samir Haddad", "+1 819 555 0176", "207, avenue des Érables\nGatineau QC"},
	"lotte":   {"de", "Lotte Brandt", "+1 902 555 0154", "55 Pelham Street\nLunenburg NS"},
	"eloi":    {"fr", "Éloi Arsenault", "+1 902 555 0190", "4, chemin du Havre\nChéticamp NS"},
	"yuki":    {"en", "Yuki Arai", "+1 902 555 0136", "12 Mill Brook Road\nWolfville NS"},
	"marisol": {"es", "Marisol Vega", "+1 416 555 0148", "88 Tecumseh Road\nToronto ON"},
	"noor":    {"en", "Noor de Wit", "+1 902 555 0171", "30 Harbour View\nPictou NS"},
	"beatriz": {"es", "Beatriz Lima", "+1 506 555 0182", "163 Queen Street\nFredericton NB"},
}

// play is a way of one job through the shop: steps at instants, on a clock that the demo moves.
type play struct {
	d *demo
	// key is whose job it is; word is how its texts begin.
	key, word, lang string
	number          workflow.JobNumber
	steps           []step
	// photos maps the demo's picture names to the ids that they got on this job.
	photos map[string]int
}

type step struct {
	at time.Time
	do func(ctx context.Context) error
}

// say returns a text of the demo. What lacks one fails when it is played.
func (d *demo) say(lang, key string) string {
	text, ok := d.words[lang][key]
	if !ok {
		d.keeping.Lock()
		defer d.keeping.Unlock()
		d.lacks = append(d.lacks, lang+": "+key)
	}
	return text
}

// w returns a text of this job, in its customer's language.
func (p *play) w(key string) string { return p.d.say(p.lang, p.word+"."+key) }

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
		photo, err := p.d.photo(ctx, p.number, name, p.lang)
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

// book is the customer's own booking; kind is the device's, as the demo's texts name it.
func (p *play) book(t time.Time, kind, maker, model string) *play {
	return p.at(t, byLink, workflow.Book{Person: p.person(), Kind: p.d.say(p.lang, "kind."+kind), Maker: maker, Model: model, Fault: p.w("fault")})
}

func (p *play) person() workflow.Person {
	x := demoPeople[p.key]
	return workflow.Person{Name: x.name, Email: p.key + "@post.example", Phone: x.phone, Address: x.name + "\n" + x.address, Language: p.lang}
}

// arrive opens the parcel: a picture of it, one of what was in it, from which the contents are listed, and
// what else is seen; received.
func (p *play) arrive(t time.Time, serial string, s workflow.Screening, parcel, contents string) *play {
	var items []workflow.Item
	for i, c := range strings.Split(p.d.say(p.lang, "photo."+contents+".items"), " | ") {
		items = append(items, workflow.Item{Text: c, Device: i == 0})
	}
	p.at(t, technicianNils, workflow.ListContents{Items: items, Serial: serial}, workflow.AnswerScreening{Screening: s})
	p.picture(t.Add(time.Minute), workflow.PhotoArrival, parcel)
	p.picture(t.Add(2*time.Minute), workflow.PhotoArrival, contents)
	return p.at(t.Add(6*time.Minute), technicianNils, workflow.Go{To: workflow.StageReceived})
}

func (p *play) onTheBench(t time.Time, r workflow.Reproduced) *play {
	return p.at(t, technicianNils, workflow.NoteCondition{Text: p.w("condition")}, workflow.TryFault{Result: r, Note: p.w("tried")}, workflow.Go{To: workflow.StageDiagnosing})
}

func (p *play) suspects(t time.Time, keys ...string) *play {
	var all []workflow.Command
	for _, k := range keys {
		all = append(all, workflow.NameSuspect{Text: p.w(k)})
	}
	return p.at(t, technicianNils, all...)
}

// check does the check of a suspect, named by its key; with a reading where it has one.
func (p *play) check(t time.Time, suspect int, key string, outcome workflow.CheckOutcome) *play {
	x := workflow.Check{Text: p.w(key + ".check"), Outcome: outcome}
	if _, ok := p.d.words[p.lang][p.word+"."+key+".reading"]; ok {
		x.Reading = p.w(key + ".reading")
	}
	return p.at(t, technicianNils, workflow.DoCheck{Suspect: suspect, Check: x})
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

// found notes a finding in the words of its key, and what a picture shows of it.
func (p *play) found(t time.Time, key, picture string, f workflow.Finding, duty workflow.Duty) *play {
	if f.Entry == "" || p.d.words[p.lang][p.word+"."+key] != "" {
		f.Text = p.w(key)
	}
	f.Where, f.Matters = p.w(key+".where"), p.w(key+".matters")
	if duty.Before != "" {
		duty.Text = p.w(key + ".duty")
	}
	return p.then(t, technicianNils, func(*workflow.Job) []workflow.Command {
		if picture != "" {
			f.Photos = p.ids(picture)
		}
		return []workflow.Command{workflow.NoteFinding{Finding: f, Duty: duty}}
	})
}

// report sends report and quote in one step, and waits for the customer.
func (p *play) report(t time.Time, text workflow.ReportText, note string, options ...workflow.Option) *play {
	return p.at(t, counterRosa, workflow.SendReport{Text: text}, workflow.IssueQuote{Options: options, Note: note}, workflow.Go{To: workflow.StageAwaitingApproval})
}

func (p *play) decides(t time.Time, v workflow.Verdict, option, words string) *play {
	return p.then(t, byLink, func(j *workflow.Job) []workflow.Command {
		return []workflow.Command{workflow.Decide{Verdict: v, Digest: j.Quote().Digest, Option: option, Words: words, Name: demoPeople[p.key].name, Address: "192.0.2.44", Agent: "a browser"}}
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
			workflow.PrepareShipment{Carrier: "Gannet Parcels", Parcel: parcel, Serial: j.Device.Serial.Text},
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
	return workflow.DoTest{Test: workflow.Test{Name: name, Passed: true, Class: class, Reading: reading, Steps: steps, Person: "Nils Arvidsson"}}
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
func (p *play) outside() workflow.DoTest {
	return proved(workflow.SafetyTest, workflow.ClassIII, "", good(workflow.StepLook), good(workflow.StepPolarity), good(workflow.StepHeat),
		workflow.TestStep{Key: workflow.StepCharging, Result: workflow.StepSkipped, Note: workflow.Plain(p.d.say(p.lang, "step.no_battery"))}, good(workflow.StepFunction))
}

// labour, part, back and nothing are lines of a quote.
func (p *play) labour(hours string) money.Line {
	return money.Line{Kind: money.Labour, Text: p.d.say(p.lang, "line.bench"), Quantity: money.MustDecimal(hours), UnitPrice: money.MustDecimal("80.00"), Tax: "hst"}
}

func (p *play) part(key, price string) money.Line {
	return money.Line{Kind: money.Part, Text: p.w(key), Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}
}

func (p *play) back(price string) money.Line {
	return money.Line{Kind: money.Carriage, Text: p.d.say(p.lang, "line.back"), Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}
}

// repair is an option whose title, and text where it has one, are of that key.
func (p *play) repair(key string, days int, lines ...money.Line) workflow.Option {
	return workflow.Option{Kind: workflow.OptionRepair, Title: p.w(key), Text: p.d.words[p.lang][p.word+"."+key+".text"], WorkingDays: days, WarrantyDays: 180, Price: money.Request{Lines: lines}}
}

var (
	mains   = workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}
	lowVolt = workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}
	lithium = workflow.Screening{Lithium: workflow.Yes, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}
)

func (d *demo) play(key string) *play {
	p := &play{d: d, key: key, word: key, lang: cmp.Or(d.lang, demoPeople[key].lang), photos: map[string]int{}}
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
	if len(d.lacks) > 0 {
		return fmt.Errorf("the demo lacks words: %s", strings.Join(d.lacks, ", "))
	}
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
