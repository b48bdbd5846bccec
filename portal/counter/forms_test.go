package counter

import (
	"archive/zip"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/portal/action"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

func TestPhotoWithFinding(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("finding")
	require.Contains(t, nils.page(d.url("")).body, `href="`+at+`"`, "one press from the job's page")

	// The quick way: a photo and a few words; all else is as it stands.
	f := nils.page(at).form(at).file("photo", "x.jpg", picture(t, 1)).set("text", "Joint beside the socket is cracked")
	ok := f.press("keep")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	j := d.job()
	require.Len(t, j.Findings, 1)
	require.Equal(t, []int{2}, j.Findings[0].Photos)
	require.Equal(t, workflow.OriginUnknown, j.Findings[0].Origin)
	require.Equal(t, workflow.CertaintySeen, j.Findings[0].Certainty)
	require.Equal(t, "Joint beside the socket is cracked", j.Photo(2).Caption.Text)
	require.Equal(t, workflow.PhotoEvidence, j.Photo(2).Kind)
	require.Equal(t, 303, f.again().StatusCode)
	require.Equal(t, j.Version, d.version(), "a double click notes it once")

	// A refused finding keeps its photo and its words.
	bad := nils.page(at).form(at).file("photo", "y.jpg", picture(t, 2)).set("text", "Hot <here>").set("certainty", "measured").set("origin", "earlier_work").press("keep")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#reading">`)
	require.Contains(t, bad.body, "The photo is kept")
	kept := bad.kept(at)
	require.Equal(t, "Hot <here>", kept.Get("text"))
	require.Equal(t, "earlier_work", kept.Get("origin"))
	require.Equal(t, []string{"3"}, kept["photos"])
	again := bad.form(at).set("reading", "71 °C").set("duty", "Put the screen back").press("another")
	require.Equal(t, 303, again.StatusCode, again.problems())
	require.Equal(t, at, again.Header.Get("Location"))
	j = d.job()
	require.Equal(t, []int{3}, j.Findings[1].Photos)
	require.Len(t, j.Photos, 3)
	require.Equal(t, 2, j.Duties[0].Finding)

	// A reading makes it measured by itself.
	nils.page(at).form(at).set("text", "Dry").set("reading", "ESR 9 ohm").press("keep").follow()
	require.Equal(t, workflow.CertaintyMeasured, d.job().Findings[2].Certainty)
}

func TestPhotoThatIsNone(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("finding")
	before := d.version()
	for _, body := range [][]byte{[]byte("no picture at all"), picture(t, 1)[:300], {}} {
		bad := nils.page(at).form(at).file("photo", "x.jpg", body).set("text", "Something <odd>").press("keep")
		require.Equal(t, 422, bad.StatusCode)
		require.Contains(t, bad.body, `<a href="#photo">`)
		require.Equal(t, "Something <odd>", bad.kept(at).Get("text"))
	}
	require.Equal(t, before, d.version())
}

func TestCorrectingAFinding(t *testing.T) {
	d := newDesk(t)
	d.explained()
	nils := d.as("nils")
	at := d.url("finding/1")
	f := nils.page(at).form(at)
	require.Equal(t, "A capacitor has dried out", f.values.Get("text"))
	require.Equal(t, []string{"2"}, f.values["photos"])
	bad := f.set("text", "").press("keep")
	require.Equal(t, 422, bad.StatusCode)
	ok := bad.form(at).set("text", "Two capacitors have dried out").press("keep")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, "Two capacitors have dried out", d.job().Finding(1).Text)
	require.Equal(t, 404, nils.get(d.url("finding/9")).StatusCode)

	gone := d.url("finding/1/withdraw")
	bad = nils.page(at).form(gone).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `id="reason-error"`)
	require.Equal(t, 303, bad.form(gone).set("reason", "Measured again").send().StatusCode)
	require.True(t, d.job().Finding(1).Withdrawn)
	require.Contains(t, nils.page(at).body, "Measured again")
}

func TestChecks(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("checks")
	bad := nils.page(at).form(at).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#name">`)
	bad = bad.form(at).set("name", "Lamp supply").set("check", "Measured <under> load").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "Measured <under> load", bad.kept(at).Get("check"))
	require.Empty(t, d.job().Suspects)
	ok := bad.form(at).set("outcome", "ruled_out").set("reading", "12.0 V").file("photo", "m.jpg", picture(t, 3)).send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	s := d.job().Suspects[0]
	require.Equal(t, workflow.CheckRuledOut, s.Verdict())
	require.Equal(t, []int{2}, s.Checks[0].Photos)
	next := nils.page(at).form(at).set("suspect", "1").set("check", "Again, warm").set("outcome", "confirmed").send()
	require.Equal(t, 303, next.StatusCode, next.problems())
	require.Equal(t, workflow.CheckConfirmed, d.job().Suspects[0].Verdict())
	named := nils.page(at).form(at).set("suspect", "new").set("name", "Feed motor").send()
	require.Equal(t, 303, named.StatusCode, named.problems())
	require.Len(t, d.job().Suspects, 2)
}

