package workflow

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"benchword/workflow/catalogue"
	"benchword/workflow/ledger"

	"github.com/stretchr/testify/require"
)

func chance(t *testing.T, j *Job, suspect int) float64 {
	t.Helper()
	l, err := j.Ledger()
	require.NoError(t, err)
	return l.Chance(fmt.Sprint(suspect))
}

// The usual suspects of a symptom come with their weights and checks; outcomes move the weights, unclear
// moves none, and the technician checks what they like.
func TestLedgerOfAJob(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NoteSymptom{Symptom: "cuts_out"})
	require.Equal(t, "cuts_out", j.Symptom)
	require.Len(t, j.Suspects, 11)
	require.Len(t, j.Plans, 11)
	byCause := map[string]Suspect{}
	for _, s := range j.Suspects {
		byCause[s.Cause] = s
	}
	socket, lead := byCause["power_socket"], byCause["lead_or_adaptor"]
	require.Equal(t, 180, socket.Weight)
	require.Equal(t, "Lead or adaptor", lead.Text)
	require.InDelta(t, 0.18*0.95, chance(t, j, socket.ID), 1e-9, "a twentieth is for what nobody named")
	same := b.do(technician, NoteSymptom{Symptom: "cuts_out"})
	require.Len(t, same.Suspects, 11, "named already")

	l, err := j.Ledger()
	require.NoError(t, err)
	next, ok := l.Next()
	require.True(t, ok)
	require.Equal(t, []any{byCause["seen_damage"].ID, ledger.ByCare}, []any{j.plan(atoi(t, next.Check)).Suspect, next.Way}, "the safe one first")
	j = b.do(technician, DoCheck{Check: Check{Plan: atoi(t, next.Check), Outcome: CheckRuledOut}})
	l, err = j.Ledger()
	require.NoError(t, err)
	next, ok = l.Next()
	require.True(t, ok)
	require.Equal(t, byCause["battery_contacts"].ID, j.plan(atoi(t, next.Check)).Suspect, "12 % in 4 minutes, with nothing to open")
	j = b.do(technician, DoCheck{Check: Check{Plan: atoi(t, next.Check), Outcome: CheckRuledOut}})
	l, err = j.Ledger()
	require.NoError(t, err)
	next, ok = l.Next()
	require.True(t, ok)
	before := chance(t, j, socket.ID)
	require.Equal(t, lead.ID, j.plan(atoi(t, next.Check)).Suspect, "20 % in 8 minutes, with nothing to open")

	j = b.do(technician, DoCheck{Check: Check{Plan: atoi(t, next.Check), Outcome: CheckUnclear}})
	require.InDelta(t, before, chance(t, j, socket.ID), 1e-9, "unclear is an answer, and says nothing")
	require.Equal(t, "Fed it from a bench supply, moved the lead under load", j.Suspects[lead.ID-1].Checks[0].Text)
	j = b.do(technician, DoCheck{Suspect: lead.ID, Check: Check{Text: "Swapped it", Outcome: CheckRuledOut}})
	require.Greater(t, chance(t, j, socket.ID), 0.24, "the others gain")
	require.Less(t, chance(t, j, lead.ID), 0.03)
	require.False(t, j.Found())

	// Behind the heat sink: the duty comes by itself.
	heat := byCause["heat_path"]
	j = b.do(technician, DoCheck{Check: Check{Plan: heat.ID, Outcome: CheckRuledOut, Text: "No hotter than it should be"}})
	require.Equal(t, "heatsink_lifted", j.Duties[0].Action)
	l, err = j.Ledger()
	require.NoError(t, err)
	next, _ = l.Next()
	require.NotContains(t, next.Opens, "Case off", "it is off")

	j = b.do(technician, DoCheck{Check: Check{Plan: socket.ID, Outcome: CheckConfirmed, Reading: "open while flexed"}})
	require.True(t, j.Found())
	require.Greater(t, chance(t, j, socket.ID), 0.9)
	require.Equal(t, []string{"power_socket"}, j.Course().Causes)
	b.checkHistory()

	b.refuses(CodeInvalid, technician, NoteSymptom{Symptom: "sulks"})
	b.refuses(CodeInvalid, technician, DoCheck{Check: Check{Plan: 99, Outcome: CheckUnclear}})
}

func atoi(t *testing.T, s string) int {
	n := 0
	_, err := fmt.Sscan(s, &n)
	require.NoError(t, err)
	return n
}

