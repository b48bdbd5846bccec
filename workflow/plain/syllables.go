package plain

import (
	"regexp"
	"strings"

	"golang.org/x/text/unicode/norm"
)

// Syllables counts a word's syllables by rule: at least one.
func Syllables(word, lang string) int {
	n := 0
	for _, part := range strings.FieldsFunc(norm.NFC.String(strings.ToLower(word)), func(r rune) bool { return r == '-' }) {
		if count := counters[base(lang)]; count != nil {
			n += max(count(part), 1)
		} else {
			n += max(len(groups(part, "aeiouyáéíóúàèìòùâêîôûäëïöüãõåæœø")), 1)
		}
	}
	return max(n, 1)
}

var counters = map[string]func(string) int{"en": english, "fr": french, "de": german, "es": spanish}

// groups returns the runs of vowels.
func groups(w, vowels string) []string {
	return strings.FieldsFunc(w, func(r rune) bool { return !strings.ContainsRune(vowels, r) })
}

// English: vowel groups, less the letters that are written and not spoken, plus those groups that are
// spoken apart.
var (
	enSilent = regexp.MustCompile(`([^aeiouylr]|[aeiouy][lr]|rl|[lr]{2})es?$|[^aeiouytd]ed$|[aeiouy][td]?[^aeiouytd]ed$|ely$|eness$|eful|eless|ement|[^aeiou]ework`)
	enSpoken = regexp.MustCompile(`[^aeiouy]les?$|[^aeioul]led$|([sxz]|[cs]h|[cg])es$|[td]ed$|^mc|isms?$|iest|ier$`)
	enApart  = regexp.MustCompile(`[iy]a(?:$|[^i])|io(?:$|[^nu])|[^tscgnlx]ion|ious?$|ua(?:$|[^r])|uou|[aeiou]ing|eo(?:$|[^u])|iu|ia[nl]|[^q]ui[tn]|created?|reate|oe[td]$|quie|ienc|ient`)
	enMerged = regexp.MustCompile(`[ctsg]i[aoue]|geo|eop|gu[aeiy]|qu|tion|sion|cial|tial|cious|tious`)
)

func english(w string) int {
	w = strings.Trim(w, "'’")
	if t, ok := strings.CutSuffix(strings.ReplaceAll(w, "’", "'"), "'s"); ok {
		w = t
	}
	w = strings.ReplaceAll(w, "'", "")
	if len(w) <= 3 {
		n := len(groups(w, "aeiouy"))
		if n > 1 && w[2] == 'e' { // use, are
			n--
		}
		return max(n, 1)
	}
	n := len(groups(w, "aeiouy"))
	if enSilent.MatchString(w) && !enSpoken.MatchString(w) {
		n--
	}
	rest := enMerged.ReplaceAllString(w, "-")
	n += len(enApart.FindAllString(rest, -1))
	return max(n, 1)
}

// French: vowel groups; a final e, es or ent of a verb is silent; é and the trema part a group.
var (
	frSilent = regexp.MustCompile(`[^aeiouyéèêëàâîïôûùœ]es?$|[iouéy]es?$|[aeiou][^aeiouéèê]+ent$`)
	frApart  = regexp.MustCompile(`[aeiou][ïëéèü]|é[aoiué]|[^qg]u[aéèo]|i[oa]n?[^n]?i|o[eé]`)
)

func french(w string) int {
	if i := strings.LastIndexAny(w, "'’"); i >= 0 { // l’écran: the elided word has no syllable
		w = strings.TrimLeft(w[i:], "'’")
	}
	w = strings.ReplaceAll(strings.ReplaceAll(w, "qu", "q"), "gu", "g")
	n := len(groups(w, "aeiouyéèêëàâîïôûùœ"))
	if len(groups(w, "aeiouyéèêëàâîïôûùœ")) > 1 && frSilent.MatchString(w) && !regexp.MustCompile(`[iouéy]es?$`).MatchString(w) {
		n--
	}
	return max(n+len(frApart.FindAllString(w, -1)), 1)
}

// German: vowel groups, where only the diphthongs and doubled letters are one sound.
var deOne = strings.NewReplacer("ie", "i", "ei", "i", "ai", "i", "au", "a", "äu", "a", "eu", "e", "aa", "a", "ee", "e", "oo", "o", "qu", "q", "ey", "e", "ay", "a", "oy", "o")

func german(w string) int {
	n := 0
	for _, r := range deOne.Replace(w) {
		if strings.ContainsRune("aeiouyäöüéèà", r) {
			n++
		}
	}
	return n
}

// Spanish: two strong vowels are two syllables, a weak one joins its neighbour unless it is accented.
func spanish(w string) int {
	w = strings.NewReplacer("que", "ke", "qui", "ki", "qué", "ké", "quí", "kí", "gue", "ge", "gui", "gi", "gué", "gé", "guí", "gí").Replace(w)
	n, last := 0, rune(0)
	for i, r := range w {
		vowel := strings.ContainsRune("aeiouáéíóúü", r) || r == 'y' && i == len(w)-1
		if vowel {
			strong := func(r rune) bool { return strings.ContainsRune("aeoáéóíú", r) }
			if last == 0 || strong(last) && strong(r) {
				n++
			}
			last = r
		} else if r != 'h' || last == 0 {
			last = 0
		}
	}
	return n
}
