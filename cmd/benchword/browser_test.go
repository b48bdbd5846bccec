package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/portal/portaltest"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var screens = flag.String("screens", "", "folder to write screenshots of every page to (320 px, desktop, dark, print)")

// demoStage is a stage with the demo's jobs on it, at today's date.
func demoStage(t testing.TB, with ...func(*stage)) (*stage, *demo) {
	s := newStageAsking(t, 1_000_000, with...)
	s.clock.set(time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC))
	s.clock.still = true
	// The running dispatcher stands aside by itself: it is woken by commits, and those are not told.
	d, err := playDemo(context.Background(), s.srv, s.clock, 0, s.lang)
	require.NoError(t, err)
	s.clock.set(time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC))
	s.settle() // what falls due by then is done now, and not in the middle of a test
	return s, d
}

// withHooks lets the shop have two systems of its own that are told of steps, one of which is switched off; nothing
// is sent to them.
func withHooks(s *stage) {
	s.before = func(srv *server) {
		srv.service.Shop.Hooks = []workflow.Hook{{Name: "till", Events: []workflow.EventKind{"stage.moved"}}, {Name: "shelf-display"}}
		require.NoError(s.t, srv.service.SwitchHookOff(context.Background(), "shelf-display", "410 Gone: this display was taken down"))
	}
}

func (s *stage) link(p *play, purpose link.Purpose) string {
	j, err := s.srv.service.Job(context.Background(), p.number)
	require.NoError(s.t, err)
	g := j.Link(purpose, s.clock.now())
	require.NotNil(s.t, g)
	token, err := s.srv.service.Token(j, g)
	require.NoError(s.t, err)
	return s.base + map[link.Purpose]string{link.Own: "/j/", link.Decide: "/d/", link.Choose: "/c/", link.Confirm: "/confirm/", link.Data: "/data/"}[purpose] + token
}

func (s *stage) job(n workflow.JobNumber) *workflow.Job {
	j, err := s.srv.service.Job(context.Background(), n)
	require.NoError(s.t, err)
	return j
}

func (s *stage) do(by workflow.Actor, n workflow.JobNumber, commands ...workflow.Command) {
	_, err := s.srv.service.Do(context.Background(), workflow.Order{Job: n, By: by, Commands: commands})
	require.NoError(s.t, err)
}

// newestMail returns the newest mail to an address.
func (s *stage) newestMail(to string) *letter {
	mails := s.post.Mails()
	for i := len(mails) - 1; i >= 0; i-- {
		if mails[i].To[0] == to {
			l, err := openLetter(i+1, mails[i])
			require.NoError(s.t, err)
			return l
		}
	}
	s.t.Fatalf("there is no email to %s", to)
	return nil
}

// TestCustomerInABrowser: the customer follows the link of the mail, sees the photo, approves; and an
// open tracking page changes by itself when the bench goes on.
func TestCustomerInABrowser(t *testing.T) {
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	mail := s.newestMail("mira@post.example")
	look, decide := "", ""
	for _, m := range linkIn.FindAllStringSubmatch(mail.HTML, -1) {
		if m[1] == "j" && look == "" {
			look = m[0]
		} else if m[1] == "d" {
			decide = m[0]
		}
	}
	require.NotEmpty(t, look, "the email has no look link")
	require.NotEmpty(t, decide, "the email has no decide link")

	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(look), chromedp.WaitVisible("main h1")))
	require.Positive(t, portaltest.Until[int](t, ctx, `[...document.images].filter(i => { i.loading = "eager"; return i.complete && i.naturalWidth > 100 }).length`))

	// A look link shows no way to approve.
	html := portaltest.Evaluate[string](t, ctx, `document.documentElement.outerHTML`)
	require.NotContains(t, html, "/d/")

	require.NoError(t, chromedp.Do(ctx,
		chromedp.Navigate(decide),
		chromedp.WaitVisible("#option-A"),
		portaltest.Click("#option-A"),
		portaltest.Click(`form[action$="/review"] button[type=submit]`),
		chromedp.WaitVisible(`button[name=confirm]`),
	))
	require.Equal(t, workflow.StageAwaitingApproval, s.job(d.toApprove.number).Stage, "the summary alone decides nothing")
	require.NoError(t, chromedp.Do(ctx, portaltest.Click(`button[name=confirm]`)))
	portaltest.Until[bool](t, ctx, `location.pathname.endsWith("/done")`)
	require.Equal(t, workflow.StageRepairing, s.job(d.toApprove.number).Stage)

	// Live: the open page changes by itself, without being loaded anew.
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(look), chromedp.WaitVisible("main h1")))
	require.True(t, portaltest.Evaluate[bool](t, ctx, `window.sameDocument = true`))
	s.do(technicianNils, d.toApprove.number, workflow.DoWork{Text: "Renewed the four capacitors of the lamp supply.", Duties: []int{1}}, workflow.Go{To: workflow.StageTesting})
	portaltest.Until[bool](t, ctx, `window.sameDocument === true && document.querySelector("main").innerText.includes("Renewed the four capacitors")`)
}

