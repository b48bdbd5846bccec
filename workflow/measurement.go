package workflow

import (
	"cmp"
	"math/big"
	"strings"

	"benchword/workflow/money"
)

// Measurement is a measured value as evidence: what an instrument showed, and what a sound device shows.
type Measurement struct {
	Value money.Decimal `json:"value"`
	// Is says how Value is meant, "" for exactly so.
	Is ValueIs `json:"is,omitempty"`
	// To is the other end of what was shown, where it wandered between two values.
	To *money.Decimal `json:"to,omitempty"`
	// Unit is as the trade writes it: "V", "µF", "ohm".
	Unit string `json:"unit"`
	// As is the kind of current or voltage, "" where that says nothing.
	As Waveform `json:"as,omitempty"`
	// Low and High bound what is expected, both included, in the same unit; either may be left out.
	Low  *money.Decimal `json:"low,omitempty"`
	High *money.Decimal `json:"high,omitempty"`
	// Nominal and Tolerance (in percent) say it the other way; Low and High follow from them.
	Nominal   *money.Decimal `json:"nominal,omitempty"`
	Tolerance *money.Decimal `json:"tolerance,omitempty"`
	// ExpectOpen: a sound device shows no connection here.
	ExpectOpen bool `json:"expect_open,omitempty"`
	// Conditions are under what it was measured: "under 2 A, 230 V mains, warm".
	Conditions string `json:"conditions,omitempty"`
	// Instrument is what it was measured with: "multimeter 2, 10 Mohm". Calibration is what the shop's list
	// said of it then, nil where it isn't on the list.
	Instrument  string       `json:"instrument,omitempty"`
	Calibration *Calibration `json:"calibration,omitempty"`
}

// ValueIs says how a value is meant.
type ValueIs string

const (
	ValueOpen ValueIs = "open" // no connection
	ValueOver ValueIs = "over" // more than the instrument can show
	ValueMore ValueIs = "more" // more than the value
	ValueLess ValueIs = "less" // less than the value
)

// ValueKinds lists all but the plain value, in the order in which a form offers them.
var ValueKinds = []ValueIs{ValueMore, ValueLess, ValueOpen, ValueOver}

// Waveform is a kind of current or voltage.
type Waveform string

// Waveforms lists them.
var Waveforms = []Waveform{"dc", "ac", "peak"}

// Units are those that a form offers. Others can be typed.
var Units = []string{"V", "mV", "A", "mA", "µA", "W", "ohm", "mohm", "kohm", "Mohm", "µF", "nF", "pF", "mH", "µH", "Hz", "kHz", "MHz", "s", "ms", "°C", "%", "dB", "dBm", "mm", "bar", "rpm"}

// unit writes a unit as the list does: on a phone prefixes are typed in many ways.
func unit(s string) string {
	s = strings.NewReplacer("Ω", "ohm", "Ω", "ohm", "μ", "µ", "Ohm", "ohm", "OHM", "ohm", "ohms", "ohm").Replace(s)
	if rest, ok := strings.CutPrefix(s, "u"); ok && len(rest) > 0 && strings.Contains("AFHVWms", rest[:1]) {
		s = "µ" + rest
	}
	switch s {
	case "Kohm", "K", "k":
		return "kohm"
	case "M", "meg":
		return "Mohm"
	case "hz":
		return "Hz"
	case "khz", "KHz":
		return "kHz"
	case "v":
		return "V"
	case "a":
		return "A"
	case "C", "degC":
		return "°C"
	}
	return s
}

// Fit says how a measurement compares with what is expected.
type Fit string

const (
	FitUnsaid Fit = "" // nothing is said to be expected, or the value does not tell
	FitWithin Fit = "within"
	FitBelow  Fit = "below"
	FitAbove  Fit = "above"
)

// Fit compares the value with what is expected, exactly. Where the instrument showed only that it is more, or less,
// than a value, it says no more than that tells.
func (m *Measurement) Fit() Fit {
	end := cmp.Or(m.To, &m.Value)
	endless := m.Is == ValueOpen || m.Is == ValueOver
	switch {
	case m.ExpectOpen && endless:
		return FitWithin
	case m.ExpectOpen:
		return FitBelow
	case m.Low == nil && m.High == nil:
		return FitUnsaid
	case endless && m.High != nil:
		return FitAbove
	case endless:
		return FitWithin
	case m.Is == ValueMore && m.High != nil && m.Value.Cmp(*m.High) >= 0:
		return FitAbove
	case m.Is == ValueMore && m.High == nil && m.Value.Cmp(*m.Low) >= 0:
		return FitWithin
	case m.Is == ValueLess && m.Low != nil && m.Value.Cmp(*m.Low) <= 0:
		return FitBelow
	case m.Is == ValueLess && m.Low == nil && m.Value.Cmp(*m.High) <= 0:
		return FitWithin
	case m.Is != "":
		return FitUnsaid
	case m.Low != nil && m.Value.Cmp(*m.Low) < 0:
		return FitBelow
	case m.High != nil && end.Cmp(*m.High) > 0:
		return FitAbove
	}
	return FitWithin
}

