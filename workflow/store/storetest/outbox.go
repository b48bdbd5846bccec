package storetest

import (
	"fmt"
	"sync"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

func claim(t *test, now, until time.Time, limit int, lease string) []workflow.Entry {
	t.Helper()
	return claimBy(t, "", now, until, limit, lease)
}

func claimBy(t *test, channel workflow.Channel, now, until time.Time, limit int, lease string) []workflow.Entry {
	t.Helper()
	got, err := t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Channel: channel, Now: now, Until: until, Limit: limit, Lease: lease})
	require.NoError(t, err)
	for _, e := range got {
		require.Equal(t, channel, e.Channel.Base())
		require.Equal(t, lease, e.Lease)
		require.Equal(t, until, e.LeaseUntil)
		require.Equal(t, workflow.EntryQueued, e.State)
	}
	return got
}

func sent(t *test, e workflow.Entry) {
	t.Helper()
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: e.Lease, State: workflow.EntrySent, Attempt: workflow.Attempt{At: e.MadeAt, Result: "accepted"}}))
}

func nextEntry(t *test, want time.Time) {
	t.Helper()
	nextBy(t, "", want)
}

func nextBy(t *test, channel workflow.Channel, want time.Time) {
	t.Helper()
	got, err := t.store.NextEntry(t.ctx, shop, channel)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func outboxOrder(t *test) {
	nextEntry(t, time.Time{})
	require.Empty(t, claim(t, Begin.AddDate(1, 0, 0), Begin.AddDate(2, 0, 0), 10, "none"))
	a, b, c := t.booked(1), t.booked(2), t.booked(3)
	for i := range 9 { // enough that "10" must come after "9"
		t.commit(a, a.Write(fmt.Sprint("letter ", i)))
	}
	x := b.Write("two at once")
	Tell(x, workflow.NoticeReady)
	x.Notices[0], x.Notices[1] = x.Notices[1], x.Notices[0]
	t.commit(b, x)
	early := c.Note("x")
	Tell(early, workflow.NoticeReady).NotBefore = Begin.Add(-time.Hour)
	t.commit(c, early)

	now := Begin.Add(time.Hour)
	nextEntry(t, Begin)
	require.Empty(t, claim(t, Begin.Add(-time.Millisecond), now, 10, "before its time"))
	require.Empty(t, claim(t, now, now, 0, "none wanted"))

	handed := map[workflow.JobNumber][]string{}
	for round := 0; ; round++ {
		got := claim(t, now, now.Add(time.Minute), 10, fmt.Sprint("round ", round))
		if len(got) == 0 {
			break
		}
		seen := map[workflow.JobNumber]bool{}
		for _, e := range got {
			require.False(t, seen[e.Job], "one a job")
			seen[e.Job] = true
			handed[e.Job] = append(handed[e.Job], e.ID)
			sent(t, e)
		}
	}
	for _, h := range []*History{a, b, c} {
		entries, err := t.store.Entries(t.ctx, shop, h.Job)
		require.NoError(t, err)
		require.Equal(t, ids(entries), handed[h.Job])
		for i, e := range entries {
			require.Equal(t, workflow.EntrySent, e.State)
			require.True(t, i == 0 || entries[i-1].Seq <= e.Seq)
		}
	}
	require.Len(t, handed[a.Job], 10)
	require.Len(t, handed[b.Job], 3)
	nextEntry(t, time.Time{})

	// Over several jobs the one that has been ready longest comes first.
	d, e, f := t.booked(4), t.booked(5), t.booked(6)
	for h, at := range map[*History]time.Duration{d: 2, e: 3, f: 1} {
		got := claim(t, now, now.Add(time.Minute), 10, "all")
		for _, x := range got {
			if x.Job == h.Job {
				require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: x.ID, Lease: "all", State: workflow.EntryQueued, RetryAt: now.Add(at * time.Minute)}))
			}
		}
		now = now.Add(2 * time.Minute) // the others' leases run out
	}
	now = Begin.Add(2 * time.Hour)
	var order []workflow.JobNumber
	for i := range 3 {
		got := claim(t, now, now.Add(time.Hour), 1, fmt.Sprint("one by one ", i))
		require.Len(t, got, 1)
		order = append(order, got[0].Job)
	}
	require.ElementsMatch(t, []workflow.JobNumber{d.Job, e.Job, f.Job}, order)
	require.Empty(t, claim(t, now, now.Add(time.Hour), 1, "no more"))
}

