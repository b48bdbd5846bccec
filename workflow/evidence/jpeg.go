package evidence

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// This decoder reads what cameras and phones write: sequential Huffman-coded JPEG, all components in one
// scan (ITU-T T.81, F.2). It goes through the picture one row of blocks at a time and hands each row on to
// be made smaller, so a picture of any size takes the memory of its copy; and it computes blocks at 1/2,
// 1/4 or 1/8 of their size where the copy needs no more, which saves most of the arithmetic. Everything else
// (progressive, several scans, CMYK) goes to image/jpeg.

// direct reports whether the picture is of that kind.
func (h jpegHeader) direct() bool { return !h.progressive && h.oneScan && h.parts != 4 && !h.rgb }

var (
	errHuffman = errors.New("a JPEG code that is in no table")
	errCut     = errors.New("a JPEG scan that ends too early")
)

// lookBits is how many bits are looked up at once.
const lookBits = 10

// huffman is one table. look returns length<<8 | symbol for the next bits; 0 where the code is longer.
type huffman struct {
	there  bool
	look   [1 << lookBits]uint16
	whole  [1 << lookBits]int32 // for AC: value<<16 | run<<8 | bits in all; 0 where that is longer
	last   [17]int32            // the largest code of each length; -1 if there is none
	offset [17]int32            // of a code's symbol, less the code
	symbol []byte
}

func (t *huffman) build(counts, symbols []byte) error {
	*t = huffman{there: true, symbol: symbols}
	code, at := int32(0), int32(0)
	for n := 1; n <= 16; n++ {
		c := int32(counts[n-1])
		t.offset[n] = at - code
		if code+c > 1<<n {
			return errors.New("a JPEG table with too many codes")
		}
		if n <= lookBits {
			for i := range c {
				from := (code + i) << (lookBits - n)
				for k := range int32(1) << (lookBits - n) {
					t.look[from+k] = uint16(n)<<8 | uint16(symbols[at+i])
				}
			}
		}
		code, at = code+c, at+c
		t.last[n] = code - 1
		if c == 0 {
			t.last[n] = -1
		}
		code <<= 1
	}
	for i, e := range t.look {
		n, size := int(e>>8), int(e&15)
		if n == 0 || size == 0 || n+size > lookBits {
			continue
		}
		v := int32(i>>(lookBits-n-size)) & (1<<size - 1)
		t.whole[i] = extend(v, size)<<16 | int32(e>>4&15)<<8 | int32(n+size)
	}
	return nil
}

// extend turns the bits that follow a code into a number (T.81, F.12).
func extend(v int32, size int) int32 {
	if v < 1<<(size-1) {
		v -= 1<<size - 1
	}
	return v
}

type jpegPart struct {
	id, h, v, tq int
	dc, ac       int
	last         int32
	strip        plane // one row of blocks, reduced
	real         size  // of the component, reduced
	to           *shrinker
	fed          int
}

type jpegDecoder struct {
	b       []byte
	at      int
	quant   [4][64]int32
	hasQ    [4]bool
	dc, ac  [4]huffman
	parts   []jpegPart
	whole   size
	restart int
	block   [65]int32 // the last place takes what is not needed

	word  uint64 // the next bits, from the top
	n     int    // how many are known
	empty int    // how many of those are made up, past the end
}

// zigzag is where the coefficients go (T.81, figure A.6).
var zigzag = [64]uint8{
	0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
}

// reduction returns how much smaller, 1, 2, 4 or 8 times, a picture can be decoded for a copy of this size.
func reduction(from, to size) int {
	for _, s := range []int{8, 4, 2} {
		if (from.w+s-1)/s >= to.w && (from.h+s-1)/s >= to.h {
			return s
		}
	}
	return 1
}

