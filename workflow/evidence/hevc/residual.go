package hevc

// sigMap is table 9-50's part for four by four blocks (9-54: ctxIdxMap).
var sigMap = [16]uint8{0, 1, 4, 5, 2, 3, 4, 5, 6, 6, 8, 8, 7, 7, 8, 8}

// sigNear is the context of a coefficient by its place, for the four ways in which the sub-blocks to the right
// (1) and below (2) have coefficients (9.3.4.2.5).
var sigNear = func() (t [4][16]uint8) {
	for y := range 4 {
		for x := range 4 {
			i := 4*y + x
			switch {
			case x+y == 0:
				t[0][i] = 2
			case x+y < 3:
				t[0][i] = 1
			}
			t[1][i], t[2][i], t[3][i] = [4]uint8{2, 1, 0, 0}[y], [4]uint8{2, 1, 0, 0}[x], 2
		}
	}
	return t
}()

var levelScale = [6]int{40, 45, 51, 57, 64, 72}

// residual reads a block's coefficients (7.3.8.11), scales and transforms them (8.6), and adds what comes of it to the
// prediction. x and y count samples of the channel.
func (d *decoder) residual(c, x, y, log2 int, mode uint8) error {
	s := d.s
	second := min(c, 1)
	size := 1 << log2
	skip := d.p.skip && !d.bypass && log2 <= d.p.skipSize && d.bin(ctxSkip+second)

	// The last coefficient (7.4.9.11, 9.3.4.2.3).
	ctxBase, shift := 15, log2-2
	if c == 0 {
		ctxBase, shift = 3*(log2-2)+(log2-1)>>2, (log2+1)>>2
	}
	prefix := func(ctx int) int {
		v := 0
		for v < 2*log2-1 && d.bin(ctx+ctxBase+v>>shift) {
			v++
		}
		return v
	}
	lastX, lastY := prefix(ctxLastX), prefix(ctxLastY)
	for _, v := range []*int{&lastX, &lastY} {
		if *v > 3 {
			n := *v>>1 - 1
			*v = 1<<n*(2+*v&1) + d.plains(n)
		}
	}
	kind := 0
	if log2 == 2 || log2 == 3 && (c == 0 || s.chroma == 3) {
		switch {
		case mode >= 6 && mode <= 14:
			kind = 2
			lastX, lastY = lastY, lastX
		case mode >= 22 && mode <= 30:
			kind = 1
		}
	}
	var blocks []spot
	switch log2 {
	case 2:
		blocks = scan1
	case 3:
		blocks = scan2[kind]
	case 4:
		blocks = scan4[kind]
	default:
		blocks = scan8
	}
	within := scan4[kind]
	i := 0
	for int(blocks[i].x) != lastX>>2 || int(blocks[i].y) != lastY>>2 {
		i++
	}
	n := 0
	for int(within[n].x) != lastX&3 || int(within[n].y) != lastY&3 {
		n++
	}

	// Scaling (8.6.4.2).
	depth := s.depth[second]
	qp := d.qp
	if c > 0 {
		qp = d.chromaQP(min(max(d.qp+d.slice.offset[c-1], -6*(depth-8)), 57))
	}
	qp += 6 * (depth - 8)
	scale, down := levelScale[qp%6]<<(qp/6), depth+log2-5
	var list []uint8
	if lists := d.p.lists; s.lists != nil && !(skip && size > 4) {
		if lists == nil {
			lists = s.lists
		}
		list = lists[log2-2][c]
	}

	block := d.coeffs[:size*size]
	clear(block)
	var codedBlocks [8][8]bool
	greater := 1 // the context that goes on from sub-block to sub-block
	lastBlock := i
	mostX, mostY := 0, 0
	for ; i >= 0; i-- {
		bx, by := int(blocks[i].x), int(blocks[i].y)
		near := 0
		if bx+1 < size/4 && codedBlocks[by][bx+1] {
			near = 1
		}
		if by+1 < size/4 && codedBlocks[by+1][bx] {
			near |= 2
		}
		coded, infer := true, false
		if i < lastBlock && i > 0 {
			coded = d.bin(ctxSubBlock + min(near, 1) + 2*second)
			infer = true
		}
		if !coded {
			n = 15
			continue
		}
		codedBlocks[by][bx] = true
		// Which coefficients are not zero.
		var at [16]uint8
		count := 0
		if i == lastBlock {
			at[0] = uint8(n)
			count, n = 1, n-1
		} else {
			n = 15
		}
		sigBase := ctxSig
		switch {
		case c == 0 && log2 == 3 && kind == 0:
			sigBase += 9
		case c == 0 && log2 == 3:
			sigBase += 15
		case c == 0 && log2 > 3:
			sigBase += 21
		case c > 0 && log2 == 3:
			sigBase += 27 + 9
		case c > 0 && log2 > 3:
			sigBase += 27 + 12
		case c > 0:
			sigBase += 27
		}
		if c == 0 && log2 > 2 && bx+by > 0 {
			sigBase += 3
		}
		for ; n > 0; n-- {
			p := within[n]
			k := p.y<<2 + p.x
			ctx := sigBase
			if log2 == 2 {
				ctx += int(sigMap[k])
			} else {
				ctx += int(sigNear[near][k])
			}
			if d.bin(ctx) {
				at[count] = uint8(n)
				count++
			}
		}
		if n == 0 {
			if infer && count == 0 {
				count, at[0] = 1, 0
			} else {
				ctx := sigBase
				switch {
				case log2 == 2 || bx+by > 0:
					if log2 > 2 {
						ctx += int(sigNear[near][0])
					}
				case c == 0:
					ctx = ctxSig
				default:
					ctx = ctxSig + 27
				}
				if d.bin(ctx) {
					at[count] = 0
					count++
				}
			}
		}
		if count == 0 {
			continue
		}
		// How large they are (9.3.4.2.6, 9.3.4.2.7).
		set := 0
		if i > 0 && c == 0 {
			set = 2
		}
		if i != lastBlock && greater == 0 {
			set++
		}
		greater = 1
		var level [16]int32
		first := -1 // of those greater than one
		for k := range min(count, 8) {
			level[k] = 1
			if d.bin(ctxGreater1 + 16*second + 4*set + greater) {
				level[k] = 2
				greater = 0
				if first < 0 {
					first = k
				}
			} else if greater > 0 && greater < 3 {
				greater++
			}
		}
		if first >= 0 && d.bin(ctxGreater2+4*second+set) {
			level[first] = 3
		}
		hidden := d.p.hiding && !d.bypass && at[0]-at[count-1] > 3
		signs := count
		if hidden {
			signs--
		}
		sign := d.plains(signs) << (16 - signs)
		rice, sum := 0, 0
		for k := range count {
			// All of a coefficient that the flags could not say comes by itself.
			v, most := int32(1), int32(1)
			if k < 8 {
				v, most = level[k], 2
				if k == first {
					most = 3
				}
			}
			if v == most {
				more, ok := d.remaining(rice)
				if !ok {
					return errBroken
				}
				v += more
				if int(v) > 3<<rice {
					rice = min(rice+1, 4)
				}
			}
			sum += int(v)
			if sign&(1<<15) != 0 {
				v = -v
			}
			sign <<= 1
			if hidden && k == count-1 && sum&1 == 1 {
				v = -v
			}
			p := within[at[k]]
			cx, cy := bx<<2+int(p.x), by<<2+int(p.y)
			if !d.bypass {
				m := 16
				if list != nil {
					m = int(list[cy<<log2+cx])
				}
				v = int32(min(max((int(min(max(v, -32768), 32767))*m*scale+1<<(down-1))>>down, -32768), 32767))
			}
			block[cy<<log2+cx] = v
			mostX, mostY = max(mostX, cx), max(mostY, cy)
		}
	}

	switch {
	case d.bypass:
	case skip:
		up, down := 7, 20-depth
		if log2 > 2 {
			up = min(5+log2, 15)
		}
		for k, v := range block {
			block[k] = (v<<up + 1<<(down-1)) >> down
		}
	case c == 0 && log2 == 2:
		d.sine(block, 20-depth)
	default:
		d.cosine(block, log2, mostX, mostY, 20-depth)
	}
	p := &d.planes[c]
	most := int32(1)<<depth - 1
	for j := range size {
		row := p.Pix[(y+j)*p.Stride+x:][:size]
		add := block[j<<log2:][:size]
		for k, v := range add {
			row[k] = uint16(min(max(int32(row[k])+v, 0), most))
		}
	}
	return nil
}

