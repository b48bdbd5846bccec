package inbox

import (
	"bytes"
	"fmt"
	"log/slog"
	"net"
	netmail "net/mail"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/notify/smtptest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// realServer is a Postfix of its own, in a folder of its own, on a loopback port: the queue, the bounces
// and the greylisting are those of a server that nobody here wrote.
type realServer struct {
	t    testing.TB
	dir  string
	port int
	cmd  *exec.Cmd
}

// freePort returns a loopback port that nobody listens on.
func freePort(t testing.TB) int {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, ln.Close()) }()
	return ln.Addr().(*net.TCPAddr).Port
}

// startPostfix needs Debian's package postfix and root, as Postfix changes users by itself. Only where
// CI is not set may it be missing. What is for gone@example.org it passes on to the server at next.
func startPostfix(t testing.TB, next int) *realServer {
	const master = "/usr/lib/postfix/sbin/master"
	owner, err := user.Lookup("postfix")
	if _, missing := os.Stat(master); missing != nil || err != nil || os.Getuid() != 0 {
		if os.Getenv("CI") != "" {
			t.Fatal("this test needs Debian's package postfix, and root to start it")
		}
		t.Skip("no Postfix that could be started here")
	}
	uid, err := strconv.Atoi(owner.Uid)
	require.NoError(t, err)
	gid, err := strconv.Atoi(owner.Gid)
	require.NoError(t, err)
	dir, err := os.MkdirTemp("", "postfix")
	require.NoError(t, err)
	s := &realServer{t: t, dir: dir, port: freePort(t)}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chmod(dir, 0o755))
	for _, d := range []string{"conf", "queue", "data", "mail"} {
		require.NoError(t, os.Mkdir(filepath.Join(dir, d), 0o755))
	}
	require.NoError(t, os.Chown(filepath.Join(dir, "data"), uid, gid))
	require.NoError(t, os.Chown(filepath.Join(dir, "mail"), uid, gid))
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "conf", name), []byte(text), 0o644))
	}
	write("main.cf", strings.NewReplacer("NEXT", strconv.Itoa(next), "DIR", dir, "UID", owner.Uid, "GID", owner.Gid).Replace(`compatibility_level = 3.6
queue_directory = DIR/queue
data_directory = DIR/data
maillog_file = DIR/log
maillog_file_prefixes = DIR
mail_owner = postfix
myhostname = mail.bench.example
inet_interfaces = 127.0.0.1
inet_protocols = ipv4
mynetworks = 127.0.0.0/8
mydestination =
smtputf8_enable = yes
alias_maps =
virtual_mailbox_domains = example.org bench.example
virtual_mailbox_base = DIR/mail
virtual_mailbox_maps = inline:{ maud@example.org=maud/, later@example.org=later/, gone@example.org=gone/, full@example.org=full/, ärna@example.org=arna/, desk@bench.example=desk/ }
virtual_minimum_uid = 1
virtual_uid_maps = static:UID
virtual_gid_maps = static:GID
transport_maps = inline:{ { gone@example.org = smtp:[127.0.0.1]:NEXT } }
smtpd_recipient_restrictions = check_recipient_access inline:{ { later@example.org = 450 4.2.0 greylisted, come back later }, { full@example.org = 552 5.2.2 mailbox full } }, permit_mynetworks, reject
smtpd_relay_restrictions = permit_mynetworks, reject
smtpd_client_connection_count_limit = 50
`))
	write("master.cf", fmt.Sprintf(`127.0.0.1:%d inet n - n - - smtpd
postlog unix-dgram n - n - 1 postlogd
cleanup unix n - n - 0 cleanup
qmgr unix n - n 300 1 qmgr
rewrite unix - - n - - trivial-rewrite
bounce unix - - n - 0 bounce
defer unix - - n - 0 bounce
trace unix - - n - 0 bounce
error unix - - n - - error
retry unix - - n - - error
smtp unix - - n - - smtp
virtual unix - n n - - virtual
anvil unix - - n - 1 anvil
proxymap unix - - n - - proxymap
proxywrite unix - - n - 1 proxymap
flush unix n - n 1000? 0 flush
`, s.port))
	out, err := exec.Command("/usr/sbin/postfix", "-c", filepath.Join(dir, "conf"), "check").CombinedOutput()
	require.NoError(t, err, "%s", out)
	s.cmd = exec.Command(master, "-c", filepath.Join(dir, "conf"), "-d")
	s.cmd.Env = []string{"PATH=/usr/sbin:/usr/bin:/bin", "MAIL_CONFIG=" + filepath.Join(dir, "conf")}
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	require.NoError(t, s.cmd.Start())
	t.Cleanup(func() {
		_ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGTERM)
		_ = s.cmd.Wait()
	})
	t.Cleanup(func() {
		if t.Failed() {
			log, _ := os.ReadFile(filepath.Join(dir, "log"))
			t.Logf("Postfix says:\n%s", log)
		}
	})
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", s.addr())
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, 10*time.Second, 10*time.Millisecond, "Postfix does not listen")
	return s
}

func (s *realServer) addr() string { return fmt.Sprintf("127.0.0.1:%d", s.port) }

// box returns what lies in somebody's Maildir, in the order of arrival.
func (s *realServer) box(name string) [][]byte {
	files, err := filepath.Glob(filepath.Join(s.dir, "mail", name, "new", "*"))
	require.NoError(s.t, err)
	slices.SortFunc(files, func(a, b string) int {
		x, err := os.Stat(a)
		require.NoError(s.t, err)
		y, err := os.Stat(b)
		require.NoError(s.t, err)
		return x.ModTime().Compare(y.ModTime())
	})
	var out [][]byte
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(s.t, err)
		out = append(out, b)
	}
	return out
}

