package shopyears

import (
	"fmt"
	"hash/fnv"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/longtest"
	"benchword/workflow/money"
)

// doc is a job as the interface tells it.
type doc struct {
	Number, Stage, Outcome string
	Version                int64
	raw                    string // as it came
	Quotes                 []struct {
		Digest, State string
		Revision      int
		Options       []struct {
			Key    string
			Result struct{ Total string }
		}
	}
	Notices []struct {
		ID, With  string
		Kind      string
		Moot      bool
		BuriedAt  time.Time `json:"buried_at"`
		BouncedAt time.Time `json:"bounced_at"`
	}
	Delays []struct {
		Choice     string
		Unanswered bool
		AnswerBy   time.Time `json:"answer_by"`
		Digest     string
	}
	Charge, Paid, Balance money.Amount
	DueAt                 *time.Time `json:"due_at"`
	Standing              struct {
		Where string
		Need  struct {
			Why    string
			By     time.Time
			Amount *money.Amount
		}
		Date struct {
			Kind string
			At   time.Time
		}
		Money struct{ Charge, Paid, Balance money.Amount }
	}
}

func (p *play) doc(b *book) doc {
	if d, ok := p.docs[b.number]; ok {
		return d
	}
	var d doc
	a := p.call(workflow.RoleOwner, http.MethodGet, "/"+b.number, nil, &d)
	if a.status != http.StatusOK {
		panic(&broken{truth: "works", says: fmt.Sprintf("the interface has no job %s: %d", b.number, a.status)})
	}
	d.raw = a.body
	p.docs[b.number] = d
	return d
}

// seen is all that can be read of a job at one moment.
type seen struct {
	now     time.Time
	own     said   // the customer's page
	page    string // the same, as it came
	doc     doc
	raw     string // the interface's answer
	desk    string // the counter's page
	file    string // the day in the calendar file, "" for none
	shared  string // the page that was shared
	feed    string
	papers  map[string]string // the text of papers, where they are looked at
	quote   string            // the quote's page
	waiting bool              // an email about it still waits
}

// truth is something that holds at every moment. It returns what contradicts it, "" for nothing.
type truth struct {
	name  string
	holds func(p *play, b *book, s *seen) string
}

func differ(what string, a, b any) string {
	if a == b {
		return ""
	}
	return fmt.Sprintf("%s: %v, and %v", what, a, b)
}

