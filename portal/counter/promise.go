package counter

import (
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
)

// promisePage tells a new date.
type promisePage struct {
	jobBase
	Promises []templates.PromiseView
}

func (*promisePage) Template() string { return "promise.html" }

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

var promiseTask = &task{
	stale: true,
	view: func(r *request) (templates.View, error) {
		v := &promisePage{jobBase: r.title("Promise")}
		v.Promises = jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Promises
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		cmd := workflow.MovePromise{Days: r.number("days", "The number of working days"), Reason: r.value("reason")}
		by, ok := r.date("by")
		if !ok {
			return nil, nil
		}
		cmd.By = by
		return []workflow.Command{cmd}, nil
	},
	said: "The new date is on its way to the customer, with the reason.",
}

// closing returns the end of the shop's hours on a date, or the end of the date where it is closed.
func (r *request) closing(day calendar.Date) time.Time { return closing(r.shop(), day) }

func closing(shop *workflow.Shop, day calendar.Date) time.Time {
	loc := shop.Calendar.Location()
	begin, end := calendar.Local(loc, day, 0, 0), calendar.Local(loc, day+1, 0, 0)
	last := end.Add(-time.Second)
	for _, to := range shop.Calendar.Stretches(begin, end) {
		last = to
	}
	return last
}
