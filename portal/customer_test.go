package portal

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

func TestBooking(t *testing.T) {
	d := newDesk(t)
	require.Contains(t, d.get("/").body, "/book")
	require.Equal(t, 200, d.get("/book").StatusCode)
	require.Contains(t, d.get("/packing").body, "Never post a cell")

	bad := d.post("/book", "fault", "It hums <b>loudly</b>.", "email", "")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, "<title>Error: ")
	require.Contains(t, bad.body, "It hums &lt;b&gt;loudly&lt;/b&gt;.", "what was typed stays")
	for _, field := range []string{"cell", "kind", "name", "email"} {
		require.Contains(t, bad.body, `<a href="#`+field+`">`)
		require.Contains(t, bad.body, `id="`+field+`-error"`)
	}
	wrong := d.post("/book", "cell", "no", "kind", "scanner", "fault", "It hums.", "name", "Mira", "email", "mira", "limit", "1,2,3")
	require.Equal(t, 422, wrong.StatusCode)
	require.Contains(t, wrong.body, `<a href="#limit">`)
	wrong = d.post("/book", "cell", "no", "kind", "scanner", "fault", "It hums.", "name", "Mira", "email", "mira")
	require.Equal(t, 422, wrong.StatusCode)
	require.Contains(t, wrong.body, `<a href="#email">`)
	crlf := d.post("/book", "cell", "no", "kind", "scanner", "fault", "It hums.", "name", "Mira\r\nBcc: all@example.org", "email", "m@post.example")
	require.Equal(t, 422, crlf.StatusCode)

	for _, cell := range []string{"yes", "unknown", "perhaps"} {
		stop := d.post("/book", "cell", cell, "kind", "scanner", "fault", "It hums.", "name", "Mira", "email", "m@post.example", "parts", "Yes <please>")
		require.Equal(t, 422, stop.StatusCode, "a battery that may be damaged gets no address to be posted to")
		require.Equal(t, cell != "perhaps", strings.Contains(stop.body, "Please don’t post it"))
		require.Contains(t, stop.body, `value="Yes &lt;please&gt;"`, "what was typed stays")
	}
	fields := []string{"cell", "no", "kind", "film scanner", "fault", "It hums.", "happened", "It fell, <i>once</i>", "value", "800", "name", "Mira Osei", "email", "mira@post.example", "limit", "120,5", "time_zone", "Europe/Lisbon"}
	ok := d.post("/book", fields...)
	require.Equal(t, 303, ok.StatusCode)
	at := ok.Header.Get("Location")
	require.True(t, strings.HasPrefix(at, "/j/") && strings.HasSuffix(at, "/booked"), at)
	again := d.post("/book", fields...)
	require.Equal(t, at, again.Header.Get("Location"), "a double click books once")

	page := d.get(at)
	require.Equal(t, 200, page.StatusCode)
	require.Contains(t, page.body, "1 Dock Street")
	require.Contains(t, page.body, "http://desk.example/j/")
	rows, err := d.svc.Board(context.Background(), workflow.BoardFilter{Limit: 10})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	d.n = rows[0].Job
	require.Contains(t, page.body, d.n.Shown())
	j := d.job()
	require.Equal(t, "120.50 CAD", j.Limit.String())
	require.Equal(t, "It hums.\n\nDid it get wet, fall, smoke or give a shock?\nIt fell, <i>once</i>\n\nWhat is it worth, for the insurance of the parcel?\n800", j.Fault.Text)
	require.Equal(t, "Europe/Lisbon", j.Customer.TimeZone)

	odd := d.post("/book", "cell", "no", "kind", "radio", "fault", "It hisses.", "name", "Ola", "phone", "+1 902 555 0101", "time_zone", "Mars/Olympus")
	require.Equal(t, 303, odd.StatusCode, "a zone that no browser would name is dropped, not refused")
}

