package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"

	"benchword/notify/inbox"
	"benchword/notify/mail"
	"benchword/portal"
	"benchword/workflow/calendar"
)

func runServe(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("serve", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	many, check := f.String("shops", "", "run every shop of a folder: each in a folder of its own, with its shop.toml and its data"), f.Bool("check", false, "with --shops: look at the settings, and start nothing")
	newKeys := f.Bool("new-link-keys", false, "the file "+keysName+" is lost for good: make a new one, which ends the links in all earlier emails")
	work := f.String("roles", "portal,notifier", "what this process does: portal (pages), notifier (emails and the clock), or both")
	if _, err := parse(f, args); err != nil {
		return err
	}
	r, err := parseRoles(*work)
	if err != nil {
		return err
	}
	if *many != "" || *check {
		if *many == "" {
			return misused("--check looks at the shops of a folder: name it with --shops DIR")
		}
		return serveShops(ctx, *many, r, *check, out, errOut)
	}
	s, err := ReadSettings(*config)
	if err != nil {
		return err
	}
	p, err := s.parts(*config, r)
	if err != nil {
		return err
	}
	log := newLog(errOut)
	slog.SetDefault(log)
	p.data, p.log, p.newKeys = *data, log, *newKeys
	srv, err := build(ctx, p)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", s.Web.Listen)
	if err != nil {
		return fmt.Errorf("can't listen on %s; is another program there? %w", s.Web.Listen, err)
	}
	log.Info("serving", "shop", p.shop.ID, "listen", l.Addr().String(), "outside", p.shop.BaseURL, "time_zone_data", calendar.ZoneDataVersion(), "version", version())
	fmt.Fprintf(out, "%s answers at %s, on %s\n", p.shop.Name, p.shop.BaseURL, l.Addr())
	if staff, err := portal.ListStaff(ctx, srv.service); err == nil && len(staff) == 0 {
		fmt.Fprintf(out, "Nobody can sign in at %s/counter yet. Stop it, run “benchword staff add NAME --role owner” with the same --config and --data, and start it again.\n", p.shop.BaseURL)
	}
	return srv.run(ctx, l)
}

// newLog returns a log of one JSON object a line, with times in UTC.
func newLog(to io.Writer) *slog.Logger {
	return slog.New(slog.NewJSONHandler(to, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Value.Kind() == slog.KindTime {
			a.Value = slog.TimeValue(a.Value.Time().UTC())
		}
		return a
	}}))
}

// parts returns what a server is built from, but for its data folder and log.
func (s *Settings) parts(path string, r roles) (parts, error) {
	shop, err := s.shop()
	if err != nil {
		return parts{}, err
	}
	if s.Mail.Host == "" {
		return parts{}, fmt.Errorf("%s: mail.host is missing: without it no customer hears anything. Example: host = \"smtp.example.net\"", path)
	}
	if !s.Store.shared() && r != (roles{true, true}) {
		return parts{}, misused("%s: a server whose jobs are in its data folder does everything itself: leave --roles out, or name a store that several share", path)
	}
	transport, err := s.transport()
	if err != nil {
		return parts{}, fmt.Errorf("%s: %w", path, err)
	}
	return parts{shop: shop, words: s.own, transport: transport, mail: s.Mail, inbox: s.Inbox, hooks: s.Hooks, web: s.Web, store: s.Store, secondFactor: s.Staff.SecondFactor, erased: s.Privacy.ErasedList, roles: r}, nil
}

func (s *Settings) transport() (*mail.SMTP, error) {
	t := &mail.SMTP{Host: s.Mail.Host, Port: s.Mail.Port, User: s.Mail.User}
	switch s.Mail.Security {
	case "tls":
		t.Encryption = mail.ImplicitTLS
	case "none":
		t.Encryption = mail.Plain
	default:
		t.Encryption = mail.StartTLS
	}
	var err error
	if t.Password, err = secretIn(s.Mail.PasswordFile, "the mail password"); err != nil {
		return nil, err
	}
	if _, domain, ok := strings.Cut(s.Mail.From, "@"); ok {
		t.Name = domain
	}
	return t, nil
}

// inbox returns the mailbox that is read, nil if the settings name none.
func (m *InboxSettings) inbox() (*inbox.Inbox, error) {
	switch {
	case m.Maildir != "":
		return &inbox.Inbox{Box: inbox.Maildir{Path: m.Maildir}, Authority: m.Authority}, nil
	case m.Host == "":
		return nil, nil
	}
	box := &inbox.IMAP{Host: m.Host, Port: m.Port, Encryption: mail.ImplicitTLS, User: m.User, Folder: m.Folder}
	switch m.Security {
	case "starttls":
		box.Encryption = mail.StartTLS
	case "none":
		box.Encryption = mail.Plain
	}
	if box.Port == 0 {
		box.Port = map[mail.Encryption]int{mail.ImplicitTLS: 993}[box.Encryption]
		if box.Port == 0 {
			box.Port = 143
		}
	}
	var err error
	if box.Password, err = secretIn(m.PasswordFile, "the mailbox's password"); err != nil {
		return nil, err
	}
	return &inbox.Inbox{Box: box, Authority: m.Authority}, nil
}

// signers reads the keys that sign mails.
func (m *MailSettings) signers() ([]*mail.Signer, error) {
	var out []*mail.Signer
	for _, d := range m.DKIM {
		pem, err := os.ReadFile(d.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("the key that signs emails can't be read: %w", err)
		}
		s, err := mail.NewSigner(d.Domain, d.Selector, pem)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", d.KeyFile, err)
		}
		out = append(out, s)
	}
	return out, nil
}
