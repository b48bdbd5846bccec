package inbox

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime"
	netmail "net/mail"
	"net/textproto"
	"strconv"
	"strings"

	"benchword/notify/mail"

	"github.com/emersion/go-message"
	_ "github.com/emersion/go-message/charset" // so that mails in old character sets can be read
	"golang.org/x/net/html"
)

// What is read of a received mail. What is beyond is left out, never a reason to fail.
const (
	// MaxLetter is the largest mail read, in bytes; mail systems take about 25 MB.
	MaxLetter     = 40 << 20
	maxHeader     = 256 << 10
	maxDepth      = 8
	maxParts      = 200
	maxLetterText = 256 << 10 // of each text part
	maxPictures   = 12
	maxReports    = 50
	maxRefs       = 100
	maxStamps     = 50
)

// Letter is a received mail, taken apart. All of it is what a stranger wrote.
type Letter struct {
	// ID is the Message-ID without brackets.
	ID string
	// From is the address of the sender, in small letters.
	From string
	// Stamps are what servers on the way found about the sender (Authentication-Results), the topmost first. Ask
	// [Letter.Proof].
	Stamps []string
	// Refs are the Message-IDs that it answers, or that the mail it sends back had, newest first.
	Refs []string
	// Auto marks a mail that a machine wrote (RFC 3834): nothing may answer it, and it says nothing.
	Auto bool
	// Text is what the person wrote, without what they quote.
	Text string
	// Pictures are attached or shown pictures, as they came.
	Pictures [][]byte
	// LeftOut counts the pictures that were too many.
	LeftOut int
	// Bounces are the reports of a delivery status notification (RFC 3464).
	Bounces []Bounce

	// oneSender: From names one address, so that all programs show the same one.
	oneSender bool
}

// Bounce is what a mail server reports about one recipient (RFC 3464).
type Bounce struct {
	// To is the address that it is about, in small letters; Original the one that the mail was sent to.
	To, Original string
	// Action is "failed", "delayed", "delivered", "relayed" or "expanded".
	Action string
	// Status is an RFC 3463 code: "5.1.1"; Code the SMTP reply, 0 if none is told.
	Status string
	Code   int
}

// Failed reports whether the mail did not and will not arrive. A delayed one may yet.
func (b *Bounce) Failed() bool { return b.Action == "failed" }

// errTooLarge is what reading beyond MaxLetter ends with.
var errTooLarge = errors.New("the email is too large")

// ReadLetter takes a received mail apart. It fails only on what is no mail at all, and is safe with what
// was made to do harm: it reads MaxLetter bytes at most, goes maxDepth parts deep, and unpacks nothing.
func ReadLetter(r io.Reader) (l *Letter, err error) {
	defer func() {
		// The parser is not ours; a mail that breaks it must not take the others along.
		if p := recover(); p != nil {
			l, err = nil, fmt.Errorf("an email that can't be read: %v", p)
		}
	}()
	e, err := message.ReadWithOptions(&bounded{r: r, left: MaxLetter}, &message.ReadOptions{MaxHeaderBytes: maxHeader})
	if err != nil && !soft(err) {
		return nil, fmt.Errorf("an email that can't be read: %w", err)
	}
	l = &Letter{}
	h := e.Header
	l.ID = firstID(h.Get("Message-Id"))
	if a, err := netmail.ParseAddressList(h.Get("From")); err == nil && len(a) > 0 {
		l.From, l.oneSender = strings.ToLower(a[0].Address), len(a) == 1 && len(h.Values("From")) == 1
	} else if a, _, ok := strings.Cut(h.Get("From"), "<"); ok {
		rest := h.Get("From")[len(a)+1:]
		l.From = strings.ToLower(strings.TrimSuffix(strings.TrimSpace(rest), ">"))
	}
	for f := h.FieldsByKey("Authentication-Results"); f.Next() && len(l.Stamps) < maxStamps; {
		l.Stamps = append(l.Stamps, f.Value())
	}
	l.Auto = automatic(h)
	l.refer(h.Get("In-Reply-To"))
	l.refer(h.Get("References"))
	w := &taking{l: l}
	w.part(e, 0)
	l.Text = w.text()
	return l, nil
}

// soft errors leave a part in its own bytes: an unknown character set or encoding.
func soft(err error) bool { return message.IsUnknownCharset(err) || message.IsUnknownEncoding(err) }

// bounded reads so many bytes and no more.
type bounded struct {
	r    io.Reader
	left int64
}

func (b *bounded) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errTooLarge
	}
	if int64(len(p)) > b.left {
		p = p[:b.left]
	}
	n, err := b.r.Read(p)
	b.left -= int64(n)
	return n, err
}

