package workflow

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"benchword/workflow/money"

	"github.com/gowebpki/jcs"
)

// OptionKind is a way on that a quote offers.
type OptionKind string

const (
	OptionRepair  OptionKind = "repair"  // repair the fault
	OptionRenew   OptionKind = "renew"   // repair, and renew what is worn
	OptionReturn  OptionKind = "return"  // return unrepaired
	OptionRecycle OptionKind = "recycle" // recycle, with written consent
	OptionReplace OptionKind = "replace" // replace by agreement
)

// OptionKinds lists every kind in the order in which a form offers them.
var OptionKinds = []OptionKind{OptionRepair, OptionRenew, OptionReturn, OptionRecycle, OptionReplace}

// Option is one priced way on. Approving it authorises its total, and nothing above it.
type Option struct {
	// Key names the option within its revision: "A", "B" …
	Key   string     `json:"key,omitempty"`
	Kind  OptionKind `json:"kind"`
	Title string     `json:"title"`
	Text  string     `json:"text,omitempty"`
	// Excluded says what is not included.
	Excluded     string        `json:"excluded,omitempty"`
	Price        money.Request `json:"price"`
	Result       money.Result  `json:"result,omitzero"`
	WorkingDays  int           `json:"working_days,omitempty"`
	WarrantyDays int           `json:"warranty_days,omitempty"`
	// Deposit is what is to be paid before the work begins, part of the total; nil for none.
	Deposit *money.Amount `json:"deposit,omitempty"`
}

// repairs reports whether the option has the bench work on the fault.
func (o *Option) repairs() bool {
	return o.Kind == OptionRepair || o.Kind == OptionRenew || o.Kind == OptionReplace
}

// QuoteTerms is what a quote says: the part that its digest covers.
type QuoteTerms struct {
	Job      JobNumber `json:"job"`
	Revision int       `json:"revision"`
	Options  []Option  `json:"options"`
	// Note is the bench's own word to the customer.
	Note string `json:"note,omitempty"`
	// Reason says why this revision differs from the one before; "" for the first.
	Reason    string    `json:"reason,omitempty"`
	IssuedAt  time.Time `json:"issued_at"`
	ExpiresAt time.Time `json:"expires_at"`
	// Words is the sentence that the customer agrees to when approving.
	Words string `json:"words"`
	// Language is that of Words, "" for English.
	Language string `json:"language,omitempty"`
}

// Digest is the hex SHA-256 of the terms in canonical JSON (RFC 8785). A decision names it.
func (t QuoteTerms) Digest() (string, error) { return digestOf("quote", t) }

// digestOf gives the hex SHA-256 of a value in canonical JSON (RFC 8785).
func digestOf(what string, v any) (string, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("%s digest: %w", what, err)
	}
	c, err := jcs.Transform(raw)
	if err != nil {
		return "", fmt.Errorf("%s digest: %w", what, err)
	}
	sum := sha256.Sum256(c)
	return hex.EncodeToString(sum[:]), nil
}

// QuoteState is where a revision stands.
type QuoteState string

const (
	QuoteOpen       QuoteState = "open"
	QuoteApproved   QuoteState = "approved"
	QuoteDeclined   QuoteState = "declined"
	QuoteWithdrawn  QuoteState = "withdrawn"  // by the bench
	QuoteSuperseded QuoteState = "superseded" // a newer revision took its place
	QuoteExpired    QuoteState = "expired"
)

// Quote is one revision of the priced options.
type Quote struct {
	QuoteTerms
	Digest string     `json:"digest"`
	State  QuoteState `json:"state"`
	// Approved is the key of the approved option.
	Approved string `json:"approved,omitempty"`
	// TakenBack is the bench's reason for withdrawing it.
	TakenBack string `json:"taken_back,omitempty"`
	// Reminded counts the reminders sent.
	Reminded int `json:"reminded,omitempty"`
	// LastNotice: the last notice before it runs out was sent.
	LastNotice bool `json:"last_notice,omitempty"`
}

// Option gives the option with this key, nil if there is none.
func (q *Quote) Option(key string) *Option {
	for i := range q.Options {
		if q.Options[i].Key == key {
			return &q.Options[i]
		}
	}
	return nil
}

// withinLimit gives the first repairing option whose total is within the limit that the customer
// agreed to beforehand, nil if there is none.
func (q *Quote) withinLimit(j *Job) *Option {
	if j.Limit == nil {
		return nil
	}
	for i := range q.Options {
		if o := &q.Options[i]; o.repairs() && o.Result.Total.Minor <= j.Limit.Minor {
			return o
		}
	}
	return nil
}

// Answerable reports whether a decision on this revision can still be taken at an instant.
func (q *Quote) Answerable(now time.Time) bool {
	return q.State == QuoteOpen && now.Before(q.ExpiresAt)
}

// Verdict is the customer's yes, no, or question.
type Verdict string

const (
	VerdictApprove Verdict = "approve"
	VerdictDecline Verdict = "decline"
	VerdictAsk     Verdict = "ask"
)

// Decision is what the customer answered, with the evidence of it.
type Decision struct {
	Verdict  Verdict `json:"verdict"`
	Revision int     `json:"revision"`
	Digest   string  `json:"digest"`
	Option   string  `json:"option,omitempty"`
	// Name is what the customer typed.
	Name Sealed `json:"name"`
	// Words is the sentence agreed to, or the customer's question or remark.
	Words Sealed `json:"words"`
	// Total is what an approval authorises, in the quote's currency.
	Total *money.Amount `json:"total,omitempty"`
	At    time.Time     `json:"at,omitzero"`
	By    Actor         `json:"by"`
	// Address is the network address that the decision came from, Agent its user agent; for a
	// decision by telephone Agent says who took the call and how.
	Address Sealed `json:"address"`
	Agent   Sealed `json:"agent"`
	// SentTo is the mail address that the link had been sent to.
	SentTo Sealed `json:"sent_to,omitzero"`
	// Shown is the text of the summary that stood above the button, as it was shown.
	Shown Sealed `json:"shown,omitzero"`
	// Language is the one that it was shown in.
	Language string `json:"language,omitempty"`
	// Call says more of an answer by telephone.
	Call *Call `json:"call,omitempty"`

	// The rest is not evidence but what became of it; the event does not hold it.

	// UndoneAt is when it was taken back, zero while it stands.
	UndoneAt time.Time `json:"undone_at,omitzero"`
	// Replaced is the revision whose approval it took the place of, 0 for none.
	Replaced int `json:"replaced,omitempty"`
	// WorkBefore and TestsBefore count what had been done when it came.
	WorkBefore  int `json:"work_before,omitempty"`
	TestsBefore int `json:"tests_before,omitempty"`
}

// Payment is money that came in (or, negative, went back), as a fact. No card data, ever.
type Payment struct {
	Amount money.Amount `json:"amount"`
	// Kind is "" for one that was written down before there were kinds.
	Kind PaymentKind `json:"kind,omitempty"`
	How  string      `json:"how"`
	At   time.Time   `json:"at,omitzero"`
}

// Approved gives the approved revision and option in force, nil if there is none.
func (j *Job) Approved() (*Quote, *Option) {
	for i := len(j.Quotes) - 1; i >= 0; i-- {
		if q := &j.Quotes[i]; q.State == QuoteApproved {
			return q, q.Option(q.Approved)
		}
	}
	return nil, nil
}
