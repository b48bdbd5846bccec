package money

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestPriceOfTheDesignExample(t *testing.T) {
	var r Request
	require.NoError(t, json.Unmarshal([]byte(`{"currency":"CAD","prices":"before_tax","lines":[{"kind":"labour","text":"Bench time","quantity":"1.5","unit_price":"80.00","tax":"hst"}],"taxes":{"hst":{"percent":"15"}},"paid":"0.00"}`), &r))
	got, err := Price(r)
	require.NoError(t, err)
	b, err := json.Marshal(got.Answer())
	require.NoError(t, err)
	require.Equal(t, `{"lines":["120.00"],"net":"120.00","tax":[{"name":"hst","percent":"15","base":"120.00","amount":"18.00"}],"tax_total":"18.00","total":"138.00","balance":"138.00"}`, string(b))
}

func TestPrice(t *testing.T) {
	line := func(kind LineKind, quantity, unit, tax string) Line {
		return Line{Kind: kind, Quantity: MustDecimal(quantity), UnitPrice: MustDecimal(unit), Tax: tax}
	}
	for _, row := range []struct {
		name    string
		request Request
		want    string
	}{
		{"nothing", Request{Currency: "EUR", Prices: BeforeTax},
			`{"lines":[],"net":"0.00","tax":[],"tax_total":"0.00","total":"0.00","balance":"0.00"}`},
		{"two taxes on two lines, sorted, unused left out, carriage untaxed, part paid", Request{
			Currency: "CAD", Prices: BeforeTax,
			Taxes: map[string]Tax{"qst": {MustDecimal("9.975")}, "gst": {MustDecimal("5")}, "none": {MustDecimal("7")}},
			Lines: []Line{line(Labour, "2.25", "72.50", "qst"), line(Part, "3", "4.99", "gst"), line(Carriage, "1", "18.40", "")},
			Paid:  MustDecimal("100"),
			// 163.125 -> 163.13; 163.13 * 9.975 % = 16.27221; 14.97 * 5 % = 0.7485
		}, `{"lines":["163.13","14.97","18.40"],"net":"196.50","tax":[{"name":"gst","percent":"5","base":"14.97","amount":"0.75"},{"name":"qst","percent":"9.975","base":"163.13","amount":"16.27"}],"tax_total":"17.02","total":"213.52","balance":"113.52"}`},
		{"tax inside", Request{
			Currency: "EUR", Prices: WithTax, Taxes: map[string]Tax{"vat": {MustDecimal("19")}},
			Lines: []Line{line(Labour, "1", "119.00", "vat"), line(Fee, "1", "10.00", "")},
		}, `{"lines":["119.00","10.00"],"net":"110.00","tax":[{"name":"vat","percent":"19","base":"100.00","amount":"19.00"}],"tax_total":"19.00","total":"129.00","balance":"129.00"}`},
		{"a credit, and more paid than charged", Request{
			Currency: "EUR", Prices: BeforeTax, Taxes: map[string]Tax{"vat": {MustDecimal("20")}},
			Lines: []Line{line(Labour, "1", "60.00", "vat"), line(Credit, "1", "-45.00", "vat")}, Paid: MustDecimal("45.00"),
		}, `{"lines":["60.00","-45.00"],"net":"15.00","tax":[{"name":"vat","percent":"20","base":"15.00","amount":"3.00"}],"tax_total":"3.00","total":"18.00","balance":"-27.00"}`},
		{"no decimals", Request{
			Currency: "JPY", Prices: WithTax, Taxes: map[string]Tax{"ct": {MustDecimal("10")}},
			Lines: []Line{line(Part, "3", "333", "ct"), line(Labour, "0.5", "4501", "ct")},
			// 2250.5 -> 2251; 3250 * 10 / 110 = 295.45
		}, `{"lines":["999","2251"],"net":"2955","tax":[{"name":"ct","percent":"10","base":"2955","amount":"295"}],"tax_total":"295","total":"3250","balance":"3250"}`},
		{"three decimals, unit price finer than the minor unit", Request{
			Currency: "KWD", Prices: BeforeTax, Lines: []Line{line(Part, "250", "0.00050", ""), line(Part, "1", "0.0005", "")},
		}, `{"lines":["0.125","0.001"],"net":"0.126","tax":[],"tax_total":"0.000","total":"0.126","balance":"0.126"}`},
		{"a tax whose own base is below zero", Request{
			Currency: "EUR", Prices: BeforeTax, Taxes: map[string]Tax{"a": {MustDecimal("10")}, "b": {MustDecimal("50")}},
			Lines: []Line{line(Fee, "1", "10.00", "a"), line(Credit, "1", "-0.01", "b")},
		}, `{"lines":["10.00","-0.01"],"net":"9.99","tax":[{"name":"a","percent":"10","base":"10.00","amount":"1.00"},{"name":"b","percent":"50","base":"-0.01","amount":"-0.01"}],"tax_total":"0.99","total":"10.98","balance":"10.98"}`},
	} {
		got, err := Price(row.request)
		require.NoError(t, err, row.name)
		b, err := json.Marshal(got.Answer())
		require.NoError(t, err)
		require.Equal(t, row.want, string(b), row.name)
	}
}