// TestAgainstPostfix takes notices all the way into a Maildir through a real mail server, and meets its
// greylisting, its refusals, its going away, and a bounce that it writes.
func TestAgainstPostfix(t *testing.T) {
	closed, err := smtptest.Start(smtptest.Config{})
	require.NoError(t, err)
	defer func() { require.NoError(t, closed.Close()) }()
	closed.Fail(smtptest.Fault{At: smtptest.AtRcpt, Reply: "550 5.1.1 <gone@example.org> this mailbox was closed"})
	s := startPostfix(t, closed.Port())
	b := newBench(t)
	tr := &mail.SMTP{Host: "127.0.0.1", Port: s.port, Encryption: mail.Plain}
	defer func() { require.NoError(t, tr.Close()) }()
	d := notify.New(notify.Config{Service: b.Svc, Channel: &mail.Channel{Transport: tr, Composer: b.mails}, Random: notifytest.NewDice(3)})
	book := func(email string) workflow.JobNumber {
		return b.Do("", customer, workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Email: email}, Kind: "film scanner", Fault: "It stops."}).Number
	}
	maud, later, nobody, gone, full, arna := book("maud@example.org"), book("later@example.org"), book("nobody@example.org"), book("gone@example.org"), book("full@example.org"), book("ärna@example.org")
	b.n = maud
	b.receive() // with photos
	b.do(counter, workflow.SendMessage{Text: "A line.\n.\n..two dots"})
	flush := func() { require.NoError(t, d.Flush(t.Context())) }
	flush()
	state := func(n workflow.JobNumber) workflow.Entry {
		list, err := b.Store.Entries(t.Context(), b.Svc.Shop.ID, n)
		require.NoError(t, err)
		return list[len(list)-1]
	}
	require.Equal(t, workflow.EntrySent, state(maud).State, "%v", state(maud).Attempts)
	require.Equal(t, workflow.EntrySent, state(gone).State, "accepted; the bounce comes by email")
	require.Equal(t, workflow.EntrySent, state(arna).State, "%v", state(arna).Attempts)
	require.Equal(t, workflow.EntryQueued, state(later).State)
	require.Contains(t, state(later).Attempts[0].Words, "greylisted")
	require.Equal(t, workflow.EntryBuried, state(nobody).State)
	require.Contains(t, state(nobody).Attempts[0].Words, "5.1.1")
	require.Equal(t, workflow.EntryBuried, state(full).State)
	reason := func(n workflow.JobNumber) string {
		b.n = n
		return b.job().Undelivered()[0].Reason
	}
	require.Contains(t, reason(nobody), "does not exist")
	require.Contains(t, reason(full), "mailbox is full")

	// What lies in the Maildir is what was built, in the order of the job, under the entries' Message-IDs.
	require.Eventually(t, func() bool { return len(s.box("maud")) == 2 && len(s.box("arna")) == 1 && len(s.box("desk")) == 1 }, 20*time.Second, 20*time.Millisecond)
	entries, err := b.Store.Entries(t.Context(), b.Svc.Shop.ID, maud)
	require.NoError(t, err)
	ids := map[string]bool{}
	for _, raw := range s.box("maud") {
		l, err := ReadLetter(bytes.NewReader(raw))
		require.NoError(t, err)
		require.NotEmpty(t, l.Text)
		ids["<"+l.ID+">"] = true
	}
	for _, e := range entries[1:] { // the parcel was here before "booked in, please send it" could leave: that is moot
		require.True(t, ids["<"+mail.MessageName(b.Svc, e.ID)+"@bench.example>"], e.ID)
	}

	// The bounce that Postfix wrote is read from the Maildir that it lies in.
	in := &Inbox{Service: b.Svc, Box: Maildir{filepath.Join(s.dir, "mail", "desk")}, Domain: "bench.example", Log: slog.New(slog.DiscardHandler)}
	require.NoError(t, in.Look(t.Context()))
	require.Contains(t, reason(gone), "does not exist")
	require.Equal(t, b.job().Customer.Email.Digest, b.job().DeadAddress)
	require.Empty(t, s.box("desk"), "dealt with")

	// The server goes away and comes back: nothing is lost, and what it had is not sent twice under
	// another name.
	require.NoError(t, syscall.Kill(-s.cmd.Process.Pid, syscall.SIGTERM))
	_ = s.cmd.Wait()
	b.n = maud
	b.do(counter, workflow.SendMessage{Text: "While it was away."})
	flush()
	require.Equal(t, workflow.EntryQueued, state(maud).State)
	require.False(t, d.Health().AwaySince.IsZero())
	s.cmd = exec.Command(s.cmd.Path, s.cmd.Args[1:]...)
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	require.NoError(t, s.cmd.Start())
	require.Eventually(t, func() bool {
		b.clock.Move(time.Minute)
		flush()
		return state(maud).State == workflow.EntrySent
	}, 20*time.Second, 50*time.Millisecond)
	require.Eventually(t, func() bool { return len(s.box("maud")) == 3 }, 20*time.Second, 20*time.Millisecond)
	order := []string{}
	for _, raw := range s.box("maud") {
		m, err := netmail.ReadMessage(bytes.NewReader(raw))
		require.NoError(t, err)
		order = append(order, m.Header.Get("Message-ID"))
	}
	require.Equal(t, "<"+mail.MessageName(b.Svc, state(maud).ID)+"@bench.example>", order[2], "the last one last")
}
