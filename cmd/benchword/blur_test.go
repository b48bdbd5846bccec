package main

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

// TestABlurredAreaIsGone: a blur drawn over a photo makes new copies, and the ones that showed what is
// now unreadable are no longer kept; taking it away brings the picture back from the private original.
func TestABlurredAreaIsGone(t *testing.T) {
	if testing.Short() {
		t.Skip("one thing after another: the race detector has nothing to see")
	}
	s, d := demoStage(t)
	n := d.toApprove.number
	before := *s.job(n).Photo(3)
	describe := func(marks string) workflow.Photo {
		body := `{"id":3,"kind":"evidence","caption":"A label","marks":` + marks + `}`
		req, err := http.NewRequest(http.MethodPost, s.base+"/api/v1/jobs/"+string(n)+"/photo-description", strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Authorization", "Bearer "+s.tokens["bench"])
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, http.StatusOK, resp.StatusCode)
		return *s.job(n).Photo(3)
	}
	kept := func(c workflow.Copy) bool {
		ok, err := s.srv.blobs.Has(context.Background(), evidence.Folder{Shop: "harbour", Job: n, Area: evidence.Shown}, evidence.Digest(c.Digest))
		require.NoError(t, err)
		return ok
	}
	gone := func(c workflow.Copy, otherwise string) {
		t.Helper()
		require.Eventually(t, func() bool { return !kept(c) }, 30*time.Second, 20*time.Millisecond, otherwise) // an effect of the commit
	}
	require.True(t, kept(before.Large))
	blurred := describe(`[{"kind":"blur","x":2000,"y":2000,"x2":8000,"y2":8000}]`)
	require.NotEqual(t, before.Large.Digest, blurred.Large.Digest)
	require.True(t, kept(blurred.Large))
	gone(before.Large, "the copy without the blur is still there")
	gone(before.Small, "the small copy without the blur is still there")
	again := describe(`[]`)
	original, _, err := s.srv.desk.OpenOriginal(context.Background(), "harbour", n, before.Original)
	require.NoError(t, err)
	defer original.Close()
	taken, err := evidence.NewDesk(&evidence.Memory{}).Take(context.Background(), "harbour", n, original)
	require.NoError(t, err)
	require.Equal(t, taken.Large, again.Large, "the same original gives the same copy")
	require.True(t, kept(again.Large))
	gone(blurred.Large, "the copy that nothing shows any more is still there")
}
