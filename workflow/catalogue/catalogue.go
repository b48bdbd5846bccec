// Package catalogue holds what a board-level bench meets: findings, the duties they create, cautions,
// and for each symptom the usual suspects with the check that tells, all with their words in English,
// French, German and Spanish.
//
// It is data, embedded: trade.json says what there is, words.LANG.json says it in a language. A shop adds
// to it and rewords it with [Catalogue.With]. Weights, minutes and chances of suspects and checks are
// common practice, without a source; a shop's own history soon counts for more (see workflow.Service).
// What the texts say of danger is a caution, and defers to local rules and qualified people.
//
// # Decisions
//
//   - 2026-11-25: The weights here stand for eight cases. A shop's own ended jobs of that device and symptom
//     count one each; a twentieth is kept for a cause that nobody named. Common practice, no source.
//   - 2026-11-25: A finding keeps the words as they were: term and plain words go into the event, in the
//     customer's language, so that a report reads as it was sent although the shop rewords its catalogue;
//     duties hold the bench's words and the customer's. Rejected: looking them up when a page is made.
//   - 2026-11-25: A duty that a test settles can't be ticked off; the passed test settles it. A swollen cell
//     is not posted even if its duty is waived; handing the device over in person remains.
package catalogue

import (
	"embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Languages lists the languages that the catalogue speaks; English is the one to fall back on.
var Languages = []string{"en", "fr", "de", "es"}

// Groups lists the groups of findings in the order in which a form offers them.
var Groups = []string{"arrival", "earlier_work", "fault", "safety"}

// Finding is an entry: something that is met on arrival or at the bench.
type Finding struct {
	ID    string `json:"id"`
	Group string `json:"group"`
	// Origin, Weight and Certainty are where it usually comes from, how much it usually matters and how it
	// is usually known, in the words of package workflow.
	Origin    string `json:"origin"`
	Weight    string `json:"weight"`
	Certainty string `json:"certainty"`
	// Evidence and Cautions name texts.
	Evidence []string `json:"evidence,omitempty"`
	Cautions []string `json:"cautions,omitempty"`
	// Shows are the questions of the safety screening that it answers with yes.
	Shows []string `json:"shows,omitempty"`
}

// FindingWords is what an entry says.
type FindingWords struct {
	// Term is the trade's term.
	Term string `json:"term" toml:"term"`
	// Plain says in a sentence what there is to see; it blames nobody and names no cause.
	Plain string `json:"plain" toml:"plain"`
	// Matters says why it matters, or that it does not.
	Matters string `json:"matters" toml:"matters"`
	// Remedy is what is usually done.
	Remedy string `json:"remedy" toml:"remedy"`
}

// Rule is a line of the table of duties: when one of these was found or done, that must be done before a
// stage.
type Rule struct {
	ID string `json:"id"`
	// Before is the stage, "testing" or "shipped", or "at_once".
	Before string `json:"before"`
	// Found are entries of the catalogue, Done are actions.
	Found []string `json:"found,omitempty"`
	Done  []string `json:"done,omitempty"`
	// Test is the test that settles the duty once it has passed; nothing else does.
	Test string `json:"test,omitempty"`
	// NoPost: until it is done the device must not be posted, whatever is waived.
	NoPost bool `json:"no_post,omitempty"`
	// Domain: package workflow raises it (for the safety screening, for any danger).
	Domain bool `json:"domain,omitempty"`
}

// Step is a disassembly step before checks.
type Step struct {
	ID      string `json:"id"`
	Minutes int    `json:"minutes"`
	// Inside is the step before it, Does the action that it amounts to.
	Inside string `json:"inside,omitempty"`
	Does   string `json:"does,omitempty"`
}

// Cause is a usual suspect, with the check that tells.
type Cause struct {
	ID      string `json:"id"`
	Minutes int    `json:"minutes"`
	// Behind is the step after which the check can be done.
	Behind string `json:"behind,omitempty"`
	// Finds is the chance in percent that the check shows the suspect if it is the cause.
	Finds int `json:"finds"`
	// First: its check comes before any other, since it is the safe one.
	First bool `json:"first,omitempty"`
	// Consequence: it has a cause of its own, so that to confirm it does not end the search.
	Consequence bool `json:"consequence,omitempty"`
}

// CauseWords is what a suspect and its check are called.
type CauseWords struct {
	Name  string `json:"name"`
	Check string `json:"check"`
}

// Symptom is what a customer complains of; Causes gives each suspect's weight, in proportion.
type Symptom struct {
	ID     string         `json:"id"`
	Causes map[string]int `json:"causes"`
}

// Catalogue is a catalogue with its words. It is never changed once made, and safe for concurrent use.
type Catalogue struct {
	Findings []Finding `json:"findings"`
	Rules    []Rule    `json:"rules"`
	Steps    []Step    `json:"steps"`
	Causes   []Cause   `json:"causes"`
	Symptoms []Symptom `json:"symptoms"`
	words    map[string]*words
}

type words struct {
	Groups   map[string]string       `json:"groups"`
	Evidence map[string]string       `json:"evidence"`
	Cautions map[string]string       `json:"cautions"`
	Actions  map[string]string       `json:"actions"`
	Duties   map[string]string       `json:"duties"`
	Steps    map[string]string       `json:"steps"`
	Symptoms map[string]string       `json:"symptoms"`
	Causes   map[string]CauseWords   `json:"causes"`
	Findings map[string]FindingWords `json:"findings"`
}

//go:embed *.json
var files embed.FS

var standard = func() *Catalogue {
	c := &Catalogue{words: map[string]*words{}}
	read := func(name string, into any) {
		b, err := files.ReadFile(name)
		if err == nil {
			err = json.Unmarshal(b, into)
		}
		if err != nil {
			panic("catalogue: " + name + ": " + err.Error())
		}
	}
	read("trade.json", c)
	for _, lang := range Languages {
		w := &words{}
		read("words."+lang+".json", w)
		c.words[lang] = w
	}
	return c
}()

// Standard is the catalogue as it comes.
func Standard() *Catalogue { return standard }

// Finding returns an entry, nil if there is none.
func (c *Catalogue) Finding(id string) *Finding {
	return find(c.Findings, func(f *Finding) bool { return f.ID == id })
}

// Rule returns a rule, nil if there is none.
func (c *Catalogue) Rule(id string) *Rule {
	return find(c.Rules, func(r *Rule) bool { return r.ID == id })
}

// Step returns a step, nil if there is none.
func (c *Catalogue) Step(id string) *Step {
	return find(c.Steps, func(s *Step) bool { return s.ID == id })
}

// Cause returns a suspect, nil if there is none.
func (c *Catalogue) Cause(id string) *Cause {
	return find(c.Causes, func(x *Cause) bool { return x.ID == id })
}

// Symptom returns a symptom, nil if there is none.
func (c *Catalogue) Symptom(id string) *Symptom {
	return find(c.Symptoms, func(s *Symptom) bool { return s.ID == id })
}

func find[T any](list []T, is func(*T) bool) *T {
	for i := range list {
		if is(&list[i]) {
			return &list[i]
		}
	}
	return nil
}

// Path returns the steps before a check behind a step, outermost first.
func (c *Catalogue) Path(step string) []Step {
	var out []Step
	for s := c.Step(step); s != nil; s = c.Step(s.Inside) {
		out = append(out, *s)
	}
	slices.Reverse(out)
	return out
}

// RulesFor returns the rules that an entry brings with it.
func (c *Catalogue) RulesFor(finding string) []Rule {
	var out []Rule
	for _, r := range c.Rules {
		if slices.Contains(r.Found, finding) {
			out = append(out, r)
		}
	}
	return out
}

// RulesAfter returns the rules that an action brings with it.
func (c *Catalogue) RulesAfter(action string) []Rule {
	var out []Rule
	for _, r := range c.Rules {
		if slices.Contains(r.Done, action) {
			out = append(out, r)
		}
	}
	return out
}

// Actions lists the actions that rules know, in order.
func (c *Catalogue) Actions() []string { return slices.Sorted(maps.Keys(c.words["en"].Actions)) }

// pick looks a text up in a language, and in English where it has none.
func pick[T comparable](c *Catalogue, lang, key string, in func(*words) map[string]T) T {
	var none T
	base, _, _ := strings.Cut(strings.ToLower(lang), "-")
	if w := c.words[base]; w != nil {
		if x := in(w)[key]; x != none {
			return x
		}
	}
	return in(c.words["en"])[key]
}

// Say returns the words of an entry in a language.
func (c *Catalogue) Say(lang, finding string) FindingWords {
	return pick(c, lang, finding, func(w *words) map[string]FindingWords { return w.Findings })
}

// SayCause returns the words of a suspect in a language.
func (c *Catalogue) SayCause(lang, cause string) CauseWords {
	return pick(c, lang, cause, func(w *words) map[string]CauseWords { return w.Causes })
}

// Group, Evidence, Caution, Action, Duty (of a rule), SayStep and SaySymptom give a text in a language.
func (c *Catalogue) Group(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Groups })
}

