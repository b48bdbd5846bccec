package locale

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// icu asks ICU, which is in Debian's nodejs and holds a CLDR of its own, for what we write.
const icu = `
const {lists, amounts, days} = JSON.parse(require("fs").readFileSync(0)), out = {}
for (const lang of ["en", "fr", "de", "es"]) {
	const place = lang === "en" ? "en-GB" : lang
	out[lang] = {
		lists: lists.map(l => new Intl.ListFormat(place, {type: "conjunction"}).format(l)),
		amounts: amounts.map(([a, c]) => new Intl.NumberFormat(lang === "en" ? "en-CA" : lang, {style: "currency", currency: c}).format(a)),
		days: days.map(d => new Intl.DateTimeFormat(place, {weekday: "long", day: "numeric", month: "long", timeZone: "UTC"}).format(new Date(d))),
		dates: days.map(d => new Intl.DateTimeFormat(place, {weekday: "long", day: "numeric", month: "long", year: "numeric", timeZone: "UTC"}).format(new Date(d))),
	}
}
console.log(JSON.stringify(out))`

// Lists, money and dates as ICU has them. Where usage and CLDR's patterns part, we follow usage: French
// "1er", English and Spanish without a comma after the weekday, as a date stands in a sentence.
func TestAgainstICU(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		require.Empty(t, os.Getenv("CI"), "node is missing; .ci/run should have installed it")
		t.Skip("node is not installed here (Debian nodejs)")
	}
	lists := [][]string{{"a"}, {"a", "b"}, {"a", "b", "c"}, {"x", "iglesia"}, {"padre", "hijo"}, {"x", "hielo"}, {"x", "hiato"}, {"x", "yeso"}, {"i", "x"}}
	type cash struct {
		amount   string
		currency money.Currency
	}
	var amounts []cash
	var asked [][2]string
	for _, c := range []money.Currency{"EUR", "CHF", "KWD", "NOK"} {
		for _, a := range []string{"1250.50", "-0.50", "12345678.00", "0.00"} {
			amounts = append(amounts, cash{a, c})
			asked = append(asked, [2]string{a, string(c)})
		}
	}
	var days []time.Time
	for m := range 12 {
		days = append(days, time.Date(2026, time.Month(m+1), 2+m, 12, 0, 0, 0, time.UTC), time.Date(2027, time.Month(m+1), 28, 12, 0, 0, 0, time.UTC))
	}
	in, err := json.Marshal(map[string]any{"lists": lists, "amounts": asked, "days": days})
	require.NoError(t, err)
	cmd := exec.Command(node, "-e", icu)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	require.NoError(t, err)
	var want map[string]struct{ Lists, Amounts, Days, Dates []string }
	require.NoError(t, json.Unmarshal(out, &want))
	// ICU's own rule for Spanish looks at plain letters only.
	require.Equal(t, "riñón e hígado", For("es").List([]string{"riñón", "hígado"}))
	for _, lang := range Languages {
		w := For(lang)
		for i, l := range lists {
			require.Equal(t, want[lang].Lists[i], w.List(l), lang)
		}
		for i, a := range amounts {
			exact, err := money.Exact(money.MustDecimal(a.amount), a.currency)
			require.NoError(t, err)
			require.Equal(t, spaces(want[lang].Amounts[i]), spaces(w.Money(exact)), "%s %v", lang, a)
		}
		for i, d := range days {
			if lang == "en" {
				continue
			}
			if lang == "es" {
				want[lang].Days[i] = strings.Replace(want[lang].Days[i], ", ", " ", 1)
				want[lang].Dates[i] = strings.Replace(want[lang].Dates[i], ", ", " ", 1)
			}
			require.Equal(t, want[lang].Days[i], w.Day(d, time.UTC), lang)
			require.Equal(t, want[lang].Dates[i], w.Date(d, time.UTC), lang)
		}
	}
}
