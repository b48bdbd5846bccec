package shopyears

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"
)

// act gives a command at the bench or the counter, through the interface. It reports whether it was taken.
func (p *play) act(role workflow.Role, b *book, action string, body any) bool {
	p.commands++
	a := p.call(role, http.MethodPost, "/"+b.number+"/"+action, body, nil)
	return a.status < 300
}

func (p *play) bench(b *book, action string, body any) bool {
	return p.act(workflow.RoleBench, b, action, body)
}

func (p *play) counter(b *book, action string, body any) bool {
	return p.act(workflow.RoleCounter, b, action, body)
}

// goes moves a job.
func (p *play) goes(b *book, to, outcome, reason string) bool {
	ok := p.counter(b, "move", workflow.Go{To: workflow.Stage(to), Outcome: workflow.Outcome(outcome), Reason: reason})
	if ok {
		b.moved(to)
		if to == "testing" || to == "shipped" || to == "withdrawn" {
			switch {
			case outcome != "":
				b.outcome = outcome
			case b.outcome == "" && to != "withdrawn":
				b.outcome = "repaired"
			}
		}
	}
	return ok
}

// inner makes words that no customer may ever read.
func (b *book) inner(r *rand.Rand, words string) string {
	mark := fmt.Sprintf("zz%dinner%d", b.id, r.IntN(1e9))
	b.silent = append(b.silent, mark)
	return words + " " + mark
}

func cents(n int64) money.Amount { return money.Amount{Minor: n, Currency: "CAD"} }

func price(n int64) string { return fmt.Sprintf("%d.%02d", n/100, n%100) }

// total is what an option comes to: with the level's line, and with tax.
func (p *play) total(b *book, kind string, net int64) int64 {
	if b.level == "express" && kind == "repair" {
		net += 3000
	}
	if p.cfg.Prices == money.BeforeTax {
		net += (net*15 + 50) / 100
	}
	return net
}

// quotes issues a quote of one to three options above a sum.
func (p *play) quotes(b *book, r *rand.Rand, above int64) bool {
	type line struct {
		Kind      string `json:"kind"`
		Text      string `json:"text"`
		Quantity  string `json:"quantity"`
		UnitPrice string `json:"unit_price"`
		Tax       string `json:"tax"`
	}
	type way struct {
		Kind        string `json:"kind"`
		Title       string `json:"title"`
		Lines       []line `json:"lines"`
		Deposit     string `json:"deposit,omitempty"`
		WorkingDays int    `json:"working_days,omitempty"`
	}
	q := &quote{state: "open", n: 1}
	if b.q != nil {
		q.n = b.q.n + 1
	}
	days := pick(r, 0, 0, 3)
	body := struct {
		Options []way  `json:"options"`
		Reason  string `json:"reason,omitempty"`
		Days    int    `json:"days,omitempty"`
	}{Days: days}
	if q.n > 1 {
		body.Reason = "Things changed."
	}
	for i := range 1 + r.IntN(3) {
		kind, net := "repair", above+int64(1000+r.IntN(20000))
		if i == 2 && above == 0 {
			kind, net = "recycle", 0
		}
		o := option{key: string(rune('A' + i)), kind: kind, total: p.total(b, kind, net)}
		w := way{Kind: kind, Title: "Way " + o.key, Lines: []line{{"labour", "Bench time", "1", price(net), "hst"}}, WorkingDays: pick(r, 0, 0, 4)}
		if kind == "repair" && r.IntN(5) == 0 {
			o.deposit = 500
			w.Deposit = "5.00 CAD"
		}
		q.options = append(q.options, o)
		body.Options = append(body.Options, w)
	}
	if !p.counter(b, "quote", body) {
		return false
	}
	if days == 0 {
		days = p.cfg.QuoteDays
	}
	q.expires = p.clock.Now().Add(time.Duration(days) * 24 * time.Hour).Truncate(time.Second)
	d := p.doc(b)
	last := d.Quotes[len(d.Quotes)-1]
	q.digest = last.Digest
	for i, o := range last.Options {
		if got := sum(o.Result.Total); got != q.options[i].total {
			panic(&broken{truth: "one sum", says: fmt.Sprintf("option %s comes to %s, and should to %s", o.Key, o.Result.Total, price(q.options[i].total))})
		}
	}
	b.q, b.said, b.wonders = q, "", false
	return true
}

