// Package catalogue holds what a bench for electronics meets: findings, the duties they create, cautions for
// the owner and for the bench, what to ask about on arrival, and for each symptom the usual suspects with the
// check that tells, all with their words in English, French, German and Spanish.
//
// It is data, embedded: trade.json says what there is, words.LANG.json says it in a language. A shop adds
// to it and rewords it with [Catalogue.With]. Weights, minutes and chances of suspects and checks are
// common practice, no source; a shop's own history soon counts for more (see workflow.Service).
// What the texts say of danger is a caution: it names no limit of a law, and defers to local rules, carriers'
// rules and licensed practice.
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
//   - 2026-11-30: A key that was released stays, with its meaning; words may change, since a finding keeps its
//     own. A complaint that was two in one ("does not charge, or not for long") keeps its key for the first.
//   - 2026-11-30: No disassembly step brings the duty to count screws by itself. Rejected: a duty at every
//     opening, which would be ticked without looking; the action "The case was opened" brings it.
//   - 2026-11-30: Only hands count towards the order of checks; waiting is shown beside them.
package catalogue

import (
	"embed"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"unicode"
)

// Languages lists the languages that the catalogue speaks; English is the one to fall back on.
var Languages = []string{"en", "fr", "de", "es"}

// Groups lists the groups of findings in the order in which a form offers them.
var Groups = []string{"arrival", "earlier_work", "fault", "mechanics", "data", "safety"}

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
	// Find are the words that a technician types for it, beside those above.
	Find string `json:"find,omitempty" toml:"find"`
}

// Rule is a line of the table of duties: when one of these was found or done, that must be done before a
// stage.
type Rule struct {
	ID string `json:"id"`
	// Before is the stage, "testing" or "shipped", or "at_once".
	Before string `json:"before"`
	// Found are entries of the catalogue, Done are actions, Symptoms what the device does.
	Found    []string `json:"found,omitempty"`
	Done     []string `json:"done,omitempty"`
	Symptoms []string `json:"symptoms,omitempty"`
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
	// Risk names what it can cost beside time: then what lies behind it comes last, and asks for the customer's word.
	Risk string `json:"risk,omitempty"`
}

// Cause is a usual suspect, with the check that tells.
type Cause struct {
	ID string `json:"id"`
	// Minutes are those of hands, Wait those in which it runs by itself.
	Minutes int `json:"minutes"`
	Wait    int `json:"wait,omitempty"`
	// Behind is the step after which the check can be done.
	Behind string `json:"behind,omitempty"`
	// Finds is the chance in percent that the check shows the suspect if it is the cause.
	Finds int `json:"finds"`
	// False is the chance in percent that it shows the suspect although that is not the cause.
	False int `json:"false,omitempty"`
	// First: its check comes before any other, since it is the safe one.
	First bool `json:"first,omitempty"`
	// Consequence: it has a cause of its own, so that to confirm it does not end the search.
	Consequence bool `json:"consequence,omitempty"`
}

// CauseWords is what a suspect and its check are called.
type CauseWords struct {
	Name  string `json:"name" toml:"name"`
	Check string `json:"check" toml:"check"`
}

// Symptom is what a customer complains of; Causes gives each suspect's weight, in proportion.
type Symptom struct {
	ID     string         `json:"id"`
	Causes map[string]int `json:"causes"`
	// Cautions are what the bench reads before the first check.
	Cautions []string `json:"cautions,omitempty"`
}

// Hazard is a danger that is asked about when the parcel is opened; mostly there is none.
type Hazard struct {
	ID string `json:"id"`
	// Caution says what may hurt; Rule is the duty that it brings, "" for none.
	Caution string `json:"caution"`
	Rule    string `json:"rule,omitempty"`
}

// Catalogue is a catalogue with its words. It is never changed once made, and safe for concurrent use.
type Catalogue struct {
	Findings []Finding `json:"findings"`
	Rules    []Rule    `json:"rules"`
	Steps    []Step    `json:"steps"`
	Causes   []Cause   `json:"causes"`
	Symptoms []Symptom `json:"symptoms"`
	Hazards  []Hazard  `json:"hazards"`
	// Notes say what a shop's own file should change; the file holds nevertheless.
	Notes []string `json:"-"`
	words map[string]*words
}

