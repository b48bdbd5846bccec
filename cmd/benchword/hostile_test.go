package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/textproto"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/emersion/go-message/mail"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

// naughty are the texts that are typed into every field: the Big List of Naughty Strings
// (testdata/published/blns.json), and ours, which that list lacks.
func naughty(t testing.TB) []string {
	raw, err := os.ReadFile("../../testdata/published/blns.json")
	require.NoError(t, err)
	var out []string
	require.NoError(t, json.Unmarshal(raw, &out))
	require.Greater(t, len(out), 450)
	return append(out, worst...)
}

// worst are ours; each of them is typed into every single field of every form.
var worst = []string{
	`"><script>alert(1)</script>`,
	`'></textarea></title></style></script><svg onload=alert(1)>`,
	`"onmouseover="alert(1)" autofocus onfocus=alert(1) x="`,
	"Mira\r\nBcc: all@post.example\r\n\r\n<h1>Hello</h1>",
	"a\x00b\x1b[31mc\x7f",
	"\xff\xfe not UTF-8 \xc3(",
	"{{.Page.CSRF}} ${7*7} <%= 7*7 %> #{7*7} [[${7*7}]]",
	"\u202eright to left\u202c \u200b\ufeff\u2028\u2029",
	"javascript:alert(1)//http://elsewhere.example",
	"' OR 1=1; DROP TABLE jobs; --",
	"-1", "99999999999999999999", "1e309", "NaN", "0x1F",
	strings.Repeat("A very long text. ", 700),
}

// locked is a buffer that many may write to.
type locked struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *locked) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// quiet asserts that nothing went wrong on our side.
func quiet(t testing.TB, log *locked) {
	t.Helper()
	for l := range strings.Lines(log.String()) {
		require.NotRegexp(t, `level=ERROR|panic`, l)
	}
}

func (l *locked) clear() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.b.Reset()
}

// visitor is somebody at a browser.
type visitor struct {
	*stage
	cookies []*http.Cookie
	client  *http.Client
}

