package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

func jobComesBack(t *test) {
	h := NewHistory(shop, Number(1))
	_, err := t.store.Job(t.ctx, shop, h.Job)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	_, err = t.store.Version(t.ctx, shop, h.Job)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	events, err := t.store.Events(t.ctx, shop, h.Job, 0)
	require.NoError(t, err)
	require.Empty(t, events)

	c := h.Book("Mira Ośēi 三浦", "film scanner", "Hums\x00, then \"stops\".\n\u202eright to left")
	t.commit(h, c)
	got := t.chain(h)
	require.Equal(t, c.State, got)
	require.Equal(t, "Mira Ośēi 三浦", got.Customer.Name.Text)
	require.Equal(t, "Hums\x00, then \"stops\".\n\u202eright to left", got.Fault.Text)

	c = h.Write("Your scanner has come.")
	t.commit(h, c)
	require.Equal(t, c.State, t.chain(h))

	events, err = t.store.Events(t.ctx, shop, h.Job, 0)
	require.NoError(t, err)
	require.Len(t, events, len(h.Events))
	for i, e := range events {
		want := *h.Events[i]
		require.NotNil(t, e.Payload, "events come decoded")
		want.Payload = e.Payload
		require.Equal(t, &want, e)
	}
	booked := events[0].Payload.(*workflow.JobBooked)
	require.Equal(t, "Mira Ośēi 三浦", booked.Customer.Name.Text, "and unsealed")
	after, err := t.store.Events(t.ctx, shop, h.Job, 3)
	require.NoError(t, err)
	require.Equal(t, events[3:], after)
	require.Equal(t, "Your scanner has come.", after[0].Payload.(*workflow.MessageSent).Text.Text)
}

func nothingShared(t *test) {
	h := NewHistory(shop, Number(1))
	c := h.Book("Mira Osei", "film scanner", "Hums.")
	c.Notices[0].Body = []byte("body")
	c.Once = &workflow.Once{Key: "k", Result: []byte("result")}
	t.commit(h, c)
	want := look(t, shop, h.Now, h.Job)

	c.State.Stage, c.State.Links[0].ID = "spoilt", "spoilt"
	c.Events[0].Data[0], c.Events[0].Wire = '!', "spoilt"
	c.Secrets[0].Text, c.Links[0].ID, c.Index.Title = "spoilt", "spoilt", "spoilt"
	c.Notices[0].Body[0], c.Notices[0].Kind, c.Once.Result[0] = '!', "spoilt", '!'
	require.Equal(t, want, look(t, shop, h.Now, h.Job))

	j, err := t.store.Job(t.ctx, shop, h.Job)
	require.NoError(t, err)
	j.Links[0].ID = "spoilt"
	events, err := t.store.Events(t.ctx, shop, h.Job, 0)
	require.NoError(t, err)
	events[0].Data[0], events[0].Payload.(*workflow.JobBooked).Device.Kind = '!', "spoilt"
	require.Equal(t, want, look(t, shop, h.Now, h.Job))

	entries, err := t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Now: h.Now, Until: h.Now.Add(1), Limit: 1, Lease: "a"})
	require.NoError(t, err)
	require.Equal(t, "body", string(entries[0].Body))
	entries[0].Body[0] = '!'
	entries, err = t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Now: h.Now.Add(time.Second), Until: h.Now.Add(time.Hour), Limit: 1, Lease: "b"})
	require.NoError(t, err)
	require.Equal(t, "body", string(entries[0].Body))

	value := []byte("value")
	require.NoError(t, t.store.PutKey(t.ctx, shop, "b", "k", value, time.Time{}))
	value[0] = '!'
	got, err := t.store.GetKey(t.ctx, shop, "b", "k", h.Now)
	require.NoError(t, err)
	require.Equal(t, "value", string(got))
	got[0] = '!'
	got, err = t.store.GetKey(t.ctx, shop, "b", "k", h.Now)
	require.NoError(t, err)
	require.Equal(t, "value", string(got))

	var done *workflow.AlreadyDone
	for range 2 {
		require.ErrorAs(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(2)), "k")), &done)
		require.Equal(t, "result", string(done.Once.Result))
		done.Once.Result[0] = '!'
	}
}

// onced is a booking that is done once for a key.
func onced(h *History, key string) *workflow.Commit {
	c := h.Book("Jo Brandt", "marine radio", "Silent.")
	c.Once = &workflow.Once{Key: key, Digest: "d2", Result: []byte("second")}
	return c
}