// truths is the list of what must hold. To add one, write a row.
var truths = []truth{
	{"one place", func(p *play, b *book, s *seen) string {
		return differ("page and what happened", s.own.where, b.where()) + differ("page and interface", s.own.where, s.doc.Standing.Where)
	}},
	{"one need", func(p *play, b *book, s *seen) string {
		key, sum := b.need(p.shop, s.now)
		return differ("page and what was asked", s.own.need, key) + differ("what is asked for and owed", s.own.sum, sum) +
			differ("page and interface", s.own.need, s.doc.Standing.Need.Why)
	}},
	{"one sum", func(p *play, b *book, s *seen) string {
		out := differ("interface and what was agreed", s.doc.Charge.Minor, b.charge()) + differ("interface and what was paid", s.doc.Paid.Minor, b.paid) +
			differ("balance", s.doc.Balance.Minor, b.balance())
		if s.own.charge >= 0 {
			out += differ("page and what was agreed", s.own.charge, b.charge()) + differ("page and what was paid", s.own.paid, b.paid) + differ("page and balance", s.own.balance, b.balance())
		}
		desk := said{charge: -1}
		rows := map[string]string{}
		for _, m := range pair.FindAllStringSubmatch(s.desk, -1) {
			rows[visible(m[1])] = visible(m[2])
		}
		if readers["en"].money(&desk, rows); desk.charge >= 0 {
			out += differ("counter and what was agreed", desk.charge, b.charge()) + differ("counter and what was paid", desk.paid, b.paid)
		}
		return out
	}},
	{"charged as agreed", func(p *play, b *book, s *seen) string {
		if most := max(b.fee, b.most); s.doc.Charge.Minor > most {
			return fmt.Sprintf("%d is charged, and at most %d was agreed", s.doc.Charge.Minor, most)
		}
		return ""
	}},
	{"what is owed is told", func(p *play, b *book, s *seen) string {
		if b.balance() != 0 && !b.erased && b.stage != "booked" && s.own.charge < 0 {
			return fmt.Sprintf("the page has no word of a balance of %d", b.balance())
		}
		return ""
	}},
	{"one date", func(p *play, b *book, s *seen) string {
		on := s.doc.Standing.Date
		kinds := map[string]string{"left": "shipped handed_over", "closed": "withdrawn", "paused": "paused if.answer if.carrier if.customer if.parts if.payment"}
		want := kinds[on.Kind]
		if want == "" {
			want = on.Kind
		}
		if !slices.Contains(strings.Fields(want), s.own.when) {
			return fmt.Sprintf("the page says “%s” of the date, and the interface %s", s.own.when, on.Kind)
		}
		if s.own.day == "" {
			return ""
		}
		out := differ("page and interface", s.own.day, p.localDay(on.At))
		if s.own.when == "by" || s.own.when == "over" || strings.HasPrefix(s.own.when, "if.") {
			out += differ("page and calendar file", s.own.day, s.file)
		}
		if s.own.when == "by" || strings.HasPrefix(s.own.when, "if.") {
			m := promise.FindStringSubmatch(s.desk)
			day, err := time.Parse(time.DateOnly, s.own.day)
			if m == nil || err != nil {
				return out + "the counter does not say how it stands to its date"
			}
			if !strings.Contains(visible(m[1]), day.Format("2 January")) && !p.near(day, s.now) {
				out += fmt.Sprintf("the customer reads %s, and the counter “%s”", s.own.day, visible(m[1]))
			}
		}
		return out
	}},
	{"a date that is named can come true", func(p *play, b *book, s *seen) string {
		today := p.localDay(s.now)
		if (s.own.when == "by" || strings.HasPrefix(s.own.when, "if.")) && s.own.day < today {
			return fmt.Sprintf("on %s it says “%s %s”", today, s.own.when, s.own.day)
		}
		if strings.HasPrefix(s.own.when, "if.") && (s.own.until > s.own.day || s.own.until < today) {
			return fmt.Sprintf("on %s: by %s, if the wait ends by %s", today, s.own.day, s.own.until)
		}
		if s.own.need == "choose" && s.own.day != "" && s.own.when == "by" && s.own.by >= s.own.day {
			return fmt.Sprintf("choose by %s, and it leaves by %s", s.own.by, s.own.day)
		}
		if s.own.by != "" && s.own.by < today {
			return fmt.Sprintf("on %s an answer is wanted by %s", today, s.own.by)
		}
		return ""
	}},
	{"no date moves in silence", func(p *play, b *book, s *seen) string {
		if s.own.when == "by" && b.told != "" && b.told != s.own.day && (b.toldIf == "" || s.own.day > b.toldIf) && !s.waiting && !b.few && !b.lost {
			return fmt.Sprintf("the page says by %s, and the last email said by %s %s", s.own.day, b.told, b.toldIf)
		}
		return ""
	}},
	{"a moved date is told", func(p *play, b *book, s *seen) string {
		cal := p.cfg.Calendar
		day, err := calendar.ParseDate(s.own.day)
		switch {
		case err != nil || s.waiting:
		case s.own.when == "by" && s.doc.DueAt != nil:
			last := cal.Date(s.doc.DueAt.Add(-time.Second))
			if end := calendar.Local(cal.Location(), last+1, 0, 0); cal.Worked(*s.doc.DueAt, end) > 0 {
				last-- // that day is not a whole one
			}
			if last > day && cal.WorkingDays(day+1, last) > 0 {
				return fmt.Sprintf("it was told by %s, and the bench has until %s", s.own.day, s.doc.DueAt.In(p.zone()).Format(time.DateTime))
			}
		case s.own.when == "over":
			if next, ok := cal.AddWorkingDays(day, 1); ok && cal.Date(s.now) > next {
				return fmt.Sprintf("on %s it was told by %s, and nobody has said that it is late, nor named another day", p.localDay(s.now), s.own.day)
			}
		}
		return ""
	}},
	{"the date that counts is the date that is named", func(p *play, b *book, s *seen) string {
		r := readers[b.lang]
		for _, m := range promised.FindAllStringSubmatch(s.page, -1) {
			text := visible(m[1])
			if _, v := find(r.counts, text); v != nil && s.own.when == "by" {
				return differ("page: the date that counts, and the date named", r.day(v["a1"], s.now), s.own.day)
			}
		}
		return ""
	}},
	{"the door is open", func(p *play, b *book, s *seen) string {
		if b.links["d"] == "" || b.q == nil || b.door != b.q.n {
			return ""
		}
		if can := strings.Contains(s.quote, `name="verdict"`); can != b.open(s.now) && !strings.Contains(s.quote, `name="undo"`) {
			return fmt.Sprintf("the quote can be answered: %v; its page has a form: %v", b.open(s.now), can)
		}
		return ""
	}},
	{"no note outside", func(p *play, b *book, s *seen) string {
		for _, x := range b.silent {
			for on, text := range map[string]string{"page": s.page, "shared page": s.shared, "quote": s.quote} {
				if strings.Contains(text, x) {
					return "a note of the bench stands on the " + on + ": " + x
				}
			}
		}
		return ""
	}},
	{"a shared page shows no letters", func(p *play, b *book, s *seen) string {
		for _, x := range b.texts[1:] {
			if strings.Contains(s.shared, x) {
				return "a letter stands on the shared page"
			}
		}
		return ""
	}},
	{"nothing after erasing", func(p *play, b *book, s *seen) string {
		if !b.erased {
			return ""
		}
		for on, text := range map[string]string{"page": s.page, "interface": s.raw, "counter": s.desk, "shared page": s.shared, "quote": s.quote} {
			for _, x := range append([]string{b.name, b.email, b.street}, b.texts...) {
				if strings.Contains(text, x) {
					return fmt.Sprintf("“%s” stands on the %s", x, on)
				}
			}
		}
		return ""
	}},
	{"the feed says the same", func(p *play, b *book, s *seen) string {
		if s.feed == "" {
			return ""
		}
		where, need, err := readers[b.lang].feed(s.feed)
		if err != nil {
			return err.Error()
		}
		w := readers[b.lang].w // several have one name
		return differ("page and feed", w.T("where."+s.own.where), w.T("where."+where)) + differ("page and feed", w.T("need."+s.own.need), w.T("need."+need))
	}},
	{"papers say the same", func(p *play, b *book, s *seen) string {
		r := readers[b.lang]
		if text, ok := s.papers["quote"]; ok && b.q.state != "withdrawn" {
			for _, o := range b.q.options {
				if total := plain(r.w.Money(cents(o.total))); !strings.Contains(text, total) {
					return fmt.Sprintf("the quote on paper does not say that option %s comes to %s: %s", o.key, total, text)
				}
			}
			if day := p.localDay(b.q.expires); !slices.Contains(r.named(text), day) {
				return fmt.Sprintf("the quote on paper does not say that it stands until %s: %s", day, text)
			}
		}
		for name, text := range s.papers {
			if !strings.Contains(text, b.name) || !numberIn.MatchString(text) {
				return "the " + name + " on paper names no customer or no job: " + text
			}
			for _, x := range b.silent {
				if strings.Contains(text, x) {
					return "a note of the bench stands in the " + name + " on paper: " + x
				}
			}
			if m := unworded.FindString(text); m != "" {
				return "“" + m + "” stands in the " + name + " on paper"
			}
			for _, key := range []string{"date.today", "date.tomorrow"} {
				if regexp.MustCompile(`(?i)(^|[^\p{L}])` + regexp.QuoteMeta(r.w.T(key)) + `($|[^\p{L}])`).MatchString(text) {
					return "“" + r.w.T(key) + "” stands in the " + name + " on paper"
				}
			}
		}
		return ""
	}},
	{"words, not keys", func(p *play, b *book, s *seen) string {
		for on, text := range map[string]string{"page": s.page, "counter": s.desk, "shared page": s.shared, "quote": s.quote} {
			if !slices.ContainsFunc(hints, func(x string) bool { return strings.Contains(text, x) }) {
				continue
			}
			if m := unworded.FindString(visible(text)); m != "" {
				return "“" + m + "” stands on the " + on
			}
		}
		return ""
	}},
}