func outboxLeases(t *test) {
	a := t.booked(1)
	t.commit(a, a.Write("second"))
	now := Begin.Add(time.Hour)
	until := now.Add(time.Minute)
	got := claim(t, now, until, 10, "one")
	require.Len(t, got, 1)
	require.Equal(t, workflow.NoticeBooked, got[0].Kind)
	nextEntry(t, until)
	require.Empty(t, claim(t, now, until, 10, "two"), "leased, and the one after it waits")
	require.Empty(t, claim(t, until.Add(-time.Millisecond), until, 10, "two"))
	again := claim(t, until, until.Add(time.Minute), 10, "three")
	require.Equal(t, ids(got), ids(again), "the lease has run out")
	nextEntry(t, until.Add(time.Minute))
	sent(t, again[0])
	nextEntry(t, Begin.Add(time.Minute))
	got = claim(t, until, until.Add(time.Minute), 10, "four")
	require.Len(t, got, 1)
	require.Equal(t, workflow.NoticeMessage, got[0].Kind)
}

func outboxFencing(t *test) {
	t.booked(1)
	now := Begin.Add(time.Hour)
	first := claim(t, now, now.Add(time.Minute), 1, "first")[0]
	settle := func(lease string, s workflow.EntryState) error {
		return t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: first.ID, Lease: lease, State: s, RetryAt: now, Attempt: workflow.Attempt{At: now, Result: "accepted"}})
	}
	require.ErrorIs(t, settle("", workflow.EntrySent), workflow.ErrConflict)
	require.ErrorIs(t, settle("another", workflow.EntrySent), workflow.ErrConflict)
	require.Error(t, settle("first", "lost"))
	now = now.Add(time.Minute)
	claim(t, now, now.Add(time.Minute), 1, "second")
	require.ErrorIs(t, settle("first", workflow.EntrySent), workflow.ErrConflict, "another one has it now")
	require.NoError(t, settle("second", workflow.EntryQueued))
	require.ErrorIs(t, settle("second", workflow.EntrySent), workflow.ErrConflict, "a claim is settled once")
	require.ErrorIs(t, settle("", workflow.EntrySent), workflow.ErrConflict)
	claim(t, now, now.Add(time.Minute), 1, "third")
	require.NoError(t, settle("third", workflow.EntrySent), "a lease that has run out holds until somebody else has it")
	require.ErrorIs(t, settle("third", workflow.EntrySent), workflow.ErrConflict)
	for _, id := range []string{"", "-", "nothing", string(Number(1)), string(Number(1)) + "-99-booked", string(Number(7)) + "-1-booked"} {
		require.ErrorIs(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: id, Lease: "third", State: workflow.EntrySent}), workflow.ErrConflict)
	}
	entries, err := t.store.Entries(t.ctx, shop, Number(1))
	require.NoError(t, err)
	require.Len(t, entries[0].Attempts, 2)
}

func outboxSettleWithEvent(t *test) {
	h := t.booked(1)
	now := Begin.Add(time.Hour)
	e := claim(t, now, now.Add(time.Minute), 1, "one")[0]
	deliver := func(lease string) *workflow.Commit {
		s := h.step()
		s.add(workflow.RoleSystem, &workflow.NoticeDelivered{ID: e.ID})
		c := s.finish()
		c.Settle = &workflow.Settlement{Entry: e.ID, Lease: lease, State: workflow.EntrySent, Attempt: workflow.Attempt{At: now, Result: "accepted", Words: "250 ok"}}
		return c
	}
	want := look(t, shop, now, h.Job)
	require.ErrorIs(t, t.store.Commit(t.ctx, deliver("another")), workflow.ErrConflict)
	require.Equal(t, want, look(t, shop, now, h.Job), "no event without its settlement")
	stale := deliver("one")
	t.commit(h, h.Note("in between"))
	require.ErrorIs(t, t.store.Commit(t.ctx, stale), workflow.ErrConflict)
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, workflow.EntryQueued, entries[0].State, "no settlement without its event")

	t.commit(h, deliver("one"))
	j := t.chain(h)
	require.False(t, j.Notices[0].DeliveredAt.IsZero())
	entries, err = t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, workflow.EntrySent, entries[0].State)
	require.Equal(t, []workflow.Attempt{{At: now, Result: "accepted", Words: "250 ok"}}, entries[0].Attempts)
	require.ErrorIs(t, t.store.Commit(t.ctx, deliver("one")), workflow.ErrConflict, "it is settled")

	// The entry of another job may be settled with a step of this one.
	o := t.booked(2)
	e = claim(t, now, now.Add(time.Minute), 1, "two")[0]
	require.Equal(t, o.Job, e.Job)
	c := h.Still()
	c.Settle = &workflow.Settlement{Entry: e.ID, Lease: "two", State: workflow.EntryBuried}
	t.commit(h, c)
	require.Len(t, look(t, shop, now).Buried, 1)
}

