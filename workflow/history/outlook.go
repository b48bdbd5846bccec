package history

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/forecast"
)

// Outlook is when a job on its way will most likely leave the shop, by the shop's own
type Outlook struct {
	// From and To are the range, told to hold [ForecastCoverage] of such jobs; Median is its middle.
	From, Median, To time.Time
	// Jobs is how many ended jobs it rests on, and Kind the kind of device that they all are, "" for any.
	Jobs int
	Kind string
}

// ForecastCoverage is the share of jobs that leave within the range told for them.
const ForecastCoverage = 0.8

// forecastOn is how many courses a forecast looks back on at most, the latest booked.
const forecastOn = 2000

// Forecast is what a shop's history said at an instant. It never changes and is safe for concurrent use.
type Forecast struct {
	calendar *calendar.Calendar
	epoch    time.Time
	model    *forecast.Model
	// At is the instant it was made at; Jobs is how many courses it has seen.
	At   time.Time
	Jobs int
}

// NewForecast learns from courses, in any order. Time is open time, whether the promise clock stood still
// or not: a customer waits either way. The time before a device arrives is nobody's to tell, so it doesn't
// count.
func NewForecast(c *calendar.Calendar, courses []workflow.Course, at time.Time) (*Forecast, error) {
	f := &Forecast{calendar: c, epoch: at, At: at, Jobs: len(courses)}
	for i := range courses {
		if b := courses[i].BookedAt; b.Before(f.epoch) {
			f.epoch = b
		}
	}
	var passages forecast.Passages
	for i := range courses {
		x := &courses[i]
		p := forecast.Passage{Kind: workflow.KindKey(x.Kind), Ended: x.Ended()}
		last := 0.0
		for _, v := range x.Visits {
			last = max(last, f.clock(v.Since)) // history stays in order, whatever wrote it
			if v.Stage != workflow.StageBooked {
				p.Legs = append(p.Legs, forecast.Leg{Stage: string(v.Stage), Begun: last})
			}
		}
		if len(p.Legs) > 0 && !(p.Ended && len(p.Legs) == 1) {
			passages = append(passages, p)
		}
	}
	var err error
	f.model, err = passages.Model(f.clock(at), ForecastCoverage)
	return f, err
}

// clock returns open hours since the epoch.
func (f *Forecast) clock(t time.Time) float64 { return f.calendar.Worked(f.epoch, t).Hours() }

// place returns where a job is, and how long it has been there; ok is false where it is not on its way.
func (f *Forecast) place(j *workflow.Job, now time.Time) (kind, stage string, waited float64, ok bool) {
	if j.Ended() || j.Stage == workflow.StageBooked {
		return "", "", 0, false
	}
	return workflow.KindKey(j.Device.Kind), string(j.Stage), f.calendar.Worked(j.StageSince, now).Hours(), true
}

// Agrees reports whether a customer may read it beside the date that they are told: it ends by that date, and
// the clock runs; where no date stands, it is all there is. Where it contradicts the promise, the
// counter reads it instead.
func (o *Outlook) Agrees(d workflow.Date, shop *workflow.Shop) bool {
	switch d.Kind {
	case workflow.DateBy:
		return shop.Calendar.Date(o.To) <= shop.Calendar.Date(d.At)
	case workflow.DateNone, workflow.DateLate:
		return true
	}
	return false
}

// ErrNoOutlook is the error for a job that has none: it has not arrived, or it has ended.
var ErrNoOutlook = errors.New("the job is not on its way")

// Outlook tells when a job will most likely leave. The error is ErrNoOutlook, or a [forecast.NoRange] that says
// what the history lacks.
func (f *Forecast) Outlook(j *workflow.Job, now time.Time) (Outlook, error) {
	kind, stage, waited, ok := f.place(j, now)
	if !ok {
		return Outlook{}, ErrNoOutlook
	}
	x, err := f.model.Outlook(kind, stage, waited)
	if err != nil {
		return Outlook{}, err
	}
	o := Outlook{Jobs: x.Finished}
	if x.OfKind {
		o.Kind = j.Device.Kind
	}
	for _, p := range []struct {
		to    *time.Time
		hours float64
	}{{&o.From, x.Low}, {&o.To, x.High}, {&o.Median, x.Median}} {
		if *p.to, ok = f.calendar.After(now, time.Duration(p.hours*float64(time.Hour)).Truncate(time.Second)); !ok {
			return Outlook{}, &forecast.NoRange{Coverage: ForecastCoverage}
		}
	}
	if !x.MedianKnown {
		o.Median = time.Time{}
	}
	return o, nil
}

// Missed tells how probable it is, in percent, that a job leaves after due. ok is false where the history
// says nothing.
func (f *Forecast) Missed(j *workflow.Job, due, now time.Time) (percent int, ok bool) {
	kind, stage, waited, ok := f.place(j, now)
	if !ok {
		return 0, false
	}
	share, err := f.model.Longer(kind, stage, waited, f.calendar.Worked(now, due).Hours())
	if err != nil {
		return 0, false
	}
	return int(share*100 + 0.5), true
}

// Forecaster keeps a shop's forecast, made apart from the requests that ask it. It is safe for concurrent use.
type Forecaster struct {
	Service *workflow.Service
	// Renewed, if set, is told that there is a new forecast.
	Renewed func()
	now     atomic.Pointer[Forecast]
}

// Forecast returns the newest forecast, nil before the first.
func (x *Forecaster) Forecast() *Forecast { return x.now.Load() }

// Renew makes a new forecast of what the store holds. One call at a time is enough.
func (x *Forecaster) Renew(ctx context.Context, now time.Time) error {
	var all []workflow.Course
	for c, err := range x.Service.Courses(ctx) {
		if err != nil {
			return err
		}
		if all = append(all, *c); len(all) == forecastOn {
			break
		}
	}
	f, err := NewForecast(x.Service.Shop.Calendar, all, now)
	if err != nil {
		return err
	}
	x.now.Store(f)
	if x.Renewed != nil {
		x.Renewed()
	}
	return nil
}

// Outlook asks the newest forecast; ok is false where there is nothing to tell.
func (x *Forecaster) Outlook(j *workflow.Job, now time.Time) (o Outlook, ok bool) {
	if x == nil || x.Forecast() == nil {
		return Outlook{}, false
	}
	o, err := x.Forecast().Outlook(j, now)
	return o, err == nil
}

// Risk tells how probable it is that a promise will be missed; it is a [RiskOf]. Each morning the history has
// more to say, so that is when to ask again: also where it says nothing yet.
func (x *Forecaster) Risk(j *workflow.Job, due, now time.Time) (workflow.Risk, bool) {
	var r workflow.Risk
	r.AskAgain, _ = x.Service.Shop.Calendar.OpeningOf(now, 1)
	if f := x.Forecast(); f != nil {
		r.Percent, _ = f.Missed(j, due, now)
	}
	return r, true
}
