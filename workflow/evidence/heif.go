package evidence

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"benchword/workflow/evidence/hevc"
)

// The container is read here and not by the decoder, for three reasons: sizes are known before anything
// is decoded; a phone's picture, a grid of small tiles, can be decoded tile by tile in little memory;
// and of all that a file may hold (thumbnails, depth maps, sequences, alpha), only the main picture
// reaches the decoder. Boxes are those of ISO/IEC 14496-12 and ISO/IEC 23008-12, streams ITU-T H.265.

// heifPicture is the main picture of a file, as tiles to be laid out row by row.
type heifPicture struct {
	columns, rows int
	tile          size
	tiles         []heifTile
	whole         size // of the tiles together, cut to what is wanted
	crop          crop // what of it is shown
	colour        signal
}

// crop is a part of a picture: x, y, width and height in pixels.
type crop struct{ x, y, w, h int }

// heifTile is one coded picture: its parameters (an hvcC box) and its data.
type heifTile struct {
	config []byte // the box's content
	bits   []byte
}

type heifItem struct {
	kind    string
	props   []int // into the list of properties, counted from 1
	method  uint8
	base    uint64
	extents [][2]uint64
	parts   []uint32 // the items that a grid is made of
}

type heifFile struct {
	b       []byte
	primary uint32
	items   map[uint32]*heifItem
	props   []heifBox
	idat    []byte
	exif    []uint32
	entries int // that were stored, of any kind
}

// maxEntries bounds what is kept of a container, so that a file of nothing but tables takes no more memory
// than a photo. A phone's photo has a few hundred.
const maxEntries = 100_000

var errEntries = errors.New("a HEIC file with too many entries")

type heifBox struct {
	kind string
	body []byte
	raw  []byte // with its header
}

var errBox = errors.New("a HEIC box is broken")

// boxes calls f for each box in b.
func boxes(b []byte, f func(heifBox) error) error {
	for n := 0; len(b) > 0; n++ {
		if n > maxEntries {
			return errEntries
		}
		if len(b) < 8 {
			return errBox
		}
		length, head := uint64(binary.BigEndian.Uint32(b)), uint64(8)
		switch length {
		case 0:
			length = uint64(len(b))
		case 1:
			if len(b) < 16 {
				return errBox
			}
			length, head = binary.BigEndian.Uint64(b[8:]), 16
		}
		if length < head || length > uint64(len(b)) {
			return errShort
		}
		if err := f(heifBox{string(b[4:8]), b[head:length], b[:length]}); err != nil {
			return err
		}
		b = b[length:]
	}
	return nil
}

// reading takes numbers off the front of a slice; once it has run out, it returns zeros and says so.
type reading struct {
	b   []byte
	out bool
}

func (r *reading) take(n int) uint64 {
	if n > len(r.b) {
		r.out, r.b = true, nil
		return 0
	}
	var v uint64
	for _, c := range r.b[:n] {
		v = v<<8 | uint64(c)
	}
	r.b = r.b[n:]
	return v
}

func (h *Header) readHEIF(b []byte) error {
	f := &heifFile{b: b, items: map[uint32]*heifItem{}}
	var brands []string
	var meta []byte
	err := boxes(b, func(x heifBox) error {
		switch x.kind {
		case "ftyp":
			for i := 0; i+4 <= len(x.body); i += 4 {
				if i != 4 { // the minor version
					brands = append(brands, string(x.body[i:i+4]))
				}
			}
		case "meta":
			if meta == nil {
				meta = x.body
			}
		}
		return nil
	})
	known := false
	for _, k := range []string{"heic", "heix", "heim", "heis", "mif1"} {
		known = known || slices.Contains(brands, k)
	}
	if slices.Contains(brands, "avif") {
		return refuse(nil, "AVIF pictures can't be read here. Please send the photo as JPEG, PNG, WebP or HEIC.")
	}
	if !known {
		return refuse(nil, "This file is not a picture that can be read here. Please send a photo as JPEG, PNG, WebP or HEIC.")
	}
	if err != nil {
		return err
	}
	if len(meta) < 4 {
		return errBox
	}
	if err := boxes(meta[4:], f.meta); err != nil {
		return err
	}
	for _, id := range f.exif {
		// The item opens with the distance to the TIFF header.
		if d, err := f.content(id); err == nil && len(d) >= 4 {
			if at := uint64(binary.BigEndian.Uint32(d)) + 4; at < uint64(len(d)) {
				h.readEXIF(d[at:])
			}
		}
	}
	return h.mainPicture(f)
}