func TestPhotos(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	at := d.url("photos")
	require.Equal(t, 422, nils.page(at).form(at).send().StatusCode)
	f := nils.page(at).form(at)
	require.Equal(t, "evidence", f.values.Get("kind"))
	ok := f.file("photo", "a.jpg", picture(t, 1)).file("photo", "b.jpg", picture(t, 2)).send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	page := ok.follow()
	require.Contains(t, page.body, "2 photos are on the job.")

	words := d.url("photos/words")
	w := page.form(words)
	long := w.set("caption-2", strings.Repeat("ä", 201)).set("alt-3", "A <joint>").send()
	require.Equal(t, 422, long.StatusCode)
	require.Equal(t, "A <joint>", long.kept(words).Get("alt-3"))
	require.Equal(t, 303, long.form(words).set("caption-2", "The joint").send().StatusCode)
	require.Equal(t, "The joint", d.job().Photo(2).Caption.Text)
	require.Equal(t, "A <joint>", d.job().Photo(3).Alt.Text)

	img := nils.get(d.url("photo/2/small.jpg"))
	require.Equal(t, 200, img.StatusCode)
	require.Equal(t, "image/jpeg", img.Header.Get("Content-Type"))
	require.Equal(t, 404, nils.get(d.url("photo/99/small.jpg")).StatusCode)
	require.Equal(t, 404, nils.get(d.url("photo/2/huge.jpg")).StatusCode)
	stranger := &visitor{d: d, cookies: map[string]string{}}
	require.Equal(t, 303, stranger.get(d.url("photo/2/small.jpg")).StatusCode, "photos at the counter are for those signed in")

	// As the page's script sends it.
	one := nils.page(at).form(at)
	one.action, one.kind = d.url("photos/one"), ""
	g := one.file("photo", "c.jpg", picture(t, 4)).send()
	require.Equal(t, 200, g.StatusCode)
	require.JSONEq(t, `{"ok":true}`, g.body)
	bad := nils.page(at).form(at)
	bad.action = d.url("photos/one")
	g = bad.file("photo", "c.jpg", []byte("nothing")).send()
	require.Equal(t, 422, g.StatusCode)
	require.Contains(t, g.body, `"message"`)
}

// The bench sees the passcode on a tap that is written down, on that one page, and nowhere else.
func TestPasscodeOnPurpose(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	at := d.url("passcode")
	olga, nils := d.as("olga"), d.as("nils")
	require.Equal(t, 303, olga.page(d.url("customer")).form(d.url("customer/wishes")).set("return", "collect").set("insured", "250").set("data", "look").send().StatusCode)
	require.Equal(t, workflow.ReturnCollect, d.job().Wishes.Return)
	require.Contains(t, olga.page(d.url("")).body, "they collect it")
	require.Equal(t, 303, olga.page(at).form(d.url("passcode/give")).set("passcode", "zq-4711").send().StatusCode)
	for _, page := range []string{"", "passcode", "history"} {
		require.NotContains(t, nils.page(d.url(page)).body, "4711", page)
	}
	shown := nils.page(at).form(at).send()
	require.Equal(t, 200, shown.StatusCode)
	require.Contains(t, shown.body, "zq-4711")
	require.Contains(t, shown.Header.Get("Cache-Control"), "no-store")
	require.Len(t, d.job().Passcode.SeenAt, 1)
	require.NotContains(t, nils.page(at).body, "4711")
	require.Contains(t, nils.page(d.url("history")).body, "passcode.seen")
	require.Equal(t, 303, olga.page(at).form(d.url("passcode/wipe")).send().StatusCode)
	require.Nil(t, d.job().Passcode)

	p := workflow.Person{Name: "Mira Osei", Email: d.job().Customer.Email.Text, Phone: d.job().Customer.Phone.Text, Address: "9 Other Street"}
	d.do(workflow.Actor{Role: workflow.RoleCustomer, ID: "page"}, workflow.ChangeOwn{Person: p})
	page := olga.page(d.url(""))
	require.Contains(t, page.body, "hasn’t confirmed it yet: Address: 9 Other Street")
	require.Equal(t, 303, olga.page(d.url("customer")).form(d.url("customer/change")).set("mine", "yes").send().StatusCode)
	require.Equal(t, "9 Other Street", d.job().Customer.Address.Text)
}

func TestMarks(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	nils := d.as("nils")
	nils.page(d.url("photos")).form(d.url("photos")).file("photo", "a.jpg", picture(t, 1)).send().follow()
	at := d.url("photo/2")
	f := nils.page(at).form(at)
	bad := f.set("caption", "Here <it> is").set("m0.kind", "ring").set("m0.x", "20000").set("m0.y", "no").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#m0.x">`)
	require.Equal(t, "Here <it> is", bad.kept(at).Get("caption"))
	require.Equal(t, "20000", bad.kept(at).Get("m0.x"))
	ok := bad.form(at).set("m0.x", "2000").set("m0.y", "3000").set("m0.x2", "2500").set("m0.y2", "3000").set("m0.text", "The joint").set("m1.kind", "point").set("m1.x", "1").set("m1.y", "10000").set("m1.number", "1").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	p := d.job().Photo(2)
	require.Equal(t, []workflow.Mark{{Kind: workflow.MarkRing, X: 2000, Y: 3000, X2: 2500, Y2: 3000, Text: p.Marks[0].Text}, {Kind: workflow.MarkPoint, X: 1, Y: 10000, Number: 1}}, p.Marks)
	require.Equal(t, "The joint", p.Marks[0].Text.Text)
	old := p.Large.Digest

	blur := nils.page(at).form(at).set("m2.kind", "blur").set("m2.x", "0").set("m2.y", "0").set("m2.x2", "5000").set("m2.y2", "5000").send()
	require.Equal(t, 303, blur.StatusCode, blur.problems())
	require.NotEqual(t, old, d.job().Photo(2).Large.Digest, "what is blurred is gone from the copies")

	stale := nils.page(at).form(at).set("alt", "Mine")
	nils.page(at).form(at).set("alt", "Yours").send().follow()
	g := stale.send()
	require.Equal(t, 409, g.StatusCode)
	require.Equal(t, "Mine", g.kept(at).Get("alt"))

	gone := d.url("photo/2/remove")
	require.Equal(t, 422, nils.page(at).form(gone).send().StatusCode)
	require.Equal(t, 303, nils.page(at).form(gone).set("reason", "Shows a name").send().StatusCode)
	require.Equal(t, 404, nils.get(at).StatusCode)
}