func outboxFates(t *test) {
	h := t.booked(1)
	t.commit(h, h.Write("second"))
	now := Begin.Add(time.Hour)
	retry := func(lease string, at time.Time, body string, words string) error {
		s := workflow.Settlement{Entry: ids(look(t, shop, now, h.Job).Entries[0])[0], Lease: lease, State: workflow.EntryQueued, RetryAt: at, Attempt: workflow.Attempt{At: now, Result: "put off", Words: words}}
		if body != "" {
			s.Body = []byte(body)
		}
		return t.store.SettleEntry(t.ctx, shop, s)
	}
	first := claim(t, now, now.Add(time.Minute), 1, "a")[0]
	require.Nil(t, first.Body)
	require.NoError(t, retry("a", now.Add(10*time.Minute), "built\x00once", "451 later"))
	nextEntry(t, now.Add(10*time.Minute))
	require.Empty(t, claim(t, now.Add(9*time.Minute), now.Add(time.Hour), 10, "b"), "put off, and the one after it waits")
	now = now.Add(10 * time.Minute)
	got := claim(t, now, now.Add(time.Minute), 10, "c")
	require.Equal(t, []string{first.ID}, ids(got))
	require.Equal(t, "built\x00once", string(got[0].Body))
	require.Equal(t, []workflow.Attempt{{At: now.Add(-10 * time.Minute), Result: "put off", Words: "451 later"}}, got[0].Attempts)
	require.NoError(t, retry("c", now, "", "451 \"later\" é"))
	got = claim(t, now, now.Add(time.Minute), 10, "d")
	require.Equal(t, "built\x00once", string(got[0].Body), "no body given leaves what is there")
	require.Len(t, got[0].Attempts, 2)

	require.ErrorIs(t, t.store.Requeue(t.ctx, shop, first.ID, now), workflow.ErrNotFound, "it is not buried")
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: first.ID, Lease: "d", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: now, Result: "refused"}}))
	v := look(t, shop, now, h.Job)
	require.Equal(t, []string{first.ID}, ids(v.Buried))
	require.Empty(t, v.Buried[0].Lease)
	got = claim(t, now, now.Add(time.Minute), 10, "e")
	require.Len(t, got, 1)
	require.Equal(t, workflow.NoticeMessage, got[0].Kind, "a buried one holds up nobody")
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: got[0].ID, Lease: "e", State: workflow.EntryQueued, RetryAt: now}))

	require.NoError(t, t.store.Requeue(t.ctx, shop, first.ID, now.Add(time.Hour)))
	nextEntry(t, now.Add(time.Hour))
	require.Empty(t, claim(t, now, now.Add(time.Minute), 10, "f"), "put back, it stands before the other again")
	now = now.Add(time.Hour)
	got = claim(t, now, now.Add(time.Minute), 10, "g")
	require.Equal(t, []string{first.ID}, ids(got))
	require.Nil(t, got[0].Body, "a body goes when its entry is settled")
	require.Len(t, got[0].Attempts, 3, "its tries are remembered")
	sent(t, got[0])
	require.ErrorIs(t, t.store.Requeue(t.ctx, shop, first.ID, now), workflow.ErrNotFound, "it was sent")
	for _, id := range []string{"", "-", "nothing", string(h.Job), string(h.Job) + "-99-booked", string(Number(7)) + "-1-booked"} {
		require.ErrorIs(t, t.store.Requeue(t.ctx, shop, id, now), workflow.ErrNotFound)
	}
	require.Equal(t, workflow.NoticeMessage, claim(t, now, now.Add(time.Minute), 10, "h")[0].Kind)
}

