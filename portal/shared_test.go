package portal

import (
	"context"
	"fmt"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// gone is a store that can be taken away.
type gone struct {
	workflow.Store
	away bool
}

func (g *gone) fail() error {
	if g.away {
		return fmt.Errorf("job: %w: connection refused", workflow.ErrUnavailable)
	}
	return nil
}

func (g *gone) Version(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (int64, error) {
	if err := g.fail(); err != nil {
		return 0, err
	}
	return g.Store.Version(ctx, shop, n)
}

func (g *gone) Link(ctx context.Context, shop workflow.ShopID, hash link.Hash) (workflow.LinkRow, error) {
	if err := g.fail(); err != nil {
		return workflow.LinkRow{}, err
	}
	return g.Store.Link(ctx, shop, hash)
}

// A portal that shares its store shows what another process has written, although it was told nothing.
func TestSharedPortalsShowWhatOthersWrote(t *testing.T) {
	first := newDesk(t)
	first.toDiagnosing()
	second := first.with(func(c *Config) { c.Shared = true })
	at := "/j/" + first.token(link.Own)
	require.NotContains(t, second.get(at).body, "The lamp has come.")
	require.NotContains(t, second.get(at).body, "The lamp has come.") // the kept one
	first.svc.Committed = nil
	first.do(staff, workflow.SendMessage{Text: "The lamp has come."})
	require.Contains(t, second.get(at).body, "The lamp has come.")
}

// Without its store the portal says so, in the language of who asks, and works again when it is back.
func TestAwayStoreIsSaid(t *testing.T) {
	first := newDesk(t)
	g := &gone{Store: first.store}
	d := first.with(func(c *Config) { c.Shared, *c.Service = true, *c.Service.On(g) })
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	require.Equal(t, 200, d.get(at).StatusCode)
	g.away = true
	for range 50 { // more than the limit on links that open nothing
		page := d.get(at)
		require.Equal(t, 503, page.StatusCode)
		require.Contains(t, page.body, "Nothing is lost")
		require.Equal(t, "10", page.Header.Get("Retry-After"))
	}
	require.Equal(t, 200, d.get("/livez").StatusCode)
	g.away = false
	require.Equal(t, 200, d.get(at).StatusCode)
}

// Who tries too often is told so by every process.
func TestSharedPortalsCountTriesTogether(t *testing.T) {
	first := newDesk(t)
	a := first.with(func(c *Config) { c.Shared, c.Ask = true, 6 })
	b := first.with(func(c *Config) { c.Shared, c.Ask = true, 6 })
	status := map[int]int{}
	for i := range 10 {
		d := a
		if i%2 == 1 {
			d = b
		}
		status[d.get("/j/"+fmt.Sprintf("%032d", 0)+"/").StatusCode]++
	}
	require.Equal(t, map[int]int{404: 6, 429: 4}, status)
}
