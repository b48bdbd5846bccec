package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/notify"
	"benchword/notify/smtptest"
	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
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
	pictures   map[string]taken
	clock      *movedClock
	today      time.Time
	plays      []*play
	// toApprove waits for an answer; story has earlier work; before is what the warranty job follows.
	toApprove, story, before *play
}

func (d *demo) deliver(ctx context.Context) error { return d.dispatcher.Flush(ctx) }

// taken is one of the illustrations, with the copies that the desk made of it.
type taken struct {
	photo workflow.Photo
	files [3][]byte // original, large, small
}

// illustrations has a desk take every illustration in once, on all processors; the jobs then get copies, so
// that the demo starts quickly although its jobs share pictures, and tests that play it many times over
// do this but once.
var illustrations = sync.OnceValues(func() (map[string]taken, error) {
	memory := &evidence.Memory{}
	desk := evidence.NewDesk(memory)
	all := map[string]taken{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	errs := make([]error, len(demophotos.All))
	places := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, p := range demophotos.All {
		wg.Go(func() {
			places <- struct{}{}
			defer func() { <-places }()
			t, err := takeOne(context.Background(), desk, memory, p)
			errs[i] = err
			mu.Lock()
			defer mu.Unlock()
			all[strings.TrimSuffix(p.File, ".jpg")] = t
		})
	}
	wg.Wait()
	return all, errors.Join(errs...)
})

func takeOne(ctx context.Context, desk *evidence.Desk, memory *evidence.Memory, p demophotos.Photo) (t taken, err error) {
	const shop, n = workflow.ShopID("demo"), workflow.JobNumber("K7M2QX8") // a folder in memory, of no job
	jpeg, err := p.JPEG()
	if err != nil {
		return t, err
	}
	if t.photo, err = desk.Take(ctx, shop, n, bytes.NewReader(jpeg)); err != nil {
		return t, fmt.Errorf("picture %s: %w", p.File, err)
	}
	t.photo.Caption, t.photo.Alt = p.Caption, p.Alt
	t.files[0] = jpeg
	for i, digest := range []string{t.photo.Large.Digest, t.photo.Small.Digest} {
		if t.files[i+1], err = evidence.ReadBlob(ctx, memory, evidence.Folder{Shop: shop, Job: n, Area: evidence.Shown}, evidence.Digest(digest)); err != nil {
			return t, err
		}
	}
	return t, nil
}

// photo puts one of the illustrations into a job's folder, as if it came from the bench's camera.
func (d *demo) photo(ctx context.Context, n workflow.JobNumber, name string) (workflow.Photo, error) {
	t, ok := d.pictures[name]
	if !ok {
		return workflow.Photo{}, fmt.Errorf("there is no picture %q", name)
	}
	for i, area := range []evidence.Area{evidence.Original, evidence.Shown, evidence.Shown} {
		if _, _, err := d.blobs.Put(ctx, evidence.Folder{Shop: d.service.Shop.ID, Job: n, Area: area}, bytes.NewReader(t.files[i])); err != nil {
			return workflow.Photo{}, err
		}
	}
	return t.photo, nil
}

// followUp books the warranty job once the job that it follows has its number.
func (d *demo) followUp(p *play) func(ctx context.Context) error {
	return func(ctx context.Context) error {
		j, err := d.service.Do(ctx, workflow.Order{By: counterRosa, Commands: []workflow.Command{workflow.Book{
			Person: workflow.Person{Name: "Ingrid Solheim", Email: "ingrid@post.example", Address: "Ingrid Solheim\n3 Spruce Hill\nBridgewater NS"},
			Kind:   "field recorder", Maker: "Halden", Model: "FR-2", Fault: "The left channel is silent since last week.", Follows: d.before.number,
		}}})
		if err == nil {
			p.number = j.Number
		}
		return err
	}
}

func runDemo(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) (err error) {
	f := flags("demo", errOut)
	listen := f.String("listen", "127.0.0.1:8080", "address to answer on; the mailbox takes the next port")
	keep := f.String("data", "", "folder to keep the demo's data in (usual: a temporary one, removed at the end)")
	verbose := f.Bool("v", false, "log every request")
	if _, err := parse(f, args); err != nil {
		return err
	}
	began := time.Now()
	l, box, err := twoListeners(*listen)
	if err != nil {
		return err
	}
	base := "http://" + l.Addr().String()
	settings, err := ParseSettings("demo settings", []byte(fmt.Sprintf(demoSettings, base)))
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
		transport: &notify.SMTP{Host: host, Port: post.Port(), Encryption: notify.Plain, Name: "harbour.example"},
	})
	if err != nil {
		return err
	}
	d, err := playDemo(ctx, srv, clock, pastJobs)
	if err != nil {
		return errors.Join(err, srv.store.Close())
	}
	mailbox := &mailbox{post: post, shop: shop.Name}
	go func() { _ = mailbox.serve(box) }()
	defer func() { err = errors.Join(err, mailbox.close()) }()

	if err := d.tell(ctx, out, base, "http://"+box.Addr().String(), began); err != nil {
		return errors.Join(err, srv.store.Close())
	}
	return srv.run(ctx, l)
}

