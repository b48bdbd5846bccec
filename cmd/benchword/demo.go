package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/smtptest"
	"benchword/portal"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
	"benchword/workflow/store"
	"benchword/workflow/store/memory"
)

// demoSettings is the demo's shop.toml: an invented shop in Halifax.
const demoSettings = `
[shop]
id = "harbour"
name = "Harbour Bench"
base_url = "%s"
address = ["Harbour Bench", "12 Lower Ropewalk", "Halifax NS", "Canada"]
email = "bench@harbour.example"
phone = "+1 902 555 0100"
about = "Repairs of sound, film and radio equipment, by post"
languages = ["en", "fr", "de", "es"]

[calendar]
time_zone = "America/Halifax"
[calendar.hours]
mon = ["09:00-12:30", "13:00-17:00"]
tue = ["09:00-12:30", "13:00-17:00"]
wed = ["09:00-12:30", "13:00-17:00"]
thu = ["09:00-12:30", "13:00-17:00"]
fri = ["09:00-12:30", "13:00-16:00"]

[money]
currency = "CAD"
prices = "before_tax"
taxes = { hst = "15" }

[promise]
working_days = 10
warranty_days = 180
tests = ["Function", "Electrical safety"]
warn_at_percent = [50, 80]
unanswered_means = "agree"
unanswered_after_working_days = 5

[proof]
names = { Function = { fr = "Fonctionnement", de = "Funktion", es = "Funcionamiento" } }
[[proof.instruments]]
name = "Tester 1"
serial = "T-88"
calibrated = "2026-05-04"
due = "2027-05-04"
[[proof.instruments]]
name = "Meter 2"
serial = "M-2071"
calibrated = "2026-02-16"
due = "2027-02-16"

[[levels]]
key = "standard"
name = "Standard"
names = { fr = "Normal", de = "Normal", es = "Normal" }
working_days = 10
first_look_within_hours = 16
answer_within_hours = 40
[[levels]]
key = "express"
name = "Express"
names = { de = "Eilig", es = "Urgente" }
working_days = 4
price = "35.00"
tax = "hst"
first_look_within_hours = 4
answer_within_hours = 12

[quote]
days = 14
remind_after_working_days = [2, 5]

[mail]
gather_minutes = 0 # a demo shows each mail at once, at night too
quiet = ""
`

// demoShop returns the demo's shop.toml, in a language; its instruments were calibrated some months before today.
func demoShop(base, lang string, today time.Time) (string, error) {
	words, err := demoWords(lang)
	if err != nil {
		return "", err
	}
	languages := append([]string{lang}, slices.DeleteFunc(slices.Clone(locale.Languages), func(l string) bool { return l == lang })...)
	day := func(months int) string { return today.AddDate(0, months, 0).Format(time.DateOnly) }
	return strings.NewReplacer(`"Harbour Bench"`, strconv.Quote(words["shop.name"]), "Halifax NS", words["shop.town"],
		"Repairs of sound, film and radio equipment, by post", words["shop.about"],
		`languages = ["en", "fr", "de", "es"]`, `languages = ["`+strings.Join(languages, `", "`)+`"]`,
		"2026-05-04", day(-5), "2027-05-04", day(7), "2026-02-16", day(-8), "2027-02-16", day(4)).Replace(fmt.Sprintf(demoSettings, base)), nil
}

const demoPassword = "seven gulls over the ropewalk"

// movedClock is a clock that the demo sets while it plays the past, and that then runs.
type movedClock struct {
	at atomic.Pointer[time.Time]
	// still keeps it from running: a test's day does not end while it plays.
	still bool
}

func (c *movedClock) set(t time.Time) { c.at.Store(&t) }

func (c *movedClock) live() {
	if !c.still {
		c.at.Store(nil)
	}
}

func (c *movedClock) now() time.Time {
	if t := c.at.Load(); t != nil {
		return *t
	}
	return time.Now()
}

// demo is the invented shop while its past is played.
type demo struct {
	service    *workflow.Service
	dispatcher *notify.Dispatcher
	blobs      evidence.Blobs
	clock      *movedClock
	today      time.Time
	plays      []*play
	// words are what is said, by language; lang is the one that everybody speaks, "" for each their own; lacks are texts
	// that were asked for and are not there.
	words map[string]map[string]string
	lang  string
	lacks []string
	// toApprove waits for an answer; story has earlier work; before is what the warranty job follows.
	toApprove, story, before *play
	// first is where a picture was kept first.
	first   map[evidence.Digest]evidence.Folder
	keeping sync.Mutex // guards first and lacks
}

func (d *demo) deliver(ctx context.Context) error { return d.dispatcher.Flush(ctx) }