// automatic reports whether a machine wrote the mail (RFC 3834 section 5, RFC 2919, and what older
// systems write; the X- headers are common practice, no source).
func automatic(h message.Header) bool {
	if v := strings.ToLower(strings.TrimSpace(h.Get("Auto-Submitted"))); v != "" && v != "no" && !strings.HasPrefix(v, "no;") && !strings.HasPrefix(v, "no ") {
		return true
	}
	switch strings.ToLower(strings.TrimSpace(h.Get("Precedence"))) {
	case "bulk", "junk", "list", "auto_reply":
		return true
	}
	if p := h.Get("Return-Path"); h.Has("Return-Path") && strings.TrimSpace(p) == "<>" {
		return true
	}
	for f := h.Fields(); f.Next(); {
		switch k := strings.ToLower(f.Key()); {
		case strings.HasPrefix(k, "list-"), k == "x-autoreply", k == "x-autorespond", k == "x-autoresponder", k == "x-auto-reply", k == "x-loop":
			return true
		}
	}
	t, params, _ := mime.ParseMediaType(h.Get("Content-Type"))
	return t == "multipart/report" || params["report-type"] != ""
}

// firstID returns the first Message-ID of a header, without its brackets.
func firstID(s string) string {
	_, s, ok := strings.Cut(s, "<")
	id, _, closed := strings.Cut(s, ">")
	if !ok || !closed || len(id) > 998 {
		return ""
	}
	return strings.TrimSpace(id)
}

// refer adds the Message-IDs of a header, the last one first: that is the one answered.
func (l *Letter) refer(s string) {
	parts := strings.Split(s, "<")
	for i := len(parts) - 1; i > 0 && len(l.Refs) < maxRefs; i-- {
		if id, _, ok := strings.Cut(parts[i], ">"); ok {
			l.Refs = append(l.Refs, strings.TrimSpace(id))
		}
	}
}

// taking goes through the parts of a mail.
type taking struct {
	l           *Letter
	parts       int
	plain, page string
}

func (w *taking) part(e *message.Entity, depth int) {
	if w.parts++; w.parts > maxParts || depth > maxDepth {
		return
	}
	kind, params, err := mime.ParseMediaType(e.Header.Get("Content-Type"))
	if err != nil {
		kind = "text/plain"
	}
	switch {
	case strings.HasPrefix(kind, "multipart/"):
		r := e.MultipartReader()
		if r == nil {
			return
		}
		defer r.Close()
		for w.parts <= maxParts {
			p, err := r.NextPart()
			if p == nil || err != nil && !soft(err) {
				return
			}
			w.part(p, depth+1)
		}
	case kind == "message/delivery-status", kind == "message/global-delivery-status":
		w.l.status(io.LimitReader(e.Body, maxLetterText))
	case kind == "message/rfc822", kind == "text/rfc822-headers", kind == "message/rfc822-headers", kind == "message/global", kind == "message/global-headers":
		// The mail that comes back: its name is enough.
		h, err := textproto.NewReader(bufio.NewReader(io.LimitReader(e.Body, maxHeader))).ReadMIMEHeader()
		if err != nil && len(h) == 0 {
			return
		}
		if id := firstID(h.Get("Message-Id")); id != "" && len(w.l.Refs) < maxRefs {
			w.l.Refs = append(w.l.Refs, id)
		}
	case strings.HasPrefix(kind, "image/"), kind == "application/octet-stream" && pictureName(params["name"], e.Header):
		if len(w.l.Pictures) >= maxPictures {
			w.l.LeftOut++
			return
		}
		b, err := io.ReadAll(io.LimitReader(e.Body, MaxLetter))
		if err == nil && len(b) > 0 {
			w.l.Pictures = append(w.l.Pictures, b)
		}
	case kind == "text/plain" && w.plain == "" && !attached(e.Header):
		w.plain = readText(e.Body)
	case kind == "text/html" && w.page == "" && !attached(e.Header):
		w.page = readText(e.Body)
	}
}

func attached(h message.Header) bool {
	d, _, _ := mime.ParseMediaType(h.Get("Content-Disposition"))
	return d == "attachment"
}

func pictureName(name string, h message.Header) bool {
	if name == "" {
		_, p, _ := mime.ParseMediaType(h.Get("Content-Disposition"))
		name = p["filename"]
	}
	name = strings.ToLower(name)
	for _, end := range []string{".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"} {
		if strings.HasSuffix(name, end) {
			return true
		}
	}
	return false
}

func readText(r io.Reader) string {
	b, _ := io.ReadAll(io.LimitReader(r, maxLetterText))
	return strings.ReplaceAll(strings.ToValidUTF8(string(b), "\ufffd"), "\r\n", "\n")
}

// text returns what the person wrote: without quoted lines, the line that introduces them, and what stands
// under a signature mark.
func (w *taking) text() string {
	s := w.plain
	if strings.TrimSpace(s) == "" {
		s = pageText(w.page)
	}
	var out []string
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		trimmed := strings.TrimRight(l, " \t\r")
		if trimmed == "--" || strings.HasPrefix(trimmed, "-----Original Message") || strings.HasPrefix(trimmed, "________________________________") {
			break
		}
		if strings.HasPrefix(strings.TrimSpace(l), ">") {
			continue
		}
		if strings.HasSuffix(trimmed, ":") && quoted(lines[i+1:]) {
			continue // "On Monday, Harbour Bench wrote:"
		}
		out = append(out, strings.Map(func(r rune) rune {
			if r < 0x20 && r != '\t' || r == 0x7f {
				return -1
			}
			return r
		}, trimmed))
	}
	text := strings.TrimSpace(strings.Join(out, "\n"))
	for strings.Contains(text, "\n\n\n") {
		text = strings.ReplaceAll(text, "\n\n\n", "\n\n")
	}
	return text
}

