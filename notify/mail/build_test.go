package mail

import (
	"benchword/notify"
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-msgauth/dkim"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func sampleParts() Parts {
	return Parts{
		ID: "H7K3M9X-4-received@bench.example", Thread: "H7K3M9X.job@bench.example",
		Date: time.Date(2026, 12, 3, 10, 15, 0, 0, time.FixedZone("", -4*3600)),
		From: netmail.Address{Name: "Harbour Bench", Address: "desk@bench.example"}, To: netmail.Address{Name: "Ada", Address: "ada@example.org"},
		ReplyTo: "hello@bench.example", Subject: "Your film scanner has arrived", Lang: "en",
		Text: "It is here.\n.\nFrom the bench\n", HTML: "<p>It is here.</p>\n",
		Photos: []Inline{{CID: "p1@bench.example", Name: "photo-1.jpg", JPEG: bytes.Repeat([]byte{0xff, 0xd8, 0x00, '.'}, 5000)}},
	}
}

// opened is a message taken apart by the standard library.
type opened struct {
	Header     netmail.Header
	Text, HTML string
	Inline     map[string][]byte
	Types      []string
}

func open(t require.TestingT, data []byte) opened {
	m, err := netmail.ReadMessage(bytes.NewReader(data))
	require.NoError(t, err)
	o := opened{Header: m.Header, Inline: map[string][]byte{}}
	var walk func(ct, cte, cid string, r io.Reader)
	walk = func(ct, cte, cid string, r io.Reader) {
		kind, params, err := mime.ParseMediaType(ct)
		require.NoError(t, err)
		o.Types = append(o.Types, kind)
		if strings.HasPrefix(kind, "multipart/") {
			mr := multipart.NewReader(r, params["boundary"])
			for {
				p, err := mr.NextRawPart()
				if errors.Is(err, io.EOF) {
					return
				}
				require.NoError(t, err)
				walk(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p.Header.Get("Content-ID"), p)
			}
		}
		switch cte {
		case "base64":
			r = base64.NewDecoder(base64.StdEncoding, r)
		case "quoted-printable":
			r = quotedprintable.NewReader(r)
		}
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		switch kind {
		case "text/plain":
			o.Text = string(b)
		case "text/html":
			o.HTML = string(b)
		default:
			o.Inline[cid] = b
		}
	}
	walk(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), "", m.Body)
	return o
}

// checkMessage holds a message to RFC 5322: line ends and lengths, headers once each.
func checkMessage(t require.TestingT, data []byte) {
	require.True(t, bytes.HasSuffix(data, []byte("\r\n")))
	lines := strings.Split(strings.TrimSuffix(string(data), "\r\n"), "\r\n")
	inHeader := true
	seen := map[string]int{}
	for _, l := range lines {
		require.NotContains(t, l, "\r")
		require.NotContains(t, l, "\n")
		require.NotContains(t, l, "\x00")
		require.LessOrEqual(t, len(l), 998, "RFC 5322 2.1.1: must not")
		if inHeader {
			if l == "" {
				inHeader = false
				continue
			}
			if strings.ContainsAny(l[:1], " \t") {
				require.NotEmpty(t, strings.TrimSpace(l), "a folded line must hold something")
				continue
			}
			name, _, ok := strings.Cut(l, ":")
			require.True(t, ok, l)
			seen[name]++
		} else {
			require.LessOrEqual(t, len(l), 78, "RFC 5322 2.1.1: should not")
		}
	}
	for name, n := range seen {
		if name != "DKIM-Signature" {
			require.Equal(t, 1, n, name)
		}
	}
	for _, name := range []string{"From", "To", "Subject", "Date", "Message-ID", "MIME-Version", "Content-Type", "Auto-Submitted"} {
		require.Equal(t, 1, seen[name], name)
	}
}

