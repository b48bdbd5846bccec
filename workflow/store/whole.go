package store

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"benchword/workflow"
)

// PartSize is how many jobs, or rows, one part read out of a store has at most, about.
const PartSize = 100

// head is what every state says of its history.
type head struct {
	Shop    workflow.ShopID    `json:"shop"`
	Number  workflow.JobNumber `json:"number"`
	Version int64              `json:"version"`
	Head    string             `json:"head"`
}

func headOf(state json.RawMessage) (h head, err error) {
	err = json.Unmarshal(state, &h)
	return h, err
}

// CheckWhole reports what keeps a job from being whole: a broken chain, a state or a row of something
// else.
func CheckWhole(shop workflow.ShopID, w *workflow.Whole) error {
	h, err := headOf(w.State)
	if err != nil {
		return fmt.Errorf("the state of job %s can't be read: %w", w.Job, err)
	}
	if h.Shop != shop || h.Number != w.Job || !w.Job.Valid() {
		return fmt.Errorf("the state of job %s is that of job %s of shop %s", w.Job, h.Number, h.Shop)
	}
	sum, err := workflow.VerifyChain(w.Events)
	switch {
	case err != nil:
		return fmt.Errorf("job %s: %w", w.Job, err)
	case len(w.Events) == 0, w.Events[0].Job != w.Job, w.Events[0].Shop != shop:
		return fmt.Errorf("job %s has no events, or another job's", w.Job)
	case h.Version != int64(len(w.Events)) || h.Head != sum:
		return fmt.Errorf("job %s: its state is of version %d with the head %.12s…, its %d events lead to %.12s…", w.Job, h.Version, h.Head, len(w.Events), sum)
	}
	for i := range w.Entries {
		if e := &w.Entries[i]; e.Shop != shop || e.Job != w.Job || !strings.HasPrefix(e.ID, string(w.Job)+"-") {
			return fmt.Errorf("job %s: notice %q is not this job's", w.Job, e.ID)
		}
	}
	for _, x := range w.Secrets {
		if !x.Check() {
			return fmt.Errorf("job %s: a value in its vault is not the one that was sealed under %.12s…", w.Job, x.Digest)
		}
	}
	return nil
}

// Follows reports whether a job may take the place of one that is there in this state (nil: of none): it
// must have the same history, or one that goes on from it. Error: ErrConflict.
func Follows(w *workflow.Whole, there json.RawMessage) error {
	if there == nil {
		return nil
	}
	h, err := headOf(there)
	if err != nil {
		return fmt.Errorf("the state of job %s can't be read: %w", w.Job, err)
	}
	if h.Version > int64(len(w.Events)) {
		return &workflow.Error{Code: workflow.CodeConflict, Message: fmt.Sprintf("Job %s has gone on where it is to be moved to (version %d, and %d where it comes from). It was left as it is.", w.Job, h.Version, len(w.Events))}
	}
	sum := ""
	if h.Version > 0 {
		if sum, err = w.Events[h.Version-1].Hash(); err != nil {
			return err
		}
	}
	if sum != h.Head {
		return &workflow.Error{Code: workflow.CodeConflict, Message: fmt.Sprintf("Job %s has another history where it is to be moved to. It was left as it is.", w.Job)}
	}
	return nil
}

// Tidy puts a job that was read into the one form that all stores give: rows in order and once, instants
// as they are, no empty slices.
func Tidy(w *workflow.Whole) {
	slices.SortFunc(w.Secrets, func(a, b workflow.Secret) int { return cmp.Compare(a.Digest, b.Digest) })
	w.Secrets = slices.CompactFunc(w.Secrets, func(a, b workflow.Secret) bool { return a.Digest == b.Digest })
	slices.SortStableFunc(w.Entries, func(a, b workflow.Entry) int {
		return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
	})
	for i := range w.Entries {
		e := &w.Entries[i]
		if len(e.Body) == 0 {
			e.Body = nil
		}
		if len(e.Attempts) == 0 {
			e.Attempts = nil
		}
	}
	if len(w.Course) == 0 {
		w.Course = nil
	}
}

// Sum is what tells two rows apart.
type Sum [16]byte

// name is what a row is found by, as a sum: a million of them fit.
func name(kind string, parts ...string) Sum {
	h := sha256.New()
	fmt.Fprintf(h, "%s", kind)
	for _, p := range parts {
		fmt.Fprintf(h, "\x00%d\x00%s", len(p), p)
	}
	return Sum(h.Sum(nil))
}

func sumOf(v any, more ...[]byte) Sum {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err) // nothing here but texts, numbers and instants
	}
	h := sha256.New()
	h.Write(text)
	for _, m := range more {
		fmt.Fprintf(h, "\x00%d\x00", len(m))
		h.Write(m)
	}
	return Sum(h.Sum(nil))
}

// wholeSum is over all of a job but its leases.
func wholeSum(w *workflow.Whole) Sum {
	c := *w
	c.Entries = slices.Clone(w.Entries)
	more := [][]byte{w.State, w.Course}
	c.State, c.Course = nil, nil
	for i := range c.Entries {
		more = append(more, c.Entries[i].Body) // not a part of an entry's JSON, and leases are not either
	}
	c.Events = nil
	for _, e := range w.Events {
		more = append(more, []byte(fmt.Sprintf("%d %d %s %s %s %s", e.Seq, e.At.UnixMilli(), e.By.Role, e.By.ID, e.Wire, e.Prev)), e.Data)
	}
	return sumOf(c, more...)
}

// size is about how many bytes a job is of.
func size(w *workflow.Whole) int64 {
	n := len(w.State) + len(w.Course) + len(w.Index.Text)
	for _, e := range w.Events {
		n += len(e.Data) + len(e.Wire) + len(e.Prev)
	}
	for _, x := range w.Secrets {
		n += len(x.Text) + len(x.Salt) + len(x.Digest)
	}
	for i := range w.Entries {
		n += len(w.Entries[i].Body)
	}
	return int64(n)
}

// folded reports whether a job's state is what its events come to. A state is kept from step to step by
// the program that made it, so one of an older form may differ in what that form did not have.
func folded(w *workflow.Whole) (bool, error) {
	again := make([]*workflow.Event, len(w.Events))
	for i, e := range w.Events {
		c := *e
		c.Payload = nil
		again[i] = &c
	}
	j, err := workflow.Replay(again)
	if err != nil {
		return false, err
	}
	text, err := json.Marshal(j)
	if err != nil || bytes.Equal(text, w.State) {
		return err == nil, err
	}
	// An earlier version left words in clear where it erased somebody: they are lost to whoever reads it.
	old := &workflow.Job{}
	if err := json.Unmarshal(w.State, old); err != nil {
		return false, err
	}
	workflow.Vault{}.Unseal(old)
	kept, err := json.Marshal(old)
	return bytes.Equal(text, kept), err
}
