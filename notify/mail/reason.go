package mail

import (
	"strings"

	"benchword/notify"
)

// reason says for the counter why a mail was given up and what to do, in words of our own only: it goes
// into the job's history, which is never changed, and a server's words may hold an address. Those stand
// with the tries, from which erasing a person removes them.
func reason(f *notify.Failure) string {
	status := Enhanced(f.Words)
	switch {
	case f.Fate == notify.Unwritten:
		return "This mail could not be written, because of a fault in the program. Please telephone the customer; the log says more."
	case f.Fate == notify.PutOff || f.Fate == notify.Unknown:
		return "The mail server kept putting this mail off for days, so it was given up. Please telephone the customer."
	case f.Code == 0:
		return strings.TrimSuffix(f.Words, ".") + ". Please telephone the customer and correct the address."
	}
	return Refusal(f.Code, status, f.Step)
}

// Refusal says in plain words what a permanent refusal means (RFC 3463).
func Refusal(code int, status, step string) string {
	switch {
	case strings.HasPrefix(status, "5.2.2"):
		return "The customer's mailbox is full. Please telephone the customer."
	case strings.HasPrefix(status, "5.1.") || strings.HasPrefix(status, "5.2.1") || step == "rcpt" && !strings.HasPrefix(status, "5.7."):
		return "The address does not exist, or takes no email. Please telephone the customer and correct the address."
	case strings.HasPrefix(status, "5.3.4") || strings.HasPrefix(status, "5.2.3") || code == 552:
		return "The email was too large for the mail server. Please telephone the customer."
	case strings.HasPrefix(status, "5.7."):
		return "The mail server refuses this mail by its own rules. Please telephone the customer, and have somebody look at the mail settings."
	}
	return "The mail server refused this mail for good. Please telephone the customer."
}

// Enhanced returns the enhanced status code (RFC 3463) that a reply begins with, "" if there is none.
func Enhanced(words string) string {
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
