package mail

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/smtptest"

	"github.com/stretchr/testify/require"
)

func startServer(t *testing.T, cfg smtptest.Config) *smtptest.Server {
	t.Helper()
	s, err := smtptest.Start(cfg)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func transportTo(t *testing.T, s *smtptest.Server) *SMTP {
	t.Helper()
	tr := &SMTP{Host: "127.0.0.1", Port: s.Port(), Encryption: Plain, Name: "bench.example"}
	t.Cleanup(func() { require.NoError(t, tr.Close()) })
	return tr
}

func testMail(n int) *Message {
	return &Message{
		ID: fmt.Sprintf("H7K3M9X-%d-booked@bench.example", n), From: "desk@bench.example", To: "ada@example.org",
		Data: fmt.Appendf(nil, "Message-ID: <H7K3M9X-%d-booked@bench.example>\r\nSubject: test\r\n\r\n.one dot\r\n..two\r\n.\r\nend\r\n", n),
	}
}

func TestSMTPSendsBytesUnchanged(t *testing.T) {
	for _, without := range [][]string{nil, {"PIPELINING"}, {"SIZE", "DSN", "8BITMIME", "SMTPUTF8"}} {
		s := startServer(t, smtptest.Config{Without: without})
		tr := transportTo(t, s)
		for n := range 3 {
			words, err := tr.Send(t.Context(), testMail(n))
			require.NoError(t, err)
			require.Contains(t, words, "accepted as")
		}
		require.Len(t, s.Mails(), 3)
		for n, m := range s.Mails() {
			require.Equal(t, string(testMail(n).Data), string(m.Data))
			require.Equal(t, []string{"ada@example.org"}, m.To)
			require.Equal(t, "desk@bench.example", m.From)
		}
		all, _, _ := s.Conversations()
		require.Equal(t, 1, all, "the connection is used again")
		for _, c := range s.Commands() {
			require.NotContains(t, c, "RSET", "an accepted mail needs no RSET")
		}
	}
}

func TestSMTPDotStuffing(t *testing.T) {
	// RFC 5321 section 4.5.2.
	for in, want := range map[string]string{
		".\r\n":              "..\r\n.\r\n",
		"a\r\n.b\r\n..c\r\n": "a\r\n..b\r\n...c\r\n.\r\n",
		"a":                  "a\r\n.\r\n",
		"a\r\n":              "a\r\n.\r\n",
	} {
		require.Equal(t, want, string(bytes.Join(stuff([]byte(in)), nil)))
	}
}

func TestSMTPDeliveryStatusParameters(t *testing.T) {
	s := startServer(t, smtptest.Config{})
	m := testMail(1)
	m.To = "a+b=c@example.org"
	_, err := transportTo(t, s).Send(t.Context(), m)
	require.NoError(t, err)
	got := s.Mails()[0]
	require.Contains(t, got.FromParams, "RET=HDRS ENVID=H7K3M9X-1-booked@bench.example")
	// RFC 3461 section 4: xtext.
	require.Equal(t, "NOTIFY=FAILURE,DELAY ORCPT=rfc822;a+2Bb+3Dc@example.org", got.ToParams[0])
}

// TestSMTPFailures drives every step into every way of failing and looks at what the transport makes
// of it, and at what it leaves behind.
func TestSMTPFailures(t *testing.T) {
	const later, never = "451 4.3.0 try later", "550 5.7.1 not wanted"
	for _, c := range []struct {
		name  string
		fault smtptest.Fault
		fate  notify.Fate
		code  int
		kept  int
	}{
		{"greeting later", smtptest.Fault{At: smtptest.AtConnect, Reply: later}, notify.Unreached, 451, 0},
		{"greeting never", smtptest.Fault{At: smtptest.AtConnect, Reply: "554 5.3.2 no service"}, notify.Unreached, 554, 0},
		{"greeting dropped", smtptest.Fault{At: smtptest.AtConnect, Drop: true}, notify.Unreached, 0, 0},
		{"hello later", smtptest.Fault{At: smtptest.AtHello, Reply: later}, notify.Unreached, 451, 0},
		{"hello never", smtptest.Fault{At: smtptest.AtHello, Reply: never}, notify.Unreached, 550, 0},
		{"hello dropped", smtptest.Fault{At: smtptest.AtHello, Drop: true}, notify.Unreached, 0, 0},
		{"mail later", smtptest.Fault{At: smtptest.AtMail, Reply: later}, notify.PutOff, 451, 0},
		{"mail never", smtptest.Fault{At: smtptest.AtMail, Reply: never}, notify.Refused, 550, 0},
		{"mail wants sign-in", smtptest.Fault{At: smtptest.AtMail, Reply: "530 5.7.0 sign in"}, notify.Unreached, 530, 0},
		{"mail closing", smtptest.Fault{At: smtptest.AtMail, Reply: "421 4.3.2 closing", Drop: true}, notify.Unreached, 421, 0},
		{"mail dropped", smtptest.Fault{At: smtptest.AtMail, Drop: true}, notify.PutOff, 0, 0},
		{"rcpt later", smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 greylisted"}, notify.PutOff, 450, 0},
		{"rcpt never", smtptest.Fault{At: smtptest.AtRcpt, Reply: "550 5.1.1 no such user"}, notify.Refused, 550, 0},
		{"rcpt dropped", smtptest.Fault{At: smtptest.AtRcpt, Drop: true}, notify.PutOff, 0, 0},
		{"data later", smtptest.Fault{At: smtptest.AtData, Reply: later}, notify.PutOff, 451, 0},
		{"data never", smtptest.Fault{At: smtptest.AtData, Reply: never}, notify.Refused, 550, 0},
		{"data dropped", smtptest.Fault{At: smtptest.AtData, Drop: true}, notify.PutOff, 0, 0},
		{"body dropped", smtptest.Fault{At: smtptest.AtBody, Drop: true}, notify.Unknown, 0, 0},
		{"end later", smtptest.Fault{At: smtptest.AtEnd, Reply: later}, notify.PutOff, 451, 0},
		{"end closing", smtptest.Fault{At: smtptest.AtEnd, Reply: "421 4.3.2 closing", Drop: true}, notify.PutOff, 421, 0},
		{"end never", smtptest.Fault{At: smtptest.AtEnd, Reply: never}, notify.Refused, 550, 0},
		{"end dropped, not kept", smtptest.Fault{At: smtptest.AtEnd, Drop: true}, notify.Unknown, 0, 0},
		{"end dropped, kept", smtptest.Fault{At: smtptest.AtEnd, Drop: true, Keep: true}, notify.Unknown, 0, 1},
		{"end accepted, then dropped", smtptest.Fault{At: smtptest.AtEnd, Reply: "250 2.0.0 ok", Drop: true, Keep: true}, "", 0, 1},
		{"end garbled", smtptest.Fault{At: smtptest.AtEnd, Reply: "what?", Drop: true}, notify.Unknown, 0, 0},
		{"mail slow", smtptest.Fault{At: smtptest.AtMail, Delay: time.Second}, notify.PutOff, 0, 0},
		{"end slow", smtptest.Fault{At: smtptest.AtEnd, Delay: time.Second}, notify.Unknown, 0, 1},
	} {
		for _, pipelined := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s/pipelined=%v", c.name, pipelined), func(t *testing.T) {
				t.Parallel()
				cfg := smtptest.Config{}
				if !pipelined {
					cfg.Without = []string{"PIPELINING"}
				}
				s := startServer(t, cfg)
				fault := c.fault
				s.Fail(fault)
				tr := transportTo(t, s)
				tr.Timeouts.Command, tr.Timeouts.End = 500*time.Millisecond, 500*time.Millisecond
				m := testMail(1)
				_, err := tr.Send(t.Context(), m)
				if c.fate == "" {
					require.NoError(t, err)
				} else {
					var f *notify.Failure
					require.ErrorAs(t, err, &f)
					require.Equal(t, c.fate, f.Fate, err)
					require.Equal(t, c.code, f.Code)
					require.NotEmpty(t, f.Words)
				}
				if fault.Delay > 0 {
					time.Sleep(700 * time.Millisecond) // let the slow server finish
				}
				require.Len(t, s.Mails(), c.kept)
				// Whatever happened, the next mail goes through whole.
				s.Heal()
				_, err = tr.Send(t.Context(), testMail(2))
				require.NoError(t, err)
				mails := s.Mails()
				require.Equal(t, string(testMail(2).Data), string(mails[len(mails)-1].Data))
				require.NoError(t, tr.Close())
				require.Eventually(t, func() bool { _, open, _ := s.Conversations(); return open == 0 }, 5*time.Second, time.Millisecond, "a connection was leaked")
			})
		}
	}
}

