package locale

import (
	"encoding/json"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/workflow/money"

	"github.com/go-playground/locales"
	"github.com/go-playground/locales/de"
	"github.com/go-playground/locales/en_GB"
	"github.com/go-playground/locales/es"
	"github.com/go-playground/locales/fr"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// oracles are somebody else's copy of Unicode CLDR.
var oracles = map[string]locales.Translator{"en": en_GB.New(), "fr": fr.New(), "de": de.New(), "es": es.New()}

func TestNamesOfDaysAndMonths(t *testing.T) {
	for lang, o := range oracles {
		w := Draft(lang)
		for d := time.Sunday; d <= time.Saturday; d++ {
			require.Equal(t, o.WeekdayWide(d), w.Weekday(d), lang)
			// Editions of CLDR differ in the point after a short name in Spanish.
			require.Equal(t, strings.TrimSuffix(o.WeekdayAbbreviated(d), "."), strings.TrimSuffix(w.T("weekday.short."+weekdays[d]), "."), lang)
		}
		for m := time.January; m <= time.December; m++ {
			at := time.Date(2026, m, 9, 12, 0, 0, 0, time.UTC)
			require.Equal(t, o.MonthWide(m), w.T("month."+at.Format("01")), lang)
			// Day, month and year are in CLDR's order, whatever else a long date has.
			long, ours := o.FmtDateLong(at), w.Date(at, time.UTC)
			for _, piece := range []string{"9", o.MonthWide(m), "2026"} {
				require.Contains(t, long, piece)
			}
			require.True(t, strings.HasSuffix(ours, long), "%s: %q does not end with %q", lang, ours, long)
		}
	}
}

// The groups and decimal signs of numbers.
func TestNumbers(t *testing.T) {
	for lang, o := range oracles {
		w := Draft(lang)
		for _, n := range []int64{0, 7, 999, 12345, 1234567} {
			require.Equal(t, spaces(o.FmtNumber(float64(n), 0)), spaces(w.Number(n)), lang)
		}
		require.Equal(t, spaces(o.FmtNumber(12345.25, 2)), spaces(w.Decimal(money.MustDecimal("12345.25"))), lang)
		require.Equal(t, "-0"+w.T("number.point")+"5", w.Decimal(money.MustDecimal("-0.5")), lang)
	}
}

// spaces takes the several kinds of narrow and no-break space for one: editions of CLDR differ in them.
func spaces(s string) string {
	return strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
}

// Forms for some numbers, from the CLDR table "Language Plural Rules" (cardinal).
func TestPluralForms(t *testing.T) {
	require.Equal(t, []string{"0 days", "1 day", "2 days"}, days("en"))
	require.Equal(t, []string{"0 jour", "1 jour", "2 jours"}, days("fr"))
	require.Equal(t, []string{"0 Tage", "1 Tag", "2 Tage"}, days("de"))
	require.Equal(t, []string{"0 días", "1 día", "2 días"}, days("es"))
	require.Equal(t, "1 000 000 de jours", spaces(For("fr").T("duration.days", 1_000_000)))
	require.Equal(t, "1.000.000 de días", For("es").T("duration.days", 1_000_000))
}

func days(lang string) []string {
	w := Draft(lang)
	return []string{w.T("duration.days", 0), w.T("duration.days", 1), w.T("duration.days", 2)}
}

func amount(t testing.TB, s string, c money.Currency) money.Amount {
	a, err := money.Parse(s, c)
	require.NoError(t, err)
	return a
}

func TestMoney(t *testing.T) {
	for _, row := range []struct {
		lang, amount string
		cur          money.Currency
		want         string
	}{
		{"en", "1250.00", "CAD", "CA$1,250.00"},
		{"en", "-0.05", "EUR", "-€0.05"},
		{"en", "8000", "JPY", "¥8,000"},
		{"en", "8.005", "KWD", "KWD 8.005"},
		{"fr", "1250.00", "EUR", "1 250,00 €"},
		{"de", "1250.00", "EUR", "1.250,00 €"},
		{"es", "1250.00", "EUR", "1250,00 €"},
	} {
		require.Equal(t, row.want, spaces(Draft(row.lang).Money(amount(t, row.amount, row.cur))), row)
	}
	require.Empty(t, Draft("en").Money(money.Amount{}))
}

// Whatever the currency and language, an amount keeps its digits and its sign, and never breaks.
func TestMoneyKeepsItsDigits(t *testing.T) {
	currencies := []money.Currency{"CAD", "EUR", "USD", "GBP", "JPY", "KWD", "CHF", "XCG", "CLF"}
	digits := func(s string) string {
		return strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' {
				return r
			}
			return -1
		}, s)
	}
	rapid.Check(t, func(t *rapid.T) {
		a := money.Amount{Minor: rapid.Int64Range(-money.MaxMinor, money.MaxMinor).Draw(t, "minor"), Currency: rapid.SampledFrom(currencies).Draw(t, "currency")}
		for _, lang := range Languages {
			s := Draft(lang).Money(a)
			require.Equal(t, digits(a.Plain()), digits(s), "%s of %s", s, a)
			require.Equal(t, a.Minor < 0, strings.ContainsAny(s, "-−"), s)
			require.NotContains(t, s, " ", "an ordinary space can break: %q", s)
		}
	})
}

