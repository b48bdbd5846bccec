package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"benchword/portal"
	"benchword/workflow/calendar"
	"benchword/workflow/store/redis"

	"github.com/BurntSushi/toml"
	"github.com/prometheus/client_golang/prometheus"
)

// Many shops in one process are a folder. Each folder in it that holds a shop.toml is a shop, whole as it
// is when it runs alone: its settings, the files that they name beside them, and its data in "data". How
// all are reached is in deployment.toml, which holds the table [web] and may be missing.
//
// # Decisions
//
//   - 2026-11-27: A shop among many is a whole shop. Each has its server, store and settings as if it were
//     alone, and [portal.Hosts] passes each request to one of them; nothing below that knows of another shop,
//     so nothing there has to ask whose a row is. What is bounded is bounded once (commons, [portal.Common]):
//     kept pages, drawn photos, decoding, passwords being checked, networks counted, forecasts being made.
//     Rejected: one set of handlers that looks the shop up with each request, where one that forgets to is a
//     leak; and DIR/NAME.toml, which a shop's words.toml beside it would be taken for.
//   - 2026-11-27: One shop's mistake closes that shop and no other: a machine that restarts at night must not
//     leave hundreds of shops down because one was being edited. What leaves open whose a thing is (one id,
//     host, folder or mailbox twice) refuses them all; --check is for before the restart. Rejected: refusing
//     all; and reading settings again while running, which saves two seconds and costs a second way into
//     every state.
const (
	deploymentName = "deployment.toml"
	settingsName   = "shop.toml"
	dataName       = "data"
)

// member is one shop of a deployment, as its settings say; nothing of it is open.
type member struct {
	config, data string
	text         []byte
	id, host     string // as far as they can be read
	settings     *Settings
	parts        parts
	// mistake says what is wrong with the settings; the shop stays closed.
	mistake error
}

// line names where a setting stands.
func (m *member) line(key string) string {
	return fmt.Sprintf("%s, line %d", m.config, lineOf(m.text, key))
}

// readShops reads the settings of all shops of a folder, in the order of their names. The error is for
// what leaves open which shop is whose: no shop at all, or two that claim the same.
func readShops(dir string, r roles) ([]*member, error) {
	found, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("the folder of the shops can't be read: %w", err)
	}
	var all []*member
	for _, f := range found {
		m := &member{config: filepath.Join(dir, f.Name(), settingsName), data: filepath.Join(dir, f.Name(), dataName)}
		m.text, err = os.ReadFile(m.config)
		switch {
		case strings.HasPrefix(f.Name(), "."), errors.Is(err, fs.ErrNotExist), err != nil && !f.IsDir():
			continue
		case err != nil:
			return nil, fmt.Errorf("the settings file can't be read: %w", err)
		}
		m.read(r)
		all = append(all, m)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s holds no shop: put each into a folder of its own, as %s", dir, filepath.Join(dir, "harbour", settingsName))
	}
	return all, distinct(all)
}

// read reads the settings. Of settings with a mistake it reads what tells whose host it is.
func (m *member) read(r roles) {
	m.settings, m.mistake = ParseSettings(m.config, m.text)
	if m.mistake == nil && m.settings.reached {
		m.mistake = fmt.Errorf("%s: how the shops are reached is set for all of them: move web into %s beside their folders", m.line("web"), deploymentName)
	}
	if m.mistake == nil {
		m.parts, m.mistake = m.settings.parts(m.config, r)
		m.parts.data = m.data
	}
	var brief struct {
		Shop struct {
			ID      string
			BaseURL string `toml:"base_url"`
		}
	}
	if _, err := toml.NewDecoder(bytes.NewReader(m.text)).Decode(&brief); err == nil {
		m.id, m.host = brief.Shop.ID, portal.HostOf(brief.Shop.BaseURL)
	}
}

