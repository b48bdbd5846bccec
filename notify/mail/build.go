package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	netmail "net/mail"
	"regexp"
	"strings"
	"time"
	"unicode"

	"benchword/notify"
	"benchword/workflow"

	"github.com/wneessen/go-mail"
)

// Parts is what a mail is built of.
type Parts struct {
	// ID is the Message-ID without brackets, Thread that of the job's thread.
	ID, Thread string
	// Before are the Message-IDs of the mails that this one takes the place of, the last of which it replies to.
	Before []string
	Date   time.Time
	// From is the shop, To the customer, ReplyTo where answers go ("" for From).
	From, To netmail.Address
	ReplyTo  string
	Subject  string
	// Lang is the BCP 47 tag of the words.
	Lang       string
	Text, HTML string
	Photos     []Inline
	// Unsubscribe is the address that one click ends mails of this kind by (RFC 8058), "" for none.
	Unsubscribe string
}

// Inline is a picture that the HTML shows by its Content-ID.
type Inline struct {
	// CID is the Content-ID without brackets; Name the file name, in plain ASCII.
	CID, Name string
	JPEG      []byte
	photo     *workflow.Photo // nil for one that is not of a job
}

// oneLine makes a text fit for a header: one line without control or direction-changing characters.
func oneLine(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case r == 0x2028 || r == 0x2029 || unicode.IsControl(r):
			return ' '
		case r >= 0x202a && r <= 0x202e, r >= 0x2066 && r <= 0x2069, r == 0xfffd, r == 0xfeff:
			return -1
		}
		return r
	}, s)), " ")
}

// personName is oneLine for a name in an address. A backslash in a name that needs encoding makes an
// address that net/mail itself can't read back, so it becomes a slash.
func personName(s string) string { return strings.ReplaceAll(oneLine(s), `\`, "/") }

// boundaryLength is that of the library's boundaries, and so of ours.
const boundaryLength = 60

// randomBoundary is how the library separates parts: 60 random hex digits.
var randomBoundary = regexp.MustCompile(`boundary=([0-9a-f]{60})\b`)

// Build makes the message and its envelope. The same parts give the same bytes. Signatures, if there are
// signers, stand in front in their order.
func Build(p Parts, signers ...*Signer) (*Message, error) {
	from, _, err := EnvelopeAddress(p.From.Address)
	if err != nil {
		return nil, fmt.Errorf("the shop's own address: %w", err)
	}
	to, utf8, err := EnvelopeAddress(p.To.Address)
	if err != nil {
		return nil, &notify.Failure{Fate: notify.Refused, Words: "The email address can't be right", Err: err}
	}
	out := &Message{ID: p.ID, From: from, To: to, For: p.To.Address, Holds: []string{}, UTF8: utf8}
	m := mail.NewMsg(mail.WithCharset(mail.CharsetUTF8), mail.WithEncoding(mail.EncodingQP), mail.WithNoDefaultUserAgent())
	m.FromMailAddress(&netmail.Address{Name: personName(p.From.Name), Address: from})
	m.ToMailAddress(&netmail.Address{Name: personName(p.To.Name), Address: to})
	if p.ReplyTo != "" && p.ReplyTo != p.From.Address {
		reply, _, err := EnvelopeAddress(p.ReplyTo)
		if err != nil {
			return nil, fmt.Errorf("the shop's address for answers: %w", err)
		}
		m.ReplyToMailAddress(&netmail.Address{Name: personName(p.From.Name), Address: reply})
	}
	m.Subject(oneLine(p.Subject))
	m.SetDateWithValue(p.Date)
	m.SetMessageIDWithValue(p.ID)
	before := p.Before
	if p.Thread != "" {
		before = append([]string{p.Thread}, before...)
	}
	if n := len(before); n > 0 { // RFC 5322, 3.6.4
		m.SetGenHeader(mail.HeaderInReplyTo, "<"+before[n-1]+">")
		m.SetGenHeader(mail.HeaderReferences, "<"+strings.Join(before, "> <")+">")
	}
	// RFC 3834: nothing should answer this by itself. The second is what some mail systems heed instead.
	m.SetGenHeader("Auto-Submitted", "auto-generated")
	m.SetGenHeader("X-Auto-Response-Suppress", "All")
	m.SetGenHeader("Content-Language", p.Lang)
	if p.Unsubscribe != "" {
		m.SetGenHeader("List-Unsubscribe", "<"+p.Unsubscribe+">")
		m.SetGenHeader("List-Unsubscribe-Post", "List-Unsubscribe=One-Click")
	}
	m.SetBodyString(mail.TypeTextPlain, crlf(p.Text))
	m.AddAlternativeString(mail.TypeTextHTML, crlf(p.HTML))
	for _, ph := range p.Photos {
		m.EmbedReadSeeker(ph.Name, bytes.NewReader(ph.JPEG), mail.WithFileContentType("image/jpeg"), mail.WithFileContentID("<"+ph.CID+">"))
	}
	// Growing by itself would copy the photos again and again: base64 makes 4 bytes of 3, and lines of 76.
	size := 4096 + 2*len(p.Text) + 2*len(p.HTML)
	for _, ph := range p.Photos {
		size += 512 + len(ph.JPEG)*4/3*78/76
	}
	b := bytes.NewBuffer(make([]byte, 0, size))
	if _, err := m.WriteTo(b); err != nil {
		return nil, fmt.Errorf("building an email: %w", err)
	}
	out.Data = b.Bytes()
	settleBoundaries(out.Data, p)
	if out.Data, err = sign(out.Data, p.Date, signers); err != nil {
		return nil, fmt.Errorf("signing an email: %w", err)
	}
	return out, nil
}

// settleBoundaries replaces the library's random boundaries, where they stand, by a digest of the content:
// the same parts give the same bytes, and still nobody can write a text that holds its own boundary. (A photo
// can't hold any: it is base64.)
func settleBoundaries(message []byte, p Parts) {
	h := sha256.New()
	for _, s := range []string{p.ID, p.Text, p.HTML} {
		fmt.Fprintf(h, "%d:%s", len(s), s)
	}
	name := hex.EncodeToString(h.Sum(nil))[:boundaryLength-len("part-00-")]
	// The names stand in headers only, at the beginning of the message or of a part; pictures, which are
	// most of it, are passed over.
	var old, now [][]byte
	for at := 0; ; {
		k := bytes.Index(message[at:], []byte("boundary="))
		if k < 0 {
			break
		}
		found := randomBoundary.FindSubmatch(message[at+k : min(at+k+80, len(message))])
		if at += k + 9; found != nil {
			old, now = append(old, bytes.Clone(found[1])), append(now, fmt.Appendf(nil, "part-%02d-%s", len(old)+1, name))
		}
	}
	for i := range old {
		for rest := message; ; {
			k := bytes.Index(rest, old[i])
			if k < 0 {
				break
			}
			copy(rest[k:], now[i])
			rest = rest[k+boundaryLength:]
		}
	}
}

// crlf ends every line with CRLF, as a message must.
func crlf(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n"), "\n", "\r\n")
}
