package counter

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/money"
)

// form is a form of the counter as it stands: what was typed, and what was said about it. After a refusal
// everything that was typed is still there, the plain sentence stands beside its field and, with a link to
// it, above the form.
type form struct {
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
	Errors []templates.FieldError
}

// Value returns what was typed into a field.
func (f *form) Value(name string) string { return f.Values.Get(name) }

// Holds reports whether a choice was made: a radio button, an option, a tick.
func (f *form) Holds(name, value string) bool { return slices.Contains(f.Values[name], value) }

// ErrorFor returns the sentence about a field, "" if there is none.
func (f *form) ErrorFor(field string) string { return templates.ErrorFor(f.Errors, field) }

// Add notes a sentence about a field.
func (f *form) Add(field, sentence string) {
	f.Errors = append(f.Errors, templates.FieldError{Field: field, Message: sentence})
}

// Bad reports whether anything was refused.
func (f *form) Bad() bool { return len(f.Errors) > 0 }

// choice is one of the values that a field offers.
type choice struct{ Value, Words string }

// field is one field of a form, ready to be shown.
type field struct {
	Name, ID, Label string
	Value           string
	Hint, Error     string
	// Type, Auto, Mode and Place are the attributes type, autocomplete, inputmode and placeholder.
	Type, Auto, Mode, Place string
	Required                bool
	Rows, Max               int
	Choices                 []fieldChoice
	// List is the id of the list that offers values.
	List string
	// Class is added to the field's box.
	Class string
	// Bare hides the label from sight, for a field in a row whose heading says it.
	Bare bool
}

// fieldChoice is a choice with its state.
type fieldChoice struct {
	choice
	ID     string
	Chosen bool
}

// Described returns the ids of what explains the field, for aria-describedby.
func (f field) Described() string {
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
func (f *form) field(name, label string, with []string) field {
	x := field{Name: name, ID: name, Label: label, Value: f.Value(name), Type: "text", Rows: 3, Error: f.ErrorFor(name)}
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
		case "list":
			x.List = value
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
			panic("counter: a field has no setting " + key)
		}
	}
	return x
}

// Line is a field of one line.
func (f *form) Line(name, label string, with ...string) field {
	x := f.field(name, label, with)
	if x.Max == 0 {
		x.Max = workflow.MaxLine
	}
	return x
}

// Text is a field of several lines.
func (f *form) Text(name, label string, with ...string) field {
	x := f.field(name, label, with)
	if x.Max == 0 {
		x.Max = workflow.MaxText
	}
	return x
}

// Pick is a field with choices, one of which holds: radio buttons or a list.
func (f *form) Pick(name, label string, choices []choice, with ...string) field {
	x := f.field(name, label, with)
	for i, c := range choices {
		x.Choices = append(x.Choices, fieldChoice{c, x.ID + "-" + strconv.Itoa(i), f.Holds(name, c.Value)})
	}
	if len(choices) > 0 && x.Class != "list" {
		// A link in the list of errors leads to the first choice.
		x.Choices[0].ID = x.ID
	}
	return x
}

// Tick is a single box to tick.
func (f *form) Tick(name, value, label string, with ...string) field {
	x := f.field(name, label, with)
	x.Choices = []fieldChoice{{choice{value, label}, x.ID, f.Holds(name, value)}}
	return x
}

// Nth returns the i-th value typed under a name that stands in every row of a list.
func (f *form) Nth(name string, i int) string {
	if v := f.Values[name]; i < len(v) {
		return v[i]
	}
	return ""
}

// rowNumber counts the rows of a list in a form, from 0.
type rowNumber struct {
	Index int
	// Extra marks an empty row that is there to be filled in.
	Extra bool
}

// Shown counts from 1.
func (r rowNumber) Shown() int { return r.Index + 1 }

// Value returns the index as a form sends it.
func (r rowNumber) Value() string { return strconv.Itoa(r.Index) }

// formRows returns the rows of a list that holds n entries, with some to spare.
func formRows(n, spare int) []rowNumber {
	var out []rowNumber
	for i := range n + spare {
		out = append(out, rowNumber{i, i >= n})
	}
	return out
}

func choices[T ~string](of []T, words map[T]string) []choice {
	var out []choice
	for _, v := range of {
		out = append(out, choice{string(v), words[v]})
	}
	return out
}

// amount reads what people type for money: spaces and a decimal comma are theirs, and a whole sum needs
// no decimals. What can't be read is left to the domain to refuse.
func (x *counter) amount(s string) string {
	s = plainNumber(s)
	if d, err := money.ParseDecimal(s); err == nil {
		if a, err := money.Exact(d, x.s.Shop().Currency); err == nil {
			return a.Plain()
		}
	}
	return s
}

// plainNumber drops spaces and turns a single decimal comma into a point.
func plainNumber(s string) string {
	s = strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "").Replace(strings.TrimSpace(s))
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	return s
}

func itoa(n int) string { return strconv.Itoa(n) }

// filled counts the values up to the last that is not empty.
func filled(values []string) int {
	n := 0
	for i, s := range values {
		if strings.TrimSpace(s) != "" {
			n = i + 1
		}
	}
	return n
}

func (x *counter) whole(f *form, name, what string) int {
	s := strings.TrimSpace(f.Value(name))
	if s == "" {
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 0 {
		f.Add(name, what+" must be a whole number.")
		return 0
	}
	return n
}

// Answers are the answers to a screening question.
func (jobBase) Answers() []choice { return answerChoices }

// Ticks offers choices to tick, any number of them.
func (p jobBase) Ticks(name, label string, choices []choice) field {
	f := field{Name: name, ID: name, Label: label}
	for i, c := range choices {
		f.Choices = append(f.Choices, fieldChoice{c, name + "-" + strconv.Itoa(i), p.Form.Holds(name, c.Value)})
	}
	return f
}
