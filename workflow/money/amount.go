package money

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// MaxMinor is the greatest number of minor units in an amount: 15 digits, 9,999,999,999,999.99 in a
// currency with cents.
const MaxMinor = maxCoef

var (
	// ErrTooLarge is wrapped by every error about an amount beyond [MaxMinor].
	ErrTooLarge = errors.New("an amount may have at most 15 digits")
	// ErrCurrencies is wrapped by every error about amounts in different currencies.
	ErrCurrencies = errors.New("amounts in different currencies can't be put together")
)

// Amount is money: a whole number of the currency's minor unit (cents, or whole yen). Its text and JSON
// form is "120.00 CAD"; the zero value, which has no currency, is "".
type Amount struct {
	Minor    int64
	Currency Currency
}

// Parse reads an amount with exactly the currency's decimals: "80.00" CAD, "8000" JPY, "8.000" KWD.
func Parse(s string, c Currency) (Amount, error) {
	exp, err := c.exponent()
	if err != nil {
		return Amount{}, err
	}
	d, err := ParseDecimal(s)
	if err != nil {
		return Amount{}, err
	}
	if int(d.decimals) != exp {
		return Amount{}, wrongDecimals(s, c, exp)
	}
	return Amount{d.coef, c}, nil
}

func wrongDecimals(s string, c Currency, exp int) error {
	return fmt.Errorf("%q is not an amount in %s, which has %d decimals; write it like %s", s, c, exp, Decimal{8000, uint8(exp)})
}

// Exact turns a decimal into an amount. It is an error if the decimal is finer than the minor unit:
// "5" and "5.000" are 5.00 CAD, "5.005" is not an amount.
func Exact(d Decimal, c Currency) (Amount, error) {
	exp, err := c.exponent()
	if err != nil {
		return Amount{}, err
	}
	minor, ok := mulDiv(d.coef, pow10[exp], pow10[d.decimals], HalfAway)
	if !ok {
		return Amount{}, fmt.Errorf("%s %s is too much: %w", d, c, ErrTooLarge)
	}
	a := Amount{minor, c}
	if a.Decimal().Cmp(d) != 0 {
		return Amount{}, wrongDecimals(d.String(), c, exp)
	}
	return a, nil
}

// Multiply returns quantity times unit price, rounded half away from zero to the minor unit. The unit
// price may be finer than the minor unit.
func Multiply(quantity, unitPrice Decimal, c Currency) (Amount, error) {
	exp, err := c.exponent()
	if err != nil {
		return Amount{}, err
	}
	minor, ok := mulDiv(quantity.coef, magnitude(unitPrice.coef)*pow10[exp], pow10[quantity.decimals+unitPrice.decimals], HalfAway)
	if !ok {
		return Amount{}, fmt.Errorf("%s times %s %s is too much: %w", quantity, unitPrice, c, ErrTooLarge)
	}
	if unitPrice.coef < 0 {
		minor = -minor
	}
	return Amount{minor, c}, nil
}

// Decimal returns the amount as a decimal with the currency's decimals, to use as a unit price. An
// unknown currency counts as one without decimals.
func (a Amount) Decimal() Decimal {
	exp, _ := a.Currency.Exponent()
	return Decimal{a.Minor, uint8(exp)}
}

// Plain returns the number with the currency's decimals and without its code: "120.00", "-0.05".
func (a Amount) Plain() string { return a.Decimal().String() }

// String returns "120.00 CAD", or "" for the zero value.
func (a Amount) String() string {
	if a == (Amount{}) {
		return ""
	}
	return a.Plain() + " " + string(a.Currency)
}

// MarshalText returns [Amount.String]; an amount that is out of range or without a known currency is an
// error.
func (a Amount) MarshalText() ([]byte, error) {
	if a == (Amount{}) {
		return nil, nil
	}
	if _, err := a.Currency.exponent(); err != nil {
		return nil, err
	}
	if _, err := a.checked(); err != nil {
		return nil, err
	}
	return []byte(a.String()), nil
}

// UnmarshalText reads what [Amount.MarshalText] wrote.
func (a *Amount) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*a = Amount{}
		return nil
	}
	number, code, ok := strings.Cut(string(text), " ")
	if !ok {
		return fmt.Errorf("%q is not an amount with its currency; write it like 80.00 CAD", short(string(text)))
	}
	v, err := Parse(number, Currency(code))
	if err == nil {
		*a = v
	}
	return err
}

