package counter

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/portal/portaltest"
	"benchword/workflow"
	"benchword/workflow/longtest"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var screens = flag.String("screens", "", "folder to write screenshots and sources of every page to")

// open serves the desk on a real port, and signs the browser in.
func (d *desk) open(ctx context.Context, v *visitor) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(d.t, err)
	go func() { _ = d.s.Serve(l) }()
	base := "http://" + l.Addr().String()
	for name, value := range v.cookies {
		require.NoError(d.t, chromedp.Do(ctx, portaltest.Cookie(&http.Cookie{Name: name, Value: value}, base)))
	}
	return base
}

// allPages are the counter's pages with something on them, by a name for the screenshot.
func (d *desk) allPages() map[string]string {
	t, pages := d.t, map[string]string{"board": "/counter", "ended": "/counter?ended=yes", "search": "/counter/search?q=mira", "new": "/counter/new"}
	on := func(name string, play func() *workflow.Job, paths ...string) {
		d.n = ""
		play()
		pages["job-"+name] = d.url("")
		for _, p := range paths {
			pages[name+"-"+strings.NewReplacer("/", "-").Replace(p)] = d.url(p)
		}
	}
	nils := d.as("nils")
	on("booked", d.booked, "intake", "move/withdrawn")
	on("received", d.received, "look", "intake")
	on("diagnosing", func() *workflow.Job {
		d.explained()
		at := d.url("finding")
		nils.page(at).form(at).file("photo", "x.jpg", picture(t, 9)).set("text", "A wire was added between two points that the maker does not join").set("origin", "earlier_work").set("weight", "danger").set("duty", "Take the wire out and insulate the place").press("keep").follow()
		for _, x := range d.job().Duties {
			if x.Before == workflow.AtOnce && x.Open() {
				d.do(bench, workflow.DoDuty{ID: x.ID})
			}
		}
		mark := d.url("photo/3")
		nils.page(mark).form(mark).set("m0.kind", "ring").set("m0.x", "4000").set("m0.y", "5000").set("m0.x2", "5500").set("m0.y2", "5000").set("m0.text", "The added wire").send().follow()
		d.do(mira, workflow.SendMessage{Text: "How is it going? I need it for a wedding on the 12th."})
		d.do(bench, workflow.NameSuspect{Text: "Feed motor"}, workflow.DoCheck{Suspect: 2, Check: workflow.Check{Text: "Turns freely, draws 80 mA", Outcome: workflow.CheckRuledOut, Reading: "80 mA"}})
		d.do(rosa, workflow.RecordPayment{Amount: "25.00", How: "card at the counter"})
		r := d.url("report")
		nils.page(r).form(r).set("short", "The scanner stops because a capacitor of the lamp supply has dried out. It can be put right.").set("cause", "The lamp supply falls to 9.1 V when the lamp warms up, and the control board then restarts, which is why it always stops within the first three frames of a strip.").set("certainty", "measured").set("proposal", "Renew two capacitors.").press("keep").follow()
		q := d.url("quote")
		nils.page(q).form(q).set("o0.title", "Renew two capacitors").set("o0.l0.text", "Bench time").set("o0.l0.quantity", "1.5").set("o0.l0.price", "80").set("o0.l1.text", "Capacitors").set("o0.l1.quantity", "2").set("o0.l1.price", "1.25").set("o0.days", "5").press("keep").follow()
		return d.job()
	}, "finding", "finding/1", "checks", "damage", "photos", "photo/3", "report", "quote", "report/preview", "duties", "hold", "promise", "payment", "customer", "letters", "link", "history", "move/testing")
	on("awaiting", d.awaiting, "answer", "quote", "report/1")
	on("repairing", d.repairing, "work")
	on("testing", d.testing, "tests", "test?of=Electrical+safety&class=I", "ready", "packing")
	on("shipped", d.shipped, "erase", "data")
	d.n = ""
	d.diagnosing()
	d.do(bench, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "The lamp is on order and should be here on Friday."})
	// Time passes: some are in breach, one is due today.
	d.now = time.Date(2026, 11, 30, 18, 0, 0, 0, time.UTC)
	d.n = ""
	d.diagnosing()
	d.now = time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC)
	_, err := d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	return pages
}