func TestReportAndQuoteInOneStep(t *testing.T) {
	d := newDesk(t)
	d.explained()
	nils, rosa := d.as("nils"), d.as("rosa")
	report, quote, preview, send := d.url("report"), d.url("quote"), d.url("report/preview"), d.url("report/send")

	// The bench writes.
	page := nils.page(report)
	require.Contains(t, page.body, "A capacitor has dried out")
	require.Equal(t, 422, page.form(report).press("look").StatusCode)
	kept := page.form(report).set("short", "It can be <put right>.\nNot hard.").set("cause", "The last shop botched it, "+strings.Repeat("and so on ", 12)+"until the end.").set("certainty", "seen").press("keep")
	require.Equal(t, 303, kept.StatusCode, kept.problems())
	back := kept.follow()
	require.Equal(t, "It can be <put right>.\nNot hard.", back.kept(report).Get("short"))
	require.Contains(t, back.body, "Kept by nils")
	require.Contains(t, back.body, "sounds like blame")
	require.Contains(t, back.body, "words: “The last shop botched it, and …”")
	require.Empty(t, d.job().Reports)

	// The counter writes the quote; what can't be read is said beside its field.
	q := rosa.page(quote).form(quote).set("o0.title", "Renew two capacitors").set("o0.l0.text", "Bench time").set("o0.l0.quantity", "1,5").set("o0.l0.price", "eighty")
	bad := q.press("look")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#o0.l0.price">`)
	require.Equal(t, "eighty", bad.kept(quote).Get("o0.l0.price"))
	worked := bad.form(quote).set("o0.l0.price", "80").set("o0.l1.text", "Capacitors").set("o0.l1.quantity", "2").set("o0.l1.price", "1.25").press("total")
	require.Equal(t, 200, worked.StatusCode)
	require.Contains(t, worked.body, "140.88", "120.00 + 2.50 = 122.50, 15 % of it is 18.38")
	require.NotContains(t, worked.body, `class="errors"`)
	more := worked.form(quote).press("more:o0.")
	require.True(t, more.form(quote).names["o0.l5.text"])
	require.True(t, more.form(quote).press("more:option").form(quote).names["o1.title"])
	looked := worked.form(quote).set("o0.days", "5").press("look")
	require.Equal(t, 303, looked.StatusCode, looked.problems())
	require.Equal(t, preview, looked.Header.Get("Location"))

	// It looks as the customer will see it, and nothing has happened yet.
	before := d.version()
	look := rosa.page(preview)
	require.Contains(t, look.body, `sandbox="allow-same-origin"`)
	shown := rosa.page(d.url("report/preview/page"))
	require.Contains(t, shown.body, "It can be &lt;put right&gt;.")
	require.Contains(t, shown.body, "140.88")
	require.Contains(t, shown.Header.Get("Content-Security-Policy"), "frame-ancestors 'self'")
	require.Equal(t, "SAMEORIGIN", shown.Header.Get("X-Frame-Options"))
	require.Contains(t, rosa.page(d.url("report/preview/quote")).body, "Renew two capacitors")
	mail := rosa.page(d.url("report/preview/mail"))
	require.Contains(t, mail.body, "findings_report: It can be &lt;put right&gt;.")
	require.Contains(t, mail.Header.Get("Content-Security-Policy"), "script-src 'none'")
	require.Equal(t, before, d.version())
	require.NotContains(t, nils.page(preview).body, `action="`+send+`"`, "the bench looks, the counter sends")

	// What is sent is what was looked at.
	f := rosa.page(preview).form(send)
	nils.page(report).form(report).set("short", "Something else.").press("keep").follow()
	changed := f.send()
	require.Equal(t, 422, changed.StatusCode)
	require.Contains(t, changed.body, "The draft was changed")
	require.Equal(t, before, d.version())

	f = changed.form(send)
	sent := f.send()
	require.Equal(t, 303, sent.StatusCode, sent.problems())
	j := d.job()
	require.Equal(t, workflow.StageAwaitingApproval, j.Stage)
	require.Equal(t, "Something else.", j.Reports[0].Short)
	require.Equal(t, int64(14088), j.Quote().Options[0].Result.Total.Minor)
	require.Len(t, j.Quote().Options, 1)
	require.Equal(t, 303, f.again().StatusCode)
	require.Equal(t, j.Version, d.version(), "sent once")
	require.Contains(t, rosa.page(preview).body, "nothing to look at")
	require.Contains(t, rosa.page(d.url("report/1")).body, "Something else.")
	require.Equal(t, 404, rosa.get(d.url("report/2")).StatusCode)

	entries, err := d.svc.Entries(t.Context(), d.n)
	require.NoError(t, err)
	require.Equal(t, workflow.NoticeFindings, entries[len(entries)-1].Kind)
	require.Equal(t, 1, entries[len(entries)-1].Quote, "one mail for both")
}

func TestQuoteTotalsForTheScript(t *testing.T) {
	d := newDesk(t)
	d.explained()
	f := d.as("rosa").page(d.url("quote")).form(d.url("quote")).press("more:option").form(d.url("quote"))
	f.set("o0.l0.text", "Bench time").set("o0.l0.price", "100").set("o1.title", "Or so").set("o1.l0.text", "Parcel").set("o1.l0.price", "x")
	f.action = d.url("quote/total")
	g := f.send()
	require.Equal(t, 200, g.StatusCode, g.body)
	require.Contains(t, g.body, "115.00")
	require.Contains(t, g.body, "not worked out yet")
}

