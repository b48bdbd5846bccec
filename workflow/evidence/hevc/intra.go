package hevc

// Angles of the directions from 2 to 34, and what turns them the other way (8.4.4.2.6, tables 8-5 and 8-6).
var (
	angles = [35]int{2: 32, 26, 21, 17, 13, 9, 5, 2, 0, -2, -5, -9, -13, -17, -21, -26, -32, -26, -21, -17, -13, -9, -5, -2, 0, 2, 5, 9, 13, 17, 21, 26, 32}
	turned = [35]int{11: -4096, -1638, -910, -630, -482, -390, -315, -256, -315, -390, -482, -630, -910, -1638, -4096}
)

// predict fills a block from its neighbours (8.4.4.2). x and y count samples of the channel.
func (d *decoder) predict(c, x, y, log2 int, mode uint8) {
	p := &d.planes[c]
	size := 1 << log2
	a, b, depth := 0, 0, d.s.depth[0]
	if c > 0 {
		a, b, depth = d.shift[0], d.shift[1], d.s.depth[1]
	}
	raster := d.ctbOf(x<<a, y<<b)
	// line holds the neighbours from the lowest at the left, by way of the corner at 2*size, to the
	// rightmost above.
	const most = 2*64 + 1
	var first, second [most]int32
	line := first[:4*size+1]
	corner := 2 * size
	any := -1 // the first that is there
	missing := false
	stepX, stepY := 4>>a, 4>>b
	var there [most]bool
	// In units of four pixels, which are available or not as a whole.
	for j := 2*size - stepY; j >= 0; j -= stepY {
		if ok := d.available(x<<a-1, (y+j)<<b, raster); ok {
			for k := range stepY {
				at := corner - 1 - j - k
				line[at] = int32(p.Pix[(y+j+k)*p.Stride+x-1])
				there[at] = true
			}
			if any < 0 {
				any = corner - j - stepY
			}
		} else {
			missing = true
		}
	}
	if d.available(x<<a-1, y<<b-1, raster) {
		line[corner], there[corner] = int32(p.Pix[(y-1)*p.Stride+x-1]), true
		if any < 0 {
			any = corner
		}
	} else {
		missing = true
	}
	for i := 0; i < 2*size; i += stepX {
		if ok := d.available((x+i)<<a, y<<b-1, raster); ok {
			at := corner + 1 + i
			for k := range stepX {
				line[at+k] = int32(p.Pix[(y-1)*p.Stride+x+i+k])
				there[at+k] = true
			}
			if any < 0 {
				any = at
			}
		} else {
			missing = true
		}
	}
	if any < 0 {
		for i := range line {
			line[i] = 1 << (depth - 1)
		}
	} else if missing { // 8.4.4.2.2
		for i := 0; i < any; i++ {
			line[i] = line[any]
		}
		for i := any + 1; i < len(line); i++ {
			if !there[i] {
				line[i] = line[i-1]
			}
		}
	}
	// Smoothing (8.4.4.2.3).
	if (c == 0 || d.s.chroma == 3) && mode != 1 && size > 4 {
		far := min(abs(int(mode)-26), abs(int(mode)-10))
		if far > [6]int{3: 7, 1, 0}[log2] {
			to := second[:len(line)]
			end := len(line) - 1
			to[0], to[end] = line[0], line[end]
			limit := int32(1) << (depth - 5)
			if d.s.strongSmoothing && c == 0 && size == 32 &&
				abs32(line[corner]+line[end]-2*line[corner+size]) < limit && abs32(line[corner]+line[0]-2*line[corner-size]) < limit {
				to[corner] = line[corner]
				for i := int32(1); i < 64; i++ {
					to[corner-int(i)] = ((64-i)*line[corner] + i*line[0] + 32) >> 6
					to[corner+int(i)] = ((64-i)*line[corner] + i*line[end] + 32) >> 6
				}
			} else {
				for i := 1; i < end; i++ {
					to[i] = (line[i-1] + 2*line[i] + line[i+1] + 2) >> 2
				}
			}
			line = to
		}
	}
	left := func(j int) int32 { return line[corner-1-j] }
	above := line[corner+1:]
	edge := c == 0 && size < 32
	top := int32(1)<<depth - 1
	switch mode {
	case 0: // planar
		right, low := above[size], left(size)
		for j := range size {
			out := p.Pix[(y+j)*p.Stride+x:][:size]
			l := left(j)
			for i := range out {
				out[i] = uint16((int32(size-1-i)*l + int32(i+1)*right + int32(size-1-j)*above[i] + int32(j+1)*low + int32(size)) >> (log2 + 1))
			}
		}
	case 1: // the mean
		sum := int32(size)
		for i := range size {
			sum += above[i] + left(i)
		}
		v := sum >> (log2 + 1)
		for j := range size {
			out := p.Pix[(y+j)*p.Stride+x:][:size]
			for i := range out {
				out[i] = uint16(v)
			}
		}
		if edge {
			out := p.Pix[y*p.Stride+x:]
			out[0] = uint16((left(0) + 2*v + above[0] + 2) >> 2)
			for i := 1; i < size; i++ {
				out[i] = uint16((above[i] + 3*v + 2) >> 2)
				out[i*p.Stride] = uint16((left(i) + 3*v + 2) >> 2)
			}
		}
	default:
		d.direction(p.Pix[y*p.Stride+x:], p.Stride, line, size, int(mode), edge, top)
	}
}

// direction is 8.4.4.2.6. Directions from the left are those from above, mirrored.
func (d *decoder) direction(out []uint16, stride int, line []int32, size, mode int, edge bool, top int32) {
	corner := 2 * size
	angle := angles[mode]
	upright := mode >= 18
	sign := 1 // along the side that is followed
	if !upright {
		sign = -1
	}
	// ref[32+i] is the neighbour i steps from the corner, and on to the other side where i is negative.
	var ref [32 + 65]int32
	const zero = 32
	for i := 0; i <= size; i++ {
		ref[zero+i] = line[corner+sign*i]
	}
	if angle < 0 {
		if low := size * angle >> 5; low < -1 {
			for i := -1; i >= low; i-- {
				ref[zero+i] = line[corner-sign*((i*turned[mode]+128)>>8)]
			}
		}
	} else {
		for i := size + 1; i <= 2*size; i++ {
			ref[zero+i] = line[corner+sign*i]
		}
	}
	for j := range size {
		whole, part := (j+1)*angle>>5, int32((j+1)*angle&31)
		from := ref[zero+whole+1:]
		if upright {
			row := out[j*stride:][:size]
			if part == 0 {
				for i := range row {
					row[i] = uint16(from[i])
				}
				continue
			}
			for i := range row {
				row[i] = uint16(((32-part)*from[i] + part*from[i+1] + 16) >> 5)
			}
			continue
		}
		if part == 0 {
			for i := range size {
				out[i*stride+j] = uint16(from[i])
			}
			continue
		}
		for i := range size {
			out[i*stride+j] = uint16(((32-part)*from[i] + part*from[i+1] + 16) >> 5)
		}
	}
	if angle == 0 && edge { // straight down or across: the edge follows the other side
		for i := range size {
			at := i * stride
			if !upright {
				at = i
			}
			v := line[corner+sign] + (line[corner-sign*(i+1)]-line[corner])>>1
			out[at] = uint16(min(max(v, 0), top))
		}
	}
}

func abs(v int) int       { return max(v, -v) }
func abs32(v int32) int32 { return max(v, -v) }
