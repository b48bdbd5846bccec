package workflow

import (
	"regexp"
	"slices"
	"strings"
	"time"

	"benchword/workflow/link"
)

// What is confirmed at the email address on file.
//
// # Decisions
//
//   - 2026-11-30: An address that nobody has confirmed, and for which nothing has come in, is written to without a word
//     of the booker's, not even the kind of device. Rejected: taking web addresses out of the words, since mail programs
//     make links of bare text, and the words alone can frighten; holding the first email back.
//   - 2026-11-30: A booking that waits for its address is a job, kept off the board by its index. Rejected: keeping the
//     form until then, since emails go out of a job's outbox; a stage of its own, which every page would have to know.
//   - 2026-11-30: The counter asks whether a message is the customer's, by a button. Rejected: asking by itself, since
//     what looks like another address is nearly always a question about the parcel, and each would be an email more.

// StageUnconfirmed is where the board's index puts a booking that waits until its address is confirmed, among those
// that have ended; the job itself is booked.
const StageUnconfirmed Stage = "unconfirmed"

// How long the address on file may take to answer: that of a booking, whose job then goes with all that was typed
// into it, and that of a message.
const (
	bookingFor = 7 * 24 * time.Hour
	confirmFor = 14 * 24 * time.Hour
)

// Confirmed is what the address on file says of a message, "" as long as it has said nothing.
type Confirmed string

const (
	ConfirmedYes Confirmed = "yes" // it is theirs
	ConfirmedNo  Confirmed = "no"  // somebody else wrote it
)

// Stranger reports whether nobody knows yet that the email address on file is the customer's: it was typed into the
// booking form, nothing has come in for the job, and nobody has confirmed it. Emails then hold no word of the booker's.
func (j *Job) Stranger() bool { return j.Unproven && !j.Received() }

// Unconfirmed reports whether the job waits for its address to be confirmed, and stands on no board until then.
func (j *Job) Unconfirmed() bool { return j.Confirms && j.Stage == StageBooked }

// Unsaid returns the job without what its booker typed, for emails to an address that may be somebody else's; its
// device has the name given.
func (j *Job) Unsaid(device string) *Job {
	x := *j
	x.Customer.Name, x.Customer.Phone, x.Customer.Address, x.Customer.Company, x.Customer.TaxNumber = Sealed{}, Sealed{}, Sealed{}, Sealed{}, Sealed{}
	x.OwnChanges = nil
	x.Device.Kind, x.Device.Maker, x.Device.Model = device, Words{}, Words{}
	if x.Fault = (Sealed{}); !parcelShaped.MatchString(j.Inbound.Text) { // a number is nobody's word, and their page says it
		x.Inbound = Words{}
	}
	x.Messages = slices.Clone(j.Messages)
	for i := range x.Messages {
		if m := &x.Messages[i]; m.FromCustomer() {
			m.Text = Sealed{}
		}
	}
	return &x
}

// parcelShaped tells what may be a parcel number: digits for the most part, and no words.
var parcelShaped = regexp.MustCompile(`^[A-Za-z]{0,2}[0-9][0-9 -]{5,30}[A-Za-z]{0,2}$`)

// webAddress finds what email programs make a link of.
var webAddress = regexp.MustCompile(`(?i)://|\bwww\.`)

// noAddress refuses a web address in a field that goes into subjects and headings of emails.
func noAddress(field, what, s string) error {
	if webAddress.MatchString(s) {
		return invalid(field, "%s can't hold a web address; write it in plain words.", what).because("web_address")
	}
	return nil
}

// Doubtful reports whether a message may redirect the parcel and nobody has confirmed at the address on file that it
// is the customer's.
func (m *Message) Doubtful() bool { return m.Redirects() && m.Confirmed != ConfirmedYes }

// Doubt returns the customer's newest message that is not to be acted on before it is confirmed, nil if there is none.
func (j *Job) Doubt() *Message {
	for i := len(j.Messages) - 1; i >= 0; i-- {
		if m := &j.Messages[i]; m.Doubtful() {
			return m
		}
	}
	return nil
}

