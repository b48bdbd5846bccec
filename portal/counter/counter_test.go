package counter

import (
	"html/template"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
	"pgregory.net/rapid"
)

func TestSignIn(t *testing.T) {
	d := newDesk(t)
	v := &visitor{d: d, cookies: map[string]string{}}
	g := v.get("/counter")
	require.Equal(t, 303, g.StatusCode)
	require.Equal(t, "/counter/sign-in", g.Header.Get("Location"))

	wrong := v.page("/counter/sign-in").form("/counter/sign-in").set("login", "rosa<b>").set("password", "not this one at all").send()
	require.Equal(t, 403, wrong.StatusCode)
	require.Equal(t, "rosa<b>", wrong.kept("/counter/sign-in").Get("login"))
	require.Empty(t, wrong.kept("/counter/sign-in").Get("password"))
	right := v.page("/counter/sign-in").form("/counter/sign-in").set("login", "rosa").set("password", "not this one at all").send()
	require.Equal(t, strings.ReplaceAll(wrong.body, "rosa&lt;b&gt;", "rosa"), right.body, "an unknown name and a wrong password get the same answer")

	rosa := d.as("rosa")
	require.Contains(t, rosa.page("/counter").body, "Rosa")
	require.Equal(t, 303, rosa.get("/counter/sign-in").StatusCode)
	out := rosa.page("/counter").form("/counter/sign-out").send()
	require.Equal(t, 303, out.StatusCode)
	require.Equal(t, 303, rosa.get("/counter").StatusCode, "signed out")
}

func TestFormsNeedTheirSession(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	before := d.version()
	f := d.as("rosa").page(d.url("letters")).form(d.url("letters")).set("text", "Hello")
	f.values.Set("csrf", "something else")
	require.Equal(t, 403, f.send().StatusCode)
	f.values.Del("csrf")
	require.Equal(t, 403, f.send().StatusCode)
	stranger := &visitor{d: d, cookies: map[string]string{}}
	f.v = stranger
	require.Equal(t, 401, f.send().StatusCode)
	require.Equal(t, before, d.version())
}

func TestBoard(t *testing.T) {
	d := newDesk(t)
	rosa := d.as("rosa")
	require.Contains(t, rosa.page("/counter").body, "No job is here.")

	d.diagnosing()
	first := d.n
	d.n = ""
	d.awaiting()
	second := d.n
	d.n = ""
	d.booked()
	d.n = first
	d.do(mira, workflow.SendMessage{Text: "How is it going?"})
	d.do(nils, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "A lamp"})
	page := rosa.page("/counter").body
	require.Contains(t, page, "question to answer")
	require.Contains(t, page, "on hold for parts")
	require.Contains(t, page, "waiting for the customer")
	require.Contains(t, page, "not here yet")
	require.Contains(t, page, `Awaiting approval <span class="count">1</span>`)

	narrow := rosa.page("/counter?stage=awaiting_approval").body
	require.Contains(t, narrow, second.Shown())
	require.NotContains(t, narrow, first.Shown())
	require.Contains(t, rosa.page("/counter?stage=nonsense").body, first.Shown(), "an unknown stage shows all")
	require.Equal(t, 422, rosa.get("/counter?after=nonsense").StatusCode)

	// The clock passes the promise of the one that is not on hold any more.
	d.do(nils, workflow.LiftHold{})
	d.now = d.now.AddDate(0, 0, 15)
	_, err := d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	late := d.as("rosa").page("/counter").body
	require.Contains(t, late, "Over the promise")
	require.Regexp(t, `working hours? over|over since`, late)
	require.Less(t, strings.Index(late, first.Shown()), strings.Index(late, second.Shown()), "the one in breach stands on top")
}

