package forecast

import (
	"cmp"
	"slices"
)

// Past is one job of a history, on a clock that only counts up: for a shop, open time since any fixed
// instant, in the unit of the durations that are asked for.
type Past struct {
	// Begun is when the job (or its stage) began.
	Begun float64
	// Ended is when it ended. It counts only with Finished.
	Ended    float64
	Finished bool
	// Kind is the kind of device; a question about a kind looks at these first.
	Kind string
}

// History is what happened at a shop, in any order.
type History []Past

// Known returns the stays that were known at an instant: jobs begun before it, those that had not ended by then
// as unfinished. With newest above 0 only so many are taken, those that began last, so that a shop which gets
// slower or quicker is told by its last year and not its first. They are chosen by when they began, whether
// they have finished or not: the newest finished ones would be the quick ones.
func (h History) Known(at float64, newest int) []Stay {
	return known(h.before(at), at, newest)
}

// before returns the records begun before an instant, in the order in which they began.
func (h History) before(at float64) History {
	begun := make(History, 0, len(h))
	for _, r := range h {
		if r.Begun < at {
			begun = append(begun, r)
		}
	}
	inOrder := func(a, b Past) int { return cmp.Compare(a.Begun, b.Begun) }
	if !slices.IsSortedFunc(begun, inOrder) {
		slices.SortStableFunc(begun, inOrder)
	}
	return begun
}

func known(begun History, at float64, newest int) []Stay {
	if newest > 0 && len(begun) > newest {
		begun = begun[len(begun)-newest:]
	}
	stays := make([]Stay, len(begun))
	for i, r := range begun {
		if r.Finished && r.Ended <= at {
			stays[i] = Stay{r.Ended - r.Begun, true}
		} else {
			stays[i] = Stay{at - r.Begun, false}
		}
	}
	return stays
}

// Newest is how many jobs [History.Outlook] looks back upon first. A range of 80 % rests on its 20 or so longest
// and shortest then, and a shop that does a few jobs a day looks back on a season. (Our choice, no source.)
const Newest = 200

// Question asks how long a job still takes.
type Question struct {
	// At is the present, on the clock of the history.
	At float64
	// Waited is how long the job has taken already, 0 for one that begins now.
	Waited float64
	// Kind is the kind of device, "" for any.
	Kind string
	// Coverage is the share of such ranges that hold, between 0 and 1: 0.8.
	Coverage float64
}

// Outlook is what a history says to a question.
type Outlook struct {
	// Range is where the time still to go most likely lies.
	Range
	// Median is the middle one; MedianKnown is false where the curve doesn't reach it.
	Median      float64
	MedianKnown bool
	// Finished is how many finished jobs it rests on, all of the kind that was asked for if OfKind.
	Finished int
	OfKind   bool
}

// Outlook answers a question from the [Newest] jobs of the kind; where these don't give a range, from twice as
// many, and so on back to the first; where the kind has too few, from those of all kinds in the same way. The
// error is a *[NoRange] where that isn't enough either: then there is nothing to tell. A negative duration (a job
// that ended before it began) is an error of its own.
func (h History) Outlook(q Question) (Outlook, error) {
	if err := checkCoverage(q.Coverage); err != nil {
		return Outlook{}, err
	}
	if q.Kind != "" {
		var own History
		for _, r := range h {
			if r.Kind == q.Kind {
				own = append(own, r)
			}
		}
		if o, err := own.outlook(q); err == nil {
			o.OfKind = true
			return o, nil
		}
	}
	return h.outlook(q)
}

func (h History) outlook(q Question) (Outlook, error) {
	begun := h.before(q.At)
	for newest := Newest; ; newest *= 2 {
		all, err := Estimate(known(begun, q.At, newest))
		if err != nil {
			return Outlook{}, err
		}
		c := all.After(q.Waited)
		r, err := c.Range(q.Coverage)
		if err != nil {
			if newest < len(begun) {
				continue
			}
			return Outlook{}, err
		}
		o := Outlook{Range: r, Finished: c.Finished()}
		o.Median, o.MedianKnown = c.Median()
		return o, nil
	}
}
