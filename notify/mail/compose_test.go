package mail

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"mime"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"benchword/templates/mail"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

var update = flag.Bool("update", false, "write the goldens anew")

// shown returns a mail as people compare it: the headers, then text and HTML decoded, pictures by size.
func shown(t *testing.T, m *Message) string {
	o := open(t, m.Data)
	var b strings.Builder
	for _, h := range []string{"From", "To", "Reply-To", "Subject", "Date", "Message-ID", "In-Reply-To", "References", "Auto-Submitted", "Content-Language"} {
		v, err := new(mime.WordDecoder).DecodeHeader(o.Header.Get(h))
		require.NoError(t, err)
		fmt.Fprintf(&b, "%s: %s\n", h, mark.ReplaceAllString(v, "@"))
	}
	fmt.Fprintf(&b, "\n%s\n=====\n\n%s\n", strings.ReplaceAll(o.Text, "\r", ""), strings.ReplaceAll(o.HTML, "\r", ""))
	for _, cid := range slices.Sorted(maps.Keys(o.Inline)) {
		fmt.Fprintf(&b, "=====\n%s\n", cid)
	}
	return b.String()
}

// mark is what can't be guessed of a Message-ID; the goldens are to be read.
var mark = regexp.MustCompile(`\.[a-z2-7]{16}@`)

const goldens = "../../testdata/mails"

// TestEveryNotice writes the mail of every notice there is and holds it to what a mail must be; the
// goldens are there to be read.
func TestEveryNotice(t *testing.T) {
	b := newBench(t)
	kinds := map[workflow.NoticeKind]bool{}
	written := map[string]bool{}
	for _, x := range b.everything() {
		t.Run(x.name, func(t *testing.T) {
			kinds[x.entry.Kind] = true
			m, err := b.compose(x)
			require.NoError(t, err)
			checkMessage(t, m.Data)
			o := open(t, m.Data)
			checkFacts(t, o, m)
			require.NotContains(t, o.Text+o.HTML+o.Header.Get("Subject"), "[mail.")
			require.NotContains(t, o.HTML, "ZgotmplZ")
			require.Less(t, len(o.HTML), MaxHTML)
			require.Less(t, len(m.Data), 1_500_000)
			again, err := b.compose(x)
			require.NoError(t, err)
			require.Equal(t, string(m.Data), string(again.Data), "the same notice gives the same bytes")

			if _, n, ok := strings.Cut(x.name, "_"); ok && len(n) == 1 || strings.HasSuffix(x.name, "_2") {
				return // like another one
			}
			file := filepath.Join(goldens, x.name+".txt")
			written[x.name+".txt"] = true
			got := shown(t, m)
			if *update {
				require.NoError(t, os.MkdirAll(goldens, 0o755))
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
				return
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err, "run the test with -update")
			require.Equal(t, string(want), got)
		})
	}
	for _, r := range workflow.NoticeTable() {
		require.True(t, kinds[r.Notice], "no email of kind %s was written", r.Notice)
	}
	if dir := os.Getenv("BENCHWORD_MAILS"); dir != "" {
		dump(t, b, dir)
	}
	files, err := os.ReadDir(goldens)
	require.NoError(t, err)
	for _, f := range files {
		require.True(t, written[f.Name()], "%s is no longer written; delete it", f.Name())
	}
}

// dump writes the mails as they would open in a browser, for looking at them.
func dump(t *testing.T, b *bench, dir string) {
	require.NoError(t, os.MkdirAll(dir, 0o755))
	fresh := newBench(t)
	for _, x := range fresh.everything() {
		m, err := fresh.compose(x)
		require.NoError(t, err)
		o := open(t, m.Data)
		page := o.HTML
		for cid, jpeg := range o.Inline {
			name := strings.Trim(cid, "<>") + ".jpg"
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), jpeg, 0o644))
			page = strings.ReplaceAll(page, "cid:"+strings.Trim(cid, "<>"), name)
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, x.name+".html"), []byte(page), 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(dir, x.name+".eml"), m.Data, 0o644))
	}
}

