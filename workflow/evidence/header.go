package evidence

import (
	"encoding/binary"
	"errors"
	"fmt"

	"benchword/workflow"
)

// Format is what kind of file a picture is, by its first bytes.
type Format string

const (
	JPEG Format = "jpeg"
	PNG  Format = "png"
	WebP Format = "webp"
	HEIC Format = "heic"
)

// ContentType returns the format's media type.
func (f Format) ContentType() string { return "image/" + string(f) }

// Header is what a picture says about itself before its pixels are looked at.
type Header struct {
	Format Format
	// Width and Height are the pixels of the upright picture.
	Width, Height int
	// Orientation is the EXIF value, 1 to 8, by which the coded pixels must be turned; 1 where the file
	// doesn't say. HEIC states it in its own way; it is translated.
	Orientation int
	// Taken is when the camera says that the picture was taken: "2026-11-02T10:15:00", with an offset
	// at its end if the camera gave one; "" if it says nothing. It is the camera's word, not a proof.
	Taken string

	coded   size   // before turning
	icc     []byte // colour profile as it stands in the file, nil if none
	memory  int64  // bytes that decoding will hold at most, reckoned generously
	jpeg    jpegHeader
	heif    *heifPicture
	largest int64 // pixels of the largest thing to be decoded, which may exceed coded
}

// Pixels returns how many pixels are to be decoded, which may be more than are shown.
func (h *Header) Pixels() int64 { return h.largest }

type size struct{ w, h int }

func (s size) pixels() int64 { return int64(s.w) * int64(s.h) }

// maxSide is the longest side that any of the formats can state, and keeps all products in an int64.
const maxSide = 1 << 31

func refuse(cause error, format string, args ...any) error {
	return &workflow.Error{Code: workflow.CodeInvalid, Field: "photo", Message: fmt.Sprintf(format, args...), Err: cause}
}

func damaged(cause error) error {
	return refuse(cause, "The picture is damaged or was cut off on its way. Please send it again, or take a new one.")
}

var errShort = errors.New("the file ends too early")

// Inspect reads the header of a file: what it is and how large, from its bytes alone. It allocates
// nothing that the header asks for. The error is a [workflow.Error] to be shown to whoever sent it.
func Inspect(b []byte) (Header, error) {
	h := Header{Orientation: 1}
	var err error
	switch {
	case len(b) == 0:
		return h, refuse(nil, "The file is empty. Please choose the picture again.")
	case has(b, 0, "\xff\xd8\xff"):
		h.Format = JPEG
		err = h.readJPEG(b)
	case has(b, 0, "\x89PNG\r\n\x1a\n"):
		h.Format = PNG
		err = h.readPNG(b)
	case has(b, 0, "RIFF") && has(b, 8, "WEBP"):
		h.Format = WebP
		err = h.readWebP(b)
	case has(b, 4, "ftyp"):
		h.Format = HEIC
		err = h.readHEIF(b)
	default:
		return h, refuse(nil, "This file is not a picture that can be read here. Please send a photo as JPEG, PNG, WebP or HEIC.")
	}
	if err != nil {
		var told *workflow.Error
		if !errors.As(err, &told) {
			err = damaged(err)
		}
		return h, err
	}
	if h.coded.w <= 0 || h.coded.h <= 0 || h.coded.w >= maxSide || h.coded.h >= maxSide {
		return h, damaged(fmt.Errorf("a picture of %d x %d pixels", h.coded.w, h.coded.h))
	}
	h.Width, h.Height = h.coded.w, h.coded.h
	if h.Orientation >= 5 {
		h.Width, h.Height = h.Height, h.Width
	}
	h.largest = max(h.largest, h.coded.pixels())
	return h, nil
}

func has(b []byte, at int, s string) bool {
	return len(b) >= at+len(s) && string(b[at:at+len(s)]) == s
}

// jpegHeader is what the frame header says (ITU-T T.81, B.2.2).
type jpegHeader struct {
	progressive bool
	parts       int  // components
	oneScan     bool // the first scan has all components
	rgb         bool // red, green and blue instead of brightness and colour differences
}