func TestFurtherQuoteWithinAndTakenBack(t *testing.T) {
	d := newDesk(t)
	d.awaiting()
	rosa := d.as("rosa")
	quote, back := d.url("quote"), d.url("quote/back")
	page := rosa.page(quote)
	require.Equal(t, "100.00", page.kept(quote).Get("o0.l0.price"), "the last revision is where the next one starts")
	bad := page.form(quote).set("o0.l0.price", "120").press("look")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#reason">`)
	ok := bad.form(quote).set("reason", "The part costs more").press("look")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	sent := ok.follow().form(d.url("report/send")).send()
	require.Equal(t, 303, sent.StatusCode, sent.problems())
	require.Equal(t, 2, d.job().Quote().Revision)
	require.Equal(t, workflow.StageAwaitingApproval, d.job().Stage)

	refused := rosa.page(quote).form(back).send()
	require.Equal(t, 422, refused.StatusCode)
	require.Contains(t, refused.body, `<a href="#back_reason">`)
	taken := refused.form(back).set("back_reason", "A mistake").send()
	require.Equal(t, 303, taken.StatusCode, taken.problems())
	require.Equal(t, workflow.StageDiagnosing, d.job().Stage)
	require.Equal(t, 403, d.as("nils").post(back, "back_reason", "x").StatusCode)
}

// post sends a form that the page does not offer.
func (v *visitor) post(path string, fields ...string) got {
	f := &sheet{v: v, action: path, values: url.Values{}, names: map[string]bool{}}
	f.values.Set("csrf", v.page("/counter").form("/counter/sign-out").values.Get("csrf"))
	for i := 0; i+1 < len(fields); i += 2 {
		f.values.Set(fields[i], fields[i+1])
	}
	return f.send()
}

func TestTelephoneAnswer(t *testing.T) {
	d := newDesk(t)
	d.awaiting()
	rosa := d.as("rosa")
	at := d.url("answer")
	bad := rosa.page(at).form(at).set("words", "Please <hurry>").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "Please <hurry>", bad.kept(at).Get("words"))
	bad = bad.form(at).set("verdict", "approve").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#option">`)
	require.Contains(t, bad.body, `<a href="#how">`)
	old := rosa.page(at).form(at)
	ok := bad.form(at).set("option", "A").set("how", "called +1 902 555 0142").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	j := d.job()
	require.Equal(t, workflow.StageRepairing, j.Stage)
	last := j.Decisions[len(j.Decisions)-1]
	require.Contains(t, last.Agent.Text, "taken by rosa: called +1 902 555 0142")
	require.Equal(t, "rosa", last.By.ID)
	late := old.set("verdict", "decline").set("how", "called").send()
	require.Equal(t, 422, late.StatusCode, "the answer that came first stands")
	require.Contains(t, late.body, "Take that answer back first, or issue a further quote")
	again := rosa.page(at)
	require.NotContains(t, again.body, `name="verdict"`, "there is nothing left to write down")
	require.Contains(t, again.body, ": yes to option A, ")
}

func TestWorkDutiesAndTests(t *testing.T) {
	d := newDesk(t)
	d.repairing()
	nils, rosa := d.as("nils"), d.as("rosa")
	duties, work, tests := d.url("duties"), d.url("work"), d.url("tests")

	bad := nils.page(duties).form(duties).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, 303, bad.form(duties).set("duty", "Put the <screen> back").set("finding", "1").set("before", "testing").send().StatusCode)
	require.Equal(t, 303, nils.page(duties).form(duties).set("duty", "Clean the rollers").send().StatusCode)

	bad = nils.page(work).form(work).send()
	require.Equal(t, 422, bad.StatusCode)
	ok := bad.form(work).set("text", "Renewed C4.").set("findings", "1").set("duties", "1").file("photo", "after.jpg", picture(t, 5)).press("another")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, work, ok.Header.Get("Location"))
	j := d.job()
	require.Equal(t, []int{3}, j.Work[0].Photos)
	require.Equal(t, workflow.PhotoAfter, j.Photo(3).Kind)
	require.False(t, j.Duties[0].Open())

	waive := d.url("duty/waive")
	require.NotContains(t, nils.page(duties).body, waive, "the bench waives nothing")
	require.Equal(t, 403, nils.post(waive, "id", "2", "reason", "x").StatusCode)
	bad = rosa.page(duties).form(waive).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, 303, bad.form(waive).set("reason", "They were clean").send().StatusCode)
	require.Equal(t, "They were clean", d.job().Duties[1].Waived.Text)
	require.Equal(t, 422, nils.post(d.url("duty/done"), "id", "9").StatusCode)

	require.Equal(t, 303, nils.page(d.url("")).form(d.url("move/testing")).send().StatusCode)
	require.Equal(t, workflow.StageTesting, d.job().Stage)

	bad = nils.page(tests).form(tests).send()
	require.Equal(t, 422, bad.StatusCode)
	bad = bad.form(tests).set("result-0", "failed").set("reading-1", "0.1 mA").set("name-2", "Focus").set("result-2", "passed").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#note-0">`)
	require.Contains(t, bad.body, `<a href="#result-1">`)
	require.Equal(t, "0.1 mA", bad.kept(tests).Get("reading-1"))
	require.Empty(t, d.job().Tests)
	g := bad.form(tests).set("note-0", "Stops again").set("result-1", "passed").send()
	require.Equal(t, 303, g.StatusCode, g.problems())
	require.Len(t, d.job().Tests, 3)

	// A test failed: back, with a reason.
	page := nils.page(d.url(""))
	require.Contains(t, page.body, d.url("move/repairing"))
	move := d.url("move/repairing")
	require.Equal(t, 303, nils.page(move).form(move).set("reason", "It stops again").send().StatusCode)
	require.Equal(t, workflow.StageRepairing, d.job().Stage)
}