func TestPriceRefuses(t *testing.T) {
	good := `{"currency":"CAD","prices":"before_tax","lines":[{"kind":"labour","text":"x","quantity":"1","unit_price":"80.00","tax":"hst"}],"taxes":{"hst":{"percent":"15"}},"paid":"0.00"}`
	for _, row := range []struct{ old, new, says string }{
		{`"CAD"`, `"cad"`, "currency: \"cad\" is not a currency code"},
		{`"CAD"`, `"XAU"`, "currency: \"XAU\" is not a currency code"},
		{`"CAD"`, `7`, "currency: it must be a text in quotes"},
		{`"currency":"CAD",`, ``, "currency: it is missing"},
		{`"before_tax"`, `"net"`, "write before_tax or with_tax"},
		{`"prices":"before_tax",`, ``, "prices: it is missing"},
		{`"labour"`, `"labor"`, "lines[0].kind: \"labor\" is not known"},
		{`"kind":"labour",`, ``, "lines[0].kind: it is missing"},
		{`"quantity":"1"`, `"quantity":1`, "lines[0].quantity: it must be a text in quotes"},
		{`"quantity":"1"`, `"quantity":"1,5"`, "lines[0].quantity: \"1,5\" is not a plain decimal"},
		{`"quantity":"1"`, `"quantity":"-1"`, "lines[0].quantity: -1 is below zero"},
		{`"quantity":"1",`, ``, "lines[0].quantity: it is missing"},
		{`"80.00"`, `"-80.00"`, "lines[0].unit_price: -80.00 is below zero; to take money off, write a line of the kind credit"},
		{`"80.00"`, `"1e3"`, "lines[0].unit_price: \"1e3\" is not a plain decimal"},
		{`"80.00"`, `"999999999999999"`, "lines[0]: 1 times 999999999999999 CAD is too much"},
		{`"kind":"labour"`, `"kind":"credit"`, "lines[0].unit_price: 80.00 is above zero; a credit takes money off, so write -80.00"},
		{`"labour","text":"x","quantity":"1","unit_price":"80.00"`, `"credit","text":"x","quantity":"1","unit_price":"-80.00"`, "the total would be -92.00 CAD; it can't be below zero"},
		{`"tax":"hst"`, `"tax":"vat"`, "lines[0].tax: \"vat\" is not among the taxes"},
		{`"tax":"hst"`, `"taxx":"hst"`, "lines[0].taxx: this field is not known"},
		{`"tax":"hst"`, `"Tax":"hst"`, "lines[0].Tax: this field is not known"},
		{`"tax":"hst"`, `"tax":["hst"]`, "lines[0].tax: it must be a text in quotes"},
		{`"tax":"hst"`, `"tax":"hst","tax":""`, "lines[0].tax: this field is there twice"},
		{`"text":"x"`, `"text":"` + strings.Repeat("x", 1001) + `"`, "lines[0].text: it has 1001 bytes"},
		{`"percent":"15"`, `"percent":"101"`, "taxes.hst.percent: 101 is not a percentage from 0 to 100"},
		{`"percent":"15"`, `"percent":"-1"`, "taxes.hst.percent: -1 is not a percentage from 0 to 100"},
		{`"percent":"15"`, `"percent":"15%"`, "taxes.hst.percent: \"15%\" is not a plain decimal"},
		{`{"percent":"15"}`, `"15"`, "taxes.hst must be a JSON object"},
		{`{"hst":{"percent":"15"}}`, `[]`, "taxes must be a JSON object"},
		{`{"hst":{"percent":"15"}}`, `{"hst":{"percent":"15"},"hst":{"percent":"5"}}`, "taxes.hst: this field is there twice"},
		{`{"hst":{"percent":"15"}}`, `{"hst":{"percent":"15"},"":{"percent":"5"}}`, "is not a name for a tax"},
		{`"paid":"0.00"`, `"paid":"-0.01"`, "paid: -0.01 is below zero"},
		{`"paid":"0.00"`, `"paid":"0.005"`, "paid: \"0.005\" is not an amount in CAD, which has 2 decimals"},
		{`"paid":"0.00"`, `"paid":0`, "paid: it must be a text in quotes"},
		{`"paid":"0.00"`, `"paid":"0.00","paid":"5.00"`, "paid: this field is there twice"},
		{`"paid":"0.00"`, `"payed":"0.00"`, "payed: this field is not known"},
		{`"lines":[`, `"lines":7,"x":[`, "lines: it must be there, and be a list"},
		{`"lines":[`, `"lines":[7,`, "lines[0] must be a JSON object"},
		{`"lines":[`, `"lines":[` + strings.Repeat(`{},`, 1000), "lines: there are 1001; at most 1000"},
		{good, `[]`, "the request must be a JSON object"},
		{good, `"x"`, "the request must be a JSON object"},
	} {
		require.Contains(t, good, row.old)
		var r Request
		err := json.Unmarshal([]byte(strings.Replace(good, row.old, row.new, 1)), &r)
		if strings.Contains(row.new, `"x":[`) {
			require.ErrorContains(t, err, "x: this field is not known")
			continue
		}
		if err == nil {
			_, err = Price(r)
		}
		require.ErrorContains(t, err, row.says, row.new)
	}
	many := make(map[string]Tax)
	for i := range MaxTaxes + 1 {
		many[fmt.Sprint(i)] = Tax{}
	}
	_, err := Price(Request{Currency: "EUR", Prices: BeforeTax, Taxes: many})
	require.ErrorContains(t, err, "taxes: there are 21")
	_, err = Price(Request{Currency: "EUR", Prices: BeforeTax, Lines: make([]Line, MaxLines+1)})
	require.ErrorContains(t, err, "lines: there are 1001")
	_, err = Price(Request{Currency: "EUR", Prices: BeforeTax, Lines: []Line{
		{Kind: Fee, Quantity: MustDecimal("1"), UnitPrice: MustDecimal("9999999999999.99")},
		{Kind: Fee, Quantity: MustDecimal("1"), UnitPrice: MustDecimal("0.01")},
	}})
	require.ErrorIs(t, err, ErrTooLarge)
}