// small finds what is there to be pressed and is smaller than 44 px, links in running text aside (WCAG 2.2,
// 2.5.5, whose level AAA is our own aim; the standard's AA asks for 24).
const small = `[...document.querySelectorAll("button, .button, select, summary, .chip label, .todo a, .slip-link, .stages a, .top-ways a, input[type=text], input[type=search], textarea")]
	.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 43.5)
	.map(e => e.tagName + "." + e.className + " " + e.textContent.trim().slice(0, 30) + " " + e.getBoundingClientRect().height)`

// TestPagesInABrowser holds every page of the counter to axe-core (WCAG 2.2 A and AA), at 320 px and on a
// desktop, light and dark; nothing has to be scrolled sideways, nothing to press is too small. The Nu HTML
// checker finds no error in any of them. With -screens it writes screenshots.
func TestPagesInABrowser(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	ctx := portaltest.Browser(t)
	d := newDesk(t)
	pages := d.allPages()
	olga := d.as("olga")
	base := d.open(ctx, olga)
	var wrong []string
	sources := map[string][]byte{}
	type look struct {
		width  int64
		scheme string
	}
	looks := []look{{320, "light"}, {1280, "dark"}}
	if *screens != "" {
		looks = append(looks, look{390, "dark"}, look{1280, "light"})
	}
	share := longtest.Share(t, 4)
	for n, name := range slices.Sorted(maps.Keys(pages)) {
		if *screens == "" && !share(n/2) {
			continue
		}
		path := pages[name]
		sources[name] = []byte(olga.page(path).body)
		for i, view := range looks {
			if !longtest.Long() && *screens == "" && i != n%len(looks) {
				continue // the next page is looked at in the other way
			}
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(view.width, 844), portaltest.Media("", view.scheme), chromedp.Navigate(base+path), chromedp.WaitReady("main")), name)
			if *screens != "" {
				portaltest.Shoot(t, ctx, *screens, fmt.Sprintf("%s-%d-%s.png", name, view.width, view.scheme))
			}
			for _, s := range append(portaltest.Violations(t, ctx), portaltest.Evaluate[[]string](t, ctx, small)...) {
				wrong = append(wrong, fmt.Sprintf("%s at %d px, %s: %s", name, view.width, view.scheme, s))
			}
		}
	}
	if said := portaltest.InvalidHTML(t, sources, true); said != "" {
		wrong = append(wrong, said)
	}
	require.Empty(t, strings.Join(wrong, "\n"))
	t.Logf("%d pages in %d views each", len(pages), len(looks))
}

