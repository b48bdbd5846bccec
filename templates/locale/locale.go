// Package locale holds every word that a customer reads, and the ways in which a language writes
// numbers, dates, money and lists.
//
// Contract: a catalogue is a folder of JSON, key to text, where a key lies in the file of its first word:
// "mail.note" in en/mail.json. Places for values are written {0}, {1} and so on. A text that depends on a
// number is an object of CLDR plural forms ("one", "other" …), chosen by the value at {0} or, with "by",
// at another place. English is complete, always. [For] gives another language only if its catalogue is
// complete too, so that nobody is served a page in a mixture; [Missing] says what is still lacking. Texts
// hold no markup: pages escape them like any other text. A shop may say any of them in its own words: a
// [Set] is the catalogues of one shop.
//
// # Decisions
//
//   - 2026-11-25: Customers read refusals from the catalogue, by reason: [workflow.Error] carries a reason
//     and its values beside its English sentence, which staff, programs and logs keep. Rejected: finding the
//     translation by the English words, which a change of one word breaks in silence.
//   - 2026-11-25: A shop's own words are settings, tried at the counter. The page of words shows a text in an
//     email and on a page about a job that is played in memory, checks it, and prints the line for shop.toml.
//     Rejected: editing texts in the database, which no review sees and no backup of the settings holds.
//   - 2026-11-25: Whole millions have a plural form of their own in French and Spanish (CLDR since 38), which
//     x/text's tables (CLDR 32) do not know yet; it is added here.
package locale

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchword/workflow/money"

	"github.com/bojanz/currency"
	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"
)

//go:embed en fr de es
var files embed.FS

// Languages lists the languages that have a catalogue, English first.
var Languages = []string{"en", "fr", "de", "es"}

// Words is one language's catalogue. It is safe for concurrent use.
type Words struct {
	// Lang is the BCP 47 tag of the language that the words are in.
	Lang     string
	tag      language.Tag
	texts    map[string]text
	spare    *Words // where a text that is missing is taken from
	printer  *message.Printer
	currency currency.Locale
	weekday  string // the keys of the days' names, without the day
}

// text is one entry: the parts of a plain text, or one such list per plural form.
type text struct {
	parts []part
	forms map[plural.Form][]part
	by    int
}

// part is a piece of literal text, or, with arg >= 0, a place for a value.
type part struct {
	literal string
	arg     int
}

var formOrder = []string{"zero", "one", "two", "few", "many", "other"}

var formNames = map[string]plural.Form{
	"zero": plural.Zero, "one": plural.One, "two": plural.Two, "few": plural.Few, "many": plural.Many, "other": plural.Other,
}

var place = regexp.MustCompile(`\{(\d)\}`)

var all = load()

func load() map[string]*Words {
	out := map[string]*Words{}
	for _, lang := range Languages {
		w, err := read(lang)
		if err != nil {
			panic("locale: " + err.Error())
		}
		w.spare = out["en"]
		out[lang] = w
	}
	return out
}

// read reads the files of a language.
func read(lang string) (*Words, error) {
	tag, err := language.Parse(lang)
	if err != nil {
		return nil, err
	}
	w := &Words{Lang: lang, tag: tag, texts: map[string]text{}, printer: message.NewPrinter(tag), currency: currency.NewLocale(lang), weekday: "weekday."}
	names, err := fs.Glob(files, lang+"/*.json")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		b, err := files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		if err := w.parse(b); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return w, nil
}

func (w *Words) parse(b []byte) error {
	raw := map[string]Wording{}
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	for key, v := range raw {
		if _, twice := w.texts[key]; twice {
			return fmt.Errorf("%s stands in another file already", key)
		}
		t, err := v.text()
		if err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
		w.texts[key] = t
	}
	return nil
}

func split(s string) []part {
	out := []part{}
	for {
		at := place.FindStringSubmatchIndex(s)
		if at == nil {
			break
		}
		if at[0] > 0 {
			out = append(out, part{literal: s[:at[0]], arg: -1})
		}
		n, _ := strconv.Atoi(s[at[2]:at[3]])
		out = append(out, part{arg: n})
		s = s[at[1]:]
	}
	if s != "" || len(out) == 0 {
		out = append(out, part{literal: s, arg: -1})
	}
	return out
}

// For returns the words of a language ("fr", "fr-CA"), English if there is no complete catalogue for it.
func For(lang string) *Words { return (*Set)(nil).For(lang) }

// Draft returns the words of a language however incomplete; what is missing is English. It is for looking
// at a translation while it grows. It returns nil for an unknown language.
func Draft(lang string) *Words { return all[lang] }

var complete = func() map[string]bool {
	out := map[string]bool{}
	for _, lang := range Languages {
		out[lang] = len(Missing(lang)) == 0
	}
	return out
}()

// Missing lists the keys that English has and the language lacks, in order.
func Missing(lang string) []string { return missing(all[lang]) }

func missing(w *Words) []string {
	var out []string
	for _, key := range Keys() {
		if _, ok := w.texts[key]; !ok {
			out = append(out, key)
		}
	}
	return out
}

