package mail

import (
	"bytes"
	"testing"

	"benchword/notify/notifytest"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

// An email shows the medium copy, where there is one: the large one would be read, drawn and made smaller for
// nothing.
func TestEmailsTakeTheMiddleCopy(t *testing.T) {
	blobs, j := &evidence.Memory{}, &workflow.Job{Shop: "harbour", Number: "K7M2QX8"}
	digest, _, err := blobs.Put(t.Context(), evidence.Folder{Shop: j.Shop, Job: j.Number, Area: evidence.Shown}, bytes.NewReader(notifytest.Picture(960, 720, 3)))
	require.NoError(t, err)
	there := workflow.Copy{Digest: string(digest), Width: 960, Height: 720}
	for name, copies := range map[string]workflow.Copies{
		"three": {Large: workflow.Copy{Digest: "gone"}, Medium: there, Small: workflow.Copy{Digest: "gone"}},
		"two":   {Large: there, Small: workflow.Copy{Digest: "gone"}}, // from before there was a medium one
	} {
		made, err := new(Copies).get(t.Context(), blobs, j, &workflow.Photo{ID: 1, Copies: copies})
		require.NoError(t, err, name)
		require.LessOrEqual(t, len(made.jpeg), copyBytes, name)
		require.Equal(t, [2]int{960, 720}, [2]int{made.width, made.height}, name)
	}
}
