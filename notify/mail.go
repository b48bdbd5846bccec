package notify

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"benchword/workflow"

	"golang.org/x/net/idna"
)

// Mail is a notice, rendered and built: the bytes that go over the line, and their envelope. A mail is
// built once; what is tried again is the same bytes. Messages that go other ways are of this type, too: To
// is then the address that they are posted to.
type Mail struct {
	// ID is the Message-ID without its brackets.
	ID string `json:"id"`
	// From and To are the envelope's addresses, without brackets; their domains are in ASCII.
	From string `json:"from"`
	To   string `json:"to"`
	// For is the customer's address as the job has it: a kept mail is used again only while it is the
	// same.
	For string `json:"for"`
	// UTF8 says that an address or header needs a server that offers SMTPUTF8 (RFC 6531).
	UTF8 bool `json:"utf8,omitempty"`
	// With are the notices that it tells beside its own.
	With []string `json:"with,omitempty"`
	// Gone is what the job is told if the receiver has ended for good, nil for nothing. Mails have none.
	Gone workflow.Command `json:"-"`
	// Data is the whole message, lines ended by CRLF; of a webhook its body, of a push its text.
	Data []byte `json:"-"`
}

// keep packs the mail for the outbox: one line of envelope, and the message.
func (m *Mail) keep() []byte {
	head, err := json.Marshal(m)
	if err != nil {
		panic("notify: an envelope that can't be encoded: " + err.Error())
	}
	return append(append(head, '\n'), m.Data...)
}

// kept unpacks what keep packed.
func kept(body []byte) (*Mail, error) {
	head, data, ok := bytes.Cut(body, []byte("\n"))
	m := &Mail{Data: data}
	if !ok || json.Unmarshal(head, m) != nil || m.To == "" || m.ID == "" || len(data) == 0 {
		return nil, fmt.Errorf("a kept mail of %d bytes can't be read", len(body))
	}
	return m, nil
}

// envelopeAddress gives an address as it goes into MAIL and RCPT: the domain in ASCII (RFC 5890). utf8
// reports that the part before the @ is not ASCII, so that SMTPUTF8 is needed.
func envelopeAddress(addr string) (out string, utf8 bool, err error) {
	at := strings.LastIndexByte(addr, '@')
	if at < 1 || at == len(addr)-1 {
		return "", false, fmt.Errorf("%q is not a mail address", addr)
	}
	local, domain := addr[:at], addr[at+1:]
	for _, r := range addr {
		if r < 0x21 || r == 0x7f || r == '<' || r == '>' || r == 0x2028 || r == 0x2029 || r == 0x85 || r == 0xa0 || r == 0xfffd {
			return "", false, fmt.Errorf("%q holds a character that no mail address may have", addr)
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

// domainOf gives what follows the @.
func domainOf(addr string) string { return addr[strings.LastIndexByte(addr, '@')+1:] }