// meta reads one box of the meta box.
func (f *heifFile) meta(x heifBox) error {
	r := &reading{b: x.body}
	switch x.kind {
	case "pitm":
		if r.take(4)>>24 == 0 {
			f.primary = uint32(r.take(2))
		} else {
			f.primary = uint32(r.take(4))
		}
	case "iinf":
		n := 2
		if r.take(4)>>24 != 0 {
			n = 4
		}
		r.take(n)
		return boxes(r.b, func(e heifBox) error {
			r := &reading{b: e.body}
			v := r.take(4) >> 24
			if e.kind != "infe" || v < 2 {
				return nil
			}
			id := uint32(r.take(map[bool]int{true: 2, false: 4}[v == 2]))
			r.take(2)
			if len(r.b) < 4 {
				return errBox
			}
			f.item(id).kind = string(r.b[:4])
			return f.stored()
		})
	case "iloc":
		return f.places(r)
	case "iref":
		wide := map[bool]int{true: 2, false: 4}[r.take(4)>>24 == 0]
		return boxes(r.b, func(e heifBox) error {
			r := &reading{b: e.body}
			from := uint32(r.take(wide))
			for range r.take(2) {
				to := uint32(r.take(wide))
				if r.out {
					return errBox
				}
				if err := f.stored(); err != nil {
					return err
				}
				switch e.kind {
				case "dimg":
					f.item(from).parts = append(f.item(from).parts, to)
				case "cdsc":
					if to == f.primary && f.item(from).kind == "Exif" {
						f.exif = append(f.exif, from)
					}
				}
			}
			return nil
		})
	case "idat":
		f.idat = x.body
	case "iprp":
		return boxes(x.body, func(e heifBox) error {
			switch e.kind {
			case "ipco":
				return boxes(e.body, func(p heifBox) error {
					f.props = append(f.props, p)
					return f.stored()
				})
			case "ipma":
				r := &reading{b: e.body}
				full := r.take(4)
				for range r.take(4) {
					id := uint32(r.take(map[bool]int{true: 2, false: 4}[full>>24 == 0]))
					if err := f.stored(); err != nil {
						return err
					}
					for range r.take(1) {
						if full&1 == 0 {
							f.item(id).props = append(f.item(id).props, int(r.take(1)&0x7f))
						} else {
							f.item(id).props = append(f.item(id).props, int(r.take(2)&0x7fff))
						}
						if err := f.stored(); err != nil {
							return err
						}
					}
					if r.out {
						return errBox
					}
				}
			}
			return nil
		})
	}
	if r.out {
		return errBox
	}
	return nil
}

// stored counts an entry.
func (f *heifFile) stored() error {
	if f.entries++; f.entries > maxEntries {
		return errEntries
	}
	return nil
}

func (f *heifFile) item(id uint32) *heifItem {
	i := f.items[id]
	if i == nil {
		i = &heifItem{}
		f.items[id] = i
	}
	return i
}

// places reads an iloc box: where the items' bytes are.
func (f *heifFile) places(r *reading) error {
	v := r.take(4) >> 24
	sizes := r.take(2)
	offset, length, base, index := int(sizes>>12&15), int(sizes>>8&15), int(sizes>>4&15), int(sizes&15)
	if v == 0 {
		index = 0
	}
	wide := 2
	if v == 2 {
		wide = 4
	}
	if v > 2 || max(offset, length, base, index) > 8 {
		return errBox
	}
	for range r.take(wide) {
		i := f.item(uint32(r.take(wide)))
		if v > 0 {
			i.method = uint8(r.take(2) & 15)
		}
		if r.take(2) != 0 {
			i.method = 255 // in another file
		}
		i.base = r.take(base)
		for range r.take(2) {
			r.take(index)
			i.extents = append(i.extents, [2]uint64{r.take(offset), r.take(length)})
			if r.out {
				return errBox
			}
			if err := f.stored(); err != nil {
				return err
			}
		}
		if err := f.stored(); err != nil {
			return err
		}
		if r.out {
			return errBox
		}
	}
	return nil
}