// decodeJPEG returns the picture in the size to.
func decodeJPEG(b []byte, to size, stop func() error) (*picture, error) {
	d := &jpegDecoder{b: b, at: 2}
	if err := d.tables(); err != nil {
		return nil, err
	}
	scale := reduction(d.whole, to)
	hmax, vmax := 1, 1
	for _, p := range d.parts {
		hmax, vmax = max(hmax, p.h), max(vmax, p.v)
	}
	across := (d.whole.w + 8*hmax - 1) / (8 * hmax)
	down := (d.whole.h + 8*vmax - 1) / (8 * vmax)
	each := 8 / scale
	out := &picture{}
	for i := range d.parts {
		p := &d.parts[i]
		own := size{(d.whole.w*p.h + hmax - 1) / hmax, (d.whole.h*p.v + vmax - 1) / vmax}
		p.real = size{(own.w + scale - 1) / scale, (own.h + scale - 1) / scale}
		p.strip = newPlane(size{across * p.h * each, p.v * each})
		want := to
		if i > 0 {
			want = half(to)
		}
		p.to = newShrinker(p.real, want)
		if !d.dc[p.dc].there || !d.ac[p.ac].there || !d.hasQ[p.tq] {
			return nil, errors.New("a JPEG without its tables")
		}
	}
	var keep [64]uint8
	for k, z := range zigzag {
		if keep[k] = z; int(z&7) >= each || int(z>>3) >= each {
			keep[k] = 64
		}
	}
	left, next := d.restart, byte(0)
	for range down {
		if err := stop(); err != nil {
			return nil, err
		}
		for mx := range across {
			if d.restart > 0 && left == 0 {
				if err := d.resume(next); err != nil {
					return nil, err
				}
				left, next = d.restart, (next+1)&7
			}
			left--
			for i := range d.parts {
				p := &d.parts[i]
				for v := range p.v {
					for h := range p.h {
						flat, err := d.coefficients(p, &keep)
						if err != nil {
							return nil, err
						}
						d.pixels(p.strip.pix[v*each*p.strip.w+(mx*p.h+h)*each:], p.strip.w, scale, flat)
					}
				}
			}
		}
		if d.n < d.empty {
			return nil, errCut
		}
		for i := range d.parts {
			p := &d.parts[i]
			for y := 0; y < p.strip.h && p.fed < p.real.h; y++ {
				p.to.row(p.strip.row(y))
				p.fed++
			}
		}
	}
	if err := d.end(); err != nil {
		return nil, err
	}
	out.y = d.parts[0].to.plane()
	if len(d.parts) == 3 {
		out.cb, out.cr = d.parts[1].to.plane(), d.parts[2].to.plane()
	} else {
		out.grey()
	}
	return out, nil
}

// tables reads everything up to the scan's data.
func (d *jpegDecoder) tables() error {
	for {
		for d.at+1 < len(d.b) && d.b[d.at] == 0xff && d.b[d.at+1] == 0xff {
			d.at++
		}
		if d.at+2 > len(d.b) {
			return errShort
		}
		if d.b[d.at] != 0xff {
			return errors.New("a JPEG marker is missing")
		}
		marker := d.b[d.at+1]
		d.at += 2
		if marker == 0x01 || marker >= 0xd0 && marker <= 0xd8 {
			continue
		}
		if d.at+2 > len(d.b) {
			return errShort
		}
		n := int(binary.BigEndian.Uint16(d.b[d.at:]))
		if n < 2 || d.at+n > len(d.b) {
			return errShort
		}
		seg := d.b[d.at+2 : d.at+n]
		d.at += n
		var err error
		switch marker {
		case 0xc0, 0xc1:
			err = d.frame(seg)
		case 0xc4:
			err = d.codes(seg)
		case 0xdb:
			err = d.steps(seg)
		case 0xdd:
			if len(seg) < 2 {
				return errShort
			}
			d.restart = int(binary.BigEndian.Uint16(seg))
		case 0xda:
			return d.scan(seg)
		case 0xd9:
			return errShort
		}
		if err != nil {
			return err
		}
	}
}

