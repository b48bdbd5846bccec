package portal

import (
	"strings"
	"testing"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// The example of RFC 8291, appendix A.
const (
	exampleBrowser = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	exampleAuth    = "BTBZMqHH6r4Tts7J_aSIgg"
)

func TestPushIsAskedFor(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	require.NotContains(t, d.get(at).body, `id="push"`, "a shop without a key offers nothing")
	good := []string{"want", "on", "endpoint", "https://push.example/a", "key", exampleBrowser, "auth", exampleAuth}
	require.Equal(t, 404, d.post(at+"/push", good...).StatusCode)

	d.s.cfg.PushKey = exampleBrowser
	d.s.Renewed()
	page := d.get(at).body
	require.Contains(t, page, `data-key="`+exampleBrowser+`"`)
	require.Contains(t, page, `aria-labelledby="s-push" hidden`, "where a browser can't, there is no button")
	worker := d.get("/push-worker.js")
	require.Equal(t, 200, worker.StatusCode)
	require.Equal(t, "text/javascript; charset=utf-8", worker.Header.Get("Content-Type"))
	require.Contains(t, worker.Header.Get("Content-Security-Policy"), "worker-src 'self'")
	require.NotContains(t, worker.Header.Get("Cache-Control"), "max-age")

	before := d.version()
	require.Equal(t, 405, d.get(at+"/push").StatusCode)
	bad := d.post(at+"/push", "want", "on", "endpoint", "https://169.254.169.254/latest", "key", exampleBrowser, "auth", exampleAuth)
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, "Another browser may work.")
	require.NotContains(t, bad.body, "<")
	require.Equal(t, 404, d.post("/j/"+strings.Repeat("a", 32)+"/push", good...).StatusCode)
	require.Equal(t, before, d.version())

	on := d.post(at+"/push", good...)
	require.Equal(t, 200, on.StatusCode)
	require.Equal(t, "text/plain; charset=utf-8", on.Header.Get("Content-Type"))
	require.Contains(t, on.body, "Notifications are on")
	require.Len(t, d.job().Subscriptions, 1)
	require.NotContains(t, d.get(at).body, "push.example", "nobody who has the link reads who is told")
	off := d.post(at+"/push", "want", "off", "endpoint", "https://push.example/a")
	require.Equal(t, 200, off.StatusCode)
	require.Nil(t, d.job().SubscriptionOf("push/1"))
}
