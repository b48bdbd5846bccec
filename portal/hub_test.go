package portal

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

func TestHub(t *testing.T) {
	h := newHub(newOpenPages())
	a, leaveA := h.subscribe("A")
	b, leaveB := h.subscribe("A")
	other, leaveOther := h.subscribe("B")
	for v := int64(1); v <= 5; v++ {
		h.publish("A", v) // nobody fetches: it must not wait
	}
	require.EqualValues(t, 5, <-a, "the newest is held")
	require.EqualValues(t, 5, <-b)
	require.Empty(t, other)
	leaveA()
	leaveA()
	h.publish("A", 6)
	require.Empty(t, a)
	require.EqualValues(t, 6, <-b)
	require.Equal(t, 2, h.live.all)
	leaveB()
	require.NotContains(t, h.subs, workflow.JobNumber("A"), "nothing is kept of a job that nobody looks at")
	h.publish("A", 7)
	h.close()
	_, open := <-other
	require.False(t, open, "closing ends every reader")
	leaveOther()
	require.Zero(t, h.live.all)
	h.publish("B", 8)
	ch, leave := h.subscribe("A")
	require.Nil(t, ch, "a closed hub takes no more")
	leave()
	h.close()

	full := newHub(newOpenPages())
	full.live.all = maxLive
	ch, _ = full.subscribe("A")
	require.Nil(t, ch)
}

// Readers come and go while others publish: a reader who stays hears the last version.
func TestHubAtOnce(t *testing.T) {
	h := newHub(newOpenPages())
	stays, leave := h.subscribe("A")
	defer leave()
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			for range 200 {
				ch, leave := h.subscribe("A")
				select {
				case <-ch:
				default:
				}
				leave()
			}
		})
	}
	for v := int64(1); v <= 2000; v++ {
		h.publish("A", v)
	}
	all.Wait()
	last := <-stays
	require.EqualValues(t, 2000, last)
	require.Equal(t, 1, h.live.all)
}

// stream is an open live page, as a browser without a browser reads it.
type stream struct {
	conn net.Conn
	in   *bufio.Reader
}

// listen opens a live stream and waits until it stands.
func listen(t testing.TB, address, path string, header ...string) *stream {
	t.Helper()
	c, err := net.Dial("tcp", address)
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(60*time.Second)))
	_, err = io.WriteString(c, "GET "+path+" HTTP/1.1\r\nHost: desk.example\r\nAccept: text/event-stream\r\n"+strings.Join(header, "\r\n")+strings.Repeat("\r\n", min(1, len(header)))+"\r\n")
	require.NoError(t, err)
	s := &stream{c, bufio.NewReader(c)}
	first := s.until("retry: ")
	require.NotEmpty(t, first, "the stream does not stand")
	return s
}

// until reads on to a line that begins so, and returns it; "" at the end of the stream.
func (s *stream) until(begin string) string {
	for {
		l, err := s.in.ReadString('\n')
		if l = strings.TrimSpace(l); strings.HasPrefix(l, begin) {
			return l
		}
		if err != nil {
			return ""
		}
	}
}

// A browser that comes back after a gap is told at once of what it missed, and only then.
func TestLiveResumes(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/live"
	address := d.serve()
	seen := d.job().Version
	d.do(staff, workflow.SendMessage{Text: "Here is news."})
	now := d.job().Version
	id := func(v int64) string { return fmt.Sprintf("id: %d", v) }
	for what, s := range map[string]*stream{
		"by the browser":         listen(t, address, at, fmt.Sprintf("Last-Event-ID: %d", seen)),
		"by the page":            listen(t, address, fmt.Sprintf("%s?v=%d", at, seen)),
		"the browser knows more": listen(t, address, fmt.Sprintf("%s?v=%d", at, 1), fmt.Sprintf("Last-Event-ID: %d", seen)),
		"an odd id":              listen(t, address, fmt.Sprintf("%s?v=%d", at, seen), "Last-Event-ID: none"),
	} {
		require.Equal(t, id(now), s.until("id: "), what)
		require.NoError(t, s.conn.Close())
	}
	upToDate := listen(t, address, at, fmt.Sprintf("Last-Event-ID: %d", now))
	ahead := listen(t, address, fmt.Sprintf("%s?v=%d", at, now+100))
	fresh := listen(t, address, at)
	d.do(staff, workflow.SendMessage{Text: "And more."})
	next := d.job().Version
	for what, s := range map[string]*stream{"up to date": upToDate, "ahead": ahead, "fresh": fresh} {
		require.Equal(t, id(next), s.until("id: "), "%s: the first it hears of is what came after", what)
		require.NoError(t, s.conn.Close())
	}

	require.Equal(t, 404, d.get("/j/"+strings.Repeat("a", 32)+"/live").StatusCode)
	head := d.send(httptest.NewRequest(http.MethodHead, at, nil))
	require.Equal(t, 200, head.StatusCode)
	require.Equal(t, "text/event-stream; charset=utf-8", head.Header.Get("Content-Type"))
	d.do(staff, workflow.RevokeLinks{})
	require.Equal(t, 410, d.get(at).StatusCode)
}

// working counts the goroutines that are inside a function.
func working(in string) int {
	b := make([]byte, 1<<20)
	for n := runtime.Stack(b, true); ; n = runtime.Stack(b, true) {
		if n < len(b) {
			count := 0
			for g := range strings.SplitSeq(string(b[:n]), "\n\n") {
				if strings.Contains(g, in) {
					count++
				}
			}
			return count
		}
		b = make([]byte, 2*len(b))
	}
}

