package evidence

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func never() error { return nil }

// away is how far two planes of one size are from each other: the mean and the largest difference.
func away(a, b plane) (mean float64, most int) {
	for i := range a.pix {
		d := int(a.pix[i]) - int(b.pix[i])
		d = max(d, -d)
		mean += float64(d)
		most = max(most, d)
	}
	return mean / float64(len(a.pix)), most
}

// viaStandard decodes with image/jpeg and makes smaller afterwards.
func viaStandard(t testing.TB, b []byte, to size) *picture {
	m, err := jpeg.Decode(bytes.NewReader(b))
	require.NoError(t, err)
	p, err := shrink(t.Context(), m, to)
	require.NoError(t, err)
	return p
}

// The standard library's decoder is the oracle: on its own test pictures, of every sampling, and on
// drawn ones of every size.
func TestDecodeJPEGLikeTheStandard(t *testing.T) {
	out, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	names, err := filepath.Glob(filepath.Join(strings.TrimSpace(string(out)), "src/image/testdata/*.jpeg"))
	require.NoError(t, err)
	direct := 0
	for _, name := range names {
		b, err := os.ReadFile(name)
		require.NoError(t, err)
		h, err := Inspect(b)
		require.NoError(t, err)
		if !h.jpeg.direct() {
			continue
		}
		direct++
		for _, long := range []int{1600, 149, 75, 37, 16} {
			to := fit(h.coded, long)
			got, err := decodeJPEG(b, to, never)
			require.NoError(t, err, name)
			want := viaStandard(t, b, to)
			// At full size rounding is all that differs. Reduced, the transform keeps what averaging smears,
			// and these pictures are small and full of edges; TestReducedIsFaithful is the strict one there.
			limit := 0.1
			if long < 1600 {
				limit = 12
			}
			mean, _ := away(want.y, got.y)
			require.Less(t, mean, limit, "%s to %v", name, to)
			for _, c := range [][2]plane{{want.cb, got.cb}, {want.cr, got.cr}} {
				mean, _ := away(c[0], c[1])
				require.Less(t, mean, limit, "%s to %v", name, to)
			}
		}
	}
	require.GreaterOrEqual(t, direct, 10)
}

func TestDecodeJPEGAnySize(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w, h := rapid.IntRange(1, 70).Draw(rt, "w"), rapid.IntRange(1, 70).Draw(rt, "h")
		seed := rapid.Uint32().Draw(rt, "seed")
		var m image.Image
		grey := rapid.Bool().Draw(rt, "grey")
		if grey {
			g := image.NewGray(image.Rect(0, 0, w, h))
			for i := range g.Pix {
				g.Pix[i] = byte(seed>>(i%7)) + byte(i)
			}
			m = g
		} else {
			c := image.NewRGBA(image.Rect(0, 0, w, h))
			for y := range h {
				for x := range w {
					c.SetRGBA(x, y, color.RGBA{byte(seed) + byte(3*x), byte(seed>>8) + byte(2*y), byte(x * y), 255})
				}
			}
			m = c
		}
		var b bytes.Buffer
		require.NoError(rt, jpeg.Encode(&b, m, &jpeg.Options{Quality: rapid.IntRange(1, 100).Draw(rt, "quality")}))
		got, err := decodeJPEG(b.Bytes(), size{w, h}, never)
		require.NoError(rt, err)
		std, err := jpeg.Decode(bytes.NewReader(b.Bytes()))
		require.NoError(rt, err)
		want, err := shrink(t.Context(), std, size{w, h})
		require.NoError(rt, err)
		_, most := away(want.y, got.y)
		require.LessOrEqual(rt, most, 2)
		_, most = away(want.cb, got.cb)
		require.LessOrEqual(rt, most, 2)
		_, most = away(want.cr, got.cr)
		require.LessOrEqual(rt, most, 2)
	})
}

// Reduced decoding must keep a smooth picture as it is: against exact averages of what was drawn.
func TestReducedIsFaithful(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 1024, 768))
	for y := range 768 {
		for x := range 1024 {
			v := func(a, b float64) uint8 {
				return uint8(128 + 100*math.Sin(float64(x)/a)*math.Cos(float64(y)/b))
			}
			m.SetRGBA(x, y, color.RGBA{v(90, 70), v(60, 110), v(130, 50), 255})
		}
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}))
	for _, long := range []int{1024, 700, 512, 400, 256, 200, 128, 100, 50} {
		to := fit(size{1024, 768}, long)
		got, err := decodeJPEG(b.Bytes(), to, never)
		require.NoError(t, err)
		want, err := shrink(t.Context(), m, to)
		require.NoError(t, err)
		for i, c := range [][2]plane{{want.y, got.y}, {want.cb, got.cb}, {want.cr, got.cr}} {
			mean, most := away(c[0], c[1])
			require.Less(t, mean, 1.0, "plane %d to %v", i, to)
			require.LessOrEqual(t, most, 8, "plane %d to %v", i, to)
		}
	}
}

