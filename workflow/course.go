package workflow

import (
	"context"
	"iter"
	"slices"
	"strings"
	"time"

	"benchword/workflow/promiseclock"
)

// Course is when a job was where, what was promised, and when the clock stood still: what figures and
// forecasts are made of. It holds nothing about a person, so it outlasts an erasure. Instants are UTC.
//
// # Decisions
//
//   - 2026-11-30: Courses stay beside the job, since every commit carries one; figures and forecast, which
//     are made of them, are package history above. Rejected: courses in history as a leaf, which would need
//     copies of stages, outcomes and promises of its own.
type Course struct {
	Job      JobNumber `json:"job"`
	BookedAt time.Time `json:"booked_at"`
	// EndedAt is zero while the job runs.
	EndedAt time.Time `json:"ended_at,omitzero"`
	// Kind is the kind of device in plain words, as it was typed.
	Kind    string  `json:"kind"`
	Outcome Outcome `json:"outcome,omitempty"`
	// Symptom, Also and Causes are what it suffered from, what else, and which suspects of the catalogue were confirmed.
	Symptom string   `json:"symptom,omitempty"`
	Also    []string `json:"also,omitempty"`
	Causes  []string `json:"causes,omitempty"`
	// Visits are its stages in order; a job that came back to one has a visit for each time. Each lasts
	// until the next begins; a stage that jobs end in is the last.
	Visits []Visit `json:"visits"`
	// Promises are all that were made, without their reasons.
	Promises []Promise `json:"promises,omitempty"`
	// Pauses are those of the promise clock.
	Pauses []promiseclock.Pause `json:"pauses,omitempty"`
}

// Visit is one stay at one stage.
type Visit struct {
	Stage Stage     `json:"stage"`
	Since time.Time `json:"since"`
}

// Course returns the job's course so far.
func (j *Job) Course() Course {
	c := Course{
		Job: j.Number, BookedAt: j.BookedAt, EndedAt: j.EndedAt, Kind: j.Device.Kind, Outcome: j.Outcome, Symptom: j.Symptom, Also: slices.Clone(j.AlsoDoes),
		Visits: []Visit{{StageBooked, j.BookedAt}}, Promises: slices.Clone(j.Promises), Pauses: slices.Clone(j.Pauses),
	}
	for _, s := range j.Suspects {
		if s.Cause != "" && s.Verdict() == CheckConfirmed {
			c.Causes = append(c.Causes, s.Cause)
		}
	}
	for i := range c.Promises {
		c.Promises[i].Reason = Words{}
	}
	for _, m := range j.Story {
		if m.Kind == KindStageMoved {
			c.Visits = append(c.Visits, Visit{m.To, m.At})
		}
	}
	return c
}

// Now returns the visit that is going on, or that the job ended in.
func (c *Course) Now() Visit { return c.Visits[len(c.Visits)-1] }

// Ended reports whether the job has left the shop or was withdrawn.
func (c *Course) Ended() bool { return !c.EndedAt.IsZero() }

// Courses yields the courses of the shop's jobs, the latest booked first, as long as the caller takes them.
// An error is the last that it yields.
func (s *Service) Courses(ctx context.Context) iter.Seq2[*Course, error] {
	return func(yield func(*Course, error) bool) {
		for after := (*Course)(nil); ; {
			page, err := s.store.Courses(ctx, s.Shop.ID, after, 500)
			if err != nil {
				yield(nil, err)
				return
			}
			for i := range page {
				if !yield(&page[i], nil) {
					return
				}
			}
			if len(page) == 0 {
				return
			}
			after = &page[len(page)-1]
		}
	}
}

// KindKey makes kinds of device comparable that people typed.
func KindKey(kind string) string { return strings.ToLower(strings.Join(strings.Fields(kind), " ")) }
