package counter

import (
	"context"
	"encoding/json"
	"errors"
	"net/url"
	"time"

	"benchword/workflow"
)

// A draft is a findings report or a quote that is being written. It belongs to the job, not to its
// writer: the bench writes, the counter looks at it and sends it. It changes nothing on the job.
type draft struct {
	Values url.Values `json:"values"`
	By     string     `json:"by"`
	At     time.Time  `json:"at"`
	// Sent is how many reports, or revisions of the quote, there were when it was kept, plus one: once there
	// are more, it was sent. Drafts from before that was kept have 0.
	Sent int `json:"sent,omitempty"`
}

type draftKind string

const (
	draftReport draftKind = "report"
	draftQuote  draftKind = "quote"
)

// sent returns how many of a kind were sent, plus one.
func (k draftKind) sent(j *workflow.Job) int {
	if k == draftQuote {
		return len(j.Quotes) + 1
	}
	return len(j.Reports) + 1
}

// draft returns what is being written, nil if nothing is.
func (x *counter) draft(ctx context.Context, j *workflow.Job, kind draftKind) (*draft, error) {
	b, err := x.s.Service().Draft(ctx, j.Number, string(kind))
	if errors.Is(err, workflow.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	d := &draft{}
	if err := json.Unmarshal(b, d); err != nil {
		return nil, err
	}
	if d.Sent != 0 && d.Sent != kind.sent(j) {
		return nil, nil
	}
	return d, nil
}

// keepDraft keeps what was typed, without the form's own fields.
func (x *counter) keepDraft(r *request, kind draftKind) error {
	v := url.Values{}
	for k, s := range r.form.Values {
		switch k {
		case "csrf", "once", "v", "do":
		default:
			v[k] = s
		}
	}
	b, err := json.Marshal(draft{Values: v, By: x.s.Actor(r.c).ID, At: x.s.Now(), Sent: kind.sent(r.job)})
	if err != nil {
		return err
	}
	return x.s.Service().KeepDraft(r.c.UserContext(), r.job.Number, string(kind), b)
}

func (r *request) drafted(d *draft) string {
	if d == nil {
		return ""
	}
	return "Kept by " + d.By + ", " + momentOf(d.At, r.now(), r.shop()) + "."
}
