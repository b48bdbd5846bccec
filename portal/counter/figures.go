package counter

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/history"
	"benchword/workflow/promiseclock"

	"github.com/gofiber/fiber/v2"
)

// figuresPage is what the owner of the shop wants to know: promises kept, where time goes, turnaround.
type figuresPage struct {
	templates.Page
	// Periods are the stretches of time to choose from; Since says which one it is.
	Periods []stageFilter
	Since   string
	// Query is the period as an address has it, for the files.
	Query string
	// First and Current sum up the promises by the first date told and by the last, "" where none is decided.
	First, Current string
	// Empty: nothing has ended and no promise is decided.
	Empty  bool
	Months []figureMonth
	Stages []figureStage
	Pauses []figurePause
	Time   []figureTime
	// Chart is the control chart of turnaround, nil where fewer than two jobs have left.
	Chart *figureChart
}

func (*figuresPage) Template() string { return "figures.html" }

// bar is a piece of a bar, from X on and Width long, in percent of the room there is.
type bar struct {
	Kind     string // for the style sheet
	X, Width float64
}

// figureMonth is a month's promises.
type figureMonth struct {
	Month          string
	First, Current history.Tally
	// Bars show Current, to the same scale in all months.
	Bars []bar
}

// figureStage is a stage: when promises were passed there, and how long jobs stay.
type figureStage struct {
	Stage                      string
	FirstPassed, CurrentPassed int
	Visits                     int
	Median, Total              string
	Bars                       []bar
}

// figurePause is a cause for which the clock stood still.
type figurePause struct {
	Cause          string
	First, Current history.Tally
	Total          string
}

// figureTime is whose open time a month's ended jobs took.
type figureTime struct {
	Month                           string
	Jobs                            int
	Bench, Customer, Parts, Carrier string
	Bars                            []bar
}

