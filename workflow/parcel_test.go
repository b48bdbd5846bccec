package workflow

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParcelNumbersPublished(t *testing.T) {
	f, err := os.Open("../testdata/published/parcel_numbers.csv") // the sources stand in the file
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	exceptions := 0
	seen := make(map[ParcelScheme]int)
	for _, row := range rows[1:] {
		number, scheme := row[0], ParcelScheme(row[1])
		want, err := strconv.ParseBool(row[2])
		require.NoError(t, err)
		c := CheckParcelNumber(number)
		require.Equal(t, ParcelCheck{strings.ReplaceAll(number, " ", ""), scheme, want}, c, number)
		seen[scheme]++
		if strings.HasPrefix(row[4], "exception") {
			exceptions++
			require.False(t, c.Wrong(), "%s must not be refused", number)
		}
	}
	require.Equal(t, 3, exceptions)
	for _, s := range []ParcelScheme{SchemeS10, SchemeFedEx12, SchemeUPS1Z, SchemeUSPS, SchemeUnknown} {
		require.GreaterOrEqual(t, seen[s], 3, "too few rows for %q", s)
	}
}

func TestParcelNumbersAreNeverRefusedForBeingUnknown(t *testing.T) {
	for _, s := range []string{"", "hand carried", "JD0002233445566", "ABC-123", "RB12345678５GB", "1Z", "420", "4201002334", strings.Repeat("9", 500)} {
		c := CheckParcelNumber(s)
		require.Equal(t, SchemeUnknown, c.Scheme, s)
		require.False(t, c.WellFormed, s)
		require.False(t, c.Wrong(), s)
	}
}

func TestWhichParcelNumbersAreWrong(t *testing.T) {
	require.True(t, CheckParcelNumber("RB123456786US").Wrong())
	require.True(t, CheckParcelNumber("1z 999 aa1 0123 4567 85").Wrong())
	require.False(t, CheckParcelNumber("1z 999 aa1 0123 4567 84").Wrong())
	require.False(t, CheckParcelNumber("996578788855").Wrong(), "twelve digits may be another carrier's")
	require.False(t, CheckParcelNumber("7196 9010 7560 0307 7385").Wrong(), "twenty digits may be numbered by another rule")
}

// Where every weight has an inverse, each single wrong digit is found; S10 with its two makeshift check
// digits (10 is written 0, 11 is written 5) and the two-step modulus of the twelve digits miss a few.
func TestOneWrongDigit(t *testing.T) {
	for number, all := range map[string]bool{
		"RB473124829GB":          false,
		"012345678983":           false,
		"9400111206206406260787": true,
		"03071790000523483741":   true,
		"1Z5R89390357567127":     false, // twice 5 and twice 0 are alike modulo 10, and so are some letters
	} {
		c := CheckParcelNumber(number)
		require.True(t, c.WellFormed, number)
		missed, tried := 0, 0
		for i := range number {
			if !isDigit(number[i]) {
				continue
			}
			for d := byte('0'); d <= '9'; d++ {
				if d == number[i] {
					continue
				}
				other := CheckParcelNumber(number[:i] + string(d) + number[i+1:])
				if other.Scheme != c.Scheme {
					continue
				}
				tried++
				if other.WellFormed {
					missed++
				}
			}
		}
		require.Greater(t, tried, 80)
		if all {
			require.Zero(t, missed, number)
		} else {
			require.Less(t, float64(missed)/float64(tried), 0.12, number)
		}
	}
}

func TestExactlyOneCheckDigitFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for scheme, number := range map[ParcelScheme]string{
			SchemeS10:     rapid.StringMatching(`[A-Z]{2}[0-9]{8}#[A-Z]{2}`).Draw(t, "s10"),
			SchemeFedEx12: rapid.StringMatching(`[0-9]{11}#`).Draw(t, "twelve"),
			SchemeUPS1Z:   rapid.StringMatching(`1Z[0-9A-Z]{15}#`).Draw(t, "1z"),
			SchemeUSPS:    rapid.StringMatching(`([0-9]{19}|9[1-5][0-9]{19}|9[1-5][0-9]{23}|4200[0-9]{4}9[1-5][0-9]{19})#`).Draw(t, "usps"),
		} {
			fits := 0
			for d := range 10 {
				c := CheckParcelNumber(strings.Replace(number, "#", strconv.Itoa(d), 1))
				require.Equal(t, scheme, c.Scheme)
				if c.WellFormed {
					fits++
				}
			}
			require.Equal(t, 1, fits, number)
		}
	})
}

func FuzzCheckParcelNumber(f *testing.F) {
	for _, s := range []string{"RB473124829GB", "1Z5R89390357567127", "012345678983", "420 22153 9101026837331000039521", "ß", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c := CheckParcelNumber(s)
		require.False(t, c.WellFormed && c.Scheme == SchemeUnknown)
		require.False(t, c.WellFormed && c.Wrong())
		require.Equal(t, c, CheckParcelNumber(c.Number), "checking again changes nothing")
		require.Equal(t, c, CheckParcelNumber(" "+s+"-"))
	})
}
