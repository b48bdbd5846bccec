package workflow

import (
	"context"
	"errors"
	"strings"
	"time"

	"benchword/workflow/calendar"
)

// Carrier is a carrier of the shop's, with the days that its parcels usually take.
type Carrier struct {
	// Name is as it is written at packing; "" stands for every other one.
	Name string
	// Days are calendar days after posting, within the shop's country; Abroad those to other countries, by code.
	Days   int
	Abroad map[string]int
}

// Arrival is what somebody said of a parcel that was posted back.
type Arrival struct {
	// Arrived: it is there. Else it has not come.
	Arrived bool      `json:"arrived"`
	At      time.Time `json:"at,omitzero"`
	// By is who said so: the customer, the counter, or the system where the device came back.
	By   Role  `json:"by"`
	Note Words `json:"note,omitzero"`
}

// StageUnarrived is where the board's index puts a job whose parcel should have arrived and nobody said so, or that
// the customer misses, among those that have ended; the job itself is shipped.
//
// # Decisions
//
//   - 2026-12-01: A parcel that was posted claims no arrival: after the carrier's usual days it should have arrived, and
//     it has where customer or counter say so, or the device is booked in again. Rejected: taking the days for an
//     arrival; asking by email, since whoever has it would be asked for nothing.
const StageUnarrived Stage = "unarrived"

// ShouldArrive returns the day by which a posted parcel should have arrived, by the carrier's usual days; ok is false
// where nobody knows.
func (j *Job) ShouldArrive(shop *Shop) (day calendar.Date, ok bool) {
	s := j.Shipment
	if j.Stage != StageShipped || s == nil || s.InPerson {
		return 0, false
	}
	if j.ArriveBy != "" {
		day, err := calendar.ParseDate(j.ArriveBy)
		return day, err == nil
	}
	days := 0
	for _, c := range shop.Carriers {
		if named := strings.EqualFold(c.Name, s.Carrier); c.Name != "" && !named || c.Name == "" && days > 0 {
			continue
		}
		if days = c.Days; s.Country != "" && s.Country != shop.Country {
			days = c.Abroad[s.Country]
		}
	}
	return shop.Calendar.Date(j.EndedAt) + calendar.Date(days), days > 0
}

// ArriveDay returns that day as an instant within it, zero where nobody knows.
func (j *Job) ArriveDay(shop *Shop) time.Time {
	day, ok := j.ShouldArrive(shop)
	if !ok {
		return time.Time{}
	}
	return midnight(shop, day+1).Add(-time.Second)
}

// Unarrived reports whether a parcel should have arrived and nobody said that it has, or it is missed.
func (j *Job) Unarrived() bool {
	if a := j.Arrival; a != nil || !j.Erased.IsZero() {
		return a != nil && !a.Arrived && j.Erased.IsZero()
	}
	return j.ArriveBy != ""
}

// unarrivedAt returns when a parcel's usual days are over, zero where nobody waits for that.
func (j *Job) unarrivedAt(shop *Shop) time.Time {
	day, ok := j.ShouldArrive(shop)
	if !ok || j.ArriveBy != "" || j.Arrival != nil || !j.Erased.IsZero() {
		return time.Time{}
	}
	return midnight(shop, day+1)
}

func (t *turn) noteUnarrived() error {
	day, _ := t.j.ShouldArrive(t.shop)
	return t.record(&ParcelOverdue{By: day.String()})
}

// ParcelOverdue says that a parcel should have arrived, by the carrier's usual days, and nobody said that it has.
type ParcelOverdue struct {
	// By is the day, in the shop's zone.
	By string `json:"by"`
}

func (p *ParcelOverdue) fold(j *Job, e *Event) {
	j.ArriveBy = p.By
	j.addMoment(e, 0)
}

// TellArrival says whether a parcel that was posted back has arrived.
type TellArrival struct {
	Arrived bool   `json:"arrived"`
	Note    string `json:"note,omitempty"`
}

func (c TellArrival) decide(t *turn) error {
	if err := t.needStage("Saying whether it has arrived", StageShipped); err != nil {
		return err
	}
	if s := t.j.Shipment; s != nil && s.InPerson {
		return refused("It was handed over in person.").because("stage")
	}
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to ask.").because("erased")
	}
	if a := t.j.Arrival; a != nil && a.Arrived == c.Arrived {
		return nil // said already
	}
	note, err := t.text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	return t.record(&ArrivalTold{Arrived: c.Arrived, Note: note})
}

// ArrivalTold is what somebody said of a parcel; what is said last counts.
type ArrivalTold struct {
	Arrived bool  `json:"arrived"`
	Note    Words `json:"note,omitzero"`
}

func (p *ArrivalTold) fold(j *Job, e *Event) {
	j.Arrival = &Arrival{p.Arrived, e.At, e.By.Role, p.Note}
	j.Arrivals = append(j.Arrivals, p.Arrived)
	j.addMoment(e, len(j.Arrivals))
}

// NoteReturn names the job under which the device came back under warranty.
type NoteReturn struct {
	Job JobNumber `json:"job"`
}

func (c NoteReturn) decide(t *turn) error {
	for _, n := range t.j.Returns {
		if n == c.Job {
			return nil
		}
	}
	return t.record(&JobReturned{c.Job})
}

// JobReturned is the device booked in again under warranty, as another job.
type JobReturned struct {
	Job JobNumber `json:"job"`
}

func (p *JobReturned) fold(j *Job, e *Event) {
	j.Returns = append(j.Returns, p.Job)
	if s := j.Shipment; j.Stage == StageShipped && s != nil && !s.InPerson && (j.Arrival == nil || !j.Arrival.Arrived) {
		j.Arrival = &Arrival{Arrived: true, At: e.At, By: e.By.Role}
	}
	j.addMoment(e, len(j.Returns))
}

// nameReturn tells the job that this one follows that it came back.
func (s *Service) nameReturn(ctx context.Context, n JobNumber) error {
	j, err := s.Job(ctx, n)
	if err != nil || j.Follows == "" || j.Follows == n {
		return err
	}
	_, err = s.Do(ctx, Order{Job: j.Follows, By: Actor{Role: RoleSystem, ID: "return"}, Commands: []Command{NoteReturn{n}}})
	if errors.Is(err, ErrNotFound) {
		return nil // a job of before, which is not here
	}
	return err
}
