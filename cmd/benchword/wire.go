package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"benchword/notify"
	"benchword/notify/inbox"
	"benchword/notify/mail"
	"benchword/notify/push"
	"benchword/portal"
	"benchword/portal/api"
	"benchword/portal/counter"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/evidence"
	"benchword/workflow/history"
	"benchword/workflow/link"
	"benchword/workflow/store/redis"
	"benchword/workflow/store/sqlite"
)

// Every part is held to the contracts of those who use it here, where all of them are in sight.
var (
	_ workflow.Store = (*sqlite.Store)(nil)
	_ workflow.Store = sharedStore{}
	_ mail.Composer  = (*mail.Writer)(nil)
	_ mail.Transport = (*mail.SMTP)(nil)
)

// core is an opened shop: its store, its photos, and the domain over them.
type core struct {
	store   workflow.Store
	blobs   evidence.Blobs
	service *workflow.Service
}

const (
	keysName   = "link.keys"
	photosName = "photos"
)

// openCore opens a shop for a command that may run beside a server.
func openCore(ctx context.Context, where StoreSettings, shop *workflow.Shop, data string) (c *core, err error) {
	store, err := where.open(ctx, data, false)
	if err != nil {
		return nil, plain(err)
	}
	defer closeOnError(store, &err)
	return newCore(ctx, shop, data, store, where, time.Now(), newCommons())
}

// closeOnError closes what was opened if the rest of opening failed; its error is joined to that.
func closeOnError(opened io.Closer, err *error) {
	if *err != nil {
		*err = errors.Join(*err, opened.Close())
	}
}

// newCore makes the core over a store, which stays the caller's to close.
func newCore(ctx context.Context, shop *workflow.Shop, data string, store workflow.Store, where StoreSettings, now time.Time, common *commons) (*core, error) {
	links, err := linkKeys(ctx, store, shop.ID, filepath.Join(data, keysName), now)
	if err != nil {
		return nil, err
	}
	blobs, err := where.photosFrom(ctx, data, common)
	if err != nil {
		return nil, err
	}
	return &core{store: store, blobs: blobs, service: workflow.Service{
		Shop: shop, Links: links, Now: time.Now, Random: rand.Reader, Log: slog.Default(),
	}.On(store)}, nil
}

// keyFile reads the keys that links are made with, and makes one where there is no file. The file is as secret as
// the links are, and belongs into every backup: without it, emails can't be repeated.
func keyFile(path string, number uint16) (*link.Maker, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err == nil {
		key, err := link.NewKey(rand.Reader, number)
		if err == nil {
			_, err = io.WriteString(f, key.Text()+"\n")
		}
		if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
			return nil, fmt.Errorf("the link keys can't be written: %w", err)
		}
	} else if !errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("the link keys can't be made: %w", err)
	}
	if f, err = os.Open(path); err != nil {
		return nil, fmt.Errorf("the link keys can't be read: %w", err)
	}
	defer f.Close()
	keys, err := link.ReadKeys(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return link.NewMaker(keys...)
}

// server is everything of a running shop, built and stopped in order.
type server struct {
	*core
	desk       *evidence.Desk
	pictures   *evidence.Workers
	alone      bool // nobody shares them
	portal     *portal.Server
	dispatcher *notify.Dispatcher
	channels   channels
	transport  *mail.SMTP
	waker      *waker
	forecaster *history.Forecaster
	renewer    *renewer
	shared     *redis.Store // nil where this process is alone
	roles      roles
	inbox      *inbox.Inbox // nil where nothing is read
	metrics    *metrics
	metricsAt  string
	work       sync.WaitGroup // what goes on beside answering
	listener   net.Listener
	log        *slog.Logger
}

// parts is what build takes beyond the settings.
type parts struct {
	shop      *workflow.Shop
	data      string
	transport *mail.SMTP
	mail      MailSettings
	inbox     InboxSettings
	hooks     []HookSettings
	// words are what customers read; nil means the usual texts.
	words *locale.Set
	// erased names the list of who was erased, "" for the one in the data folder.
	erased string
	web    WebSettings
	// secondFactor says of whom one is demanded, "" of nobody.
	secondFactor string
	log          *slog.Logger
	now          func() time.Time
	store        StoreSettings
	// common is what this shop shares with the others of the process; nil where it is the only one.
	common *commons
	// roles are what this process is for; none means everything.
	roles roles
	// newKeys makes link keys for a shop that has lost its own.
	newKeys bool
	// ask is how often one address may try what can be guessed; 0 means the portal's usual.
	ask int
}