// message returns the message with a number, nil if there is none.
func (j *Job) message(id int) *Message {
	if id < 1 || id > len(j.Messages) {
		return nil
	}
	return &j.Messages[id-1]
}

// AskConfirm asks at the email address on file whether a message is the customer's.
type AskConfirm struct {
	Message int `json:"message"`
}

func (c AskConfirm) decide(t *turn) error {
	m := t.j.message(c.Message)
	switch {
	case t.j.Customer.Email.Text == "":
		return refused("There is no email address on this job. Telephone the customer.").because("no_email")
	case m == nil || m.By.Role != RoleCustomer:
		return invalid("message", "The customer has sent no message %d.", c.Message)
	case m.Confirmed != "":
		return refused("The customer has answered already whether this message is theirs.")
	}
	asked := func(l *LinkGrant) bool { return l.Purpose == link.Confirm && l.Quote == c.Message && !l.Revoked }
	if err := t.revoke(asked, false); err != nil {
		return err
	}
	if err := t.issueLink(link.Confirm, c.Message, t.now.Add(confirmFor)); err != nil {
		return err
	}
	return t.record(&ConfirmAsked{c.Message})
}

// ConfirmAsked asks at the address on file whether a message is the customer's; 0 asks for the booking's.
type ConfirmAsked struct {
	Message int `json:"message,omitempty"`
}

func (p *ConfirmAsked) fold(j *Job, e *Event) {
	if m := j.message(p.Message); m != nil {
		m.ConfirmAskedAt = e.At
	}
}

// Confirm is the answer from the address on file, by the link that was emailed there. The first one stands.
type Confirm struct {
	// Message is what it is about, 0 for the booking itself; Change is the change that it is about instead.
	Message int `json:"message,omitempty"`
	Change  int `json:"change,omitempty"`
	// Not: it is not theirs.
	Not bool `json:"not,omitempty"`
}

func (c Confirm) decide(t *turn) error {
	if g := t.j.grant(t.by); g == nil || g.Purpose != link.Confirm || g.Quote != c.Message-c.Change {
		return LinkLooks()
	}
	if c.Change > 0 {
		return t.settleChange(SettleChange{c.Change, c.Not})
	}
	if c.Message > 0 {
		if m := t.j.message(c.Message); m == nil || m.Confirmed != "" {
			return nil
		}
		return t.record(&ConfirmAnswered{c})
	}
	if !t.j.Unconfirmed() {
		return nil
	}
	if err := t.record(&ConfirmAnswered{c}); err != nil || !c.Not {
		return err
	}
	return t.dropBooking()
}

// ConfirmAnswered is what the address on file said.
type ConfirmAnswered struct{ Confirm }

func (p *ConfirmAnswered) fold(j *Job, e *Event) {
	said := ConfirmedYes
	if p.Not {
		said = ConfirmedNo
	}
	if m := j.message(p.Message); m != nil {
		m.Confirmed, m.ConfirmedAt = said, e.At
	} else if said == ConfirmedYes {
		j.Unproven, j.Confirms = false, false
	}
}

// unconfirmedUntil returns when a booking that nobody confirms goes, zero for never.
func (j *Job) unconfirmedUntil(*Shop) time.Time {
	if !j.Unconfirmed() {
		return time.Time{}
	}
	return j.BookedAt.Add(bookingFor)
}

// dropBooking ends a booking that nobody confirmed, and forgets what was typed into it: nobody is told.
func (t *turn) dropBooking() error {
	if err := t.move(StageWithdrawn, OutcomeCancelled, ""); err != nil {
		return err
	}
	return ErasePerson{}.decide(t)
}

// BookLimits bound what is booked on the web within an hour, 0 for no limit: with one email address, with addresses
// of one domain, and in all.
type BookLimits struct{ Address, Domain, All int }

// EmailDomain returns the domain of an email address, in small letters.
func EmailDomain(address string) string {
	return strings.ToLower(address[strings.LastIndexByte(address, '@')+1:])
}
