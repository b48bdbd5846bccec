package money

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// published reads a table of testdata/published without its comment lines, which name the source, and
// without its head.
func published(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/published/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1)
	return rows[1:]
}

func TestMinorUnitsOfISO4217(t *testing.T) {
	listed := make(map[Currency]bool)
	for _, row := range published(t, "iso4217_minor_units.csv") {
		c := Currency(row[0])
		listed[c] = true
		got, ok := c.Exponent()
		if row[2] == "N.A." {
			require.False(t, ok, "%s has no minor unit", c)
			continue
		}
		want, err := strconv.Atoi(row[2])
		require.NoError(t, err)
		require.True(t, ok, "%s is missing", c)
		require.Equal(t, want, got, "%s", c)
		parsed, err := ParseCurrency(row[0])
		require.NoError(t, err)
		require.Equal(t, c, parsed)
	}
	require.Len(t, listed, 179)
	for c := range exponents {
		// XCG took the place of ANG in 2025, after the list; two decimals by Unicode CLDR 48.
		require.True(t, listed[c] || c == "XCG", "%s is not in the list", c)
	}
}

// Rounding: half away from zero, once per tax (BR-CO-17). The negative example shows that it is away
// from zero and not up: -156435.885 becomes -156435.89.
func TestExampleInvoicesOfEN16931(t *testing.T) {
	for _, row := range published(t, "en16931_examples.csv") {
		c := Currency(row[1])
		at := func(i int) Amount {
			a, err := Parse(row[i], c)
			require.NoError(t, err, row[0])
			return a
		}
		part := strings.Split(row[12], "|")
		base, err := Parse(part[0], c)
		require.NoError(t, err)
		tax, err := TaxOn(base, MustDecimal(part[3]))
		require.NoError(t, err)
		require.Equal(t, part[1], tax.Plain(), row[0])
		require.Equal(t, at(7), tax)
		net := at(6)
		require.Equal(t, net, base)
		gross, err := net.Add(tax)
		require.NoError(t, err)
		require.Equal(t, at(8), gross)

		// With prices that hold the tax the same gross comes apart into the same two parts.
		base2, tax2, err := TaxInside(gross, MustDecimal(part[3]))
		require.NoError(t, err)
		require.Equal(t, base, base2)
		require.Equal(t, tax, tax2)

		r := Request{
			Currency: c, Prices: BeforeTax, Taxes: map[string]Tax{"vat": {MustDecimal(part[3])}},
			Lines: []Line{{Kind: Fee, Quantity: MustDecimal("1"), UnitPrice: net.Decimal(), Tax: "vat"}},
		}
		if net.Sign() < 0 {
			r.Lines[0].Kind = Credit
			_, err := Price(r)
			require.ErrorContains(t, err, "the total would be -782179.43 DKK; it can't be below zero")
			continue
		}
		got, err := Price(r)
		require.NoError(t, err)
		require.Equal(t, gross, got.Total)
		require.Equal(t, at(11), got.Balance)
	}
}

// Whole example invoices through Price. Rounding as above; 1460.50 at 25 % is the exact half 365.125.
func TestExampleInvoicesOfEN16931ByLine(t *testing.T) {
	type invoice struct {
		request Request
		answer  Answer
		taxes   map[string]TaxAnswer
	}
	invoices := make(map[string]*invoice)
	for _, row := range published(t, "en16931_lines.csv") {
		what, percent, amount := row[1], row[4], row[6]
		v := invoices[row[0]]
		if v == nil {
			_, currency, _ := strings.Cut(row[0], " ")
			v = &invoice{taxes: make(map[string]TaxAnswer)}
			v.request = Request{Currency: Currency(currency), Prices: BeforeTax, Taxes: make(map[string]Tax)}
			invoices[row[0]] = v
		}
		switch what {
		case "line":
			l := Line{Kind: Part, Quantity: MustDecimal(row[2]), UnitPrice: MustDecimal(row[3]), Tax: "vat" + percent}
			if l.UnitPrice.Sign() < 0 {
				l.Kind = Credit
			}
			v.request.Lines = append(v.request.Lines, l)
			v.answer.Lines = append(v.answer.Lines, amount)
		case "tax":
			v.request.Taxes["vat"+percent] = Tax{MustDecimal(percent)}
			v.taxes["vat"+percent] = TaxAnswer{"vat" + percent, MustDecimal(percent), row[5], amount}
		case "net":
			v.answer.Net = amount
		case "tax_total":
			v.answer.TaxTotal = amount
		case "total":
			v.answer.Total = amount
		case "paid":
			v.request.Paid = MustDecimal(amount)
		case "balance":
			v.answer.Balance = amount
		default:
			t.Fatalf("a row of the kind %q is not known", what)
		}
	}
	require.Len(t, invoices, 5)
	for name, v := range invoices {
		got, err := Price(v.request)
		require.NoError(t, err, name)
		a := got.Answer()
		require.Len(t, a.Tax, len(v.taxes), name)
		for _, tax := range a.Tax {
			require.Equal(t, v.taxes[tax.Name], tax, name)
		}
		v.answer.Tax = a.Tax
		require.Equal(t, v.answer, a, name)
	}
}

