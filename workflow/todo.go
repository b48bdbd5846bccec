package workflow

import (
	"maps"
	"slices"
)

// TodoKind names something that is done at a stage.
type TodoKind string

const (
	TodoIntake  TodoKind = "intake"  // open the parcel
	TodoLook    TodoKind = "look"    // condition, and does the fault show
	TodoFinding TodoKind = "finding" // with its photo
	TodoChecks  TodoKind = "checks"  // of suspects
	TodoReport  TodoKind = "report"
	TodoQuote   TodoKind = "quote"
	TodoAnswer  TodoKind = "answer" // the customer's, by telephone
	TodoBegin   TodoKind = "begin"  // what was decided
	TodoWork    TodoKind = "work"
	TodoDuties  TodoKind = "duties"
	TodoTests   TodoKind = "tests"
	TodoSafe    TodoKind = "safe" // made safe to go back unrepaired
	TodoReady   TodoKind = "ready"
	TodoPacking TodoKind = "packing"
	TodoDamage  TodoKind = "damage" // damage in transit, to be told
)

// todoGives is the command that each of them comes down to: whose role does not include it is not asked.
var todoGives = map[TodoKind]Command{
	TodoIntake: ListContents{}, TodoLook: TryFault{}, TodoFinding: NoteFinding{}, TodoChecks: DoCheck{}, TodoReport: SendReport{},
	TodoQuote: IssueQuote{}, TodoAnswer: Decide{}, TodoBegin: Begin{}, TodoWork: DoWork{}, TodoDuties: DoDuty{}, TodoTests: DoTest{}, TodoSafe: MakeSafe{},
	TodoReady: DeclareReady{}, TodoPacking: Pack{}, TodoDamage: NoteDamage{},
}

// TodoKinds returns what can be to do, by name.
func TodoKinds() []TodoKind { return slices.Sorted(maps.Keys(todoGives)) }

// Gives returns the command that it comes down to.
func (k TodoKind) Gives() Command { return todoGives[k] }

// TodoState says how far it is.
type TodoState string

const (
	TodoOpen TodoState = "open"
	TodoDone TodoState = "done"
	TodoFree TodoState = "" // can be done, and is not asked for
)

// Todo is one thing that the bench or the counter does at a job's stage.
type Todo struct {
	Kind  TodoKind  `json:"kind"`
	State TodoState `json:"state,omitempty"`
	// Missing names what it still lacks, in the order in which it is asked for.
	Missing []string `json:"missing,omitempty"`
	// Done of All are settled, where they can be counted: suspects, duties, tests, items of the parcel.
	Done int `json:"done,omitempty"`
	All  int `json:"all,omitempty"`
}

// Todo returns what a job's stage asks of somebody with a role, in the order in which it is done. While a job
// is being diagnosed the bench writes report and quote too, though the counter sends them.
func (j *Job) Todo(shop *Shop, r Role) []Todo {
	var out []Todo
	add := func(list ...Todo) {
		for _, x := range list {
			drafts := j.Stage == StageDiagnosing && (x.Kind == TodoReport || x.Kind == TodoQuote)
			if drafts || Permits(todoGives[x.Kind], r) {
				out = append(out, x)
			}
		}
	}
	finding, duties := Todo{Kind: TodoFinding}, j.DutiesTodo()
	if j.DamagedInTransit() && !j.Ended() {
		add(Todo{Kind: TodoDamage, State: todoState(!j.Untold())})
	}
	switch j.Stage {
	case StageBooked:
		add(j.IntakeTodo())
	case StageReceived:
		add(j.LookTodo(), j.IntakeTodo(), finding)
	case StageDiagnosing:
		q := j.Quote()
		add(finding, j.ChecksTodo(), Todo{Kind: TodoReport, State: todoState(len(j.Reports) > 0)},
			Todo{Kind: TodoQuote, State: todoState(q != nil && (q.State == RevisionOpen || q.State == RevisionApproved))})
	case StageAwaitingApproval:
		add(Todo{Kind: TodoAnswer}, Todo{Kind: TodoQuote}, finding)
	case StageRepairing:
		if j.Queued() {
			add(Todo{Kind: TodoBegin, State: TodoOpen})
		}
		add(Todo{Kind: TodoWork, State: todoState(j.WorkedSince())}, finding)
		if duties.All > 0 {
			add(duties)
		}
		add(Todo{Kind: TodoQuote})
	case StageTesting:
		if j.Queued() {
			add(Todo{Kind: TodoBegin, State: TodoOpen})
		}
		tests := j.testsTodo(shop)
		add(tests)
		if duties.All > 0 {
			add(duties)
		}
		if !j.Outcome.Repaired() && (len(j.Dangers(shop)) > 0 || tests.Done < tests.All) {
			safe := Todo{Kind: TodoSafe}
			if j.SafeToReturn() != nil {
				safe.State = TodoDone
			}
			add(safe)
		}
		add(Todo{Kind: TodoReady, State: todoState(j.Ready != nil)}, j.packingTodo())
	}
	return out
}

