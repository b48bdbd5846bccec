package demophotos

import (
	"bytes"
	"flag"
	"image/jpeg"
	"os"
	"testing"

	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "make the small copies anew")

// Every file is listed, every listed file is there, small enough to ship and
// free of metadata, and everything a page needs to say about it is said.
func TestPhotos(t *testing.T) {
	entries, err := files.ReadDir(".")
	require.NoError(t, err)
	require.Len(t, All, len(entries)-1) // and the folder of the small copies

	seen := map[string]bool{}
	total := 0
	for _, p := range All {
		require.False(t, seen[p.File], p.File)
		seen[p.File] = true
		require.NotEmpty(t, p.Kind, p.File)
		require.NotEmpty(t, p.Caption, p.File)
		require.Greater(t, len(p.Alt), 40, p.File)

		b, err := p.JPEG()
		require.NoError(t, err)
		total += len(b)
		require.False(t, bytes.Contains(b, []byte("Exif\x00")), p.File)
		c, err := jpeg.DecodeConfig(bytes.NewReader(b))
		require.NoError(t, err, p.File)
		require.Equal(t, [2]int{1600, 1200}, [2]int{c.Width, c.Height}, p.File)

		drawn := smallCopy(t, b)
		if *update {
			require.NoError(t, os.WriteFile("small/"+p.File, drawn, 0o644))
		} else {
			small, err := p.Small()
			require.NoError(t, err)
			require.True(t, bytes.Equal(drawn, small), "%s: the desk makes another small copy now; run this test with -update", p.File)
		}

		if p.Before != "" {
			before, ok := Find(p.Before)
			require.True(t, ok, p.File)
			require.NotEqual(t, p.Kind, before.Kind, p.File)
		}
	}
	require.Less(t, total, 6<<20)
}

// smallCopy returns the small copy that the desk makes of a picture.
func smallCopy(t *testing.T, jpeg []byte) []byte {
	blobs, at := &evidence.Memory{}, evidence.Folder{Shop: "harbour", Job: "K7M2QX8", Area: evidence.Shown}
	photo, err := evidence.NewDesk(blobs).Take(t.Context(), at.Shop, at.Job, bytes.NewReader(jpeg))
	require.NoError(t, err)
	require.Equal(t, [2]int{480, 360}, [2]int{photo.Small.Width, photo.Small.Height})
	small, err := evidence.ReadBlob(t.Context(), blobs, at, evidence.Digest(photo.Small.Digest))
	require.NoError(t, err)
	return small
}

func TestUnknownPhoto(t *testing.T) {
	_, ok := Find("nothing.jpg")
	require.False(t, ok)
	_, err := Photo{File: "nothing.jpg"}.JPEG()
	require.Error(t, err)
}
