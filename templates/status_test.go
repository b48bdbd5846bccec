package templates

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/templates/paper/papertest"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

func (b *bench) status() Status {
	return StatusOf(b.job(), b.s.Shop, b.now, locale.For("en"))
}

func railOf(s Status) string {
	var out []string
	for _, r := range s.Rail {
		out = append(out, string(r.Stage)+" "+r.State)
	}
	return strings.Join(out, ", ")
}

// The three answers along a whole way. Tuesday 1 December is ten working days after Tuesday 17 November.
func TestStatusAlongTheWay(t *testing.T) {
	b := newBench(t)
	b.booked()
	s := b.status()
	require.Equal(t, "Not here yet", s.Where)
	require.Equal(t, workflow.NeedSend, s.NeedAction)
	require.Equal(t, "Within 10 working days of arriving", s.When)
	require.Equal(t, "booked here, received ahead, diagnosing ahead, awaiting_approval ahead, repairing ahead, testing ahead, shipped ahead", railOf(s))

	b = newBench(t)
	b.findings()
	s = b.status()
	require.Equal(t, "On the bench", s.Where)
	require.Equal(t, "No, nothing", s.Need)
	require.Equal(t, "It leaves us by Tuesday 1 December", s.When)
	require.Equal(t, "The carrier’s days come on top.", s.WhenMore)
	require.Empty(t, s.WhenWhy)
	require.Equal(t, "booked done, received done, diagnosing here, awaiting_approval ahead, repairing ahead, testing ahead, shipped ahead", railOf(s))

	b = newBench(t)
	b.awaiting() // Wednesday 18 November
	s = b.status()
	require.Equal(t, workflow.NeedDecide, s.NeedAction)
	require.Equal(t, "Please answer by Wednesday 2 December.", s.NeedMore)
	require.Equal(t, "By Wednesday 2 December, if you answer by Wednesday 18 November", s.When)
	b.passes(6 * 24 * time.Hour) // Tuesday 24 November: three and a bit open days later
	s = b.status()
	require.Equal(t, "By Tuesday 8 December, if you answer by Tuesday 24 November", s.When)
	require.Equal(t, []string{"It was Tuesday 1 December before. We’ve been waiting for you since Wednesday 18 November, and the date moves by as long."}, s.WhenWhy)

	b = newBench(t)
	b.repairing()
	s = b.status()
	require.Equal(t, "In the queue for the bench", s.Where)
	require.Contains(t, railOf(s), "repairing here")
	require.Equal(t, "in the queue", s.Rail[4].StateWords)
	require.Equal(t, "It leaves us by Friday 4 December", s.When)
	require.Equal(t, []string{"The date moved from Tuesday 1 December to Friday 4 December, because we had to wait for you."}, s.WhenWhy)

	b = newBench(t)
	b.shipped()
	s = b.status()
	require.True(t, s.Ended)
	require.Contains(t, s.WhereMore, "Coastal Parcels")
	require.Contains(t, s.WhereMore, "RR473124829CA")
	require.Equal(t, "We posted it on Sunday 22 November", s.When)
	require.Equal(t, "We had promised it for Friday 4 December, and kept to that.", s.WhenMore)
	require.Contains(t, s.NeedMore, "Saturday 20 February 2027", "ninety days of warranty, in another year")
	require.NotContains(t, railOf(s), "here")
}

func TestStatusWhenLate(t *testing.T) {
	b := newBench(t)
	b.findings()
	b.passes(18 * 24 * time.Hour)
	s := b.status()
	require.True(t, s.Breached)
	require.Equal(t, "Late: we missed our date", s.When)
	require.Contains(t, s.WhenMore, "Tuesday 1 December")

	b.do(ada, workflow.MovePromise{Days: 4, Reason: "The right socket comes on Monday."})
	s = b.status()
	require.False(t, s.Breached)
	require.Equal(t, "It leaves us by Thursday 10 December", s.When)
	require.Equal(t, []string{"We had promised it for Tuesday 1 December, and missed that.", "Why it moved: The right socket comes on Monday."}, s.WhenWhy)
	track := TrackOf(samplePage(b, ""), b.job(), b.s.Shop, b.now, TrackLink{Token: sampleToken})
	require.Len(t, track.Promises, 2)
	require.Equal(t, "Missed.", track.Promises[0].State)
	require.Equal(t, "This is the date that counts.", track.Promises[1].State)
}

