package inbox

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapserver"
	"github.com/emersion/go-imap/v2/imapserver/imapmemserver"
	"github.com/emersion/go-msgauth/authres"
	"github.com/stretchr/testify/require"
)

// notification wraps a delivery status as a mail server sends it (RFC 3462).
func notification(status, id string) string {
	return strings.ReplaceAll(`Return-Path: <>
From: Mail Delivery System <MAILER-DAEMON@post.example>
To: desk@bench.example
Subject: Undelivered Mail
Message-ID: <dsn.1@post.example>
Auto-Submitted: auto-replied
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="=_b"

--=_b
Content-Type: text/plain

Your mail could not be delivered.

--=_b
Content-Type: message/delivery-status

`+status+`
--=_b
Content-Type: text/rfc822-headers

From: desk@bench.example
Message-ID: <`+id+`>
Subject: Your film scanner

--=_b--
`, "\n", "\r\n")
}

// The samples of RFC 3464 appendix D: comments after Status, a folded diagnostic, an address type that
// nobody knows, and "delayed", which is no bounce.
func TestPublishedBounces(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/published/rfc3464_samples.json")
	require.NoError(t, err)
	var file struct {
		Samples []struct {
			Name, Text string
			Recipients int
			Expect     []struct{ Final, Action, Status string }
		}
	}
	require.NoError(t, json.Unmarshal(raw, &file))
	require.Len(t, file.Samples, 4)
	for _, s := range file.Samples {
		l, err := ReadLetter(strings.NewReader(notification(s.Text, "H7K3M9X-4-received@bench.example")))
		require.NoError(t, err, s.Name)
		require.True(t, l.Auto)
		require.Equal(t, []string{"H7K3M9X-4-received@bench.example"}, l.Refs)
		require.Len(t, l.Bounces, s.Recipients, s.Name)
		for i, want := range s.Expect {
			got := l.Bounces[i]
			require.Equal(t, want.Final, got.To, s.Name)
			require.Equal(t, want.Action, got.Action)
			require.Equal(t, want.Status, got.Status)
			require.Equal(t, want.Action == "failed", got.Failed())
		}
	}
}

// What a machine wrote, by RFC 3834 and RFC 2919; a person's mail program writes "no" or nothing.
func TestAutomatic(t *testing.T) {
	for head, want := range map[string]bool{
		"Subject: Re": false, "Auto-Submitted: no": false, "Auto-Submitted: NO (a person)": false, "Return-Path: <maud@example.org>": false,
		"Auto-Submitted: auto-replied": true, "Auto-Submitted: auto-generated; x=y": true, "auto-submitted: Auto-Notified": true,
		"Precedence: bulk": true, "Precedence: first-class": false, "Return-Path: <>": true, "List-Id: <all.example.org>": true,
		"List-Unsubscribe: <mailto:x@example.org>": true, "X-Autoreply: yes": true, "X-Loop: a": true,
		`Content-Type: multipart/report; report-type=disposition-notification; boundary=x`: true,
	} {
		l, err := ReadLetter(strings.NewReader(head + "\r\nFrom: maud@example.org\r\n\r\nHello\r\n"))
		require.NoError(t, err, head)
		require.Equal(t, want, l.Auto, head)
	}
}

// desked is a shop with a Maildir before it.
type desked struct {
	*bench
	dir string
	in  *Inbox
}

func newInbox(t testing.TB) *desked {
	d := &desked{bench: newBench(t), dir: t.TempDir()}
	for _, f := range []string{"new", "cur", "tmp"} {
		require.NoError(t, os.Mkdir(filepath.Join(d.dir, f), 0o755))
	}
	d.in = &Inbox{Service: d.Svc, Box: Maildir{d.dir}, Desk: evidence.NewDesk(d.photos), Domain: "bench.example", Log: slog.New(slog.DiscardHandler)}
	d.n = d.Book()
	d.receive()
	return d
}