// distinct reports which shops claim the same: what is one shop's must not come into another's hands.
func distinct(all []*member) error {
	var errs []error
	for _, claim := range []struct {
		what, key string
		of        func(m *member) string
	}{
		{"the id %q", "shop.id", func(m *member) string { return m.id }},
		{"the host %s", "shop.base_url", func(m *member) string { return m.host }},
		{"the data folder %s", "shop", func(m *member) string { return realPath(m.data) }},
		{"the mailbox %s", "inbox", readsFrom},
	} {
		had := map[string]*member{}
		for _, m := range all {
			v := claim.of(m)
			if v == "" {
				continue
			}
			if first := had[v]; first != nil {
				errs = append(errs, fmt.Errorf("%s and %s: both shops have "+claim.what+"; give one of them another", first.line(claim.key), m.line(claim.key), v))
				continue
			}
			had[v] = m
		}
	}
	return errors.Join(errs...)
}

// realPath returns where a path leads, as far as it is there.
func realPath(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	} else if dir, err := filepath.EvalSymlinks(filepath.Dir(path)); err == nil {
		path = filepath.Join(dir, filepath.Base(path))
	}
	if whole, err := filepath.Abs(path); err == nil {
		path = whole
	}
	return path
}

// readsFrom names the mailbox that a shop reads, "" for none.
func readsFrom(m *member) string {
	if m.settings == nil {
		return ""
	}
	switch in := m.settings.Inbox; {
	case in.Maildir != "":
		return realPath(in.Maildir)
	case in.Host != "":
		return strings.ToLower(in.User+"@"+in.Host) + "/" + in.Folder
	}
	return ""
}

// readDeployment reads how the shops of a folder are reached.
func readDeployment(dir string) (WebSettings, error) {
	path := filepath.Join(dir, deploymentName)
	text, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return WebSettings{}, fmt.Errorf("the settings file can't be read: %w", err)
	}
	s := deployment{Web: usualWeb}
	_, err = checked(path, text, &s)
	return s.Web, err
}

// deployment is deployment.toml.
type deployment struct {
	Web WebSettings `toml:"web"`
}

// shops are the shops of a deployment in one process.
type shops struct {
	common   *commons
	hosts    *portal.Hosts
	registry *prometheus.Registry
	roles    roles
	log      *slog.Logger
	now      func() time.Time // nil: the machine's
	proxies  []string
	ask      int

	mu   sync.Mutex
	open []*server
	away []*member // whose data could not be opened
	work sync.WaitGroup
}

// openShops opens every shop that can be. One that can't is told in the log and closed for now: its host
// says so, and all others work.
func openShops(ctx context.Context, all []*member, s *shops) error {
	s.common = newCommons()
	s.common.many = true
	s.registry = prometheus.NewRegistry()
	s.registry.MustRegister(workersEnded(s.common.pictures))
	if s.now == nil {
		s.now = time.Now
	}
	s.hosts = portal.NewHosts(portal.HostsConfig{Log: s.log, Now: s.now, Version: version()})
	var right []*member
	for _, m := range all {
		if m.mistake == nil {
			right = append(right, m)
			continue
		}
		s.log.Error("a shop is closed: its settings are wrong", "cause", m.mistake)
		s.hosts.Shut(m.host)
	}
	causes := s.try(ctx, right)
	if len(s.open) == 0 {
		for _, m := range all {
			causes = append(causes, m.mistake)
		}
		return errors.Join(errors.Join(causes...), s.common.close())
	}
	return nil
}

// openAtOnce is how many shops are opened at the same time: what takes long is waiting for disks.
var openAtOnce = 4 * runtime.GOMAXPROCS(0)

// try opens shops, and keeps those that could not be.
func (s *shops) try(ctx context.Context, some []*member) []error {
	servers, causes := make([]*server, len(some)), make([]error, len(some))
	var all sync.WaitGroup
	turn := make(chan struct{}, openAtOnce)
	for i, m := range some {
		turn <- struct{}{}
		all.Go(func() {
			defer func() { <-turn }()
			p := m.parts
			p.common, p.roles, p.now, p.ask, p.web.Proxies = s.common, s.roles, s.now, s.ask, s.proxies
			p.log = s.log.With("shop", m.id)
			servers[i], causes[i] = build(ctx, p)
		})
	}
	all.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.away = nil
	for i, m := range some {
		if causes[i] != nil {
			causes[i] = fmt.Errorf("%s: %w", m.config, causes[i])
			s.log.Error("a shop is closed: its data can't be opened; it is tried again", "shop", m.id, "cause", causes[i])
			s.hosts.Shut(m.host)
			s.away = append(s.away, m)
			continue
		}
		s.open = append(s.open, servers[i])
		servers[i].metrics.register(prometheus.WrapRegistererWith(prometheus.Labels{"shop": m.id}, s.registry))
		s.hosts.Open(servers[i].portal)
	}
	return causes
}

