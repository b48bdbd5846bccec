package templates

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchword/workflow"
	"benchword/workflow/ledger"
)

// WhyCheck says in words what speaks for a proposed check.
func WhyCheck(p ledger.Proposal) string {
	percent := func(x float64) string { return strconv.Itoa(int(math.Round(x*100))) + " %" }
	opens := ""
	if len(p.Opens) > 0 {
		opens = ", with " + strings.ToLower(strings.Join(p.Opens, ", ")) + " first"
	}
	switch {
	case p.Way == ledger.ByGain:
		return fmt.Sprintf("It tells most for its time: %s%s. One check here speaks of several suspects, so this is a measure, not a proof.", minutes(p.Minutes), opens)
	case p.Way == ledger.ByRun && len(p.Run) > 1:
		return fmt.Sprintf("Once it is open, %d checks lie close together: %s to find it in %s, the opening included. No order finds it sooner on average.", len(p.Run), percent(p.RunChance), minutes(p.RunMinutes))
	}
	return fmt.Sprintf("Most likely for its time: %s in %s%s. No order finds it sooner on average.", percent(p.Chance), minutes(p.Minutes), opens)
}

func minutes(n float64) string { return count(int(math.Round(n)), "minute", "minutes") }

// Weigh fills in the ledger: who is likely by now, and what to check next.
func (v *CounterChecks) Weigh(j *workflow.Job, shop *workflow.Shop) error {
	trade := shop.Trade()
	v.Symptom, v.SymptomWords, v.Found = j.Symptom, trade.SaySymptom("en", j.Symptom), j.Found()
	for _, s := range trade.Symptoms {
		v.Symptoms = append(v.Symptoms, Choice{s.ID, trade.SaySymptom("en", s.ID)})
	}
	v.Steps = []Choice{{"", "nothing, as it stands"}}
	for _, s := range trade.Steps {
		v.Steps = append(v.Steps, Choice{s.ID, trade.SayStep("en", s.ID)})
	}
	if len(j.Suspects) == 0 {
		return nil
	}
	l, err := j.Ledger()
	if err != nil {
		return err
	}
	name := func(s *workflow.Suspect) string {
		if w := trade.SayCause("en", s.Cause); w.Name != "" {
			return w.Name
		}
		return s.Text
	}
	for i := range j.Suspects {
		s := &j.Suspects[i]
		v.Chances = append(v.Chances, ChanceView{name(s), int(math.Round(100 * l.Chance(strconv.Itoa(s.ID))))})
	}
	v.Chances = append(v.Chances, ChanceView{"something not named yet", int(math.Round(100 * l.Chance("0")))})
	slices.SortStableFunc(v.Chances, func(a, b ChanceView) int { return cmp.Compare(b.Percent, a.Percent) })
	plan := func(check string) PlanView {
		id, _ := strconv.Atoi(check)
		for _, p := range j.Plans {
			if p.ID == id {
				x := PlanView{ID: id, Suspect: name(&j.Suspects[p.Suspect-1]), Text: p.Text, Takes: minutes(float64(p.Minutes))}
				if w := trade.SayCause("en", p.Cause); w.Check != "" {
					x.Text = w.Check
				}
				return x
			}
		}
		return PlanView{}
	}
	// Who was not checked stands among the chances already.
	v.Suspects = slices.DeleteFunc(v.Suspects, func(s SuspectView) bool { return s.Verdict == "" })
	next, ok := l.Next()
	if !ok {
		return nil
	}
	x := plan(next.Check)
	x.Why = WhyCheck(next)
	v.Next = &x
	for _, check := range l.Plan() {
		if check != next.Check {
			v.Plans = append(v.Plans, plan(check))
		}
	}
	return nil
}
