package portal

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

func (d *desk) yes(at string) []string {
	return []string{"verdict", "approve", "digest", d.job().Quote().Digest, "option", "A", "name", "Mira Osei", "sum", d.sum("A"), "confirm", "yes"}
}

func TestTakingAnAnswerBack(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.UndoFor = 30 * time.Minute
	at := d.toAwaiting()
	answer := d.yes(at)
	require.Contains(t, d.post(at+"/review", answer...).body, "You can take this answer back until we begin")
	require.Equal(t, 303, d.post(at, append(answer, "round", "0")...).StatusCode)
	receipt := d.get(at + "/done")
	require.Contains(t, receipt.body, "You can take this answer back until we begin")
	require.Contains(t, d.get(at).body, at+"/done")

	// The evidence: what stood above the button, and where it went and came from.
	r := d.job().ExportedDecisions()[0]
	for _, want := range []string{"Repair it", "CA$115.00", "Mira Osei", workflow.ConsentWords, r.Digest} {
		require.Contains(t, r.Shown, want)
	}
	require.Equal(t, "mira@post.example", r.SentTo)
	require.Equal(t, "0.0.0.0", r.Address)

	before := d.version()
	digest := r.Digest
	for _, half := range [][]string{{}, {"digest", digest}, {"undo", "yes"}, {"digest", digest, "undo", "no"}, {"digest", "other", "undo", "yes"}} {
		require.GreaterOrEqual(t, d.post(at+"/undo", half...).StatusCode, 400)
		require.Equal(t, before, d.version())
	}
	look := "/d/" + d.token(link.Own)
	d.get(at + "/undo?undo=yes&round=0&digest=" + digest)
	require.Equal(t, before, d.version(), "what is only looked at changes nothing")
	require.Equal(t, 403, d.post(look+"/undo", "digest", digest, "round", "0", "undo", "yes").StatusCode, "a link that only looks")
	require.Equal(t, 303, d.post(at+"/undo", "digest", digest, "round", "0", "undo", "yes").StatusCode)
	require.Equal(t, workflow.StageAwaitingApproval, d.job().Stage)
	require.Equal(t, 303, d.post(at+"/undo", "digest", digest, "round", "0", "undo", "yes").StatusCode, "a double click")
	require.Len(t, d.job().Decisions, 1)

	replay := d.post(at, append(answer, "round", "0")...)
	require.Equal(t, 409, replay.StatusCode, "the form of the answer that was taken back")
	require.Contains(t, replay.body, "An earlier answer to this quote was taken back")
	require.Equal(t, 303, d.get(at+"/done").StatusCode, "there is no receipt any more")
	require.Equal(t, 303, d.post(at, append(answer, "round", "1")...).StatusCode)
	d.do(bench, workflow.DoWork{Text: "Renewed it"})
	late := d.post(at+"/undo", "digest", digest, "round", "1", "undo", "yes")
	require.Equal(t, 409, late.StatusCode)
	require.Contains(t, late.body, "We’ve begun")
	require.NotContains(t, d.get(at+"/done").body, "Take the answer back")
}

// A mail scanner elsewhere opens every link, and sends every form empty and as it stands, before and after
// the answer: it neither gives nor takes back one. What it leaves in the history would be its address.
func TestAScannerElsewhereDecidesAndUndoesNothing(t *testing.T) {
	base := newDesk(t)
	base.svc.Shop.UndoFor = 30 * time.Minute
	at := base.toAwaiting()
	d := base.with(func(c *Config) { c.TrustedProxies = []string{"0.0.0.0"} })
	send := func(method, path string, v url.Values) got {
		r := httptest.NewRequest(method, path, strings.NewReader(v.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("X-Forwarded-For", "203.0.113.66")
		r.Header.Set("User-Agent", "scanner")
		return d.send(r)
	}
	scan := func() (sent int) {
		before := base.version()
		for _, path := range []string{at, at + "/done", "/j/" + strings.TrimPrefix(at, "/d/")} {
			send(http.MethodHead, path, nil)
			page := send(http.MethodGet, path, nil)
			found, _ := forms(t, page.body)
			for _, f := range found {
				send(http.MethodPost, f.action, f.values)
				send(http.MethodPost, f.action, url.Values{})
				sent++
			}
			require.Equal(t, before, base.version(), path)
		}
		return sent
	}
	require.GreaterOrEqual(t, scan(), 3)
	require.Equal(t, 303, base.post(at, base.yes(at)...).StatusCode)
	require.GreaterOrEqual(t, scan(), 2, "with the form that takes the answer back")
	require.Equal(t, workflow.StageRepairing, base.job().Stage)
	for _, r := range base.job().ExportedDecisions() {
		require.NotEqual(t, "203.0.113.66", r.Address)
	}
}

func TestQuoteAsPapers(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.RepairForm = &workflow.RepairForm{}
	at := d.toAwaiting()
	page := d.get(at)
	for _, name := range []string{"quote", "repair-form"} {
		require.Contains(t, page.body, at+"/"+name+".pdf")
		g := d.get(at + "/" + name + ".pdf")
		require.Equal(t, 200, g.StatusCode)
		require.Equal(t, "application/pdf", g.Header.Get("Content-Type"))
		require.Equal(t, "no-store", g.Header.Get("Cache-Control"))
		require.True(t, strings.HasPrefix(g.body, "%PDF-"))
	}
	require.Equal(t, 404, d.get(at+"/written-estimate.pdf").StatusCode, "the shop does not give it")
	require.Equal(t, 403, d.get("/d/"+d.token(link.Own)+"/quote.pdf").StatusCode)
}
