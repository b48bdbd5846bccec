package hevc

// betas and tcs are table 8-12.
var (
	betas = func() (t [52]int32) {
		for q := 16; q < 52; q++ {
			if t[q] = int32(q) - 10; q > 28 {
				t[q] = 2*int32(q) - 38
			}
		}
		return t
	}()
	tcs = [54]int32{18: 1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 5, 5, 6, 6, 7, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22, 24}
)

// deblock is 8.7.2: all upright edges of the picture, then all level ones. In a picture made from nothing else,
// every edge has the strength 2.
func (d *decoder) deblock() {
	for _, s := range d.slices {
		if !s.noDeblocking {
			for _, upright := range []bool{true, false} {
				d.edgesOf(upright)
			}
			return
		}
	}
}

func (d *decoder) edgesOf(upright bool) {
	s := d.s
	bit := uint8(2)
	if upright {
		bit = 1
	}
	for y := 0; y < s.h; y += 4 {
		for x := 0; x < s.w; x += 4 {
			at := d.at(x, y)
			if d.edges[at]&bit == 0 {
				continue
			}
			px, py := x, y-1
			if upright {
				px, py = x-1, y
			}
			if px < 0 || py < 0 {
				continue
			}
			q, p := d.ctbOf(x, y), d.ctbOf(px, py)
			slice := &d.slices[d.ctbSlice[q]-1]
			if slice.noDeblocking || d.ctbSlice[q] != d.ctbSlice[p] && !slice.across || d.ctbTile[q] != d.ctbTile[p] && !d.p.acrossTiles {
				continue
			}
			other := d.at(px, py)
			qp := (int(d.qps[at]) + int(d.qps[other]) + 1) >> 1
			keepQ, keepP := d.keep[at] != 0, d.keep[other] != 0
			d.luma(x, y, upright, qp, slice, keepP, keepQ)
			if s.chroma == 0 {
				continue
			}
			// Edges of colours lie eight of their samples apart.
			cx, cy := x>>d.shift[0], y>>d.shift[1]
			if upright && cx&7 != 0 || !upright && cy&7 != 0 {
				continue
			}
			n := 4 >> d.shift[1]
			if !upright {
				n = 4 >> d.shift[0]
			}
			for c := 1; c < 3; c++ {
				qpc := d.chromaQP(qp + d.p.offset[c-1])
				tc := tcs[min(max(qpc+2+slice.tc, 0), 53)] << (s.depth[1] - 8)
				d.colours(c, cx, cy, n, upright, tc, keepP, keepQ)
			}
		}
	}
}

// luma filters four lines across an edge (8.7.2.5.3, .6, .7).
func (d *decoder) luma(x, y int, upright bool, qp int, slice *slice, keepP, keepQ bool) {
	pl := &d.planes[0]
	depth := d.s.depth[0]
	beta := betas[min(max(qp+slice.beta, 0), 51)] << (depth - 8)
	tc := tcs[min(max(qp+2+slice.tc, 0), 53)] << (depth - 8)
	across, along := pl.Stride, 1
	if upright {
		across, along = 1, pl.Stride
	}
	base := y*pl.Stride + x
	pix := pl.Pix
	g := func(line, i int) int32 { return int32(pix[base+line*along+i*across]) }
	bent := func(line, side int) int32 { // side -1: the three before the edge; 0: after
		if side < 0 {
			return abs32(g(line, -3) - 2*g(line, -2) + g(line, -1))
		}
		return abs32(g(line, 2) - 2*g(line, 1) + g(line, 0))
	}
	dp0, dp3, dq0, dq3 := bent(0, -1), bent(3, -1), bent(0, 0), bent(3, 0)
	if dp0+dp3+dq0+dq3 >= beta {
		return
	}
	smooth := func(line int, both int32) bool {
		return 2*both < beta>>2 && abs32(g(line, -4)-g(line, -1))+abs32(g(line, 0)-g(line, 3)) < beta>>3 && abs32(g(line, -1)-g(line, 0)) < (5*tc+1)>>1
	}
	strong := smooth(0, dp0+dq0) && smooth(3, dp3+dq3)
	moreP, moreQ := dp0+dp3 < (beta+beta>>1)>>3, dq0+dq3 < (beta+beta>>1)>>3
	top := int32(1)<<depth - 1
	for line := range 4 {
		at := base + line*along
		p3, p2, p1, p0 := g(line, -4), g(line, -3), g(line, -2), g(line, -1)
		q0, q1, q2, q3 := g(line, 0), g(line, 1), g(line, 2), g(line, 3)
		if strong {
			near := func(v, old int32) uint16 { return uint16(min(max(v, old-2*tc), old+2*tc)) }
			if !keepP {
				pix[at-across] = near((p2+2*p1+2*p0+2*q0+q1+4)>>3, p0)
				pix[at-2*across] = near((p2+p1+p0+q0+2)>>2, p1)
				pix[at-3*across] = near((2*p3+3*p2+p1+p0+q0+4)>>3, p2)
			}
			if !keepQ {
				pix[at] = near((p1+2*p0+2*q0+2*q1+q2+4)>>3, q0)
				pix[at+across] = near((p0+q0+q1+q2+2)>>2, q1)
				pix[at+2*across] = near((p0+q0+q1+3*q2+2*q3+4)>>3, q2)
			}
			continue
		}
		delta := (9*(q0-p0) - 3*(q1-p1) + 8) >> 4
		if abs32(delta) >= 10*tc {
			continue
		}
		delta = min(max(delta, -tc), tc)
		clip := func(v int32) uint16 { return uint16(min(max(v, 0), top)) }
		if !keepP {
			pix[at-across] = clip(p0 + delta)
			if moreP {
				pix[at-2*across] = clip(p1 + min(max(((p2+p0+1)>>1-p1+delta)>>1, -(tc>>1)), tc>>1))
			}
		}
		if !keepQ {
			pix[at] = clip(q0 - delta)
			if moreQ {
				pix[at+across] = clip(q1 + min(max(((q2+q0+1)>>1-q1-delta)>>1, -(tc>>1)), tc>>1))
			}
		}
	}
}