// The first check of each symptom's usual suspects, and why (common practice, no source). The very first is the
// safe one: what is swollen, hot, wet or burnt must be known before the device is switched on, opened further
// or posted. Then:
var firstChecks = []struct{ symptom, second, why string }{
	{"no_power", "lead_or_adaptor", "outside, eight minutes, and a quarter of them"},
	{"cuts_out", "battery_contacts", "outside, four minutes: springs and dirt"},
	{"overheats", "fan", "seen as soon as the case is off"},
	{"no_charge", "socket_dirt", "two minutes with a light, outside"},
	{"runs_short", "battery", "mostly it; start the long measurement first"},
	{"no_display", "backlight", "a lamp against the screen, the case on"},
	{"picture_faulty", "signal_in", "a known signal, outside"},
	{"no_connection", "user_cable", "outside, and often it"},
	{"no_sound", "muted", "a setting or a plug costs nothing"},
	{"distorted", "signal_in", "is it distorted before it gets here?"},
	{"noise", "user_cable", "outside; a screen that is open hums"},
	{"dead_keys", "contacts", "mostly it"},
	{"no_movement", "jammed", "unplugged, by hand, before a motor pulls on it"},
	{"noisy_mechanics", "jammed", "a coin in the works, before a bearing is blamed"},
	{"plays_badly", "medium", "another tape, outside"},
	{"no_medium", "medium", "another disc, outside"},
	{"no_transmit", "aerial", "outside, and a bad one kills the output stage"},
	{"receives_badly", "aerial", "outside, and mostly it"},
	{"unsteady_output", "control", "the case off, moved while watching"},
	{"reading_off", "user_setup", "probe, lead and setting before the instrument is doubted"},
	{"restarts", "software", "outside; note the version first"},
	{"forgets_settings", "memory_battery", "mostly it; note the settings first"},
	{"blows_fuse", "place_supply", "asked, without any power"},
	{"smoke", "rectifier_switch", "unplugged and discharged; nothing is powered before"},
	{"shock", "insulation", "with the safety tester, unplugged; nothing is powered before"},
	{"no_heat", "thermal_cutout", "unplugged, four minutes, and it says why"},
	{"fallen", "loose_inside", "unplugged: what is loose shorts what is live"},
	{"wet", "liquid", "looked for and cleaned before power"},
}

func TestTheFirstCheckIsTheSafeOne(t *testing.T) {
	for _, x := range firstChecks {
		b := newBench(t)
		b.onTheBench(cordless)
		j := b.do(technician, NoteSymptom{Symptom: x.symptom})
		l, err := j.Ledger()
		require.NoError(t, err)
		var causes []string
		for _, id := range l.Plan()[:2] {
			causes = append(causes, j.plan(atoi(t, id)).Cause)
		}
		require.Equal(t, []string{"seen_damage", x.second}, causes, "%s: %s", x.symptom, x.why)
	}
	require.Len(t, catalogue.Standard().Symptoms, len(firstChecks), "a symptom without its line above")
}

// A shock or smoke is a danger by itself: it is made safe before anything is checked, and the safety test is due. A
// device that got wet is opened, cleaned and dried before power.
// A job can do several things at once: the suspects are those of all, one of both weighs as much as both say, and the
// report names all. Another symptom in place of what was said takes the others back.
func TestSeveralSymptoms(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NoteSymptom{Symptom: "no_display"}, NoteSymptom{Symptom: "overheats", Also: true})
	require.Equal(t, []string{"no_display", "overheats"}, j.Symptoms())
	by := func(cause string) Suspect {
		i := slices.IndexFunc(j.Suspects, func(s Suspect) bool { return s.Cause == cause })
		require.GreaterOrEqual(t, i, 0, cause)
		return j.Suspects[i]
	}
	trade := catalogue.Standard()
	want := map[string]bool{}
	for _, id := range j.Symptoms() {
		for cause := range trade.Symptom(id).Causes {
			want[cause] = true
		}
	}
	require.Len(t, j.Suspects, len(want))
	require.Equal(t, 10*(trade.Symptom("no_display").Causes["seen_damage"]+trade.Symptom("overheats").Causes["seen_damage"]), by("seen_damage").Weight, "of both")
	require.Equal(t, 10*trade.Symptom("no_display").Causes["display"], by("display").Weight)
	require.Equal(t, 330, by("heat_path").Weight)

	again := b.do(technician, NoteSymptom{Symptom: "overheats", Also: true})
	require.Equal(t, j.Version, again.Version, "said already")
	require.Equal(t, []string{"No picture", "Gets too hot"}, j.DraftReport(ReportText{}, b.now).Does)
	require.Equal(t, []string{"overheats"}, j.Course().Also)

	j = b.do(technician, NoteSymptom{Symptom: "wet", Also: true})
	require.NotZero(t, dutyOf(t, j, "dry"), "what a symptom obliges to, the third too")
	j = b.do(technician, NoteSymptom{Symptom: "overheats"})
	require.Equal(t, []string{"overheats"}, j.Symptoms())
	require.Equal(t, []string{"Gets too hot"}, j.Does)
}

