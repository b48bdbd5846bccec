package locale

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/feature/plural"
)

// Set is the catalogues of one shop: the texts of this package, some of them in the shop's own words.
// Nil is the package's texts as they are. It is safe for concurrent use.
type Set struct{ own map[string]*Words }

// For returns the words of a language ("fr", "fr-CA"), English if there is no complete catalogue for it.
func (s *Set) For(lang string) *Words {
	base, _, _ := strings.Cut(strings.ToLower(lang), "-")
	if !complete[base] {
		base = "en"
	}
	if s != nil && s.own[base] != nil {
		return s.own[base]
	}
	return all[base]
}

// Wording is a text as catalogues and settings write it, with its places {0}, {1} …: a plain Text, or
// Forms, one for each plural form ("one", "other" …), chosen by the value at the place By.
type Wording struct {
	Text  string
	Forms map[string]string
	By    int
}

// UnmarshalJSON reads a text, or an object of plural forms.
func (x *Wording) UnmarshalJSON(b []byte) error {
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	return x.UnmarshalTOML(v)
}

// UnmarshalTOML reads a text, or a table of plural forms.
func (x *Wording) UnmarshalTOML(v any) error {
	*x = Wording{}
	switch v := v.(type) {
	case string:
		x.Text = v
		return nil
	case map[string]any:
		x.Forms = map[string]string{}
		for name, form := range v {
			s, ok := form.(string)
			switch {
			case !ok:
				return fmt.Errorf("the form %q is no text", name)
			case name == "by":
				n, err := strconv.Atoi(s)
				if err != nil {
					return fmt.Errorf("“by” names no place")
				}
				x.By = n
			default:
				x.Forms[name] = s
			}
		}
		return nil
	}
	return fmt.Errorf("it is neither a text nor a table of plural forms")
}

// String writes the wording as a settings file has it.
func (x Wording) String() string {
	if x.Forms == nil {
		return strconv.Quote(x.Text)
	}
	var forms []string
	for _, name := range x.FormNames() {
		forms = append(forms, name+" = "+strconv.Quote(x.Forms[name]))
	}
	return "{ " + strings.Join(forms, ", ") + " }"
}

// FormNames lists the plural forms that there are, "other" last.
func (x Wording) FormNames() []string {
	return slices.DeleteFunc(slices.Clone(formOrder), func(name string) bool { _, ok := x.Forms[name]; return !ok })
}

func (x Wording) text() (text, error) {
	if x.Forms == nil {
		return text{parts: split(x.Text)}, nil
	}
	t := text{forms: map[plural.Form][]part{}, by: x.By}
	for name, s := range x.Forms {
		f, ok := formNames[name]
		if !ok {
			return t, fmt.Errorf("there is no plural form %q", name)
		}
		t.forms[f] = split(s)
	}
	if t.forms[plural.Other] == nil {
		return t, fmt.Errorf("the form “other” is missing")
	}
	return t, nil
}

// Wording returns the text of a key as it is written, the zero value for a key that does not exist.
func (w *Words) Wording(key string) Wording {
	t, ok := w.texts[key]
	if !ok {
		if w.spare != nil {
			return w.spare.Wording(key)
		}
		return Wording{}
	}
	if t.forms == nil {
		return Wording{Text: join(t.parts)}
	}
	out := Wording{Forms: map[string]string{}, By: t.by}
	for name, f := range formNames {
		if parts, ok := t.forms[f]; ok {
			out.Forms[name] = join(parts)
		}
	}
	return out
}

func join(parts []part) string {
	var b strings.Builder
	for _, p := range parts {
		if b.WriteString(p.literal); p.arg >= 0 {
			fmt.Fprintf(&b, "{%d}", p.arg)
		}
	}
	return b.String()
}

// MaxWording is how many characters a shop's own text may have.
const MaxWording = 1000

// WordingError says which text of a shop's own is not right, and why.
type WordingError struct {
	Lang, Key string
	// Wrong says what is wrong and what to do; Example is the usual text, as a line of the settings.
	Wrong, Example string
}

func (e *WordingError) Error() string {
	s := fmt.Sprintf("words.%s, %q: %s", e.Lang, e.Key, e.Wrong)
	if e.Example != "" {
		s += " Example: " + e.Example
	}
	return s
}