// aPage is a page to be checked and looked at.
type aPage struct{ name, path string }

// allPages lists every page of the demo: the customer's, and the counter's with a signed-in owner.
func allPages(s *stage, d *demo) (customer, staff []aPage) {
	at := func(u string) string { return strings.TrimPrefix(u, s.base) }
	customer = []aPage{{"home", "/"}, {"book", "/book"}, {"find", "/find"}, {"packing", "/packing"}, {"unknown", "/j/aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"}, {"sign-in", "/counter/sign-in"}}
	for _, p := range d.plays {
		name := p.word
		look := at(s.link(p, link.Own))
		customer = append(customer, aPage{"track-" + name, look})
		j := s.job(p.number)
		for _, r := range j.Reports {
			customer = append(customer, aPage{fmt.Sprintf("report-%s-%d", name, r.Number), look + "/report/" + fmt.Sprint(r.Number)})
		}
		if j.Link(link.Decide, s.clock.now()) != nil {
			customer = append(customer, aPage{"quote-" + name, at(s.link(p, link.Decide))})
			if j.AnswerTo(len(j.Quotes)) != nil {
				customer = append(customer, aPage{"receipt-" + name, at(s.link(p, link.Decide)) + "/done"})
			}
		}
		if j.Link(link.Choose, s.clock.now()) != nil {
			customer = append(customer, aPage{"choice-" + name, at(s.link(p, link.Choose))})
			staff = append(staff, aPage{"delay", "/counter/job/" + string(p.number) + "/delay"}, aPage{"level", "/counter/job/" + string(p.number) + "/level"})
		}
		if len(j.Decisions) > 1 {
			staff = append(staff, aPage{"decisions-" + name, "/counter/job/" + string(p.number) + "/decisions"})
		}
		staff = append(staff, aPage{"job-" + name, "/counter/job/" + string(p.number)})
		if p.word == "lotte" {
			job := "/counter/job/" + string(p.number)
			staff = append(staff, aPage{"tests", job + "/tests"}, aPage{"test", job + "/test?of=Electrical+safety&class=I"}, aPage{"work", job + "/work"}, aPage{"hold", job + "/hold"})
		}
		if p.word == "ingrid.back" { // on the bench, with the usual suspects named
			job := "/counter/job/" + string(p.number)
			staff = append(staff, aPage{"checks", job + "/checks"}, aPage{"duties", job + "/duties"}, aPage{"finding", job + "/finding?find=cell_swollen"}, aPage{"finding-several", job + "/finding?find=screw"})
		}
	}
	customer = append(customer, aPage{"notices", at(s.link(d.toApprove, link.Own)) + "/notices"})
	n := d.toApprove.number
	s.do(workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}, n, workflow.SendMessage{Text: "We have moved. Please send it to my new address."})
	s.do(workflow.Actor{Role: workflow.RoleCounter, ID: "owner"}, n, workflow.AskConfirm{Message: len(s.job(n).Messages)})
	require.Eventually(s.t, func() bool { // the email is out: nothing more happens to the job by itself
		sent := s.job(n).Notices
		return !sent[len(sent)-1].DeliveredAt.IsZero()
	}, 30*time.Second, 5*time.Millisecond)
	customer = append(customer, aPage{"confirm", at(s.link(d.toApprove, link.Confirm))})
	staff = append(staff, aPage{"letters-doubt", "/counter/job/" + string(n) + "/letters"}, aPage{"customer-doubt", "/counter/job/" + string(n) + "/customer"})
	for _, p := range []string{"quote", "answer", "undo", "payment", "charge", "decisions"} {
		staff = append(staff, aPage{p, "/counter/job/" + string(d.toApprove.number) + "/" + p})
	}
	staff = append(staff, aPage{"board", "/counter"}, aPage{"new", "/counter/new"}, aPage{"search", "/counter/search?q=scanner"},
		aPage{"mails", "/counter/mails"}, aPage{"mails-given-up", "/counter/mails?state=buried"}, aPage{"notices", "/counter/job/" + string(d.toApprove.number) + "/notices"},
		aPage{"figures", "/counter/figures"}, aPage{"log", "/counter/log"}, aPage{"account", "/counter/account"}, aPage{"staff", "/counter/staff"}, aPage{"confirm", "/counter/confirm"}, aPage{"hours", "/counter/hours"},
		aPage{"words", "/counter/words?find=quote"}, aPage{"words-one", "/counter/words?lang=fr&key=mail.more.photos"})
	return customer, staff
}

