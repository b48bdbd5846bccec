package money

import (
	"fmt"
	"math/bits"
	"strconv"
)

const (
	// MaxDigits is the most digits that a [Decimal] may have, before and after the point together.
	MaxDigits = 15
	// MaxDecimals is the most digits that a [Decimal] may have after the point.
	MaxDecimals = 9

	maxCoef = 999_999_999_999_999
)

// Decimal is an exact decimal number: a quantity, a unit price or a percentage. It keeps the decimals
// it was written with, so "15.0" stays "15.0". The zero value is 0. Its text and JSON form is a plain
// decimal string: an optional minus, digits, and a point with digits.
type Decimal struct {
	coef     int64 // the digits without the point
	decimals uint8
}

var pow10 = [...]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

// ParseDecimal reads a plain decimal: "12", "1.5", "-0.25". No exponent, no grouping, no plus sign, no
// leading zeros, no spaces; a comma is not a decimal point.
func ParseDecimal(s string) (Decimal, error) {
	bad := func() (Decimal, error) {
		return Decimal{}, fmt.Errorf("%q is not a plain decimal number; write it like 1.5 or 12 or -0.25, with a point and without spaces or grouping", short(s))
	}
	rest := s
	negative := len(rest) > 0 && rest[0] == '-'
	if negative {
		rest = rest[1:]
	}
	var coef int64
	digits, point := 0, -1
	for i := range len(rest) {
		switch c := rest[i]; {
		case c >= '0' && c <= '9':
			if coef <= maxCoef { // past the limit only the count of digits goes on
				coef = coef*10 + int64(c-'0')
			}
			if digits > 0 || c != '0' {
				digits++
			}
		case c == '.' && point < 0 && i > 0:
			point = i
		default:
			return bad()
		}
	}
	if rest == "" || point == len(rest)-1 || len(rest) > 1 && rest[0] == '0' && point != 1 {
		return bad()
	}
	decimals := 0
	if point >= 0 {
		decimals = len(rest) - point - 1
	}
	if digits > MaxDigits || decimals > MaxDecimals {
		return Decimal{}, fmt.Errorf("%q is too long a number; at most %d digits are possible, of which at most %d after the point", short(s), MaxDigits, MaxDecimals)
	}
	if negative {
		coef = -coef
	}
	return Decimal{coef, uint8(decimals)}, nil
}

// MustDecimal is [ParseDecimal] for constants in code; it panics on a bad one.
func MustDecimal(s string) Decimal {
	d, err := ParseDecimal(s)
	if err != nil {
		panic("money: " + err.Error())
	}
	return d
}

// String returns the number as [ParseDecimal] reads it.
func (d Decimal) String() string {
	return string(d.append(nil))
}

func (d Decimal) append(b []byte) []byte {
	if d.coef < 0 {
		b = append(b, '-')
	}
	n := int(d.decimals)
	digits := strconv.AppendUint(nil, magnitude(d.coef), 10)
	for len(digits) <= n {
		digits = append([]byte{'0'}, digits...)
	}
	b = append(b, digits[:len(digits)-n]...)
	if n > 0 {
		b = append(b, '.')
		b = append(b, digits[len(digits)-n:]...)
	}
	return b
}

// MarshalText returns the plain decimal string.
func (d Decimal) MarshalText() ([]byte, error) { return d.append(nil), nil }

// UnmarshalText is [ParseDecimal].
func (d *Decimal) UnmarshalText(text []byte) error {
	v, err := ParseDecimal(string(text))
	if err == nil {
		*d = v
	}
	return err
}

// Sign is -1, 0 or 1.
func (d Decimal) Sign() int { return sign(d.coef) }

// Cmp is -1, 0 or 1 as d is smaller than, equal to or greater than e; 1.5 and 1.50 are equal.
func (d Decimal) Cmp(e Decimal) int {
	if d.Sign() != e.Sign() {
		return sign(int64(d.Sign() - e.Sign()))
	}
	dh, dl := bits.Mul64(magnitude(d.coef), pow10[e.decimals])
	eh, el := bits.Mul64(magnitude(e.coef), pow10[d.decimals])
	switch {
	case dh == eh && dl == el:
		return 0
	case (dh > eh || dh == eh && dl > el) == (d.coef > 0):
		return 1
	}
	return -1
}

// Rounding says what becomes of the part that does not fit.
type Rounding int

const (
	// HalfAway rounds to the nearest, a half away from zero. Everything that benchword charges is
	// rounded so.
	HalfAway Rounding = iota
	// Down drops the part that does not fit: towards zero.
	Down
)

// Round returns the multiple of step (above zero) nearest to d, by the rounding asked for: to 0.05 for
// cash, to 0.001 for tenths of a penny. The answer has step's decimals.
func (d Decimal) Round(step Decimal, how Rounding) (Decimal, error) {
	if step.coef <= 0 {
		return Decimal{}, fmt.Errorf("a step of %s can't be rounded to; it must be above zero", step)
	}
	// d/step = (d.coef * 10^step.decimals) / (step.coef * 10^d.decimals); the divisor may not fit
	// into 64 bits, so cancel the powers of ten first.
	up, down := uint64(1), uint64(1)
	if step.decimals > d.decimals {
		up = pow10[step.decimals-d.decimals]
	} else {
		down = pow10[d.decimals-step.decimals]
	}
	high, divisor := bits.Mul64(uint64(step.coef), down)
	if high != 0 { // a step that is more than 10^19 times d's last place: d is less than half of it
		return Decimal{0, step.decimals}, nil
	}
	n, ok := mulDiv(d.coef, up, divisor, how)
	if !ok || magnitude(n) > maxCoef/uint64(step.coef) {
		return Decimal{}, fmt.Errorf("%s rounded to %s has more than %d digits", d, step, MaxDigits)
	}
	return Decimal{n * step.coef, step.decimals}, nil
}

// mulDiv is a*b/c, rounded; ok is false if the result is above maxCoef in magnitude. c is not 0. It is
// the only place where anything is rounded.
func mulDiv(a int64, b, c uint64, how Rounding) (n int64, ok bool) {
	hi, lo := bits.Mul64(magnitude(a), b)
	if hi >= c {
		return 0, false
	}
	q, r := bits.Div64(hi, lo, c)
	if how == HalfAway && r >= c-r {
		q++
	}
	if q > maxCoef {
		return 0, false
	}
	if a < 0 {
		return -int64(q), true
	}
	return int64(q), true
}

func magnitude(n int64) uint64 {
	if n < 0 {
		return -uint64(n)
	}
	return uint64(n)
}

func sign(n int64) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}
