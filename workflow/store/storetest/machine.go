package storetest

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"
	stores "benchword/workflow/store"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// channels are those of entries, email first and most often.
var channels = []workflow.Channel{"", "hook:till", "push/1", "push/2"}

// runs keeps the shops of one run apart from those of another in the same store.
var runs atomic.Int64

// machine does any sequence of steps on a store and on the reference: every answer, and everything that
// can be read in between and at the end, must be the same.
func machine(t *testing.T, store workflow.Store) {
	longtest.Draws(t, 20)
	rapid.Check(t, func(r *rapid.T) {
		reference := memory.New()
		m := &pair{T: r, got: store, want: reference, now: Begin, ctx: context.Background(), histories: map[string]*History{}, leases: []string{""}}
		for i := range m.shops {
			m.shops[i] = workflow.ShopID(fmt.Sprintf("shop-%d-%d", runs.Add(1), i))
		}
		r.Repeat(map[string]func(*rapid.T){
			"":           m.sometimes,
			"commit":     m.commit,
			"commit too": m.commit, // the most frequent one
			"claim":      m.claim,
			"settle":     m.settle,
			"requeue":    m.requeue,
			"key":        m.key,
			"time": func(r *rapid.T) {
				m.now = m.now.Add(time.Duration(rapid.IntRange(0, 90).Draw(r, "minutes")) * time.Minute)
			},
		})
		m.same(r)
		for _, shop := range m.shops {
			// What is read out is the same, and what is written in of it: over earlier states, too.
			want := sums(t, reference, shop)
			require.Equal(r, want, sums(t, store, shop))
			again := memory.New()
			require.NoError(r, stores.Each(m.ctx, store, shop, func(p *workflow.Part) error { return again.In(m.ctx, shop, p) }))
			require.NoError(r, stores.Each(m.ctx, store, shop, func(p *workflow.Part) error { return again.In(m.ctx, shop, p) }))
			require.NoError(r, stores.Each(m.ctx, again, shop, func(p *workflow.Part) error { return store.In(m.ctx, shop, p) }))
			require.Equal(r, want, sums(t, store, shop))
		}
	})
}

type pair struct {
	*rapid.T
	got, want workflow.Store
	ctx       context.Context
	now       time.Time
	shops     [2]workflow.ShopID
	histories map[string]*History
	leases    []string // every lease ever given, and none
	steps     int
}

func (m *pair) shop(r *rapid.T) workflow.ShopID { return rapid.SampledFrom(m.shops[:]).Draw(r, "shop") }

func (m *pair) history(r *rapid.T) *History {
	shop, n := m.shop(r), Number(rapid.IntRange(0, 2).Draw(r, "job"))
	key := string(shop) + "/" + string(n)
	if m.histories[key] == nil {
		m.histories[key] = NewHistory(shop, n)
	}
	return m.histories[key]
}

// agree checks that both did the same, and reports whether it was done.
func (m *pair) agree(r *rapid.T, got, want error) bool {
	require.Equal(r, kind(want), kind(got), "%v / %v", want, got)
	return want == nil
}

func (m *pair) when(r *rapid.T) time.Time {
	if rapid.IntRange(0, 3).Draw(r, "whether") == 0 {
		return time.Time{}
	}
	return m.now.Add(time.Duration(rapid.IntRange(-90, 90).Draw(r, "when")) * time.Minute)
}

