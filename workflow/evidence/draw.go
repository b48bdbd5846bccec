package evidence

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"strconv"
	"sync"

	"benchword/workflow"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Marks look the same wherever a copy is shown. Every line is laid
// three times, dark, light and red, each narrower than the one before, so that it stands out on any ground,
// for any eye, in print too.
var (
	markDark  = color.RGBA{0x1d, 0x23, 0x20, 0xff}
	markLight = color.RGBA{0xff, 0xff, 0xff, 0xff}
	markRed   = color.RGBA{0xff, 0x3b, 0x1f, 0xff}
)

// layers are the widths of the three, in 1/1600 of the photo's long side.
var layers = []struct {
	colour color.RGBA
	width  float64
}{{markDark, 22}, {markLight, 17}, {markRed, 9}}

// Lengths in the same unit.
const (
	leastRing = 24 // radius
	arrowHead = 60
	discSize  = 34 // radius
	textSize  = 40
)

type spot struct{ x, y float64 }

// drawing is what stands for one mark, in pixels of a copy.
type drawing struct {
	mark   workflow.Mark
	ring   *spot // centre
	radius float64
	line   []spot // from tail to head
	head   []spot // a filled triangle
	disc   *spot  // behind the number
	size   float64
}

// drawings lays marks out on a copy of this size. Blurred areas are in the copy already.
func drawings(marks []workflow.Mark, s size) []drawing {
	unit := float64(max(s.w, s.h)) / LargeSide
	at := func(x, y int) spot {
		return spot{float64(min(max(x, 0), Side)) * float64(s.w) / Side, float64(min(max(y, 0), Side)) * float64(s.h) / Side}
	}
	// A disc that stands inside the photo, wherever it was put.
	inside := func(p spot) *spot {
		r := (discSize + 6) * unit
		return &spot{max(min(p.x, float64(s.w)-r), min(r, float64(s.w)/2)), max(min(p.y, float64(s.h)-r), min(r, float64(s.h)/2))}
	}
	var out []drawing
	for _, m := range marks {
		d := drawing{mark: m, size: unit}
		a, b := at(m.X, m.Y), at(m.X2, m.Y2)
		far := math.Hypot(b.x-a.x, b.y-a.y)
		switch m.Kind {
		case workflow.MarkRing:
			d.ring, d.radius = &a, max(far, leastRing*unit)
			if m.Number > 0 { // up and to the right, on the ring
				d.disc = inside(spot{a.x + d.radius*math.Sqrt2/2, a.y - d.radius*math.Sqrt2/2})
			}
		case workflow.MarkArrow:
			if far == 0 {
				continue
			}
			dx, dy := (a.x-b.x)/far, (a.y-b.y)/far
			head := min(arrowHead*unit, far/2)
			neck := spot{a.x - dx*head, a.y - dy*head}
			d.line = []spot{b, neck}
			d.head = []spot{a, {neck.x - dy*head/2, neck.y + dx*head/2}, {neck.x + dy*head/2, neck.y - dx*head/2}}
			if m.Number > 0 { // at the tail
				d.disc = inside(b)
			}
		case workflow.MarkPoint:
			d.disc = inside(a)
		default:
			continue
		}
		out = append(out, d)
	}
	return out
}

// maxShown bounds the pixels of a shown copy.
const maxShown = LargeSide * LargeSide

// Burn draws marks into a shown copy. A blurred area is blurred
// here too, should the copy have been made without it. Without marks the copy comes back as it is.
func Burn(shown []byte, marks []workflow.Mark) ([]byte, error) {
	if len(marks) == 0 {
		return shown, nil
	}
	p, err := marked(shown, marks, LargeSide)
	if err != nil {
		return nil, err
	}
	out, err := encodeJPEG(p, quality)
	if err != nil {
		return nil, fmt.Errorf("evidence: encoding a marked copy: %w", err)
	}
	return out, nil
}

// Fit returns a shown copy as an email carries it: with its marks as by [Burn], its long side at most long,
// and in at most that many bytes unless it would become too small to tell anything. One that fits is returned as
// it is.
func Fit(shown []byte, marks []workflow.Mark, long, bytes int) (out []byte, w, h int, err error) {
	if len(marks) == 0 && len(shown) <= bytes {
		if h, err := Inspect(shown); err == nil && h.Format == JPEG && max(h.Width, h.Height) <= long {
			return shown, h.Width, h.Height, nil
		}
	}
	for shrink := 100; ; shrink = shrink * 3 / 4 {
		p, err := marked(shown, marks, long*shrink/100)
		if err != nil {
			return nil, 0, 0, err
		}
		w, h = p.Bounds().Dx(), p.Bounds().Dy()
		for _, quality := range []int{mediumQuality, mediumQuality - 6} {
			if out, err = encodeJPEG(p, quality); err != nil {
				return nil, 0, 0, fmt.Errorf("evidence: encoding a copy for an email: %w", err)
			}
			if len(out) <= bytes || shrink < 30 {
				return out, w, h, nil
			}
		}
	}
}

// marked reads a shown copy, its long side at most long, and draws marks into it.
func marked(shown []byte, marks []workflow.Mark, long int) (image.Image, error) {
	h, err := Inspect(shown)
	if err != nil {
		return nil, err
	}
	if h.Format != JPEG || h.coded.pixels() > maxShown {
		return nil, fmt.Errorf("evidence: a picture of %d x %d pixels is no shown copy", h.Width, h.Height)
	}
	p, err := decodeJPEG(shown, fit(h.coded, long), func() error { return nil })
	if err != nil {
		return nil, fmt.Errorf("evidence: reading a shown copy: %w", err)
	}
	if len(marks) == 0 {
		return p.image(), nil
	}
	p.blur(marks)
	canvas := image.NewRGBA(image.Rect(0, 0, p.y.w, p.y.h))
	draw.Draw(canvas, canvas.Bounds(), p.image(), image.Point{}, draw.Src)
	Draw(canvas, marks)
	return canvas, nil
}

