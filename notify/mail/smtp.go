package mail

import (
	"benchword/notify"
	"bytes"
	"context"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail/smtp"
)

// Encryption says how the line to the mail server is encrypted.
type Encryption string

const (
	// StartTLS demands STARTTLS (RFC 3207) and a certificate that holds.
	StartTLS Encryption = "starttls"
	// ImplicitTLS encrypts from the first byte (RFC 8314), with a certificate that holds.
	ImplicitTLS Encryption = "implicit_tls"
	// Plain never encrypts: for a server on the same machine.
	Plain Encryption = "none"
)

// Timeouts bound each step of a conversation. The zero value of a field means its default.
type Timeouts struct {
	// Dial is for the connection and the TLS handshake; default 15 s.
	Dial time.Duration
	// Command is for each answer to a command, the greeting too; default 30 s.
	Command time.Duration
	// Block is for each 64 KiB of the mail to be taken; default 60 s.
	Block time.Duration
	// End is for the answer to the final dot; default 90 s.
	End time.Duration
	// Whole is for one mail from beginning to end; default 3 min. A lease on an entry must be longer.
	Whole time.Duration
	// Idle is how long a connection is kept for the next mail; default 20 s.
	Idle time.Duration
}

func (t Timeouts) withDefaults() Timeouts {
	set := func(d *time.Duration, def time.Duration) {
		if *d <= 0 {
			*d = def
		}
	}
	set(&t.Dial, 15*time.Second)
	set(&t.Command, 30*time.Second)
	set(&t.Block, 60*time.Second)
	set(&t.End, 90*time.Second)
	set(&t.Whole, 3*time.Minute)
	set(&t.Idle, 20*time.Second)
	return t
}

// SMTP is the transport to one mail server that relays for the shop. It keeps connections for the next
// mails. It is safe for concurrent use; each call of Send uses one connection at a time.
//
// What it guards against, each found by running a library or server:
//
//   - A mail goes out from prebuilt bytes, so nothing can fail half-way through DATA but the line; then
//     the connection is closed and never used again, so that no server can take what it has for a whole
//     mail.
//   - A reply decides by its code: 4yz is temporary and 5yz permanent, and where there is no reply the
//     try is never permanent.
//   - Once the final dot was answered with 250 the mail is accepted; what happens to the connection
//     after that (a refused RSET, a lost line) changes nothing.
//   - Every step has its timeout, and a context that ends cuts the step in hand.
//   - A connection on which greeting, hello, encryption or sign-in failed is closed.
//   - A connection that went stale while it was kept costs no try: the mail goes over a new one.
type SMTP struct {
	// Host and Port are the server's.
	Host string
	Port int
	// Encryption is StartTLS if empty.
	Encryption Encryption
	// TLS is the base of the encryption's configuration; nil means the system's roots.
	TLS *tls.Config
	// User and Password sign in, "" for none. They are sent over an encrypted line only, or to the same
	// machine.
	User, Password string
	// Name is the name given in EHLO, "localhost" if empty.
	Name string
	// PerConnection is how many mails go over one connection; default 100.
	PerConnection int
	// Keep is how many idle connections are kept; default 8.
	Keep     int
	Timeouts Timeouts
	// Dial replaces the dialler; nil means TCP.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)

	mu     sync.Mutex
	idle   []*wire
	closed bool
}

// wire is one open, ready connection.
type wire struct {
	s      *SMTP
	t      Timeouts
	conn   net.Conn // the TCP connection, for deadlines
	c      *smtp.Client
	sent   int
	expire *time.Timer
	utf8   bool
	eight  bool
	dsn    bool
	pipe   bool
	size   int // largest mail, 0 if not said
	sized  bool
}