func TestASymptomObliges(t *testing.T) {
	for symptom, rules := range map[string][]string{"shock": {"secure", "safety"}, "smoke": {"secure", "safety"}, "blows_fuse": {"safety"}, "wet": {"dry"}, "noise": nil} {
		b := newBench(t)
		b.toDiagnosing()
		b.do(technician, AnswerScreening{Screening{Lithium: No, CellDamaged: No, Mains: Yes, Liquid: No}})
		b.do(technician, NoteSymptom{Symptom: symptom})
		j := b.do(technician, NoteSymptom{Symptom: symptom})
		var got []string
		for _, d := range j.Duties {
			got = append(got, d.Rule)
		}
		require.Equal(t, rules, got, symptom)
		if rules != nil && rules[0] == "secure" {
			b.refuses(CodeRefused, technician, DoCheck{Check: Check{Plan: 1, Outcome: CheckRuledOut}})
			b.refuses(CodeRefused, counter, WaiveDuty{ID: 1, Reason: "In a hurry"})
		}
	}
}

// A fault that shows now and then is seen half as often: "not seen" rules less out. A check that is easily fooled
// confirms less, and one behind the glass that can break comes last.
func TestWhatAChecksOutcomeIsWorth(t *testing.T) {
	after := func(result Reproduced, outcome CheckOutcome, cause string) float64 {
		b := newBench(t)
		b.onTheBench(cordless)
		b.do(technician, TryFault{Result: result})
		j := b.do(technician, NoteSymptom{Symptom: "restarts"})
		i := slices.IndexFunc(j.Plans, func(p CheckPlan) bool { return p.Cause == cause })
		j = b.do(technician, DoCheck{Check: Check{Plan: j.Plans[i].ID, Outcome: outcome}})
		return chance(t, j, j.Plans[i].Suspect)
	}
	steady, now := after(FaultReproduced, CheckRuledOut, "software"), after(FaultIntermittent, CheckRuledOut, "software")
	require.InDelta(t, 0.0625, steady, 0.01)
	require.Greater(t, now, 0.14)
	// By hand: 0.14 of 1 that storage is it (15 % of 95 %); 0.85 · 0.1425 / (0.85 · 0.1425 + 0.03 · 0.8575).
	require.InDelta(t, 0.8248, after(FaultReproduced, CheckConfirmed, "storage"), 1e-3)
	// The processor: 0.5 · 0.038 / (0.5 · 0.038 + 0.15 · 0.962) is less than one in eight.
	require.InDelta(t, 0.1164, after(FaultReproduced, CheckConfirmed, "main_chip"), 1e-3)

	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NameSuspect{Text: "Panel", Weight: 900}, NameSuspect{Text: "Lead", Weight: 10},
		PlanCheck{Suspect: 1, Text: "Swap the panel", Minutes: 1, Behind: "display_off"}, PlanCheck{Suspect: 2, Text: "Swap the lead", Minutes: 300})
	require.Contains(t, j.Plans[0].Behind[1].Risk, "The glass can break")
	l, err := j.Ledger()
	require.NoError(t, err)
	require.Equal(t, []string{"2", "1"}, l.Plan())
	j = b.do(technician, NoteSymptom{Symptom: "runs_short"})
	require.Equal(t, 300, j.Plans[slices.IndexFunc(j.Plans, func(p CheckPlan) bool { return p.Cause == "battery" })].Wait, "a capacity test waits for hours, and takes minutes of hands")
}