// Draw draws marks, other than blurred areas, onto a picture.
func Draw(on *image.RGBA, marks []workflow.Mark) {
	b := on.Bounds()
	c := canvas{on: on, origin: b.Min}
	for _, d := range drawings(marks, size{b.Dx(), b.Dy()}) {
		for _, l := range layers {
			half := l.width * d.size / 2
			if d.ring != nil {
				c.begin()
				c.circle(*d.ring, d.radius+half, false)
				c.circle(*d.ring, max(d.radius-half, 0), true)
				c.fill(l.colour)
			}
			if d.line != nil {
				// Overlapping parts are painted one after the other: together they could cancel out.
				c.stroke(d.line[0], d.line[1], half, l.colour)
				for i := range d.head {
					c.stroke(d.head[i], d.head[(i+1)%3], half, l.colour)
				}
			}
		}
		if d.head != nil {
			c.begin()
			c.polygon(d.head)
			c.fill(markRed)
		}
		if d.disc != nil {
			for _, x := range []struct {
				r float64
				c color.RGBA
			}{{discSize + 3, markLight}, {discSize - 3, markDark}} {
				c.begin()
				c.circle(*d.disc, x.r*d.size, false)
				c.fill(x.c)
			}
			if d.mark.Number > 0 {
				c.number(*d.disc, textSize*d.size, strconv.Itoa(d.mark.Number))
			}
		}
	}
}

// canvas fills anti-aliased shapes.
type canvas struct {
	on     *image.RGBA
	origin image.Point
	paths  [][]spot
	r      vector.Rasterizer
}

func (c *canvas) begin() { c.paths = c.paths[:0] }

// fill paints the paths since begin. Only the part of the picture that they touch is gone through.
func (c *canvas) fill(colour color.RGBA) {
	lo, hi := spot{math.Inf(1), math.Inf(1)}, spot{math.Inf(-1), math.Inf(-1)}
	for _, p := range c.paths {
		for _, q := range p {
			lo, hi = spot{min(lo.x, q.x), min(lo.y, q.y)}, spot{max(hi.x, q.x), max(hi.y, q.y)}
		}
	}
	b := c.on.Bounds()
	w, h := float64(b.Dx()), float64(b.Dy())
	x0, y0 := math.Floor(min(max(lo.x, 0), w)), math.Floor(min(max(lo.y, 0), h))
	x1, y1 := math.Ceil(min(max(hi.x, 0), w)), math.Ceil(min(max(hi.y, 0), h))
	if x0 >= x1 || y0 >= y1 {
		return
	}
	c.r.Reset(int(x1-x0), int(y1-y0))
	for _, p := range c.paths {
		c.r.MoveTo(float32(p[0].x-x0), float32(p[0].y-y0))
		for _, q := range p[1:] {
			c.r.LineTo(float32(q.x-x0), float32(q.y-y0))
		}
		c.r.ClosePath()
	}
	c.r.Draw(c.on, image.Rect(int(x0), int(y0), int(x1), int(y1)).Add(c.origin), image.NewUniform(colour), image.Point{})
}

func (c *canvas) polygon(p []spot) { c.paths = append(c.paths, p) }

// circle adds a circle, of sides so short that it looks round; the other way round it cuts a hole.
func (c *canvas) circle(at spot, r float64, hole bool) {
	p := make([]spot, 24+int(r))
	for i := range p {
		a := 2 * math.Pi * float64(i) / float64(len(p))
		if hole {
			a = -a
		}
		p[i] = spot{at.x + r*math.Cos(a), at.y + r*math.Sin(a)}
	}
	c.polygon(p)
}

// stroke paints a line with round ends.
func (c *canvas) stroke(a, b spot, half float64, colour color.RGBA) {
	far := math.Hypot(b.x-a.x, b.y-a.y)
	if far > 0 {
		x, y := -(b.y-a.y)/far*half, (b.x-a.x)/far*half
		c.begin()
		c.polygon([]spot{{a.x + x, a.y + y}, {b.x + x, b.y + y}, {b.x - x, b.y - y}, {a.x - x, a.y - y}})
		c.fill(colour)
	}
	for _, p := range []spot{a, b} {
		c.begin()
		c.circle(p, half, false)
		c.fill(colour)
	}
}

var digits = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(gobold.TTF) })

// number writes digits around a spot.
func (c *canvas) number(at spot, points float64, text string) {
	f, err := digits()
	if err != nil {
		return // the font is part of the program, and a test draws with it
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: points, DPI: 72})
	if err != nil {
		return
	}
	defer face.Close()
	bounds, _ := font.BoundString(face, text)
	w, h := bounds.Max.X-bounds.Min.X, bounds.Max.Y-bounds.Min.Y
	d := font.Drawer{Dst: c.on, Src: image.NewUniform(markLight), Face: face}
	d.Dot = fixed.Point26_6{
		X: fixed.Int26_6((at.x+float64(c.origin.X))*64) - bounds.Min.X - w/2,
		Y: fixed.Int26_6((at.y+float64(c.origin.Y))*64) - bounds.Min.Y - h/2,
	}
	d.DrawString(text)
}
