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
}

type draftKind string

const (
	draftReport draftKind = "report"
	draftQuote  draftKind = "quote"
)

var draftKinds = []draftKind{draftReport, draftQuote}

func (x *counter) draft(ctx context.Context, n workflow.JobNumber, kind draftKind) (*draft, error) {
	b, err := x.s.Service().Draft(ctx, n, string(kind))
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
	b, err := json.Marshal(draft{Values: v, By: x.s.Actor(r.c).ID, At: x.s.Now()})
	if err != nil {
		return err
	}
	return x.s.Service().KeepDraft(r.c.UserContext(), r.job.Number, string(kind), b)
}

func (x *counter) dropDraft(r *request, kind draftKind) error {
	return x.s.Service().DropDraft(r.c.UserContext(), r.job.Number, string(kind))
}

func (r *request) drafted(d *draft) string {
	if d == nil {
		return ""
	}
	return "Kept by " + d.By + ", " + momentOf(d.At, r.now(), r.shop()) + "."
}