func staleVersion(t *test) {
	h := t.booked(1)
	stale := h.Note("written first")
	fresh := h.Note("written instead")
	t.commit(h, fresh)
	want := look(t, shop, h.Now, h.Job)

	ahead := NewHistory(shop, h.Job)
	ahead.Events = append(ahead.Events, h.Events...)
	ahead.Accept(ahead.Note("never written"))
	again := NewHistory(shop, h.Job)
	absent := NewHistory(shop, Number(2))
	absent.Accept(absent.Book("Jo Brandt", "marine radio", "Silent."))
	for what, c := range map[string]*workflow.Commit{
		"behind": stale, "the same once more": fresh, "ahead": ahead.Note("too far"),
		"new, but there": again.Book("Jo Brandt", "marine radio", "Silent."), "not new, but not there": absent.Note("of nothing"),
	} {
		err := t.store.Commit(t.ctx, c)
		require.ErrorIs(t, err, workflow.ErrConflict, what)
		require.NotEmpty(t, workflow.MessageOf(err))
	}
	require.Equal(t, want, look(t, shop, h.Now, h.Job))
	_, err := t.store.Job(t.ctx, shop, Number(2))
	require.ErrorIs(t, err, workflow.ErrNotFound)
}

func manyWriters(t *test) {
	const writers, rounds = 8, 12
	h := t.booked(1)
	for round := range rounds {
		var wins atomic.Int64
		var won *workflow.Commit
		var all sync.WaitGroup
		commits := make([]*workflow.Commit, writers)
		for i := range commits {
			commits[i] = h.Write(fmt.Sprintf("round %d writer %d", round, i))
		}
		errs := make([]error, writers)
		for i, c := range commits {
			all.Go(func() {
				if errs[i] = t.store.Commit(t.ctx, c); errs[i] == nil {
					wins.Add(1)
					won = c
				}
			})
		}
		all.Wait()
		require.Equal(t, int64(1), wins.Load())
		for _, err := range errs {
			if err != nil {
				require.ErrorIs(t, err, workflow.ErrConflict)
			}
		}
		h.Accept(won)
		require.Equal(t, won.State, t.chain(h))
	}
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Len(t, entries, 1+rounds, "losers leave no notice")
}

func manyJobs(t *test) {
	const writers, jobs, steps = 8, 5, 6
	var all sync.WaitGroup
	histories := make([][]*History, writers)
	for w := range writers {
		all.Go(func() {
			for n := range jobs {
				h := NewHistory(shop, Number(w*jobs+n))
				histories[w] = append(histories[w], h)
				c := h.Book("Mira Osei", "film scanner", "Hums.")
				for i := range steps {
					if err := t.store.Commit(t.ctx, c); err != nil {
						t.Error(err)
						return
					}
					h.Accept(c)
					if j, err := t.store.Job(t.ctx, shop, h.Job); err != nil || j.Version != h.Version() {
						t.Errorf("what was acknowledged is not seen: %v, %v", j, err)
						return
					}
					c = h.Write(fmt.Sprint("step ", i))
				}
			}
		})
	}
	all.Wait()
	require.False(t, t.Failed())
	for _, h := range slices.Concat(histories...) {
		t.chain(h)
		entries, err := t.store.Entries(t.ctx, shop, h.Job)
		require.NoError(t, err)
		require.Len(t, entries, steps)
	}
	count, err := t.store.Counts(t.ctx, shop)
	require.NoError(t, err)
	require.Equal(t, map[workflow.Stage]int{workflow.StageBooked: writers * jobs}, count)
}

