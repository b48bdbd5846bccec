package counter

import (
	"cmp"
	"fmt"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"

	"github.com/gofiber/fiber/v2"
)

// hoursPage shows when the shop is open, the next twelve months' closures, and what a promise made now
// would give.
type hoursPage struct {
	templates.Page
	Week []weekDay
	// Open says whether the shop is open now, and until or from when.
	Open     string
	Months   []closureMonth
	Promises []promisePreview
	// Closures counts them all; Days the working days.
	Closures, Days int
}

func (*hoursPage) Template() string { return "hours.html" }

// weekDay is a weekday with its opening hours.
type weekDay struct {
	Day   string
	Hours []string
}

// closureMonth is a month with the days that are not as usual.
type closureMonth struct {
	Month string
	Days  int // working days
	List  []closureDay
}

// closureDay is a day that is not as usual. Hours are those kept instead, none if closed.
type closureDay struct {
	Machine, Day, Name string
	Hours              []string
}

// promisePreview is what a promise made now would give.
type promisePreview struct {
	Name, Due string
	// Passes are the closures on the way.
	Passes []string
}

// previewOf is a promise to be previewed.
type previewOf struct {
	Name  string
	Quota promiseclock.Quota
}

// hoursPageOf makes the page.
func hoursPageOf(page templates.Page, shop *workflow.Shop, now time.Time, promises []previewOf) *hoursPage {
	k, cal := newClock(shop, now), shop.Calendar
	v := &hoursPage{Page: page}
	spec := cal.Spec()
	for i := range 7 {
		d := time.Weekday((i + 1) % 7)
		v.Week = append(v.Week, weekDay{k.w.Weekday(d), spec.Hours[[7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}[d]]})
	}
	if next, ok := cal.NextOpen(now); !ok {
		v.Open = "The shop has no opening hours."
	} else if cal.Open(now) {
		v.Open = "The shop is open now."
	} else {
		v.Open = "The shop is closed now; it opens " + k.at(next) + "."
	}
	today := cal.Date(now)
	y, m, _ := now.In(k.loc).Date()
	for i := range 13 {
		first, next := calendar.NewDate(y, m+time.Month(i), 1), calendar.NewDate(y, m+time.Month(i+1), 1)
		first = max(first, today)
		if end := calendar.NewDate(y+1, m, now.In(k.loc).Day()); next > end {
			next = end
		}
		if first >= next {
			continue
		}
		at := calendar.Local(k.loc, first, 12, 0)
		month := closureMonth{Month: k.month(at), Days: cal.WorkingDays(first, next)}
		for _, c := range cal.Closures(first, next) {
			month.List = append(month.List, closureDay{c.Date.String(), k.w.Day(calendar.Local(k.loc, c.Date, 12, 0), k.loc), c.Name, c.Hours})
		}
		v.Closures += len(month.List)
		v.Days += month.Days
		v.Months = append(v.Months, month)
	}
	for _, p := range promises {
		x := promisePreview{Name: p.Name, Due: "never: the calendar has not that much open time"}
		if due, ok := (promiseclock.Turnaround{Calendar: cal, Start: now, Quota: p.Quota}).Due(); ok {
			x.Due = k.due(due)
			for _, c := range cal.Closures(today+1, cal.Date(due)+1) {
				x.Passes = append(x.Passes, k.w.Day(calendar.Local(k.loc, c.Date, 12, 0), k.loc)+cmp.Or(prefixed(": ", c.Name), ""))
			}
		}
		v.Promises = append(v.Promises, x)
	}
	return v
}

// prefixed returns a text with something before it, "" for an empty one.
func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}

func (x *counter) showHours(c *fiber.Ctx) error {
	shop := x.s.Shop()
	var promises []previewOf
	for i := range shop.Levels {
		if l := &shop.Levels[i]; !l.ByDate {
			promises = append(promises, previewOf{Name: l.Name, Quota: l.Promise})
		}
	}
	if n := shop.PromiseDays; n > 0 && len(shop.Levels) == 0 {
		promises = append(promises, previewOf{Name: fmt.Sprintf("%d working days", n), Quota: promiseclock.Quota{WorkingDays: n}})
	}
	return x.render(c, fiber.StatusOK, hoursPageOf(x.s.Page(c, "Opening hours"), shop, x.s.Now(), promises))
}