func TestMailThatCameBack(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	notice := d.job().Notices[0].ID
	d.do(workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"}, workflow.RecordDelivery{ID: notice, Buried: "There is no such mailbox <x>."})
	nils := d.as("nils")
	require.Contains(t, nils.page("/counter").body, "email came back: telephone")
	page := nils.page(d.url("")).body
	require.Contains(t, page, "An email did not arrive. Telephone the customer.")
	require.Contains(t, page, "There is no such mailbox &lt;x&gt;.")
	require.Contains(t, page, `href="tel:&#43;19025550142"`)
	require.NotContains(t, page, "Send it again", "the bench does not write to customers")

	rosa := d.as("rosa")
	again := d.url("notices/again")
	require.Equal(t, 303, rosa.page(d.url("")).form(again).set("id", notice).send().StatusCode)
	require.True(t, d.job().Notices[0].BuriedAt.IsZero())
	require.Empty(t, d.job().Undelivered())
	d.do(workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"}, workflow.RecordDelivery{ID: notice, Buried: "The mailbox is full."})
	require.Equal(t, 303, rosa.page(d.url("")).form(d.url("notices/told")).set("id", notice).send().StatusCode)
	require.Empty(t, d.job().Undelivered())
	require.NotContains(t, nils.page("/counter").body, "email came back: telephone")
	require.Contains(t, rosa.page(d.url("")).body, "The customer was told")

	// A bounce marks the address, until it is corrected.
	const dead = "The email address doesn’t work."
	d.do(workflow.Actor{Role: workflow.RoleSystem, ID: "inbox"}, workflow.RecordBounce{ID: notice, Reason: "It came back.", Dead: true})
	require.Contains(t, rosa.page(d.url("")).body, dead)
	d.do(workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, workflow.ChangeCustomer{Person: workflow.Person{Name: "Mira Osei", Email: "other@post.example"}})
	require.NotContains(t, rosa.page(d.url("")).body, dead)

	// The outbox over all jobs, and the customer's choice as the counter sees it.
	require.Contains(t, rosa.page("/counter/mails").body, d.n.Shown())
	require.Contains(t, rosa.page("/counter/mails?state=sent").body, "There is none.")
	require.Contains(t, rosa.page(d.url("")).body, "The customer gets an email at every step.")
	at := d.url("notices")
	require.Equal(t, 303, rosa.page(at).form(at).set("choice", "what_needs_me").send().StatusCode)
	require.Contains(t, rosa.page(d.url("")).body, "The customer chose to get only what needs them")
}

func TestDueToday(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	// Ten working days after Monday 16 November 2026 end on Monday 30 November at 17:00.
	d.now = d.now.AddDate(0, 0, 14)
	require.Contains(t, d.as("rosa").page("/counter").body, "due today 17:00")
	d.now = d.now.AddDate(0, 0, 1).Add(-1) // Tuesday 1 December, 10:06 at the shop
	_, err := d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	require.Contains(t, d.as("rosa").page("/counter").body, "1 working hour over")
	require.Contains(t, d.as("nils").page(d.url("")).body, "1 working hour over")
}

func TestSearch(t *testing.T) {
	d := newDesk(t)
	d.received()
	rosa := d.as("rosa")
	require.Contains(t, rosa.page("/counter/search?q=osei").body, d.n.Shown())
	require.Contains(t, rosa.page("/counter/search?q=h-20417").body, d.n.Shown())
	require.Contains(t, rosa.page("/counter/search?q=nothing+such").body, "Nothing was found")
	g := rosa.get("/counter/search?q=" + strings.ToLower(d.n.Shown()))
	require.Equal(t, d.url("")[:len(d.url(""))-1], g.Header.Get("Location"))
	hostile := rosa.page("/counter/search?q=%22%3E%3Cscript%3Ealert(1)%3C%2Fscript%3E%00%FF" + strings.Repeat("x", 2000))
	require.NotContains(t, hostile.body, "<script>alert")
}

func TestNewJob(t *testing.T) {
	d := newDesk(t)
	rosa := d.as("rosa")
	page := rosa.page("/counter/new")
	bad := page.form("/counter/new").set("fault", "It \"hums\" <i>softly</i>.\nAlways.").set("name", "Mira").set("kind", "radio").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "It \"hums\" <i>softly</i>.\nAlways.", bad.kept("/counter/new").Get("fault"))
	require.Contains(t, bad.body, `<a href="#email">`)
	require.Contains(t, bad.body, `id="email-error"`)

	f := bad.form("/counter/new").set("phone", "+1 902 555 0142").set("limit", "120")
	ok := f.send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.True(t, strings.HasSuffix(ok.Header.Get("Location"), "/intake"))
	again := f.again()
	require.Equal(t, ok.Header.Get("Location"), again.Header.Get("Location"), "a double click writes one job down")
	counts, err := d.svc.Counts(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, counts[workflow.StageBooked])
	require.Contains(t, ok.follow().body, "The job is ")

	wrong := rosa.page("/counter/new").form("/counter/new").set("kind", "radio").set("fault", "Hiss").set("name", "Ola").set("phone", "1").set("follows", "ABC").send()
	require.Equal(t, 422, wrong.StatusCode)
	require.Contains(t, wrong.body, `<a href="#follows">`)

	d.shipped()
	back := rosa.page("/counter/new?follows=" + string(d.n)).form("/counter/new")
	require.Equal(t, "Mira Osei", back.values.Get("name"))
	g := back.set("fault", "The hum is back.").send()
	require.Equal(t, 303, g.StatusCode, g.problems())
	require.Contains(t, rosa.page(strings.TrimSuffix(g.Header.Get("Location"), "/intake")).body, d.n.Shown())

	require.Equal(t, 403, d.as("nils").get("/counter/new").StatusCode, "the bench takes no jobs in")
}

func TestIntake(t *testing.T) {
	d := newDesk(t)
	d.booked()
	nils := d.as("nils")
	at := d.url("intake")
	f := nils.page(at).form(at)
	require.Equal(t, "Halden F2 film scanner", f.values["item"][0])
	require.Equal(t, "0", f.values.Get("device"))

	// Everything at once, and received; but one safety answer is missing.
	f.nth("item", 1, "Film <holder>").nth("state", 1, "cracked").set("serial", "H-20417").set("lithium", "no").set("mains", "yes").set("liquid", "no")
	f.file("photo", "parcel.jpg", picture(t, 1)).file("photo", "device.jpg", picture(t, 2))
	before := len(d.job().Contents)
	bad := f.press("receive")
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, before, len(d.job().Contents))
	require.Contains(t, bad.body, `<a href="#cell_damaged">`)
	require.Equal(t, "Film <holder>", bad.kept(at)["item"][1])
	require.Len(t, d.job().Photos, 2, "photos of a refused form are kept")
	require.Contains(t, bad.body, "2 photos are kept")

	f = bad.form(at).set("cell_damaged", "no")
	ok := f.press("receive")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	j := d.job()
	require.Equal(t, workflow.StageReceived, j.Stage)
	require.Len(t, j.Contents, 2)
	require.Equal(t, workflow.Item{ID: 2, Text: "Film <holder>", Condition: "cracked"}, j.Contents[1])
	require.Len(t, j.Photos, 2)
	require.Equal(t, 303, f.again().StatusCode)
	require.Equal(t, j.Version, d.version(), "sent twice, done once")
	require.Contains(t, ok.follow().body, "First look")

	// A list that somebody else changed in the meantime is not overwritten.
	mine := nils.page(at).form(at)
	yours := nils.page(at).form(at).nth("item", 2, "A cable").press("keep")
	require.Equal(t, 303, yours.StatusCode, yours.problems())
	stale := mine.nth("item", 2, "A pedal").press("keep")
	require.Equal(t, 409, stale.StatusCode)
	require.Equal(t, "A pedal", stale.kept(at)["item"][2], "typed text stays")
	require.Equal(t, "A cable", d.job().Contents[2].Text)
	fresh := stale.form(at).press("keep")
	require.Equal(t, 303, fresh.StatusCode, "with the change seen, the form can be sent again")
	require.Equal(t, "A pedal", d.job().Contents[2].Text)
}

