package redis

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// pack is what a job comes to once it is packed: what its hash, its events and its outbox were.
type pack struct {
	Job    hash              `json:"-"`
	Events []string          `json:"-"`
	Outbox map[string]string `json:"-"`
}

// mostPacked bounds what a packed job may unpack to, in bytes.
const mostPacked = 64 << 20

// A packed value is a flate stream of length-counted strings: vault digests are bytes, which JSON would
// take for broken text.
func (p *pack) close() (string, error) {
	var b bytes.Buffer
	w, ok := writers.Get().(*flate.Writer)
	if !ok {
		var err error
		if w, err = flate.NewWriter(&b, flate.BestCompression); err != nil {
			return "", err
		}
	}
	defer writers.Put(w)
	w.Reset(&b)
	put := func(s string) { fmt.Fprintf(w, "%d:%s", len(s), s) }
	put(strconv.Itoa(len(p.Events)))
	for _, e := range p.Events {
		put(e)
	}
	for _, m := range []map[string]string{p.Job, p.Outbox} {
		put(strconv.Itoa(len(m)))
		for f, v := range m {
			put(f)
			put(v)
		}
	}
	err := w.Close()
	return b.String(), err
}

// writers are kept: making one costs more than packing a job with it.
var writers sync.Pool

func openPack(text string) (*pack, error) {
	raw, err := io.ReadAll(io.LimitReader(flate.NewReader(strings.NewReader(text)), mostPacked))
	if err != nil {
		return nil, fmt.Errorf("a packed job can't be read: %w", err)
	}
	rest := string(raw)
	var bad error
	get := func() string {
		size, more, ok := strings.Cut(rest, ":")
		n, err := strconv.Atoi(size)
		if !ok || err != nil || n < 0 || n > len(more) {
			bad, rest = fmt.Errorf("a packed job is broken"), ""
			return ""
		}
		rest = more[n:]
		return more[:n]
	}
	size := func() int {
		n, err := strconv.Atoi(get())
		if err != nil || n < 0 {
			bad = fmt.Errorf("a packed job is broken")
			return 0
		}
		return n
	}
	p := &pack{Job: hash{}, Outbox: map[string]string{}}
	for n := size(); n > 0 && bad == nil; n-- {
		p.Events = append(p.Events, get())
	}
	for _, m := range []map[string]string{p.Job, p.Outbox} {
		for n := size(); n > 0 && bad == nil; n-- {
			f := get()
			m[f] = get()
		}
	}
	return p, bad
}

// Pack makes one compressed value of each job that ended and last changed before an instant: they are
// most of what a shop has, and hardly anybody looks at them. Lists, searches and links find them as
// before; a step on one unpacks it. It returns how many were packed, at most limit. A job with a notice
// that was given up, or not sent yet, stays as it is.
func (s *Store) Pack(ctx context.Context, shop workflow.ShopID, before time.Time, limit int) (int, error) {
	k := of(shop)
	from, done := "[a", 0
	for done < limit {
		var marks []string
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			marks, err = c.ZRangeByLex(ctx, k.ix(), &driver.ZRangeBy{Min: from, Max: "(a" + place(before), Count: 100}).Result()
			return err
		}); err != nil || len(marks) == 0 {
			return done, err
		}
		marks = marks[:min(len(marks), limit-done)]
		from = "(" + marks[len(marks)-1]
		var packed atomic.Int64
		err := spread(len(marks), func(i int) error {
			ok, err := s.pack(ctx, shop, workflow.JobNumber(marks[i][13:]), marks[i])
			if ok {
				packed.Add(1)
			}
			return err
		})
		if done += int(packed.Load()); err != nil {
			return done, err
		}
	}
	return done, nil
}

func (s *Store) pack(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber, mark string) (bool, error) {
	k := of(shop)
	var job, box *driver.MapStringStringCmd
	var events *driver.StringSliceCmd
	if err := s.batch(ctx, true, func(p driver.Pipeliner) {
		job, events, box = p.HGetAll(ctx, k.job(n)), p.LRange(ctx, k.events(n), 0, -1), p.HGetAll(ctx, k.outbox(n))
	}); err != nil {
		return false, err
	}
	for f, v := range box.Val() {
		if state, _, _ := strings.Cut(v, "\t"); f[0] == 's' && state != string(workflow.EntrySent) {
			return false, nil
		}
	}
	p := pack{Job: hash{}, Events: events.Val(), Outbox: box.Val()}
	for f, v := range job.Val() {
		if f == "s" || f[0] == '$' {
			p.Job[f] = v
		}
	}
	blob, err := p.close()
	if err != nil {
		return false, err
	}
	answer, err := s.change(ctx, true, "pack", []string{k.ix(), k.job(n), k.events(n), k.outbox(n)}, job.Val()["v"], blob, mark)
	return err == nil && said(answer, 0) == "ok", err
}

// Unpack undoes what Pack did to a job. One that is not packed is left as it is.
func (s *Store) Unpack(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) error {
	r, err := s.hash(ctx, shop, n)
	if err != nil || r["Z"] == "" {
		return err
	}
	p, err := openPack(r["Z"])
	if err != nil {
		return fmt.Errorf("job %s: %w", n, err)
	}
	var x row
	if err := json.Unmarshal([]byte(r["x"]), &x); err != nil {
		return fmt.Errorf("index entry of %s: %w", n, err)
	}
	a := args{r["v"], mark(n, time.UnixMilli(x.Changed)), len(p.Job)}
	for f, v := range p.Job {
		a.add(f, v)
	}
	a.add(len(p.Events))
	for _, e := range p.Events {
		a.add(e)
	}
	a.add(len(p.Outbox))
	for f, v := range p.Outbox {
		a.add(f, v)
	}
	k := of(shop)
	_, err = s.change(ctx, true, "unpack", []string{k.ix(), k.job(n), k.events(n), k.outbox(n)}, a...)
	return err
}