// hints are in a page's source where words may be missing on it.
var hints = []string{"%!", "{0", "{1", "{2", "[", "undefined", "nil"}

var (
	promise  = regexp.MustCompile(`(?s)<p class="job-promise">(.*?)</p>`)
	promised = regexp.MustCompile(`(?s)<li>(.*?)(?:<br>.*?)?</li>`)
	unworded = regexp.MustCompile(`%!|\{\d\}|\[[a-z]+\.[a-z_.]+\]|undefined|<nil>`)
)

func (p *play) zone() *time.Location { return p.cfg.Calendar.Location() }

func (p *play) localDay(t time.Time) string { return t.In(p.zone()).Format(time.DateOnly) }

// near reports whether a day is yesterday, today or tomorrow, which the counter says by these words.
func (p *play) near(day, now time.Time) bool {
	today, _ := time.Parse(time.DateOnly, p.localDay(now))
	return day.Sub(today).Abs() <= 24*time.Hour
}

// papers reads the papers of a job when its stage or its quote has changed: all in a long run, a share in others,
// for writing and reading one takes as long as dozens of pages.
func (p *play) papers(b *book, s *seen) {
	at := b.stage
	if b.q != nil {
		at += b.q.digest + b.q.state
	}
	share := fnv.New32a()
	_, _ = share.Write([]byte(b.number + at))
	if b.filed == at || !longtest.Long() && share.Sum32()%8 > 0 {
		return
	}
	b.filed, s.papers = at, map[string]string{}
	for name, path := range map[string]string{"quote": b.links["d"] + "/quote.pdf", "report": b.own + "/report/1.pdf"} {
		if name == "quote" && (b.links["d"] == "" || b.door != b.q.n) || name == "report" && !b.reported {
			continue
		}
		if a := p.get(path); a.status == http.StatusOK {
			s.papers[name] = paper(p.t, a.body)
			p.once(name + " on paper")
		}
	}
}