// build opens the folder and puts the parts together; nothing runs yet.
func build(ctx context.Context, p parts) (s *server, err error) {
	if p.common == nil {
		p.common = newCommons()
	}
	store, err := p.common.store(ctx, p.store, p.data)
	if err != nil {
		return nil, plain(err)
	}
	defer closeOnError(store, &err)
	if p.now == nil {
		p.now = time.Now
	}
	if p.roles == (roles{}) {
		p.roles = roles{portal: true, notifier: true}
	}
	if why, err := store.Held(ctx, p.shop.ID); err != nil || why != "" {
		if err == nil {
			err = fmt.Errorf("this shop can't be run from here: %s To run it here all the same: benchword move --release", why)
		}
		return nil, plain(err)
	}
	if p.newKeys {
		if err := newLinkKeys(ctx, store, p.shop.ID, filepath.Join(p.data, keysName), p.now()); err != nil {
			return nil, plain(err)
		}
	}
	photosGone, err := photosGone(ctx, p, store)
	if err != nil {
		return nil, plain(err)
	}
	h, err := newCore(ctx, p.shop, p.data, store, p.store, p.now(), p.common)
	if err != nil {
		return nil, err
	}
	for _, path := range []string{p.data, filepath.Join(p.data, keysName)} {
		if f, err := os.Stat(path); err == nil && f.Mode().Perm()&0o077 != 0 {
			p.log.Warn("other users of this machine may read what the shop keeps; take that right from them: chmod go= "+path, "mode", fmt.Sprintf("%04o", f.Mode().Perm()))
		}
	}
	s = &server{core: h, transport: p.transport, log: p.log, roles: p.roles}
	switch store := store.(type) {
	case *sqlite.Store:
		// What a killed server had in hand need not wait for its lease to run out: the folder is ours alone.
		if err := store.ReleaseLeases(ctx, p.shop.ID); err != nil {
			return nil, err
		}
	case sharedStore:
		s.shared = store.Store
		d := store.Durability()
		p.log.Info("the store is shared", "version", d.Version, "disk", d.Disk, "replicas", d.Replicas)
	}
	if p.shop.Catalogue != nil {
		for _, note := range p.shop.Catalogue.Notes {
			p.log.Warn("the shop's own catalogue holds, but should be changed", "where", note)
		}
	}
	h.service.Now = p.now
	h.service.Log = p.log
	set, err := p.common.templates()
	if err != nil {
		return nil, err
	}
	mails := &mail.Writer{Service: h.service, Templates: set, Words: p.words, Photos: h.blobs, From: p.mail.From, Log: p.log, Copies: p.common.copies}
	if mails.Signers, err = p.mail.signers(); err != nil {
		return nil, err
	}
	s.dispatcher = notify.New(notify.Config{
		Service: h.service, Channel: &mail.Channel{Composer: mails, Transport: p.transport, PerDomain: p.mail.PerDomain},
		Log: p.log, PerMinute: p.mail.PerMinute,
		Tried: func(e *workflow.Entry, f notify.Fate, took time.Duration) { s.metrics.tried(e, f, took) },
	})
	pushKey, err := push.OpenKey(ctx, h.service)
	if err != nil {
		return nil, err
	}
	if s.channels, err = openChannels(h.service, p.hooks, &push.Pushes{Service: h.service, Writer: mails, Key: pushKey}, p.log, func(e *workflow.Entry, f notify.Fate, took time.Duration) { s.metrics.tried(e, f, took) }); err != nil {
		return nil, err
	}
	s.metrics, s.metricsAt = newMetrics(h.service), p.web.Metrics
	s.metrics.dispatcher = s.dispatcher.Health
	s.waker = newWaker(h.service, p.log)
	s.forecaster = &history.Forecaster{Service: h.service}
	h.service.Risk = s.forecaster.Risk
	s.renewer = newRenewer(s.forecaster, h.service.Now, p.log, p.common.renewing)
	if s.shared != nil && p.store.PackDays > 0 {
		s.waker.pack = func(ctx context.Context) (int, error) {
			return s.shared.Pack(ctx, p.shop.ID, p.now().AddDate(0, 0, -p.store.PackDays), packedAtOnce)
		}
	}
	s.desk, s.pictures, s.alone = p.common.desk.For(h.blobs), p.common.pictures, !p.common.many
	if s.alone {
		s.metrics.registry.MustRegister(workersEnded(s.pictures))
	}
	h.service.Pictures = s.desk
	if s.inbox, err = p.inbox.inbox(); err != nil {
		return nil, err
	}
	if s.inbox != nil {
		s.inbox.Service, s.inbox.Desk, s.inbox.Words, s.inbox.Log = h.service, s.desk, p.words, p.log
		if s.inbox.Domain, err = mails.MessageDomain(); err != nil {
			return nil, err
		}
	}
	s.portal, err = portal.New(portal.Config{
		Service: h.service, Photos: s.desk, Templates: set, Words: p.words, Log: p.log, TrustedProxies: p.web.Proxies,
		Version: version(), Health: s.health, Ask: p.ask, AskFor: 10 * time.Minute,
		Forecast: s.forecaster.Forecast, Common: p.common.portal, PushKey: pushKey.Public(), SecondFactor: p.secondFactor,
		Shared: s.shared != nil, HealthOnly: !p.roles.portal,
		Troubles: func() (out []string) {
			if photosGone != "" {
				out = append(out, photosGone)
			}
			if s.shared != nil && s.shared.Durability().Unfit != "" {
				out = append(out, s.shared.Durability().Unfit)
			}
			return out
		},
	})
	if err != nil {
		return nil, err
	}
	s.forecaster.Renewed = s.portal.Renewed
	h.service.Kept = append(s.portal.Kept(), workflow.Kept{What: "photos in emails", Drop: func(_ context.Context, n workflow.JobNumber) error {
		p.common.copies.Drop(p.shop.ID, n)
		return nil
	}})
	h.service.Forgotten = &erasedList{path: cmp.Or(p.erased, filepath.Join(p.data, erasedName))}
	if err := h.service.ForgetAgain(ctx); err != nil {
		return nil, fmt.Errorf("who was erased can't be looked up: %w", plain(err))
	}
	if p.roles.portal {
		samples := &sampler{service: h.service, set: set, from: p.mail.From}
		if err := counter.Mount(s.portal, counter.Config{PreviewMail: mails.Preview, SampleMail: samples.mail, SampleJob: samples.job}); err != nil {
			return nil, err
		}
		api.Mount(s.portal)
	}
	h.service.Committed = func(j *workflow.Job, notices int) {
		s.portal.Committed(j)
		s.wake(notices)
	}
	return s, nil
}

