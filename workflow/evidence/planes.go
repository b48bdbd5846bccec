package evidence

import (
	"bytes"
	"image"
	"image/jpeg"
)

// plane is one channel of a picture, rows one after the other without gaps.
type plane struct {
	size
	pix []byte
}

func newPlane(s size) plane { return plane{s, make([]byte, s.w*s.h)} }

func (p plane) row(y int) []byte { return p.pix[y*p.w : (y+1)*p.w] }

// picture is what a copy is made from: brightness in full, both colour differences in half the width
// and height, full range BT.601 as JFIF has it.
type picture struct {
	y, cb, cr plane
}

// grey makes the colours none.
func (p *picture) grey() {
	p.cb, p.cr = newPlane(half(p.y.size)), newPlane(half(p.y.size))
	for i := range p.cb.pix {
		p.cb.pix[i], p.cr.pix[i] = 128, 128
	}
}

func half(s size) size { return size{(s.w + 1) / 2, (s.h + 1) / 2} }

// fit returns the size that a picture of size s has when its long side is at most long. It never grows.
func fit(s size, long int) size {
	if max(s.w, s.h) <= long {
		return s
	}
	if s.w >= s.h {
		return size{long, max(1, (s.h*long+s.w/2)/s.w)}
	}
	return size{max(1, (s.w*long+s.h/2)/s.h), long}
}

// shrinker makes a plane smaller by averaging areas, exactly, in whole numbers: each source pixel counts
// by the area with which it lies below a target pixel. Rows come in one at a time, so that the source
// need not be in memory. It also makes larger, by repeating: for colour differences that come coarser than
// they go.
type shrinker struct {
	from, to size
	out      []byte
	start    []int32  // first source pixel of each target pixel; one more at the end
	first    []uint32 // its share, in units of which a source pixel has to.w
	line     []uint32 // the row just shrunk across, times 256
	sum      []uint64 // what has come together for the target row in work
	need     int      // how much of its height is missing, in units of which a source row has to.h
	overX    uint64   // 2^40 / from.w
	overY    uint64   // 2^40 / from.h
}

func newShrinker(from, to size) *shrinker {
	s := &shrinker{from: from, to: to, out: make([]byte, 0, to.w*to.h)}
	if from == to {
		return s
	}
	s.start = make([]int32, to.w+1)
	s.first = make([]uint32, to.w+1)
	for x := range to.w + 1 {
		at := int64(x) * int64(from.w)
		s.start[x] = int32(at / int64(to.w))
		s.first[x] = uint32(int64(to.w) - at%int64(to.w))
	}
	s.line = make([]uint32, to.w)
	s.sum = make([]uint64, to.w)
	s.need = from.h
	s.overX = 1 << 40 / uint64(from.w)
	s.overY = 1 << 40 / uint64(from.h)
	return s
}

// row takes the next source row. Rows past the last one are left.
func (s *shrinker) row(p []byte) {
	if len(s.out) == cap(s.out) {
		return
	}
	if s.from == s.to {
		s.out = append(s.out, p[:s.from.w]...)
		return
	}
	s.across(p[:s.from.w])
	for has := s.to.h; has > 0; {
		n := min(has, s.need)
		weight := uint64(n)
		sum := s.sum[:len(s.line)]
		for x, v := range s.line {
			sum[x] += uint64(v) * weight
		}
		has -= n
		if s.need -= n; s.need == 0 {
			for x, v := range sum {
				s.out = append(s.out, byte((v*s.overY+1<<47)>>48))
				sum[x] = 0
			}
			s.need = s.from.h
			if len(s.out) == cap(s.out) {
				return
			}
		}
	}
}

