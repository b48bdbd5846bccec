package evidence_test

import (
	"bytes"
	"context"
	"flag"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "make the HEIC samples in testdata again (needs heif-enc and exiftool)")

func job(t testing.TB) workflow.JobNumber {
	t.Helper()
	n, err := workflow.NewJobNumber(rand.NewChaCha8([32]byte{42}))
	require.NoError(t, err)
	return n
}

// corners are the colours of a drawn picture's four quarters, so that it can be told how it was turned:
// red, green / blue, white.
var corners = [2][2]color.RGBA{{{210, 40, 40, 255}, {40, 180, 60, 255}}, {{40, 60, 210, 255}, {230, 230, 230, 255}}}

// drawn returns a picture of four quarters with something in each.
func drawn(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := corners[2*y/h][2*x/w]
			if dx, dy := x%(w/2+1)-w/4, y%(h/2+1)-h/4; dx*dx+dy*dy < min(w, h)*min(w, h)/100 {
				c = color.RGBA{20, 20, 20, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// upright asserts that a decoded copy shows the quarters where they belong.
func upright(t testing.TB, m image.Image, slack int) {
	t.Helper()
	b := m.Bounds()
	for y := range 2 {
		for x := range 2 {
			r, g, bl, _ := m.At(b.Min.X+(b.Dx()-1)*(x*18+1)/20, b.Min.Y+(b.Dy()-1)*(y*18+1)/20).RGBA()
			want := corners[y][x]
			require.InDelta(t, want.R, r>>8, float64(slack), "red at quarter %d,%d", x, y)
			require.InDelta(t, want.G, g>>8, float64(slack), "green at quarter %d,%d", x, y)
			require.InDelta(t, want.B, bl>>8, float64(slack), "blue at quarter %d,%d", x, y)
		}
	}
}

func asJPEG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, &jpeg.Options{Quality: 92}))
	return b.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

func decoded(t testing.TB, b []byte) image.Image {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(b))
	require.NoError(t, err)
	return m
}

// accepted takes a picture in on a desk of its own and gives both copies.
func accepted(t testing.TB, file []byte) (p evidence.Picture, large, small []byte) {
	t.Helper()
	m := &evidence.Memory{}
	d := evidence.NewDesk(m)
	p, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(file))
	require.NoError(t, err)
	return p, shown(t, d, p.Large.Digest), shown(t, d, p.Small.Digest)
}

func shown(t testing.TB, d *evidence.Desk, digest string) []byte {
	t.Helper()
	r, n, err := d.Open(context.Background(), shop, job(t), digest)
	require.NoError(t, err)
	defer r.Close()
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	require.EqualValues(t, n, len(b))
	return b
}

// refusedWith takes a picture in that must not pass, and returns the sentence.
func refusedWith(t testing.TB, file []byte) string {
	t.Helper()
	m := &evidence.Memory{}
	_, err := evidence.NewDesk(m).Accept(context.Background(), shop, job(t), bytes.NewReader(file))
	require.ErrorIs(t, err, workflow.ErrInvalid)
	require.True(t, m.Empty(), "something of a refused picture was kept")
	s := workflow.MessageOf(err)
	require.Regexp(t, `^[A-Z].*\.$`, s)
	return s
}

func gorootAll(t testing.TB, pattern string) map[string][]byte {
	t.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	return glob(t, filepath.Join(strings.TrimSpace(string(out)), "src", "image", pattern))
}

// ximage returns files of golang.org/x/image's testdata.
func ximage(t testing.TB, pattern string) map[string][]byte {
	t.Helper()
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "golang.org/x/image").Output()
	require.NoError(t, err)
	return glob(t, filepath.Join(strings.TrimSpace(string(out)), "testdata", pattern))
}

func glob(t testing.TB, pattern string) map[string][]byte {
	t.Helper()
	names, err := filepath.Glob(pattern)
	require.NoError(t, err)
	require.NotEmpty(t, names, pattern)
	out := map[string][]byte{}
	for _, n := range names {
		b, err := os.ReadFile(n)
		require.NoError(t, err)
		out[filepath.Base(n)] = b
	}
	return out
}

func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	return b
}

// independent returns a tool that the tests check against. Where CI=true it must be there.
func independent(t testing.TB, name string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed, and CI must have it", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return p
}

// HEIC can't be written here, so the samples are committed. They are drawn above and made by heif-enc
// (Debian libheif-examples): one plain, one of odd size, whose edge is cut off by
// its container, and one with colours in full resolution.
func TestHEICSamples(t *testing.T) {
	if *update {
		dir := t.TempDir()
		for name, args := range map[string][]string{"whole.heic": {"-q", "60"}, "odd.heic": {"-q", "60"}, "full.heic": {"-q", "60", "-p", "chroma=444"}} {
			w, h := 160, 120
			if name == "odd.heic" {
				w, h = 97, 71
			}
			src := filepath.Join(dir, name+".jpg")
			require.NoError(t, os.WriteFile(src, asJPEG(t, drawn(w, h)), 0o600))
			run(t, "exiftool", "-q", "-overwrite_original", "-DateTimeOriginal=2026:11:02 10:15:00", "-OffsetTimeOriginal=-04:00",
				"-GPSLatitude=44.6", "-GPSLatitudeRef=N", "-GPSLongitude=63.5", "-GPSLongitudeRef=W", src)
			run(t, "heif-enc", append(args, src, "-o", filepath.Join("testdata", name))...)
		}
	}
	for name, want := range map[string][2]int{"whole.heic": {160, 120}, "odd.heic": {97, 71}, "full.heic": {160, 120}} {
		t.Run(name, func(t *testing.T) {
			p, large, small := accepted(t, sample(t, name))
			require.Equal(t, evidence.HEIC, p.Format)
			require.Equal(t, "2026-11-02T10:15:00-04:00", p.Taken)
			require.Equal(t, want, [2]int{p.Large.Width, p.Large.Height})
			upright(t, decoded(t, large), 14)
			upright(t, decoded(t, small), 14)
		})
	}
}

func run(t testing.TB, name string, args ...string) []byte {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, string(out))
	return out
}
