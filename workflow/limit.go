package workflow

import (
	"fmt"
	"strings"

	"benchword/workflow/money"
)

// Limit is what a step of a shop's own test is measured in, and what a sound device shows there. None is built in.
type Limit struct {
	Unit       string
	Low, High  *money.Decimal
	Nominal    *money.Decimal
	Tolerance  *money.Decimal
	ExpectOpen bool
	// Text is the limit as the settings write it.
	Text string
}

// ParseLimit reads a limit: "0 to 20 mV", "5 ± 5 % V", "> 100 Mohm" (at least), "< 0.3 ohm" (at most), "open", or a unit
// by itself where a value is only written down.
func ParseLimit(s string) (Limit, error) {
	l := Limit{Text: strings.Join(strings.Fields(s), " ")}
	bad := fmt.Errorf("“%s” is no limit; write it like: 0 to 20 mV, 5 ± 5 %% V, > 100 Mohm, < 0.3 ohm, open", l.Text)
	number := func(s string) (*money.Decimal, error) {
		d, err := money.ParseDecimal(strings.TrimSpace(s))
		return &d, err
	}
	if strings.EqualFold(l.Text, "open") {
		l.ExpectOpen = true
		return l, nil
	}
	cut := strings.LastIndexByte(l.Text, ' ')
	values := ""
	if cut >= 0 {
		values = l.Text[:cut]
	}
	l.Unit = unit(l.Text[cut+1:])
	if l.Unit == "" || strings.ContainsAny(l.Unit, "0123456789<>±") {
		return Limit{}, bad
	}
	var err, other error
	switch low, high, between := strings.Cut(values, " to "); {
	case values == "":
	case between:
		l.Low, err = number(low)
		l.High, other = number(high)
		if err == nil && other == nil && l.Low.Cmp(*l.High) > 0 {
			err = bad
		}
	case strings.HasPrefix(values, ">"):
		l.Low, err = number(values[1:])
	case strings.HasPrefix(values, "<"):
		l.High, err = number(values[1:])
	default:
		nominal, by, _ := strings.Cut(values, "±")
		by, percent := strings.CutSuffix(strings.TrimSpace(by), "%")
		if !percent {
			return Limit{}, bad
		}
		l.Nominal, err = number(nominal)
		l.Tolerance, other = number(by)
	}
	if err != nil || other != nil {
		return Limit{}, bad
	}
	return l, nil
}

// Limit returns what the shop's settings say of a step of a test, by its name or its key; nil where they say nothing.
func (s *Shop) Limit(test, step string) *Limit {
	for name, steps := range s.TestLimits {
		for of, l := range steps {
			if strings.EqualFold(name, test) && strings.EqualFold(of, step) {
				return &l
			}
		}
	}
	return nil
}

// limited puts the shop's limit on a step's reading, where it has one: the result keeps it as it was then. What is
// measured in another unit, or against other bounds, is no reading of that step.
func (t *turn) limited(test string, s *TestStep) error {
	l := t.shop.Limit(test, s.words())
	if l == nil {
		return nil
	}
	if s.Measurement == nil {
		if s.Result == StepPassed {
			return invalid("steps", "“%s” has a limit (%s), so it has not passed without its reading.", s.words(), l.Text)
		}
		return nil
	}
	for _, m := range []*Measurement{s.Measurement, s.Found} {
		if m == nil {
			continue
		}
		if m.Unit = unit(strings.TrimSpace(m.Unit)); m.Unit == "" {
			m.Unit = l.Unit
		}
		if m.Unit != l.Unit && l.Unit != "" {
			return invalid("steps", "“%s” is measured in %s here, not in %s.", s.words(), l.Unit, m.Unit)
		}
		m.Low, m.High, m.Nominal, m.Tolerance, m.ExpectOpen = l.Low, l.High, l.Nominal, l.Tolerance, l.ExpectOpen
	}
	return nil
}
