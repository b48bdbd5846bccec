package main

import (
	"bytes"
	"fmt"
	"html"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"benchword/templates/locale"

	"github.com/stretchr/testify/require"
)

// ownWords is a shop with texts of its own, in its settings and in a file beside them.
func ownWords(t *testing.T, inSettings, inFile string) (path string) {
	dir := t.TempDir()
	path = filepath.Join(dir, "shop.toml")
	text := fmt.Sprintf(demoSettings, "https://status.harbour.example")
	if inFile != "" {
		text = strings.Replace(text, "[shop]", "[shop]\nwords_file = \"words.toml\"", 1)
		require.NoError(t, os.WriteFile(filepath.Join(dir, "words.toml"), []byte(inFile), 0o600))
	}
	require.NoError(t, os.WriteFile(path, []byte(text+"\n"+inSettings), 0o600))
	return path
}

func TestAShopsOwnWords(t *testing.T) {
	path := ownWords(t, "[words.en]\n\"home.lead\" = \"Post it, and watch.\"\n", `
[fr]
"mail.more.photos" = { one = "Encore {0} photo.", many = "Encore {0} de photos.", other = "Encore {0} photos." }
[en]
"mail.more.photos" = { one = "One more photo waits on the page.", other = "{0} more wait on the page." }
"consent.words" = "Go ahead, at the total shown."
`)
	s, err := ReadSettings(path)
	require.NoError(t, err)
	require.Equal(t, "Post it, and watch.", s.own.For("en").T("home.lead"))
	require.Equal(t, "One more photo waits on the page.", s.own.For("en").T("mail.more.photos", 1))
	require.Equal(t, "7 more wait on the page.", s.own.For("en").T("mail.more.photos", 7))
	require.Equal(t, "Encore 7 photos.", s.own.For("fr").T("mail.more.photos", 7))
	require.Equal(t, locale.For("de").T("mail.more.photos", 7), s.own.For("de").T("mail.more.photos", 7))
	require.NotEqual(t, "Post it, and watch.", locale.For("en").T("home.lead"), "another shop in the same program keeps the usual words")
	shop, err := s.shop()
	require.NoError(t, err)
	require.Equal(t, "Go ahead, at the total shown.", shop.Consent["en"], "what a customer agrees to, too")

	var out, errOut bytes.Buffer
	require.Zero(t, run(t.Context(), []string{"words", "--config", path, "--lang", "en", "home.lead"}, nil, &out, &errOut), errOut.String())
	require.Equal(t, "[words.en]\n\"home.lead\" = \"Post it, and watch.\"  # usual: \"Send it in, watch us work on it, and decide before anything is spent.\"\n", out.String())
}

// What is printed can be put into the settings as it stands, in every language.
func TestPrintedWordsAreSettings(t *testing.T) {
	for _, lang := range locale.Languages {
		var out, errOut bytes.Buffer
		require.Zero(t, run(t.Context(), []string{"words", "--lang", lang}, nil, &out, &errOut), errOut.String())
		s, err := ReadSettings(ownWords(t, out.String(), ""))
		require.NoError(t, err)
		usual, own := (*locale.Set)(nil).In("CA").For(lang), s.own.For(lang)
		for _, key := range locale.Keys() {
			require.Equal(t, usual.Wording(key), own.Wording(key), key)
		}
	}
}

// TestWrongWordsAreNamed: a wrong text is named with file, line and key, what is wrong, and the usual text
// as an example.
func TestWrongWordsAreNamed(t *testing.T) {
	const photos = `"mail.more.photos" = { one = "{0} more photo is on the page.", other = "{0} more photos are on the page." }`
	for _, c := range []struct{ lang, line, want string }{
		{"en", `"home.laed" = "x"`, "there is no such text"},
		{"en", `home.lead = "x"`, "there is no such text"},
		{"en", `"mail.need.expired" = "Our quote ran out."`, "lacks the place {0}, where a value of the job goes. Example: \"mail.need.expired\" = \"Our quote ran out on {0}"},
		{"en", `"mail.need.expired" = "It ran out on {0}, {1}."`, "has the place {1}, which this text does not have"},
		{"en", `"mail.need.expired" = "It ran out on {0}, {name}."`, "has the place {name}"},
		{"en", `"mail.need.expired" = "It ran out on {0."`, "has the place {"},
		{"en", `"home.lead" = ""`, "is empty"},
		{"en", `"home.lead" = "a\nb"`, "line break"},
		{"en", `"home.lead" = "` + strings.Repeat("x", 1001) + `"`, "is too long: 1001 characters, at most 1000 fit"},
		{"en", `"home.lead" = { one = "a", other = "b" }`, "has no plural forms"},
		{"en", `"mail.more.photos" = "{0} more"`, "needs its plural forms: one, other. Example: " + photos},
		{"en", `"mail.more.photos" = { other = "{0} more" }`, "the form “one” is missing"},
		{"en", `"mail.more.photos" = { one = "one", other = "more" }`, "the form “other” lacks the place {0}"},
		{"en", `"mail.more.photos" = { one = "one", other = "{0}", few = "{0}", none = "x" }`, "there is no plural form"},
		{"fr", `"mail.more.photos" = { one = "une", other = "{0}" }`, "the form “many” is missing; this language needs one, many, other"},
		{"it", `"home.lead" = "x"`, "there is no such language; there are en, fr, de, es"},
		{"en", `"home.lead" = 7`, ""},
	} {
		path := ownWords(t, "[words."+c.lang+"]\n# a note\n"+c.line+"\n", "")
		_, err := ReadSettings(path)
		require.ErrorContains(t, err, c.want, c.line)
		text, readErr := os.ReadFile(path)
		require.NoError(t, readErr)
		at := strings.Count(strings.TrimSuffix(string(text), "\n"), "\n") + 1
		if c.lang == "it" {
			at -= 2
		}
		require.ErrorContains(t, err, path)
		if c.want != "" {
			require.ErrorContains(t, err, "line "+strconv.Itoa(at), c.line)
		}
		_, err = ReadSettings(ownWords(t, "", "["+c.lang+"]\n"+c.line+"\n"))
		require.ErrorContains(t, err, "words.toml", c.line)
	}
	_, err := ReadSettings(ownWords(t, "[words.en]\n\"home.lead\" = \"a\"\n", "[en]\n\"home.lead\" = \"b\"\n"))
	require.ErrorContains(t, err, "words.toml, line 2: \"home.lead\" stands in")
	path := ownWords(t, "", "[en]\n")
	require.NoError(t, os.Remove(filepath.Join(filepath.Dir(path), "words.toml")))
	_, err = ReadSettings(path)
	require.ErrorContains(t, err, "the file that shop.words_file names can't be read")
}