func refusedLeavesNothing(t *test) {
	h, second := t.booked(1), t.booked(2)
	first := h.Write("The first.")
	first.Once = &workflow.Once{Key: "taken", Digest: "d"}
	t.commit(h, first)
	want := look(t, shop, h.Now, h.Job, second.Job, Number(3))

	// Each carries everything that a commit can carry, and one thing that it is refused for.
	laden := func() *workflow.Commit {
		c := second.Write("lamp")
		c.Index.Stage, c.Index.Ended, c.Index.Text, c.WakeAt = workflow.StageShipped, true, "lamp", h.Now
		c.Links = []workflow.LinkRow{{Hash: hash("new"), Job: c.Job, ID: "new", Purpose: link.Decide, Quote: 1}}
		c.Forget = true
		return c
	}
	refusals := map[string]*workflow.Commit{}
	c := laden()
	c.Once = &workflow.Once{Key: "taken", Digest: "d"}
	refusals["key taken"] = c
	c = laden()
	c.Settle = &workflow.Settlement{Entry: first.Notices[0].ID, Lease: "never given", State: workflow.EntrySent}
	c.Once = &workflow.Once{Key: "not yet", Digest: "d"}
	refusals["lease lost"] = c
	c = laden()
	c.Notices = append(c.Notices, c.Notices[0])
	c.Once = &workflow.Once{Key: "not yet", Digest: "d"}
	refusals["a notice twice"] = c
	c = NewHistory(shop, Number(3)).Book("Jo Brandt", "marine radio", "lamp")
	c.Notices = append(c.Notices, c.Notices[0])
	refusals["a notice twice, new job"] = c

	for what, c := range refusals {
		require.Error(t, t.store.Commit(t.ctx, c), what)
		require.Equal(t, want, look(t, shop, h.Now, h.Job, second.Job, Number(3)), what)
		_, err := t.store.Link(t.ctx, shop, hash("new"))
		require.ErrorIs(t, err, workflow.ErrNotFound, what)
	}
	c = laden()
	c.Once = &workflow.Once{Key: "not yet", Digest: "d"}
	require.NoError(t, t.store.Commit(t.ctx, c), "and spoils nothing for the next")

	// Beside others: those that are refused take nothing of their neighbours with them.
	var all sync.WaitGroup
	for n := range 20 {
		all.Go(func() {
			h := NewHistory(shop, Number(100+n))
			c := h.Book("Mira Osei", "film scanner", "Hums.")
			if n%2 == 1 {
				c.Notices = append(c.Notices, c.Notices[0])
			}
			if err := t.store.Commit(t.ctx, c); (err == nil) != (n%2 == 0) {
				t.Errorf("job %d: %v", n, err)
			}
		})
	}
	all.Wait()
	for n := range 20 {
		_, err := t.store.Job(t.ctx, shop, Number(100+n))
		require.Equal(t, n%2 == 0, err == nil, n)
	}
}

func senselessCommit(t *test) {
	h := t.booked(1)
	want := look(t, shop, h.Now, h.Job)
	for what, spoil := range map[string]func(c *workflow.Commit){
		"no state":             func(c *workflow.Commit) { c.State = nil },
		"another job's state":  func(c *workflow.Commit) { c.State.Number = Number(2) },
		"a state that lags":    func(c *workflow.Commit) { c.State.Version-- },
		"an event left out":    func(c *workflow.Commit) { c.Events = c.Events[1:] },
		"events out of order":  func(c *workflow.Commit) { slices.Reverse(c.Events) },
		"another job's event":  func(c *workflow.Commit) { c.Events[0].Job = Number(2) },
		"another shop's event": func(c *workflow.Commit) { c.Events[0].Shop = other },
		"another job's notice": func(c *workflow.Commit) { c.Notices[0].Job = Number(2) },
		"a notice not so named": func(c *workflow.Commit) {
			c.Notices[0].ID = strings.Replace(c.Notices[0].ID, string(c.Job), string(Number(2)), 1)
		},
		"a notice of an event before": func(c *workflow.Commit) { c.Notices[0].Seq = 1 },
		"a notice of no event":        func(c *workflow.Commit) { c.Notices[0].Seq = 99 },
		"another job's link":          func(c *workflow.Commit) { c.Links = []workflow.LinkRow{{Job: Number(2)}} },
		"a state unknown to the outbox": func(c *workflow.Commit) {
			c.Settle = &workflow.Settlement{Entry: c.Notices[0].ID, Lease: "a", State: "lost"}
		},
	} {
		c := h.Write("lamp")
		spoil(c)
		err := t.store.Commit(t.ctx, c)
		require.Error(t, err, what)
		require.Equal(t, workflow.CodeInternal, workflow.CodeOf(err), what)
		require.Equal(t, want, look(t, shop, h.Now, h.Job), what)
	}
}

func doneOnce(t *test) {
	h := NewHistory(shop, Number(1))
	c := h.Book("Mira Osei", "film scanner", "Hums.")
	key := "api\x00ada\x00é " + strings.Repeat("k", 200)
	c.Once = &workflow.Once{Key: key, Digest: "d1", Result: []byte{0, 1, 0xff}, Until: h.Now.Add(time.Hour)}
	t.commit(h, c)

	told, err := t.store.Done(t.ctx, shop, key)
	require.NoError(t, err)
	require.Equal(t, *c.Once, told)
	for s, k := range map[workflow.ShopID]string{shop: "another", other: key} {
		_, err = t.store.Done(t.ctx, s, k)
		require.ErrorIs(t, err, workflow.ErrNotFound)
	}

	var done *workflow.AlreadyDone
	require.ErrorAs(t, t.store.Commit(t.ctx, c), &done, "before its version is looked at")
	require.Equal(t, *c.Once, done.Once)
	require.ErrorAs(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(2)), key)), &done, "whatever the job")
	require.Equal(t, "d1", done.Once.Digest, "the first one is told")
	require.NoError(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(3)), "another")))
	require.NoError(t, t.store.Commit(t.ctx, onced(NewHistory(other, Number(3)), key)), "another shop's keys are its own")

	require.NoError(t, t.store.SweepKeys(t.ctx, shop, h.Now.Add(time.Hour-time.Millisecond)))
	require.ErrorAs(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(2)), key)), &done, "until it is swept")
	require.NoError(t, t.store.SweepKeys(t.ctx, shop, h.Now.Add(time.Hour)))
	_, err = t.store.Done(t.ctx, shop, key)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	require.NoError(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(2)), key)))
	require.NoError(t, t.store.SweepKeys(t.ctx, shop, h.Now.AddDate(100, 0, 0)))
	require.ErrorAs(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(4)), "another")), &done, "one without an end stays")

	var wins atomic.Int64
	var all sync.WaitGroup
	for n := range 8 {
		all.Go(func() {
			err := t.store.Commit(t.ctx, onced(NewHistory(shop, Number(10+n)), "race"))
			var done *workflow.AlreadyDone
			if err == nil {
				wins.Add(1)
			} else if !errors.As(err, &done) {
				t.Error(err)
			}
		})
	}
	all.Wait()
	require.Equal(t, int64(1), wins.Load())
}

