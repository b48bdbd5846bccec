package portal

import (
	"net/http"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/mmcdole/gofeed/atom"
	"github.com/stretchr/testify/require"
)

// TestFeed reads the feed with an independent implementation (gofeed): ids are there, unique, and stay when the job goes on
// and when the customer gets another link; what is new stands first; nothing of it can be guessed.
func TestFeed(t *testing.T) {
	d := newDesk(t)
	decide := strings.TrimPrefix(d.toAwaiting(), "/d/")
	read := func(token string) (*atom.Feed, string) {
		g := d.get("/j/" + token + "/feed")
		require.Equal(t, http.StatusOK, g.StatusCode, g.body)
		require.Equal(t, "application/atom+xml; charset=utf-8", g.Header.Get("Content-Type"))
		require.Equal(t, "private, no-cache", g.Header.Get("Cache-Control"))
		f, err := (&atom.Parser{}).Parse(strings.NewReader(g.body))
		require.NoError(t, err)
		return f, g.Header.Get("ETag")
	}
	token := d.token(link.Own)
	before, tag := read(token)
	require.Equal(t, http.StatusNotModified, d.get("/j/"+token+"/feed", "If-None-Match", tag).StatusCode)
	require.Equal(t, "en", before.Language)
	require.Equal(t, "Harbour Bench", before.Authors[0].Name)
	require.Contains(t, before.Subtitle, ". Do you need anything from me? Yes: your answer to the quote. Please answer by ")
	seen := map[string]bool{}
	for _, e := range before.Entries {
		require.True(t, strings.HasPrefix(e.ID, "tag:desk.example,2026:harbour/"+string(d.n)+"/"), e.ID)
		require.False(t, seen[e.ID], e.ID)
		require.NotEmpty(t, e.Title)
		require.NotNil(t, e.UpdatedParsed)
		require.NotContains(t, e.ID, token)
		seen[e.ID] = true
	}
	require.NotEmpty(t, seen)
	for i := 1; i < len(before.Entries); i++ {
		require.False(t, before.Entries[i-1].UpdatedParsed.Before(*before.Entries[i].UpdatedParsed), "the newest first")
	}

	d.do(bench, workflow.NoteFinding{Finding: workflow.Finding{Text: "A <wire> & a café's \"lamp\".", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	after, newer := read(decide)
	require.NotEqual(t, tag, newer)
	require.Greater(t, len(after.Entries), len(before.Entries))
	require.Contains(t, after.Entries[0].Title, `A <wire> & a café's "lamp"`)
	require.Equal(t, before.ID, after.ID, "another link is the same feed")
	require.True(t, after.UpdatedParsed.After(*before.UpdatedParsed))
	for i, e := range before.Entries {
		again := after.Entries[len(after.Entries)-len(before.Entries)+i]
		require.Equal(t, []string{e.ID, e.Title, e.Updated}, []string{again.ID, again.Title, again.Updated}, "what was told is not told again")
	}

	require.Equal(t, http.StatusNotFound, d.get("/j/"+strings.Repeat("a", 32)+"/feed").StatusCode)
}
