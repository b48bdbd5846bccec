package workflow

import (
	"strings"

	"benchword/workflow/money"
)

// Limits on what people type, in characters. They are generous for a person and small for a machine.
const (
	MaxLine = 200
	MaxText = 8000
	MaxList = 100
)

// line checks a one-line text: no control characters (so no CR or LF), not too long. Bytes that are no
// UTF-8 become U+FFFD, here and in text: what is kept as JSON must come back as it was hashed.
func line(field, what, s string, required bool) (string, error) {
	s = strings.TrimSpace(strings.ToValidUTF8(s, "\ufffd"))
	for _, r := range s {
		if r < 0x20 || r == 0x7f || r == 0x2028 || r == 0x2029 {
			return "", invalid(field, "%s must be a single line without control characters.", what).because("one_line")
		}
	}
	if len([]rune(s)) > MaxLine {
		return "", invalid(field, "%s is too long: at most %d characters fit.", what, MaxLine).because("too_long", MaxLine)
	}
	if required && s == "" {
		return "", invalid(field, "%s is missing.", what).because("missing")
	}
	return s, nil
}

// text checks a longer text; line ends are made plain "\n".
func text(field, what, s string, required bool) (string, error) {
	s = strings.TrimSpace(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.ToValidUTF8(s, "\ufffd")))
	for _, r := range s {
		if (r < 0x20 && r != '\n' && r != '\t') || r == 0x7f {
			return "", invalid(field, "%s holds control characters; please type it again.", what).because("control")
		}
	}
	if n := len([]rune(s)); n > MaxText {
		return "", invalid(field, "%s is too long: %d characters, at most %d fit.", what, n, MaxText).because("too_long", MaxText)
	}
	if required && s == "" {
		return "", invalid(field, "%s is missing.", what).because("missing")
	}
	return s, nil
}

func oneOf[T ~string](field, what string, v T, allowed []T) error {
	for _, a := range allowed {
		if a == v {
			return nil
		}
	}
	return invalid(field, "%s must be one of the choices offered.", what).because("choice")
}

func (t *turn) amount(field, s string) (*money.Amount, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return nil, nil
	}
	a, err := money.Parse(s, t.shop.Currency)
	if err != nil {
		return nil, &Error{Code: CodeInvalid, Field: field, Reason: "amount", Values: []any{s, string(t.shop.Currency)}, Message: "“" + s + "” is not an amount in " + string(t.shop.Currency) + ": " + err.Error() + ".", Err: err}
	}
	return &a, nil
}

// bounded keeps a machine-made text within bounds, without control characters.
func bounded(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 400 {
		s = string(r[:400])
	}
	return s
}
