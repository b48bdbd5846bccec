package hevc

import "fmt"

// Picture is a decoded picture. Planes are brightness and both colour differences (the latter nil where
// there are none), rows one after the other, cut to what is shown.
type Picture struct {
	Width, Height int
	Chroma        int
	Depth         [2]int // bits a sample, of brightness and of colour differences
	Planes        [3]Plane
}

// Plane is one channel; the sample at x, y is Pix[y*Stride+x].
type Plane struct {
	Width, Height, Stride int
	Pix                   []uint16
}

// slice is what a slice segment's header says, kept for the filters.
type slice struct {
	address      int // of its first CTB, in raster order, shared by its dependent segments
	sao          [2]bool
	qp           int
	offset       [2]int
	noDeblocking bool
	beta, tc     int
	across       bool
}

// sao is a CTB's sample adaptive offset, by channel (7.4.9.3).
type saoParams struct {
	kind   [3]uint8
	class  [3]uint8 // of edges, or the band
	offset [3][4]int16
}

// decoder decodes one picture.
type decoder struct {
	engine
	s      *sps
	p      *pps
	planes [3]Plane
	shift  [2]int // log2 of how many pixels a colour sample stands for: across, down

	slices []slice
	slice  *slice

	// By CTB, in raster order.
	ctbSlice []int16 // 1 + the index into slices; 0 not decoded
	ctbSAO   []saoParams
	ctbTile  []int32
	toRaster []int32
	toScan   []int32

	// By four by four pixels.
	wide    int
	done    []uint8 // decoded, so that it can be predicted from
	depths  []uint8 // of the coding quadtree
	modes   []uint8 // of intra prediction
	qps     []int8
	edges   []uint8 // 1: the left edge is one to filter, 2: the upper
	keep    []uint8 // 1: not to be filtered
	saved   states  // after the second CTB of a row
	segment states  // at the end of a slice segment

	// The coding unit and the quantization group in work.
	bypass    bool
	qp        int
	predicted int
	lastQP    int
	coded     bool // a QP difference, in this group
	intra     [4]uint8
	colour    [4]uint8
	split     bool // in four
	coeffs    [32 * 32]int32
	tmp       [32 * 32]int32
}

// Decode decodes one picture: data are units behind their lengths. stop, if it returns an error, ends it.
func (c *Config) Decode(data []byte, stop func() error) (*Picture, error) {
	s := &c.sps
	d := &decoder{s: s, wide: (s.w + 3) / 4}
	if s.chroma == 1 || s.chroma == 2 {
		d.shift[0] = 1
	}
	if s.chroma == 1 {
		d.shift[1] = 1
	}
	d.planes[0] = Plane{s.w, s.h, s.w, make([]uint16, s.w*s.h)}
	if s.chroma > 0 {
		for i := 1; i < 3; i++ {
			w, h := s.w>>d.shift[0], s.h>>d.shift[1]
			d.planes[i] = Plane{w, h, w, make([]uint16, w*h)}
		}
	}
	n := d.wide * ((s.h + 3) / 4)
	all := make([]uint8, 5*n)
	d.done, d.depths, d.modes, d.edges, d.keep = all[:n:n], all[n:2*n:2*n], all[2*n:3*n:3*n], all[3*n:4*n:4*n], all[4*n:]
	d.qps = make([]int8, n)
	ctbs := s.ctbWidth * s.height
	d.ctbSlice, d.ctbSAO, d.ctbTile = make([]int16, ctbs), make([]saoParams, ctbs), make([]int32, ctbs)
	d.toRaster, d.toScan = make([]int32, ctbs), make([]int32, ctbs)
	decoded := 0
	for len(data) > 0 {
		if len(data) < c.lengths {
			return nil, errShort
		}
		size := 0
		for _, b := range data[:c.lengths] {
			size = size<<8 | int(b)
		}
		data = data[c.lengths:]
		if size > len(data) || size < 2 {
			return nil, errShort
		}
		unit := data[:size]
		data = data[size:]
		kind := int(unit[0] >> 1 & 0x3f)
		if kind > 31 || unit[0]&1 != 0 || unit[1]>>3 != 0 {
			continue // no slice, or of another layer
		}
		if kind < 16 || kind > 21 {
			return nil, fmt.Errorf("hevc: a slice of type %d: %w", kind, errUnsupported)
		}
		n, err := d.segmentOf(c, kind, unescaped(unit[2:]), stop)
		if err != nil {
			return nil, err
		}
		decoded += n
	}
	if decoded != ctbs {
		return nil, fmt.Errorf("hevc: %d blocks of %d: %w", decoded, ctbs, errShort)
	}
	d.deblock()
	d.offset()
	return d.picture(), nil
}

