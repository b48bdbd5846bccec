package counter

import (
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// levelPage is the form on which the level of service is chosen.
type levelPage struct {
	jobBase
	Levels []choice
	// ByDate: one of them has a date to agree. Told: a date was promised, so that a reason is wanted.
	ByDate, Told bool
}

func (*levelPage) Template() string { return "level.html" }

// levelPicks returns the shop's levels as choices of a form at the counter.
func levelPicks(shop *workflow.Shop) (levels []choice, byDate bool) {
	for _, l := range templates.LevelChoices(shop, locale.For("en")) {
		levels = append(levels, choice{l.Key, l.Name + " (" + l.Words + ")"})
		byDate = byDate || l.ByDate
	}
	return levels, byDate
}

// targetView is a target of the level of service.
type targetView struct {
	Name, Words string
	// State is "passed", "failed" or "todo".
	State string
}

func (k clockOf) targets(j *workflow.Job) []targetView {
	var out []targetView
	for _, x := range j.Targets(k.shop) {
		v := targetView{Name: targetWords[x.Kind], State: "todo"}
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
			v.Words = "waiting"
		default:
			v.Words = "by " + k.at(x.Due)
		}
		out = append(out, v)
	}
	return out
}

var levelTask = &task{
	stale: true,
	fill: func(r *request) {
		if l := r.job.Level; l != nil {
			r.form.Values.Set("level", l.Key)
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &levelPage{jobBase: r.title("Level of service"), Told: len(r.job.Promises) > 0}
		v.Levels, v.ByDate = levelPicks(r.shop())
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		by, ok := r.date("by")
		if !ok {
			return nil, nil
		}
		return []workflow.Command{workflow.ChooseLevel{Level: r.value("level"), By: by, Reason: r.value("reason")}}, nil
	},
	said: "The level of service is changed.",
}
