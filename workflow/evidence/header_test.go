package evidence_test

import (
	"bytes"
	"compress/bzip2"
	"compress/zlib"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"io"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// The nine ways to turn a picture: real files, one picture (see testdata/orientation).
func TestOrientations(t *testing.T) {
	read := func(o int) []byte {
		b, err := os.ReadFile(fmt.Sprintf("testdata/orientation/orientation_%d.jpg", o))
		require.NoError(t, err)
		return b
	}
	_, large, small := accepted(t, read(0))
	wantLarge, wantSmall := decoded(t, large), decoded(t, small)
	for o := 0; o <= 8; o++ {
		h, err := evidence.Inspect(read(o))
		require.NoError(t, err)
		require.Equal(t, max(o, 1), h.Orientation)
		p, large, small := accepted(t, read(o))
		require.Equal(t, wantLarge.Bounds().Size(), image.Pt(p.Large.Width, p.Large.Height), o)
		require.Less(t, apart(wantLarge, decoded(t, large)), 4.0, "orientation %d", o)
		require.Less(t, apart(wantSmall, decoded(t, small)), 4.0, "orientation %d", o)
	}
}

// apart is the mean difference of two pictures of one size, in steps of 256.
func apart(a, b image.Image) float64 {
	var sum, n float64
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			r, g, bl, _ := a.At(x, y).RGBA()
			r2, g2, b2, _ := b.At(x, y).RGBA()
			for _, d := range [3]int{int(r) - int(r2), int(g) - int(g2), int(bl) - int(b2)} {
				sum += float64(max(d, -d)) / 257
				n++
			}
		}
	}
	return sum / n
}

// The samples must differ for the test above to say anything: turned wrongly, they are far apart.
func TestOrientationMatters(t *testing.T) {
	one, err := os.ReadFile("testdata/orientation/orientation_3.jpg")
	require.NoError(t, err)
	at := bytes.Index(one, []byte("Exif\x00\x00"))
	require.Positive(t, at)
	right := bytes.Clone(one)
	copy(one[at:], "Nope\x00\x00")
	_, large, _ := accepted(t, one)
	_, want, _ := accepted(t, right)
	require.Greater(t, apart(decoded(t, want), decoded(t, large)), 10.0)
}