func (d *decoder) picture() *Picture {
	s := d.s
	out := &Picture{Width: s.w - s.crop[0] - s.crop[1], Height: s.h - s.crop[2] - s.crop[3], Chroma: s.chroma, Depth: s.depth}
	for i, p := range d.planes {
		if p.Pix == nil {
			continue
		}
		a, b := 0, 0
		if i > 0 {
			a, b = d.shift[0], d.shift[1]
		}
		out.Planes[i] = Plane{p.Width - (s.crop[0]+s.crop[1])>>a, p.Height - (s.crop[2]+s.crop[3])>>b, p.Stride, p.Pix[s.crop[2]>>b*p.Stride+s.crop[0]>>a:]}
	}
	return out
}

// tiles lays out the order of CTBs (6.5.1).
func (d *decoder) tiles() {
	at, tile := int32(0), int32(0)
	p, w := d.p, d.s.ctbWidth
	for j := 1; j < len(p.rows); j++ {
		for i := 1; i < len(p.columns); i++ {
			for y := p.rows[j-1]; y < p.rows[j]; y++ {
				for x := p.columns[i-1]; x < p.columns[i]; x++ {
					d.toRaster[at], d.toScan[y*w+x], d.ctbTile[y*w+x] = int32(y*w+x), at, tile
					at++
				}
			}
			tile++
		}
	}
}

// segmentOf reads a slice segment (7.3.6.1) and decodes it; it returns the number of CTBs.
func (d *decoder) segmentOf(c *Config, kind int, b []byte, stop func() error) (int, error) {
	s := d.s
	r := &bits{b: b}
	first := r.flag()
	r.u(1)
	p := c.pps[r.ue(63)]
	if p == nil {
		return 0, errBroken
	}
	if first == (d.p != nil) || d.p != nil && d.p != p {
		return 0, errBroken // a second picture, or the first one's beginning is missing
	}
	if first {
		d.p = p
		d.tiles()
	}
	ctbs := s.ctbWidth * s.height
	dependent, address := false, 0
	if !first {
		if p.dependent {
			dependent = r.flag()
		}
		n := 0
		for 1<<n < ctbs {
			n++
		}
		address = r.u(n)
	}
	if r.out || address >= ctbs || d.ctbSlice[address] != 0 || dependent && d.slice == nil {
		return 0, errBroken
	}
	if !dependent {
		x := slice{address: address, noDeblocking: p.noDeblocking, beta: p.beta, tc: p.tc, across: p.acrossSlices}
		r.u(p.extraBits)
		if r.ue(2) != 2 {
			return 0, fmt.Errorf("hevc: a picture made from others: %w", errUnsupported)
		}
		if p.outputFlag {
			r.u(1)
		}
		if kind != 19 && kind != 20 { // not where decoding starts anew
			r.u(s.pocBits)
			if !r.flag() {
				if _, err := refSet(r, len(s.refSets), len(s.refSets), s.refSets); err != nil {
					return 0, err
				}
			} else if n := len(s.refSets); n > 1 {
				k := 0
				for 1<<k < n {
					k++
				}
				r.u(k)
			}
			if s.longTermThere {
				return 0, errUnsupported
			}
			if s.temporalMVP {
				r.u(1)
			}
		}
		if s.sao {
			x.sao[0] = r.flag()
			if s.chroma > 0 {
				x.sao[1] = r.flag()
			}
		}
		x.qp = p.qp + r.se(64)
		x.offset = p.offset
		if p.sliceOffsets {
			x.offset[0] += r.se(12)
			x.offset[1] += r.se(12)
		}
		if p.override && r.flag() {
			if x.noDeblocking = r.flag(); !x.noDeblocking {
				x.beta, x.tc = 2*r.se(6), 2*r.se(6)
			}
		}
		if p.acrossSlices && (x.sao[0] || x.sao[1] || !x.noDeblocking) {
			x.across = r.flag()
		}
		if r.out || x.qp < -6*(s.depth[0]-8) || x.qp > 51 || len(d.slices) >= 1<<14 {
			return 0, errBroken
		}
		d.slices = append(d.slices, x)
		d.slice = &d.slices[len(d.slices)-1]
	}
	if len(p.columns) > 2 || len(p.rows) > 2 || p.sync {
		// Where the parts begin follows from where they end.
		if n := r.ue(1 << 20); n > 0 {
			wide := r.ue(31) + 1
			if n*wide > 8*len(b) {
				return 0, errBroken
			}
			r.at += n * wide
		}
	}
	if p.extension {
		r.at += 8 * r.ue(256)
	}
	if !r.flag() || r.out { // the one bit before alignment
		return 0, errBroken
	}
	d.b = b
	return d.blocks(address, (r.at+7)/8, dependent, stop)
}

