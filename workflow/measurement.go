package workflow

import "benchword/workflow/money"

// Measurement is a measured value as evidence: what an instrument showed, and what a sound device shows.
type Measurement struct {
	Value money.Decimal `json:"value"`
	// Unit is as the trade writes it: "V", "µF", "ohm".
	Unit string `json:"unit"`
	// Low and High bound what is expected, both included, in the same unit; either may be left out.
	Low  *money.Decimal `json:"low,omitempty"`
	High *money.Decimal `json:"high,omitempty"`
	// Instrument is what it was measured with: "multimeter 2, 10 Mohm".
	Instrument string `json:"instrument,omitempty"`
}

// Fit says how a measurement compares with what is expected.
type Fit string

const (
	FitUnsaid Fit = "" // nothing is said to be expected
	FitWithin Fit = "within"
	FitBelow  Fit = "below"
	FitAbove  Fit = "above"
)

// Fit compares the value with what is expected, exactly.
func (m *Measurement) Fit() Fit {
	switch {
	case m.Low != nil && m.Value.Cmp(*m.Low) < 0:
		return FitBelow
	case m.High != nil && m.Value.Cmp(*m.High) > 0:
		return FitAbove
	case m.Low == nil && m.High == nil:
		return FitUnsaid
	}
	return FitWithin
}

// String returns value and unit: "9.1 V".
func (m *Measurement) String() string { return m.Value.String() + " " + m.Unit }

// checkMeasurement cleans a measurement, which may be nil, and returns the reading that stands for it where
// none was typed.
func checkMeasurement(m *Measurement, reading string) (*Measurement, string, error) {
	if m == nil {
		return nil, reading, nil
	}
	out := *m
	var err error
	if out.Unit, err = line("unit", "The unit", out.Unit, true); err != nil {
		return nil, "", err
	}
	if out.Instrument, err = line("instrument", "The instrument", out.Instrument, false); err != nil {
		return nil, "", err
	}
	if out.Low != nil && out.High != nil && out.Low.Cmp(*out.High) > 0 {
		return nil, "", invalid("low", "The expected range goes from the smaller value to the larger one; these are the other way round.")
	}
	if reading == "" {
		reading = out.String()
	}
	return &out, reading, nil
}
