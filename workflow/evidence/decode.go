package evidence

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"

	"benchword/workflow/evidence/hevc"

	"golang.org/x/image/webp"
)

// decode returns the picture upright, in sRGB, with its long side at most long.
func (h *Header) decode(ctx context.Context, b []byte, long int) (p *picture, err error) {
	// The decoders were tried with every damaged file at hand; should one still panic, the picture is
	// refused and the server goes on.
	defer func() {
		if r := recover(); r != nil {
			p, err = nil, fmt.Errorf("decoding %s panicked: %v", h.Format, r)
		}
	}()
	to := fit(h.coded, long)
	var in signal
	var img image.Image
	switch h.Format {
	case JPEG:
		if h.jpeg.direct() {
			p, err = decodeJPEG(b, to, ctx.Err)
		} else {
			img, err = jpeg.Decode(bytes.NewReader(b))
		}
	case PNG:
		img, err = png.Decode(bytes.NewReader(b))
	case WebP:
		img, err = webp.Decode(bytes.NewReader(b))
	case HEIC:
		in = h.heif.colour
		p, err = h.heif.decode(ctx, to)
	}
	if err == nil && img != nil {
		if s := img.Bounds().Size(); s.X != h.coded.w || s.Y != h.coded.h {
			return nil, fmt.Errorf("a picture said to be %v is %v", h.coded, s)
		}
		p, err = shrink(ctx, img, to)
	}
	if err != nil {
		return nil, err
	}
	from := readICC(h.icc)
	if h.icc == nil {
		from = named(in.primaries)
	}
	p.recolour(in, from)
	return p.turned(h.Orientation), nil
}

// shrink makes a picture out of a decoded image.
func shrink(ctx context.Context, img image.Image, to size) (*picture, error) {
	b := img.Bounds()
	from := size{b.Dx(), b.Dy()}
	switch m := img.(type) {
	case *image.YCbCr:
		c := chromaSize(m.SubsampleRatio, b)
		p := &picture{}
		for _, x := range []struct {
			pix    []byte
			stride int
			from   size
			to     size
			plane  *plane
		}{{m.Y, m.YStride, from, to, &p.y}, {m.Cb, m.CStride, c, half(to), &p.cb}, {m.Cr, m.CStride, c, half(to), &p.cr}} {
			s := newShrinker(x.from, x.to)
			for y := range x.from.h {
				if y&255 == 0 && ctx.Err() != nil {
					return nil, ctx.Err()
				}
				s.row(x.pix[y*x.stride:])
			}
			*x.plane = s.plane()
		}
		return p, nil
	case *image.Gray:
		s := newShrinker(from, to)
		for y := range from.h {
			s.row(m.Pix[y*m.Stride:])
		}
		p := &picture{y: s.plane()}
		p.grey()
		return p, nil
	}
	rows, err := rowsOf(img)
	if err != nil {
		return nil, err
	}
	var s [3]*shrinker
	var line [3][]byte
	for i := range s {
		want := to
		if i > 0 {
			want = half(to)
		}
		s[i], line[i] = newShrinker(from, want), make([]byte, from.w)
	}
	rgb := make([]byte, 3*from.w)
	for y := range from.h {
		if y&255 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		rows(y, rgb)
		for x := range from.w {
			line[0][x], line[1][x], line[2][x] = jfif(int32(rgb[3*x]), int32(rgb[3*x+1]), int32(rgb[3*x+2]))
		}
		for i := range s {
			s[i].row(line[i])
		}
	}
	return &picture{s[0].plane(), s[1].plane(), s[2].plane()}, nil
}

// chromaSize returns the size of the colour planes of an image at the origin.
func chromaSize(r image.YCbCrSubsampleRatio, b image.Rectangle) size {
	w, h := b.Dx(), b.Dy()
	switch r {
	case image.YCbCrSubsampleRatio422:
		w = (w + 1) / 2
	case image.YCbCrSubsampleRatio420:
		w, h = (w+1)/2, (h+1)/2
	case image.YCbCrSubsampleRatio440:
		h = (h + 1) / 2
	case image.YCbCrSubsampleRatio411:
		w = (w + 3) / 4
	case image.YCbCrSubsampleRatio410:
		w, h = (w+3)/4, (h+1)/2
	}
	return size{w, h}
}

// over lays a colour value with its alpha on white.
func over(v, a byte) byte {
	return byte((uint32(v)*uint32(a) + 255*(255-uint32(a)) + 127) / 255)
}

