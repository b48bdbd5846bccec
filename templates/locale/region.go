package locale

import (
	"maps"
	"slices"
	"strings"

	"github.com/bojanz/currency"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
)

// region is how a country writes one of our languages where that differs: the tag whose numbers and money it is
// read by, the decimal sign, and words that are said otherwise there.
type region struct {
	tag, point string
	words      *strings.Replacer
}

// regions are by country (ISO 3166) and language. Sums are by Unicode CLDR; words by the usage of the place.
var regions = map[string]map[string]region{
	"CA": {"fr": {"fr-CA", ",", strings.NewReplacer("cet e-mail", "ce courriel", "l’e-mail", "le courriel", "d’e-mail", "de courriel", "E-mail", "Courriel", "e-mail", "courriel")}},
	"CH": {
		"de": {"de-CH", ".", strings.NewReplacer("ß", "ss", "„", "«", "“", "»")},
		"fr": {"fr-CH", ",", nil},
	},
	"GB": {"en": {"en-GB", ".", nil}},
	"MX": {"es": {"es-MX", ".", spanishThere}},
	"US": {"es": {"es-US", ".", spanishThere}},
}

var spanishThere = strings.NewReplacer("u ordenador", "o computadora", "ordenador", "computadora", "fichero", "archivo")

// In returns the catalogues as a country writes them: its numbers, its sums, its words. Texts in the shop's own
// words stay as the shop wrote them.
func (s *Set) In(country string) *Set {
	if regions[country] == nil {
		return s
	}
	out := &Set{own: map[string]*Words{}}
	if s != nil {
		out.own = maps.Clone(s.own)
	}
	for lang, r := range regions[country] {
		w := *s.For(lang)
		w.tag = language.MustParse(r.tag)
		w.printer, w.currency = message.NewPrinter(w.tag), currency.NewLocale(r.tag)
		w.texts = maps.Clone(w.texts)
		for key, t := range all[lang].texts {
			if r.words != nil && s.usual(lang, key) {
				w.texts[key] = t.with(r.words)
			}
		}
		w.texts["number.point"] = text{parts: split(r.point)}
		out.own[lang] = &w
	}
	return out
}

// usual reports whether a text is in this package's words.
func (s *Set) usual(lang, key string) bool {
	return s == nil || s.own[lang] == nil || s.own[lang].Wording(key).String() == all[lang].Wording(key).String()
}

// with returns a text with words replaced.
func (t text) with(words *strings.Replacer) text {
	other := func(parts []part) []part {
		out := slices.Clone(parts)
		for i := range out {
			out[i].literal = words.Replace(out[i].literal)
		}
		return out
	}
	out := text{parts: other(t.parts), by: t.by}
	if t.forms != nil {
		out.forms = maps.Clone(t.forms)
		for f, parts := range t.forms {
			out.forms[f] = other(parts)
		}
	}
	return out
}
