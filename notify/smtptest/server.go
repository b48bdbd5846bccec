// Package smtptest is a small mail server for tests and for the demo: it speaks real SMTP over real
// sockets on the loopback interface, keeps what it accepts, and can be told to fail at any step.
//
// Contract:
//
//   - A mail is kept if and only if the server took the final dot and did not refuse it. A line that
//     ends before the final dot leaves nothing behind.
//   - A [Fault] fires at its step, for the conversations that it names, as often as it says, and then
//     no more. Faults fire in the order in which they were given.
//   - It listens on a loopback address only, and relays nothing.
//
// It offers SIZE, 8BITMIME, SMTPUTF8, ENHANCEDSTATUSCODES, DSN, and where its [Config] says so STARTTLS
// and AUTH (PLAIN, LOGIN).
package smtptest

import (
	"bufio"
	"bytes"
	"crypto/subtle"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Step is a point of an SMTP conversation at which a [Fault] can fire.
type Step string

// The steps, in the order of a conversation.
const (
	AtConnect  Step = "connect"  // instead of the greeting
	AtHello    Step = "hello"    // EHLO or HELO
	AtStartTLS Step = "starttls" // the STARTTLS command; a Reply of "220 …" with Drop cuts the handshake
	AtAuth     Step = "auth"
	AtMail     Step = "mail"  // MAIL FROM
	AtRcpt     Step = "rcpt"  // RCPT TO
	AtData     Step = "data"  // the DATA command
	AtBody     Step = "body"  // in the middle of the mail; only Drop and Delay mean anything
	AtEnd      Step = "end"   // right after the final dot
	AtReset    Step = "reset" // RSET
	AtQuit     Step = "quit"
)

// Fault is something that goes wrong at one step.
type Fault struct {
	At Step
	// Reply is sent instead of the usual answer, "450 4.2.1 try again later"; "" sends nothing.
	Reply string
	// Drop ends the line, after Reply if there is one.
	Drop bool
	// Keep, at AtEnd, keeps the mail all the same: the server has it but the client is not told.
	Keep bool
	// Delay is waited before anything is answered.
	Delay time.Duration
	// Times is how often it fires; 0 means as often as it can.
	Times int
	// To limits it to mails for this recipient (steps from AtRcpt to AtEnd).
	To string
}

// Mail is a mail that the server accepted.
type Mail struct {
	From string
	// To are the recipients of the envelope.
	To []string
	// FromParams and ToParams are the parameters of MAIL and of each RCPT, as sent.
	FromParams string
	ToParams   []string
	// Data is the mail without dot-stuffing, lines ended by CRLF.
	Data []byte
	At   time.Time
	// TLS says that the line was encrypted; User who had signed in, "" for nobody.
	TLS  bool
	User string
	// Conversation counts the connections to the server, from 1.
	Conversation int
}

// Config says what the server offers.
type Config struct {
	// Addr is where to listen, "127.0.0.1:0" if empty. It must be a loopback address.
	Addr string
	// Name is the host name that the server gives itself, "mail.test" if empty.
	Name string
	// TLS offers STARTTLS, or with Implicit speaks TLS from the first byte.
	TLS      *tls.Config
	Implicit bool
	// NeedTLS refuses mail on a line that is not encrypted.
	NeedTLS bool
	// Users maps names to passwords; if there are any, mail is refused until somebody signed in. AUTH
	// is offered on encrypted lines, and on others only with PlainAuth.
	Users     map[string]string
	PlainAuth bool
	// Without takes extensions out of the answer to EHLO: "SMTPUTF8", "DSN", "8BITMIME", "SIZE".
	Without []string
	// OldHello makes EHLO unknown, so that only HELO works.
	OldHello bool
	// MaxSize is the largest mail taken, in bytes; 0 means 25 MB.
	MaxSize int
	// Most is how many mails are kept, the oldest go first; 0 means all.
	Most int
	// OnMail, if set, is told of every mail kept, from the conversation's goroutine.
	OnMail func(Mail)
	// Idle is how long a client may say nothing; 0 means 5 minutes.
	Idle time.Duration
}

// Server is a running server.
type Server struct {
	cfg Config
	ln  net.Listener

	mu     sync.Mutex
	mails  []Mail
	faults []Fault
	conns  map[net.Conn]bool
	talks  int
	most   int
	said   []string
	closed bool
	wg     sync.WaitGroup
}

// Start begins to listen.
func Start(cfg Config) (*Server, error) {
	if cfg.Addr == "" {
		cfg.Addr = "127.0.0.1:0"
	}
	if cfg.Name == "" {
		cfg.Name = "mail.test"
	}
	if cfg.MaxSize == 0 {
		cfg.MaxSize = 25 << 20
	}
	if cfg.Idle == 0 {
		cfg.Idle = 5 * time.Minute
	}
	ln, err := net.Listen("tcp", cfg.Addr)
	if err != nil {
		return nil, fmt.Errorf("starting the mail server: %w", err)
	}
	if !ln.Addr().(*net.TCPAddr).IP.IsLoopback() {
		_ = ln.Close()
		return nil, fmt.Errorf("the mail server listens on a loopback address only, not on %s", cfg.Addr)
	}
	s := &Server{cfg: cfg, ln: ln, conns: map[net.Conn]bool{}}
	s.wg.Go(s.accept)
	return s, nil
}

// Addr returns host and port to connect to.
func (s *Server) Addr() string { return s.ln.Addr().String() }

// Port returns the port to connect to.
func (s *Server) Port() int { return s.ln.Addr().(*net.TCPAddr).Port }

// Close stops listening, ends every conversation and waits for it.
func (s *Server) Close() error {
	s.mu.Lock()
	s.closed = true
	err := s.ln.Close()
	for c := range s.conns {
		_ = c.Close()
	}
	s.mu.Unlock()
	s.wg.Wait()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

// Fail returns faults to fire, after those that are there already.
func (s *Server) Fail(faults ...Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = append(s.faults, faults...)
}

// Heal takes all faults away.
func (s *Server) Heal() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = nil
}

// Mails returns the mails kept, oldest first.
func (s *Server) Mails() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Mail(nil), s.mails...)
}

