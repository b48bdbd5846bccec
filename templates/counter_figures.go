package templates

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
)

// CounterFigures is what the owner of the shop wants to know: promises kept, where time goes, turnaround.
type CounterFigures struct {
	Page
	// Periods are the stretches of time to choose from; Since says which one it is.
	Periods []StageFilter
	Since   string
	// Query is the period as an address has it, for the files.
	Query string
	// First and Current sum up the promises by the first date told and by the last, "" where none is decided.
	First, Current string
	// Empty: nothing has ended and no promise is decided.
	Empty  bool
	Months []FigureMonth
	Stages []FigureStage
	Pauses []FigurePause
	Time   []FigureTime
	// Chart is the control chart of turnaround, nil where fewer than two jobs have left.
	Chart *FigureChart
}

// Template implements [View].
func (*CounterFigures) Template() string { return "counter/figures.html" }

// Bar is a piece of a bar, from X on and Width long, in percent of the room there is.
type Bar struct {
	Kind     string // for the style sheet
	X, Width float64
}

// FigureMonth is a month's promises.
type FigureMonth struct {
	Month          string
	First, Current workflow.Tally
	// Bars show Current, to the same scale in all months.
	Bars []Bar
}

// FigureStage is a stage: when promises were passed there, and how long jobs stay.
type FigureStage struct {
	Stage                      string
	FirstPassed, CurrentPassed int
	Visits                     int
	Median, Total              string
	Bars                       []Bar
}

// FigurePause is a cause for which the clock stood still.
type FigurePause struct {
	Cause          string
	First, Current workflow.Tally
	Total          string
}

// FigureTime is whose open time a month's ended jobs took.
type FigureTime struct {
	Month                           string
	Jobs                            int
	Bench, Customer, Parts, Carrier string
	Bars                            []Bar
}

// FigureChart is a control chart of individuals. Places are percent of the picture's width and height.
type FigureChart struct {
	Points []FigurePoint
	// Lines join neighbouring points.
	Lines []FigureLine
	// Mean, High and Low are the heights of the lines; HasLow is false for a lower limit below nothing.
	Mean, High, Low float64
	HasLow          bool
	// Field is how high the room between the limits is.
	Field float64
	// MeanWords and so on say them.
	MeanWords, HighWords, LowWords, RangeWords string
	From, To                                   string
	// Says sums it up in a sentence.
	Says string
	// Left is how many earlier jobs of the period are not shown.
	Left int
}

// FigurePoint is one job on the chart.
type FigurePoint struct {
	X, Y          float64
	Number, URL   string
	Ended         string
	Hours, Change string
	// Signal is "" for a job as others, "beyond" or "shifted"; Words says it.
	Signal, Words string
}

// FigureLine joins two points.
type FigureLine struct{ X1, Y1, X2, Y2 float64 }

// chartOf is how many jobs the chart shows at most: the last ones.
const chartOf = 60

// pauseWords name causes.
var pauseWords = map[workflow.PauseCause]string{
	workflow.PauseApproval: "an answer to the quote",
	workflow.PauseCustomer: "the customer, or a payment",
	workflow.PauseParts:    "parts",
	workflow.PauseCarrier:  "the carrier",
	workflow.PauseNone:     "it never stood still",
}

// month names a month with its year.
func (k clockOf) month(t time.Time) string {
	t = t.In(k.loc)
	return k.w.T("month."+t.Format("01")) + " " + t.Format("2006")
}

// hours says a length of working time in hours with one decimal, for columns.
func hours(d time.Duration) string { return strconv.FormatFloat(d.Hours(), 'f', 1, 64) }

// place rounds a percentage for a picture.
func place(part, whole float64) float64 {
	if whole <= 0 {
		return 0
	}
	return math.Round(part/whole*10000) / 100
}

func tallyWords(t workflow.Tally, what string) string {
	if t.All() == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d kept by the %s date told (%.0f %%).", t.Kept, t.All(), what, 100*float64(t.Kept)/float64(t.All()))
}