// Reworded returns the catalogues with a shop's own texts in place of the usual ones: language to key to
// text. An error is a [*WordingError]: each text must be one that exists, have every place that the
// usual one has and no other, and every plural form that its language needs.
func Reworded(texts map[string]map[string]Wording) (*Set, error) {
	s := &Set{own: map[string]*Words{}}
	for _, lang := range slices.Sorted(maps.Keys(texts)) {
		usual, ok := all[lang]
		if !ok {
			return nil, &WordingError{Lang: lang, Wrong: "there is no such language; there are " + strings.Join(Languages, ", ") + "."}
		}
		own := *usual
		own.texts = maps.Clone(usual.texts)
		for _, key := range slices.Sorted(maps.Keys(texts[lang])) {
			t, wrong := usual.reword(key, texts[lang][key])
			if wrong != "" {
				e := &WordingError{Lang: lang, Key: key, Wrong: wrong}
				if usual.Has(key) {
					e.Example = strconv.Quote(key) + " = " + usual.Wording(key).String()
				}
				return nil, e
			}
			own.texts[key] = t
		}
		s.own[lang] = &own
	}
	return s, nil
}

// With returns the catalogues with one more text in other words. An error is a [*WordingError].
func (s *Set) With(lang, key string, x Wording) (*Set, error) {
	one, err := Reworded(map[string]map[string]Wording{lang: {key: x}})
	if err != nil {
		return nil, err
	}
	out := &Set{own: map[string]*Words{}}
	if s != nil {
		out.own = maps.Clone(s.own)
	}
	w := *s.For(lang)
	w.texts = maps.Clone(w.texts)
	w.texts[key] = one.own[lang].texts[key]
	out.own[lang] = &w
	return out, nil
}

var anyPlace = regexp.MustCompile(`\{[^{}]*\}|[{}]`)

// reword holds a shop's text to the usual one, and says what is wrong with it.
func (w *Words) reword(key string, x Wording) (t text, wrong string) {
	usual, ok := w.texts[key]
	switch {
	case !ok:
		return t, "there is no such text; “benchword words” lists them. Keys stand in quotation marks."
	case usual.forms == nil && x.Forms != nil:
		return t, "this text has no plural forms; write it as one text."
	case usual.forms != nil && x.Forms == nil:
		return t, "this text changes with a number, so it needs its plural forms: " + strings.Join(w.formsOf(usual), ", ") + "."
	}
	x.By = usual.by
	t, err := x.text()
	if err != nil {
		return t, err.Error() + "."
	}
	need := func(parts []part, name string, all bool) string {
		s := join(parts)
		switch n := utf8.RuneCountInString(s); {
		case strings.TrimSpace(s) == "":
			return name + " is empty."
		case n > MaxWording:
			return fmt.Sprintf("%s is too long: %d characters, at most %d fit.", name, n, MaxWording)
		case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == utf8.RuneError }):
			return name + " holds a line break or another control character; write it in one line."
		}
		must := places(usual)
		for _, p := range anyPlace.FindAllString(s, -1) {
			m := place.FindStringSubmatch(p)
			if m == nil || !must[int(m[1][0]-'0')] {
				return fmt.Sprintf("%s has the place %s, which this text does not have.", name, p)
			}
		}
		got := places(text{parts: parts})
		for _, n := range slices.Sorted(maps.Keys(must)) {
			// "One photo" may leave the number out.
			if !got[n] && (all || n != usual.by) {
				return fmt.Sprintf("%s lacks the place {%d}, where a value of the job goes.", name, n)
			}
		}
		return ""
	}
	if usual.forms == nil {
		return t, need(t.parts, "the text", true)
	}
	for _, name := range w.formsOf(usual) {
		parts, ok := t.forms[formNames[name]]
		if !ok {
			return t, "the form “" + name + "” is missing; this language needs " + strings.Join(w.formsOf(usual), ", ") + "."
		}
		if wrong := need(parts, "the form “"+name+"”", name == "other"); wrong != "" {
			return t, wrong
		}
	}
	return t, ""
}

// formsOf lists the plural forms of a text, "other" last.
func (w *Words) formsOf(t text) []string {
	var out []string
	for _, name := range formOrder {
		if t.forms[formNames[name]] != nil {
			out = append(out, name)
		}
	}
	return out
}

// places lists which values a text uses.
func places(x text) map[int]bool {
	out := map[int]bool{}
	add := func(parts []part) {
		for _, p := range parts {
			if p.arg >= 0 {
				out[p.arg] = true
			}
		}
	}
	add(x.parts)
	for _, f := range x.forms {
		add(f)
	}
	return out
}