var taxNames = []string{"", "gst", "hst", "qst", "vat"}

var anyRequest = rapid.Custom(func(t *rapid.T) Request {
	r := Request{
		Currency: rapid.SampledFrom([]Currency{"JPY", "EUR", "KWD", "CLF"}).Draw(t, "currency"),
		Prices:   rapid.SampledFrom([]Prices{BeforeTax, WithTax}).Draw(t, "prices"),
		Taxes:    make(map[string]Tax),
		Paid:     Decimal{rapid.Int64Range(0, 1000).Draw(t, "paid"), 0},
	}
	for _, name := range taxNames[1:] {
		r.Taxes[name] = Tax{Decimal{rapid.Int64Range(0, 100_000).Draw(t, name), 3}}
	}
	small := rapid.Bool().Draw(t, "small")
	for range rapid.IntRange(0, 12).Draw(t, "lines") {
		l := Line{
			Kind:      rapid.SampledFrom(LineKinds).Draw(t, "kind"),
			Text:      rapid.String().Draw(t, "text"),
			Quantity:  Decimal{rapid.Int64Range(0, 1_000_000).Draw(t, "quantity"), uint8(rapid.IntRange(0, 6).Draw(t, "decimals"))},
			UnitPrice: Decimal{rapid.Int64Range(0, 100_000_000).Draw(t, "unit price"), uint8(rapid.IntRange(0, 6).Draw(t, "decimals"))},
			Tax:       rapid.SampledFrom(taxNames).Draw(t, "tax"),
		}
		if small {
			l.UnitPrice.coef %= 1000
		}
		if l.Kind == Credit {
			l.UnitPrice.coef = -l.UnitPrice.coef
		}
		if len(l.Text) > maxText {
			l.Text = l.Text[:0]
		}
		r.Lines = append(r.Lines, l)
	}
	return r
})