// Send delivers one mail. It returns the server's words of acceptance, or a *[notify.Failure].
func (s *SMTP) Send(ctx context.Context, m *Message) (words string, err error) {
	t := s.Timeouts.withDefaults()
	ctx, cancel := context.WithTimeout(ctx, t.Whole)
	defer cancel()
	for {
		w := s.take()
		fresh := w == nil
		if fresh {
			if w, err = s.open(ctx, t); err != nil {
				return "", err
			}
		}
		stop := context.AfterFunc(ctx, func() { _ = w.conn.SetDeadline(past) })
		words, reusable, err := w.send(ctx, m)
		if !stop() {
			reusable = false
		}
		if reusable {
			s.give(w)
		} else {
			w.close(err == nil)
		}
		var f *notify.Failure
		if errors.As(err, &f) && f.Fate == notify.Unreached && ctx.Err() == nil {
			if !fresh {
				continue // it went stale while it was kept; nothing of this mail was on it
			}
			if f.Code == 0 || f.Step == "rcpt" || f.Step == "data" {
				// A new line that breaks once this mail is named may break because of it. It waits by
				// itself then, so that it can't hold up the others.
				f.Fate = notify.PutOff
			}
		}
		return words, err
	}
}

// Close ends the kept connections. Calls of Send that run finish, and keep none.
func (s *SMTP) Close() error {
	s.mu.Lock()
	idle := s.idle
	s.idle, s.closed = nil, true
	s.mu.Unlock()
	for _, w := range idle {
		w.expire.Stop()
		w.close(true)
	}
	return nil
}

func (s *SMTP) take() *wire {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.idle) > 0 {
		w := s.idle[len(s.idle)-1]
		s.idle = s.idle[:len(s.idle)-1]
		if w.expire.Stop() {
			return w
		}
	}
	return nil
}

func (s *SMTP) give(w *wire) {
	most, keep := s.PerConnection, s.Keep
	if most <= 0 {
		most = 100
	}
	if keep <= 0 {
		keep = 8
	}
	s.mu.Lock()
	if s.closed || w.sent >= most || len(s.idle) >= keep {
		s.mu.Unlock()
		w.close(true)
		return
	}
	w.expire = time.AfterFunc(w.t.Idle, func() {
		s.mu.Lock()
		for i, x := range s.idle {
			if x == w {
				s.idle = append(s.idle[:i], s.idle[i+1:]...)
				break
			}
		}
		s.mu.Unlock()
		w.close(true)
	})
	s.idle = append(s.idle, w)
	s.mu.Unlock()
}

// close ends the connection, politely if asked to and if the server still listens.
func (w *wire) close(polite bool) {
	if polite {
		_ = w.conn.SetDeadline(time.Now().Add(2 * time.Second))
		_ = w.c.Text.PrintfLine("QUIT")
		_, _, _ = w.c.Text.ReadResponse(221)
	}
	_ = w.conn.Close()
	_ = w.c.Close()
}

