package workflow

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"benchword/workflow/catalogue"
	"benchword/workflow/ledger"
)

// Suspect is a candidate cause of the fault, with what was checked about it.
type Suspect struct {
	ID   int    `json:"id"`
	Text string `json:"text"`
	// Cause is its entry among the catalogue's usual suspects, "" for one in the bench's own words.
	Cause string `json:"cause,omitempty"`
	// Weight is how likely it was to be the cause when it was named, in thousandths; 0 is not known.
	Weight int `json:"weight,omitempty"`
	// Consequence: it has a cause of its own, so that to confirm it does not end the search.
	Consequence bool    `json:"consequence,omitempty"`
	Checks      []Check `json:"checks,omitempty"`
}

// Verdict is the outcome of the latest check that was not unclear, or unclear.
func (s Suspect) Verdict() CheckOutcome {
	out := CheckOutcome("")
	for _, c := range s.Checks {
		if c.Outcome != CheckUnclear || out == "" {
			out = c.Outcome
		}
	}
	return out
}

// CheckOutcome is what came of a check.
type CheckOutcome string

const (
	CheckConfirmed CheckOutcome = "confirmed"
	CheckRuledOut  CheckOutcome = "ruled_out"
	CheckUnclear   CheckOutcome = "unclear"
)

// Check is something done to a suspect, and what came of it.
type Check struct {
	Text    string       `json:"text,omitempty"`
	Outcome CheckOutcome `json:"outcome"`
	// Plan is the planned check that this was, 0 for another.
	Plan int `json:"plan,omitempty"`
	// Reading is a measured value with its unit, if there was one: "3.28 V (3.30 V expected)".
	Reading string `json:"reading,omitempty"`
	// Measurement is the reading taken apart, if it was.
	Measurement *Measurement `json:"measurement,omitempty"`
	Photos      []int        `json:"photos,omitempty"`
	At          time.Time    `json:"at,omitzero"`
}

// CheckPlan is a check that can be done, what it costs, and what its outcomes say.
type CheckPlan struct {
	ID int `json:"id"`
	// Suspect is who it is about, Text what is done, in the customer's language.
	Suspect int    `json:"suspect"`
	Text    string `json:"text"`
	// Cause is the catalogue's suspect whose usual check it is, "" for one of the bench's own.
	Cause string `json:"cause,omitempty"`
	// Minutes are those of hands, Wait those in which it runs by itself.
	Minutes int `json:"minutes"`
	Wait    int `json:"wait,omitempty"`
	// Behind are the disassembly steps before it, outermost first; steps of one name are done once.
	Behind []OpenStep `json:"behind,omitempty"`
	// Finds is the chance in percent that it confirms the suspect if that is the cause.
	Finds int `json:"finds"`
	// False is the chance in percent that it confirms the suspect although that is not the cause, 0 for the usual one.
	False int `json:"false,omitempty"`
	// Shows returns, where the check speaks of several suspects, the chance in percent of "confirmed" for
	// each of them as the cause; then Finds is not used.
	Shows []Shows `json:"shows,omitempty"`
	// First: it comes before any other check, whatever the ratio, since it is the safe one.
	First bool `json:"first,omitempty"`
}

// OpenStep is a disassembly step before a check.
type OpenStep struct {
	Name    string `json:"name"`
	Minutes int    `json:"minutes"`
	// Does is the action that it amounts to, for the duties that it brings.
	Does string `json:"does,omitempty"`
	// Risk is what it can cost beside time, in the bench's words: then what lies behind it comes last.
	Risk string `json:"risk,omitempty"`
}

// Shows says what a check says of a suspect.
type Shows struct {
	Suspect int `json:"suspect"`
	Percent int `json:"percent"`
}

func (j *Job) plan(id int) *CheckPlan {
	for i := range j.Plans {
		if j.Plans[i].ID == id {
			return &j.Plans[i]
		}
	}
	return nil
}

// Common practice, without a source.
const (
	// usualFinds is the chance in percent that a check shows its suspect, where nobody said.
	usualFinds = 90
	// falseAlarm is the chance that a check confirms a suspect that is not the cause, where nobody said.
	falseAlarm = 0.02
	// intermittent is what the chance to see a fault is multiplied by where it only shows now and then.
	intermittent = 0.5
	// unnamed is the share of a cause that nobody has named yet.
	unnamed = 0.05
	// usualMinutes is what a check takes where nobody said.
	usualMinutes = 10
)

