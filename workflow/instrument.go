package workflow

import (
	"strings"

	"benchword/workflow/calendar"
)

// Instrument is one on the shop's list, so that a reading can say how far it can be trusted.
type Instrument struct {
	Name   string
	Serial string
	// Calibrated is when it was last calibrated, Due until when that holds; each "" where nobody said, else a
	// date like 2026-03-01.
	Calibrated, Due string
}

// Calibration is what the shop's list said of an instrument when something was measured with it.
type Calibration struct {
	Serial string `json:"serial,omitempty"`
	On     string `json:"on,omitempty"`
	Due    string `json:"due,omitempty"`
	// Overdue: it should have been calibrated again before.
	Overdue bool `json:"overdue,omitempty"`
}

// Instrument returns the instrument of a name, nil if it isn't on the list.
func (s *Shop) Instrument(name string) *Instrument {
	for i := range s.Instruments {
		if strings.EqualFold(s.Instruments[i].Name, strings.TrimSpace(name)) {
			return &s.Instruments[i]
		}
	}
	return nil
}

// calibration returns what the list says now of an instrument, nil if it isn't on it.
func (t *turn) calibration(name string) *Calibration {
	i := t.shop.Instrument(name)
	if i == nil {
		return nil
	}
	due, err := calendar.ParseDate(i.Due)
	return &Calibration{Serial: i.Serial, On: i.Calibrated, Due: i.Due, Overdue: err == nil && t.shop.Calendar.Date(t.now) > due}
}