// Conversations returns how many connections were taken so far, how many are open now, and how many were
// open at most.
func (s *Server) Conversations() (all, open, most int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.talks, len(s.conns), s.most
}

// Commands returns what clients said lately, one line each, without mail bodies and passwords.
func (s *Server) Commands() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.said...)
}

// fault takes the first fault that is to fire at a step.
func (s *Server) fault(at Step, to []string) *Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.faults {
		f := &s.faults[i]
		if f.At != at || f.Times < 0 || f.To != "" && !has(to, f.To) {
			continue
		}
		out := *f
		if f.Times > 0 {
			if f.Times--; f.Times == 0 {
				f.Times = -1
			}
		}
		return &out
	}
	return nil
}

func has(list []string, s string) bool {
	for _, x := range list {
		if strings.EqualFold(x, s) {
			return true
		}
	}
	return false
}

func (s *Server) accept() {
	for {
		c, err := s.ln.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		if s.closed {
			s.mu.Unlock()
			_ = c.Close()
			return
		}
		s.conns[c] = true
		s.talks++
		s.most = max(s.most, len(s.conns))
		n := s.talks
		s.mu.Unlock()
		s.wg.Go(func() {
			t := &talk{s: s, raw: c, n: n}
			t.use(c)
			t.run()
			_ = c.Close()
			s.mu.Lock()
			delete(s.conns, c)
			s.mu.Unlock()
		})
	}
}

// talk is one conversation.
type talk struct {
	s    *Server
	n    int
	raw  net.Conn
	conn net.Conn
	r    *bufio.Reader
	tls  bool

	hello bool
	user  string
	mail  *Mail
}

// errDrop ends a conversation.
var errDrop = errors.New("line dropped")

func (t *talk) use(c net.Conn) { t.conn, t.r = c, bufio.NewReaderSize(c, 4096) }

