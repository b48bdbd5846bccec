package counter

import (
	"testing"
	"time"

	"benchword/templates"
	"benchword/workflow/history"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Whatever the figures, every mark lies within its picture, and says no more than the table beside it.
func TestPlotsStayInside(t *testing.T) {
	d := newDesk(t)
	k := newClock(d.svc.Shop, d.now)
	inside := func(t require.TestingT, x ...float64) {
		for _, v := range x {
			require.GreaterOrEqual(t, v, 0.0)
			require.LessOrEqual(t, v, 100.01)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		var points []history.TurnaroundPoint
		for i := range rapid.IntRange(0, 90).Draw(t, "jobs") {
			points = append(points, history.TurnaroundPoint{Job: "K7M2QX8", EndedAt: d.now.Add(time.Duration(i) * time.Hour), Took: time.Duration(rapid.IntRange(0, 400).Draw(t, "hours")) * time.Hour})
		}
		c := k.chart(points)
		if len(points) < 2 {
			require.Nil(t, c)
			return
		}
		require.Len(t, c.Points, min(len(points), chartOf))
		require.Len(t, c.Lines, len(c.Points)-1)
		require.Equal(t, len(points), len(c.Points)+c.Left)
		inside(t, c.Mean, c.High, c.Field, c.High+c.Field)
		require.LessOrEqual(t, c.High, c.Mean, "up is more")
		if c.HasLow {
			inside(t, c.Low)
			require.LessOrEqual(t, c.Mean, c.Low)
		}
		beyond := false
		for _, p := range c.Points {
			inside(t, p.X, p.Y)
			outside := p.Y < c.High-0.02 || c.HasLow && p.Y > c.Low+0.02
			require.True(t, !outside || p.Signal == "beyond", "what lies outside is marked")
			beyond = beyond || p.Signal != ""
		}
		require.Equal(t, beyond, c.Says != "Nothing stands out: jobs differ as much as they usually do, and no more.")

		f := history.Figures{From: d.now, Months: []history.MonthFigures{{Month: d.now}, {Month: d.now.AddDate(0, 1, 0)}}}
		for i := range f.Months {
			f.Months[i].Current = history.Tally{Kept: rapid.IntRange(0, 50).Draw(t, "kept"), Broken: rapid.IntRange(0, 50).Draw(t, "broken")}
			f.Months[i].Time = promiseclock.Accounts{Bench: time.Duration(rapid.IntRange(0, 50).Draw(t, "bench")) * time.Hour, Parts: time.Duration(rapid.IntRange(0, 50).Draw(t, "parts")) * time.Hour}
		}
		v := figuresPageOf(templates.Page{Lang: "en"}, f, d.svc.Shop, d.now)
		for i := range f.Months {
			for _, bars := range [][]bar{v.Months[i].Bars, v.Time[i].Bars} {
				for _, x := range bars {
					inside(t, x.X, x.Width, x.X+x.Width)
				}
			}
			if n := f.Months[i].Current.All(); n > 0 && n == max(f.Months[0].Current.All(), f.Months[1].Current.All()) {
				require.InDelta(t, 100, v.Months[i].Bars[0].Width+v.Months[i].Bars[1].Width, 0.02, "the longest bar takes all the room")
			}
		}
	})
}
