package shopyears

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"encoding/xml"
	"fmt"
	"html"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/templates/locale"
)

// letter is an email as its reader has it.
type letter struct {
	id, to, subject, text, html string
	again                       bool // it came once before
	slow                        bool // it took minutes
	links                       map[string]string
}

var linkIn = regexp.MustCompile(`http://desk\.example(/([jdc])/[a-z2-7]{32})`)

func openLetter(m *mail.Message) (*letter, error) {
	msg, err := netmail.ReadMessage(bytes.NewReader(m.Data))
	if err != nil {
		return nil, err
	}
	l := &letter{id: msg.Header.Get("Message-ID"), to: m.To, links: map[string]string{}}
	if l.subject, err = new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject")); err != nil {
		return nil, err
	}
	if err := l.read(msg.Header.Get, msg.Body); err != nil {
		return nil, err
	}
	for _, x := range linkIn.FindAllStringSubmatch(l.text, -1) {
		l.links[x[2]] = x[1]
	}
	return l, nil
}

func (l *letter) read(header func(string) string, body io.Reader) error {
	kind, params, err := mime.ParseMediaType(header("Content-Type"))
	if err != nil {
		return err
	}
	if strings.HasPrefix(kind, "multipart/") {
		parts := multipart.NewReader(body, params["boundary"])
		for {
			p, err := parts.NextRawPart()
			if err == io.EOF {
				return nil
			}
			if err != nil {
				return err
			}
			if err := l.read(p.Header.Get, p); err != nil {
				return err
			}
		}
	}
	switch strings.ToLower(header("Content-Transfer-Encoding")) {
	case "quoted-printable":
		body = quotedprintable.NewReader(body)
	case "base64":
		body = base64.NewDecoder(base64.StdEncoding, body)
	}
	b, err := io.ReadAll(body)
	switch kind {
	case "text/plain":
		l.text = string(b)
	case "text/html":
		l.html = string(b)
	}
	return err
}

// said is what a surface answers to the three questions, and of the money.
type said struct {
	where, need, when string // keys of the catalogue
	by                string // the day until when something is needed
	sum               int64  // what is asked for; -1 for nothing
	day, until        string // the date named, and until when a wait may last for it to hold
	why               string // all that was said of the date
	charge, paid      int64  // -1 where nothing is said
	balance           int64
}

// reader reads one language as somebody who knows it does: by its words.
type reader struct {
	w                 *locale.Words
	where, need, when []phrase
	days              map[string][]string // a day as it is written, and which ones it may be
	state, counts     []phrase            // how the money stands, and the date that counts
	brief, asks       []phrase            // where and need, in brief
	wants             []phrase            // subjects that want an answer to the quote
}

// phrase is a text of the catalogue with places for values.
type phrase struct {
	key  string
	re   *regexp.Regexp
	size int
}

// place stands for a value while a phrase is made.
var place = regexp.MustCompile(`\x01(\d)`)

func plain(s string) string { return strings.Join(strings.Fields(s), " ") }

// phraseOf makes a phrase of texts that follow each other, and after which more may stand.
func phraseOf(w *locale.Words, name string, keys ...string) phrase {
	return phraseTo(`(?: |$)`, w, name, keys...)
}

// phraseTo makes one that goes to an end.
func phraseTo(end string, w *locale.Words, name string, keys ...string) phrase {
	var parts []string
	size := 0
	for _, k := range keys {
		t := plain(w.T(k, "\x010", "\x011", "\x012"))
		size += len(t)
		parts = append(parts, place.ReplaceAllString(regexp.QuoteMeta(t), `(?P<a$1>.+?)`))
	}
	return phrase{name, regexp.MustCompile("^" + strings.Join(parts, " ") + end), size}
}

// find returns the longest phrase that a text begins with, and its values.
func find(of []phrase, text string) (key string, values map[string]string) {
	best := -1
	for _, p := range of {
		if m := p.re.FindStringSubmatch(text); m != nil && p.size > best {
			best, key, values = p.size, p.key, map[string]string{}
			for i, name := range p.re.SubexpNames() {
				if name != "" && values[name] == "" { // the first of two texts, where both have a value
					values[name] = m[i]
				}
			}
		}
	}
	return key, values
}

var needs = []string{"answer", "choose", "collect", "collect_pay", "decide", "deposit", "ended", "expired", "hold", "nothing", "on_its_way", "owed", "pay", "question", "send"}

var whens = []string{"by", "handed_over", "if.answer", "if.carrier", "if.customer", "if.parts", "if.payment", "late", "none", "over", "paused", "ready", "returning", "shipped", "withdrawn"}

func asksMoney(need string) bool {
	return slices.Contains([]string{"owed", "pay", "deposit", "collect_pay"}, need)
}

