package mail

import (
	"crypto/tls"
	"errors"
	"io"
	"net"
	"sync"
	"testing"

	"benchword/notify"
	"benchword/notify/smtptest"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"
)

// post is a mailbox behind a server that nobody here wrote: github.com/emersion/go-smtp.
type post struct {
	mu  sync.Mutex
	got []posted
}

type posted struct {
	from, to   string
	ret, envid string
	utf8       bool
	notify     []smtp.DSNNotify
	data       []byte
}

func (p *post) NewSession(*smtp.Conn) (smtp.Session, error) { return &visit{p: p}, nil }

type visit struct {
	p    *post
	mail posted
	in   bool
}

func (v *visit) AuthMechanisms() []string { return []string{sasl.Plain} }

func (v *visit) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, pass string) error {
		if user != "desk" || pass != "s3cret" {
			return errors.New("no")
		}
		v.in = true
		return nil
	}), nil
}

func (v *visit) Reset()        { v.mail = posted{} }
func (v *visit) Logout() error { return nil }

func (v *visit) Mail(from string, o *smtp.MailOptions) error {
	if !v.in {
		return smtp.ErrAuthRequired
	}
	v.mail = posted{from: from, ret: string(o.Return), envid: o.EnvelopeID, utf8: o.UTF8}
	return nil
}

func (v *visit) Rcpt(to string, o *smtp.RcptOptions) error {
	if to == "nobody@example.org" {
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}
	}
	v.mail.to, v.mail.notify = to, o.Notify
	return nil
}

func (v *visit) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	v.mail.data = b
	v.p.mu.Lock()
	defer v.p.mu.Unlock()
	v.p.got = append(v.p.got, v.mail)
	return nil
}

// TestAgainstAnotherServer has our transport talk to an independent server: encryption, sign-in, an
// international address, delivery status parameters, a refusal, and the bytes as they were.
func TestAgainstAnotherServer(t *testing.T) {
	cert, pool, err := smtptest.Certificate("127.0.0.1")
	require.NoError(t, err)
	p := &post{}
	s := smtp.NewServer(p)
	s.Domain, s.TLSConfig = "mail.test", &tls.Config{Certificates: []tls.Certificate{cert}}
	s.EnableSMTPUTF8, s.EnableDSN = true, true
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- s.Serve(ln) }()
	defer func() {
		require.NoError(t, s.Close())
		require.NoError(t, <-done)
	}()
	tr := &SMTP{Host: "127.0.0.1", Port: ln.Addr().(*net.TCPAddr).Port, User: "desk", Password: "s3cret", TLS: &tls.Config{RootCAs: pool}}
	defer func() { require.NoError(t, tr.Close()) }()
	m := testMail(1)
	_, err = tr.Send(t.Context(), m)
	require.NoError(t, err)
	bad := testMail(2)
	bad.To = "nobody@example.org"
	_, err = tr.Send(t.Context(), bad)
	var f *notify.Failure
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Refused, f.Fate)
	require.Equal(t, 550, f.Code)
	world := testMail(3)
	world.To, world.UTF8 = "ärna@xn--bcher-kva.example", true
	_, err = tr.Send(t.Context(), world)
	require.NoError(t, err)
	require.Len(t, p.got, 2)
	require.Equal(t, string(m.Data), string(p.got[0].data))
	require.Equal(t, posted{from: m.From, to: m.To, ret: "HDRS", envid: m.ID, notify: []smtp.DSNNotify{smtp.DSNNotifyFailure, smtp.DSNNotifyDelayed}, data: p.got[0].data}, p.got[0])
	require.Equal(t, world.To, p.got[1].to)
	require.True(t, p.got[1].utf8)
	tr.Password = "wrong"
	require.NoError(t, tr.Close())
	other := &SMTP{Host: tr.Host, Port: tr.Port, User: "desk", Password: "wrong", TLS: tr.TLS}
	_, err = other.Send(t.Context(), m)
	require.ErrorAs(t, err, &f)
	require.Equal(t, notify.Unreached, f.Fate)
}