// blocks decodes the CTBs of a slice segment (7.3.8.1).
func (d *decoder) blocks(address, at int, dependent bool, stop func() error) (int, error) {
	s, p := d.s, d.p
	w := s.ctbWidth
	d.start(at)
	scan := int(d.toScan[address])
	from := scan
	if !dependent {
		d.lastQP = d.slice.qp
	}
	for {
		raster := int(d.toRaster[scan])
		x, y := raster%w, raster/w
		tile := d.ctbTile[raster]
		newTile := scan == 0 || d.ctbTile[d.toRaster[scan-1]] != tile
		newRow := p.sync && (x == 0 || d.ctbTile[raster-1] != tile)
		if d.ctbSlice[raster] != 0 {
			return 0, errBroken
		}
		d.ctbSlice[raster] = int16(len(d.slices))
		// Contexts (9.3.1).
		switch {
		case newTile:
			d.reset(d.slice.qp)
		case newRow:
			if x+1 < w && y > 0 && d.ctbSlice[raster-w+1] == int16(len(d.slices)) && d.ctbTile[raster-w+1] == tile {
				d.states = d.saved
			} else {
				d.reset(d.slice.qp)
			}
		case scan == from:
			if dependent {
				d.states = d.segment
			} else {
				d.reset(d.slice.qp)
			}
		}
		if newTile || newRow {
			d.lastQP = d.slice.qp
		}
		if err := stop(); err != nil {
			return 0, err
		}
		if d.slice.sao[0] || d.slice.sao[1] {
			d.readSAO(x, y, raster)
		}
		if err := d.quadtree(x<<s.ctb, y<<s.ctb, s.ctb, 0); err != nil {
			return 0, err
		}
		end := d.last()
		if d.over() {
			return 0, errShort
		}
		if p.sync && x > 0 && d.ctbTile[raster-1] == tile && (x == 1 || d.ctbTile[raster-2] != tile) {
			d.saved = d.states
		}
		scan++
		if end {
			d.segment = d.states
			return scan - from, nil
		}
		if scan >= len(d.toRaster) {
			return 0, errBroken
		}
		next := int(d.toRaster[scan])
		if d.ctbTile[next] != tile || p.sync && (next%w == 0 || d.ctbTile[next-1] != d.ctbTile[next]) {
			if !d.last() {
				return 0, errBroken
			}
			d.start(d.next())
		}
	}
}

// readSAO is 7.3.8.3.
func (d *decoder) readSAO(x, y, raster int) {
	w := d.s.ctbWidth
	same := func(other int) bool {
		return d.ctbSlice[other] == d.ctbSlice[raster] && d.ctbTile[other] == d.ctbTile[raster]
	}
	if x > 0 && same(raster-1) && d.bin(ctxSAOMerge) {
		d.ctbSAO[raster] = d.ctbSAO[raster-1]
		return
	}
	if y > 0 && same(raster-w) && d.bin(ctxSAOMerge) {
		d.ctbSAO[raster] = d.ctbSAO[raster-w]
		return
	}
	o := &d.ctbSAO[raster]
	channels := 3
	if d.s.chroma == 0 {
		channels = 1
	}
	for c := range channels {
		second := min(c, 1)
		if !d.slice.sao[second] {
			continue
		}
		if c == 2 {
			o.kind[2], o.class[2] = o.kind[1], o.class[1]
		} else if d.bin(ctxSAOType) {
			o.kind[c] = uint8(1 + d.plain())
		}
		if o.kind[c] == 0 {
			continue
		}
		most := 1<<(min(d.s.depth[second], 10)-5) - 1
		for i := range 4 {
			v := 0
			for v < most && d.plain() == 1 {
				v++
			}
			o.offset[c][i] = int16(v << d.p.saoShift[second])
		}
		if o.kind[c] == 1 {
			for i := range 4 {
				if o.offset[c][i] != 0 && d.plain() == 1 {
					o.offset[c][i] = -o.offset[c][i]
				}
			}
			o.class[c] = uint8(d.plains(5))
			continue
		}
		o.offset[c][2], o.offset[c][3] = -o.offset[c][2], -o.offset[c][3]
		if c < 2 {
			o.class[c] = uint8(d.plains(2))
		}
	}
}