// What was given up goes back into its lane with the event that says so, or not at all.
func outboxRequeueWithEvent(t *test) {
	const push = workflow.Channel("push/1")
	h, theirs := NewHistory(shop, Number(1)), t.bookedIn(other, 1)
	book := h.Book("Mira Osei", "film scanner", "Hums.")
	pushed := TellBy(book, workflow.NoticeBooked, push).ID
	t.commit(h, book)
	mail, neighbour := book.Notices[0].ID, NewHistory(shop, Number(2))
	booked := neighbour.Book("Jo Brandt", "marine radio", "Crackles.")
	t.commit(neighbour, booked)
	now := Begin.Add(time.Hour)
	until := now.Add(time.Minute)
	bury := func(s workflow.ShopID, channel workflow.Channel, lease string) {
		claimed, err := t.store.ClaimEntries(t.ctx, s, workflow.Claim{Channel: channel, Now: now, Until: until, Limit: 10, Lease: lease})
		require.NoError(t, err)
		for _, e := range claimed {
			require.NoError(t, t.store.SettleEntry(t.ctx, s, workflow.Settlement{Entry: e.ID, Lease: lease, State: workflow.EntryBuried, Attempt: workflow.Attempt{At: now, Result: "refused"}}))
		}
	}
	for _, s := range []workflow.ShopID{shop, other} {
		bury(s, "", "a")
		bury(s, push.Base(), "b")
	}
	t.commit(h, h.Write("is sent"))
	is := claim(t, now, until, 1, "c")[0]
	sent(t, is)
	waits := h.Write("waits")
	t.commit(h, waits)
	all := []workflow.JobNumber{h.Job, neighbour.Job}
	before, untouched := look(t, shop, now, all...), look(t, other, now, theirs.Job)
	require.Len(t, before.Buried, 3)

	again := func() *workflow.Commit {
		h.Now = now
		c := h.Note("Sent again.")
		TellBy(c, workflow.NoticeMessage, push)
		c.Requeue = []string{mail, pushed, mail, is.ID, waits.Notices[0].ID, string(h.Job) + "-99-booked", string(h.Job) + "-"}
		return c
	}
	for what, spoil := range map[string]func(*workflow.Commit){
		"a stale version": func(c *workflow.Commit) { c.Expect--; c.State.Version, c.Events, c.Notices = c.Expect, nil, nil },
		"a lost lease": func(c *workflow.Commit) {
			c.Settle = &workflow.Settlement{Entry: mail, Lease: "a", State: workflow.EntrySent}
		},
		"a notice twice": func(c *workflow.Commit) { c.Notices = append(c.Notices, c.Notices[0]) },
		"another job's":  func(c *workflow.Commit) { c.Requeue[1] = booked.Notices[0].ID },
	} {
		c := again()
		spoil(c)
		require.Error(t, t.store.Commit(t.ctx, c), what)
		require.Equal(t, before, look(t, shop, now, all...), what)
	}

	c := again()
	c.Once = &workflow.Once{Key: "once", Digest: "d"}
	t.commit(h, c)
	t.chain(h)
	v := look(t, shop, now, all...)
	require.Equal(t, c.State.Version, v.Versions[h.Job])
	require.Equal(t, neighbour.Job, v.Buried[0].Job)
	require.Len(t, v.Buried, 1, "another job's stays where it is")
	for i, e := range v.Entries[0] {
		switch was := before.Entries[0]; {
		case e.ID == mail || e.ID == pushed:
			require.Equal(t, workflow.EntryQueued, e.State)
			require.Equal(t, c.State.ChangedAt, e.NotBefore)
			require.Equal(t, was[i].Attempts, e.Attempts, "its tries are remembered")
		case i < len(was):
			require.Equal(t, was[i], e, "what was not given up is left as it is")
		}
	}
	require.Equal(t, untouched, look(t, other, now, theirs.Job))
	require.Equal(t, []string{mail}, ids(claim(t, now, until, 10, "d")), "it stands before those that came after it")
	require.Equal(t, []string{pushed}, ids(claimBy(t, push.Base(), now, until, 10, "e")))

	// In the step that gives it up it goes back at once; a step that was done puts nothing back again.
	require.ErrorAs(t, t.store.Commit(t.ctx, c), new(*workflow.AlreadyDone))
	h.Now = now
	c = h.Note("Given up, and sent again.")
	c.Settle = &workflow.Settlement{Entry: mail, Lease: "d", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: now, Result: "refused"}}
	c.Requeue = []string{mail}
	t.commit(h, c)
	require.Equal(t, []string{mail}, ids(claim(t, now, until, 10, "f")))
}

