package counter

import (
	"strings"

	"benchword/workflow"
	"benchword/workflow/money"
)

// decimal reads a number as people type it.
func decimal(s string) (*money.Decimal, bool) {
	d, err := money.ParseDecimal(strings.Replace(strings.Replace(strings.TrimSpace(s), "−", "-", 1), ",", ".", 1))
	return &d, err == nil
}

// instrumentShown reads what an instrument showed: "9.1", ">100", "<0.1", "0.2 to 40", "open", "over" or "OL".
func instrumentShown(s string, m *workflow.Measurement) bool {
	s = strings.TrimSpace(s)
	switch strings.ToLower(s) {
	case "open":
		m.Is = workflow.ValueOpen
		return true
	case "over", "over range", "ol", "o.l.", "o.l":
		m.Is = workflow.ValueOver
		return true
	}
	for sign, is := range map[string]workflow.ValueIs{">": workflow.ValueMore, "<": workflow.ValueLess} {
		if rest, ok := strings.CutPrefix(s, sign); ok {
			m.Is, s = is, rest
		}
	}
	for _, between := range []string{" to ", "…", "..", "–"} {
		if from, to, ok := strings.Cut(s, between); ok {
			if m.To, ok = decimal(to); !ok {
				return false
			}
			s = from
			break
		}
	}
	d, ok := decimal(s)
	m.Value = *d
	return ok
}

// unitOf reads a unit, with the kind of current where it says that: "V AC", "VDC".
func unitOf(s string) (unit string, as workflow.Waveform) {
	s = strings.TrimSpace(s)
	lower := strings.ToLower(s)
	for _, w := range workflow.Waveforms {
		short := map[workflow.Waveform]string{"peak": "p"}[w]
		for _, end := range []string{" " + string(w), string(w), " " + short} {
			if len(end) > 1 && len(s) > len(end) && strings.HasSuffix(lower, end) {
				return strings.TrimSpace(s[:len(s)-len(end)]), w
			}
		}
	}
	return s, ""
}

// measurement reads the fields of a measurement, whose names end in at; nil if they were left empty.
func (r *request) measurement(at string) *workflow.Measurement {
	typed := func(name string) string { return strings.TrimSpace(r.value(name + at)) }
	if typed("value") == "" {
		for _, name := range []string{"low", "high"} {
			if typed(name) != "" {
				r.form.Add("value"+at, "The value is missing: what did the instrument show?")
				return nil
			}
		}
		if at == "" && typed("unit")+typed("instrument")+typed("conditions") != "" {
			r.form.Add("value", "The value is missing: what did the instrument show?")
		}
		return nil
	}
	m := &workflow.Measurement{Instrument: typed("instrument"), Conditions: typed("conditions")}
	if !instrumentShown(typed("value"), m) {
		r.form.Add("value"+at, "The value must be a number, like 9.1, or >100, <0.1, 0.2 to 40, open, over; the unit has a field of its own.")
	}
	m.Unit, m.As = unitOf(typed("unit"))
	r.expected(m, at)
	if m.Unit == "" && m.Is != workflow.ValueOpen && m.Is != workflow.ValueOver {
		r.form.Add("unit"+at, "The unit is missing: V, A, ohm, µF?")
	}
	return m
}

// expected reads what a sound device shows: two bounds, or "5 ± 5 %", or "open".
func (r *request) expected(m *workflow.Measurement, at string) {
	low := strings.TrimSpace(r.value("low" + at))
	if strings.EqualFold(low, "open") {
		m.ExpectOpen = true
		return
	}
	if nominal, by, ok := strings.Cut(strings.Replace(low, "+-", "±", 1), "±"); ok {
		var a, b bool
		m.Nominal, a = decimal(nominal)
		m.Tolerance, b = decimal(strings.TrimSuffix(strings.TrimSpace(by), "%"))
		if !a || !b {
			r.form.Add("low"+at, "Write what is expected like 5 ± 5 %.")
		}
		return
	}
	for name, to := range map[string]**money.Decimal{"low": &m.Low, "high": &m.High} {
		if s := strings.TrimSpace(r.value(name + at)); s != "" {
			d, ok := decimal(s)
			if !ok {
				r.form.Add(name+at, "What is expected must be a number, like 9.1; the unit has a field of its own.")
			}
			*to = d
		}
	}
}

// fillMeasurement puts a measurement into the form's fields.
func (r *request) fillMeasurement(m *workflow.Measurement) {
	if m == nil {
		return
	}
	v := r.form.Values
	value := m.Value.String()
	switch {
	case m.Is == workflow.ValueOpen || m.Is == workflow.ValueOver:
		value = string(m.Is)
	case m.Is == workflow.ValueMore:
		value = ">" + value
	case m.Is == workflow.ValueLess:
		value = "<" + value
	case m.To != nil:
		value += " to " + m.To.String()
	}
	v.Set("value", value)
	v.Set("unit", strings.TrimSpace(m.Unit+" "+string(m.As)))
	v.Set("instrument", m.Instrument)
	v.Set("conditions", m.Conditions)
	switch {
	case m.ExpectOpen:
		v.Set("low", "open")
	case m.Nominal != nil && m.Tolerance != nil:
		v.Set("low", m.Nominal.String()+" ± "+m.Tolerance.String()+" %")
	default:
		if m.Low != nil {
			v.Set("low", m.Low.String())
		}
		if m.High != nil {
			v.Set("high", m.High.String())
		}
	}
}

// Units are those offered beside a value.
func (jobBase) Units() []string { return workflow.Units }