func TestReadyPackAndPost(t *testing.T) {
	d := newDesk(t)
	d.testing()
	nils, rosa := d.as("nils"), d.as("rosa")
	ready, packing := d.url("ready"), d.url("packing")
	early := rosa.page(ready).form(ready).set("note", "Nice <scanner>").send()
	require.Equal(t, 409, early.StatusCode)
	require.Contains(t, early.body, "The test “Function” has not passed yet.")
	require.Equal(t, "Nice <scanner>", early.kept(ready).Get("note"))
	d.do(bench, workflow.DoTest{Test: workflow.Test{Name: "Function", Passed: true}}, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}})
	require.Equal(t, 303, early.form(ready).send().StatusCode)
	require.NotNil(t, d.job().Ready)
	require.Equal(t, 403, nils.get(ready).StatusCode)

	page := nils.page(packing)
	require.NotContains(t, page.body, "It has left the shop", "that reaches the customer: the counter's to press")
	kept := page.form(packing).set("fate-1", "returned").set("fate-2", "recycled").press("keep")
	require.Equal(t, 422, kept.StatusCode)
	require.Contains(t, kept.body, `<a href="#note-2">`)
	kept = kept.form(packing).set("note-2", "Broken, agreed by telephone").press("keep")
	require.Equal(t, 303, kept.StatusCode, kept.problems())
	require.Len(t, d.job().Packed, 2)

	f := rosa.page(packing).form(packing)
	require.Equal(t, "recycled", f.values.Get("fate-2"))
	bad := f.set("carrier", "Canada Post").set("parcel", "RR123456784CA").press("ship")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#parcel">`)
	bad = bad.form(packing).set("parcel", "RR123456785CA").set("serial", "H-99999").press("ship")
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, "Check that the right device is in the parcel.")
	require.Equal(t, "RR123456785CA", bad.kept(packing).Get("parcel"))
	ok := bad.form(packing).set("serial", "h-20417").file("photo", "p.jpg", picture(t, 6)).press("ship")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	j := d.job()
	require.Equal(t, workflow.StageShipped, j.Stage)
	require.True(t, j.Shipment.WellFormed)
	require.Contains(t, rosa.page(d.url("")).body, "within the promise")
	require.Contains(t, rosa.page("/counter?ended=yes").body, d.n.Shown())
}

// Parcels that should have arrived are on a list, the oldest first, until somebody says that they have.
func TestParcelsThatNeverCame(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.Country, d.svc.Shop.Carriers = "CA", []workflow.Carrier{{Days: 5, Abroad: map[string]int{"US": 12}}}
	rosa, list := d.as("rosa"), "/counter?stage=unarrived"
	d.shipped()
	first := d.n
	require.NotContains(t, rosa.page("/counter").body, "Parcels that never came")
	require.Contains(t, rosa.page(d.url("arrival")).body, "By the carrier’s usual days it should be there by ")
	d.now = d.now.AddDate(0, 0, 6)
	_, err := d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	d.n = ""
	d.shipped()
	d.now = d.now.AddDate(0, 0, 6)
	_, err = d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	second := d.n
	rosa = d.as("rosa") // the session has ended since
	d.do(mira, workflow.TellArrival{})
	require.Contains(t, rosa.page("/counter").body, `Parcels that never came <span class="count">2</span>`)
	require.Contains(t, rosa.page("/counter?ended=yes").body, second.Shown(), "they have ended all the same")
	both := rosa.page(list)
	require.Less(t, strings.Index(both.body, first.Shown()), strings.Index(both.body, second.Shown()))
	require.Equal(t, 1, strings.Count(both.body, "the customer misses it"))
	wellMade(t, both)
	page := rosa.page(d.url(""))
	require.Contains(t, page.body, "The customer said today that it has not come. Ask the carrier")
	require.Equal(t, 403, d.as("nils").get(d.url("arrival")).StatusCode)
	bad := rosa.page(d.url("arrival")).form(d.url("arrival")).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, 303, bad.form(d.url("arrival")).set("said", "here").set("note", "The carrier’s page").send().StatusCode)
	require.NotContains(t, rosa.page(list).body, second.Shown())
	require.Contains(t, rosa.page(list).body, first.Shown())
	require.Contains(t, rosa.page(d.url("")).body, "The counter said today that it has arrived. The carrier’s page")

	d.n = ""
	d.testing()
	f := rosa.page(d.url("packing")).form(d.url("packing")).set("carrier", "Post").set("parcel", "RR123456785CA").set("country", "Brazil").press("keep")
	require.Equal(t, 422, f.StatusCode)
	require.Contains(t, f.body, `<a href="#country">`)
	require.Equal(t, 303, f.form(d.url("packing")).set("country", "us").press("keep").StatusCode)
	require.Equal(t, "US", d.job().Shipment.Country)
}

func TestShippingSaysWhatIsMissing(t *testing.T) {
	d := newDesk(t)
	d.testing()
	packing := d.url("packing")
	g := d.as("rosa").page(packing).form(packing).set("way", "person").press("ship")
	require.Equal(t, 409, g.StatusCode)
	require.Contains(t, g.body, "“Film holder” came in with the parcel and is not accounted for.")
	require.Contains(t, g.body, "The test “Function” has not passed yet.")
	require.Nil(t, d.job().Shipment, "one step: all of it or nothing")
}