// comes delivers a mail and has it looked at; it returns what became of the file: "done", "left" or "new".
func (d *desked) comes(raw string) string {
	d.nth++
	name := fmt.Sprintf("%010d.M1P1.host", d.nth)
	require.NoError(d.t, os.WriteFile(filepath.Join(d.dir, "new", name), []byte(raw), 0o600))
	before, err := d.Store.EntriesIn(context.Background(), d.Svc.Shop.ID, workflow.EntryQueued, 99)
	require.NoError(d.t, err)
	lookErr := d.in.Look(context.Background())
	after, err := d.Store.EntriesIn(context.Background(), d.Svc.Shop.ID, workflow.EntryQueued, 99)
	require.NoError(d.t, err)
	require.Equal(d.t, before, after, "nothing that comes in leads to an email that goes out: no loop can be")
	for where, at := range map[string]string{"done": "cur/" + name + ":2,S", "left": "cur/" + name + ":2,", "new": "new/" + name} {
		if _, err := os.Stat(filepath.Join(d.dir, at)); err == nil {
			require.Equal(d.t, where == "new", lookErr != nil)
			return where
		}
	}
	d.t.Fatal("the email is gone")
	return ""
}

// answer is a customer's reply with a picture and a quotation.
func (d *desked) answer(from, text string, photo []byte, head ...string) string {
	parts := "--=_b\r\nContent-Type: text/plain; charset=iso-8859-1\r\nContent-Transfer-Encoding: quoted-printable\r\n\r\n" + text +
		"\r\n\r\nOn Tue, 3 Nov 2026, Harbour Bench wrote:\r\n> The parcel was opened.\r\n>> Really\r\n-- \r\nMaud's telephone\r\n"
	if photo != nil {
		parts += "--=_b\r\nContent-Type: image/jpeg; name=\"a.jpg\"\r\nContent-Transfer-Encoding: base64\r\n\r\n" + base64.StdEncoding.EncodeToString(photo) + "\r\n"
	}
	return strings.Join(append([]string{
		"From: =?utf-8?q?Maud_Ellery?= <" + from + ">", "To: desk@bench.example", "Subject: Re: Your film scanner", fmt.Sprintf("Message-ID: <%d@example.org>", d.nth),
		"In-Reply-To: <" + string(d.n) + "-8-received@bench.example>", "References: <" + string(d.n) + ".job@bench.example> <" + string(d.n) + "-8-received@bench.example>",
		"MIME-Version: 1.0", "Content-Type: multipart/mixed; boundary=\"=_b\"",
	}, head...), "\r\n") + "\r\n\r\n" + parts + "--=_b--\r\n"
}

func TestReplies(t *testing.T) {
	d := newInbox(t)
	photos := len(d.job().Photos)
	raw := d.answer("Maud@Example.org", "It went click, caf=E9 style.\r\n\r\nThen nothing.", notifytest.Picture(640, 480, 9))
	require.Equal(t, "done", d.comes(raw))
	j := d.job()
	m := j.Messages[len(j.Messages)-1]
	require.Equal(t, "It went click, café style.\n\nThen nothing.", m.Text.Text)
	require.Equal(t, workflow.Actor{Role: workflow.RoleCustomer, ID: "mail"}, m.By)
	require.NotNil(t, j.Unanswered(), "somebody should answer it")
	require.Nil(t, j.OpenQuestion(), "and it asks nothing about a quote")
	require.Len(t, j.Photos, photos+1)
	p := j.Photos[photos]
	require.Equal(t, "From the customer’s email", p.Caption.Text)
	version := j.Version
	require.Equal(t, "done", d.comes(raw), "delivered twice")
	require.Equal(t, version, d.job().Version, "is told once")

	for name, c := range map[string]struct{ raw, want string }{
		"somebody else":       {d.answer("mallory@example.org", "Send it to me.", nil), "left"},
		"a machine":           {d.answer("maud@example.org", "I am away.", nil, "Auto-Submitted: auto-replied"), "done"},
		"a list":              {d.answer("maud@example.org", "Hello all.", nil, "List-Id: <x.example.org>"), "done"},
		"our own, come back":  {strings.Replace(d.answer("maud@example.org", "x", nil), "Message-ID: <", "Message-ID: <"+string(d.n)+"-8-received@bench.example> (", 1), "done"},
		"about no job":        {strings.ReplaceAll(d.answer("maud@example.org", "x", nil), string(d.n), "K7M2QX9"), "left"},
		"another shop's":      {strings.ReplaceAll(d.answer("maud@example.org", "x", nil), "@bench.example>", "@other.example>"), "left"},
		"nothing in it":       {d.answer("maud@example.org", "", nil), "left"},
		"no email":            {"\x00\xff\x00", "left"},
		"a picture that lies": {"", ""},
	} {
		if c.raw == "" {
			continue
		}
		require.Equal(t, c.want, d.comes(c.raw), name)
		require.Equal(t, version, d.job().Version, name)
	}
	require.Equal(t, "done", d.comes(d.answer("maud@example.org", "See:", []byte("no picture"))))
	j = d.job()
	require.Equal(t, "See:\n\n(pictures that could not be read: 1)", j.Messages[len(j.Messages)-1].Text.Text)

	// A page without a plain part is read as text, and a very long one is cut.
	long := "From: maud@example.org\r\nReferences: <" + string(d.n) + ".job@bench.example>\r\nContent-Type: text/html\r\n\r\n<style>p{}</style><p>It &lt;hums&gt; <b>again</b></p><blockquote>You wrote</blockquote><p>" + strings.Repeat("la ", 9000)
	require.Equal(t, "done", d.comes(long))
	j = d.job()
	text := j.Messages[len(j.Messages)-1].Text.Text
	require.True(t, strings.HasPrefix(text, "It <hums> again"), text[:40])
	require.NotContains(t, text, "You wrote")
	require.Len(t, []rune(text), workflow.MaxText)
}

