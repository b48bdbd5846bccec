package history

import (
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The flow rates of ten batches and their limits: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
// (from memory).
func TestControlChart(t *testing.T) {
	c, ok := NewControlChart([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1})
	require.True(t, ok)
	require.InDelta(t, 50.81, c.Mean, 5e-5)
	require.InDelta(t, 1.8778, c.MeanRange, 5e-5)
	require.InDelta(t, 55.8041, c.High, 5e-5)
	require.InDelta(t, 45.8159, c.Low, 5e-5)
	require.Empty(t, c.Beyond)
	require.Empty(t, c.Shifted)

	steady := []float64{5, 6, 5, 6, 5, 6, 5, 6, 5, 6, 5, 6, 5, 6, 30, 6}
	c, _ = NewControlChart(steady)
	require.Equal(t, []int{14}, c.Beyond)
	c, _ = NewControlChart([]float64{5, 6, 5, 6, 5, 6, 5, 6, 9, 10, 9, 10, 9, 10, 9, 10})
	require.Equal(t, []int{7, 15}, c.Shifted, "the eighth in a row, on either side")
	_, ok = NewControlChart([]float64{5})
	require.False(t, ok)
	c, ok = NewControlChart([]float64{5, 5, 5})
	require.True(t, ok)
	require.Empty(t, c.Beyond)
}

func figuresShop(t testing.TB) *workflow.Shop {
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{
		"mon": {"09:00-17:00"}, "tue": {"09:00-17:00"}, "wed": {"09:00-17:00"}, "thu": {"09:00-17:00"}, "fri": {"09:00-17:00"}}})
	require.NoError(t, err)
	return &workflow.Shop{ID: "harbour", Calendar: cal}
}

// wall reads an instant of the shop's wall.
func wall(t testing.TB, s *workflow.Shop, text string) time.Time {
	at, err := time.ParseInLocation("2006-01-02 15:04", text, s.Calendar.Location())
	require.NoError(t, err)
	return at.UTC()
}