// Suspects without a weight count as an average one; a check can speak of several suspects.
func TestLedgerOfOnesOwn(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NameSuspect{Text: "Lamp", Weight: 600}, NameSuspect{Text: "Motor", Weight: 200}, NameSuspect{Text: "Cable"})
	require.InDelta(t, 0.95/3, chance(t, j, 3), 1e-9)
	j = b.do(technician, PlanCheck{Suspect: 1, Text: "Measure the 12 V line", Minutes: 4, Behind: "board_out", Shows: []Shows{{1, 90}, {2, 90}}})
	require.Equal(t, []OpenStep{{"Case off", 15, "", ""}, {"Board out", 10, "", ""}}, j.Plans[0].Behind)
	l, err := j.Ledger()
	require.NoError(t, err)
	next, _ := l.Next()
	require.Equal(t, ledger.ByGain, next.Way)
	require.Equal(t, 29.0, next.Minutes)
	j = b.do(technician, DoCheck{Check: Check{Plan: 1, Outcome: CheckRuledOut}})
	require.Greater(t, chance(t, j, 3), 0.7)

	for _, bad := range []PlanCheck{{Suspect: 9, Text: "x"}, {Suspect: 1}, {Suspect: 1, Text: "x", Minutes: -1}, {Suspect: 1, Text: "x", Finds: 100}, {Suspect: 1, Text: "x", Behind: "roof"}, {Suspect: 1, Text: "x", Shows: []Shows{{9, 1}}}, {Suspect: 1, Text: "x", Shows: []Shows{{1, 101}}}} {
		b.refuses(CodeInvalid, technician, bad)
	}
	b.refuses(CodeInvalid, technician, NameSuspect{Text: "x", Weight: 1001})
	b.checkHistory()
}

// The catalogue stands for eight cases; after as many of the shop's own, each side counts half.
func TestPastCases(t *testing.T) {
	require.Equal(t, 250, Past{}.weight("power_socket", 25))
	require.Equal(t, 625, Past{Jobs: 8, Causes: map[string]int{"power_socket": 8}}.weight("power_socket", 25))
	require.Equal(t, 125, Past{Jobs: 8, Causes: map[string]int{"fan": 8}}.weight("power_socket", 25))
	require.Equal(t, 500, Past{Jobs: 8, Causes: map[string]int{"fan": 8}}.weight("fan", 0), "a cause that the catalogue does not expect")

	b := newBench(t)
	b.toDiagnosing()
	j := b.do(technician, NoteSymptom{Symptom: "overheats", Past: Past{Jobs: 8, Causes: map[string]int{"contacts": 8}}})
	require.True(t, slices.ContainsFunc(j.Suspects, func(s Suspect) bool { return s.Cause == "contacts" && s.Weight == 500 }), "the shop knows better")
}

// courses is a store that knows courses only.
type courses struct {
	Store
	list []Course
}

func (c courses) Courses(_ context.Context, _ ShopID, after *Course, limit int) ([]Course, error) {
	at := 0
	for i := range c.list {
		if after != nil && c.list[i].Job == after.Job {
			at = i + 1
		}
	}
	return c.list[at:min(at+limit, len(c.list))], nil
}

func TestPastIsTheShopsOwn(t *testing.T) {
	b := newBench(t)
	var list []Course
	add := func(kind, symptom string, ended bool, causes ...string) {
		c := Course{Job: JobNumber(fmt.Sprint(len(list))), Kind: kind, Symptom: symptom, Causes: causes, BookedAt: b.now}
		if ended {
			c.EndedAt = b.now
		}
		list = append(list, c)
	}
	for range 700 { // more than one page
		add("stage piano", "no_sound", true, "speaker")
	}
	add("Stage Piano", "cuts_out", true, "power_socket")
	add("stage piano", "cuts_out", true, "power_socket", "fuse")
	add("stage piano", "cuts_out", true)
	add("stage piano", "cuts_out", false, "fan")
	add("film scanner", "cuts_out", true, "fan")
	b.s.store = courses{list: list}
	p, err := b.s.Past(t.Context(), "stage piano", "cuts_out")
	require.NoError(t, err)
	require.Equal(t, Past{Causes: map[string]int{"power_socket": 2, "fuse": 1}, Jobs: 2}, p)
}

// Whatever the symptom, the first proposal is one of the catalogue's checks, and following the proposals
// goes through all of them.
func TestProposalsGoThroughAllChecks(t *testing.T) {
	for _, s := range catalogue.Standard().Symptoms {
		b := newBench(t)
		b.toDiagnosing()
		j := b.do(technician, NoteSymptom{Symptom: s.ID})
		for _, d := range j.Duties {
			if d.Before == AtOnce {
				b.do(technician, DoDuty{d.ID})
			}
		}
		for n := range j.Plans {
			l, err := j.Ledger()
			require.NoError(t, err)
			next, ok := l.Next()
			require.True(t, ok, "%s: %d checks are left", s.ID, len(j.Plans)-n)
			j = b.do(technician, DoCheck{Check: Check{Plan: atoi(t, next.Check), Outcome: CheckRuledOut}})
		}
		l, err := j.Ledger()
		require.NoError(t, err)
		_, ok := l.Next()
		require.False(t, ok)
		require.Greater(t, l.Chance(somethingElse), 0.2, "all ruled out: it is something that nobody named")
	}
}