func TestBounces(t *testing.T) {
	d := newInbox(t)
	id := mail.MessageName(d.Svc, d.job().Notices[1].ID)
	failed := "Reporting-MTA: dns; post.example\n\nFinal-Recipient: rfc822; maud@example.org\nAction: %s\nStatus: %s\nDiagnostic-Code: smtp; 550 5.1.1 no such person maud@example.org\n"
	version := d.job().Version
	require.Equal(t, "done", d.comes(notification(fmt.Sprintf(failed, "delayed", "4.4.1"), id+"@bench.example")))
	require.Equal(t, "left", d.comes(notification(strings.ReplaceAll(fmt.Sprintf(failed, "failed", "5.1.1"), "rfc822; maud@", "rfc822; other@"), id+"@bench.example")), "forged: about another address")
	require.Equal(t, "left", d.comes(notification(fmt.Sprintf(failed, "failed", "5.1.1"), string(d.n)+"-99-received@bench.example")), "about no email of ours")
	require.Equal(t, version, d.job().Version)

	raw := notification(fmt.Sprintf(failed, "failed", "5.1.1 (bad destination)"), id+"@bench.example")
	require.Equal(t, "done", d.comes(raw))
	require.Equal(t, "done", d.comes(strings.Replace(raw, "dsn.1", "dsn.2", 1)))
	j := d.job()
	require.Len(t, j.Undelivered(), 1)
	require.Contains(t, j.Undelivered()[0].Reason, "does not exist")
	require.NotContains(t, j.Undelivered()[0].Reason, "maud")
	require.Equal(t, j.Customer.Email.Digest, j.DeadAddress)
	require.Equal(t, version+1, j.Version, "once")
	d.do(counter, workflow.NoteTold{ID: d.job().Notices[1].ID})
	require.Empty(t, d.job().Undelivered())

	// A mail that was too large says nothing of the address (RFC 3463: 5.3.4).
	big := mail.MessageName(d.Svc, d.job().Notices[0].ID)
	require.Equal(t, "done", d.comes(notification(fmt.Sprintf(failed, "failed", "5.3.4"), big+"@bench.example")))
	require.Contains(t, d.job().Undelivered()[0].Reason, "too large")
}

// Who only knows job number and address can forge a bounce by an ID as earlier versions gave them: the counter
// hears of it, and the address is not given up.
func TestABounceThatCouldBeForged(t *testing.T) {
	for _, mark := range []string{"", ".aaaabbbbccccdddd"} {
		d := newInbox(t)
		id := d.job().Notices[1].ID + mark
		require.Equal(t, "done", d.comes(notification("Reporting-MTA: dns; post.example\n\nFinal-Recipient: rfc822; maud@example.org\nAction: failed\nStatus: 5.1.1\n", id+"@bench.example")))
		require.Len(t, d.job().Undelivered(), 1)
		require.Empty(t, d.job().DeadAddress)
	}
}

