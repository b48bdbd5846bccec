package money

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParseDecimal(t *testing.T) {
	for _, s := range []string{"0", "-0", "1", "12", "1.5", "15.0", "-0.25", "0.000000001", "999999999999999", "-999999.999999999", "0.00"} {
		d, err := ParseDecimal(s)
		require.NoError(t, err, s)
		if s == "-0" {
			s = "0"
		}
		require.Equal(t, s, d.String())
	}
	for _, s := range []string{
		"", "-", ".", "1.", ".5", "+1", "1,5", "1 000", " 1", "1 ", "1e3", "0x10", "01", "-01", "00", "1.2.3", "--1", "NaN", "Infinity", "١", "1_000", "1\x00", "½",
	} {
		_, err := ParseDecimal(s)
		require.ErrorContains(t, err, "is not a plain decimal number", "%q", s)
	}
	for _, s := range []string{"1000000000000000", "0.0000000001", "1234567890123.456", "-1000000000000000", strings.Repeat("9", 5000), "0." + strings.Repeat("0", 300)} {
		_, err := ParseDecimal(s)
		require.ErrorContains(t, err, "is too long a number", "%q", s)
		require.Less(t, len(err.Error()), 250)
	}
	require.Panics(t, func() { MustDecimal("1,5") })
}

// rat is the outside view of a decimal: math/big reads the same text.
func rat(t require.TestingT, s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	require.True(t, ok, s)
	return r
}

var anyDecimal = rapid.Custom(func(t *rapid.T) Decimal {
	decimals := rapid.IntRange(0, MaxDecimals).Draw(t, "decimals")
	return Decimal{rapid.Int64Range(-maxCoef, maxCoef).Draw(t, "digits"), uint8(decimals)}
})

func TestDecimalAgainstBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, e := anyDecimal.Draw(t, "d"), anyDecimal.Draw(t, "e")
		again, err := ParseDecimal(d.String())
		require.NoError(t, err)
		require.Equal(t, d, again)
		require.Equal(t, rat(t, d.String()).Cmp(rat(t, e.String())), d.Cmp(e))
		require.Equal(t, rat(t, d.String()).Sign(), d.Sign())
		require.Zero(t, d.Cmp(d))

		b, err := json.Marshal(d)
		require.NoError(t, err)
		require.Equal(t, `"`+d.String()+`"`, string(b))
		var back Decimal
		require.NoError(t, json.Unmarshal(b, &back))
		require.Equal(t, d, back)
	})
	require.Error(t, json.Unmarshal([]byte("1.5"), new(Decimal)), "a bare number may have been through a float")
}

// big.Rat.FloatString rounds "to nearest, with halves rounded away from zero": an oracle for the rounding.
func TestMultiplyAgainstBig(t *testing.T) {
	currencies := []Currency{"JPY", "EUR", "KWD", "CLF"}
	rapid.Check(t, func(t *rapid.T) {
		q, p := anyDecimal.Draw(t, "quantity"), anyDecimal.Draw(t, "unit price")
		if rapid.Bool().Draw(t, "small") {
			q.coef %= 100_000
			p.coef %= 1_000_000
		}
		c := rapid.SampledFrom(currencies).Draw(t, "currency")
		exp, _ := c.Exponent()
		want := new(big.Rat).Mul(rat(t, q.String()), rat(t, p.String())).FloatString(exp)
		minor, _ := new(big.Int).SetString(strings.Replace(want, ".", "", 1), 10)
		got, err := Multiply(q, p, c)
		if minor.CmpAbs(big.NewInt(MaxMinor)) > 0 {
			require.ErrorIs(t, err, ErrTooLarge)
			return
		}
		require.NoError(t, err)
		require.Equal(t, minor.Int64(), got.Minor)
		require.Equal(t, c, got.Currency)
	})
}

func TestRoundAgainstBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDecimal.Draw(t, "d")
		step := Decimal{rapid.Int64Range(1, 1000).Draw(t, "step"), uint8(rapid.IntRange(0, 6).Draw(t, "decimals"))}
		if rapid.Bool().Draw(t, "huge step") {
			step.coef = rapid.Int64Range(1, maxCoef).Draw(t, "huge")
		}
		steps := new(big.Rat).Quo(rat(t, d.String()), rat(t, step.String()))
		for how, n := range map[Rounding]*big.Int{
			HalfAway: integer(steps.FloatString(0)),
			Down:     new(big.Int).Quo(steps.Num(), steps.Denom()), // truncates towards zero
		} {
			want := new(big.Int).Mul(n, big.NewInt(step.coef))
			got, err := d.Round(step, how)
			if want.CmpAbs(big.NewInt(maxCoef)) > 0 {
				require.Error(t, err)
				continue
			}
			require.NoError(t, err)
			require.Equal(t, Decimal{want.Int64(), step.decimals}, got)
		}
	})
	for _, step := range []string{"0", "-0.05"} {
		_, err := MustDecimal("1").Round(MustDecimal(step), HalfAway)
		require.ErrorContains(t, err, "above zero")
	}
}