func TestBuildGivesTheSameBytes(t *testing.T) {
	a, err := Build(sampleParts())
	require.NoError(t, err)
	b, err := Build(sampleParts())
	require.NoError(t, err)
	require.Equal(t, string(a.Data), string(b.Data))
	checkMessage(t, a.Data)
	o := open(t, a.Data)
	require.Equal(t, []string{"multipart/related", "multipart/alternative", "text/plain", "text/html", "image/jpeg"}, o.Types)
	require.Equal(t, "It is here.\r\n.\r\nFrom the bench\r\n", o.Text)
	require.Equal(t, "<p>It is here.</p>\r\n", o.HTML)
	require.Equal(t, sampleParts().Photos[0].JPEG, o.Inline["<p1@bench.example>"])
	require.Equal(t, "<H7K3M9X-4-received@bench.example>", o.Header.Get("Message-ID"))
	require.Equal(t, "<H7K3M9X.job@bench.example>", o.Header.Get("References"))
	require.Equal(t, "<H7K3M9X.job@bench.example>", o.Header.Get("In-Reply-To"))
	require.Equal(t, "auto-generated", o.Header.Get("Auto-Submitted"))
	require.Equal(t, "en", o.Header.Get("Content-Language"))
	require.Equal(t, "Thu, 03 Dec 2026 10:15:00 -0400", o.Header.Get("Date"))
	require.Equal(t, `"Harbour Bench" <hello@bench.example>`, o.Header.Get("Reply-To"))

	p := sampleParts()
	p.Photos = nil
	plain, err := Build(p)
	require.NoError(t, err)
	require.Equal(t, []string{"multipart/alternative", "text/plain", "text/html"}, open(t, plain.Data).Types)
}

func TestBuildHoldsHostileWords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{
			"Ada\r\nBcc: all@example.org", "Zoë O’Brien", "عائشة", "🔧\u202e\u2066", `"quoted" <x@y.example>`, "a\x00b\u2028c", strings.Repeat("長", 150), strings.Repeat("x", 200), "=?utf-8?q?=0D=0ABcc:_x?=", "--part-0-1\r\n",
		}))
		p := sampleParts()
		p.From.Name, p.To.Name, p.Subject = word.Draw(t, "from"), word.Draw(t, "to"), word.Draw(t, "subject")
		p.Text, p.HTML = word.Draw(t, "text"), word.Draw(t, "html")
		m, err := Build(p)
		require.NoError(t, err)
		checkMessage(t, m.Data)
		o := open(t, m.Data)
		require.Empty(t, o.Header["Bcc"])
		dec := &mime.WordDecoder{}
		subject, err := dec.DecodeHeader(o.Header.Get("Subject"))
		require.NoError(t, err)
		if !strings.Contains(p.Subject, "=?") {
			require.Equal(t, strings.ToValidUTF8(oneLine(p.Subject), "\ufffd"), strings.ToValidUTF8(subject, "\ufffd"))
		}
		to, err := o.Header.AddressList("To")
		require.NoError(t, err)
		require.Len(t, to, 1)
		require.Equal(t, "ada@example.org", to[0].Address)
	})
}

func TestBuildBoundaryCannotBeGuessed(t *testing.T) {
	p := sampleParts()
	first, err := Build(p)
	require.NoError(t, err)
	at := bytes.Index(first.Data, []byte("part-"))
	stolen := string(first.Data[at : at+boundaryLength])
	p.Text = "\n--" + stolen + "\nContent-Type: text/html\n\nfalse\n--" + stolen + "--\n"
	m, err := Build(p)
	require.NoError(t, err)
	require.Equal(t, crlf(p.Text), open(t, m.Data).Text)
	require.Len(t, open(t, m.Data).Inline, 1)
}

func TestBuildInternationalAddress(t *testing.T) {
	p := sampleParts()
	p.To.Address = "ärna@bücher.example"
	m, err := Build(p)
	require.NoError(t, err)
	require.True(t, m.UTF8)
	require.Equal(t, "ärna@xn--bcher-kva.example", m.To)
	require.Equal(t, "ärna@bücher.example", m.For)
	p.To.Address = "ada@example.org\r\nRCPT TO:<x@y.example>"
	_, err = Build(p)
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Refused, f.Fate)
}

func testKeys(t testing.TB) (rsaPEM, edPEM []byte, dns map[string]string) {
	t.Helper()
	rk, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	pub, ek, err := ed25519.GenerateKey(rand.Reader)
	require.NoError(t, err)
	der, err := x509.MarshalPKIXPublicKey(&rk.PublicKey)
	require.NoError(t, err)
	ed, err := x509.MarshalPKCS8PrivateKey(ek)
	require.NoError(t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Bytes: x509.MarshalPKCS1PrivateKey(rk)}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: ed}),
		map[string]string{
			"r1._domainkey.bench.example": "v=DKIM1; k=rsa; p=" + base64.StdEncoding.EncodeToString(der),
			"e1._domainkey.bench.example": "v=DKIM1; k=ed25519; p=" + base64.StdEncoding.EncodeToString(pub),
		}
}

