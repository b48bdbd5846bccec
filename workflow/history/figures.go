package history

import (
	"math"
	"slices"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"
)

// Tally counts promises whose fate is known.
type Tally struct{ Kept, Broken int }

// All is both together.
func (t Tally) All() int { return t.Kept + t.Broken }

func (t *Tally) add(broken bool) {
	if broken {
		t.Broken++
	} else {
		t.Kept++
	}
}

// PromiseTally counts against the first date told and against the last.
type PromiseTally struct{ First, Current Tally }

// MonthFigures is a month of the shop's calendar.
type MonthFigures struct {
	// Month is its first instant in the shop's zone.
	Month time.Time
	PromiseTally
	// Ended is how many jobs left or were withdrawn, and Time whose open time those took, from the first
	// promise on.
	Ended int
	Time  promiseclock.Accounts
}

// StageFigures is what there is to say about a stage.
type StageFigures struct {
	Stage workflow.Stage
	// FirstPassed and CurrentPassed are the jobs that were at the stage when the first, and the last, date
	// told to them passed.
	FirstPassed, CurrentPassed int
	// Visits are the stays that ended; Time is how much open time they took together, Median that of the
	// middle one.
	Visits       int
	Time, Median time.Duration
}

// PauseCause is why the promise clock stood still.
type PauseCause string

// The causes, in the order in which they are shown.
const (
	PauseApproval PauseCause = "approval" // for an answer to the quote
	PauseCustomer PauseCause = "customer" // for the customer, or a payment, on hold
	PauseParts    PauseCause = "parts"
	PauseCarrier  PauseCause = "carrier"
	PauseNone     PauseCause = "none" // it never did
)

// PauseCauses lists every cause.
var PauseCauses = []PauseCause{PauseApproval, PauseCustomer, PauseParts, PauseCarrier, PauseNone}

// causeOf returns why the clock stood still.
func causeOf(p *promiseclock.Pause) PauseCause {
	switch {
	case p.For == promiseclock.AccountParts:
		return PauseParts
	case p.For == promiseclock.AccountCarrier:
		return PauseCarrier
	case p.Why == "approval":
		return PauseApproval
	}
	return PauseCustomer
}

// PauseFigures counts the jobs whose clock stood still for a cause; one with several counts at each.
type PauseFigures struct {
	Cause PauseCause
	PromiseTally
	// Time is the open time of such pauses; where pauses overlap it counts at each.
	Time time.Duration
}

// TurnaroundPoint is one job that left, on the control chart.
type TurnaroundPoint struct {
	Job     workflow.JobNumber
	EndedAt time.Time
	// Took is the open time on the bench's account from the first promise to the end.
	Took time.Duration
}

// Figures are what the owner of a shop wants to know. A promise counts in the month in which its fate was
// known: a kept one when the job ended, a broken one when its date passed, also if the job is still here.
// So the slow ones are not left out until they have left.
type Figures struct {
	From, To time.Time
	PromiseTally
	Months []MonthFigures // all from From to To, the earliest first
	Stages []StageFigures // in the order of a job's way
	Pauses []PauseFigures
	Time   promiseclock.Accounts
	Ended  int
	// Turnaround are the jobs that were shipped, in order of time.
	Turnaround []TurnaroundPoint
}

// Tallier makes figures of courses that are given one by one. It is for one goroutine.
type Tallier struct {
	shop   *workflow.Shop
	now    time.Time
	f      Figures
	stays  map[workflow.Stage][]time.Duration
	stages map[workflow.Stage]*StageFigures
	pauses map[PauseCause]*PauseFigures
}

// NewTallier begins figures of the months from the one that holds from to the one that holds now.
func NewTallier(shop *workflow.Shop, from, now time.Time) *Tallier {
	t := &Tallier{shop: shop, now: now, stays: map[workflow.Stage][]time.Duration{}, stages: map[workflow.Stage]*StageFigures{}, pauses: map[PauseCause]*PauseFigures{}}
	for m := t.month(from); !m.After(now); m = t.month(m.AddDate(0, 0, 40)) {
		t.f.Months = append(t.f.Months, MonthFigures{Month: m})
	}
	t.f.From, t.f.To = t.month(from), now
	for _, s := range workflow.Stages {
		if s != workflow.StageBooked && s != workflow.StageShipped && s != workflow.StageWithdrawn {
			t.stages[s] = &StageFigures{Stage: s}
		}
	}
	for _, c := range PauseCauses {
		t.pauses[c] = &PauseFigures{Cause: c}
	}
	return t
}

// month returns the first instant of the month that holds t, in the shop's zone.
func (t *Tallier) month(at time.Time) time.Time {
	zone := t.shop.Calendar.Location()
	y, m, _ := at.In(zone).Date()
	return calendar.Local(zone, calendar.NewDate(y, m, 1), 0, 0)
}

// at finds the month that holds an instant, nil if it lies outside.
func (t *Tallier) at(when time.Time) *MonthFigures {
	if when.After(t.now) || when.Before(t.f.From) {
		return nil
	}
	m := t.month(when)
	for i := range t.f.Months {
		if t.f.Months[i].Month.Equal(m) {
			return &t.f.Months[i]
		}
	}
	return nil
}

// fate says what became of a promise: when that was known, and whether it was broken. ok is false while it is open.
func (t *Tallier) fate(c *workflow.Course, p *workflow.Promise) (when time.Time, broken, ok bool) {
	end := t.now
	if c.Ended() {
		end = c.EndedAt
	}
	due, broken := promiseclock.Turnaround{Calendar: t.shop.Calendar, Start: p.Starts, Quota: p.Quota, Pauses: c.Pauses}.Breached(end)
	switch {
	case broken:
		return due, true, true
	case c.Ended():
		return end, false, true
	}
	return time.Time{}, false, false
}