// Four jobs worked out by hand, on a shop open 9 to 5 on weekdays: kept; broken against the first date, kept
// against the second; still here and over; withdrawn before it came.
func TestFigures(t *testing.T) {
	shop := figuresShop(t)
	at := func(s string) time.Time { return wall(t, shop, s) }
	days := func(n int, starts string) workflow.Promise {
		return workflow.Promise{Number: 1, MadeAt: at(starts), Starts: at(starts), Quota: promiseclock.Quota{WorkingDays: n}}
	}
	kept := workflow.Course{Job: "A", BookedAt: at("2026-09-28 09:00"), EndedAt: at("2026-10-07 17:00"), Visits: []workflow.Visit{
		{Stage: workflow.StageBooked, Since: at("2026-09-28 09:00")}, {Stage: workflow.StageReceived, Since: at("2026-10-01 09:00")}, {Stage: workflow.StageDiagnosing, Since: at("2026-10-01 13:00")},
		{Stage: workflow.StageAwaitingApproval, Since: at("2026-10-02 09:00")}, {Stage: workflow.StageRepairing, Since: at("2026-10-05 09:00")}, {Stage: workflow.StageTesting, Since: at("2026-10-07 09:00")}, {Stage: workflow.StageShipped, Since: at("2026-10-07 17:00")}},
		Promises: []workflow.Promise{days(4, "2026-10-01 09:00")}, Pauses: []promiseclock.Pause{{From: at("2026-10-02 09:00"), To: at("2026-10-05 09:00"), For: promiseclock.AccountCustomer, Why: "approval"}}}
	moved := workflow.Course{Job: "B", BookedAt: at("2026-10-05 09:00"), EndedAt: at("2026-11-03 12:00"), Visits: []workflow.Visit{
		{Stage: workflow.StageBooked, Since: at("2026-10-05 09:00")}, {Stage: workflow.StageReceived, Since: at("2026-10-26 09:00")}, {Stage: workflow.StageRepairing, Since: at("2026-10-26 10:00")}, {Stage: workflow.StageShipped, Since: at("2026-11-03 12:00")}},
		Promises: []workflow.Promise{days(4, "2026-10-26 09:00"), {Number: 2, Starts: at("2026-10-30 18:00"), Quota: promiseclock.Quota{WorkingDays: 3}}}}
	over := workflow.Course{Job: "C", BookedAt: at("2026-10-19 09:00"), Visits: []workflow.Visit{
		{Stage: workflow.StageBooked, Since: at("2026-10-19 09:00")}, {Stage: workflow.StageReceived, Since: at("2026-11-02 09:00")}, {Stage: workflow.StageDiagnosing, Since: at("2026-11-02 11:00")}},
		Promises: []workflow.Promise{days(2, "2026-11-02 09:00")}, Pauses: []promiseclock.Pause{{From: at("2026-11-03 09:00"), To: at("2026-11-03 13:00"), For: promiseclock.AccountParts, Why: "hold"}}}
	gone := workflow.Course{Job: "D", BookedAt: at("2026-11-01 09:00"), EndedAt: at("2026-11-02 09:00"), Visits: []workflow.Visit{{Stage: workflow.StageBooked, Since: at("2026-11-01 09:00")}, {Stage: workflow.StageWithdrawn, Since: at("2026-11-02 09:00")}}}

	tally := NewTallier(shop, at("2026-10-15 12:00"), at("2026-11-25 12:00"))
	for _, c := range []workflow.Course{over, gone, moved, kept} {
		tally.Add(&c)
	}
	f := tally.Figures()
	require.Equal(t, PromiseTally{First: Tally{1, 2}, Current: Tally{2, 1}}, f.PromiseTally)
	require.Equal(t, 3, f.Ended)
	require.Len(t, f.Months, 2)
	require.Equal(t, at("2026-10-01 00:00"), f.Months[0].Month.UTC())
	// October: A kept at both; B's first date, the close of Fri 30th, passed.
	require.Equal(t, PromiseTally{First: Tally{1, 1}, Current: Tally{1, 0}}, f.Months[0].PromiseTally)
	require.Equal(t, PromiseTally{First: Tally{0, 1}, Current: Tally{1, 1}}, f.Months[1].PromiseTally)
	require.Equal(t, 1, f.Months[0].Ended)
	// A: Thu 1 to Wed 7, five days of eight hours, one of them the customer's.
	require.Equal(t, promiseclock.Accounts{Bench: 32 * time.Hour, Customer: 8 * time.Hour}, f.Months[0].Time)
	// B: five days and Mon 2, and three hours.
	require.Equal(t, promiseclock.Accounts{Bench: 51 * time.Hour}, f.Months[1].Time)
	require.Equal(t, []TurnaroundPoint{{"A", kept.EndedAt, 32 * time.Hour}, {"B", moved.EndedAt, 51 * time.Hour}}, f.Turnaround)

	stage := func(s workflow.Stage) StageFigures {
		for _, x := range f.Stages {
			if x.Stage == s {
				return x
			}
		}
		return StageFigures{}
	}
	require.Equal(t, StageFigures{Stage: workflow.StageRepairing, FirstPassed: 1, Visits: 2, Time: 66 * time.Hour, Median: 33 * time.Hour}, stage(workflow.StageRepairing))
	require.Equal(t, StageFigures{Stage: workflow.StageDiagnosing, FirstPassed: 1, CurrentPassed: 1, Visits: 1, Time: 4 * time.Hour, Median: 4 * time.Hour}, stage(workflow.StageDiagnosing))
	require.Equal(t, []PauseFigures{
		{Cause: PauseApproval, PromiseTally: PromiseTally{First: Tally{1, 0}, Current: Tally{1, 0}}, Time: 8 * time.Hour},
		{Cause: PauseCustomer},
		{Cause: PauseParts, PromiseTally: PromiseTally{First: Tally{0, 1}, Current: Tally{0, 1}}, Time: 4 * time.Hour},
		{Cause: PauseCarrier},
		{Cause: PauseNone, PromiseTally: PromiseTally{First: Tally{0, 1}, Current: Tally{1, 0}}},
	}, f.Pauses)
}

