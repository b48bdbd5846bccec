package templates

import (
	"benchword/templates/locale"
	"benchword/workflow"
)

// Field is a field of a form on a customer's page, with what was typed and what was said about it.
type Field struct {
	Name, Label, Hint, Value string
	Error, ErrorWord         string
	// Type, Auto and Mode are the attributes type, autocomplete and inputmode; Rows are those of a text of several lines.
	Type, Auto, Mode string
	Rows, Max        int
}

// Described returns the ids of what explains the field, for aria-describedby.
func (f Field) Described() string {
	switch hint, bad := f.Name+"-hint", f.Name+"-error"; {
	case f.Hint != "" && f.Error != "":
		return hint + " " + bad
	case f.Hint != "":
		return hint
	case f.Error != "":
		return bad
	}
	return ""
}

// PickView is one of a few answers to choose from.
type PickView struct {
	Value, Words string
	Chosen       bool
}

// Details is the page on which the customer sees and changes their own data.
type Details struct {
	Page
	Number, Device string
	// Base is the address of the job's page.
	Base string
	// Reach is how they are reached, Papers what stands on papers beside the name.
	Reach, Papers []Field
	Limit         Field
	Languages     []LanguageView
	Language      string
	// Returns, Insured and Data say what is to be done with parcel and data; Passcode unlocks the device, Given says
	// since when there is one. Ended: the device has left, and nothing of it is asked.
	Returns, Data     []PickView
	Insured, Passcode Field
	Given             []string
	Ended             bool
	// Waits says what a change waits for, Waiting what it is; "" for none.
	Waits   string
	Waiting []string
	Errors  []FieldError
}

// Template implements [View].
func (*Details) Template() string { return "customer/details.html" }

// DetailsTyped are the fields of the page as they were typed; Of fills them from the job.
type DetailsTyped struct {
	workflow.Person
	Limit, Insured string
	Data           workflow.DataLeave
	Return         workflow.ReturnBy
}

// DetailsTypedOf returns what the fields hold before anything was typed.
func DetailsTypedOf(j *workflow.Job) DetailsTyped {
	c := j.Customer
	t := DetailsTyped{Data: j.Wishes.Data, Return: j.Wishes.Return, Person: workflow.Person{
		Name: c.Name.Text, Email: c.Email.Text, Phone: c.Phone.Text, Address: c.Address.Text, Company: c.Company.Text, TaxNumber: c.TaxNumber.Text,
		Language: c.Language, TimeZone: c.TimeZone,
	}}
	if j.Limit != nil {
		t.Limit = j.Limit.Plain()
	}
	if j.Wishes.Insured != nil {
		t.Insured = j.Wishes.Insured.Plain()
	}
	return t
}

// DetailsOf makes the page with what was typed.
func DetailsOf(page Page, j *workflow.Job, shop *workflow.Shop, base string, typed DetailsTyped, errs []FieldError) *Details {
	v := &Details{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Base: base, Language: typed.Language, Ended: j.Ended(), Errors: errs}
	w := v.Words()
	field := func(name, label, hint, value string) Field {
		return Field{Name: name, Label: label, Hint: hint, Value: value, Error: ErrorFor(errs, name), ErrorWord: w.T("form.error"), Type: "text", Max: workflow.MaxLine}
	}
	with := func(f Field, kind, auto string) Field {
		f.Type, f.Auto = kind, auto
		return f
	}
	address := field("address", w.T("details.address"), "", typed.Address)
	address.Rows, address.Max, address.Auto = 4, 1000, "street-address"
	v.Reach = []Field{
		with(field("name", w.T("book.name"), "", typed.Name), "text", "name"),
		with(field("email", w.T("book.email"), "", typed.Email), "email", "email"),
		with(field("phone", w.T("book.phone"), "", typed.Phone), "tel", "tel"),
		address,
	}
	v.Papers = []Field{
		with(field("company", w.T("details.company"), w.T("details.company.hint"), typed.Company), "text", "organization"),
		field("tax_number", w.T("details.tax"), "", typed.TaxNumber),
	}
	v.Limit = field("limit", w.T("book.limit", string(shop.Currency)), w.T("book.limit.hint"), typed.Limit)
	v.Insured = field("insured", w.T("details.insured", string(shop.Currency)), "", typed.Insured)
	v.Limit.Mode, v.Insured.Mode = "decimal", "decimal"
	v.Passcode = with(field("passcode", w.T("details.passcode"), w.T("details.passcode.hint"), ""), "text", "off")
	v.Languages = LanguagesOf(page.Catalogue, shop)
	v.Returns, v.Data = ReturnPicks(w, typed.Return), DataPicks(w, typed.Data)
	loc := zoneOf(shop)
	if p := j.Passcode; p != nil {
		v.Given = append(v.Given, w.T("details.passcode.given", w.Date(p.At, loc)))
		if n := len(p.SeenAt); n > 0 {
			v.Given = append(v.Given, w.T("details.passcode.seen", w.Date(p.SeenAt[n-1], loc)))
		}
	}
	if x := j.OpenChange(); x != nil {
		v.Waiting = ChangeLines(x, w)
		if v.Waits = w.T("details.waits.ring"); j.Customer.Email.Text != "" {
			v.Waits = w.T("details.waits", j.Customer.Email.Text)
		}
	}
	return v
}

// ReturnPicks are the ways to have it back.
func ReturnPicks(w *locale.Words, chosen workflow.ReturnBy) (out []PickView) {
	for _, r := range workflow.ReturnBys {
		out = append(out, PickView{string(r), w.T("details.return." + string(r)), r == chosen})
	}
	return out
}

// DataPicks are what may be done with the data on it.
func DataPicks(w *locale.Words, chosen workflow.DataLeave) (out []PickView) {
	for _, d := range workflow.DataLeaves {
		out = append(out, PickView{string(d), w.T("details.data." + string(d)), d == chosen})
	}
	return out
}

// LanguagesOf are the languages that a shop answers in, each by its own name.
func LanguagesOf(c *locale.Set, shop *workflow.Shop) (out []LanguageView) {
	for _, l := range shop.Languages {
		if w := c.For(l); w.Lang == l {
			out = append(out, LanguageView{Tag: l, Name: w.T("language")})
		}
	}
	return out
}

// ChangeLines says what a change is to make of the ways to reach the customer, a line each.
func ChangeLines(x *workflow.Change, w *locale.Words) (out []string) {
	for _, of := range x.Of {
		value := x.Value(of)
		if value == "" {
			value = w.T("details.none")
		}
		out = append(out, w.Named(w.T("details.of."+of), value))
	}
	return out
}
