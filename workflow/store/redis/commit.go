package redis

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/store"

	driver "github.com/redis/go-redis/v9"
)

// Commit writes c, or nothing.
func (s *Store) Commit(ctx context.Context, c *workflow.Commit) error {
	keys, args, err := encode(c, &s.folded)
	if err != nil {
		return err
	}
	for {
		answer, err := s.change(ctx, true, "commit", keys, args...)
		if err != nil {
			return fmt.Errorf("commit of %s: %w", c.Job, err)
		}
		switch said(answer, 0) {
		case "ok":
			return nil
		case "done":
			o, err := decodeOnce(c.Once.Key, said(answer, 1), answer[2])
			if err != nil {
				return err
			}
			return &workflow.AlreadyDone{Once: o}
		case "conflict":
			return workflow.Conflict(fmt.Errorf("version %d of %s expected, %s found", c.Expect, c.Job, said(answer, 1)))
		case "lease":
			return lostLease(c.Settle.Entry)
		case "held":
			return heldBack(answer)
		case "compact":
			if err := s.Unpack(ctx, c.Shop, c.Job); err != nil {
				return err
			}
		default:
			return fmt.Errorf("commit of %s: %v", c.Job, answer)
		}
	}
}

// args gathers what a function takes.
type args []any

func (a *args) add(v ...any) { *a = append(*a, v...) }

// encode checks a commit and puts it into the form that the function takes.
func encode(c *workflow.Commit, f *folded) (names []string, out []any, err error) {
	if err := store.Check(c); err != nil {
		return nil, nil, err
	}
	state, err := json.Marshal(c.State)
	if err != nil {
		return nil, nil, fmt.Errorf("commit of %s: %w", c.Job, err)
	}
	index, err := json.Marshal(rowOf(&c.Index))
	if err != nil {
		return nil, nil, fmt.Errorf("commit of %s: %w", c.Job, err)
	}
	k, settled := of(c.Shop), c.Job
	nonce := word()
	a := make(args, 0, 48)
	a.add(string(c.Job), k.live(), nonce, c.Expect, c.State.Version)
	if o := c.Once; o != nil {
		meta, err := json.Marshal(onceRow{o.Digest, ms(o.Until)})
		if err != nil {
			return nil, nil, err
		}
		a.add("1", o.Key, nonce+"\n"+string(c.Job)+"\n"+string(meta), o.Result, ms(o.Until))
	} else {
		a.add("0")
	}
	a.add(len(c.Events))
	for i, e := range c.Events {
		line, err := encodeEvent(e)
		if err != nil {
			return nil, nil, fmt.Errorf("commit of %s: %w", c.Job, err)
		}
		if i == 0 {
			line = slices.Concat([]byte(nonce), line)
		}
		a.add(line)
	}
	if c.Settle != nil {
		settled = jobOf(c.Settle.Entry)
		x, err := encodeSettlement(c.Settle)
		if err != nil {
			return nil, nil, err
		}
		a.add("1")
		a.add(x...)
	} else {
		a.add("0")
	}
	notices := slices.Clone(c.Notices)
	slices.SortFunc(notices, func(a, b workflow.Entry) int { return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID)) })
	a.add(len(notices))
	for i := range notices {
		x, err := encodeEntry(&notices[i])
		if err != nil {
			return nil, nil, err
		}
		a.add(x...)
	}
	a.add(state, index, members(c.Job, &c.Index), sum(c.Index.Text), f.words(c.Index.Text), ms(c.WakeAt), -c.Index.ChangedAt.UnixMilli())
	if c.Course != nil {
		course, err := json.Marshal(c.Course)
		if err != nil {
			return nil, nil, fmt.Errorf("commit of %s: %w", c.Job, err)
		}
		a.add(course, coursePlace(c.Course))
	} else {
		a.add("", "")
	}
	a.add(c.SendAt().UnixMilli(), flag(c.Hasten), len(c.Requeue))
	for _, id := range c.Requeue {
		a.add(id)
	}
	a.add(flag(c.Forget), len(c.Wipe))
	for _, digest := range c.Wipe {
		a.add(seal(digest))
	}
	a.add(len(c.Secrets))
	for _, x := range c.Secrets {
		a.add(seal(x.Digest), x.Salt+"\n"+x.Text)
	}
	a.add(len(c.Links))
	for _, l := range c.Links {
		row, err := encodeLink(&l)
		if err != nil {
			return nil, nil, err
		}
		a.add(l.Hash[:], row)
	}
	return []string{
		k.ix(), k.words(), k.wakes(), k.changed(), k.queue(), k.links(), k.once(), k.results(), k.ends(),
		k.job(c.Job), k.events(c.Job), k.outbox(c.Job), k.outbox(settled),
	}, a, nil
}