// figureChart is a control chart of individuals. Places are percent of the picture's width and height.
type figureChart struct {
	Points []figurePoint
	// Lines join neighbouring points.
	Lines []figureLine
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

// figurePoint is one job on the chart.
type figurePoint struct {
	X, Y          float64
	Number, URL   string
	Ended         string
	Hours, Change string
	// Signal is "" for a job as others, "beyond" or "shifted"; Words says it.
	Signal, Words string
}

// figureLine joins two points.
type figureLine struct{ X1, Y1, X2, Y2 float64 }

// chartOf is how many jobs the chart shows at most: the last ones.
const chartOf = 60

// pauseWords name causes.
var pauseWords = map[history.PauseCause]string{
	history.PauseApproval: "an answer to the quote",
	history.PauseCustomer: "the customer, or a payment",
	history.PauseParts:    "parts",
	history.PauseCarrier:  "the carrier",
	history.PauseNone:     "it never stood still",
}

// month names a month with its year.
func (k clockOf) month(t time.Time) string {
	t = t.In(k.loc)
	return k.w.T("month."+t.Format("01")) + " " + t.Format("2006")
}

// place rounds a percentage for a picture.
func place(part, whole float64) float64 {
	if whole <= 0 {
		return 0
	}
	return math.Round(part/whole*10000) / 100
}

func tallyWords(t history.Tally, what string) string {
	if t.All() == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d kept by the %s date told (%.0f %%).", t.Kept, t.All(), what, 100*float64(t.Kept)/float64(t.All()))
}

// figuresPageOf makes the page.
func figuresPageOf(page templates.Page, f history.Figures, shop *workflow.Shop, now time.Time) *figuresPage {
	k := newClock(shop, now)
	v := &figuresPage{
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
		v.Months = append(v.Months, figureMonth{Month: name, First: m.First, Current: m.Current, Bars: []bar{{"kept", 0, kept}, {"broken", kept, broken}}})
		t := figureTime{Month: name, Jobs: m.Ended, Bench: inHours(m.Time.Bench), Customer: inHours(m.Time.Customer), Parts: inHours(m.Time.Parts), Carrier: inHours(m.Time.Carrier)}
		at := 0.0
		for _, who := range []promiseclock.Account{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
			w := place(float64(m.Time.Of(who)), float64(mostTime))
			t.Bars = append(t.Bars, bar{string(who), at, w})
			at += w
		}
		v.Time = append(v.Time, t)
	}
	longest := time.Duration(0)
	for _, s := range f.Stages {
		longest = max(longest, s.Time)
	}
	for _, s := range f.Stages {
		v.Stages = append(v.Stages, figureStage{
			Stage: stageWords[s.Stage], FirstPassed: s.FirstPassed, CurrentPassed: s.CurrentPassed, Visits: s.Visits, Median: inHours(s.Median), Total: inHours(s.Time),
			Bars: []bar{{"bench", 0, place(float64(s.Time), float64(longest))}},
		})
	}
	for _, p := range f.Pauses {
		v.Pauses = append(v.Pauses, figurePause{Cause: pauseWords[p.Cause], First: p.First, Current: p.Current, Total: inHours(p.Time)})
	}
	v.Chart = k.chart(f.Turnaround)
	return v
}

// shownTurnaround returns the jobs that the control chart shows: the last ones.
func shownTurnaround(all []history.TurnaroundPoint) []history.TurnaroundPoint {
	return all[max(0, len(all)-chartOf):]
}

func (k clockOf) chart(all []history.TurnaroundPoint) *figureChart {
	shown := shownTurnaround(all)
	values := make([]float64, len(shown))
	for i, p := range shown {
		values[i] = p.Took.Hours()
	}
	limits, ok := history.NewControlChart(values)
	if !ok {
		return nil
	}
	top := max(limits.High, slices.Max(values)) * 1.08
	if top <= 0 {
		top = 1
	}
	height := func(v float64) float64 { return math.Round((1-max(v, 0)/top)*9400+300) / 100 } // 3 % of room above and below
	one := func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) + " h" }
	c := &figureChart{
		Mean: height(limits.Mean), High: height(limits.High), Low: height(limits.Low), HasLow: limits.Low > 0,
		MeanWords: one(limits.Mean), HighWords: one(limits.High), LowWords: one(limits.Low), RangeWords: one(limits.MeanRange),
		From: k.day(shown[0].EndedAt), To: k.day(shown[len(shown)-1].EndedAt), Left: len(all) - len(shown),
	}
	c.Field = math.Round((min(c.Low, 97)-c.High)*100) / 100
	for i, p := range shown {
		x := figurePoint{
			X: place(float64(i)+0.5, float64(len(shown))), Y: height(values[i]), Number: p.Job.Shown(), URL: "/counter/job/" + string(p.Job),
			Ended: k.day(p.EndedAt), Hours: inHours(p.Took),
		}
		if i > 0 {
			x.Change = strconv.FormatFloat(math.Abs(values[i]-values[i-1]), 'f', 1, 64)
			last := c.Points[i-1]
			c.Lines = append(c.Lines, figureLine{last.X, last.Y, x.X, x.Y})
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

// periods are the stretches of time that figures can be asked for, in months back from this one.
var periods = []struct {
	key, words string
	months     int
}{{"3", "3 months", 2}, {"12", "12 months", 11}, {"36", "3 years", 35}}

// longestJob is how long before a period a job that counts in it may have been booked.
const longestJob = 366 * 24 * time.Hour

// figures counts what the store holds.
func (x *counter) figures(c *fiber.Ctx) (f history.Figures, period string, err error) {
	months := periods[1].months
	period = periods[1].key
	for _, p := range periods {
		if c.Query("months") == p.key {
			period, months = p.key, p.months
		}
	}
	ctx, shop, now := c.UserContext(), x.s.Shop(), x.s.Now()
	y, m, _ := now.In(shop.Calendar.Location()).Date()
	from := time.Date(y, m-time.Month(months), 1, 12, 0, 0, 0, shop.Calendar.Location())
	tally := history.NewTallier(shop, from, now)
	for course, err := range x.s.Service().Courses(ctx) {
		if err != nil {
			return f, period, err
		}
		if course.BookedAt.Before(from.Add(-longestJob)) {
			break
		}
		tally.Add(course)
	}
	return tally.Figures(), period, nil
}

func (x *counter) showFigures(c *fiber.Ctx) error {
	f, period, err := x.figures(c)
	if err != nil {
		return err
	}
	v := figuresPageOf(x.s.Page(c, "Figures"), f, x.s.Shop(), x.s.Now())
	for _, p := range periods {
		v.Periods = append(v.Periods, stageFilter{Words: p.words, URL: "/counter/figures?months=" + p.key, Here: p.key == period})
	}
	v.Query = "?months=" + period
	return x.render(c, fiber.StatusOK, v)
}

// hoursOf returns working hours with four decimals: 0.36 s.
func hoursOf(d time.Duration) string { return strconv.FormatFloat(d.Hours(), 'f', 4, 64) }

// figureTables are the tables that figures can be had in, by the name of the file: a head, and the rows.
var figureTables = map[string]func(f *history.Figures, zone *time.Location) [][]string{
	"promises": func(f *history.Figures, zone *time.Location) [][]string {
		out := [][]string{{"month", "last_date_kept", "last_date_broken", "first_date_kept", "first_date_broken"}}
		for _, m := range f.Months {
			out = append(out, []string{m.Month.In(zone).Format("2006-01"), itoa(m.Current.Kept), itoa(m.Current.Broken), itoa(m.First.Kept), itoa(m.First.Broken)})
		}
		return out
	},
	"stages": func(f *history.Figures, _ *time.Location) [][]string {
		out := [][]string{{"stage", "last_date_passed", "first_date_passed", "stays", "median_hours", "total_hours"}}
		for _, s := range f.Stages {
			out = append(out, []string{string(s.Stage), itoa(s.CurrentPassed), itoa(s.FirstPassed), itoa(s.Visits), hoursOf(s.Median), hoursOf(s.Time)})
		}
		return out
	},
	"pauses": func(f *history.Figures, _ *time.Location) [][]string {
		out := [][]string{{"waiting_for", "last_date_kept", "last_date_broken", "first_date_kept", "first_date_broken", "hours"}}
		for _, p := range f.Pauses {
			out = append(out, []string{string(p.Cause), itoa(p.Current.Kept), itoa(p.Current.Broken), itoa(p.First.Kept), itoa(p.First.Broken), hoursOf(p.Time)})
		}
		return out
	},
	"time": func(f *history.Figures, zone *time.Location) [][]string {
		out := [][]string{{"month", "jobs", "bench_hours", "customer_hours", "parts_hours", "carrier_hours"}}
		for _, m := range f.Months {
			out = append(out, []string{m.Month.In(zone).Format("2006-01"), itoa(m.Ended), hoursOf(m.Time.Bench), hoursOf(m.Time.Customer), hoursOf(m.Time.Parts), hoursOf(m.Time.Carrier)})
		}
		return out
	},
	"turnaround": func(f *history.Figures, _ *time.Location) [][]string {
		out := [][]string{{"job", "left_at", "bench_hours"}}
		for _, p := range f.Turnaround {
			out = append(out, []string{string(p.Job), p.EndedAt.UTC().Format(time.RFC3339), hoursOf(p.Took)})
		}
		return out
	},
}

func (x *counter) figureFile(c *fiber.Ctx) error {
	name := c.Params("table")
	table := figureTables[name]
	if table == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such table. Go back to the figures and choose one there."}
	}
	f, _, err := x.figures(c)
	if err != nil {
		return err
	}
	b, err := writeCSV(table(&f, x.s.Shop().Calendar.Location()))
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "text/csv; charset=utf-8; header=present")
	c.Set(fiber.HeaderContentDisposition, fmt.Sprintf("attachment; filename=%q", name+".csv"))
	return c.Send(b)
}

// writeCSV writes rows by RFC 4180. A value that a spreadsheet would take for a formula gets an apostrophe
// before it (OWASP ASVS 5.0, V1.2.10).
func writeCSV(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	for _, row := range rows {
		safe := make([]string, len(row))
		for i, s := range row {
			if s != "" && strings.ContainsRune("=+-@\t\r\x00", rune(s[0])) {
				s = "'" + s
			}
			safe[i] = s
		}
		if err := w.Write(safe); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}
