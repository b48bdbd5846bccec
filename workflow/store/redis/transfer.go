package redis

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/store"

	driver "github.com/redis/go-redis/v9"
)

// The sections of a shop that is read out, in their order; each goes on from the cursor of a scan.
const (
	outKeys  = "keys"
	outSteps = "steps"
	outJobs  = "jobs"
	outLinks = "links"
)

var outAfter = map[string]string{outKeys: outSteps, outSteps: outJobs, outJobs: outLinks, outLinks: ""}

// Out reads a shop out. Redis' scans give what is there all the time at least once, which is the contract;
// buckets of keys are found by looking through all keys of the server that has the shop.
func (s *Store) Out(ctx context.Context, shop workflow.ShopID, from string) (*workflow.Part, string, error) {
	if from == "" {
		from = outKeys + ":0"
	}
	section, at, _ := strings.Cut(from, ":")
	cursor, err := strconv.ParseUint(at, 10, 64)
	if err != nil {
		return nil, "", fmt.Errorf("nothing of a shop is called %q", from)
	}
	p := &workflow.Part{}
	switch section {
	case outKeys:
		cursor, err = s.outKeys(ctx, shop, cursor, p)
	case outSteps:
		cursor, err = s.outSteps(ctx, shop, cursor, p)
	case outJobs:
		cursor, err = s.outJobs(ctx, shop, cursor, p)
	case outLinks:
		cursor, err = s.outLinks(ctx, shop, cursor, p)
	default:
		err = fmt.Errorf("nothing of a shop is called %q", section)
	}
	if err != nil {
		return nil, "", err
	}
	if cursor != 0 {
		return p, section + ":" + strconv.FormatUint(cursor, 10), nil
	}
	if section = outAfter[section]; section != "" {
		section += ":0"
	}
	return p, section, nil
}

// scanning is how much of a scan is asked for at once.
const scanning = 10 * store.PartSize

func (s *Store) outKeys(ctx context.Context, shop workflow.ShopID, cursor uint64, p *workflow.Part) (next uint64, err error) {
	k := of(shop)
	var buckets []string
	if err := s.read(ctx, func(c driver.UniversalClient) error {
		one, ok := c.(*driver.Client)
		if !ok {
			var err error
			if one, err = c.(*driver.ClusterClient).MasterForKey(ctx, k.ix()); err != nil {
				return err
			}
		}
		var err error
		buckets, next, err = one.ScanType(ctx, cursor, k.bucket("*"), 10*scanning, "hash").Result()
		return err
	}); err != nil || len(buckets) == 0 {
		return next, err
	}
	var found []*driver.MapStringStringCmd
	if err := s.batch(ctx, false, func(p driver.Pipeliner) {
		found = nil
		for _, b := range buckets {
			found = append(found, p.HGetAll(ctx, b))
		}
	}); err != nil {
		return 0, err
	}
	for i, b := range buckets {
		for key, stored := range found[i].Val() {
			until, value, _ := strings.Cut(stored, "\n")
			p.Keys = append(p.Keys, workflow.KeyRow{
				Bucket: strings.TrimPrefix(b, k.bucket("")), KeyValue: workflow.KeyValue{Key: key, Value: []byte(value)}, Until: instant(until),
			})
		}
	}
	return next, nil
}

func (s *Store) outSteps(ctx context.Context, shop workflow.ShopID, cursor uint64, p *workflow.Part) (next uint64, err error) {
	k := of(shop)
	var page []string
	if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		page, next, err = c.HScan(ctx, k.once(), cursor, "", scanning).Result()
		return err
	}); err != nil || len(page) == 0 {
		return next, err
	}
	var keys []string
	for i := 0; i < len(page); i += 2 {
		keys = append(keys, page[i])
	}
	var results []any
	if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		results, err = c.HMGet(ctx, k.results(), keys...).Result()
		return err
	}); err != nil {
		return 0, err
	}
	for i, key := range keys {
		meta := page[2*i+1]
		o, err := decodeOnce(key, meta, results[i])
		if err != nil {
			return 0, err
		}
		parts := strings.SplitN(meta, "\n", 3)
		p.Steps = append(p.Steps, workflow.Step{Job: workflow.JobNumber(parts[min(1, len(parts)-1)]), Once: o})
	}
	return next, nil
}

func (s *Store) outLinks(ctx context.Context, shop workflow.ShopID, cursor uint64, p *workflow.Part) (next uint64, err error) {
	var page []string
	if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		page, next, err = c.HScan(ctx, of(shop).links(), cursor, "", scanning).Result()
		return err
	}); err != nil {
		return 0, err
	}
	for i := 0; i < len(page); i += 2 {
		var hash link.Hash
		if copy(hash[:], page[i]) != len(page[i]) {
			return 0, fmt.Errorf("a link of shop %s can't be read", shop)
		}
		l, err := decodeLink(hash, page[i+1])
		if err != nil {
			return 0, err
		}
		p.Links = append(p.Links, l)
	}
	return next, nil
}