// lined writes jobs with a given index, in the order of n.
func (t *test) lined(rows ...workflow.Index) (all []workflow.Row) {
	t.Helper()
	for i, x := range rows {
		h := NewHistory(shop, Number(i))
		c := h.Book("Mira Osei", "film scanner", "Hums.")
		if x.ChangedAt.IsZero() {
			x.ChangedAt = Begin
		}
		c.Index = x
		t.commit(h, c)
		all = append(all, workflow.Row{Job: h.Job, Index: x})
	}
	return all
}

func board(t *test) {
	at := func(h int) time.Time { return Begin.Add(time.Duration(h) * time.Hour) }
	all := t.lined(
		workflow.Index{Stage: workflow.StageRepairing, DueAt: at(5), Title: "five", Person: "Mira Osei", OnHold: workflow.HoldParts, Waiting: true, Text: "five\nMira"},
		workflow.Index{Stage: workflow.StageBooked},
		workflow.Index{Stage: workflow.StageRepairing, DueAt: at(9), Breached: true},
		workflow.Index{Stage: workflow.StageReceived, DueAt: at(2)},
		workflow.Index{Stage: workflow.StageRepairing, Breached: true},
		workflow.Index{Stage: workflow.StageTesting, DueAt: at(5)},
		workflow.Index{Stage: workflow.StageShipped, Ended: true, ChangedAt: at(1), DueAt: at(1)},
		workflow.Index{Stage: workflow.StageWithdrawn, Ended: true, ChangedAt: at(7), Breached: true},
		workflow.Index{Stage: workflow.StageShipped, Ended: true, ChangedAt: at(7)},
		workflow.Index{Stage: workflow.StageBooked},
		workflow.Index{Stage: workflow.StageReceived, DueAt: at(2), Breached: true},
	)
	pick := func(i ...int) (out []workflow.Row) {
		for _, i := range i {
			out = append(out, all[i])
		}
		return out
	}
	// tied returns two rows that are equal but for their number, in its order.
	tied := func(a, b int) []workflow.Row {
		if all[a].Job > all[b].Job {
			a, b = b, a
		}
		return pick(a, b)
	}
	running := slices.Concat(pick(10, 2, 4, 3), tied(0, 5), tied(1, 9))
	ended := slices.Concat(tied(7, 8), pick(6))
	for what, x := range map[string]struct {
		filter workflow.BoardFilter
		want   []workflow.Row
	}{
		"running":             {workflow.BoardFilter{}, running},
		"ended":               {workflow.BoardFilter{Ended: true}, ended},
		"one stage":           {workflow.BoardFilter{Stage: workflow.StageRepairing}, pick(2, 4, 0)},
		"one stage, ended":    {workflow.BoardFilter{Stage: workflow.StageShipped, Ended: true}, pick(8, 6)},
		"a stage to end in":   {workflow.BoardFilter{Stage: workflow.StageShipped}, pick(6, 8)},
		"a stage without any": {workflow.BoardFilter{Stage: workflow.StageDiagnosing}, nil},
	} {
		for _, limit := range []int{1, 2, 3, 100} {
			f := x.filter
			f.Limit = limit
			var got []workflow.Row
			for {
				rows, err := t.store.Board(t.ctx, shop, f)
				require.NoError(t, err)
				require.LessOrEqual(t, len(rows), limit)
				if len(rows) == 0 {
					break
				}
				got = append(got, rows...)
				f.After = &rows[len(rows)-1]
			}
			require.Equal(t, x.want, got, "%s by %d", what, limit)
		}
	}
	for _, limit := range []int{0, -1} {
		rows, err := t.store.Board(t.ctx, shop, workflow.BoardFilter{Limit: limit})
		require.NoError(t, err)
		require.Empty(t, rows)
	}
}