func TestTrackingPage(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	page := d.get(at)
	require.Equal(t, 200, page.StatusCode)
	require.Equal(t, "private, no-cache", page.Header.Get("Cache-Control"))
	require.Equal(t, "no-referrer", page.Header.Get("Referrer-Policy"))
	require.Contains(t, page.body, "Where is it?")
	require.Contains(t, page.body, "It leaves us by Monday 30 November")
	require.NotContains(t, page.Header.Get("Content-Security-Policy"), "unsafe")

	same := d.get(at, "If-None-Match", page.Header.Get("ETag"))
	require.Equal(t, 304, same.StatusCode)
	require.Empty(t, same.body)
	d.do(staff, workflow.SendMessage{Text: "Do you have the power lead?", Question: true})
	changed := d.get(at, "If-None-Match", page.Header.Get("ETag"))
	require.Equal(t, 200, changed.StatusCode)
	require.Contains(t, changed.body, "Do you have the power lead?")

	head := d.send(httptest.NewRequest(http.MethodHead, at, nil))
	require.Equal(t, 200, head.StatusCode)

	photo := d.get(at + "/photo/1/large.jpg")
	require.Equal(t, 200, photo.StatusCode)
	require.Equal(t, "large-copy", photo.body)
	for _, missing := range []string{at + "/photo/2/large.jpg", at + "/photo/1/original.jpg", at + "/photo/x/small.jpg", at + "/report/1", at + "/report/x", "/j/" + strings.Repeat("a", 32), "/j/short", "/d/" + strings.Repeat("a", 32)} {
		require.Equal(t, 404, d.get(missing).StatusCode, missing)
	}

	d.do(staff, workflow.RevokeLinks{})
	gone := d.get(at)
	require.Equal(t, 410, gone.StatusCode)
	require.NotContains(t, gone.body, "Halden", "an ended link tells nothing about its job")
	require.Contains(t, gone.body, "/find")
	require.NotContains(t, d.log.String(), strings.TrimPrefix(at, "/j/"), "no link is ever logged")
}

func TestLetters(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	empty := d.post(at+"/message", "text", "  ")
	require.Equal(t, 422, empty.StatusCode)
	require.Contains(t, empty.body, `<a href="#text">`)
	long := strings.Repeat("ä", workflow.MaxText+1)
	tooLong := d.post(at+"/message", "text", long)
	require.Equal(t, 422, tooLong.StatusCode)
	require.Contains(t, tooLong.body, long, "what was typed stays in the form")

	sent := d.post(at+"/message", "text", "It is <i>urgent</i>.")
	require.Equal(t, 303, sent.StatusCode)
	d.post(at+"/message", "text", "It is <i>urgent</i>.")
	require.Len(t, d.job().Messages, 1, "a double click writes once")
	var flash *http.Cookie
	for _, c := range sent.Cookies() {
		flash = c
	}
	require.NotNil(t, flash)
	page := d.get(at, "Cookie", flash.Name+"="+flash.Value)
	require.Contains(t, page.body, "We have your message.")
	require.Contains(t, page.body, "It is &lt;i&gt;urgent&lt;/i&gt;.")
	require.NotContains(t, d.get(at).body, "We have your message.", "a kept page holds nobody's flash")
}