// A bounce of a mail that took another's place is about the same notice.
func TestABounceOfAMailThatWasBuiltAnew(t *testing.T) {
	d := newInbox(t)
	id := string(d.n) + "-4-received"
	for name, marked := range map[string]bool{
		mail.MessageName(d.Svc, id) + "@bench.example": true, mail.MessageName(d.Svc, id) + ".2@Bench.example": true,
		id + "@bench.example": false, id + ".2@bench.example": false, id + ".aaaabbbbccccdddd@bench.example": false, id + ".@bench.example": false,
		mail.MessageName(d.Svc, string(d.n)+"-5-received")[len(id):] + "@bench.example": false,
	} {
		x := d.in.name(name)
		if strings.HasPrefix(name, id) {
			require.Equal(t, named{d.n, id, marked}, x, name)
		} else {
			require.Equal(t, named{}, x, name)
		}
	}
	require.Equal(t, named{job: d.n}, d.in.name(string(d.n)+".job@bench.example"))
}

// Final-Recipient is not written in xtext, Original-Recipient is (RFC 3464 section 2.3, RFC 3461 section 4):
// "+de" in an address is no code.
func TestBouncesOfPlusAddresses(t *testing.T) {
	for _, about := range []string{"Final-Recipient: rfc822; maud+de@example.org", "Original-Recipient: rfc822; maud+2Bde@example.org\nFinal-Recipient: rfc822; 4711@elsewhere.example"} {
		d := newInbox(t)
		d.do(counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Osei", Email: "maud+de@example.org"}})
		id := mail.MessageName(d.Svc, d.job().Notices[1].ID)
		require.Equal(t, "done", d.comes(notification("Reporting-MTA: dns; post.example\n\n"+about+"\nAction: failed\nStatus: 5.1.1\nDiagnostic-Code: smtp; 550 5.1.1 unknown\n", id+"@bench.example")), about)
		require.Len(t, d.job().Undelivered(), 1)
	}
}

// The same over IMAP, against an independent server: what is done with is seen, what is left is flagged,
// and neither is read again.
func TestIMAP(t *testing.T) {
	d := newInbox(t)
	put := d.overIMAP(0)
	box := d.in.Box.(*IMAP)
	put(d.answer("maud@example.org", "By IMAP.", nil))
	put(d.answer("mallory@example.org", "Not me.", nil))
	put("no email")
	require.NoError(t, d.in.Look(t.Context()))
	j := d.job()
	require.Equal(t, "By IMAP.", j.Messages[len(j.Messages)-1].Text.Text)
	version := j.Version
	read := 0
	require.NoError(t, box.Each(t.Context(), func(context.Context, []byte) (bool, error) { read++; return true, nil }))
	require.Zero(t, read)
	put(d.answer("maud@example.org", "Once more.", nil))
	require.Error(t, box.Each(t.Context(), func(context.Context, []byte) (bool, error) { return false, io.ErrUnexpectedEOF }))
	require.NoError(t, d.in.Look(t.Context()), "after an error it is given again")
	require.Greater(t, d.job().Version, version)
	box.Password = "wrong"
	require.Error(t, d.in.Look(t.Context()))
}

// overIMAP lets the inbox read a mailbox of an independent server, and returns what delivers into it.
func (d *desked) overIMAP(timeout time.Duration) (put func(raw string)) {
	t := d.t
	user := imapmemserver.NewUser("desk", "s3cret")
	require.NoError(t, user.Create("INBOX", nil))
	mem := imapmemserver.New()
	mem.AddUser(user)
	s := imapserver.New(&imapserver.Options{
		NewSession: func(*imapserver.Conn) (imapserver.Session, *imapserver.GreetingData, error) {
			return mem.NewSession(), nil, nil
		},
		Caps: imap.CapSet{imap.CapIMAP4rev1: {}}, InsecureAuth: true, Logger: slog.NewLogLogger(slog.DiscardHandler, 0),
	})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- s.Serve(ln) }()
	t.Cleanup(func() { require.NoError(t, s.Close()); <-done })
	d.in.Box = &IMAP{Host: "127.0.0.1", Port: ln.Addr().(*net.TCPAddr).Port, Encryption: mail.Plain, User: "desk", Password: "s3cret", Timeout: timeout}
	return func(raw string) {
		d.nth++
		_, err = user.Append("INBOX", literal{strings.NewReader(raw)}, &imap.AppendOptions{Time: time.Now()})
		require.NoError(t, err)
	}
}