func (s *Store) outJobs(ctx context.Context, shop workflow.ShopID, cursor uint64, p *workflow.Part) (next uint64, err error) {
	var page []string
	if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		page, next, err = c.ZScan(ctx, of(shop).changed(), cursor, "", store.PartSize).Result()
		return err
	}); err != nil {
		return 0, err
	}
	var numbers []workflow.JobNumber
	for i := 0; i < len(page); i += 2 {
		numbers = append(numbers, workflow.JobNumber(page[i]))
	}
	p.Jobs, err = s.wholes(ctx, shop, numbers)
	return next, err
}

// wholes reads jobs whole, each of one moment; those that are not there are left out.
func (s *Store) wholes(ctx context.Context, shop workflow.ShopID, numbers []workflow.JobNumber) ([]workflow.Whole, error) {
	if len(numbers) == 0 {
		return nil, nil
	}
	k := of(shop)
	var jobs, boxes []*driver.MapStringStringCmd
	var events []*driver.StringSliceCmd
	if err := s.batch(ctx, true, func(p driver.Pipeliner) {
		jobs, boxes, events = nil, nil, nil
		for _, n := range numbers {
			jobs, boxes = append(jobs, p.HGetAll(ctx, k.job(n))), append(boxes, p.HGetAll(ctx, k.outbox(n)))
			events = append(events, p.LRange(ctx, k.events(n), 0, -1))
		}
	}); err != nil {
		return nil, err
	}
	var out []workflow.Whole
	for i, n := range numbers {
		r := hash(jobs[i].Val())
		if r["v"] == "" {
			continue
		}
		w, err := decodeWhole(shop, n, r, events[i].Val(), boxes[i].Val())
		if err != nil {
			return nil, fmt.Errorf("job %s: %w", n, err)
		}
		out = append(out, w)
	}
	return out, nil
}

func decodeWhole(shop workflow.ShopID, n workflow.JobNumber, r hash, lines []string, box map[string]string) (w workflow.Whole, err error) {
	row, err := decodeRow(n, r["x"])
	if err != nil {
		return w, err
	}
	w = workflow.Whole{Job: n, Index: row.Index, WakeAt: instant(r["w"]), Course: json.RawMessage(r["c"])}
	if packed := r["Z"]; packed != "" {
		p, err := openPack(packed)
		if err != nil {
			return w, err
		}
		r, lines, box = p.Job, p.Events, p.Outbox
	}
	w.State = json.RawMessage(r["s"])
	for i, line := range lines {
		e, err := readEvent(shop, n, int64(i)+1, line)
		if err != nil {
			return w, err
		}
		w.Events = append(w.Events, e)
	}
	for f, v := range r {
		if digest, ok := unseal(f); ok {
			salt, text, _ := strings.Cut(v, "\n")
			w.Secrets = append(w.Secrets, workflow.Secret{Digest: digest, Salt: salt, Text: text})
		}
	}
	if w.Entries, err = entriesOf(shop, n, box); err != nil {
		return w, err
	}
	for i := range w.Entries {
		w.Entries[i].Body = []byte(box["b"+w.Entries[i].ID])
	}
	store.Tidy(&w)
	return w, nil
}

// sideBySide is how many jobs are written at once.
const sideBySide = 16

// In writes a part in place of what is there, job by job.
func (s *Store) In(ctx context.Context, shop workflow.ShopID, p *workflow.Part) error {
	numbers := make([]workflow.JobNumber, len(p.Jobs))
	for i := range p.Jobs {
		if err := store.CheckWhole(shop, &p.Jobs[i]); err != nil {
			return err
		}
		numbers[i] = p.Jobs[i].Job
	}
	found, err := s.wholes(ctx, shop, numbers)
	if err != nil {
		return err
	}
	old := map[workflow.JobNumber]*workflow.Whole{}
	for i := range found {
		old[found[i].Job] = &found[i]
	}
	for i := range p.Jobs {
		if w := old[p.Jobs[i].Job]; w != nil {
			if err := store.Follows(&p.Jobs[i], w.State); err != nil {
				return err
			}
		}
	}
	k := of(shop)
	if err := spread(len(p.Jobs), func(i int) error { return s.bring(ctx, shop, &p.Jobs[i], old[p.Jobs[i].Job]) }); err != nil {
		return err
	}
	if err := s.bringRows(ctx, shop, p); err != nil {
		return err
	}
	return spread(len(p.Keys), func(i int) error {
		x := &p.Keys[i]
		_, err := s.change(ctx, true, "put", []string{k.bucket(x.Bucket), k.bucketEnds()}, x.Key, endOf(x.Bucket, x.Key), x.Value, ms(x.Until))
		return err
	})
}