func TestSMTPResetAfterAcceptanceChangesNothing(t *testing.T) {
	s := startServer(t, smtptest.Config{})
	s.Fail(smtptest.Fault{At: smtptest.AtReset, Reply: "500 5.5.1 no", Drop: true})
	tr := transportTo(t, s)
	for n := range 3 {
		_, err := tr.Send(t.Context(), testMail(n))
		require.NoError(t, err)
	}
	require.Len(t, s.Mails(), 3)
}

func TestSMTPStaleConnectionCostsNoTry(t *testing.T) {
	for _, reply := range []string{"", "421 4.4.2 idle too long"} {
		s := startServer(t, smtptest.Config{})
		tr := transportTo(t, s)
		_, err := tr.Send(t.Context(), testMail(1))
		require.NoError(t, err)
		s.Fail(smtptest.Fault{At: smtptest.AtMail, Reply: reply, Drop: true, Times: 1})
		_, err = tr.Send(t.Context(), testMail(2))
		require.NoError(t, err)
		require.Len(t, s.Mails(), 2)
	}
}

func TestSMTPNobodyListens(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	port := ln.Addr().(*net.TCPAddr).Port
	require.NoError(t, ln.Close())
	tr := &SMTP{Host: "127.0.0.1", Port: port, Encryption: Plain}
	_, err = tr.Send(t.Context(), testMail(1))
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Unreached, f.Fate)
}