// TestScripts does in a browser what the page's script makes easier: photos that show their progress,
// a total that follows the typing, a mark drawn with a finger, and one placed with the keyboard.
func TestScripts(t *testing.T) {
	longtest.Gate(t)
	ctx := portaltest.Browser(t)
	d := newDesk(t)
	d.now = time.Now().UTC() // the browser's own clock judges the age of cookies
	d.explained()
	base := d.open(ctx, d.as("rosa"))
	visit := func(path string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(base+path), chromedp.WaitReady("main")))
		require.True(t, portaltest.Evaluate[bool](t, ctx, `document.documentElement.classList.contains("scripted")`))
	}
	// choose puts pictures into a file field, as a person does who picks them.
	choose := func(field string, seeds ...uint8) {
		t.Helper()
		for _, s := range seeds {
			b := fmt.Sprintf("%v", picture(t, s))
			portaltest.Evaluate[chromedp.Void](t, ctx, `(() => {
				const input = document.querySelector('`+field+`'), files = new DataTransfer();
				for (const f of input.files) files.items.add(f);
				files.items.add(new File([new Uint8Array(`+strings.ReplaceAll(b, " ", ",")+`)], "bench.jpg", {type: "image/jpeg"}));
				input.files = files.files;
				input.dispatchEvent(new Event("change", {bubbles: true}));
			})()`)
		}
	}

	visit(d.url("photos"))
	choose("input[type=file][multiple]", 70, 71)
	require.Equal(t, 2, portaltest.Evaluate[int](t, ctx, `document.querySelectorAll(".chosen img").length`))
	portaltest.Evaluate[chromedp.Void](t, ctx, `document.querySelector("form[data-upload] button[type=submit]").click()`)
	portaltest.Until[bool](t, ctx, `document.querySelectorAll(".shot").length === 4`)
	require.Len(t, d.job().Photos, 4)

	// The quick way, press by press: camera, then the words, then keep.
	visit(d.url("finding"))
	choose("input[capture]", 72)
	require.Equal(t, "text", portaltest.Evaluate[string](t, ctx, `document.activeElement.name`), "the words come next by themselves")
	portaltest.Evaluate[chromedp.Void](t, ctx, `document.activeElement.value = "Flux left between two pads"; document.querySelector("button[value=keep]").click()`)
	portaltest.Until[bool](t, ctx, `document.querySelector(".flash")?.textContent.includes("Photo and finding are noted")`)
	require.Equal(t, []int{5}, d.job().Findings[1].Photos)

	visit(d.url("quote"))
	portaltest.Evaluate[chromedp.Void](t, ctx, `(() => {
		const type = (id, s) => { const e = document.getElementById(id); e.value = s; e.dispatchEvent(new Event("input", {bubbles: true})); };
		type("o0.l0.text", "Bench time"); type("o0.l0.quantity", "1.5"); type("o0.l0.price", "80");
	})()`)
	portaltest.Until[bool](t, ctx, `document.querySelector('[data-sum="o0."]').textContent.includes("138.00")`)

	visit(d.url("photo/2"))
	portaltest.Evaluate[chromedp.Void](t, ctx, `(() => {
		const frame = document.querySelector("[data-frame]"), b = frame.getBoundingClientRect();
		const button = [...document.querySelectorAll("[data-tools] button")].find(x => x.textContent === "Ring");
		button.dispatchEvent(new MouseEvent("click", {bubbles: true, detail: 1}));
		frame.setPointerCapture = () => {};
		const go = (type, x, y) => frame.dispatchEvent(new PointerEvent(type, {bubbles: true, isPrimary: true, pointerId: 1, clientX: b.left + b.width * x, clientY: b.top + b.height * y}));
		go("pointerdown", 0.5, 0.25); go("pointermove", 0.6, 0.25); go("pointerup", 0.6, 0.25);
		const point = [...document.querySelectorAll("[data-tools] button")].find(x => x.textContent === "Point");
		point.dispatchEvent(new MouseEvent("click", {bubbles: true, detail: 0}));
		document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {bubbles: true, key: "ArrowUp"}));
	})()`)
	require.Equal(t, "m1.x", portaltest.Evaluate[string](t, ctx, `document.activeElement.name`))
	require.Positive(t, portaltest.Evaluate[int](t, ctx, `document.querySelectorAll("[data-frame] svg circle").length`))
	portaltest.Evaluate[chromedp.Void](t, ctx, `document.querySelector("form[data-marks] button[type=submit]").click()`)
	portaltest.Until[bool](t, ctx, `document.querySelector(".flash")?.textContent.includes("The photo is changed")`)
	marks := d.job().Photo(2).Marks
	require.Len(t, marks, 2)
	require.Equal(t, workflow.Mark{Kind: workflow.MarkPoint, X: 5100, Y: 5000, Number: 1}, marks[1])
	require.InDelta(t, 5000, marks[0].X, 60)
	require.InDelta(t, 6000, marks[0].X2, 60)

	// A refusal puts the list of what is not right first.
	visit(d.url("letters"))
	portaltest.Evaluate[chromedp.Void](t, ctx, `document.querySelector("textarea").value = " "; document.querySelector("#form").requestSubmit()`)
	portaltest.Until[bool](t, ctx, `document.activeElement.id === "errors"`)
}