// photosGone says that the folder of the photos is not there although the shop has jobs, "" where it is as it should be.
func photosGone(ctx context.Context, p parts, store workflow.Store) (string, error) {
	if _, err := os.Stat(filepath.Join(p.data, photosName)); p.store.Photos != "" || !errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	counts, err := store.Counts(ctx, p.shop.ID)
	if err != nil || len(counts) == 0 {
		return "", err
	}
	p.log.Error("the folder of the photos was not there, so an empty one was made: what jobs name is missing", "folder", filepath.Join(p.data, photosName))
	return "When the server was started, the folder of the photos wasn’t there, so customers see none of the photos from before. Put the folder “" + photosName + "” back into the data folder from where it was moved to, or from a backup, and start the server again.", nil
}

// wake wakes whoever may have something to do after a commit.
func (s *server) wake(notices int) {
	if notices > 0 {
		s.dispatcher.Wake()
		s.channels.wake()
	}
	s.waker.wake()
	s.renewer.note()
}

// run answers until ctx ends, then stops in order: no new requests, live pages closed, requests under
// way answered, mails under way settled, the database closed.
func (s *server) run(ctx context.Context, l net.Listener) error {
	s.listener = l
	work, stopWork := context.WithCancel(context.WithoutCancel(ctx))
	defer stopWork()
	if s.metricsAt != "" {
		exporter, err := serveMetrics(s.metricsAt, s.metrics.handler())
		if err != nil {
			return errors.Join(err, l.Close(), s.end())
		}
		defer exporter.Close()
	}
	s.begin(work)
	if s.shared != nil {
		s.work.Go(func() { watch(work, s.shared, s.log, s) })
	}
	failed := make(chan error, 1)
	go func() { failed <- s.portal.Serve(l) }()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
		s.log.Info("stopping")
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
		err = s.portal.Shutdown(stop)
		cancel()
	}
	stopWork()
	return errors.Join(err, s.end())
}

