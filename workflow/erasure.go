package workflow

import (
	"context"
	"reflect"
	"strconv"
	"time"
)

// ErasePerson removes what identifies the customer, and the photos; figures and chain stay. The owner gives it,
// for a job that has ended. The system gives it when the shop's time for keeping is over, and where somebody was
// erased before: it may find the job in any stage then, and does all of it again.
type ErasePerson struct{}

func (c ErasePerson) decide(t *turn) error {
	if t.by.Role != RoleSystem {
		if !t.j.Ended() {
			return refused("A person can be erased once the job has ended: until then the device is still theirs to get back.")
		}
		if !t.j.Erased.IsZero() {
			return nil
		}
	}
	if err := t.endLinks(); err != nil {
		return err
	}
	t.forget = true
	e := &PersonErased{}
	for _, w := range []Words{t.j.Device.Maker, t.j.Device.Model} {
		e.Device = e.Device || w.Digest == "" && holdsName(w.Text, t.j.Customer.Name.Text)
	}
	if err := t.record(e); err != nil {
		return err
	}
	t.effect(EffectForget)
	return nil
}

// PersonErased removes what identifies the person; the figures stay.
type PersonErased struct {
	// Device: maker or model, as an earlier version wrote them in clear, hold a word of the name and go with it.
	Device bool `json:"device,omitempty"`
}

func (p *PersonErased) fold(j *Job, e *Event) {
	if j.Erased.IsZero() {
		j.Erased = e.At
	}
	for i := range j.Photos {
		j.Photos[i].Removed = true
	}
	for i := range j.Links {
		j.Links[i].Revoked = true
	}
	j.Passcode = nil
	Vault{}.Unseal(j)
	for _, w := range []*Words{&j.Device.Maker, &j.Device.Model} {
		if p.Device && w.Digest == "" && w.Text != "" {
			*w = Words{Sealed{Digest: lost}}
		}
	}
}

// eraseAt returns when the shop has kept the person for as long as it wants to, zero for never.
func (j *Job) eraseAt(shop *Shop) time.Time {
	if shop.EraseMonths == 0 || !j.Erased.IsZero() {
		return time.Time{}
	}
	return j.EndedAt.AddDate(0, shop.EraseMonths, 0)
}

// Unsealed counts the events that an earlier version wrote, with words in clear that no erasing can reach.
func Unsealed(events []*Event) int {
	n := 0
	for _, e := range events {
		clear, what := false, any(e.Payload)
		if p, ok := what.(*JobBooked); ok {
			what = &p.Inbound // maker and model are in clear by design
		}
		eachSealed(reflect.ValueOf(what), func(s *Sealed) { clear = clear || s.Digest == "" && s.Text != "" })
		if clear {
			n++
		}
	}
	return n
}

// Kept is a place outside of a job's history where bytes made from it lie.
type Kept struct {
	What string
	// Drop removes all that was made from a job; that there is nothing is no error.
	Drop func(ctx context.Context, n JobNumber) error
}

// Forgotten is the list of who was erased. It lies apart from the store: put back as it was on an earlier day, a
// store knows of nobody who was erased since.
//
// # Decisions
//
//   - 2026-11-30: The list holds digests under the link keys, in a file and in the store, and whoever is on one of the two
//     is erased before anybody is served. Rejected: the numbers of jobs in clear, since a list of who asked to be
//     forgotten says something about them; only the store, which is what a backup puts back.
type Forgotten interface {
	All() ([]string, error)
	// Add adds marks, each once; they are on the disk when it returns.
	Add(marks ...string) error
}

const (
	bucketForgotten = "forgotten" // the same list, so that it goes with the shop wherever that is moved
	bucketUpkeep    = "upkeep"
)

// marks are what the list says of a job: digests that nobody can make, or try out, without the link keys.
func (s *Service) marks(n JobNumber, booked time.Time) []string {
	return s.Links.Marks("erased", string(s.Shop.ID), string(n), strconv.FormatInt(booked.UnixMilli(), 10))
}

