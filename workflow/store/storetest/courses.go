package storetest

import (
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// courses come back as they were committed, the latest booked first, and outlast an erasure.
func courses(t *test) {
	none, err := t.store.Courses(t.ctx, shop, nil, 10)
	require.NoError(t, err)
	require.Empty(t, none)

	var all []*History
	for n := range 7 {
		h := NewHistory(shop, Number(n))
		h.Now = Begin.Add(time.Duration(n/2) * time.Millisecond) // two at a time in one millisecond
		t.commit(h, h.Book("Mira Osei", "film scanner", "Hums."))
		all = append(all, h)
	}
	t.bookedIn(other, 8)

	h := all[3]
	t.commit(h, h.Move(workflow.StageReceived))
	c := h.Promise(10)
	t.commit(h, c)
	want := *c.Course
	require.Len(t, want.Visits, 2)
	require.Len(t, want.Promises, 1)
	require.Len(t, want.Pauses, 1)
	for _, c := range []func() *workflow.Commit{func() *workflow.Commit { return h.Write("It has come.") }, h.Still, h.Erase} {
		c := c()
		c.Course = nil // as the service does where nothing of it has changed
		t.commit(h, c)
	}

	got, err := t.store.Courses(t.ctx, shop, nil, 10)
	require.NoError(t, err)
	require.Len(t, got, len(all))
	for i := 1; i < len(got); i++ {
		a, b := got[i-1], got[i]
		require.True(t, a.BookedAt.After(b.BookedAt) || a.BookedAt.Equal(b.BookedAt) && a.Job > b.Job)
	}
	for _, c := range got {
		if c.Job == h.Job {
			require.Equal(t, want, c)
		}
	}

	var paged []workflow.Course
	var after *workflow.Course
	for {
		page, err := t.store.Courses(t.ctx, shop, after, 3)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		paged = append(paged, page...)
		after = &workflow.Course{BookedAt: page[len(page)-1].BookedAt, Job: page[len(page)-1].Job}
	}
	require.Equal(t, got, paged)
	none, err = t.store.Courses(t.ctx, shop, nil, 0)
	require.NoError(t, err)
	require.Empty(t, none)

	got[0].Visits[0].Stage = "spoilt"
	again, err := t.store.Courses(t.ctx, shop, nil, 1)
	require.NoError(t, err)
	require.Equal(t, workflow.StageBooked, again[0].Visits[0].Stage, "what is returned is the caller's")

	late := NewHistory(shop, Number(9))
	c = late.Book("Jo Brandt", "marine radio", "Silent.")
	c.Course.Job = all[0].Job
	require.Error(t, t.store.Commit(t.ctx, c), "the course of another job")
}