func (d *jpegDecoder) frame(seg []byte) error {
	if len(seg) < 6 || len(seg) < 6+3*int(seg[5]) || len(d.parts) > 0 {
		return errShort
	}
	d.whole = size{int(binary.BigEndian.Uint16(seg[3:])), int(binary.BigEndian.Uint16(seg[1:]))}
	for i := range int(seg[5]) {
		s := seg[6+3*i:]
		p := jpegPart{id: int(s[0]), h: int(s[1] >> 4), v: int(s[1] & 15), tq: int(s[2])}
		if p.h < 1 || p.h > 4 || p.v < 1 || p.v > 4 || p.tq > 3 {
			return errors.New("a JPEG component out of range")
		}
		if seg[5] == 1 {
			p.h, p.v = 1, 1 // T.81, A.2.2
		}
		d.parts = append(d.parts, p)
	}
	if n := len(d.parts); n != 1 && n != 3 || d.whole.w == 0 || d.whole.h == 0 {
		return fmt.Errorf("a JPEG of %d components, %v", n, d.whole)
	}
	return nil
}

func (d *jpegDecoder) steps(seg []byte) error {
	for len(seg) > 0 {
		id, wide := seg[0]&15, seg[0]>>4
		seg = seg[1:]
		n := 64
		if wide > 0 {
			n = 128
		}
		if id > 3 || wide > 1 || len(seg) < n {
			return errors.New("a broken JPEG quantization table")
		}
		for k := range 64 {
			if wide > 0 {
				d.quant[id][k] = int32(binary.BigEndian.Uint16(seg[2*k:]))
			} else {
				d.quant[id][k] = int32(seg[k])
			}
		}
		d.hasQ[id] = true
		seg = seg[n:]
	}
	return nil
}

func (d *jpegDecoder) codes(seg []byte) error {
	for len(seg) > 0 {
		if len(seg) < 17 || seg[0]&15 > 3 || seg[0]>>4 > 1 {
			return errors.New("a broken JPEG code table")
		}
		n := 0
		for _, c := range seg[1:17] {
			n += int(c)
		}
		if n > 256 || len(seg) < 17+n {
			return errors.New("a broken JPEG code table")
		}
		t := &d.dc[seg[0]&15]
		if seg[0]>>4 == 1 {
			t = &d.ac[seg[0]&15]
		}
		if err := t.build(seg[1:17], seg[17:17+n]); err != nil {
			return err
		}
		seg = seg[17+n:]
	}
	return nil
}

func (d *jpegDecoder) scan(seg []byte) error {
	if len(d.parts) == 0 || len(seg) < 4+2*len(d.parts) || int(seg[0]) != len(d.parts) {
		return errShort
	}
	for i := range d.parts {
		p, s := &d.parts[i], seg[1+2*i:]
		if int(s[0]) != p.id || s[1]>>4 > 3 || s[1]&15 > 3 {
			return errors.New("a JPEG scan that does not fit its frame")
		}
		p.dc, p.ac = int(s[1]>>4), int(s[1]&15)
	}
	return nil
}

// fill brings the known bits to more than 32. Past a marker or the end, it makes up zeros and counts them.
func (d *jpegDecoder) fill() {
	if d.at+8 <= len(d.b) && d.empty == 0 {
		v := binary.BigEndian.Uint64(d.b[d.at:])
		if (^v-0x0101010101010101)&v&0x8080808080808080 == 0 { // no byte is 0xff
			n := (63 - d.n) >> 3
			d.word |= v >> d.n
			d.at += n
			d.n += 8 * n
			// What came below the counted bits would be there a second time.
			d.word &^= 1<<(64-d.n) - 1
			return
		}
	}
	for d.n <= 56 {
		var c byte
		switch {
		case d.at >= len(d.b) || d.b[d.at] == 0xff && (d.at+1 >= len(d.b) || d.b[d.at+1] != 0):
			d.empty += 8
		case d.b[d.at] == 0xff:
			c = 0xff
			d.at += 2
		default:
			c = d.b[d.at]
			d.at++
		}
		d.word |= uint64(c) << (56 - d.n)
		d.n += 8
	}
}

// symbol returns the next code's symbol. At least 16 bits are known.
func (d *jpegDecoder) symbol(t *huffman) (int, error) {
	if e := t.look[d.word>>(64-lookBits)]; e != 0 {
		d.word <<= e >> 8
		d.n -= int(e >> 8)
		return int(e & 255), nil
	}
	for n := lookBits + 1; n <= 16; n++ {
		if code := int32(d.word >> (64 - n)); code <= t.last[n] {
			d.word <<= n
			d.n -= n
			return int(t.symbol[code+t.offset[n]]), nil
		}
	}
	return 0, errHuffman
}

