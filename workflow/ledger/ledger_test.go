package ledger

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Prior 1 %, a yes in 80 % of those who have it and in 9.6 % of those who have not: 7.8 % after a yes
// (Eddy 1982; Gigerenzer and Hoffrage 1995; numbers by way of testdata's notes, exact value computed).
func TestBayesPublishedRow(t *testing.T) {
	l, err := New([]Suspect{{"yes", 1}, {"no", 99}}, nil, []Check{{Name: "c", Minutes: 1, About: "yes", Finds: 0.8, False: 0.096}})
	require.NoError(t, err)
	require.True(t, l.Record("c", Yes))
	require.InDelta(t, 0.07764, l.Chance("yes"), 5e-6)
	require.InDelta(t, 1, l.Chance("yes")+l.Chance("no"), 1e-12)
}

func single(p, minutes []float64) *Ledger {
	var s []Suspect
	var c []Check
	for i := range p {
		name := fmt.Sprint(i + 1)
		s, c = append(s, Suspect{name, p[i]}), append(c, Check{Name: name, Minutes: minutes[i], About: name, Finds: 1})
	}
	l, err := New(s, nil, c)
	if err != nil {
		panic(err)
	}
	return l
}

// P = .30 .20 .25 .15 .10, C = 5 40 60 10 8: computed by hand and by a program outside of this repository.
func TestWorkedOrder(t *testing.T) {
	p, c := []float64{.30, .20, .25, .15, .10}, []float64{5, 40, 60, 10, 8}
	l := single(p, c)
	require.Equal(t, []string{"1", "4", "5", "2", "3"}, l.Plan())
	require.InDelta(t, 49.4, l.Cost(l.Plan()), 1e-9)
	by := func(less func(i, k int) bool) float64 {
		order := []int{0, 1, 2, 3, 4}
		sort.SliceStable(order, func(a, b int) bool { return less(order[a], order[b]) })
		var names []string
		for _, i := range order {
			names = append(names, fmt.Sprint(i+1))
		}
		return l.Cost(names)
	}
	require.InDelta(t, 68.3, by(func(i, k int) bool { return p[i] > p[k] }), 1e-9, "by probability only")
	require.InDelta(t, 49.6, by(func(i, k int) bool { return c[i] < c[k] }), 1e-9, "by cost only")
	_, worst := extremes(l, l.Plan())
	require.InDelta(t, 100.4, worst, 1e-9)
}

// extremes goes through all orders of the checks.
func extremes(l *Ledger, names []string) (best, worst float64) {
	best, worst = math.Inf(1), 0
	order := slices.Clone(names)
	var walk func(k int)
	walk = func(k int) {
		if k == len(order) {
			best, worst = min(best, l.Cost(order)), max(worst, l.Cost(order))
			return
		}
		for i := k; i < len(order); i++ {
			order[k], order[i] = order[i], order[k]
			walk(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	walk(0)
	return best, worst
}

// With one fault and a check each, no order beats probability over cost.
func TestRatioIsBestOfAllOrders(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "n")
		var p, c []float64
		for range n {
			p, c = append(p, float64(rapid.IntRange(1, 100).Draw(t, "p"))), append(c, float64(rapid.IntRange(1, 90).Draw(t, "c")))
		}
		l := single(p, c)
		for i := range l.checks {
			l.checks[i].Finds = float64(rapid.IntRange(1, 20).Draw(t, "finds")) / 20
		}
		best, _ := extremes(l, l.Plan())
		require.InDelta(t, best, l.Cost(l.Plan()), 1e-9)
		next, ok := l.Next()
		require.True(t, ok)
		require.Equal(t, ByRatio, next.Way)
		for _, x := range l.checks {
			require.LessOrEqual(t, l.Chance(x.About)*x.Finds/x.Minutes, next.Chance/next.Minutes+1e-12)
		}
	})
}

// With disassembly steps that lie inside each other, no order beats the runs.
func TestRunsAreBestOfAllOrders(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var steps []Step
		at := []string{""}
		for i := range rapid.IntRange(1, 3).Draw(t, "steps") {
			name := "step" + fmt.Sprint(i)
			steps = append(steps, Step{name, float64(rapid.IntRange(0, 60).Draw(t, "minutes")), rapid.SampledFrom(at).Draw(t, "inside")})
			at = append(at, name)
		}
		var s []Suspect
		var c []Check
		for i := range rapid.IntRange(1, 6).Draw(t, "n") {
			name := fmt.Sprint(i)
			s = append(s, Suspect{name, float64(rapid.IntRange(1, 100).Draw(t, "p"))})
			c = append(c, Check{Name: name, Minutes: float64(rapid.IntRange(1, 60).Draw(t, "c")), About: name, Finds: 1, Behind: rapid.SampledFrom(at).Draw(t, "behind")})
		}
		l, err := New(s, steps, c)
		require.NoError(t, err)
		require.Len(t, l.Plan(), len(c))
		best, _ := extremes(l, l.Plan())
		require.InDelta(t, best, l.Cost(l.Plan()), 1e-9)
	})
}