// photo puts one of the illustrations into a job's folder, as if it came from the bench's camera and the desk
// had made its copies.
func (d *demo) photo(ctx context.Context, n workflow.JobNumber, name, lang string) (workflow.Photo, error) {
	p, ok := demophotos.Find(name + ".jpg")
	if !ok {
		return workflow.Photo{}, fmt.Errorf("there is no picture %q", name)
	}
	photo := workflow.Photo{Caption: workflow.Plain(d.say(lang, "photo."+name)), Alt: workflow.Plain(d.say(lang, "photo."+name+".alt"))}
	photo.Copies = workflow.Copies{Large: workflow.Copy{Width: 1600, Height: 1200}, Medium: workflow.Copy{Width: 960, Height: 720}, Small: workflow.Copy{Width: 480, Height: 360}}
	for _, c := range []struct {
		area evidence.Area
		jpeg func() ([]byte, error)
		to   *string
	}{{evidence.Original, p.JPEG, &photo.Original}, {evidence.Shown, p.JPEG, &photo.Large.Digest}, {evidence.Shown, p.Medium, &photo.Medium.Digest}, {evidence.Shown, p.Small, &photo.Small.Digest}} {
		jpeg, err := c.jpeg()
		if err != nil {
			return photo, err
		}
		digest, err := d.put(ctx, evidence.Folder{Shop: d.service.Shop.ID, Job: n, Area: c.area}, jpeg)
		if err != nil {
			return photo, err
		}
		*c.to = string(digest)
	}
	return photo, nil
}

// put keeps a picture. In a demo that leaves nothing behind, a picture that many jobs show is one file.
func (d *demo) put(ctx context.Context, at evidence.Folder, jpeg []byte) (evidence.Digest, error) {
	dir, ok := d.blobs.(*evidence.Dir)
	if !ok || !dir.Fleeting {
		digest, _, err := d.blobs.Put(ctx, at, bytes.NewReader(jpeg))
		return digest, err
	}
	digest := evidence.DigestOf(jpeg)
	d.keeping.Lock()
	defer d.keeping.Unlock()
	if from, there := d.first[digest]; there {
		return digest, dir.Share(from, at, digest)
	}
	_, _, err := dir.Put(ctx, at, bytes.NewReader(jpeg))
	if err == nil {
		d.first[digest] = at
	}
	return digest, err
}

func runDemo(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) (err error) {
	f := flags("demo", errOut)
	listen := f.String("listen", "127.0.0.1:8080", "address to answer on; the mailbox takes the next port")
	lang := f.String("lang", "", "en, fr, de or es: the language of the shop and all of its customers (usual: an English shop, customers of all four)")
	keep := f.String("data", "", "folder to keep the demo's data in (usual: a temporary one, removed at the end)")
	verbose := f.Bool("v", false, "log every request")
	if _, err := parse(f, args); err != nil {
		return err
	}
	if *lang != "" && !slices.Contains(locale.Languages, *lang) {
		return misused("--lang takes one of %s; %q is none", strings.Join(locale.Languages, ", "), *lang)
	}
	began := time.Now()
	l, box, err := twoListeners(*listen)
	if err != nil {
		return err
	}
	base := "http://" + l.Addr().String()
	text, err := demoShop(base, cmp.Or(*lang, "en"), began)
	if err != nil {
		return errors.Join(err, l.Close(), box.Close())
	}
	settings, err := ParseSettings("demo settings", []byte(text))
	if err != nil {
		return errors.Join(err, l.Close(), box.Close())
	}
	shop, err := settings.shop()
	if err != nil {
		return errors.Join(err, l.Close(), box.Close())
	}
	data := *keep
	if data == "" {
		if data, err = os.MkdirTemp("", "benchword-demo-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(data)) }()
	} else if _, err := os.Stat(filepath.Join(data, keysName)); err == nil {
		return fmt.Errorf("%s holds a shop already; the demo wants a folder of its own", data)
	}
	level := slog.LevelError
	if *verbose {
		level = slog.LevelInfo
	}
	log := slog.New(slog.NewTextHandler(errOut, &slog.HandlerOptions{Level: level}))
	post, err := smtptest.Start(smtptest.Config{Name: "mail.demo.example"})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, post.Close()) }()
	host, _, _ := net.SplitHostPort(post.Addr())
	clock := &movedClock{}
	srv, err := build(ctx, parts{
		shop: shop, words: settings.own, data: data, log: log, web: settings.Web, mail: settings.Mail, now: clock.now,
		transport: &mail.SMTP{Host: host, Port: post.Port(), Encryption: mail.Plain, Name: "harbour.example"},
	})
	if err != nil {
		return err
	}
	if photos, ok := srv.blobs.(*evidence.Dir); ok {
		photos.Fleeting = *keep == ""
	}
	d, err := playDemo(ctx, srv, clock, pastJobs, *lang)
	if err != nil {
		return errors.Join(err, srv.store.Close())
	}
	mailbox := &mailbox{post: post, shop: shop.Name}
	go func() { _ = mailbox.serve(box) }()
	defer func() { err = errors.Join(err, mailbox.close()) }()

	if err := d.addresses(ctx, out, base, "http://"+box.Addr().String(), *keep, began); err != nil {
		return errors.Join(err, srv.store.Close())
	}
	return srv.run(ctx, l)
}

