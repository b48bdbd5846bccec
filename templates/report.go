package templates

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
)

// ReportView is a findings report, in the order in which an owner wants to know: the short answer; what
// arrived; what we saw; earlier work and whether it matters; what we checked and ruled out; what we think
// is wrong and how sure we are; what we propose, its price and its date; cautions; what happens next.
// Page, mail and the counter's preview show the same view.
type ReportView struct {
	// Customer, CustomerAddress and CustomerTax stand on the paper; "" for whoever only looks.
	Customer, CustomerAddress, CustomerTax string
	W                                      *locale.Words
	Number                                 int
	Job                                    string // the job number as people read it out
	Device, Serial                         string
	Sent                                   string
	// Newer is the number of a later report, 0 if this is the latest.
	Newer int

	Short string
	// Changes says what is new against the report before, nil in the first.
	Changes *ChangesView

	Fault     string // the customer's own words
	Contents  []ContentView
	Condition string
	Does      string // the same in the bench's terms, "" where nobody said
	Tried     string // whether the fault showed at the bench
	TriedNote string
	Arrival   []PhotoView

	Seen  []FindingView
	Prior []FindingView
	Pairs []PhotoPair

	Suspects []SuspectView
	// Spared are suspects that were not checked, in one sentence; "" for none.
	Spared string

	// Proof is what had been fitted and tested when it was sent, nil for nothing.
	Proof *ProofView

	// Left are duties that were let go and come from no finding, with the reasons.
	Left []DutyView

	Cause    string
	CauseHow string // how sure we are

	Proposal string
	// Ways are the priced ways on, where a quote goes with the report.
	Ways        []WayView
	QuoteStands string // until when the quote stands
	Date        string // the promise in force

	Cautions []string

	Next string
	// Since is what came after the report, apart from it; nil where nothing did.
	Since *SinceView
	// Head is the event chain's head when the report was sent.
	Head string
}

// SinceView is what has happened since a report was sent.
type SinceView struct {
	Lines []string
	Pairs []PhotoPair
}

// WayView is an option of the quote in one line.
type WayView struct{ Key, Title, Total, Days string }

// ContentView is an item of the contents.
type ContentView struct {
	Text, Condition string
	Device          bool
	// Fate says where it went when the parcel was packed, "" before that.
	Fate string
}

// SuspectView is a candidate cause, and what was checked about it.
type SuspectView struct {
	Text string
	// Verdict is "confirmed", "ruled_out", "unclear" or "" (not checked yet); VerdictWords says it.
	Verdict      workflow.CheckOutcome
	VerdictWords string
	Checks       []CheckView
}

// CheckView is one check.
type CheckView struct {
	Text, Outcome, Reading string
	Measured               *MeasuredView
	Photos                 []PhotoView
	// See names photos that stand further up already.
	See string
}

