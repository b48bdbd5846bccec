package demophotos

import (
	"bytes"
	"flag"
	"image/jpeg"
	"os"
	"regexp"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "make the smaller copies anew")

// Every file is listed, every listed file is there, small enough to ship and
// free of metadata, and its scene has what is said to be in it.
func TestPhotos(t *testing.T) {
	entries, err := files.ReadDir(".")
	require.NoError(t, err)
	require.Len(t, All, len(entries)-2) // and the folders of the smaller copies

	seen := map[string]bool{}
	total := 0
	share := longtest.Share(t, 4)
	for i, p := range All {
		require.False(t, seen[p.File], p.File)
		seen[p.File] = true
		scene := sceneOf(t, p)
		for _, printed := range []string{p.Maker, p.Model, p.Part} {
			require.Contains(t, strings.ToUpper(scene), strings.ToUpper(printed), "%s is not printed in %s", printed, p.Scene)
		}
		if p.Things != nil {
			require.Contains(t, scene, "// shows: "+strings.Join(p.Things, ", ")+"\n", p.Scene)
		}

		b, err := p.JPEG()
		require.NoError(t, err)
		total += len(b)
		require.False(t, bytes.Contains(b, []byte("Exif\x00")), p.File)
		c, err := jpeg.DecodeConfig(bytes.NewReader(b))
		require.NoError(t, err, p.File)
		require.Equal(t, [2]int{1600, 1200}, [2]int{c.Width, c.Height}, p.File)

		var copies map[string][]byte
		if *update || share(i) {
			copies = smallerCopies(t, b)
		}
		for folder, drawn := range copies {
			if *update {
				require.NoError(t, os.WriteFile(folder+p.File, drawn, 0o644))
				continue
			}
			have, err := read(folder + p.File)
			require.NoError(t, err)
			require.True(t, bytes.Equal(drawn, have), "%s%s: the desk makes another copy now; run this test with -update", folder, p.File)
		}
	}
	require.Less(t, total, 6<<20)
}

// sceneOf returns what a picture is rendered from, with the devices in it.
func sceneOf(t *testing.T, p Photo) string {
	scene, err := os.ReadFile("../../../testdata/scenes/" + p.Scene)
	require.NoError(t, err)
	devices, err := os.ReadFile("../../../testdata/scenes/devices.inc")
	require.NoError(t, err)
	text := string(scene)
	for _, m := range regexp.MustCompile(`(?s)#macro (\w+)\(.*?\n#end`).FindAllStringSubmatch(string(devices), -1) {
		if strings.Contains(text, m[1]+"(") {
			text += m[0]
		}
	}
	return text
}

// smallerCopies returns the copies that the desk makes of a picture, by folder.
func smallerCopies(t *testing.T, jpeg []byte) map[string][]byte {
	blobs, at := &evidence.Memory{}, evidence.Folder{Shop: "harbour", Job: "K7M2QX8", Area: evidence.Shown}
	photo, err := evidence.NewDesk(blobs).Take(t.Context(), at.Shop, at.Job, bytes.NewReader(jpeg))
	require.NoError(t, err)
	require.Equal(t, [2]int{480, 360}, [2]int{photo.Small.Width, photo.Small.Height})
	out := map[string][]byte{}
	for folder, c := range map[string]workflow.Copy{"medium/": photo.Medium, "small/": photo.Small} {
		out[folder], err = evidence.ReadBlob(t.Context(), blobs, at, evidence.Digest(c.Digest))
		require.NoError(t, err)
	}
	return out
}

func TestUnknownPhoto(t *testing.T) {
	_, ok := Find("nothing.jpg")
	require.False(t, ok)
	_, err := Photo{File: "nothing.jpg"}.JPEG()
	require.Error(t, err)
}
