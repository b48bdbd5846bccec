package counter

import (
	"cmp"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
)

// delayPage is the form on which the counter says why a promise is, or would be, missed, and writes down
// a customer's choice.
type delayPage struct {
	jobBase
	// Missed: the promise in force is missed, so that what is written goes out at once.
	Missed bool
	// Told is what the customer was told last, Noted what is written for the next time; "" for nothing.
	Told, Noted []string
	// Choose is the form for a choice by telephone, nil if there is nothing to choose.
	Choose *form
	Digest string
}

func (*delayPage) Template() string { return "delay.html" }

// delayPageOf makes the page.
func delayPageOf(base jobBase, j *workflow.Job, shop *workflow.Shop, now time.Time) *delayPage {
	c := newClock(shop, now)
	v := &delayPage{jobBase: base}
	if p := j.Promise(); p != nil {
		v.Missed = !p.BreachedAt.IsZero()
	}
	if d := j.Delay(); d != nil {
		v.Told = append(v.Told, "Told "+c.at(d.ToldAt)+": "+cmp.Or(d.Reason.Text, c.w.T("choose.why.default")), templates.NewDate(d, shop, now, c.w))
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
		v.Noted = append(v.Noted, n.Reason.Text)
		switch {
		case n.Quota.WorkingDays > 0:
			v.Noted = append(v.Noted, "New date: "+templates.Count(n.Quota.WorkingDays, "working day", "working days")+" from then.")
		case !n.Quota.By.IsZero():
			v.Noted = append(v.Noted, "New date: "+c.at(n.Quota.By)+".")
		default:
			v.Noted = append(v.Noted, "No new date can be said yet.")
		}
	}
	return v
}

// Choices are what the customer can choose from.
func (*delayPage) Choices() []choice { return delayChoices }

func (r *request) delayPage() *delayPage {
	v := delayPageOf(r.title("Why it is late"), r.job, r.shop(), r.now())
	if v.Digest != "" {
		v.Choose = r.formTo("delay/choice")
	}
	return v
}

var delayTask = &task{
	stale: true,
	fill: func(r *request) {
		n := r.job.Prepared()
		if n == nil {
			return
		}
		r.form.Values.Set("reason", n.Reason.Text)
		if n.Quota.WorkingDays > 0 {
			r.form.Values.Set("days", strconv.Itoa(n.Quota.WorkingDays))
		}
		if !n.Quota.By.IsZero() {
			r.form.Values.Set("by", n.Quota.By.In(r.shop().Calendar.Location()).Format(time.DateOnly))
		}
	},
	view: func(r *request) (templates.View, error) { return r.delayPage(), nil },
	read: func(r *request) ([]workflow.Command, error) {
		by, ok := r.date("by")
		if !ok {
			return nil, nil
		}
		r.said = "It is kept, and goes to the customer only if the date is missed."
		if p := r.job.Promise(); p != nil && !p.BreachedAt.IsZero() {
			r.said = "It is on its way to the customer, with the choice to wait or to have it back."
		}
		return []workflow.Command{workflow.ExplainDelay{Reason: r.value("reason"), Days: r.number("days", "The number of working days"), By: by}}, nil
	},
}

var delayChoiceTask = &task{
	read: func(r *request) ([]workflow.Command, error) {
		how := strings.TrimSpace(r.value("how"))
		if how == "" {
			r.form.Add("how", "Say how the customer was reached, and who took the call.")
			return nil, nil
		}
		return []workflow.Command{workflow.AnswerDelay{Choice: workflow.DelayChoice(r.value("choice")), Digest: r.value("digest"), Agent: "by telephone: " + how}}, nil
	},
	said: "The choice is written down, and confirmed to the customer by email.",
}