// Evidence says what proves a finding.
func (c *Catalogue) Evidence(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Evidence })
}

// Caution says what may hurt, and defers to those who set the rules.
func (c *Catalogue) Caution(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Cautions })
}

// Action says what was done.
func (c *Catalogue) Action(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Actions })
}

// Duty says what a rule demands.
func (c *Catalogue) Duty(lang, rule string) string {
	return pick(c, lang, rule, func(w *words) map[string]string { return w.Duties })
}

// SayStep names a disassembly step.
func (c *Catalogue) SayStep(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Steps })
}

// SaySymptom names a symptom.
func (c *Catalogue) SaySymptom(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Symptoms })
}

// Search finds entries by what was typed: the English term or an id as it stands, or else those in whose
// English words each word that was typed begins one. It returns them in the catalogue's order.
func (c *Catalogue) Search(typed string) []Finding {
	typed = strings.ToLower(strings.TrimSpace(typed))
	var out []Finding
	for _, f := range c.Findings {
		if typed == f.ID || typed == strings.ToLower(c.Say("en", f.ID).Term) {
			return []Finding{f}
		}
	}
	want := strings.Fields(typed)
	for _, f := range c.Findings {
		w := c.Say("en", f.ID)
		have := strings.FieldsFunc(strings.ToLower(w.Term+" "+w.Plain), func(r rune) bool { return r == ' ' || r == ',' || r == '.' || r == ';' })
		all := len(want) > 0
		for _, x := range want {
			all = all && slices.ContainsFunc(have, func(h string) bool { return strings.HasPrefix(h, x) })
		}
		if all {
			out = append(out, f)
		}
	}
	return out
}

