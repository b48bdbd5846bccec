package mail

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"benchword/templates/locale"
	"benchword/workflow/longtest"

	"github.com/emersion/go-message/mail"
	"github.com/stretchr/testify/require"
)

// needs finds a program. One that is missing skips the test; where CI is set it fails it.
func needs(t *testing.T, name, from string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil && os.Getenv("CI") != "" {
		t.Fatalf("%s is missing (%s); .ci/run should have installed it", name, from)
	} else if err != nil {
		t.Skipf("%s is not installed here (%s)", name, from)
	}
	return path
}

// inEveryLanguage returns the mail of every notice in English, and of the longest and most usual ones in
// the other languages.
func inEveryLanguage(t *testing.T) map[string]*Message {
	out := map[string]*Message{}
	b := newBench(t)
	for _, x := range b.everything() {
		if _, n, ok := strings.Cut(x.name, "_"); ok && len(n) == 1 {
			continue // like another one
		}
		for _, lang := range locale.Languages {
			if lang != "en" && !slices.Contains([]string{"booked", "findings_with_quote", "decision_approve", "quote_reminder", "promise_breached", "shipped"}, x.name) {
				continue
			}
			j := *x.job
			j.Customer.Language = lang
			m, err := b.compose(told{x.name, &j, x.entry})
			require.NoError(t, err)
			out[x.name+"."+lang] = m
		}
	}
	return out
}

// bigClients are the mail programs and pages that most people read mail in, as caniemail names them.
var bigClients = []string{
	"apple-mail.macos", "apple-mail.ios", "gmail.desktop-webmail", "gmail.ios", "gmail.android", "outlook.windows", "outlook.macos", "outlook.ios", "outlook.android",
	"yahoo.desktop-webmail", "yahoo.ios", "yahoo.android", "aol.desktop-webmail", "samsung-email.android",
}

// lookedAt are the features that some big client does not support, or only partly, each with what the
// mail is there without it.
var lookedAt = map[string]string{
	"<body> element":      "Becomes a box of the page: the outer table carries the ground, ink and font again.",
	"<style> element":     "Holds only what narrows the margins on phones and what is dark; all else stands in style attributes.",
	"@media":              "Without it the email is light and its margins are wider; it still fits into 320 px.",
	"Type selector":       "Gmail takes them where it takes <style> at all; they only colour links and shrink headings.",
	"<ul>, <ol> and <dl>": "Shown as lists everywhere; only styles on them are partly ignored, and then they are indented as the client does.",
	"align attribute":     "It centres the sheet; without it the sheet stands at the left.",
	"background":          "Plain colours only, which the partly supporting ones do show.",
	"border":              "Outlook on Windows draws borders of table cells; those of a job number's span are missing there.",
	"border-radius":       "Corners are square.",
	"display":             "Only block, inline-block and none are used; where inline-block is missing the button is a coloured link.",
	"display:none":        "Where the preview line is shown it stands over the sheet, in one line.",
	"font-size":           "In pixels, which all take; what is partial are other units.",
	"font-weight":         "400 and 700 only.",
	"height property":     "height:auto on pictures: the width attribute alone keeps their shape.",
	"lang attribute":      "Read aloud in the client's own language; nothing looks different.",
	"letter-spacing":      "The job number stands closer.",
	"line-height":         "Lines stand a little closer or wider.",
	"margin":              "Paragraphs keep the client's own distance.",
	"max-width":           "Outlook on Windows shows the sheet over the whole window; pictures keep their width attribute.",
	"overflow":            "Only on the hidden preview line, see display:none.",
	"overflow-wrap":       "Long words break by word-break on addresses, the only long words we write.",
	"padding":             "Cells keep theirs; the button of Outlook on Windows is tighter.",
	"role attribute":      "Tables are read aloud as tables.",
	"table-layout":        "Columns may get as wide as their longest word.",
	"text-align":          "Left is what they do anyway; numbers stand right by the align attribute.",
	"text-decoration":     "The button's words are underlined.",
	"white-space":         "A job number may break at its hyphen.",
	"width attribute":     "Percentages in a cell of a fixed table; others share the room evenly.",
	"width property":      "See the width attribute.",
	"word-break":          "A long address widens the email or is cut at the edge; it is a link, and stands in the text part.",
}