// tryEvery is how often it is tried to open what could not be opened.
const tryEvery = time.Minute

// run answers until ctx ends, then stops in order, as [server.run] does.
func (s *shops) run(ctx context.Context, l net.Listener, metrics string) error {
	if metrics != "" {
		exporter, err := serveMetrics(metrics, metricsHandler(s.registry))
		if err != nil {
			return errors.Join(err, l.Close(), s.end())
		}
		defer exporter.Close()
	}
	work, stopWork := context.WithCancel(context.WithoutCancel(ctx))
	defer stopWork()
	s.begin(work, s.open)
	s.work.Go(func() {
		for wait(work, tryEvery, nil) {
			s.again(work)
		}
	})
	failed := make(chan error, 1)
	go func() { failed <- s.hosts.Serve(l) }()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
		s.log.Info("stopping")
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	err = errors.Join(err, s.hosts.Shutdown(stop))
	cancel()
	stopWork()
	s.work.Wait()
	return errors.Join(err, s.end())
}

// begin sets shops going.
func (s *shops) begin(ctx context.Context, some []*server) {
	on := map[*redis.Store][]*server{}
	for _, x := range some {
		x.begin(ctx)
		if x.shared != nil {
			on[x.shared] = append(on[x.shared], x)
		}
	}
	for store, sharing := range on {
		s.work.Go(func() { watch(ctx, store, s.log, sharing...) })
	}
}

// again tries to open what could not be opened.
func (s *shops) again(ctx context.Context) {
	s.mu.Lock()
	away, had := s.away, len(s.open)
	s.mu.Unlock()
	if len(away) == 0 {
		return
	}
	s.common.forget()
	s.try(ctx, away)
	s.begin(ctx, s.open[had:])
}

// end closes the shops, whose work has been stopped.
func (s *shops) end() error {
	errs := make([]error, len(s.open))
	var all sync.WaitGroup
	for i, x := range s.open {
		all.Go(func() { errs[i] = x.end() })
	}
	all.Wait()
	return errors.Join(append(errs, s.common.close())...)
}

// serveShops runs every shop of a folder.
func serveShops(ctx context.Context, dir string, r roles, check bool, out, errOut io.Writer) error {
	web, err := readDeployment(dir)
	if err != nil {
		return err
	}
	all, err := readShops(dir, r)
	if err != nil {
		return err
	}
	var mistakes []error
	for _, m := range all {
		mistakes = append(mistakes, m.mistake)
	}
	mistakes = slices.DeleteFunc(mistakes, func(err error) bool { return err == nil })
	if check || len(mistakes) == len(all) {
		if len(mistakes) == 0 {
			fmt.Fprintf(out, "The settings of %d shops are right.\n", len(all))
		}
		return errors.Join(mistakes...)
	}
	log := newLog(errOut)
	slog.SetDefault(log)
	l, err := net.Listen("tcp", web.Listen)
	if err != nil {
		return fmt.Errorf("can't listen on %s; is another program there? %w", web.Listen, err)
	}
	s := &shops{roles: r, log: log, proxies: web.Proxies}
	if err := openShops(ctx, all, s); err != nil {
		return errors.Join(err, l.Close())
	}
	log.Info("serving", "shops", len(s.open), "closed", len(all)-len(s.open), "listen", l.Addr().String(), "time_zone_data", calendar.ZoneDataVersion(), "version", version())
	for _, m := range all {
		if m.mistake != nil {
			fmt.Fprintf(out, "closed: %s\n", m.mistake)
		}
	}
	fmt.Fprintf(out, "%d of %d shops answer, on %s\n", len(s.open), len(all), l.Addr())
	return s.run(ctx, l, web.Metrics)
}
