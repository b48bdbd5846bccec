package hevc

import (
	"encoding/binary"
	"errors"
	"fmt"
)

var (
	errShort       = errors.New("hevc: the data end too early")
	errBroken      = errors.New("hevc: the data are broken")
	errUnsupported = errors.New("hevc: a tool that is not supported")
)

// Config is what a stream's parameter sets say.
type Config struct {
	// Width and Height of what is shown, in pixels.
	Width, Height int
	// Chroma is 0 (none), 1 (4:2:0), 2 (4:2:2) or 3 (4:4:4).
	Chroma int
	// Primaries and Matrix are code points of ITU-T H.273, 2 (unspecified) where the stream does not say;
	// Limited says that samples run from 16 to 235 of 255. Stated is whether the stream says that.
	Primaries, Matrix int
	Limited, Stated   bool

	lengths int // bytes of a length field
	sps     sps
	pps     map[int]*pps
}

// Memory is how many bytes decoding holds at most.
func (c *Config) Memory() int64 {
	pixels := int64(c.sps.w) * int64(c.sps.h)
	planes := pixels * int64([4]int{2, 3, 4, 6}[c.sps.chroma]) // two bytes a sample
	return 1<<20 + planes + pixels                             // and what is noted of each block
}

type sps struct {
	w, h             int // coded
	crop             [4]int
	chroma           int
	depth            [2]int // luma, chroma
	minCB, ctb       int    // log2
	minTB, maxTB     int
	maxDepth         int // of transforms below a coding unit
	lists            *scaling
	amp, sao         bool
	pcm              bool
	pcmDepth         [2]int
	minPCM, maxPCM   int
	pcmNoFilter      bool
	refSets          []int // number of pictures in each
	longTerm         int
	longTermThere    bool
	temporalMVP      bool
	strongSmoothing  bool
	pocBits          int
	ctbWidth, height int // in CTBs
}

type pps struct {
	dependent, outputFlag  bool
	extraBits              int
	hiding                 bool
	qp                     int
	skip                   bool // transform skip
	skipSize               int  // log2
	qpDelta                bool
	qpDeltaDepth           int
	offset                 [2]int
	sliceOffsets           bool
	bypass                 bool
	sync                   bool
	columns, rows          []int // where tiles begin, in CTBs, and the end
	acrossTiles            bool
	acrossSlices           bool
	override, noDeblocking bool
	beta, tc               int
	lists                  *scaling
	extension              bool
	saoShift               [2]int
	cabacInit              bool
}

// bits reads a parameter set or slice header.
type bits struct {
	b   []byte
	at  int
	out bool
}

// unescaped takes the bytes out that keep start codes from arising (7.3.1.1).
func unescaped(unit []byte) []byte {
	raw := make([]byte, 0, len(unit))
	zeros := 0
	for _, c := range unit {
		if c == 3 && zeros >= 2 {
			zeros = 0
			continue
		}
		raw = append(raw, c)
		if c == 0 {
			zeros++
		} else {
			zeros = 0
		}
	}
	return raw
}

func (r *bits) u(n int) int {
	v := 0
	for range n {
		if r.at>>3 >= len(r.b) {
			r.out = true
			return 0
		}
		v = v<<1 | int(r.b[r.at>>3]>>(7-r.at&7)&1)
		r.at++
	}
	return v
}

func (r *bits) flag() bool { return r.u(1) == 1 }

// ue is an unsigned Exp-Golomb code (9.2), at most limit.
func (r *bits) ue(limit int) int {
	n := 0
	for !r.out && r.u(1) == 0 {
		n++
	}
	if n > 31 {
		r.out = true
		return 0
	}
	v := 1<<n - 1 + r.u(n)
	if v > limit {
		r.out = true
		return 0
	}
	return v
}

// se is a signed one, between -limit and limit.
func (r *bits) se(limit int) int {
	v := r.ue(2 * limit)
	if v&1 == 1 {
		return (v + 1) / 2
	}
	return -v / 2
}

// Parse reads the content of an hvcC box.
func Parse(b []byte) (*Config, error) {
	if len(b) < 23 {
		return nil, errShort
	}
	c := &Config{Primaries: 2, Matrix: 2, lengths: int(b[21]&3) + 1, pps: map[int]*pps{}}
	arrays := int(b[22])
	b = b[23:]
	type unit struct {
		kind int
		data []byte
	}
	var units []unit
	for range arrays {
		if len(b) < 3 {
			return nil, errShort
		}
		n := int(binary.BigEndian.Uint16(b[1:]))
		b = b[3:]
		for range n {
			if len(b) < 2 || len(b) < 2+int(binary.BigEndian.Uint16(b)) || binary.BigEndian.Uint16(b) < 2 {
				return nil, errShort
			}
			data := b[2 : 2+int(binary.BigEndian.Uint16(b))]
			b = b[2+len(data):]
			units = append(units, unit{int(data[0] >> 1 & 0x3f), data})
		}
	}
	found := 0
	for _, u := range units {
		if u.kind == 33 {
			found++
			if err := c.readSPS(&bits{b: unescaped(u.data[2:])}); err != nil {
				return nil, err
			}
		}
	}
	if found != 1 {
		return nil, fmt.Errorf("hevc: %d sequence parameter sets", found)
	}
	for _, u := range units {
		if u.kind == 34 {
			if err := c.readPPS(&bits{b: unescaped(u.data[2:])}); err != nil {
				return nil, err
			}
		}
	}
	return c, nil
}