type words struct {
	Groups   map[string]string       `json:"groups"`
	Evidence map[string]string       `json:"evidence"`
	Cautions map[string]string       `json:"cautions"` // the owner's; those that are for the bench only are not there
	Bench    map[string]string       `json:"bench"`
	Hazards  map[string]string       `json:"hazards"`
	Actions  map[string]string       `json:"actions"`
	Duties   map[string]string       `json:"duties"`
	Steps    map[string]string       `json:"steps"`
	Risks    map[string]string       `json:"risks"`
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

// Hazard returns what is asked about on arrival, nil if there is no such thing.
func (c *Catalogue) Hazard(id string) *Hazard {
	return find(c.Hazards, func(h *Hazard) bool { return h.ID == id })
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
	return c.rules(func(r Rule) []string { return r.Found }, finding)
}

// RulesAfter returns the rules that an action brings with it.
func (c *Catalogue) RulesAfter(action string) []Rule {
	return c.rules(func(r Rule) []string { return r.Done }, action)
}

// RulesOn returns the rules that a symptom brings with it.
func (c *Catalogue) RulesOn(symptom string) []Rule {
	return c.rules(func(r Rule) []string { return r.Symptoms }, symptom)
}

func (c *Catalogue) rules(by func(Rule) []string, id string) []Rule {
	return slices.DeleteFunc(slices.Clone(c.Rules), func(r Rule) bool { return !slices.Contains(by(r), id) })
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

// Caution says to the owner what may hurt, and defers to those who set the rules; "" for what only the bench meets.
func (c *Catalogue) Caution(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Cautions })
}

// Care says the same to the bench: what to do, with the case open in front of one.
func (c *Catalogue) Care(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Bench })
}

// SayHazard names what is asked about on arrival.
func (c *Catalogue) SayHazard(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Hazards })
}

// Risk says what a step can cost.
func (c *Catalogue) Risk(lang, id string) string {
	return pick(c, lang, id, func(w *words) map[string]string { return w.Risks })
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

// plainly takes the marks off letters, so that a word is found however it is typed.
var plainly = strings.NewReplacer("à", "a", "á", "a", "â", "a", "ä", "a", "ç", "c", "è", "e", "é", "e", "ê", "e", "ë", "e", "í", "i", "î", "i", "ï", "i", "ñ", "n",
	"ó", "o", "ô", "o", "ö", "o", "ù", "u", "ú", "u", "û", "u", "ü", "u", "œ", "oe", "ß", "ss")

func typedWords(s string) []string {
	return strings.FieldsFunc(plainly.Replace(strings.ToLower(s)), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// begins reports whether each of the words that are wanted begins one of a text's; nothing wanted is nothing begun.
func begins(want []string, text string) bool {
	have := typedWords(text)
	return len(want) > 0 && !slices.ContainsFunc(want, func(x string) bool {
		return !slices.ContainsFunc(have, func(h string) bool { return strings.HasPrefix(h, x) })
	})
}

// Search finds entries by what was typed: an id or the English term as it stands, or else those in whose words
// in one of the languages each word that was typed begins one. Dangers come first, then those whose term
// says it, then the rest, each in the catalogue's order.
func (c *Catalogue) Search(typed string) []Finding {
	typed = strings.ToLower(strings.TrimSpace(typed))
	for _, f := range c.Findings {
		if typed == f.ID || typed == strings.ToLower(c.Say("en", f.ID).Term) {
			return []Finding{f}
		}
	}
	var hits [3][]Finding
	want := typedWords(typed)
	for _, f := range c.Findings {
		rank := len(hits)
		for _, lang := range Languages {
			w := c.words[lang].Findings[f.ID]
			switch {
			case !begins(want, w.Term+" "+w.Plain+" "+w.Find):
			case f.Weight == "danger":
				rank = 0
			case begins(want, w.Term):
				rank = min(rank, 1)
			default:
				rank = min(rank, 2)
			}
		}
		if rank < len(hits) {
			hits[rank] = append(hits[rank], f)
		}
	}
	return slices.Concat(hits[:]...)
}
