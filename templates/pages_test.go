package templates

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// With -gallery every sample page is written into a folder, with its assets, to be looked at and checked.
var gallery = flag.String("gallery", "", "folder to write the sample pages to")

const sampleToken = "abcdefghijklmnopqrstuvwxyz234567"

func samplePage(b *bench, title string) Page {
	return Page{Lang: "en", Title: title, Path: "/", Shop: ShopOf(b.s.Shop)}
}

// samplePages are the customer's pages as sample jobs show them, by the name of the file in the gallery.
func samplePages(t testing.TB) map[string]View {
	out := map[string]View{}
	track := func(name string, play func(b *bench) *workflow.Job, purpose link.Purpose, more ...func(b *bench) *workflow.Job) *bench {
		b := newBench(t)
		j := play(b)
		for _, f := range more {
			j = f(b)
		}
		out["track-"+name] = TrackOf(samplePage(b, "Stage piano"), j, b.s.Shop, b.now, TrackLink{Token: sampleToken, Purpose: purpose, Until: b.now.AddDate(1, 0, 0)})
		return b
	}
	track("booked", (*bench).booked, link.Own)
	track("received", (*bench).received, link.Own)
	track("diagnosing", (*bench).findings, link.Own)
	track("hold", (*bench).findings, link.Own, func(b *bench) *workflow.Job {
		return b.do(ada, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "The socket is on order and should be here on Friday."})
	}, func(b *bench) *workflow.Job { return b.passes(49 * time.Hour) })
	track("late", (*bench).findings, link.Own, func(b *bench) *workflow.Job { return b.passes(18 * 24 * time.Hour) })
	track("moved", (*bench).findings, link.Own, func(b *bench) *workflow.Job { return b.passes(18 * 24 * time.Hour) }, func(b *bench) *workflow.Job {
		b.do(ada, workflow.MovePromise{Days: 4, Reason: "The socket that came first was the wrong one; the right one arrives on Monday."})
		return b.do(ada, workflow.SendMessage{Text: "Would you like the old socket back?\nWe can put it into the parcel.", Question: true})
	})
	w := track("awaiting-look", (*bench).awaiting, link.Own)
	track("awaiting-share", (*bench).awaiting, link.Share)
	track("awaiting-from-before", (*bench).awaiting, link.Look)
	track("awaiting-decide", (*bench).awaiting, link.Decide)
	track("question", (*bench).awaiting, link.Decide, func(b *bench) *workflow.Job {
		j := b.job()
		return b.do(mira, workflow.Decide{Verdict: workflow.VerdictAsk, Digest: j.Quote().Digest, Words: "Is the felt worth it for one concert a month?"})
	})
	track("expired", (*bench).awaiting, link.Own, func(b *bench) *workflow.Job { return b.passes(15 * 24 * time.Hour) })
	track("repairing", (*bench).repairing, link.Own)
	track("testing", (*bench).testing, link.Own)
	s := track("shipped", (*bench).shipped, link.Own)
	posted := func(b *bench) *workflow.Job {
		b.s.Shop.Carriers = []workflow.Carrier{{Name: "Coastal Parcels", Days: 5}}
		return b.shipped()
	}
	track("posted", posted, link.Own)
	track("overdue", posted, link.Own, func(b *bench) *workflow.Job { return b.passes(6 * 24 * time.Hour) })
	track("missed", posted, link.Own, func(b *bench) *workflow.Job { return b.do(mira, workflow.TellArrival{}) })
	track("arrived", posted, link.Own, func(b *bench) *workflow.Job { return b.do(mira, workflow.TellArrival{Arrived: true}) })
	track("cancelled", (*bench).booked, link.Own, func(b *bench) *workflow.Job {
		return b.do(ada, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "The customer fixed it."})
	})

	j := w.job()
	q, words := j.Quote(), locale.For("en")
	report := ReportOf(j, &j.Reports[0], w.s.Shop, w.now, words, TrackPhotos(sampleToken))
	out["report"] = &ReportPage{Page: samplePage(w, "Findings report 1"), Report: report, Track: "/j/" + sampleToken, Decide: "/d/" + sampleToken}
	sj := s.job()
	pb := newBench(t)
	pj := pb.proved()
	out["report-proved"] = &ReportPage{Page: samplePage(pb, "Findings report 2"), Report: ReportOf(pj, &pj.Reports[1], pb.s.Shop, pb.now, words, TrackPhotos(sampleToken)), Track: "/j/" + sampleToken}
	out["report-later"] = &ReportPage{Page: samplePage(s, "Findings report 1"), Report: ReportOf(sj, &sj.Reports[0], s.s.Shop, s.now, words, TrackPhotos(sampleToken)), Track: "/j/" + sampleToken}
	quote := func(q *workflow.Quote, j *workflow.Job, b *bench) *QuotePage {
		return &QuotePage{Page: samplePage(b, "Quote"), Number: j.Number.Shown(), Device: j.Device.Name(), Quote: QuoteOf(j, q, b.s.Shop, b.now, words), Act: "/d/" + sampleToken, Track: "/j/" + sampleToken, Report: "/j/" + sampleToken + "/report/1"}
	}
	out["quote"] = quote(q, j, w)
	wrong := quote(q, j, w)
	wrong.Option, wrong.Question = "B", "Is it"
	wrong.Errors = []FieldError{{"name", words.T("error.name")}, {"decline-name", words.T("error.name")}, {"words", words.T("error.words")}, {"option", words.T("error.option")}}
	out["quote-errors"] = wrong
	done := quote(sj.Quote(), sj, s)
	done.Answered = words.T("quote.answered.approve", "Resolder the socket", "Thursday 19 November 2026")
	out["quote-answered"] = done
	five := newBench(t)
	five.findings()
	options := append(sampleOptions(), sampleOptions()[2], sampleOptions()[2])
	options[3].Kind, options[3].Title, options[4].Kind, options[4].Title = workflow.OptionRecycle, "Recycle it", workflow.OptionReplace, "Replace the contact board with a used one, tested"
	fj := five.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}}, workflow.IssueQuote{Options: options[:1]}, workflow.Go{To: workflow.StageAwaitingApproval})
	five.do(mira, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: fj.Quote().Digest, Option: "A", Name: "Mira Osei"})
	five.do(tom, workflow.NoteFinding{Finding: workflow.Finding{Text: "A second socket is cracked.", Origin: workflow.OriginUnknown, Weight: workflow.WeightDanger, Certainty: workflow.CertaintyInferred}})
	fj = five.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "A second socket is cracked as well."}}, workflow.IssueQuote{Options: options, Reason: "A second socket is cracked, which could only be seen once the board was out."}, workflow.Go{To: workflow.StageAwaitingApproval})
	out["quote-five"] = quote(fj.Quote(), fj, five)

	review := ReviewOf(samplePage(w, words.T("review.title")), j, q, w.s.Shop, w.now, workflow.VerdictApprove, "A", words)
	review.Act, review.Name = "/d/"+sampleToken, "Mira Osei"
	out["review"] = review
	no := ReviewOf(samplePage(w, words.T("review.title")), j, q, w.s.Shop, w.now, workflow.VerdictDecline, "", words)
	no.Act, no.Name, no.Remark = "/d/"+sampleToken, "Mira Osei", "I found another one for less."
	out["review-no"] = no
	receipt := DoneOf(samplePage(s, words.T("done.title")), sj, sj.Quote(), &sj.Decisions[0], s.s.Shop, s.now, words)
	receipt.Track = "/j/" + sampleToken
	out["done"] = receipt
	undo := newBench(t)
	undo.s.Shop.UndoFor, undo.s.Shop.PayURL = 30*time.Minute, "https://pay.example/{job}"
	uj := fiveWays(undo)
	uj = undo.do(mira, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: uj.Quote().Digest, Option: "A", Name: "Mira Osei"})
	undo.s.Shop.UndoFor = 30 * time.Minute // fiveWays sets none
	taken := DoneOf(samplePage(undo, words.T("done.title")), uj, uj.Quote(), &uj.Decisions[0], undo.s.Shop, undo.now, words)
	taken.Track, taken.Act = "/j/"+sampleToken, "/d/"+sampleToken
	require.NotEmpty(t, taken.Undo)
	require.Contains(t, taken.PayURL, "https://pay.example/")
	out["done-undo"] = taken
	german := newBench(t)
	german.s.Shop.Languages = []string{"de"}
	gj := fiveWays(german)
	gp := samplePage(german, "Angebot")
	gp.Lang = "de"
	out["quote-german"] = &QuotePage{
		Page: gp, Number: gj.Number.Shown(), Device: gj.Device.Name(), Quote: QuoteOf(gj, gj.Quote(), german.s.Shop, german.now, locale.For("de")), Act: "/d/" + sampleToken, Track: "/j/" + sampleToken,
		Papers: PaperLinks(german.s.Shop, "/d/"+sampleToken+"/", locale.For("de")),
	}
	out["ended"] = QuoteEndedOf(samplePage(w, "Quote"), fj, 1, words)

	out["home"] = &Home{Page: samplePage(w, "Repairs by post"), Days: 10}
	out["book"] = &BookForm{Page: samplePage(w, words.T("base.book")), Days: 10, Currency: "CAD", Language: "en", Languages: []LanguageView{{"en", "English"}, {"fr", "Français"}}}
	typed := &BookForm{Page: samplePage(w, words.T("base.book")), Days: 10, Currency: "CAD", Fault: "It hums.", Email: "mira", Errors: []FieldError{{"kind", "The kind of device is missing."}, {"email", "The email address “mira” doesn’t look complete; it should read like name@example.org."}}}
	out["book-errors"] = typed
	out["booked"] = &Booked{Page: samplePage(w, words.T("booked.title")), Number: j.Number.Shown(), Device: j.Device.Name(), Fault: j.Fault.Text, Track: "/j/" + sampleToken, TrackFull: "https://status.harbour.example/j/" + sampleToken, Mailed: true, When: "Within 10 working days of arriving", WhenMore: "The count begins when we open your parcel."}
	out["find"] = &Find{Page: samplePage(w, words.T("find.title"))}
	out["find-errors"] = &Find{Page: samplePage(w, words.T("find.title")), Number: "K7M", Errors: []FieldError{{"number", words.T("find.error.number")}, {"email", words.T("find.error.email")}}}
	out["notices"] = NoticesOf(samplePage(w, words.T("notices.title")), &workflow.Job{Number: "K7M2QX8", Device: workflow.Device{Kind: "film scanner"}}, "/j/x")
	for _, message := range []int{0, 1} {
		for _, said := range []workflow.Confirmed{"", workflow.ConfirmedYes, workflow.ConfirmedNo} {
			x := *j
			x.Unproven = said == ""
			x.Messages = []workflow.Message{{ID: 1, At: j.BookedAt, Text: workflow.Sealed{Text: "Please send it to my new address."}, Confirmed: said}}
			v := ConfirmOf(samplePage(w, ""), &x, message, w.s.Shop)
			v.Act, v.Said = "/confirm/x", said
			if said == workflow.ConfirmedYes {
				v.Track = "/j/x"
			}
			out[fmt.Sprint("confirm-", message, "-", cmp.Or(said, "asked"))] = v
		}
	}
	own := DetailsTypedOf(j)
	out["details"] = DetailsOf(samplePage(w, words.T("details.title")), j, w.s.Shop, "/j/x", own, nil)
	own.Email, own.Limit = "mira", "much"
	xj := *j
	xj.Passcode = &workflow.Passcode{At: j.BookedAt, SeenAt: []time.Time{j.BookedAt}}
	for _, said := range []workflow.Confirmed{"", workflow.ConfirmedYes, workflow.ConfirmedNo} {
		xj.OwnChanges = []workflow.Change{{Number: 1, Of: []string{"email", "address"}, Email: workflow.Sealed{Text: "mira@new.example"}, Address: workflow.Sealed{Text: "9 Other Street\nHalifax"}, At: j.BookedAt, Said: said}}
		if said == "" {
			out["details-errors"] = DetailsOf(samplePage(w, words.T("details.title")), &xj, w.s.Shop, "/j/x", own, []FieldError{{"email", "The email address “mira” doesn’t look complete; it should read like name@example.org."}, {"limit", words.T("book.error.limit")}})
		}
		v := ConfirmOf(samplePage(w, ""), &xj, -1, w.s.Shop)
		v.Act = "/confirm/x"
		out[fmt.Sprint("confirm-change-", cmp.Or(said, "asked"))] = v
	}
	out["share"] = &SharePage{Page: samplePage(w, words.T("share.title")), Number: j.Number.Shown(), Device: j.Device.Name(), Base: "/j/x"}
	out["share-made"] = &SharePage{Page: samplePage(w, words.T("share.title")), Number: j.Number.Shown(), Device: j.Device.Name(), Base: "/j/x", Link: "https://status.harbour.example/j/" + sampleToken, Until: "Tuesday 16 November 2027"}
	out["find-asked"] = &Find{Page: samplePage(w, words.T("find.asked")), Asked: true}
	out["packing"] = &Packing{Page: samplePage(w, words.T("base.packing"))}
	flash := samplePage(w, "Not found")
	flash.Flash = "We have your message."
	out["problem"] = &Problem{Page: flash, Status: 404, Heading: "Not found", Message: "There’s nothing at this address. Check it against our email, or start from the front page.", Missing: []string{"List what was in the parcel."}, Request: "a1b2c3d4"}
	return out
}