// readSPS is 7.3.2.2.
func (c *Config) readSPS(r *bits) error {
	s := &c.sps
	r.u(4)
	layers := r.u(3)
	r.u(1)
	r.u(96) // profile, tier and level
	var profile, level [8]bool
	for i := range layers {
		profile[i], level[i] = r.flag(), r.flag()
	}
	if layers > 0 {
		r.u(2 * (8 - layers))
	}
	for i := range layers {
		if profile[i] {
			r.u(88)
		}
		if level[i] {
			r.u(8)
		}
	}
	r.ue(15)
	s.chroma = r.ue(3)
	if s.chroma == 3 && r.flag() {
		return errUnsupported // three colour planes apart
	}
	s.w, s.h = r.ue(1<<24), r.ue(1<<24)
	if r.flag() {
		across, down := [4]int{1, 2, 2, 1}[s.chroma], [4]int{1, 2, 1, 1}[s.chroma]
		for i, unit := range [4]int{across, across, down, down} { // left, right, top, bottom
			s.crop[i] = unit * r.ue(1<<24)
		}
	}
	s.depth[0], s.depth[1] = 8+r.ue(8), 8+r.ue(8)
	s.pocBits = 4 + r.ue(12)
	n := 1
	if r.flag() {
		n = layers + 1
	}
	for range 3 * n {
		r.ue(1 << 30)
	}
	s.minCB = 3 + r.ue(3)
	s.ctb = s.minCB + r.ue(3)
	s.minTB = 2 + r.ue(3)
	s.maxTB = s.minTB + r.ue(3)
	r.ue(4)
	s.maxDepth = r.ue(4)
	if r.out {
		return errBroken
	}
	if s.ctb > 6 || s.ctb < 4 || s.minTB >= s.minCB || s.maxTB > min(s.ctb, 5) || max(s.depth[0], s.depth[1]) > 12 {
		return errBroken
	}
	if s.w == 0 || s.h == 0 || s.w&(1<<s.minCB-1) != 0 || s.h&(1<<s.minCB-1) != 0 || s.crop[0]+s.crop[1] >= s.w || s.crop[2]+s.crop[3] >= s.h {
		return errBroken
	}
	if r.flag() {
		s.lists = flat()
		if r.flag() {
			if err := s.lists.read(r, s.chroma); err != nil {
				return err
			}
		} else {
			s.lists.standard()
		}
	}
	s.amp, s.sao = r.flag(), r.flag()
	if s.pcm = r.flag(); s.pcm {
		s.pcmDepth[0], s.pcmDepth[1] = r.u(4)+1, r.u(4)+1
		s.minPCM = 3 + r.ue(2)
		s.maxPCM = s.minPCM + r.ue(2)
		s.pcmNoFilter = r.flag()
		if s.pcmDepth[0] > s.depth[0] || s.pcmDepth[1] > s.depth[1] || s.maxPCM > min(s.ctb, 5) {
			return errBroken
		}
	}
	sets := r.ue(64)
	for i := range sets {
		n, err := refSet(r, i, sets, s.refSets)
		if err != nil {
			return err
		}
		s.refSets = append(s.refSets, n)
	}
	if s.longTermThere = r.flag(); s.longTermThere {
		s.longTerm = r.ue(32)
		for range s.longTerm {
			r.u(s.pocBits + 1)
		}
	}
	s.temporalMVP, s.strongSmoothing = r.flag(), r.flag()
	whole := true
	if r.flag() {
		whole = c.usability(r)
	}
	if whole && r.flag() { // extensions
		ranges, multi, three, screen := r.flag(), r.flag(), r.flag(), r.flag()
		if r.u(4); multi || three || screen {
			return errUnsupported
		}
		if ranges {
			for i := range 9 {
				if r.flag() && i != 6 { // the seventh is about prediction from other pictures
					return errUnsupported
				}
			}
		}
	}
	if r.out {
		return errBroken
	}
	c.Width, c.Height, c.Chroma = s.w-s.crop[0]-s.crop[1], s.h-s.crop[2]-s.crop[3], s.chroma
	s.ctbWidth, s.height = (s.w+1<<s.ctb-1)>>s.ctb, (s.h+1<<s.ctb-1)>>s.ctb
	return nil
}