// colours filters n lines across an edge (8.7.2.5.8).
func (d *decoder) colours(c, x, y, n int, upright bool, tc int32, keepP, keepQ bool) {
	pl := &d.planes[c]
	across, along := pl.Stride, 1
	if upright {
		across, along = 1, pl.Stride
	}
	top := int32(1)<<d.s.depth[1] - 1
	pix := pl.Pix
	for line := range n {
		at := y*pl.Stride + x + line*along
		p1, p0, q0, q1 := int32(pix[at-2*across]), int32(pix[at-across]), int32(pix[at]), int32(pix[at+across])
		delta := min(max(((q0-p0)<<2+p1-q1+4)>>3, -tc), tc)
		if !keepP {
			pix[at-across] = uint16(min(max(p0+delta, 0), top))
		}
		if !keepQ {
			pix[at] = uint16(min(max(q0-delta, 0), top))
		}
	}
}

// offset is sample adaptive offset (8.7.3): in each CTB, by bands of values or by the shape of what lies around.
func (d *decoder) offset() {
	s := d.s
	if !s.sao {
		return
	}
	for c := range d.planes {
		p := &d.planes[c]
		if p.Pix == nil {
			continue
		}
		a, b, second := 0, 0, 0
		if c > 0 {
			a, b, second = d.shift[0], d.shift[1], 1
		}
		high := 1 << s.ctb >> b
		// Rows as they were before, from one above the CTBs in work to one below.
		before := make([]uint16, (high+2)*p.Stride)
		for cy := range s.height {
			y0, y1 := cy*high, min((cy+1)*high, p.Height)
			if cy > 0 {
				copy(before[:p.Stride], before[high*p.Stride:(high+1)*p.Stride])
			}
			copy(before[p.Stride:], p.Pix[y0*p.Stride:min(y1+1, p.Height)*p.Stride])
			for cx := range s.ctbWidth {
				raster := cy*s.ctbWidth + cx
				if d.slices[d.ctbSlice[raster]-1].sao[second] && d.ctbSAO[raster].kind[c] != 0 {
					wide := 1 << s.ctb >> a
					d.offsetOne(c, raster, cx*wide, y0, min((cx+1)*wide, p.Width), y1, before)
				}
			}
		}
	}
}

func (d *decoder) offsetOne(c, raster, x0, y0, x1, y1 int, before []uint16) {
	s := d.s
	p := &d.planes[c]
	o := &d.ctbSAO[raster]
	a, b, depth := 0, 0, s.depth[0]
	if c > 0 {
		a, b, depth = d.shift[0], d.shift[1], s.depth[1]
	}
	top := int32(1)<<depth - 1
	// Where nothing is kept as it is and all lies in one slice and tile, that need not be asked.
	kept := d.p.bypass || s.pcmNoFilter
	keep := func(x, y int) bool { return kept && d.keep[d.at(x<<a, y<<b)] != 0 }
	if o.kind[c] == 1 {
		var add [32]int32
		for k := range 4 {
			add[(int(o.class[c])+k)&31] = int32(o.offset[c][k])
		}
		for y := y0; y < y1; y++ {
			row := p.Pix[y*p.Stride:]
			for x := x0; x < x1; x++ {
				if v := int32(row[x]); !keep(x, y) {
					row[x] = uint16(min(max(v+add[v>>(depth-5)], 0), top))
				}
			}
		}
		return
	}
	step := [4][2]int{{1, 0}, {0, 1}, {1, 1}, {-1, 1}}[o.class[c]]
	add := [5]int32{int32(o.offset[c][0]), int32(o.offset[c][1]), 0, int32(o.offset[c][2]), int32(o.offset[c][3])}
	split := len(d.slices) > 1 || len(d.p.columns) > 2 || len(d.p.rows) > 2
	for y := y0; y < y1; y++ {
		if y-step[1] < 0 || y+step[1] >= p.Height {
			continue
		}
		row, was := p.Pix[y*p.Stride:], before[(y-y0+1)*p.Stride:]
		back := before[(y-y0+1-step[1])*p.Stride:]
		fore := before[(y-y0+1+step[1])*p.Stride:]
		for x := x0; x < x1; x++ {
			if x-step[0] < 0 || x-step[0] >= p.Width || x+step[0] < 0 || x+step[0] >= p.Width || keep(x, y) {
				continue
			}
			if split && (x == x0 || y == y0 || x == x1-1 || y == y1-1) &&
				!(d.together(raster, d.ctbOf((x-step[0])<<a, (y-step[1])<<b)) && d.together(raster, d.ctbOf((x+step[0])<<a, (y+step[1])<<b))) {
				continue
			}
			v := int32(was[x])
			row[x] = uint16(min(max(v+add[2+sign(v-int32(back[x-step[0]]))+sign(v-int32(fore[x+step[0]]))], 0), top))
		}
	}
}

func sign(v int32) int {
	if v < 0 {
		return -1
	}
	if v > 0 {
		return 1
	}
	return 0
}

// together reports whether SAO may look from one CTB into another: the later one's slice says so.
func (d *decoder) together(one, other int) bool {
	if d.ctbTile[one] != d.ctbTile[other] && !d.p.acrossTiles {
		return false
	}
	if d.ctbSlice[one] == d.ctbSlice[other] {
		return true
	}
	later := max(d.ctbSlice[one], d.ctbSlice[other])
	return d.slices[later-1].across
}
