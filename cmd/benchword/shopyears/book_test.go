package shopyears

import (
	"slices"
	"time"
)

// option is a way on as it was offered.
type option struct {
	key, kind string
	total     int64 // in cents
	deposit   int64
}

// quote is a quote as the people know it.
type quote struct {
	digest  string
	n       int // which one it is
	state   string
	options []option
	expires time.Time
	undone  int
}

// book is what the people of a job know: what they did, and what they were told in words.
type book struct {
	id             int
	number         string
	name, email    string
	lang, street   string
	own            string            // the link to the job from the newest email
	links          map[string]string // the others, by the letter in their address
	shared         string
	stage, outcome string // as the bench moved it
	inbound        bool
	queued         bool // decided, and nobody has begun
	within         bool // without asking, since it is within the limit
	ready, packed  bool
	inPerson       bool
	prepared       bool
	hold           string
	fee            int64
	level          string
	limit          int64
	q              *quote
	yes            *option // what was agreed to, and stands
	before         *option // what stood before the last answer
	no             bool    // the last answer was a no that sends it back
	said           string  // the answer to the newest quote: approve, decline, kept
	lowered        int64   // what the bench charges instead, -1 for nothing said
	paid           int64
	asks           bool // the bench asked something that nobody has answered
	wonders        bool // the customer asked something about the quote
	late           bool // an email said that a date was missed, and offered the choice
	chose          string
	told           string // the day named last in an email
	toldIf         string // and after it the day that was named on a condition
	late0          int    // how many missed dates lie before the work was done
	dead           bool   // the address takes no email
	few            bool   // the customer wants to hear only of what needs them
	erased         bool
	gone           time.Time
	sent           []string // what came by email, for a look back
	ended          bool
	most           int64  // the most that was ever agreed to
	lost           bool   // an email was given up or came back
	door           int    // for which quote the link to answer by came
	phone          string // the link by which a phone is told
	filed          string // when its papers were read last
	reported       bool
	silent         []string // words that only the bench wrote, for itself
	texts          []string // what the customer wrote: nobody may find it once they are erased
}

// charge is what the customer owes in all, by what they were told and agreed to.
func (b *book) charge() int64 {
	c := int64(0)
	switch {
	case b.chose == "return":
		return 0
	case b.yes != nil:
		c = b.yes.total
	case b.stage != "booked" && b.outcome != "cancelled":
		c = b.fee
	}
	if b.lowered >= 0 {
		c = min(c, b.lowered)
	}
	return c
}

func (b *book) balance() int64 { return b.charge() - b.paid }

// deposit is what is missing of one.
func (b *book) deposit() int64 {
	if b.yes == nil {
		return 0
	}
	return max(0, b.yes.deposit-b.paid)
}

// open reports whether a quote waits for an answer.
func (b *book) open(now time.Time) bool {
	return b.q != nil && b.q.state == "open" && b.stage == "awaiting_approval" && now.Before(b.q.expires)
}

// where is where the device is, by what happened.
func (b *book) where() string {
	switch b.stage {
	case "awaiting_approval":
		switch {
		case b.yes != nil && b.yes.kind == "recycle":
			return "recycling"
		case b.wonders:
			return "question"
		}
	case "repairing":
		switch {
		case b.queued && b.within:
			return "queued_within_limit"
		case b.queued:
			return "queued"
		}
	case "testing":
		switch {
		case b.queued:
			return "queued_return"
		case b.ready:
			return "ready"
		case b.outcome == "returned_unrepaired":
			return "closing"
		case b.outcome == "no_fault_found":
			return "no_fault"
		case slices.Contains([]string{"beyond_repair", "partly_repaired", "cured_outside"}, b.outcome):
			return b.outcome
		}
	case "shipped":
		if b.inPerson {
			return "handed_over"
		}
	case "withdrawn":
		return b.outcome
	}
	return b.stage
}

// need is what is asked of the customer, and how much where it is money.
func (b *book) need(s *shop, now time.Time) (key string, sum int64) {
	owed := b.balance()
	collect := b.prepared && b.inPerson && b.ready && b.stage == "testing"
	switch {
	case b.ended && owed > 0:
		return "owed", owed
	case b.ended:
		return "ended", -1
	case b.stage == "booked" && b.inbound:
		return "on_its_way", -1
	case b.stage == "booked":
		return "send", -1
	case b.open(now) && b.wonders:
		return "question", -1
	case b.open(now):
		return "decide", -1
	case b.asks:
		return "answer", -1
	case b.stage == "awaiting_approval" && b.q != nil && (b.q.state == "open" || b.q.state == "expired"):
		return "expired", -1
	case b.late && b.chose == "":
		return "choose", -1
	case b.hold == "customer":
		return "hold", -1
	case b.hold == "payment" && b.deposit() > 0:
		return "deposit", b.deposit()
	case collect && owed > 0:
		return "collect_pay", owed
	case collect:
		return "collect", -1
	case owed > 0 && (b.hold == "payment" || s.cfg.SettleFirst && b.stage == "testing"):
		return "pay", owed
	case owed > 0 && b.ready:
		return "owed", owed
	}
	return "nothing", -1
}

// answered takes an answer to the quote into the book.
func (b *book) answered(verdict string, o *option) {
	b.said, b.wonders = verdict, false
	switch {
	case verdict == "approve":
		b.q.state = "approved"
		b.before, b.yes, b.no, b.most = b.yes, o, false, max(b.most, o.total)
		if o.kind == "recycle" {
			return
		}
		b.stage, b.queued, b.within = "repairing", true, false
		if b.deposit() > 0 && b.hold == "" {
			b.hold = "payment"
		}
	case b.yes != nil: // what was approved before stands
		b.q.state, b.said = "declined", "kept"
		b.stage, b.queued, b.within = "repairing", true, false
	default:
		b.q.state, b.no = "declined", true
		b.stage, b.queued, b.outcome = "testing", true, "returned_unrepaired"
	}
}

// tookBack takes an answer's undoing into the book.
func (b *book) tookBack() {
	if b.said == "approve" {
		b.yes = b.before
	}
	b.q.state, b.said, b.no = "open", "", false
	b.q.undone++
	b.stage, b.queued, b.hold, b.outcome = "awaiting_approval", false, "", ""
}

// began takes into the book that the bench is at work on what was decided.
func (b *book) began() { b.queued = false }

// moved takes a move of the bench into the book.
func (b *book) moved(to string) {
	b.stage, b.queued = to, false
	switch to {
	case "repairing", "diagnosing":
		b.outcome, b.ready, b.prepared, b.inPerson, b.packed = "", false, false, false, false
	case "shipped", "withdrawn":
		b.ended, b.hold = true, ""
	}
}