func TestReceiveNeedsAll(t *testing.T) {
	d := newDesk(t)
	d.booked()
	at := d.url("intake")
	before := d.version()
	g := d.as("nils").page(at).form(at).set("serial", "X1").press("receive")
	require.Equal(t, 409, g.StatusCode)
	require.Contains(t, g.body, "Add at least one arrival photo.")
	require.Contains(t, g.body, "Answer the safety screening")
	require.Equal(t, "X1", g.kept(at).Get("serial"))
	require.Equal(t, before, d.version())
}

func TestFirstLook(t *testing.T) {
	d := newDesk(t)
	d.received()
	at := d.url("look")
	nils := d.as("nils")
	g := nils.page(at).form(at).set("condition", "Lid scratched").press("start")
	require.Equal(t, 409, g.StatusCode)
	require.Contains(t, g.body, "Say whether the fault was reproduced")
	require.Equal(t, "Lid scratched", g.kept(at).Get("condition"))
	g = g.form(at).set("result", "intermittent").set("note", "Two of ten tries").press("start")
	require.Equal(t, 303, g.StatusCode, g.problems())
	require.Equal(t, workflow.StageDiagnosing, d.job().Stage)
	require.Equal(t, workflow.FaultIntermittent, d.job().Reproduction.Result)
}

