package portal

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
	"github.com/stretchr/testify/require"
)

// kept returns the lines kept for the owner, as texts.
func (d *desk) kept() (out []string) {
	d.t.Helper()
	d.s.work.Wait()
	lines, err := d.s.Watched(d.t.Context())
	require.NoError(d.t, err)
	for _, l := range lines {
		out = append(out, fmt.Sprint(l.What, " ", l.Facts))
	}
	return out
}

// Who is refused leaves a line, of GETs too, and the owner has it; the same again within a minute does not.
func TestRefusalsLeaveALine(t *testing.T) {
	d := newDesk(t)
	d.s.App().Get("/api/only", d.s.Need(workflow.RoleOwner), func(*fiber.Ctx) error { return nil })
	d.toDiagnosing()
	require.Empty(t, d.kept())
	for range 3 {
		require.Equal(t, 401, d.get("/api/only", "Authorization", "Bearer wrong").StatusCode)
	}
	lines := d.kept()
	require.Len(t, lines, 1, "%s", lines)
	require.Contains(t, lines[0], "[route /api/only]")
	require.Contains(t, lines[0], "[status 401]")
	require.NotContains(t, lines[0], "wrong")
	d.now = d.now.Add(time.Minute)
	d.get("/api/only", "Authorization", "Bearer wrong")
	require.Len(t, d.kept(), 2)
	require.Equal(t, 2, strings.Count(d.log.String(), "msg=refused"))

	// A flood keeps the newest, and grows nothing.
	for i := range 2 * watchKept {
		d.now = d.now.Add(time.Second)
		d.s.Log().Warn("sign-in refused", "login", fmt.Sprint("n", i), "from", "203.0.113.7")
		d.s.work.Wait()
	}
	lines = d.kept()
	require.Len(t, lines, watchKept)
	require.Contains(t, lines[0], "n999")
	d.now = d.now.Add(watchFor)
	require.Empty(t, d.kept(), "and nothing for ever")
}
