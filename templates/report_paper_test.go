package templates

import (
	"bytes"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/templates/paper/papertest"
	"benchword/templates/viewtest"
	"benchword/workflow"
	"benchword/workflow/longtest"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

// plate is a stand-in for a photo: what matters here is that it is a JPEG of that size.
func plate(w, h int) []byte {
	m := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = uint8(i % w * 255 / w)
	}
	for i := range m.Cb {
		m.Cb[i], m.Cr[i] = 110, 140
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}

func plates(int) ([]byte, error) { return plate(1600, 1200), nil }

// again plays a second report: a finding corrected, one withdrawn, one added, with measurements.
func (b *bench) again() *workflow.Job {
	b.t.Helper()
	b.testing()
	low, high := money.MustDecimal("4.75"), money.MustDecimal("5.25")
	f := *b.job().Finding(1)
	f.Weight = workflow.WeightDanger
	felt := *b.job().Finding(4)
	felt.Text = "The felt under nine keys is pressed flat."
	return b.do(ada, workflow.NoteFinding{Finding: f}, workflow.DoDuty{ID: len(b.job().Duties) + 1}, workflow.NoteFinding{Finding: felt}, workflow.WithdrawFinding{ID: 2, Reason: "The longer screw turned out to be the maker’s own."},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "The supply sags while all keys sound.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured,
			Measurement: &workflow.Measurement{Value: money.MustDecimal("4.6"), Unit: "V", Low: &low, High: &high, Instrument: "multimeter 2"}}},
		workflow.SendReport{Text: workflow.ReportText{Short: "One more thing came up: the supply sags.\n\nIt is put right in the same price.", Cause: "The socket, and a tired capacitor."}})
}

// sentencesOf returns the text blocks of a page's report, without what is there for the screen only.
func sentencesOf(t testing.TB, page string) []string {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	var out []string
	var text func(n *html.Node) string
	text = func(n *html.Node) string {
		if n.Type == html.TextNode {
			return n.Data
		}
		if n.Type == html.ElementNode && n.Data == "br" {
			return " "
		}
		s := ""
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			s += text(c)
		}
		return s
	}
	has := func(n *html.Node, name, value string) bool {
		for _, a := range n.Attr {
			if a.Key == name && (value == "" || strings.Contains(" "+a.Val+" ", " "+value+" ")) {
				return true
			}
		}
		return false
	}
	var walk func(n *html.Node, in bool)
	walk = func(n *html.Node, in bool) {
		if n.Type == html.ElementNode {
			if has(n, "class", "no-print") || has(n, "aria-hidden", "true") || n.Data == "svg" {
				return
			}
			in = in || n.Data == "article"
			switch n.Data {
			case "p", "h1", "h2", "h3", "figcaption", "li", "th", "td":
				plain := true
				for c := n.FirstChild; c != nil; c = c.NextSibling {
					plain = plain && (c.Type != html.ElementNode || c.Data != "p" && c.Data != "ul" && c.Data != "figure" && c.Data != "div")
				}
				if plain && in {
					// A span may stand in a cell or line of its own, so each counts by itself.
					for c := n.FirstChild; c != nil; c = c.NextSibling {
						if s := strings.Join(strings.Fields(text(c)), " "); s != "" && !has(c, "aria-hidden", "true") {
							out = append(out, s)
						}
					}
					return
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, in)
		}
	}
	walk(root, false)
	return out
}

// Page, mail and paper are made from one view; this looks at what came out. Every sentence of the page has
// to be in the text that pdftotext, which nobody here wrote, finds in the PDF.
func TestThePaperSaysWhatThePageSays(t *testing.T) {
	set, err := Load()
	require.NoError(t, err)
	b, proved := newBench(t), newBench(t)
	saysWhatThePageSays(t, set, "again", b, b.again())
	saysWhatThePageSays(t, set, "proved", proved, proved.proved())
}