func counts(t *test) {
	a, b := t.booked(1), t.booked(2)
	want := func(m map[workflow.Stage]int) {
		t.Helper()
		got, err := t.store.Counts(t.ctx, shop)
		require.NoError(t, err)
		require.Equal(t, m, got)
	}
	want(map[workflow.Stage]int{workflow.StageBooked: 2})
	t.commit(a, a.Move(workflow.StageReceived))
	want(map[workflow.Stage]int{workflow.StageBooked: 1, workflow.StageReceived: 1})
	t.commit(a, a.Note("Scratched lid"))
	t.commit(b, b.Move(workflow.StageReceived))
	want(map[workflow.Stage]int{workflow.StageReceived: 2})
	got, err := t.store.Counts(t.ctx, other)
	require.NoError(t, err)
	require.Equal(t, map[workflow.Stage]int{}, got)
}

func search(t *test) {
	texts := []string{
		"K7M2QX8\nHalden F2 film scanner\nMíra Óséi\nmira@post.example\n+1 902 555 0134\nH-20417\nHums, then stops.",
		"X33YV0A\nNorne 88 stage piano\nJosé Ångström\njose@example.net\nSN 20417/B\nKeys stick.",
		"9ZZTR44\nBekk field recorder\nΑλέξης Παπαδόπουλος\nНадежда Ёлкина\n三浦 健\nTape runs slow",
		"1ABCDE5\nSkagen marine radio\nMia Roe\nÄußere Straße 5\nele\u0301ctrico हिन्दी 𞤀𞤣𞤤𞤢𞤥", // é as e and an accent
	}
	var rows []workflow.Index
	for i, text := range texts {
		rows = append(rows, workflow.Index{Stage: workflow.StageBooked, Text: text, ChangedAt: Begin.Add(time.Duration(-i) * time.Hour)})
	}
	all := t.lined(rows...)
	for query, want := range map[string][]int{
		"halden": {0}, "HALDEN": {0}, "hal": {0}, "alden": nil, "halden scanner": {0}, "scanner halden": {0},
		"hald scanner": nil, // only the last word is a prefix
		"scanner hald": {0}, "halden piano": nil,
		"mira": {0}, "míra": {0}, "MÍRA": {0}, "mi\u0301ra": {0}, "osei": {0}, "mi": {0, 3}, "m": {0, 3},
		"jose": {1}, "josé": {1}, "angstrom": {1}, "Ångström": {1}, "ANGSTROM": {1},
		"20417": {0, 1}, "h-20417": {0}, "20417/b": {1}, "204": {0, 1}, "0417": nil,
		"mira@post.example": {0}, "example": {0, 1}, "902 555": {0}, "+1 902 555 0134": {0},
		"αλεξης": {2}, "παπαδόπουλος": {2}, "надежда": {2}, "ЁЛКИНА": {2}, "елкина": {2}, "三浦": {2},
		"strasse": {3}, "straße": {3}, "STRASSE": {3}, "äußere": {3}, "aussere": {3}, "ΠΑΠΑΔΌΠΟΥΛΟΣ": {2}, "παπαδοπουλοσ": {2},
		"हिन्दी": {3}, "हिन": {3}, "हन": nil, "２０４１７": {0, 1}, "𞤀𞤣": {3}, "electrico": {3}, "eléctrico": {3},
		"": nil, "   ": nil, "-- !? \t\n": nil,
		"halden halden halden": {0}, "  halden  ": {0},
		"k7m2qx8": {0}, "k7m": {0}, "z": nil,
	} {
		got, err := t.store.Search(t.ctx, shop, query, 10)
		require.NoError(t, err, query)
		var expect []workflow.Row
		for _, i := range want {
			expect = append(expect, all[i])
		}
		require.Equal(t, expect, got, "%q", query)
	}

	// What a job no longer says is no longer found.
	h := NewHistory(shop, all[0].Job)
	h.Accept(h.Book("Mira Osei", "film scanner", "Hums."))
	c := h.Note("x")
	c.Index = all[0].Index
	c.Index.Text = "Halden scanner, lamp"
	t.commit(h, c)
	for query, want := range map[string]int{"lamp": 1, "halden": 1, "osei": 0, "hums": 0} {
		got, err := t.store.Search(t.ctx, shop, query, 10)
		require.NoError(t, err)
		require.Len(t, got, want, query)
	}
}