func TestStatusOnHold(t *testing.T) {
	b := newBench(t)
	b.findings()
	b.do(ada, workflow.PlaceHold{Reason: workflow.HoldParts, Note: "The socket is on order."})
	b.passes(48 * time.Hour)
	s := b.status()
	require.Equal(t, "We’ve been waiting for parts since Tuesday 17 November.", s.Hold)
	require.Equal(t, "The socket is on order.", s.HoldNote)
	require.Equal(t, workflow.NeedNone, s.NeedAction)
	require.Equal(t, "By Friday 4 December, if the parts are here by Thursday 19 November", s.When)
	require.Equal(t, []string{"The date moved from Tuesday 1 December to Friday 4 December, because we had to wait for parts."}, s.WhenWhy[len(s.WhenWhy)-1:])
	b.do(ada, workflow.LiftHold{})
	s = b.status()
	require.Empty(t, s.Hold)
	require.Equal(t, "It leaves us by Friday 4 December", s.When, "two working days and three minutes")
	track := TrackOf(samplePage(b, ""), b.job(), b.s.Shop, b.now, TrackLink{Token: sampleToken})
	require.Equal(t, []HoldView{{"From Tuesday 17 November to Thursday 19 November we waited for parts.", "The socket is on order."}}, track.Holds)
	require.Contains(t, track.Promises[0].Text, "by Tuesday 1 December", "what was told on that day stays what was told")
	last := track.Promises[len(track.Promises)-1]
	require.Equal(t, PromiseView{Text: "On Thursday 19 November we said: by Friday 4 December, because we had to wait for parts.", State: "This is the date that counts."}, last)
	require.Equal(t, "Replaced.", track.Promises[0].State, "only one date counts")

	b.do(ada, workflow.PlaceHold{Reason: workflow.HoldCustomer, Note: "May we open the sealed case?"})
	require.Equal(t, workflow.NeedAnswer, b.status().NeedAction)
}

func TestStatusAsksForWhatIsNeeded(t *testing.T) {
	b := newBench(t)
	b.findings()
	b.do(ada, workflow.SendMessage{Text: "Which pedal do you use?", Question: true})
	require.Equal(t, workflow.NeedAnswer, b.status().NeedAction)
	b.do(mira, workflow.SendMessage{Text: "The old one."})
	require.Equal(t, workflow.NeedNone, b.status().NeedAction, "the customer has answered")

	b = newBench(t)
	b.s.Shop.SettleFirst = true
	b.testing()
	s := b.status()
	require.Equal(t, workflow.NeedPay, s.NeedAction)
	require.Contains(t, s.NeedMore, "CA$193.36")
	b.do(ada, workflow.RecordPayment{Amount: "193.36", How: "bank transfer"})
	require.Equal(t, workflow.NeedNone, b.status().NeedAction)

	b = newBench(t)
	j := b.awaiting()
	b.do(mira, workflow.Decide{Verdict: workflow.VerdictAsk, Digest: j.Quote().Digest, Words: "Is it worth it?"})
	s = b.status()
	require.Equal(t, "Not right now", s.Need)
	require.Contains(t, s.WhereMore, "We’ll answer you next")
	require.Equal(t, "It leaves us by Tuesday 1 December", s.When)
	b.passes(15 * 24 * time.Hour)
	require.Equal(t, "Yes: what would you like us to do?", b.status().Need)
}