func TestDates(t *testing.T) {
	halifax, err := time.LoadLocation("America/Halifax")
	require.NoError(t, err)
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	w := For("en")
	at := time.Date(2026, 12, 3, 21, 0, 0, 0, time.UTC)
	require.Equal(t, "Thursday 3 December", w.Day(at, halifax))
	require.Equal(t, "Thursday 3 December 2026", w.Date(at, halifax))
	require.Equal(t, "Thursday 3 December 2026, 17:00 Halifax time", w.DateTime(at, halifax))
	require.Equal(t, "Thursday 3 December, 17:00 Halifax time", w.DayTime(at, halifax))
	require.Equal(t, "Buenos Aires time", w.Zone(zone(t, "America/Argentina/Buenos_Aires")))
	require.Equal(t, "UTC", w.Zone(time.UTC))
	require.True(t, Differs(at, halifax, lisbon))
	require.False(t, Differs(at, halifax, zone(t, "America/Glace_Bay")))

	now := time.Date(2026, 12, 3, 3, 0, 0, 0, time.UTC) // still the second in Halifax
	require.Equal(t, "tomorrow", w.On(at, now, halifax))
	require.Equal(t, "today", w.On(at, now, lisbon))
	require.Equal(t, "yesterday", w.On(now.AddDate(0, 0, -1), now, halifax))
	require.Equal(t, "Tuesday 8 December", w.On(time.Date(2026, 12, 8, 20, 0, 0, 0, time.UTC), now, halifax))
	require.Equal(t, "Friday 8 January 2027", w.On(time.Date(2027, 1, 8, 20, 0, 0, 0, time.UTC), now, halifax))
	require.Equal(t, "vendredi 1er janvier", Draft("fr").Day(time.Date(2027, 1, 1, 12, 0, 0, 0, time.UTC), time.UTC))
}

func zone(t testing.TB, name string) *time.Location {
	l, err := time.LoadLocation(name)
	require.NoError(t, err)
	return l
}

func TestDurations(t *testing.T) {
	w := For("en")
	for d, want := range map[time.Duration]string{
		0:                            "less than a minute",
		59 * time.Second:             "less than a minute",
		time.Minute:                  "1 minute",
		3*time.Hour + 20*time.Minute: "3 hours 20 minutes",
		-2 * time.Hour:               "2 hours",
		24 * time.Hour:               "1 day",
		49*time.Hour + 5*time.Minute: "2 days 1 hour",
		48*time.Hour + 5*time.Minute: "2 days",
		3*24*time.Hour - time.Second: "2 days 23 hours",
	} {
		require.Equal(t, want, w.Duration(d), d)
	}
}

func TestLists(t *testing.T) {
	w := For("en")
	require.Equal(t, []string{"", "a", "a and b", "a, b and c"}, []string{w.List(nil), w.List([]string{"a"}), w.List([]string{"a", "b"}), w.List([]string{"a", "b", "c"})})
}

