package history

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/forecast"

	"github.com/stretchr/testify/require"
)

// history makes a shop's courses up to now: about one job a working day, of two kinds, the second of which takes
// twice as long.
func history(shop *workflow.Shop, jobs int, now time.Time) []workflow.Course {
	chance := rand.New(rand.NewPCG(1, 5))
	var all []workflow.Course
	for i := range jobs {
		at := now.AddDate(0, 0, -(jobs-i)*7/5)
		c := workflow.Course{BookedAt: at, Kind: []string{"Film scanner", "stage piano"}[i%2], Visits: []workflow.Visit{{Stage: workflow.StageBooked, Since: at}}}
		size := float64(1+i%2) * math.Exp(0.3*chance.NormFloat64())
		for _, s := range []struct {
			stage workflow.Stage
			hours float64
		}{{workflow.StageReceived, 4}, {workflow.StageDiagnosing, 6}, {workflow.StageAwaitingApproval, 12}, {workflow.StageRepairing, 12}, {workflow.StageTesting, 3}, {workflow.StageShipped, 0}} {
			if at.After(now) {
				break
			}
			c.Visits = append(c.Visits, workflow.Visit{Stage: s.stage, Since: at})
			if s.stage == workflow.StageShipped {
				c.EndedAt = at
				break
			}
			at, _ = shop.Calendar.After(at, time.Duration(s.hours*size*math.Exp(0.4*chance.NormFloat64())*3600)*time.Second)
		}
		all = append(all, c)
	}
	return all
}

func TestForecast(t *testing.T) {
	shop := figuresShop(t)
	now := wall(t, shop, "2026-11-25 10:00")
	past := history(shop, 160, now)
	f, err := NewForecast(shop.Calendar, past, now)
	require.NoError(t, err)
	require.Equal(t, 160, f.Jobs)
	job := func(kind string, stage workflow.Stage, since string) *workflow.Job {
		return &workflow.Job{Device: workflow.Device{Kind: kind}, Stage: stage, StageSince: wall(t, shop, since), BookedAt: wall(t, shop, since)}
	}
	scanner := job(" film  SCANNER", workflow.StageRepairing, "2026-11-25 09:00")
	quick, err := f.Outlook(scanner, now)
	require.NoError(t, err)
	require.Equal(t, " film  SCANNER", quick.Kind, "kinds are compared as people read them")
	require.GreaterOrEqual(t, quick.Jobs, forecast.KindNeeds)
	require.True(t, now.Before(quick.From) && quick.From.Before(quick.Median) && quick.Median.Before(quick.To), "%v", quick)
	for _, at := range []time.Time{quick.From, quick.To, quick.Median} {
		require.True(t, shop.Calendar.Open(at.Add(-time.Second)), "devices leave while the shop is open")
	}
	slow, err := f.Outlook(job("stage piano", workflow.StageRepairing, "2026-11-25 09:00"), now)
	require.NoError(t, err)
	require.True(t, quick.Median.Before(slow.Median), "pianos take longer")
	other, err := f.Outlook(job("marine radio", workflow.StageRepairing, "2026-11-25 09:00"), now)
	require.NoError(t, err)
	require.Empty(t, other.Kind, "a kind that never came is told what all kinds are")
	require.Greater(t, other.Jobs, quick.Jobs)
	testing, err := f.Outlook(job("film scanner", workflow.StageTesting, "2026-11-25 09:00"), now)
	require.NoError(t, err)
	require.True(t, testing.Median.Before(quick.Median), "nearer to the end")

	last := 101
	for _, due := range []string{"2026-11-25 11:00", "2026-11-26 12:00", "2026-11-27 12:00", "2026-12-01 12:00", "2027-03-01 12:00"} {
		percent, ok := f.Missed(scanner, wall(t, shop, due), now)
		require.True(t, ok)
		require.LessOrEqual(t, percent, last, "a later date is missed less")
		last = percent
	}
	require.Less(t, last, 2)
	percent, _ := f.Missed(scanner, now.Add(time.Minute), now)
	require.Greater(t, percent, 95)
	tenth, _ := f.Missed(scanner, quick.To, now)
	require.InDelta(t, 10, tenth, 1, "what is beyond the range is missed by one in ten")

	for _, j := range []*workflow.Job{job("film scanner", workflow.StageBooked, "2026-11-25 09:00"), job("film scanner", workflow.StageShipped, "2026-11-25 09:00")} {
		_, err = f.Outlook(j, now)
		require.ErrorIs(t, err, ErrNoOutlook)
		_, ok := f.Missed(j, now, now)
		require.False(t, ok)
	}

	// Little history, no dates.
	for _, n := range []int{0, 1, 12} {
		f, err = NewForecast(shop.Calendar, past[:n], now)
		require.NoError(t, err)
		_, err = f.Outlook(scanner, now)
		var none *forecast.NoRange
		require.True(t, errors.As(err, &none), "%d jobs: %v", n, err)
		_, ok := f.Missed(scanner, now, now)
		require.False(t, ok)
	}
}
