package locale

import (
	"testing"

	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// How sums and counts are written where a shop is. The sums are those of ICU (Unicode CLDR 48), but for Spain's
// four digits without a point in counts, which ICU has too, and Switzerland’s typographic apostrophe.
func TestRegionsWriteTheirOwnWay(t *testing.T) {
	for _, row := range []struct{ country, lang, cur, amount, count string }{
		{"", "fr", "CAD", "1 234,50 $CA", "9 188"},
		{"CA", "fr", "CAD", "1 234,50 $", "9 188"},
		{"CA", "fr", "USD", "1 234,50 $ US", "9 188"},
		{"", "es", "EUR", "1234,50 €", "9188"},
		{"MX", "es", "MXN", "$1,234.50", "9,188"},
		{"US", "es", "USD", "$1,234.50", "9,188"},
		{"CH", "de", "CHF", "CHF 1’234.50", "9’188"},
		{"GB", "en", "GBP", "£1,234.50", "9,188"},
		{"DE", "de", "EUR", "1.234,50 €", "9.188"},
	} {
		w := (*Set)(nil).In(row.country).For(row.lang)
		require.Equal(t, row.amount, spaces(w.Money(amount(t, "1234.50", money.Currency(row.cur)))), row)
		require.Equal(t, row.count, spaces(w.Number(9188)), row)
		require.Equal(t, row.lang, w.Lang)
	}
	mexico := (*Set)(nil).In("MX").For("es")
	require.Equal(t, "3.28", mexico.Decimal(money.MustDecimal("3.28")))
	require.Contains(t, mexico.T("push.lead"), "computadora")
	require.Contains(t, For("es").T("push.lead"), "ordenador")
	require.NotContains(t, (*Set)(nil).In("CA").For("fr").T("mail.foot.why"), "e-mail")
	require.Contains(t, (*Set)(nil).In("CA").For("fr").T("mail.foot.why"), "ce courriel")
	require.Equal(t, "Adresse courriel", (*Set)(nil).In("CA").For("fr").T("book.email"))
	require.NotContains(t, (*Set)(nil).In("CH").For("de").T("mail.delay_return.lead"), "ß")
}

// A shop's own words stay as it wrote them, and plural forms are replaced in each form.
func TestARegionLeavesTheShopsOwnWords(t *testing.T) {
	own, err := Reworded(map[string]map[string]Wording{"fr": {"book.email": {Text: "Votre e-mail"}}})
	require.NoError(t, err)
	w := own.In("CA").For("fr")
	require.Equal(t, "Votre e-mail", w.T("book.email"))
	require.Equal(t, "Obtenir un nouveau lien", w.T("mail.act.find"))
	require.Equal(t, "2 jours", w.T("duration.days", 2))
	require.Same(t, own, own.In("FR"), "nothing differs there")
}
