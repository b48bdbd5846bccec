package evidence

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"io"
	"math"
	"sync"
)

// Copies are sRGB without a profile, so a picture in another colour space is brought there: phones'
// Display P3 would look pale otherwise. Only profiles made of three primaries and three curves
// (ICC.1, matrix/TRC) are followed, which covers cameras and phones; others are taken for sRGB.

// space is how a picture's red, green and blue become linear light, and that light sRGB's.
type space struct {
	linear [3][256]float64 // 0 to 1
	matrix [9]float64      // to linear sRGB
}

// toSRGB is what XYZ below D50 is in linear sRGB: the inverse of sRGB's own primaries adapted to D50 by
// Bradford's method, as ICC profiles of sRGB state them.
var toSRGB = [9]float64{
	3.1338561, -1.6168667, -0.4906146,
	-0.9787684, 1.9161415, 0.0334540,
	0.0719453, -0.2289914, 1.4052427,
}

// From linear Display P3 and BT.2020 to linear sRGB, all with white D65 (CSS Color 4, sample code;
// Rec. ITU-R BT.2087 has the latter).
var (
	p3ToSRGB = [9]float64{
		1.2249401763, -0.2249401763, 0,
		-0.0420569547, 1.0420569547, 0,
		-0.0196375546, -0.0786360456, 1.0982736001,
	}
	bt2020ToSRGB = [9]float64{
		1.6604910021, -0.5876411388, -0.0728498633,
		-0.1245504745, 1.1328998971, -0.0083494226,
		-0.0181507634, -0.1005788980, 1.1187296614,
	}
)

