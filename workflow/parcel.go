package workflow

import "strings"

// ParcelScheme names a public way of numbering parcels that has a check digit.
type ParcelScheme string

const (
	// SchemeUnknown is any number that has the shape of none of the others. Most carriers' numbers are
	// of this kind; nothing is said against them.
	SchemeUnknown ParcelScheme = ""
	// SchemeS10 is UPU standard S10: two letters, eight digits, a check digit, two letters for the country.
	SchemeS10 ParcelScheme = "upu_s10"
	// SchemeFedEx12 is twelve digits, the last one the check digit (FedEx Express).
	SchemeFedEx12 ParcelScheme = "fedex_12"
	// SchemeUPS1Z is 1Z, fifteen letters or digits, and a check digit (UPS).
	SchemeUPS1Z ParcelScheme = "ups_1z"
	// SchemeUSPS is twenty digits, or 22 or 26 digits that start with 91 to 95, these also behind 420 and
	// a ZIP code of five or nine digits (USPS IMpb and its forerunner).
	SchemeUSPS ParcelScheme = "usps"
)

// ParcelCheck is what a parcel number's own check digit says about it.
type ParcelCheck struct {
	// Number is the number in capitals, without spaces, dashes and dots.
	Number string
	// Scheme is the first scheme, in the order of the constants, whose shape the number has.
	Scheme ParcelScheme
	// WellFormed: the check digit is right by the scheme's public rule. It is a guard against typing
	// errors and nothing else: a well formed number need not exist, and its country or service code is
	// not looked at.
	WellFormed bool
}

// Wrong reports whether the number can't be right: it has a shape that no other numbering is known to
// share ([SchemeS10], [SchemeUPS1Z]) and not its check digit. Bare digits are never wrong in this sense,
// since carriers use numbers of the same length with other rules: there a check digit that does not fit
// is only a reason to look again.
func (c ParcelCheck) Wrong() bool {
	return !c.WellFormed && (c.Scheme == SchemeS10 || c.Scheme == SchemeUPS1Z)
}

// CheckParcelNumber looks at a parcel number as typed. Every text is accepted; what has the shape of no
// scheme is of [SchemeUnknown].
func CheckParcelNumber(s string) ParcelCheck {
	n := strings.Map(func(c rune) rune {
		switch c {
		case ' ', '\t', '\n', '\r', '\u00a0', '-', '.':
			return -1
		}
		return c
	}, strings.ToUpper(s))
	for _, rule := range parcelRules {
		if shape, ok := rule.check(n); shape {
			return ParcelCheck{n, rule.scheme, ok}
		}
	}
	return ParcelCheck{Number: n}
}

var parcelRules = []struct {
	scheme ParcelScheme
	check  func(n string) (shape, ok bool)
}{
	{SchemeS10, checkS10},
	{SchemeFedEx12, checkFedEx12},
	{SchemeUPS1Z, checkUPS1Z},
	{SchemeUSPS, checkUSPS},
}

// checkS10: weights 8 6 4 2 3 5 9 7, C = 11 - (sum mod 11), where 10 becomes 0 and 11 becomes 5.
func checkS10(n string) (shape, ok bool) {
	if len(n) != 13 || !all(n[:2], isLetter) || !all(n[2:11], isDigit) || !all(n[11:], isLetter) {
		return false, false
	}
	sum := 0
	for i, weight := range []int{8, 6, 4, 2, 3, 5, 9, 7} {
		sum += weight * int(n[2+i]-'0')
	}
	c := 11 - sum%11
	switch c {
	case 10:
		c = 0
	case 11:
		c = 5
	}
	return true, int(n[10]-'0') == c
}

// checkFedEx12: weights 3 1 7 over and over, sum mod 11 mod 10.
func checkFedEx12(n string) (shape, ok bool) {
	if len(n) != 12 || !all(n, isDigit) {
		return false, false
	}
	sum := 0
	for i := range 11 {
		sum += []int{3, 1, 7}[i%3] * int(n[i]-'0')
	}
	return true, int(n[11]-'0') == sum%11%10
}

// checkUPS1Z: without the 1Z; a letter counts (its ASCII code - 3) mod 10; every second one twice; the
// check digit fills up to the next ten.
func checkUPS1Z(n string) (shape, ok bool) {
	if len(n) != 18 || n[:2] != "1Z" || !all(n[2:17], isLetterOrDigit) || !isDigit(n[17]) {
		return false, false
	}
	sum := 0
	for i := range 15 {
		v := int(n[2+i] - '0')
		if isLetter(n[2+i]) {
			v = (int(n[2+i]) - 3) % 10
		}
		sum += v * (1 + i%2)
	}
	return true, int(n[17]-'0') == (10-sum%10)%10
}

// checkUSPS: weights 3 1 over and over from the digit left of the check digit, which fills up to the next
// ten. A routing code in front (420 and a ZIP code) is not part of the sum.
func checkUSPS(n string) (shape, ok bool) {
	if !all(n, isDigit) {
		return false, false
	}
	ours := func(n string) bool {
		return (len(n) == 22 || len(n) == 26) && n[0] == '9' && n[1] >= '1' && n[1] <= '5'
	}
	if len(n) == 20 || ours(n) {
		return true, fillsToTen(n)
	}
	if len(n) > 12 && n[:3] == "420" {
		for _, zip := range []int{5, 9} {
			if rest := n[3+zip:]; ours(rest) {
				shape, ok = true, ok || fillsToTen(rest)
			}
		}
	}
	return shape, ok
}

func fillsToTen(n string) bool {
	sum := 0
	for i := range len(n) {
		weight := 1
		if (len(n)-1-i)%2 == 1 {
			weight = 3
		}
		sum += weight * int(n[i]-'0')
	}
	return sum%10 == 0
}

func all(s string, is func(byte) bool) bool {
	for i := range len(s) {
		if !is(s[i]) {
			return false
		}
	}
	return true
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return c >= 'A' && c <= 'Z' }

func isLetterOrDigit(c byte) bool { return isDigit(c) || isLetter(c) }