// hostile is what people, and those who mean ill, type into a search field.
var hostile = []string{
	`"`, `""`, `"""`, `*`, `hal*`, `"hal" *`, `halden OR piano`, `halden AND`, `NOT halden`, `NEAR(halden scanner, 2)`, `halden + scanner`,
	`words:halden`, `words : halden`, `{words} : x`, `- words : halden`, `^halden`, `(`, `)`, `((((((((((`, `halden)`, `'`, `';--`, `' OR 1=1 --`,
	`"; DROP TABLE jobs; --`, `\`, `\"`, `%`, `_`, `?1`, `:a`, `$a`, `@a`, "\x00", "halden\x00", "\x00halden", "\xff\xfe", "hal\xffden", "\xed\xa0\x80",
	"\u202e", "\ufeff", "\U0001f50c", "\U0001f468\u200d\U0001f527", "e\u0301\u0301\u0301\u0301", "\u0301", "\u0301 halden", "\u00ad", "\ue000", "\U0010ffff",
	"ǅ ﬁ Ⅷ ² ½", "İ ı ſ K Å", "अनुच्छेद", "ไทย", "한국어", "مرحبا", "\U0001e900", "\U00016e40", "\t\v\f\u0085\u2028",
	strings.Repeat("halden ", 1000), strings.Repeat("a ", 5000), strings.Repeat("x", 100000), strings.Repeat(`"`, 10001), strings.Repeat("(", 5000),
	strings.Repeat("é", 3000), strings.Repeat("a\u0301", 3000),
}

func searchHostile(t *test) {
	h := t.booked(1)
	for _, q := range hostile {
		_, err := t.store.Search(t.ctx, shop, q, 10)
		require.NoError(t, err, "%.40q", q)
	}
	// The same as text: all of it can be kept.
	for i, q := range hostile {
		h := NewHistory(shop, Number(100+i))
		c := h.Book("Mira Osei", "film scanner", "Hums.")
		c.Index.Text = strings.ToValidUTF8(q, "\ufffd")
		t.commit(h, c)
	}
	got, err := t.store.Search(t.ctx, shop, "osei", 100)
	require.NoError(t, err)
	require.Equal(t, []workflow.JobNumber{h.Job}, numbers(got))

	// Only the first words of a long query count.
	got, err = t.store.Search(t.ctx, shop, strings.Repeat("osei ", 32)+"elsewhere", 100)
	require.NoError(t, err)
	require.Equal(t, []workflow.JobNumber{h.Job}, numbers(got))
	got, err = t.store.Search(t.ctx, shop, strings.Repeat("osei ", 31)+"elsewhere", 100)
	require.NoError(t, err)
	require.Empty(t, got)
}

func searchOrder(t *test) {
	var rows []workflow.Index
	for i := range 9 {
		rows = append(rows, workflow.Index{Stage: workflow.StageBooked, Text: "stage piano", ChangedAt: Begin.Add(time.Duration(i*7%5) * time.Hour)})
	}
	all := t.lined(rows...)
	slices.SortFunc(all, func(a, b workflow.Row) int {
		if c := b.ChangedAt.Compare(a.ChangedAt); c != 0 {
			return c
		}
		return strings.Compare(string(a.Job), string(b.Job))
	})
	for _, limit := range []int{-1, 0, 1, 4, 9, 10} {
		got, err := t.store.Search(t.ctx, shop, "pia", limit)
		require.NoError(t, err)
		require.Equal(t, numbers(all[:min(max(limit, 0), 9)]), numbers(got))
	}
}

func links(t *test) {
	h := NewHistory(shop, Number(1))
	c := h.Book("Mira Osei", "film scanner", "Hums.")
	look := c.Links[0]
	t.commit(h, c)
	got, err := t.store.Link(t.ctx, shop, look.Hash)
	require.NoError(t, err)
	require.Equal(t, look, got)

	c = h.Note("x")
	decide := workflow.LinkRow{Hash: hash("decide"), Job: h.Job, ID: "7.b", Purpose: link.Decide, Quote: 2, ExpiresAt: h.Now.Add(time.Hour)}
	look.Revoked, look.ExpiresAt = true, time.Time{} // ended for good
	c.Links = []workflow.LinkRow{decide, look}
	t.commit(h, c)
	for _, want := range []workflow.LinkRow{decide, look} {
		got, err = t.store.Link(t.ctx, shop, want.Hash)
		require.NoError(t, err)
		require.Equal(t, want, got, "the newest row of a hash counts")
	}
	t.commit(h, h.Note("y"))
	got, err = t.store.Link(t.ctx, shop, decide.Hash)
	require.NoError(t, err)
	require.Equal(t, decide, got, "a commit without links leaves them")
	for s, x := range map[workflow.ShopID]link.Hash{shop: hash("unknown"), other: decide.Hash} {
		_, err = t.store.Link(t.ctx, s, x)
		require.ErrorIs(t, err, workflow.ErrNotFound)
	}
}