// content returns an item's bytes.
func (f *heifFile) content(id uint32) ([]byte, error) {
	i := f.items[id]
	if i == nil {
		return nil, errors.New("a HEIC item is missing")
	}
	from := f.b
	switch i.method {
	case 0:
	case 1:
		from = f.idat
	default:
		return nil, errors.New("a HEIC item lies outside of the file")
	}
	var out []byte
	for k, e := range i.extents {
		at, n := i.base+e[0], e[1]
		if at < i.base || at > uint64(len(from)) {
			return nil, errShort
		}
		if n == 0 {
			n = uint64(len(from)) - at
		}
		if n > uint64(len(from))-at || uint64(len(out))+n > uint64(len(f.b)) {
			return nil, errShort
		}
		if k == 0 && len(i.extents) == 1 {
			return from[at : at+n], nil
		}
		out = append(out, from[at:at+n]...)
	}
	return out, nil
}

// properties calls do for each property of an item, in the order in which they apply.
func (f *heifFile) properties(i *heifItem, do func(heifBox) error) error {
	for _, n := range i.props {
		if n < 1 || n > len(f.props) {
			continue
		}
		if err := do(f.props[n-1]); err != nil {
			return err
		}
	}
	return nil
}

// mainPicture finds the main picture, checks that its parts fit together, and reckons what it takes.
func (h *Header) mainPicture(f *heifFile) error {
	main := f.items[f.primary]
	if main == nil {
		return errors.New("a HEIC file without a main picture")
	}
	p := &heifPicture{columns: 1, rows: 1}
	ids := []uint32{f.primary}
	switch main.kind {
	case "hvc1":
	case "grid":
		d, err := f.content(f.primary)
		if err != nil {
			return err
		}
		r := &reading{b: d}
		flags := r.take(2)
		p.rows, p.columns = int(r.take(1))+1, int(r.take(1))+1
		wide := 2
		if flags&1 == 1 {
			wide = 4
		}
		p.whole.w, p.whole.h = int(r.take(wide)), int(r.take(wide))
		if r.out || flags>>8 != 0 {
			return errBox
		}
		ids = main.parts
		if len(ids) != p.rows*p.columns {
			return fmt.Errorf("a HEIC grid of %d x %d with %d tiles", p.columns, p.rows, len(ids))
		}
	case "av01":
		return refuse(nil, "AVIF pictures can't be read here. Please send the photo as JPEG, PNG, WebP or HEIC.")
	default:
		return refuse(fmt.Errorf("a main picture of type %q", main.kind), "This kind of HEIC file can't be read here. Please send the photo as JPEG.")
	}
	taken := 0
	var stream *hevc.Config
	for _, id := range ids {
		t, s, err := f.tile(id)
		if err != nil {
			return err
		}
		// Phones give all tiles the same parameters; what differs is read anew.
		if stream == nil || !bytes.Equal(t.config, p.tiles[len(p.tiles)-1].config) {
			if stream, err = hevc.Parse(t.config); err != nil {
				return err
			}
		}
		if s != (size{stream.Width, stream.Height}) {
			return fmt.Errorf("a HEIC tile said to be %v is %d x %d", s, stream.Width, stream.Height)
		}
		// Tiles that share their bytes would let a small file ask for work without end.
		if taken += len(t.bits); taken > len(f.b)+16<<20 {
			return errors.New("HEIC tiles that lie on top of each other")
		}
		if p.tile != (size{}) && s != p.tile {
			return errors.New("HEIC tiles of different sizes")
		}
		p.tile = s
		p.colour = signal{primaries: stream.Primaries, matrix: stream.Matrix, limited: stream.Limited, stated: stream.Stated}
		h.memory = max(h.memory, stream.Memory())
		p.tiles = append(p.tiles, t)
	}
	if main.kind == "hvc1" {
		p.whole = p.tile
	}
	// Tiles cover the picture, and each of them is needed.
	if p.whole.w > p.columns*p.tile.w || p.whole.h > p.rows*p.tile.h ||
		p.whole.w <= (p.columns-1)*p.tile.w || p.whole.h <= (p.rows-1)*p.tile.h {
		return fmt.Errorf("a HEIC grid of %d x %d tiles of %v for %v", p.columns, p.rows, p.tile, p.whole)
	}
	p.crop = crop{0, 0, p.whole.w, p.whole.h}
	turned := false
	err := f.properties(main, func(x heifBox) error {
		r := &reading{b: x.body}
		switch x.kind {
		case "clap":
			if turned {
				return errors.New("a HEIC picture cut after it was turned")
			}
			c, err := aperture(r, p.whole)
			if err != nil {
				return err
			}
			p.crop = c
		case "irot":
			turned = true
			h.Orientation = turn(h.Orientation, [4]int{1, 8, 3, 6}[r.take(1)&3])
		case "imir":
			turned = true
			h.Orientation = turn(h.Orientation, [2]int{4, 2}[r.take(1)&1])
		case "colr":
			switch string(x.body[:min(4, len(x.body))]) {
			case "prof", "rICC":
				h.icc = x.body[4:]
			case "nclx":
				r.take(4)
				p.colour = signal{primaries: int(r.take(2)), stated: true}
				r.take(2)
				p.colour.matrix, p.colour.limited = int(r.take(2)), r.take(1)>>7 == 0
			}
		}
		if r.out {
			return errBox
		}
		return nil
	})
	if err != nil {
		return err
	}
	h.coded = size{p.crop.w, p.crop.h}
	h.largest = size{p.columns * p.tile.w, p.rows * p.tile.h}.pixels()
	h.memory += 3 * size{p.columns * p.tile.w, p.tile.h}.pixels() // a row of tiles beside the one in work
	h.heif = p
	return nil
}