// CounterFiguresOf makes the page.
func CounterFiguresOf(page Page, f workflow.Figures, shop *workflow.Shop, now time.Time) *CounterFigures {
	k := newClock(shop, now)
	v := &CounterFigures{
		Page: page, Since: k.month(f.From),
		First: tallyWords(f.First, "first"), Current: tallyWords(f.Current, "last"), Empty: f.Ended == 0 && f.First.All() == 0,
	}
	most, mostTime := 0, time.Duration(0)
	for _, m := range f.Months {
		most, mostTime = max(most, m.Current.All()), max(mostTime, m.Time.Total())
	}
	for _, m := range f.Months {
		name := k.month(m.Month)
		kept, broken := place(float64(m.Current.Kept), float64(most)), place(float64(m.Current.Broken), float64(most))
		v.Months = append(v.Months, FigureMonth{Month: name, First: m.First, Current: m.Current, Bars: []Bar{{"kept", 0, kept}, {"broken", kept, broken}}})
		t := FigureTime{Month: name, Jobs: m.Ended, Bench: hours(m.Time.Bench), Customer: hours(m.Time.Customer), Parts: hours(m.Time.Parts), Carrier: hours(m.Time.Carrier)}
		at := 0.0
		for _, who := range []workflow.Account{workflow.AccountBench, workflow.AccountCustomer, workflow.AccountParts, workflow.AccountCarrier} {
			w := place(float64(m.Time.Of(who)), float64(mostTime))
			t.Bars = append(t.Bars, Bar{string(who), at, w})
			at += w
		}
		v.Time = append(v.Time, t)
	}
	longest := time.Duration(0)
	for _, s := range f.Stages {
		longest = max(longest, s.Time)
	}
	for _, s := range f.Stages {
		v.Stages = append(v.Stages, FigureStage{
			Stage: stageWords[s.Stage], FirstPassed: s.FirstPassed, CurrentPassed: s.CurrentPassed, Visits: s.Visits, Median: hours(s.Median), Total: hours(s.Time),
			Bars: []Bar{{"bench", 0, place(float64(s.Time), float64(longest))}},
		})
	}
	for _, p := range f.Pauses {
		v.Pauses = append(v.Pauses, FigurePause{Cause: pauseWords[p.Cause], First: p.First, Current: p.Current, Total: hours(p.Time)})
	}
	v.Chart = k.chart(f.Turnaround)
	return v
}

// ShownTurnaround gives the jobs that the control chart shows: the last ones.
func ShownTurnaround(all []workflow.TurnaroundPoint) []workflow.TurnaroundPoint {
	return all[max(0, len(all)-chartOf):]
}

func (k clockOf) chart(all []workflow.TurnaroundPoint) *FigureChart {
	shown := ShownTurnaround(all)
	values := make([]float64, len(shown))
	for i, p := range shown {
		values[i] = p.Took.Hours()
	}
	limits, ok := workflow.NewControlChart(values)
	if !ok {
		return nil
	}
	top := max(limits.High, slices.Max(values)) * 1.08
	if top <= 0 {
		top = 1
	}
	height := func(v float64) float64 { return math.Round((1-max(v, 0)/top)*9400+300) / 100 } // 3 % of room above and below
	one := func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) + " h" }
	c := &FigureChart{
		Mean: height(limits.Mean), High: height(limits.High), Low: height(limits.Low), HasLow: limits.Low > 0,
		MeanWords: one(limits.Mean), HighWords: one(limits.High), LowWords: one(limits.Low), RangeWords: one(limits.MeanRange),
		From: k.day(shown[0].EndedAt), To: k.day(shown[len(shown)-1].EndedAt), Left: len(all) - len(shown),
	}
	c.Field = math.Round((min(c.Low, 97)-c.High)*100) / 100
	for i, p := range shown {
		x := FigurePoint{
			X: place(float64(i)+0.5, float64(len(shown))), Y: height(values[i]), Number: p.Job.Shown(), URL: "/counter/job/" + string(p.Job),
			Ended: k.day(p.EndedAt), Hours: hours(p.Took),
		}
		if i > 0 {
			x.Change = strconv.FormatFloat(math.Abs(values[i]-values[i-1]), 'f', 1, 64)
			last := c.Points[i-1]
			c.Lines = append(c.Lines, FigureLine{last.X, last.Y, x.X, x.Y})
		}
		switch {
		case slices.Contains(limits.Beyond, i):
			x.Signal, x.Words = "beyond", "outside the limits"
		case slices.Contains(limits.Shifted, i):
			x.Signal, x.Words = "shifted", "eight or more in a row on one side"
		}
		c.Points = append(c.Points, x)
	}
	switch n, m := len(limits.Beyond), len(limits.Shifted); {
	case n == 0 && m == 0:
		c.Says = "Nothing stands out: jobs differ as much as they usually do, and no more."
	case m == 0:
		c.Says = plural(n, "One job lies outside the limits: something was different about it.", "%d jobs lie outside the limits: something was different about each.")
	case n == 0:
		c.Says = "Eight or more jobs in a row lie on one side of the mean: the shop has become quicker or slower."
	default:
		c.Says = plural(n, "One job lies outside the limits, and ", "%d jobs lie outside the limits, and ") + "eight or more in a row on one side of the mean: the shop has become quicker or slower."
	}
	return c
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf(more, n)
}