// open connects, greets, encrypts and signs in. Its failures are all [notify.Unreached].
func (s *SMTP) open(ctx context.Context, t Timeouts) (*wire, error) {
	addr := net.JoinHostPort(s.Host, strconv.Itoa(s.Port))
	fail := func(step string, err error) error { return s.unready(step, err) }
	dialing, cancel := context.WithTimeout(ctx, t.Dial)
	defer cancel()
	dial := s.Dial
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	raw, err := dial(dialing, "tcp", addr)
	if err != nil {
		return nil, fail("connect", err)
	}
	ok := false
	defer func() {
		if !ok {
			_ = raw.Close()
		}
	}()
	stop := context.AfterFunc(ctx, func() { _ = raw.SetDeadline(past) })
	defer stop()
	within := func(d time.Duration) { limit(ctx, raw, d) }
	mode := s.Encryption
	if mode == "" {
		mode = StartTLS
	}
	config := s.tlsConfig()
	var conn net.Conn = raw
	if mode == ImplicitTLS {
		within(t.Dial)
		secure := tls.Client(raw, config)
		if err := secure.HandshakeContext(ctx); err != nil {
			return nil, fail("starttls", err)
		}
		conn = secure
	}
	within(t.Command)
	c, err := smtp.NewClient(conn, s.Host)
	if err != nil {
		return nil, fail("connect", err)
	}
	defer func() {
		if !ok {
			_ = c.Close()
		}
	}()
	name := s.Name
	if name == "" {
		name = "localhost"
	}
	within(2 * t.Command)
	if err := c.Hello(name); err != nil {
		return nil, fail("hello", err)
	}
	if mode == StartTLS {
		if offered, _ := c.Extension("STARTTLS"); !offered {
			return nil, fail("starttls", errors.New("the server does not offer encryption, which the settings demand"))
		}
		within(t.Dial + t.Command)
		if err := c.StartTLS(config); err != nil {
			return nil, fail("starttls", err)
		}
	}
	if s.User != "" {
		within(2 * t.Command)
		auth, err := s.auth(c)
		if err != nil {
			return nil, fail("auth", err)
		}
		if err := c.Auth(auth); err != nil {
			return nil, fail("auth", err)
		}
	}
	w := &wire{s: s, t: t, conn: raw, c: c}
	w.utf8, _ = c.Extension("SMTPUTF8")
	w.eight, _ = c.Extension("8BITMIME")
	w.dsn, _ = c.Extension("DSN")
	w.pipe, _ = c.Extension("PIPELINING")
	if sized, limit := c.Extension("SIZE"); sized {
		w.sized = true
		w.size, _ = strconv.Atoi(strings.TrimSpace(limit))
	}
	ok = true
	return w, nil
}

func (s *SMTP) tlsConfig() *tls.Config {
	config := &tls.Config{}
	if s.TLS != nil {
		config = s.TLS.Clone()
	}
	if config.ServerName == "" {
		config.ServerName = s.Host
	}
	config.MinVersion = max(config.MinVersion, tls.VersionTLS12)
	return config
}

// auth chooses the strongest way to sign in that the server offers.
func (s *SMTP) auth(c *smtp.Client) (smtp.Auth, error) {
	offered, list := c.Extension("AUTH")
	if !offered {
		return nil, errors.New("the server offers no sign-in, but the settings name a user")
	}
	secure := false
	if _, err := c.GetTLSConnectionState(); err == nil {
		secure = true
	}
	here := s.Host == "localhost"
	if ip := net.ParseIP(s.Host); ip != nil && ip.IsLoopback() {
		here = true
	}
	has := map[string]bool{}
	for _, m := range strings.Fields(list) {
		has[strings.ToUpper(m)] = true
	}
	switch {
	case has["SCRAM-SHA-256"]:
		return smtp.ScramSHA256Auth(s.User, s.Password), nil
	case !secure && !here:
		return nil, errors.New("the line is not encrypted, so no password is sent over it; set the encryption to starttls or implicit_tls")
	case has["PLAIN"]:
		return smtp.PlainAuth("", s.User, s.Password, s.Host, here), nil
	case has["LOGIN"]:
		return smtp.LoginAuth(s.User, s.Password, s.Host, here), nil
	case has["CRAM-MD5"]:
		return smtp.CRAMMD5Auth(s.User, s.Password), nil
	}
	return nil, fmt.Errorf("the server offers no way to sign in that is known here, only %q", list)
}

// unready is the failure of a connection that came to no mail.
func (s *SMTP) unready(step string, err error) *notify.Failure {
	f := &notify.Failure{Fate: notify.Unreached, Step: step, Err: err}
	var e *textproto.Error
	if errors.As(err, &e) {
		f.Code, f.Words = e.Code, notify.FirstLine(e.Msg)
		return f
	}
	switch step {
	case "connect":
		f.Words = "The mail server can't be reached."
	case "starttls":
		f.Words = "No encrypted line to the mail server could be made."
	case "auth":
		f.Words = "Signing in at the mail server failed."
	default:
		f.Words = "The mail server did not answer."
	}
	return f
}

const block = 64 << 10