// words returns the visible words of HTML, with the text that stands for each picture.
func words(t *testing.T, src string) (text string, links, pictures []string) {
	doc, err := html.Parse(strings.NewReader(src))
	require.NoError(t, err)
	var b strings.Builder
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		if n.Type == html.ElementNode {
			switch n.Data {
			case "style", "head":
				return
			}
			for _, a := range n.Attr {
				switch {
				case a.Key == "href":
					links = append(links, a.Val)
				case a.Key == "src":
					pictures = append(pictures, a.Val)
				case a.Key == "alt":
					b.WriteString(a.Val + " ")
				case a.Key == "style" && strings.Contains(a.Val, "display:none"):
					return
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(doc)
	return strings.Join(strings.Fields(b.String()), " "), links, pictures
}

var word = regexp.MustCompile(`[\pL\pN][\pL\pN’'.,:/@_-]*[\pL\pN]|[\pL\pN]`)

// checkFacts holds text and HTML to the same words and links, and pictures to the mail itself.
func checkFacts(t *testing.T, o opened, m *Message) {
	text, links, pictures := words(t, o.HTML)
	plain := strings.ReplaceAll(o.Text, "\r\n", "\n")
	count := func(s string) map[string]int {
		out := map[string]int{}
		for _, w := range word.FindAllString(s, -1) {
			out[strings.Trim(w, ".,:'")]++
		}
		return out
	}
	inText, inHTML := count(plain), count(text)
	for w := range inHTML {
		require.NotZero(t, inText[w], "%q stands in the HTML but not in the text", w)
	}
	for w := range inText {
		if w == "Photo" {
			continue // the text says where a picture is
		}
		require.NotZero(t, inHTML[w]+boolCount(slices.ContainsFunc(links, func(l string) bool { return strings.Contains(l, w) })), "%q stands in the text but not in the HTML", w)
	}
	for _, l := range links {
		require.Contains(t, plain, l, "a link of the HTML is missing in the text")
		require.True(t, strings.HasPrefix(l, "https://bench.example/"), l)
	}
	require.Equal(t, len(o.Inline), len(pictures))
	for _, p := range pictures {
		cid, ok := strings.CutPrefix(p, "cid:")
		require.True(t, ok, "nothing is fetched from anywhere: %s", p)
		require.Contains(t, o.Inline, "<"+cid+">")
	}
	require.NotContains(t, o.HTML, "url(")
	require.NotContains(t, o.HTML, "@import")
	require.NotContains(t, o.HTML, "<script")
	require.NotContains(t, o.HTML, "<link")
	for _, l := range strings.Split(plain, "\n") {
		if !strings.Contains(l, "https://") {
			require.LessOrEqual(t, len([]rune(l)), 76, "%q", l)
		}
	}
}

func boolCount(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestHostileWordsInMails puts hostile texts where people type and looks for what they try.
func TestHostileWordsInMails(t *testing.T) {
	b := newBench(t)
	evil := "O’Brien <script>alert(1)</script> \"x\" عائشة 🔧 https://evil.example/ </td></table>"
	b.do(counter, workflow.Book{Person: workflow.Person{Name: evil, Email: "maud@example.org"}, Kind: evil, Maker: evil, Model: evil, Fault: evil + "\n.\n--part-x\nBcc: all@example.org"})
	b.receive()
	b.diagnose()
	b.report()
	b.do(counter, workflow.SendMessage{Text: evil})
	entries, err := b.store.Entries(context.Background(), b.svc.Shop.ID, b.n)
	require.NoError(t, err)
	require.Len(t, entries, 4)
	for i := range entries {
		m, err := b.mails.Compose(t.Context(), b.job(), &entries[i])
		require.NoError(t, err)
		checkMessage(t, m.Data)
		o := open(t, m.Data)
		require.Empty(t, o.Header["Bcc"])
		require.NotContains(t, o.HTML, "<script")
		_, links, _ := words(t, o.HTML)
		for _, l := range links {
			require.True(t, strings.HasPrefix(l, "https://bench.example/"), l)
		}
		to, err := o.Header.AddressList("To")
		require.NoError(t, err)
		require.Len(t, to, 1)
		require.Equal(t, evil, to[0].Name)
		require.LessOrEqual(t, len([]rune(decoded(t, o.Header.Get("Subject")))), 120)
	}
}

// What was seen in an attack: the first email of a booking on the web brought the booker's words, name, subject and
// address to a stranger, from the shop. As long as nobody knows whose the address is, no email to it holds one of them.
func TestNoStrangersWords(t *testing.T) {
	for _, confirm := range []bool{false, true} {
		b := newBench(t)
		b.svc.Shop.ConfirmBookings = confirm
		typed := []string{"Zqname", "Zqkind", "Zqmaker", "Zqmodel", "evil.example", "zqinbound", "zqplace", "zqphone", "zqmessage"}
		b.do(customer, workflow.Book{
			Person: workflow.Person{Name: "Zqname, your account is blocked", Email: "victim@example.org", Address: "Zqplace", Phone: "zqphone"},
			Kind:   "Zqkind URGENT", Maker: "Zqmaker", Model: "Zqmodel", Fault: "Pay at https://evil.example/login", Inbound: "zqinbound",
		})
		b.do(b.by(link.Own), workflow.AskLink{}, workflow.SendMessage{Text: "zqmessage, send it to my new address"})
		b.do(counter, workflow.AskConfirm{Message: 1}, workflow.SendMessage{Text: "What is it about?"})
		b.do(counter, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled})
		entries, err := b.store.Entries(t.Context(), b.svc.Shop.ID, b.n)
		require.NoError(t, err)
		require.Len(t, entries, 5)
		for i := range entries {
			m, err := b.mails.Compose(t.Context(), b.job(), &entries[i])
			require.NoError(t, err)
			o := open(t, m.Data)
			said := o.Text + o.HTML + decoded(t, o.Header.Get("Subject")) + o.Header.Get("To")
			for _, x := range typed {
				require.NotContains(t, strings.ToLower(said), strings.ToLower(x), entries[i].Kind)
			}
			require.Equal(t, "<victim@example.org>", o.Header.Get("To"))
			if _, links, _ := words(t, o.HTML); confirm && i == 0 {
				require.NotContains(t, strings.Join(links, " "), "/j/", "nobody looks before the address is confirmed")
				require.Contains(t, strings.Join(links, " "), "/confirm/")
			}
		}
	}
}

func decoded(t *testing.T, h string) string {
	s, err := new(mime.WordDecoder).DecodeHeader(h)
	require.NoError(t, err)
	return s
}

// TestHugeJobStillFits: whatever people type, a mail stays below what mailboxes take.
func TestHugeJobStillFits(t *testing.T) {
	b := newBench(t)
	long := strings.TrimSpace(strings.Repeat("langes Wort für Wort & so weiter ", 240))
	b.do(customer, workflow.Book{Person: workflow.Person{Name: "Maud", Email: "maud@example.org"}, Kind: "film scanner", Fault: long})
	b.receive()
	b.diagnose()
	for i := range 60 {
		var photos []int
		if i < 20 {
			photos = []int{b.photo(workflow.PhotoEvidence, fmt.Sprintf("View %d", i), "", 0)}
		}
		b.do(counter, workflow.NoteFinding{Finding: workflow.Finding{Text: long, Matters: long, Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Photos: photos}},
			workflow.NameSuspect{Text: "Something"})
		b.do(counter, workflow.DoCheck{Suspect: i + 1, Check: workflow.Check{Text: "Looked", Outcome: workflow.CheckUnclear}})
	}
	b.do(counter, workflow.SendReport{Text: workflow.ReportText{Short: long, Cause: long, Proposal: long, Next: long}}, quote("80.00", ""), workflow.Go{To: workflow.StageAwaitingApproval})
	entries, err := b.store.Entries(context.Background(), b.svc.Shop.ID, b.n)
	require.NoError(t, err)
	e := entries[len(entries)-1]
	require.Equal(t, workflow.NoticeFindings, e.Kind)
	m, err := b.mails.Compose(t.Context(), b.job(), &e)
	require.NoError(t, err)
	o := open(t, m.Data)
	require.Less(t, len(o.HTML), MaxHTML)
	require.Less(t, len(m.Data), 1_500_000)
	require.Len(t, o.Inline, mail.MaxPhotos)
	require.Contains(t, o.Text, "more photos are on the page.")
	require.Contains(t, o.Text, "This email is a shorter version.")
	checkFacts(t, o, m)
}

// TestMailWithoutPhotos: a photo that can't be read leaves the words.
func TestMailWithoutPhotos(t *testing.T) {
	b := newBench(t)
	b.book("Maud")
	b.receive()
	entries, err := b.store.Entries(context.Background(), b.svc.Shop.ID, b.n)
	require.NoError(t, err)
	require.NoError(t, b.photos.Clear(t.Context(), b.svc.Shop.ID, b.n))
	m, err := b.mails.Compose(t.Context(), b.job(), &entries[1])
	require.NoError(t, err)
	o := open(t, m.Data)
	require.Empty(t, o.Inline)
	require.Contains(t, o.Text, "2 more photos are on the page.")
	checkFacts(t, o, m)
}

// TestMailLinks: a mail's links open what they should, and whatever says that an answer to the quote is needed can give it.
func TestMailLinks(t *testing.T) {
	b := newBench(t)
	token := regexp.MustCompile(`https://bench\.example/([jd])/([a-z2-7]{32})`)
	for _, x := range b.everything() {
		m, err := b.compose(x)
		require.NoError(t, err)
		found := map[string]bool{}
		text := open(t, m.Data).Text
		needed := strings.Contains(text, "Yes: your answer to the quote")
		for _, f := range token.FindAllStringSubmatch(text, -1) {
			found[f[1]] = true
			row, err := b.svc.Open(t.Context(), f[2])
			if err != nil {
				require.ErrorIs(t, err, workflow.ErrGone, "by now some have ended")
			}
			require.Equal(t, x.job.Number, row.Job)
			require.Equal(t, map[string]string{"j": "own", "d": "decide"}[f[1]], string(row.Purpose))
		}
		require.Equal(t, x.name != "confirm_booking", found["j"], x.name)
		asks := slices.Contains([]workflow.NoticeKind{workflow.NoticeQuote, workflow.NoticeFurtherQuote, workflow.NoticeReminder, workflow.NoticeLastNotice, workflow.NoticeUndone}, x.entry.Kind) || x.name == "findings_with_quote"
		if (asks || needed) && x.name != "further_quote_5" {
			require.True(t, found["d"], x.name)
		}
		if !asks && !needed && x.entry.Quote == 0 && x.entry.Kind != workflow.NoticeDecision {
			require.False(t, found["d"], x.name)
		}
	}
}

// TestPreviewIsTheMail: what the counter sees is what is sent, but for links and picture addresses.
func TestPreviewIsTheMail(t *testing.T) {
	b := newBench(t)
	strip := regexp.MustCompile(`(cid:[^"]+|data:image/jpeg;base64,[^"]+|https://bench\.example/d/[a-z2-7]+)`)
	for _, x := range b.everything() {
		if !slices.Contains([]string{"findings_with_quote", "findings_alone", "quote", "further_quote", "message", "promise_moved", "ready"}, x.name) {
			continue
		}
		m, err := b.compose(x)
		require.NoError(t, err)
		before := *x.job
		if x.entry.Quote > 0 { // the quote is not out yet
			before.Links = slices.DeleteFunc(slices.Clone(before.Links), func(l workflow.LinkGrant) bool { return l.Quote > 0 })
		}
		html, text, err := b.mails.Preview(t.Context(), &before, x.entry.Kind)
		require.NoError(t, err)
		o := open(t, m.Data)
		require.Equal(t, strip.ReplaceAllString(strings.ReplaceAll(o.HTML, "\r", ""), "*"), strip.ReplaceAllString(string(html), "*"), x.name)
		require.Equal(t, strip.ReplaceAllString(strings.ReplaceAll(o.Text, "\r", ""), "*"), strip.ReplaceAllString(string(text), "*"), x.name)
		require.NotContains(t, string(html), "cid:")
	}
}

// TestANameWithEverything: an apostrophe, accents, Arabic, an emoji and a line break with a header of its
// own in a customer's name. The domain takes no line break; a mail is safe even from one that got in.
func TestANameWithEverything(t *testing.T) {
	const name = "Zoë O'Hara-Núñez عائشة 🔧"
	b := newBench(t)
	_, err := b.svc.Do(t.Context(), workflow.Order{By: customer, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: name + "\r\nBcc: all@example.org", Email: "maud@example.org"}, Kind: "film scanner", Fault: "x"}}})
	require.ErrorIs(t, err, workflow.ErrInvalid)
	b.book(name)
	b.receive()
	entries, err := b.store.Entries(context.Background(), b.svc.Shop.ID, b.n)
	require.NoError(t, err)
	for i, typed := range []string{name, name + "\r\nBcc: all@example.org"} {
		j := *b.job()
		j.Customer.Name.Text = typed
		m, err := b.mails.Compose(t.Context(), &j, &entries[i])
		require.NoError(t, err)
		checkMessage(t, m.Data)
		o := open(t, m.Data)
		to, err := o.Header.AddressList("To")
		require.NoError(t, err)
		require.Len(t, to, 1)
		require.Equal(t, strings.ReplaceAll(typed, "\r\n", " "), to[0].Name)
		require.Equal(t, "maud@example.org", to[0].Address)
		require.Equal(t, "maud@example.org", m.To)
		require.Empty(t, o.Header["Bcc"])
	}
}