func TestStatusGoingBack(t *testing.T) {
	b := newBench(t)
	b.testing()
	b.do(tom, workflow.DoTest{Test: workflow.Test{Name: "Function", Note: workflow.Plain("Key 60 is silent.")}}, workflow.Go{To: workflow.StageDiagnosing})
	s := b.status()
	require.Equal(t, "booked done, received done, diagnosing here, awaiting_approval ahead, repairing ahead, testing ahead, shipped ahead", railOf(s))
	b.do(tom, workflow.Go{To: workflow.StageRepairing})
	require.Equal(t, "booked done, received done, diagnosing done, awaiting_approval done, repairing here, testing ahead, shipped ahead", railOf(b.status()))

	b = newBench(t)
	b.findings()
	b.do(tom, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeNoFault})
	require.Equal(t, "booked done, received done, diagnosing done, awaiting_approval left-out, repairing left-out, testing here, shipped ahead", railOf(b.status()))
	require.Equal(t, "Nothing to repair; last checks", b.status().Where)
}

// The end of a quote matters to the hour, so it is in the customer's zone as well.
func TestQuoteEndsInTheCustomersZone(t *testing.T) {
	b := newBench(t)
	j := b.awaiting()
	v := QuoteOf(j, j.Quote(), b.s.Shop, b.now, locale.For("en"))
	require.Equal(t, "This quote is open. It stands until Wednesday 2 December 2026, 07:47 Halifax time. (Where you are: 11:47, Lisbon time.)", v.StateWords)
	require.True(t, v.Answerable)
	late := QuoteOf(j, j.Quote(), b.s.Shop, b.now.AddDate(0, 0, 15), locale.For("en"))
	require.Equal(t, workflow.RevisionExpired, late.State)
	require.False(t, late.Answerable)
	require.Contains(t, late.StateWords, "ran out")
}

// A findings report answers in its order, shows a photo once, and puts earlier work under its own heading.
func TestReport(t *testing.T) {
	b := newBench(t)
	j := b.awaiting()
	r := ReportOf(j, &j.Reports[0], b.s.Shop, b.now, locale.For("en"), TrackPhotos(sampleToken))
	require.Len(t, r.Prior, 3)
	require.Len(t, r.Seen, 1)
	require.Len(t, r.Prior[0].Photos, 1)
	require.Empty(t, r.Suspects[2].Checks[0].Photos)
	require.Equal(t, "See Photo 3, further up.", r.Suspects[2].Checks[0].See)
	require.Equal(t, []WayView{{"A", "A: Resolder the socket", "CA$193.36", "Takes 3 working days once you have said yes"}, {"B", "B: The same, and new felt", "CA$405.19", "Takes 5 working days once you have said yes"}, {"C", "C: A used one in its place", "CA$99.75", ""}}, r.Ways)
	require.NotEmpty(t, r.Cautions, "it works on the mains")
	require.Equal(t, "fit a screw of the right length: to be done before the device goes back", strings.ToLower(r.Prior[1].Duties[0].Text)+": "+r.Prior[1].Duties[0].State)

	s, err := Load()
	require.NoError(t, err)
	page := render(t, s, &ReportPage{Page: samplePage(b, "Report"), Report: r, Track: "/j/x"})
	at := 0
	for _, id := range []string{"r-short", "r-arrived", "r-seen", "r-prior", "r-checked", "r-cause", "r-proposal", "r-cautions", "r-next"} {
		next := strings.Index(page, `id="`+id+`"`)
		require.Greater(t, next, at, "%s is not where it belongs", id)
		at = next
	}
	b.now = b.now.Add(time.Hour)
	later := j.DraftReport(workflow.ReportText{Short: "Later."}, b.now)
	draft := ReportOf(j, &later, b.s.Shop, b.now, locale.For("en"), TrackPhotos(sampleToken))
	require.Equal(t, 2, draft.Number)
	require.Len(t, draft.Prior, 3)
	require.Empty(t, draft.Ways, "the quote went with the report before")
}