// Keys lists every key of the English catalogue, in order.
func Keys() []string { return slices.Sorted(maps.Keys(all["en"].texts)) }

// Has reports whether there is a text for the key.
func (w *Words) Has(key string) bool {
	_, ok := w.texts[key]
	return ok || w.spare != nil && w.spare.Has(key)
}

// T returns the text for a key with the values in their places: strings as they are, whole numbers grouped
// as the language does, [money.Amount] as [Words.Money] has it, anything else as it prints. A key that
// does not exist gives the key in brackets; tests see to it that no page uses one.
func (w *Words) T(key string, args ...any) string {
	t, ok := w.texts[key]
	if !ok {
		if w.spare != nil {
			return w.spare.T(key, args...)
		}
		return "[" + key + "]"
	}
	parts := t.parts
	if t.forms != nil {
		parts = t.forms[plural.Other]
		if t.by < len(args) {
			if n, ok := whole(args[t.by]); ok {
				if p := t.forms[w.form(n)]; p != nil {
					parts = p
				}
			}
		}
	}
	if len(parts) == 1 && parts[0].arg < 0 {
		return parts[0].literal
	}
	var b strings.Builder
	for _, p := range parts {
		switch {
		case p.arg < 0:
			b.WriteString(p.literal)
		case p.arg < len(args):
			b.WriteString(w.value(args[p.arg]))
		}
	}
	return b.String()
}

// form returns the CLDR plural form of a whole number. The tables of x/text are those of CLDR 32; since then
// French and Spanish have a form of their own for whole millions ("un million de jours").
func (w *Words) form(n int64) plural.Form {
	if n < 0 {
		n = -n
	}
	if n != 0 && n%1e6 == 0 && (w.Lang == "fr" || w.Lang == "es") {
		return plural.Many
	}
	return plural.Cardinal.MatchPlural(w.tag, int(n%1e9), 0, 0, 0, 0)
}

func whole(v any) (int64, bool) {
	switch n := v.(type) {
	case int:
		return int64(n), true
	case int64:
		return n, true
	}
	return 0, false
}

func (w *Words) value(v any) string {
	switch x := v.(type) {
	case string:
		return x
	case money.Amount:
		return w.Money(x)
	case fmt.Stringer:
		return x.String()
	}
	if n, ok := whole(v); ok {
		return w.Number(n)
	}
	return fmt.Sprint(v)
}

// Number writes a whole number as the language groups it: 12,500. The Spanish of Spain leaves four digits
// together; French puts the narrow space between groups that its sums have.
func (w *Words) Number(n int64) string {
	if w.tag == language.Spanish && -10_000 < n && n < 10_000 {
		return strconv.FormatInt(n, 10)
	}
	s := w.printer.Sprint(number.Decimal(n))
	if w.Lang == "fr" {
		s = strings.ReplaceAll(s, "\u00a0", "\u202f")
	}
	return s
}

// Decimal writes an exact decimal with the language's decimal sign and grouping, keeping its decimals.
func (w *Words) Decimal(d money.Decimal) string {
	whole, rest, cut := strings.Cut(d.String(), ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return d.String()
	}
	s := w.Number(n)
	if n == 0 && strings.HasPrefix(whole, "-") {
		s = "-" + s
	}
	if cut {
		s += w.T("number.point") + rest
	}
	return s
}

// Money writes an amount as the language does, with the currency's symbol and all its decimals, by
// Unicode CLDR: "CA$1,250.00". The zero value, which has no currency, is "".
func (w *Words) Money(a money.Amount) string {
	if a.Currency == "" {
		return ""
	}
	x, err := currency.NewAmount(a.Plain(), string(a.Currency))
	if err != nil {
		return strings.ReplaceAll(a.String(), " ", "\u00a0")
	}
	f := currency.NewFormatter(w.currency)
	exp, _ := a.Currency.Exponent()
	f.MinDigits, f.MaxDigits = uint8(exp), uint8(exp)
	return strings.ReplaceAll(f.Format(x), "'", "’") // Swiss thousands
}

// List writes "a, b and c".
func (w *Words) List(items []string) string {
	switch n := len(items); n {
	case 0:
		return ""
	case 1:
		return items[0]
	default:
		first, last := strings.Join(items[:n-1], w.T("list.between")), items[n-1]
		if w.Lang == "es" && soundsI(last) {
			return first + " e " + last
		}
		return w.T("list.last", first, last)
	}
}

// Named puts a name before its value, with the language's colon; without a value it ends with the colon.
func (w *Words) Named(name, value string) string {
	return strings.TrimRight(w.T("mail.photo.labelled", name, value), " ")
}

// Capital returns a text with a capital letter at its beginning.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// soundsI reports whether a Spanish word begins with the sound of i, before which "y" becomes "e".
func soundsI(s string) bool {
	s = strings.ToLower(s)
	if rest, ok := strings.CutPrefix(s, "hi"); ok {
		return !strings.HasPrefix(rest, "a") && !strings.HasPrefix(rest, "e")
	}
	return strings.HasPrefix(s, "i") || strings.HasPrefix(s, "í") || strings.HasPrefix(s, "hí")
}