// at returns the index of the four by four pixels around a pixel.
func (d *decoder) at(x, y int) int { return y>>2*d.wide + x>>2 }

// available reports whether the pixel is decoded already, in the same slice and tile as the CTB (6.4.1).
func (d *decoder) available(x, y, raster int) bool {
	if x < 0 || y < 0 || x >= d.s.w || y >= d.s.h || d.done[d.at(x, y)] == 0 {
		return false
	}
	other := y>>d.s.ctb*d.s.ctbWidth + x>>d.s.ctb
	return other == raster || d.ctbSlice[other] == d.ctbSlice[raster] && d.ctbTile[other] == d.ctbTile[raster]
}

func (d *decoder) ctbOf(x, y int) int { return y>>d.s.ctb*d.s.ctbWidth + x>>d.s.ctb }

// quadtree is 7.3.8.4.
func (d *decoder) quadtree(x, y, log2, depth int) error {
	s := d.s
	size := 1 << log2
	split := log2 > s.minCB
	if split && x+size <= s.w && y+size <= s.h {
		raster, ctx := d.ctbOf(x, y), ctxSplitCU
		if d.available(x-1, y, raster) && int(d.depths[d.at(x-1, y)]) > depth {
			ctx++
		}
		if d.available(x, y-1, raster) && int(d.depths[d.at(x, y-1)]) > depth {
			ctx++
		}
		split = d.bin(ctx)
	}
	if d.p.qpDelta && log2 >= s.ctb-d.p.qpDeltaDepth || log2 == s.ctb {
		d.group(x, y)
	}
	if !split {
		return d.unit(x, y, log2, depth)
	}
	half := size / 2
	for i := range 4 {
		if x, y := x+i&1*half, y+i>>1*half; x < s.w && y < s.h {
			if err := d.quadtree(x, y, log2-1, depth+1); err != nil {
				return err
			}
		}
	}
	return nil
}

// group begins a quantization group and predicts its QP (8.6.1).
func (d *decoder) group(x, y int) {
	d.coded = false
	raster := d.ctbOf(x, y)
	near := func(x, y int) int {
		if d.available(x, y, raster) && d.ctbOf(x, y) == raster {
			return int(d.qps[d.at(x, y)])
		}
		return d.lastQP
	}
	d.predicted = (near(x-1, y) + near(x, y-1) + 1) >> 1
	d.qp = d.predicted
}

// unit is a coding unit (7.3.8.5).
func (d *decoder) unit(x, y, log2, depth int) error {
	s := d.s
	size := 1 << log2
	d.bypass = d.p.bypass && d.bin(ctxBypass)
	d.split = log2 == s.minCB && !d.bin(ctxPartMode)
	d.edge(x, y, log2)
	four := size / 4
	for j := range four {
		row := d.depths[d.at(x, y+4*j):][:four]
		for i := range row {
			row[i] = uint8(depth)
		}
	}
	keep := uint8(0)
	if d.bypass {
		keep = 1
	}
	pcm := s.pcm && !d.split && log2 >= s.minPCM && log2 <= s.maxPCM && d.last()
	if pcm {
		if s.pcmNoFilter {
			keep = 1
		}
		if err := d.readPCM(x, y, log2); err != nil {
			return err
		}
		d.fillModes(x, y, size, 1)
		d.mark(x, y, log2)
	} else {
		d.predictions(x, y, log2)
		extra := 0
		if d.split {
			extra = 1
		}
		if err := d.tree(x, y, x, y, log2, 0, s.maxDepth+extra, 0, [2][2]bool{{true, true}, {true, true}}); err != nil {
			return err
		}
	}
	for j := range four {
		at := d.at(x, y+4*j)
		for i := range four {
			d.qps[at+i] = int8(d.qp)
			d.keep[at+i] = keep
		}
	}
	d.lastQP = d.qp
	return nil
}

// edge notes the block's left and upper edges for the deblocking filter.
func (d *decoder) edge(x, y, log2 int) {
	n := 1 << log2 / 4
	if x&7 == 0 {
		for i := range n {
			d.edges[d.at(x, y+4*i)] |= 1
		}
	}
	if y&7 == 0 {
		row := d.edges[d.at(x, y):][:n]
		for i := range row {
			row[i] |= 2
		}
	}
}