func flag(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

// folded remembers the words of the texts that were last seen: a job's text seldom changes from one step to
// the next, and folding it costs more than all else that a commit is made of.
type folded struct {
	mu   sync.Mutex
	kept map[string]string
}

const mostFolded = 1000

func (f *folded) words(text string) string {
	f.mu.Lock()
	w, ok := f.kept[text]
	f.mu.Unlock()
	if ok {
		return w
	}
	w = strings.Join(store.Indexed(text), " ")
	if len(text) > 4<<10 {
		return w // not worth its room
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.kept == nil || len(f.kept) >= mostFolded {
		f.kept = map[string]string{}
	}
	f.kept[text] = w
	return w
}

// sum tells two texts apart.
func sum(text string) string {
	h := sha256.Sum256([]byte(text))
	return hex.EncodeToString(h[:6])
}

// row is an index entry as stored.
type row struct {
	Stage   workflow.Stage      `json:"s"`
	Ended   bool                `json:"e,omitempty"`
	Due     string              `json:"d,omitempty"`
	Breach  bool                `json:"b,omitempty"`
	Hold    workflow.HoldReason `json:"h,omitempty"`
	Waiting bool                `json:"w,omitempty"`
	Title   string              `json:"t,omitempty"`
	Person  string              `json:"p,omitempty"`
	Changed int64               `json:"c"`
	Text    string              `json:"x,omitempty"`
}

func rowOf(x *workflow.Index) row {
	return row{x.Stage, x.Ended, ms(x.DueAt), x.Breached, x.OnHold, x.Waiting, x.Title, x.Person, x.ChangedAt.UnixMilli(), x.Text}
}

func decodeRow(n workflow.JobNumber, text string) (workflow.Row, error) {
	var r row
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		return workflow.Row{}, fmt.Errorf("index entry of %s: %w", n, err)
	}
	return workflow.Row{Job: n, Index: workflow.Index{
		Stage: r.Stage, Ended: r.Ended, DueAt: instant(r.Due), Breached: r.Breach, OnHold: r.Hold, Waiting: r.Waiting,
		Title: r.Title, Person: r.Person, ChangedAt: time.UnixMilli(r.Changed).UTC(), Text: r.Text,
	}}, nil
}

type linkRow struct {
	Job     string `json:"j"`
	ID      string `json:"i"`
	Purpose string `json:"p"`
	Quote   int    `json:"q,omitempty"`
	Expires string `json:"e,omitempty"`
	Revoked bool   `json:"r,omitempty"`
}

func encodeLink(l *workflow.LinkRow) ([]byte, error) {
	return json.Marshal(linkRow{string(l.Job), l.ID, string(l.Purpose), l.Quote, ms(l.ExpiresAt), l.Revoked})
}

func decodeLink(hash link.Hash, text string) (workflow.LinkRow, error) {
	var r linkRow
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		return workflow.LinkRow{}, err
	}
	return workflow.LinkRow{
		Hash: hash, Job: workflow.JobNumber(r.Job), ID: r.ID, Purpose: link.Purpose(r.Purpose), Quote: r.Quote, ExpiresAt: instant(r.Expires), Revoked: r.Revoked,
	}, nil
}

type onceRow struct {
	Digest string `json:"d"`
	Until  string `json:"u,omitempty"`
}

func decodeOnce(key, meta string, result any) (workflow.Once, error) {
	var r onceRow
	parts := strings.SplitN(meta, "\n", 3)
	if err := json.Unmarshal([]byte(parts[len(parts)-1]), &r); err != nil {
		return workflow.Once{}, fmt.Errorf("the step of key %q: %w", key, err)
	}
	o := workflow.Once{Key: key, Digest: r.Digest, Until: instant(r.Until)}
	if text, ok := result.(string); ok {
		o.Result = []byte(text)
	}
	return o, nil
}

// head is what an event's line says before its payload.
type head struct {
	At   int64  `json:"t"`
	Role string `json:"r"`
	ID   string `json:"i,omitempty"`
	Wire string `json:"w"`
	Prev string `json:"p,omitempty"`
}

// encodeEvent returns an event's line without the word before it. The payload's bytes are kept as they are:
// they are what was hashed.
func encodeEvent(e *workflow.Event) ([]byte, error) {
	h, err := json.Marshal(head{e.At.UnixMilli(), string(e.By.Role), e.By.ID, e.Wire, e.Prev})
	return slices.Concat([]byte("\n"), h, []byte("\n"), e.Data), err
}

func decodeEvent(shop workflow.ShopID, n workflow.JobNumber, seq int64, line string) (*workflow.Event, error) {
	e, err := readEvent(shop, n, seq, line)
	if err != nil {
		return nil, err
	}
	return e, e.Decode()
}

// readEvent returns an event as it is kept.
func readEvent(shop workflow.ShopID, n workflow.JobNumber, seq int64, line string) (*workflow.Event, error) {
	_, line, _ = strings.Cut(line, "\n")
	first, data, ok := strings.Cut(line, "\n")
	var h head
	if err := json.Unmarshal([]byte(first), &h); err != nil || !ok {
		return nil, fmt.Errorf("event %d of %s can't be read: %v", seq, n, err)
	}
	return &workflow.Event{
		Shop: shop, Job: n, Seq: seq, At: time.UnixMilli(h.At).UTC(), By: workflow.Actor{Role: workflow.Role(h.Role), ID: h.ID},
		Wire: h.Wire, Data: json.RawMessage(data), Prev: h.Prev,
	}, nil
}