// signIn returns the cookies of a signed-in owner.
func (s *stage) signIn() []*http.Cookie {
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.PostForm(s.base+"/counter/sign-in", url.Values{"login": {"owner"}, "password": {demoPassword}})
	require.NoError(s.t, err)
	defer resp.Body.Close()
	require.Equal(s.t, http.StatusSeeOther, resp.StatusCode)
	require.NotEmpty(s.t, resp.Cookies())
	return resp.Cookies()
}

func (s *stage) fetch(path string, cookies []*http.Cookie) (int, []byte) {
	req, err := http.NewRequest(http.MethodGet, s.base+path, nil)
	require.NoError(s.t, err)
	for _, c := range cookies {
		req.AddCookie(c)
	}
	resp, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(s.t, err)
	return resp.StatusCode, b
}

// TestPagesAreValidHTML holds every page to the Nu HTML checker (vnu-jar 26.9.27): no error, no warning
// that is not named here.
func TestPagesAreValidHTML(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	t.Parallel()
	s, d := demoStage(t, withHooks)
	customer, staff := allPages(s, d)
	cookies := s.signIn()
	pages := map[string][]byte{}
	share := longtest.Share(t, 3)
	for i, p := range append(customer, staff...) {
		if !share(i) {
			continue
		}
		use := cookies
		if i < len(customer) {
			use = nil
		}
		status, body := s.fetch(p.path, use)
		require.True(t, status == 200 || p.name == "unknown" && status == 404, "%s: status %d\n%.500s", p.name, status, body)
		pages[p.name] = body
	}
	require.Empty(t, portaltest.InvalidHTML(t, pages, false))
	t.Logf("%d pages checked", len(pages))
}

// TestPagesAreAccessible holds every page to axe-core 4.14.1, at 320 px and on a desktop, light and dark.
// With -screens it also writes screenshots.
func TestPagesAreAccessible(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	t.Parallel()
	s, d := demoStage(t, withHooks)
	customer, staff := allPages(s, d)
	ctx := portaltest.Browser(t)
	pages, checked := 0, 0
	share := longtest.Share(t, 4)
	check := func(p aPage) {
		if *screens == "" && !share(pages/4) {
			pages++
			return
		}
		way := -1
		for _, width := range []int64{320, 1280} {
			for _, scheme := range []string{"light", "dark"} {
				// Each page is looked at in one of the four ways, the next one in another; in all of them in a
				// long run, and when screenshots are made.
				if way++; !longtest.Long() && *screens == "" && way%4 != pages%4 {
					continue
				}
				require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 6000), portaltest.Media("", scheme), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")), p.name)
				require.Empty(t, portaltest.Violations(t, ctx), "%s at %d px, %s", p.name, width, scheme)
				checked++
				if *screens != "" {
					portaltest.Shoot(t, ctx, *screens, fmt.Sprintf("%s-%d-%s.png", p.name, width, scheme))
				}
			}
		}
		pages++
		if *screens != "" {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(794, 1123), portaltest.Media("print", "light"), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")))
			portaltest.Shoot(t, ctx, *screens, p.name+"-print.png")
		}
	}
	for _, p := range customer {
		check(p)
	}
	for _, c := range s.signIn() {
		require.NoError(t, chromedp.Do(ctx, portaltest.Cookie(c, s.base)))
	}
	for _, p := range staff {
		check(p)
	}
	t.Logf("%d pages, %d checks", pages, checked)
}