func TestReduction(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		from := size{rapid.IntRange(1, 20000).Draw(rt, "w"), rapid.IntRange(1, 20000).Draw(rt, "h")}
		to := fit(from, rapid.IntRange(1, 2000).Draw(rt, "long"))
		s := reduction(from, to)
		enough := func(s int) bool { return (from.w+s-1)/s >= to.w && (from.h+s-1)/s >= to.h }
		require.True(rt, enough(s), "never smaller than what is wanted")
		require.True(rt, s == 8 || !enough(2*s), "never larger than needed")
	})
}

// A flipped byte gives an error or a picture, never a panic; a cut gives an error.
func TestDecodeJPEGDamaged(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 90, 60))
	for i := range m.Pix {
		m.Pix[i] = byte(i * i >> 5)
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, nil))
	whole, share := b.Bytes(), longtest.Share(t, 4)
	for n := range whole {
		if !share(n) {
			continue
		}
		_, err := decodeJPEG(whole[:n], size{90, 60}, never)
		require.Error(t, err, "cut at %d of %d", n, len(whole))
		for _, v := range []byte{0, 0xff, whole[n] ^ 1, whole[n] ^ 0x80} {
			broken := bytes.Clone(whole)
			broken[n] = v
			if h, err := Inspect(broken); err == nil && h.jpeg.direct() && h.coded.pixels() < 1<<20 {
				_, _ = decodeJPEG(broken, fit(h.coded, 50), never)
			}
		}
	}
}

func FuzzDecodeJPEG(f *testing.F) {
	for _, g := range []image.Image{image.NewGray(image.Rect(0, 0, 20, 9)), image.NewRGBA(image.Rect(0, 0, 33, 17))} {
		var b bytes.Buffer
		require.NoError(f, jpeg.Encode(&b, g, nil))
		f.Add(b.Bytes(), uint16(10))
	}
	f.Fuzz(func(t *testing.T, b []byte, long uint16) {
		h, err := Inspect(b)
		if err != nil || h.Format != JPEG || !h.jpeg.direct() || h.coded.pixels() > 1<<20 {
			return
		}
		to := fit(h.coded, int(long)+1)
		p, err := decodeJPEG(b, to, never)
		if err != nil {
			return
		}
		require.Equal(t, to, p.y.size)
		require.Len(t, p.y.pix, to.w*to.h)
		require.Len(t, p.cb.pix, half(to).w*half(to).h)
		require.Len(t, p.cr.pix, half(to).w*half(to).h)
	})
}

// Restart markers, of which encoders here make none: laid into a picture of single-block rows by hand.
func TestRestartMarkers(t *testing.T) {
	m := image.NewGray(image.Rect(0, 0, 8, 80))
	for i := range m.Pix {
		m.Pix[i] = byte(i/64) * 20 // one grey a block, so each block is a DC difference and an end of block
	}
	var enc bytes.Buffer
	require.NoError(t, jpeg.Encode(&enc, m, nil))
	whole, err := decodeJPEG(enc.Bytes(), size{8, 80}, never)
	require.NoError(t, err)
	// Coded anew, block by block, each as the first: every row of blocks by itself, joined by markers.
	var scan []byte
	var head []byte
	for k := range 10 {
		one := image.NewGray(image.Rect(0, 0, 8, 8))
		for i := range one.Pix {
			one.Pix[i] = byte(k) * 20
		}
		var b bytes.Buffer
		require.NoError(t, jpeg.Encode(&b, one, nil))
		at := bytes.Index(b.Bytes(), []byte{0xff, 0xda})
		n := at + 2 + int(binary.BigEndian.Uint16(b.Bytes()[at+2:]))
		head = bytes.Clone(b.Bytes()[:n])
		if k > 0 {
			scan = append(scan, 0xff, 0xd0+byte(k-1)&7)
		}
		scan = append(scan, b.Bytes()[n:b.Len()-2]...)
	}
	sof := bytes.Index(head, []byte{0xff, 0xc0})
	binary.BigEndian.PutUint16(head[sof+5:], 80)
	every := []byte{0xff, 0xdd, 0, 4, 0, 1}
	file := slices.Concat(head[:2], every, head[2:], scan, []byte{0xff, 0xd9})
	std, err := jpeg.Decode(bytes.NewReader(file))
	require.NoError(t, err, "the file made here is not what it should be")
	require.Equal(t, m.Bounds(), std.Bounds())
	got, err := decodeJPEG(file, size{8, 80}, never)
	require.NoError(t, err)
	mean, most := away(whole.y, got.y)
	require.LessOrEqual(t, most, 1)
	require.Less(t, mean, 1.0)
	at := bytes.LastIndex(file, []byte{0xff, 0xd3})
	require.Positive(t, at)
	wrong := bytes.Clone(file)
	wrong[at+1] = 0xd5
	_, err = decodeJPEG(wrong, size{8, 80}, never)
	require.Error(t, err)
}
