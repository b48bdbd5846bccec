package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func learn(t require.TestingT, steps []Step) *Way {
	w, err := Learn(steps)
	require.NoError(t, err)
	return w
}

// convolve works out exactly, from finished steps with whole durations, the chance that a way ends at each time up
// to limit: mass moves from stage to stage, later by each duration that was seen, to each stage in its share.
func convolve(steps []Step, from string, limit int) []float64 {
	took := make(map[string][]int)
	went := make(map[string][]string)
	for _, s := range steps {
		took[s.Stage] = append(took[s.Stage], int(s.Duration))
		went[s.Stage] = append(went[s.Stage], s.Next)
	}
	ends := make([]float64, limit+1)
	at := make([]map[string]float64, limit+1)
	for i := range at {
		at[i] = make(map[string]float64)
	}
	at[0][from] = 1
	for now := range at {
		for stage, mass := range at[now] {
			for _, d := range took[stage] {
				for _, to := range went[stage] {
					part := mass / float64(len(took[stage])*len(went[stage]))
					switch {
					case now+d > limit:
					case took[to] == nil:
						ends[now+d] += part
					default:
						at[now+d][to] += part
					}
				}
			}
		}
	}
	return ends
}

// Simulated ways end when an exact convolution says, with a loop (testing back to repairing and diagnosing), a
// short cut and a decline.
func TestWayAgreesWithConvolution(t *testing.T) {
	steps := []Step{
		{"received", 1, "diagnosing"}, {"received", 2, "diagnosing"},
		{"diagnosing", 2, "awaiting_approval"}, {"diagnosing", 4, "awaiting_approval"}, {"diagnosing", 1, "testing"},
		{"awaiting_approval", 1, "repairing"}, {"awaiting_approval", 9, "repairing"}, {"awaiting_approval", 3, "testing"}, {"awaiting_approval", 5, "withdrawn"},
		{"repairing", 3, "testing"}, {"repairing", 8, "testing"}, {"repairing", 5, "diagnosing"},
		{"testing", 1, "shipped"}, {"testing", 1, "shipped"}, {"testing", 2, "repairing"}, {"testing", 1, "shipped"}, {"testing", 3, "diagnosing"},
	}
	w := learn(t, steps)
	const draws = 20000
	for _, from := range []string{"received", "repairing", "testing"} {
		s := w.Simulate(from, 0, draws, 7)
		exact, worst := 0.0, 0.0
		for now, mass := range convolve(steps, from, 120) {
			exact += mass
			off := math.Abs(s.Share(float64(now)) - exact)
			worst = max(worst, off)
			require.LessOrEqual(t, off, 4*math.Sqrt(exact*(1-exact)/draws)+1e-9, "%s, %d", from, now)
		}
		require.Greater(t, exact, 0.98)
		t.Logf("from %s: at most %.4f away from the exact distribution", from, worst)
	}
	require.Equal(t, w.Simulate("received", 0, 500, 7), w.Simulate("received", 0, 500, 7), "the same seed, the same answer")
	require.NotEqual(t, w.Simulate("received", 0, 500, 7), w.Simulate("received", 0, 500, 8))
}

// A way of one stage is the curve of that stage.
func TestWayOfOneStage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var steps []Step
		all := stays(rapid.Bool()).Draw(t, "stays")
		for _, s := range all {
			next := ""
			if s.Finished {
				next = "shipped"
			}
			steps = append(steps, Step{"testing", s.Duration, next})
		}
		w, c := learn(t, steps), estimate(t, all)
		require.Equal(t, c.Points(), w.Stage("testing").Points())
		waited := float64(rapid.IntRange(0, 20).Draw(t, "waited"))
		const draws = 1000
		s := w.Simulate("testing", waited, draws, rapid.Uint64().Draw(t, "seed"))
		for _, p := range c.After(waited).Points() {
			share := 1 - p.Survival
			require.InDelta(t, share, s.Share(p.Time), 6*math.Sqrt(share*(1-share)/draws)+1e-9)
		}
	})
}

func TestWayWhereNothingIsKnown(t *testing.T) {
	w := learn(t, []Step{{"repairing", 3, "testing"}, {"testing", 2, ""}})
	s := w.Simulate("repairing", 0, 50, 1)
	_, ok := s.Quantile(0.01)
	require.False(t, ok, "nobody has ever left testing")
	require.Zero(t, s.Share(1e9))
	require.Nil(t, w.Stage("received"))
	_, ok = w.Simulate("received", 0, 50, 1).Quantile(0.5)
	require.False(t, ok)

	// A circle without an end.
	w = learn(t, []Step{{"repairing", 3, "testing"}, {"testing", 2, "repairing"}})
	_, ok = w.Simulate("testing", 0, 5, 1).Quantile(0.5)
	require.False(t, ok)

	// At the end nothing is left to do.
	w = learn(t, []Step{{"testing", 2, "shipped"}})
	none, ok := w.Simulate("shipped", 0, 5, 1).Quantile(1)
	require.True(t, ok)
	require.Zero(t, none)

	empty := w.Simulate("testing", 0, 0, 1)
	_, ok = empty.Quantile(0.5)
	require.False(t, ok)
	require.Zero(t, empty.Share(1))
	_, ok = w.Simulate("testing", 0, 5, 1).Quantile(math.NaN())
	require.False(t, ok)
}

func TestSpreadQuantiles(t *testing.T) {
	s := &Spread{known: []float64{1, 2, 3, 4}, unknown: 1}
	for p, want := range map[float64]float64{0.01: 1, 0.2: 1, 0.21: 2, 0.4: 2, 0.6: 3, 0.8: 4} {
		got, ok := s.Quantile(p)
		require.True(t, ok)
		require.Equal(t, want, got, p)
	}
	_, ok := s.Quantile(0.81)
	require.False(t, ok)
	require.Equal(t, 0.6, s.Share(3.5))
}

func TestLearnRefuses(t *testing.T) {
	_, err := Learn([]Step{{"testing", 2, ""}, {"testing", math.NaN(), "shipped"}})
	require.EqualError(t, err, "step 2: the duration is not a number")
	_, err = Learn([]Step{{"", 2, ""}})
	require.EqualError(t, err, "step 1: the stage has no name")
}