func (s *stage) visitor(cookies ...*http.Cookie) *visitor {
	tr := &http.Transport{MaxIdleConnsPerHost: 4, DialContext: dialHere}
	s.t.Cleanup(tr.CloseIdleConnections)
	return &visitor{s, cookies, &http.Client{Timeout: 60 * time.Second, Transport: tr, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// reply is what came back.
type reply struct {
	status int
	header http.Header
	body   string
}

// ask sends a request and holds the answer to what every answer must keep.
func (v *visitor) ask(method, path, kind string, body io.Reader, header ...string) reply {
	v.t.Helper()
	req, err := http.NewRequest(method, v.base+path, body)
	require.NoError(v.t, err, path)
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	for _, c := range v.cookies {
		req.AddCookie(c)
	}
	resp, err := v.client.Do(req)
	require.NoError(v.t, err, path)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(v.t, err, path)
	r := reply{resp.StatusCode, resp.Header, string(b)}
	v.kept(method+" "+path, r)
	return r
}

func (v *visitor) get(path string) reply {
	v.t.Helper()
	return v.ask(http.MethodGet, path, "", nil)
}

func (v *visitor) post(path string, form url.Values) reply {
	v.t.Helper()
	return v.ask(http.MethodPost, path, "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
}

// answers are the headers that an answer may have. What somebody typed never makes another one.
var answers = []string{
	"Cache-Control", "Clear-Site-Data", "Connection", "Content-Disposition", "Content-Length", "Content-Security-Policy", "Content-Type",
	"Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy", "Date", "Etag", "Idempotent-Replayed", "Location", "Permissions-Policy",
	"Referrer-Policy", "Retry-After", "Set-Cookie", "Vary", "Www-Authenticate", "X-Accel-Buffering", "X-Content-Type-Options", "X-Frame-Options", "X-Robots-Tag", "Allow",
}

// kept holds an answer to what every answer must keep.
func (v *visitor) kept(what string, r reply) {
	v.t.Helper()
	require.Less(v.t, r.status, 500, "%s\n%.2000s", what, r.body)
	policy, glimpse := r.header.Get("Content-Security-Policy"), strings.Contains(what, "/report/preview/mail")
	require.Contains(v.t, policy, "default-src 'none'", what)
	require.NotRegexp(v.t, `script-src[^;]*unsafe|unsafe-eval`, policy, what)
	require.True(v.t, glimpse || !strings.Contains(policy, "unsafe"), "%s: %s", what, policy) // a mail's styles are in it
	require.Equal(v.t, "nosniff", r.header.Get("X-Content-Type-Options"), what)
	require.Equal(v.t, "no-referrer", r.header.Get("Referrer-Policy"), what)
	for name := range r.header {
		require.True(v.t, slices.Contains(answers, name), "%s has a header %s", what, name)
	}
	if to := r.header.Get("Location"); to != "" {
		require.Regexp(v.t, `^/([a-z0-9]|$)`, to, "%s leads away", what)
	}
	path := strings.SplitN(what, " ", 2)[1]
	if bare, _, _ := strings.Cut(path, "?"); !strings.HasPrefix(bare, "/assets/") && bare != "/robots.txt" && !strings.HasSuffix(bare, "/openapi.json") && !strings.HasSuffix(bare, "/problems") {
		keep := r.header.Get("Cache-Control")
		digested := strings.HasPrefix(path, "/j/") && strings.Contains(path, ".jpg?v=") && keep == "private, max-age=31536000, immutable"
		require.True(v.t, digested || regexp.MustCompile(`^(no-store|private, (no-cache|max-age=3600))$`).MatchString(keep), "%s: %s", what, keep)
	}
	if strings.HasPrefix(path, "/counter") && !strings.Contains(path, "/photo/") {
		require.Equal(v.t, "no-store", r.header.Get("Cache-Control"), what)
	}
	switch {
	case !strings.HasPrefix(r.header.Get("Content-Type"), "text/html"):
	case glimpse && r.status == 200:
		soundMail(v.t, what, r.body, v.base)
	default:
		sound(v.t, what, r.body, v.base)
	}
}

// sound holds a page to what no typed text may change: no script but the files that we serve, no inline
// handler or style, no address of another kind.
func sound(t testing.TB, what, page, base string) {
	t.Helper()
	require.True(t, utf8.ValidString(page), "%s: not UTF-8", what)
	require.NotContains(t, page, "\x00", what)
	require.NotRegexp(t, `(?i)<script[^>]*>[^<]`, page, what)
	z := html.NewTokenizer(strings.NewReader(page))
	script := false
	for {
		switch z.Next() {
		case html.ErrorToken:
			require.ErrorIs(t, z.Err(), io.EOF, what)
			return
		case html.TextToken:
			if script {
				require.Empty(t, strings.TrimSpace(string(z.Text())), "%s: a script in the page", what)
			}
		case html.EndTagToken:
			script = false
		case html.StartTagToken, html.SelfClosingTagToken:
			tag := z.Token()
			script = tag.Data == "script"
			require.True(t, slices.Contains(elements, tag.Data), "%s: <%s>", what, tag.Data)
			for _, a := range tag.Attr {
				require.False(t, strings.HasPrefix(a.Key, "on"), "%s: <%s %s=%q>", what, tag.Data, a.Key, a.Val)
				require.NotContains(t, []string{"style", "srcdoc", "background", "ping", "http-equiv"}, a.Key, what)
				if slices.Contains([]string{"href", "src", "action", "formaction", "poster", "data", "srcset", "xlink:href"}, a.Key) {
					ours := strings.HasPrefix(a.Val, "/") && !strings.HasPrefix(a.Val, "//") && !strings.HasPrefix(a.Val, `/\`) || strings.HasPrefix(a.Val, "#") ||
						strings.HasPrefix(a.Val, "?") || strings.HasPrefix(a.Val, base+"/") || tag.Data == "a" && (strings.HasPrefix(a.Val, "mailto:") || strings.HasPrefix(a.Val, "tel:")) ||
						tag.Data == "img" && (strings.HasPrefix(a.Val, "cid:") || strings.HasPrefix(a.Val, "data:image/"))
					require.True(t, ours, "%s: <%s %s=%q> leads elsewhere", what, tag.Data, a.Key, a.Val)
				}
			}
			if script {
				require.True(t, slices.ContainsFunc(tag.Attr, func(a html.Attribute) bool { return a.Key == "src" && strings.HasPrefix(a.Val, "/assets/") }), "%s: a script that is no file of ours", what)
			}
		}
	}
}

// elements are those that our pages are made of.
var elements = strings.Fields(`a address article blockquote body br button caption circle code datalist dd defs details div dl dt fieldset figcaption figure footer form
	g h1 h2 h3 head header html iframe img input label legend li line link main meta meter nav ol option output p path pattern polygon pre rect script section select small span strong summary
	svg table tbody td text textarea tfoot th thead time title tr ul`)

// escaped asserts that none of the typed texts that could open a tag stands in a page as it was typed.
func escaped(t testing.TB, what, page string, typed []string) {
	t.Helper()
	for _, s := range typed {
		if len(s) > 4 && opensTag.MatchString(s) {
			require.False(t, strings.Contains(page, s), "%s: %q stands in the page as it was typed", what, s)
		}
	}
}

var opensTag = regexp.MustCompile(`<[a-zA-Z!/?]`)

// aForm is a form on a page.
type aForm struct {
	action string
	kind   map[string]string // field -> kind of input
	values url.Values        // as the page has them
	do     []string          // values of its buttons named do
}

// fields are those that somebody types or chooses.
func (f aForm) fields() []string {
	var out []string
	for name, kind := range f.kind {
		if kind != "hidden" && kind != "file" {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// about is what tells a form from others like it: the duty or finding that it is for.
func (f aForm) about() string {
	v := url.Values{}
	for name, kind := range f.kind {
		if kind == "hidden" && !slices.Contains([]string{"csrf", "once", "v"}, name) {
			v[name] = f.values[name]
		}
	}
	return v.Encode()
}

// typed reports whether a field takes free text.
func (f aForm) typed(name string) bool {
	return name != "passcode" && slices.Contains([]string{"text", "textarea", "email", "tel", "search"}, f.kind[name]) // a secret is not sent back
}

// formsOf finds a page's forms that are posted, and the addresses it leads to.
func formsOf(t testing.TB, page string) (forms []aForm, links []string) {
	doc, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	attr := func(n *html.Node, key string) string {
		for _, a := range n.Attr {
			if a.Key == key {
				return a.Val
			}
		}
		return ""
	}
	var walk func(n *html.Node, in *aForm)
	walk = func(n *html.Node, in *aForm) {
		if n.Type == html.ElementNode {
			name := attr(n, "name")
			switch n.Data {
			case "form":
				if attr(n, "method") == "post" {
					f := aForm{action: attr(n, "action"), kind: map[string]string{}, values: url.Values{}}
					for c := range n.ChildNodes() {
						walk(c, &f)
					}
					forms = append(forms, f)
					return
				}
			case "input", "textarea", "select", "button":
				kind := n.Data
				if kind == "input" {
					kind = "text"
					if k := attr(n, "type"); k != "" {
						kind = k
					}
				}
				if in == nil || name == "" {
					break
				}
				if n.Data == "button" {
					in.do = append(in.do, name+"="+attr(n, "value"))
					break
				}
				in.kind[name] = kind
				value := attr(n, "value")
				if n.Data == "textarea" && n.FirstChild != nil {
					value = n.FirstChild.Data
				}
				in.values.Add(name, value)
			case "a", "iframe":
				to := attr(n, "href") + attr(n, "src")
				if to, _, _ = strings.Cut(to, "#"); strings.HasPrefix(to, "/") {
					links = append(links, to)
				}
			}
		}
		for c := range n.ChildNodes() {
			walk(c, in)
		}
	}
	walk(doc, nil)
	return forms, links
}

var (
	jobIn   = regexp.MustCompile(`/job/[0-9A-Z]{7}`)
	tokenIn = regexp.MustCompile(`/([jd])/[a-z2-7]{32}`)
	digits  = regexp.MustCompile(`/[0-9]+`)
)

// pattern names an address without what differs from job to job.
func pattern(path string) string {
	return digits.ReplaceAllString(tokenIn.ReplaceAllString(jobIn.ReplaceAllString(path, "/job/N"), "/$1/LINK"), "/N")
}

// crawl opens every page that can be reached, and returns one form of each kind. shown counts the pages
// that show our worst text as a text.
func (v *visitor) crawl(start []string, typed []string) (forms map[string]aForm, pages, shown int) {
	v.t.Helper()
	forms = map[string]aForm{}
	seen := map[string]bool{}
	perPattern := map[string]int{}
	for queue := start; len(queue) > 0; queue = queue[1:] {
		path := queue[0]
		if seen[path] || strings.HasPrefix(path, "/assets/") {
			continue
		}
		seen[path] = true
		bare, _, _ := strings.Cut(path, "?")
		if perPattern[pattern(bare)]++; perPattern[pattern(bare)] > 12 {
			continue
		}
		r := v.get(path)
		pages++
		if !strings.HasPrefix(r.header.Get("Content-Type"), "text/html") {
			continue
		}
		escaped(v.t, path, r.body, typed)
		if strings.Contains(r.body, html.EscapeString(worst[0])) {
			shown++
		}
		found, links := formsOf(v.t, r.body)
		for _, f := range found {
			key := pattern(f.action) + " " + strings.Join(f.fields(), ",")
			if _, there := forms[key]; !there {
				forms[key] = f
			}
		}
		queue = append(queue, links...)
	}
	return forms, pages, shown
}

// last are the forms that end a job or a session, or move one on: they come after all others.
var last = regexp.MustCompile(`/(move|erase|sign-out|sign-in|ship|withdraw|ready)\b`)

// asShown is a typed text as a page gives it back.
func asShown(s string) string {
	s = strings.ToValidUTF8(s, "\ufffd")
	return strings.TrimSpace(strings.NewReplacer("\r\n", "\n", "\r", "\n", "\x00", "\ufffd").Replace(s))
}

// hostileTexts types every naughty text into the forms of every page, as the customer and as the owner
// at the counter, and every worst one into every field. No answer may be a failure of ours; what
// was refused must still stand in the form; nothing may come back as anything but text, on no page and
// in no mail.
func hostileTexts(t *testing.T, x *scene) {
	s, d, log := x.stage, x.d, x.log
	texts := naughty(t)
	staff := s.visitor(s.signIn()...)
	customer := s.visitor()
	starts := []string{"/", "/book", "/find", "/packing"}
	for _, p := range d.plays {
		starts = append(starts, strings.TrimPrefix(s.link(p, link.Own), s.base))
		if s.job(p.number).Link(link.Decide, s.clock.now()) != nil {
			starts = append(starts, strings.TrimPrefix(s.link(p, link.Decide), s.base))
		}
	}
	forms, pages, _ := staff.crawl([]string{"/counter", "/counter/new", "/counter/search?q=scanner"}, texts)
	theirs, more, _ := customer.crawl(starts, texts)
	require.Greater(t, len(forms), 25)
	require.Greater(t, len(theirs), 5)
	t.Logf("%d and %d kinds of form on %d pages", len(forms), len(theirs), pages+more)

	sent, refused, next := 0, 0, 0
	type turn struct {
		who *visitor
		key string
		f   aForm
	}
	var turns []turn
	for who, all := range map[*visitor]map[string]aForm{staff: forms, customer: theirs} {
		for _, key := range slices.Sorted(maps.Keys(all)) {
			if !strings.Contains(key, "/sign-in") && !strings.Contains(key, "/sign-out") {
				turns = append(turns, turn{who, key, all[key]})
			}
		}
	}
	slices.SortStableFunc(turns, func(a, b turn) int {
		if x, y := last.MatchString(a.key), last.MatchString(b.key); x != y {
			if x {
				return 1
			}
			return -1
		}
		return strings.Compare(a.key, b.key)
	})
	for _, x := range turns {
		fields := x.f.fields()
		if len(fields) == 0 {
			continue
		}
		send := func(at int, value func(i int) string) {
			v := maps.Clone(x.f.values)
			for i, name := range fields {
				switch {
				case x.f.typed(name) || at%3 == 0 && x.f.kind[name] != "checkbox":
					v[name] = []string{value(i)}
				case x.f.kind[name] == "checkbox" && at%2 == 0:
					delete(v, name)
				}
			}
			if len(x.f.do) > 0 {
				name, do, _ := strings.Cut(x.f.do[at%len(x.f.do)], "=")
				v.Set(name, do)
			}
			if v.Has("once") {
				v.Set("once", "hostile"+strconv.Itoa(sent))
			}
			if m := jobIn.FindString(x.f.action); m != "" && v.Has("v") {
				v.Set("v", strconv.FormatInt(s.job(workflow.JobNumber(strings.TrimPrefix(m, "/job/"))).Version, 10))
			}
			r := x.who.post(x.f.action, v)
			sent++
			if !strings.HasPrefix(r.header.Get("Content-Type"), "text/html") {
				return
			}
			var typed []string
			for _, name := range fields {
				typed = append(typed, v.Get(name))
			}
			escaped(t, x.key, r.body, typed)
			if r.status != http.StatusUnprocessableEntity && r.status != http.StatusConflict {
				return
			}
			refused++
			again, _ := formsOf(t, r.body)
			for _, f := range again {
				if f.action != x.f.action || !slices.Equal(f.fields(), fields) || f.about() != x.f.about() {
					continue
				}
				for _, name := range fields {
					if x.f.typed(name) && asShown(v.Get(name)) != asShown(f.values.Get(name)) {
						require.Equal(t, asShown(v.Get(name)), asShown(f.values.Get(name)), "%s, %s: what was typed is gone after status %d", x.key, name, r.status)
					}
				}
			}
		}
		// The list goes round and round over the forms, so that each form has another part of it.
		for range max(longtest.Times(6, 2, 2), longtest.Times(40, 14, 14)/len(fields)) {
			send(sent, func(field int) string { return texts[(next+field)%len(texts)] })
			next += len(fields)
		}
		for _, w := range worst {
			send(sent, func(int) string { return w })
		}
	}
	t.Logf("%d forms sent, %d refused; the list was typed %d times", sent, refused, next/len(texts))
	require.GreaterOrEqual(t, next, longtest.Times(2, 1, 1)*len(texts))
	require.Greater(t, refused, longtest.Times(500, 150, 150))

	s.settle()
	_, pages, atCounter := staff.crawl([]string{"/counter", "/counter/new", "/counter/search?q=a", "/counter/search?q=%3Cscript"}, texts)
	_, more, outside := customer.crawl(starts, texts)
	require.Greater(t, atCounter, 10, "what was typed is shown at the counter")
	require.Positive(t, outside, "and to the customer")
	t.Logf("%d pages read afterwards", pages+more)
	s.letters(texts)
	for _, p := range d.plays {
		events, err := s.srv.store.Events(context.Background(), "harbour", p.number, 0)
		require.NoError(t, err)
		head, err := workflow.VerifyChain(events)
		require.NoError(t, err, "what was typed broke the chain")
		require.Equal(t, s.job(p.number).Head, head)
		if j := s.job(p.number); j.Erased.IsZero() {
			for _, g := range j.Links {
				token, err := s.srv.service.Token(j, &g)
				require.NoError(t, err)
				require.NotContains(t, log.String(), token, "a link in the log")
			}
		}
	}
}

// lines are the header fields that our mails have.
var lines = []string{"Auto-Submitted", "X-Auto-Response-Suppress", "Content-Language", "Content-Type", "Date", "From", "In-Reply-To", "Message-Id", "Mime-Version", "References", "Reply-To", "Subject", "To", "User-Agent", "X-Mailer", "Content-Transfer-Encoding"}

// letters holds every mail that was sent to what no typed text may change.
func (s *stage) letters(typed []string) {
	s.t.Helper()
	mails := s.post.Mails()
	require.NotEmpty(s.t, mails)
	for i, m := range mails {
		what := fmt.Sprintf("mail %d to %s", i+1, m.To[0])
		require.Len(s.t, m.To, 1, what)
		r, err := mail.CreateReader(bytes.NewReader(m.Data))
		require.NoError(s.t, err, what)
		for f := r.Header.Fields(); f.Next(); {
			require.Contains(s.t, lines, textproto.CanonicalMIMEHeaderKey(f.Key()), what)
		}
		to, err := r.Header.AddressList("To")
		require.NoError(s.t, err, what)
		require.Len(s.t, to, 1, what)
		from, err := r.Header.AddressList("From")
		require.NoError(s.t, err, what)
		require.Equal(s.t, "bench@harbour.example", from[0].Address, what)
		head, _, _ := bytes.Cut(m.Data, []byte("\r\n\r\n"))
		for _, b := range head {
			require.True(s.t, b < 0x7f && (b >= 0x20 || b == '\r' || b == '\n' || b == '\t'), "%s: byte %#x in its head", what, b)
		}
		l, err := openLetter(i+1, m)
		require.NoError(s.t, err, what)
		require.NotContains(s.t, l.Subject, "\n", what)
		require.NotContains(s.t, l.HTML, "<script", what)
		soundMail(s.t, what, l.HTML, s.base)
		escaped(s.t, what, l.HTML, typed)
	}
	s.t.Logf("%d mails read", len(mails))
}

// soundMail is sound for a mail, whose styles have to be in it.
func soundMail(t testing.TB, what, page, base string) {
	t.Helper()
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return
		case html.StartTagToken, html.SelfClosingTagToken:
			tag := z.Token()
			require.True(t, tag.Data == "style" || slices.Contains(elements, tag.Data), "%s: <%s>", what, tag.Data)
			for _, a := range tag.Attr {
				require.False(t, strings.HasPrefix(a.Key, "on"), "%s: <%s %s=%q>", what, tag.Data, a.Key, a.Val)
				if a.Key == "href" || a.Key == "src" {
					require.Regexp(t, `^(`+regexp.QuoteMeta(base)+`(/|$)|mailto:|tel:|cid:|#)`, a.Val, "%s: <%s>", what, tag.Data)
				}
			}
		}
	}
}
