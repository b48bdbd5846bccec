package evidence

import (
	"encoding/binary"
	"image/color"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

type matrix [3][3]float64

func (m matrix) times(n matrix) (out matrix) {
	for r := range 3 {
		for c := range 3 {
			for k := range 3 {
				out[r][c] += m[r][k] * n[k][c]
			}
		}
	}
	return out
}

func (m matrix) inverse() (out matrix) {
	det := 0.0
	minor := func(r, c int) float64 {
		return m[(r+1)%3][(c+1)%3]*m[(r+2)%3][(c+2)%3] - m[(r+1)%3][(c+2)%3]*m[(r+2)%3][(c+1)%3]
	}
	for c := range 3 {
		det += m[0][c] * minor(0, c)
	}
	for r := range 3 {
		for c := range 3 {
			out[c][r] = minor(r, c) / det
		}
	}
	return out
}

// toXYZ is how primaries and white give a matrix (SMPTE RP 177).
func toXYZ(x, y [4]float64) matrix {
	var p matrix
	for i := range 3 {
		p[0][i], p[1][i], p[2][i] = x[i]/y[i], 1, (1-x[i]-y[i])/y[i]
	}
	white := matrix{{x[3] / y[3]}, {1}, {(1 - x[3] - y[3]) / y[3]}}
	s := p.inverse().times(white)
	for r := range 3 {
		for c := range 3 {
			p[r][c] *= s[c][0]
		}
	}
	return p
}

// The tables of matrices, worked out anew from the chromaticities that the standards state (ITU-T H.273,
// table 2: BT.709, BT.2020, and P3 with white D65).
func TestMatrices(t *testing.T) {
	srgb := toXYZ([4]float64{0.64, 0.30, 0.15, 0.3127}, [4]float64{0.33, 0.60, 0.06, 0.3290})
	for name, c := range map[string]struct {
		got  [9]float64
		x, y [4]float64
	}{
		"P3":      {p3ToSRGB, [4]float64{0.680, 0.265, 0.150, 0.3127}, [4]float64{0.320, 0.690, 0.060, 0.3290}},
		"BT.2020": {bt2020ToSRGB, [4]float64{0.708, 0.170, 0.131, 0.3127}, [4]float64{0.292, 0.797, 0.046, 0.3290}},
	} {
		want := srgb.inverse().times(toXYZ(c.x, c.y))
		for i, v := range c.got {
			require.InDelta(t, want[i/3][i%3], v, 1e-4, "%s %d", name, i)
		}
	}
	// Below D50, by Bradford's method.
	bradford := matrix{{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}}
	d65, d50 := matrix{{0.3127 / 0.3290}, {1}, {(1 - 0.3127 - 0.3290) / 0.3290}}, matrix{{0.9642}, {1}, {0.8249}} // ICC.1, 7.2.16
	a, b := bradford.times(d65), bradford.times(d50)
	adapt := bradford.inverse().times(matrix{{b[0][0] / a[0][0], 0, 0}, {0, b[1][0] / a[1][0], 0}, {0, 0, b[2][0] / a[2][0]}}).times(bradford)
	want := adapt.times(srgb).inverse()
	for i, v := range toSRGB {
		require.InDelta(t, want[i/3][i%3], v, 1e-3, i)
	}
}

func u32(v ...uint32) (out []byte) {
	for _, x := range v {
		out = binary.BigEndian.AppendUint32(out, x)
	}
	return out
}

// profile builds an ICC profile of three primaries below D50 and one curve.
func profile(xyz [3][3]float64, curve []byte) []byte {
	b := make([]byte, 128)
	copy(b[16:], "RGB XYZ ")
	copy(b[36:], "acsp")
	b = append(b, u32(6)...)
	at := 132 + 6*12
	var body []byte
	for i, n := range []string{"rXYZ", "gXYZ", "bXYZ"} {
		b = append(append(b, n...), u32(uint32(at+len(body)), 20)...)
		body = append(body, "XYZ \x00\x00\x00\x00"...)
		for _, v := range xyz[i] {
			body = append(body, u32(uint32(int32(math.Round(v*65536))))...)
		}
	}
	for _, n := range []string{"rTRC", "gTRC", "bTRC"} {
		b = append(append(b, n...), u32(uint32(at+len(body)), uint32(len(curve)))...)
	}
	return append(append(b, body...), curve...)
}

var (
	// As profiles of sRGB and of Display P3 state them.
	srgbXYZ = [3][3]float64{{0.43607, 0.22249, 0.01392}, {0.38515, 0.71687, 0.09708}, {0.14307, 0.06061, 0.71410}}
	p3XYZ   = [3][3]float64{{0.51512, 0.24120, -0.00105}, {0.29198, 0.69225, 0.04189}, {0.15710, 0.06657, 0.78407}}
	// IEC 61966-2-1 as a parametric curve of type 3.
	srgbCurve = append([]byte("para\x00\x00\x00\x00\x00\x03\x00\x00"), u32(157286, 62119, 3417, 5072, 2651)...)
)

func TestProfiles(t *testing.T) {
	require.Nil(t, readICC(profile(srgbXYZ, srgbCurve)), "sRGB is left alone")
	require.Nil(t, readICC(nil))
	require.Nil(t, readICC([]byte("not a profile")))
	p3 := readICC(profile(p3XYZ, srgbCurve))
	require.NotNil(t, p3)
	for i, v := range p3.matrix {
		require.InDelta(t, p3ToSRGB[i], v, 0.002, "from the profile and from the primaries alike")
	}
	named := named(12)
	for i := range 256 {
		require.InDelta(t, named.linear[0][i], p3.linear[0][i], 1e-4)
	}
	whole := profile(p3XYZ, srgbCurve)
	for n := range whole { // cut or broken, it counts for nothing
		readICC(whole[:n])
		b := append([]byte(nil), whole...)
		b[n] ^= 0xff
		readICC(b)
	}
	// A plain exponent, a table, and a straight line.
	for _, c := range [][]byte{
		append([]byte("curv\x00\x00\x00\x00"), 0, 0, 0, 1, 2, 0x33), append([]byte("curv\x00\x00\x00\x00"), 0, 0, 0, 3, 0, 0, 0x40, 0, 0xff, 0xff),
		append([]byte("curv\x00\x00\x00\x00"), 0, 0, 0, 0), append([]byte("para\x00\x00\x00\x00\x00\x00\x00\x00"), u32(2*65536)...),
	} {
		s := readICC(profile(srgbXYZ, c))
		require.NotNil(t, s)
		require.Zero(t, s.linear[0][0])
		require.InDelta(t, 1, s.linear[0][255], 1e-6)
	}
	require.InDelta(t, math.Pow(100.0/255, 2+51.0/256), readICC(profile(srgbXYZ, append([]byte("curv\x00\x00\x00\x00"), 0, 0, 0, 1, 2, 0x33))).linear[1][100], 1e-9)
}

// flat returns a picture of one colour.
func flat(y, cb, cr byte) *picture {
	p := &picture{newPlane(size{5, 3}), newPlane(size{3, 2}), newPlane(size{3, 2})}
	for i := range p.y.pix {
		p.y.pix[i] = y
	}
	for i := range p.cb.pix {
		p.cb.pix[i], p.cr.pix[i] = cb, cr
	}
	return p
}

func (p *picture) first() (r, g, b uint8) {
	return color.YCbCrToRGB(p.y.pix[0], p.cb.pix[0], p.cr.pix[0])
}

func TestRecolour(t *testing.T) {
	// Display P3 in sRGB, by way of the definition in floating point.
	for _, c := range [][3]uint8{{128, 128, 128}, {255, 255, 255}, {0, 0, 0}, {180, 120, 90}, {60, 120, 90}, {200, 190, 40}} {
		y, cb, cr := color.RGBToYCbCr(c[0], c[1], c[2])
		p := flat(y, cb, cr)
		p.recolour(signal{}, named(12))
		var want [3]float64
		for i := range 3 {
			for k := range 3 {
				want[i] += p3ToSRGB[3*i+k] * linearSRGB(float64(c[k])/255)
			}
			want[i] = math.Min(math.Max(want[i], 0), 1)
			if want[i] <= 0.0031308 {
				want[i] *= 12.92
			} else {
				want[i] = 1.055*math.Pow(want[i], 1/2.4) - 0.055
			}
		}
		r, g, b := p.first()
		for i, v := range []uint8{r, g, b} {
			require.InDelta(t, want[i]*255, v, 3.5, "%v", c)
		}
	}
	// Black, white and red of a limited BT.709 signal (Rec. ITU-R BT.709-6, item 3 and 4).
	for _, c := range []struct{ in, want [3]uint8 }{
		{[3]uint8{16, 128, 128}, [3]uint8{0, 0, 0}}, {[3]uint8{235, 128, 128}, [3]uint8{255, 255, 255}}, {[3]uint8{63, 102, 240}, [3]uint8{255, 0, 0}},
	} {
		p := flat(c.in[0], c.in[1], c.in[2])
		p.recolour(signal{matrix: 1, limited: true}, nil)
		r, g, b := p.first()
		for i, v := range []uint8{r, g, b} {
			require.InDelta(t, c.want[i], v, 3, "%v", c.in)
		}
	}
	p := flat(77, 140, 99)
	p.recolour(signal{matrix: 6}, nil)
	require.Equal(t, flat(77, 140, 99), p, "nothing to do, nothing done")
}