// Add counts a job.
func (t *Tallier) Add(c *workflow.Course) {
	var broke, kept [2]bool
	if n := len(c.Promises); n > 0 {
		for i, p := range []*workflow.Promise{&c.Promises[0], &c.Promises[n-1]} {
			when, broken, ok := t.fate(c, p)
			m := t.at(when)
			if !ok || m == nil {
				continue
			}
			broke[i], kept[i] = broken, !broken
			for _, tally := range []*PromiseTally{&t.f.PromiseTally, &m.PromiseTally} {
				[]*Tally{&tally.First, &tally.Current}[i].add(broken)
			}
			if broken {
				if s := t.stages[stageAt(c, when)]; s != nil {
					*[]*int{&s.FirstPassed, &s.CurrentPassed}[i]++
				}
			}
		}
	}
	t.pausesOf(c, broke, kept)
	for i, v := range c.Visits {
		if i == len(c.Visits)-1 {
			break // it is going on, or the end
		}
		if s, left := t.stages[v.Stage], c.Visits[i+1].Since; s != nil && t.at(left) != nil {
			d := t.shop.Calendar.Worked(v.Since, left)
			s.Visits++
			s.Time += d
			t.stays[v.Stage] = append(t.stays[v.Stage], d)
		}
	}
	m := t.at(c.EndedAt)
	if !c.Ended() || m == nil {
		return
	}
	m.Ended++
	t.f.Ended++
	if len(c.Promises) == 0 {
		return
	}
	a := promiseclock.Turnaround{Calendar: t.shop.Calendar, Start: c.Promises[0].Starts, Quota: c.Promises[0].Quota, Pauses: c.Pauses}.Accounts(c.EndedAt)
	m.Time, t.f.Time = m.Time.Plus(a), t.f.Time.Plus(a)
	if c.Now().Stage == workflow.StageShipped {
		t.f.Turnaround = append(t.f.Turnaround, TurnaroundPoint{c.Job, c.EndedAt, a.Bench})
	}
}

func (t *Tallier) pausesOf(c *workflow.Course, broke, kept [2]bool) {
	if !broke[0] && !broke[1] && !kept[0] && !kept[1] {
		return
	}
	seen := map[PauseCause]bool{}
	for i := range c.Pauses {
		p := &c.Pauses[i]
		to := p.To
		if to.IsZero() {
			to = t.now
		}
		f := t.pauses[causeOf(p)]
		f.Time += t.shop.Calendar.Worked(p.From, to)
		seen[causeOf(p)] = true
	}
	if len(seen) == 0 {
		seen[PauseNone] = true
	}
	for cause := range seen {
		f := t.pauses[cause]
		for i, tally := range []*Tally{&f.First, &f.Current} {
			if broke[i] || kept[i] {
				tally.add(broke[i])
			}
		}
	}
}

// stageAt returns where the job was at an instant.
func stageAt(c *workflow.Course, at time.Time) workflow.Stage {
	s := c.Visits[0].Stage
	for _, v := range c.Visits[1:] {
		if v.Since.After(at) {
			break
		}
		s = v.Stage
	}
	return s
}

// Figures returns what was counted.
func (t *Tallier) Figures() Figures {
	f := t.f
	f.Months = slices.Clone(f.Months)
	for _, s := range workflow.Stages {
		if x := t.stages[s]; x != nil {
			list := t.stays[s]
			slices.Sort(list)
			y := *x
			if n := len(list); n > 0 {
				y.Median = list[n/2]
				if n%2 == 0 {
					y.Median = (list[n/2-1] + list[n/2]) / 2
				}
			}
			f.Stages = append(f.Stages, y)
		}
	}
	for _, c := range PauseCauses {
		f.Pauses = append(f.Pauses, *t.pauses[c])
	}
	f.Turnaround = slices.Clone(f.Turnaround)
	slices.SortStableFunc(f.Turnaround, func(a, b TurnaroundPoint) int { return a.EndedAt.Compare(b.EndedAt) })
	return f
}

// ControlChart are the limits of a chart of individuals and moving ranges: what to expect of a process that goes on
// as it did. They are the mean and the mean ± 3/1.128 (2.66) times the mean moving range; 1.128 is what the
// range of two normal values is expected to be, in standard deviations (NIST/SEMATECH e-Handbook of
// Statistical Methods, 6.3.2.2).
type ControlChart struct {
	Mean, Low, High float64
	// MeanRange is the mean of the differences between neighbours.
	MeanRange float64
	// Beyond are the places of values outside the limits; Shifted those of values that end eight or more in
	// a row on one side of the mean (a Western Electric rule, e-Handbook 6.3.2).
	Beyond, Shifted []int
}

// NewControlChart works out the limits; ok is false for fewer than two values. A lower limit below 0 is
// given as it comes out.
func NewControlChart(x []float64) (c ControlChart, ok bool) {
	if len(x) < 2 {
		return c, false
	}
	for i, v := range x {
		c.Mean += v / float64(len(x))
		if i > 0 {
			c.MeanRange += math.Abs(v-x[i-1]) / float64(len(x)-1)
		}
	}
	c.Low, c.High = c.Mean-3*c.MeanRange/1.128, c.Mean+3*c.MeanRange/1.128
	row, side := 0, 0
	for i, v := range x {
		now := 0
		switch {
		case v > c.Mean:
			now = 1
		case v < c.Mean:
			now = -1
		}
		if row++; now == 0 || now != side {
			row, side = 1, now
		}
		if v < c.Low || v > c.High {
			c.Beyond = append(c.Beyond, i)
		}
		if row >= 8 && side != 0 {
			c.Shifted = append(c.Shifted, i)
		}
	}
	return c, true
}
