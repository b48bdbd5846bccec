package templates

import (
	"cmp"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// ChoosePage is the page on which a customer chooses what is to happen after a missed promise, or reads what
// was chosen.
type ChoosePage struct {
	Page
	Number, Device string
	// Act is where the form is sent, Track the job's page.
	Act, Track string
	Digest     string
	// Missed says what was missed; Why and Date are the bench's words and the new date.
	Missed, Why, Date string
	// Until says until when, Silence what no answer means.
	Until, Silence string
	// Open: it can be chosen. Otherwise Done and DoneMore say what became of it.
	Open           bool
	Done, DoneMore string
	// Choice and Read are what was sent, kept after a refusal.
	Choice workflow.DelayChoice
	Read   bool
	Errors []FieldError
}

// Template implements [View].
func (*ChoosePage) Template() string { return "customer/choose.html" }

// ErrorFor returns the sentence about a field of the form.
func (p *ChoosePage) ErrorFor(field string) string { return ErrorFor(p.Errors, field) }

// ChooseOf makes the page about a delay. The link's token is in its addresses.
func ChooseOf(page Page, j *workflow.Job, d *workflow.Delay, shop *workflow.Shop, now time.Time, token string) *ChoosePage {
	w := page.Words()
	m := &statusMaker{j, shop, now, w, zoneOf(shop)}
	page.Title = w.T("choose.title")
	v := &ChoosePage{
		Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Act: "/c/" + token, Track: "/j/" + token, Digest: d.Digest,
		Missed: w.T("choose.missed", m.day(j.MissedDate(shop, d.Promise))), Why: cmp.Or(d.Reason.Text, w.T("choose.why.default")), Date: NewDate(d, shop, now, w),
		Open: d.Open(m.now) && !j.Ended(),
	}
	if v.Open {
		v.Until, v.Silence = w.T("choose.until", m.day(d.AnswerBy)), w.T("choose.silence."+string(d.Silence))
		return v
	}
	key := "choose.overtaken"
	switch {
	case d.Choice != "" && d.Unanswered:
		key = "choose.silent." + string(d.Choice)
	case d.Choice != "":
		key = "choose.done." + string(d.Choice)
	}
	v.Done, v.DoneMore = w.T(key, m.day(d.AnswerBy)), w.T(key+".more")
	v.Title = v.Done
	return v
}

// NewDate says the date that takes the missed one's place.
func NewDate(d *workflow.Delay, shop *workflow.Shop, now time.Time, w *locale.Words) string {
	if d.NewBy.IsZero() {
		return w.T("choose.date.unknown")
	}
	return w.T("choose.date.by", w.DayAsOf(d.NewBy, now, zoneOf(shop)))
}

// levelWords says what a level of service promises, and what it costs.
func levelWords(l *workflow.Level, shop *workflow.Shop, w *locale.Words) string {
	promise := w.T("level.date")
	if l.Promise != (promiseclock.Quota{}) {
		promise = quotaWords(l.Promise, shop, time.Time{}, w)
	}
	price := w.T("level.free")
	if l.Fee != nil {
		price = w.T("level.price", w.Money(feeOf(l.Fee, shop)))
	}
	return promise + ", " + price
}

// quotaWords says what is promised on arrival.
func quotaWords(q promiseclock.Quota, shop *workflow.Shop, now time.Time, w *locale.Words) string {
	switch {
	case q.WorkingDays > 0:
		return w.T("level.days", q.WorkingDays)
	case q.WorkingHours > 0:
		return w.T("level.hours", q.WorkingHours.String())
	}
	return w.T("when.by", w.DayAsOf(q.By, now, zoneOf(shop)))
}

func feeOf(l *money.Line, shop *workflow.Shop) money.Amount {
	a, err := money.Exact(l.UnitPrice, shop.Currency)
	if err != nil {
		return money.Amount{} // finer than a coin: the settings refuse it
	}
	return a
}

// LevelChoice is a level of service that a form offers.
type LevelChoice struct {
	Key, Name, Words, Text string
	ByDate                 bool
}

// LevelChoices returns what the shop offers, the usual one first.
func LevelChoices(shop *workflow.Shop, w *locale.Words) []LevelChoice {
	var out []LevelChoice
	for i := range shop.Levels {
		l := &shop.Levels[i]
		out = append(out, LevelChoice{l.Key, l.Named(w.Lang), levelWords(l, shop, w), l.Text, l.ByDate})
	}
	return out
}
