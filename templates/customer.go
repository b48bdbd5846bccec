package templates

import (
	"slices"

	"benchword/workflow"
)

// Home is the front page: what this is, and the ways in.
type Home struct {
	Page
	// Days is the usual turnaround in working days, 0 if the shop names none.
	Days int
}

// Template implements [View].
func (*Home) Template() string { return "customer/home.html" }

// BookForm is the booking form. What was typed stays in it.
type BookForm struct {
	Page
	Name, Email, Phone, Address        string
	Kind, Maker, Model, Fault          string
	Inbound, Limit, TimeZone, Language string
	Languages                          []LanguageView
	Currency                           string
	Days                               int
	// Fee says what finding the cause costs, "" for nothing.
	Fee string
	// Levels are the levels of service to choose from, Level the one chosen.
	Levels []LevelChoice
	Level  string
	// Cell says whether a battery in it may be damaged, "" if nobody said yet; Cells are the answers, with their words.
	Cell  string
	Cells []BookQuestion
	// Asked are short questions whose answers are read before the parcel is opened.
	Asked  []BookQuestion
	Errors []FieldError
}

// BookQuestion is a short question of the booking form with what was typed, or an answer with its words.
type BookQuestion struct{ Name, Value string }

// Answered reports whether one of the short questions was answered.
func (b *BookForm) Answered() bool {
	return slices.ContainsFunc(b.Asked, func(q BookQuestion) bool { return q.Value != "" })
}

// LanguageView is a language to choose.
type LanguageView struct{ Tag, Name string }

// Template implements [View].
func (*BookForm) Template() string { return "customer/book.html" }

// ErrorFor returns the sentence about a field of the form.
func (b *BookForm) ErrorFor(field string) string { return ErrorFor(b.Errors, field) }

// Booked confirms a booking: the number, where to send the parcel, and the customer's link.
type Booked struct {
	Page
	Number, Device, Fault string
	// Track is the link's address on this server; TrackFull the same with the host, to write down.
	Track, TrackFull string
	// Mailed reports that the same goes to the customer by mail.
	Mailed bool
	// Confirms: it counts once the button in that email was pressed.
	Confirms bool
	// When and WhenMore say when it will be back, as the job's page does.
	When, WhenMore string
}

// Template implements [View].
func (*Booked) Template() string { return "customer/booked.html" }

// Find is the page that mails a fresh link, and its answer, which is always the same.
type Find struct {
	Page
	Number, Email string
	Errors        []FieldError
	// Asked shows the answer in place of the form.
	Asked bool
}

// Template implements [View].
func (*Find) Template() string { return "customer/find.html" }

// ErrorFor returns the sentence about a field of the form.
func (f *Find) ErrorFor(field string) string { return ErrorFor(f.Errors, field) }

// Packing is the packing guide with its cautions.
type Packing struct{ Page }

// Template implements [View].
func (*Packing) Template() string { return "customer/packing.html" }

// Notices is the page on which the customer chooses what to be mailed about.
type Notices struct {
	Page
	Number, Device string
	// Base is the address of the job's page.
	Base    string
	Choices []NoticeChoiceView
}

// NoticeChoiceView is a way to be told.
type NoticeChoiceView struct {
	Value, Words, More string
	Chosen             bool
}

// NoticesOf makes the page.
func NoticesOf(page Page, j *workflow.Job, base string) *Notices {
	v := &Notices{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Base: base}
	for _, c := range workflow.NoticeChoices {
		key := "notices." + string(c)
		v.Choices = append(v.Choices, NoticeChoiceView{string(c), v.T(key), v.T(key + ".more"), j.Choice() == c})
	}
	return v
}

// Template implements [View].
func (*Notices) Template() string { return "customer/notices.html" }

// SharePage is where the customer makes the link that they can pass on.
type SharePage struct {
	Page
	Number, Device string
	// Base is the address of the job's page.
	Base string
	// Link is the link to pass on, whole, "" before there is one; Until is when it ends.
	Link, Until string
}

// Template implements [View].
func (*SharePage) Template() string { return "customer/share.html" }

// ConfirmPage is where the address on file says whether a message, or a booking, is its reader's.
type ConfirmPage struct {
	Page
	Number, Device string
	// Booking: it is about a booking; else about the message with this text, written on a day, or about a change.
	Booking    bool
	Text, When string
	// Change says what is to change, a line each; Moved is the new email address that links go to now, "" for none.
	Change []string
	Moved  string
	// Said is the answer that was given, "" before.
	Said workflow.Confirmed
	// Act is where the answer goes; Track the job's page, "" where the answer does not lead there.
	Act, Track string
}

// Template implements [View].
func (*ConfirmPage) Template() string { return "customer/confirm.html" }

// Answered says what follows from the answer.
func (v *ConfirmPage) Answered() string {
	switch yes := v.Said == workflow.ConfirmedYes; {
	case v.Booking && yes:
		return v.T("confirm.booking.yes")
	case v.Change != nil && v.Moved != "":
		return v.T("confirm.change.moved", v.Moved)
	case v.Change != nil && yes:
		return v.T("confirm.change.yes")
	case v.Change != nil:
		return v.T("confirm.change.no")
	case v.Booking:
		return v.T("confirm.booking.no")
	case yes:
		return v.T("confirm.yes")
	}
	return v.T("confirm.no")
}

// ConfirmOf makes the page about a message, 0 for the booking, or a change below zero.
func ConfirmOf(page Page, j *workflow.Job, message int, shop *workflow.Shop) *ConfirmPage {
	v := &ConfirmPage{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Booking: true}
	v.Title = v.T("confirm.booking.title")
	if n := -message; n > 0 && n <= len(j.OwnChanges) {
		x := &j.OwnChanges[n-1]
		v.Booking, v.Change, v.When, v.Said = false, ChangeLines(x, v.Words()), v.Words().Date(x.At, shop.Calendar.Location()), x.Said
		v.Title = v.T("confirm.change.title")
	} else if message > 0 && message <= len(j.Messages) {
		m := &j.Messages[message-1]
		v.Booking, v.Text, v.When, v.Said = false, m.Text.Text, v.Words().Date(m.At, shop.Calendar.Location()), m.Confirmed
		v.Title = v.T("confirm.title")
	} else if !j.Unproven {
		v.Said = workflow.ConfirmedYes
	}
	return v
}