func (m *pair) commit(r *rapid.T) {
	h := m.history(r)
	h.Now = m.now
	var c *workflow.Commit
	word := rapid.SampledFrom([]string{"lamp", "Óse\u0301i hums", "Halden", "ösEI", "κεραία", "", "o"})
	switch what := rapid.IntRange(0, 9).Draw(r, "what"); {
	case h.Version() == 0:
		c = h.Book(word.Draw(r, "person")+"x", "film scanner", "Hums")
	case what < 4:
		c = h.Write(word.Draw(r, "letter") + "!")
	case what < 6:
		c = h.Move(rapid.SampledFrom([]workflow.Stage{workflow.StageReceived, workflow.StageShipped, workflow.StageBooked}).Draw(r, "stage"))
	case what < 8:
		c = rapid.SampledFrom([]func() *workflow.Commit{func() *workflow.Commit { return h.Note("noted") }, func() *workflow.Commit { return h.Promise(5) }}).Draw(r, "note")()
	case what < 9:
		c = h.Still()
	default:
		c = h.Erase()
	}
	c.WakeAt = m.when(r)
	c.Index.DueAt, c.Index.Breached = m.when(r), rapid.Bool().Draw(r, "breached")
	c.Index.OnHold = rapid.SampledFrom([]workflow.HoldReason{"", workflow.HoldParts}).Draw(r, "hold")
	c.Index.Waiting = rapid.Bool().Draw(r, "waiting")
	c.Index.Text += "\n" + word.Draw(r, "word") + " " + word.Draw(r, "word")
	for i := range c.Notices {
		c.Notices[i].NotBefore = c.Notices[i].NotBefore.Add(time.Duration(rapid.IntRange(0, 30).Draw(r, "later")) * time.Minute)
	}
	for _, channel := range channels[1:] {
		if len(c.Events) > 0 && rapid.IntRange(0, 3).Draw(r, "tell "+string(channel)) == 0 {
			TellBy(c, workflow.NoticeReady, channel)
		}
	}
	c.Hasten = rapid.IntRange(0, 5).Draw(r, "hasten") == 0
	for _, id := range m.entries(c.Shop) {
		if strings.HasPrefix(id, string(c.Job)) && rapid.IntRange(0, 3).Draw(r, "again") == 0 {
			c.Requeue = append(c.Requeue, id)
		}
	}
	if rapid.IntRange(0, 3).Draw(r, "link") == 0 {
		c.Links = append(c.Links, workflow.LinkRow{
			Hash: hash(string(c.Job) + strconv.Itoa(rapid.IntRange(0, 1).Draw(r, "hash"))), Job: c.Job, ID: "1.a", Purpose: link.Look,
			ExpiresAt: m.when(r), Revoked: rapid.Bool().Draw(r, "revoked"),
		})
	}
	if rapid.IntRange(0, 3).Draw(r, "once") == 0 {
		c.Once = &workflow.Once{Key: strconv.Itoa(rapid.IntRange(0, 4).Draw(r, "key")), Digest: "d", Result: []byte(c.State.Head), Until: m.when(r)}
	}
	if rapid.IntRange(0, 3).Draw(r, "settle") == 0 {
		s := m.settlement(r, c.Shop)
		c.Settle = &s
	}
	if rapid.IntRange(0, 5).Draw(r, "stale") == 0 && h.Version() > 0 {
		// A commit decided on a job that has gone on since.
		c = &workflow.Commit{Shop: c.Shop, Job: c.Job, Expect: c.Expect + 1, Events: nil, State: c.State, Index: c.Index, Once: c.Once, Requeue: c.Requeue}
		c.State.Version = c.Expect
	}
	if m.agree(r, m.got.Commit(m.ctx, c), m.want.Commit(m.ctx, c)) {
		h.Accept(c)
	}
}

// entries returns the ids of all the entries of a shop, and one that is not there.
func (m *pair) entries(shop workflow.ShopID) []string {
	out := []string{string(Number(0)) + "-0-none"}
	for _, s := range []workflow.EntryState{workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried} {
		all, err := m.want.EntriesIn(m.ctx, shop, s, 1000)
		require.NoError(m, err)
		out = append(out, ids(all)...)
	}
	return out
}

func (m *pair) settlement(r *rapid.T, shop workflow.ShopID) workflow.Settlement {
	s := workflow.Settlement{
		Entry:   rapid.SampledFrom(m.entries(shop)).Draw(r, "entry"),
		Lease:   rapid.SampledFrom(m.leases[max(0, len(m.leases)-3):]).Draw(r, "lease"),
		State:   rapid.SampledFrom([]workflow.EntryState{workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried}).Draw(r, "state"),
		Attempt: workflow.Attempt{At: m.now, Result: "put off", Words: "words"},
		RetryAt: m.now.Add(time.Duration(rapid.IntRange(0, 60).Draw(r, "retry")) * time.Minute),
	}
	if rapid.Bool().Draw(r, "built") {
		s.Body = []byte("body " + s.Lease)
	}
	return s
}