// send takes one mail over an open connection. reusable says that the connection is fit for the next.
func (w *wire) send(ctx context.Context, m *Message) (words string, reusable bool, err error) {
	if m.UTF8 && !w.utf8 {
		return "", true, &notify.Failure{Fate: notify.Refused, Step: "mail", Words: "The mail server can't send to an address with letters outside of ASCII"}
	}
	if w.size > 0 && len(m.Data) > w.size {
		return "", true, &notify.Failure{Fate: notify.Refused, Step: "mail", Code: 552, Words: fmt.Sprintf("5.3.4 The email has %d bytes, the server takes %d.", len(m.Data), w.size)}
	}
	from, to := w.commands(m)
	w.within(ctx, w.t.Command)
	first := func(step string, expect int, lines ...string) ([]string, *notify.Failure, bool) {
		for _, l := range lines {
			if _, err := w.c.Text.W.WriteString(l + "\r\n"); err != nil {
				return nil, w.lost(step, err), false
			}
		}
		if err := w.c.Text.W.Flush(); err != nil {
			return nil, w.lost(step, err), false
		}
		var words []string
		var bad *notify.Failure
		for i := range lines {
			if i > 0 {
				step = "rcpt"
			}
			_, msg, err := w.c.Text.ReadResponse(expect)
			if err != nil && bad == nil {
				var ours bool
				if bad, ours = w.reply(step, err); !ours {
					return nil, bad, false
				}
			}
			words = append(words, msg)
		}
		return words, bad, true
	}
	steps := [][]string{{from}, {to}}
	if w.pipe {
		steps = [][]string{{from, to}}
	}
	for i, lines := range steps {
		step := "mail"
		if i > 0 {
			step = "rcpt"
		}
		w.within(ctx, w.t.Command)
		if _, f, alive := first(step, 25, lines...); f != nil {
			return "", alive && w.reset(ctx), f
		}
	}
	w.within(ctx, w.t.Command)
	if _, f, alive := first("data", 354, "DATA"); f != nil {
		return "", alive && w.reset(ctx), f
	}
	return w.body(ctx, m)
}

// commands returns MAIL and RCPT with the parameters that the server knows.
func (w *wire) commands(m *Message) (from, to string) {
	var f, t strings.Builder
	fmt.Fprintf(&f, "MAIL FROM:<%s>", m.From)
	if w.sized {
		fmt.Fprintf(&f, " SIZE=%d", len(m.Data))
	}
	if w.eight && m.UTF8 {
		f.WriteString(" BODY=8BITMIME")
	}
	if m.UTF8 {
		f.WriteString(" SMTPUTF8")
	}
	fmt.Fprintf(&t, "RCPT TO:<%s>", m.To)
	if w.dsn {
		// RFC 3461: only the headers come back, and they name the notice and the address it was for.
		fmt.Fprintf(&f, " RET=HDRS ENVID=%s", xtext(m.ID))
		orcpt := "rfc822;" + xtext(m.To)
		if m.UTF8 {
			orcpt = "utf-8;" + unitext(m.To)
		}
		t.WriteString(" NOTIFY=FAILURE,DELAY ORCPT=" + orcpt)
	}
	return f.String(), t.String()
}

