package workflow

import (
	"slices"
	"time"
)

// RecordDelivery writes down a notice's fate; it goes with the settlement of its outbox entry.
type RecordDelivery struct {
	ID string `json:"id"`
	// With are the notices that its mail told too.
	With []string `json:"with,omitempty"`
	// Buried is the reason in plain words of our own, "" for a notice that was accepted.
	Buried string `json:"buried,omitempty"`
	// Moot says that nothing was sent, since later steps had made all of it out of date.
	Moot bool `json:"moot,omitempty"`
}

func (c RecordDelivery) decide(t *turn) error {
	if t.j.Notice(c.ID) == nil {
		return invalid("id", "There is no notice %s on this job.", c.ID)
	}
	// A notice that was to go with this mail, made in the moment in which the mail was written, is not in
	// it: it gets a mail of its own.
	for i := range t.j.Notices {
		if n := &t.j.Notices[i]; n.With == c.ID && n.waits() && !slices.Contains(c.With, n.ID) {
			late := *n
			t.late = &late
			break
		}
	}
	if c.Buried != "" {
		return t.record(&NoticeBuried{ID: c.ID, Reason: c.Buried, With: c.With})
	}
	return t.record(&NoticeDelivered{c.ID, c.With, c.Moot})
}

// NoticeDelivered: the mail server accepted it, and those it told too; or there was nothing left to tell.
type NoticeDelivered struct {
	ID   string   `json:"id"`
	With []string `json:"with,omitempty"`
	Moot bool     `json:"moot,omitempty"`
}

func (p *NoticeDelivered) fold(j *Job, e *Event) {
	j.noticesIn(p.ID, p.With, func(n *Notice) {
		n.DeliveredAt, n.BuriedAt, n.Reason, n.ToldAt, n.Moot = e.At, time.Time{}, "", time.Time{}, p.Moot
	})
}

// NoticeBuried: it could not be delivered; the counter telephones. Reason is in our own words: a server's
// may hold an address, which must not stand in a history that is never changed.
type NoticeBuried struct {
	ID     string   `json:"id"`
	Reason string   `json:"reason"`
	With   []string `json:"with,omitempty"`
}

func (p *NoticeBuried) fold(j *Job, e *Event) {
	j.noticesIn(p.ID, p.With, func(n *Notice) { n.BuriedAt, n.Reason, n.ToldAt = e.At, p.Reason, time.Time{} })
}

// noticesIn calls do for the record of a mail and those of the notices that it told too.
func (j *Job) noticesIn(id string, with []string, do func(*Notice)) {
	for _, id := range append([]string{id}, with...) {
		if n := j.Notice(id); n != nil {
			do(n)
		}
	}
}

// RecordBounce writes down that an accepted mail came back.
type RecordBounce struct {
	ID string `json:"id"`
	// Reason is in plain words of our own.
	Reason string `json:"reason"`
	// Dead says that the address takes no mail at all.
	Dead bool `json:"dead,omitempty"`
}

func (c RecordBounce) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	if n == nil {
		return invalid("id", "There is no notice %s on this job.", c.ID)
	}
	if !n.BouncedAt.IsZero() {
		return nil // several servers may say the same
	}
	return t.record(&NoticeBounced{c.ID, c.Reason, c.Dead})
}

// NoticeBounced: it was accepted, and came back. Reason is in our own words.
type NoticeBounced struct {
	ID     string `json:"id"`
	Reason string `json:"reason"`
	// Dead marks the address as one that takes no mail.
	Dead bool `json:"dead,omitempty"`
}

func (p *NoticeBounced) fold(j *Job, e *Event) {
	if n := j.Notice(p.ID); n != nil {
		n.BouncedAt, n.Reason, n.ToldAt = e.At, p.Reason, time.Time{}
	}
	if p.Dead {
		j.DeadAddress = j.Customer.Email.Digest
	}
}

// Undelivered lists the notices that were given up or came back: somebody should telephone.
func (j *Job) Undelivered() []Notice {
	var out []Notice
	for _, n := range j.Notices {
		if (!n.BuriedAt.IsZero() || !n.BouncedAt.IsZero()) && n.With == "" && n.ToldAt.IsZero() {
			out = append(out, n)
		}
	}
	return out
}

// SendAgain puts a given-up notice back in the queue. It is written anew, for the address that the
// customer has now.
type SendAgain struct {
	ID string `json:"id"`
}

func (c SendAgain) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	switch {
	case n == nil:
		return invalid("id", "There is no such email on this job.")
	case !t.j.Erased.IsZero():
		return refused("The customer was erased from this job; there is nobody to write to.")
	case t.j.Customer.Email.Text == "":
		return refused("There is no email address on this job. Enter one first, or telephone.")
	case n.BuriedAt.IsZero():
		return nil // it is on its way already
	}
	id := n.ID
	if n.With != "" {
		id = n.With
	}
	t.requeue = append(t.requeue, id)
	return t.record(&NoticeRequeued{id})
}

// NoticeRequeued: somebody had a given-up notice sent again.
type NoticeRequeued struct {
	ID string `json:"id"`
}

func (p *NoticeRequeued) fold(j *Job, e *Event) {
	for i := range j.Notices {
		if n := &j.Notices[i]; n.ID == p.ID || n.With == p.ID {
			n.BuriedAt, n.Reason, n.ToldAt, n.Due = time.Time{}, "", time.Time{}, time.Time{}
		}
	}
}

// NoteTold ticks a mail off that did not arrive: the customer was told in another way.
type NoteTold struct {
	ID string `json:"id"`
}

func (c NoteTold) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	switch {
	case n == nil:
		return invalid("id", "There is no such email on this job.")
	case n.BuriedAt.IsZero() && n.BouncedAt.IsZero():
		return refused("This mail was not given up; there is nothing to tick off.")
	case !n.ToldAt.IsZero():
		return nil
	}
	return t.record(&NoticeTold{c.ID})
}

// NoticeTold: the counter told the customer in another way what a mail could not.
type NoticeTold struct {
	ID string `json:"id"`
}

func (p *NoticeTold) fold(j *Job, e *Event) {
	if n := j.Notice(p.ID); n != nil {
		n.ToldAt = e.At
	}
}