// String returns value and unit for the bench: "9.1 V", "open", "> 100 Mohm", "0.2 to 40 ohm".
func (m *Measurement) String() string {
	out := m.Value.String() + " " + m.Unit
	switch {
	case m.Is == ValueOpen:
		return "open"
	case m.Is == ValueOver:
		return "over range"
	case m.Is == ValueMore:
		out = "> " + out
	case m.Is == ValueLess:
		out = "< " + out
	case m.To != nil:
		out = m.Value.String() + " to " + m.To.String() + " " + m.Unit
	}
	if m.As != "" {
		out += " " + string(m.As)
	}
	return out
}

func (m *Measurement) clone() *Measurement {
	if m == nil {
		return nil
	}
	out := *m
	return &out
}

// spread returns the bounds that a nominal value and its tolerance in percent make.
func spread(nominal, percent money.Decimal) (low, high money.Decimal, err error) {
	rat := func(d money.Decimal) *big.Rat { r, _ := new(big.Rat).SetString(d.String()); return r }
	by := new(big.Rat).Quo(new(big.Rat).Mul(rat(nominal), rat(percent)), big.NewRat(100, 1))
	by.Abs(by)
	plain := func(r *big.Rat) (money.Decimal, error) {
		s := r.FloatString(money.MaxDecimals)
		return money.ParseDecimal(strings.TrimSuffix(strings.TrimRight(s, "0"), "."))
	}
	if low, err = plain(new(big.Rat).Sub(rat(nominal), by)); err != nil {
		return low, high, err
	}
	high, err = plain(new(big.Rat).Add(rat(nominal), by))
	return low, high, err
}

// measurement cleans a measurement, which may be nil, and returns the reading that stands for it where none was typed.
func (t *turn) measurement(m *Measurement, reading string) (*Measurement, string, error) {
	if m == nil {
		return nil, reading, nil
	}
	out := *m
	var err error
	if out.Unit, err = line("unit", "The unit", out.Unit, out.Is != ValueOpen && out.Is != ValueOver); err != nil {
		return nil, "", err
	}
	out.Unit = unit(out.Unit)
	if out.Is != "" {
		if err := oneOf("is", "How the value is meant", out.Is, ValueKinds); err != nil {
			return nil, "", err
		}
	}
	if out.As != "" {
		if err := oneOf("as", "The kind of current or voltage", out.As, Waveforms); err != nil {
			return nil, "", err
		}
	}
	if out.Is == ValueOpen || out.Is == ValueOver {
		out.Value, out.To = money.Decimal{}, nil
	}
	if out.To != nil && (out.Is != "" || out.Value.Cmp(*out.To) > 0) {
		return nil, "", invalid("to", "What was shown goes from the smaller value to the larger one.")
	}
	if out.Conditions, err = line("conditions", "The conditions", out.Conditions, false); err != nil {
		return nil, "", err
	}
	if out.Instrument, err = line("instrument", "The instrument", out.Instrument, false); err != nil {
		return nil, "", err
	}
	out.Calibration = t.calibration(out.Instrument)
	switch {
	case out.Nominal != nil && out.Tolerance != nil:
		low, high, err := spread(*out.Nominal, *out.Tolerance)
		if err != nil || out.Tolerance.Sign() < 0 {
			return nil, "", invalid("tolerance", "The tolerance is a percentage of what is expected, like 5.")
		}
		out.Low, out.High = &low, &high
	case out.Nominal != nil || out.Tolerance != nil:
		return nil, "", invalid("tolerance", "A value that is expected and its tolerance in percent go together.")
	}
	if out.Low != nil && out.High != nil && out.Low.Cmp(*out.High) > 0 {
		return nil, "", invalid("low", "The expected range goes from the smaller value to the larger one; these are the other way round.")
	}
	if reading == "" {
		reading = out.String()
	}
	return &out, reading, nil
}