func TestHoldPromisePaymentCustomer(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	rosa, nils := d.as("rosa"), d.as("nils")
	hold, lift, promise, payment, customer := d.url("hold"), d.url("hold/lift"), d.url("promise"), d.url("payment"), d.url("customer")

	bad := nils.page(hold).form(hold).set("note", "A <lamp>").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "A <lamp>", bad.kept(hold).Get("note"))
	require.Equal(t, 303, bad.form(hold).set("reason", "parts").send().StatusCode)
	require.Contains(t, nils.page(d.url("")).body, "On hold for parts since today. A &lt;lamp&gt;")
	f := nils.page(hold).form(lift)
	require.Equal(t, 303, f.send().StatusCode)
	require.Nil(t, d.job().Hold())
	require.Equal(t, 409, nils.post(lift).StatusCode)

	bad = rosa.page(promise).form(promise).set("days", "many").set("reason", "The lamp is late").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "The lamp is late", bad.kept(promise).Get("reason"))
	bad = bad.form(promise).set("days", "5").set("by", "2026-12-24").send()
	require.Equal(t, 422, bad.StatusCode, "one of the two")
	ok := bad.form(promise).set("days", "").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	due, _ := d.job().Due(d.svc.Shop)
	require.Equal(t, time.Date(2026, 12, 24, 21, 0, 0, 0, time.UTC), due, "the close of that day, 17:00 at the shop")
	require.Equal(t, 403, nils.get(promise).StatusCode)

	bad = rosa.page(payment).form(payment).set("amount", "12,345").set("how", "card").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "12,345", bad.kept(payment).Get("amount"))
	require.Equal(t, 303, bad.form(payment).set("amount", "12,30").send().StatusCode)
	require.Equal(t, 303, rosa.page(payment).form(payment).set("amount", "2").set("how", "cash").set("way", "out").send().StatusCode)
	require.Equal(t, int64(1030), d.job().Paid(d.svc.Shop).Minor)

	f = rosa.page(customer).form(customer)
	require.Equal(t, "Mira Osei", f.values.Get("name"))
	bad = f.set("email", "mira").set("name", "Mira <O>").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, "Mira <O>", bad.kept(customer).Get("name"))
	require.Equal(t, 303, bad.form(customer).set("email", "m@post.example").set("limit", "150").set("language", "fr").send().StatusCode)
	require.Equal(t, "150.00 CAD", d.job().Limit.String())
	require.Contains(t, rosa.page(d.url("")).body, "Writes in")
}

func TestQuietEventsAreNoConflict(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	customer := d.url("customer")
	f := d.as("rosa").page(customer).form(customer).set("name", "Mira A. Osei")
	notice := d.job().Notices[0].ID
	d.do(workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"}, workflow.RecordDelivery{ID: notice})
	g := f.send()
	require.Equal(t, 303, g.StatusCode, "an email that was delivered meanwhile concerns nobody's form: %s", g.problems())
}

func TestLetters(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	d.do(mira, workflow.SendMessage{Text: "Is it <bad>?"})
	rosa := d.as("rosa")
	letters := d.url("letters")
	require.Contains(t, rosa.page(d.url("")).body, "The customer wrote: Is it &lt;bad&gt;?")
	require.Equal(t, 422, rosa.page(letters).form(letters).set("text", " ").send().StatusCode)
	require.Equal(t, 303, rosa.page(letters).form(letters).set("text", "No.").set("question", "yes").send().StatusCode)
	require.True(t, d.job().Messages[0].Answered)
	require.True(t, d.job().Messages[1].Question)
	require.Equal(t, 403, d.as("nils").get(letters).StatusCode)
}

func TestLink(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	rosa := d.as("rosa")
	at, revoke, mail := d.url("link"), d.url("link/revoke"), d.url("link/mail")
	token, err := d.svc.Token(d.job(), d.job().Link(link.Own, d.now))
	require.NoError(t, err)
	page := rosa.page(at)
	require.Contains(t, page.body, "http://desk.example/j/"+token)
	require.Equal(t, "no-store", page.Header.Get("Cache-Control"))
	require.Equal(t, 303, page.form(mail).send().StatusCode)
	require.Equal(t, 303, page.form(revoke).send().StatusCode)
	_, err = d.svc.Open(t.Context(), token)
	require.ErrorIs(t, err, workflow.ErrGone)
	require.NotContains(t, rosa.page(at).body, token)
	require.Equal(t, 403, d.as("nils").get(at).StatusCode)
	require.NotContains(t, d.log.String(), token, "links are never logged")
}

func TestErase(t *testing.T) {
	d := newDesk(t)
	d.shipped()
	erase := d.url("erase")
	require.Equal(t, 403, d.as("rosa").get(erase).StatusCode)
	require.NotContains(t, d.as("rosa").page(d.url("")).body, erase)
	olga := d.as("olga")
	require.Contains(t, olga.page(d.url("")).body, erase)
	bad := olga.page(erase).form(erase).set("number", "K7M-2QX-8").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, 303, bad.form(erase).set("number", d.n.Shown()).send().StatusCode)
	require.False(t, d.job().Erased.IsZero())
	page := olga.page(d.url("")).body
	require.NotContains(t, page, "Mira")
	require.Contains(t, page, "person erased")
	require.Equal(t, 410, olga.get(d.url("customer")).StatusCode)
	require.Equal(t, 410, olga.get(d.url("link")).StatusCode)
	require.Contains(t, olga.page(d.url("history")).body, "person.erased/1")
	d.n = ""
	d.booked()
	early := olga.page(d.url("erase")).form(d.url("erase")).set("number", string(d.n)).send()
	require.Equal(t, 409, early.StatusCode, "not while the device is here")
}