// A case takes ten minutes to open and has two likely suspects inside; a lead outside is quick to swap and
// less likely. By the plain ratio, each check with all it costs by itself, the lead goes first: 16/5 against
// 36/12 and 34/12. Taken together the two inside are 70/14, and go first.
func TestSharedStepBeatsThePlainRatio(t *testing.T) {
	l, err := New(
		[]Suspect{{"supply", 36}, {"joint", 34}, {"lead", 16}, {"other", 14}},
		[]Step{{Name: "case off", Minutes: 10}},
		[]Check{
			{Name: "measure the supply", Minutes: 2, About: "supply", Finds: 1, Behind: "case off"},
			{Name: "look at the joints", Minutes: 2, About: "joint", Finds: 1, Behind: "case off"},
			{Name: "swap the lead", Minutes: 5, About: "lead", Finds: 1},
		})
	require.NoError(t, err)
	plain := []string{"swap the lead", "measure the supply", "look at the joints"} // 16/5 > 36/12 > 34/12
	best, _ := extremes(l, plain)
	require.Greater(t, l.Cost(plain), best, "the plain ratio loses")
	require.InDelta(t, best, l.Cost(l.Plan()), 1e-9, "ours does not")
	next, _ := l.Next()
	require.Equal(t, Proposal{
		Check: "measure the supply", Minutes: 12, Opens: []string{"case off"}, Chance: 0.36, Way: ByRun,
		Run: []string{"measure the supply", "look at the joints"}, RunMinutes: 14, RunChance: 0.7,
	}, round(next))

	require.True(t, l.Record("measure the supply", No))
	next, _ = l.Next()
	require.Equal(t, "look at the joints", next.Check)
	require.Empty(t, next.Opens, "the case is off now")
	require.Equal(t, ByRatio, next.Way)
	require.Equal(t, 0.0, l.Chance("supply"))
}

func round(p Proposal) Proposal {
	r := func(x float64) float64 { return math.Round(x*1e9) / 1e9 }
	p.Chance, p.RunChance, p.Minutes, p.RunMinutes = r(p.Chance), r(p.RunChance), r(p.Minutes), r(p.RunMinutes)
	return p
}

// A measurement that halves four equal suspects removes one bit; a check of one of them removes
// 2 - 3/4 log2 3 = 0.81 bits at the same cost, so it comes later (by hand).
func TestGainWhereACheckSpeaksOfSeveral(t *testing.T) {
	s := []Suspect{{"a", 1}, {"b", 1}, {"c", 1}, {"d", 1}}
	l, err := New(s, nil, []Check{
		{Name: "one", Minutes: 10, About: "a", Finds: 1},
		{Name: "half", Minutes: 10, Shows: map[string]float64{"a": 1, "b": 1}},
	})
	require.NoError(t, err)
	require.InDelta(t, 1, l.gain(l.check("half")), 1e-12)
	require.InDelta(t, 2-0.75*math.Log2(3), l.gain(l.check("one")), 1e-12)
	next, _ := l.Next()
	require.Equal(t, "half", next.Check)
	require.Equal(t, ByGain, next.Way)
	require.InDelta(t, 0.5, next.Chance, 1e-12)
	l.Record("half", Yes)
	require.InDelta(t, 0.5, l.Chance("a"), 1e-12)
	require.Equal(t, 0.0, l.Chance("d"))
}