// A finding from the catalogue is told with its term, its plain words and why it matters; what is dangerous
// brings its caution; a duty that is let go is told with its reason, wherever the customer reads.
func TestReportOfTheCatalogue(t *testing.T) {
	b := newBench(t)
	b.findings()
	j := b.do(tom, workflow.NoteFinding{Finding: workflow.Finding{Entry: "cell_pierced"}}, workflow.DoDuty{ID: len(b.job().Duties) + 1},
		workflow.NoteFinding{Finding: workflow.Finding{Entry: "heatsink_dry", Text: "The heat sink of U1 sits on its old compound."}},
		workflow.RaiseDuty{Duty: workflow.Duty{Rule: "shield"}})
	n := len(j.Duties)
	j = b.do(ada, workflow.WaiveDuty{ID: n, Reason: "No such shield is to be had."}, workflow.SendReport{Text: workflow.ReportText{Short: "Two things were found."}})
	r := ReportOf(j, &j.Reports[0], b.s.Shop, b.now, locale.For("en"), TrackPhotos(sampleToken))
	require.Equal(t, []DutyView{{Text: "Put the shield back", State: "left alone. No such shield is to be had.", Line: "Put the shield back: left alone. No such shield is to be had."}}, r.Left)
	require.Contains(t, strings.Join(r.Cautions, " "), "A damaged lithium cell came in with the device.", "the finding corrects the screening, whose caution says it")
	found := r.Prior[len(r.Prior)-1]
	require.Equal(t, []string{"Heat sink without new compound", "A heat sink was taken off and put back on old compound.", "Heat gets away less well. How hot the part gets we measure; the compound we renew in any case."}, []string{found.Term, found.Plain, found.Matters})
	require.Empty(t, r.Seen[len(r.Seen)-1].Plain, "the text says the same")
	s, err := Load()
	require.NoError(t, err)
	page := render(t, s, &ReportPage{Page: samplePage(b, "Report"), Report: r, Track: "/j/x"})
	for _, want := range []string{"Heat sink without new compound", "put back on old compound.", "Heat gets away less well.", "No such shield is to be had.", "Pierced lithium cell"} {
		require.Contains(t, page, want)
	}
}

// Marks are laid out in the pixels of the copy they lie on.
func TestMarks(t *testing.T) {
	p := &workflow.Photo{Copies: workflow.Copies{Large: workflow.Copy{Width: 1600, Height: 1200}}, Marks: []workflow.Mark{
		{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 5500, Y2: 5000, Text: workflow.Plain("here")},
		{Kind: workflow.MarkArrow, X: 1000, Y: 1000, X2: 1000, Y2: 1000},
		{Kind: workflow.MarkPoint, X: 0, Y: 10000, Number: 3},
		{Kind: workflow.MarkBlur, X: 0, Y: 0, X2: 10, Y2: 10},
	}}
	m, notes := marksOf(p)
	require.Equal(t, []MarkNote{{"", "here", workflow.MarkRing}}, notes)
	require.Len(t, m.Shapes, 2, "an arrow without length and a blur are not drawn")
	require.Equal(t, []string{"800.0", "600.0", "80.0"}, []string{m.Shapes[0].X, m.Shapes[0].Y, m.Shapes[0].R})
	require.Equal(t, []string{"40.0", "1160.0", "3"}, []string{m.Shapes[1].DiscX, m.Shapes[1].DiscY, m.Shapes[1].Number}, "a number never hangs over the edge")
	small, _ := marksOf(&workflow.Photo{Copies: workflow.Copies{Large: workflow.Copy{Width: 300, Height: 400}}, Marks: p.Marks[:1]})
	require.Equal(t, []int{1200, 1600}, []int{small.Width, small.Height})
	none, _ := marksOf(&workflow.Photo{Marks: []workflow.Mark{{Kind: workflow.MarkBlur}}})
	require.Nil(t, none)
}

