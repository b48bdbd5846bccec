package counter

import (
	"errors"
	"fmt"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/forecast"
	"benchword/workflow/history"
)

// forecastView is what the forecast says to staff about a job on its way.
type forecastView struct {
	// Range, Median and Of are the range, its middle and what it rests on; None says why there is none.
	Range, Median, Of, None string
	// Miss says how probable it is that the promise will be missed, "" if that is not known.
	Miss string
	// Late marks a promise that will probably be missed.
	Late bool
}

// noForecast says why there is none.
func noForecast(err error) string {
	var none *forecast.NoRange
	switch {
	case errors.As(err, &none) && none.Changed:
		return fmt.Sprintf("No date is guessed: of late jobs take another time at “%s” than before, and too few have shown how long.", stageWords[workflow.Stage(none.Stage)])
	case errors.As(err, &none) && none.Stage != "" && none.Finished < none.Needed:
		return fmt.Sprintf("No date is guessed: that takes %d earlier jobs that went through “%s” like this one, and there are %d.", none.Needed, stageWords[workflow.Stage(none.Stage)], none.Finished)
	case errors.As(err, &none) && none.Stage != "":
		return "No date is guessed: too many of the long jobs are still here to tell how long such a job takes."
	}
	return "No date is guessed yet: too few earlier jobs have shown how far off such guesses are."
}

// forecastViewOf puts a job's forecast into words for staff; nil for a job that is not on its way, or before
// the first forecast.
func forecastViewOf(f *history.Forecast, j *workflow.Job, shop *workflow.Shop, now time.Time) *forecastView {
	if f == nil || j.Ended() || j.Stage == workflow.StageBooked {
		return nil
	}
	o, err := f.Outlook(j, now)
	if err != nil {
		return &forecastView{None: noForecast(err)}
	}
	k := newClock(shop, now)
	v := &forecastView{Range: fmt.Sprintf("Most likely leaves between %s and %s", k.day(o.From), k.day(o.To))}
	if calendar.DateOf(o.From, k.loc) == calendar.DateOf(o.To, k.loc) {
		v.Range = "Most likely leaves " + k.day(o.To)
	}
	if !o.Median.IsZero() {
		v.Median = "As likely before as after: " + k.at(o.Median)
	}
	of := "any device"
	if o.Kind != "" {
		of = "a " + o.Kind
	}
	v.Of = fmt.Sprintf("From the last %d ended jobs with %s; eight in ten leave within the range.", o.Jobs, of)
	p := j.Promise()
	if p == nil || !p.BreachedAt.IsZero() {
		return v
	}
	due, ok := j.Turnaround(shop, p).DueAt(now)
	if !ok {
		return v
	}
	if percent, ok := f.Missed(j, due, now); ok {
		v.Late = percent >= 50
		v.Miss = fmt.Sprintf("The promise (%s) will be missed with a probability of about %d %%.", k.due(due), percent)
	}
	return v
}