// usability is E.2.1; false if it can't be read to its end.
func (c *Config) usability(r *bits) bool {
	if r.flag() && r.u(8) == 255 {
		r.u(32)
	}
	if r.flag() {
		r.u(1)
	}
	if r.flag() {
		r.u(3)
		c.Stated, c.Limited = true, !r.flag()
		if r.flag() {
			c.Primaries = r.u(8)
			r.u(8)
			c.Matrix = r.u(8)
		}
	}
	if r.flag() {
		r.ue(5)
		r.ue(5)
	}
	r.u(3)
	if r.flag() {
		for range 4 {
			r.ue(1 << 24)
		}
	}
	if r.flag() {
		r.u(64)
		if r.flag() {
			r.ue(1 << 30)
		}
		if r.flag() {
			return false // a reference decoder's buffers: not in still pictures
		}
	}
	if r.flag() {
		r.u(3)
		for range 5 {
			r.ue(1 << 16)
		}
	}
	return true
}

// refSet is 7.3.7; of a set of reference pictures only the number matters.
func refSet(r *bits, i, all int, before []int) (int, error) {
	if i > 0 && r.flag() {
		from := i - 1
		if i == all {
			from = i - 1 - r.ue(i-1)
		}
		r.u(1)
		r.ue(1 << 15)
		if r.out || from < 0 || from >= len(before) {
			return 0, errBroken
		}
		n := 0
		for range before[from] + 1 {
			used := r.flag()
			if !used {
				used = r.flag() // not now, but kept for later
			}
			if used {
				n++
			}
		}
		return n, nil
	}
	n := r.ue(16) + r.ue(16)
	for range n {
		r.ue(1 << 15)
		r.u(1)
	}
	if r.out {
		return 0, errBroken
	}
	return n, nil
}

// readPPS is 7.3.2.3.
func (c *Config) readPPS(r *bits) error {
	s := &c.sps
	p := &pps{skipSize: 2, acrossTiles: true}
	id := r.ue(63)
	r.ue(15)
	p.dependent, p.outputFlag = r.flag(), r.flag()
	p.extraBits = r.u(3)
	p.hiding, p.cabacInit = r.flag(), r.flag()
	r.ue(14)
	r.ue(14)
	p.qp = 26 + r.se(64)
	r.u(1)
	p.skip = r.flag()
	if p.qpDelta = r.flag(); p.qpDelta {
		p.qpDeltaDepth = r.ue(s.ctb - s.minCB)
	}
	p.offset[0], p.offset[1] = r.se(12), r.se(12)
	p.sliceOffsets = r.flag()
	r.u(2)
	p.bypass = r.flag()
	tiles := r.flag()
	p.sync = r.flag()
	p.columns, p.rows = []int{0, s.ctbWidth}, []int{0, s.height}
	if tiles {
		across, down := r.ue(s.ctbWidth-1)+1, r.ue(s.height-1)+1
		even := r.flag()
		split := func(n, all int) []int {
			at := []int{0}
			for i := 1; i < n; i++ {
				if even {
					at = append(at, i*all/n)
				} else {
					at = append(at, at[i-1]+r.ue(all)+1)
				}
			}
			return append(at, all)
		}
		p.columns, p.rows = split(across, s.ctbWidth), split(down, s.height)
		for _, l := range [][]int{p.columns, p.rows} {
			for i := 1; i < len(l); i++ {
				if l[i] <= l[i-1] {
					return errBroken
				}
			}
		}
		p.acrossTiles = r.flag()
	}
	p.acrossSlices = r.flag()
	if r.flag() {
		p.override = r.flag()
		if p.noDeblocking = r.flag(); !p.noDeblocking {
			p.beta, p.tc = 2*r.se(6), 2*r.se(6)
		}
	}
	if r.flag() {
		p.lists = flat()
		if err := p.lists.read(r, s.chroma); err != nil {
			return err
		}
	}
	r.u(1)
	r.ue(4)
	p.extension = r.flag()
	if r.flag() {
		ranges, multi, three, screen := r.flag(), r.flag(), r.flag(), r.flag()
		if r.u(4); multi || three || screen {
			return errUnsupported
		}
		if ranges {
			if p.skip {
				p.skipSize = 2 + r.ue(3)
			}
			if r.u(2) != 0 { // prediction across components, lists of chroma offsets
				return errUnsupported
			}
			p.saoShift[0], p.saoShift[1] = r.ue(4), r.ue(4)
		}
	}
	if r.out {
		return errBroken
	}
	c.pps[id] = p
	return nil
}

// scaling holds the factors by which coefficients are scaled (7.4.5): by log2 of the size less 2, and by
// matrix, in the order of rows.
type scaling [4][6][]uint8

