package counter

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// checksPage is the list of suspects with what was checked.
type checksPage struct {
	jobBase
	Suspects []templates.SuspectView
	// Pick are the suspects to choose from.
	Pick   []choice
	Photos []templates.PhotoView
	// Symptoms are what the device can be said to do, Symptom what was said, Tell its form.
	Symptoms []choice
	Symptom  string
	// SymptomWords is the symptom as staff read it.
	SymptomWords string
	// Care is what to do before the first check.
	Care        []string
	SymptomForm *form
	// Next is the check that is proposed, nil if none is left; Plans are the others that can be done.
	Next  *planView
	Plans []planView
	// Found says that a suspect is confirmed.
	Found bool
	// Plan is the form for a check of one's own; Steps what can lie before it.
	Plan  *form
	Steps []choice
	// Chances are the suspects, the likeliest first.
	Chances []chanceView
}

func (*checksPage) Template() string { return "checks.html" }

// planForm is the small form with which a planned check is written down.
type planForm struct {
	Act  string
	Form *form
	ID   int
}

// planView is a check that can be done.
type planView struct {
	ID            int
	Suspect, Text string
	Takes, Why    string
	// Risk is what it can cost beside time.
	Risk string
}

// chanceView is how likely a suspect is by now, in percent.
type chanceView struct {
	Text    string
	Percent int
}

// OnPlan makes the form for a planned check. Each is done once by itself.
func (v *checksPage) OnPlan(id int) planForm {
	f := *v.Form
	f.Once += "-" + itoa(id)
	return planForm{v.To("checks"), &f, id}
}

// PlanFor are the suspects that a check can be planned for.
func (v *checksPage) PlanFor() []choice { return v.Pick[:max(len(v.Pick)-1, 0)] }

// Weigh fills in the ledger: who is likely by now, and what to check next.
func (v *checksPage) Weigh(j *workflow.Job, shop *workflow.Shop) error {
	trade := shop.Trade()
	v.Symptom, v.Found = j.Symptom, j.Found()
	var does []string
	for _, id := range j.Symptoms() {
		does = append(does, trade.SaySymptom("en", id))
		if s := trade.Symptom(id); s != nil {
			for _, x := range s.Cautions {
				if care := trade.Care("en", x); !slices.Contains(v.Care, care) {
					v.Care = append(v.Care, care)
				}
			}
		}
	}
	v.SymptomWords = strings.Join(does, "; ")
	for _, s := range trade.Symptoms {
		v.Symptoms = append(v.Symptoms, choice{s.ID, trade.SaySymptom("en", s.ID)})
	}
	v.Steps = []choice{{"", "nothing, as it stands"}}
	for _, s := range trade.Steps {
		v.Steps = append(v.Steps, choice{s.ID, trade.SayStep("en", s.ID)})
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
		v.Chances = append(v.Chances, chanceView{name(s), int(math.Round(100 * l.Chance(strconv.Itoa(s.ID))))})
	}
	v.Chances = append(v.Chances, chanceView{"something not named yet", int(math.Round(100 * l.Chance("0")))})
	slices.SortStableFunc(v.Chances, func(a, b chanceView) int { return cmp.Compare(b.Percent, a.Percent) })
	plan := func(check string) planView {
		id, _ := strconv.Atoi(check)
		for _, p := range j.Plans {
			if p.ID == id {
				x := planView{ID: id, Suspect: name(&j.Suspects[p.Suspect-1]), Text: p.Text, Takes: templates.Count(p.Minutes, "minute", "minutes")}
				if p.Wait > 0 {
					x.Takes += ", and " + templates.Count(p.Wait, "minute", "minutes") + " by itself"
				}
				for _, s := range p.Behind {
					if s.Risk != "" {
						x.Risk = s.Risk
					}
				}
				if w := trade.SayCause("en", p.Cause); w.Check != "" {
					x.Text = w.Check
				}
				return x
			}
		}
		return planView{}
	}
	// Who was not checked stands among the chances already.
	v.Suspects = slices.DeleteFunc(v.Suspects, func(s templates.SuspectView) bool { return s.Verdict == "" })
	next, ok := l.Next()
	if !ok {
		return nil
	}
	x := plan(next.Check)
	x.Why = templates.WhyCheck(next)
	v.Next = &x
	for _, check := range l.Plan() {
		if check != next.Check {
			v.Plans = append(v.Plans, plan(check))
		}
	}
	return nil
}