func TestForeignFormsAreRefused(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	r := httptest.NewRequest(http.MethodPost, "/j/"+d.token(link.Own)+"/message", strings.NewReader("text=hello"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "https://elsewhere.example")
	require.Equal(t, 403, d.send(r).StatusCode)
	require.Empty(t, d.job().Messages)
}

func TestFindTellsNothing(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	notices := func() (n int) {
		d.s.work.Wait()
		for _, x := range d.job().Notices {
			if x.Kind == workflow.NoticeLink {
				n++
			}
		}
		return n
	}
	right := d.post("/find", "number", strings.ToLower(d.n.Shown()), "email", "MIRA@post.example")
	require.Equal(t, 1, notices())
	wrong := d.post("/find", "number", d.n.Shown(), "email", "somebody@else.example")
	other, err := workflow.NewJobNumber(d.svc.Random)
	require.NoError(t, err)
	unknown := d.post("/find", "number", string(other), "email", "mira@post.example")
	require.Equal(t, 1, notices())
	require.Equal(t, right.body, wrong.body)
	require.Equal(t, right.body, unknown.body)
	require.Equal(t, []int{200, 200, 200}, []int{right.StatusCode, wrong.StatusCode, unknown.StatusCode})
	for range 5 {
		d.post("/find", "number", d.n.Shown(), "email", "mira@post.example")
	}
	require.Equal(t, linksAsked, notices(), "nobody's mailbox is flooded")
	d.now = d.now.Add(linksWithin + time.Minute)
	d.post("/find", "number", d.n.Shown(), "email", "mira@post.example")
	require.Equal(t, linksAsked+1, notices())

	bad := d.post("/find", "number", "K7M", "email", "mira")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#number">`)
	require.Contains(t, bad.body, `<a href="#email">`)
}

func TestDeciding(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	page := d.get(at)
	require.Equal(t, 200, page.StatusCode)
	require.Contains(t, page.body, "CA$115.00")
	require.NotContains(t, page.body, "checked", "of several options none is chosen beforehand")
	require.NotContains(t, page.body, "<details open", "nobody is led to a no")
	require.Contains(t, page.body, `id="name" name="name" value="Mira Osei"`)
	digest := d.job().Quote().Digest
	before := d.version()

	none := d.post(at+"/review", "verdict", "approve", "digest", digest)
	require.Equal(t, 422, none.StatusCode)
	for _, field := range []string{"option", "name"} {
		require.Contains(t, none.body, `<a href="#`+field+`">`)
	}
	half := d.post(at+"/review", "verdict", "approve", "digest", digest, "option", "A", "name", "Mira O'Sei", "back", "yes")
	require.Equal(t, 200, half.StatusCode)
	require.Contains(t, half.body, `value="Mira O&#39;Sei"`)
	require.Contains(t, half.body, `id="option-A" checked`)
	review := d.post(at+"/review", "verdict", "approve", "digest", digest, "option", "A", "name", "Mira Osei")
	require.Equal(t, 200, review.StatusCode)
	require.Contains(t, review.body, "Yes, at CA$115.00")
	require.Contains(t, review.body, workflow.ConsentWords)
	back := d.post(at+"/review", "verdict", "approve", "digest", digest, "option", "A", "name", "Mira Osei", "back", "yes")
	require.Equal(t, 200, back.StatusCode)
	require.Contains(t, back.body, `id="option-A" checked`)
	require.Contains(t, back.body, `value="Mira Osei"`)
	require.Equal(t, 422, d.post(at, "verdict", "approve", "digest", digest, "option", "A", "name", "Mira Osei").StatusCode, "without the summary's button")
	require.Equal(t, 422, d.post(at, "verdict", "approve", "digest", digest, "option", "Z", "name", "Mira Osei", "sum", d.sum("A"), "confirm", "yes").StatusCode)
	require.Equal(t, 422, d.post(at, "verdict", "perhaps", "digest", digest, "confirm", "yes").StatusCode)
	require.Equal(t, 409, d.post(at, "verdict", "approve", "digest", strings.Repeat("0", 64), "option", "A", "name", "Mira", "sum", d.sum("A"), "confirm", "yes").StatusCode)
	require.Equal(t, before, d.version(), "nothing was decided so far")

	ask := d.post(at, "verdict", "ask", "digest", digest, "words", "Is it worth it?")
	require.Equal(t, 303, ask.StatusCode)
	d.post(at, "verdict", "ask", "digest", digest, "words", "Is it worth it?")
	require.Len(t, d.job().Messages, 1)
	require.Equal(t, workflow.StageAwaitingApproval, d.job().Stage)
	require.Contains(t, d.get(at).body, "We have your question.")

	fields := []string{"verdict", "approve", "digest", digest, "option", "A", "name", "Mira Osei", "sum", d.sum("A"), "confirm", "yes"}
	yes := d.post(at, fields...)
	require.Equal(t, 303, yes.StatusCode)
	require.Equal(t, at+"/done", yes.Header.Get("Location"))
	require.Equal(t, workflow.StageRepairing, d.job().Stage)
	done := d.get(at + "/done")
	require.Equal(t, "no-store", done.Header.Get("Cache-Control"))
	require.Equal(t, 200, done.StatusCode)
	require.Contains(t, done.body, "You said yes to “A: Repair it” at CA$115.00.")
	decided := d.version()
	require.Equal(t, 303, d.post(at, fields...).StatusCode, "the same answer again is taken as the same")
	require.Equal(t, decided, d.version())
	no := d.post(at, "verdict", "decline", "digest", digest, "name", "Mira Osei", "confirm", "yes")
	require.Equal(t, 409, no.StatusCode)
	require.Contains(t, no.body, "that answer stands")
	require.Equal(t, decided, d.version())
	require.Contains(t, d.get(at).body, "You said yes to “A: Repair it”")

	last := d.job().Decisions[len(d.job().Decisions)-1]
	require.Equal(t, "Mira Osei", last.Name.Text)
	require.True(t, last.Filled, "it was filled in, and confirmed by the button")
	require.Equal(t, digest, last.Digest)
	require.Equal(t, "115.00 CAD", last.Total.String())
	require.NotEmpty(t, last.Address.Text)
}

// One option is chosen beforehand: open, go on, and the button with the sum.
func TestThreeTaps(t *testing.T) {
	d := newDesk(t)
	d.toAwaiting()
	d.do(staff, workflow.IssueQuote{Options: []workflow.Option{option(workflow.OptionRepair, "Repair it", "140.00")}, Reason: "A part is dearer."})
	at := "/d/" + d.token(link.Decide)
	q := d.job().Quote()
	found, _ := forms(t, d.get(at).body)
	review := d.post(at+"/review", "verdict", "approve", "digest", q.Digest, "option", found[0].values.Get("option"), "name", found[0].values.Get("name"))
	require.Equal(t, 200, review.StatusCode)
	require.Contains(t, review.body, `name="confirm" value="yes">Yes, at CA$161.00<`)
	require.Regexp(t, `If you answer by \w+ \d+ \w+, it leaves us by \w+ \d+ \w+\.`, review.body, "the button's page has the date")
	found, _ = forms(t, review.body)
	var fields []string
	for k, v := range found[0].values {
		fields = append(fields, k, v[0])
	}
	require.Equal(t, 422, d.post(at, fields...).StatusCode, "not without the button")
	require.Equal(t, 303, d.post(at, append(fields, "confirm", "yes")...).StatusCode)
	require.Equal(t, workflow.StageRepairing, d.job().Stage)
	require.True(t, d.job().Decisions[0].Filled)

	other := newDesk(t)
	at = other.toAwaiting()
	require.Equal(t, 303, other.post(at, "verdict", "approve", "digest", other.job().Quote().Digest, "option", "A", "name", "Kofi Osei", "sum", other.sum("A"), "confirm", "yes").StatusCode)
	require.False(t, other.job().Decisions[0].Filled, "another name was typed")
}

func TestSayingNo(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	digest := d.job().Quote().Digest
	refused := d.post(at+"/review", "verdict", "decline", "digest", digest)
	require.Equal(t, 422, refused.StatusCode)
	require.Contains(t, refused.body, "<details open")
	review := d.post(at+"/review", "verdict", "decline", "digest", digest, "name", "Mira Osei", "words", "Too dear.", "option", "A")
	require.Equal(t, 200, review.StatusCode)
	require.Contains(t, review.body, "You are about to say no")
	require.Equal(t, 303, d.post(at, "verdict", "decline", "digest", digest, "name", "Mira Osei", "words", "Too dear.", "sum", "0.00 CAD", "confirm", "yes").StatusCode)
	require.Equal(t, workflow.OutcomeUnrepaired, d.job().Outcome)
	require.Contains(t, d.get(at+"/done").body, "You said no to the quote.")
}

func TestRecyclingEndsTheLinkButLeavesTheReceipt(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	digest := d.job().Quote().Digest
	yes := d.post(at, "verdict", "approve", "digest", digest, "option", "C", "name", "Mira Osei", "sum", d.sum("C"), "confirm", "yes")
	require.Equal(t, 303, yes.StatusCode)
	require.Equal(t, workflow.StageWithdrawn, d.job().Stage)
	done := d.get(at + "/done")
	require.Equal(t, 200, done.StatusCode)
	require.Contains(t, done.body, "Recycle it")
	require.NotContains(t, done.body, "/j/", "the tracking page does not open by this link any more")
	require.Equal(t, 410, d.get(at).StatusCode)
}

func TestQuotesThatEndedTellTheTruth(t *testing.T) {
	replaced := newDesk(t)
	at := replaced.toAwaiting()
	digest := replaced.job().Quote().Digest
	replaced.do(staff, workflow.IssueQuote{Options: []workflow.Option{option(workflow.OptionRepair, "Repair it", "140.00")}, Reason: "A part is dearer."})
	for _, r := range []got{replaced.get(at), replaced.post(at, "verdict", "approve", "digest", digest, "option", "A", "name", "Mira", "sum", replaced.sum("A"), "confirm", "yes")} {
		require.Equal(t, 410, r.StatusCode)
		require.Contains(t, r.body, "A newer quote took this one’s place")
	}
	require.Empty(t, replaced.job().Decisions)

	taken := newDesk(t)
	at = taken.toAwaiting()
	taken.do(staff, workflow.WithdrawQuote{Reason: "We found more."})
	gone := taken.get(at)
	require.Equal(t, 410, gone.StatusCode)
	require.Contains(t, gone.body, "We took this quote back")

	expired := newDesk(t)
	at = expired.toAwaiting()
	digest = expired.job().Quote().Digest
	expired.now = expired.now.Add(15 * 24 * time.Hour)
	late := expired.post(at, "verdict", "approve", "digest", digest, "option", "A", "name", "Mira", "sum", expired.sum("A"), "confirm", "yes")
	require.Equal(t, 410, late.StatusCode)
	require.Contains(t, late.body, "This quote has run out")
	require.Empty(t, expired.job().Decisions)
	look := "/j/" + expired.token(link.Own)
	_, err := expired.svc.WakeDue(context.Background())
	require.NoError(t, err)
	require.Contains(t, expired.get(look).body, "what would you like us to do")
}

func TestALookLinkDecidesNothing(t *testing.T) {
	d := newDesk(t)
	d.toAwaiting()
	token := d.token(link.Own)
	digest := d.job().Quote().Digest
	before := d.version()
	require.Equal(t, 403, d.get("/d/"+token).StatusCode)
	for _, path := range []string{"/d/" + token, "/d/" + token + "/review"} {
		require.Equal(t, 403, d.post(path, "verdict", "approve", "digest", digest, "option", "A", "name", "Mira", "sum", d.sum("A"), "confirm", "yes").StatusCode)
	}
	require.Equal(t, 405, d.post("/j/"+token, "verdict", "approve").StatusCode)
	require.NotContains(t, d.get("/j/"+token).body, "/d/", "a page that may be forwarded leads to no decision")
	require.Equal(t, before, d.version())
	// The decide link opens the tracking page as well, and leads to the quote.
	decide := d.token(link.Decide)
	require.Contains(t, d.get("/j/"+decide).body, `href="/d/`+decide+`"`)
}

// A mail scanner follows every link with GET and HEAD, and sends every form as a script would: with the
// values it comes with, without any button, and empty.
func TestAScannerChangesNothing(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	before := d.version()
	digest := d.job().Quote().Digest
	review := d.post(at+"/review", "verdict", "approve", "digest", digest, "option", "A", "name", "Mira Osei")

	seen := map[string]bool{}
	queue := []string{at, "/j/" + strings.TrimPrefix(at, "/d/"), "/j/" + d.token(link.Own)}
	sent := 0
	try := func(page string) {
		found, links := forms(t, page)
		queue = append(queue, links...)
		for _, f := range found {
			if f.action == "/book" || f.action == "/find" {
				continue // no link in a mail leads into these with anything filled in
			}
			require.Equal(t, "post", f.method)
			d.postForm(f.action, f.values)
			d.postForm(f.action, url.Values{})
			sent++
			require.Equal(t, before, d.version(), f.action)
		}
	}
	try(review.body)
	for len(queue) > 0 {
		path, _, _ := strings.Cut(queue[0], "#")
		queue = queue[1:]
		if seen[path] || strings.HasPrefix(path, "/assets/") {
			continue
		}
		seen[path] = true
		d.send(httptest.NewRequest(http.MethodHead, path, nil))
		r := d.get(path)
		require.Less(t, r.StatusCode, 400, path)
		require.Equal(t, before, d.version(), path)
		try(r.body)
	}
	require.Greater(t, len(seen), 6)
	require.GreaterOrEqual(t, sent, 5)
}

func TestLivePage(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, d.s.Shutdown(ctx))
		require.NoError(t, <-served)
	}()
	at := "http://" + l.Addr().String() + "/j/" + d.token(link.Own)
	resp, err := http.Get(at + "/live")
	require.NoError(t, err)
	defer resp.Body.Close()
	require.Equal(t, "text/event-stream; charset=utf-8", resp.Header.Get("Content-Type"))
	lines := bufio.NewScanner(resp.Body)
	require.True(t, lines.Scan()) // the retry line: the stream is open
	d.do(staff, workflow.SendMessage{Text: "Here is news."})
	for lines.Scan() {
		if lines.Text() == "event: changed" {
			return
		}
	}
	t.Fatal("the stream ended without telling of the change")
}

// Search engines may name the front page and how to pack, and nothing that is anybody's.
func TestWhatSearchEnginesFind(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	robots := d.get("/robots.txt").body
	for _, path := range []string{"/", "/packing"} {
		page := d.get(path)
		require.Empty(t, page.Header.Get("X-Robots-Tag"), path)
		require.Contains(t, page.body, `<meta name="description" content="`, path)
		require.NotContains(t, page.body, "noindex", path)
		require.Contains(t, robots, "Allow: "+path+"$\n")
	}
	for _, path := range []string{at, "/j/" + d.token(link.Own), "/find", "/book", "/j/short"} {
		page := d.get(path)
		require.Contains(t, page.Header.Get("X-Robots-Tag"), "noindex", path)
		require.Contains(t, page.body, `<meta name="robots" content="noindex, nofollow">`, path)
	}
	require.Contains(t, robots, "Disallow: /\n")
}