// AllKept lists every place where bytes made from a job lie beside its history: an erased person is removed from
// each of them.
func (s *Service) AllKept() []Kept {
	all := append([]Kept{{"drafts", s.dropDrafts}}, s.Kept...)
	if s.Pictures != nil {
		all = append(all, Kept{"photos", func(ctx context.Context, n JobNumber) error { return s.Pictures.Clear(ctx, s.Shop.ID, n) }})
	}
	return all
}

func (s *Service) forget(ctx context.Context, n JobNumber) error {
	j, err := s.Job(ctx, n)
	if err != nil {
		return err
	}
	marks := s.marks(n, j.BookedAt)
	if s.Forgotten != nil {
		if err := s.Forgotten.Add(marks...); err != nil {
			return err
		}
	}
	for _, m := range marks {
		if err := s.Bucket(bucketForgotten).Put(ctx, m, nil, time.Time{}); err != nil {
			return err
		}
	}
	for _, k := range s.AllKept() {
		if err := k.Drop(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

// ForgetAgain erases whoever is on the list and not erased in the store, which is then one of an earlier day. It is
// done before anybody is served.
func (s *Service) ForgetAgain(ctx context.Context) error {
	if s.Forgotten == nil {
		return nil
	}
	listed, err := s.Forgotten.All()
	if err != nil {
		return err
	}
	known := map[string]bool{} // true: in the store
	for _, m := range listed {
		known[m] = false
	}
	here, err := s.Bucket(bucketForgotten).List(ctx)
	if err != nil {
		return err
	}
	var missing []string
	for _, kv := range here {
		if _, there := known[kv.Key]; !there {
			missing = append(missing, kv.Key)
		}
		known[kv.Key] = true
	}
	if err := s.Forgotten.Add(missing...); err != nil {
		return err
	}
	news := 0
	for _, there := range known {
		if !there {
			news++
		}
	}
	if news == 0 {
		return nil
	}
	for c, err := range s.Courses(ctx) {
		if err != nil {
			return err
		}
		for _, m := range s.marks(c.Job, c.BookedAt) {
			if there, listed := known[m]; !listed || there {
				continue
			}
			j, err := s.Job(ctx, c.Job)
			if err == nil && j.Erased.IsZero() {
				err = s.eraseAgain(ctx, c.Job)
			}
			if err != nil {
				return err
			}
		}
	}
	for m, there := range known {
		if there {
			continue
		}
		if err := s.Bucket(bucketForgotten).Put(ctx, m, nil, time.Time{}); err != nil {
			return err
		}
	}
	return nil
}

func (s *Service) eraseAgain(ctx context.Context, n JobNumber) error {
	_, err := s.Do(ctx, Order{Job: n, By: clockActor, Commands: []Command{ErasePerson{}}})
	return err
}

// Upkeep does what a change of version or settings asks for once: whom an earlier version erased is erased
// again, since it left photos and words behind; and jobs that ended are given the day on which the shop's time
// for keeping is over.
func (s *Service) Upkeep(ctx context.Context) error {
	err := s.onceFor(ctx, "erased", "2", func() error {
		for f := (BoardFilter{Ended: true, Limit: 200}); ; {
			rows, err := s.Board(ctx, f)
			if err != nil || len(rows) == 0 {
				return err
			}
			for _, r := range rows {
				if r.Person == "" {
					if err := s.eraseAgain(ctx, r.Job); err != nil {
						return err
					}
				}
			}
			f.After = &rows[len(rows)-1]
		}
	})
	if err != nil || s.Shop.EraseMonths == 0 {
		return err
	}
	return s.onceFor(ctx, "months", strconv.Itoa(s.Shop.EraseMonths), func() error {
		for c, err := range s.Courses(ctx) {
			if err != nil {
				return err
			}
			if c.Ended() {
				if err := s.wake(ctx, c.Job); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// onceFor does something unless it was done for this value last.
func (s *Service) onceFor(ctx context.Context, what, value string, do func() error) error {
	b := s.Bucket(bucketUpkeep)
	if done, err := b.Get(ctx, what); err == nil && string(done) == value {
		return nil
	}
	if err := do(); err != nil {
		return err
	}
	return b.Put(ctx, what, []byte(value), time.Time{})
}
