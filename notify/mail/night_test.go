package mail

import (
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// An email that was put off and comes due at night waits for the customer's morning; one that they asked for goes.
func TestNothingGoesAtNight(t *testing.T) {
	clock := notifytest.NewClock(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
	d := notifytest.NewDesk(t, clock.Now)
	d.Svc.Shop.Quiet = workflow.Quiet{From: 21 * 60, To: 8 * 60}
	n := d.Do("", workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, workflow.Book{
		Person: workflow.Person{Name: "Maud Ellery", Email: "maud@example.org"}, Kind: "film scanner", Fault: "stops",
	}).Number
	j, e := d.Job(n), d.Entries(n)[0]
	c := &Channel{}
	require.NoError(t, c.ready(d.Svc, j, &e))
	clock.Set(time.Date(2026, 11, 3, 4, 0, 0, 0, time.UTC)) // midnight in Halifax
	var later *notify.Later
	require.ErrorAs(t, c.ready(d.Svc, j, &e), &later)
	require.Equal(t, notify.Held, later.Fate)
	require.Equal(t, 8, later.Until.In(d.Svc.Shop.Calendar.Location()).Hour())

	d.Do(n, workflow.Actor{Role: workflow.RoleCustomer}, workflow.AskLink{})
	j = d.Job(n)
	asked := d.Entries(n)[len(d.Entries(n))-1]
	require.NoError(t, c.ready(d.Svc, j, &asked))
}