// Sign is -1, 0 or 1.
func (a Amount) Sign() int { return sign(a.Minor) }

// Add returns a + b.
func (a Amount) Add(b Amount) (Amount, error) { return Sum(a.Currency, a, b) }

// Sub returns a - b.
func (a Amount) Sub(b Amount) (Amount, error) {
	n, err := b.Neg()
	if err != nil {
		return Amount{}, err
	}
	return a.Add(n)
}

// Neg returns -a.
func (a Amount) Neg() (Amount, error) {
	if _, err := a.checked(); err != nil {
		return Amount{}, err
	}
	return Amount{-a.Minor, a.Currency}, nil
}

// Cmp is -1, 0 or 1 as a is less than, equal to or more than b.
func (a Amount) Cmp(b Amount) (int, error) {
	if a.Currency != b.Currency {
		return 0, fmt.Errorf("%s and %s: %w", a, b, ErrCurrencies)
	}
	return cmp.Compare(a.Minor, b.Minor), nil
}

// Sum adds amounts of one currency; of none it is zero. Whether the sum is in range does not depend on
// the order.
func Sum(c Currency, amounts ...Amount) (Amount, error) {
	// A whole part and a remainder apart, so that no order of whatever many amounts can wrap.
	const part = 1_000_000
	var high, low int64
	for _, a := range amounts {
		if a.Currency != c {
			return Amount{}, fmt.Errorf("%s is not in %s: %w", a, c, ErrCurrencies)
		}
		if _, err := a.checked(); err != nil {
			return Amount{}, err
		}
		high += a.Minor / part
		low += a.Minor % part
	}
	high, low = high+low/part, low%part
	if magnitude(high) > maxCoef/part+1 {
		return Amount{}, fmt.Errorf("the sum is too much: %w", ErrTooLarge)
	}
	return Amount{high*part + low, c}.checked()
}

// RoundCash returns the nearest amount that can be paid in cash where step is the smallest coin (0.05 CAD
// in Canada), a half away from zero. Card and transfer are never rounded so.
func (a Amount) RoundCash(step Amount) (Amount, error) {
	if a.Currency != step.Currency {
		return Amount{}, fmt.Errorf("%s can't be rounded to %s: %w", a, step, ErrCurrencies)
	}
	d, err := a.Decimal().Round(step.Decimal(), HalfAway)
	if err != nil {
		return Amount{}, err
	}
	return Amount{d.coef, a.Currency}.checked()
}

// Allocate splits the amount in proportion to weights. The shares add up to the amount exactly; each
// is within one minor unit of its exact share; what is left over goes to the largest remainders, the
// first of equals first; a weight of zero gets nothing. Weights are not negative and add up to
// something from 1 to 10^15-1.
func (a Amount) Allocate(weights ...int64) ([]Amount, error) {
	if _, err := a.checked(); err != nil {
		return nil, err
	}
	var total uint64
	for _, w := range weights {
		if w < 0 {
			return nil, fmt.Errorf("a weight of %d can't have a share; weights are not negative", w)
		}
		if total += uint64(w); total > maxCoef {
			return nil, fmt.Errorf("the weights add up to more than %d", uint64(maxCoef))
		}
	}
	if total == 0 {
		return nil, errors.New("nothing can be shared out by weights that add up to zero")
	}
	shares := make([]Amount, len(weights))
	order := make([]int, len(weights))
	remainders := make([]uint64, len(weights))
	left := magnitude(a.Minor)
	for i, w := range weights {
		n, _ := mulDiv(w, magnitude(a.Minor), total, Down) // at most a, since w <= total
		shares[i] = Amount{n, a.Currency}
		left -= uint64(n)
		order[i] = i
		// The remainder of w*a/total, modulo 2^64: both products wrap alike, their difference is small.
		remainders[i] = uint64(w)*magnitude(a.Minor) - uint64(n)*total
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(remainders[j], remainders[i]) })
	for _, i := range order[:left] {
		shares[i].Minor++
	}
	if a.Minor < 0 {
		for i := range shares {
			shares[i].Minor = -shares[i].Minor
		}
	}
	return shares, nil
}

func (a Amount) checked() (Amount, error) {
	if magnitude(a.Minor) > MaxMinor {
		return Amount{}, fmt.Errorf("%d of the smallest unit of %s is too much: %w", a.Minor, a.Currency, ErrTooLarge)
	}
	return a, nil
}
