package evidence

import "benchword/workflow"

// blur replaces each blurred area by a few blocks of one colour each: at most six along its longer side, none
// smaller than 1/32 of the photo's long side, and their brightness in sixteen steps. That is far too
// little for any letter or digit, and it is all that is left in the copy.
func (p *picture) blur(marks []workflow.Mark) {
	w, h := p.y.w, p.y.h
	least := (max(w, h) + 31) / 32
	for _, m := range marks {
		if m.Kind != workflow.MarkBlur {
			continue
		}
		// Outwards to whole pairs of pixels, as colours have only one value for two.
		x0, y0 := min(m.X, m.X2)*w/Side&^1, min(m.Y, m.Y2)*h/Side&^1
		x1 := min(w, ((max(m.X, m.X2)*w+Side-1)/Side+1)&^1)
		y1 := min(h, ((max(m.Y, m.Y2)*h+Side-1)/Side+1)&^1)
		block := max(least, (max(x1-x0, y1-y0)+5)/6)
		block += block & 1
		for y := y0; y < y1; y += block {
			for x := x0; x < x1; x += block {
				p.y.flatten(x, y, min(x+block, x1), min(y+block, y1))
				for _, c := range []plane{p.cb, p.cr} {
					c.flatten(x/2, y/2, (min(x+block, x1)+1)/2, (min(y+block, y1)+1)/2)
				}
			}
		}
	}
}

// flatten fills an area with its mean, rounded to one of sixteen steps.
func (p plane) flatten(x0, y0, x1, y1 int) {
	if x0 >= x1 || y0 >= y1 {
		return
	}
	sum := 0
	for y := y0; y < y1; y++ {
		for _, v := range p.row(y)[x0:x1] {
			sum += int(v)
		}
	}
	v := byte(min((sum/((x1-x0)*(y1-y0))+8)&^15, 255))
	for y := y0; y < y1; y++ {
		row := p.row(y)[x0:x1]
		for x := range row {
			row[x] = v
		}
	}
}