// TestMailsElsewhere hands the mails of all notices, in all languages, to independent programs.
func TestMailsElsewhere(t *testing.T) {
	mails := inEveryLanguage(t)
	t.Run("parts", func(t *testing.T) { mailsTakeApart(t, mails) })
	t.Run("clients", func(t *testing.T) { mailClients(t, mails) })
	t.Run("spam", func(t *testing.T) { mailsAreNoSpam(t, mails) })
}

// mailClients holds every mail to the data of caniemail.com (npm caniemail 1.0.5): whatever one of
// the big clients lacks has a fallback that somebody looked at.
func mailClients(t *testing.T, mails map[string]*Message) {
	node := needs(t, "node", "Debian nodejs")
	tools := "../../testdata/tools"
	if _, err := os.Stat(filepath.Join(tools, "node_modules", "caniemail")); err != nil {
		require.Empty(t, os.Getenv("CI"), "caniemail is missing; .ci/run should have installed it")
		t.Skip("caniemail is not installed here (npm ci in testdata/tools)")
	}
	type feature struct{ None, Partial, Mails []string }
	lacks := func(mails map[string]string) map[string]feature {
		in, err := json.Marshal(mails)
		require.NoError(t, err)
		cmd := exec.Command(node, append([]string{"mailclients.mjs"}, bigClients...)...)
		cmd.Dir, cmd.Stdin = tools, bytes.NewReader(in)
		var said strings.Builder
		cmd.Stderr = &said
		out, err := cmd.Output()
		require.NoError(t, err, said.String())
		found := map[string]feature{}
		require.NoError(t, json.Unmarshal(out, &found))
		return found
	}
	pages := map[string]string{}
	for name, m := range mails {
		o := open(t, m.Data)
		pages[name] = o.HTML
		require.Less(t, len(o.HTML), 100_000, name)
		require.Less(t, len(m.Data), 1_500_000, name)
	}
	found := lacks(pages)
	for f, x := range found {
		require.Contains(t, lookedAt, f, "not in %v, partly in %v: of %v", x.None, x.Partial, x.Mails)
	}
	for f := range lookedAt {
		require.Contains(t, found, f, "no email uses it any more")
	}
	bad := lacks(map[string]string{"bad": `<html><body><div style="display:flex;position:sticky;background-image:url(x.png)">a</div><video src="x"></video></body></html>`})
	require.Contains(t, bad, "display:flex")
	require.Contains(t, bad, "<video> element")
}