type literal struct{ *strings.Reader }

func (l literal) Size() int64 { return l.Reader.Size() }

// hostile are mails made to do harm.
func hostile() map[string]string {
	head := "From: maud@example.org\r\nReferences: <K7M2QX8.job@bench.example>\r\nMIME-Version: 1.0\r\n"
	deep := head
	for i := range 3000 {
		deep += fmt.Sprintf("Content-Type: multipart/mixed; boundary=b%d\r\n\r\n--b%d\r\n", i, i)
	}
	wide := head + "Content-Type: multipart/mixed; boundary=b\r\n\r\n" + strings.Repeat("--b\r\nContent-Type: image/jpeg\r\n\r\nx\r\n", 50000)
	return map[string]string{
		"deep": deep, "wide": wide,
		"header":    head + "X-Big: " + strings.Repeat("a", 3<<20) + "\r\n\r\nx",
		"headers":   head + strings.Repeat("X-Many: a\r\n", 200000) + "\r\nx",
		"refs":      head + "References: " + strings.Repeat("<a@b> ", 30000) + "\r\n\r\nx",
		"rfc822":    head + strings.Repeat("Content-Type: message/rfc822\r\n\r\n", 5000),
		"html":      head + "Content-Type: text/html\r\n\r\n" + strings.Repeat("<div>", 100000) + "<" + strings.Repeat("a", 1<<20),
		"quoted":    head + "\r\n" + strings.Repeat(":\n\n", 60000) + ">",
		"charset":   head + "Content-Type: text/plain; charset=\"utf-7\"\r\n\r\n+ADw-script+AD4-",
		"transfer":  head + "Content-Transfer-Encoding: x-gzip64\r\n\r\nH4sI",
		"boundary":  head + "Content-Type: multipart/mixed; boundary=\"\"\r\n\r\n--\r\n\r\nx",
		"nul":       head + "\r\n\x00\x00\x1b[2J",
		"status":    notification(strings.Repeat("Action: failed\nFinal-Recipient: rfc822; a@b\n\n", 5000), "x"),
		"status +":  notification("Original-Envelope-Id: +ZZ+4\n\nAction: failed\nFinal-Recipient: utf-8; \\x{FFFFFFFF}\\x{41\nStatus: 5", "x"),
		"from":      "From: <<<>\r\n\r\nx",
		"from list": "From: " + strings.Repeat("a@b, ", 10000) + "\r\n\r\nx",
	}
}

// slowDesk takes pictures in, each of which takes its time by the clock or never ends.
type slowDesk struct {
	clock *notifytest.Clock
	takes time.Duration // 0: it never ends
	took  int
	err   error
}

func (s *slowDesk) Take(ctx context.Context, _ workflow.ShopID, _ workflow.JobNumber, r io.Reader) (workflow.Photo, error) {
	s.took++
	if s.err != nil {
		return workflow.Photo{}, s.err
	}
	if s.takes == 0 {
		<-ctx.Done()
		return workflow.Photo{}, ctx.Err()
	}
	s.clock.Move(s.takes)
	b, err := io.ReadAll(r)
	sum := fmt.Sprintf("%064x", len(b)*1000+s.took)
	c := workflow.Copy{Digest: sum, Width: 640, Height: 480}
	return workflow.Photo{Original: sum, Copies: workflow.Copies{Large: c, Small: c}}, err
}

// pictured is a customer's answer with so many pictures.
func (d *desked) pictured(text string, pictures int) string {
	part := "--=_b\r\nContent-Type: image/jpeg\r\nContent-Transfer-Encoding: base64\r\n\r\n" + base64.StdEncoding.EncodeToString(notifytest.Picture(100, 100, 9)) + "\r\n"
	return strings.Replace(d.answer("maud@example.org", text, nil), "--=_b--\r\n", strings.Repeat(part, pictures)+"--=_b--\r\n", 1)
}

// last returns the words of the newest message.
func (d *desked) last() string {
	j := d.job()
	return j.Messages[len(j.Messages)-1].Text.Text
}