func outboxHastened(t *test) {
	h, other := t.booked(1), t.booked(2)
	sent(t, claim(t, h.Now, h.Now.Add(time.Minute), 1, "z")[0])
	morning := Begin.Add(10 * time.Hour)
	held := h.Write("in the night")
	held.Notices[0].NotBefore = morning
	t.commit(h, held)
	late := other.Write("of another job")
	late.Notices[0].NotBefore = morning
	t.commit(other, late)
	for _, e := range claim(t, h.Now, h.Now.Add(time.Minute), 10, "y") {
		sent(t, e)
	}
	require.Empty(t, claim(t, h.Now.Add(time.Hour), morning, 10, "x"), "both wait for the morning")

	c := h.Write("asked for, in the night")
	c.Hasten = true
	t.commit(h, c)
	asked := c.State.ChangedAt
	nextEntry(t, asked)
	first := claim(t, asked, asked.Add(time.Minute), 10, "w")
	require.Equal(t, []string{held.Notices[0].ID}, ids(first), "what waited goes first, and now; the other job's waits on")
	sent(t, first[0])
	second := claim(t, asked, asked.Add(time.Minute), 10, "v")
	require.Equal(t, []string{c.Notices[0].ID}, ids(second))
	sent(t, second[0])
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, asked, entries[1].NotBefore)

	c = h.Write("once more")
	c.Hasten = true
	soon := c.State.ChangedAt.Add(-time.Minute)
	c.Notices[0].NotBefore = soon
	t.commit(h, c)
	entries, err = t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Equal(t, soon, entries[3].NotBefore, "nothing is put later")
}