func render(t testing.TB, s *Set, v View) string {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, s.Render(&out, v))
	return out.String()
}

func TestSamplePages(t *testing.T) {
	s, err := Load()
	require.NoError(t, err)
	for name, v := range samplePages(t) {
		page := render(t, s, v)
		require.NotContains(t, page, "[", name) // a text that is missing shows as its key in brackets
		require.NotContains(t, page, "<no value>", name)
		require.NotContains(t, page, "ZgotmplZ", name)
		require.NotContains(t, page, " style=", name)
		require.NotContains(t, page, "<style", name)
		require.NotRegexp(t, `<script(?: [a-z]+)*>`, page, name) // every script has a source
		require.NotRegexp(t, `\son[a-z]+=`, page, name)
		require.Equal(t, 1, strings.Count(page, "<h1"), name)
		require.NotContains(t, page, `href=""`, name)
		require.NotContains(t, page, `src=""`, name)
		if *gallery != "" {
			show(t, name, page)
		}
	}
}

// show writes a page so that a browser can open it from the folder.
func show(t testing.TB, name, page string) {
	require.NoError(t, os.MkdirAll(*gallery, 0o755))
	for n, a := range assetOf {
		page = strings.ReplaceAll(page, `"`+a.url+`"`, `"`+n+`"`)
		require.NoError(t, os.WriteFile(filepath.Join(*gallery, n), a.body, 0o644))
	}
	for id := 1; id < 20; id++ {
		for _, size := range []string{"small", "large"} {
			at := fmt.Sprintf("/j/%s/photo/%d/%s.jpg?v=", sampleToken, id, size)
			for _, tag := range []string{"bbbbbbbb", "cccccccc", "dd", "ee"} {
				page = strings.ReplaceAll(page, at+tag+`"`, fmt.Sprintf(`photo%d.jpg"`, id%4))
				page = strings.ReplaceAll(page, at+tag+` `, fmt.Sprintf(`photo%d.jpg `, id%4))
			}
		}
	}
	require.NoError(t, os.WriteFile(filepath.Join(*gallery, name+".html"), []byte(page), 0o644))
}