func (h *Header) readJPEG(b []byte) error {
	var (
		icc     [][]byte
		framed  bool
		samples int64
	)
	for at := 2; ; {
		for {
			if at+2 > len(b) {
				return errShort
			}
			if b[at] != 0xff {
				return errors.New("a JPEG marker is missing")
			}
			if b[at+1] != 0xff {
				break
			}
			at++ // fill bytes, T.81 B.1.1.2
		}
		marker := b[at+1]
		at += 2
		if marker == 0xd9 {
			return errors.New("a JPEG that ends before its first scan")
		}
		if marker == 0x01 || marker >= 0xd0 && marker <= 0xd8 {
			continue // no length follows
		}
		if at+2 > len(b) {
			return errShort
		}
		n := int(binary.BigEndian.Uint16(b[at:]))
		if n < 2 || at+n > len(b) {
			return errShort
		}
		seg := b[at+2 : at+n]
		at += n
		switch {
		case marker == 0xda: // scan data follow
			if !framed {
				return errors.New("a JPEG without a frame header")
			}
			h.icc = joinICC(icc)
			h.jpeg.oneScan = len(seg) > 0 && int(seg[0]) == h.jpeg.parts
			if h.jpeg.direct() {
				h.memory = 128 * int64(h.coded.w) // rows of blocks, and the sums of the row in work
				return nil
			}
			decoded := samples // one byte a sample
			if h.jpeg.progressive {
				decoded += 4 * samples // coefficients are kept until the last scan
			}
			if h.jpeg.parts == 4 || h.jpeg.rgb {
				decoded += 4 * h.coded.pixels()
			}
			h.memory = decoded
			return nil
		case marker == 0xc0 || marker == 0xc1 || marker == 0xc2:
			if framed {
				return errors.New("a JPEG with two frame headers")
			}
			framed = true
			if len(seg) < 6 || len(seg) < 6+3*int(seg[5]) {
				return errShort
			}
			if seg[0] != 8 {
				return refuse(nil, "This kind of JPEG (%d bits a colour) can't be read here. Please save it as an ordinary JPEG.", seg[0])
			}
			h.coded = size{int(binary.BigEndian.Uint16(seg[3:])), int(binary.BigEndian.Uint16(seg[1:]))}
			h.jpeg.progressive = marker == 0xc2
			h.jpeg.parts = int(seg[5])
			if h.jpeg.parts != 1 && h.jpeg.parts != 3 && h.jpeg.parts != 4 {
				return fmt.Errorf("a JPEG of %d components", h.jpeg.parts)
			}
			h.jpeg.rgb = h.jpeg.rgb || h.jpeg.parts == 3 && seg[6] == 'R' && seg[9] == 'G' && seg[12] == 'B'
			var hs, vs [4]int64
			var hmax, vmax int64
			for i := range h.jpeg.parts {
				hs[i], vs[i] = int64(seg[7+3*i]>>4), int64(seg[7+3*i]&15)
				if hs[i] < 1 || hs[i] > 4 || vs[i] < 1 || vs[i] > 4 {
					return errors.New("sampling factors out of range")
				}
				hmax, vmax = max(hmax, hs[i]), max(vmax, vs[i])
			}
			for i := range h.jpeg.parts {
				samples += (h.coded.pixels()*hs[i]*vs[i] + hmax*vmax - 1) / (hmax * vmax)
			}
		case marker >= 0xc3 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc:
			return refuse(nil, "This kind of JPEG (lossless or arithmetic coding) can't be read here. Please save it as an ordinary JPEG.")
		case marker == 0xe1 && has(seg, 0, "Exif\x00\x00"):
			h.readEXIF(seg[6:])
		case marker == 0xee && has(seg, 0, "Adobe") && len(seg) >= 12:
			h.jpeg.rgb = h.jpeg.rgb || seg[11] == 0
		case marker == 0xe2 && has(seg, 0, "ICC_PROFILE\x00") && len(seg) > 14:
			icc = append(icc, seg[12:])
		}
	}
}

// joinICC puts a profile together from its numbered parts (ICC.1, annex B.4); nil if one is missing.
func joinICC(parts [][]byte) []byte {
	if len(parts) == 0 || len(parts) > 255 {
		return nil
	}
	in := make([][]byte, len(parts))
	for _, p := range parts {
		n, of := int(p[0]), int(p[1])
		if of != len(parts) || n < 1 || n > of || in[n-1] != nil {
			return nil
		}
		in[n-1] = p[2:]
	}
	var out []byte
	for _, p := range in {
		out = append(out, p...)
	}
	return out
}