func integer(s string) *big.Int {
	n, _ := new(big.Int).SetString(s, 10)
	return n
}

func TestParseAmount(t *testing.T) {
	for _, row := range []struct {
		in    string
		c     Currency
		minor int64
	}{
		{"80.00", "CAD", 8000}, {"-0.05", "EUR", -5}, {"8000", "JPY", 8000}, {"8.125", "KWD", 8125}, {"1.2345", "CLF", 12345},
		{"9999999999999.99", "USD", MaxMinor}, {"-999999999999999", "KRW", -MaxMinor},
	} {
		a, err := Parse(row.in, row.c)
		require.NoError(t, err, row.in)
		require.Equal(t, Amount{row.minor, row.c}, a)
		require.Equal(t, row.in, a.Plain())
		require.Equal(t, row.in+" "+string(row.c), a.String())
	}
	for in, says := range map[string]string{
		"80": "write it like 80.00", "80.0": "write it like 80.00", "80.000": "write it like 80.00", "": "plain decimal",
		"80,00": "plain decimal", "10000000000000.00": "too long", "$80.00": "plain decimal",
	} {
		_, err := Parse(in, "CAD")
		require.ErrorContains(t, err, says, in)
	}
	_, err := Parse("80.00", "JPY")
	require.ErrorContains(t, err, "write it like 8000")
	_, err = Parse("80.00", "cad")
	require.ErrorContains(t, err, "ISO 4217")
	_, err = Parse("80.00", "XAU")
	require.ErrorContains(t, err, "ISO 4217", "gold has no minor unit")
}

func TestExact(t *testing.T) {
	for _, s := range []string{"5", "5.0", "5.00", "5.000"} {
		a, err := Exact(MustDecimal(s), "CAD")
		require.NoError(t, err)
		require.Equal(t, Amount{500, "CAD"}, a)
	}
	for _, s := range []string{"5.005", "0.001", "-0.0000001"} {
		_, err := Exact(MustDecimal(s), "CAD")
		require.ErrorContains(t, err, "has 2 decimals", s)
	}
	_, err := Exact(MustDecimal("999999999999999"), "CAD")
	require.ErrorIs(t, err, ErrTooLarge)
	_, err = Exact(MustDecimal("1"), "???")
	require.Error(t, err)
}

var anyAmount = rapid.Custom(func(t *rapid.T) Amount {
	return Amount{rapid.Int64Range(-MaxMinor, MaxMinor).Draw(t, "minor"), "EUR"}
})

func TestSumsAgainstBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(anyAmount, 0, 30).Draw(t, "amounts")
		want := new(big.Int)
		for _, a := range list {
			want.Add(want, big.NewInt(a.Minor))
		}
		got, err := Sum("EUR", list...)
		again, err2 := Sum("EUR", rapid.Permutation(list).Draw(t, "another order")...)
		require.Equal(t, err == nil, err2 == nil, "whether a sum is in range depends on the order")
		if want.CmpAbs(big.NewInt(MaxMinor)) > 0 {
			require.ErrorIs(t, err, ErrTooLarge)
			return
		}
		require.NoError(t, err)
		require.Equal(t, want.Int64(), got.Minor)
		require.Equal(t, got, again)
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyAmount.Draw(t, "a"), anyAmount.Draw(t, "b")
		sum, err := a.Add(b)
		if magnitude(a.Minor+b.Minor) > MaxMinor {
			require.ErrorIs(t, err, ErrTooLarge)
			return
		}
		require.NoError(t, err)
		back, err := sum.Sub(b)
		require.NoError(t, err)
		require.Equal(t, a, back)
		n, err := a.Neg()
		require.NoError(t, err)
		zero, err := a.Add(n)
		require.NoError(t, err)
		require.Zero(t, zero.Sign())
		order, err := a.Cmp(b)
		require.NoError(t, err)
		require.Equal(t, big.NewInt(a.Minor).Cmp(big.NewInt(b.Minor)), order)
	})
}