// TestWordsPage: the owner tries words at the counter, sees them where customers read them, and gets the
// line for the settings; wrong ones are named, and nothing is changed.
func TestWordsPage(t *testing.T) {
	s := newStage(t)
	cookies := s.signIn()
	page := func(status int, v url.Values) string {
		t.Helper()
		got, body := s.fetch("/counter/words?"+v.Encode(), cookies)
		require.Equal(t, status, got, "%.300s", body)
		return html.UnescapeString(string(body))
	}
	require.Contains(t, page(200, url.Values{"find": {"HAND’S BREADTH"}}), "mail.booked.pack.box")
	require.Contains(t, page(200, url.Values{"lang": {"fr"}, "find": {"devis a expiré"}}), "mail.need.expired")
	require.Contains(t, page(200, url.Values{}), "There is none.")

	// In a mail.
	try := url.Values{"lang": {"de"}, "key": {"mail.findings.quote.heading"}, "try": {"yes"}, "text": {"Befund und Preis von Frau Ödön & Co"}}
	body := page(200, try)
	require.Contains(t, body, "[words.de]\n\"mail.findings.quote.heading\" = \"Befund und Preis von Frau Ödön & Co\"")
	src := regexp.MustCompile(`<iframe src="([^"]+)"`).FindStringSubmatch(body)
	require.NotNil(t, src)
	status, mail := s.fetch(src[1], cookies)
	require.Equal(t, 200, status)
	require.Contains(t, string(mail), "Befund und Preis von Frau Ödön &amp; Co")
	require.Contains(t, string(mail), `<html lang="de">`)
	require.NotContains(t, body, "/counter/words/page?", "a text of mails is on no page")

	// On a page.
	body = page(200, url.Values{"lang": {"es"}, "key": {"quote.calm"}, "try": {"yes"}, "text": {"Sin prisa."}})
	src = regexp.MustCompile(`<iframe src="(/counter/words/page[^"]+)"`).FindStringSubmatch(body)
	require.NotNil(t, src)
	status, mail = s.fetch(src[1], cookies)
	require.Equal(t, 200, status)
	require.Contains(t, string(mail), "Sin prisa.")

	// Every mail that can be chosen has its sample, in every language.
	for _, m := range regexp.MustCompile(`<option value="([^"]+)"`).FindAllStringSubmatch(body, -1) {
		for _, lang := range locale.Languages {
			status, mail := s.fetch("/counter/words/mail?lang="+lang+"&key=home.lead&kind="+m[1], cookies)
			require.Equal(t, 200, status, "%s: %.300s", m[1], mail)
			require.Contains(t, string(mail), `<html lang="`+lang+`">`)
		}
	}

	// Wrong, and nobody else's to see.
	bad := page(422, url.Values{"lang": {"en"}, "key": {"mail.need.expired"}, "try": {"yes"}, "text": {"It ran out."}})
	require.Contains(t, bad, "lacks the place {0}")
	require.Contains(t, bad, ">It ran out.</textarea>", "what was typed stays")
	require.Contains(t, page(422, url.Values{"lang": {"en"}, "key": {"mail.more.photos"}, "try": {"yes"}, "text-one": {"one"}, "text-other": {"some"}}), "The form “other” lacks the place {0}")
	_, mail = s.fetch("/counter/words", nil)
	require.NotContains(t, string(mail), "Words that customers read")
	require.NotContains(t, page(200, url.Values{"lang": {"de"}, "key": {"mail.findings.quote.heading"}}), "Ödön", "trying changes nothing")
}