// value returns the number of that many bits.
func (d *jpegDecoder) value(size int) int32 {
	v := int32(d.word >> (64 - size))
	d.word <<= size
	d.n -= size
	return extend(v, size)
}

// coefficients reads one block, and tells whether it is of one colour.
func (d *jpegDecoder) coefficients(p *jpegPart, keep *[64]uint8) (flat bool, err error) {
	dc, ac, q := &d.dc[p.dc], &d.ac[p.ac], &d.quant[p.tq]
	d.block = [65]int32{}
	if d.n < 32 {
		d.fill()
	}
	size, err := d.symbol(dc)
	if err != nil || size > 11 {
		return false, errHuffman
	}
	if size > 0 {
		p.last += d.value(size)
		p.last = min(max(p.last, -1<<15), 1<<15) // no more than any picture has
	}
	d.block[0] = p.last * q[0]
	flat = true
	for k := 1; k < 64; {
		if d.n < 32 {
			d.fill()
		}
		var v int32
		if e := ac.whole[d.word>>(64-lookBits)]; e != 0 {
			n := int(e & 255)
			d.word <<= n
			d.n -= n
			k += int(e >> 8 & 15)
			v = e >> 16
		} else {
			s, err := d.symbol(ac)
			if err != nil {
				return false, err
			}
			size := s & 15
			if size == 0 {
				if s != 0xf0 {
					break // the rest is zero
				}
				k += 16
				continue
			}
			k += s >> 4
			v = d.value(size)
		}
		if k > 63 {
			return false, errors.New("a JPEG block with too many coefficients")
		}
		at := keep[k]
		d.block[at] = v * q[k]
		flat = flat && at == 64
		k++
	}
	return flat, nil
}

// resume goes past a restart marker.
func (d *jpegDecoder) resume(number byte) error {
	if d.n < d.empty {
		return errCut
	}
	d.rewind()
	if d.at+2 > len(d.b) || d.b[d.at] != 0xff || d.b[d.at+1] != 0xd0+number {
		return errors.New("a JPEG restart marker is missing")
	}
	d.at += 2
	for i := range d.parts {
		d.parts[i].last = 0
	}
	return nil
}

// rewind forgets the bits that are known, which fill up the last byte before a marker, and goes there.
func (d *jpegDecoder) rewind() {
	d.word, d.n, d.empty = 0, 0, 0
	for d.at+1 < len(d.b) && d.b[d.at] == 0xff && d.b[d.at+1] == 0xff {
		d.at++
	}
}

// end makes sure that the file is whole: after the scan comes the end marker. Segments that say nothing of
// the picture may come between.
func (d *jpegDecoder) end() error {
	d.rewind()
	for d.at+2 <= len(d.b) {
		if d.b[d.at] != 0xff || d.b[d.at+1] == 0 || d.b[d.at+1] == 0xff {
			d.at++
			continue
		}
		marker := d.b[d.at+1]
		switch {
		case marker == 0xd9:
			return nil
		case marker >= 0xe0 && marker <= 0xef || marker == 0xfe:
			if d.at+4 > len(d.b) {
				return errCut
			}
			d.at += 2 + int(binary.BigEndian.Uint16(d.b[d.at+2:]))
		default:
			d.at += 2
		}
	}
	return errCut
}

// The inverse transforms have 13 bits after the point. rotate(k, n) is cos(k pi / n) so.
const point = 13

func rotate(k, n float64) int32 { return int32(math.Round(math.Cos(k*math.Pi/n) * (1 << point))) }

var (
	// odd8 are the odd basis functions of eight points at the first four of them.
	odd8 = func() (m [4][4]int32) {
		for n := range 4 {
			for k := range 4 {
				m[n][k] = rotate(float64((2*n+1)*(2*k+1)), 16)
			}
		}
		return m
	}()
	cos1, cos3 = rotate(1, 8), rotate(3, 8) // also those of the even half's odd half
	root       = rotate(1, 4)
)