// rowsOf returns a function that fills a row with red, green and blue, on white where it is see-through.
func rowsOf(img image.Image) (func(y int, rgb []byte), error) {
	w := img.Bounds().Dx()
	switch m := img.(type) {
	case *image.RGBA: // alpha is in the values already
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				a := 255 - p[4*x+3]
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = p[4*x]+a, p[4*x+1]+a, p[4*x+2]+a
			}
		}, nil
	case *image.NRGBA:
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				a := p[4*x+3]
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = over(p[4*x], a), over(p[4*x+1], a), over(p[4*x+2], a)
			}
		}, nil
	case *image.RGBA64:
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				a := 255 - p[8*x+6]
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = p[8*x]+a, p[8*x+2]+a, p[8*x+4]+a
			}
		}, nil
	case *image.NRGBA64:
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				a := p[8*x+6]
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = over(p[8*x], a), over(p[8*x+2], a), over(p[8*x+4], a)
			}
		}, nil
	case *image.Gray16:
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = p[2*x], p[2*x], p[2*x]
			}
		}, nil
	case *image.CMYK:
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = color.CMYKToRGB(p[4*x], p[4*x+1], p[4*x+2], p[4*x+3])
			}
		}, nil
	case *image.NYCbCrA:
		return func(y int, rgb []byte) {
			for x := range w {
				i, c, a := m.YOffset(x, y), m.COffset(x, y), m.A[m.AOffset(x, y)]
				r, g, b := color.YCbCrToRGB(m.Y[i], m.Cb[c], m.Cr[c])
				rgb[3*x], rgb[3*x+1], rgb[3*x+2] = over(r, a), over(g, a), over(b, a)
			}
		}, nil
	case *image.Paletted:
		var table [256][3]byte
		for i, c := range m.Palette[:min(256, len(m.Palette))] {
			n := color.NRGBAModel.Convert(c).(color.NRGBA)
			table[i] = [3]byte{over(n.R, n.A), over(n.G, n.A), over(n.B, n.A)}
		}
		return func(y int, rgb []byte) {
			p := m.Pix[y*m.Stride:]
			for x := range w {
				copy(rgb[3*x:], table[p[x]][:])
			}
		}, nil
	}
	return nil, fmt.Errorf("an image of type %T", img)
}

// decode goes through the tiles, a row of them at a time.
func (p *heifPicture) decode(ctx context.Context, to size) (*picture, error) {
	var (
		s      [3]*shrinker
		strip  [3]plane
		share  [3]size // how many pixels a sample stands for, across and down
		stream *hevc.Config
		chroma int
	)
	for row := range p.rows {
		for column := range p.columns {
			t := p.tiles[row*p.columns+column]
			if at := row*p.columns + column; at == 0 || !bytes.Equal(t.config, p.tiles[at-1].config) {
				var err error
				if stream, err = hevc.Parse(t.config); err != nil {
					return nil, err
				}
			}
			m, err := stream.Decode(t.bits, ctx.Err)
			if err != nil {
				return nil, err
			}
			if m.Width != p.tile.w || m.Height != p.tile.h {
				return nil, fmt.Errorf("a HEIC tile said to be %v is %d x %d", p.tile, m.Width, m.Height)
			}
			if row == 0 && column == 0 {
				chroma = m.Chroma
				share = [3]size{{1, 1}, {1, 1}, {1, 1}}
				for i := 1; i < 3 && (chroma == 1 || chroma == 2); i++ {
					share[i] = size{2, 3 - chroma}
				}
				for i := range s {
					if m.Planes[i].Pix == nil {
						continue
					}
					a, b := share[i].w, share[i].h
					if p.columns > 1 && p.tile.w%a != 0 || p.rows > 1 && p.tile.h%b != 0 {
						return nil, fmt.Errorf("HEIC tiles of %v, which their colours don't divide", p.tile)
					}
					want := to
					if i > 0 {
						want = half(to)
					}
					s[i] = newShrinker(size{(p.crop.w + a - 1) / a, (p.crop.h + b - 1) / b}, want)
					strip[i] = newPlane(size{m.Planes[i].Width * p.columns, m.Planes[i].Height})
				}
			}
			if m.Chroma != chroma {
				return nil, errors.New("HEIC tiles of different kinds")
			}
			for i, from := range m.Planes {
				down := m.Depth[min(i, 1)] - 8
				for y := range from.Height {
					line := strip[i].row(y)[column*from.Width:][:from.Width]
					for x, v := range from.Pix[y*from.Stride:][:from.Width] {
						line[x] = byte(min((v+1<<down>>1)>>down, 255))
					}
				}
			}
		}
		for i := range s {
			if s[i] == nil {
				continue
			}
			x, y0 := p.crop.x/share[i].w, p.crop.y/share[i].h
			for y := range strip[i].h {
				if at := row*strip[i].h + y; at >= y0 && at < y0+s[i].from.h {
					s[i].row(strip[i].row(y)[x:])
				}
			}
		}
	}
	out := &picture{y: s[0].plane()}
	if chroma == 0 {
		out.grey()
	} else {
		out.cb, out.cr = s[1].plane(), s[2].plane()
	}
	return out, nil
}