// staff are the habits of the bench and the counter.
var staff = []habit{
	{"opens the parcel", 12, at("booked"), func(p *play, b *book, r *rand.Rand) { p.opens(b, r) }},
	{"unpacks what was handed in", 12, func(p *play, b *book) bool { return b.stage == "received" && !b.packed }, func(p *play, b *book, r *rand.Rand) { p.unpacks(b, r) }},
	{"looks at it", 12, at("received"), func(p *play, b *book, r *rand.Rand) {
		p.unpacks(b, r)
		p.bench(b, "condition", workflow.NoteCondition{Text: "Good, with a scratch."})
		p.bench(b, "fault", workflow.TryFault{Result: workflow.FaultReproduced})
		p.goes(b, "diagnosing", "", "")
	}},
	{"checks", 8, at("diagnosing", "repairing"), func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "checks", workflow.DoCheck{NewSuspect: "The lamp", Check: workflow.Check{Text: "Looked at it", Outcome: workflow.CheckConfirmed}}) {
			b.began()
		}
	}},
	{"suspects something", 2, at("diagnosing", "repairing"), func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "suspects", workflow.NameSuspect{Text: "The gear"})
	}},
	{"takes a photo away", 1, func(p *play, b *book) bool { return b.packed && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "photo-removal", workflow.RemovePhoto{ID: 1, Reason: b.inner(r, "Shows a face")})
	}},
	{"finds something", 5, at("diagnosing", "repairing"), func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "findings", workflow.NoteFinding{Finding: workflow.Finding{Text: "The fan has seized", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	}},
	{"reports", 6, at("diagnosing"), func(p *play, b *book, r *rand.Rand) {
		p.reports(b)
	}},
	{"reports and quotes", 14, at("diagnosing"), func(p *play, b *book, r *rand.Rand) {
		p.reports(b)
		if p.quotes(b, r, 0) {
			p.goes(b, "awaiting_approval", "", "")
		}
	}},
	{"quotes and waits", 1, func(p *play, b *book) bool { return b.stage == "diagnosing" && b.yes == nil }, func(p *play, b *book, r *rand.Rand) { p.quotes(b, r, 0) }},
	{"sends the quote on", 8, func(p *play, b *book) bool {
		return b.stage == "diagnosing" && b.q != nil && b.q.state == "open"
	}, func(p *play, b *book, r *rand.Rand) {
		p.goes(b, "awaiting_approval", "", "")
	}},
	{"goes ahead within the limit", 8, func(p *play, b *book) bool {
		return b.stage == "diagnosing" && b.limit > 0 && b.q != nil && b.q.state == "open"
	}, func(p *play, b *book, r *rand.Rand) {
		if p.goes(b, "repairing", "", "") {
			i := slices.IndexFunc(b.q.options, func(o option) bool { return o.kind == "repair" && o.total <= b.limit })
			if i < 0 {
				panic(&broken{truth: "charged as agreed", says: "the bench went ahead above the limit"})
			}
			b.before, b.yes, b.said, b.q.state, b.queued, b.within = b.yes, &b.q.options[i], "within", "approved", true, true
			b.most = max(b.most, b.yes.total)
			p.once("within the limit")
		}
	}},
	{"finds nothing", 1, at("diagnosing"), func(p *play, b *book, r *rand.Rand) {
		o := pick(r, "no_fault_found", "cured_outside", "beyond_repair")
		p.goes(b, "testing", o, "It was the fuse.")
	}},
	{"takes the quote back", 1, at("awaiting_approval"), func(p *play, b *book, r *rand.Rand) {
		if p.counter(b, "quote-withdrawal", workflow.WithdrawQuote{Reason: "A mistake."}) {
			b.q.state, b.wonders = "withdrawn", false
			b.moved("diagnosing")
		}
	}},
	{"goes back to the bench", 2, at("awaiting_approval"), func(p *play, b *book, r *rand.Rand) { p.goes(b, "diagnosing", "", "To look again.") }},
	{"quotes anew", 2, at("awaiting_approval"), func(p *play, b *book, r *rand.Rand) {
		above := int64(0)
		if b.yes != nil {
			above = b.yes.total
		}
		p.quotes(b, r, above)
	}},
	{"writes down a telephone answer", 3, func(p *play, b *book) bool { return b.open(p.clock.Now()) }, func(p *play, b *book, r *rand.Rand) {
		type said struct {
			Verdict string `json:"verdict"`
			Digest  string `json:"digest"`
			Option  string `json:"option,omitempty"`
			Name    string `json:"name,omitempty"`
			Words   string `json:"words,omitempty"`
			Round   int    `json:"round,omitempty"`
		}
		verdict := pick(r, "approve", "decline", "ask")
		x := said{Verdict: verdict, Digest: b.q.digest, Name: b.name, Round: b.q.undone}
		var o *option
		switch verdict {
		case "approve":
			o = &b.q.options[r.IntN(len(b.q.options))]
			x.Option = o.key
		case "ask":
			x.Words = p.writes(b, "Why so much?", r)
		}
		switch ok := p.counter(b, "decision", x); {
		case !ok:
			panic(&broken{truth: "what is asked can be answered", says: "a telephone answer to an open quote was refused"})
		case verdict == "ask":
			b.wonders, b.asks = true, false
		default:
			b.answered(verdict, o)
		}
		p.once("telephone " + verdict)
	}},
	{"takes an answer back by telephone", 2, func(p *play, b *book) bool { return b.said != "" && b.queued || b.where() == "recycling" }, func(p *play, b *book, r *rand.Rand) {
		if p.counter(b, "decision-undo", workflow.UndoDecision{Digest: b.q.digest, Round: b.q.undone}) {
			b.tookBack()
			p.once("answer taken back")
		}
	}},
	{"writes down a choice by telephone", 3, func(p *play, b *book) bool { return b.late && b.chose == "" }, func(p *play, b *book, r *rand.Rand) {
		d := p.doc(b).Delays
		choice := workflow.DelayChoice(pick(r, "agree", "agree", "return"))
		if !p.counter(b, "delay-choice", workflow.AnswerDelay{Choice: choice, Digest: d[len(d)-1].Digest}) {
			panic(&broken{truth: "what is asked can be answered", says: "a choice by telephone was refused", job: b.id})
		}
		p.once("chose " + string(choice))
	}},
	{"takes a finding back", 1, func(p *play, b *book) bool { return b.here() && b.stage != "received" }, func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "finding-withdrawal", workflow.WithdrawFinding{ID: 1 + r.IntN(3), Reason: "It was dust."})
	}},
	{"raises a duty", 1, func(p *play, b *book) bool { return b.here() }, func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "duties", workflow.RaiseDuty{Duty: workflow.Duty{Text: "Fit the screw.", Before: pick(r, workflow.StageTesting, workflow.StageShipped)}})
	}},
	{"settles its duties", 6, func(p *play, b *book) bool { return b.here() && b.stage != "received" }, func(p *play, b *book, r *rand.Rand) {
		for id := range 6 {
			if r.IntN(4) == 0 {
				p.counter(b, "duty-waiver", workflow.WaiveDuty{ID: id + 1, Reason: "It is not needed."})
			} else {
				p.bench(b, "duty-done", workflow.DoDuty{ID: id + 1})
			}
		}
	}},
	{"starts a test", 1, at("testing"), func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "test-start", workflow.BeginTest{Name: "Power-on"}) {
			b.began()
		}
	}},
	{"chooses another level", 2, func(p *play, b *book) bool { return len(p.cfg.Levels) > 0 && !b.ended && b.q == nil }, func(p *play, b *book, r *rand.Rand) {
		to := pick(r, "standard", "express")
		if p.counter(b, "level", workflow.ChooseLevel{Level: to, Reason: "As you asked."}) {
			b.level = to
		}
	}},
	{"sees to an email that did not arrive", 4, func(p *play, b *book) bool { return b.lost && !b.erased }, func(p *play, b *book, r *rand.Rand) {
		for _, n := range p.doc(b).Notices {
			if n.BuriedAt.IsZero() && n.BouncedAt.IsZero() {
				continue
			}
			if r.IntN(2) == 0 {
				p.counter(b, "notice-again", workflow.SendAgain{ID: n.ID})
			} else {
				p.counter(b, "notice-told", workflow.NoteTold{ID: n.ID})
			}
		}
	}},
	{"begins", 8, func(p *play, b *book) bool { return b.queued }, func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "begin", workflow.Begin{}) {
			b.began()
		}
	}},
	{"works", 10, at("repairing"), func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "work", workflow.DoWork{Text: "Renewed the lamp."}) {
			b.began()
		}
	}},
	{"takes a photo", 2, at("repairing", "testing", "diagnosing"), func(p *play, b *book, r *rand.Rand) {
		if p.commands++; p.photo(b.number, "other").status < 300 {
			b.began()
		}
	}},
	{"quotes further", 3, func(p *play, b *book) bool { return b.stage == "repairing" && b.yes != nil }, func(p *play, b *book, r *rand.Rand) {
		p.bench(b, "findings", workflow.NoteFinding{Finding: workflow.Finding{Text: "The gear is worn too", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
		if p.quotes(b, r, b.yes.total) {
			p.once("further quote")
			p.goes(b, "awaiting_approval", "", "")
		}
	}},
	{"did not cure it", 1, at("repairing"), func(p *play, b *book, r *rand.Rand) { p.goes(b, "diagnosing", "", "It came back.") }},
	{"brings it to the test bench", 10, at("repairing"), func(p *play, b *book, r *rand.Rand) { p.goes(b, "testing", "", "") }},
	{"tests", 12, at("testing"), func(p *play, b *book, r *rand.Rand) {
		for _, name := range []string{"Power-on", workflow.SafetyTest} {
			if p.bench(b, "tests", workflow.DoTest{Test: workflow.Test{Name: name, Passed: r.IntN(8) > 0}}) {
				b.began()
			}
		}
	}},
	{"fails it", 1, at("testing"), func(p *play, b *book, r *rand.Rand) {
		p.goes(b, pick(r, "repairing", "diagnosing"), "", "The test failed.")
	}},
	{"says that it is ready", 8, func(p *play, b *book) bool { return b.stage == "testing" && !b.ready }, func(p *play, b *book, r *rand.Rand) {
		if p.counter(b, "ready", workflow.DeclareReady{}) {
			b.ready = true
			b.began()
		}
	}},
	{"packs", 10, func(p *play, b *book) bool { return b.stage == "testing" && !b.prepared }, func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "packing", workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}}}) {
			b.began()
		}
		s := workflow.PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA"}
		if r.IntN(3) == 0 {
			s = workflow.PrepareShipment{InPerson: true}
		}
		if p.bench(b, "shipment", s) {
			b.prepared, b.inPerson = true, s.InPerson
			b.began()
		}
	}},
	{"posts it", 12, func(p *play, b *book) bool { return b.stage == "testing" && b.prepared }, func(p *play, b *book, r *rand.Rand) { p.goes(b, "shipped", "", "") }},
	{"cancels", 1, at("booked"), func(p *play, b *book, r *rand.Rand) { p.goes(b, "withdrawn", "cancelled", "It never came.") }},
	{"takes money in", 8, func(p *play, b *book) bool { return !b.erased && b.balance() > 0 }, func(p *play, b *book, r *rand.Rand) {
		n := pick(r, b.balance(), b.balance(), max(1, b.balance()/3))
		if p.counter(b, "payments", workflow.RecordPayment{Amount: price(n), How: "transfer"}) {
			was := b.deposit()
			b.paid += n
			if b.hold == "payment" && b.stage == "repairing" && was > 0 && b.deposit() == 0 {
				b.hold = ""
			}
		}
	}},
	{"pays money back", 2, func(p *play, b *book) bool { return !b.erased && b.balance() < 0 }, func(p *play, b *book, r *rand.Rand) {
		if p.counter(b, "payments", workflow.RecordPayment{Amount: "-" + price(-b.balance()), How: "transfer"}) {
			b.paid += b.balance()
			p.once("refund")
		}
	}},
	{"charges less", 1, func(p *play, b *book) bool { return b.stage == "testing" && b.charge() > 0 }, func(p *play, b *book, r *rand.Rand) {
		n := b.charge() / 2
		if p.counter(b, "charge", workflow.SetCharge{Amount: price(n), Reason: "It went faster."}) {
			b.lowered = n
		}
	}},
	{"puts it on hold", 2, func(p *play, b *book) bool { return b.here() && b.hold == "" }, func(p *play, b *book, r *rand.Rand) {
		why := pick(r, "parts", "customer", "carrier", "payment")
		if p.bench(b, "hold", workflow.PlaceHold{Reason: workflow.HoldReason(why)}) {
			if b.hold = why; why == "parts" {
				b.began()
			}
		}
	}},
	{"goes on", 6, func(p *play, b *book) bool { return b.here() && b.hold != "" }, func(p *play, b *book, r *rand.Rand) {
		if p.bench(b, "hold-end", workflow.LiftHold{}) {
			b.hold = ""
		}
	}},
	{"tells a new date", 1, func(p *play, b *book) bool { return !b.ended && b.stage != "booked" }, func(p *play, b *book, r *rand.Rand) {
		p.counter(b, "promise", workflow.MovePromise{Days: 1 + r.IntN(8), Reason: "A part is late."})
	}},
	{"says why it is late", 2, func(p *play, b *book) bool { return !b.ended && b.stage != "booked" }, func(p *play, b *book, r *rand.Rand) {
		p.counter(b, "delay", workflow.ExplainDelay{Reason: "We were ill.", Days: pick(r, 0, 2, 6)})
	}},
	{"writes a letter", 4, func(p *play, b *book) bool { return !b.erased && b.number != "" }, func(p *play, b *book, r *rand.Rand) {
		asks := r.IntN(3) == 0
		if p.counter(b, "messages", workflow.SendMessage{Text: pick(r, "All is well.", "Does it hum when cold?"), Question: asks}) {
			b.wonders = false
			b.asks = b.asks || asks
		}
	}},
	{"emails the link", 1, func(p *play, b *book) bool { return !b.erased }, func(p *play, b *book, r *rand.Rand) { p.counter(b, "link", workflow.AskLink{}) }},
	{"ends all links", 1, func(p *play, b *book) bool { return !b.erased && b.id%4 == 0 }, func(p *play, b *book, r *rand.Rand) {
		if p.counter(b, "link-revocation", workflow.RevokeLinks{}) {
			b.own, b.shared, b.phone = "", "", ""
			clear(b.links)
		}
	}},
	{"corrects the address", 2, func(p *play, b *book) bool { return !b.erased && !b.ended && b.dead }, func(p *play, b *book, r *rand.Rand) {
		to := fmt.Sprintf("n%d-%d@post.example", b.id, r.IntN(1e6))
		if p.counter(b, "customer", workflow.ChangeCustomer{Person: workflow.Person{Name: b.name, Email: to, Address: b.street, Language: b.lang}}) {
			b.email, b.dead, b.own, b.shared, b.phone = to, false, "", "", ""
			clear(b.links)
			p.once("bounce then new address")
		}
	}},
	{"two at once", 2, func(p *play, b *book) bool { return !b.erased && !b.ended }, func(p *play, b *book, r *rand.Rand) {
		tag := fmt.Sprintf(`"%d"`, p.doc(b).Version)
		ok := 0
		for range 2 { // both have read the same job
			p.commands++
			if p.call(workflow.RoleCounter, http.MethodPost, "/"+b.number+"/messages", workflow.SendMessage{Text: "All is well."}, nil, "If-Match", tag).status < 300 {
				ok++
			}
		}
		if ok > 1 {
			panic(&broken{truth: "nobody overwrites", says: "two people at one job both changed what they had read before"})
		}
		if ok > 0 {
			b.wonders = false
		}
		p.once("two staff on one job")
	}},
	{"erases the person", 1, func(p *play, b *book) bool {
		return b.ended && !b.erased && p.clock.Now().Sub(b.gone) > 24*time.Hour
	}, func(p *play, b *book, r *rand.Rand) {
		if p.act(workflow.RoleOwner, b, "erasure", workflow.ErasePerson{}) {
			b.erased = true
			p.once("erased")
		}
	}},
	{"an email bounces", 2, func(p *play, b *book) bool { return !b.erased && !b.ended && len(b.sent) > 0 && !b.dead }, func(p *play, b *book, r *rand.Rand) {
		d := p.doc(b)
		for _, n := range slices.Backward(d.Notices) {
			if n.With == "" {
				_, err := p.svc.Do(context.Background(), workflow.Order{Job: workflow.JobNumber(b.number), By: workflow.Actor{Role: workflow.RoleSystem, ID: "inbox"}, Commands: []workflow.Command{workflow.RecordBounce{ID: n.ID, Reason: "No such mailbox.", Dead: true}}})
				if p.commands++; err == nil {
					b.dead = true
				}
				return
			}
		}
	}},
	{"the clock is set back", 1, func(p *play, b *book) bool { return p.faults }, func(p *play, b *book, r *rand.Rand) {
		p.happens()
		p.clock.Move(-time.Duration(1+r.IntN(600)) * time.Second)
	}},
	{"the power fails", 1, func(p *play, b *book) bool { return p.faults }, func(p *play, b *book, r *rand.Rand) {
		p.start() // on the same store
		p.once("killed")
	}},
}

func (p *play) reports(b *book) {
	b.reported = p.counter(b, "report", workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}}) || b.reported
}

// unpacks lists what came in, and answers what has to be asked of it.
func (p *play) unpacks(b *book, r *rand.Rand) {
	p.bench(b, "contents", workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}})
	mains := workflow.No
	if r.IntN(3) == 0 {
		mains = workflow.Yes
	}
	p.bench(b, "screening", workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: mains, Liquid: workflow.No}})
	p.photo(b.number, "arrival")
	p.commands++
	b.packed = true
}

func (p *play) opens(b *book, r *rand.Rand) {
	p.unpacks(b, r)
	p.goes(b, "received", "", "")
}