// flat returns lists of sixteens, of the right length.
func flat() *scaling {
	s := &scaling{}
	for size := range s {
		for m := range s[size] {
			s[size][m] = make([]uint8, 16<<(2*size))
			for i := range s[size][m] {
				s[size][m][i] = 16
			}
		}
	}
	return s
}

// The default lists of sizes from 8 on (table 7-6), in the order of the diagonal scan.
var (
	intra8 = [64]uint8{16, 16, 16, 16, 16, 16, 16, 16, 16, 16, 17, 16, 17, 16, 17, 18, 17, 18, 18, 17, 18, 21, 19, 20, 21, 20, 19, 21, 24, 22, 22, 24,
		24, 22, 22, 24, 25, 25, 27, 30, 27, 25, 25, 29, 31, 35, 35, 31, 29, 36, 41, 44, 41, 36, 47, 54, 54, 47, 65, 70, 65, 88, 88, 115}
	inter8 = [64]uint8{16, 16, 16, 16, 16, 16, 16, 16, 16, 16, 17, 17, 17, 17, 17, 18, 18, 18, 18, 18, 18, 20, 20, 20, 20, 20, 20, 20, 24, 24, 24, 24,
		24, 24, 24, 24, 25, 25, 25, 25, 25, 25, 25, 28, 28, 28, 28, 28, 28, 33, 33, 33, 33, 33, 41, 41, 41, 41, 54, 54, 54, 71, 71, 91}
)

func (s *scaling) standard() {
	for size := 1; size < 4; size++ {
		for m := range 6 {
			s.spread(size, m, defaults(m), 16)
		}
	}
}

func defaults(m int) []uint8 {
	if m < 3 {
		return intra8[:]
	}
	return inter8[:]
}

// spread fills a matrix from the list of its 8 by 8 (or 4 by 4) corners and its first value.
func (s *scaling) spread(size, m int, list []uint8, dc uint8) {
	w := 4 << size
	if size == 0 {
		for i, p := range scan4[0] {
			s[0][m][int(p.y)*4+int(p.x)] = list[i]
		}
		return
	}
	for i, p := range scan8 {
		n := w / 8
		for y := range n {
			for x := range n {
				s[size][m][(int(p.y)*n+y)*w+int(p.x)*n+x] = list[i]
			}
		}
	}
	if size > 1 {
		s[size][m][0] = dc
	}
}

// read is 7.3.4.
func (s *scaling) read(r *bits, chroma int) error {
	var lists [4][6][]uint8
	var dcs [4][6]uint8
	for size := range 4 {
		step := 1
		if size == 3 {
			step = 3
		}
		for m := 0; m < 6; m += step {
			n := 16
			if size > 0 {
				n = 64
			}
			list, dc := make([]uint8, n), uint8(16)
			if !r.flag() {
				back := r.ue(m / step)
				switch {
				case back > 0:
					copy(list, lists[size][m-back*step])
					dc = dcs[size][m-back*step]
				case size == 0:
					for i := range list {
						list[i] = 16
					}
				default:
					copy(list, defaults(m))
				}
			} else {
				next := 8
				if size > 1 {
					next += r.se(128)
					dc = uint8(next)
				}
				for i := range list {
					next = (next + r.se(128) + 256) & 255
					list[i] = uint8(next)
				}
			}
			lists[size][m], dcs[size][m] = list, dc
			s.spread(size, m, list, dc)
		}
	}
	if chroma == 3 { // 32 by 32 for colours comes from 16 by 16 (7-42 and on)
		for _, m := range []int{1, 2, 4, 5} {
			s.spread(3, m, lists[2][m], dcs[2][m])
		}
	}
	if r.out {
		return errBroken
	}
	return nil
}

// spot is a place within a block.
type spot struct{ x, y uint8 }

// Scans of blocks (6.5.3 to 6.5.5): up-right diagonal, horizontal, vertical.
var (
	scan2 = [3][]spot{diagonal(2), {{0, 0}, {1, 0}, {0, 1}, {1, 1}}, {{0, 0}, {0, 1}, {1, 0}, {1, 1}}}
	scan4 = [3][]spot{diagonal(4), rowwise(4, false), rowwise(4, true)}
	scan8 = diagonal(8)
	scan1 = []spot{{0, 0}}
)

func diagonal(n int) (out []spot) {
	for d := range 2*n - 1 {
		for x := range n {
			if y := d - x; y >= 0 && y < n {
				out = append(out, spot{uint8(x), uint8(y)})
			}
		}
	}
	return out
}

func rowwise(n int, turned bool) (out []spot) {
	for a := range n {
		for b := range n {
			if turned {
				out = append(out, spot{uint8(a), uint8(b)})
			} else {
				out = append(out, spot{uint8(b), uint8(a)})
			}
		}
	}
	return out
}