func newReader(lang string) *reader {
	w := locale.For(lang)
	r := &reader{w: w, days: map[string][]string{}}
	r.state = []phrase{phraseOf(w, "due", "paid.balance"), phraseOf(w, "later", "paid.later"), phraseOf(w, "over", "paid.over"), phraseOf(w, "settled", "paid.settled")}
	r.counts = []phrase{phraseOf(w, "first", "promise.first", "promise.open"), phraseOf(w, "later", "promise.later", "promise.open"), phraseOf(w, "told", "promise.told", "promise.open")}
	for _, k := range locale.Keys() {
		if rest, ok := strings.CutPrefix(k, "where."); ok && !strings.Contains(rest, ".") {
			r.where = append(r.where, phraseOf(w, rest, k))
			r.brief = append(r.brief, phraseTo(`$`, w, rest, k))
			if w.Has(k + ".more") { // two places may have one name
				r.where = append(r.where, phraseOf(w, rest, k, k+".more"))
			}
		}
	}
	r.where = append(r.where, phraseOf(w, "question", "where.question", "where.awaiting_approval.question"),
		phraseOf(w, "queued", "where.queued", "where.queued.kept.more"), phraseOf(w, "shipped", "where.shipped", "where.shipped.plain"))
	for _, k := range needs {
		end := `$`
		if asksMoney(k) { // and how to pay it
			end = `(?: |$)`
		}
		r.need = append(r.need, phraseTo(end, w, k, "need."+k, "need."+k+".more"))
		r.asks = append(r.asks, phraseTo(`(?:\. |$)`, w, k, "need."+k)) // how and until when comes after it
	}
	for _, k := range []string{"findings.further", "findings.quote", "further", "quote", "last", "reminder"} {
		r.wants = append(r.wants, phraseTo(`$`, w, k, "mail."+k+".subject"))
	}
	r.need = append(r.need, phraseOf(w, "ended", "need.ended", "need.ended.warranty"), phraseOf(w, "expired", "need.expired", "mail.need.expired"),
		phraseOf(w, "answer", "need.answer", "mail.need.answer"), phraseOf(w, "hold", "need.hold", "mail.need.answer"))
	for _, k := range whens {
		r.when = append(r.when, phraseTo(`$`, w, k, "when."+k))
		for _, more := range locale.Keys() {
			if m, ok := strings.CutPrefix(more, "when."); ok && !slices.Contains(whens, m) {
				r.when = append(r.when, phraseTo(`$`, w, k, "when."+k, more))
			}
		}
	}
	for d := time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC); d.Year() < 2029; d = d.AddDate(0, 0, 1) {
		for _, text := range []string{w.Day(d, time.UTC), w.Date(d, time.UTC)} {
			r.days[plain(text)] = append(r.days[plain(text)], d.Format(time.DateOnly))
		}
	}
	return r
}

var readers = func() map[string]*reader {
	out := map[string]*reader{}
	for _, l := range locale.Languages {
		out[l] = newReader(l)
	}
	return out
}()

// day returns the day that words name, the one next to now.
func (r *reader) day(words string, now time.Time) string {
	if words == "" {
		return ""
	}
	of := r.days[plain(words)]
	if len(of) == 0 {
		return "no day: " + words
	}
	return slices.MinFunc(of, func(a, b string) int { return int(away(a, now) - away(b, now)) })
}

func away(day string, now time.Time) time.Duration {
	d, _ := time.Parse(time.DateOnly, day)
	return d.Sub(now).Abs()
}

// sum reads an amount, in cents.
func sum(words string) int64 {
	digits := strings.Map(func(c rune) rune {
		if c < '0' || c > '9' {
			return -1
		}
		return c
	}, words)
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil {
		return -1
	}
	return n
}

// answers reads the three answers.
func (r *reader) answers(where, need, when string, now time.Time) said {
	s := said{sum: -1, charge: -1, paid: -1, why: need + " / " + when}
	s.where, _ = find(r.where, where)
	var v map[string]string
	if s.need, v = find(r.need, need); asksMoney(s.need) {
		s.sum = sum(v["a0"])
	} else if strings.Contains(" choose decide question ", " "+s.need+" ") {
		s.by = r.day(v["a0"], now)
	}
	if s.when, v = find(r.when, when); s.when == "" {
		s.when = "booked"
	} else if strings.HasPrefix(s.when, "if.") || strings.Contains(" by over shipped handed_over ready ", " "+s.when+" ") {
		s.day, s.until = r.day(v["a0"], now), r.day(v["a1"], now)
	}
	return s
}

// money reads what a text says of the money: charged, paid, and what is left.
func (r *reader) money(s *said, rows map[string]string) {
	name := func(key string) string { return plain(r.w.T(key)) }
	for _, k := range []string{"paid.charge", "paid.fee", "paid.return"} {
		if v, ok := rows[name(k)]; ok {
			s.charge = sum(v)
		}
	}
	if v, ok := rows[name("paid.paid")]; ok {
		s.paid = sum(v)
	}
	v, ok := rows[name("paid.state")]
	if !ok {
		return
	}
	switch key, at := find(r.state, v); key {
	case "over":
		s.balance = -sum(at["a0"])
	case "settled":
	default:
		s.balance = sum(at["a0"])
	}
}