// A mail whose pictures never come to an end holds nobody up: it is told without them, and what lies behind
// it is read in the same look.
func TestAMailOfPicturesThatNeverEnd(t *testing.T) {
	for _, imap := range []bool{false, true} {
		d := newInbox(t)
		slow := &slowDesk{clock: d.clock}
		d.in.Desk, d.in.Budget = slow, Budget{Time: 50 * time.Millisecond}
		put := d.put
		if imap {
			put = d.overIMAP(3 * time.Second)
		}
		put(d.pictured("See the pictures.", 12))
		put(d.answer("maud@example.org", "A plain question behind it.", nil))
		require.NoError(t, d.in.Look(t.Context()))
		require.Equal(t, "A plain question behind it.", d.last())
		j := d.job()
		require.Contains(t, j.Messages[len(j.Messages)-2].Text.Text, "(pictures that could not be read: 12)")
		require.Equal(t, 1, slow.took, "one was enough to use the email's time up")
		version := j.Version
		require.NoError(t, d.in.Look(t.Context()))
		require.Equal(t, version, d.job().Version, "neither is read again")
	}
}

// What a sender's pictures may cost is bounded within a mail and within an hour, in time and in pixels.
func TestPicturesHaveABudget(t *testing.T) {
	d := newInbox(t)
	slow := &slowDesk{clock: d.clock, takes: 10 * time.Second}
	d.in.Desk = slow
	for i, want := range []int{3, 3, 0} { // half a minute a mail, and a minute an hour
		slow.took = 0
		require.Equal(t, "done", d.comes(d.pictured(fmt.Sprint("Mail ", i), 5)))
		require.Equal(t, want, slow.took)
		require.Contains(t, d.last(), fmt.Sprintf("could not be read: %d)", 5-want))
	}
	d.clock.Move(time.Hour)
	slow.took = 0
	require.Equal(t, "done", d.comes(d.pictured("An hour later", 2)))
	require.Equal(t, 2, slow.took)

	d = newInbox(t)
	slow = &slowDesk{clock: d.clock, takes: time.Millisecond}
	d.in.Desk, d.in.Budget, d.in.Hourly = slow, Budget{Pixels: 35_000}, Budget{Pixels: 50_000}
	for i, want := range []int{3, 2, 0} {
		slow.took = 0
		require.Equal(t, "done", d.comes(d.pictured(fmt.Sprint("Mail ", i), 5)))
		require.Equal(t, want, slow.took)
	}
}

// A mail that fails is tried twice and then left for a person; those behind it are not held up, and an
// outage of ours is nobody's failure.
func TestAMailThatFails(t *testing.T) {
	for _, imap := range []bool{false, true} {
		d := newInbox(t)
		slow := &slowDesk{clock: d.clock, err: workflow.ErrUnavailable}
		d.in.Desk = slow
		put := d.put
		if imap {
			put = d.overIMAP(0)
		}
		put(d.pictured("See the pictures.", 1))
		for range 3 {
			require.ErrorIs(t, d.in.Look(t.Context()), workflow.ErrUnavailable)
		}
		slow.err, slow.took = io.ErrUnexpectedEOF, 0
		put(d.answer("maud@example.org", "A plain question behind it.", nil))
		require.ErrorIs(t, d.in.Look(t.Context()), io.ErrUnexpectedEOF)
		require.Equal(t, "A plain question behind it.", d.last(), "in the first look")
		require.NoError(t, d.in.Look(t.Context()), "the second try is the last")
		require.NoError(t, d.in.Look(t.Context()))
		require.Equal(t, 2, slow.took)
	}
}

// put delivers a mail into the Maildir.
func (d *desked) put(raw string) {
	d.nth++
	require.NoError(d.t, os.WriteFile(filepath.Join(d.dir, "new", fmt.Sprintf("%010d.M1P1.host", d.nth)), []byte(raw), 0o600))
}