func (s *shrinker) across(p []byte) {
	whole := uint32(s.to.w)
	start, first := s.start, s.first
	if len(start) == 0 || len(first) < len(start) {
		return
	}
	at, share := int(start[0]), first[0]
	for x := range s.line {
		next, nextShare := int(start[x+1]), first[x+1]
		var total uint64
		if next == at { // the target pixel lies within a source pixel
			total = uint64(p[at]) * uint64(len(p))
		} else {
			total = uint64(p[at]) * uint64(share)
			var between uint32
			for _, v := range p[at+1 : next] {
				between += uint32(v)
			}
			total += uint64(between) * uint64(whole)
			if over := whole - nextShare; over > 0 {
				total += uint64(p[next]) * uint64(over)
			}
		}
		s.line[x] = uint32((total*s.overX + 1<<31) >> 32)
		at, share = next, nextShare
	}
}

func (s *shrinker) plane() plane { return plane{s.to, s.out[:cap(s.out)]} }

// shrunk returns p in another size.
func (p plane) shrunk(to size) plane {
	s := newShrinker(p.size, to)
	for y := range p.h {
		s.row(p.row(y))
	}
	return s.plane()
}

// shrunk returns the picture with its long side at most long.
func (p *picture) shrunk(long int) *picture {
	to := fit(p.y.size, long)
	return &picture{p.y.shrunk(to), p.cb.shrunk(half(to)), p.cr.shrunk(half(to))}
}

// turned returns the plane as it must lie by an EXIF orientation.
func (p plane) turned(orientation int) plane {
	if orientation <= 1 || orientation > 8 {
		return p
	}
	to := p.size
	if orientation >= 5 {
		to = size{p.h, p.w}
	}
	out := newPlane(to)
	// Where the first pixel comes from, and how far the next one to the right and the next row are.
	var at, right, down int
	w, last := p.w, p.w*p.h-1
	switch orientation {
	case 2:
		at, right, down = w-1, -1, w
	case 3:
		at, right, down = last, -1, -w
	case 4:
		at, right, down = last-w+1, 1, -w
	case 5:
		at, right, down = 0, w, 1
	case 6:
		at, right, down = last-w+1, -w, 1
	case 7:
		at, right, down = last, -w, -1
	case 8:
		at, right, down = w-1, w, -1
	}
	for y := range to.h {
		from := at + y*down
		for x := range out.row(y) {
			out.pix[y*to.w+x] = p.pix[from+x*right]
		}
	}
	return out
}

func (p *picture) turned(orientation int) *picture {
	return &picture{p.y.turned(orientation), p.cb.turned(orientation), p.cr.turned(orientation)}
}

// turn returns the orientation that comes of one and then another: both as EXIF has them.
func turn(first, then int) int {
	// Where the right and the bottom of the picture go, by orientation.
	moves := [9][4]int{1: {1, 0, 0, 1}, 2: {-1, 0, 0, 1}, 3: {-1, 0, 0, -1}, 4: {1, 0, 0, -1},
		5: {0, 1, 1, 0}, 6: {0, -1, 1, 0}, 7: {0, -1, -1, 0}, 8: {0, 1, -1, 0}}
	a, b := moves[then], moves[first]
	both := [4]int{a[0]*b[0] + a[1]*b[2], a[0]*b[1] + a[1]*b[3], a[2]*b[0] + a[3]*b[2], a[2]*b[1] + a[3]*b[3]}
	for o := 1; o <= 8; o++ {
		if moves[o] == both {
			return o
		}
	}
	return 1
}

// quality of the copies, on the usual scale of 1 to 100. The medium ones are looked at with two of their pixels
// for one of the screen's, and emails carry them as they are.
const quality, mediumQuality = 82, 54

func (p *picture) image() *image.YCbCr {
	return &image.YCbCr{Y: p.y.pix, Cb: p.cb.pix, Cr: p.cr.pix, YStride: p.y.w, CStride: p.cb.w,
		SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, p.y.w, p.y.h)}
}

// encode returns the picture as a JPEG that holds nothing but pixels.
func (p *picture) encode(quality int) ([]byte, error) { return encodeJPEG(p.image(), quality) }

func encodeJPEG(m image.Image, quality int) ([]byte, error) {
	var out bytes.Buffer
	out.Grow(m.Bounds().Dx() * m.Bounds().Dy() / 4)
	err := jpeg.Encode(&out, m, &jpeg.Options{Quality: quality})
	return out.Bytes(), err
}