func verify(t *testing.T, data []byte, dns map[string]string) []*dkim.Verification {
	t.Helper()
	v, err := dkim.VerifyWithOptions(bytes.NewReader(data), &dkim.VerifyOptions{LookupTXT: func(name string) ([]string, error) {
		if s, ok := dns[name]; ok {
			return []string{s}, nil
		}
		return nil, errors.New("no such name: " + name)
	}})
	require.NoError(t, err)
	return v
}

// TestSignaturesVerifyElsewhere has our signatures checked by emersion/go-msgauth, and go-msgauth by the
// published samples.
func TestSignaturesVerifyElsewhere(t *testing.T) {
	r, e, dns := testKeys(t)
	one, err := NewSigner("bench.example", "r1", r)
	require.NoError(t, err)
	two, err := NewSigner("bench.example", "e1", e)
	require.NoError(t, err)
	m, err := Build(sampleParts(), one, two)
	require.NoError(t, err)
	checkMessage(t, m.Data)
	v := verify(t, m.Data, dns)
	require.Len(t, v, 2)
	for _, x := range v {
		require.NoError(t, x.Err)
		require.Equal(t, "bench.example", x.Domain)
	}
	again, err := Build(sampleParts(), one, two)
	require.NoError(t, err)
	require.Equal(t, string(m.Data), string(again.Data), "signing gives the same bytes too")

	for _, change := range [][2]string{{"It is here.", "It is gone."}, {"Subject: Your", "Subject: Our"}, {"\r\nSubject:", "\r\nSubject: two\r\nSubject:"}, {"ada@example.org", "bob@example.org"}} {
		broken := bytes.Replace(m.Data, []byte(change[0]), []byte(change[1]), 1)
		require.NotEqual(t, string(m.Data), string(broken))
		for _, x := range verify(t, broken, dns) {
			require.Error(t, x.Err, "%q", change[0])
		}
	}
	_, err = NewSigner("bench.example", "", r)
	require.Error(t, err)
	_, err = NewSigner("bench.example", "r1", []byte("nonsense"))
	require.Error(t, err)
}

// TestPublishedSignatures: the samples of RFC 6376 appendix A.2 and RFC 8463 appendix A.3.
func TestPublishedSignatures(t *testing.T) {
	keys, err := os.ReadFile("../../testdata/published/dkim_keys.txt")
	require.NoError(t, err)
	dns := map[string]string{}
	for _, l := range strings.Split(string(keys), "\n") {
		if name, txt, ok := strings.Cut(strings.TrimSpace(l), "\t"); ok {
			dns[name] = txt
		}
	}
	for file, n := range map[string]int{"rfc6376_a2.eml": 1, "rfc8463_a3.eml": 2} {
		data, err := os.ReadFile("../../testdata/published/" + file)
		require.NoError(t, err)
		v := verify(t, data, dns)
		require.Len(t, v, n, file)
		for _, x := range v {
			require.NoError(t, x.Err, file)
		}
		for _, x := range verify(t, bytes.Replace(data, []byte("hungry"), []byte("thirsty"), 1), dns) {
			require.Error(t, x.Err, file)
		}
	}
}

// TestSignatureOverAnyBody: the body's "relaxed" form agrees with go-msgauth's for whatever white space.
func TestSignatureOverAnyBody(t *testing.T) {
	_, e, dns := testKeys(t)
	key, err := NewSigner("bench.example", "e1", e)
	require.NoError(t, err)
	rapid.Check(t, func(rt *rapid.T) {
		lines := rapid.SliceOf(rapid.SampledFrom([]string{"", "a", " ", "\t", "a  b", "a\t b ", " a", "....", strings.Repeat("QUJD", 18)})).Draw(rt, "lines")
		body := strings.Join(lines, "\r\n")
		if rapid.Bool().Draw(rt, "ended") {
			body += "\r\n"
		}
		message := "From: a@bench.example\r\nTo:  b@example.org\r\nSubject: x\r\n  y\r\nDate: Thu, 03 Dec 2026 10:15:00 -0400\r\nMessage-ID: <1@bench.example>\r\n\r\n" + body
		out, err := sign([]byte(message), time.Unix(1_700_000_000, 0), []*Signer{key})
		require.NoError(t, err)
		for _, x := range verify(t, out, dns) {
			require.NoError(t, x.Err, "%q", body)
		}
	})
}
