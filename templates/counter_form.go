package templates

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"benchword/workflow"
)

// Form is a form of the counter as it stands: what was typed, and what was said about it. After a refusal
// everything that was typed is still there, the plain sentence stands beside its field and, with a link to
// it, above the form.
type Form struct {
	// Act is the address that the form is sent to.
	Act string
	// CSRF is the hidden field of the session.
	CSRF string
	// Once makes the step happen once, however often the form is sent.
	Once string
	// Version is the job's version that the form was made from, 0 where that does not matter.
	Version int64
	Values  url.Values
	// Errors are the sentences, in the order of the form; an empty field is about the form as a whole.
	Errors []FieldError
}

// Value gives what was typed into a field.
func (f *Form) Value(name string) string { return f.Values.Get(name) }

// Holds reports whether a choice was made: a radio button, an option, a tick.
func (f *Form) Holds(name, value string) bool { return slices.Contains(f.Values[name], value) }

// ErrorFor gives the sentence about a field, "" if there is none.
func (f *Form) ErrorFor(field string) string { return ErrorFor(f.Errors, field) }

// Add notes a sentence about a field.
func (f *Form) Add(field, sentence string) {
	f.Errors = append(f.Errors, FieldError{Field: field, Message: sentence})
}

// Bad reports whether anything was refused.
func (f *Form) Bad() bool { return len(f.Errors) > 0 }

// Choice is one of the values that a field offers.
type Choice struct{ Value, Words string }

// Field is one field of a form, ready to be shown.
type Field struct {
	Name, ID, Label string
	Value           string
	Hint, Error     string
	// Type, Auto, Mode and Place are the attributes type, autocomplete, inputmode and placeholder.
	Type, Auto, Mode, Place string
	Required                bool
	Rows, Max               int
	Choices                 []FieldChoice
	// Class is added to the field's box.
	Class string
	// Bare hides the label from sight, for a field in a row whose heading says it.
	Bare bool
}

// FieldChoice is a choice with its state.
type FieldChoice struct {
	Choice
	ID     string
	Chosen bool
}

// Described gives the ids of what explains the field, for aria-describedby.
func (f Field) Described() string {
	var ids []string
	if f.Error != "" {
		ids = append(ids, f.ID+"-error")
	}
	if f.Hint != "" {
		ids = append(ids, f.ID+"-hint")
	}
	return strings.Join(ids, " ")
}

// field makes a field; with are settings: "required", "bare", "hint: …", "type: email", "auto: name",
// "mode: decimal", "place: …", "rows: 3", "max: 200", "class: short", "id: …".
func (f *Form) field(name, label string, with []string) Field {
	x := Field{Name: name, ID: name, Label: label, Value: f.Value(name), Type: "text", Rows: 3, Error: f.ErrorFor(name)}
	for _, w := range with {
		key, value, _ := strings.Cut(w, ": ")
		switch key {
		case "required":
			x.Required = true
		case "bare":
			x.Bare = true
		case "hint":
			x.Hint = value
		case "type":
			x.Type = value
		case "auto":
			x.Auto = value
		case "mode":
			x.Mode = value
		case "place":
			x.Place = value
		case "class":
			x.Class = value
		case "id":
			x.ID = value
		case "value":
			x.Value = value
		case "rows":
			x.Rows, _ = strconv.Atoi(value)
		case "max":
			x.Max, _ = strconv.Atoi(value)
		default:
			panic("templates: a field has no setting " + key)
		}
	}
	return x
}

// Line is a field of one line.
func (f *Form) Line(name, label string, with ...string) Field {
	x := f.field(name, label, with)
	if x.Max == 0 {
		x.Max = workflow.MaxLine
	}
	return x
}

// Text is a field of several lines.
func (f *Form) Text(name, label string, with ...string) Field {
	x := f.field(name, label, with)
	if x.Max == 0 {
		x.Max = workflow.MaxText
	}
	return x
}

// Pick is a field with choices, one of which holds: radio buttons or a list.
func (f *Form) Pick(name, label string, choices []Choice, with ...string) Field {
	x := f.field(name, label, with)
	for i, c := range choices {
		x.Choices = append(x.Choices, FieldChoice{c, x.ID + "-" + strconv.Itoa(i), f.Holds(name, c.Value)})
	}
	if len(choices) > 0 && x.Class != "list" {
		// A link in the list of errors leads to the first choice.
		x.Choices[0].ID = x.ID
	}
	return x
}

// Tick is a single box to tick.
func (f *Form) Tick(name, value, label string, with ...string) Field {
	x := f.field(name, label, with)
	x.Choices = []FieldChoice{{Choice{value, label}, x.ID, f.Holds(name, value)}}
	return x
}

// Nth gives the i-th value typed under a name that stands in every row of a list.
func (f *Form) Nth(name string, i int) string {
	if v := f.Values[name]; i < len(v) {
		return v[i]
	}
	return ""
}
