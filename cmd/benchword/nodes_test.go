package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
)

// nodes is a stage of two portals and two notifiers, with a job that has been received and promised.
func nodes(t testing.TB, with ...func(*stage)) *story {
	r := redistest.Start(t)
	with = append([]func(*stage){func(s *stage) { s.redis = r.URL() }}, with...)
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	s := &story{stage: newStageAsking(t, 0, with...), jar: jar}
	for _, l := range []string{
		"clock 2026-11-02 09:00",
		"post /book cell=no kind='film scanner' maker=Quillon model=F2 fault='Hums, then stops.' name='Mira Osei' email=mira@post.example address='4 Quay Row'",
		"mail mira@post.example 'Your device'",
		`act bench contents '{"items":[{"text":"Film scanner","device":true}],"serial":"Q2-1"}'`,
		`act bench screening '{"screening":{"lithium":"no","cell_damaged":"no","mains":"yes","liquid":"no"}}'`,
		"photo bench arrival parcel-dented",
		`act bench move '{"to":"received"}'`,
		"mail mira@post.example 'film scanner'",
	} {
		w, err := split(l)
		require.NoError(t, err)
		require.NoError(t, s.play(w, nil), l)
	}
	return s
}

// look returns the path of the customer's page.
func (s *story) look() string {
	found := linkIn.FindString(s.mail.Text)
	require.NotEmpty(s.t, found)
	return found[strings.Index(found, "/j/"):]
}

func status(t testing.TB, url string) (int, string) {
	t.Helper()
	resp, err := http.Get(url)
	require.NoError(t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(b)
}

// Live pages at one portal hear of what was done at the other. A portal that is cut off from the store says
// so, and when it is back, its open pages hear of what they have missed.
func TestACutOffPortalComesBack(t *testing.T) {
	var wire *redistest.Proxy
	s := nodes(t, func(s *stage) {
		s.redisOf = func(node int) string {
			if node != 1 {
				return s.redis
			}
			if wire == nil {
				wire = redistest.NewProxy(t, strings.TrimSuffix(strings.TrimPrefix(s.redis, "redis://"), "/0"))
			}
			return wire.URL()
		}
	})
	second := s.bases[1]
	c, err := net.Dial("tcp", strings.TrimPrefix(second, "http://"))
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(60*time.Second)))
	_, err = io.WriteString(c, "GET "+s.look()+"/live HTTP/1.1\r\nHost: "+strings.TrimPrefix(second, "http://")+"\r\n\r\n")
	require.NoError(t, err)
	in := bufio.NewReader(c)
	until := func(text string) {
		t.Helper()
		for {
			l, err := in.ReadString('\n')
			require.NoError(t, err)
			if strings.HasPrefix(l, text) {
				return
			}
		}
	}
	until("retry: ")
	say := func(text string) {
		t.Helper()
		_, err := s.portals[0].service.Do(context.Background(), workflow.Order{
			Job: workflow.JobNumber(s.job), By: workflow.Actor{Role: workflow.RoleCounter, ID: "ada"}, Commands: []workflow.Command{workflow.SendMessage{Text: text}},
		})
		require.NoError(t, err)
	}
	say("The lamp has come.")
	until("event: changed")
	code, page := status(t, second+s.look())
	require.Equal(t, 200, code)
	require.Contains(t, page, "The lamp has come.")

	wire.Cut()
	require.Eventually(t, func() bool { code, _ := status(t, second+"/readyz"); return code == 503 }, 30*time.Second, 5*time.Millisecond)
	code, page = status(t, second+s.look())
	require.Equal(t, 503, code)
	require.Contains(t, page, "Nothing is lost")
	code, _ = status(t, second+"/livez")
	require.Equal(t, 200, code)
	code, _ = status(t, s.bases[0]+"/readyz")
	require.Equal(t, 200, code)
	say("It is in, and works.")

	wire.Mend()
	until("event: changed")
	require.Eventually(t, func() bool { code, _ := status(t, second+"/readyz"); return code == 200 }, 30*time.Second, 5*time.Millisecond)
	code, page = status(t, second+s.look())
	require.Equal(t, 200, code)
	require.Contains(t, page, "It is in, and works.")
}

