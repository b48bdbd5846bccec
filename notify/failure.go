package notify

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Fate is what became of one try at sending a mail.
type Fate string

const (
	// Accepted: the server took the mail and said so.
	Accepted Fate = "accepted"
	// PutOff: the server refused for now (4yz, RFC 5321), or the line was lost in the middle of this
	// mail. It is tried again with growing gaps.
	PutOff Fate = "put off"
	// Unknown: the whole mail went out, but no answer came back. The server may have it. It is tried
	// again, with the same bytes and Message-ID, so that the reader's program can tell that it is the same mail.
	Unknown Fate = "unknown"
	// Unreached: no server was found ready for any mail (no connection, no greeting, no encryption, no
	// sign-in, or "421 closing"). That is not this mail's fault, and does not count against it.
	Unreached Fate = "unreached"
	// Refused: the server refused for good (5yz). The entry is buried.
	Refused Fate = "refused"
	// Gone: the receiver has ended for good (a browser that unsubscribed). Nobody needs to see to it.
	Gone Fate = "gone"
	// Unwritten: the mail could not be rendered.
	Unwritten Fate = "unwritten"
	// Held: not tried, since it is night where the customer is. Paced: not tried, since the limit of its
	// domain is reached; it has a place of its own.
	Held  Fate = "held back"
	Paced Fate = "paced"
	// GivenUp is how the last try of an entry is noted that is buried without having been refused.
	GivenUp Fate = "given up"
)

// Failure is a try that did not end in [Accepted].
type Failure struct {
	Fate Fate
	// Step is where the conversation was: "connect", "hello", "starttls", "auth", "mail", "rcpt",
	// "data", "body", "end"; "" before there was one.
	Step string
	// Code is the server's reply code, 0 where no server answered.
	Code int
	// Words are the server's words, or ours where no server answered. They may be shown to staff.
	Words string
	// RetryAfter is how long the server asked to be left alone, 0 if it did not say.
	RetryAfter time.Duration
	// Err is the cause, for the log.
	Err error
}

func (f *Failure) Error() string {
	s := string(f.Fate)
	if f.Step != "" {
		s += " at " + f.Step
	}
	if f.Code != 0 {
		s += fmt.Sprintf(": %d", f.Code)
	}
	if f.Words != "" {
		s += " " + f.Words
	}
	if f.Err != nil {
		s += ": " + f.Err.Error()
	}
	return s
}

// Unwrap gives the cause.
func (f *Failure) Unwrap() error { return f.Err }

// FailureOf makes any error a failure; one that no transport explained counts as put off.
func FailureOf(err error) *Failure {
	var f *Failure
	if errors.As(err, &f) {
		return f
	}
	return &Failure{Fate: PutOff, Words: "The mail could not be sent just now.", Err: err}
}

// reason says for the counter why a mail was given up and what to do, in words of our own only: it goes
// into the job's history, which is never changed, and a server's words may hold an address. Those stand
// with the tries, from which erasing a person removes them.
func (f *Failure) reason() string {
	status := enhanced(f.Words)
	switch {
	case f.Fate == Unwritten:
		return "This mail could not be written, because of a fault in the program. Please telephone the customer; the log says more."
	case f.Fate == PutOff || f.Fate == Unknown:
		return "The mail server kept putting this mail off for days, so it was given up. Please telephone the customer."
	case f.Code == 0:
		return strings.TrimSuffix(f.Words, ".") + ". Please telephone the customer and correct the address."
	}
	return refusal(f.Code, status, f.Step)
}

// refusal says in plain words what a permanent refusal means (RFC 3463).
func refusal(code int, status, step string) string {
	switch {
	case strings.HasPrefix(status, "5.2.2"):
		return "The customer's mailbox is full. Please telephone the customer."
	case strings.HasPrefix(status, "5.1.") || strings.HasPrefix(status, "5.2.1") || step == "rcpt" && !strings.HasPrefix(status, "5.7."):
		return "The address does not exist, or takes no mail. Please telephone the customer and correct the address."
	case strings.HasPrefix(status, "5.3.4") || strings.HasPrefix(status, "5.2.3") || code == 552:
		return "The mail was too large for the mail server. Please telephone the customer."
	case strings.HasPrefix(status, "5.7."):
		return "The mail server refuses this mail by its own rules. Please telephone the customer, and have somebody look at the mail settings."
	}
	return "The mail server refused this mail for good. Please telephone the customer."
}

// enhanced gives the enhanced status code (RFC 3463) that a reply begins with, "" if there is none.
func enhanced(words string) string {
	code, _, _ := strings.Cut(words, " ")
	part := strings.Split(code, ".")
	if len(part) != 3 {
		return ""
	}
	for _, p := range part {
		if p == "" || len(p) > 3 || strings.Trim(p, "0123456789") != "" {
			return ""
		}
	}
	return code
}

// firstLine cuts a server's words to something that fits a page: one line of at most 200 characters
// without control characters.
func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f || r == 0xfffd {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 200 {
		s = string(r[:199]) + "…"
	}
	return strings.TrimSpace(s)
}
