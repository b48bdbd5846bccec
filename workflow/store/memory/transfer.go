package memory

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/store"
)

// Out reads a shop out: rows first, then jobs, then links.
func (s *Store) Out(ctx context.Context, id workflow.ShopID, from string) (*workflow.Part, string, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return nil, "", err
	}
	defer s.mu.Unlock()
	out := &workflow.Part{}
	section, after, _ := strings.Cut(from, ":")
	switch section {
	case "":
		for k, v := range p.keys {
			out.Keys = append(out.Keys, workflow.KeyRow{Bucket: k.bucket, KeyValue: workflow.KeyValue{Key: k.key, Value: bytes.Clone(v.bytes)}, Until: v.until})
		}
		for _, d := range p.once {
			step := workflow.Step{Job: d.job, Once: d.Once}
			step.Result = bytes.Clone(d.Result)
			out.Steps = append(out.Steps, step)
		}
		return out, "jobs:", nil
	case "jobs":
		for _, n := range slices.Sorted(maps.Keys(p.jobs)) {
			if string(n) <= after {
				continue
			}
			if len(out.Jobs) == store.PartSize {
				return out, "jobs:" + string(out.Jobs[len(out.Jobs)-1].Job), nil
			}
			out.Jobs = append(out.Jobs, p.jobs[n].whole(n))
		}
		return out, "links:", nil
	}
	for _, l := range p.links {
		out.Links = append(out.Links, l)
	}
	return out, "", nil
}

func (j *job) whole(n workflow.JobNumber) workflow.Whole {
	w := workflow.Whole{Job: n, State: bytes.Clone(j.state), Course: bytes.Clone(j.course), Index: j.index, WakeAt: j.wakeAt}
	for _, e := range j.events {
		c := *e
		c.Data = bytes.Clone(e.Data)
		w.Events = append(w.Events, &c)
	}
	for _, x := range j.vault {
		w.Secrets = append(w.Secrets, x)
	}
	for _, e := range j.entries {
		w.Entries = append(w.Entries, *keptEntry(e))
	}
	store.Tidy(&w)
	return w
}

// In writes a part in place of what is there.
func (s *Store) In(ctx context.Context, id workflow.ShopID, part *workflow.Part) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	for i := range part.Jobs {
		w := &part.Jobs[i]
		if err := store.CheckWhole(id, w); err != nil {
			return err
		}
		var there json.RawMessage
		if j := p.jobs[w.Job]; j != nil {
			there = j.state
		}
		if err := store.Follows(w, there); err != nil {
			return err
		}
	}
	for i := range part.Jobs {
		w := &part.Jobs[i]
		j := &job{
			version: int64(len(w.Events)), state: bytes.Clone(w.State), course: bytes.Clone(w.Course), vault: map[string]workflow.Secret{},
			index: w.Index, wakeAt: cut(w.WakeAt),
		}
		for _, x := range w.Secrets {
			j.vault[x.Digest] = x
		}
		for _, e := range w.Events {
			c := *e
			c.Data, c.Payload = bytes.Clone(e.Data), nil
			j.events = append(j.events, &c)
		}
		for k := range w.Entries {
			e := keptEntry(&w.Entries[k])
			e.Lease, e.LeaseUntil = "", time.Time{}
			j.entries = append(j.entries, e)
		}
		p.jobs[w.Job] = j
	}
	for _, l := range part.Links {
		if p.jobs[l.Job] != nil {
			p.links[l.Hash] = l
		}
	}
	for _, x := range part.Steps {
		if p.jobs[x.Job] != nil {
			d := done{x.Once, x.Job}
			d.Result = bytes.Clone(x.Result)
			p.once[x.Key] = d
		}
	}
	for _, k := range part.Keys {
		p.keys[bucketKey{k.Bucket, k.Key}] = value{bytes.Clone(k.Value), k.Until}
	}
	return nil
}

// Hold keeps a shop's jobs as they are, until it is called with no reason.
func (s *Store) Hold(ctx context.Context, id workflow.ShopID, why string) error {
	p, err := s.open(ctx, id)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	p.held = why
	return nil
}

// Held returns the reason of the hold in force, "" for none.
func (s *Store) Held(ctx context.Context, id workflow.ShopID) (string, error) {
	p, err := s.open(ctx, id)
	if err != nil {
		return "", err
	}
	defer s.mu.Unlock()
	return p.held, nil
}