// somethingElse stands for a cause that nobody has named yet.
const somethingElse = "0"

// Ledger weighs the job's suspects by the checks so far. The checks that can be proposed are named by
// their plan's id in decimal, the suspects by theirs; "0" is a cause that nobody has named yet, which
// has a twentieth of the weight.
func (j *Job) Ledger() (*ledger.Ledger, error) {
	known, n := 0, 0
	for _, s := range j.Suspects {
		if s.Weight > 0 {
			known, n = known+s.Weight, n+1
		}
	}
	average := 1.0
	if n > 0 {
		average = float64(known) / float64(n)
	}
	var suspects []ledger.Suspect
	total := 0.0
	for _, s := range j.Suspects {
		w := float64(s.Weight)
		if s.Weight <= 0 {
			w = average
		}
		total += w
		suspects = append(suspects, ledger.Suspect{Name: fmt.Sprint(s.ID), Weight: w})
	}
	if total == 0 {
		total = 1
	}
	suspects = append(suspects, ledger.Suspect{Name: somethingElse, Weight: total * unnamed / (1 - unnamed)})

	seen := 1.0
	if j.Reproduction != nil && j.Reproduction.Result == FaultIntermittent {
		seen = intermittent
	}
	var steps []ledger.Step
	var checks []ledger.Check
	for _, p := range j.Plans {
		behind := ""
		for _, s := range p.Behind {
			if !slices.ContainsFunc(steps, func(x ledger.Step) bool { return x.Name == s.Name }) {
				steps = append(steps, ledger.Step{Name: s.Name, Minutes: float64(s.Minutes), Inside: behind})
			}
			behind = s.Name
		}
		c := ledger.Check{Name: fmt.Sprint(p.ID), Minutes: float64(p.Minutes), Behind: behind, About: fmt.Sprint(p.Suspect), Finds: float64(p.Finds) / 100 * seen, False: falseAlarm, First: p.First}
		c.Last = slices.ContainsFunc(p.Behind, func(s OpenStep) bool { return s.Risk != "" })
		if p.False > 0 {
			c.False = float64(p.False) / 100
		}
		if len(p.Shows) > 0 {
			c.Shows = map[string]float64{somethingElse: falseAlarm}
			for _, s := range j.Suspects {
				c.Shows[fmt.Sprint(s.ID)] = falseAlarm
			}
			for _, s := range p.Shows {
				c.Shows[fmt.Sprint(s.Suspect)] = math.Min(0.99, math.Max(0.01, float64(s.Percent)/100))
			}
		}
		checks = append(checks, c)
	}
	// A check that was not planned, or was done again, counts as one of its own.
	type said struct {
		check   string
		outcome ledger.Outcome
		at      int64
	}
	var done []said
	used := map[int]bool{}
	for _, s := range j.Suspects {
		for i, k := range s.Checks {
			x := said{check: fmt.Sprint(k.Plan), at: k.At.UnixNano()}
			if k.Plan == 0 || used[k.Plan] {
				x.check = fmt.Sprintf("%d/%d", s.ID, i)
				checks = append(checks, ledger.Check{Name: x.check, Minutes: usualMinutes, About: fmt.Sprint(s.ID), Finds: usualFinds / 100.0 * seen, False: falseAlarm})
			}
			used[k.Plan] = true
			switch {
			case k.Outcome == CheckConfirmed && s.Consequence:
				// It says nothing of what it came from.
			case k.Outcome == CheckConfirmed:
				x.outcome = ledger.Yes
			case k.Outcome == CheckRuledOut:
				x.outcome = ledger.No
			}
			done = append(done, x)
		}
	}
	l, err := ledger.New(suspects, steps, checks)
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(done, func(a, b said) int { return cmp.Compare(a.at, b.at) })
	for _, x := range done {
		l.Record(x.check, x.outcome)
	}
	return l, nil
}

// Found reports whether a suspect has been confirmed that is no consequence of another, so that no other need
// be checked.
func (j *Job) Found() bool {
	return slices.ContainsFunc(j.Suspects, func(s Suspect) bool { return s.Verdict() == CheckConfirmed && !s.Consequence })
}

// Past is how often each cause of the catalogue was confirmed in the shop's own jobs of one kind of
// device and one symptom.
type Past struct {
	Causes map[string]int
	// Jobs is how many of the shop's jobs that is.
	Jobs int
}

// usualCases is for how many of the shop's own jobs the catalogue's weights stand (common practice, no
// source): with as many own jobs, each side counts half.
const usualCases = 8