func (h *Header) readPNG(b []byte) error {
	if len(b) < 33 || !has(b, 12, "IHDR") || binary.BigEndian.Uint32(b[8:]) != 13 {
		return errShort
	}
	w, t := binary.BigEndian.Uint32(b[16:]), binary.BigEndian.Uint32(b[20:])
	if w == 0 || t == 0 || w >= maxSide || t >= maxSide {
		return fmt.Errorf("a picture of %d x %d pixels", w, t)
	}
	h.coded = size{int(w), int(t)}
	depth, kind, interlaced := b[24], b[25], b[28] == 1
	var each int64 // bytes a pixel of what image/png makes of it
	switch kind {
	case 0, 3:
		each = 1
	case 2, 4, 6:
		each = 4
	default:
		return fmt.Errorf("a PNG of colour type %d", kind)
	}
	if depth == 16 {
		each *= 2
	}
	// Each pass of an interlaced picture is decoded by itself and then laid into the whole; the largest
	// holds half of all pixels.
	h.memory = each * h.coded.pixels()
	if interlaced {
		h.memory += h.memory / 2
	}
	for at := 8; at+12 <= len(b); {
		n := int64(binary.BigEndian.Uint32(b[at:]))
		if n > int64(len(b)-at-12) {
			return nil // the decoder says that it is cut off
		}
		body := b[at+8 : at+8+int(n)]
		switch string(b[at+4 : at+8]) {
		case "eXIf":
			h.readEXIF(body)
		case "iCCP":
			h.icc = inflateICC(body)
		case "IEND":
			return nil
		}
		at += 12 + int(n)
	}
	return nil
}

func (h *Header) readWebP(b []byte) error {
	var canvas, frame size
	alpha, lossless := false, false
	end := int64(8) + int64(binary.LittleEndian.Uint32(b[4:]))
	if end > int64(len(b)) {
		return errShort
	}
	b = b[:end]
	for at := 12; at+8 <= len(b); {
		n := int64(binary.LittleEndian.Uint32(b[at+4:]))
		if n > int64(len(b)-at-8) {
			return errShort
		}
		body := b[at+8 : at+8+int(n)]
		switch string(b[at : at+4]) {
		case "VP8X":
			if len(body) < 10 {
				return errShort
			}
			if body[0]&2 != 0 {
				return refuse(nil, "This WebP file is an animation. Please send a single picture.")
			}
			canvas = size{1 + (int(body[4]) | int(body[5])<<8 | int(body[6])<<16), 1 + (int(body[7]) | int(body[8])<<8 | int(body[9])<<16)}
		case "VP8 ":
			if len(body) < 10 || !has(body, 3, "\x9d\x01\x2a") {
				return errShort
			}
			frame = size{int(binary.LittleEndian.Uint16(body[6:]) & 0x3fff), int(binary.LittleEndian.Uint16(body[8:]) & 0x3fff)}
		case "VP8L":
			if len(body) < 5 || body[0] != 0x2f {
				return errShort
			}
			v := binary.LittleEndian.Uint32(body[1:])
			frame = size{int(v&0x3fff) + 1, int(v>>14&0x3fff) + 1}
			lossless = true
		case "ALPH":
			alpha = true
		case "EXIF":
			// Some writers leave the JPEG prefix in front of the TIFF header.
			if has(body, 0, "Exif\x00\x00") {
				body = body[6:]
			}
			h.readEXIF(body)
		case "ICCP":
			h.icc = body
		}
		at += 8 + int(n) + int(n&1)
	}
	if frame.w == 0 || frame.h == 0 {
		return errors.New("a WebP file without a picture")
	}
	if canvas != (size{}) && canvas != frame {
		return fmt.Errorf("a WebP canvas of %d x %d with a picture of %d x %d", canvas.w, canvas.h, frame.w, frame.h)
	}
	h.coded = frame
	switch {
	case lossless:
		h.memory = 8 * frame.pixels()
	case alpha:
		h.memory = 11 * frame.pixels()
	default:
		h.memory = 2 * frame.pixels()
	}
	return nil
}