// The owner reads what is kept about somebody, and only then has it emailed; nobody else may.
func TestWhatIsKeptIsReadFirst(t *testing.T) {
	d := newDesk(t)
	d.booked()
	at, file := d.url("data"), d.url("data.zip")
	rosa, olga := d.as("rosa"), d.as("olga")
	for _, path := range []string{at, file} {
		require.Equal(t, 403, rosa.get(path).StatusCode, path)
	}
	require.NotContains(t, rosa.page(d.url("")).body, at)
	require.Contains(t, olga.page(d.url("")).body, at)
	g := olga.get(file)
	require.Equal(t, 200, g.StatusCode)
	require.Equal(t, "no-store", g.Header.Get("Cache-Control"))
	z, err := zip.NewReader(strings.NewReader(g.body), int64(len(g.body)))
	require.NoError(t, err)
	require.Equal(t, "index.html", z.File[0].Name)
	if d.job().Unproven {
		require.NotContains(t, olga.page(at).body, `action="`+at+`"`, "nobody has confirmed the address")
		d.do(workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, workflow.ChangeCustomer{Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Language: "en"}})
	}
	refused := olga.page(at).form(at).send()
	require.Equal(t, 422, refused.StatusCode)
	require.Contains(t, refused.body, "Read the file first")
	require.Nil(t, d.job().Link(link.Data, d.now))
	require.Equal(t, 303, refused.form(at).set("read", "yes").send().StatusCode)
	require.NotNil(t, d.job().Link(link.Data, d.now))
	require.Contains(t, olga.page(d.url("history")).body, "data.sent/1")
	d.n = ""
	d.shipped()
	d.do(workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, workflow.ErasePerson{})
	require.Equal(t, 410, olga.get(d.url("data")).StatusCode)
	require.Equal(t, 410, olga.get(d.url("data.zip")).StatusCode)
}

func TestMoves(t *testing.T) {
	d := newDesk(t)
	d.explained()
	rosa, nils := d.as("rosa"), d.as("nils")
	page := rosa.page(d.url(""))
	require.Contains(t, page.body, "Send a findings report first.")
	require.Contains(t, page.body, "Issue a quote first.")
	require.NotContains(t, page.body, `action="`+d.url("move/awaiting_approval")+`"`, "what is blocked has no button")
	require.NotContains(t, nils.page(d.url("")).body, "Issue a quote first.</li>\n</ul>\n</li>\n<li class=\"move move-blocked\">\n<p class=\"move-words\">Wait", "the counter's step is not shown to the bench")
	require.Equal(t, 403, nils.post(d.url("move/awaiting_approval")).StatusCode)
	refused := rosa.post(d.url("move/awaiting_approval"), "reason", "Because <b>")
	require.Equal(t, 409, refused.StatusCode)
	require.Contains(t, refused.body, "Send a findings report first.")
	require.Equal(t, "Because <b>", refused.kept(d.url("move/awaiting_approval")).Get("reason"))
	require.Equal(t, 409, rosa.get(d.url("move/shipped")).StatusCode, "no such row here")
	require.Equal(t, 409, rosa.post(d.url("move/nonsense")).StatusCode)

	testing := d.url("move/testing")
	bad := nils.page(testing).form(testing).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Equal(t, 303, bad.form(testing).set("outcome", "no_fault_found").send().StatusCode)
	require.Equal(t, workflow.OutcomeNoFault, d.job().Outcome)

	d.n = ""
	d.booked()
	cancel := d.url("move/withdrawn")
	require.Equal(t, 303, rosa.page(cancel).form(cancel).set("reason", "Never came").send().StatusCode)
	require.Equal(t, workflow.StageWithdrawn, d.job().Stage)
}

// TestEveryPageInEveryStage opens every page of a job in every stage, as every role: it answers, or says
// in words why not.
func TestEveryPageInEveryStage(t *testing.T) {
	d := newDesk(t)
	plays := map[string]func() *workflow.Job{
		"booked": d.booked, "received": d.received, "diagnosing": d.explained, "awaiting": d.awaiting, "repairing": d.repairing, "testing": d.testing, "shipped": d.shipped,
	}
	paths := []string{"", "history", "report/preview", "report/1", "finding/1", "photo/1", "move/diagnosing", "move/testing", "move/shipped", "move/withdrawn"}
	for _, k := range tasks() {
		if k.view != nil && !strings.Contains(k.Form, ":") {
			paths = append(paths, k.Form)
		}
	}
	people := map[string]*visitor{"nils": d.as("nils"), "rosa": d.as("rosa"), "olga": d.as("olga")}
	share := longtest.Share(t, 3)
	for i, stage := range slices.Sorted(maps.Keys(plays)) {
		if !share(i) {
			continue
		}
		d.n = ""
		plays[stage]()
		before := d.version()
		for _, p := range paths {
			for login, v := range people {
				g := v.get(d.url(p))
				require.Contains(t, []int{200, 403, 404, 409}, g.StatusCode, "%s %s %s: %s", stage, p, login, g.body)
				if g.StatusCode == 200 {
					wellMade(t, g)
				}
				// An empty form, as a curious machine sends it, never breaks anything.
				e := v.get(d.url(p) + "?" + strings.Repeat("x", 1000))
				require.Equal(t, g.StatusCode, e.StatusCode)
			}
		}
		require.Equal(t, before, d.version(), "looking changes nothing")
	}
}