// look reads a job on all its surfaces.
func (p *play) look(b *book) *seen {
	s := &seen{now: p.clock.Now()}
	s.doc = p.doc(b)
	s.raw = s.doc.raw
	s.desk = p.desk("/counter/job/" + b.number)
	if b.erased {
		s.raw += p.call(workflow.RoleOwner, http.MethodGet, "/"+b.number+"/events", nil, nil).body
		s.desk += p.desk("/counter/job/" + b.number + "/history")
	}
	if b.own != "" {
		s.page = p.get(b.own).body
	}
	if b.shared != "" {
		s.shared = p.get(b.shared).body
	}
	if b.links["d"] != "" {
		s.quote = p.get(b.links["d"]).body
	}
	if b.own != "" && !b.erased {
		if a := p.get(b.own + "/date.ics"); a.status == http.StatusOK {
			s.file = file(strings.ReplaceAll(a.body, "\r\n ", ""))
		}
	}
	if b.own != "" && !b.erased {
		s.feed = p.get(b.own + "/feed").body
		p.papers(b, s)
	}
	s.waiting = p.waits(b)
	return s
}

// check holds a job's surfaces to every truth.
func (p *play) check(b *book) {
	if b.own == "" { // nobody has a link yet
		return
	}
	p.learns(b)
	s := p.look(b)
	if !b.erased {
		var err error
		if s.own, err = readers[b.lang].page(s.page, s.now); err != nil {
			panic(&broken{truth: "every page answers", says: err.Error()})
		}
		p.once("need " + s.own.need + " on a page")
		p.once("when " + s.own.when + " on a page")
		p.once("where " + s.own.where + " on a page")
	}
	for _, x := range truths {
		if b.erased && s.own.where == "" && x.name != "nothing after erasing" && x.name != "words, not keys" {
			continue
		}
		if says := x.holds(p, b, s); says != "" {
			panic(&broken{x.name, fmt.Sprintf("job %d (%s, %s): %s\n  %s", b.id, b.lang, b.stage, says, s.own.why), b.id})
		}
	}
}