// An oracle in exact fractions, which shares nothing with the package but the definition. It says too
// whether any amount on the way has more than 15 digits.
func oracle(t require.TestingT, r Request) (a Answer, tooLarge bool) {
	exp, _ := r.Currency.Exponent()
	rounded := func(x *big.Rat) *big.Rat { return rat(t, x.FloatString(exp)) }
	plain := func(x *big.Rat) string {
		s := x.FloatString(exp)
		tooLarge = tooLarge || len(strings.TrimLeft(strings.NewReplacer("-", "", ".", "").Replace(s), "0")) > 15
		if x.Sign() == 0 {
			s = strings.TrimPrefix(s, "-")
		}
		return s
	}
	a = Answer{Lines: []string{}, Tax: []TaxAnswer{}}
	net, taxes := new(big.Rat), new(big.Rat)
	sums := make(map[string]*big.Rat)
	for _, l := range r.Lines {
		x := rounded(new(big.Rat).Mul(rat(t, l.Quantity.String()), rat(t, l.UnitPrice.String())))
		a.Lines = append(a.Lines, plain(x))
		if sums[l.Tax] == nil {
			sums[l.Tax] = new(big.Rat)
		}
		sums[l.Tax].Add(sums[l.Tax], x)
	}
	for _, name := range taxNames {
		sum := sums[name]
		if sum == nil {
			continue
		}
		plain(sum)
		if name == "" {
			net.Add(net, sum)
			continue
		}
		percent := rat(t, r.Taxes[name].Percent.String())
		whole := big.NewRat(100, 1)
		if r.Prices == WithTax {
			whole.Add(whole, percent)
		}
		tax := rounded(new(big.Rat).Quo(new(big.Rat).Mul(sum, percent), whole))
		base := sum
		if r.Prices == WithTax {
			base = new(big.Rat).Sub(sum, tax)
		}
		net.Add(net, base)
		taxes.Add(taxes, tax)
		a.Tax = append(a.Tax, TaxAnswer{name, r.Taxes[name].Percent, plain(base), plain(tax)})
	}
	total := new(big.Rat).Add(net, taxes)
	a.Net, a.TaxTotal, a.Total = plain(net), plain(taxes), plain(total)
	a.Balance = plain(new(big.Rat).Sub(total, rat(t, r.Paid.String())))
	return a, tooLarge
}

func TestPriceAgainstFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRequest.Draw(t, "request")
		want, tooLarge := oracle(t, r)
		got, err := Price(r)
		if tooLarge {
			require.ErrorIs(t, err, ErrTooLarge)
			return
		}
		if strings.HasPrefix(want.Total, "-") {
			require.ErrorContains(t, err, "can't be below zero")
			return
		}
		require.NoError(t, err)
		require.Equal(t, want, got.Answer())
	})
}

func addsUp(t require.TestingT, r Request, got Result) {
	sum := func(list []Amount) Amount {
		a, err := Sum(r.Currency, list...)
		require.NoError(t, err)
		return a
	}
	var taxes, bases []Amount
	for i, x := range got.Tax {
		taxes, bases = append(taxes, x.Amount), append(bases, x.Base)
		if i > 0 {
			require.Less(t, got.Tax[i-1].Name, x.Name, "taxes are not sorted")
		}
	}
	for i, l := range r.Lines {
		if l.Tax == "" {
			bases = append(bases, got.Lines[i])
		}
	}
	require.Len(t, got.Lines, len(r.Lines))
	require.Equal(t, got.TaxTotal, sum(taxes))
	require.Equal(t, got.Net, sum(bases))
	require.Equal(t, got.Total, sum([]Amount{got.Net, got.TaxTotal}))
	if r.Prices == WithTax {
		require.Equal(t, got.Total, sum(got.Lines), "prices with tax must come to the total")
	} else {
		require.Equal(t, got.Net, sum(got.Lines), "prices before tax must come to the net")
	}
	paid, err := Exact(r.Paid, r.Currency)
	require.NoError(t, err)
	require.Equal(t, got.Total, sum([]Amount{got.Balance, paid}))
	require.GreaterOrEqual(t, got.Total.Minor, int64(0))
}

func TestPriceAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRequest.Draw(t, "request")
		got, err := Price(r)
		if err != nil {
			return
		}
		addsUp(t, r, got)

		other := r
		order := rapid.Permutation(r.Lines).Draw(t, "another order")
		other.Lines = order
		again, err := Price(other)
		require.NoError(t, err)
		require.ElementsMatch(t, got.Lines, again.Lines)
		again.Lines = got.Lines
		require.Equal(t, got, again, "the order of lines matters")
	})
}

func TestRequestAndResultComeBackFromJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRequest.Draw(t, "request")
		b, err := json.Marshal(r)
		require.NoError(t, err)
		var back Request
		require.NoError(t, json.Unmarshal(b, &back))
		if r.Lines == nil {
			r.Lines = []Line{}
		}
		require.Equal(t, r, back)
		got, err := Price(r)
		if err != nil {
			return
		}
		b, err = json.Marshal(got)
		require.NoError(t, err)
		var result Result
		require.NoError(t, json.Unmarshal(b, &result))
		require.Equal(t, got, result)
	})
	b, err := json.Marshal([]any{Request{}, Result{}})
	require.NoError(t, err)
	require.JSONEq(t, `[{"currency":"","prices":"","lines":[],"taxes":{},"paid":"0"},null]`, string(b))
	r := Result{Currency: "EUR"}
	require.NoError(t, json.Unmarshal([]byte("null"), &r))
	require.Equal(t, Result{}, r)
	require.Error(t, json.Unmarshal([]byte(`{"currency":"EUR","lines":["1.5"],"net":"0.00","tax":[],"tax_total":"0.00","total":"0.00","balance":"0.00"}`), &r))
	require.Error(t, json.Unmarshal([]byte(`{"currency":"EUR","lines":7}`), &r))
	require.Equal(t, Result{}, r, "what can't be read must not leave half a result")
}

func FuzzPrice(f *testing.F) {
	f.Add([]byte(`{"currency":"CAD","prices":"before_tax","lines":[{"kind":"labour","text":"x","quantity":"1.5","unit_price":"80.00","tax":"hst"}],"taxes":{"hst":{"percent":"15"}},"paid":"0.00"}`))
	f.Add([]byte(`{"currency":"JPY","prices":"with_tax","lines":[{"kind":"part","quantity":"3","unit_price":"0.000000001"},{"kind":"credit","quantity":"1","unit_price":"-0"}]}`))
	f.Add([]byte(`{"currency":"UYW","prices":"with_tax","lines":[{"kind":"fee","quantity":"0.999999999","unit_price":"99999999999999.9","tax":"t"}],"taxes":{"t":{"percent":"99.999999999"}},"paid":"1"}`))
	f.Add([]byte(`{"lines":[null,{}],"taxes":{"":{}}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var r Request
		if json.Unmarshal(b, &r) != nil {
			return
		}
		again, err := json.Marshal(r)
		require.NoError(t, err)
		var back Request
		require.NoError(t, json.Unmarshal(again, &back))
		got, err := Price(r)
		other, err2 := Price(back)
		require.Equal(t, err == nil, err2 == nil)
		if err != nil {
			require.Equal(t, err.Error(), err2.Error())
			return
		}
		require.Equal(t, got, other)
		addsUp(t, r, got)
	})
}

func benchmarkRequest() Request {
	r := Request{
		Currency: "CAD", Prices: BeforeTax, Paid: MustDecimal("45.00"),
		Taxes: map[string]Tax{"gst": {MustDecimal("5")}, "qst": {MustDecimal("9.975")}},
	}
	for i := range 10 {
		r.Lines = append(r.Lines, Line{Kind: LineKinds[i%4], Text: "Bench time", Quantity: MustDecimal("1.25"), UnitPrice: MustDecimal("80.00"), Tax: []string{"gst", "qst"}[i%2]})
	}
	return r
}

func BenchmarkPrice10Lines(b *testing.B) {
	r := benchmarkRequest()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Price(r); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPriceJSON10Lines(b *testing.B) {
	line, err := json.Marshal(benchmarkRequest())
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		var r Request
		if err := json.Unmarshal(line, &r); err != nil {
			b.Fatal(err)
		}
		got, err := Price(r)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := json.Marshal(got.Answer()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMultiply(b *testing.B) {
	q, p := MustDecimal("1.25"), MustDecimal("80.00")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Multiply(q, p, "CAD"); err != nil {
			b.Fatal(err)
		}
	}
}