func TestSMTPEncryption(t *testing.T) {
	cert, pool, err := smtptest.Certificate("127.0.0.1", "localhost")
	require.NoError(t, err)
	_, stranger, err := smtptest.Certificate("127.0.0.1")
	require.NoError(t, err)
	server := &tls.Config{Certificates: []tls.Certificate{cert}}
	for _, c := range []struct {
		name  string
		cfg   smtptest.Config
		mode  Encryption
		roots *x509.CertPool
		fault smtptest.Fault
		ok    bool
		tls   bool
	}{
		{"starttls", smtptest.Config{TLS: server, NeedTLS: true}, StartTLS, pool, smtptest.Fault{}, true, true},
		{"starttls is the default", smtptest.Config{TLS: server}, "", pool, smtptest.Fault{}, true, true},
		{"starttls not offered", smtptest.Config{}, StartTLS, pool, smtptest.Fault{}, false, false},
		{"starttls with a strange certificate", smtptest.Config{TLS: server}, StartTLS, stranger, smtptest.Fault{}, false, false},
		{"starttls refused", smtptest.Config{TLS: server}, StartTLS, pool, smtptest.Fault{At: smtptest.AtStartTLS, Reply: "454 4.7.0 not now"}, false, false},
		{"starttls broken off", smtptest.Config{TLS: server}, StartTLS, pool, smtptest.Fault{At: smtptest.AtStartTLS, Reply: "220 go ahead", Drop: true}, false, false},
		{"implicit", smtptest.Config{TLS: server, Implicit: true}, ImplicitTLS, pool, smtptest.Fault{}, true, true},
		{"implicit with a strange certificate", smtptest.Config{TLS: server, Implicit: true}, ImplicitTLS, stranger, smtptest.Fault{}, false, false},
		{"implicit against plain", smtptest.Config{}, ImplicitTLS, pool, smtptest.Fault{}, false, false},
		{"plain", smtptest.Config{TLS: server}, Plain, nil, smtptest.Fault{}, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := startServer(t, c.cfg)
			if c.fault.At != "" {
				s.Fail(c.fault)
			}
			tr := transportTo(t, s)
			tr.Encryption, tr.TLS = c.mode, &tls.Config{RootCAs: c.roots}
			_, err := tr.Send(t.Context(), testMail(1))
			if !c.ok {
				var f *notify.Failure
				require.ErrorAs(t, err, &f)
				require.Equal(t, notify.Unreached, f.Fate, "it is never the email's fault")
				require.Empty(t, s.Mails())
			} else {
				require.NoError(t, err)
				require.Equal(t, c.tls, s.Mails()[0].TLS)
			}
			require.NoError(t, tr.Close())
			require.Eventually(t, func() bool { _, open, _ := s.Conversations(); return open == 0 }, 5*time.Second, time.Millisecond, "a connection was leaked")
		})
	}
}