var checksTask = &task{
	then:   "checks",
	fields: map[string]string{"text": "check", "suspect": "suspect"},
	fill: func(r *request) {
		if len(r.job.Suspects) == 0 {
			r.form.Values.Set("suspect", "new")
		}
		for _, s := range r.job.Suspects {
			if v := s.Verdict(); v == "" || v == workflow.CheckUnclear {
				r.form.Values.Set("suspect", strconv.Itoa(s.ID))
				break
			}
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &checksPage{Photos: photoViews(r.job, r.shop()), SymptomForm: r.formTo("symptom")}
		if !v.SymptomForm.Bad() {
			v.SymptomForm.Values.Set("symptom", r.job.Symptom)
		}
		if len(r.job.Suspects) > 0 {
			v.Plan = r.formTo("check-plan")
		}
		for _, s := range r.job.Suspects {
			v.Pick = append(v.Pick, choice{Value: strconv.Itoa(s.ID), Words: s.Text})
		}
		v.Pick = append(v.Pick, choice{Value: "new", Words: "a new suspect"})
		v.jobBase = r.title("Suspects and checks")
		v.Suspects = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Suspects
		return v, v.Weigh(r.job, r.shop())
	},
	read: func(r *request) ([]workflow.Command, error) {
		outcome, reading := workflow.CheckOutcome(r.value("outcome")), r.value("reading")
		if plan := r.number("plan", "The planned check"); plan != 0 {
			r.said = "The check is noted."
			return []workflow.Command{workflow.DoCheck{
				Check: workflow.Check{Plan: plan, Outcome: outcome, Reading: reading}, NewPhotos: r.pictures(workflow.PhotoEvidence, ""),
			}}, nil
		}
		name, check := strings.TrimSpace(r.value("name")), strings.TrimSpace(r.value("check"))
		suspect, err := strconv.Atoi(r.value("suspect"))
		switch {
		case r.value("suspect") == "new" || r.value("suspect") == "" && name != "":
			suspect = 0
			if name == "" {
				r.form.Add("name", "Name the suspect: the part or place that may be the cause.")
				return nil, nil
			}
		case err != nil:
			r.form.Add("suspect", "Choose the suspect that was checked, or name a new one.")
			return nil, nil
		default:
			name = ""
		}
		if check == "" && strings.TrimSpace(reading) == "" && outcome == "" && len(r.photos) == 0 {
			r.said = "The suspect is named."
			if name == "" {
				r.form.Add("check", "Say what was checked.")
				return nil, nil
			}
			return []workflow.Command{workflow.NameSuspect{Text: name}}, nil
		}
		if outcome == "" {
			r.form.Add("outcome", "Say what came of the check: ruled out, confirmed or unclear.")
		}
		r.said = "The check is noted."
		return []workflow.Command{workflow.DoCheck{
			Suspect: suspect, NewSuspect: name, NewPhotos: r.pictures(workflow.PhotoEvidence, ""),
			Check: workflow.Check{Text: check, Outcome: outcome, Reading: reading, Measurement: r.measurement(""), Photos: r.ids("photos")},
		}}, nil
	},
}

// symptoms are the commands that say what the device does, each with what the shop's own jobs say of it; also: beside
// what was said before.
func (r *request) symptoms(ids []string, also bool) ([]workflow.Command, error) {
	var out []workflow.Command
	for _, id := range ids {
		past, err := r.x.s.Service().Past(r.c.UserContext(), r.job.Device.Kind, id)
		if err != nil {
			return nil, err
		}
		out = append(out, workflow.NoteSymptom{Symptom: id, Also: also, Past: past})
	}
	return out, nil
}

var symptomTask = &task{
	then: "checks",
	read: func(r *request) ([]workflow.Command, error) {
		return r.symptoms([]string{r.value("symptom")}, r.value("do") != "instead")
	},
	said: "The usual suspects are on the list.",
}

var planTask = &task{
	then:   "checks",
	fields: map[string]string{"suspect": "about", "text": "what"},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.PlanCheck{
			Suspect: r.number("about", "The suspect"), Text: r.value("what"), Minutes: r.number("minutes", "The time it takes"), Behind: r.value("behind"),
		}}, nil
	},
	said: "The check is planned.",
}