// weight mixes the catalogue's share in percent with the shop's own cases, in thousandths.
func (p Past) weight(cause string, percent int) int {
	w := (usualCases*float64(percent)/100 + float64(p.Causes[cause])) / (usualCases + float64(p.Jobs)) * 1000
	return max(1, int(math.Round(w)))
}

// pastCourses bounds how many of the shop's latest jobs are looked at.
const pastCourses = 5000

// Past looks through the shop's own jobs for those of the same kind of device with the same symptom.
func (s *Service) Past(ctx context.Context, kind, symptom string) (Past, error) {
	p := Past{Causes: map[string]int{}}
	kind = KindKey(kind)
	seen := 0
	for c, err := range s.Courses(ctx) {
		if err != nil {
			return p, err
		}
		if seen++; seen > pastCourses {
			break
		}
		if c.Ended() && (c.Symptom == symptom || slices.Contains(c.Also, symptom)) && KindKey(c.Kind) == kind && len(c.Causes) > 0 {
			p.Jobs++
			for _, cause := range c.Causes {
				p.Causes[cause]++
			}
		}
	}
	return p, nil
}

// NoteSymptom says in the catalogue's terms what the device does, and puts its usual suspects with their
// checks on the list; those that are on it already stay.
type NoteSymptom struct {
	Symptom string `json:"symptom"`
	// Also: it does this too. A suspect of both weighs as much as both say.
	Also bool `json:"also,omitempty"`
	// Past is what the shop's own jobs say, filled in by the caller from [Service.Past].
	Past Past `json:"-"`
}