// reads takes an email in: what it says is what the page says at the moment when it leaves.
func (p *play) reads(b *book, l *letter) {
	if l.to != b.email {
		panic(&broken{truth: "to nobody else", says: fmt.Sprintf("an email to %s, whose address is %s", l.to, b.email)})
	}
	if b.erased {
		panic(&broken{truth: "nothing after erasing", says: "an email to somebody who was erased"})
	}
	now := p.clock.Now()
	for k, v := range l.links {
		if k == "j" {
			b.own = v
		} else {
			b.links[k] = v
		}
	}
	if b.q != nil && l.links["d"] != "" && !l.again {
		b.door = b.q.n
	}
	if l.again { // an email that may have arrived, once more
		p.once("the same email twice")
		return
	}
	r := readers[b.lang]
	says, err := r.letter(l, now)
	if err != nil {
		panic(&broken{truth: "every email answers", says: err.Error()})
	}
	b.sent = append(b.sent, l.subject)
	switch {
	case says.when == "by":
		b.told, b.toldIf = says.day, ""
	case strings.HasPrefix(says.when, "if."):
		b.toldIf = says.day
	}
	for _, x := range b.silent {
		if strings.Contains(l.text+l.html, x) {
			panic(&broken{truth: "no note outside", says: "a note of the bench stands in the email “" + l.subject + "”"})
		}
	}
	if m := unworded.FindString(l.subject + l.text); m != "" {
		panic(&broken{truth: "words, not keys", says: fmt.Sprintf("“%s” in the email “%s”", m, l.subject)})
	}
	for _, key := range []string{"date.today", "date.tomorrow"} {
		if word := regexp.MustCompile(`(?i)(^|[^\p{L}])` + regexp.QuoteMeta(r.w.T(key)) + `($|[^\p{L}])`); word.MatchString(l.subject + "\n" + l.text) {
			panic(&broken{truth: "an email names days", says: fmt.Sprintf("“%s” in the email “%s”: %s", r.w.T(key), l.subject, word.FindString(l.text))})
		}
	}
	if b.own == "" || l.slow { // time has passed since it was written
		return
	}
	own, err := r.page(p.get(b.own).body, now)
	if err != nil {
		panic(&broken{truth: "every page answers", says: err.Error()})
	}
	p.once("need " + says.need + " in an email")
	p.claims(b, "the subject of an email", l.subject, l.text, own)
	out := differ("where", says.where, own.where) + differ("need", says.need, own.need) + differ("sum", says.sum, own.sum) + differ("by", says.by, own.by) +
		differ("when", says.when, own.when) + differ("day", says.day, own.day) + differ("until", says.until, own.until)
	if says.charge >= 0 && own.charge >= 0 {
		out += differ("charged", says.charge, own.charge) + differ("paid", says.paid, own.paid) + differ("balance", says.balance, own.balance)
	}
	if out != "" {
		panic(&broken{truth: "email and page say the same", says: fmt.Sprintf("job %d (%s, %s), “%s”: %s\n  email: %s\n  page: %s", b.id, b.lang, b.stage, l.subject, out, says.why, own.why), job: b.id})
	}
	flat := visible(l.html)
	for _, text := range strings.Split(says.why, " / ") {
		for _, w := range strings.Split(text, ". ") {
			if !strings.Contains(flat, plain(strings.TrimSuffix(w, "."))) {
				panic(&broken{truth: "both halves of an email say the same", says: fmt.Sprintf("“%s” is not in the HTML of “%s”", w, l.subject)})
			}
		}
	}
}

// claims holds a line that stands alone, as of an email or on a phone, to the page and to what goes with it.
func (p *play) claims(b *book, on, line, beside string, own said) {
	r := readers[b.lang]
	if key, _ := find(r.wants, plain(line)); key != "" && own.need != "decide" && own.need != "question" {
		panic(&broken{truth: "a subject tells what is so", says: fmt.Sprintf("job %d (%s, %s): %s says “%s”, and the page that “%s” is needed", b.id, b.lang, b.stage, on, line, own.need), job: b.id})
	}
	for _, day := range r.named(plain(line)) {
		if !slices.Contains(r.named(plain(beside)), day) {
			panic(&broken{truth: "a subject tells what is so", says: fmt.Sprintf("job %d (%s, %s): %s says “%s”, and what goes with it does not name %s", b.id, b.lang, b.stage, on, line, day), job: b.id})
		}
	}
}

// hears takes in what a phone shows.
func (p *play) hears(x ring) {
	b := p.byNumber[x.Tag]
	p.once("push")
	switch {
	case b == nil || b.erased || b.phone == "":
		panic(&broken{truth: "to nobody else", says: fmt.Sprintf("a phone shows “%s” of job %s, and was not to", x.Body, x.Tag)})
	case x.Lang != b.lang || x.Title != p.cfg.Name || x.URL != b.phone:
		panic(&broken{truth: "a push leads to its job", says: fmt.Sprintf("%+v, and it should be in %s and lead to %s", x, b.lang, b.phone), job: b.id})
	case unworded.MatchString(x.Body):
		panic(&broken{truth: "words, not keys", says: "a phone shows “" + x.Body + "”"})
	}
	for _, silent := range append(slices.Clone(b.silent), b.texts...) {
		if strings.Contains(x.Body, silent) {
			panic(&broken{truth: "no note outside", says: "a phone shows “" + x.Body + "”"})
		}
	}
	page := p.get(b.phone).body
	own, err := readers[b.lang].page(page, p.clock.Now())
	must(err)
	p.claims(b, "a phone", x.Body, visible(page), own)
}
