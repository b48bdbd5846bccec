package counter

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/promiseclock"

	"github.com/gofiber/fiber/v2"
)

// jobPage is a job's page at the counter.
type jobPage struct {
	jobBase
	templates.JobView
	// Alerts are what must not be overlooked.
	Alerts []alert
	// Tasks belong to the stage; More are always there.
	Tasks, More []todo
	Moves       []moveView
	// Bar holds the one or two steps at hand: it stays within reach of the thumb.
	Bar []barStep

	Screening []string
	Condition string
	Tried     string
	Photos    []templates.PhotoView
	Findings  []findingRow // in place of the view's
	Duties    []dutyRow
	Reports   []templates.ReportLink
	Quotes    []revision
	Work      []doneView
	Tests     []testView
	Letters   []templates.LetterView
	Accounts  []accountView
	// Forecast is what the shop's history says, nil for a job that is not on its way.
	Forecast *forecastView
	Targets  []targetView
	Payments []doneView
	Notices  []noticeView
	// Told says which mails the customer wants.
	Told string
}

func (*jobPage) Template() string { return "job.html" }

// alert is something that must not be overlooked, with where to deal with it.
type alert struct {
	Kind, Words string
	URL, Link   string
}

// doneView is something done: what, when, by whom.
type doneView struct {
	Text, When, By string
	Photos         []templates.PhotoView
}

// accountView is the open time on somebody's account.
type accountView struct{ Name, Time string }

// jobPageOf makes the job's page. Entries are its notices as the outbox has them.
func jobPageOf(base jobBase, j *workflow.Job, entries []workflow.Entry, shop *workflow.Shop, now time.Time) *jobPage {
	k := newClock(shop, now)
	urls := photoURLs(j)
	v := &jobPage{jobBase: base, JobView: templates.JobViewOf(j, shop, now, base.Card.URL, urls), Condition: j.Condition.Text, Photos: photoViews(j, shop)}
	if t := j.Reproduction; t != nil {
		v.Tried = "Does the fault show? " + strings.ToUpper(reproducedWords[t.Result][:1]) + reproducedWords[t.Result][1:] + "."
		if t.Why != "" {
			v.Tried = "The fault was not tried: " + notTriedWords[t.Why] + "."
		}
		if t.Note.Text != "" {
			v.Tried += " " + t.Note.Text
		}
	}
	if s := j.Screening; s != nil {
		v.Screening = screeningWords(s, shop)
	}
	for i := range j.Findings {
		f := &j.Findings[i]
		v.Findings = append(v.Findings, findingRow{
			v.JobView.Findings[i], base.To("finding/" + itoa(f.ID)), originWords[f.Origin], certaintyWords[f.Certainty], f.Reason.Text,
		})
	}
	v.Duties = k.duties(j)
	for i := range j.Reports {
		r := &j.Reports[i]
		v.Reports = append(v.Reports, templates.ReportLink{Number: r.Number, URL: base.To("report/" + itoa(r.Number)), Sent: k.at(r.SentAt), Short: r.Short})
	}
	for i := range slices.Backward(j.Quotes) {
		v.Quotes = append(v.Quotes, k.quote(j, &j.Quotes[i]))
	}
	for _, x := range j.Work {
		v.Work = append(v.Work, doneView{Text: x.Text, When: k.at(x.At), Photos: templates.PhotosOf(j, x.Photos, k.w, k.loc, urls)})
	}
	v.Tests = k.tests(j)
	for _, m := range j.Messages {
		l := templates.LetterView{ID: m.ID, Mine: m.FromCustomer(), Who: base.Card.Person, When: k.at(m.At), Text: m.Text.Text, Question: m.Question && !m.Answered}
		if !l.Mine {
			l.Who = cmp.Or(m.By.ID, roleWords[m.By.Role])
		}
		if l.Mine {
			l.Came, l.Flag = k.cameOf(j, &m), k.doubtWords(&m)
		}
		if m.Text.Erased() {
			l.Text = "(erased)"
		}
		v.Letters = append(v.Letters, l)
	}
	for _, p := range j.Payments {
		v.Payments = append(v.Payments, doneView{Text: strings.TrimPrefix(paymentWords[p.Kind]+": ", ": ") + k.w.Money(p.Amount) + ", " + p.How, When: k.at(p.At)})
	}
	v.Accounts = k.accounts(j)
	v.Targets = k.targets(j)
	v.Notices, v.Told = k.notices(j, entries), toldWords[j.Choice()]
	v.Alerts = slices.Concat(k.promiseAlerts(j, base), k.alertsOf(j, base))
	v.Tasks, v.More = k.tasks(j, base)
	v.Moves = movesOf(j, shop, base)
	v.Bar = barOf(j, v)
	return v
}