// What the shop's own mail server says of the sender, as RFC 8601 has it; and what senders write to look like it.
func TestProof(t *testing.T) {
	const id = "mx.example.net"
	for _, x := range []struct {
		stamps string
		want   Proof
	}{
		{"", NotProven},
		{"mx.example.net; dmarc=pass header.from=example.org", Proven},
		{"MX.example.NET 1; spf=fail smtp.mailfrom=example.org; dmarc=pass (p=reject) header.from=example.org", Proven},
		{"mx.example.net; dkim=pass header.d=example.org; dmarc=fail header.from=example.org", NotProven},
		{"mx.example.net; dmarc=fail header.from=example.org; dkim=pass header.d=example.org", NotProven},
		{"mx.example.net; none", NotProven},
		{"mx.example.net; spf=pass smtp.mailfrom=example.org", NotProven},
		{"mx.example.net; dkim=pass (2048-bit key; unprotected) header.d=example.org header.i=@example.org", Proven},
		{"mx.example.net; dkim=fail header.d=example.org; dkim=pass header.d=Example.org; dmarc=none", Proven},
		{"mx.example.net; dkim=pass header.d=evil.example", NotProven},
		{"mx.example.net; dkim=pass header.d=ample.org", NotProven},
		{"mx.example.net; dkim=pass header.d=org.evil.example", NotProven},
		{"mx.example.net; dkim=pass header.d=", NotProven},
		{"mx.example.net; dmarc=temperror", NotProven},
		{"mx.example.net; dmarc=permerror", NotProven},
		{"other.example; dmarc=pass", NotProven},
		{"other.example; dmarc=pass|mx.example.net; dmarc=pass", Proven},
		{"mx.example.net; dmarc=fail|mx.example.net; dmarc=pass", NotProven}, // the lower one is the sender's own
		{"mx.example.net; spf=none|mx.example.net; dmarc=pass", NotProven},
		{"mx.example.net.evil.example; dmarc=pass", NotProven},
		// Words that the sender chose, within what the server writes.
		{`mx.example.net; spf=fail smtp.mailfrom="x; dmarc=pass"@example.org`, NotProven},
		{`mx.example.net; spf=fail smtp.mailfrom="x\"; dmarc=pass"@example.org`, NotProven},
		{"mx.example.net; spf=fail (of x; dmarc=pass (y) ; dmarc=pass) smtp.mailfrom=x", NotProven},
		{`mx.example.net; spf=fail (x\); dmarc=pass) smtp.mailfrom=x`, NotProven},
		{"mx.example.net (; dmarc=pass", NotProven},
		{"mx.example.net; dmarc", NotProven},
		{"mx.example.net; dmarc = (yes) pass", Proven},
		{`"mx.example.net"; dmarc/1=pass`, Proven},
	} {
		head := ""
		for stamp := range strings.SplitSeq(x.stamps, "|") {
			if stamp != "" {
				head += "Authentication-Results: " + strings.Replace(stamp, "; ", ";\r\n\t", 1) + "\r\n"
			}
		}
		l, err := ReadLetter(strings.NewReader(head + "From: Maud <maud@example.org>\r\n\r\nx"))
		require.NoError(t, err)
		require.Equal(t, x.want, l.Proof(id), x.stamps)
		require.Equal(t, NotLooked, l.Proof(""), x.stamps)
		for _, from := range []string{"From: maud@example.org, eve@evil.example\r\n", "From: maud@example.org\r\nFrom: eve@evil.example\r\n", "From: Maud <maud@example.org\r\n"} {
			l, err := ReadLetter(strings.NewReader(head + from + "\r\nx"))
			require.NoError(t, err)
			require.Equal(t, NotProven, l.Proof(id), from)
		}
	}
	// The example of RFC 8601 that is full of comments (appendix B.6, from memory).
	by, results := readResults("foo.example.net (foobar) 1 (baz);\r\n dkim (Because I like it) / 1 (One yay) = (wait for it) fail\r\n" +
		" policy (A dot can go here) . (like that) expired\r\n (this surprised me) = (as I wasn't expecting it) 1362471462")
	require.Equal(t, "foo.example.net", by)
	require.Equal(t, []result{{"dkim", "fail", map[string]string{"policy.expired": "1362471462"}}}, results)
	// On lines without comments and quotes, an independent reader finds the same.
	for _, line := range []string{"example.com; spf=pass smtp.mailfrom=example.net", "example.com; auth=pass smtp.auth=sender@example.net; dkim=fail reason=bad header.d=a.example; dmarc=pass header.from=b.example", "example.org 1; none"} {
		by, results := readResults(line)
		id, theirs, err := authres.Parse(line)
		require.NoError(t, err)
		require.Equal(t, id, by)
		require.Len(t, results, len(theirs))
		for i, r := range theirs {
			switch r := r.(type) {
			case *authres.DKIMResult:
				require.Equal(t, result{"dkim", string(r.Value), map[string]string{"reason": r.Reason, "header.d": r.Domain}}, results[i])
			case *authres.DMARCResult:
				require.Equal(t, result{"dmarc", string(r.Value), map[string]string{"header.from": r.From}}, results[i])
			}
		}
	}
}