// linearSRGB is the curve of IEC 61966-2-1.
func linearSRGB(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// encodedSRGB returns eight bits for linear light of 0 to 65535.
var encodedSRGB = sync.OnceValue(func() *[1 << 16]byte {
	var t [1 << 16]byte
	for i := range t {
		v := float64(i) / 65535
		if v <= 0.0031308 {
			v *= 12.92
		} else {
			v = 1.055*math.Pow(v, 1/2.4) - 0.055
		}
		t[i] = byte(v*255 + 0.5)
	}
	return &t
})

// maxICC bounds a profile; those of cameras and phones have some hundred bytes to a few thousand.
const maxICC = 1 << 20

// inflateICC takes a profile out of a PNG's iCCP chunk: a name, a zero, the method 0, zlib.
func inflateICC(b []byte) []byte {
	_, rest, ok := bytes.Cut(b, []byte{0})
	if !ok || len(rest) < 2 || rest[0] != 0 {
		return nil
	}
	z, err := zlib.NewReader(bytes.NewReader(rest[1:]))
	if err != nil {
		return nil
	}
	out, err := io.ReadAll(io.LimitReader(z, maxICC+1))
	if err != nil || len(out) > maxICC {
		return nil
	}
	return out
}

// readICC returns a profile's space; nil if it is sRGB, or can't be followed.
func readICC(b []byte) *space {
	if len(b) < 132 || len(b) > maxICC || !has(b, 36, "acsp") || !has(b, 16, "RGB ") || !has(b, 20, "XYZ ") {
		return nil
	}
	tags := map[string][]byte{}
	n := binary.BigEndian.Uint32(b[128:])
	for i := uint32(0); i < min(n, 200); i++ {
		at := 132 + 12*int(i)
		if at+12 > len(b) {
			return nil
		}
		off, length := uint64(binary.BigEndian.Uint32(b[at+4:])), uint64(binary.BigEndian.Uint32(b[at+8:]))
		if off+length <= uint64(len(b)) {
			tags[string(b[at:at+4])] = b[off : off+length]
		}
	}
	s := &space{}
	var own [9]float64
	for c, name := range []string{"r", "g", "b"} {
		xyz := tags[name+"XYZ"]
		if len(xyz) < 20 || !has(xyz, 0, "XYZ ") {
			return nil
		}
		for k := range 3 {
			own[3*k+c] = s15(xyz[8+4*k:])
		}
		if !s.curve(c, tags[name+"TRC"]) {
			return nil
		}
	}
	for r := range 3 {
		for c := range 3 {
			for k := range 3 {
				s.matrix[3*r+c] += toSRGB[3*r+k] * own[3*k+c]
			}
		}
	}
	return s.orNil()
}

// s15 reads an s15Fixed16Number.
func s15(b []byte) float64 { return float64(int32(binary.BigEndian.Uint32(b))) / 65536 }

// curve fills one channel's curve from a curveType or parametricCurveType (ICC.1, 10.6 and 10.18).
func (s *space) curve(channel int, b []byte) bool {
	if len(b) < 12 {
		return false
	}
	var f func(float64) float64
	switch {
	case has(b, 0, "curv"):
		n := int64(binary.BigEndian.Uint32(b[8:]))
		if n > 65536 || int64(len(b)) < 12+2*n {
			return false
		}
		at := func(i int64) float64 { return float64(binary.BigEndian.Uint16(b[12+2*i:])) / 65535 }
		switch n {
		case 0:
			f = func(v float64) float64 { return v }
		case 1:
			g := float64(binary.BigEndian.Uint16(b[12:])) / 256
			f = func(v float64) float64 { return math.Pow(v, g) }
		default:
			f = func(v float64) float64 {
				x := v * float64(n-1)
				i := min(int64(x), n-2)
				t := x - float64(i)
				return at(i)*(1-t) + at(i+1)*t
			}
		}
	case has(b, 0, "para"):
		kind := int(binary.BigEndian.Uint16(b[8:]))
		if kind > 4 || len(b) < 12+4*[]int{1, 3, 4, 5, 7}[min(kind, 4)] {
			return false
		}
		var p [7]float64 // g a b c d e f
		p[1] = 1
		for i := range []int{1, 3, 4, 5, 7}[kind] {
			p[i] = s15(b[12+4*i:])
		}
		g, a, bb, c, d, e, ff := p[0], p[1], p[2], p[3], p[4], p[5], p[6]
		switch kind {
		case 1: // zero below -b/a
			c, d = 0, -bb/a
		case 2: // c is the value below -b/a, and added above it
			e, ff, c, d = c, c, 0, -bb/a
		case 0:
			d = -1
		}
		f = func(v float64) float64 {
			if v >= d {
				return math.Pow(a*v+bb, g) + e
			}
			return c*v + ff
		}
	default:
		return false
	}
	for i := range 256 {
		v := f(float64(i) / 255)
		if math.IsNaN(v) {
			return false
		}
		s.linear[channel][i] = min(max(v, 0), 1)
	}
	return true
}

// orNil returns nil for a space so close to sRGB that nobody sees the difference.
func (s *space) orNil() *space {
	for i, v := range s.matrix {
		if math.IsNaN(v) || math.Abs(v) > 10 {
			return nil
		}
		want := 0.0
		if i%4 == 0 {
			want = 1
		}
		if math.Abs(v-want) > 0.01 {
			return s
		}
	}
	for c := range 3 {
		for i, v := range s.linear[c] {
			if off := int(encodedSRGB()[int(v*65535+0.5)]) - i; off < -2 || off > 2 {
				return s
			}
		}
	}
	return nil
}

// named returns the space of H.273's colour primaries with sRGB's curve; nil for sRGB's own.
func named(primaries int) *space {
	s := &space{}
	switch primaries {
	case 11, 12:
		s.matrix = p3ToSRGB
	case 9:
		s.matrix = bt2020ToSRGB
	default:
		return nil
	}
	for c := range 3 {
		for i := range 256 {
			s.linear[c][i] = linearSRGB(float64(i) / 255)
		}
	}
	return s
}

// ratio is how a stream's brightness is weighed: the shares of red and blue (H.273, table 4).
func (s signal) ratio() (red, blue float64) {
	switch s.matrix {
	case 1:
		return 0.2126, 0.0722
	case 9, 10:
		return 0.2627, 0.0593
	}
	return 0.299, 0.114
}

// recolour brings a picture from its signal and space to sRGB and JFIF. Nothing is done where it is
// there already.
func (p *picture) recolour(in signal, from *space) {
	red, blue := in.ratio()
	apart := in.stated && in.matrix == 0 // green, blue and red as they are
	if from == nil && !in.limited && red == 0.299 && !apart {
		return
	}
	// Brightness and both differences, as 16.16 numbers, to red, green and blue.
	spreadY, spreadC, black := 1.0, 1.0, int32(0)
	if in.limited {
		spreadY, spreadC, black = 255.0/219, 255.0/224, 16
	}
	green := 1 - red - blue
	whole := func(v float64) int32 { return int32(math.Round(v * 65536)) }
	ky, kr, kb := whole(spreadY), whole(2*(1-red)*spreadC), whole(2*(1-blue)*spreadC)
	kgr, kgb := whole(2*(1-red)*red/green*spreadC), whole(2*(1-blue)*blue/green*spreadC)
	var light [3][256]int64 // linear, 0 to 65535
	var m [9]int64          // times 65536
	if from != nil {
		for c := range 3 {
			for i, v := range from.linear[c] {
				light[c][i] = int64(math.Round(v * 65535))
			}
		}
		for i, v := range from.matrix {
			m[i] = int64(math.Round(v * 65536))
		}
	}
	encoded := encodedSRGB()
	for cy := range p.cb.h {
		for cx := range p.cb.w {
			at := cy*p.cb.w + cx
			b, r := int32(p.cb.pix[at])-128, int32(p.cr.pix[at])-128
			var sumB, sumR, n int32
			for y := 2 * cy; y < min(2*cy+2, p.y.h); y++ {
				for x := 2 * cx; x < min(2*cx+2, p.y.w); x++ {
					v := (int32(p.y.pix[y*p.y.w+x]) - black) * ky
					rgb := [3]byte{byteOf(v + kr*r), byteOf(v - kgr*r - kgb*b), byteOf(v + kb*b)}
					if apart {
						rgb = [3]byte{byteOf((r + 128 - black) * ky), byteOf(v), byteOf((b + 128 - black) * ky)}
					}
					if from != nil {
						lr, lg, lb := light[0][rgb[0]], light[1][rgb[1]], light[2][rgb[2]]
						for c := range rgb {
							l := (m[3*c]*lr + m[3*c+1]*lg + m[3*c+2]*lb + 1<<15) >> 16
							rgb[c] = encoded[min(max(l, 0), 65535)]
						}
					}
					yy, bb, rr := jfif(int32(rgb[0]), int32(rgb[1]), int32(rgb[2]))
					p.y.pix[y*p.y.w+x] = yy
					sumB, sumR, n = sumB+int32(bb), sumR+int32(rr), n+1
				}
			}
			p.cb.pix[at], p.cr.pix[at] = byte((sumB+n/2)/n), byte((sumR+n/2)/n)
		}
	}
}

// byteOf returns the byte of a 16.16 number.
func byteOf(v int32) byte { return byte(min(max((v+1<<15)>>16, 0), 255)) }

// jfif returns brightness and colour differences of red, green and blue (JFIF 1.02).
func jfif(r, g, b int32) (y, cb, cr byte) {
	return byte((19595*r + 38470*g + 7471*b + 1<<15) >> 16),
		byte(min(max((-11056*r-21712*g+32768*b+128<<16+1<<15)>>16, 0), 255)),
		byte(min(max((32768*r-27440*g-5328*b+128<<16+1<<15)>>16, 0), 255))
}