// accounts says whose open time it was since the first promise.
func (k clockOf) accounts(j *workflow.Job) []accountView {
	if len(j.Promises) == 0 {
		return nil
	}
	end := k.now
	if j.Ended() {
		end = j.EndedAt
	}
	a := j.Turnaround(k.shop, &j.Promises[0]).Accounts(end)
	var out []accountView
	for _, who := range []promiseclock.Account{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
		if d := a.Of(who); d > 0 || who == promiseclock.AccountBench {
			out = append(out, accountView{accountWords[who], span(d)})
		}
	}
	return out
}

func screeningWords(s *workflow.Screening, shop *workflow.Shop) []string {
	var out []string
	for _, q := range []struct {
		words string
		a     workflow.Answer
	}{{"lithium cell or battery", s.Lithium}, {"cell swollen, pierced, hot or leaking", s.CellDamaged}, {"connects to the mains", s.Mains}, {"traces of liquid", s.Liquid}} {
		out = append(out, q.words+": "+answerWords[q.a])
	}
	for _, h := range s.Hazards {
		out = append(out, shop.Trade().SayHazard("en", h))
	}
	if s.Note.Text != "" {
		out = append(out, s.Note.Text)
	}
	return out
}

func (k clockOf) alertsOf(j *workflow.Job, base jobBase) []alert {
	shop := k.shop
	var out []alert
	if n := len(j.Undelivered()); n > 0 {
		words := "An email did not arrive. Telephone the customer."
		if n > 1 {
			words = fmt.Sprintf("%d emails did not arrive. Telephone the customer.", n)
		}
		out = append(out, alert{"mail", words, "#notices", "Which email"})
	}
	if j.DeadAddress != "" && j.DeadAddress == j.Customer.Email.Digest && j.Erased.IsZero() {
		out = append(out, alert{"mail", "The email address doesn’t work. Ask for the right one on the telephone.", base.To("customer"), "Correct it"})
	}
	if m := j.OpenQuestion(); m != nil {
		words := "The customer asked about the quote: "
		if how := cameWords[j.Came(m)]; how != "" {
			words = "The customer asked about the quote, " + how + ": "
		}
		out = append(out, alert{"question", words + m.Text.Text, base.To("letters") + "#form", "Answer"})
	} else if m := j.Unanswered(); m != nil {
		words := "The customer wrote: "
		if how := cameWords[j.Came(m)]; how != "" {
			words = "The customer wrote, " + how + ": "
		}
		out = append(out, alert{"question", words + m.Text.Text, base.To("letters") + "#form", "Answer"})
	}
	switch a := j.Arrival; {
	case !j.Unarrived():
	case a != nil:
		out = append(out, alert{"arrival", k.arrival(j) + " Ask the carrier, and write to the customer.", base.To("arrival"), "It has arrived"})
	default:
		out = append(out, alert{"arrival", "The parcel should have been there by " + k.day(j.ArriveDay(shop)) + ", and nobody has said that it is.", base.To("arrival"), "Has it arrived?"})
	}
	if m := j.Doubt(); m != nil && !j.Ended() {
		out = append(out, alert{"redirect", k.doubtWords(m), base.To("letters") + "#letter-" + itoa(m.ID), "Which message"})
	}
	if x := j.OpenChange(); x != nil {
		words := "The customer asks for a change on their page, and hasn’t confirmed it yet: "
		if j.Customer.Email.Text == "" {
			words = "The customer asks for a change on their page. Telephone them to confirm it: "
		}
		out = append(out, alert{"redirect", words + strings.Join(templates.ChangeLines(x, k.w), "; ") + ".", base.To("customer"), "The change"})
	}
	if j.Unconfirmed() {
		out = append(out, alert{"mail", "Booked on the web, and the email address isn’t confirmed yet. The job stands on no board until it is, and goes a week after it was booked.", "", ""})
	}
	switch s := j.Screening; {
	case s != nil && s.CellDamaged == workflow.Yes:
		out = append(out, alert{"danger", "A damaged cell came in. Keep it apart, on something that does not burn; it is never posted.", "", ""})
	case s.CellInDoubt():
		out = append(out, alert{"danger", "Nobody can tell whether the cell is sound. Keep it apart, look at it first, and answer the safety screening; until then it counts as damaged.", base.To("intake"), "Answer"})
	}
	for _, d := range j.Dangers(shop) {
		f := j.Finding(d.Finding)
		if f == nil || j.Ended() {
			continue // the screening's own says it above
		}
		out = append(out, alert{"danger", fmt.Sprintf("Dangerous: %s. %s, %s.", strings.TrimSuffix(f.Text, "."), d.Text, dutyWords[d.Before]), base.To("duties"), "Duties"})
	}
	if s := j.Screening; s != nil && s.Mains.Taken() && !j.Ended() {
		words := "Mains device. "
		if s.Mains == workflow.Unknown {
			words = "Perhaps a mains device; treat it as one until somebody says no. "
		}
		out = append(out, alert{"caution", words + shop.Trade().Care("en", "charged") + " Local rules and licensed practice come first.", "", ""})
	}
	if s := j.Screening; s != nil && !j.Ended() {
		for _, id := range s.Hazards {
			if h := shop.Trade().Hazard(id); h != nil {
				out = append(out, alert{"danger", shop.Trade().SayHazard("en", id) + ". " + shop.Trade().Care("en", h.Caution), base.To("duties"), "Duties"})
			}
		}
	}
	if q := j.Quote(); q != nil && q.State == workflow.RevisionExpired && j.Stage == workflow.StageAwaitingApproval {
		out = append(out, alert{"quote", "The quote ran out without an answer. Send a new one, or telephone.", base.To("quote"), "New quote"})
	}
	return out
}

