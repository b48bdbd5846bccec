package forecast

import (
	"cmp"
	"math"
	"slices"
)

// visit is a step, and when it began.
type visit struct {
	Step
	begun float64
}

// known returns the steps that were known at an instant.
func (p Passages) known(at float64) []visit {
	var all []visit
	for _, x := range p {
		for i, leg := range x.Legs {
			last := i == len(x.Legs)-1
			switch {
			case leg.Begun > at || last && x.Ended:
			case !last && x.Legs[i+1].Begun <= at:
				all = append(all, visit{Step{leg.Stage, x.Legs[i+1].Begun - leg.Begun, x.Legs[i+1].Stage}, leg.Begun})
			default:
				all = append(all, visit{Step{Stage: leg.Stage, Duration: at - leg.Begun}, leg.Begun})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b visit) int { return cmp.Compare(a.begun, b.begun) })
	return all
}

// Newest is how many steps at each stage are looked back upon first. A shop that does a few jobs a day looks back
// on a season. (Our choice, no source.)
const Newest = 200

// recent returns the newest steps at each stage that tell of it as it is now: [Newest] of them, or more where
// these hold too few finished ones, and of these those [lately]; and the stages that take another time since so
// short a while that nobody can tell yet how long.
func recent(all []visit, needed int) (steps []Step, changed map[string]bool) {
	by, changed := map[string][]visit{}, map[string]bool{}
	for _, v := range all {
		by[v.Stage] = append(by[v.Stage], v)
	}
	for stage, list := range by {
		stays := make([]Stay, len(list))
		for i, v := range list {
			stays[i] = Stay{v.Duration, v.Next != ""}
		}
		n := Newest
		for n < len(list) && finished(stays[len(stays)-n:]) < needed {
			n *= 2
		}
		n = min(n, len(list))
		m := lately(stays[len(list)-n:], needed)
		changed[stage] = m < n && m < settled
		for _, v := range list[len(list)-m:] {
			steps = append(steps, v.Step)
		}
	}
	return steps, changed
}

func finished(list []Stay) (n int) {
	for _, s := range list {
		if s.Finished {
			n++
		}
	}
	return n
}

// What has changed is seen in so many stays at least, by so many standard deviations, and is settled with so
// many since. (Our choices: see the table of TestKindsOfShop.)
const (
	fewest   = 12
	changeAt = 3
	settled  = 50
)

// lately returns how many of the stays, the last in the list, tell how long the next will take: fewer where the
// last ones take another time than those before them, by the log-rank test (Mantel, Cancer Chemother. Rep. 50
// (1966) 163-170), in which unfinished ones count.
func lately(list []Stay, needed int) int {
	for m := len(list) / 2; m >= fewest; m /= 2 {
		earlier, later := list[:len(list)-m], list[len(list)-m:]
		if finished(later) >= needed && math.Abs(logRank(earlier, later)) > changeAt {
			list = later
		}
	}
	return len(list)
}

// logRank returns how many standard deviations more of the later steps finished than would if they took as long
// as the earlier.
func logRank(earlier, later []Stay) float64 {
	type stay struct {
		d               float64
		finished, later bool
	}
	all := make([]stay, 0, len(earlier)+len(later))
	for _, s := range earlier {
		all = append(all, stay{s.Duration, s.Finished, false})
	}
	for _, s := range later {
		all = append(all, stay{s.Duration, s.Finished, true})
	}
	slices.SortFunc(all, func(a, b stay) int { return cmp.Compare(a.d, b.d) })
	n, m := float64(len(all)), float64(len(later))
	var more, variance float64
	for i := 0; i < len(all); {
		d, seen, of, left := 0.0, 0.0, 0.0, 0.0
		for t := all[i].d; i < len(all) && all[i].d == t; i++ {
			left++
			if all[i].later {
				of++
			}
			if all[i].finished {
				d++
				if all[i].later {
					seen++
				}
			}
		}
		more += seen - d*m/n
		if n > 1 {
			variance += d * (m / n) * (1 - m/n) * (n - d) / (n - 1)
		}
		n, m = n-left, m-of
	}
	if variance <= 0 {
		return 0
	}
	return more / math.Sqrt(variance)
}