// Weights stay a distribution; what is unclear changes none; the order in which outcomes come in does not
// matter; an outcome that nobody explains changes nothing and is told.
func TestUpdates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s []Suspect
		var c []Check
		for i := range rapid.IntRange(1, 5).Draw(t, "n") {
			name := fmt.Sprint(i)
			s = append(s, Suspect{name, float64(rapid.IntRange(1, 100).Draw(t, "w"))})
			c = append(c, Check{Name: name, Minutes: 1, About: name, Finds: float64(rapid.IntRange(1, 19).Draw(t, "finds")) / 20, False: float64(rapid.IntRange(1, 5).Draw(t, "false")) / 20})
		}
		l, err := New(s, nil, c)
		require.NoError(t, err)
		twin, err := New(s, nil, c)
		require.NoError(t, err)
		said := map[string]Outcome{}
		for _, x := range c {
			said[x.Name] = rapid.SampledFrom([]Outcome{Yes, No, Unclear}).Draw(t, "outcome")
			before := slices.Clone(l.chance)
			require.True(t, l.Record(x.Name, said[x.Name]))
			if said[x.Name] == Unclear {
				require.Equal(t, before, l.chance)
			}
			if said[x.Name] == Yes && x.Finds > x.False {
				require.GreaterOrEqual(t, l.Chance(x.About)+1e-12, before[slices.IndexFunc(s, func(s Suspect) bool { return s.Name == x.About })])
			}
		}
		sum := 0.0
		for i := range slices.Backward(c) {
			require.True(t, twin.Record(c[i].Name, said[c[i].Name]))
		}
		for _, x := range s {
			require.InDelta(t, l.Chance(x.Name), twin.Chance(x.Name), 1e-9)
			sum += l.Chance(x.Name)
		}
		require.InDelta(t, 1, sum, 1e-9)
		_, more := l.Next()
		require.False(t, more)
	})
	l := single([]float64{1}, []float64{1})
	require.False(t, l.Record("1", No), "the only suspect can't be ruled out by a check that never misses")
	require.Equal(t, 1.0, l.Chance("1"))
	require.True(t, l.Record("nobody", Yes))
	require.Equal(t, 0.0, l.Chance("nobody"))
}

func TestRefusals(t *testing.T) {
	ok := []Suspect{{"a", 1}}
	for name, x := range map[string]struct {
		s []Suspect
		t []Step
		c []Check
	}{
		"twice":       {s: []Suspect{{"a", 1}, {"a", 2}}},
		"no weight":   {s: []Suspect{{"a", 0}}},
		"not finite":  {s: []Suspect{{"a", math.Inf(1)}}},
		"no number":   {s: []Suspect{{"a", math.NaN()}}},
		"ring":        {s: ok, t: []Step{{"x", 1, "y"}, {"y", 1, "x"}}},
		"itself":      {s: ok, t: []Step{{"x", 1, "x"}}},
		"nowhere":     {s: ok, t: []Step{{"x", 1, "z"}}},
		"same step":   {s: ok, t: []Step{{"x", 1, ""}, {"x", 1, ""}}},
		"below zero":  {s: ok, t: []Step{{"x", -1, ""}}},
		"free":        {s: ok, c: []Check{{Name: "c", About: "a"}}},
		"nobody":      {s: ok, c: []Check{{Name: "c", Minutes: 1, About: "b"}}},
		"of nobody":   {s: ok, c: []Check{{Name: "c", Minutes: 1, Shows: map[string]float64{"b": 1}}}},
		"behind":      {s: ok, c: []Check{{Name: "c", Minutes: 1, About: "a", Behind: "x"}}},
		"too certain": {s: ok, c: []Check{{Name: "c", Minutes: 1, About: "a", Finds: 1.1}}},
		"same check":  {s: ok, c: []Check{{Name: "c", Minutes: 1, About: "a"}, {Name: "c", Minutes: 1, About: "a"}}},
	} {
		_, err := New(x.s, x.t, x.c)
		require.Error(t, err, name)
	}
}

func TestTheSafeCheckComesFirst(t *testing.T) {
	l, err := New([]Suspect{{"lead", 90}, {"battery", 1}}, []Step{{Name: "case off", Minutes: 30}},
		[]Check{{Name: "lead", Minutes: 1, About: "lead", Finds: 0.9}, {Name: "battery", Minutes: 60, Behind: "case off", About: "battery", Finds: 0.6, First: true}})
	require.NoError(t, err)
	next, ok := l.Next()
	require.True(t, ok)
	require.Equal(t, []any{"battery", ByCare, 90.0}, []any{next.Check, next.Way, next.Minutes}, "whatever the ratio")
	require.Equal(t, []string{"battery", "lead"}, l.Plan())
	l.Record("battery", No)
	next, _ = l.Next()
	require.Equal(t, []any{"lead", ByRatio}, []any{next.Check, next.Way})
}

// What can break something comes after all that can't, those of one step with it too, and among its like by ratio.
func TestTheRiskyCheckComesLast(t *testing.T) {
	l, err := New([]Suspect{{"panel", 90}, {"touch", 5}, {"lead", 1}, {"fan", 4}}, []Step{{Name: "case off", Minutes: 30}, {Name: "display off", Minutes: 1, Inside: "case off"}},
		[]Check{
			{Name: "touch", Minutes: 9, Behind: "display off", About: "touch", Finds: 0.9, Last: true},
			{Name: "panel", Minutes: 1, Behind: "display off", About: "panel", Finds: 0.9, Last: true},
			{Name: "lead", Minutes: 500, About: "lead", Finds: 0.6}, {Name: "fan", Minutes: 60, Behind: "case off", About: "fan", Finds: 0.6},
		})
	require.NoError(t, err)
	require.Equal(t, []string{"fan", "lead", "panel", "touch"}, l.Plan())
}