// Each way has an order of its own: what waits, fails or is leased in one holds up nothing in another.
func outboxLanes(t *test) {
	const till, books, push = workflow.Channel("hook:till"), workflow.Channel("hook:books"), workflow.Channel("push")
	h := NewHistory(shop, Number(1))
	book := h.Book("Mira Osei", "film scanner", "Hums.")
	TellBy(book, "job.booked", till)
	t.commit(h, book)
	second := h.Write("second")
	for _, channel := range []workflow.Channel{till, "push/1", "push/2", books} {
		TellBy(second, workflow.NoticeMessage, channel)
	}
	t.commit(h, second)
	now := h.Now
	until := now.Add(time.Minute)
	id := func(e *workflow.Commit, kind workflow.NoticeKind, channel workflow.Channel) string {
		for _, n := range e.Notices {
			if n.Channel == channel && n.Kind == kind {
				return n.ID
			}
		}
		t.Fatal("no such entry")
		return ""
	}
	entries, err := t.store.Entries(t.ctx, shop, h.Job)
	require.NoError(t, err)
	require.Len(t, entries, 7)
	var channels []workflow.Channel
	for _, e := range entries {
		channels = append(channels, e.Channel)
	}
	require.ElementsMatch(t, []workflow.Channel{"", "", till, till, books, "push/1", "push/2"}, channels)

	nextBy(t, "push", second.Notices[1].NotBefore)
	nextBy(t, "hook", time.Time{})
	nextBy(t, "push/1", time.Time{})
	require.Empty(t, claimBy(t, "hook", now, until, 10, "no such channel"))
	mail := claim(t, now, until, 10, "mail")
	require.Equal(t, []string{id(book, workflow.NoticeBooked, "")}, ids(mail))
	hook := claimBy(t, till, now, until, 10, "till")
	require.Equal(t, []string{id(book, "job.booked", till)}, ids(hook), "its own endpoint's only, in order")
	require.Equal(t, []string{id(second, workflow.NoticeMessage, books)}, ids(claimBy(t, books, now, until, 10, "books")))
	require.Len(t, claimBy(t, push, now, until, 1, "push a"), 1)
	other := claimBy(t, push, now, until, 10, "push b")
	require.Len(t, other, 1, "several lanes of one channel and job are under way at once")
	require.Empty(t, claimBy(t, push, now, until, 10, "push c"))
	for _, channel := range []workflow.Channel{"", till, books, push} {
		nextBy(t, channel, until)
	}

	// Put off for long, the webhook leaves the mail alone; and the other way round.
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: hook[0].ID, Lease: "till", State: workflow.EntryQueued, RetryAt: now.Add(time.Hour), Attempt: workflow.Attempt{At: now, Result: "put off"}, Body: []byte("kept")}))
	sent(t, mail[0])
	mail = claim(t, now, until, 10, "mail again")
	require.Equal(t, []string{id(second, workflow.NoticeMessage, "")}, ids(mail))
	nextBy(t, till, now.Add(time.Hour))
	require.Empty(t, claimBy(t, till, now, until, 10, "not yet"))
	now = now.Add(time.Hour)
	hook = claimBy(t, till, now, now.Add(time.Minute), 10, "till again")
	require.Equal(t, []string{id(book, "job.booked", till)}, ids(hook))
	require.Equal(t, "kept", string(hook[0].Body))

	// Buried and put back, it is in its own lane.
	bury := workflow.Settlement{Entry: hook[0].ID, Lease: "till again", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: now, Result: "refused"}}
	require.NoError(t, t.store.SettleEntry(t.ctx, shop, bury))
	require.ErrorIs(t, t.store.SettleEntry(t.ctx, shop, bury), workflow.ErrConflict)
	require.NoError(t, t.store.Requeue(t.ctx, shop, hook[0].ID, now))
	nextBy(t, "", until) // the lease on the mail that ran out
	first := claimBy(t, till, now, now.Add(time.Minute), 10, "once more")
	require.Equal(t, ids(hook), ids(first), "before the later one again")
	sent(t, first[0])
	require.Equal(t, []string{id(second, workflow.NoticeMessage, till)}, ids(claimBy(t, till, now, now.Add(time.Minute), 10, "the next")))
	buried, err := t.store.EntriesIn(t.ctx, shop, workflow.EntryBuried, 10)
	require.NoError(t, err)
	require.Empty(t, buried)

	// To hasten is for mails.
	o := t.booked(2)
	sent(t, claim(t, o.Now, o.Now.Add(time.Minute), 10, "o")[0])
	night := o.Write("in the night")
	night.Notices[0].NotBefore = o.Now.Add(8 * time.Hour)
	TellBy(night, workflow.NoticeMessage, "push/1").NotBefore = o.Now.Add(8 * time.Hour)
	t.commit(o, night)
	asked := o.Write("asked for")
	asked.Hasten = true
	t.commit(o, asked)
	entries, err = t.store.Entries(t.ctx, shop, o.Job)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Channel != workflow.Email {
			require.Equal(t, night.Notices[1].NotBefore, e.NotBefore)
		} else {
			require.False(t, e.NotBefore.After(asked.State.ChangedAt))
		}
	}

	for _, channel := range []workflow.Channel{"Hook", "hook:till\"", "push 1", "push\n"} {
		c := o.Write("no way")
		TellBy(c, workflow.NoticeMessage, channel)
		require.Error(t, t.store.Commit(t.ctx, c), string(channel))
	}
}

func outboxLists(t *test) {
	var want []string
	for n := range 5 {
		h := NewHistory(shop, Number(n))
		h.Now = Begin.Add(time.Duration(5-n) * time.Hour)
		c := h.Book("Mira Osei", "film scanner", "Hums.")
		c.Notices[0].Body = []byte("body")
		c.Notices[0].Ref, c.Notices[0].Quote = 3, 2
		t.commit(h, c)
		want = append([]string{c.Notices[0].ID}, want...)
		entries, err := t.store.Entries(t.ctx, shop, h.Job)
		require.NoError(t, err)
		e := c.Notices[0]
		e.Body = nil
		require.Equal(t, []workflow.Entry{e}, entries)
	}
	for _, limit := range []int{-1, 0, 2, 5, 6} {
		got, err := t.store.EntriesIn(t.ctx, shop, workflow.EntryQueued, limit)
		require.NoError(t, err)
		require.Equal(t, want[:min(max(limit, 0), 5)], append([]string{}, ids(got)...))
	}
	now := Begin.AddDate(0, 0, 1)
	for i, e := range claim(t, now, now.Add(time.Minute), 3, "a") {
		sent(t, e)
		got, err := t.store.EntriesIn(t.ctx, shop, workflow.EntrySent, 10)
		require.NoError(t, err)
		require.Equal(t, want[:i+1], ids(got))
	}
	got, err := t.store.EntriesIn(t.ctx, shop, workflow.EntryBuried, 10)
	require.NoError(t, err)
	require.Empty(t, got)
	entries, err := t.store.Entries(t.ctx, shop, Number(99))
	require.NoError(t, err)
	require.Empty(t, entries)
}

