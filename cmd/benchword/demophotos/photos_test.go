package demophotos

import (
	"bytes"
	"image/jpeg"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every file is listed, every listed file is there, small enough to ship and
// free of metadata, and everything a page needs to say about it is said.
func TestPhotos(t *testing.T) {
	entries, err := files.ReadDir(".")
	require.NoError(t, err)
	require.Len(t, All, len(entries))

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

		if p.Before != "" {
			before, ok := Find(p.Before)
			require.True(t, ok, p.File)
			require.NotEqual(t, p.Kind, before.Kind, p.File)
		}
	}
	require.Less(t, total, 6<<20)
}

func TestUnknownPhoto(t *testing.T) {
	_, ok := Find("nothing.jpg")
	require.False(t, ok)
	_, err := Photo{File: "nothing.jpg"}.JPEG()
	require.Error(t, err)
}