func todoState(done bool) TodoState {
	if done {
		return TodoDone
	}
	return TodoOpen
}

// lacks makes what is to do of what it lacks.
func lacks(k TodoKind, missing ...string) Todo {
	missing = slices.DeleteFunc(missing, func(s string) bool { return s == "" })
	return Todo{Kind: k, State: todoState(len(missing) == 0), Missing: missing}
}

// missingWords ask for what an arrival and a first look lack.
var missingWords = map[string]string{
	"contents":  "List what was in the parcel.",
	"photo":     "Add at least one arrival photo.",
	"screening": "Answer the safety screening (lithium cells, mains, liquid).",
	"condition": "Note the condition the device came in.",
	"fault":     "Say whether the fault was reproduced, not reproduced, is intermittent, or was not tried.",
}

// needAll asks for all that something to do still lacks.
func (g *gate) needAll(t Todo) {
	for _, m := range t.Missing {
		g.need(false, "%s", missingWords[m])
	}
}

// unless returns what is missing unless it is there.
func unless(there bool, missing string) string {
	if there {
		return ""
	}
	return missing
}

// IntakeTodo returns what opening the parcel lacks.
func (j *Job) IntakeTodo() Todo {
	return lacks(TodoIntake, unless(len(j.Contents) > 0, "contents"), unless(j.HasPhoto(PhotoArrival), "photo"), unless(j.Screening != nil, "screening"))
}

// LookTodo returns what the first look lacks.
func (j *Job) LookTodo() Todo {
	return lacks(TodoLook, unless(!j.Condition.Empty(), "condition"), unless(j.Reproduction != nil, "fault"))
}

// ChecksTodo returns how many suspects are settled.
func (j *Job) ChecksTodo() Todo {
	t := Todo{Kind: TodoChecks, All: len(j.Suspects)}
	for _, s := range j.Suspects {
		if v := s.Verdict(); v != "" && v != CheckUnclear {
			t.Done++
		}
	}
	if t.All == 0 && !slices.ContainsFunc(j.Findings, func(f Finding) bool { return !f.Withdrawn }) {
		t.State = TodoOpen
	}
	return t
}

// DutiesTodo returns how many duties are settled.
func (j *Job) DutiesTodo() Todo {
	t := Todo{Kind: TodoDuties, All: len(j.Duties)}
	for _, d := range j.Duties {
		if !d.Open() {
			t.Done++
		}
	}
	if t.All > 0 {
		t.State = todoState(t.Done == t.All)
	}
	return t
}

// testsTodo counts the tests that the device needs to leave, and others that were done.
func (j *Job) testsTodo(shop *Shop) Todo {
	names := j.RequiredTests(shop, j.Outcome)
	for _, x := range j.LatestTests() {
		if !slices.Contains(names, x.Name) {
			names = append(names, x.Name)
		}
	}
	t := Todo{Kind: TodoTests, All: len(names)}
	for _, name := range names {
		if j.Passed(name) {
			t.Done++
		}
	}
	if t.All > 0 {
		t.State = todoState(t.Done == t.All)
	}
	return t
}

func (j *Job) packingTodo() Todo {
	t := lacks(TodoPacking, unless(j.Shipment != nil, "parcel"))
	t.All = len(j.Contents)
	for _, it := range j.Contents {
		if j.Accounted(it.ID) {
			t.Done++
		}
	}
	if t.Done < t.All {
		t.State, t.Missing = TodoOpen, append([]string{"items"}, t.Missing...)
	}
	return t
}
