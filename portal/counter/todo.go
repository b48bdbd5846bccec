package counter

import (
	"cmp"
	"fmt"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// todo is one thing to do, or done, on a job.
type todo struct {
	Words, URL string
	// State is "done", "todo" or "" where a task is never finished; StateWords says it, with what is
	// there or missing.
	State, StateWords string
}

// barStep is a step at hand: a page to go to, or a move to make.
type barStep struct {
	Words, URL string
	// To is the stage of a move, "" for a page.
	To   workflow.Stage
	Main bool
}

// tasks lists what can be done on a job: what its stage asks for, in the order in which it is done, and
// what is always there. What the reader's role does not include is left out.
func (k clockOf) tasks(j *workflow.Job, base jobBase) (stage, more []todo) {
	task := func(path, words, state, stateWords string) todo {
		return todo{Words: words, URL: base.To(path), State: state, StateWords: stateWords}
	}
	state := func(done bool) string {
		if done {
			return "done"
		}
		return "todo"
	}
	intake := func() todo {
		var missing []string
		if len(j.Contents) == 0 {
			missing = append(missing, "contents")
		}
		if !j.HasPhoto(workflow.PhotoArrival) {
			missing = append(missing, "an arrival photo")
		}
		if j.Screening == nil {
			missing = append(missing, "the safety answers")
		}
		if len(missing) > 0 {
			return task("intake", "Open the parcel", "todo", "still missing: "+strings.Join(missing, ", "))
		}
		return task("intake", "Open the parcel", "done", templates.Count(len(j.Contents), "item", "items")+" listed")
	}
	look := func() todo {
		switch {
		case j.Condition == "" && j.Reproduction == nil:
			return task("look", "First look", "todo", "condition, and does the fault show?")
		case j.Condition == "":
			return task("look", "First look", "todo", "the condition is missing")
		case j.Reproduction == nil:
			return task("look", "First look", "todo", "does the fault show?")
		}
		return task("look", "First look", "done", "fault shows: "+reproducedWords[j.Reproduction.Result])
	}
	findings := 0
	for _, f := range j.Findings {
		if !f.Withdrawn {
			findings++
		}
	}
	finding := task("finding", "Photo + finding", "", templates.Count(findings, "finding", "findings")+" so far")
	checks := task("checks", "Suspects and checks", "", "none named yet")
	if findings == 0 && len(j.Suspects) == 0 && j.Stage == workflow.StageDiagnosing {
		checks.State = "todo"
	}
	if n := len(j.Suspects); n > 0 {
		open := 0
		for _, s := range j.Suspects {
			if v := s.Verdict(); v == "" || v == workflow.CheckUnclear {
				open++
			}
		}
		checks.StateWords = fmt.Sprintf("%s, %d still open", templates.Count(n, "suspect", "suspects"), open)
	}
	report := task("report", "Findings report", state(len(j.Reports) > 0), "not sent yet")
	if n := len(j.Reports); n > 0 {
		report.StateWords = "report " + itoa(n) + " sent " + k.day(j.Reports[n-1].SentAt)
	}
	quote := task("quote", "Quote", "todo", "not issued yet")
	if q := j.Quote(); q != nil {
		quote.State, quote.StateWords = state(q.State == workflow.QuoteOpen || q.State == workflow.QuoteApproved), "revision "+itoa(q.Revision)+" is "+quoteStateWords[q.State]
	}
	duties := task("duties", "Duties", "", "")
	openDuties := 0
	for _, d := range j.Duties {
		if d.Open() {
			openDuties++
		}
	}
	if len(j.Duties) > 0 {
		duties.State, duties.StateWords = state(openDuties == 0), "all settled"
		if openDuties > 0 {
			duties.StateWords = fmt.Sprintf("%d of %d open", openDuties, len(j.Duties))
		}
	}
	counterOnly := func(list *[]todo, t ...todo) {
		if base.Counter {
			*list = append(*list, t...)
		}
	}
	switch j.Stage {
	case workflow.StageBooked:
		stage = append(stage, intake())
	case workflow.StageReceived:
		stage = append(stage, look(), intake(), finding)
	case workflow.StageDiagnosing:
		if !base.Counter {
			report.StateWords += "; the counter sends it"
			quote.StateWords += "; the counter sends it"
		}
		stage = append(stage, finding, checks, report, quote)
		more = append(more, intake(), look())
	case workflow.StageAwaitingApproval:
		counterOnly(&stage, task("answer", "Write down a telephone answer", "", "yes, no, or a question"))
		quote.Words, quote.State = "Change the quote", ""
		counterOnly(&stage, quote)
		stage = append(stage, finding)
		more = append(more, checks)
	case workflow.StageRepairing:
		work := task("work", "What was done", state(j.WorkedSince()), "nothing written down yet")
		if n := len(j.Work); n > 0 {
			work.StateWords = templates.Count(n, "entry", "entries")
		}
		stage = append(stage, work, finding)
		if len(j.Duties) > 0 {
			stage = append(stage, duties)
		}
		quote.Words, quote.State = "Further quote", ""
		counterOnly(&stage, quote)
		more = append(more, checks)
		report.State = ""
		counterOnly(&more, report)
	case workflow.StageTesting:
		tests, passed := k.tests(j), 0
		for _, t := range tests {
			if t.State == "passed" {
				passed++
			}
		}
		t := task("tests", "Tests", state(passed == len(tests)), fmt.Sprintf("%d of %d passed", passed, len(tests)))
		if len(tests) == 0 {
			t.State, t.StateWords = "", "none required"
		}
		stage = append(stage, t)
		if len(j.Duties) > 0 {
			stage = append(stage, duties)
		}
		if base.Owner && !j.Outcome.Repaired() && (len(j.Dangers(k.shop)) > 0 || passed < len(tests)) {
			safe := task("safe", "Made safe to go back", "", "for what goes back unrepaired and dangerous")
			if j.SafeToReturn() != nil {
				safe.State, safe.StateWords = "done", "labelled “"+j.MadeSafe.Label+"”"
			}
			stage = append(stage, safe)
		}
		ready := task("ready", "Tell the customer that it is ready", state(j.Ready != nil), "not told yet")
		if j.Ready != nil {
			ready.StateWords = "told " + k.at(j.Ready.At)
		}
		counterOnly(&stage, ready)
		packed := 0
		for _, it := range j.Contents {
			if j.Accounted(it.ID) {
				packed++
			}
		}
		all := packed == len(j.Contents)
		packing := task("packing", "Pack and post", state(all && j.Shipment != nil), fmt.Sprintf("%d of %d items accounted for", packed, len(j.Contents)))
		if all && j.Shipment == nil {
			packing.StateWords = "the parcel number is missing"
		} else if all {
			packing.StateWords = "packed, parcel " + cmp.Or(j.Shipment.Parcel, "handed over in person")
		}
		stage = append(stage, packing)
		more = append(more, finding, task("work", "What was done", "", templates.Count(len(j.Work), "entry", "entries")))
		report.State = ""
		counterOnly(&more, report)
	}
	photos := 0
	for _, p := range j.Photos {
		if !p.Removed {
			photos++
		}
	}
	if !j.Ended() {
		more = append(more, task("photos", "Photos", "", templates.Count(photos, "photo", "photos")))
		if len(j.Duties) == 0 || j.Stage != workflow.StageRepairing && j.Stage != workflow.StageTesting {
			duties.State = ""
			duties.StateWords = cmp.Or(duties.StateWords, "none")
			more = append(more, duties)
		}
	}
	if j.Erased.IsZero() {
		counterOnly(&more, task("letters", "Letters", "", templates.Count(len(j.Messages), "letter", "letters")))
	}
	switch j.Stage {
	case workflow.StageReceived, workflow.StageDiagnosing, workflow.StageRepairing, workflow.StageTesting:
		if j.Hold() != nil {
			more = append(more, task("hold", "Lift the hold", "", "for "+holdWords[j.Hold().Reason]))
		} else {
			more = append(more, task("hold", "Put on hold", "", "for parts, customer, carrier or payment"))
		}
	}
	if !j.Ended() && j.Stage != workflow.StageBooked {
		counterOnly(&more, task("promise", "Move the promised date", "", templates.Count(len(j.Promises), "date", "dates")+" told"))
		if j.Promise() != nil {
			counterOnly(&more, k.delayTask(j, base))
		}
	}
	if j.Level != nil && !j.Ended() {
		counterOnly(&more, task("level", "Level of service", "", j.Level.Name))
	}
	counterOnly(&more, task("payment", "Payments", "", templates.Count(len(j.Payments), "payment", "payments")))
	if len(j.Quotes) > 0 {
		more = append(more, task("decisions", "Decisions and papers", "", templates.Count(len(j.Decisions), "answer", "answers")))
	}
	if k.now.Before(j.UndoUntil(k.shop)) {
		counterOnly(&more, task("undo", "Take the answer back", "", "while its time lasts"))
	}
	if j.Erased.IsZero() {
		counterOnly(&more,
			task("customer", "Customer", "", "name, address, limit"),
			task("link", "Customer’s link", "", "read out, copy, mail again, end"))
	}
	more = append(more, task("history", "History", "", templates.Count(int(j.Version), "event", "events")))
	if base.Owner && j.Ended() && j.Erased.IsZero() {
		more = append(more, task("erase", "Erase the person", "", "keeps the figures"))
	}
	return stage, more
}

// barOf chooses the steps at hand: at the bench always the photo with its finding; then the move that
// can be made, or the first task that is still to do.
func barOf(j *workflow.Job, v *jobPage) []barStep {
	var out []barStep
	quick := j.Stage == workflow.StageDiagnosing || j.Stage == workflow.StageRepairing
	if quick {
		out = append(out, barStep{Words: "Photo + finding", URL: v.To("finding")})
	}
	todo := func() *todo {
		for i := range v.Tasks {
			if v.Tasks[i].State == "todo" {
				return &v.Tasks[i]
			}
		}
		return nil
	}()
	if j.OpenQuestion() != nil && v.Counter {
		return append(out, barStep{Words: "Answer the letter", URL: v.To("letters") + "#form", Main: true})
	}
	for _, m := range v.Moves {
		if m.Main {
			return append(out, barStep{Words: m.Words, To: m.To, Main: true})
		}
	}
	switch {
	case todo != nil:
		out = append(out, barStep{Words: todo.Words, URL: todo.URL, Main: true})
	case len(v.Tasks) > 0 && !quick:
		out = append(out, barStep{Words: v.Tasks[0].Words, URL: v.Tasks[0].URL, Main: true})
	}
	if len(out) == 1 {
		out[0].Main = true
	}
	return out
}

// delayTask is the way to the form about a delay.
func (k clockOf) delayTask(j *workflow.Job, base jobBase) todo {
	t := todo{Words: "Why it is late", URL: base.To("delay"), StateWords: "what the customer reads if the date is missed"}
	switch {
	case j.Unexplained():
		t.State, t.StateWords = "todo", "not said yet"
	case j.Prepared() != nil:
		t.StateWords = "written, in case it is missed"
	}
	return t
}