// Own is what a shop adds to the catalogue and rewords in it.
type Own struct {
	// Findings by id: one of the catalogue's is changed where something is given, a new one is added.
	Findings map[string]OwnFinding `toml:"finding"`
	// Duties are rules that are added, by id; an id of the catalogue's replaces that rule.
	Duties map[string]OwnRule `toml:"duty"`
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
	Found  []string `toml:"found"`
	Done   []string `toml:"done"`
	Before string   `toml:"before"`
	Test   string   `toml:"test"`
	NoPost bool     `toml:"no_post"`
	// Text is what must be done, by language.
	Text map[string]string `toml:"text"`
}

// A PlaceError says what is wrong with a shop's own catalogue, and where.
type PlaceError struct {
	// Key is the place, as the file writes it: "finding.fader_worn.fr".
	Key    string
	Reason string
}

func (e *PlaceError) Error() string { return e.Key + " " + e.Reason }

// Known values, in the words of package workflow; its tests hold the two together.
var (
	origins     = []string{"arrival", "wear", "impact", "electrical", "accident", "liquid", "manufacture", "earlier_work", "unknown"}
	weights     = []string{"cosmetic", "noted", "open", "put_right", "fault", "danger"}
	certainties = []string{"measured", "seen", "inferred"}
	stages      = []string{"at_once", "testing", "shipped"}
)

const (
	maxTerm = 60
	maxText = 400
)

