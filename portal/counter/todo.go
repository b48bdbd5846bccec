package counter

import (
	"cmp"
	"fmt"
	"strings"

	"benchword/portal/action"
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

// missingWords say what an intake or a first look lacks.
var missingWords = map[string]string{"contents": "contents", "photo": "an arrival photo", "screening": "the safety answers", "condition": "condition", "fault": "does the fault show?"}

// todoOf puts something to do into words: what is there, or what is missing.
func (k clockOf) todoOf(j *workflow.Job, t workflow.Todo, base jobBase) todo {
	act := action.At(string(t.Kind))
	out := todo{Words: act.Words, URL: base.To(act.Page())}
	switch t.State {
	case workflow.TodoDone:
		out.State = "done"
	case workflow.TodoOpen:
		out.State = "todo"
	}
	var missing []string
	for _, m := range t.Missing {
		missing = append(missing, missingWords[m])
	}
	switch t.Kind {
	case workflow.TodoIntake:
		if out.StateWords = templates.Count(len(j.Contents), "item", "items") + " listed"; len(missing) > 0 {
			out.StateWords = "still missing: " + strings.Join(missing, ", ")
		}
	case workflow.TodoLook:
		switch {
		case len(missing) == 2:
			out.StateWords = "condition, and does the fault show?"
		case len(missing) == 0:
			out.StateWords = "fault shows: " + reproducedWords[j.Reproduction.Result]
		case t.Missing[0] == "condition":
			out.StateWords = "the condition is missing"
		default:
			out.StateWords = missing[0]
		}
	case workflow.TodoFinding:
		findings := 0
		for _, f := range j.Findings {
			if !f.Withdrawn {
				findings++
			}
		}
		out.StateWords = templates.Count(findings, "finding", "findings") + " so far"
	case workflow.TodoChecks:
		if out.StateWords = "none named yet"; t.All > 0 {
			out.StateWords = fmt.Sprintf("%s, %d still open", templates.Count(t.All, "suspect", "suspects"), t.All-t.Done)
		}
	case workflow.TodoReport:
		if out.StateWords = "not sent yet"; len(j.Reports) > 0 {
			out.StateWords = "report " + itoa(len(j.Reports)) + " sent " + k.day(j.Reports[len(j.Reports)-1].SentAt)
		}
	case workflow.TodoQuote:
		if out.StateWords = "not issued yet"; j.Quote() != nil {
			out.StateWords = "revision " + itoa(j.Quote().Revision) + " is " + quoteStateWords[j.Quote().State]
		}
		switch j.Stage {
		case workflow.StageAwaitingApproval:
			out.Words = "Change the quote"
		case workflow.StageRepairing:
			out.Words = "Further quote"
		}
	case workflow.TodoAnswer:
		out.StateWords = "yes, no, or a question"
	case workflow.TodoBegin:
		out.StateWords = "in the queue since " + k.day(j.QueuedAt)
	case workflow.TodoWork:
		if out.StateWords = "nothing written down yet"; len(j.Work) > 0 || t.State == workflow.TodoFree {
			out.StateWords = templates.Count(len(j.Work), "entry", "entries")
		}
	case workflow.TodoDuties:
		switch {
		case t.All == 0:
			out.StateWords = "none"
		case t.Done < t.All:
			out.StateWords = fmt.Sprintf("%d of %d open", t.All-t.Done, t.All)
		default:
			out.StateWords = "all settled"
		}
	case workflow.TodoTests:
		if out.StateWords = fmt.Sprintf("%d of %d passed", t.Done, t.All); t.All == 0 {
			out.StateWords = "none required"
		}
	case workflow.TodoSafe:
		if out.StateWords = "for what goes back unrepaired and dangerous"; t.State == workflow.TodoDone {
			out.StateWords = "labelled “" + j.MadeSafe.Label + "”"
		}
	case workflow.TodoDamage:
		if out.StateWords, _ = k.tellBy(j); out.StateWords == "" {
			out.StateWords = "the carrier was told"
		}
	case workflow.TodoReady:
		if out.StateWords = "not told yet"; j.Ready != nil {
			out.StateWords = "told " + k.at(j.Ready.At)
		}
	case workflow.TodoPacking:
		switch {
		case t.Done < t.All:
			out.StateWords = fmt.Sprintf("%d of %d items accounted for", t.Done, t.All)
		case j.Shipment == nil:
			out.StateWords = "the parcel number is missing"
		default:
			out.StateWords = "packed, parcel " + cmp.Or(j.Shipment.Parcel.Text, "handed over in person")
		}
	}
	if act.Draft && !act.May(base.role()) {
		out.StateWords += "; the counter sends it"
	}
	return out
}

// tasks lists what can be done on a job: what its stage asks for, in the order in which it is done, and
// what is always there. What the reader's role does not include is left out.
func (k clockOf) tasks(j *workflow.Job, base jobBase) (stage, more []todo) {
	add := func(form, state, stateWords string) {
		if a := action.At(form); a.May(base.role()) {
			more = append(more, todo{Words: a.Words, URL: base.To(a.Page()), State: state, StateWords: stateWords})
		}
	}
	page := func(path, words, stateWords string) {
		more = append(more, todo{Words: words, URL: base.To(path), StateWords: stateWords})
	}
	duties := false
	for _, t := range j.Todo(k.shop, base.role()) {
		stage = append(stage, k.todoOf(j, t, base))
		duties = duties || t.Kind == workflow.TodoDuties
	}
	also := func(list ...workflow.Todo) {
		for _, t := range list {
			if t.State = workflow.TodoFree; action.At(string(t.Kind)).May(base.role()) {
				more = append(more, k.todoOf(j, t, base))
			}
		}
	}
	report := workflow.Todo{Kind: workflow.TodoReport}
	switch j.Stage {
	case workflow.StageDiagnosing:
		more = append(more, k.todoOf(j, j.IntakeTodo(), base), k.todoOf(j, j.LookTodo(), base))
	case workflow.StageAwaitingApproval:
		also(j.ChecksTodo())
	case workflow.StageRepairing:
		also(j.ChecksTodo(), report)
	case workflow.StageTesting:
		also(workflow.Todo{Kind: workflow.TodoFinding}, workflow.Todo{Kind: workflow.TodoWork}, report)
	}
	photos := 0
	for _, p := range j.Photos {
		if !p.Removed {
			photos++
		}
	}
	if !j.Ended() {
		add("photos", "", templates.Count(photos, "photo", "photos"))
		if !duties {
			also(j.DutiesTodo())
		}
	}
	if j.Erased.IsZero() {
		add("letters", "", templates.Count(len(j.Messages), "message", "messages"))
	}
	switch j.Stage {
	case workflow.StageReceived, workflow.StageDiagnosing, workflow.StageRepairing, workflow.StageTesting:
		if h := j.Hold(); h != nil {
			add("hold/lift", "", "for "+holdWords[h.Reason])
		} else {
			add("hold", "", "for parts, customer, carrier or payment")
		}
	}
	if !j.Ended() && j.Stage != workflow.StageBooked {
		add("promise", "", templates.Count(len(j.Promises), "date", "dates")+" told")
		switch {
		case j.Promise() == nil:
		case j.Unexplained():
			add("delay", "todo", "not said yet")
		case j.Prepared() != nil:
			add("delay", "", "written, in case it is missed")
		default:
			add("delay", "", "what the customer reads if the date is missed")
		}
	}
	if j.Level != nil && !j.Ended() {
		add("level", "", j.Level.Name)
	}
	if s := j.Shipment; j.Stage == workflow.StageShipped && s != nil && !s.InPerson && j.Erased.IsZero() {
		add("arrival", "", cmp.Or(k.arrival(j), "nobody has said so"))
	}
	add("payment", "", templates.Count(len(j.Payments), "payment", "payments"))
	if len(j.Quotes) > 0 {
		page("decisions", "Decisions and papers", templates.Count(len(j.Decisions), "answer", "answers"))
	}
	if k.now.Before(j.UndoUntil(k.shop)) {
		add("undo", "", "until the bench begins")
	}
	if j.Erased.IsZero() {
		add("customer", "", "name, address, limit, how it goes back")
		if given := "none"; !j.Ended() {
			if j.Passcode != nil {
				given = "given " + k.day(j.Passcode.At)
			}
			add("passcode", "", given)
		}
		add("link", "", "read out, copy, email again, end")
		add("data", "", "read it, email it")
	}
	page("history", "History", templates.Count(int(j.Version), "event", "events"))
	if j.Ended() && j.Erased.IsZero() {
		add("erase", "", "keeps the figures")
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
	if j.Unanswered() != nil && v.Counter {
		return append(out, barStep{Words: "Answer the message", URL: v.To("letters") + "#form", Main: true})
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