// begin sets going what a shop does beside answering, until ctx ends.
func (s *server) begin(ctx context.Context) {
	if s.roles.notifier {
		s.work.Go(func() { s.dispatcher.Run(ctx) })
		for _, d := range s.channels {
			s.work.Go(func() { d.Run(ctx) })
		}
		s.work.Go(func() {
			if err := s.service.Upkeep(ctx); err != nil && ctx.Err() == nil {
				s.log.Error("what an earlier version left of erased people could not all be removed; it is tried again at the next start", "cause", err)
			}
			s.waker.run(ctx)
		})
		if s.inbox != nil {
			s.work.Go(func() { s.inbox.Run(ctx) })
		}
	}
	s.work.Go(func() { s.renewer.run(ctx) }) // pages tell it, and the clock asks it
}

// end waits for what was begun, and closes the shop.
func (s *server) end() error {
	s.work.Wait()
	if s.alone {
		s.pictures.Close()
	}
	return errors.Join(s.transport.Close(), s.store.Close())
}

// watch tells servers on one shared store of each other's commits, and of those of other processes, until
// ctx ends; and it looks how the store keeps them, after each time that it was away and every hour.
func watch(ctx context.Context, store *redis.Store, log *slog.Logger, servers ...*server) {
	back := make(chan struct{}, 1)
	var inspecting sync.WaitGroup
	inspecting.Go(func() { inspect(ctx, store, back, time.Hour, log) })
	defer inspecting.Wait()
	of, shops := map[workflow.ShopID]*server{}, []workflow.ShopID{}
	for _, s := range servers {
		shop := s.service.Shop.ID
		of[shop], shops = s, append(shops, shop)
	}
	store.Watch(ctx, func(shop workflow.ShopID, c redis.Change) {
		of[shop].portal.Changed(c.Job, c.Version)
		of[shop].wake(c.Notices)
	}, func(shop workflow.ShopID) {
		select {
		case back <- struct{}{}:
		default:
		}
		of[shop].portal.Missed()
		of[shop].wake(1)
	}, shops...)
}

// inspect logs what is to be changed about a store's settings, anew when it has changed.
func inspect(ctx context.Context, store *redis.Store, back <-chan struct{}, every time.Duration, log *slog.Logger) {
	var said redis.Durability
	for {
		now := store.Durability()
		if now.Unfit != said.Unfit && now.Unfit != "" {
			log.Error("the store can't be relied on any more", "why", now.Unfit)
		}
		if !slices.Equal(now.Warnings, said.Warnings) {
			for _, w := range now.Warnings {
				log.Warn(w)
			}
		}
		said = now
		select {
		case <-ctx.Done():
			return
		case <-back:
		case <-time.After(every):
		}
		_ = store.Look(ctx) // where it is away, every request says so
	}
}

// health says what a health page should, and fails where the shop can't do its work.
func (s *server) health(ctx context.Context) (map[string]string, error) {
	out := map[string]string{"time_zone_data": calendar.ZoneDataVersion()}
	if s.shared != nil {
		if err := s.shared.Ping(ctx); err != nil {
			out["database"] = "not answering"
			if errors.Is(err, redis.ErrEmptied) {
				out["database"] = "emptied, or another"
			}
			return out, err
		}
		if unfit := s.shared.Durability().Unfit; unfit != "" {
			out["database_settings"] = unfit
		}
	}
	if _, err := s.store.NextWake(ctx, s.service.Shop.ID); err != nil {
		out["database"] = "not answering"
		return out, err
	}
	if t := s.service.Trouble(ctx); t != nil {
		out["database"] = "takes no changes since " + t.Since.UTC().Format(time.RFC3339) + ": " + t.Words()
		return out, t.Cause
	}
	out["database"] = "ok"
	ended := s.pictures.Ended()
	for i, n := range ended {
		if n > 0 {
			out["pictures_ended_by_"+evidence.Endings[i]] = strconv.FormatInt(n, 10) // it was refused; nothing is lost
		}
	}
	if !s.roles.notifier {
		return out, nil
	}
	failing, err := s.service.Failing(ctx, workflow.Effects)
	if err != nil {
		return out, err
	}
	if failing != nil { // it is tried again for ever, and the outbox page says of which job
		out["photos"] = "what was to be removed could not be since " + failing.MadeAt.UTC().Format(time.RFC3339)
	}
	out["mail"] = "ok"
	if h := s.dispatcher.Health(); !h.AwaySince.IsZero() {
		// Mails wait and lose nothing meanwhile, so this makes the page not red.
		out["mail"] = "the mail server has been away since " + h.AwaySince.UTC().Format(time.RFC3339)
	}
	return out, nil
}