// One link and one network hold so many pages open and no more, whatever else is open; what is closed makes room.
func TestLivePagesOfOneLink(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	address := d.serve()
	at := "/j/" + d.token(link.Own) + "/live"
	var streams []*stream
	for range maxLiveLink {
		streams = append(streams, listen(t, address, at))
	}
	over := "GET " + at + " HTTP/1.1\r\nHost: desk.example\r\n\r\n"
	require.Equal(t, 503, raw(t, address, over).StatusCode)
	d.n = ""
	d.toDiagnosing()
	listen(t, address, "/j/"+d.token(link.Own)+"/live")
	d.s.common.live.perNetwork = maxLiveLink + 1
	require.Equal(t, 503, raw(t, address, "GET /j/"+d.token(link.Own)+"/live HTTP/1.1\r\nHost: desk.example\r\n\r\n").StatusCode)
	d.s.common.live.perNetwork = maxLiveNetwork
	first := d.s.hub.jobs()
	again := func() string { // a stream has no end to be read to
		c, err := net.Dial("tcp", address)
		require.NoError(t, err)
		defer c.Close()
		_, err = io.WriteString(c, over)
		require.NoError(t, err)
		line, err := bufio.NewReader(c).ReadString('\n')
		require.NoError(t, err)
		return line
	}
	require.NoError(t, streams[0].conn.Close())
	version := int64(1000)
	require.Eventually(t, func() bool {
		version++
		for _, n := range first {
			d.s.hub.publish(n, version)
		}
		return strings.Contains(again(), " 200 ")
	}, 60*time.Second, 20*time.Millisecond)
}

// A thousand open pages hear of one change; when their readers have gone, nothing is left of them.
func TestAThousandLivePages(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/live"
	address := d.serve()
	const many = 1000
	live := d.s.common.live
	live.perLink, live.perNetwork = many, many
	open := func() int {
		live.mu.Lock()
		defer live.mu.Unlock()
		return live.all
	}
	streams := make([]*stream, many)
	for i := range streams {
		streams[i] = listen(t, address, at)
	}
	require.Equal(t, many, open())
	d.do(staff, workflow.SendMessage{Text: "Here is news."})
	want := fmt.Sprintf("data: %d", d.job().Version)
	heard := make(chan string, many)
	for _, s := range streams {
		go func() { heard <- s.until("data: ") }()
	}
	late := time.After(60 * time.Second)
	for i := range many {
		select {
		case got := <-heard:
			require.Equal(t, want, got)
		case <-late:
			t.Fatalf("only %d of %d heard of it", i, many)
		}
	}
	require.Equal(t, many, working("portal.(*Server).live."))
	for _, s := range streams {
		require.NoError(t, s.conn.Close())
	}
	// Only writing shows that a reader has gone, and the first write after may still be taken.
	next := d.job().Version
	require.Eventually(t, func() bool {
		next++
		d.s.hub.publish(d.n, next)
		return open() == 0
	}, 60*time.Second, 20*time.Millisecond)
	require.Eventually(t, func() bool { return working("portal.(*Server).live.") == 0 }, 60*time.Second, 20*time.Millisecond, "goroutines are left behind")
}

// Stopping ends the live pages first; a server that waited for them would never stop.
func TestStoppingEndsLivePages(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/live"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	var streams []*stream
	for range 20 {
		streams = append(streams, listen(t, l.Addr().String(), at))
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	require.NoError(t, d.s.Shutdown(ctx))
	require.NoError(t, <-served)
	for _, s := range streams {
		require.Empty(t, s.until("data: "))
		require.NoError(t, s.conn.Close())
	}
	g := d.get(at)
	require.Equal(t, 503, g.StatusCode)
	require.Contains(t, g.body, "Reload it")
}

// slow is a store whose commits wait until they are let go, and tell whether they were called off.
type slow struct {
	workflow.Store
	entered, release chan struct{}
	calledOff        error
}

func (s *slow) Commit(ctx context.Context, c *workflow.Commit) error {
	if s.entered == nil {
		return s.Store.Commit(ctx, c)
	}
	close(s.entered)
	<-s.release
	select {
	case <-ctx.Done():
		s.calledOff = ctx.Err()
	case <-time.After(200 * time.Millisecond): // the server has begun to stop: it would be now
	}
	return s.Store.Commit(ctx, c)
}

// Stopping finishes what was begun: a letter that is being written down is not called off.
func TestStoppingFinishesWhatWasBegun(t *testing.T) {
	first := newDesk(t)
	f := &slow{Store: first.store}
	d := first.with(func(c *Config) { *c.Service = *c.Service.On(f) })
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/message"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	f.entered, f.release = make(chan struct{}), make(chan struct{})
	answered := make(chan int, 1)
	go func() {
		c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		resp, err := c.PostForm("http://"+l.Addr().String()+at, map[string][]string{"text": {"Hello"}})
		if err != nil {
			answered <- 0
			return
		}
		_ = resp.Body.Close()
		answered <- resp.StatusCode
	}()
	<-f.entered
	stopped := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		stopped <- d.s.Shutdown(ctx)
	}()
	require.Eventually(t, func() bool { // no new connection is taken any more
		c, err := net.Dial("tcp", l.Addr().String())
		if err == nil {
			_ = c.Close()
		}
		return err != nil
	}, 30*time.Second, 5*time.Millisecond)
	close(f.release)
	require.Equal(t, 303, <-answered)
	require.NoError(t, f.calledOff)
	require.NoError(t, <-stopped)
	require.NoError(t, <-served)
	require.Len(t, d.job().Messages, 1)
}