// ReportOf makes the view of a report as it was sent: what came later stands in Since.
func ReportOf(j *workflow.Job, r *workflow.Report, shop *workflow.Shop, now time.Time, w *locale.Words, urls PhotoURLs) ReportView {
	loc, then := zoneOf(shop), j.As(r)
	show := func(ids []int) ([]PhotoView, string) { return PhotosOf(j, ids, w, loc, urls), "" }
	v := ReportView{
		Customer: j.Customer.OnPaper(), CustomerAddress: j.Customer.Address.Text, CustomerTax: j.Customer.TaxNumber.Text,
		W: w, Number: r.Number, Job: j.Number.Shown(), Device: j.Device.Name(), Serial: j.Device.Serial.Text, Sent: w.DateTime(r.SentAt, loc),
		Short: r.Short, Fault: j.Fault.Text, Contents: ContentsOf(then, w), Condition: j.Condition.Text,
		Cause: r.Cause, Proposal: r.Proposal, Head: r.Head, Next: r.Next,
	}
	if len(r.Does) > 0 {
		v.Does = w.T("report.does", strings.Join(r.Does, " · "))
	}
	if last := len(j.Reports); last > r.Number {
		v.Newer = last
	}
	if t := j.Reproduction; t != nil {
		v.Tried, v.TriedNote = triedWords(t, w), t.Note.Text
	}
	for i := range j.Photos {
		if p := &j.Photos[i]; p.Kind == workflow.PhotoArrival && !p.Removed && !p.At.After(r.SentAt) {
			v.Arrival = append(v.Arrival, photoOf(j, p, w, loc, urls))
		}
	}
	v.addFindings(then, r, shop, show)
	v.Changes = changesOf(j, r, w)
	v.Suspects = v.suspects(j, r, show)
	v.Proof = ProofOf(j, shop, r.SentAt, w, urls)
	for _, d := range then.Duties {
		if d.Waived.Text != "" && d.Finding == 0 {
			v.Left = append(v.Left, dutyView(then, d, w))
		}
	}
	v.eachPhotoOnce()
	if r.Cause != "" && r.Certainty != "" {
		v.CauseHow = w.T("cause." + string(r.Certainty))
	}
	if q := j.QuoteWith(r); q != nil {
		for i := range q.Options {
			o := optionView(&q.Options[i], w)
			v.Ways = append(v.Ways, WayView{o.Key, o.Named, o.Total, o.Days})
		}
		v.QuoteStands = w.T("report.quote.stands", w.DateTime(q.ExpiresAt, loc))
	}
	if told := j.ToldBy(shop, r.SentAt); !told.IsZero() {
		v.Date = w.T("when.by", w.DayAsOf(told, r.SentAt, loc))
	}
	v.Cautions = append(v.Cautions, CautionsOf(then, shop, w)...)
	s := StatusOf(j, shop, now, w)
	stage, last := j.StageOf(r)
	if v.Next == "" {
		v.Next = w.T("report.next." + string(stage))
		if last && j.Queued() {
			v.Next = w.T("report.next." + string(j.Standing(shop, now).Where))
		}
	}
	pairs := PairsOf(j, w, loc, urls)
	since := &SinceView{}
	for i := range pairs {
		if pairs[i].at.After(r.SentAt) {
			since.Pairs = append(since.Pairs, pairs[i])
		} else {
			v.Pairs = append(v.Pairs, pairs[i])
		}
	}
	if !last {
		since.Lines = []string{strings.TrimSpace(s.Where + ". " + s.WhereMore), s.When + "."}
	}
	if safe := madeSafe(j, w); safe != "" && madeSafe(then, w) == "" {
		since.Lines = append(since.Lines, safe)
	}
	if since.Lines != nil || since.Pairs != nil {
		v.Since = since
	}
	return v
}

// addFindings sorts the findings into what we saw and earlier work, and warns of what is dangerous.
func (v *ReportView) addFindings(j *workflow.Job, r *workflow.Report, shop *workflow.Shop, show showPhotos) {
	for _, id := range r.Findings {
		f := r.Finding(j, id)
		if f == nil {
			continue
		}
		fv := findingView(j, f, v.W, show)
		if f.PriorWork() {
			v.Prior = append(v.Prior, fv)
		} else {
			v.Seen = append(v.Seen, fv)
		}
		if f.Weight == workflow.WeightDanger && !putRight(j, f.ID, r.SentAt) {
			v.Cautions = append(v.Cautions, v.W.T("caution.danger", f.Text))
			for _, c := range dangers(j, f, shop, v.W) {
				if !slices.Contains(v.Cautions, c) {
					v.Cautions = append(v.Cautions, c)
				}
			}
		}
	}
}

// putRight reports whether all that a danger obliged to had been done at an instant.
func putRight(j *workflow.Job, finding int, at time.Time) bool {
	done := false
	for _, d := range j.Duties {
		if d.Finding != finding || d.Dropped {
			continue
		}
		if done = !d.DoneAt.IsZero() && !d.DoneAt.After(at); !done {
			return false
		}
	}
	return done
}

// eachPhotoOnce leaves a photo where it is first spoken of; further down it is named.
func (v *ReportView) eachPhotoOnce() {
	shown := map[int]bool{}
	once := func(photos []PhotoView) (fresh []PhotoView, see string) {
		var again []string
		for _, p := range photos {
			if shown[p.ID] {
				again = append(again, p.Number)
			} else {
				fresh = append(fresh, p)
			}
			shown[p.ID] = true
		}
		if again != nil {
			see = v.W.T("photo.see", v.W.List(again))
		}
		return fresh, see
	}
	v.Arrival, _ = once(v.Arrival)
	for _, list := range [][]FindingView{v.Seen, v.Prior} {
		for i := range list {
			list[i].Photos, list[i].See = once(list[i].Photos)
		}
	}
	for i := range v.Suspects {
		for k := range v.Suspects[i].Checks {
			c := &v.Suspects[i].Checks[k]
			c.Photos, c.See = once(c.Photos)
		}
	}
}