func (m *pair) claim(r *rapid.T) {
	c := workflow.Claim{Channel: rapid.SampledFrom(channels).Draw(r, "channel").Base(), Now: m.now, Until: m.now.Add(time.Duration(rapid.IntRange(1, 60).Draw(r, "lease")) * time.Minute), Limit: rapid.IntRange(1, 3).Draw(r, "limit"), Lease: "lease " + strconv.Itoa(len(m.leases))}
	m.leases = append(m.leases, c.Lease)
	shop := m.shop(r)
	got, err := m.got.ClaimEntries(m.ctx, shop, c)
	want, err2 := m.want.ClaimEntries(m.ctx, shop, c)
	m.agree(r, err, err2)
	require.Equal(r, want, got)
	// Most claims are settled at once, so that queues move on.
	for _, e := range want {
		if rapid.IntRange(0, 2).Draw(r, "at once") > 0 {
			s := workflow.Settlement{Entry: e.ID, Lease: e.Lease, State: rapid.SampledFrom([]workflow.EntryState{workflow.EntrySent, workflow.EntryQueued, workflow.EntryBuried}).Draw(r, "state"), RetryAt: m.now, Attempt: workflow.Attempt{At: m.now, Result: "accepted", Words: "250"}}
			m.agree(r, m.got.SettleEntry(m.ctx, shop, s), m.want.SettleEntry(m.ctx, shop, s))
		}
	}
}

func (m *pair) settle(r *rapid.T) {
	shop := m.shop(r)
	s := m.settlement(r, shop)
	m.agree(r, m.got.SettleEntry(m.ctx, shop, s), m.want.SettleEntry(m.ctx, shop, s))
}

func (m *pair) requeue(r *rapid.T) {
	shop := m.shop(r)
	id, at := rapid.SampledFrom(m.entries(shop)).Draw(r, "entry"), m.now.Add(time.Minute)
	m.agree(r, m.got.Requeue(m.ctx, shop, id, at), m.want.Requeue(m.ctx, shop, id, at))
}

func (m *pair) key(r *rapid.T) {
	shop, bucket, key := m.shop(r), rapid.SampledFrom([]string{"staff", "rate"}).Draw(r, "bucket"), rapid.SampledFrom([]string{"a", "b", "\x00"}).Draw(r, "key")
	value, until := []byte(rapid.SampledFrom([]string{"", "7", "word"}).Draw(r, "value")), m.when(r)
	switch rapid.IntRange(0, 5).Draw(r, "what") {
	case 0:
		m.agree(r, m.got.PutKey(m.ctx, shop, bucket, key, value, until), m.want.PutKey(m.ctx, shop, bucket, key, value, until))
	case 1:
		got, err := m.got.PutNewKey(m.ctx, shop, bucket, key, value, m.now, until)
		want, err2 := m.want.PutNewKey(m.ctx, shop, bucket, key, value, m.now, until)
		m.agree(r, err, err2)
		require.Equal(r, want, got)
	case 2:
		m.agree(r, m.got.DeleteKey(m.ctx, shop, bucket, key), m.want.DeleteKey(m.ctx, shop, bucket, key))
	case 3:
		got, err := m.got.CountKey(m.ctx, shop, bucket, key, m.now, until)
		want, err2 := m.want.CountKey(m.ctx, shop, bucket, key, m.now, until)
		m.agree(r, err, err2)
		require.Equal(r, want, got)
	case 4:
		m.agree(r, m.got.SweepKeys(m.ctx, shop, m.now), m.want.SweepKeys(m.ctx, shop, m.now))
	case 5:
		got, err := m.got.GetKey(m.ctx, shop, bucket, key, m.now)
		want, err2 := m.want.GetKey(m.ctx, shop, bucket, key, m.now)
		m.agree(r, err, err2)
		require.Equal(r, string(want), string(got))
	}
}