// remaining is coeff_abs_level_remaining (9.3.3.11).
func (d *decoder) remaining(rice int) (int32, bool) {
	prefix := 0
	for d.plain() == 1 {
		if prefix++; prefix > 28 {
			return 0, false
		}
	}
	if prefix <= 3 {
		return int32(prefix<<rice + d.plains(rice)), true
	}
	return int32((1<<(prefix-3)+3-1)<<rice + d.plains(prefix-3+rice)), true
}

// cosines are the values of the transform matrix (8.6.4.2): at k, what stands for cos(k pi/64).
var cosines = [33]int32{64, 90, 90, 90, 89, 88, 87, 85, 83, 82, 80, 78, 75, 73, 70, 67, 64, 61, 57, 54, 50, 46, 43, 38, 36, 31, 25, 22, 18, 13, 9, 4, 0}

// matrices are those of 4, 8, 16 and 32 points: by coefficient, the first half of its points.
var matrices = func() (m [4][32][16]int32) {
	for i := range m {
		size := 4 << i
		for k := range size {
			for n := range size / 2 {
				a := k * (2*n + 1) * (32 / size) % 128
				if a > 64 {
					a = 128 - a
				}
				if a > 32 {
					m[i][k][n] = -cosines[64-a]
				} else {
					m[i][k][n] = cosines[a]
				}
			}
		}
	}
	return m
}()