// Prose returns what the bench wrote by hand, each on a line of its own, for measuring how hard it is to read. The
// program's own sentences are plain, and would make the rest look plainer than it is.
func (v *ReportView) Prose(next string) string {
	out := []string{v.Short, v.TriedNote}
	for _, list := range [][]FindingView{v.Seen, v.Prior} {
		for _, f := range list {
			if out = append(out, f.Matters); f.Term == "" {
				out = append(out, f.Text)
			}
		}
	}
	return strings.Join(append(out, v.Cause, v.Proposal, next), "\n")
}

// ContentsOf lists what was in the parcel, and what became of it.
func ContentsOf(j *workflow.Job, w *locale.Words) []ContentView {
	var out []ContentView
	for _, it := range j.Contents {
		c := ContentView{Text: it.Text, Condition: it.Condition, Device: it.Device}
		for _, p := range j.Packed {
			if p.Item == it.ID {
				c.Fate = w.T("fate." + string(p.Fate))
				if p.Note.Text != "" {
					c.Fate = w.T("fate.note", c.Fate, p.Note)
				}
			}
		}
		out = append(out, c)
	}
	return out
}

// suspects lists what a report tells of suspects, with the checks that were done by then. What was ruled out leads
// to what was confirmed; what was not checked is said in one sentence.
func (v *ReportView) suspects(j *workflow.Job, r *workflow.Report, show showPhotos) []SuspectView {
	var out []SuspectView
	var spared []string
	for _, id := range r.Suspects {
		i := slices.IndexFunc(j.Suspects, func(s workflow.Suspect) bool { return s.ID == id })
		if i < 0 {
			continue
		}
		s := j.Suspects[i]
		s.Checks = slices.DeleteFunc(slices.Clone(s.Checks), func(c workflow.Check) bool { return c.At.After(r.SentAt) })
		if x := suspectView(&s, v.W, show); x.Verdict == "" {
			spared = append(spared, x.Text)
		} else {
			out = append(out, x)
		}
	}
	if spared != nil {
		key := "verdict.open"
		if slices.ContainsFunc(out, func(s SuspectView) bool { return s.Verdict == workflow.CheckConfirmed }) {
			key = "verdict.spared"
		}
		v.Spared = locale.Capital(v.W.Named(v.W.T(key), v.W.List(spared)))
	}
	rank := func(s SuspectView) int {
		return slices.Index([]workflow.CheckOutcome{workflow.CheckRuledOut, workflow.CheckUnclear, workflow.CheckConfirmed, ""}, s.Verdict)
	}
	slices.SortStableFunc(out, func(a, b SuspectView) int { return rank(a) - rank(b) })
	return out
}

func suspectView(s *workflow.Suspect, w *locale.Words, show showPhotos) SuspectView {
	v := SuspectView{Text: s.Text, Verdict: s.Verdict()}
	v.VerdictWords = w.T("verdict." + string(v.Verdict))
	switch {
	case v.Verdict == "":
		v.VerdictWords = w.T("verdict.open")
	case v.Verdict == workflow.CheckConfirmed && s.Consequence:
		v.VerdictWords = w.T("verdict.consequence")
	}
	for _, c := range s.Checks {
		photos, see := show(c.Photos)
		v.Checks = append(v.Checks, CheckView{sentence(c.Text), w.T("check." + string(c.Outcome)), readingOf(c.Reading, c.Measurement, w), measuredView(c.Measurement, w), photos, see})
	}
	return v
}

// PairsOf lists the photos of one place before and after.
func PairsOf(j *workflow.Job, w *locale.Words, loc *time.Location, urls PhotoURLs) []PhotoPair {
	var out []PhotoPair
	for i := range j.Photos {
		after := &j.Photos[i]
		if after.Kind != workflow.PhotoAfter || after.Removed || after.Pair == 0 {
			continue
		}
		if before := j.Photo(after.Pair); before != nil {
			out = append(out, PhotoPair{half(photoOf(j, before, w, loc, urls)), half(photoOf(j, after, w, loc, urls)), after.At})
		}
	}
	return out
}

