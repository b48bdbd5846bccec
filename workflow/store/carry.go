package store

import (
	"context"
	"fmt"
	"time"

	"benchword/workflow"
)

// Tally is what a pass has read, and what of it had to be written.
type Tally struct {
	Jobs, Events, Entries, Links, Steps, Keys int
	// Bytes are about those of the jobs.
	Bytes int64
	// Written are the rows, jobs among them, that were not in the target as they are.
	Written int
	// Leased is until when a mail of the source is in somebody's hands, zero for none.
	Leased time.Time
	// Other are jobs whose state is not what their events come to now; they are carried as they are.
	Other []workflow.JobNumber
}

// Carrier carries a shop from one store to another and compares them. It may be begun again as often as is
// needed, and writes only what is not there yet. It is for one goroutine. Without To it only reads and
// checks.
type Carrier struct {
	From, To workflow.Store
	Shop     workflow.ShopID
	Now      func() time.Time
	// Job, if set, is called for every job that a pass reads, in the order in which it does: for what is
	// kept elsewhere. fresh tells that the job was written in this pass.
	Job func(ctx context.Context, w *workflow.Whole, fresh bool) error

	have map[Sum]Sum       // rows of the target, by their names
	keys map[Sum][2]string // which of them are keys
	want map[Sum]Sum       // rows of the source as the last pass read them
}

// Each calls do for every part of a shop.
func Each(ctx context.Context, s workflow.Store, shop workflow.ShopID, do func(p *workflow.Part) error) error {
	for from := ""; ; {
		p, next, err := s.Out(ctx, shop, from)
		if err != nil {
			return err
		}
		if err := do(p); err != nil {
			return err
		}
		if from = next; from == "" {
			return nil
		}
	}
}

// Rows calls do for every row of a part, with what it is found by and what it holds; a lease is no part of
// that.
func Rows(p *workflow.Part, do func(name, sum Sum)) {
	for i := range p.Jobs {
		do(name("job", string(p.Jobs[i].Job)), wholeSum(&p.Jobs[i]))
	}
	for i := range p.Links {
		do(linkRow(&p.Links[i]))
	}
	for i := range p.Steps {
		do(stepRow(&p.Steps[i]))
	}
	for i := range p.Keys {
		do(keyRow(&p.Keys[i]))
	}
}

func linkRow(l *workflow.LinkRow) (Sum, Sum) { return name("link", string(l.Hash[:])), sumOf(l) }
func stepRow(s *workflow.Step) (Sum, Sum) {
	return name("step", s.Key), sumOf([]any{s.Job, s.Digest, s.Until}, s.Result)
}
func keyRow(k *workflow.KeyRow) (Sum, Sum) {
	return name("key", k.Bucket, k.Key), sumOf(k.Until, k.Value)
}

// Empty reports whether a store has nothing of a shop.
func Empty(ctx context.Context, s workflow.Store, shop workflow.ShopID) (bool, error) {
	for from := ""; ; {
		p, next, err := s.Out(ctx, shop, from)
		if err != nil || len(p.Jobs)+len(p.Links)+len(p.Steps)+len(p.Keys) > 0 {
			return false, err
		}
		if from = next; from == "" {
			return true, nil
		}
	}
}

// Pass reads the source from end to end, checks every chain, and writes to the target what is not there.
// Keys of the target that the source has no more are removed; a job or link that the source does not have
// is an error.
func (c *Carrier) Pass(ctx context.Context) (t Tally, err error) {
	if c.have == nil {
		have, keys := map[Sum]Sum{}, map[Sum][2]string{}
		if c.To == nil {
			c.have, c.keys = have, keys
		} else if err := Each(ctx, c.To, c.Shop, func(p *workflow.Part) error {
			Rows(p, func(n, s Sum) { have[n] = s })
			for i := range p.Keys {
				n, _ := keyRow(&p.Keys[i])
				keys[n] = [2]string{p.Keys[i].Bucket, p.Keys[i].Key}
			}
			return nil
		}); err != nil {
			return t, err
		}
		c.have, c.keys = have, keys
	}
	c.want = make(map[Sum]Sum, len(c.have))
	var steps []workflow.Step // their jobs come first
	if err := Each(ctx, c.From, c.Shop, func(p *workflow.Part) error {
		steps = append(steps, p.Steps...)
		p.Steps = nil
		return c.part(ctx, p, &t)
	}); err != nil {
		return t, err
	}
	for len(steps) > 0 {
		n := min(len(steps), PartSize)
		if err := c.part(ctx, &workflow.Part{Steps: steps[:n]}, &t); err != nil {
			return t, err
		}
		steps = steps[n:]
	}
	if c.To == nil {
		return t, nil
	}
	for n, k := range c.keys {
		if c.want[n] != (Sum{}) {
			continue
		}
		if err := c.To.DeleteKey(ctx, c.Shop, k[0], k[1]); err != nil {
			return t, err
		}
		delete(c.have, n)
		delete(c.keys, n)
		t.Written++
	}
	return t, c.To.SweepKeys(ctx, c.Shop, c.Now())
}

