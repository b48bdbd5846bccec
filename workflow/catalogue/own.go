package catalogue

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Own is what a shop adds to the catalogue and rewords in it, each by id: an id of the catalogue's changes that
// where something is given (a duty replaces it), a new one is added.
type Own struct {
	Findings map[string]OwnFinding `toml:"finding"`
	Duties   map[string]OwnRule    `toml:"duty"`
	Symptoms map[string]OwnSymptom `toml:"symptom"`
	Causes   map[string]OwnCause   `toml:"cause"`
	Steps    map[string]OwnStep    `toml:"step"`
	Cautions map[string]OwnCaution `toml:"caution"`
	Actions  map[string]OwnAction  `toml:"action"`
}

// OwnFinding is a shop's own entry, or what it changes of one.
type OwnFinding struct {
	Group     string   `toml:"group"`
	Origin    string   `toml:"origin"`
	Weight    string   `toml:"weight"`
	Certainty string   `toml:"certainty"`
	Evidence  []string `toml:"evidence"`
	Cautions  []string `toml:"cautions"`
	// Words by language.
	EN FindingWords `toml:"en"`
	FR FindingWords `toml:"fr"`
	DE FindingWords `toml:"de"`
	ES FindingWords `toml:"es"`
}

// OwnRule is a shop's own rule.
type OwnRule struct {
	Found    []string `toml:"found"`
	Done     []string `toml:"done"`
	Symptoms []string `toml:"symptoms"`
	Before   string   `toml:"before"`
	Test     string   `toml:"test"`
	NoPost   bool     `toml:"no_post"`
	// Text is what must be done, by language.
	Text map[string]string `toml:"text"`
}

// OwnSymptom is a shop's own symptom, or what it changes of one: a weight of 0 takes a suspect off.
type OwnSymptom struct {
	Causes   map[string]int `toml:"causes"`
	Cautions []string       `toml:"cautions"`
	// Text is what the device does, by language; staff read it.
	Text map[string]string `toml:"text"`
}

// OwnCause is a shop's own suspect with its check, or what it changes of one.
type OwnCause struct {
	Minutes     int    `toml:"minutes"`
	Wait        int    `toml:"wait"`
	Behind      string `toml:"behind"`
	Finds       int    `toml:"finds"`
	False       int    `toml:"false"`
	First       bool   `toml:"first"`
	Consequence bool   `toml:"consequence"`
	// Words by language.
	EN CauseWords `toml:"en"`
	FR CauseWords `toml:"fr"`
	DE CauseWords `toml:"de"`
	ES CauseWords `toml:"es"`
}

// OwnStep is a shop's own disassembly step, or what it changes of one.
type OwnStep struct {
	Minutes int    `toml:"minutes"`
	Inside  string `toml:"inside"`
	Does    string `toml:"does"`
	Risk    string `toml:"risk"`
	// Text names it, by language; staff read it.
	Text map[string]string `toml:"text"`
}

// OwnCaution is a shop's own caution by language: what the owner reads, and what the bench does.
type OwnCaution struct {
	Owner map[string]string `toml:"owner"`
	Bench map[string]string `toml:"bench"`
}

// OwnAction is something done that brings a duty, by language; staff read it.
type OwnAction struct {
	Text map[string]string `toml:"text"`
}

// A PlaceError says what is wrong with a shop's own catalogue, and where.
type PlaceError struct {
	// Key is the place, as the file writes it: "finding.fader_worn.fr".
	Key    string
	Reason string
}

func (e *PlaceError) Error() string { return e.Key + " " + e.Reason }

// place makes what says that something is wrong with a table, or with one of its keys.
func place(at string) func(key, reason string, args ...any) error {
	return func(key, reason string, args ...any) error {
		return &PlaceError{strings.TrimSuffix(at+"."+key, "."), fmt.Sprintf(reason, args...)}
	}
}

// Known values, in the words of package workflow; its tests hold the two together.
var (
	origins     = []string{"arrival", "wear", "impact", "electrical", "accident", "liquid", "manufacture", "earlier_work", "unknown"}
	weights     = []string{"cosmetic", "noted", "open", "put_right", "fault", "danger"}
	certainties = []string{"measured", "seen", "noticed", "inferred"}
	stages      = []string{"at_once", "testing", "shipped"}
)

