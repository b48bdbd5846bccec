package inbox

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"benchword/notify/mail"
	"benchword/workflow"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapclient"
)

// Maildir is a folder of mails on this machine, as mail servers deliver into it: new mails lie in "new",
// those that were seen in "cur". What is done with gets the flag S; what is left for a person does not.
type Maildir struct{ Path string }

var _ Mailbox = Maildir{}

// Each implements [Mailbox]. Names begin with the instant of delivery, so their order is that of arrival.
func (m Maildir) Each(ctx context.Context, deal Deal) error {
	ctx, cancel := context.WithTimeout(ctx, lookFor)
	defer cancel()
	fresh := filepath.Join(m.Path, "new")
	names, err := os.ReadDir(fresh)
	if err != nil {
		return fmt.Errorf("the Maildir can't be read: %w", err)
	}
	var errs []error
	for _, n := range names {
		if ctx.Err() != nil {
			return errors.Join(append(errs, ctx.Err())...)
		}
		if !n.Type().IsRegular() || n.Name()[0] == '.' {
			continue
		}
		at := filepath.Join(fresh, n.Name())
		raw, err := readFile(at)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			continue // somebody else took it
		case err != nil && !errors.Is(err, errTooLarge):
			return err
		}
		done := false
		if err == nil {
			if done, err = deal(ctx, raw); err != nil {
				if errs = append(errs, err); hopeless(err) {
					break
				}
				continue
			}
		}
		flags := ":2,"
		if done {
			flags += "S"
		}
		if err := os.Rename(at, filepath.Join(m.Path, "cur", n.Name()+flags)); err != nil {
			return fmt.Errorf("an email that was read can't be put aside: %w", err)
		}
	}
	return errors.Join(errs...)
}

// hopeless reports whether the other mails of a look would fail as this one did.
func hopeless(err error) bool { return errors.Is(err, workflow.ErrUnavailable) }

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, MaxLetter+1))
	if err == nil && len(b) > MaxLetter {
		return nil, errTooLarge
	}
	return b, err
}

// IMAP is a mailbox on a server. What is done with is marked as seen, what is left for a person as
// flagged; neither is read again.
type IMAP struct {
	Host           string
	Port           int
	Encryption     mail.Encryption
	TLS            *tls.Config
	User, Password string
	// Folder is INBOX if empty.
	Folder string
	// Timeout is for one look into it; 0 means lookFor.
	Timeout time.Duration
}

// lookFor is how long one look at a mailbox may take.
const lookFor = 2 * time.Minute

var _ Mailbox = (*IMAP)(nil)

// Each implements [Mailbox].
func (m *IMAP) Each(ctx context.Context, deal Deal) (err error) {
	timeout := m.Timeout
	if timeout <= 0 {
		timeout = lookFor
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", net.JoinHostPort(m.Host, strconv.Itoa(m.Port)))
	if err != nil {
		return fmt.Errorf("the mailbox can't be reached: %w", err)
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() })
	defer stop()
	config := &tls.Config{}
	if m.TLS != nil {
		config = m.TLS.Clone()
	}
	if config.ServerName == "" {
		config.ServerName = m.Host
	}
	var c *imapclient.Client
	options := &imapclient.Options{TLSConfig: config}
	switch m.Encryption {
	case mail.ImplicitTLS:
		options.TLSConfig.NextProtos = []string{"imap"}
		c = imapclient.New(tls.Client(conn, options.TLSConfig), options)
	case mail.Plain:
		c = imapclient.New(conn, options)
	default:
		if c, err = imapclient.NewStartTLS(conn, options); err != nil {
			return fmt.Errorf("no encrypted line to the mailbox could be made: %w", err)
		}
	}
	defer c.Close()
	if err := c.Login(m.User, m.Password).Wait(); err != nil {
		return fmt.Errorf("signing in at the mailbox failed: %w", err)
	}
	folder := m.Folder
	if folder == "" {
		folder = "INBOX"
	}
	if _, err := c.Select(folder, nil).Wait(); err != nil {
		return fmt.Errorf("the folder %s can't be opened: %w", folder, err)
	}
	found, err := c.UIDSearch(&imap.SearchCriteria{NotFlag: []imap.Flag{imap.FlagSeen, imap.FlagFlagged}}, nil).Wait()
	if err != nil {
		return fmt.Errorf("the mailbox can't be searched: %w", err)
	}
	var errs []error
	for _, uid := range found.AllUIDs() {
		if err := m.one(ctx, c, uid, deal); err != nil {
			errs = append(errs, err)
			if ctx.Err() != nil || hopeless(err) {
				return errors.Join(errs...)
			}
		}
	}
	return errors.Join(append(errs, c.Logout().Wait())...)
}

// one deals with one mail. Its size is asked for first: what is too large is not fetched.
func (m *IMAP) one(ctx context.Context, c *imapclient.Client, uid imap.UID, deal Deal) error {
	set := imap.UIDSetNum(uid)
	sizes, err := c.Fetch(set, &imap.FetchOptions{RFC822Size: true, UID: true}).Collect()
	if err != nil || len(sizes) == 0 {
		return err
	}
	done := false
	if sizes[0].RFC822Size <= MaxLetter {
		section := &imap.FetchItemBodySection{Peek: true}
		got, err := c.Fetch(set, &imap.FetchOptions{UID: true, BodySection: []*imap.FetchItemBodySection{section}}).Collect()
		if err != nil {
			return fmt.Errorf("an email can't be fetched: %w", err)
		}
		if len(got) == 0 {
			return nil
		}
		if done, err = deal(ctx, got[0].FindBodySection(section)); err != nil {
			return err
		}
	}
	flag := imap.FlagFlagged
	if done {
		flag = imap.FlagSeen
	}
	if err := c.Store(set, &imap.StoreFlags{Op: imap.StoreFlagsAdd, Silent: true, Flags: []imap.Flag{flag}}, nil).Close(); err != nil {
		return fmt.Errorf("an email can't be marked: %w", err)
	}
	return nil
}
