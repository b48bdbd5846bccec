package evidence

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"benchword/workflow"
)

// photo12 is a picture of 12 megapixels as busy as a photo: shapes, shades and some noise.
func photo12(b *testing.B) []byte {
	b.Helper()
	const w, h = 4000, 3000
	m := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	random := rand.New(rand.NewPCG(1, 2))
	for y := range h {
		for x := range w {
			v := 60 + 90*x/w + 40*y/h + 25*((x/97+y/71)%3) + int(random.Uint32()&7)
			if dx, dy := x%400-200, y%400-200; dx*dx+dy*dy < 8000 {
				v = 40 + (dx+dy)/8&31
			}
			m.Y[y*m.YStride+x] = byte(v)
		}
	}
	for i := range m.Cb {
		m.Cb[i], m.Cr[i] = byte(110+i/800%40), byte(120+i/1600%30)
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: 90}); err != nil {
		b.Fatal(err)
	}
	return out.Bytes()
}

// A 12-megapixel JPEG to both shown copies, encoded. With vipsthumbnail installed (Debian libvips-tools),
// it does the same in turns, and vips/ours says how many times as long it takes:
//
//	go test -run '^$' -bench Copies -benchtime 20x ./workflow/evidence
//
// Figures (two shared cores): 2.7 to 3.3 times as fast as vipsthumbnail.
func BenchmarkCopies(b *testing.B) {
	file := photo12(b)
	vips, err := exec.LookPath("vipsthumbnail")
	dir := b.TempDir()
	src := filepath.Join(dir, "photo.jpg")
	if err := os.WriteFile(src, file, 0o600); err != nil {
		b.Fatal(err)
	}
	var ours, theirs time.Duration
	var before, after runtime.MemStats
	var most uint64
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	for b.Loop() {
		runtime.ReadMemStats(&before)
		start := time.Now()
		h, e := Inspect(file)
		if e != nil {
			b.Fatal(e)
		}
		made, e := h.copies(context.Background(), file, nil)
		if e != nil || made[0].size.w != LargeSide || made[2].size.w != SmallSide {
			b.Fatal(e)
		}
		ours += time.Since(start)
		runtime.ReadMemStats(&after)
		most = max(most, after.TotalAlloc-before.TotalAlloc)
		if err == nil {
			b.StopTimer()
			start = time.Now()
			for _, s := range []string{"1600", "960", "480"} {
				if out, e := exec.Command(vips, src, "-s", s, "-o", filepath.Join(dir, "out-"+s+".jpg[Q=82,strip]")).CombinedOutput(); e != nil {
					b.Fatal(e, string(out))
				}
			}
			theirs += time.Since(start)
			b.StartTimer()
		}
	}
	if err == nil {
		b.ReportMetric(float64(theirs)/float64(ours), "vips/ours")
	}
	b.ReportMetric(float64(most)/(1<<20), "MB/photo")
}

// The standard decoder alone, and the way through it, for comparison.
func BenchmarkStandardDecoder(b *testing.B) {
	file := photo12(b)
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		if _, err := jpeg.Decode(bytes.NewReader(file)); err != nil {
			b.Fatal(err)
		}
	}
}

// Marks burnt into a shown copy of the large size.
func BenchmarkBurn(b *testing.B) {
	m := image.NewRGBA(image.Rect(0, 0, 1600, 1200))
	for i := range m.Pix {
		m.Pix[i] = byte(i >> 8)
	}
	m.SetRGBA(0, 0, color.RGBA{A: 255})
	var c bytes.Buffer
	if err := jpeg.Encode(&c, m, nil); err != nil {
		b.Fatal(err)
	}
	marks := []workflow.Mark{{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 7000, Y2: 6000, Number: 1}, {Kind: workflow.MarkArrow, X: 2000, Y: 2000, X2: 4000, Y2: 4500, Number: 2}, {Kind: workflow.MarkPoint, X: 8000, Y: 2000, Number: 3}}
	for b.Loop() {
		if _, err := Burn(c.Bytes(), marks); err != nil {
			b.Fatal(err)
		}
	}
}

// What a process of its own costs beside decoding here, in turns: a photo of 12 megapixels, and a small one.
//
//	go test -run '^$' -bench Apart -benchtime 10x ./workflow/evidence
//
// Figures: see [Workers].
func BenchmarkApart(b *testing.B) {
	small := image.NewGray(image.Rect(0, 0, 640, 480))
	for i := range small.Pix {
		small.Pix[i] = byte(i * i >> 8)
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, small, nil); err != nil {
		b.Fatal(err)
	}
	w := NewWorkers()
	defer w.Close()
	here := NewDesk(&Memory{})
	apart := here.Apart(w)
	for name, file := range map[string][]byte{"12MP": photo12(b), "small": out.Bytes()} {
		b.Run(name, func(b *testing.B) {
			var took [2]time.Duration
			for range b.N {
				for i, d := range []*Desk{here, apart} {
					began := time.Now()
					if _, err := d.Take(b.Context(), "harbour", "XVG0ZXM", bytes.NewReader(file)); err != nil {
						b.Fatal(err)
					}
					took[i] += time.Since(began)
				}
			}
			b.ReportMetric(float64(took[1])/float64(took[0]), "apart/here")
			b.ReportMetric(float64(took[0].Microseconds())/float64(b.N), "us-here")
		})
	}
}