// mostSaid bounds how many command lines are remembered.
const mostSaid = 20000

// maxLine is the longest command line read: RFC 5321 asks for 512 octets, AUTH for 12288.
const maxLine = 12288

func (t *talk) line() (string, error) {
	_ = t.conn.SetReadDeadline(time.Now().Add(t.s.cfg.Idle))
	var b []byte
	for {
		part, err := t.r.ReadSlice('\n')
		b = append(b, part...)
		if err == nil {
			break
		}
		if !errors.Is(err, bufio.ErrBufferFull) || len(b) > maxLine {
			return "", errDrop
		}
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

func (t *talk) say(lines ...string) error {
	_ = t.conn.SetWriteDeadline(time.Now().Add(t.s.cfg.Idle))
	_, err := io.WriteString(t.conn, strings.Join(lines, "\r\n")+"\r\n")
	return err
}

// fails fires the step's fault, if there is one: done means that the step was answered.
func (t *talk) fails(at Step) (done bool, err error) {
	var to []string
	if t.mail != nil {
		to = t.mail.To
	}
	return t.failsFor(at, to)
}

func (t *talk) failsFor(at Step, to []string) (bool, error) {
	f := t.s.fault(at, to)
	if f == nil {
		return false, nil
	}
	return t.fire(f)
}

func (t *talk) fire(f *Fault) (bool, error) {
	if f.Delay > 0 {
		time.Sleep(f.Delay)
	}
	if f.Reply != "" {
		if err := t.say(f.Reply); err != nil {
			return true, err
		}
	}
	if f.Drop {
		return true, errDrop
	}
	return f.Reply != "", nil
}

func (t *talk) run() {
	if t.s.cfg.Implicit {
		if err := t.encrypt(); err != nil {
			return
		}
	}
	if done, err := t.fails(AtConnect); err != nil || done {
		return
	}
	if t.say("220 "+t.s.cfg.Name+" ESMTP ready") != nil {
		return
	}
	for {
		l, err := t.line()
		if err != nil {
			return
		}
		verb, rest, _ := strings.Cut(l, " ")
		verb = strings.ToUpper(verb)
		logged := l
		if verb == "AUTH" {
			logged = "AUTH"
		}
		t.s.mu.Lock()
		if t.s.said = append(t.s.said, logged); len(t.s.said) > mostSaid {
			t.s.said = append([]string(nil), t.s.said[mostSaid/2:]...)
		}
		t.s.mu.Unlock()
		if t.command(verb, rest) != nil {
			return
		}
	}
}

func (t *talk) encrypt() error {
	c := tls.Server(t.conn, t.s.cfg.TLS)
	_ = c.SetDeadline(time.Now().Add(t.s.cfg.Idle))
	if err := c.Handshake(); err != nil {
		return err
	}
	t.use(c)
	t.tls = true
	return nil
}

func (t *talk) command(verb, rest string) error {
	cfg := &t.s.cfg
	steps := map[string]Step{"EHLO": AtHello, "HELO": AtHello, "STARTTLS": AtStartTLS, "AUTH": AtAuth, "MAIL": AtMail, "DATA": AtData, "RSET": AtReset, "QUIT": AtQuit}
	if at, ok := steps[verb]; ok {
		if done, err := t.fails(at); err != nil || done {
			return err
		}
	}
	switch verb {
	case "EHLO":
		if cfg.OldHello {
			return t.say("502 5.5.1 command not implemented")
		}
		t.hello, t.mail = true, nil
		return t.say(t.offers()...)
	case "HELO":
		t.hello, t.mail = true, nil
		return t.say("250 " + cfg.Name)
	case "STARTTLS":
		if cfg.TLS == nil || t.tls {
			return t.say("502 5.5.1 not offered")
		}
		if err := t.say("220 2.0.0 go ahead"); err != nil {
			return err
		}
		t.hello, t.mail, t.user = false, nil, ""
		return t.encrypt()
	case "AUTH":
		return t.auth(rest)
	case "MAIL":
		return t.from(rest)
	case "RCPT":
		return t.to(rest)
	case "DATA":
		if t.mail == nil || len(t.mail.To) == 0 {
			return t.say("503 5.5.1 no recipient yet")
		}
		return t.body()
	case "RSET":
		t.mail = nil
		return t.say("250 2.0.0 reset")
	case "NOOP":
		return t.say("250 2.0.0 ok")
	case "VRFY":
		return t.say("252 2.1.5 send it and see")
	case "QUIT":
		_ = t.say("221 2.0.0 bye")
		return errDrop
	}
	return t.say("500 5.5.2 command not known")
}

func (t *talk) offers() []string {
	cfg := &t.s.cfg
	lines := []string{cfg.Name + " greets you", "ENHANCEDSTATUSCODES", "PIPELINING"}
	for _, e := range []string{"8BITMIME", "SMTPUTF8", "DSN", "SIZE"} {
		if has(cfg.Without, e) {
			continue
		}
		if e == "SIZE" {
			e += " " + strconv.Itoa(cfg.MaxSize)
		}
		lines = append(lines, e)
	}
	if cfg.TLS != nil && !t.tls {
		lines = append(lines, "STARTTLS")
	}
	if t.mayAuth() {
		lines = append(lines, "AUTH PLAIN LOGIN")
	}
	for i := range lines {
		sep := "-"
		if i == len(lines)-1 {
			sep = " "
		}
		lines[i] = "250" + sep + lines[i]
	}
	return lines
}

func (t *talk) mayAuth() bool {
	return len(t.s.cfg.Users) > 0 && (t.tls || t.s.cfg.PlainAuth)
}

func (t *talk) auth(rest string) error {
	if !t.mayAuth() || !t.hello {
		return t.say("503 5.5.1 not offered here")
	}
	mech, first, given := strings.Cut(rest, " ")
	ask := func(prompt string) (string, error) {
		if err := t.say("334 " + base64.StdEncoding.EncodeToString([]byte(prompt))); err != nil {
			return "", err
		}
		return t.line()
	}
	decode := func(s string) string {
		b, err := base64.StdEncoding.DecodeString(s)
		if err != nil {
			return ""
		}
		return string(b)
	}
	var user, pass string
	var err error
	switch strings.ToUpper(mech) {
	case "PLAIN":
		if !given {
			if first, err = ask(""); err != nil {
				return err
			}
		}
		if part := strings.Split(decode(first), "\x00"); len(part) == 3 {
			user, pass = part[1], part[2]
		}
	case "LOGIN":
		if !given {
			if first, err = ask("Username:"); err != nil {
				return err
			}
		}
		second, err := ask("Password:")
		if err != nil {
			return err
		}
		user, pass = decode(first), decode(second)
	default:
		return t.say("504 5.5.4 mechanism not known")
	}
	want, ok := t.s.cfg.Users[user]
	if !ok || subtle.ConstantTimeCompare([]byte(want), []byte(pass)) != 1 {
		return t.say("535 5.7.8 user name or password not right")
	}
	t.user = user
	return t.say("235 2.7.0 signed in")
}

// path reads "FROM:<a@b> PARAMS" after its word.
func path(rest, word string) (addr, params string, ok bool) {
	if len(rest) < len(word) || !strings.EqualFold(rest[:len(word)], word) {
		return "", "", false
	}
	rest = strings.TrimLeft(rest[len(word):], " ")
	if !strings.HasPrefix(rest, "<") {
		return "", "", false
	}
	end := strings.IndexByte(rest, '>')
	if end < 0 {
		return "", "", false
	}
	return rest[1:end], strings.TrimSpace(rest[end+1:]), true
}

func (t *talk) from(rest string) error {
	cfg := &t.s.cfg
	switch {
	case !t.hello:
		return t.say("503 5.5.1 say hello first")
	case cfg.NeedTLS && !t.tls:
		return t.say("530 5.7.0 encrypt the line first")
	case len(cfg.Users) > 0 && t.user == "":
		return t.say("530 5.7.0 sign in first")
	case t.mail != nil:
		return t.say("503 5.5.1 one mail at a time")
	}
	addr, params, ok := path(rest, "FROM:")
	if !ok {
		return t.say("501 5.5.4 sender not readable")
	}
	utf8 := false
	for _, p := range strings.Fields(params) {
		key, value, _ := strings.Cut(strings.ToUpper(p), "=")
		switch key {
		case "SIZE":
			if n, err := strconv.Atoi(value); err == nil && n > cfg.MaxSize {
				return t.say("552 5.3.4 mail too large")
			}
		case "SMTPUTF8":
			utf8 = true
		}
		if has(cfg.Without, key) || has(cfg.Without, "8BITMIME") && key == "BODY" || has(cfg.Without, "DSN") && (key == "RET" || key == "ENVID") {
			return t.say("555 5.5.4 parameter not known: " + key)
		}
	}
	if !utf8 && !ascii(addr) {
		return t.say("553 5.6.7 address needs SMTPUTF8")
	}
	t.mail = &Mail{From: addr, FromParams: params, TLS: t.tls, User: t.user, Conversation: t.n}
	return t.say("250 2.1.0 sender ok")
}

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

func (t *talk) to(rest string) error {
	if t.mail == nil {
		return t.say("503 5.5.1 no sender yet")
	}
	addr, params, ok := path(rest, "TO:")
	if !ok || !strings.Contains(addr, "@") {
		return t.say("501 5.5.4 recipient not readable")
	}
	if done, err := t.failsFor(AtRcpt, []string{addr}); err != nil || done {
		return err
	}
	if !ascii(addr) && !strings.Contains(strings.ToUpper(t.mail.FromParams), "SMTPUTF8") {
		return t.say("553 5.6.7 address needs SMTPUTF8")
	}
	t.mail.To = append(t.mail.To, addr)
	t.mail.ToParams = append(t.mail.ToParams, params)
	return t.say("250 2.1.5 recipient ok")
}

func (t *talk) body() error {
	if err := t.say("354 end with a dot alone on a line"); err != nil {
		return err
	}
	cut := t.s.fault(AtBody, t.mail.To)
	var b bytes.Buffer
	large := false
	for first := true; ; first = false {
		if cut != nil && !first {
			if done, err := t.fire(cut); done || err != nil {
				return errDrop
			}
			cut = nil
		}
		_ = t.conn.SetReadDeadline(time.Now().Add(t.s.cfg.Idle))
		l, err := t.r.ReadBytes('\n')
		if err != nil {
			return errDrop // the line ended before the final dot: nothing is kept
		}
		if string(l) == ".\r\n" {
			break
		}
		if l[0] == '.' {
			l = l[1:]
		}
		if large = large || b.Len()+len(l) > t.s.cfg.MaxSize; !large {
			b.Write(l)
		}
	}
	m := *t.mail
	t.mail = nil
	m.Data, m.At = b.Bytes(), time.Now()
	if large {
		return t.say("552 5.3.4 mail too large")
	}
	if f := t.s.fault(AtEnd, m.To); f != nil {
		if f.Keep {
			t.s.keep(m)
		}
		if done, err := t.fire(f); done || err != nil {
			return err
		}
		if f.Keep {
			return t.say("250 2.0.0 accepted")
		}
	}
	n := t.s.keep(m)
	return t.say(fmt.Sprintf("250 2.0.0 accepted as %d", n))
}

func (s *Server) keep(m Mail) int {
	s.mu.Lock()
	s.mails = append(s.mails, m)
	if s.cfg.Most > 0 && len(s.mails) > s.cfg.Most {
		s.mails = append([]Mail(nil), s.mails[len(s.mails)-s.cfg.Most:]...)
	}
	n := len(s.mails)
	s.mu.Unlock()
	if s.cfg.OnMail != nil {
		s.cfg.OnMail(m)
	}
	return n
}