// cosine is the inverse transform (8.6.4.2): columns, then rows. No coefficient lies beyond mostX and mostY.
func (d *decoder) cosine(block []int32, log2, mostX, mostY, down int) {
	size := 1 << log2
	if mostX == 0 && mostY == 0 {
		v := (64*block[0] + 64) >> 7
		v = (64*v + 1<<(down-1)) >> down
		for i := range block {
			block[i] = v
		}
		return
	}
	m := &matrices[log2-2]
	half := size / 2
	tmp := d.tmp[:size*size]
	var even, odd [16]int32
	for x := 0; x <= mostX; x++ {
		clear(even[:half])
		clear(odd[:half])
		for k := 0; k <= mostY; k++ {
			v := block[k<<log2+x]
			if v == 0 {
				continue
			}
			to := &even
			if k&1 == 1 {
				to = &odd
			}
			row := m[k][:half]
			for n, f := range row {
				to[n] += f * v
			}
		}
		for n := range half {
			tmp[n<<log2+x] = clip16((even[n] + odd[n] + 64) >> 7)
			tmp[(size-1-n)<<log2+x] = clip16((even[n] - odd[n] + 64) >> 7)
		}
	}
	round := int32(1) << (down - 1)
	for y := range size {
		in, out := tmp[y<<log2:][:size], block[y<<log2:][:size]
		clear(even[:half])
		clear(odd[:half])
		for k := 0; k <= mostX; k++ {
			v := in[k]
			if v == 0 {
				continue
			}
			to := &even
			if k&1 == 1 {
				to = &odd
			}
			row := m[k][:half]
			for n, f := range row {
				to[n] += f * v
			}
		}
		for n := range half {
			out[n] = (even[n] + odd[n] + round) >> down
			out[size-1-n] = (even[n] - odd[n] + round) >> down
		}
	}
}

func clip16(v int32) int32 { return min(max(v, -32768), 32767) }

// sine is the other transform, for brightness in blocks of four by four (8.6.4.2).
func (d *decoder) sine(block []int32, down int) {
	m := [4][4]int32{{29, 55, 74, 84}, {74, 74, 0, -74}, {84, -29, -74, 55}, {55, -84, 74, -29}}
	var tmp [16]int32
	for x := range 4 {
		for n := range 4 {
			var v int32
			for k := range 4 {
				v += m[k][n] * block[4*k+x]
			}
			tmp[4*n+x] = clip16((v + 64) >> 7)
		}
	}
	for y := range 4 {
		for n := range 4 {
			var v int32
			for k := range 4 {
				v += m[k][n] * tmp[4*y+k]
			}
			block[4*y+n] = (v + 1<<(down-1)) >> down
		}
	}
}