// aperture reads a clap box: width, height and the distance of the centre, as fractions.
func aperture(r *reading, of size) (crop, error) {
	var v [8]int64
	for i := range v {
		v[i] = int64(int32(r.take(4)))
	}
	for i := 1; i < 8; i += 2 {
		if v[i] <= 0 {
			return crop{}, errBox
		}
	}
	w, t := v[0]/v[1], v[2]/v[3]
	// left = centre - half the width; all doubled, to stay with whole numbers
	left := (int64(of.w) - w + 2*v[4]/v[5]) / 2
	top := (int64(of.h) - t + 2*v[6]/v[7]) / 2
	if w < 1 || t < 1 || left < 0 || top < 0 || left+w > int64(of.w) || top+t > int64(of.h) {
		return crop{}, errors.New("a HEIC picture cut outside of itself")
	}
	return crop{int(left), int(top), int(w), int(t)}, nil
}

// tile returns what is needed to decode an item of type hvc1, its size and its parameters.
func (f *heifFile) tile(id uint32) (t heifTile, s size, err error) {
	i := f.items[id]
	if i == nil || i.kind != "hvc1" {
		return t, s, errors.New("a HEIC tile is missing")
	}
	err = f.properties(i, func(x heifBox) error {
		switch x.kind {
		case "hvcC":
			t.config = x.body
		case "ispe":
			r := &reading{b: x.body}
			r.take(4)
			s = size{int(r.take(4)), int(r.take(4))}
		}
		return nil
	})
	if err == nil {
		t.bits, err = f.content(id)
	}
	return t, s, err
}

// signal is how a video stream's numbers stand for colours: code points of ITU-T H.273.
type signal struct {
	primaries, matrix int
	limited           bool // 16 to 235 instead of 0 to 255
	stated            bool
}
