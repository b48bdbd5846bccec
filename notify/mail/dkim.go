package mail

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"hash"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// Signer signs built mails (DKIM, RFC 6376 and 8463): once, before the first try, over the whole body and
// the headers that say who, to whom, when and what.
//
// The library that builds the mails can sign too, but it folds a long list of headers in the middle of a
// name, and such a signature does not verify.
type Signer struct {
	// Domain and Selector say where the public key stands in the DNS.
	Domain, Selector string
	// Key is an RSA (2048 bits or more) or Ed25519 private key.
	Key crypto.Signer
}

// NewSigner checks a key and where it is published, and reads the key from PEM (PKCS#1 or PKCS#8).
func NewSigner(domain, selector string, pem []byte) (*Signer, error) {
	if domain == "" || selector == "" {
		return nil, errors.New("signing mails needs a domain and a selector")
	}
	key, err := mail.PrivKeyFromPEM(pem)
	if err != nil {
		return nil, fmt.Errorf("the key that signs emails can't be read: %w", err)
	}
	if k, ok := key.(*rsa.PrivateKey); ok && k.N.BitLen() < 2048 {
		return nil, fmt.Errorf("the key that signs emails has %d bits; mail systems want 2048 (RFC 8301)", k.N.BitLen())
	}
	return &Signer{domain, selector, key}, nil
}

// signed are the headers that a signature covers where they are present (RFC 6376, 5.4.1). Those in
// sealed are named once more, so that nobody can add a second one.
var (
	signed = []string{"From", "To", "Subject", "Date", "Message-ID", "Reply-To", "In-Reply-To", "References", "Content-Type", "MIME-Version", "Auto-Submitted", "List-Unsubscribe", "List-Unsubscribe-Post"}
	sealed = []string{"From", "To", "Subject", "Date", "Message-ID", "Content-Type"}
)

// sign puts the signers' signatures in front of a message, in their order.
func sign(message []byte, at time.Time, signers []*Signer) ([]byte, error) {
	if len(signers) == 0 {
		return message, nil
	}
	end := bytes.Index(message, []byte("\r\n\r\n"))
	if end < 0 {
		return nil, errors.New("a message without a body can't be signed")
	}
	headers := map[string]string{}
	for _, h := range splitHeaders(string(message[:end+2])) {
		name, _, _ := strings.Cut(h, ":")
		headers[strings.ToLower(name)] = h
	}
	body := sha256.New()
	hashBody(body, message[end+4:])
	bh := base64.StdEncoding.EncodeToString(body.Sum(nil))
	var names []string
	var covered strings.Builder
	for _, name := range signed {
		if h, ok := headers[strings.ToLower(name)]; ok {
			names = append(names, name)
			covered.WriteString(relaxHeader(h) + "\r\n")
		}
	}
	names = append(names, sealed...)
	var out []byte
	for _, s := range signers {
		h, err := s.header(covered.String(), bh, names, at)
		if err != nil {
			return nil, err
		}
		out = append(out, h...)
	}
	return append(out, message...), nil
}

// header makes one DKIM-Signature over the headers it covers, and itself.
func (s *Signer) header(covered, bh string, names []string, at time.Time) (string, error) {
	algorithm := "rsa-sha256"
	if _, ok := s.Key.(ed25519.PrivateKey); ok {
		algorithm = "ed25519-sha256"
	}
	var list strings.Builder // folded between names only: a fold counts as a space, and one may stand there
	room := 70
	for i, n := range names {
		if i > 0 {
			list.WriteByte(':')
			room--
		}
		if room -= len(n); room < 1 {
			list.WriteString("\r\n  ")
			room = 72 - len(n)
		}
		list.WriteString(n)
	}
	unsigned := fmt.Sprintf("DKIM-Signature: v=1; a=%s; c=relaxed/relaxed;\r\n d=%s; s=%s;\r\n t=%d;\r\n h=%s;\r\n bh=%s;\r\n b=",
		algorithm, s.Domain, s.Selector, at.Unix(), list.String(), bh)
	digest := sha256.Sum256([]byte(covered + relaxHeader(unsigned)))
	var sig []byte
	var err error
	switch k := s.Key.(type) {
	case ed25519.PrivateKey:
		sig = ed25519.Sign(k, digest[:]) // RFC 8463: over the digest, unlike its usual use
	case *rsa.PrivateKey:
		sig, err = rsa.SignPKCS1v15(rand.Reader, k, crypto.SHA256, digest[:])
	default:
		err = fmt.Errorf("a key of type %T can't sign mails", s.Key)
	}
	if err != nil {
		return "", err
	}
	b := base64.StdEncoding.EncodeToString(sig)
	var out strings.Builder
	out.WriteString(unsigned)
	for width := 72; len(b) > width; b = b[width:] {
		out.WriteString(b[:width] + "\r\n ")
	}
	out.WriteString(b + "\r\n")
	return out.String(), nil
}

// splitHeaders returns the headers, each with its folded lines.
func splitHeaders(s string) []string {
	var out []string
	for _, l := range strings.SplitAfter(s, "\r\n") {
		switch {
		case l == "":
		case len(out) > 0 && (l[0] == ' ' || l[0] == '\t'):
			out[len(out)-1] += l
		default:
			out = append(out, l)
		}
	}
	return out
}

// relaxHeader is the "relaxed" form of a header, without its line end (RFC 6376, 3.4.2).
func relaxHeader(h string) string {
	name, value, _ := strings.Cut(strings.ReplaceAll(h, "\r\n", ""), ":")
	words := strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == '\t' })
	return strings.ToLower(strings.TrimRight(name, " \t")) + ":" + strings.Join(words, " ")
}

// hashBody hashes the "relaxed" form of a body (RFC 6376, 3.4.4). Lines without white space, which is
// what pictures are made of, are hashed where they lie.
func hashBody(h hash.Hash, body []byte) {
	empty := 0 // lines that count only if something follows
	clean := body[:0:0]
	flush := func(upTo []byte) {
		if len(upTo) > 0 {
			h.Write(upTo)
		}
	}
	start := 0 // of the run that needs no change
	for at := 0; at < len(body); {
		next := len(body)
		line := body[at:]
		if i := bytes.IndexByte(line, '\n'); i >= 0 {
			line, next = line[:i], at+i+1
		}
		text := bytes.TrimSuffix(line, []byte("\r"))
		whole := len(text)+2 == next-at
		if len(text) > 0 && whole && empty == 0 && bytes.IndexByte(text, ' ') < 0 && bytes.IndexByte(text, '\t') < 0 {
			at = next
			continue
		}
		flush(body[start:at])
		start, at = next, next
		clean = relaxLine(clean[:0], text)
		if len(clean) == 0 {
			empty++
			continue
		}
		for ; empty > 0; empty-- {
			flush([]byte("\r\n"))
		}
		flush(clean)
		flush([]byte("\r\n"))
	}
	flush(body[start:])
}

// relaxLine appends a line with each run of white space as one space, and none at the end.
func relaxLine(to, line []byte) []byte {
	space := false
	for _, c := range line {
		if c == ' ' || c == '\t' {
			space = true
			continue
		}
		if space {
			to = append(to, ' ')
			space = false
		}
		to = append(to, c)
	}
	return to
}
