package workflow

import (
	"regexp"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/promiseclock"
)

// Message is a letter between customer and bench.
//
// # Decisions
//
//   - 2026-11-30: Whoever writes says whether it is a question: the form on the quote's page is one, the general form
//     only where its tick says so. What is none goes to the bench like any letter and stops no clock. Rejected:
//     taking every letter for a question, since a thank-you then hid from its owner that an answer was wanted.
type Message struct {
	ID int   `json:"id"`
	By Actor `json:"by"`
	// Customer marks what the customer said on the telephone; By wrote it down.
	Customer bool      `json:"customer,omitempty"`
	Text     Sealed    `json:"text"`
	At       time.Time `json:"at,omitzero"`
	// Question marks a message that needs an answer; Answered is set by the other side's next one.
	Question bool `json:"question,omitempty"`
	Answered bool `json:"answered,omitempty"`
	// Came is how it came, "" for one from before that was written down; ask [Job.Came].
	Came Came `json:"came,omitempty"`
	// ConfirmAskedAt is when the address on file was asked whether the message is the customer's, Confirmed what it
	// said, and ConfirmedAt when.
	ConfirmAskedAt time.Time `json:"confirm_asked_at,omitzero"`
	Confirmed      Confirmed `json:"confirmed,omitempty"`
	ConfirmedAt    time.Time `json:"confirmed_at,omitzero"`
}

// Came is how a message came to us.
type Came string

const (
	CameLink     Came = "link"       // by the customer's own link, or the one to answer by
	CameShared   Came = "shared"     // by a link from before that could be passed on
	CameEmail    Came = "email"      // by email, and nobody looked who sent it
	CameProven   Came = "email_ok"   // by email whose sender is proven
	CameUnproven Came = "email_open" // by email whose sender is not proven
	CamePhone    Came = "telephone"  // staff wrote it down
	CameStaff    Came = "staff"      // from the bench itself
)

// Came returns how a message came, as far as anybody knows, else "".
func (j *Job) Came(m *Message) Came {
	g := j.grant(m.By)
	switch {
	case m.Came != "":
		return m.Came
	case m.By.Role != RoleCustomer:
		return CameStaff
	case m.By.ID == ByEmail:
		return CameEmail
	case g == nil:
		return ""
	case g.Purpose == link.Look || g.Purpose == link.Share:
		return CameShared
	}
	return CameLink
}

// Redirects reports whether a message from the customer may ask for the parcel to go elsewhere, or for somebody
// else to be asked: it has the look of a postal or email address, or speaks of one. It would rather be wrong ten times than miss
// one (common practice, no source).
func (m *Message) Redirects() bool {
	return m.By.Role == RoleCustomer && (addressShaped.MatchString(m.Text.Text) || addressWords.MatchString(m.Text.Text))
}

// addressShaped finds what looks like part of an address: an email address; a house number before or after the word for a
// street; the postcodes of Great Britain, Canada, the Netherlands and the United States; and five digits before a town.
var addressShaped = regexp.MustCompile(`\S@\S+\.\S` +
	`|(?i:\b\d+ ?[a-z]?,? (?:\p{L}+ ){0,3}(?:street|st|road|rd|lane|ln|avenue|ave|drive|row|close|court|square|rue|boulevard|bd|chemin|place|impasse)\b)` +
	`|(?i:(?:straße|strasse|str\.|weg|gasse|platz|allee)\s*\d)` +
	`|(?i:\b(?:calle|avenida|avda|plaza|paseo|camino|c/)[^\n]{1,40}\d)` +
	`|\b[A-Z]{1,2}\d[A-Z\d]? ?\d[A-Z]{2}\b|\b[A-Z]\d[A-Z] ?\d[A-Z]\d\b|\b\d{4} ?[A-Z]{2}\b|\b[A-Z]{2} \d{5}\b|\b\d{5} \p{Lu}\p{L}`)