// hash is all that the hash of a job holds.
type hash map[string]string

// vault returns the values behind the digests.
func (r hash) vault() workflow.Vault {
	v := workflow.Vault{}
	for f, x := range r {
		if digest, ok := unseal(f); ok {
			_, v[digest], _ = strings.Cut(x, "\n")
		}
	}
	return v
}

func (s *Store) hash(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (r hash, err error) {
	err = s.read(ctx, func(c driver.UniversalClient) (err error) {
		r, err = c.HGetAll(ctx, of(shop).job(n)).Result()
		return err
	})
	return r, err
}

// Job returns a job as it stands, unsealed.
func (s *Store) Job(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	r, err := s.hash(ctx, shop, n)
	if err != nil {
		return nil, fmt.Errorf("job %s: %w", n, err)
	}
	if r["v"] == "" {
		return nil, s.missing(ctx, "job")
	}
	if packed := r["Z"]; packed != "" {
		p, err := openPack(packed)
		if err != nil {
			return nil, fmt.Errorf("job %s: %w", n, err)
		}
		r = p.Job
	}
	j := new(workflow.Job)
	if err := json.Unmarshal([]byte(r["s"]), j); err != nil {
		return nil, fmt.Errorf("job %s: %w", n, err)
	}
	r.vault().Unseal(j)
	return j, nil
}

// Version returns a job's version.
func (s *Store) Version(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (v int64, err error) {
	err = s.read(ctx, func(c driver.UniversalClient) (err error) {
		v, err = c.HGet(ctx, of(shop).job(n), "v").Int64()
		return err
	})
	if err == driver.Nil {
		err = s.missing(ctx, "job")
	}
	return v, err
}

// Events returns a job's events after a sequence number, decoded and unsealed; none for a job that is not
// there.
func (s *Store) Events(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber, after int64) ([]*workflow.Event, error) {
	k := of(shop)
	after = max(after, 0)
	var job *driver.MapStringStringCmd
	var lines *driver.StringSliceCmd
	err := s.batch(ctx, true, func(p driver.Pipeliner) {
		job, lines = p.HGetAll(ctx, k.job(n)), p.LRange(ctx, k.events(n), after, -1)
	})
	if err != nil {
		return nil, fmt.Errorf("events of %s: %w", n, err)
	}
	r, all := hash(job.Val()), lines.Val()
	if packed := r["Z"]; packed != "" {
		p, err := openPack(packed)
		if err != nil {
			return nil, fmt.Errorf("events of %s: %w", n, err)
		}
		r, all = p.Job, p.Events[min(int(after), len(p.Events)):]
	}
	var out []*workflow.Event
	vault := r.vault()
	for i, line := range all {
		e, err := decodeEvent(shop, n, after+int64(i)+1, line)
		if err != nil {
			return nil, err
		}
		vault.Unseal(e.Payload)
		out = append(out, e)
	}
	return out, nil
}

// Done returns the step that was done under a key and has not been swept since. Error: ErrNotFound.
func (s *Store) Done(ctx context.Context, shop workflow.ShopID, key string) (workflow.Once, error) {
	k := of(shop)
	var meta, result *driver.StringCmd
	err := s.batch(ctx, true, func(p driver.Pipeliner) {
		meta, result = p.HGet(ctx, k.once(), key), p.HGet(ctx, k.results(), key)
	})
	if err != nil {
		return workflow.Once{}, err
	}
	if meta.Err() == driver.Nil {
		return workflow.Once{}, notFound("step")
	}
	var given any
	if text, err := result.Result(); err == nil {
		given = text
	}
	return decodeOnce(key, meta.Val(), given)
}

// attemptLine returns a try as it is kept: its words stand last, so that they can be forgotten.
func attemptLine(a workflow.Attempt) (string, error) {
	result, err := json.Marshal(a.Result)
	if err != nil {
		return "", err
	}
	words, err := json.Marshal(a.Words)
	at := ""
	if !a.At.IsZero() {
		at = strconv.FormatInt(a.At.UnixMilli(), 10)
	}
	return at + "\t" + string(bytes.ReplaceAll(result, []byte("\t"), nil)) + "\t" + string(words) + "\n", err
}

func decodeAttempts(text string) ([]workflow.Attempt, error) {
	var out []workflow.Attempt
	for line := range strings.Lines(text) {
		p := strings.SplitN(strings.TrimSuffix(line, "\n"), "\t", 3)
		if len(p) != 3 {
			return nil, fmt.Errorf("the try %q can't be read", line)
		}
		a := workflow.Attempt{At: instant(p[0])}
		if err := json.Unmarshal([]byte(p[1]), &a.Result); err != nil {
			return nil, err
		}
		if err := json.Unmarshal([]byte(p[2]), &a.Words); err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	return out, nil
}
