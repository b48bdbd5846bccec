package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/notify/smtptest"

	"github.com/stretchr/testify/require"
)

// town is two shops in one process, for a test: "harbour" at harbour.example and "hillside" at
// hillside.example, each with a mail server and a folder of its own, and one clock. On Redis they are in two
// processes, of which one answers and the other sends.
type town struct {
	t       testing.TB
	stages  []*stage
	redis   string
	ask     int
	log     io.Writer
	proxies []string
	prepare func()   // called before anything is built
	before  func()   // called before anything runs
	all     []*shops // in the order of their roles
	addr    string   // where pages are answered
}

func newTown(t testing.TB, ask int, redis string, with ...func(*town)) *town {
	w := &town{t: t, redis: redis, ask: ask, log: io.Discard}
	for _, do := range with {
		do(w)
	}
	clock := &movedClock{}
	clock.set(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
	for range 2 {
		s := &stage{t: t, clock: clock, data: t.TempDir(), tokens: map[string]string{}, town: w}
		var err error
		s.post, err = smtptest.Start(smtptest.Config{})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.post.Close()) })
		w.stages = append(w.stages, s)
	}
	if w.prepare != nil {
		w.prepare()
	}
	w.start()
	t.Cleanup(func() { require.NoError(t, w.stages[0].stop()) })
	return w
}

// start builds and runs the processes; after stop it can be called again.
func (w *town) start() {
	doing := []roles{{true, true}}
	if w.redis != "" {
		doing = []roles{{portal: true}, {notifier: true}}
	}
	var listeners []net.Listener
	for range doing {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(w.t, err)
		listeners = append(listeners, l)
	}
	w.addr = listeners[0].Addr().String()
	_, port, err := net.SplitHostPort(w.addr)
	require.NoError(w.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	w.all = nil
	for _, r := range doing {
		var members []*member
		for i, id := range []string{"harbour", "hillside"} {
			s := w.stages[i]
			s.base = "http://" + id + ".example:" + port
			settings := strings.Replace(fmt.Sprintf(demoSettings, s.base), `id = "harbour"`, `id = "`+id+`"`, 1) + "host = \"127.0.0.1\"\n[staff]\nsecond_factor = \"nobody\"\n"
			if w.redis != "" {
				settings += "[store]\nurl = \"" + w.redis + "\"\n"
			}
			m := &member{config: id, data: s.data, text: []byte(settings)}
			m.read(r)
			require.NoError(w.t, m.mistake)
			m.parts.transport = &mail.SMTP{Host: "127.0.0.1", Port: s.post.Port(), Encryption: mail.Plain}
			members = append(members, m)
		}
		require.NoError(w.t, distinct(members))
		x := &shops{roles: r, log: loggerTo(w.log), now: w.stages[0].clock.now, ask: w.ask, proxies: w.proxies}
		require.NoError(w.t, openShops(ctx, members, x))
		require.Len(w.t, x.open, 2)
		w.all = append(w.all, x)
	}
	for i, s := range w.stages {
		s.portals, s.srv = []*server{w.all[0].open[i]}, w.all[len(w.all)-1].open[i]
		s.notifiers = []*server{s.srv}
		s.hire()
	}
	if w.before != nil {
		w.before()
	}
	done := make(chan error, len(w.all))
	for i, x := range w.all {
		go func() { done <- x.run(ctx, listeners[i], "") }()
	}
	stopped := false
	stop := func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		var errs []error
		for range w.all {
			errs = append(errs, <-done)
		}
		return errors.Join(errs...)
	}
	for _, s := range w.stages {
		s.stop = stop
	}
}

func loggerTo(w io.Writer) *slog.Logger { return slog.New(slog.NewTextHandler(w, nil)) }