// What goes back beyond repair, dangerous and made safe, is told as such on page, report and paper, in every language.
func TestMadeSafeIsToldEverywhere(t *testing.T) {
	set, err := Load()
	require.NoError(t, err)
	b := newBench(t)
	b.findings()
	b.do(tom, workflow.TryFault{Result: workflow.NotTried, Why: workflow.NotTriedUnsafe}, workflow.NoteFinding{Finding: workflow.Finding{Entry: "board_charred"}})
	b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "It can’t be repaired."}}, workflow.Go{To: workflow.StageTesting, Outcome: workflow.OutcomeBeyondRepair, Reason: "the board is not made any more"})
	safe := workflow.MakeSafe{Done: "The mains lead is taken off", Label: "Do not use: charred board", Word: "Send it back."}
	b.do(workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, safe)
	j := b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "It comes back as it is, made safe."}})
	for _, lang := range locale.Languages {
		w := locale.Draft(lang)
		s := StatusOf(j, b.s.Shop, b.now, w)
		require.Contains(t, s.WhereMore, "the board is not made any more.", lang)
		told := w.T("caution.made_safe", safe.Done+".", safe.Label)
		require.Contains(t, ReportOf(j, &j.Reports[0], b.s.Shop, b.now, w, TrackPhotos(sampleToken)).Since.Lines, told, "the report from before says so as what came later")
		v := ReportOf(j, &j.Reports[1], b.s.Shop, b.now, w, TrackPhotos(sampleToken))
		require.Equal(t, w.T("tried.not_tried.unsafe"), v.Tried)
		require.Contains(t, v.Cautions, told)
		page := render(t, set, &ReportPage{Page: samplePage(b, "Report"), Report: v, Track: "/j/x"})
		require.Contains(t, page, safe.Label)
		require.Contains(t, page, w.T("duty.made_safe"))
		paper, err := ReportPaper(v, b.s.Shop, b.now, plates)
		require.NoError(t, err)
		name := filepath.Join(t.TempDir(), "report.pdf")
		require.NoError(t, os.WriteFile(name, paper, 0o600))
		require.Contains(t, strings.Join(strings.Fields(papertest.Tool(t, "pdftotext", name, "-")), ""), strings.Join(strings.Fields(told), ""), lang)
	}
	packed := workflow.Pack{}
	for _, it := range j.Contents {
		packed.Items = append(packed.Items, workflow.PackedItem{Item: it.ID, Fate: workflow.FateReturned})
	}
	for _, d := range j.Duties {
		if d.Open() && !j.FromDanger(d, b.s.Shop.Trade()) {
			b.do(ada, workflow.WaiveDuty{ID: d.ID, Reason: "It goes back as it is."})
		}
	}
	j = b.do(ada, packed, workflow.PrepareShipment{InPerson: true}, workflow.Go{To: workflow.StageShipped})
	page := TrackOf(samplePage(b, "Track"), j, b.s.Shop, b.now, TrackLink{Token: sampleToken})
	require.Contains(t, page.Status.WhereMore, "It is marked “Do not use: charred board”.")
	require.NotContains(t, page.Status.WhereMore, "as you asked", "nobody asked for that")
}

// A danger seen on arrival: its owner reads the owner's caution, once, in their language.
func TestOwnersReadTheOwnersCaution(t *testing.T) {
	b := newBench(t)
	b.findings()
	j := b.do(tom, workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No, Hazards: []string{"asbestos", "shock"}}})
	for lang, want := range map[string]string{"en": "can hold asbestos", "fr": "amiante", "de": "Asbest", "es": "amianto"} {
		got := CautionsOf(j, b.s.Shop, locale.For(lang))
		require.Len(t, got, 2, "the mains are spoken of once")
		require.Contains(t, got[1], want)
		require.Equal(t, b.s.Shop.Trade().Caution(lang, "asbestos"), got[1])
		require.NotEqual(t, b.s.Shop.Trade().Care(lang, "asbestos"), got[1])
	}
}