// spread does n things, some at a time, and returns the first error.
func spread(n int, do func(i int) error) error {
	var all sync.WaitGroup
	errs := make(chan error, sideBySide)
	for w := range min(n, sideBySide) {
		all.Go(func() {
			for i := w; i < n; i += sideBySide {
				if err := do(i); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	all.Wait()
	close(errs)
	return <-errs
}

// bring writes a job in place of what was found of it.
func (s *Store) bring(ctx context.Context, shop workflow.ShopID, w, old *workflow.Whole) error {
	k := of(shop)
	a := args{string(w.Job)}
	if old == nil {
		a.add("", "")
	} else {
		at, err := placeOf(old.Course)
		if err != nil {
			return fmt.Errorf("job %s: %w", w.Job, err)
		}
		a.add(strconv.Itoa(len(old.Events)), at)
	}
	at, err := placeOf(w.Course)
	if err != nil {
		return fmt.Errorf("job %s: %w", w.Job, err)
	}
	index, err := json.Marshal(rowOf(&w.Index))
	if err != nil {
		return fmt.Errorf("job %s: %w", w.Job, err)
	}
	names, words := members(w.Job, &w.Index), strings.Join(store.Indexed(w.Index.Text), " ")
	a.add(names, words, ms(w.WakeAt), -w.Index.ChangedAt.UnixMilli(), at)
	fields := args{"v", len(w.Events), "s", []byte(w.State), "x", index, "m", names, "h", sum(w.Index.Text), "t", words, "w", ms(w.WakeAt)}
	if w.Course != nil {
		fields.add("c", []byte(w.Course))
	}
	for _, x := range w.Secrets {
		fields.add(seal(x.Digest), x.Salt+"\n"+x.Text)
	}
	a.add(len(fields) / 2)
	a.add(fields...)
	a.add(len(w.Events))
	for _, e := range w.Events {
		line, err := encodeEvent(e)
		if err != nil {
			return fmt.Errorf("job %s: %w", w.Job, err)
		}
		a.add(line)
	}
	a.add(len(w.Entries))
	for _, e := range w.Entries {
		e.Lease, e.LeaseUntil = "", time.Time{}
		x, err := encodeEntry(&e)
		if err != nil {
			return err
		}
		a.add(x...)
	}
	answer, err := s.change(ctx, true, "bring", []string{k.ix(), k.words(), k.wakes(), k.changed(), k.queue(), k.job(w.Job), k.events(w.Job), k.outbox(w.Job)}, a...)
	if err == nil && said(answer, 0) == "conflict" {
		// Somebody else was here since it was read; or it was this very call, whose answer was lost.
		var now []workflow.Whole
		if now, err = s.wholes(ctx, shop, []workflow.JobNumber{w.Job}); err == nil && (len(now) == 0 || len(now[0].Events) != len(w.Events) || store.Follows(w, now[0].State) != nil) {
			err = workflow.Conflict(fmt.Errorf("job %s changed while it was written", w.Job))
		}
	}
	return err
}

// placeOf returns the place of a stored course in ix, "" for none.
func placeOf(course json.RawMessage) (string, error) {
	if course == nil {
		return "", nil
	}
	var c workflow.Course
	if err := json.Unmarshal(course, &c); err != nil {
		return "", fmt.Errorf("its course can't be read: %w", err)
	}
	return coursePlace(&c), nil
}

func (s *Store) bringRows(ctx context.Context, shop workflow.ShopID, p *workflow.Part) error {
	if len(p.Links)+len(p.Steps) == 0 {
		return nil
	}
	k := of(shop)
	a := args{k.job(""), len(p.Links)}
	for i := range p.Links {
		row, err := encodeLink(&p.Links[i])
		if err != nil {
			return err
		}
		a.add(string(p.Links[i].Job), p.Links[i].Hash[:], row)
	}
	a.add(len(p.Steps))
	for i := range p.Steps {
		x := &p.Steps[i]
		meta, err := json.Marshal(onceRow{x.Digest, ms(x.Until)})
		if err != nil {
			return err
		}
		a.add(string(x.Job), x.Key, word()+"\n"+string(x.Job)+"\n"+string(meta), x.Result, ms(x.Until))
	}
	_, err := s.change(ctx, true, "bringrows", []string{k.links(), k.once(), k.results(), k.ends()}, a...)
	return err
}

// Hold keeps a shop's jobs as they are, until it is called with no reason.
func (s *Store) Hold(ctx context.Context, shop workflow.ShopID, why string) error {
	_, err := s.change(ctx, true, "hold", []string{of(shop).held()}, why)
	return err
}

// Held returns the reason of the hold in force, "" for none.
func (s *Store) Held(ctx context.Context, shop workflow.ShopID) (why string, err error) {
	err = s.read(ctx, func(c driver.UniversalClient) (err error) {
		why, err = c.Get(ctx, of(shop).held()).Result()
		return err
	})
	if err == driver.Nil {
		return "", nil
	}
	return why, err
}

// heldBack is the error of a function that refused because the shop is held.
func heldBack(answer []any) error {
	return fmt.Errorf("%w: %s", workflow.ErrUnavailable, said(answer, 1))
}