func (d *decoder) mark(x, y, log2 int) {
	n := max(1<<log2/4, 1)
	for j := range n {
		row := d.done[d.at(x, y+4*j):][:n]
		for i := range row {
			row[i] = 1
		}
	}
}

func (d *decoder) fillModes(x, y, size int, mode uint8) {
	n := max(size/4, 1)
	for j := range n {
		row := d.modes[d.at(x, y+4*j):][:n]
		for i := range row {
			row[i] = mode
		}
	}
}

// readPCM is 7.3.8.7: samples as they are.
func (d *decoder) readPCM(x, y, log2 int) error {
	s := d.s
	r := &bits{b: d.b, at: 8 * d.next()}
	for c := range d.planes {
		p := &d.planes[c]
		if p.Pix == nil {
			continue
		}
		a, b, k := 0, 0, 0
		if c > 0 {
			a, b, k = d.shift[0], d.shift[1], 1
		}
		for j := range 1 << log2 >> b {
			row := p.Pix[(y>>b+j)*p.Stride+x>>a:][:1<<log2>>a]
			for i := range row {
				row[i] = uint16(r.u(s.pcmDepth[k]) << (s.depth[k] - s.pcmDepth[k]))
			}
		}
	}
	if r.out {
		return errShort
	}
	d.start((r.at + 7) / 8)
	return nil
}

// predictions reads the modes of intra prediction and works them out (8.4.2, 8.4.3).
func (d *decoder) predictions(x, y, log2 int) {
	parts, size := 1, 1<<log2
	if d.split {
		parts, size = 4, size/2
	}
	var prev [4]bool
	for i := range parts {
		prev[i] = d.bin(ctxPrevIntra)
	}
	raster := d.ctbOf(x, y)
	for i := range parts {
		x, y := x+i&1*size, y+i>>1*size
		a, b := uint8(1), uint8(1)
		if d.available(x-1, y, raster) || i&1 == 1 {
			a = d.modes[d.at(x-1, y)]
		}
		if (d.available(x, y-1, raster) || i>>1 == 1) && y&(1<<d.s.ctb-1) != 0 {
			b = d.modes[d.at(x, y-1)]
		}
		var list [3]uint8
		switch {
		case a == b && a < 2:
			list = [3]uint8{0, 1, 26}
		case a == b:
			list = [3]uint8{a, 2 + (a+29)%32, 2 + (a-2+1)%32}
		default:
			c := uint8(26)
			if a != 0 && b != 0 {
				c = 0
			} else if a != 1 && b != 1 {
				c = 1
			}
			list = [3]uint8{a, b, c}
		}
		var mode uint8
		if prev[i] {
			k := 0
			for k < 2 && d.plain() == 1 {
				k++
			}
			mode = list[k]
		} else {
			mode = uint8(d.plains(5))
			if list[0] > list[1] {
				list[0], list[1] = list[1], list[0]
			}
			if list[0] > list[2] {
				list[0], list[2] = list[2], list[0]
			}
			if list[1] > list[2] {
				list[1], list[2] = list[2], list[1]
			}
			for _, v := range list {
				if mode >= v {
					mode++
				}
			}
		}
		d.intra[i] = mode
		d.fillModes(x, y, size, mode)
	}
	for i := parts; i < 4; i++ {
		d.intra[i] = d.intra[0]
	}
	if d.s.chroma == 0 {
		return
	}
	many := 1
	if d.s.chroma == 3 {
		many = parts
	}
	for i := range many {
		mode := d.intra[i]
		if d.bin(ctxChromaMode) {
			k := d.plains(2)
			if other := [4]uint8{0, 26, 10, 1}[k]; other == mode {
				mode = 34
			} else {
				mode = other
			}
		}
		if d.s.chroma == 2 {
			mode = modes422[mode]
		}
		d.colour[i] = mode
	}
	for i := many; i < 4; i++ {
		d.colour[i] = d.colour[0]
	}
}

// modes422 is table 8-3: directions where a colour sample is twice as wide as high.
var modes422 = [35]uint8{0, 1, 2, 2, 2, 2, 3, 5, 7, 8, 10, 12, 13, 15, 17, 18, 19, 20, 21, 22, 23, 23, 24, 24, 25, 25, 26, 27, 27, 28, 28, 29, 29, 30, 31}

