package counter

import (
	"context"
	"testing"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// What goes by another channel than email is seen on the job and in the outbox, sent again by the desk, and asks nobody
// to telephone.
func TestOtherChannelsAtTheCounter(t *testing.T) {
	d := newDesk(t)
	ctx := context.Background()
	svc := d.svc
	svc.Shop.Hooks = []workflow.Hook{{Name: "till", Events: []workflow.EventKind{"job.booked"}}, {Name: "books", Events: []workflow.EventKind{"message.sent", "job.booked"}}}
	d.booked()
	now := svc.Now()
	claimed, err := svc.Claim(ctx, workflow.Claim{Channel: "hook:till", Now: now, Until: now.Add(time.Minute), Limit: 1, Lease: "a"})
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	require.NoError(t, svc.Settle(ctx, workflow.Settlement{Entry: claimed[0].ID, Lease: "a", State: workflow.EntryBuried, Attempt: workflow.Attempt{At: now, Result: "given up", Words: "404 Not Found <x>"}}))

	rosa, nils := d.as("rosa"), d.as("nils")
	page := rosa.page(d.url("")).body
	require.Contains(t, page, "job.booked</strong> to your system “till”")
	require.Contains(t, page, "404 Not Found &lt;x&gt;")
	require.NotContains(t, page, "An email did not arrive")
	require.Empty(t, d.job().Undelivered())
	buried := rosa.page("/counter/mails?state=buried")
	require.Contains(t, buried.body, "did not take it")
	require.Contains(t, buried.body, "Send it again")
	require.NotContains(t, nils.page("/counter/mails?state=buried").body, "Send it again")
	require.Equal(t, 303, buried.form("/counter/mails/again").send().StatusCode)
	entries, err := svc.EntriesIn(ctx, workflow.EntryBuried, 10)
	require.NoError(t, err)
	require.Empty(t, entries)

	// A mail is not put back behind its job's history.
	mail := d.job().Notices[0].ID
	require.Equal(t, 404, buried.form("/counter/mails/again").set("id", mail).send().StatusCode)

	require.Contains(t, rosa.page("/counter/mails").body, "is told of steps")
	require.NoError(t, svc.SwitchHookOff(ctx, "till", "410 Gone"))
	off := rosa.page("/counter/mails")
	require.Contains(t, off.body, "since it answered “410 Gone”. 1 message waits until it is switched on again")
	require.NotContains(t, off.body, "to your system “till”", "what waits for it is counted, and hides nothing")
	require.Contains(t, off.body, "Other ways than email", "what goes to the other one is listed")
	require.Equal(t, 404, off.form("/counter/mails/hook").set("name", "nobody").send().StatusCode)
	require.Equal(t, 303, off.form("/counter/mails/hook").send().StatusCode)
	require.Contains(t, rosa.page("/counter/mails").body, "“till” is told again")
	state, err := svc.HookOff(ctx, "till")
	require.NoError(t, err)
	require.Nil(t, state)
}
