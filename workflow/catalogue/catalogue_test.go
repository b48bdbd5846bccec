package catalogue

import (
	"encoding/json"
	"errors"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every entry, duty, caution, piece of evidence, action, step, cause and symptom has its words in every
// language, and no language has words for what there is not.
func TestEverythingHasItsWords(t *testing.T) {
	c := Standard()
	ids := map[string][]string{"Groups": Groups, "Actions": c.Actions()}
	for _, f := range c.Findings {
		ids["Findings"] = append(ids["Findings"], f.ID)
		require.Contains(t, Groups, f.Group, f.ID)
		require.Contains(t, origins, f.Origin, f.ID)
		require.Contains(t, weights, f.Weight, f.ID)
		require.Contains(t, certainties, f.Certainty, f.ID)
		require.NotEmpty(t, f.Evidence, f.ID)
		for _, e := range f.Evidence {
			require.NotEmpty(t, c.Evidence("en", e), "%s: %s", f.ID, e)
		}
		for _, k := range f.Cautions {
			require.NotEmpty(t, c.Care("en", k), "%s: %s", f.ID, k)
		}
		if f.Certainty == "measured" {
			require.True(t, slices.Contains(f.Evidence, "reading") || slices.Contains(f.Evidence, "thermal"), "%s is measured: it wants a reading", f.ID)
		}
		if f.Weight == "danger" {
			require.NotEmpty(t, f.Cautions, "%s can hurt somebody", f.ID)
			require.True(t, slices.ContainsFunc(f.Cautions, func(k string) bool { return c.Caution("en", k) != "" }), "%s: nothing for its owner", f.ID)
			require.True(t, slices.ContainsFunc(c.RulesFor(f.ID), func(r Rule) bool { return r.Test == "" }), "%s obliges to nothing but a test", f.ID)
		}
	}
	for _, r := range c.Rules {
		ids["Duties"] = append(ids["Duties"], r.ID)
		require.Contains(t, stages, r.Before, r.ID)
		require.True(t, len(r.Found)+len(r.Done)+len(r.Symptoms) > 0 || r.Domain, r.ID)
		for _, x := range r.Symptoms {
			require.NotNil(t, c.Symptom(x), "%s: %s", r.ID, x)
		}
		for _, f := range r.Found {
			require.NotNil(t, c.Finding(f), "%s: %s", r.ID, f)
		}
		for _, a := range r.Done {
			require.Contains(t, c.Actions(), a, r.ID)
		}
	}
	for _, s := range c.Steps {
		ids["Steps"] = append(ids["Steps"], s.ID)
		require.Positive(t, s.Minutes)
		require.True(t, s.Inside == "" || c.Step(s.Inside) != nil, s.ID)
		require.True(t, s.Does == "" || slices.Contains(c.Actions(), s.Does), s.ID)
		require.True(t, s.Risk == "" || c.Risk("en", s.Risk) != "", s.ID)
	}
	for _, x := range c.Causes {
		ids["Causes"] = append(ids["Causes"], x.ID)
		require.Positive(t, x.Minutes)
		require.True(t, x.Finds >= 50 && x.Finds < 100 && x.False > 0 && x.False < x.Finds/2, x.ID)
		require.True(t, x.Behind == "" || c.Step(x.Behind) != nil, x.ID)
	}
	for _, s := range c.Symptoms {
		ids["Symptoms"] = append(ids["Symptoms"], s.ID)
		sum := 0
		for cause, w := range s.Causes {
			require.NotNil(t, c.Cause(cause), "%s: %s", s.ID, cause)
			require.Positive(t, w)
			sum += w
		}
		require.Equal(t, 100, sum, s.ID)
		for _, k := range s.Cautions {
			require.NotEmpty(t, c.Care("en", k), "%s: %s", s.ID, k)
		}
	}
	for _, h := range c.Hazards {
		ids["Hazards"] = append(ids["Hazards"], h.ID)
		require.NotEmpty(t, c.Care("en", h.Caution), h.ID)
		require.NotEmpty(t, c.Caution("en", h.Caution), h.ID)
		require.True(t, h.Rule == "" || c.Rule(h.Rule) != nil, h.ID)
	}
	require.GreaterOrEqual(t, len(c.Hazards)+4, 12, "with the four that are always answered")
	require.Subset(t, keys(reflect.ValueOf(c.words["en"].Bench)), keys(reflect.ValueOf(c.words["en"].Cautions)), "the bench has a caution of its own for each of the owner’s")
	for _, name := range []string{"Evidence", "Cautions", "Bench", "Risks"} {
		ids[name] = keys(reflect.ValueOf(c.words["en"]).Elem().FieldByName(name))
	}
	require.GreaterOrEqual(t, len(c.Findings), 150)
	for _, lang := range Languages {
		w := reflect.ValueOf(c.words[lang]).Elem()
		require.Equal(t, w.NumField(), len(ids), "a kind of words that is not looked at")
		for name, want := range ids {
			require.ElementsMatch(t, want, keys(w.FieldByName(name)), "%s: %s", lang, name)
		}
		eachText(w, func(s string) {
			require.NotEmpty(t, s, lang)
			require.NotRegexp(t, `['"<>]|  |\.\.\.|\n|^\s|\s$|\{`, s, lang)
		})
		terms := map[string]string{}
		for id, f := range c.words[lang].Findings {
			require.Empty(t, terms[f.Term], "%s: %s is the term of %s too", lang, f.Term, id)
			terms[f.Term] = id
			require.LessOrEqual(t, len([]rune(f.Term)), maxTerm)
			require.True(t, strings.HasSuffix(f.Plain, ".") && strings.HasSuffix(f.Matters, "."), "%s: %s: whole sentences", lang, id)
			require.False(t, strings.HasSuffix(f.Remedy, "."), "%s: %s: a few words", lang, id)
			require.NotContains(t, " "+f.Plain+" ", map[string]string{"en": " or ", "fr": " ou ", "de": " oder ", "es": " o "}[lang], "%s: %s: it was seen, so it says which", lang, id)
		}
	}
}

func keys(m reflect.Value) []string {
	var out []string
	for _, k := range m.MapKeys() {
		out = append(out, k.String())
	}
	return out
}

func eachText(v reflect.Value, do func(string)) {
	switch v.Kind() {
	case reflect.String:
		do(v.String())
	case reflect.Map:
		for _, k := range v.MapKeys() {
			eachText(v.MapIndex(k), do)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			eachText(v.Field(i), do)
		}
	}
}

// What the issue of traces of earlier work comes to at least; the list is the trade's (common practice).
func TestEarlierWorkIsCovered(t *testing.T) {
	for _, id := range strings.Fields("fastener_missing fastener_length fastener_mixed insulator_missing pad_missing shield_missing gasket_missing tape_left flux_residue joint_cold joint_bridged joint_starved pad_lifted wire_added part_replaced part_not_matching heat_marks heatsink_dry flex_torn seal_broken corrosion_cleaned corrosion_hidden") {
		f := Standard().Finding(id)
		require.NotNil(t, f, id)
		require.Equal(t, "earlier_work", f.Group, id)
		require.Equal(t, "earlier_work", f.Origin, id)
	}
	perGroup := map[string]int{}
	for _, f := range Standard().Findings {
		perGroup[f.Group]++
	}
	for _, g := range Groups {
		require.GreaterOrEqual(t, perGroup[g], 6, g)
	}
}

// Words of blame, and words that say more than somebody at a bench can know, by language.
var blame = map[string]string{
	"en": `\b(blame|fault of|botch\w*|bodge\w*|careless\w*|sloppy|amateur\w*|incompeten\w*|negligen\w*|shoddy|unprofessional\w*|previous (shop|repairer)|last (shop|repairer)|guilty|ruined|wrongly|idiot\w*|should never)\b`,
	"fr": `\b(bâcl\w*|bricol\w*|négligen\w*|amateur\w*|incompéten\w*|maladroit\w*|coupable\w*|saccag\w*|précédent réparateur|par erreur)\b`,
	"de": `\b(pfusch\w*|gepfuscht\w*|schlamp\w*|fahrlässig\w*|laienhaft\w*|unfachmännisch\w*|schuld\w*|unsachgemäß\w*|vorgänger\w*|stümper\w*)\b`,
	"es": `\b(chapuz\w*|descuid\w*|negligen\w*|aficionad\w*|incompeten\w*|culp\w*|torpe\w*|taller anterior|técnico anterior)\b`,
}

// It states what is there: no blame, no certainty beyond what can be seen, no sentence over 25 words.
func TestThePlainTone(t *testing.T) {
	more := map[string]string{
		"en": `\b(certainly|definitely|obviously|clearly|proves?|undoubtedly|always)\b`,
		"fr": `\b(certainement|évidemment|clairement|prouve\w*|sans aucun doute)\b`,
		"de": `\b(sicherlich|zweifellos|offensichtlich|eindeutig|beweist)\b`,
		"es": `\b(seguramente|evidentemente|claramente|demuestra\w*|sin duda)\b`,
	}
	c := Standard()
	for _, lang := range Languages {
		no := regexp.MustCompile(`(?i)` + blame[lang])
		strong := regexp.MustCompile(`(?i)` + more[lang])
		eachText(reflect.ValueOf(c.words[lang]).Elem(), func(s string) {
			require.False(t, no.MatchString(s), "%s: %s", lang, s)
			for sentence := range strings.SplitSeq(s, ". ") {
				require.LessOrEqual(t, len(strings.Fields(sentence)), 25, "%s: %s", lang, sentence)
			}
		})
		for id, f := range c.words[lang].Findings {
			if id != "transistor_shorted" { // it does let current through always; that is measured
				require.False(t, strong.MatchString(f.Plain), "%s: %s", lang, f.Plain)
			}
		}
	}
	require.Regexp(t, `(?i)`+blame["en"], "The last shop botched it", "the list can say no")
}

// What is usually inferred is not said as if it had been seen.
func TestWhatIsInferredIsHedged(t *testing.T) {
	hedge := map[string]string{"en": `as if|we take it`, "fr": `comme si|nous la tenons`, "de": `als wäre|wir nehmen an`, "es": `como si|lo damos`}
	n := 0
	for _, f := range Standard().Findings {
		if f.Certainty != "inferred" {
			continue
		}
		n++
		for _, lang := range Languages {
			require.Regexp(t, hedge[lang], Standard().Say(lang, f.ID).Plain, "%s: %s", lang, f.ID)
		}
	}
	require.Positive(t, n)
}

func TestSearch(t *testing.T) {
	c := Standard()
	ids := func(typed string) (out []string) {
		for _, f := range c.Search(typed) {
			out = append(out, f.ID)
		}
		return out
	}
	require.Equal(t, []string{"flux_residue"}, ids("  FLUX residue "))
	require.Equal(t, []string{"flux_residue"}, ids("flux"))
	// What is typed at a bench (T31), and in the words of each language; dangers come first.
	for typed, want := range map[string]string{
		"esr": "capacitor_dry", "dry joint": "joint_cold", "bad cap": "capacitor_bulged", "bga": "joint_cracked", "crystal": "clock_stopped",
		"hum": "capacitor_dry", "ronflement": "capacitor_dry", "brummen": "capacitor_dry", "zumbido": "capacitor_dry", "dégât des eaux": "liquid_traces", "daño por agua": "liquid_traces", "Mikrofon": "mic_weak", "lamp house": "lamp_worn", "capstan": "speed_off", "squelch": "receiver_deaf",
		"water damage": "liquid_traces", "firmware": "firmware_damaged", "screen": "touch_dead", "smoke": "smell_burnt", "rust": "connector_corroded",
		"fungus": "lens_fungus", "focus": "focus_off", "calibration": "reading_off", "esd": "input_static", "azimuth": "head_worn", "laser": "pickup_weak",
		"stylus": "stylus_worn", "deviation": "transmit_off", "charger": "adaptor_wrong", "optocoupler": "isolator_weak", "triac": "switch_stuck_on",
		"Elko": "capacitor_bulged", "Glaspilz": "lens_fungus", "Wackelkontakt": "cable_broken", "écran": "display_cracked", "ecran": "display_cracked",
		"condo": "capacitor_bulged", "pantalla": "touch_dead", "aguja": "stylus_worn", "hinchada": "cell_swollen",
	} {
		require.Contains(t, ids(typed), want, typed)
	}
	require.Equal(t, "cell_swollen", ids("battery")[0], "the dangerous one is not behind the harmless one")
	require.Greater(t, slices.Index(ids("battery"), "battery_worn"), slices.Index(ids("battery"), "cell_wet"))
	require.Equal(t, []string{"cell_swollen"}, ids("swol lith"))
	require.Equal(t, []string{"knob_missing"}, ids("knob_missing"))
	require.Contains(t, ids("screw"), "fastener_length")
	require.Empty(t, ids(""))
	require.Empty(t, ids("quartz elephant"))
	for _, f := range c.Findings {
		require.Equal(t, []string{f.ID}, ids(c.Say("en", f.ID).Term))
	}
}

func TestAShopsOwn(t *testing.T) {
	full := func(s string) FindingWords {
		return FindingWords{Term: s, Plain: s + " is there.", Matters: "It matters.", Remedy: "Renew it"}
	}
	own := Own{
		Findings: map[string]OwnFinding{
			"fader_worn":   {Group: "fault", Origin: "wear", Evidence: []string{"reading"}, Cautions: []string{"charged"}, EN: full("Worn fader"), FR: full("Curseur usé")},
			"flux_residue": {Weight: "cosmetic", EN: FindingWords{Matters: "We clean it in passing."}},
		},
		Duties: map[string]OwnRule{
			"fader":   {Found: []string{"fader_worn"}, Text: map[string]string{"en": "Renew both faders", "fr": "Remplacer les deux curseurs"}},
			"residue": {Found: []string{"flux_residue"}, Before: "shipped"},
		},
	}
	c, err := Standard().With(own, []string{"en", "fr"})
	require.NoError(t, err)
	require.Equal(t, "Curseur usé", c.Say("fr-CA", "fader_worn").Term)
	require.Equal(t, "Worn fader", c.Say("de", "fader_worn").Term, "English, where a language has none")
	require.Equal(t, "We clean it in passing.", c.Say("en", "flux_residue").Matters)
	require.Equal(t, Standard().Say("en", "flux_residue").Plain, c.Say("en", "flux_residue").Plain)
	require.Equal(t, "cosmetic", c.Finding("flux_residue").Weight)
	require.Equal(t, "seen", c.Finding("fader_worn").Certainty)
	require.Equal(t, []Rule{{ID: "fader", Before: "shipped", Found: []string{"fader_worn"}}}, c.RulesFor("fader_worn"))
	require.Equal(t, "Remplacer les deux curseurs", c.Duty("fr", "fader"))
	require.Empty(t, c.RulesAfter("soldered"), "the shop's rule stands for ours")
	require.Equal(t, Standard().Duty("en", "residue"), c.Duty("en", "residue"))
	require.Equal(t, "open", Standard().Finding("flux_residue").Weight, "the standard one is as it was")
	require.Nil(t, Standard().Finding("fader_worn"))

	// The rest of a catalogue: symptoms, suspects, steps, cautions and actions. What ours has gained since the shop
	// wrote its file is named, and the file holds.
	more := Own{
		Findings: map[string]OwnFinding{"lamp_house": {Cautions: []string{"arc_lamp"}, Origin: "accident", EN: full("Lamp house"), FR: full("Lanterne")}},
		Cautions: map[string]OwnCaution{"arc_lamp": {Owner: map[string]string{"en": "Please leave it shut.", "fr": "Laissez-la fermée."}, Bench: map[string]string{"en": "Cold, then shield and goggles."}}, "hot": {Bench: map[string]string{"en": "Wait an hour."}}},
		Actions:  map[string]OwnAction{"lamp_changed": {Text: map[string]string{"en": "A lamp was changed"}}},
		Steps:    map[string]OwnStep{"lamp_out": {Minutes: 5, Inside: "house_open", Does: "lamp_changed"}, "house_open": {Minutes: 20, Inside: "case_off", Risk: "breakage", Text: map[string]string{"en": "Lamp house open"}}, "case_off": {Minutes: 40}},
		Causes:   map[string]OwnCause{"lamp": {Minutes: 4, Wait: 30, Behind: "lamp_out", EN: CauseWords{"Lamp", "Swapped it"}, FR: CauseWords{"Lampe", "Échangée"}}, "fan": {Finds: 60}},
		Symptoms: map[string]OwnSymptom{"dark": {Causes: map[string]int{"lamp": 3, "fan": 1}, Cautions: []string{"arc_lamp"}, Text: map[string]string{"en": "No light"}}, "overheats": {Causes: map[string]int{"fan": 53, "battery": 0, "seen_damage": 15}}},
		Duties:   map[string]OwnRule{"cell": {Before: "at_once", Found: []string{"cell_swollen"}, NoPost: true}, "cool": {Symptoms: []string{"dark"}, Text: map[string]string{"en": "Let it cool", "fr": "Laisser refroidir"}}},
	}
	_, err = Standard().With(more, []string{"en", "fr"})
	require.ErrorContains(t, err, "step.lamp_out.text lacks “en”")
	more.Steps["lamp_out"] = OwnStep{Minutes: 5, Inside: "house_open", Does: "lamp_changed", Text: map[string]string{"en": "Lamp out"}}
	c, err = Standard().With(more, []string{"en", "fr"})
	require.NoError(t, err)
	require.Equal(t, []Step{{ID: "case_off", Minutes: 40}, {ID: "house_open", Minutes: 20, Inside: "case_off", Risk: "breakage"}, {ID: "lamp_out", Minutes: 5, Inside: "house_open", Does: "lamp_changed"}}, c.Path("lamp_out"))
	require.Equal(t, &Cause{ID: "lamp", Minutes: 4, Wait: 30, Behind: "lamp_out", Finds: 90, False: 3}, c.Cause("lamp"))
	require.Equal(t, "Échangée", c.SayCause("fr", "lamp").Check)
	require.Equal(t, []int{60, 97}, []int{c.Cause("fan").Finds, Standard().Cause("fan").Finds})
	require.Equal(t, map[string]int{"lamp": 75, "fan": 25}, c.Symptom("dark").Causes, "in percent")
	require.Equal(t, "No light", c.SaySymptom("fr", "dark"), "staff read English")
	require.NotContains(t, c.Symptom("overheats").Causes, "battery")
	require.Contains(t, Standard().Symptom("overheats").Causes, "battery")
	require.Equal(t, []string{"Laissez-la fermée.", "Cold, then shield and goggles.", "Wait an hour."}, []string{c.Caution("fr", "arc_lamp"), c.Care("en", "arc_lamp"), c.Care("en", "hot")})
	require.Equal(t, Standard().Caution("en", "hot"), c.Caution("en", "hot"))
	require.Equal(t, "cool", c.RulesOn("dark")[0].ID)
	require.True(t, c.Rule("cell").Domain, "the domain raises it still")
	require.Equal(t, []string{
		"finding.lamp_house.origin is “accident”, which says no more than “something sudden”: say “impact” or “electrical” where the marks tell",
		"duty.cell stands for ours, and its “found” leaves out what ours names: cell_pierced, cell_wet",
	}, c.Notes)
	require.Empty(t, Standard().Notes)

	one := func(id string, f OwnFinding) Own { return Own{Findings: map[string]OwnFinding{id: f}} }
	rule := func(id string, r OwnRule) Own { return Own{Duties: map[string]OwnRule{id: r}} }
	en := map[string]string{"en": "Do it", "fr": "Le faire"}
	for _, x := range []struct {
		own Own
		key string
	}{
		{one("Fader!", OwnFinding{}), "finding.Fader!"},
		{one("fader", OwnFinding{EN: full("Fader")}), "finding.fader.fr"},
		{one("fader", OwnFinding{FR: full("Curseur")}), "finding.fader.en"},
		{one("flux_residue", OwnFinding{Group: "faults"}), "finding.flux_residue.group"},
		{one("flux_residue", OwnFinding{Origin: "god"}), "finding.flux_residue.origin"},
		{one("flux_residue", OwnFinding{Weight: "heavy"}), "finding.flux_residue.weight"},
		{one("flux_residue", OwnFinding{Certainty: "sure"}), "finding.flux_residue.certainty"},
		{one("flux_residue", OwnFinding{Evidence: []string{"hearsay"}}), "finding.flux_residue.evidence"},
		{one("flux_residue", OwnFinding{Cautions: []string{"dragons"}}), "finding.flux_residue.cautions"},
		{one("flux_residue", OwnFinding{EN: FindingWords{Term: strings.Repeat("x", 61)}}), "finding.flux_residue.en.term"},
		{one("flux_residue", OwnFinding{ES: FindingWords{Plain: "a\nb"}}), "finding.flux_residue.es.plain"},
		{rule("Own", OwnRule{}), "duty.Own"},
		{rule("own", OwnRule{Text: en}), "duty.own"},
		{rule("own", OwnRule{Text: en, Found: []string{"nothing"}}), "duty.own.found"},
		{rule("own", OwnRule{Text: en, Done: []string{"danced"}}), "duty.own.done"},
		{rule("own", OwnRule{Text: en, Symptoms: []string{"sulks"}}), "duty.own.symptoms"},
		{Own{Symptoms: map[string]OwnSymptom{"dark": {Text: en}}}, "symptom.dark.causes"},
		{Own{Symptoms: map[string]OwnSymptom{"dark": {Causes: map[string]int{"moon": 1}, Text: en}}}, "symptom.dark.causes"},
		{Own{Symptoms: map[string]OwnSymptom{"dark": {Causes: map[string]int{"fan": -1}, Text: en}}}, "symptom.dark.causes"},
		{Own{Symptoms: map[string]OwnSymptom{"dark": {Causes: map[string]int{"fan": 1}}}}, "symptom.dark.text"},
		{Own{Symptoms: map[string]OwnSymptom{"noise": {Cautions: []string{"dragons"}}}}, "symptom.noise.cautions"},
		{Own{Causes: map[string]OwnCause{"lamp": {EN: CauseWords{"Lamp", "Swapped it"}}}}, "cause.lamp.fr"},
		{Own{Causes: map[string]OwnCause{"lamp": {}}}, "cause.lamp.en"},
		{Own{Causes: map[string]OwnCause{"fan": {EN: CauseWords{Name: "a\nb"}}}}, "cause.fan.en"},
		{Own{Causes: map[string]OwnCause{"fan": {Behind: "roof"}}}, "cause.fan.behind"},
		{Own{Causes: map[string]OwnCause{"fan": {Finds: 100}}}, "cause.fan.finds"},
		{Own{Causes: map[string]OwnCause{"fan": {False: 97}}}, "cause.fan.false"},
		{Own{Causes: map[string]OwnCause{"fan": {Minutes: -1}}}, "cause.fan.minutes"},
		{Own{Causes: map[string]OwnCause{"fan": {Wait: -1}}}, "cause.fan.wait"},
		{Own{Steps: map[string]OwnStep{"lid": {Text: en, Inside: "roof"}}}, "step.lid.inside"},
		{Own{Steps: map[string]OwnStep{"case_off": {Inside: "board_out"}}}, "step.case_off.inside"},
		{Own{Steps: map[string]OwnStep{"case_off": {Does: "danced"}}}, "step.case_off.does"},
		{Own{Steps: map[string]OwnStep{"case_off": {Risk: "fun"}}}, "step.case_off.risk"},
		{Own{Steps: map[string]OwnStep{"case_off": {Minutes: -1}}}, "step.case_off.minutes"},
		{Own{Cautions: map[string]OwnCaution{"arc": {Owner: map[string]string{"en": "Leave it."}}}}, "caution.arc.owner"},
		{Own{Cautions: map[string]OwnCaution{"arc": {Owner: en}}}, "caution.arc.bench"},
		{Own{Actions: map[string]OwnAction{"lamp": {}}}, "action.lamp.text"},
		{rule("own", OwnRule{Text: en, Done: []string{"soldered"}, Before: "lunch"}), "duty.own.before"},
		{rule("own", OwnRule{Text: en, Done: []string{"soldered"}, Before: "testing", Test: "Function"}), "duty.own.before"},
		{rule("own", OwnRule{Text: map[string]string{"en": "Do it"}, Done: []string{"soldered"}}), "duty.own.text"},
		{rule("own", OwnRule{Text: map[string]string{"la": "Fac"}, Done: []string{"soldered"}}), "duty.own.text"},
		{rule("own", OwnRule{Text: map[string]string{"en": strings.Repeat("x", 300)}, Done: []string{"soldered"}}), "duty.own.text.en"},
	} {
		_, err := Standard().With(x.own, []string{"en", "fr"})
		var place *PlaceError
		require.True(t, errors.As(err, &place), "%s: %v", x.key, err)
		require.Equal(t, x.key, place.Key, place.Reason)
	}
}

// The files say each thing once: decoding them loosely finds nothing that the types do not know.
func TestFilesHoldNothingElse(t *testing.T) {
	for name, into := range map[string]any{"trade.json": &Catalogue{}, "words.en.json": &words{}, "words.fr.json": &words{}, "words.de.json": &words{}, "words.es.json": &words{}} {
		b, err := files.ReadFile(name)
		require.NoError(t, err)
		d := json.NewDecoder(strings.NewReader(string(b)))
		d.DisallowUnknownFields()
		require.NoError(t, d.Decode(into), name)
	}
	require.Len(t, slices.Collect(maps.Keys(Standard().words)), len(Languages))
}