// tree is a transform tree (7.3.8.8). coded says which colour blocks of the parent have coefficients.
func (d *decoder) tree(x, y, baseX, baseY, log2, depth, deepest, part int, coded [2][2]bool) error {
	s := d.s
	split := log2 > s.maxTB || d.split && depth == 0
	if log2 <= s.maxTB && log2 > s.minTB && depth < deepest && !(d.split && depth == 0) {
		split = d.bin(ctxSplitTU + 5 - log2)
	}
	if log2 > 2 && s.chroma > 0 || s.chroma == 3 {
		for c := range coded {
			parent := coded[c][0] || coded[c][1]
			coded[c] = [2]bool{}
			if depth == 0 || parent {
				coded[c][0] = d.bin(ctxCbfChroma + depth)
				if s.chroma == 2 && (!split || log2 == 3) {
					coded[c][1] = d.bin(ctxCbfChroma + depth)
				}
			}
		}
	} else if s.chroma == 0 || depth == 0 {
		coded = [2][2]bool{}
	}
	if split {
		half := 1 << log2 / 2
		for i := range 4 {
			if err := d.tree(x+i&1*half, y+i>>1*half, x, y, log2-1, depth+1, deepest, i, coded); err != nil {
				return err
			}
		}
		return nil
	}
	ctx := ctxCbfLuma
	if depth == 0 {
		ctx++
	}
	return d.transformUnit(x, y, baseX, baseY, log2, depth, part, d.bin(ctx), coded)
}

// transformUnit is 7.3.8.10: prediction of each block, and what is added to it.
func (d *decoder) transformUnit(x, y, baseX, baseY, log2, depth, part int, luma bool, coded [2][2]bool) error {
	s := d.s
	if depth > 0 {
		d.edge(x, y, log2)
	}
	if d.p.qpDelta && !d.coded && (luma || coded[0][0] || coded[0][1] || coded[1][0] || coded[1][1]) {
		if err := d.readQP(); err != nil {
			return err
		}
	}
	i := 0
	if d.split {
		// The part of the coding unit, however deep the tree.
		i = d.partOf(x, y)
	}
	mode := d.intra[i]
	d.predict(0, x, y, log2, mode)
	if luma {
		if err := d.residual(0, x, y, log2, mode); err != nil {
			return err
		}
	}
	d.mark(x, y, log2)
	if s.chroma == 0 {
		return nil
	}
	size := log2 - d.shift[0]
	mode = d.colour[i]
	if log2 == 2 && s.chroma != 3 {
		if part != 3 {
			return nil
		}
		x, y, size, mode = baseX, baseY, 2, d.colour[0]
	}
	blocks := 1
	if s.chroma == 2 {
		blocks = 2
	}
	for c := range 2 {
		for k := range blocks {
			cx, cy := x>>d.shift[0], y>>d.shift[1]+k<<size
			d.predict(1+c, cx, cy, size, mode)
			if coded[c][k] {
				if err := d.residual(1+c, cx, cy, size, mode); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// partOf returns the quarter of a coding unit of the smallest size.
func (d *decoder) partOf(x, y int) int {
	return x>>(d.s.minCB-1)&1 | y>>(d.s.minCB-1)&1<<1
}

// readQP is the QP's difference (7.3.8.14, 9.3.3.10) and what comes of it (8-283).
func (d *decoder) readQP() error {
	v := d.bit(ctxQPDelta)
	if v == 1 {
		for v < 5 && d.bin(ctxQPDelta+1) {
			v++
		}
		if v == 5 {
			k := 0
			for k < 16 && d.plain() == 1 {
				v += 1 << k
				k++
			}
			v += d.plains(k)
		}
	}
	if v > 0 && d.plain() == 1 {
		v = -v
	}
	d.coded = true
	more := 6 * (d.s.depth[0] - 8)
	if v < -(26+more/2) || v > 25+more/2 {
		return errBroken
	}
	d.qp = (d.predicted+v+52+2*more)%(52+more) - more
	return nil
}

// chromaQP is table 8-10.
func (d *decoder) chromaQP(qp int) int {
	if d.s.chroma != 1 {
		return min(qp, 51)
	}
	switch {
	case qp < 30:
		return qp
	case qp >= 43:
		return qp - 6
	}
	return int([13]int8{29, 30, 31, 32, 33, 33, 34, 34, 35, 35, 36, 36, 37}[qp-30])
}
