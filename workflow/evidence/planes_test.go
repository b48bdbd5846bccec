package evidence

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func drawPlane(rt *rapid.T, s size) plane {
	p := newPlane(s)
	copy(p.pix, rapid.SliceOfN(rapid.Byte(), len(p.pix), len(p.pix)).Draw(rt, "pixels"))
	return p
}

// exact is the area average from its definition, pixel by pixel, in floating point.
func exact(p plane, to size, x, y int) float64 {
	overlap := func(i, from, k, n int) float64 { // of source pixel i and target pixel k, in target pixels
		lo := math.Max(float64(i)/float64(from), float64(k)/float64(n))
		hi := math.Min(float64(i+1)/float64(from), float64(k+1)/float64(n))
		return math.Max(hi-lo, 0)
	}
	var sum, all float64
	for sy := range p.h {
		for sx := range p.w {
			share := overlap(sx, p.w, x, to.w) * overlap(sy, p.h, y, to.h)
			sum += share * float64(p.pix[sy*p.w+sx])
			all += share
		}
	}
	return sum / all
}

func TestShrinkIsTheAreaAverage(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := drawPlane(rt, size{rapid.IntRange(1, 24).Draw(rt, "w"), rapid.IntRange(1, 24).Draw(rt, "h")})
		// Larger is for colours that come coarse; it follows the same definition.
		to := size{rapid.IntRange(1, 30).Draw(rt, "to w"), rapid.IntRange(1, 30).Draw(rt, "to h")}
		got := p.shrunk(to)
		require.Len(rt, got.pix, to.w*to.h)
		for y := range to.h {
			for x := range to.w {
				require.InDelta(rt, exact(p, to, x, y), got.pix[y*to.w+x], 0.52, "%v to %v at %d,%d", p.size, to, x, y)
			}
		}
	})
}

// Sizes at which products are largest: one colour stays that colour to the last bit.
func TestShrinkLarge(t *testing.T) {
	for _, v := range []byte{0, 1, 127, 254, 255} {
		for _, c := range [][2]size{{{1 << 20, 1}, {1600, 1}}, {{65535, 3}, {1600, 1}}, {{3, 65535}, {1, 1600}}, {{8064, 64}, {1600, 13}}} {
			s := newShrinker(c[0], c[1])
			row := make([]byte, c[0].w)
			for i := range row {
				row[i] = v
			}
			for range c[0].h {
				s.row(row)
			}
			for _, got := range s.plane().pix {
				require.Equal(t, v, got)
			}
		}
	}
}

func TestFit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := size{rapid.IntRange(1, 70000).Draw(rt, "w"), rapid.IntRange(1, 70000).Draw(rt, "h")}
		got := fit(s, LargeSide)
		require.LessOrEqual(rt, max(got.w, got.h), LargeSide)
		require.Positive(rt, min(got.w, got.h))
		if max(s.w, s.h) <= LargeSide {
			require.Equal(rt, s, got)
			return
		}
		require.Equal(rt, LargeSide, max(got.w, got.h))
		// The shape stays, to half a pixel.
		if s.w >= s.h && got.h > 1 {
			require.InDelta(rt, float64(s.h)*LargeSide/float64(s.w), got.h, 0.5001)
		}
		turned := fit(size{s.h, s.w}, LargeSide)
		require.Equal(rt, size{got.h, got.w}, turned)
	})
}

// What each EXIF value asks for, from its definition: which corner of the shown picture the first row's and
// first column's pixels belong to (CIPA DC-008, tag 0x0112).
func TestTurned(t *testing.T) {
	p := plane{size{3, 2}, []byte{1, 2, 3, 4, 5, 6}}
	want := [9][]byte{1: {1, 2, 3, 4, 5, 6}, 2: {3, 2, 1, 6, 5, 4}, 3: {6, 5, 4, 3, 2, 1}, 4: {4, 5, 6, 1, 2, 3},
		5: {1, 4, 2, 5, 3, 6}, 6: {4, 1, 5, 2, 6, 3}, 7: {6, 3, 5, 2, 4, 1}, 8: {3, 6, 2, 5, 1, 4}}
	for o := 1; o <= 8; o++ {
		got := p.turned(o)
		require.Equal(t, want[o], got.pix, o)
		if o >= 5 {
			require.Equal(t, size{2, 3}, got.size)
		}
	}
	for a := 1; a <= 8; a++ {
		for b := 1; b <= 8; b++ {
			require.Equal(t, p.turned(a).turned(b), p.turned(turn(a, b)), "%d then %d", a, b)
		}
	}
}