// outboxFailing: what fails is found behind any number of others that wait.
func outboxFailing(t *test) {
	const effect = workflow.Channel("effect")
	failing := func() string {
		e, err := t.store.Failing(t.ctx, shop, effect)
		require.NoError(t, err)
		if e == nil {
			return ""
		}
		require.NotEmpty(t, e.Attempts)
		require.Nil(t, e.Body)
		return e.ID
	}
	var made []string
	now := Begin.AddDate(0, 0, 1)
	for n := range 12 { // the youngest is booked first
		h := NewHistory(shop, Number(n))
		h.Now = now.Add(-time.Duration(n+1) * time.Minute)
		t.commit(h, h.Book("Mira Osei", "film scanner", "Hums."))
		c := h.Write("erase")
		made = append(made, TellBy(c, workflow.NoticeMessage, effect).ID)
		t.commit(h, c)
	}
	require.Empty(t, failing(), "nothing was tried")
	later := now.Add(time.Hour)
	for _, e := range claimBy(t, effect, now, now.Add(time.Minute), 20, "a") {
		if e.ID != made[2] && e.ID != made[5] {
			continue
		}
		require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: "a", State: workflow.EntryQueued, RetryAt: later, Attempt: workflow.Attempt{At: now, Result: "put off"}}))
	}
	require.Equal(t, made[5], failing(), "the older of the two, though others wait that are older still")
	for _, e := range claimBy(t, effect, later, later.Add(time.Minute), 20, "b") {
		if e.ID == made[5] {
			require.Equal(t, made[5], failing(), "while it is tried again, too")
			require.NoError(t, t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: "b", State: workflow.EntrySent, Attempt: workflow.Attempt{At: later, Result: "accepted"}}))
		}
	}
	require.Equal(t, made[2], failing())
	mail, err := t.store.Failing(t.ctx, shop, workflow.Email)
	require.NoError(t, err)
	require.Nil(t, mail, "another channel's is not named")
}

func outboxShared(t *test) {
	const jobs, letters, dispatchers = 12, 4, 6
	for n := range jobs {
		h := t.booked(n)
		for i := range letters - 1 {
			t.commit(h, h.Write(fmt.Sprint("letter ", i)))
		}
	}
	now := Begin.Add(time.Hour)
	var mu sync.Mutex
	handed := map[workflow.JobNumber][]string{}
	count := 0
	var all sync.WaitGroup
	for d := range dispatchers {
		all.Go(func() {
			for i := 0; ; i++ {
				lease := fmt.Sprintf("%d-%d", d, i)
				got, err := t.store.ClaimEntries(t.ctx, shop, workflow.Claim{Now: now, Until: now.Add(time.Hour), Limit: 3, Lease: lease})
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				for _, e := range got {
					handed[e.Job] = append(handed[e.Job], e.ID)
					count++
				}
				done := count >= jobs*letters
				mu.Unlock()
				for _, e := range got {
					if err := t.store.SettleEntry(t.ctx, shop, workflow.Settlement{Entry: e.ID, Lease: lease, State: workflow.EntrySent}); err != nil {
						t.Error(err)
						return
					}
				}
				if done {
					return
				}
			}
		})
	}
	all.Wait()
	for n := range jobs {
		entries, err := t.store.Entries(t.ctx, shop, Number(n))
		require.NoError(t, err)
		require.Equal(t, ids(entries), handed[Number(n)], "each once, in order")
	}
}