// With returns the catalogue with a shop's own findings and duties. What is new must have its words in every
// language that the shop answers in. Error: a *[PlaceError] about the first thing that is wrong.
func (c *Catalogue) With(own Own, languages []string) (*Catalogue, error) {
	out := &Catalogue{Findings: slices.Clone(c.Findings), Rules: slices.Clone(c.Rules), Steps: c.Steps, Causes: c.Causes, Symptoms: c.Symptoms, words: map[string]*words{}}
	for lang, w := range c.words {
		x := *w
		x.Findings, x.Duties = maps.Clone(w.Findings), maps.Clone(w.Duties)
		out.words[lang] = &x
	}
	for _, id := range slices.Sorted(maps.Keys(own.Findings)) {
		if err := out.own(id, own.Findings[id], languages); err != nil {
			return nil, err
		}
	}
	for _, id := range slices.Sorted(maps.Keys(own.Duties)) {
		if err := out.ownRule(id, own.Duties[id], languages); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func badID(id string) bool {
	return id == "" || len(id) > 40 || strings.Trim(id, "abcdefghijklmnopqrstuvwxyz0123456789_") != ""
}

func (c *Catalogue) own(id string, o OwnFinding, languages []string) error {
	at := "finding." + id
	bad := func(key, reason string, args ...any) error {
		return &PlaceError{strings.TrimSuffix(at+"."+key, "."), fmt.Sprintf(reason, args...)}
	}
	if badID(id) {
		return bad("", "may be named with a-z, 0-9 and _ only, at most 40 of them")
	}
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
	for _, x := range []struct {
		key   string
		given []string
		of    map[string]string
		into  *[]string
	}{{"evidence", o.Evidence, c.words["en"].Evidence, &f.Evidence}, {"cautions", o.Cautions, c.words["en"].Cautions, &f.Cautions}} {
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
		}{{"term", given.Term, &w.Term, maxTerm}, {"plain", given.Plain, &w.Plain, maxText}, {"matters", given.Matters, &w.Matters, maxText}, {"remedy", given.Remedy, &w.Remedy, maxText}} {
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
	at := "duty." + id
	bad := func(key, reason string, args ...any) error {
		return &PlaceError{strings.TrimSuffix(at+"."+key, "."), fmt.Sprintf(reason, args...)}
	}
	if badID(id) {
		return bad("", "may be named with a-z, 0-9 and _ only, at most 40 of them")
	}
	r := Rule{ID: id, Before: o.Before, Found: o.Found, Done: o.Done, Test: o.Test, NoPost: o.NoPost}
	if r.Before == "" {
		r.Before = "shipped"
	}
	if !slices.Contains(stages, r.Before) {
		return bad("before", "is “%s”; it must be one of: %s", o.Before, strings.Join(stages, ", "))
	}
	if len(r.Found)+len(r.Done) == 0 {
		return bad("", "names nothing that brings it about; give found, done, or both")
	}
	if r.Test != "" && r.Before != "shipped" {
		return bad("before", "is “testing”, but a test comes only then; a duty with a test is due before “shipped”")
	}
	for _, f := range r.Found {
		if c.Finding(f) == nil {
			return bad("found", "names “%s”, which is no finding of the catalogue", f)
		}
	}
	for _, a := range r.Done {
		if c.words["en"].Actions[a] == "" {
			return bad("done", "names “%s”; it may name: %s", a, strings.Join(c.Actions(), ", "))
		}
	}
	for lang, s := range o.Text {
		if c.words[lang] == nil {
			return bad("text", "is in “%s”; the languages are: %s", lang, strings.Join(Languages, ", "))
		}
		if n := len([]rune(s)); n > maxText/2 || strings.ContainsAny(s, "\r\n") {
			return bad("text."+lang, "must be a single line of at most %d characters", maxText/2)
		}
		c.words[lang].Duties[id] = strings.TrimSpace(s)
	}
	for _, lang := range append([]string{"en"}, languages...) {
		if c.words[lang].Duties[id] == "" {
			return bad("text", "lacks “%s”; a duty needs its text in English and in each language of the shop", lang)
		}
	}
	if old := c.Rule(id); old != nil {
		*old = r
	} else {
		c.Rules = append(c.Rules, r)
	}
	return nil
}
