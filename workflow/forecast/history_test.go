package forecast

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestKnown(t *testing.T) {
	h := History{
		{Begun: 30, Ended: 34, Finished: true},
		{Begun: 10, Ended: 25, Finished: true},
		{Begun: 12},
		{Begun: 20, Ended: 29, Finished: true},
	}
	require.Empty(t, h.Known(10, 0))
	require.Equal(t, []Stay{{5, false}, {3, false}}, h.Known(15, 0))
	require.Equal(t, []Stay{{15, true}, {16, false}, {8, false}}, h.Known(28, 0))
	require.Equal(t, []Stay{{28, false}, {9, true}, {4, true}}, h.Known(40, 3), "the three that began last")
	require.Equal(t, []Stay{{9, true}}, h.Known(30, 1), "one that begins now is not known yet")
}

func TestOutlookTellsOnlyWhatItKnows(t *testing.T) {
	var h History
	_, err := h.Outlook(Question{At: 5, Coverage: 0.8})
	var none *NoRange
	require.True(t, errors.As(err, &none), "a shop without history gives no range")
	require.Equal(t, 0, none.Finished)

	for i := range 9 {
		b := float64(i)
		h = append(h, Past{Begun: b, Ended: b + 10 + b, Finished: true, Kind: "stage piano"})
	}
	h = append(h, Past{Begun: 0, Ended: 50, Finished: true, Kind: "film scanner"})
	o, err := h.Outlook(Question{At: 100, Kind: "stage piano", Coverage: 0.8})
	require.NoError(t, err)
	require.Equal(t, Outlook{Range: Range{10, 18}, Median: 14, MedianKnown: true, Finished: 9, OfKind: true}, o)
	o, err = h.Outlook(Question{At: 100, Kind: "film scanner", Coverage: 0.8})
	require.NoError(t, err)
	require.Equal(t, Outlook{Range: Range{10, 50}, Median: 14, MedianKnown: true, Finished: 10}, o, "too few scanners: any kind")
	_, err = h.Outlook(Question{At: 100, Waited: 15, Coverage: 0.8})
	require.True(t, errors.As(err, &none))
	require.Equal(t, 4, none.Finished, "jobs that took more than 15")
	o, err = h.Outlook(Question{At: 100, Waited: 9, Coverage: 0.8})
	require.NoError(t, err)
	require.Equal(t, Range{1, 41}, o.Range)

	_, err = h.Outlook(Question{At: 100})
	require.ErrorContains(t, err, "must lie between 0 and 1")
	_, err = History{{Begun: 5, Ended: 2, Finished: true}}.Outlook(Question{At: 9, Coverage: 0.8})
	require.EqualError(t, err, "stay 1: the duration -3 is below 0")
}

// simulate makes a history whose truth is known: a job begins about every hour, and takes 40 hours in the middle,
// log-normally spread; over the whole history jobs come to take (1+slower) times as long.
func simulate(chance *rand.Rand, jobs int, slower float64) (h History, began float64) {
	now := 0.0
	for i := range jobs {
		now += chance.ExpFloat64()
		took := 40 * math.Exp(0.5*chance.NormFloat64()) * (1 + slower*float64(i)/float64(jobs))
		h = append(h, Past{Begun: now, Ended: now + took, Finished: true})
	}
	return h, now
}

// Each trial is a shop of its own, so that trials are independent and binomial bounds apply. The question is
// asked for the last but 30 of its jobs: when it begins, and when it has been there for 30 hours and is still
// not finished.
// A job that begins last in the history of a shop that gets slower takes half as long again as one that began first.
//
// Figures: Ranges of 80 % of one duration held 80.4 % of the time as ever, 80.5 % while
// slowing down.
//
//	go test ./workflow/forecast -run Backtest -v
func TestBacktest(t *testing.T) {
	const trials, coverage = 800, 0.8
	for name, c := range map[string]struct {
		jobs   int
		slower float64
	}{
		"as ever":     {400, 0},
		"ever slower": {1000, 0.5},
		"ever faster": {1000, -0.3},
	} {
		t.Run(name, func(t *testing.T) {
			chance := rand.New(rand.NewPCG(3, uint64(c.jobs)))
			begins, waits, waiting, all, quick := 0, 0, 0, 0, 0
			for range trials {
				h, _ := simulate(chance, c.jobs, c.slower)
				job := h[len(h)-30]
				took := job.Ended - job.Begun
				o, err := h.Outlook(Question{At: job.Begun, Coverage: coverage})
				require.NoError(t, err)
				begins += count(o.Range, took)

				if took > 30 {
					o, err = h.Outlook(Question{At: job.Begun + 30, Waited: 30, Coverage: coverage})
					require.NoError(t, err)
					waiting++
					waits += count(o.Range, took-30)
				}

				// What it is measured against: everything ever known, and finished jobs only.
				everything, err := Estimate(h.Known(job.Begun, 0))
				require.NoError(t, err)
				r, err := everything.Range(coverage)
				require.NoError(t, err)
				all += count(r, took)
				var finished []Stay
				for _, s := range h.Known(job.Begun, 100) {
					if s.Finished {
						finished = append(finished, s)
					}
				}
				only, err := Estimate(finished)
				require.NoError(t, err)
				r, err = only.Range(coverage)
				require.NoError(t, err)
				quick += count(r, took)
			}
			// Of the newest 200 some 150 have finished: 2/(n+1) is 0.013, and 0.02 where 100 are left after 30 hours.
			within(t, name+": a job that begins", begins, trials, coverage, coverage+0.015)
			within(t, name+": a job that has waited", waits, waiting, coverage, coverage+0.025)
			t.Logf("%s: for comparison: by all jobs ever %.1f %%, by the newest finished jobs only %.1f %%",
				name, 100*float64(all)/trials, 100*float64(quick)/trials)
			if c.slower >= 0 {
				require.Less(t, quick, begins-trials/50, "leaving unfinished jobs out does not hold")
			}
		})
	}
}

// Where the newest jobs don't say enough, older ones are asked too.
func TestOutlookLooksBack(t *testing.T) {
	var h History
	for i := range 40 {
		h = append(h, Past{Begun: float64(i), Ended: float64(i) + 50, Finished: true})
	}
	for i := range Newest {
		h = append(h, Past{Begun: 100 + float64(i)/Newest})
	}
	o, err := h.Outlook(Question{At: 110, Coverage: 0.8, Waited: 20})
	require.NoError(t, err)
	require.Equal(t, Outlook{Range: Range{30, 30}, Median: 30, MedianKnown: true, Finished: 40}, o)
}

func count(r Range, x float64) int {
	if r.Low <= x && x <= r.High {
		return 1
	}
	return 0
}