// sometimes compares after every fourth step: to read everything takes longer than all the rest.
func (m *pair) sometimes(r *rapid.T) {
	if m.steps++; m.steps%4 == 0 {
		m.same(r)
	}
}

// same compares everything that can be read.
func (m *pair) same(r *rapid.T) {
	for _, shop := range m.shops {
		got, want := m.read(r, m.got, shop), m.read(r, m.want, shop)
		require.Equal(r, want, got)
	}
}

func (m *pair) read(r *rapid.T, s workflow.Store, shop workflow.ShopID) map[string]any {
	out := map[string]any{}
	put := func(name string, v any, err error) {
		if err != nil && !errors.Is(err, workflow.ErrNotFound) {
			require.NoError(r, err, name)
		}
		out[name] = v
	}
	for i := range 3 {
		n := Number(i)
		j, err := s.Job(m.ctx, shop, n)
		if err != nil {
			j = nil
		}
		put(fmt.Sprint("job ", i), j, err)
		version, err := s.Version(m.ctx, shop, n)
		put(fmt.Sprint("version ", i), version, err)
		events, err := s.Events(m.ctx, shop, n, 1)
		put(fmt.Sprint("events ", i), events, err)
		entries, err := s.Entries(m.ctx, shop, n)
		put(fmt.Sprint("entries ", i), entries, err)
		for k := range 2 {
			l, err := s.Link(m.ctx, shop, hash(string(n)+strconv.Itoa(k)))
			put(fmt.Sprint("link ", i, k), l, err)
		}
	}
	for name, f := range map[string]workflow.BoardFilter{
		"running": {}, "ended": {Ended: true}, "booked": {Stage: workflow.StageBooked}, "shipped": {Stage: workflow.StageShipped, Ended: true},
	} {
		f.Limit = 10
		rows, err := s.Board(m.ctx, shop, f)
		put(name, rows, err)
		if len(rows) > 1 {
			f.After = &rows[0]
			rest, err := s.Board(m.ctx, shop, f)
			require.Equal(r, rows[1:], rest)
			put("rest of "+name, rest, err)
		}
	}
	for _, q := range []string{"osei", "o", "halden lam", "κεραια", "hums x"} {
		rows, err := s.Search(m.ctx, shop, q, 2)
		put("search "+q, rows, err)
	}
	courses, err := s.Courses(m.ctx, shop, nil, 10)
	put("courses", courses, err)
	if len(courses) > 1 {
		rest, err := s.Courses(m.ctx, shop, &courses[0], 10)
		require.Equal(r, courses[1:], rest)
		put("rest of courses", rest, err)
	}
	count, err := s.Counts(m.ctx, shop)
	put("counts", count, err)
	due, err := s.Due(m.ctx, shop, m.now, 2)
	put("due", due, err)
	wake, err := s.NextWake(m.ctx, shop)
	put("next wake", wake, err)
	for _, channel := range []workflow.Channel{"", "hook:till", "push", "none"} {
		next, err := s.NextEntry(m.ctx, shop, channel)
		put("next entry "+string(channel), next, err)
		failing, err := s.Failing(m.ctx, shop, channel)
		put("failing "+string(channel), failing, err)
	}
	for _, state := range []workflow.EntryState{workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried} {
		entries, err := s.EntriesIn(m.ctx, shop, state, 3)
		put("all "+string(state), entries, err)
	}
	for k := range 5 {
		once, err := s.Done(m.ctx, shop, strconv.Itoa(k))
		put(fmt.Sprint("done ", k), kind(&workflow.AlreadyDone{Once: once}), err)
	}
	for _, b := range []string{"staff", "rate"} {
		kv, err := s.ListKeys(m.ctx, shop, b, m.now)
		for i := range kv {
			kv[i].Value = append([]byte{}, kv[i].Value...) // empty or nil
		}
		put("keys "+b, kv, err)
	}
	return out
}