// A dated report stays as it was: what it said of date and next step on its day, and the photos of that day. What
// came later stands in a box of its own, in the page and on paper.
func TestAReportStaysAsItWas(t *testing.T) {
	b := newBench(t)
	j := b.awaiting()
	then := ReportOf(j, &j.Reports[0], b.s.Shop, j.Reports[0].SentAt, locale.For("en"), TrackPhotos(sampleToken))
	require.Nil(t, then.Since)
	require.Equal(t, locale.For("en").T("report.next.awaiting_approval"), then.Next)
	require.Contains(t, then.Date, "1 December")
	late := newBench(t)
	j = late.testing()
	now := ReportOf(j, &j.Reports[0], late.s.Shop, late.now, locale.For("en"), TrackPhotos(sampleToken))
	require.NotNil(t, now.Since)
	require.Contains(t, now.Since.Lines[0], "being tested")
	require.Len(t, now.Since.Pairs, 1)
	require.Empty(t, now.Pairs)
	require.Equal(t, []string{then.Date, then.Next, then.QuoteStands}, []string{now.Date, now.Next, now.QuoteStands})
	require.Len(t, now.Arrival, len(then.Arrival))
	set, err := Load()
	require.NoError(t, err)
	require.Contains(t, render(t, set, &ReportPage{Page: samplePage(b, "Report"), Report: now, Track: "/j/x"}), `id="r-since"`)
}

// What becomes of duties and contents after a report was sent changes no word of it.
func TestAReportKeepsItsDuties(t *testing.T) {
	b := newBench(t)
	b.awaiting()
	b.do(ada, workflow.WithdrawQuote{Reason: "There is more."})
	b.do(tom, workflow.RaiseDuty{Duty: workflow.Duty{Text: "Renew the foot", Before: workflow.StageShipped}})
	j := b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "Again."}})
	r := &j.Reports[len(j.Reports)-1]
	read := func(j *workflow.Job) ReportView {
		v := ReportOf(j, r, b.s.Shop, r.SentAt, locale.For("en"), TrackPhotos(sampleToken))
		v.Since, v.Next, v.Head = nil, "", ""
		return v
	}
	was := read(j)
	id := len(j.Duties)
	j = b.do(ada, workflow.WaiveDuty{ID: id, Reason: "It is only a foot."})
	require.Len(t, ReportOf(j, &workflow.Report{Number: 9, SentAt: b.now}, b.s.Shop, b.now, locale.For("en"), TrackPhotos(sampleToken)).Left, len(was.Left)+1, "the next one tells it")
	j.Packed = []workflow.PackedItem{{Item: 1, Fate: workflow.FateRecycled, Note: workflow.Plain("worn out")}}
	is := read(j)
	require.Equal(t, []any{was.Cautions, was.Left, was.Contents}, []any{is.Cautions, is.Left, is.Contents})
}

// A job that comes back under warranty names the one it follows.
func TestAWarrantyReturnNamesItsFirstJob(t *testing.T) {
	b := newBench(t)
	j := *b.received()
	set, err := Load()
	require.NoError(t, err)
	page := func() string {
		return render(t, set, TrackOf(samplePage(b, "Job"), &j, b.s.Shop, b.now, TrackLink{Token: sampleToken, Purpose: link.Own, Until: b.now.AddDate(1, 0, 0)}))
	}
	require.NotContains(t, page(), "under warranty")
	j.Follows = "K7M2QX8"
	require.Contains(t, page(), "This job follows job K7M-2QX-8, under warranty.")
}

// While a further quote waits, the rail keeps what was approved.
func TestTheRailKeepsWhatWasApproved(t *testing.T) {
	b := newBench(t)
	b.repairing()
	words := func() string {
		for _, r := range b.status().Rail {
			if r.Stage == workflow.StageRepairing {
				return r.StateWords
			}
		}
		return ""
	}
	require.Equal(t, "in the queue", words())
	b.do(tom, workflow.NoteFinding{Finding: workflow.Finding{Text: "A second socket is cracked.", Origin: workflow.OriginUnknown, Weight: workflow.WeightFault, Certainty: workflow.CertaintyInferred}})
	dear := sampleOptions()[:1]
	dear[0].Price.Lines = append(dear[0].Price.Lines, dear[0].Price.Lines...)
	b.do(ada, workflow.IssueQuote{Options: dear, Reason: "A second socket."}, workflow.Go{To: workflow.StageAwaitingApproval})
	require.Equal(t, "approved; waits for your answer", words())
}
