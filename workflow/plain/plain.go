// Package plain looks at a text for its reader: how hard it is to read, by a published measure for its
// language, and which of its words blame somebody or are jargon.
//
// Measures (all from memory but the first two, whose published rows the tests hold to):
//
//	en  Flesch reading ease, 206.835 - 1.015 W/S - 84.6 Y/W (Flesch 1948); and the Flesch-Kincaid grade, 0.39 W/S + 11.8 Y/W - 15.59 (Kincaid et al. 1975)
//	fr  Kandel and Moles, 207 - 1.015 W/S - 73.6 Y/W (1958)
//	de  Amstad, 180 - W/S - 58.5 Y/W (1978)
//	es  Szigriszt-Pazos, 206.835 - W/S - 62.3 Y/W (1993)
//
// with W words, S sentences and Y syllables. All of them give about 0 for what hardly anybody reads with
// ease and 100 for what a child does. They count, they do not understand: a text can score well and say
// nothing. Syllables are counted by rule, not looked up; that is off by a few in a hundred (see the tests).
//
// # Decisions
//
//   - 2026-11-25: Syllables are counted by rule: in English they agree with the CMU dictionary for 97 in 100
//     of the words that our texts use. Rejected: carrying a dictionary of 130,000 words.
package plain

import (
	_ "embed"
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// LongSentence is how many words a sentence may have (GOV.UK splits sentences over 25 words; the
// Australian Style Manual says 25 at most and 15 on average).
const LongSentence = 25

// Easy is the reading ease that a notice should have at least (SSA POMS: 50 to 60).
const Easy = 55

// Counts is what a measure is taken over.
type Counts struct{ Sentences, Words, Syllables int }

// Measure is how hard a text is to read.
type Measure struct {
	Counts
	// Name is whose measure Ease is: "Flesch".
	Name string
	// Ease goes from about 0, very hard, to about 100, very easy.
	Ease float64
	// Grade is the American school year that reads it, in English only; HasGrade says whether it is there.
	Grade    float64
	HasGrade bool
}

// measures by language: per word of a sentence, per syllable of a word, and what both are taken from.
var measures = map[string]struct {
	name                     string
	from, sentence, syllable float64
}{
	"en": {"Flesch", 206.835, 1.015, 84.6},
	"fr": {"Kandel and Moles", 207, 1.015, 73.6},
	"de": {"Amstad", 180, 1, 58.5},
	"es": {"Szigriszt-Pazos", 206.835, 1, 62.3},
}

// Of measures counts by the formulas of a language; ok is false for a language without one, or no words.
func Of(c Counts, lang string) (m Measure, ok bool) {
	f, known := measures[base(lang)]
	if !known || c.Words == 0 || c.Sentences == 0 {
		return Measure{Counts: c}, false
	}
	perSentence, perWord := float64(c.Words)/float64(c.Sentences), float64(c.Syllables)/float64(c.Words)
	m = Measure{Counts: c, Name: f.name, Ease: f.from - f.sentence*perSentence - f.syllable*perWord}
	if base(lang) == "en" {
		m.Grade, m.HasGrade = 0.39*perSentence+11.8*perWord-15.59, true
	}
	return m, true
}

// Read counts a text and measures it.
func Read(text, lang string) (Measure, bool) { return Of(Count(text, lang), lang) }

// WordsPerSentence is the average, rounded.
func (c Counts) WordsPerSentence() int {
	return int(math.Round(float64(c.Words) / float64(max(c.Sentences, 1))))
}

func base(lang string) string {
	b, _, _ := strings.Cut(strings.ToLower(lang), "-")
	return b
}

// Count counts sentences, words and syllables. What has no letter, a figure or a sign, is no word; a
// number is spoken, but nobody knows in how many syllables, so it is left out of all three.
func Count(text, lang string) Counts {
	var c Counts
	for _, s := range Sentences(text) {
		n := 0
		for _, w := range Words(s) {
			n++
			c.Syllables += Syllables(w, lang)
		}
		if n > 0 {
			c.Sentences++
			c.Words += n
		}
	}
	return c
}

var sentenceEnd = regexp.MustCompile(`[.!?…]+["”’»“)]*(\s+|$)|\n+`)

// Sentences parts a text. A line of its own is a sentence, with or without a full stop.
func Sentences(text string) []string {
	var out []string
	for _, s := range sentenceEnd.Split(text, -1) {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Words returns the words of a text that have a letter. An apostrophe or hyphen inside a word is part of it.
func Words(text string) []string {
	return slices.DeleteFunc(strings.FieldsFunc(text, func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsMark(r) && !unicode.IsDigit(r) && r != '\'' && r != '’' && r != '-'
	}), func(w string) bool { return !strings.ContainsFunc(w, unicode.IsLetter) })
}

// Note is something that a reader will stumble over.
type Note struct {
	Kind Kind
	// Words are those meant; for a long sentence, its first ones.
	Words string
	// Plain is what to say instead of jargon; Length is how many words a long sentence has.
	Plain  string
	Length int
}

// Kind says what is the matter.
type Kind string

const (
	Blame  Kind = "blame"
	Jargon Kind = "jargon"
	Long   Kind = "long"
)

//go:embed words.json
var wordsFile []byte

// lists are the words of each language: those that blame, and jargon with its plain word. Common practice
// of the trade, no source; the file is there to be added to.
var lists = func() map[string]struct {
	Blame  []string          `json:"blame"`
	Jargon map[string]string `json:"jargon"`
	blame  *regexp.Regexp
	jargon *regexp.Regexp
} {
	out := map[string]struct {
		Blame  []string          `json:"blame"`
		Jargon map[string]string `json:"jargon"`
		blame  *regexp.Regexp
		jargon *regexp.Regexp
	}{}
	if err := json.Unmarshal(wordsFile, &out); err != nil {
		panic("plain: words.json: " + err.Error())
	}
	for lang, l := range out {
		l.blame = matcher(l.Blame)
		var terms []string
		for t := range l.Jargon {
			terms = append(terms, t)
		}
		l.jargon = matcher(terms)
		out[lang] = l
	}
	return out
}()

// matcher finds whole words, longest first, whatever their case and spacing. \b knows ASCII letters only.
func matcher(terms []string) *regexp.Regexp {
	terms = slices.Clone(terms)
	slices.SortFunc(terms, func(a, b string) int { return len(b) - len(a) })
	for i, t := range terms {
		terms[i] = strings.ReplaceAll(regexp.QuoteMeta(t), " ", `\s+`)
	}
	return regexp.MustCompile(`(?i)(?:^|[^\p{L}\p{N}])(` + strings.Join(terms, "|") + `)(?:$|[^\p{L}\p{N}])`)
}

// find returns each term once, as the list spells it.
func find(r *regexp.Regexp, text string) []string {
	var out []string
	for text != "" {
		m := r.FindStringSubmatchIndex(text)
		if m == nil {
			break
		}
		term := strings.ToLower(strings.Join(strings.Fields(text[m[2]:m[3]]), " "))
		if !slices.Contains(out, term) {
			out = append(out, term)
		}
		text = text[m[3]:]
	}
	return out
}

// Notes looks at a text: words of blame, jargon that is not explained, sentences that are too long. Jargon
// counts as explained where its plain word is in the same text.
func Notes(text, lang string) []Note {
	var out []Note
	if l, ok := lists[base(lang)]; ok {
		for _, w := range find(l.blame, text) {
			out = append(out, Note{Kind: Blame, Words: w})
		}
		for _, w := range find(l.jargon, text) {
			say := l.Jargon[w]
			if !strings.Contains(strings.ToLower(text), strings.ToLower(say)) {
				out = append(out, Note{Kind: Jargon, Words: w, Plain: say})
			}
		}
	}
	for _, s := range Sentences(text) {
		if words := strings.Fields(s); len(words) > LongSentence {
			out = append(out, Note{Kind: Long, Words: strings.Join(words[:6], " "), Length: len(words)})
		}
	}
	return out
}