// quoted reports whether the next line that holds anything is quoted.
func quoted(lines []string) bool {
	for _, l := range lines {
		if t := strings.TrimSpace(l); t != "" {
			return strings.HasPrefix(t, ">")
		}
	}
	return false
}

// pageText returns the text of a page, without what it quotes.
func pageText(page string) string {
	var b strings.Builder
	hidden, quote := 0, 0
	head := false
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return b.String()
		case html.TextToken:
			if hidden == 0 && quote == 0 && !head {
				b.WriteString(strings.Join(strings.Fields(html.UnescapeString(string(z.Raw()))), " ") + " ")
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			name, _ := z.TagName()
			switch string(name) {
			case "head", "style", "script", "title", "meta", "link", "base", "noscript", "template":
			default:
				head = false // a head ends with whatever can't be in one (HTML, 13.2.6.4.4), with or without its tag
			}
			switch string(name) {
			case "head":
				head = true
			case "style", "script", "title":
				hidden++
			case "blockquote":
				quote++
			case "br", "p", "div", "tr", "li":
				b.WriteByte('\n')
			}
		case html.EndTagToken:
			switch name, _ := z.TagName(); string(name) {
			case "head":
				head = false
			case "style", "script", "title":
				hidden = max(hidden-1, 0)
			case "blockquote":
				quote = max(quote-1, 0)
			case "p", "div", "tr", "li":
				b.WriteByte('\n')
			}
		}
	}
}

// status reads the fields of a delivery status (RFC 3464): one group for the mail, then one for each
// recipient, parted by empty lines.
func (l *Letter) status(r io.Reader) {
	b, _ := io.ReadAll(r)
	b = bytes.ReplaceAll(b, []byte("\r\n"), []byte("\n"))
	for group := range strings.SplitSeq(strings.Trim(string(b), "\n"), "\n\n") {
		h, _ := textproto.NewReader(bufio.NewReader(strings.NewReader(strings.TrimLeft(group, "\n") + "\n\n"))).ReadMIMEHeader()
		if id := h.Get("Original-Envelope-Id"); id != "" && len(l.Refs) < maxRefs {
			l.Refs = append([]string{unxtext(strings.TrimSpace(id))}, l.Refs...)
		}
		action := strings.ToLower(uncomment(h.Get("Action")))
		if action == "" || len(l.Bounces) >= maxReports {
			continue
		}
		x := Bounce{
			To: address(h.Get("Final-Recipient")), Original: address(h.Get("Original-Recipient")),
			Action: action, Status: uncomment(h.Get("Status")),
		}
		if kind, said, ok := strings.Cut(h.Get("Diagnostic-Code"), ";"); ok && strings.EqualFold(strings.TrimSpace(kind), "smtp") {
			said = strings.TrimSpace(said)
			if len(said) >= 3 {
				x.Code, _ = strconv.Atoi(said[:3])
			}
			_, rest, _ := strings.Cut(said, " ")
			if s := mail.Enhanced(rest); s != "" && (x.Status == "" || strings.HasSuffix(x.Status, ".0.0")) {
				x.Status = s
			}
		}
		l.Bounces = append(l.Bounces, x)
	}
}

// uncomment takes "(permanent failure)" off a value (RFC 5322 comments; RFC 3464 has them after Status).
func uncomment(s string) string {
	s, _, _ = strings.Cut(s, "(")
	return strings.TrimSpace(s)
}

// address returns the address of "rfc822; somebody@example.org".
func address(s string) string {
	kind, a, ok := strings.Cut(s, ";")
	if !ok {
		return ""
	}
	a = strings.TrimSpace(a)
	if strings.EqualFold(strings.TrimSpace(kind), "utf-8") {
		a = ununitext(a)
	}
	return strings.ToLower(strings.Trim(a, "<>"))
}

// unxtext reads what xtext writes (RFC 3461 section 4).
func unxtext(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '+' && i+2 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+3], 16, 8); err == nil {
				b.WriteByte(byte(n))
				i += 2
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// ununitext reads what unitext writes (RFC 6533 section 3).
func ununitext(s string) string {
	var b strings.Builder
	for s != "" {
		before, rest, ok := strings.Cut(s, `\x{`)
		b.WriteString(before)
		if !ok {
			break
		}
		code, after, closed := strings.Cut(rest, "}")
		n, err := strconv.ParseUint(code, 16, 32)
		if !closed || err != nil {
			b.WriteString(`\x{`)
			s = rest
			continue
		}
		b.WriteRune(rune(n))
		s = after
	}
	return b.String()
}