// part writes what of a part is not in the target.
func (c *Carrier) part(ctx context.Context, p *workflow.Part, t *Tally) error {
	now, send := c.Now(), workflow.Part{}
	// fresh notes a row and reports whether it is to be written; a row may be read twice.
	fresh := func(name, sum Sum, count *int) bool {
		if c.want[name] == (Sum{}) {
			*count++
		}
		c.want[name] = sum
		if c.have[name] == sum {
			return false
		}
		t.Written++
		return true
	}
	news := make([]bool, len(p.Jobs))
	for i := range p.Jobs {
		w := &p.Jobs[i]
		if err := CheckWhole(c.Shop, w); err != nil {
			return fmt.Errorf("where the shop comes from, %w", err)
		}
		n, s := name("job", string(w.Job)), wholeSum(w)
		first := c.want[n] == (Sum{})
		if news[i] = fresh(n, s, &t.Jobs); news[i] {
			send.Jobs = append(send.Jobs, *w)
		}
		if !first {
			continue
		}
		t.Events, t.Entries, t.Bytes = t.Events+len(w.Events), t.Entries+len(w.Entries), t.Bytes+size(w)
		same, err := folded(w)
		if err != nil {
			return fmt.Errorf("job %s: %w", w.Job, err)
		}
		if !same {
			t.Other = append(t.Other, w.Job)
		}
		for _, e := range w.Entries {
			if e.State == workflow.EntryQueued && e.Lease != "" && e.LeaseUntil.After(now) && e.LeaseUntil.After(t.Leased) {
				t.Leased = e.LeaseUntil
			}
		}
	}
	// Links and steps come after the jobs; those of jobs that were booked since wait for the next pass.
	there := func(n workflow.JobNumber) bool { return c.want[name("job", string(n))] != (Sum{}) }
	for i := range p.Links {
		if !there(p.Links[i].Job) {
			continue
		}
		if n, s := linkRow(&p.Links[i]); fresh(n, s, &t.Links) {
			send.Links = append(send.Links, p.Links[i])
		}
	}
	live := func(until time.Time) bool { return until.IsZero() || now.Before(until) }
	for i := range p.Steps {
		if !live(p.Steps[i].Until) || !there(p.Steps[i].Job) {
			continue
		}
		if n, s := stepRow(&p.Steps[i]); fresh(n, s, &t.Steps) {
			send.Steps = append(send.Steps, p.Steps[i])
		}
	}
	for i := range p.Keys {
		if !live(p.Keys[i].Until) {
			continue
		}
		n, s := keyRow(&p.Keys[i])
		c.keys[n] = [2]string{p.Keys[i].Bucket, p.Keys[i].Key}
		if fresh(n, s, &t.Keys) {
			send.Keys = append(send.Keys, p.Keys[i])
		}
	}
	if c.To != nil && len(send.Jobs)+len(send.Links)+len(send.Steps)+len(send.Keys) > 0 {
		if err := c.To.In(ctx, c.Shop, &send); err != nil {
			return err
		}
		Rows(&send, func(n, s Sum) { c.have[n] = s })
	}
	if c.Job != nil {
		for i := range p.Jobs {
			if err := c.Job(ctx, &p.Jobs[i], news[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Verify reads the target from end to end: every chain must hold, and every row must be there that the
// last pass read, as it was read, and no other.
func (c *Carrier) Verify(ctx context.Context) error {
	missing := make(map[Sum]Sum, len(c.want))
	for n, s := range c.want {
		missing[n] = s
	}
	seen := func(what string, n, s Sum) error {
		want, ok := c.want[n]
		if !ok {
			return fmt.Errorf("%s is in the target, and not where the shop comes from", what)
		}
		if s != want {
			return fmt.Errorf("%s is not in the target as it was read", what)
		}
		delete(missing, n)
		return nil
	}
	if err := Each(ctx, c.To, c.Shop, func(p *workflow.Part) error {
		for i := range p.Jobs {
			w := &p.Jobs[i]
			if err := CheckWhole(c.Shop, w); err != nil {
				return fmt.Errorf("in the target, %w", err)
			}
			if err := seen("job "+string(w.Job), name("job", string(w.Job)), wholeSum(w)); err != nil {
				return err
			}
		}
		for i := range p.Links {
			n, s := linkRow(&p.Links[i])
			if err := seen("a link of job "+string(p.Links[i].Job), n, s); err != nil {
				return err
			}
		}
		for i := range p.Steps {
			n, s := stepRow(&p.Steps[i])
			if err := seen("a step of job "+string(p.Steps[i].Job), n, s); err != nil {
				return err
			}
		}
		for i := range p.Keys {
			n, s := keyRow(&p.Keys[i])
			if err := seen("the key "+p.Keys[i].Bucket+"/"+p.Keys[i].Key, n, s); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	if len(missing) > 0 {
		return fmt.Errorf("%d rows that were copied are not in the target", len(missing))
	}
	return nil
}