func TestNothingWraps(t *testing.T) {
	for _, bad := range []Amount{{math.MinInt64, "EUR"}, {math.MaxInt64, "EUR"}, {MaxMinor + 1, "EUR"}} {
		_, err := bad.Neg()
		require.ErrorIs(t, err, ErrTooLarge)
		_, err = bad.Add(Amount{1, "EUR"})
		require.ErrorIs(t, err, ErrTooLarge)
		_, err = Amount{-1, "EUR"}.Sub(bad)
		require.ErrorIs(t, err, ErrTooLarge)
		_, err = bad.Allocate(1)
		require.ErrorIs(t, err, ErrTooLarge)
		_, err = bad.MarshalText()
		require.ErrorIs(t, err, ErrTooLarge)
		require.NotPanics(t, func() { _ = bad.String() })
	}
	_, err := Amount{MaxMinor, "EUR"}.Add(Amount{1, "EUR"})
	require.ErrorIs(t, err, ErrTooLarge)
	_, err = Amount{1, "EUR"}.Add(Amount{1, "CAD"})
	require.ErrorIs(t, err, ErrCurrencies)
	_, err = Amount{1, "EUR"}.Sub(Amount{1, "CAD"})
	require.ErrorIs(t, err, ErrCurrencies)
	_, err = Amount{1, "EUR"}.Cmp(Amount{1, "CAD"})
	require.ErrorIs(t, err, ErrCurrencies)
	_, err = Amount{1, "EUR"}.RoundCash(Amount{5, "CAD"})
	require.ErrorIs(t, err, ErrCurrencies)
	_, err = TaxOn(Amount{math.MinInt64, "EUR"}, MustDecimal("100"))
	require.ErrorIs(t, err, ErrTooLarge)
	_, err = TaxOn(Amount{1, "EUR"}, MustDecimal("-1"))
	require.ErrorContains(t, err, "below zero")
}

func TestAmountText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		codes := []Currency{"JPY", "EUR", "KWD", "UYW"}
		a := Amount{rapid.Int64Range(-MaxMinor, MaxMinor).Draw(t, "minor"), rapid.SampledFrom(codes).Draw(t, "currency")}
		b, err := json.Marshal(map[string]*Amount{"total": &a})
		require.NoError(t, err)
		var back map[string]*Amount
		require.NoError(t, json.Unmarshal(b, &back))
		require.Equal(t, a, *back["total"])
	})
	b, err := json.Marshal([]Amount{{}, {12000, "CAD"}})
	require.NoError(t, err)
	require.JSONEq(t, `["","120.00 CAD"]`, string(b))
	var back []Amount
	require.NoError(t, json.Unmarshal(b, &back))
	require.Equal(t, []Amount{{}, {12000, "CAD"}}, back)
	_, err = json.Marshal(Amount{1, "???"})
	require.Error(t, err)
	for _, s := range []string{"120.00", "CAD 120.00", "120.00 cad", "120 CAD", "120.00  CAD", " CAD"} {
		require.Error(t, new(Amount).UnmarshalText([]byte(s)), s)
	}
}

func TestAllocate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAmount.Draw(t, "amount")
		weights := rapid.SliceOfN(rapid.Int64Range(0, maxCoef/40), 1, 40).Draw(t, "weights")
		total := int64(0)
		for _, w := range weights {
			total += w
		}
		shares, err := a.Allocate(weights...)
		if total == 0 {
			require.Error(t, err)
			return
		}
		require.NoError(t, err)
		sum, err := Sum("EUR", shares...)
		require.NoError(t, err)
		require.Equal(t, a, sum, "a minor unit was lost or made")
		for i, s := range shares {
			exact := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(a.Minor), big.NewInt(weights[i])), big.NewInt(total))
			off := new(big.Rat).Sub(new(big.Rat).SetInt64(s.Minor), exact)
			require.Equal(t, -1, off.Abs(off).Cmp(big.NewRat(1, 1)), "share %d is a whole unit off", i)
			if weights[i] == 0 {
				require.Zero(t, s.Minor)
			}
		}
	})
	_, err := Amount{1, "EUR"}.Allocate()
	require.ErrorContains(t, err, "add up to zero")
	_, err = Amount{1, "EUR"}.Allocate(1, -1)
	require.ErrorContains(t, err, "not negative")
	_, err = Amount{1, "EUR"}.Allocate(math.MaxInt64, math.MaxInt64)
	require.ErrorContains(t, err, "add up to more than")
}

func ExampleAmount_Allocate() {
	shares, _ := Amount{10000, "EUR"}.Allocate(1, 1, 1)
	fmt.Println(shares)
	// Output: [33.34 EUR 33.33 EUR 33.33 EUR]
}

func TestLimitsToTheLastUnit(t *testing.T) {
	a, err := Multiply(MustDecimal("3"), MustDecimal("333333333333333"), "JPY")
	require.NoError(t, err)
	require.Equal(t, int64(MaxMinor), a.Minor)
	_, err = Multiply(MustDecimal("1000"), MustDecimal("1000000000000"), "JPY") // one more
	require.ErrorIs(t, err, ErrTooLarge)
	_, ok := mulDiv(1<<62, 4, 1, HalfAway) // 2^64: the quotient itself does not fit
	require.False(t, ok)
}