// Both notifiers wake at the same moment: what the clock does to a job is done once.
func TestWakeUpsAreHandledOnce(t *testing.T) {
	s := nodes(t)
	s.settle()
	s.clock.set(time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC))
	var all sync.WaitGroup
	for range 2 {
		for _, n := range s.notifiers {
			all.Go(func() {
				if _, err := n.service.WakeDue(context.Background()); err != nil {
					t.Error(err)
				}
			})
		}
	}
	all.Wait()
	events, err := s.srv.store.Events(t.Context(), "harbour", workflow.JobNumber(s.job), 0)
	require.NoError(t, err)
	breaches := 0
	for _, e := range events {
		if _, ok := e.Payload.(*workflow.PromiseBreached); ok {
			breaches++
		}
	}
	require.Equal(t, 1, breaches)
	_, err = workflow.VerifyChain(events)
	require.NoError(t, err)
}

// stopped is a composer that stands still, as a process does that is stopped (SIGSTOP) or whose machine
// sleeps, until it is let go on.
type stopped struct {
	mail.Composer
	entered, goOn chan struct{}
}

func (c *stopped) Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*mail.Message, error) {
	close(c.entered)
	<-c.goOn
	return c.Composer.Compose(ctx, j, e)
}

// A notifier that is stopped with a mail in its hands wakes after its lease has run out, and after another
// one has sent that mail: it sends nothing, and can't settle what is not its own any more.
func TestAStoppedNotifierSendsNothingTwice(t *testing.T) {
	r := redistest.Start(t)
	var hands []*server
	s, data := newStage(t), t.TempDir()
	node := func(data string) (*server, error) {
		return build(t.Context(), parts{
			shop: s.srv.service.Shop, data: data, now: s.clock.now, mail: MailSettings{From: "bench@harbour.example"}, log: s.srv.log,
			transport: s.srv.transport, store: StoreSettings{URL: r.URL()}, roles: roles{notifier: true},
		})
	}
	for range 2 {
		n, err := node(data)
		require.NoError(t, err)
		hands = append(hands, n)
		t.Cleanup(func() { _ = n.store.Close() })
	}
	// One with link keys of its own would mail links that open nothing with the others.
	_, err := node(t.TempDir())
	require.ErrorContains(t, err, "copy the file link.keys from a backup, or from another server of this shop")
	set, err := templates.Load()
	require.NoError(t, err)
	a, b := hands[0], hands[1]
	slow := &stopped{&mail.Writer{Service: a.service, Templates: set, Photos: a.blobs, From: "bench@harbour.example", Log: a.log}, make(chan struct{}), make(chan struct{})}
	first := notify.New(notify.Config{Service: a.service, Channel: &mail.Channel{Composer: slow, Transport: a.transport}, Random: rand.Reader})
	_, err = a.service.Do(t.Context(), workflow.Order{By: workflow.Actor{Role: workflow.RoleCustomer}, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Language: "en"}, Kind: "film scanner", Fault: "Hums.",
	}}})
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- first.Flush(context.Background()) }()
	<-slow.entered
	require.NoError(t, b.dispatcher.Flush(t.Context()))
	require.Empty(t, s.post.Mails(), "it is leased")
	s.clock.set(s.clock.now().Add(time.Hour))
	require.NoError(t, b.dispatcher.Flush(t.Context()))
	require.Len(t, s.post.Mails(), 1)
	close(slow.goOn)
	require.NoError(t, <-done)
	require.Len(t, s.post.Mails(), 1)
	sent, err := b.store.EntriesIn(t.Context(), "harbour", workflow.EntrySent, 10)
	require.NoError(t, err)
	require.Len(t, sent, 1)
	require.Len(t, sent[0].Attempts, 1)
}
