package portal

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// RFC 8058: the mail program posts "List-Unsubscribe=One-Click", urlencoded or as multipart/form-data,
// with no cookies; the answer is no redirect; a GET changes nothing.
func TestChoosingNotices(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/notices"
	before := d.version()
	page := d.get(at)
	require.Equal(t, 200, page.StatusCode)
	require.Contains(t, page.body, `value="every_step" id="choice-every_step" checked`)
	require.Equal(t, 200, d.get(at+"?List-Unsubscribe=One-Click&choice=what_needs_me").StatusCode)
	require.Equal(t, before, d.version(), "a GET changes nothing")
	require.Equal(t, 422, d.post(at, "choice", "silence").StatusCode)
	require.Equal(t, 422, d.post(at).StatusCode)

	click := d.post(at, "List-Unsubscribe", "One-Click")
	require.Equal(t, 200, click.StatusCode)
	require.Contains(t, click.body, "only when something needs you")
	require.Empty(t, click.Header.Get("Location"))
	require.Empty(t, click.Header.Get("Set-Cookie"))
	require.Equal(t, workflow.TellWhatNeedsMe, d.job().Choice())
	once := d.version()
	require.Equal(t, 200, d.post(at, "List-Unsubscribe", "One-Click").StatusCode)
	require.Equal(t, once, d.version(), "pressed twice is chosen once")

	back := d.post(at, "choice", "every_step")
	require.Equal(t, 303, back.StatusCode)
	require.Equal(t, workflow.TellEveryStep, d.job().Choice())

	var form bytes.Buffer
	w := multipart.NewWriter(&form)
	require.NoError(t, w.WriteField("List-Unsubscribe", "One-Click"))
	require.NoError(t, w.Close())
	r := httptest.NewRequest(http.MethodPost, at, &form)
	r.Header.Set("Content-Type", w.FormDataContentType())
	require.Equal(t, 200, d.send(r).StatusCode)
	require.Equal(t, workflow.TellWhatNeedsMe, d.job().Choice())

	require.Equal(t, 404, d.post("/j/"+strings.Repeat("a", 32)+"/notices", "List-Unsubscribe", "One-Click").StatusCode)
}
