package templates

import (
	"fmt"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// CounterDelay is the form on which the counter says why a promise is, or would be, missed, and writes down
// a customer's choice.
type CounterDelay struct {
	JobPage
	// Missed: the promise in force is missed, so that what is written goes out at once.
	Missed bool
	// Told is what the customer was told last, Noted what is written for the next time; "" for nothing.
	Told, Noted []string
	// Choose is the form for a choice by telephone, nil if there is nothing to choose.
	Choose *Form
	Digest string
}

// Template implements [View].
func (*CounterDelay) Template() string { return "counter/delay.html" }

// DelayChoices are the two ways after a missed promise.
var DelayChoices = choices(workflow.DelayChoices, delayWords)

// CounterDelayOf makes the page.
func CounterDelayOf(base JobPage, j *workflow.Job, shop *workflow.Shop, now time.Time) *CounterDelay {
	c := newClock(shop, now)
	v := &CounterDelay{JobPage: base}
	if p := j.Promise(); p != nil {
		v.Missed = !p.BreachedAt.IsZero()
	}
	if d := j.Delay(); d != nil {
		v.Told = append(v.Told, "Told "+c.at(d.ToldAt)+": "+firstOf(d.Reason, c.w.T("choose.why.default")), NewDate(d, shop, now, c.w))
		switch {
		case d.Choice != "" && d.Unanswered:
			v.Told = append(v.Told, "No answer came, which means: "+delayWords[d.Choice]+".")
		case d.Choice != "":
			v.Told = append(v.Told, "The customer chose "+c.at(d.ChosenAt)+": "+delayWords[d.Choice]+".")
		case d.Open(now):
			v.Told = append(v.Told, "The customer can choose until "+c.at(d.AnswerBy)+". No answer means: "+delayWords[d.Silence]+".")
			v.Digest = d.Digest
		}
	}
	if n := j.Prepared(); n != nil && !v.Missed {
		v.Noted = append(v.Noted, n.Reason)
		switch {
		case n.Quota.WorkingDays > 0:
			v.Noted = append(v.Noted, "New date: "+count(n.Quota.WorkingDays, "working day", "working days")+" from then.")
		case !n.Quota.By.IsZero():
			v.Noted = append(v.Noted, "New date: "+c.at(n.Quota.By)+".")
		default:
			v.Noted = append(v.Noted, "No new date can be said yet.")
		}
	}
	return v
}

// CounterLevel is the form on which the level of service is chosen.
type CounterLevel struct {
	JobPage
	Levels []Choice
	// ByDate: one of them has a date to agree. Told: a date was promised, so that a reason is wanted.
	ByDate, Told bool
}

// Template implements [View].
func (*CounterLevel) Template() string { return "counter/level.html" }

// LevelPicks gives the shop's levels as choices of a form at the counter.
func LevelPicks(shop *workflow.Shop) (levels []Choice, byDate bool) {
	for _, l := range LevelChoices(shop, locale.For("en")) {
		levels = append(levels, Choice{l.Key, l.Name + " (" + l.Words + ")"})
		byDate = byDate || l.ByDate
	}
	return levels, byDate
}

// TargetView is a target of the level of service.
type TargetView struct {
	Name, Words string
	// State is "passed", "failed" or "todo".
	State string
}

func (k clockOf) targets(j *workflow.Job) []TargetView {
	var out []TargetView
	for _, x := range j.Targets(k.shop) {
		v := TargetView{Name: targetWords[x.Kind], State: "todo"}
		v.Name = locale.Capital(v.Name)
		switch {
		case !x.MetAt.IsZero() && x.Late(k.now):
			v.State, v.Words = "failed", "late, "+k.at(x.MetAt)+" instead of "+k.at(x.Due)
		case !x.MetAt.IsZero():
			v.State, v.Words = "passed", "in time, "+k.at(x.MetAt)
		case x.Late(k.now):
			v.State, v.Words = "failed", "late since "+k.at(x.Due)
		case x.Due.IsZero() && j.ReceivedAt.IsZero():
			v.Words = "counts from arrival on"
		case x.Due.IsZero():
			v.Words = "the clock stands still"
		default:
			v.Words = "by " + k.at(x.Due)
		}
		out = append(out, v)
	}
	return out
}

// promiseFlags are the signs on the board of what is pressing about a promise.
func (k clockOf) promiseFlags(j *workflow.Job) []BoardFlag {
	if j == nil {
		return nil
	}
	var out []BoardFlag
	for _, t := range j.LateTargets() {
		out = append(out, BoardFlag{"target", targetWords[t] + " is late"})
	}
	if p := j.Promise(); p != nil && p.BreachedAt.IsZero() && !j.Ended() {
		if p.Risk > 0 {
			out = append(out, BoardFlag{"risk", "date will probably be missed"})
		}
		if p.Warned > 0 {
			out = append(out, BoardFlag{"warned", fmt.Sprintf("%d %% of the time is used", p.Warned)})
		}
	}
	if j.Unexplained() {
		out = append(out, BoardFlag{"delay", "say why it is late"})
	}
	return out
}

// promiseAlerts are what must not be overlooked about a promise.
func (k clockOf) promiseAlerts(j *workflow.Job, base JobPage) []Alert {
	var out []Alert
	add := func(kind, words, path, link string) {
		a := Alert{Kind: kind, Words: words}
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
	case d != nil && d.Open(k.now) && !j.Ended():
		add("promise", "The customer can choose until "+k.at(d.AnswerBy)+": wait, or have it back. No answer means: "+delayWords[d.Silence]+".", "delay", "Write down a telephone answer")
	case d != nil && d.Choice == workflow.DelayReturn && !j.Ended():
		out = append(out, Alert{Kind: "promise", Words: "The customer wants it back unrepaired, at no cost: close it up, check that it is safe, send it back."})
	}
	for _, t := range j.LateTargets() {
		out = append(out, Alert{Kind: "promise", Words: locale.Capital(targetWords[t]) + " is late."})
	}
	return out
}

// delayTask is the way to the form about a delay.
func (k clockOf) delayTask(j *workflow.Job, base JobPage) Task {
	t := Task{Words: "Why it is late", URL: base.To("delay"), StateWords: "what the customer reads if the date is missed"}
	switch {
	case j.Unexplained():
		t.State, t.StateWords = "todo", "not said yet"
	case j.Prepared() != nil:
		t.StateWords = "written, in case it is missed"
	}
	return t
}

// Choices are what the customer can choose from.
func (*CounterDelay) Choices() []Choice { return DelayChoices }