func wakeUps(t *test) {
	at := func(h int) time.Time { return Begin.Add(time.Duration(h) * time.Hour) }
	wake := func(h *History, when time.Time) {
		t.Helper()
		c := h.Still()
		c.WakeAt = when
		t.commit(h, c)
	}
	due := func(now time.Time, limit int, want ...workflow.JobNumber) {
		t.Helper()
		got, err := t.store.Due(t.ctx, shop, now, limit)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	next := func(want time.Time) {
		t.Helper()
		got, err := t.store.NextWake(t.ctx, shop)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	next(time.Time{})
	a, b, c, d := t.booked(1), t.booked(2), t.booked(3), t.booked(4)
	next(time.Time{})
	due(at(1000), 10)
	wake(a, at(3))
	wake(b, at(1))
	wake(c, at(2))
	wake(d, at(2))
	next(at(1))
	same := sorted(c.Job, d.Job)
	due(at(1).Add(-time.Millisecond), 10)
	due(at(1), 10, b.Job)
	due(at(9), 10, b.Job, same[0], same[1], a.Job)
	due(at(9), 2, b.Job, same[0])
	due(at(9), 0)
	wake(b, at(4))
	next(at(2))
	due(at(9), 10, same[0], same[1], a.Job, b.Job)
	for _, h := range []*History{a, b, c, d} {
		require.Equal(t, int64(3), t.chain(h).Version, "a wake-up is no event")
		wake(h, time.Time{})
	}
	next(time.Time{})
	due(at(9), 10)

	x := a.Note("x")
	x.WakeAt = at(5).Add(time.Millisecond)
	t.commit(a, x)
	next(at(5).Add(time.Millisecond))
	due(at(5), 10)
	due(at(5).Add(time.Millisecond), 10, a.Job)
	t.commit(a, a.Note("and no more"))
	next(time.Time{})
}

func forget(t *test) {
	h := t.booked(1)
	c := h.Write("A word to Mira.")
	c.Once = &workflow.Once{Key: "k", Digest: "d", Result: []byte("Mira Osei")}
	c.Notices[0].Body = []byte("To: Mira Osei")
	t.commit(h, c)
	kept := t.bookedIn(shop, 2)
	// The first notice was tried; the server's words name the address.
	all := claim(t, h.Now, h.Now.Add(time.Minute), 10, "a")
	e := all[slices.IndexFunc(all, func(e workflow.Entry) bool { return e.Job == h.Job })]
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: "a", State: workflow.EntryQueued, RetryAt: h.Now,
		Attempt: workflow.Attempt{At: h.Now, Result: "put off", Words: "452 post@mira-osei.example is full"}, Body: []byte("To: Mira Osei")}))

	c = h.Erase()
	c.Index.Text, c.Index.Person = string(h.Job), ""
	t.commit(h, c)
	j := t.chain(h)
	require.Equal(t, c.State, j)
	require.True(t, j.Customer.Name.Erased())
	events, err := t.store.Events(t.ctx, shop, h.Job, 0)
	require.NoError(t, err)
	require.Len(t, events, 6)
	require.True(t, events[0].Payload.(*workflow.JobBooked).Fault.Erased())
	require.True(t, events[3].Payload.(*workflow.MessageSent).Text.Erased())
	for _, q := range []string{"mira", "osei", "hums"} {
		found, err := t.store.Search(t.ctx, shop, q, 10)
		require.NoError(t, err)
		require.Equal(t, []workflow.JobNumber{kept.Job}, numbers(found))
	}
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, []workflow.Attempt{{At: e.MadeAt.Add(2 * time.Minute), Result: "put off"}}, entries[0].Attempts, "what servers said is forgotten too")
	for _, x := range claim(t, h.Now, h.Now.Add(time.Minute), 10, "b") {
		if x.Job == h.Job {
			require.Empty(t, x.Body, "and mails that were built")
		}
	}
	var done *workflow.AlreadyDone
	require.ErrorAs(t, t.store.Commit(t.ctx, onced(NewHistory(shop, Number(3)), "k")), &done)
	require.Empty(t, done.Once.Result, "and answers that were kept")

	j, err = t.store.Job(t.ctx, shop, kept.Job)
	require.NoError(t, err)
	require.Equal(t, "Mira Osei", j.Customer.Name.Text, "another job's person is not")

	// One secret alone can go.
	c = kept.Write("A word to Tom.")
	t.commit(kept, c)
	c = kept.Write("Another word.")
	c.Wipe = []string{t.chain(kept).Messages[0].Text.Digest}
	t.commit(kept, c)
	j, err = t.store.Job(t.ctx, shop, kept.Job)
	require.NoError(t, err)
	require.True(t, j.Messages[0].Text.Erased())
	require.Equal(t, "Another word.", j.Messages[1].Text.Text)
	require.Equal(t, "Mira Osei", j.Customer.Name.Text)

	// What comes with the forgetting, or after it, stays.
	c = kept.Erase()
	s := &step{kept, c}
	s.seal("why")
	t.commit(kept, c)
	t.commit(kept, kept.Write("A word to nobody."))
	require.Equal(t, "A word to nobody.", t.chain(kept).Messages[2].Text.Text)
}