func TestSMTPSignIn(t *testing.T) {
	cert, pool, err := smtptest.Certificate("127.0.0.1")
	require.NoError(t, err)
	cfg := smtptest.Config{TLS: &tls.Config{Certificates: []tls.Certificate{cert}}, Users: map[string]string{"desk": "s3cret"}}
	for _, c := range []struct {
		user, pass string
		mode       Encryption
		ok         bool
	}{
		{"desk", "s3cret", StartTLS, true},
		{"desk", "wrong", StartTLS, false},
		{"nobody", "s3cret", StartTLS, false},
		{"", "", StartTLS, false},
		{"desk", "s3cret", Plain, false}, // the server does not offer it
	} {
		s := startServer(t, cfg)
		tr := transportTo(t, s)
		tr.User, tr.Password, tr.Encryption, tr.TLS = c.user, c.pass, c.mode, &tls.Config{RootCAs: pool}
		_, err := tr.Send(t.Context(), testMail(1))
		if c.ok {
			require.NoError(t, err)
			require.Equal(t, "desk", s.Mails()[0].User)
			continue
		}
		var f *notify.Failure
		require.ErrorAs(t, err, &f)
		require.Equal(t, notify.Unreached, f.Fate)
		require.NotContains(t, err.Error(), "s3cret")
		require.Empty(t, s.Mails())
		require.NoError(t, tr.Close())
		require.Eventually(t, func() bool { _, open, _ := s.Conversations(); return open == 0 }, 5*time.Second, time.Millisecond, "a connection was leaked")
	}
}

func TestSMTPNoPasswordOverAPlainLineToElsewhere(t *testing.T) {
	s := startServer(t, smtptest.Config{Users: map[string]string{"desk": "s3cret"}, PlainAuth: true})
	tr := transportTo(t, s)
	tr.User, tr.Password = "desk", "s3cret"
	_, err := tr.Send(t.Context(), testMail(1))
	require.NoError(t, err, "to the same machine it may")
	far := transportTo(t, s)
	far.User, far.Password, far.Host = "desk", "s3cret", "mail.example"
	far.Dial = func(ctx context.Context, network, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, network, s.Addr())
	}
	_, err = far.Send(t.Context(), testMail(2))
	require.ErrorContains(t, err, "not encrypted")
	require.Len(t, s.Mails(), 1)
}

func TestSMTPOldServer(t *testing.T) {
	s := startServer(t, smtptest.Config{OldHello: true})
	_, err := transportTo(t, s).Send(t.Context(), testMail(1))
	require.NoError(t, err)
	require.Equal(t, string(testMail(1).Data), string(s.Mails()[0].Data))
}

func TestSMTPInternationalAddresses(t *testing.T) {
	m := testMail(1)
	m.To, m.UTF8 = "ärna@example.org", true
	s := startServer(t, smtptest.Config{})
	_, err := transportTo(t, s).Send(t.Context(), m)
	require.NoError(t, err)
	require.Contains(t, s.Mails()[0].FromParams, "SMTPUTF8")
	require.Equal(t, []string{"ärna@example.org"}, s.Mails()[0].To)

	old := startServer(t, smtptest.Config{Without: []string{"SMTPUTF8"}})
	_, err = transportTo(t, old).Send(t.Context(), m)
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Refused, f.Fate)
	require.Contains(t, reason(f), "telephone")
	for addr, want := range map[string]string{"kay@bücher.example": "kay@xn--bcher-kva.example", "kay@例え.テスト": "kay@xn--r8jz45g.xn--zckzah"} {
		got, utf8, err := EnvelopeAddress(addr)
		require.NoError(t, err)
		require.Equal(t, want, got) // RFC 3492 and RFC 6761 names, as published
		require.False(t, utf8)
	}
	for _, bad := range []string{"", "a", "@b", "a@", "a@b\r\nRCPT TO:<c@d>", "a b@c.example", "a@b>.example", "a\u2028@b.example", "a@b..example\x00"} {
		_, _, err := EnvelopeAddress(bad)
		require.Error(t, err, "%q", bad)
	}
}