// promiseAlerts are what must not be overlooked about a promise.
func (k clockOf) promiseAlerts(j *workflow.Job, base jobBase) []alert {
	var out []alert
	add := func(kind, words, path, link string) {
		a := alert{Kind: kind, Words: words}
		if base.Counter {
			a.URL, a.Link = base.To(path), link
		}
		out = append(out, a)
	}
	p, d := j.Promise(), j.Delay()
	if p != nil && p.BreachedAt.IsZero() && !j.Ended() {
		if p.Risk > 0 {
			add("promise", fmt.Sprintf("By this shop’s own history the promised date will probably be missed (%d %%).", p.Risk), "promise", "Move the date")
		}
		if p.Warned > 0 {
			words := fmt.Sprintf("More than %d %% of the promised working time is used.", p.Warned)
			if left, ok := j.Turnaround(k.shop, p).Remaining(k.now); ok {
				words = fmt.Sprintf("More than %d %% of the promised working time is used; %s are left.", p.Warned, span(left))
			}
			add("promise", words, "delay", "Write down why, in case it is missed")
		}
	}
	switch {
	case j.Unexplained():
		add("promise", "The promised date was missed, and the customer has only read that the work takes longer.", "delay", "Say why, and give a date")
	case j.ToChoose(k.now) != nil:
		add("promise", "The customer can choose until "+k.at(d.AnswerBy)+": wait, or have it back. No answer means: "+delayWords[d.Silence]+".", "delay", "Write down a telephone answer")
	case d != nil && d.Choice == workflow.DelayReturn && !j.Ended():
		out = append(out, alert{Kind: "promise", Words: "The customer wants it back unrepaired, at no cost: close it up, check that it is safe, send it back."})
	}
	if words, late := k.tellBy(j); words != "" {
		kind := "promise"
		if late {
			kind = "safety"
		}
		add(kind, "The parcel came damaged: the carrier "+words+".", "damage", "Write it down, tell them")
	}
	for _, t := range j.LateTargets() {
		out = append(out, alert{Kind: "promise", Words: locale.Capital(targetWords[t]) + " is late."})
	}
	return out
}

func (x *counter) showJob(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	entries, err := x.s.Service().Entries(c.UserContext(), r.job.Number)
	if err != nil {
		return err
	}
	r.base.Title = r.base.Card.Number + " · " + r.base.Card.Device
	r.form.Act = r.base.To("move")
	v := jobPageOf(r.base, r.job, entries, x.s.Shop(), x.s.Now())
	v.Forecast = forecastViewOf(x.s.Forecast(), r.job, x.s.Shop(), x.s.Now())
	return x.render(c, fiber.StatusOK, v)
}
