// Package mail writes emails, and hands them to a mail server. What is promised of them stands in package
// notify; here is how.
//
// An email says the same in text and in HTML, in the customer's language; it carries photos inline, below a
// weight that mailboxes take and do not clip; it belongs to its job's thread by References; its Date is the
// instant of its notice; and it is marked as written by a machine (RFC 3834), so that nothing answers it. No
// picture, style or script is fetched from anywhere when it is opened.
//
// # Decisions
//
//   - 2026-11-30: An email that no server took is not kept but written anew for each attempt, and one that may
//     have arrived says which links and photos it holds. Rejected: a digest of all that an email was made from,
//     beside its bytes, since writing it anew is the comparison; keeping the bytes before each attempt, which
//     costs a second write for every email; a Message-ID made of the contents, which no earlier version knows.
package mail

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"

	"golang.org/x/net/idna"
)

// Message is a notice, rendered and built: the bytes that go over the line, and their envelope.
type Message struct {
	// ID is the Message-ID without its brackets.
	ID string `json:"id"`
	// From and To are the envelope's addresses, without brackets; their domains are in ASCII.
	From string `json:"from"`
	To   string `json:"to"`
	// For is the customer's address as the job has it. Holds names the links and photos in the mail, as
	// [standing] does.
	For   string   `json:"for"`
	Holds []string `json:"holds"`
	// UTF8 says that an address or header needs a server that offers SMTPUTF8 (RFC 6531).
	UTF8 bool `json:"utf8,omitempty"`
	// With are the notices that it tells beside its own.
	With []string `json:"with,omitempty"`
	// Data is the whole message, lines ended by CRLF.
	Data []byte `json:"-"`
}

// withdrawn reports whether something that the mail holds may no longer be told: its address is not the
// customer's any more, a link has ended, a photo was taken off the job. Of a mail that an earlier version
// kept nobody knows what it holds, so it counts as withdrawn.
func (m *Message) withdrawn(j *workflow.Job, now time.Time) bool {
	stands := standing(j, now)
	return m.For != j.Customer.Email.Text || m.Holds == nil || slices.ContainsFunc(m.Holds, func(h string) bool { return !stands[h] })
}

// standing names what of a job may be mailed: its links in force, and its photos as they are shown (one that
// is made unreadable in places is another one).
func standing(j *workflow.Job, now time.Time) map[string]bool {
	stands := map[string]bool{}
	for i := range j.Links {
		if g := &j.Links[i]; !g.Revoked && now.Before(g.ExpiresAt) {
			stands[linkHeld(g)] = true
		}
	}
	for i := range j.Photos {
		if p := &j.Photos[i]; !p.Removed {
			stands[photoHeld(p)] = true
		}
	}
	return stands
}

func linkHeld(g *workflow.LinkGrant) string { return "link " + g.ID }
func photoHeld(p *workflow.Photo) string    { return "photo " + p.Large.Digest }

// MessageName is the left side of the Message-IDs of an entry's emails: its id, and a mark that can't be
// guessed, so that what answers it, or reports that it came back, has seen it.
func MessageName(s *workflow.Service, entry string) string {
	return entry + "." + s.Links.Mark(string(s.Shop.ID), entry)
}

// ReadMessageName takes a left side apart. Those of earlier versions carry no mark; then marked is false. The
// number of a mail that took another's place is passed over.
func ReadMessageName(s *workflow.Service, name string) (entry string, marked bool) {
	entry, mark, _ := strings.Cut(name, ".")
	mark, _, _ = strings.Cut(mark, ".")
	return entry, s.Links.Marked(string(s.Shop.ID), entry, mark)
}

// replaced returns the Message-IDs that a notice's mails have had up to and with the one given, and the one
// for a mail that takes its place: "<name>@domain", "<name>.2@domain", "<name>.3@domain" …
func replaced(name, last, domain string) (before []string, next string) {
	left, _, _ := strings.Cut(last, "@")
	base, n := left, 1
	if i := strings.LastIndexByte(left, '.'); i >= 0 && len(left)-i < 8 { // a mark is longer
		if k, err := strconv.Atoi(left[i+1:]); err == nil && k > 1 {
			base, n = left[:i], k
		}
	}
	for i := range n - 1 {
		before = append(before, numbered(base, i+1)+"@"+domain)
	}
	return append(before, last), numbered(name, n+1) + "@" + domain
}

func numbered(name string, n int) string {
	if n == 1 {
		return name
	}
	return name + "." + strconv.Itoa(n)
}

// keep packs the mail for the outbox: one line of envelope, and the message.
func (m *Message) keep() []byte {
	head, err := json.Marshal(m)
	if err != nil {
		panic("mail: an envelope that can't be encoded: " + err.Error())
	}
	return append(append(head, '\n'), m.Data...)
}

// kept unpacks what keep packed.
func kept(body []byte) (*Message, error) {
	head, data, ok := bytes.Cut(body, []byte("\n"))
	m := &Message{Data: data}
	if !ok || json.Unmarshal(head, m) != nil || m.To == "" || m.ID == "" || len(data) == 0 {
		return nil, fmt.Errorf("a kept mail of %d bytes can't be read", len(body))
	}
	return m, nil
}

// EnvelopeAddress returns an address as it goes into MAIL and RCPT: the domain in ASCII (RFC 5890). utf8
// reports that the part before the @ is not ASCII, so that SMTPUTF8 is needed.
func EnvelopeAddress(addr string) (out string, utf8 bool, err error) {
	at := strings.LastIndexByte(addr, '@')
	if at < 1 || at == len(addr)-1 {
		return "", false, fmt.Errorf("%q is not an email address", addr)
	}
	local, domain := addr[:at], addr[at+1:]
	for _, r := range addr {
		if r < 0x21 || r == 0x7f || r == '<' || r == '>' || r == 0x2028 || r == 0x2029 || r == 0x85 || r == 0xa0 || r == 0xfffd {
			return "", false, fmt.Errorf("%q holds a character that no email address may have", addr)
		}
	}
	if domain, err = idna.Lookup.ToASCII(domain); err != nil {
		return "", false, fmt.Errorf("the domain of %q: %w", addr, err)
	}
	for i := range len(local) {
		if local[i] >= 0x80 {
			utf8 = true
		}
	}
	return local + "@" + domain, utf8, nil
}

// domainOf returns what follows the @.
func domainOf(addr string) string { return addr[strings.LastIndexByte(addr, '@')+1:] }