// xtext is the encoding of RFC 3461 section 4: all but printable ASCII, and "+" and "=", as +XX.
func xtext(s string) string {
	var b strings.Builder
	for i := range len(s) {
		if c := s[i]; c < 0x21 || c > 0x7e || c == '+' || c == '=' {
			b.WriteString("+" + strings.ToUpper(hex.EncodeToString([]byte{c})))
			continue
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// unitext is the encoding of RFC 6533 section 3 for an international address: all but printable ASCII,
// and "\", "+" and "=", as \x{XX}.
func unitext(s string) string {
	var b strings.Builder
	for _, r := range s {
		if r < 0x21 || r > 0x7e || r == '\\' || r == '+' || r == '=' {
			fmt.Fprintf(&b, "\\x{%02X}", r)
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// body sends the message and reads the verdict. After any failure here the connection is closed.
func (w *wire) body(ctx context.Context, m *Message) (words string, reusable bool, err error) {
	for rest := stuff(m.Data); len(rest) > 0; rest = rest[1:] {
		w.within(ctx, w.t.Block)
		_, err := w.c.Text.W.Write(rest[0])
		last := len(rest) == 1
		if err == nil && last {
			err = w.c.Text.W.Flush()
		}
		if err != nil {
			// The server may have said why before it closed the line.
			_ = w.conn.SetReadDeadline(time.Now().Add(time.Second))
			if _, _, rerr := w.c.Text.ReadResponse(250); rerr != nil {
				if f, ours := w.reply("body", rerr); ours {
					return "", false, f
				}
			}
			f := &notify.Failure{Fate: notify.PutOff, Step: "body", Words: "The line was lost while the email was being sent.", Err: err}
			if last {
				f.Fate, f.Step = notify.Unknown, "end"
			}
			return "", false, f
		}
	}
	w.within(ctx, w.t.End)
	_, words, err = w.c.Text.ReadResponse(250)
	if err == nil {
		w.sent++
		return notify.FirstLine(words), true, nil
	}
	f, ours := w.reply("end", err)
	if !ours {
		f = &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "The whole mail was sent, but the line was lost before the server answered.", Err: err}
	}
	return "", false, f
}

// stuff cuts a mail into blocks that together are what goes over the line: each dot at the beginning of a
// line doubled (RFC 5321, 4.5.2), and the final dot. The blocks are parts of data, nothing is copied.
func stuff(data []byte) [][]byte {
	var out [][]byte
	for rest := data; len(rest) > 0; {
		if rest[0] == '.' {
			out = append(out, rest[:1])
		}
		end := len(rest)
		if k := bytes.Index(rest, []byte("\n.")); k >= 0 {
			end = k + 1
		}
		out = slices.AppendSeq(out, slices.Chunk(rest[:end], block))
		rest = rest[end:] // which begins a line
	}
	if !bytes.HasSuffix(data, []byte("\r\n")) {
		out = append(out, []byte("\r\n"))
	}
	return append(out, []byte(".\r\n"))
}

func (w *wire) within(ctx context.Context, d time.Duration) { limit(ctx, w.conn, d) }

// past is a deadline that has gone by.
var past = time.Unix(1, 0)

// limit sets the next step's time, none once ctx has ended.
func limit(ctx context.Context, c net.Conn, d time.Duration) {
	_ = c.SetDeadline(time.Now().Add(d))
	if ctx.Err() != nil {
		_ = c.SetDeadline(past)
	}
}

// reset takes back a refused transaction; false means that the connection is not fit for another.
func (w *wire) reset(ctx context.Context) bool {
	w.within(ctx, w.t.Command)
	if w.c.Text.PrintfLine("RSET") != nil {
		return false
	}
	_, _, err := w.c.Text.ReadResponse(250)
	return err == nil
}

// lost is the failure of a line that broke. Before DATA nothing of the mail was on it.
func (w *wire) lost(step string, err error) *notify.Failure {
	return &notify.Failure{Fate: notify.Unreached, Step: step, Words: "The line to the mail server was lost.", Err: err}
}

// reply turns an error of reading a reply into a failure; ours is false where no reply came.
func (w *wire) reply(step string, err error) (f *notify.Failure, ours bool) {
	var e *textproto.Error
	if !errors.As(err, &e) {
		return w.lost(step, err), false
	}
	f = &notify.Failure{Step: step, Code: e.Code, Words: notify.FirstLine(e.Msg), Err: err}
	switch {
	case e.Code == 421 && step != "body" && step != "end":
		f.Fate = notify.Unreached // the server closes the line: nobody's fault
	case step == "mail" && (e.Code == 530 || e.Code == 534 || e.Code == 535 || e.Code == 538):
		// It wants a sign-in or encryption: the settings' fault, not the mail's.
		f.Fate = notify.Unreached
	case e.Code >= 500 && e.Code < 600:
		f.Fate = notify.Refused
	default:
		f.Fate = notify.PutOff
	}
	return f, true
}
