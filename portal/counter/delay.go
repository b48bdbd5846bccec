package counter

import (
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
)

// date reads a typed date as the close of that day; an empty field is the zero instant.
func (r *request) date(field string) (time.Time, bool) {
	s := strings.TrimSpace(r.value(field))
	if s == "" {
		return time.Time{}, true
	}
	day, err := calendar.ParseDate(s)
	if err != nil {
		r.form.Add(field, "The date can't be read; write it like 2026-12-24.")
		return time.Time{}, false
	}
	return r.closing(day), true
}

func (r *request) delayPage() *templates.CounterDelay {
	v := templates.CounterDelayOf(r.title("Why it is late"), r.job, r.shop(), r.now())
	if v.Digest != "" {
		v.Choose = r.x.form(r.c, r.base.To("delay/choice"))
	}
	return v
}

var delayTask = &task{
	path: "delay", roles: counterUp, stale: true,
	fill: func(r *request) {
		n := r.job.Prepared()
		if n == nil {
			return
		}
		r.form.Values.Set("reason", n.Reason)
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
	path: "delay/choice", postOnly: true, roles: counterUp,
	view: func(r *request) (templates.View, error) {
		v := r.delayPage()
		if v.Choose == nil {
			v.Form.Errors = r.form.Errors
		} else {
			v.Choose.Values, v.Choose.Errors = r.form.Values, r.form.Errors
			blank := r.x.form(r.c, r.base.To("delay"))
			blank.Version = r.job.Version
			v.Form = blank
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		how := strings.TrimSpace(r.value("how"))
		if how == "" {
			r.form.Add("how", "Say how the customer was reached, and who took the call.")
			return nil, nil
		}
		return []workflow.Command{workflow.AnswerDelay{Choice: workflow.DelayChoice(r.value("choice")), Digest: r.value("digest"), Agent: "by telephone: " + how}}, nil
	},
	said: "The choice is written down, and confirmed to the customer by mail.",
}

var levelTask = &task{
	path: "level", roles: counterUp, stale: true,
	fill: func(r *request) {
		if l := r.job.Level; l != nil {
			r.form.Values.Set("level", l.Key)
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterLevel{JobPage: r.title("Level of service"), Told: len(r.job.Promises) > 0}
		v.Levels, v.ByDate = templates.LevelPicks(r.shop())
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
