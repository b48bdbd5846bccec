package money

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// MarshalJSON returns the request in the form that [Request.UnmarshalJSON] reads.
func (r Request) MarshalJSON() ([]byte, error) {
	type plain Request // without this method
	p := plain(r)
	if p.Lines == nil {
		p.Lines = []Line{}
	}
	if p.Taxes == nil {
		p.Taxes = map[string]Tax{}
	}
	return json.Marshal(p)
}

// UnmarshalJSON reads a request as `benchword price` takes it. A field that is missing, unknown, written
// twice or of the wrong kind is an error that names its place: a misspelt "tax" must not become a price
// without tax, and a number that isn't in quotes may have been through a float. "paid", a line's "text"
// and a line's "tax" may be left out.
func (r *Request) UnmarshalJSON(b []byte) error {
	f, err := object(b, "", "currency", "prices", "lines", "taxes", "paid")
	if err != nil {
		return err
	}
	var out Request
	var currency, prices string
	if err := f.text("currency", &currency); err != nil {
		return err
	}
	if err := f.text("prices", &prices); err != nil {
		return err
	}
	out.Currency, out.Prices = Currency(currency), Prices(prices)
	if err := f.decimal("paid", &out.Paid, true); err != nil {
		return err
	}
	var lines []json.RawMessage
	if raw, ok := f.raw["lines"]; !ok || raw[0] != '[' || json.Unmarshal(raw, &lines) != nil {
		return fmt.Errorf("lines: it must be there, and be a list")
	}
	if len(lines) > MaxLines {
		return fmt.Errorf("lines: there are %d; at most %d are possible", len(lines), MaxLines)
	}
	out.Lines = make([]Line, len(lines))
	for i, raw := range lines {
		if err := out.Lines[i].read(raw, fmt.Sprintf("lines[%d].", i)); err != nil {
			return err
		}
	}
	if raw, ok := f.raw["taxes"]; ok {
		taxes, err := object(raw, "taxes.")
		if err != nil {
			return err
		}
		out.Taxes = make(map[string]Tax, len(taxes.raw))
		for _, name := range slices.Sorted(maps.Keys(taxes.raw)) {
			t, err := object(taxes.raw[name], "taxes."+short(name)+".", "percent")
			if err != nil {
				return err
			}
			var percent Decimal
			if err := t.decimal("percent", &percent, false); err != nil {
				return err
			}
			out.Taxes[name] = Tax{percent}
		}
	}
	*r = out
	return nil
}

func (l *Line) read(raw json.RawMessage, at string) error {
	f, err := object(raw, at, "kind", "text", "grade", "quantity", "unit_price", "tax")
	if err != nil {
		return err
	}
	var kind string
	if err := f.text("kind", &kind); err != nil {
		return err
	}
	l.Kind = LineKind(kind)
	if err := f.optional("text", &l.Text); err != nil {
		return err
	}
	var grade string
	if err := f.optional("grade", &grade); err != nil {
		return err
	}
	l.Grade = Grade(grade)
	if err := f.optional("tax", &l.Tax); err != nil {
		return err
	}
	if err := f.decimal("quantity", &l.Quantity, false); err != nil {
		return err
	}
	return f.decimal("unit_price", &l.UnitPrice, false)
}

// fields are the members of one JSON object, with its place for messages: "lines[2].".
type fields struct {
	at  string
	raw map[string]json.RawMessage
}

// object reads a JSON object whose members are among known (any, if none are named), each once.
func object(b []byte, at string, known ...string) (fields, error) {
	where := "the request"
	if at != "" {
		where = strings.TrimSuffix(at, ".")
	}
	f := fields{at, make(map[string]json.RawMessage)}
	dec := json.NewDecoder(bytes.NewReader(b))
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		return f, fmt.Errorf("%s must be a JSON object in braces", where)
	}
	for dec.More() {
		t, err := dec.Token()
		if err != nil {
			return f, fmt.Errorf("%s: %w", where, err)
		}
		name, _ := t.(string) // the decoder gives nothing else before a colon
		if len(known) > 0 && !slices.Contains(known, name) {
			return f, fmt.Errorf("%s%s: this field is not known; known are %s", at, short(name), strings.Join(known, ", "))
		}
		if _, twice := f.raw[name]; twice {
			return f, fmt.Errorf("%s%s: this field is there twice", at, short(name))
		}
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			return f, fmt.Errorf("%s%s: %w", at, short(name), err)
		}
		f.raw[name] = raw
	}
	return f, nil
}

func (f fields) text(name string, to *string) error {
	raw, ok := f.raw[name]
	if !ok {
		return fmt.Errorf("%s%s: it is missing", f.at, name)
	}
	if raw[0] != '"' || json.Unmarshal(raw, to) != nil {
		return fmt.Errorf("%s%s: it must be a text in quotes", f.at, name)
	}
	return nil
}

// optional is text for a field that may be left out or null.
func (f fields) optional(name string, to *string) error {
	if raw, ok := f.raw[name]; !ok || string(raw) == "null" {
		return nil
	}
	return f.text(name, to)
}

func (f fields) decimal(name string, to *Decimal, optional bool) error {
	if _, ok := f.raw[name]; !ok && optional {
		return nil
	}
	var s string
	if err := f.text(name, &s); err != nil {
		return err
	}
	d, err := ParseDecimal(s)
	if err != nil {
		return fmt.Errorf("%s%s: %w", f.at, name, err)
	}
	*to = d
	return nil
}
