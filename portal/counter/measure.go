package counter

import (
	"strings"

	"benchword/workflow"
	"benchword/workflow/money"
)

// measurement reads the fields of a measurement; nil if its value and unit were left empty.
func (r *request) measurement() *workflow.Measurement {
	typed := func(name string) string { return strings.TrimSpace(r.value(name)) }
	decimal := func(name, what string) *money.Decimal {
		s := typed(name)
		if s == "" {
			return nil
		}
		d, err := money.ParseDecimal(strings.Replace(strings.Replace(s, "−", "-", 1), ",", ".", 1))
		if err != nil {
			r.form.Add(name, what+" must be a number, like 9.1; the unit has a field of its own.")
			return nil
		}
		return &d
	}
	if typed("value") == "" {
		for _, name := range []string{"unit", "low", "high", "instrument"} {
			if typed(name) != "" {
				r.form.Add("value", "The value is missing: what did the instrument show?")
				return nil
			}
		}
		return nil
	}
	m := &workflow.Measurement{Unit: typed("unit"), Instrument: typed("instrument"), Low: decimal("low", "The smallest value expected"), High: decimal("high", "The largest value expected")}
	if v := decimal("value", "The value"); v != nil {
		m.Value = *v
	}
	if m.Unit == "" {
		r.form.Add("unit", "The unit is missing: V, A, ohm, µF?")
	}
	return m
}

// fillMeasurement puts a measurement into the form's fields.
func (r *request) fillMeasurement(m *workflow.Measurement) {
	if m == nil {
		return
	}
	v := r.form.Values
	v.Set("value", m.Value.String())
	v.Set("unit", m.Unit)
	v.Set("instrument", m.Instrument)
	if m.Low != nil {
		v.Set("low", m.Low.String())
	}
	if m.High != nil {
		v.Set("high", m.High.String())
	}
}