func saysWhatThePageSays(t *testing.T, set *Set, play string, b *bench, j *workflow.Job) {
	share := longtest.Share(t, 4)
	for i, lang := range locale.Languages {
		if !share(i) {
			continue
		}
		w := locale.Draft(lang)
		for n := range j.Reports {
			r := &j.Reports[n]
			v := ReportOf(j, r, b.s.Shop, b.now, w, TrackPhotos(sampleToken))
			p := samplePage(b, "Report")
			p.Lang = lang
			page := render(t, set, &ReportPage{Page: p, Report: v, Track: "/j/x"})
			file, err := ReportPaper(v, b.s.Shop, r.SentAt, plates)
			require.NoError(t, err)
			again, err := ReportPaper(v, b.s.Shop, r.SentAt, plates)
			require.NoError(t, err)
			require.Equal(t, file, again)
			name := filepath.Join(t.TempDir(), "report.pdf")
			if *gallery != "" {
				name = filepath.Join(*gallery, "report-"+play+"-"+lang+"-"+string(rune('1'+n))+".pdf")
			}
			require.NoError(t, os.WriteFile(name, file, 0o600))
			papertest.Tool(t, "qpdf", "--check", name)
			squeeze := func(s string) string { return strings.Join(strings.Fields(s), "") } // lines may break anywhere
			found := squeeze(papertest.Tool(t, "pdftotext", name, "-"))
			all := sentencesOf(t, page)
			require.Greater(t, len(all), 60)
			for _, s := range all {
				require.Contains(t, found, squeeze(s), "%s: %s, report %d", play, lang, n+1)
			}
			require.Contains(t, found, squeeze(r.Head), "the seal")
			for _, who := range []string{b.s.Shop.Name, b.s.Shop.Address, j.Customer.Name.Text, j.Customer.Address.Text} {
				require.NotEmpty(t, who)
				require.Contains(t, found, squeeze(strings.ReplaceAll(who, "\n", ", ")), "who, to whom")
			}
			require.Contains(t, papertest.Tool(t, "pdfinfo", name), "612 x 792", "a Canadian shop prints on letter")
		}
	}
}

func TestALaterReportSaysWhatChanged(t *testing.T) {
	b := newBench(t)
	j := b.again()
	en := locale.For("en")
	first := ReportOf(j, &j.Reports[0], b.s.Shop, b.now, en, TrackPhotos(sampleToken))
	require.Nil(t, first.Changes)
	require.Len(t, first.Prior, 3, "the first report stays as it was sent")
	require.Equal(t, workflow.WeightFault, first.Prior[0].Weight)
	second := ReportOf(j, &j.Reports[1], b.s.Shop, b.now, en, TrackPhotos(sampleToken))
	require.Equal(t, []string{
		"Changed, finding 1: Three solder joints of socket J4 are cracked. New about it: how much it matters.",
		"Changed, finding 4: it now says “The felt under nine keys is pressed flat.”, and said “The felt under five keys is pressed flat.” before.",
		"New, finding 5: The supply sags while all keys sound.",
		"Withdrawn, finding 2: One case screw is longer than the others. The reason: The longer screw turned out to be the maker’s own.",
		"Changed: what we think is wrong, or how sure we are of it.",
	}, second.Changes.Items)
	m := second.Seen[len(second.Seen)-1].Measured
	require.Equal(t, "Measured: 4.6 V. Below what is expected (4.75 V to 5.25 V). Instrument: multimeter 2.", m.Line())
	require.Equal(t, "▼", m.Sign())

	// Nothing new is said, too.
	j = b.do(ada, workflow.SendReport{Text: j.Reports[1].ReportText})
	third := ReportOf(j, &j.Reports[2], b.s.Shop, b.now, en, TrackPhotos(sampleToken))
	require.Equal(t, "No finding was added, changed or withdrawn since report 2.", third.Changes.None)
}

