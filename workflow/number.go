package workflow

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

// JobNumber is what people read out on the phone: six characters of a 32-letter alphabet and an
// ISO/IEC 7064 MOD 37,36 check character. As a string it is the one canonical form, seven capitals and
// digits without separators ("K7M2QX8"): in addresses, keys and JSON. [JobNumber.Shown] groups it for
// people.
//
// The alphabet is 0-9 and A-Z without I, L, O and U, whose look-alikes 1, 1, 0 and V stay: so whatever
// of a pair was written or typed, it can only mean one thing, and [ParseJobNumber] reads it so. The
// check character comes from the standard's 36 characters and could be one of the four left out;
// [NewJobNumber] then draws again. Where all six are good, eight of nine numbers are.
//
// The standard's system finds every single wrong character, and nearly every swap of neighbours: of
// random numbers about one in 120 has a pair of neighbours whose swap it would not notice.
// [NewJobNumber] draws again there too, so in a number that benchword gave out, one wrong character or
// one swap of neighbours never leads to another job.
type JobNumber string

const (
	numberAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	checkAlphabet  = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" // ISO/IEC 7064, clause on alphanumeric strings
	numberLen      = 7                                      // with the check character
)

// NewJobNumber draws a number. That it is not in use yet is for the store to say.
func NewJobNumber(random io.Reader) (JobNumber, error) {
	// Each draw is good with a chance of 0.88, so 100 in vain mean that random is not random.
	for range 100 {
		var b [numberLen]byte
		if _, err := io.ReadFull(random, b[:numberLen-1]); err != nil {
			return "", fmt.Errorf("drawing a job number: %w", err)
		}
		for i := range numberLen - 1 {
			b[i] = numberAlphabet[b[i]%byte(len(numberAlphabet))] // 32 divides 256: no letter is likelier
		}
		b[numberLen-1] = checkCharacter(string(b[:numberLen-1]))
		if n := string(b[:]); inNumberAlphabet(n) && everySwapShows(n) {
			return JobNumber(n), nil
		}
	}
	return "", errors.New("drawing a job number: the source of randomness repeats itself")
}

// ParseJobNumber reads a number as people type it: capitals or not, with spaces, dashes or dots
// anywhere, and with O for 0, I or L for 1 and U for V. A wrong check character is an error.
func ParseJobNumber(s string) (JobNumber, error) {
	const field = "number"
	if len(s) > 100 {
		return "", invalid(field, "This is too long for a job number; it has seven letters and digits, like K7M-2QX-8.").because("number")
	}
	var b strings.Builder
	for _, c := range strings.ToUpper(s) {
		switch c {
		case ' ', '\t', '\n', '\r', '\u00a0', '\u2009', '\u202f', '-', '.', '\u2010', '\u2011', '\u2012', '\u2013', '\u2014':
			continue
		case 'O':
			c = '0'
		case 'I', 'L':
			c = '1'
		case 'U':
			c = 'V'
		}
		b.WriteRune(c)
	}
	n := b.String()
	if len(n) != numberLen || !inNumberAlphabet(n) {
		return "", invalid(field, "This is not a job number; it has seven letters and digits, like K7M-2QX-8. You find it in every email about your repair.").because("number")
	}
	if n[numberLen-1] != checkCharacter(n[:numberLen-1]) {
		return "", invalid(field, "%s is not a job number: one of its characters is wrong, or two are swapped. Please compare it with the email.", JobNumber(n).Shown()).because("number")
	}
	return JobNumber(n), nil
}

// Valid reports whether n is in its canonical form with a right check character.
func (n JobNumber) Valid() bool {
	s := string(n)
	return len(s) == numberLen && inNumberAlphabet(s) && s[numberLen-1] == checkCharacter(s[:numberLen-1])
}

// Shown returns the number in groups, as it is printed and read out: "K7M-2QX-8".
func (n JobNumber) Shown() string {
	if len(n) != numberLen {
		return string(n)
	}
	return string(n[:3] + "-" + n[3:6] + "-" + n[6:])
}

func inNumberAlphabet(s string) bool {
	for i := range len(s) {
		if strings.IndexByte(numberAlphabet, s[i]) < 0 {
			return false
		}
	}
	return true
}

// everySwapShows reports whether swapping any two neighbours that differ spoils the check character.
func everySwapShows(n string) bool {
	b := []byte(n)
	for i := range len(b) - 1 {
		b[i], b[i+1] = b[i+1], b[i]
		if string(b) != n && b[len(b)-1] == checkCharacter(string(b[:len(b)-1])) {
			return false
		}
		b[i], b[i+1] = b[i+1], b[i]
	}
	return true
}

// checkCharacter computes the check character of ISO/IEC 7064 MOD 37,36 for a string of 0-9 and A-Z.
func checkCharacter(s string) byte {
	const m = len(checkAlphabet)
	p := m
	for i := range len(s) {
		p = (p + strings.IndexByte(checkAlphabet, s[i])) % m
		if p == 0 {
			p = m
		}
		p = p * 2 % (m + 1)
	}
	return checkAlphabet[(m+1-p)%m]
}