// wellMade holds a page to what every page must be.
func wellMade(t *testing.T, g got) {
	t.Helper()
	require.Equal(t, 1, strings.Count(g.body, "<h1"), g.path)
	for _, never := range []string{"<no value>", "ZgotmplZ", " style=", "<style", "[photo.", "[story.", `href=""`, `src=""`, "%!"} {
		require.NotContains(t, g.body, never, g.path)
	}
	require.Equal(t, "no-store", g.Header.Get("Cache-Control"), g.path)
}

// TestEmptyAndHostileForms sends every form of a job empty, and with hostile texts in every field, in every
// stage: no answer is a failure of ours, and no text comes back unescaped.
func TestEmptyAndHostileForms(t *testing.T) {
	d := newDesk(t)
	olga := d.as("olga")
	hostile := "\"'><script>alert(1)</script>{{.}}\x00\r\n\u202e" + strings.Repeat("ü", 9000)
	share := longtest.Share(t, 3)
	for name, play := range map[string]func() *workflow.Job{"booked": d.booked, "diagnosing": d.explained, "awaiting": d.awaiting, "testing": d.testing, "shipped": d.shipped} {
		d.n = ""
		var begun int64
		for i, k := range tasks() {
			if k.read == nil || k.Form == "erase" || !share(i) {
				continue
			}
			if d.n == "" || d.version() != begun { // the form before changed nothing
				d.n = ""
				play()
				begun = d.version()
			}
			at := d.url(strings.NewReplacer(":id", "1", ":to", "diagnosing").Replace(k.Form))
			g := olga.post(at)
			require.Less(t, g.StatusCode, 500, "%s %s: %s", name, at, d.log)
			page := olga.get(at)
			fields := []string{"do", hostile, "id", hostile, "text", hostile, "reason", hostile, "verdict", hostile, "then", hostile, "draft", hostile, "number", hostile}
			if page.StatusCode == 200 && strings.Contains(page.body, `action="`+at+`"`) {
				for n := range page.form(at).names {
					if n != "csrf" && n != "once" && n != "v" {
						fields = append(fields, n, hostile)
					}
				}
			}
			g = olga.post(at, fields...)
			require.Less(t, g.StatusCode, 500, "%s %s: %s", name, at, d.log)
			require.NotContains(t, g.body, "<script>alert", at)
		}
	}
	require.NotContains(t, d.log.String(), "request failed")
}

func TestUnknownJob(t *testing.T) {
	d := newDesk(t)
	d.booked()
	rosa := d.as("rosa")
	for _, n := range []string{"XXXXXXX", "nonsense", "..%2f..", strconv.Itoa(1 << 40)} {
		require.Equal(t, 404, rosa.get("/counter/job/"+n).StatusCode, n)
		require.Equal(t, 404, rosa.post("/counter/job/"+n+"/letters", "text", "Hello").StatusCode, n)
	}
	other, err := workflow.NewJobNumber(strings.NewReader(strings.Repeat("0123456789abcdef", 64)))
	require.NoError(t, err)
	require.Equal(t, 404, rosa.get("/counter/job/"+string(other)).StatusCode)
}

func TestHints(t *testing.T) {
	require.Empty(t, hints("short", "x", "A wire has been added between two points that the maker does not join.", "en"))
	require.Len(t, hints("short", "x", "The previous shop botched it. It was BOTCHED.", "en"), 2)
	require.Empty(t, hints("short", "x", "The butcherbird sings.", "en"), "whole words only")
	require.Empty(t, hints("short", "x", strings.TrimSpace(strings.Repeat("word ", 25))+".", "en"))
	require.Len(t, hints("short", "x", strings.TrimSpace(strings.Repeat("word ", 26))+".", "en"), 1)
}

// A refused form that stands beside another on a page comes back there, as it was typed; the other form is as
// one finds it.
func TestARefusedFormComesBackBesideTheOther(t *testing.T) {
	d := newDesk(t)
	d.diagnosing()
	d.now = d.now.AddDate(0, 0, 18)
	_, err := d.svc.WakeDue(t.Context())
	require.NoError(t, err)
	rosa := d.as("rosa")
	at, choice := d.url("delay"), d.url("delay/choice")
	bad := rosa.page(at).form(choice).set("choice", string(workflow.DelayReturn)).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#how">`)
	require.Equal(t, string(workflow.DelayReturn), bad.kept(choice).Get("choice"))
	require.Equal(t, strconv.FormatInt(d.version(), 10), bad.kept(at).Get("v"))
	require.Equal(t, 303, bad.form(choice).set("how", "+1 902 555 0142").send().StatusCode)

	// By now there is nothing to choose: what is said stands above the form that is left.
	gone := rosa.post(choice, "choice", string(workflow.DelayAgree), "how", "+1 902 555 0142", "digest", "x")
	require.GreaterOrEqual(t, gone.StatusCode, 400)
	require.Contains(t, gone.body, `class="errors"`)
	require.NotContains(t, gone.body, `action="`+choice+`"`)
}

// The forms here are those of the list of actions: none is missing, and none is beside it.
func TestFormsAreThoseOfTheList(t *testing.T) {
	by := taskBy()
	for _, a := range action.List {
		if a.Form != "" {
			require.Contains(t, by, a.Form)
		}
	}
	all := tasks()
	require.Len(t, all, len(by), "a form is not in the list")
	for _, k := range all {
		require.Equal(t, k.On == "", k.on == nil, k.Form)
		require.Equal(t, k.On == "", k.view != nil, "%s has a page of its own, or stands on another", k.Form)
		require.True(t, k.view != nil || k.read != nil, k.Form)
	}
}
