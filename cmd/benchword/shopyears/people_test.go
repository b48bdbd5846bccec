package shopyears

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"regexp"
	"strings"

	"benchword/workflow"
)

// habit is what somebody does where it makes sense. It is told by name in a history, and does the same again with
// the same chance.
type habit struct {
	name  string
	often int
	when  func(p *play, b *book) bool
	do    func(p *play, b *book, r *rand.Rand)
}

// at makes a condition of stages.
func at(stages ...string) func(*play, *book) bool {
	return func(_ *play, b *book) bool {
		for _, s := range stages {
			if b.stage == s {
				return true
			}
		}
		return false
	}
}

func (b *book) here() bool {
	return !b.erased && (b.stage == "received" || b.stage == "diagnosing" || b.stage == "repairing" || b.stage == "testing")
}

var hidden = regexp.MustCompile(`name="(digest|round|sum)" value="([^"]*)"`)

// fields reads the hidden fields of a form.
func fields(page string) map[string]string {
	out := map[string]string{}
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// answers answers the quote on its page by the link of the newest email.
func (p *play) answers(b *book, verdict string, o *option) {
	link, could := b.links["d"], b.open(p.clock.Now()) && b.door == b.q.n
	f := fields(p.get(link).body)
	about := []string{"digest", f["digest"], "round", f["round"], "name", b.name, "verdict", verdict, "read", "yes"}
	if o != nil {
		about = append(about, "option", o.key)
	}
	if f["digest"] == "" {
		f["digest"], f["round"] = b.q.digest, fmt.Sprint(b.q.undone)
		about[1], about[3] = f["digest"], f["round"]
	}
	a := p.send(link+"/review", about...)
	if a.status == http.StatusOK && o != nil && could {
		if shown := readers[b.lang].w; !strings.Contains(visible(a.body), plain(shown.Money(cents(o.total)))) {
			panic(&broken{truth: "one sum", says: fmt.Sprintf("the summary of option %s does not say its total of %s: %s", o.key, shown.Money(cents(o.total)), visible(a.body))})
		}
	}
	a = p.send(link, append(about, "confirm", "yes", "sum", fields(a.body)["sum"])...)
	p.commands++
	done := a.status == http.StatusSeeOther && strings.HasSuffix(a.to, "/done")
	again := b.q.state != "open"
	switch {
	case again: // the same answer counts once; another is refused
		p.once("answered twice")
	case done && !could:
		panic(&broken{truth: "no answer out of time", says: "an answer was taken to a quote that was not open"})
	case !done && could:
		panic(&broken{truth: "what is asked can be answered", says: fmt.Sprintf("the quote is open, and an answer got %d: %s", a.status, visible(a.body))})
	case done:
		b.answered(verdict, o)
		p.once("answer " + verdict)
	default:
		p.once("answer after expiry")
	}
}

// people are the habits of customers.
var people = []habit{
	{"books", 6, func(p *play, b *book) bool { return b == nil && p.running() < 9 }, (*play).newJob},
	{"says yes", 12, func(p *play, b *book) bool { return b.q != nil && b.links["d"] != "" && b.q.state == "open" }, func(p *play, b *book, r *rand.Rand) {
		o := b.q.options[r.IntN(len(b.q.options))]
		p.answers(b, "approve", &o)
	}},
	{"says no", 4, func(p *play, b *book) bool { return b.q != nil && b.links["d"] != "" && b.q.state == "open" }, func(p *play, b *book, r *rand.Rand) {
		p.answers(b, "decline", nil)
	}},
	{"says it again", 1, func(p *play, b *book) bool { return b.said == "approve" && b.links["d"] != "" }, func(p *play, b *book, r *rand.Rand) {
		p.answers(b, "approve", b.yes)
	}},
	{"asks about the quote", 3, func(p *play, b *book) bool { return b.open(p.clock.Now()) && b.links["d"] != "" && b.door == b.q.n }, func(p *play, b *book, r *rand.Rand) {
		words := p.writes(b, "Why so much?", r)
		a := p.send(b.links["d"], "digest", b.q.digest, "verdict", "ask", "words", words)
		if p.commands++; a.status != http.StatusSeeOther {
			panic(&broken{truth: "what is asked can be answered", says: "a question on an open quote was refused: " + visible(a.body)})
		}
		b.wonders, b.asks = true, false
	}},
	{"takes it back", 4, func(p *play, b *book) bool {
		return b.said != "" && b.links["d"] != "" && b.queued || b.where() == "recycling"
	}, func(p *play, b *book, r *rand.Rand) {
		f := fields(p.get(b.links["d"] + "/done").body)
		a := p.send(b.links["d"]+"/undo", "digest", f["digest"], "round", f["round"], "undo", "yes")
		if p.commands++; a.status == http.StatusSeeOther {
			b.tookBack()
			p.once("answer taken back")
		}
	}},
	{"writes", 4, func(p *play, b *book) bool { return b.own != "" && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		words := p.writes(b, pick(r, "Thank you!", "When will it be done?", "Please take care of the lid."), r)
		about := []string{"text", words}
		asks := b.q != nil && b.open(p.clock.Now()) && r.IntN(2) == 0
		if asks {
			about = append(about, "question", "yes")
		}
		a := p.send(b.own+"/message", about...)
		if p.commands++; a.status == http.StatusSeeOther {
			b.asks, b.wonders = false, b.wonders || asks
		}
	}},
	{"chooses after a missed date", 6, func(p *play, b *book) bool { return b.links["c"] != "" && b.late && b.chose == "" }, func(p *play, b *book, r *rand.Rand) {
		choice := pick(r, "agree", "agree", "return")
		f := fields(p.get(b.links["c"]).body)
		a := p.send(b.links["c"], "digest", f["digest"], "choice", choice, "read", "yes")
		if p.commands++; a.status == http.StatusSeeOther {
			p.once("chose " + choice)
		}
	}},
	{"asks for the link", 2, func(p *play, b *book) bool { return b.email != "" && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		p.send("/find", "number", b.number, "email", b.email)
		p.commands++
	}},
	{"asks for it on the page", 1, func(p *play, b *book) bool { return b.own != "" && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		p.send(b.own+"/ask", "do", "yes")
		p.commands++
	}},
	{"shares the page", 1, func(p *play, b *book) bool { return b.own != "" && b.shared == "" && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		a := p.send(b.own+"/share", "do", "yes")
		p.commands++
		if m := linkIn.FindStringSubmatch(a.body); m != nil {
			b.shared = m[1]
		}
	}},
	{"tells a phone", 3, func(p *play, b *book) bool { return b.own != "" && !b.erased }, (*play).rings},
	{"wants fewer emails", 1, func(p *play, b *book) bool { return b.own != "" && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		choice := pick(r, "every_step", "what_needs_me")
		a := p.send(b.own+"/notices", "choice", choice)
		if p.commands++; a.status < 400 {
			if b.few = choice == "what_needs_me"; !b.few {
				b.told, b.toldIf = "", "" // the page has said since what no email did
			}
		}
	}},
}

// rings lets a phone be told, or no more.
func (p *play) rings(b *book, r *rand.Rand) {
	about := []string{"endpoint", fmt.Sprintf("https://push.example/%d", b.id), "key", browserKey, "auth", browserAuth}
	if b.phone != "" && r.IntN(3) == 0 {
		about = append(about, "want", "off")
	}
	if p.commands++; p.send(b.own+"/push", about...).status >= 400 {
		return
	}
	if b.phone == "" {
		b.phone = b.own
	} else if len(about) > 6 {
		b.phone = ""
	}
}

var towns = []string{"Harrow", "Lindau", "Saint-Jean", "Cuenca"}

// newJob books a job on the page; some come in over the counter.
func (p *play) newJob(_ *book, r *rand.Rand) {
	n := p.booked
	p.booked++
	b := &book{id: p.newID, lang: pick(r, "en", "fr", "de", "es"), links: map[string]string{}, stage: "booked", lowered: -1}
	b.name, b.email = fmt.Sprintf("Quibble%dname", b.id), fmt.Sprintf("p%d@post.example", b.id)
	b.street = fmt.Sprintf("%d Zebra%d Row, %s", 1+n, b.id, pick(r, towns...))
	person := workflow.Person{Name: b.name, Email: b.email, Address: b.street, Language: b.lang}
	limit, levels := "", ""
	if r.IntN(5) == 0 {
		limit, b.limit = "100.00", 10000
	}
	if len(p.cfg.Levels) > 0 {
		levels = pick(r, "standard", "express")
		b.level = levels
	}
	if p.cfg.Fee != nil {
		b.fee = p.cfg.Fee.Minor
	}
	parcel := ""
	if b.inbound = r.IntN(4) == 0; b.inbound {
		parcel = "RR473124829CA"
	}
	fault := p.writes(b, "It hums.", r)
	p.commands++
	if r.IntN(4) == 0 {
		var d doc
		b.inbound = false
		a := p.call(workflow.RoleCounter, http.MethodPost, "", workflow.Book{Person: person, Kind: "film scanner", Fault: fault, WalkIn: r.IntN(2) == 0, Level: levels, Limit: limit}, &d)
		if a.status >= 300 {
			panic(&broken{truth: "works", says: "a booking at the counter was refused: " + a.body})
		}
		b.number, b.stage = d.Number, d.Stage
	} else {
		a := p.send("/book", "kind", "film scanner", "fault", fault, "name", b.name, "email", b.email, "address", b.street, "language", b.lang, "limit", limit, "level", levels, "inbound", parcel, "cell", "no")
		if a.status != http.StatusSeeOther {
			panic(&broken{truth: "works", says: fmt.Sprintf("a booking got %d: %s", a.status, visible(a.body))})
		}
		b.own = strings.TrimSuffix(a.to, "/booked")
		m := numberIn.FindStringSubmatch(p.get(a.to).body)
		if m == nil {
			panic(&broken{truth: "works", says: "the page after booking names no number"})
		}
		b.number = strings.ReplaceAll(m[1], "-", "")
	}
	p.add(b)
}

var numberIn = regexp.MustCompile(`\b([0-9A-Z]{3}-[0-9A-Z]{3}-[0-9A-Z])\b`)

// writes makes a customer's words findable.
func (p *play) writes(b *book, words string, r *rand.Rand) string {
	mark := fmt.Sprintf("qq%dx%d", b.id, r.IntN(1e9))
	b.texts = append(b.texts, mark)
	return words + " " + mark
}