// playDemo fills a new shop with the demo's jobs, as they would have come and gone in the weeks before
// today, and that many finished ones before them; all in a language, or each in its customer's. They are played in memory, where nobody looks on, and then
// carried over: only what came of them needs to be on a disk.
func playDemo(ctx context.Context, srv *server, clock *movedClock, past int, lang string) (*demo, error) {
	own, before := memory.New(), memory.New()
	d := &demo{service: apart(srv.service, own), blobs: srv.blobs, clock: clock, lang: lang, words: map[string]map[string]string{}, first: map[evidence.Digest]evidence.Folder{}, today: clock.now().In(srv.service.Shop.Calendar.Location())}
	d.dispatcher = srv.dispatcher.For(d.service)
	for _, l := range locale.Languages {
		var err error
		if d.words[l], err = demoWords(l); err != nil {
			return nil, err
		}
	}
	hired := d.ago(60, 9, 0)
	d.write()
	var staff, earlier, lately error
	var work sync.WaitGroup
	work.Go(func() { staff = addDemoStaff(ctx, srv.service, hired) })
	work.Go(func() { earlier = d.playPast(ctx, apart(srv.service, before), past) })
	lately = d.run(ctx)
	work.Wait()
	if err := errors.Join(staff, earlier, lately); err != nil {
		return nil, err
	}
	for _, s := range []*memory.Store{before, own} {
		if err := store.Each(ctx, s, srv.service.Shop.ID, func(p *workflow.Part) error { return srv.store.In(ctx, srv.service.Shop.ID, p) }); err != nil {
			return nil, err
		}
	}
	d.service = srv.service
	return d, srv.forecaster.Renew(ctx, clock.now())
}

// apart returns a shop's service on another store, where nobody is told of commits.
func apart(s *workflow.Service, store workflow.Store) *workflow.Service {
	c := s.On(store)
	c.Committed = nil
	return c
}

func addDemoStaff(ctx context.Context, s *workflow.Service, hired time.Time) error {
	then := *s
	then.Now, then.Random = func() time.Time { return hired }, rand.Reader // which tests make predictable for the jobs
	for _, a := range []struct {
		login, name string
		role        workflow.Role
	}{{"nils", "Nils Arvidsson", workflow.RoleBench}, {"rosa", "Rosa Kline", workflow.RoleCounter}, {"olga", "Olga Penn", workflow.RoleOwner}} {
		if err := portal.AddStaff(ctx, &then, a.login, a.name, a.role, demoPassword); err != nil {
			return err
		}
	}
	return nil
}

// addresses prints the addresses; it opens nothing by itself.
func (d *demo) addresses(ctx context.Context, out io.Writer, base, mailbox, kept string, began time.Time) error {
	address := func(p *play) (string, error) {
		j, err := d.service.Job(ctx, p.number)
		if err != nil {
			return "", err
		}
		g := j.Link(link.Own, d.service.Now())
		if g == nil {
			return "", fmt.Errorf("job %s has no link", p.number)
		}
		token, err := d.service.Token(j, g)
		return base + "/j/" + token, err
	}
	approve, err := address(d.toApprove)
	if err != nil {
		return err
	}
	story, err := address(d.story)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%s is open, with %d invented jobs and %d that are long done (ready in %.1f s). Photos are illustrations; emails go to the mailbox below and nowhere else.\n\n", d.service.Shop.Name, len(d.plays), pastJobs, time.Since(began).Seconds())
	fmt.Fprintf(out, "customer: %s  (a quote waits; its email is in the mailbox)\n", approve)
	fmt.Fprintf(out, "finished: %s  (earlier work found, repaired, sent back)\n", story)
	for _, p := range d.plays {
		if d.lang != "" || !slices.Contains([]string{"eloi", "lotte", "marisol"}, p.key) {
			continue
		}
		other, err := address(p)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%s  %s\n", map[string]string{"fr": "French: ", "de": "German: ", "es": "Spanish:"}[p.lang], other)
	}
	fmt.Fprintf(out, "front:    %s/\n", base)
	fmt.Fprintf(out, "counter:  %s/counter  (sign in as rosa, nils at the bench, or olga the owner; password: %s)\n", base, demoPassword)
	ends := "removes its data"
	if kept != "" {
		ends = "keeps its data in " + kept
	}
	fmt.Fprintf(out, "mailbox:  %s/\n\nCtrl-C ends it and %s.\n", mailbox, ends)
	return nil
}

// twoListeners takes the address and the port after it (any port, if the address says 0). If the usual
// port is taken, it takes any.
func twoListeners(addr string) (l, box net.Listener, err error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, nil, misused("%s is not an address like 127.0.0.1:8080", addr)
	}
	if l, err = net.Listen("tcp", addr); err != nil {
		if l, err = net.Listen("tcp", net.JoinHostPort(host, "0")); err != nil {
			return nil, nil, fmt.Errorf("can't listen on %s: %w", addr, err)
		}
	}
	next := "0"
	if port != "0" {
		next = fmt.Sprint(l.Addr().(*net.TCPAddr).Port + 1)
	}
	if box, err = net.Listen("tcp", net.JoinHostPort(host, next)); err != nil {
		if box, err = net.Listen("tcp", net.JoinHostPort(host, "0")); err != nil {
			return nil, nil, errors.Join(fmt.Errorf("can't listen for the mailbox: %w", err), l.Close())
		}
	}
	return l, box, nil
}
