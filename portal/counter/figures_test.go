package counter

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/history"

	"github.com/stretchr/testify/require"
)

// Figures are the owner's alone, on the page and in the files.
func TestFiguresAreTheOwners(t *testing.T) {
	d := newDesk(t)
	olga := d.as("olga")
	require.Contains(t, olga.page("/counter/figures").body, "There is nothing to count yet.")
	d.shipped()
	for _, path := range []string{"/counter/figures", "/counter/figures/promises.csv", "/counter/figures/turnaround.csv"} {
		for _, login := range []string{"rosa", "nils"} {
			g := d.as(login).get(path)
			require.Equal(t, http.StatusForbidden, g.StatusCode, "%s, %s", login, path)
			require.NotContains(t, d.as(login).page("/counter").body, `href="/counter/figures"`)
		}
		require.Equal(t, http.StatusOK, olga.get(path).StatusCode, path)
	}
	require.Contains(t, olga.page("/counter").body, `href="/counter/figures"`)
	page := olga.page("/counter/figures?months=3")
	require.Contains(t, page.body, "1 of 1 kept by the last date told (100 %).")
	require.Contains(t, page.body, "Fewer than two jobs have left")
	require.Contains(t, page.body, `href="/counter/figures/stages.csv?months=3"`)
	require.Equal(t, http.StatusNotFound, olga.get("/counter/figures/secrets.csv").StatusCode)
	for name := range figureTables {
		g := olga.get("/counter/figures/" + name + ".csv?months=3")
		require.Equal(t, http.StatusOK, g.StatusCode, name)
		require.Equal(t, "text/csv; charset=utf-8; header=present", g.Header.Get("Content-Type"))
		require.Contains(t, g.Header.Get("Content-Disposition"), name+".csv")
		rows, err := csv.NewReader(strings.NewReader(g.body)).ReadAll()
		require.NoError(t, err, name)
		require.Greater(t, len(rows), 1, name)
	}
	require.Contains(t, olga.get("/counter/figures/turnaround.csv").body, string(d.n))
}

// A value that a spreadsheet would take for a formula is told to be text: OWASP ASVS 5.0, V1.2.10.
func TestCSVHoldsNoFormulas(t *testing.T) {
	b, err := writeCSV([][]string{{"=1+2", "+1", "-1", "@x", "\tx", "\x00", "x=1", "", "a,b", "two\nlines", `"`}})
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(b))).ReadAll()
	require.NoError(t, err)
	require.Equal(t, [][]string{{"'=1+2", "'+1", "'-1", "'@x", "'\tx", "'\x00", "x=1", "", "a,b", "two\nlines", `"`}}, rows)
	require.True(t, strings.HasSuffix(string(b), "\r\n"), "RFC 4180")
}

// The next twelve months: holidays by name, the shop's own closures, and what a promise made now would give.
func TestOpeningHours(t *testing.T) {
	d := newDesk(t)
	var closed []calendar.Exception
	day := func(s string) calendar.Date {
		x, err := calendar.ParseDate(s)
		require.NoError(t, err)
		return x
	}
	last := day("2026-11-20")
	closed = append(closed, calendar.Exception{Date: day("2026-11-19"), To: &last, Name: "Stocktaking"}, calendar.Exception{Date: day("2026-12-24"), Hours: []string{"09:00-12:00"}})
	spec := d.svc.Shop.Calendar.Spec()
	spec.Closed, spec.Holidays = closed, []calendar.Holidays{{Set: "ca-ns"}}
	cal, err := calendar.New(spec)
	require.NoError(t, err)
	d.svc.Shop.Calendar = cal
	page := d.as("nils").page("/counter/hours").body
	// Ten working days after Mon 16 November, without the two of the stocktaking: Wed 2 December.
	require.Contains(t, page, "10 working days: Wed 2 December 17:00")
	require.Contains(t, page, "On the way: Thu 19 November: Stocktaking; Fri 20 November: Stocktaking.")
	require.Contains(t, page, `<time datetime="2026-11-19">Thu 19 November</time>: Stocktaking, closed`)
	require.Contains(t, page, `<time datetime="2026-12-24">Thu 24 December</time>: open 09:00-12:00`)
	require.Contains(t, page, `<time datetime="2026-12-25">Fri 25 December</time>: Christmas Day, closed`)
	require.Contains(t, page, "The shop is open now.")
	require.NotContains(t, page, "2027-11-16")

	// Twelve months from any day on: each day counts once, in whatever month it begins.
	for _, now := range []string{"2027-02-28", "2028-02-29", "2026-12-31", "2027-01-01"} {
		from := day(now)
		at := calendar.Local(cal.Location(), from, 12, 0)
		y, m, dd := at.In(cal.Location()).Date()
		v := hoursPageOf(templates.Page{Lang: "en"}, d.svc.Shop, at, nil)
		until := calendar.NewDate(y+1, time.Month(m), dd)
		require.Equal(t, cal.WorkingDays(from, until), v.Days, now)
		require.Equal(t, len(cal.Closures(from, until)), v.Closures, now)
	}
}

// At the counter a job with no history behind it is told no date, and says so.
func TestForecastAtTheCounter(t *testing.T) {
	d := newDesk(t)
	d.repairing()
	d.do(bench, workflow.NoteCondition{Text: "Scratched."}) // changes nothing of its course
	var courses []workflow.Course
	for c, err := range d.svc.Courses(t.Context()) {
		require.NoError(t, err)
		courses = append(courses, *c)
	}
	require.Equal(t, []workflow.Course{d.job().Course()}, courses, "the service keeps it with the commit that changes it")
	f := &history.Forecaster{Service: d.svc}
	require.Nil(t, f.Forecast())
	require.NoError(t, f.Renew(t.Context(), d.now))
	v := forecastViewOf(f.Forecast(), d.job(), d.svc.Shop, d.now)
	require.Equal(t, "No date is guessed: that takes 9 earlier jobs that went through “Repairing” like this one, and there are 0.", v.None)
	require.Empty(t, v.Range)
	require.Nil(t, forecastViewOf(nil, d.job(), d.svc.Shop, d.now))
}

// Staff read a midnight by the day that it ends, as the customer does.
func TestMidnightIsTheDayThatItEnds(t *testing.T) {
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": {"00:00-24:00"}, "tue": {"00:00-24:00"}}})
	require.NoError(t, err)
	at := time.Date(2026, 11, 10, 0, 0, 0, 0, cal.Location())
	k := newClock(&workflow.Shop{Calendar: cal}, at.Add(-5*time.Hour))
	require.Equal(t, "today 24:00", k.due(at))
}
