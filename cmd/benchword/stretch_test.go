package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"benchword/portal/portaltest"
	"benchword/templates/locale"
	"benchword/workflow/longtest"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var aWord = regexp.MustCompile(`\pL{4,}`)

// stretched makes the words of every English text 40 % longer, in brackets that show where a text was
// cut: what a language with long words (German, Finnish) does to a page, only worse.
func stretched() map[string]locale.Wording {
	longer := func(s string) string {
		if strings.ContainsAny(s, "@/") {
			return s
		}
		return "[" + aWord.ReplaceAllStringFunc(s, func(w string) string {
			r := []rune(w)
			return w + string(r[len(r)-(len(r)*2+4)/5:])
		}) + "]"
	}
	out := map[string]locale.Wording{}
	for _, key := range locale.Keys() {
		x := locale.For("en").Wording(key)
		switch {
		case strings.HasPrefix(key, "number."), strings.HasPrefix(key, "list."), strings.HasPrefix(key, "date.first"), strings.HasPrefix(key, "language"):
			continue
		case x.Forms == nil:
			x.Text = longer(x.Text)
		default:
			for f, s := range x.Forms {
				x.Forms[f] = longer(s)
			}
		}
		out[key] = x
	}
	return out
}

// speaking makes a stage answer in another language although its customers are English: so every page of
// the demo can be looked at in each.
func speaking(t testing.TB, texts map[string]locale.Wording) *locale.Set {
	set, err := locale.Reworded(map[string]map[string]locale.Wording{"en": texts})
	require.NoError(t, err)
	return set
}

// sideways lists what stands outside of the window to its right, or is cut by the box it is in: the
// innermost elements, each with its text. What scrolls by itself is meant to be wider.
const sideways = `(() => {
	const wide = document.documentElement.clientWidth, out = [];
	const scrolls = e => { for (; e && e !== document.body; e = e.parentElement) if (/auto|scroll/.test(getComputedStyle(e).overflowX)) return true; return false };
	const unseen = e => e.closest(".visually-hidden, .skip, [hidden], details:not([open]) > :not(summary)") || getComputedStyle(e).display === "none" || getComputedStyle(e).visibility === "hidden" || getComputedStyle(e).clipPath !== "none";
	const say = (e, why) => out.push(why + ": <" + e.tagName.toLowerCase() + " class=\"" + e.className + "\"> " + e.textContent.trim().slice(0, 60));
	if (document.documentElement.scrollWidth > wide) out.push("the page scrolls sideways, to " + document.documentElement.scrollWidth + " px");
	for (const e of document.body.querySelectorAll("*")) {
		const r = e.getBoundingClientRect();
		if (!r.width || !r.height || unseen(e) || e.closest("svg")) continue;
		if (r.right > wide + 1 && !scrolls(e) && ![...e.children].some(c => c.getBoundingClientRect().right > wide + 1)) say(e, "outside by " + Math.round(r.right - wide) + " px");
		const s = getComputedStyle(e);
		if (e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && /hidden|clip/.test(s.overflowX)) say(e, "cut");
	}
	return [...new Set(out)];
})()`

// TestLongWordsFit: with every text 40 % longer no page of the customer's, and no mail, has anything cut
// or outside of a window of 320 px.
func TestLongWordsFit(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	s, d := demoStage(t, func(s *stage) { s.words, s.lang = speaking(t, stretched()), "en" })
	s.settle()
	ctx := portaltest.Browser(t)
	customer, _ := allPages(s, d)
	share := longtest.Share(t, 3)
	for i, p := range customer {
		if *screens == "" && !share(i) || p.name == "sign-in" {
			continue // a page of the staff's, in English
		}
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(320, 3000), portaltest.Media("", "light"), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")), p.name)
		text := portaltest.Evaluate[string](t, ctx, `document.body.innerText`)
		require.Contains(t, text, "[", "%s speaks the long language", p.name)
		require.Empty(t, portaltest.Evaluate[[]string](t, ctx, sideways), "%s at 320 px", p.name)
		if *screens != "" {
			portaltest.Shoot(t, ctx, *screens, p.name+"-320-long.png")
		}
	}
	mails := s.post.Mails()
	require.Greater(t, len(mails), 10)
	seen := map[string]bool{}
	for i, m := range mails {
		l, err := openLetter(i+1, m)
		require.NoError(t, err)
		_, kind, _ := strings.Cut(l.Subject, ":")
		if kind = fmt.Sprintf("%.12s", kind); seen[kind] { // another job's mail of the same kind
			continue
		}
		seen[kind] = true
		file := filepath.Join(t.TempDir(), "mail.html")
		page := regexp.MustCompile(`src="cid:[^"]+"`).ReplaceAllString(l.HTML, `src="data:image/gif;base64,R0lGODlhAQABAAAAACw="`)
		require.NoError(t, os.WriteFile(file, []byte(page), 0o600))
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(320, 3000), chromedp.Navigate("file://"+file), chromedp.WaitReady("body")))
		require.Empty(t, portaltest.Evaluate[[]string](t, ctx, sideways), "the email %q at 320 px", l.Subject)
		for _, line := range strings.Split(l.Text, "\n") {
			require.True(t, utf8.RuneCountInString(line) <= 76 || strings.Contains(line, "://"), "%q is too long a line", line)
		}
		if *screens != "" {
			portaltest.Shoot(t, ctx, *screens, fmt.Sprintf("mail-%02d-320-long.png", i+1))
		}
	}
}

// TestScreensOfEveryLanguage writes, with -screens, the main pages and the mails in all languages, to be
// looked at.
func TestScreensOfEveryLanguage(t *testing.T) {
	if *screens == "" {
		t.Skip("looks at nothing without -screens")
	}
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	for _, lang := range locale.Languages[1:] {
		texts := map[string]locale.Wording{}
		for _, key := range locale.Keys() {
			x := locale.For(lang).Wording(key)
			delete(x.Forms, "many")
			texts[key] = x
		}
		require.NoError(t, s.stop())
		s.words = speaking(t, texts)
		s.start()
		customer, _ := allPages(s, d)
		for _, p := range customer {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(320, 3000), portaltest.Media("", "light"), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")), p.name)
			require.Empty(t, portaltest.Evaluate[[]string](t, ctx, sideways), "%s at 320 px in %s", p.name, lang)
			portaltest.Shoot(t, ctx, *screens, p.name+"-320-"+lang+".png")
		}
	}
}
