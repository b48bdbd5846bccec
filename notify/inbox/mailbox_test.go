package inbox

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"testing"

	"benchword/notify/mail"
	"benchword/notify/smtptest"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapserver"
	"github.com/emersion/go-imap/v2/imapserver/imapmemserver"
	"github.com/stretchr/testify/require"
)

// No password goes to a mailbox whose certificate does not hold, or that offers no encryption (ASVS 5.0 V12.3.2).
func TestIMAPNeedsACertificateThatHolds(t *testing.T) {
	cert, ours, err := smtptest.Certificate("127.0.0.1")
	require.NoError(t, err)
	_, stranger, err := smtptest.Certificate("127.0.0.1")
	require.NoError(t, err)
	config := &tls.Config{Certificates: []tls.Certificate{cert}}
	user := imapmemserver.NewUser("desk", "s3cret")
	require.NoError(t, user.Create("INBOX", nil))
	mem := imapmemserver.New()
	mem.AddUser(user)
	for name, x := range map[string]struct {
		mode     mail.Encryption
		implicit bool
		offered  *tls.Config
		roots    *x509.CertPool
		ok       bool
	}{
		"starttls":                       {mail.StartTLS, false, config, ours, true},
		"starttls, a strange one":        {mail.StartTLS, false, config, stranger, false},
		"starttls, not offered":          {mail.StartTLS, false, nil, ours, false},
		"tls":                            {mail.ImplicitTLS, true, config, ours, true},
		"tls, a strange one":             {mail.ImplicitTLS, true, config, stranger, false},
		"tls, and the server speaks out": {mail.ImplicitTLS, false, nil, ours, false},
	} {
		t.Run(name, func(t *testing.T) {
			asked := 0
			s := imapserver.New(&imapserver.Options{
				NewSession: func(*imapserver.Conn) (imapserver.Session, *imapserver.GreetingData, error) {
					return &asking{Session: mem.NewSession(), asked: &asked}, nil, nil
				},
				Caps: imap.CapSet{imap.CapIMAP4rev1: {}}, TLSConfig: x.offered, InsecureAuth: true, Logger: slog.NewLogLogger(slog.DiscardHandler, 0),
			})
			ln, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			port := ln.Addr().(*net.TCPAddr).Port
			if x.implicit {
				ln = tls.NewListener(ln, config)
			}
			done := make(chan error, 1)
			go func() { done <- s.Serve(ln) }()
			box := &IMAP{Host: "127.0.0.1", Port: port, Encryption: x.mode, TLS: &tls.Config{RootCAs: x.roots}, User: "desk", Password: "s3cret"}
			err = box.Each(t.Context(), func(context.Context, []byte) (bool, error) { return true, nil })
			require.NoError(t, s.Close())
			<-done
			require.Equal(t, x.ok, err == nil, "%v", err)
			require.Equal(t, x.ok, asked == 1, "whether the password was sent")
		})
	}
}

// asking counts who signs in.
type asking struct {
	imapserver.Session
	asked *int
}

func (a *asking) Login(user, password string) error {
	*a.asked++
	return a.Session.Login(user, password)
}