func (c NoteSymptom) decide(t *turn) error {
	if err := t.needStage("Noting the symptom", StageReceived, StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	trade := t.shop.Trade()
	s := trade.Symptom(c.Symptom)
	if s == nil {
		return invalid("symptom", "Choose one of the symptoms offered.")
	}
	if said := t.j.Symptoms(); !slices.Contains(said, s.ID) || !c.Also && len(said) > 1 {
		p := &SymptomNoted{Symptom: s.ID, Told: trade.SaySymptom(t.j.Customer.Language, s.ID), Also: c.Also && len(said) > 0}
		if len(t.j.AlsoDoes) >= MaxList {
			return refused("There are %d symptoms already; no more fit.", len(said))
		}
		for _, x := range t.j.Suspects {
			if percent, usual := s.Causes[x.Cause]; usual && p.Also && x.Weight > 0 {
				p.Weigh = append(p.Weigh, SuspectWeight{x.ID, min(1000, x.Weight+c.Past.weight(x.Cause, percent))})
			}
		}
		if err := t.record(p); err != nil {
			return err
		}
	}
	lang := t.j.Customer.Language
	for _, cause := range trade.Causes {
		percent, usual := s.Causes[cause.ID]
		if !usual && c.Past.Causes[cause.ID] == 0 {
			continue
		}
		if slices.ContainsFunc(t.j.Suspects, func(x Suspect) bool { return x.Cause == cause.ID }) || len(t.j.Suspects) >= MaxList {
			continue
		}
		w := trade.SayCause(lang, cause.ID)
		id := len(t.j.Suspects) + 1
		if err := t.record(&SuspectNamed{ID: id, Text: w.Name, Cause: cause.ID, Weight: c.Past.weight(cause.ID, percent), Consequence: cause.Consequence}); err != nil {
			return err
		}
		p := CheckPlan{ID: len(t.j.Plans) + 1, Suspect: id, Text: w.Check, Cause: cause.ID, Minutes: cause.Minutes, Wait: cause.Wait, Finds: cause.Finds, False: cause.False, First: cause.First, Behind: behind(trade, cause.Behind)}
		if err := t.record(&CheckPlanned{p}); err != nil {
			return err
		}
	}
	return t.raise(trade.RulesOn(s.ID), 0, "")
}

// behind lists the steps before a check in the bench's words, outermost first.
func behind(trade *catalogue.Catalogue, step string) []OpenStep {
	var out []OpenStep
	for _, s := range trade.Path(step) {
		out = append(out, OpenStep{trade.SayStep("en", s.ID), s.Minutes, s.Does, trade.Risk("en", s.Risk)})
	}
	return out
}

// SymptomNoted says in the catalogue's terms what the device does, in place of what was said, or beside it.
type SymptomNoted struct {
	Symptom string `json:"symptom"`
	// Told is the same in the customer's language.
	Told string `json:"told,omitempty"`
	Also bool   `json:"also,omitempty"`
	// Weigh are the weights from now on of suspects that were named before.
	Weigh []SuspectWeight `json:"weigh,omitempty"`
}

// SuspectWeight is what a suspect weighs, in thousandths.
type SuspectWeight struct {
	Suspect int `json:"suspect"`
	Weight  int `json:"weight"`
}

func (p *SymptomNoted) fold(j *Job, e *Event) {
	for _, w := range p.Weigh {
		if w.Suspect > 0 && w.Suspect <= len(j.Suspects) {
			j.Suspects[w.Suspect-1].Weight = w.Weight
		}
	}
	if p.Also {
		j.AlsoDoes = append(j.AlsoDoes, p.Symptom)
	} else {
		j.Symptom, j.AlsoDoes, j.Does = p.Symptom, nil, nil
	}
	if p.Told != "" {
		j.Does = append(j.Does, p.Told)
	}
}

// Symptoms returns all that the device does, in the catalogue's terms and in the order in which it was said.
func (j *Job) Symptoms() []string {
	if j.Symptom == "" {
		return nil
	}
	return append([]string{j.Symptom}, j.AlsoDoes...)
}

// NameSuspect adds a candidate cause of the fault.
type NameSuspect struct {
	Text string `json:"text"`
	// Weight is how likely it is to be the cause, in thousandths, 0 if one can't say.
	Weight int `json:"weight,omitempty"`
}

func (c NameSuspect) decide(t *turn) error {
	if err := t.needStage("Naming a suspect", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	s, err := line("text", "The suspect", c.Text, true)
	if err != nil {
		return err
	}
	if len(t.j.Suspects) >= MaxList {
		return refused("There are %d suspects already; no more fit.", MaxList)
	}
	if c.Weight < 0 || c.Weight > 1000 {
		return invalid("weight", "The weight of a suspect is 1 to 1000 thousandths, or 0 if one can’t say.")
	}
	return t.record(&SuspectNamed{ID: len(t.j.Suspects) + 1, Text: s, Weight: c.Weight})
}

// SuspectNamed adds a candidate cause.
type SuspectNamed struct {
	ID   int    `json:"id"`
	Text string `json:"text"`
	// Cause, Weight and Consequence are as in [Suspect].
	Cause       string `json:"cause,omitempty"`
	Weight      int    `json:"weight,omitempty"`
	Consequence bool   `json:"consequence,omitempty"`
}

func (p *SuspectNamed) fold(j *Job, e *Event) {
	j.Suspects = append(j.Suspects, Suspect{ID: p.ID, Text: p.Text, Cause: p.Cause, Weight: p.Weight, Consequence: p.Consequence})
}

// PlanCheck adds a check of the bench's own.
type PlanCheck struct {
	Suspect int    `json:"suspect"`
	Text    string `json:"text"`
	Minutes int    `json:"minutes,omitempty"`
	// Behind is the catalogue's disassembly step before it, "" if it can be done at once.
	Behind string `json:"behind,omitempty"`
	// Finds is as in [CheckPlan]; 0 is the usual chance.
	Finds int     `json:"finds,omitempty"`
	Shows []Shows `json:"shows,omitempty"`
}

func (c PlanCheck) decide(t *turn) error {
	if err := t.needStage("Planning a check", StageReceived, StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	suspect := func(id int) error {
		if id < 1 || id > len(t.j.Suspects) {
			return invalid("suspect", "There is no suspect %d on this job.", id)
		}
		return nil
	}
	if err := suspect(c.Suspect); err != nil {
		return err
	}
	s, err := line("text", "What is checked", c.Text, true)
	if err != nil {
		return err
	}
	p := CheckPlan{ID: len(t.j.Plans) + 1, Suspect: c.Suspect, Text: s, Minutes: cmp.Or(c.Minutes, usualMinutes), Finds: cmp.Or(c.Finds, usualFinds), Shows: c.Shows}
	if p.Minutes < 1 || p.Minutes > 24*60 {
		return invalid("minutes", "A check takes 1 to 1440 minutes.")
	}
	if p.Finds < 1 || p.Finds > 99 {
		return invalid("finds", "The chance that the check finds it is 1 to 99 percent.")
	}
	if len(t.j.Plans) >= 2*MaxList || len(c.Shows) > MaxList {
		return refused("There are %d planned checks already; no more fit.", len(t.j.Plans))
	}
	for _, x := range c.Shows {
		if err := suspect(x.Suspect); err != nil {
			return err
		}
		if x.Percent < 0 || x.Percent > 100 {
			return invalid("shows", "What a check says of a suspect is 0 to 100 percent.")
		}
	}
	trade := t.shop.Trade()
	if c.Behind != "" && trade.Step(c.Behind) == nil {
		return invalid("behind", "There is no disassembly step “%s”.", c.Behind)
	}
	p.Behind = behind(trade, c.Behind)
	return t.record(&CheckPlanned{p})
}

// CheckPlanned is a check that can be done, with what its outcomes say.
type CheckPlanned struct {
	Plan CheckPlan `json:"plan"`
}

func (p *CheckPlanned) fold(j *Job, e *Event) { j.Plans = append(j.Plans, p.Plan) }

// DoCheck records something done to a suspect and what came of it.
type DoCheck struct {
	// Suspect is who it is about; a planned check says that by itself. NewSuspect names one that is not on the
	// job yet instead.
	Suspect    int    `json:"suspect,omitempty"`
	NewSuspect string `json:"new_suspect,omitempty"`
	Check      Check  `json:"check"`
	// NewPhotos are added, and are the first of the check's.
	NewPhotos []Photo `json:"-"`
}

func (c DoCheck) decide(t *turn) error {
	if err := t.needStage("Recording a check", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	if err := t.needSafe("Recording a check"); err != nil {
		return err
	}
	k := c.Check
	plan := t.j.plan(k.Plan)
	if plan != nil {
		c.Suspect = plan.Suspect
		if strings.TrimSpace(k.Text) == "" {
			k.Text = plan.Text
		}
	} else if k.Plan != 0 {
		return invalid("plan", "There is no planned check %d on this job.", k.Plan)
	}
	if c.NewSuspect != "" {
		if c.Suspect != 0 {
			return invalid("suspect", "Choose a suspect that is on the job, or name a new one.")
		}
		if err := (NameSuspect{Text: c.NewSuspect}).decide(t); err != nil {
			return err
		}
		c.Suspect = len(t.j.Suspects)
	}
	if c.Suspect < 1 || c.Suspect > len(t.j.Suspects) {
		return invalid("suspect", "There is no suspect %d on this job.", c.Suspect)
	}
	var err error
	if k.Text, err = line("text", "What was checked", k.Text, true); err != nil {
		return err
	}
	if k.Reading, err = line("reading", "The reading", k.Reading, false); err != nil {
		return err
	}
	if k.Measurement, k.Reading, err = t.measurement(k.Measurement, k.Reading); err != nil {
		return err
	}
	if err := oneOf("outcome", "The outcome of a check", k.Outcome, []CheckOutcome{CheckConfirmed, CheckRuledOut, CheckUnclear}); err != nil {
		return err
	}
	if k.Photos, err = t.addPhotos(c.NewPhotos, k.Photos); err != nil {
		return err
	}
	if err := t.record(&CheckDone{c.Suspect, k}); err != nil || plan == nil {
		return err
	}
	for _, s := range plan.Behind {
		if s.Does != "" {
			if err := t.did([]string{s.Does}); err != nil {
				return err
			}
		}
	}
	return nil
}

// CheckDone is something done to a suspect.
type CheckDone struct {
	Suspect int   `json:"suspect"`
	Check   Check `json:"check"`
}

func (p *CheckDone) fold(j *Job, e *Event) {
	for i := range j.Suspects {
		if j.Suspects[i].ID == p.Suspect {
			c := p.Check
			c.At = e.At
			j.Suspects[i].Checks = append(j.Suspects[i].Checks, c)
			j.addMoment(e, p.Suspect)
		}
	}
}

func guardNothingToRepair(g *gate) {
	if g.j.returning() {
		return
	}
	g.need(slices.Contains([]Outcome{OutcomeNoFault, OutcomeRepaired, OutcomeCuredOutside, OutcomeBeyondRepair}, g.outcome),
		"Say whether no fault was found, the checks themselves cured it, what was wrong lay outside the device, or it is beyond repair.")
	g.explained()
	if q := g.j.Quote(); q != nil {
		g.need(q.State != RevisionOpen, "A quote is still open; withdraw it first.")
	}
	done := g.outcome == OutcomeBeyondRepair && len(g.j.Findings) > 0
	for _, s := range g.j.Suspects {
		done = done || len(s.Checks) > 0
	}
	g.need(done, "Record at least one check, so that the customer can see what was looked at.")
}