const (
	maxTerm = 60
	maxText = 400
	// What a shop's own suspect has where it does not say (common practice, no source).
	usualMinutes, usualFinds, usualFalse = 10, 90, 3
)

// With returns the catalogue with a shop's own. What is new and customers read must have its words in every
// language that the shop answers in; what staff read needs English. Error: a *[PlaceError] about the first
// thing that is wrong. What holds, but should be changed, is in Notes.
func (c *Catalogue) With(own Own, languages []string) (*Catalogue, error) {
	out := &Catalogue{Findings: slices.Clone(c.Findings), Rules: slices.Clone(c.Rules), Steps: slices.Clone(c.Steps), Causes: slices.Clone(c.Causes), Symptoms: slices.Clone(c.Symptoms), Hazards: c.Hazards, words: map[string]*words{}}
	for lang, w := range c.words {
		x := *w
		x.Findings, x.Duties, x.Causes = maps.Clone(w.Findings), maps.Clone(w.Duties), maps.Clone(w.Causes)
		x.Symptoms, x.Steps, x.Actions = maps.Clone(w.Symptoms), maps.Clone(w.Steps), maps.Clone(w.Actions)
		x.Cautions, x.Bench = maps.Clone(w.Cautions), maps.Clone(w.Bench)
		out.words[lang] = &x
	}
	// What is named by others comes before them.
	for _, take := range []func() error{
		func() error {
			return each("caution", own.Cautions, func(id string, o OwnCaution) error { return out.ownCaution(id, o, languages) })
		},
		func() error {
			return each("action", own.Actions, func(id string, o OwnAction) error {
				return out.say("action."+id+".text", id, o.Text, func(w *words) map[string]string { return w.Actions }, nil)
			})
		},
		func() error {
			return each("step", own.Steps, out.ownStep)
		},
		func() error {
			return each("step", own.Steps, out.stepInside)
		},
		func() error {
			return each("cause", own.Causes, func(id string, o OwnCause) error { return out.ownCause(id, o, languages) })
		},
		func() error {
			return each("finding", own.Findings, func(id string, o OwnFinding) error { return out.ownFinding(id, o, languages) })
		},
		func() error {
			return each("symptom", own.Symptoms, out.ownSymptom)
		},
		func() error {
			return each("duty", own.Duties, func(id string, o OwnRule) error { return out.ownRule(id, o, languages) })
		},
	} {
		if err := take(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// each goes through a table in order, and stops at what is wrong.
func each[T any](kind string, table map[string]T, take func(string, T) error) error {
	for _, id := range slices.Sorted(maps.Keys(table)) {
		if id == "" || len(id) > 40 || strings.Trim(id, "abcdefghijklmnopqrstuvwxyz0123456789_") != "" {
			return place(kind+"."+id)("", "may be named with a-z, 0-9 and _ only, at most 40 of them")
		}
		if err := take(id, table[id]); err != nil {
			return err
		}
	}
	return nil
}

func (c *Catalogue) note(format string, args ...any) {
	c.Notes = append(c.Notes, fmt.Sprintf(format, args...))
}

// say takes texts by language in; English and the languages that are needed must be there then.
func (c *Catalogue) say(at, id string, given map[string]string, in func(*words) map[string]string, languages []string) error {
	bad := place(at)
	for _, lang := range slices.Sorted(maps.Keys(given)) {
		s := given[lang]
		if c.words[lang] == nil {
			return bad("", "is in “%s”; the languages are: %s", lang, strings.Join(Languages, ", "))
		}
		if n := len([]rune(s)); n > maxText || strings.ContainsAny(s, "\r\n") {
			return bad(lang, "must be a single line of at most %d characters", maxText)
		}
		in(c.words[lang])[id] = strings.TrimSpace(s)
	}
	for _, lang := range append([]string{"en"}, languages...) {
		if in(c.words[lang])[id] == "" {
			return bad("", "lacks “%s”; it needs its words in English, and in each language of the shop where customers read it", lang)
		}
	}
	return nil
}

// known refuses what a list names and is not there.
func known[T any](bad func(key, reason string, args ...any) error, key string, given []string, have map[string]T) error {
	for _, v := range given {
		if _, ok := have[v]; !ok {
			return bad(key, "names “%s”; it may name: %s", v, strings.Join(slices.Sorted(maps.Keys(have)), ", "))
		}
	}
	return nil
}

// entry returns the one with this id in a list, and whether it had to be added.
func entry[T any](list *[]T, is func(*T) bool, fresh T) (*T, bool) {
	if x := find(*list, is); x != nil {
		return x, false
	}
	*list = append(*list, fresh)
	return &(*list)[len(*list)-1], true
}

func (c *Catalogue) ownCaution(id string, o OwnCaution, languages []string) error {
	if len(o.Owner) > 0 {
		if err := c.say("caution."+id+".owner", id, o.Owner, func(w *words) map[string]string { return w.Cautions }, languages); err != nil {
			return err
		}
	}
	return c.say("caution."+id+".bench", id, o.Bench, func(w *words) map[string]string { return w.Bench }, nil)
}

func (c *Catalogue) ownStep(id string, o OwnStep) error {
	bad := place("step." + id)
	s, _ := entry(&c.Steps, func(s *Step) bool { return s.ID == id }, Step{ID: id, Minutes: usualMinutes})
	s.Minutes, s.Inside, s.Does, s.Risk = cmp.Or(o.Minutes, s.Minutes), cmp.Or(o.Inside, s.Inside), cmp.Or(o.Does, s.Does), cmp.Or(o.Risk, s.Risk)
	if s.Minutes < 0 || s.Minutes > 24*60 {
		return bad("minutes", "is %d; a step takes 1 to 1440 minutes", s.Minutes)
	}
	if s.Does != "" && c.words["en"].Actions[s.Does] == "" {
		return bad("does", "names “%s”; it may name: %s", s.Does, strings.Join(c.Actions(), ", "))
	}
	if s.Risk != "" && c.words["en"].Risks[s.Risk] == "" {
		return bad("risk", "names “%s”; it may name: %s", s.Risk, strings.Join(slices.Sorted(maps.Keys(c.words["en"].Risks)), ", "))
	}
	return c.say("step."+id+".text", id, o.Text, func(w *words) map[string]string { return w.Steps }, nil)
}

// stepInside refuses a step that lies inside one that is not there, or inside itself.
func (c *Catalogue) stepInside(id string, _ OwnStep) error {
	at := c.Step(id).Inside
	for n := 0; at != ""; n++ {
		in := c.Step(at)
		if in == nil || n > len(c.Steps) {
			return place("step."+id)("inside", "names “%s”, which is no step, or lies inside this one", c.Step(id).Inside)
		}
		at = in.Inside
	}
	return nil
}

func (c *Catalogue) ownCause(id string, o OwnCause, languages []string) error {
	bad := place("cause." + id)
	x, added := entry(&c.Causes, func(x *Cause) bool { return x.ID == id }, Cause{ID: id, Minutes: usualMinutes, Finds: usualFinds, False: usualFalse})
	x.Minutes, x.Wait, x.Behind, x.Finds, x.False = cmp.Or(o.Minutes, x.Minutes), cmp.Or(o.Wait, x.Wait), cmp.Or(o.Behind, x.Behind), cmp.Or(o.Finds, x.Finds), cmp.Or(o.False, x.False)
	x.First, x.Consequence = x.First || o.First, x.Consequence || o.Consequence
	switch {
	case x.Minutes < 1 || x.Minutes > 24*60:
		return bad("minutes", "is %d; a check takes 1 to 1440 minutes of hands", x.Minutes)
	case x.Wait < 0 || x.Wait > 7*24*60:
		return bad("wait", "is %d; a check runs by itself for 0 to 10080 minutes", x.Wait)
	case x.Finds < 1 || x.Finds > 99:
		return bad("finds", "is %d; it is 1 to 99 percent", x.Finds)
	case x.False < 0 || x.False >= x.Finds:
		return bad("false", "is %d percent; it must be below “finds”, or the check says nothing", x.False)
	case x.Behind != "" && c.Step(x.Behind) == nil:
		return bad("behind", "names “%s”, which is no step of the catalogue", x.Behind)
	}
	for lang, given := range map[string]CauseWords{"en": o.EN, "fr": o.FR, "de": o.DE, "es": o.ES} {
		w := c.words[lang].Causes[id]
		w.Name, w.Check = strings.TrimSpace(cmp.Or(given.Name, w.Name)), strings.TrimSpace(cmp.Or(given.Check, w.Check))
		needed := lang == "en" || added && slices.Contains(languages, lang)
		if (needed || given != CauseWords{}) && (w.Name == "" || w.Check == "") {
			return bad(lang, "lacks “name” or “check”; a suspect needs both in English and in each language of the shop")
		}
		if strings.ContainsAny(w.Name+w.Check, "\r\n") || len([]rune(w.Name)) > maxTerm || len([]rune(w.Check)) > maxText/2 {
			return bad(lang, "must hold single lines, the name of at most %d characters, the check of at most %d", maxTerm, maxText/2)
		}
		c.words[lang].Causes[id] = w
	}
	return nil
}

func (c *Catalogue) ownSymptom(id string, o OwnSymptom) error {
	bad := place("symptom." + id)
	s, _ := entry(&c.Symptoms, func(s *Symptom) bool { return s.ID == id }, Symptom{ID: id})
	if o.Cautions != nil {
		s.Cautions = o.Cautions
	}
	if err := known(bad, "cautions", s.Cautions, c.words["en"].Bench); err != nil {
		return err
	}
	causes, sum := maps.Clone(s.Causes), 0
	if causes == nil {
		causes = map[string]int{}
	}
	for _, cause := range slices.Sorted(maps.Keys(o.Causes)) {
		if c.Cause(cause) == nil {
			return bad("causes", "names “%s”, which is no suspect of the catalogue", cause)
		}
		if causes[cause] = o.Causes[cause]; causes[cause] < 0 || causes[cause] > 1000 {
			return bad("causes", "gives “%s” the weight %d; it is 0 to 1000, in proportion to the others", cause, causes[cause])
		}
	}
	maps.DeleteFunc(causes, func(_ string, w int) bool { sum += w; return w == 0 })
	if len(causes) == 0 {
		return bad("causes", "names no suspect; a symptom needs at least one")
	}
	for cause, w := range causes { // in percent, as ours are
		causes[cause] = max(1, int(math.Round(float64(w)*100/float64(sum))))
	}
	s.Causes = causes
	return c.say("symptom."+id+".text", id, o.Text, func(w *words) map[string]string { return w.Symptoms }, nil)
}

func (c *Catalogue) ownFinding(id string, o OwnFinding, languages []string) error {
	bad := place("finding." + id)
	f := c.Finding(id)
	added := f == nil
	if added {
		c.Findings = append(c.Findings, Finding{ID: id, Group: "fault", Origin: "unknown", Weight: "fault", Certainty: "seen"})
		f = &c.Findings[len(c.Findings)-1]
	}
	for _, x := range []struct {
		key, given string
		of         []string
		into       *string
	}{{"group", o.Group, Groups, &f.Group}, {"origin", o.Origin, origins, &f.Origin}, {"weight", o.Weight, weights, &f.Weight}, {"certainty", o.Certainty, certainties, &f.Certainty}} {
		if x.given == "" {
			continue
		}
		if !slices.Contains(x.of, x.given) {
			return bad(x.key, "is “%s”; it must be one of: %s", x.given, strings.Join(x.of, ", "))
		}
		*x.into = x.given
	}
	if o.Origin == "accident" {
		c.note("finding.%s.origin is “accident”, which says no more than “something sudden”: say “impact” or “electrical” where the marks tell", id)
	}
	for _, x := range []struct {
		key   string
		given []string
		of    map[string]string
		into  *[]string
	}{{"evidence", o.Evidence, c.words["en"].Evidence, &f.Evidence}, {"cautions", o.Cautions, c.words["en"].Bench, &f.Cautions}} {
		for _, v := range x.given {
			if x.of[v] == "" {
				return bad(x.key, "holds “%s”; it may hold: %s", v, strings.Join(slices.Sorted(maps.Keys(x.of)), ", "))
			}
		}
		if x.given != nil {
			*x.into = x.given
		}
	}
	for lang, given := range map[string]FindingWords{"en": o.EN, "fr": o.FR, "de": o.DE, "es": o.ES} {
		w := c.words[lang].Findings[id]
		for _, x := range []struct {
			key, given string
			into       *string
			max        int
		}{{"term", given.Term, &w.Term, maxTerm}, {"plain", given.Plain, &w.Plain, maxText}, {"matters", given.Matters, &w.Matters, maxText}, {"remedy", given.Remedy, &w.Remedy, maxText}, {"find", given.Find, &w.Find, maxText}} {
			if strings.ContainsAny(x.given, "\r\n") {
				return bad(lang+"."+x.key, "must be a single line")
			}
			if n := len([]rune(x.given)); n > x.max {
				return bad(lang+"."+x.key, "has %d characters; at most %d fit", n, x.max)
			}
			if x.given != "" {
				*x.into = strings.TrimSpace(x.given)
			}
		}
		if given != (FindingWords{}) || added && slices.Contains(languages, lang) {
			for _, x := range []struct{ key, have string }{{"term", w.Term}, {"plain", w.Plain}, {"matters", w.Matters}, {"remedy", w.Remedy}} {
				if x.have == "" {
					return bad(lang, "lacks “%s”; a finding needs term, plain, matters and remedy in each language of the shop", x.key)
				}
			}
			c.words[lang].Findings[id] = w
		}
	}
	if c.words["en"].Findings[id].Term == "" {
		return bad("en", "lacks “term”; English is needed, since staff pages speak it")
	}
	return nil
}

func (c *Catalogue) ownRule(id string, o OwnRule, languages []string) error {
	bad := place("duty." + id)
	r := Rule{ID: id, Before: cmp.Or(o.Before, "shipped"), Found: o.Found, Done: o.Done, Symptoms: o.Symptoms, Test: o.Test, NoPost: o.NoPost}
	if !slices.Contains(stages, r.Before) {
		return bad("before", "is “%s”; it must be one of: %s", o.Before, strings.Join(stages, ", "))
	}
	if len(r.Found)+len(r.Done)+len(r.Symptoms) == 0 {
		return bad("", "names nothing that brings it about; give found, done or symptoms")
	}
	if r.Test != "" && r.Before != "shipped" {
		return bad("before", "is “testing”, but a test comes only then; a duty with a test is due before “shipped”")
	}
	for _, f := range r.Found {
		if c.Finding(f) == nil {
			return bad("found", "names “%s”, which is no finding of the catalogue", f)
		}
	}
	if err := known(bad, "done", r.Done, c.words["en"].Actions); err != nil {
		return err
	}
	if err := known(bad, "symptoms", r.Symptoms, c.words["en"].Symptoms); err != nil {
		return err
	}
	for lang, s := range o.Text {
		if len([]rune(s)) > maxText/2 {
			return bad("text."+lang, "must be a single line of at most %d characters", maxText/2)
		}
	}
	if err := c.say("duty."+id+".text", id, o.Text, func(w *words) map[string]string { return w.Duties }, languages); err != nil {
		return err
	}
	old, added := entry(&c.Rules, func(r *Rule) bool { return r.ID == id }, r)
	if !added {
		r.Domain = old.Domain
		for _, x := range []struct {
			key         string
			ours, yours []string
		}{{"found", old.Found, r.Found}, {"done", old.Done, r.Done}, {"symptoms", old.Symptoms, r.Symptoms}} {
			if left := slices.DeleteFunc(slices.Clone(x.ours), func(s string) bool { return slices.Contains(x.yours, s) }); len(left) > 0 {
				c.note("duty.%s stands for ours, and its “%s” leaves out what ours names: %s", id, x.key, strings.Join(left, ", "))
			}
		}
	}
	*old = r
	return nil
}