// TestScannerInABrowser does what a mail scanner does with a mail: opens every link with HEAD and GET,
// without cookies, lets scripts run, and sends every form it finds, empty and as it stands. Nothing may
// change on any job.
func TestScannerInABrowser(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	t.Parallel()
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	versions := map[workflow.JobNumber]int64{}
	for _, p := range d.plays {
		versions[p.number] = s.job(p.number).Version
	}
	links := map[string]bool{}
	for i, m := range s.post.Mails() {
		l, err := openLetter(i+1, m)
		require.NoError(t, err)
		for _, u := range linkIn.FindAllString(l.HTML+" "+l.Text, -1) {
			links[u] = true
		}
	}
	require.Greater(t, len(links), len(d.plays), "look and decide links")
	for u := range links {
		resp, err := http.Head(u)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		_, body := s.fetch(strings.TrimPrefix(u, s.base), nil)
		require.False(t, bytes.Contains(body, []byte("autosubmit")))
	}
	sent := 0
	for u := range links {
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(u), chromedp.WaitReady("body")))
		forms := portaltest.Evaluate[int](t, ctx, `document.forms.length`)
		for f := range forms {
			for _, how := range []string{"as it stands", "empty"} {
				// From the page itself, as a script of the scanner would: so even same-origin.
				script := fmt.Sprintf(`(async () => {
					const form = document.forms[%d], data = new URLSearchParams(new FormData(form));
					if (%q === "empty") for (const k of [...data.keys()]) if (!["digest", "verdict", "csrf"].includes(k)) data.set(k, "");
					const r = await fetch(form.action, {method: form.method, body: form.method === "post" ? data : undefined});
					return r.status;
				})()`, f, how)
				require.Less(t, portaltest.Evaluate[int](t, ctx, script), 500)
				sent++
			}
		}
	}
	require.Positive(t, sent)
	for n, v := range versions {
		require.Equal(t, v, s.job(n).Version, "job %s was changed by a scanner", n)
	}
	t.Logf("%d links opened, %d forms sent", len(links), sent)
}

// TestGetsChangeNothing opens every page as everybody and compares the whole of what is stored.
func TestGetsChangeNothing(t *testing.T) {
	s, d := demoStage(t)
	customer, staff := allPages(s, d)
	require.Eventually(t, func() bool { // what the pages' own jobs set going is done, and nothing is in hand
		entries, err := s.srv.service.EntriesIn(t.Context(), workflow.EntryQueued, 100)
		require.NoError(t, err)
		return !slices.ContainsFunc(entries, func(e workflow.Entry) bool { return !e.NotBefore.After(s.clock.now()) })
	}, 20*time.Second, 10*time.Millisecond)
	before := s.everything(d)
	cookies := s.signIn()
	for _, p := range append(customer, staff...) {
		s.fetch(p.path, cookies)
		s.fetch(p.path, nil)
	}
	after := s.everything(d)
	for i := range before {
		require.Equal(t, before[i], after[i], d.plays[i].word)
	}
}

func (s *stage) everything(d *demo) (out []string) {
	for _, p := range d.plays {
		raw, err := json.MarshalIndent(s.job(p.number), "", " ")
		require.NoError(s.t, err)
		out = append(out, string(raw))
	}
	return out
}