// Whatever the courses, months, stages and pauses add up to the whole, and the order doesn't matter.
func TestFiguresAddUp(t *testing.T) {
	shop := figuresShop(t)
	begin := wall(t, shop, "2026-01-05 09:00")
	now := wall(t, shop, "2026-12-15 12:00")
	rapid.Check(t, func(t *rapid.T) {
		var all []workflow.Course
		for range rapid.IntRange(0, 12).Draw(t, "jobs") {
			at := begin.Add(time.Duration(rapid.IntRange(0, 300*24).Draw(t, "booked")) * time.Hour)
			next := func(name string) time.Time {
				at = at.Add(time.Duration(rapid.IntRange(0, 300).Draw(t, name)) * time.Hour)
				return at
			}
			c := workflow.Course{Job: "A", BookedAt: at, Visits: []workflow.Visit{{Stage: workflow.StageBooked, Since: at}, {Stage: workflow.StageReceived, Since: next("received")}}}
			c.Promises = []workflow.Promise{{Number: 1, Starts: at, Quota: promiseclock.Quota{WorkingDays: rapid.IntRange(1, 20).Draw(t, "days")}}}
			c.Visits = append(c.Visits, workflow.Visit{Stage: workflow.StageAwaitingApproval, Since: next("quoted")})
			c.Pauses = []promiseclock.Pause{{From: at, For: promiseclock.AccountCustomer, Why: "approval"}}
			if rapid.Bool().Draw(t, "approved") {
				c.Visits = append(c.Visits, workflow.Visit{Stage: workflow.StageRepairing, Since: next("approved")})
				c.Pauses[0].To = at
				if rapid.Bool().Draw(t, "shipped") {
					c.Visits, c.EndedAt = append(c.Visits, workflow.Visit{Stage: workflow.StageShipped, Since: next("shipped")}), at
				}
			}
			if at.Before(now) {
				all = append(all, c)
			}
		}
		count := func(list []workflow.Course) Figures {
			x := NewTallier(shop, begin, now)
			for i := range list {
				x.Add(&list[i])
			}
			return x.Figures()
		}
		f := count(all)
		var months, pauses PromiseTally
		var passed [2]int
		ended, sum := 0, promiseclock.Accounts{}
		for _, m := range f.Months {
			months.First.Kept, months.First.Broken = months.First.Kept+m.First.Kept, months.First.Broken+m.First.Broken
			months.Current.Kept, months.Current.Broken = months.Current.Kept+m.Current.Kept, months.Current.Broken+m.Current.Broken
			ended += m.Ended
			sum = sum.Plus(m.Time)
		}
		require.Equal(t, f.PromiseTally, months)
		require.Equal(t, f.Ended, ended)
		require.Equal(t, f.Time, sum)
		for _, s := range f.Stages {
			passed[0], passed[1] = passed[0]+s.FirstPassed, passed[1]+s.CurrentPassed
		}
		require.Equal(t, [2]int{f.First.Broken, f.Current.Broken}, passed)
		for _, p := range f.Pauses { // one cause a job here
			pauses.First.Kept, pauses.First.Broken = pauses.First.Kept+p.First.Kept, pauses.First.Broken+p.First.Broken
		}
		require.Equal(t, f.First, pauses.First)
		require.LessOrEqual(t, f.First.All(), len(all))
		for i, k := 0, len(all)-1; i < k; i, k = i+1, k-1 {
			all[i], all[k] = all[k], all[i]
		}
		again := count(all)
		f.Turnaround, again.Turnaround = nil, nil
		require.Equal(t, f, again)
	})
}

// A promise whose job ends at the due instant is kept, and broken a millisecond later, as for the job itself.
func TestFiguresBreakAPromiseAsJobsDo(t *testing.T) {
	shop := figuresShop(t)
	due := wall(t, shop, "2026-10-06 17:00")
	for _, late := range []time.Duration{0, time.Millisecond} {
		c := workflow.Course{Job: "A", BookedAt: wall(t, shop, "2026-10-01 09:00"), EndedAt: due.Add(late), Visits: []workflow.Visit{
			{Stage: workflow.StageReceived, Since: wall(t, shop, "2026-10-01 09:00")}, {Stage: workflow.StageShipped, Since: due.Add(late)}},
			Promises: []workflow.Promise{{Number: 1, Starts: wall(t, shop, "2026-10-01 09:00"), Quota: promiseclock.Quota{WorkingDays: 3}}}}
		at, ok := promiseclock.Turnaround{Calendar: shop.Calendar, Start: c.Promises[0].Starts, Quota: c.Promises[0].Quota}.Due()
		require.True(t, ok)
		require.Equal(t, due, at)
		tally := NewTallier(shop, wall(t, shop, "2026-09-01 09:00"), wall(t, shop, "2026-11-01 09:00"))
		tally.Add(&c)
		broken := 0
		for _, m := range tally.Figures().Months {
			broken += m.Current.Broken
		}
		require.Equal(t, late > 0, broken == 1, late)
	}
}
