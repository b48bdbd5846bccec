package counter

import (
	"io"
	"log/slog"
	"testing"
	"time"

	"benchword/portal"

	"github.com/stretchr/testify/require"
)

// The owner reads who came in and who was refused what; the others are refused, and stand in it.
// The owner reads it, however little goes to the log itself.
func TestWhoCameIn(t *testing.T) {
	quiet := func(c *portal.Config) {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelError}))
	}
	for _, d := range []*desk{newDesk(t), newDeskAt(t, "http://desk.example", quiet)} {
		whoCameIn(t, d)
	}
}

func whoCameIn(t *testing.T, d *desk) {
	for _, login := range []string{"rosa", "nils"} {
		require.Equal(t, 403, d.as(login).get("/counter/log").StatusCode, login)
		require.NotContains(t, d.as(login).page("/counter").body, `href="/counter/log"`)
	}
	olga := d.as("olga")
	require.Eventually(t, func() bool {
		lines, err := d.s.Watched(t.Context())
		return err == nil && len(lines) >= 7
	}, 30*time.Second, 5*time.Millisecond)
	page := olga.page("/counter/log").body
	require.Contains(t, page, "Signed in")
	require.Contains(t, page, "Refused")
	require.Contains(t, page, "route /counter/log, by nils")
	require.Contains(t, page, "route /counter/log, by rosa")
}