// mailsAreNoSpam has spamassassin look at every mail with its local rules: below 1 each, where 5 is
// its mark for spam. It reads all of them in one run.
func mailsAreNoSpam(t *testing.T, mails map[string]*Message) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	path := needs(t, "spamassassin", "Debian spamassassin")
	var box bytes.Buffer
	add := func(name string, data []byte) {
		fmt.Fprintf(&box, "From bench@harbour.example Wed Nov 25 00:00:00 2026\nX-Name: %s\n", name)
		for l := range bytes.Lines(bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))) {
			if bytes.HasPrefix(l, []byte("From ")) {
				box.WriteByte('>')
			}
			box.Write(l)
		}
		box.WriteString("\n")
	}
	if !longtest.Long() { // it takes long for each: one language a notice, in turn
		all, share := mails, longtest.Share(t, 6)
		mails = map[string]*Message{}
		for i, name := range slices.Sorted(maps.Keys(all)) {
			if !share(i) {
				continue
			}
			notice, _, _ := strings.Cut(name, ".")
			name = notice + "." + locale.Languages[len(notice)%len(locale.Languages)]
			if all[name] == nil {
				name = notice + ".en"
			}
			mails[name] = all[name]
		}
	}
	for name, m := range mails {
		add(name, m.Data)
	}
	// GTUBE, https://spamassassin.apache.org/gtube/: what every such program must take for spam.
	add("gtube", []byte("From: a@bench.example\r\nTo: b@example.org\r\nSubject: x\r\nDate: Thu, 03 Dec 2026 10:15:00 -0400\r\nMessage-ID: <1@bench.example>\r\n\r\nXJS*C4JDBQADN1.NSBN3*2IDNEN*GTUBE-STANDARD-ANTI-UBE-TEST-EMAIL*C.34X\r\n"))
	cmd := exec.Command(path, "-L", "-t", "--mbox")
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir())
	cmd.Stdin = &box
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.Output()
	require.NoError(t, err, said.String())
	scores := map[string]float64{}
	score := regexp.MustCompile(`(?s)X-Spam-Status: \w+, score=(-?[0-9.]+)`)
	for _, m := range strings.Split("\n"+string(out), "\nFrom bench@harbour.example ")[1:] {
		name := regexp.MustCompile(`(?m)^X-Name: (.+)$`).FindStringSubmatch(m)
		at := score.FindStringSubmatch(m)
		if name == nil || at == nil {
			continue
		}
		scores[name[1]], err = strconv.ParseFloat(at[1], 64)
		require.NoError(t, err)
	}
	require.Greater(t, scores["gtube"], 900.0)
	worst := ""
	for name := range mails {
		s, ok := scores[name]
		require.True(t, ok, "%s was not looked at", name)
		require.Less(t, s, 1.0, name)
		if worst == "" || s > scores[worst] {
			worst = name
		}
	}
	t.Logf("%d mails, the worst is %s with %.1f", len(mails), worst, scores[worst])
}

// mailsTakeApart reads every mail with emersion/go-message, as an IMAP server or a mail program in a
// terminal does: text first, HTML second, pictures inline, each named by the HTML and having a type and a
// name; the text part alone says who writes, about what, and what to do.
func mailsTakeApart(t *testing.T, mails map[string]*Message) {
	for name, m := range mails {
		checkMessage(t, m.Data)
		r, err := mail.CreateReader(bytes.NewReader(m.Data))
		require.NoError(t, err, name)
		lang := name[strings.LastIndexByte(name, '.')+1:]
		require.Equal(t, lang, r.Header.Get("Content-Language"), name)
		var types []string
		var html, text string
		for {
			p, err := r.NextPart()
			if err != nil {
				break
			}
			var b bytes.Buffer
			_, err = b.ReadFrom(p.Body)
			require.NoError(t, err, name)
			kind := ""
			switch h := p.Header.(type) {
			case *mail.InlineHeader:
				kind, _, err = h.ContentType()
				require.NoError(t, err)
				if kind == "image/jpeg" {
					require.Contains(t, html, "cid:"+strings.Trim(h.Get("Content-Id"), "<>"), name)
				}
			case *mail.AttachmentHeader:
				t.Fatalf("%s has an attachment", name)
			}
			switch kind {
			case "text/plain":
				text = b.String()
			case "text/html":
				html = b.String()
			}
			types = append(types, kind)
		}
		require.GreaterOrEqual(t, len(types), 2, name)
		require.Equal(t, []string{"text/plain", "text/html"}, types[:2], name)
		for _, kind := range types[2:] {
			require.Equal(t, "image/jpeg", kind, name)
		}
		w := locale.For(lang)
		alone := strings.HasPrefix(name, "confirm_booking") // whose reader may be nobody's customer
		for _, key := range []string{"mail.asked.where", "mail.asked.need", "mail.asked.when"} {
			require.Equal(t, !alone, strings.Contains(text, w.T(key)), name)
			require.Equal(t, !alone, strings.Contains(html, w.T(key)), name)
		}
		require.Contains(t, html, `<html lang="`+lang+`"`, name)
		require.NotContains(t, text, "�")
	}
}