// camera returns a file as a phone's camera leaves it.
func camera(t *testing.T) string {
	picture, ok := demophotos.Find("compound-dried.jpg")
	require.True(t, ok)
	jpeg, err := picture.JPEG()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "camera.jpg")
	require.NoError(t, os.WriteFile(file, jpeg, 0o600))
	return file
}

// TestCounterInABrowser: somebody at the counter signs in, adds a photo with a finding on a phone's
// screen, writes the findings report, looks at page and mail as the customer will see them, and sends.
// The mail then holds the photo.
func TestCounterInABrowser(t *testing.T) {
	longtest.Gate(t)
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	var supply *play
	for _, p := range d.plays {
		if p.word == "priya" {
			supply = p
		}
	}
	file := camera(t)
	before := s.job(supply.number)

	job := s.base + "/counter/job/" + string(supply.number)
	require.NoError(t, chromedp.Do(ctx,
		chromedp.EmulateViewport(390, 800),
		chromedp.Navigate(job),
		chromedp.WaitVisible(`input[name=login]`),
		chromedp.SendKeys(`input[name=login]`, "counter"),
		chromedp.SendKeys(`input[name=password]`, demoPassword),
		portaltest.Click(`main button[type=submit]`),
	))
	portaltest.Until[bool](t, ctx, `!location.pathname.endsWith("/sign-in") && document.readyState === "complete"`)

	require.NoError(t, chromedp.Do(ctx,
		chromedp.Navigate(job+"/finding"),
		chromedp.WaitVisible(`textarea[name=text]`),
		chromedp.SetUploadFiles(`input[type=file]:not([capture])`, []string{file}),
		chromedp.SendKeys(`textarea[name=text]`, "The thermal compound under the heat sink has dried out"),
		portaltest.Click(`button[name=do][value=keep]`),
	))
	require.Eventually(t, func() bool { return len(s.job(supply.number).Findings) == len(before.Findings)+1 }, 30*time.Second, 50*time.Millisecond)
	portaltest.Until[bool](t, ctx, `!location.pathname.endsWith("/finding") && document.readyState === "complete"`)
	j := s.job(supply.number)
	found := j.Findings[len(j.Findings)-1]
	require.Equal(t, "The thermal compound under the heat sink has dried out", found.Text)
	require.Len(t, found.Photos, 1, "the photo came with the finding")

	require.NoError(t, chromedp.Do(ctx,
		chromedp.Navigate(job+"/report"),
		chromedp.WaitVisible(`textarea[name=short]`),
		chromedp.SendKeys(`textarea[name=short]`, "The output stage runs too hot, because its heat sink has lost its thermal compound."),
		portaltest.Click(`button[name=do][value=look]`),
		chromedp.WaitVisible(`iframe`),
	))
	require.Empty(t, s.job(supply.number).Reports, "looking sends nothing")
	shown := portaltest.Evaluate[string](t, ctx, `Promise.all([...document.querySelectorAll("iframe")].map(f => fetch(f.src).then(r => r.text()))).then(x => x.join("\n"))`)
	require.Contains(t, shown, "has lost its thermal compound")
	require.Contains(t, shown, "data:image/jpeg;base64,", "the preview of the email shows its photos")
	require.NoError(t, chromedp.Do(ctx, portaltest.Click(`main form[action$="/report/send"] button[type=submit]`)))
	require.Eventually(t, func() bool { return len(s.job(supply.number).Reports) == 1 }, 30*time.Second, 50*time.Millisecond)
	s.settle()
	mail := s.newestMail("priya@post.example")
	require.Contains(t, spaces.ReplaceAllString(mail.Text, " "), "has lost its thermal compound")
	require.Positive(t, mail.Pictures)
}