func TestSMTPTooLarge(t *testing.T) {
	s := startServer(t, smtptest.Config{MaxSize: 1000})
	m := testMail(1)
	m.Data = append(m.Data, []byte(strings.Repeat("x\r\n", 1000))...)
	_, err := transportTo(t, s).Send(t.Context(), m)
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Refused, f.Fate)
	// The same against a server that does not say its limit.
	s = startServer(t, smtptest.Config{MaxSize: 1000, Without: []string{"SIZE"}})
	_, err = transportTo(t, s).Send(t.Context(), m)
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Refused, f.Fate)
	require.Equal(t, 552, f.Code)
	require.Empty(t, s.Mails())
}

func TestSMTPContextCutsTheStepInHand(t *testing.T) {
	s := startServer(t, smtptest.Config{})
	s.Fail(smtptest.Fault{At: smtptest.AtConnect, Delay: 2 * time.Second, Drop: true})
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(50*time.Millisecond, cancel)
	begin := time.Now()
	_, err := transportTo(t, s).Send(ctx, testMail(1))
	require.Error(t, err)
	require.Less(t, time.Since(begin), time.Second)
}

func TestSMTPManyAtOnce(t *testing.T) {
	s := startServer(t, smtptest.Config{})
	tr := transportTo(t, s)
	tr.PerConnection = 7
	var wg sync.WaitGroup
	errs := make(chan error, 100)
	for w := range 8 {
		wg.Go(func() {
			for n := range 10 {
				_, err := tr.Send(t.Context(), testMail(100*w+n))
				errs <- err
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	seen := map[string]int{}
	per := map[int]int{}
	for _, m := range s.Mails() {
		seen[string(m.Data)]++
		per[m.Conversation]++
	}
	require.Len(t, seen, 80)
	for _, n := range per {
		require.LessOrEqual(t, n, 7)
	}
	_, _, most := s.Conversations()
	require.LessOrEqual(t, most, 9)
}

func TestFailureReasonsArePlain(t *testing.T) {
	for _, c := range []struct {
		f    *notify.Failure
		want string
	}{
		{&notify.Failure{Fate: notify.Refused, Step: "rcpt", Code: 550, Words: "5.1.1 no such user"}, "The address does not exist"},
		{&notify.Failure{Fate: notify.Refused, Step: "rcpt", Code: 552, Words: "5.2.2 over quota"}, "mailbox is full"},
		{&notify.Failure{Fate: notify.Refused, Step: "end", Code: 554, Words: "5.7.1 looks like spam"}, "by its own rules"},
		{&notify.Failure{Fate: notify.Refused, Step: "end", Code: 552, Words: "5.3.4 too big"}, "too large"},
		{&notify.Failure{Fate: notify.Refused, Step: "end", Code: 554, Words: "no"}, "refused this mail for good"},
		{&notify.Failure{Fate: notify.PutOff, Step: "rcpt", Code: 450, Words: "4.2.2 full"}, "for days"},
		{&notify.Failure{Fate: notify.Unwritten}, "fault in the program"},
	} {
		require.Contains(t, reason(c.f), c.want)
		require.Contains(t, reason(c.f), "telephone the customer")
	}
	require.NotContains(t, reason(&notify.Failure{Fate: notify.Refused, Code: 550, Words: "a\nb\r\x00c"}), "\n")
	require.Error(t, errors.Unwrap(&notify.Failure{Err: net.ErrClosed}))
}

func TestSMTPLineLostInALargeMail(t *testing.T) {
	s := startServer(t, smtptest.Config{MaxSize: 100 << 20})
	s.Fail(smtptest.Fault{At: smtptest.AtBody, Drop: true, Times: 1})
	tr := transportTo(t, s)
	m := testMail(1)
	m.Data = append(m.Data, []byte(strings.Repeat(strings.Repeat("x", 70)+"\r\n", 400_000))...)
	_, err := tr.Send(t.Context(), m)
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.PutOff, f.Fate, "the final dot was never sent")
	require.Empty(t, s.Mails(), "no cut mail was taken")
	_, err = tr.Send(t.Context(), m)
	require.NoError(t, err)
	require.Len(t, s.Mails(), 1)
	require.Equal(t, len(m.Data), len(s.Mails()[0].Data))
}