// TestPlacesOnTheBoardComeBack: a page of the board goes on exactly where the last one ended.
// What is wrong with how the portal is reached stands on the owner's board, and nobody else's.
func TestOwnersAreWarned(t *testing.T) {
	d := newDesk(t)
	for _, login := range []string{"olga", "rosa", "nils"} {
		v := d.as(login)
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("X-Forwarded-For", "198.51.100.1")
		v.send(r)
		require.Equal(t, login == "olga", strings.Contains(v.get("/counter").body, "trusted_proxies"), login)
	}
}

func TestPlacesOnTheBoardComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, err := workflow.NewJobNumber(strings.NewReader(rapid.StringN(64, 64, -1).Draw(t, "random")))
		require.NoError(t, err)
		r := workflow.Row{Job: n}
		r.Breached = rapid.Bool().Draw(t, "breached")
		at := func(name string) time.Time {
			ms := rapid.Int64Range(0, 1e13).Draw(t, name)
			if ms == 0 {
				return time.Time{}
			}
			return time.UnixMilli(ms).UTC()
		}
		r.DueAt, r.ChangedAt = at("due"), at("changed")
		got, err := readPlace(writePlace(r))
		require.NoError(t, err)
		require.Equal(t, r, *got)
	})
	rapid.Check(t, func(t *rapid.T) {
		_, err := readPlace(rapid.String().Draw(t, "anything"))
		if err != nil {
			require.Equal(t, workflow.CodeInvalid, workflow.CodeOf(err))
		}
	})
}

// TestBoardGoesOn pages through more jobs than fit on one page; each stands there once.
func TestBoardGoesOn(t *testing.T) {
	d := newDesk(t)
	const jobs = boardSize + 7
	for range jobs {
		d.n = ""
		d.booked()
	}
	rosa := d.as("rosa")
	seen := map[string]bool{}
	link := regexp.MustCompile(`href="(/counter/job/[A-Z0-9]+)"`)
	more := regexp.MustCompile(`href="(/counter\?[^"]*after=[^"]*)"`)
	pages := 0
	for path := "/counter"; path != ""; pages++ {
		body := rosa.page(path).body
		for _, m := range link.FindAllStringSubmatch(body, -1) {
			require.False(t, seen[m[1]], "twice on the board")
			seen[m[1]] = true
		}
		path = ""
		if m := more.FindStringSubmatch(body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	require.Equal(t, 2, pages)
	require.Len(t, seen, jobs)
}

// A row of the board and the head of the job's page say what stands: where it is, what the customer is waited for, and
// the date that they read.
func TestTheBoardSaysWhatStands(t *testing.T) {
	d := newDesk(t)
	rosa := d.as("rosa")
	row := func() (group string, r boardRow) {
		rows, err := d.svc.Board(t.Context(), workflow.BoardFilter{Limit: 1})
		require.NoError(t, err)
		require.Len(t, rows, 1)
		group, r = boardRowOf(rows[0], d.job(), d.svc.Shop, d.now)
		require.Contains(t, rosa.page(d.url("")).body, template.HTMLEscapeString(locale.Capital(r.Promise)+"."), "the job's page says the same")
		return group, r
	}
	d.awaiting()
	group, r := row()
	told := d.job().Standing(d.svc.Shop, d.now).Date
	k := newClock(d.svc.Shop, d.now)
	require.Equal(t, []string{"stopped", "Awaiting approval"}, []string{group, r.StageWords})
	require.Contains(t, r.Promise, "the customer’s date: "+k.day(told.At)+", if it goes on by "+k.day(told.If))
	require.Equal(t, []boardFlag{{"wait", "waiting for the customer: the quote"}}, r.Flags)

	d.do(mira, workflow.Decide{Verdict: workflow.VerdictApprove, Option: "A", Digest: d.job().Quote().Digest, Name: "Mira Osei"})
	group, r = row()
	require.Equal(t, []string{"later", "In the queue"}, []string{group, r.StageWords})
	require.Empty(t, r.Flags)
	d.do(bench, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "A lamp"})
	_, r = row()
	require.Equal(t, "Repairing", r.StageWords)
	require.Equal(t, []boardFlag{{"hold", "on hold for parts"}}, r.Flags, "the customer is waited for with nothing")

	// Waiting moved the clock by less than a day: the date told stands, and the clock's beside it.
	d.now = d.now.Add(2 * time.Hour)
	d.do(bench, workflow.LiftHold{})
	date := d.job().Standing(d.svc.Shop, d.now).Date
	require.NotEqual(t, k.day(date.At), k.day(date.Due))
	_, r = row()
	require.Equal(t, "due "+k.due(date.Due)+"; the customer’s date: "+k.day(date.At), r.Promise)
}