// TestTapsForAMarkedPhoto counts what a technician's thumb does on a phone of 320 px, from the job's page to
// a finding with a photo and a ring on it: every tap is one here, and taking the photo itself is two more
// (the shutter, and the camera's own OK). The issue of time is one of taps: twenty seconds hold about ten.
//
// Figures: Photo and finding 4 taps; with a ring on the photo 8 (and the camera's own
// two).
//
//	go test ./cmd/benchword -run TapsForAMarkedPhoto -v
func TestTapsForAMarkedPhoto(t *testing.T) {
	longtest.Gate(t)
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	file := camera(t)
	n := d.toApprove.number
	before := s.job(n)
	site := chromedp.EmulateViewport(320, 640)
	job := s.base + "/counter/job/" + string(n)
	require.NoError(t, chromedp.Do(ctx, site, portaltest.Cookie(s.signIn()[0], s.base), chromedp.Navigate(job)))
	portaltest.Until[bool](t, ctx, `document.readyState === "complete"`)

	taps := 0
	tap := func(selector string) {
		t.Helper()
		taps++
		require.NoError(t, chromedp.Do(ctx, chromedp.WaitVisible(selector), portaltest.Click(selector)), selector)
	}
	loaded := func(path string) {
		t.Helper()
		portaltest.Until[bool](t, ctx, `location.pathname.endsWith("`+path+`") && document.readyState === "complete"`)
	}
	tap(`main a[href$="/finding"]`)
	loaded("/finding")
	taps++ // “Take a photo”, which opens the camera
	require.NoError(t, chromedp.Do(ctx, chromedp.SetUploadFiles(`input[type=file][capture]`, []string{file})))
	tap(`textarea[name=text]`) // and then it is said into the phone, or typed
	require.NoError(t, chromedp.Do(ctx, chromedp.SendKeys(`textarea[name=text]`, "Dried compound under the heat sink")))
	tap(`button[name=do][value=keep]`)
	require.Eventually(t, func() bool { return len(s.job(n).Findings) == len(before.Findings)+1 }, 30*time.Second, 50*time.Millisecond)
	loaded(string(n))
	plain := taps

	j := s.job(n)
	photo := "/photo/" + fmt.Sprint(j.Photos[len(j.Photos)-1].ID)
	tap(`main a[href$="` + photo + `"]`)
	loaded(photo)
	tap(`.mark-tools button`) // a ring
	taps++                    // on the place
	at := portaltest.Evaluate[[]float64](t, ctx, `(() => { const f = document.querySelector("[data-frame]"); f.scrollIntoView({block: "center"}); const r = f.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`)
	require.NoError(t, chromedp.Do(ctx, chromedp.MouseClickXY(at[0], at[1])))
	tap(`form[data-marks] .bar button`)
	require.Eventually(t, func() bool { p := s.job(n).Photo(j.Photos[len(j.Photos)-1].ID); return len(p.Marks) == 1 }, 30*time.Second, 50*time.Millisecond)
	t.Logf("photo and finding: %d taps; with a ring on it: %d (and the camera's own two)", plain, taps)
	require.LessOrEqual(t, plain, 4)
	require.LessOrEqual(t, taps, 8)
}

var readme = flag.Bool("readme", false, "renew the screenshots that README shows")

// TestReadmeScreenshots renews README's pictures, with -readme; without it, it only looks that they are
// there and small.
func TestReadmeScreenshots(t *testing.T) {
	const dir = "../../testdata/screens"
	names := []string{"tracking.png", "mail.png", "counter.png"}
	if *readme {
		s, d := demoStage(t)
		ctx := portaltest.Browser(t)
		require.NoError(t, os.MkdirAll(dir, 0o755))
		mail := s.newestMail("mira@post.example")
		mailbox := &mailbox{post: s.post, shop: "Harbour Bench"}
		box, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		go func() { _ = mailbox.serve(box) }()
		t.Cleanup(func() { _ = mailbox.close() })
		for _, c := range s.signIn() {
			require.NoError(t, chromedp.Do(ctx, portaltest.Cookie(c, s.base)))
		}
		for i, u := range []string{s.link(d.toApprove, link.Own), fmt.Sprintf("http://%s/mail/%d/html", box.Addr(), mail.Number), s.base + "/counter"} {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 780), portaltest.Media("", "light"), chromedp.Navigate(u), chromedp.WaitReady("body")))
			shot, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, names[i]), shot, 0o644))
		}
	}
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	for _, n := range names {
		info, err := os.Stat(filepath.Join(dir, n))
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(120_000))
		require.Contains(t, string(text), "testdata/screens/"+n)
	}
}