// addressWords finds words in the four languages by which people redirect a parcel.
var addressWords = regexp.MustCompile(`(?i)\baddress|(?:send|post|ship|deliver|return|forward) (?:it|them|the parcel|everything)?\s*to\b|\bmoved (?:house|to)\b` +
	`|adress|anschrift|umgezogen|umzug|(?:schicken|senden|liefern)[^.\n]{0,30}\b(?:an|nach|zu)\b|packstation` +
	`|(?:envoyez|expédiez|livrez|renvoyez)[^.\n]{0,30}\b(?:à|au|chez)|déménag|point relais` +
	`|direcci[oó]n|domicilio|(?:env[ií]e|mande|remita)[^.\n]{0,30}\b(?:a|al)\b|mudad[oa]|mudanza`)

// ByEmail is the id of a customer who acts by email.
const ByEmail = "mail"

// FromCustomer reports whether the customer said it, themselves or on the telephone.
func (m *Message) FromCustomer() bool { return m.By.Role == RoleCustomer || m.Came == CamePhone }

// Unanswered returns the customer's oldest message that nobody has answered, nil if there is none.
func (j *Job) Unanswered() *Message {
	for i := range j.Messages {
		if m := &j.Messages[i]; m.FromCustomer() && !m.Answered {
			return m
		}
	}
	return nil
}

// OpenQuestion returns the customer's oldest question on the open quote that waits for the bench, nil if there
// is none: what was written before the quote was issued, or before they last answered it, asks nothing about it.
func (j *Job) OpenQuestion() *Message {
	q := j.Quote()
	if q == nil || q.State != RevisionOpen {
		return nil
	}
	since := q.IssuedAt
	for i := range j.Decisions {
		if d := &j.Decisions[i]; d.Verdict != VerdictAsk && d.At.After(since) {
			since = d.At
		}
	}
	for i := range j.Messages {
		if m := &j.Messages[i]; m.FromCustomer() && m.Question && !m.Answered && !m.At.Before(since) {
			return m
		}
	}
	return nil
}

// SendMessage is a letter from the customer (by link) or from the counter.
type SendMessage struct {
	Text string `json:"text"`
	// Question asks for an answer; a customer's asks about the quote.
	Question bool `json:"question,omitempty"`
	// Came is what whoever takes an email in knows of its sender: CameProven or CameUnproven.
	Came Came `json:"-"`
}

func (c SendMessage) decide(t *turn) error { return t.message(c.Text, c.Question, c.Came) }

func (t *turn) message(s string, question bool, came Came) error {
	s, err := text("text", "The message", s, true)
	if err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to write to.").because("erased")
	}
	if len(t.j.Messages) >= 500 {
		return refused("There are 500 messages on this job already; please telephone.").because("letters_full")
	}
	sealed, err := t.seal(s)
	if err != nil {
		return err
	}
	if came == "" {
		came = t.j.Came(&Message{By: t.by})
	}
	if err := t.record(&MessageSent{ID: len(t.j.Messages) + 1, Text: sealed, Question: question, Came: came}); err != nil {
		return err
	}
	// While a customer's question is open the ball is with the bench: the clock runs.
	if t.j.Stage == StageAwaitingApproval {
		if t.j.OpenQuestion() != nil {
			return t.resume("approval")
		}
		return t.pause(promiseclock.AccountCustomer, "approval")
	}
	return nil
}

// MessageSent is a letter between customer and bench.
type MessageSent struct {
	ID       int    `json:"id"`
	Text     Sealed `json:"text"`
	Question bool   `json:"question,omitempty"`
	Came     Came   `json:"came,omitempty"`
}

func (p *MessageSent) fold(j *Job, e *Event) {
	m := Message{ID: p.ID, By: e.By, Text: p.Text, At: e.At, Question: p.Question, Came: p.Came}
	if !m.FromCustomer() {
		for i := range j.Messages {
			j.Messages[i].Answered = true
		}
	}
	j.Messages = append(j.Messages, m)
	j.addMoment(e, p.ID)
}