func TestTexts(t *testing.T) {
	w := &Words{Lang: "en", tag: all["en"].tag, printer: all["en"].printer, texts: map[string]text{}}
	require.NoError(t, w.parse([]byte(`{"a":"{1} before {0}, {0}","b":{"one":"one of {0} on {1} day","other":"of {0} on {1} days","by":"1"},"empty":""}`)))
	require.Equal(t, "x before y, y", w.T("a", "y", "x"))
	require.Equal(t, "one of it on 1 day", w.T("b", "it", 1))
	require.Equal(t, "of it on 12,000 days", w.T("b", "it", int64(12000)))
	require.Equal(t, "", w.T("empty"))
	require.Equal(t, "[nothing]", w.T("nothing"))
	require.Equal(t, "{1} before {0}, {0}", w.T("a", "{0}", "{1}"), "a value is no pattern")
	for _, bad := range []string{`{"a":1}`, `{"a":{"one":"x"}}`, `{"a":{"other":"x","ones":"y"}}`, `{"a":{"other":"x","by":"z"}}`, `[`} {
		require.Error(t, (&Words{texts: map[string]text{}}).parse([]byte(bad)), bad)
	}
}

// A translation says everything that English says and nothing else, uses the same places, and has every
// plural form that whole numbers need in its language, by the CLDR table "Language Plural Rules".
func TestTranslations(t *testing.T) {
	need := map[string][]string{"en": {"one", "other"}, "de": {"one", "other"}, "fr": {"one", "many", "other"}, "es": {"one", "many", "other"}}
	for _, lang := range Languages {
		w := all[lang]
		for key, x := range w.texts {
			e, ok := all["en"].texts[key]
			require.True(t, ok, "%s: %s is not in the English catalogue", lang, key)
			require.Equal(t, places(e), places(x), "%s: %s", lang, key)
			require.Equal(t, e.forms != nil, x.forms != nil, "%s: %s", lang, key)
			require.Equal(t, e.by, x.by, "%s: %s", lang, key)
			if x.forms != nil {
				require.Len(t, x.forms, len(need[lang]), "%s: %s", lang, key)
				for _, f := range need[lang] {
					require.NotNil(t, x.forms[formNames[f]], "%s: %s lacks the form %q", lang, key, f)
				}
			}
		}
		require.Empty(t, Missing(lang), "%s: these texts are missing; every text stands in all languages", lang)
		require.Equal(t, lang, For(lang+"-XX").Lang)
	}
	require.Equal(t, "en", For("").Lang)
	require.Equal(t, "en", For("tlh").Lang)
	require.Nil(t, Draft("tlh"))
}

// What is missing is English, and an incomplete language is not offered.
func TestIncompleteLanguage(t *testing.T) {
	fr := *all["fr"]
	fr.texts = maps.Clone(fr.texts)
	delete(fr.texts, "stage.booked")
	require.True(t, fr.Has("stage.booked"))
	require.Equal(t, all["en"].T("stage.booked"), fr.T("stage.booked"))
	require.Equal(t, []string{"stage.booked"}, missing(&fr))
}

// A key lies where one looks for it: in the file of its first word, a line each, in order.
func TestKeysLieInTheFileOfTheirFirstWord(t *testing.T) {
	line := regexp.MustCompile(`(?m)^  "([^".]+)([^"]*)": `)
	require.NoError(t, fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(name)
		require.NoError(t, err)
		texts := map[string]Wording{}
		require.NoError(t, json.Unmarshal(b, &texts))
		var keys []string
		for _, m := range line.FindAllStringSubmatch(string(b), -1) {
			require.Equal(t, path.Base(name), m[1]+".json")
			keys = append(keys, m[1]+m[2])
		}
		require.Equal(t, slices.Sorted(maps.Keys(texts)), keys, name)
		return nil
	}))
}

// Straight quotes and doubled spaces are slips; so is markup, which pages would show as it stands.
func TestCatalogueIsTidy(t *testing.T) {
	for _, lang := range Languages {
		for key, x := range all[lang].texts {
			lists := [][]part{x.parts}
			for _, f := range x.forms {
				lists = append(lists, f)
			}
			for _, list := range lists {
				for _, p := range list {
					for _, bad := range []string{"'", `"`, "  ", "<", ">", "...", "\n"} {
						require.NotContains(t, p.literal, bad, "%s: %s", lang, key)
					}
				}
			}
		}
	}
}