// CautionsOf returns the usual cautions for what the screening found, in the owner's words. They are common practice, without a
// source of their own, and defer to local codes, carriers' rules and licensed practice.
func CautionsOf(j *workflow.Job, shop *workflow.Shop, w *locale.Words) []string {
	var out []string
	s := j.Screening
	if s == nil {
		return nil
	}
	if c := madeSafe(j, w); c != "" {
		out = append(out, c)
	}
	taken := func(a workflow.Answer, key string) {
		switch {
		case a == workflow.Unknown:
			out = append(out, w.T(key+".unknown"))
		case a.Taken():
			out = append(out, w.T(key))
		}
	}
	switch {
	case s.CellDamaged == workflow.Yes:
		out = append(out, w.T("caution.cell_damaged"))
	case s.CellInDoubt():
		out = append(out, w.T("caution.cell_doubt"))
	default:
		taken(s.Lithium, "caution.lithium")
	}
	taken(s.Mains, "caution.mains")
	taken(s.Liquid, "caution.liquid")
	for _, id := range s.Hazards {
		h := shop.Trade().Hazard(id)
		if h == nil || h.Caution == "mains" && s.Mains.Taken() {
			continue // said above
		}
		if c := shop.Trade().Caution(w.Lang, h.Caution); c != "" {
			out = append(out, c)
		}
	}
	return out
}

// madeSafe says that a device goes back made safe and not repaired, "" if it does not.
func madeSafe(j *workflow.Job, w *locale.Words) string {
	m := j.SafeToReturn()
	if m == nil {
		return ""
	}
	return w.T("caution.made_safe", sentence(m.Done), m.Label)
}

// OutcomeWhy returns what the bench says with the outcome, as a sentence.
func OutcomeWhy(j *workflow.Job) string { return sentence(j.OutcomeWhy.Text) }

// triedWords says whether the fault was seen at the bench, or why it was not tried.
func triedWords(r *workflow.Reproduction, w *locale.Words) string {
	key := "tried." + string(r.Result)
	if r.Why != "" {
		key += "." + string(r.Why)
	}
	return w.T(key)
}

// ReportPage is a findings report as a page of its own, which prints well.
type ReportPage struct {
	Page
	Report ReportView
	// Track is the address of the tracking page; Decide that of the quote, "" if this link can't decide.
	Track, Decide string
	// Paper is the address of the same as PDF, "" in a preview.
	Paper string
	// NewerURL is the address of a later report, "" if this is the latest.
	NewerURL string
}

// Template implements [View].
func (*ReportPage) Template() string { return "customer/report.html" }

// PaidOf lists what the job comes to, paid, balance; nil where nothing was approved, declined, owed or paid.
func PaidOf(j *workflow.Job, shop *workflow.Shop, w *locale.Words) *PaidView {
	charge, paid := j.Charge(shop), j.Paid(shop)
	returns := j.Received() && j.Outcome == workflow.OutcomeUnrepaired
	if charge.Minor == 0 && paid.Minor == 0 && !returns {
		return nil
	}
	b := j.Balance(shop)
	v := &PaidView{For: w.T("paid.charge"), Charge: w.Money(charge), Paid: w.Money(paid)}
	if _, o := j.Approved(); o == nil && charge.Minor > 0 {
		v.For = w.T("paid.fee")
	} else if returns {
		v.For = w.T("paid.return")
	}
	if j.Charged != nil && j.ChargedWhy.Text != "" {
		v.Less = w.T("pay.less", j.ChargedWhy)
	}
	v.PayURL, v.Pay = payLink(j, shop, w)
	switch {
	case b.Minor > 0 && j.Payable(shop).Minor < b.Minor:
		v.Balance = w.T("paid.later", w.Money(b))
	case b.Minor > 0:
		v.Balance = w.T("paid.balance", w.Money(b))
	case b.Minor < 0:
		v.Balance = w.T("paid.over", w.Money(money.Amount{Minor: -b.Minor, Currency: b.Currency}))
	default:
		v.Balance = w.T("paid.settled")
	}
	return v
}

// PaidView is where the money stands.
type PaidView struct {
	// For says what Charge is for.
	For, Charge, Paid, Balance string
	// Less says why less is charged than was agreed to, "" if it is not.
	Less string
	// PayURL is the shop's payment service, "" where there is none or nothing is due; Pay its words.
	PayURL, Pay string
}

// payLink returns the address of the shop's payment service for what can be paid now, and the words of the
// link; "" for nothing. The address holds no card data and nothing about the person.
func payLink(j *workflow.Job, shop *workflow.Shop, w *locale.Words) (address, words string) {
	due := j.Payable(shop)
	if shop.PayURL == "" || due.Minor <= 0 {
		return "", ""
	}
	return strings.NewReplacer(
		"{job}", url.QueryEscape(string(j.Number)), "{amount}", url.QueryEscape(due.Plain()), "{currency}", url.QueryEscape(string(due.Currency)),
	).Replace(shop.PayURL), w.T("pay.now", w.Money(due))
}