func isolation(t *test) {
	a := t.bookedIn(shop, 1)
	b := t.bookedIn(other, 1)
	require.Equal(t, a.Job, b.Job)
	c := a.Write("For the harbour.")
	c.WakeAt = Begin
	t.commit(a, c)
	require.NoError(t, t.store.PutKey(t.ctx, shop, "staff", "ada", []byte("x"), time.Time{}))
	for range 3 {
		_, err := t.store.CountKey(t.ctx, shop, "rate", "ada", Begin, time.Time{})
		require.NoError(t, err)
	}
	want := look(t, shop, b.Now, a.Job)

	v := look(t, other, b.Now, a.Job)
	require.Equal(t, int64(3), v.Versions[b.Job])
	require.Len(t, v.Running, 1)
	require.Len(t, v.Queued, 1)
	require.Empty(t, v.Due)
	require.True(t, v.NextWake.IsZero())
	require.Empty(t, v.Keys)
	require.Empty(t, v.Found["lamp"])
	require.Len(t, v.Found["osei hums"], 1)
	_, err := t.store.GetKey(t.ctx, other, "staff", "ada", Begin)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	n, err := t.store.CountKey(t.ctx, other, "rate", "ada", Begin, time.Time{})
	require.NoError(t, err)
	require.Equal(t, int64(1), n)
	_, err = t.store.Link(t.ctx, other, hash(a.Job.Shown()))
	require.ErrorIs(t, err, workflow.ErrNotFound)

	// What the other shop does, it does to its own.
	got, err := t.store.ClaimEntries(t.ctx, other, workflow.Claim{Now: b.Now, Until: b.Now.Add(time.Hour), Limit: 10, Lease: "other"})
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, other, got[0].Shop)
	require.ErrorIs(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: got[0].ID, Lease: "other", State: workflow.EntrySent}), workflow.ErrConflict)
	require.ErrorIs(t, t.store.Requeue(t.ctx, shop, got[0].ID, b.Now), workflow.ErrNotFound)
	require.NoError(t, t.store.DeleteKey(t.ctx, other, "staff", "ada"))
	require.NoError(t, t.store.SweepKeys(t.ctx, other, b.Now.AddDate(100, 0, 0)))
	t.commit(b, b.Erase())
	require.Equal(t, want, look(t, shop, a.Now, a.Job))
	third := look(t, "hall", b.Now, a.Job)
	require.Empty(t, third.Jobs)
	require.Empty(t, third.Running)
}

func endedContext(t *test) {
	h := t.booked(1)
	ended, cancel := context.WithCancel(t.ctx)
	cancel()
	c := h.Note("x")
	require.ErrorIs(t, t.store.Commit(ended, c), context.Canceled)
	_, err := t.store.Job(ended, shop, h.Job)
	require.ErrorIs(t, err, context.Canceled)
	_, err = t.store.Search(ended, shop, "osei", 1)
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorIs(t, t.store.PutKey(ended, shop, "staff", "ada", nil, time.Time{}), context.Canceled)
	require.Empty(t, look(t, shop, h.Now, h.Job).Keys)
	t.commit(h, c)

	// Ending in the middle: either all of it is there or nothing.
	for range 50 {
		ctx, cancel := context.WithCancel(t.ctx)
		c := h.Write("y")
		go cancel()
		if err := t.store.Commit(ctx, c); err == nil {
			h.Accept(c)
			continue
		}
		// The outcome is unknown; it is known after the next commit, which comes behind it.
		require.NoError(t, t.store.PutKey(t.ctx, shop, "b", "k", nil, time.Time{}))
		v, err := t.store.Version(t.ctx, shop, h.Job)
		require.NoError(t, err)
		if v == c.State.Version {
			h.Accept(c)
		}
		require.Equal(t, h.Version(), v)
	}
	t.chain(h)
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Len(t, entries, 1+(len(h.Events)-4)/2)
}

func closedStore(t *test) {
	h := t.booked(1)
	require.NoError(t, t.store.Close())
	require.Error(t, t.store.Commit(t.ctx, h.Note("x")))
	_, err := t.store.Job(t.ctx, shop, h.Job)
	require.Error(t, err)
	require.NotErrorIs(t, err, workflow.ErrNotFound)
	require.NoError(t, t.store.Close(), "closing twice is no harm")
}