// pixels computes the block at 1/scale of its size and writes it to out, with rows w apart.
func (d *jpegDecoder) pixels(out []byte, w, scale int, flat bool) {
	c := &d.block
	if flat || scale == 8 {
		v := sample(int64(c[0]), 3)
		n := 8 / scale
		for y := range n {
			row := out[y*w : y*w+n]
			for x := range row {
				row[x] = v
			}
		}
		return
	}
	switch scale {
	case 4:
		// Two points: half the sum of the four, an eighth in all (see below).
		a, b, e, f := int64(c[0]), int64(c[1]), int64(c[8]), int64(c[9])
		out[0], out[1] = sample(a+b+e+f, 3), sample(a-b+e-f, 3)
		out[w], out[w+1] = sample(a+b-e-f, 3), sample(a-b-e+f, 3)
	case 2:
		d.four(out, w)
	default:
		d.eight(out, w)
	}
}

// sample scales a value by 2^-shift, shifts the levels (T.81, A.3.1) and clips.
func sample(v int64, shift int) byte {
	v = (v+1<<(shift-1))>>shift + 128
	return byte(min(max(v, 0), 255))
}

// four: an inverse transform of the lowest four by four coefficients over four by four points. The
// factors are those of the eight-point transform's coefficients: 1/sqrt(2) of a four-point one each way.
func (d *jpegDecoder) four(out []byte, w int) {
	c := &d.block
	var t [16]int64
	for x := range 4 {
		a, b, e, f := int64(c[x]), int64(c[8+x]), int64(c[16+x]), int64(c[24+x])
		even0, even1 := (a+e)<<(point-1), (a-e)<<(point-1)
		odd0 := (b*int64(cos1) + f*int64(cos3)) * int64(root) >> point
		odd1 := (b*int64(cos3) - f*int64(cos1)) * int64(root) >> point
		t[x], t[4+x], t[8+x], t[12+x] = even0+odd0, even1+odd1, even1-odd1, even0-odd0
	}
	for y := range 4 {
		a, b, e, f := t[4*y], t[4*y+1], t[4*y+2], t[4*y+3]
		even0, even1 := (a+e)<<(point-1), (a-e)<<(point-1)
		odd0 := (b*int64(cos1) + f*int64(cos3)) * int64(root) >> point
		odd1 := (b*int64(cos3) - f*int64(cos1)) * int64(root) >> point
		row := out[y*w : y*w+4]
		row[0], row[1] = sample(even0+odd0, 2*point+1), sample(even1+odd1, 2*point+1)
		row[2], row[3] = sample(even1-odd1, 2*point+1), sample(even0-odd0, 2*point+1)
	}
}

// eight is the whole inverse transform (T.81, A.3.3), rows and columns apart, even and odd parts apart.
func (d *jpegDecoder) eight(out []byte, w int) {
	var t [64]int64
	for x := range 8 {
		line8(&t, x, 8, int64(d.block[x]), int64(d.block[8+x]), int64(d.block[16+x]), int64(d.block[24+x]),
			int64(d.block[32+x]), int64(d.block[40+x]), int64(d.block[48+x]), int64(d.block[56+x]), 0)
	}
	for y := range 8 {
		r := t[8*y : 8*y+8]
		line8(&t, 8*y, 1, r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], point)
		row := out[y*w : y*w+8]
		for x := range row {
			row[x] = sample(r[x], point+2)
		}
	}
}

// line8 transforms eight coefficients, twice as large as they should be, 2^point times and then 2^-down.
func line8(t *[64]int64, at, step int, c0, c1, c2, c3, c4, c5, c6, c7 int64, down int) {
	a, b := (c0+c4)*int64(root), (c0-c4)*int64(root)
	e, f := c2*int64(cos1)+c6*int64(cos3), c2*int64(cos3)-c6*int64(cos1)
	even := [4]int64{a + e, b + f, b - f, a - e}
	for n := range 4 {
		m := &odd8[n]
		odd := c1*int64(m[0]) + c3*int64(m[1]) + c5*int64(m[2]) + c7*int64(m[3])
		t[at+n*step] = (even[n] + odd) >> down
		t[at+(7-n)*step] = (even[n] - odd) >> down
	}
}