// Mails made to do harm cost little, and what is read of them keeps to its bounds.
func TestHostileLetters(t *testing.T) {
	for name, raw := range hostile() {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		l, err := ReadLetter(strings.NewReader(raw))
		runtime.ReadMemStats(&after)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(256<<20), name)
		if err == nil {
			within(t, l)
		}
	}
	_, err := ReadLetter(io.MultiReader(strings.NewReader("From: a@b\r\n\r\n"), io.LimitReader(zeros{}, MaxLetter*4)))
	require.NoError(t, err, "what is too much is left out")
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '0'
	}
	return len(p), nil
}

func within(t require.TestingT, l *Letter) {
	require.LessOrEqual(t, len(l.Refs), maxRefs+1)
	require.LessOrEqual(t, len(l.Pictures), maxPictures)
	require.LessOrEqual(t, len(l.Bounces), maxReports)
	require.LessOrEqual(t, len(l.Text), 4*maxLetterText)
	for _, r := range l.Text {
		require.False(t, r < 0x20 && r != '\n' && r != '\t', "%q", l.Text)
	}
}

func FuzzReadLetter(f *testing.F) {
	for _, raw := range hostile() {
		if len(raw) < 20000 {
			f.Add([]byte(raw))
		}
	}
	f.Add([]byte(notification("Final-Recipient: rfc822; maud@example.org\nAction: failed\nStatus: 5.1.1\n", "H7K3M9X-4-received@bench.example")))
	f.Add([]byte("From: maud@example.org\r\nAuthentication-Results: mx.example 1 (x); dkim=pass (\"\") header.d=example.org; dmarc=fail\r\n\r\nx"))
	in := &Inbox{Service: newBench(f).Svc, Domain: "bench.example"}
	f.Fuzz(func(t *testing.T, raw []byte) {
		l, err := ReadLetter(bytes.NewReader(raw))
		if err != nil {
			return
		}
		within(t, l)
		if x := in.name(l.ID); x.job != "" {
			require.True(t, strings.HasPrefix(l.ID, x.notice))
		}
		if p := l.Proof("mx.example"); p == Proven {
			require.Contains(t, strings.ToLower(strings.Join(l.Stamps, "")), "pass")
		}
	})
}

// The text of a page is what a reader sees: a head that is never closed ends where the text begins.
func TestPageText(t *testing.T) {
	for page, want := range map[string]string{
		"<html><head><title>No</title><style>p{}</style></head><body><p>It hums.</p></body></html>": "It hums.",
		"<head><title>No</title><meta charset=utf-8><p>It hums.":                                    "It hums.",
		"<head><body>It hums.": "It hums.",
		"<div>It hums.<blockquote>You wrote<blockquote>more</blockquote></blockquote> Still.</div>": "It hums. Still.",
	} {
		require.Equal(t, want, strings.Join(strings.Fields(pageText(page)), " "), page)
	}
}

// How a reply came stands on the message: proven by the shop's own server and an answer to what was sent, or not.
func TestHowAReplyCame(t *testing.T) {
	for _, x := range []struct {
		authority, stamp string
		marked           bool
		want             workflow.Came
	}{
		{"mx.example", "mx.example; dmarc=pass", true, workflow.CameProven},
		{"mx.example", "mx.example; dmarc=fail", true, workflow.CameUnproven},
		{"mx.example", "mx.example; dmarc=pass", false, workflow.CameUnproven},
		{"", "mx.example; dmarc=pass", true, workflow.CameEmail},
		{"", "mx.example; dmarc=pass", false, workflow.CameUnproven},
	} {
		d := newInbox(t)
		d.in.Authority = x.authority
		raw := d.answer("maud@example.org", "Please send it elsewhere.", nil, "Authentication-Results: "+x.stamp)
		if x.marked {
			id := string(d.n) + "-8-received"
			raw = strings.ReplaceAll(raw, id+"@", mail.MessageName(d.Svc, id)+"@")
		}
		require.Equal(t, "done", d.comes(raw))
		j := d.job()
		require.Equal(t, x.want, j.Came(&j.Messages[len(j.Messages)-1]), "%+v", x)
	}
}
