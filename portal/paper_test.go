package portal

import (
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// A paper is written once for each state of its job, however often it is asked for; writing has a budget; and a
// commit, as that which erases a person is one, leaves nothing of it.
func TestPapersAreKept(t *testing.T) {
	base := newDesk(t)
	d := base.with(func(c *Config) { c.Ask, c.AskFor = 2, 10*time.Minute }) // six papers
	d.toAwaiting()
	report := "/j/" + d.token(link.Own) + "/report/1.pdf"
	quote := "/d/" + d.token(link.Decide) + "/quote.pdf"
	first := d.get(report)
	require.Equal(t, 200, first.StatusCode)
	require.Equal(t, "application/pdf", first.Header.Get("Content-Type"))
	for range 20 {
		g := d.get(report)
		require.Equal(t, 200, g.StatusCode)
		require.Equal(t, first.body, g.body)
		require.Equal(t, 200, d.get(quote).StatusCode)
	}
	d.do(staff, workflow.SendMessage{Text: "A word more."})
	require.Empty(t, d.s.common.papers.kept, "the job has changed")
	status := []int{}
	for range 5 {
		status = append(status, d.get(report).StatusCode)
		d.do(staff, workflow.SendMessage{Text: "Another word."})
	}
	require.Equal(t, []int{200, 200, 200, 200, 429}, status)
	base.now = base.now.Add(11 * time.Minute)
	require.Equal(t, 200, d.get(report).StatusCode)
	require.Len(t, d.s.common.papers.kept, 1)
	d.s.Changed(d.n, d.job().Version+1) // another process
	require.Empty(t, d.s.common.papers.kept)
}

// The paper of whoever only looks does not name the customer, though the customer's own was written before.
func TestASharedPaperNamesNoCustomer(t *testing.T) {
	d := newDesk(t)
	d.toAwaiting()
	paper := func(purpose link.Purpose) string {
		g := d.get("/j/" + d.token(purpose) + "/report/1.pdf")
		require.Equal(t, 200, g.StatusCode)
		return g.body
	}
	d.do(workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}, workflow.ShareLink{})
	own, shared := paper(link.Own), paper(link.Share)
	require.NotEqual(t, own, shared)
	require.Equal(t, own, paper(link.Own))
	d.do(staff, workflow.SendMessage{Text: "A word more."})
	require.Equal(t, shared, paper(link.Share), "whoever asks first")
	require.Equal(t, own, paper(link.Own))
	require.Empty(t, d.job().Seen(link.Share).Customer.Name.Text)
}