var (
	section  = regexp.MustCompile(`(?s)<section class="answer[^>]*>\s*<h2[^>]*>.*?</h2>(.*?)</section>`)
	held     = regexp.MustCompile(`(?s)<p class="answer-hold">.*?</p>`)
	answered = regexp.MustCompile(`(?s)<p class="answer-short">.*?</p>\s*<p>.*?</p>`)
	pair     = regexp.MustCompile(`(?s)<dt>([^<]*)</dt><dd[^>]*>(.*?)</dd>`)
)

// visible is a page as it is read.
func visible(page string) string {
	var out strings.Builder
	for {
		text, rest, ok := strings.Cut(page, "<")
		out.WriteString(text + " ")
		if !ok {
			return plain(html.UnescapeString(out.String()))
		}
		end := ">"
		for _, name := range []string{"script", "style", "head>"} {
			if strings.HasPrefix(rest, name) {
				end = "</" + strings.TrimSuffix(name, ">") + ">"
			}
		}
		_, page, _ = strings.Cut(rest, end)
	}
}

// page reads a tracking page.
func (r *reader) page(body string, now time.Time) (said, error) {
	var parts []string
	for i, m := range section.FindAllStringSubmatch(body, -1) {
		text := held.ReplaceAllString(m[1], "")
		if short := answered.FindString(text); i > 0 { // what is said in brief, and the sentence after it
			text = short
		}
		parts = append(parts, visible(text))
	}
	if len(parts) != 3 {
		return said{}, fmt.Errorf("the page has %d answers: %.300s", len(parts), visible(body))
	}
	s := r.answers(parts[0], parts[1], parts[2], now)
	rows := map[string]string{}
	for _, m := range pair.FindAllStringSubmatch(body, -1) {
		rows[visible(m[1])] = visible(m[2])
	}
	r.money(&s, rows)
	return s, nil
}

// letter reads an email's text.
func (r *reader) letter(l *letter, now time.Time) (said, error) {
	var parts []string
	rows := map[string]string{}
	lines := strings.Split(strings.ReplaceAll(l.text, "\r\n", "\n"), "\n")
	for _, key := range []string{"mail.asked.where", "mail.asked.need", "mail.asked.when"} {
		asked := plain(r.w.T(key))
		at := slices.IndexFunc(lines, func(l string) bool { return plain(strings.TrimPrefix(l, "=> ")) == asked })
		if at < 0 {
			return said{}, fmt.Errorf("the email does not answer “%s”: %.500s", asked, l.text)
		}
		var part []string
		for _, line := range lines[at+1:] {
			if !strings.HasPrefix(line, "   ") && line != "" || line == "" && len(part) > 0 && key == "mail.asked.when" {
				break
			}
			part = append(part, line)
		}
		parts = append(parts, plain(strings.Join(part, " ")))
	}
	for _, line := range lines {
		for key, on := range map[string]string{"paid.charge": "", "paid.fee": "", "paid.return": "", "mail.money.paid": "paid.paid", "mail.money.balance": "paid.state"} {
			if v, ok := strings.CutPrefix(plain(line), plain(r.w.Named(r.w.T(key), ""))); ok {
				rows[plain(r.w.T(cmp.Or(on, key)))] = plain(v)
			}
		}
	}
	s := r.answers(parts[0], parts[1], parts[2], now)
	r.money(&s, rows)
	return s, nil
}

// feed reads what a feed says of the job above its steps.
func (r *reader) feed(body string) (where, need string, err error) {
	var f struct {
		Sub string `xml:"subtitle"`
	}
	if err := xml.Unmarshal([]byte(body), &f); err != nil {
		return "", "", err
	}
	where, need, _ = strings.Cut(plain(f.Sub), plain(". "+r.w.T("track.need"))+" ")
	where, _ = find(r.brief, where)
	need, _ = find(r.asks, need)
	return where, need, nil
}

// paper reads a PDF.
func paper(t testing.TB, body string) string {
	c := exec.CommandContext(t.Context(), "pdftotext", "-raw", "-", "-")
	c.Stdin = strings.NewReader(body)
	b, err := c.Output()
	must(err)
	return plain(string(b))
}

// named returns the days that a text names.
func (r *reader) named(text string) (out []string) {
	for words, days := range r.days {
		if strings.Contains(text, words) {
			out = append(out, days...)
		}
	}
	return out
}

var dateIn = regexp.MustCompile(`DTSTART;VALUE=DATE:(\d{4})(\d\d)(\d\d)`)

// file reads the day of a calendar file.
func file(body string) string {
	if m := dateIn.FindStringSubmatch(body); m != nil {
		return m[1] + "-" + m[2] + "-" + m[3]
	}
	return ""
}