// A report of two findings pages and six photos, as PDF, against reading and writing one of its photos:
// what any way of putting photos on paper costs at least.
//
// Figures (two shared cores): With seven photos, marks drawn before: 0.47 of decoding and encoding one of
// them; 86 ms on a busy machine (aim 100 ms). Each marked photo adds once what drawing on it takes.
//
//	go test ./templates -run XXX -bench ReportPaper
func BenchmarkReportPaper(b *testing.B) {
	x := newBench(b)
	j := x.again()
	v := ReportOf(j, &j.Reports[1], x.s.Shop, x.now, locale.For("en"), TrackPhotos(sampleToken))
	photo := plate(1600, 1200)
	b.Run("paper", func(b *testing.B) {
		for b.Loop() {
			_, err := ReportPaper(v, x.s.Shop, x.now, func(int) ([]byte, error) { return photo, nil })
			require.NoError(b, err)
		}
	})
	b.Run("one photo decoded and encoded", func(b *testing.B) {
		for b.Loop() {
			m, err := jpeg.Decode(bytes.NewReader(photo))
			require.NoError(b, err)
			require.NoError(b, jpeg.Encode(new(bytes.Buffer), m, nil))
		}
	})
}

// Hostile texts stay texts on the archive's page too, which has no Content-Security-Policy to help it.
func TestHostileArchive(t *testing.T) {
	s, err := Load()
	require.NoError(t, err)
	for _, text := range viewtest.Hostile {
		for _, v := range []View{&Archive{}, &DataFile{}} {
			viewtest.Fill(v, text)
			page := render(t, s, v)
			require.NotContains(t, page, "<script")
			require.NotContains(t, page, "'&{{")
			require.NotRegexp(t, `(href|src|srcset)="\s*javascript:`, page)
		}
	}
	require.NotEmpty(t, render(t, s, &Archive{W: locale.For("de")}))
}

// The archive's page says how each message came, and what the address on file said of it; of other events nothing.
func TestTheArchiveSaysHowAMessageCame(t *testing.T) {
	s, err := Load()
	require.NoError(t, err)
	at := time.Date(2026, 11, 27, 14, 0, 0, 0, time.UTC)
	customer := workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}
	j := &workflow.Job{Messages: []workflow.Message{
		{ID: 1, By: customer, Came: workflow.CameUnproven, Confirmed: workflow.ConfirmedNo, ConfirmedAt: at},
		{ID: 2, By: customer}, {ID: 3, By: workflow.Actor{Role: workflow.RoleCounter}, Came: workflow.CamePhone},
		{ID: 4, By: customer, Came: workflow.CameLink, Confirmed: workflow.ConfirmedYes, ConfirmedAt: at},
	}}
	v := &Archive{W: locale.For("en")}
	for i := range j.Messages {
		v.Events = append(v.Events, ArchiveEvent{Seq: int64(i), Came: cameOf(j, &workflow.Event{Payload: &workflow.MessageSent{ID: i + 1}}, time.UTC, v.W)})
	}
	require.Empty(t, cameOf(j, &workflow.Event{Payload: &workflow.JobReady{}}, time.UTC, v.W))
	page := render(t, s, v)
	for _, said := range []string{
		"by email, sender not proven, not theirs, says the address on file on Friday 27 November", "by email, sender not checked<",
		"by telephone, written down by the bench<", "by the customer’s own link, confirmed at the address on file on Friday 27 November",
	} {
		require.Contains(t, page, said)
	}
	for _, lang := range []string{"en", "fr", "de", "es"} {
		for _, came := range []workflow.Came{workflow.CameLink, workflow.CameShared, workflow.CameEmail, workflow.CameProven, workflow.CameUnproven, workflow.CamePhone, workflow.CameStaff} {
			require.NotContains(t, locale.For(lang).T("archive.came."+string(came)), "archive.", "%s %s", lang, came)
		}
	}
}