// Every row of money_rows.csv, and which rounding each uses. benchword itself charges by one of them
// only: half away from zero to the minor unit, once per line and once per tax.
func TestPublishedRoundingRows(t *testing.T) {
	round := func(t *testing.T, in, step string, how Rounding) string {
		d, err := MustDecimal(in).Round(MustDecimal(step), how)
		require.NoError(t, err)
		return d.String()
	}
	cash := func(t *testing.T, in string) string {
		a, err := Parse(in, "CAD")
		require.NoError(t, err)
		a, err = a.RoundCash(Amount{5, "CAD"})
		require.NoError(t, err)
		return a.Plain()
	}
	price := func(t *testing.T, c Currency, percent string, unit ...string) Answer {
		r := Request{Currency: c, Prices: BeforeTax, Taxes: map[string]Tax{"tax": {MustDecimal(percent)}}}
		for _, u := range unit {
			r.Lines = append(r.Lines, Line{Kind: Part, Quantity: MustDecimal("1"), UnitPrice: MustDecimal(u), Tax: "tax"})
		}
		got, err := Price(r)
		require.NoError(t, err)
		return got.Answer()
	}
	checks := map[string]func(t *testing.T, expected string){
		// HMRC's line method A rounds VAT down to a tenth of a penny: Down to 0.1. Price has no
		// tenths of a penny and does not use it.
		"H1": func(t *testing.T, expected string) {
			require.Equal(t, expected, round(t, "86.76", "0.1", Down)+"p")
		},
		// Line method B, to the nearest 1p or 0.5p: HalfAway to 1 or to 0.5. The first is what Price
		// does with a VAT of 86.76p: 4.338 at 20 %.
		"H2": func(t *testing.T, expected string) {
			require.Equal(t, expected, round(t, "86.76", "1", HalfAway)+"p")
			require.Equal(t, "87.0", round(t, "86.76", "0.5", HalfAway))
			require.Equal(t, "0.87", price(t, "GBP", "20", "4.338").TaxTotal)
		},
		// Unit method A, four digits and then three: Down to 0.0001, then Down to 0.001.
		"H3": func(t *testing.T, expected string) {
			require.Equal(t, expected, round(t, round(t, "0.0024", "0.0001", Down), "0.001", Down))
		},
		// Unit method B, to the nearest 1p or 0.5p and never nil: HalfAway to half a penny gives nil
		// here, so the least step stands in its place. Price has no such rule; it never taxes a unit.
		"H4": func(t *testing.T, expected string) {
			const step = "0.005"
			got := round(t, "0.0024", step, HalfAway)
			require.Zero(t, MustDecimal(got).Sign())
			require.Equal(t, expected, step)
		},
		// An invoice trader may drop the fraction of a penny of the total, a retailer may not: Down and
		// HalfAway differ, and Price is on the retailer's side.
		"H5": func(t *testing.T, expected string) {
			require.Equal(t, "floor vs round", expected)
			require.Equal(t, "17.49", round(t, "17.499", "0.01", Down))
			require.Equal(t, "17.50", round(t, "17.499", "0.01", HalfAway))
			require.Equal(t, "17.50", price(t, "GBP", "20", "87.495").TaxTotal)
		},
		// Price: HalfAway once on the tax.
		"C1": func(t *testing.T, expected string) {
			a := price(t, "CAD", "13", "179.00")
			require.Equal(t, expected, "HST "+a.TaxTotal+" total "+a.Total)
		},
		// RoundCash: HalfAway to 0.05, after tax, which stays.
		"C2": func(t *testing.T, expected string) {
			a := price(t, "CAD", "13", "179.00")
			require.Equal(t, expected, cash(t, a.Total))
			require.Equal(t, "23.27", a.TaxTotal)
		},
		"C3": func(t *testing.T, expected string) {
			require.Equal(t, strings.TrimSuffix(expected, " by card"), price(t, "CAD", "5", "1.83", "2.86").Total)
		},
		"C4": func(t *testing.T, expected string) { require.Equal(t, expected, cash(t, "4.92")) },
		"C5": func(t *testing.T, expected string) {
			require.Equal(t, "round down", expected)
			for in, want := range map[string]string{"4.91": "4.90", "4.92": "4.90", "4.96": "4.95", "4.97": "4.95"} {
				require.Equal(t, want, cash(t, in))
			}
		},
		"C6": func(t *testing.T, expected string) {
			require.Equal(t, "round up", expected)
			for in, want := range map[string]string{"4.93": "4.95", "4.94": "4.95", "4.98": "5.00", "4.99": "5.00"} {
				require.Equal(t, want, cash(t, in))
			}
		},
		// Allocate: shares cut down, what is left to the largest remainder, the first of equals.
		"F1": func(t *testing.T, expected string) {
			shares, err := Amount{5, "EUR"}.Allocate(3, 7)
			require.NoError(t, err)
			require.Equal(t, expected, shares[0].Plain()+" + "+shares[1].Plain())
		},
	}
	rows := published(t, "money_rows.csv")
	require.Len(t, rows, len(checks))
	for _, row := range rows {
		check := checks[row[0]]
		require.NotNil(t, check, "row %s has no check", row[0])
		t.Run(row[0], func(t *testing.T) { check(t, row[3]) })
	}
}
