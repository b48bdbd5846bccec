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

// Unwrap returns the cause.
func (f *Failure) Unwrap() error { return f.Err }

// FailureOf makes any error a failure; one that no transport explained counts as put off.
func FailureOf(err error) *Failure {
	var f *Failure
	if errors.As(err, &f) {
		return f
	}
	return &Failure{Fate: PutOff, Words: "The email could not be sent just now.", Err: err}
}

// FirstLine cuts a server's words to something that fits a page: one line of at most 200 characters
// without control characters.
func FirstLine(s string) string {
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
