package counter

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// periods are the stretches of time that figures can be asked for, in months back from this one.
var periods = []struct {
	key, words string
	months     int
}{{"3", "3 months", 2}, {"12", "12 months", 11}, {"36", "3 years", 35}}

// longestJob is how long before a period a job that counts in it may have been booked.
const longestJob = 366 * 24 * time.Hour

// figures counts what the store holds.
func (x *counter) figures(c *fiber.Ctx) (f workflow.Figures, period string, err error) {
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
	tally := workflow.NewTallier(shop, from, now)
	for course, err := range workflow.EachCourse(ctx, x.s.Service().Store, shop.ID) {
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
	v := templates.CounterFiguresOf(x.s.Page(c, "Figures"), f, x.s.Shop(), x.s.Now())
	for _, p := range periods {
		v.Periods = append(v.Periods, templates.StageFilter{Words: p.words, URL: "/counter/figures?months=" + p.key, Here: p.key == period})
	}
	v.Query = "?months=" + period
	return x.s.Render(c, fiber.StatusOK, v)
}

// hoursOf gives working hours with four decimals: 0.36 s.
func hoursOf(d time.Duration) string { return strconv.FormatFloat(d.Hours(), 'f', 4, 64) }

// figureTables are the tables that figures can be had in, by the name of the file: a head, and the rows.
var figureTables = map[string]func(f *workflow.Figures, zone *time.Location) [][]string{
	"promises": func(f *workflow.Figures, zone *time.Location) [][]string {
		out := [][]string{{"month", "last_date_kept", "last_date_broken", "first_date_kept", "first_date_broken"}}
		for _, m := range f.Months {
			out = append(out, []string{m.Month.In(zone).Format("2006-01"), itoa(m.Current.Kept), itoa(m.Current.Broken), itoa(m.First.Kept), itoa(m.First.Broken)})
		}
		return out
	},
	"stages": func(f *workflow.Figures, _ *time.Location) [][]string {
		out := [][]string{{"stage", "last_date_passed", "first_date_passed", "stays", "median_hours", "total_hours"}}
		for _, s := range f.Stages {
			out = append(out, []string{string(s.Stage), itoa(s.CurrentPassed), itoa(s.FirstPassed), itoa(s.Visits), hoursOf(s.Median), hoursOf(s.Time)})
		}
		return out
	},
	"pauses": func(f *workflow.Figures, _ *time.Location) [][]string {
		out := [][]string{{"waiting_for", "last_date_kept", "last_date_broken", "first_date_kept", "first_date_broken", "hours"}}
		for _, p := range f.Pauses {
			out = append(out, []string{string(p.Cause), itoa(p.Current.Kept), itoa(p.Current.Broken), itoa(p.First.Kept), itoa(p.First.Broken), hoursOf(p.Time)})
		}
		return out
	},
	"time": func(f *workflow.Figures, zone *time.Location) [][]string {
		out := [][]string{{"month", "jobs", "bench_hours", "customer_hours", "parts_hours", "carrier_hours"}}
		for _, m := range f.Months {
			out = append(out, []string{m.Month.In(zone).Format("2006-01"), itoa(m.Ended), hoursOf(m.Time.Bench), hoursOf(m.Time.Customer), hoursOf(m.Time.Parts), hoursOf(m.Time.Carrier)})
		}
		return out
	},
	"turnaround": func(f *workflow.Figures, _ *time.Location) [][]string {
		out := [][]string{{"job", "left_at", "bench_hours"}}
		for _, p := range f.Turnaround {
			out = append(out, []string{string(p.Job), p.EndedAt.UTC().Format(time.RFC3339), hoursOf(p.Took)})
		}
		return out
	},
}

func itoa(n int) string { return strconv.Itoa(n) }

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

func (x *counter) showHours(c *fiber.Ctx) error {
	shop := x.s.Shop()
	var promises []templates.PreviewOf
	for i := range shop.Levels {
		if l := &shop.Levels[i]; !l.ByDate {
			promises = append(promises, templates.PreviewOf{Name: l.Name, Quota: l.Promise})
		}
	}
	if n := shop.PromiseDays; n > 0 && len(shop.Levels) == 0 {
		promises = append(promises, templates.PreviewOf{Name: fmt.Sprintf("%d working days", n), Quota: workflow.Quota{WorkingDays: n}})
	}
	return x.s.Render(c, fiber.StatusOK, templates.CounterHoursOf(x.s.Page(c, "Opening hours"), shop, x.s.Now(), promises))
}