// playDemo fills a new shop with the demo's jobs, as they would have come and gone in the weeks before
// today, and that many finished ones before them.
func playDemo(ctx context.Context, srv *server, clock *movedClock, past int) (*demo, error) {
	committed := srv.service.Committed
	srv.service.Committed = nil // while the past is played nobody looks on
	defer func() { srv.service.Committed = committed }()
	zone := srv.service.Shop.Calendar.Location()
	d := &demo{service: srv.service, dispatcher: srv.dispatcher, blobs: srv.blobs, clock: clock, today: clock.now().In(zone)}
	clock.set(d.ago(60, 9, 0))
	if err := d.staff(ctx); err != nil {
		return nil, err
	}
	var err error
	if d.pictures, err = illustrations(); err != nil {
		return nil, err
	}
	if err := d.playPast(ctx, past); err != nil {
		return nil, err
	}
	d.write()
	if err := d.run(ctx); err != nil {
		return nil, err
	}
	return d, srv.forecaster.Renew(ctx, clock.now())
}

func (d *demo) staff(ctx context.Context) error {
	for _, a := range []struct {
		login, name string
		role        workflow.Role
	}{{"nils", "Nils Arvidsson", workflow.RoleBench}, {"rosa", "Rosa Kline", workflow.RoleCounter}, {"olga", "Olga Penn", workflow.RoleOwner}} {
		if err := portal.AddStaff(ctx, d.service.Store, d.service.Shop.ID, rand.Reader, d.service.Now(), a.login, a.name, a.role, demoPassword); err != nil {
			return err
		}
	}
	return nil
}

// tell prints the addresses; it opens nothing by itself.
func (d *demo) tell(ctx context.Context, out io.Writer, base, mailbox string, began time.Time) error {
	address := func(p *play) (string, error) {
		j, err := d.service.Job(ctx, p.number)
		if err != nil {
			return "", err
		}
		g := j.Link(link.Look, d.service.Now())
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
	fmt.Fprintf(out, "%s is open, with %d invented jobs and %d that are long done (ready in %.1f s). Photos are illustrations; mails go to the mailbox below and nowhere else.\n\n", d.service.Shop.Name, len(d.plays), pastJobs, time.Since(began).Seconds())
	fmt.Fprintf(out, "customer: %s  (a quote waits; its mail is in the mailbox)\n", approve)
	fmt.Fprintf(out, "finished: %s  (earlier work found, repaired, sent back)\n", story)
	fmt.Fprintf(out, "front:    %s/\n", base)
	fmt.Fprintf(out, "counter:  %s/counter  (sign in as rosa, nils at the bench, or olga the owner; password: %s)\n", base, demoPassword)
	fmt.Fprintf(out, "mailbox:  %s/\n\nCtrl-C ends it and removes its data.\n", mailbox)
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