// What a file is called plays no part, so there is nothing to give but its bytes.
func TestSniff(t *testing.T) {
	m := drawn(40, 30)
	for name, c := range map[string]struct {
		file []byte
		want evidence.Format
	}{
		"jpeg":  {asJPEG(t, m), evidence.JPEG},
		"png":   {asPNG(t, m), evidence.PNG},
		"webp":  {slices.Collect(maps.Values(ximage(t, "blue-purple-pink.lossy.webp")))[0], evidence.WebP},
		"webpl": {slices.Collect(maps.Values(ximage(t, "blue-purple-pink.lossless.webp")))[0], evidence.WebP},
		"heic":  {sample(t, "whole.heic"), evidence.HEIC},
	} {
		h, err := evidence.Inspect(c.file)
		require.NoError(t, err, name)
		require.Equal(t, c.want, h.Format)
	}
	for name, file := range map[string][]byte{
		"nothing": {}, "text": []byte("a photo, honestly"), "page": []byte("<!doctype html><script>alert(1)</script>"), "gif": []byte("GIF89a\x01\x00\x01\x00"),
		"svg": []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`), "pdf": []byte("%PDF-1.7\n"), "film": []byte("\x00\x00\x00\x18ftypisom\x00\x00\x02\x00isomiso2"),
		"avif": []byte("\x00\x00\x00\x18ftypavif\x00\x00\x00\x00avifmif1"), "zip": []byte("PK\x03\x04"), "one byte": {0xff}, "half a mark": {0xff, 0xd8},
	} {
		require.NotContains(t, refusedWith(t, file), "damaged", name)
	}
	require.Contains(t, refusedWith(t, []byte("\x00\x00\x00\x18ftypavif\x00\x00\x00\x00avifmif1")), "AVIF")
}

func pngChunk(kind string, body []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = append(append(b, kind...), body...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// bombPNG is a real picture of w by h black pixels, one bit each: 60,000 by 60,000 fit into 0.4 MB.
func bombPNG(w, h int) []byte {
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(w)), uint32(h))
	var z bytes.Buffer
	c := zlib.NewWriter(&z)
	row := make([]byte, 1+(w+7)/8)
	for range h {
		_, _ = c.Write(row)
	}
	_ = c.Close()
	return slices.Concat([]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", append(head, 1, 0, 0, 0, 0)), pngChunk("IDAT", z.Bytes()), pngChunk("IEND", nil))
}

// bombJPEG makes a JPEG claim another size.
func bombJPEG(file []byte, w, h int) []byte {
	b := bytes.Clone(file)
	for at := 2; ; at += 2 + int(binary.BigEndian.Uint16(b[at+2:])) {
		if b[at+1] >= 0xc0 && b[at+1] <= 0xc2 {
			binary.BigEndian.PutUint16(b[at+5:], uint16(h))
			binary.BigEndian.PutUint16(b[at+7:], uint16(w))
			return b
		}
	}
}

func TestBombs(t *testing.T) {
	m := drawn(64, 48)
	webp := slices.Collect(maps.Values(ximage(t, "blue-purple-pink.lossless.webp")))[0]
	big := bytes.Clone(webp)
	binary.LittleEndian.PutUint32(big[21:], 0x0fffffff) // 16,384 by 16,384
	heic := bytes.Clone(sample(t, "whole.heic"))
	at := bytes.Index(heic, []byte("ispe"))
	binary.BigEndian.PutUint32(heic[at+8:], 60000)
	binary.BigEndian.PutUint32(heic[at+12:], 60000)
	for name, c := range map[string]struct {
		file []byte
		says string
	}{
		"png":              {bombPNG(60000, 60000), "60000 x 60000 pixels, more than the 64 million"},
		"flat png":         {bombPNG(100_000_000, 1), "more than the 64 million"},
		"jpeg":             {bombJPEG(asJPEG(t, m), 60000, 60000), "60000 x 60000 pixels"},
		"progressive jpeg": {bombJPEG(gorootAll(t, "testdata/video-001.progressive.jpeg")["video-001.progressive.jpeg"], 60000, 60000), "60000 x 60000 pixels"},
		"progressive jpeg below the limit of pixels": {bombJPEG(gorootAll(t, "testdata/video-001.q50.444.progressive.jpeg")["video-001.q50.444.progressive.jpeg"], 7000, 7000), "ordinary JPEG"},
		"webp": {big, "16384 x 16384 pixels"},
		"heic": {heic, "damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			s := refusedWith(t, c.file)
			runtime.ReadMemStats(&after)
			require.Contains(t, s, c.says)
			// What is set aside must not depend on what the header asks for.
			require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(8*len(c.file)+1<<20))
		})
	}
	// 64 megapixels are in.
	if !testing.Short() {
		p, _, _ := accepted(t, bombPNG(8000, 8000))
		require.Equal(t, [2]int{1600, 1600}, [2]int{p.Large.Width, p.Large.Height})
	}
}

func TestTooManyBytes(t *testing.T) {
	d := evidence.NewDeskWith(&evidence.Memory{}, evidence.Limits{Bytes: 1 << 20})
	endless := io.MultiReader(bytes.NewReader(asJPEG(t, drawn(40, 30))), zeros{})
	_, err := d.Accept(context.Background(), shop, job(t), endless)
	require.ErrorIs(t, err, workflow.ErrInvalid)
	require.Equal(t, "The file is larger than 1 MB. Please send a smaller copy of the picture.", workflow.MessageOf(err))
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// Every cut of every kind of file is refused, save where nothing but trailing bytes is missing.
func TestCutOff(t *testing.T) {
	m := drawn(64, 48)
	for name, file := range map[string][]byte{
		"jpeg": asJPEG(t, m), "png": asPNG(t, m), "heic": sample(t, "whole.heic"), "webp": slices.Collect(maps.Values(ximage(t, "blue-purple-pink.lossy.webp")))[0],
		"progressive": gorootAll(t, "testdata/video-001.progressive.jpeg")["video-001.progressive.jpeg"],
	} {
		for i := range 20 {
			n := len(file) * i / 20
			if i == 19 {
				n = len(file) - 1
			}
			refusedWith(t, file[:n])
			_ = name
		}
	}
}

// The standard library's damaged and odd pictures, and golang.org/x/image's.
func TestHostileFiles(t *testing.T) {
	for name, file := range gorootAll(t, "png/testdata/invalid-*.png") {
		if name == "invalid-palette.png" { // colours that are not there are black
			accepted(t, file)
			continue
		}
		require.Contains(t, refusedWith(t, file), "damaged", name)
	}
	for name, file := range gorootAll(t, "testdata/*.gif") {
		require.Contains(t, refusedWith(t, file), "not a picture", name)
	}
	for _, pattern := range []string{"*.tiff", "*.bmp"} {
		for name, file := range ximage(t, pattern) {
			require.Contains(t, refusedWith(t, file), "not a picture", name)
		}
	}
	huffman, err := io.ReadAll(bzip2.NewReader(bytes.NewReader(ximage(t, "large-huffman-index.lossless.webp.bz2")["large-huffman-index.lossless.webp.bz2"])))
	require.NoError(t, err)
	refusedWith(t, huffman)

	good := gorootAll(t, "png/testdata/pngsuite/*.png")
	maps.Copy(good, gorootAll(t, "testdata/*.jpeg"))
	maps.Copy(good, gorootAll(t, "testdata/*.png"))
	maps.Copy(good, ximage(t, "*.webp"))
	require.Greater(t, len(good), 80)
	for name, file := range good {
		t.Run(name, func(t *testing.T) {
			h, err := evidence.Inspect(file)
			require.NoError(t, err)
			p, large, small := accepted(t, file)
			long := max(h.Width, h.Height)
			require.Equal(t, min(long, evidence.LargeSide), max(p.Large.Width, p.Large.Height))
			require.Equal(t, min(long, evidence.SmallSide), max(p.Small.Width, p.Small.Height))
			require.Equal(t, image.Pt(p.Large.Width, p.Large.Height), decoded(t, large).Bounds().Size())
			require.Equal(t, image.Pt(p.Small.Width, p.Small.Height), decoded(t, small).Bounds().Size())
		})
	}
}

func TestTaken(t *testing.T) {
	tiff := func(order binary.AppendByteOrder, at, offset string) []byte {
		b := []byte("II*\x00")
		if order == binary.BigEndian {
			b = []byte("MM\x00*")
		}
		u16 := func(v ...uint16) {
			for _, x := range v {
				b = order.AppendUint16(b, x)
			}
		}
		u32 := func(v uint32) { b = order.AppendUint32(b, v) }
		u32(8)
		u16(2)
		u16(0x0112, 3) // orientation
		u32(1)
		u16(6, 0)
		u16(0x8769, 4) // where the rest is
		u32(1)
		u32(38)
		u32(0)
		u16(2)
		u16(0x9003, 2)
		u32(20)
		u32(68)
		u16(0x9011, 2)
		u32(7)
		u32(88)
		u32(0)
		return append(append(b, at+"\x00"...), offset+"\x00"...)
	}
	file := asJPEG(t, drawn(40, 30))
	with := func(exif []byte) []byte {
		seg := append([]byte("Exif\x00\x00"), exif...)
		head := append([]byte{0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(seg)+2))...)
		return slices.Concat(file[:2], head, seg, file[2:])
	}
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		whole := tiff(order, "2026:11:02 10:15:00", "-04:00")
		h, err := evidence.Inspect(with(whole))
		require.NoError(t, err)
		require.Equal(t, "2026-11-02T10:15:00-04:00", h.Taken)
		require.Equal(t, 6, h.Orientation)
		require.Equal(t, [2]int{30, 40}, [2]int{h.Width, h.Height})
		for _, c := range [][3]string{
			{"2026:11:02 10:15:00", "      ", "2026-11-02T10:15:00"}, {"0000:00:00 00:00:00", "-04:00", ""}, {"    :  :     :  :  ", "-04:00", ""},
			{"2026:13:02 10:15:00", "-04:00", ""}, {"<script>alert(1)</s", "-04:00", ""}, {"2026:11:02 10:15:00", "<bold>", "2026-11-02T10:15:00"},
		} {
			h, err := evidence.Inspect(with(tiff(order, c[0], c[1])))
			require.NoError(t, err)
			require.Equal(t, c[2], h.Taken)
		}
		// A photo is not refused for its metadata.
		for n := range whole {
			_, err := evidence.Inspect(with(whole[:n]))
			require.NoError(t, err)
			broken := bytes.Clone(whole)
			broken[n] = 0xff
			_, err = evidence.Inspect(with(broken))
			require.NoError(t, err)
		}
	}
}

// Metadata is gone from both copies: by the markers, which are few and known, and by a tool that knows all
// that can be in a JPEG.
func TestMetadataIsGone(t *testing.T) {
	dir := t.TempDir()
	exiftool := ""
	files := map[string][]byte{
		"orientation.jpg": gorootOrientation(t), "whole.heic": sample(t, "whole.heic"), "drawn.jpg": asJPEG(t, drawn(2000, 900)), "drawn.png": asPNG(t, drawn(90, 2000)),
	}
	share := longtest.Share(t, 4)
	for i, name := range slices.Sorted(maps.Keys(files)) {
		if !share(i) {
			continue
		}
		file := files[name]
		t.Run(name, func(t *testing.T) {
			if exiftool == "" {
				exiftool = independent(t, "exiftool")
			}
			path := dir + "/" + name
			require.NoError(t, os.WriteFile(path, file, 0o600))
			run(t, exiftool, "-q", "-overwrite_original", "-GPSLatitude=44.6", "-GPSLatitudeRef=N", "-GPSLongitude=63.5", "-GPSLongitudeRef=W", "-EXIF:Artist=Maud",
				"-XMP:Creator=Maud", "-Comment=by Maud", path)
			require.Contains(t, string(run(t, exiftool, "-a", "-G1", path)), "GPS Latitude", "the sample holds nothing to take away")
			marked, err := os.ReadFile(path)
			require.NoError(t, err)
			_, large, small := accepted(t, marked)
			for _, b := range [][]byte{large, small} {
				require.Subset(t, []byte{0xd8, 0xdb, 0xc0, 0xc4, 0xda, 0xd9}, markers(t, b))
				require.NotContains(t, string(b), "Maud")
				out := dir + "/copy.jpg"
				require.NoError(t, os.WriteFile(out, b, 0o600))
				for line := range strings.Lines(string(run(t, exiftool, "-a", "-u", "-G1", out))) {
					group, _, _ := strings.Cut(strings.TrimPrefix(line, "["), "]")
					require.Contains(t, []string{"ExifTool", "System", "File", "Composite"}, group, line)
					require.NotContains(t, line, "Comment")
				}
			}
		})
	}
}

func gorootOrientation(t *testing.T) []byte {
	b, err := os.ReadFile("testdata/orientation/orientation_6.jpg")
	require.NoError(t, err)
	return b
}

// markers lists the markers of a JPEG; there is nothing before, between or after them.
func markers(t *testing.T, b []byte) []byte {
	t.Helper()
	out := []byte{b[1]}
	at := 2
	for {
		require.Equal(t, byte(0xff), b[at])
		m := b[at+1]
		out = append(out, m)
		at += 2
		if m == 0xd9 {
			require.Len(t, b, at)
			return out
		}
		at += int(binary.BigEndian.Uint16(b[at:]))
		if m == 0xda {
			for b[at] != 0xff || b[at+1] == 0 {
				at++
			}
		}
	}
}

func FuzzInspect(f *testing.F) {
	for _, file := range gorootAll(f, "testdata/video-001.*.jpeg") {
		f.Add(file)
	}
	for _, file := range gorootAll(f, "png/testdata/pngsuite/basn*.png") {
		f.Add(file)
	}
	for _, name := range []string{"whole.heic", "odd.heic", "full.heic"} {
		f.Add(sample(f, name))
	}
	for _, file := range ximage(f, "blue-purple-pink*.webp") {
		f.Add(file)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := evidence.Inspect(b)
		if err != nil {
			require.ErrorIs(t, err, workflow.ErrInvalid)
			require.NotEmpty(t, workflow.MessageOf(err))
			return
		}
		require.Positive(t, h.Width)
		require.Positive(t, h.Height)
		require.Contains(t, []evidence.Format{evidence.JPEG, evidence.PNG, evidence.WebP, evidence.HEIC}, h.Format)
		require.GreaterOrEqual(t, h.Orientation, 1)
		require.LessOrEqual(t, h.Orientation, 8)
	})
}

// Whatever comes in, a desk gives two whole copies or one sentence.
func FuzzAccept(f *testing.F) {
	f.Add(asJPEG(f, drawn(40, 30)))
	f.Add(asPNG(f, drawn(40, 30)))
	for _, name := range []string{"restart2", "q50.411", "cmyk", "rgb", "progressive"} {
		for _, file := range gorootAll(f, "testdata/video-001."+name+".jpeg") {
			f.Add(file)
		}
	}
	for _, file := range ximage(f, "blue-purple-pink.l*.webp") {
		f.Add(file)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if bytes.Contains(b[:min(12, len(b))], []byte("ftyp")) {
			return // the sandbox is slow; FuzzInspect has the container
		}
		d := evidence.NewDeskWith(&evidence.Memory{}, evidence.Limits{Pixels: 1 << 20, Memory: 64 << 20})
		p, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(b))
		if err != nil {
			require.ErrorIs(t, err, workflow.ErrInvalid)
			return
		}
		for _, c := range p.All() {
			require.Equal(t, image.Pt(c.Width, c.Height), decoded(t, shown(t, d, c.Digest)).Bounds().Size())
		}
	})
}
