package evidence

import (
	"encoding/binary"
	"time"
)

// readEXIF takes the orientation and the time of taking from a TIFF structure (CIPA DC-008, Exif 2.32 and later).
// What it can't make sense of it leaves: a photo is not refused for its metadata, which nobody will see.
func (h *Header) readEXIF(t []byte) {
	if len(t) < 8 {
		return
	}
	var order binary.ByteOrder
	switch {
	case has(t, 0, "II*\x00"):
		order = binary.LittleEndian
	case has(t, 0, "MM\x00*"):
		order = binary.BigEndian
	default:
		return
	}
	e := tiff{t, order}
	first := order.Uint32(t[4:])
	// HEIC's orientation is stated by the container; EXIF's is left over from the camera (ISO/IEC 23008-12).
	if v, ok := e.field(first, 0x0112, 3); ok && h.Format != HEIC {
		if o := int(order.Uint16(v)); o >= 1 && o <= 8 {
			h.Orientation = o
		}
	}
	p, ok := e.field(first, 0x8769, 4)
	if !ok {
		return
	}
	sub := order.Uint32(p)
	v, ok := e.field(sub, 0x9003, 2) // DateTimeOriginal
	if !ok {
		return
	}
	at, err := time.Parse("2006:01:02 15:04:05", ascii(v))
	if err != nil || at.Year() < 1990 {
		return // "0000:00:00 00:00:00" and blanks mean that the clock was not set
	}
	h.Taken = at.Format("2006-01-02T15:04:05")
	if v, ok := e.field(sub, 0x9011, 2); ok { // OffsetTimeOriginal
		if z, err := time.Parse("-07:00", ascii(v)); err == nil {
			h.Taken += z.Format("-07:00")
		}
	}
}

type tiff struct {
	b     []byte
	order binary.ByteOrder
}

// field returns the value of a tag in the directory at this offset. kind is the TIFF type: 2 text, 3
// short, 4 long.
func (t tiff) field(at uint32, tag uint16, kind uint16) ([]byte, bool) {
	b := t.b
	if uint64(at)+2 > uint64(len(b)) {
		return nil, false
	}
	n := int(t.order.Uint16(b[at:]))
	for i := range n {
		e := int(at) + 2 + 12*i
		if e+12 > len(b) {
			return nil, false
		}
		if t.order.Uint16(b[e:]) != tag || t.order.Uint16(b[e+2:]) != kind {
			continue
		}
		count := uint64(t.order.Uint32(b[e+4:]))
		length := count * map[uint16]uint64{2: 1, 3: 2, 4: 4}[kind]
		if count == 0 {
			return nil, false
		}
		if length <= 4 {
			return b[e+8 : e+8+int(length)], true
		}
		off := uint64(t.order.Uint32(b[e+8:]))
		if off+length > uint64(len(b)) {
			return nil, false
		}
		return b[off : off+length], true
	}
	return nil, false
}

func ascii(v []byte) string {
	for len(v) > 0 && (v[len(v)-1] == 0 || v[len(v)-1] == ' ') {
		v = v[:len(v)-1]
	}
	return string(v)
}