// CounterHours shows when the shop is open, the next twelve months' closures, and what a promise made now
// would give.
type CounterHours struct {
	Page
	Week []WeekDay
	// Open says whether the shop is open now, and until or from when.
	Open     string
	Months   []ClosureMonth
	Promises []PromisePreview
	// Closures counts them all; Days the working days.
	Closures, Days int
}

// Template implements [View].
func (*CounterHours) Template() string { return "counter/hours.html" }

// WeekDay is a weekday with its opening hours.
type WeekDay struct {
	Day   string
	Hours []string
}

// ClosureMonth is a month with the days that are not as usual.
type ClosureMonth struct {
	Month string
	Days  int // working days
	List  []ClosureDay
}

// ClosureDay is a day that is not as usual. Hours are those kept instead, none if closed.
type ClosureDay struct {
	Machine, Day, Name string
	Hours              []string
}

// PromisePreview is what a promise made now would give.
type PromisePreview struct {
	Name, Due string
	// Passes are the closures on the way.
	Passes []string
}

// PreviewOf is a promise to be previewed.
type PreviewOf struct {
	Name  string
	Quota workflow.Quota
}

// CounterHoursOf makes the page.
func CounterHoursOf(page Page, shop *workflow.Shop, now time.Time, promises []PreviewOf) *CounterHours {
	k, cal := newClock(shop, now), shop.Calendar
	v := &CounterHours{Page: page}
	spec := cal.Spec()
	for i := range 7 {
		d := time.Weekday((i + 1) % 7)
		v.Week = append(v.Week, WeekDay{k.w.Weekday(d), spec.Hours[[7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}[d]]})
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
		month := ClosureMonth{Month: k.month(at), Days: cal.WorkingDays(first, next)}
		for _, c := range cal.Closures(first, next) {
			month.List = append(month.List, ClosureDay{c.Date.String(), k.w.Day(calendar.Local(k.loc, c.Date, 12, 0), k.loc), c.Name, c.Hours})
		}
		v.Closures += len(month.List)
		v.Days += month.Days
		v.Months = append(v.Months, month)
	}
	for _, p := range promises {
		x := PromisePreview{Name: p.Name, Due: "never: the calendar has not that much open time"}
		if due, ok := (workflow.Turnaround{Calendar: cal, Start: now, Quota: p.Quota}).Due(); ok {
			x.Due = k.at(due)
			for _, c := range cal.Closures(today+1, cal.Date(due)+1) {
				x.Passes = append(x.Passes, k.w.Day(calendar.Local(k.loc, c.Date, 12, 0), k.loc)+firstOf(prefixed(": ", c.Name), ""))
			}
		}
		v.Promises = append(v.Promises, x)
	}
	return v
}

// prefixed gives a text with something before it, "" for an empty one.
func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}
