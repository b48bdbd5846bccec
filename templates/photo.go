package templates

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// PhotoURLs returns the address of a photo's copy, "large", "medium" or "small": below a link on a customer's
// page, below the job at the counter, a Content-ID in an email.
type PhotoURLs func(p *workflow.Photo, size string) string

// PhotosAt returns addresses below one that ends with a photo's number. The digest of the copy is in them, for
// a blur that is drawn later makes a new copy; so a browser may keep each for good.
func PhotosAt(base string) PhotoURLs {
	return func(p *workflow.Photo, size string) string {
		return base + strconv.Itoa(p.ID) + "/" + size + ".jpg?v=" + first(p.Of(size).Digest, 8)
	}
}

// PhotoView is a photo as shown.
type PhotoView struct {
	ID           int
	Small, Large string // addresses
	// Set offers a browser all copies by their width, as HTML's srcset; "" where there is one only.
	Set string
	// Half says that it stands beside another, so that half the width is enough.
	Half bool
	// The pixel sizes of the copies, so that a page does not jump while they load.
	SmallWidth, SmallHeight int
	Width, Height           int
	Caption                 string
	// Alt is never empty: without the bench's own description it says what kind of photo this is.
	Alt   string
	When  string
	Kind  workflow.PhotoKind
	Label string // "Before", "After"; "" for other kinds
	// Number says which photo it is: "Photo 3".
	Number string
	Marks  *MarksView
	// Notes are what the marks point at, for everybody and for a screen reader.
	Notes []MarkNote
}

// MarksView is the drawing over a photo, laid out as if its long side had 1600 pixels, so that lines have
// the same weight on every photo. The copies in mails are drawn with the same measures.
type MarksView struct {
	Width, Height int
	Shapes        []Shape
}

// Shape is one drawn mark. Coordinates are ready for SVG attributes.
type Shape struct {
	Kind           workflow.MarkKind
	X, Y, R        string
	X1, Y1, X2, Y2 string // an arrow's line
	Head           string // an arrow's head, as points
	// Number is in a disc of radius DiscR at DiscX, DiscY; "" for a mark without one.
	Number              string
	DiscX, DiscY, DiscR string
}

// MarkNote is the text of a mark.
type MarkNote struct {
	Number string // "" where the mark has none; Text says then what kind it is
	Text   string
	Kind   workflow.MarkKind
}

// PhotosOf shows the photos with these ids that are still there, in this order.
func PhotosOf(j *workflow.Job, ids []int, w *locale.Words, loc *time.Location, urls PhotoURLs) []PhotoView {
	var out []PhotoView
	for _, id := range ids {
		if p := j.Photo(id); p != nil {
			out = append(out, photoOf(j, p, w, loc, urls))
		}
	}
	return out
}

// photoOf makes the view of a photo.
func photoOf(j *workflow.Job, p *workflow.Photo, w *locale.Words, loc *time.Location, urls PhotoURLs) PhotoView {
	v := PhotoView{
		ID: p.ID, SmallWidth: p.Small.Width, SmallHeight: p.Small.Height, Width: p.Large.Width, Height: p.Large.Height,
		Caption: p.Caption.Text, Alt: p.Alt.Text, Number: w.T("photo.number", p.ID), When: w.DayTime(p.At, loc), Kind: p.Kind,
	}
	v.Small, v.Large = urls(p, "small"), urls(p, "large")
	if v.Large != "" && p.Small.Width != p.Large.Width {
		v.Set = fmt.Sprintf("%s %dw, ", v.Small, p.Small.Width)
		if p.Medium.Width > 0 {
			v.Set += fmt.Sprintf("%s %dw, ", urls(p, "medium"), p.Medium.Width)
		}
		v.Set += fmt.Sprintf("%s %dw", v.Large, p.Large.Width)
	}
	if v.Alt == "" {
		v.Alt = w.T("photo.alt."+string(p.Kind), p.ID)
	}
	switch p.Kind {
	case workflow.PhotoBefore, workflow.PhotoAfter, workflow.PhotoFound, workflow.PhotoLeft:
		v.Label = w.T("photo.label." + string(p.Kind))
	}
	v.Marks, v.Notes = marksOf(p)
	for i, n := range v.Notes {
		if n.Number == "" {
			v.Notes[i].Text = w.T("mark."+string(n.Kind), n.Text)
		}
	}
	return v
}

// marksOf lays a photo's marks out for SVG. Blurred areas are in the copies already.
func marksOf(p *workflow.Photo) (*MarksView, []MarkNote) {
	var notes []MarkNote
	m := &MarksView{Width: p.Large.Width, Height: p.Large.Height}
	if m.Width <= 0 || m.Height <= 0 {
		m.Width, m.Height = 1600, 1200
	}
	long := max(m.Width, m.Height)
	m.Width, m.Height = max(m.Width*1600/long, 1), max(m.Height*1600/long, 1)
	at := func(x, y int) (float64, float64) {
		return float64(x) * float64(m.Width) / 10000, float64(y) * float64(m.Height) / 10000
	}
	for _, k := range p.Marks {
		number := ""
		if k.Number > 0 {
			number = strconv.Itoa(k.Number)
		}
		if k.Text.Text != "" {
			notes = append(notes, MarkNote{number, k.Text.Text, k.Kind})
		}
		x, y := at(k.X, k.Y)
		x2, y2 := at(k.X2, k.Y2)
		s := Shape{Kind: k.Kind, X: px(x), Y: px(y), Number: number, DiscR: px(34)}
		disc := func(x, y float64) {
			edge := 40.0
			s.DiscX, s.DiscY = px(min(max(x, edge), float64(m.Width)-edge)), px(min(max(y, edge), float64(m.Height)-edge))
		}
		switch k.Kind {
		case workflow.MarkRing:
			r := max(math.Hypot(x2-x, y2-y), 24)
			s.R = px(r)
			disc(x+r*math.Sqrt2/2, y-r*math.Sqrt2/2)
		case workflow.MarkPoint:
			disc(x, y)
		case workflow.MarkArrow:
			length := math.Hypot(x-x2, y-y2)
			if length == 0 {
				continue
			}
			dx, dy := (x-x2)/length, (y-y2)/length
			head := min(60, length/2)
			bx, by := x-dx*head, y-dy*head
			s.X1, s.Y1, s.X2, s.Y2 = px(x2), px(y2), px(bx), px(by)
			disc(x2, y2)
			wing := head / 2
			s.Head = px(x) + "," + px(y) + " " + px(bx-dy*wing) + "," + px(by+dx*wing) + " " + px(bx+dy*wing) + "," + px(by-dx*wing)
		default:
			continue
		}
		m.Shapes = append(m.Shapes, s)
	}
	if len(m.Shapes) == 0 {
		return nil, notes
	}
	return m, notes
}

func px(f float64) string { return strconv.FormatFloat(f, 'f', 1, 64) }

// half makes a photo one that stands beside another.
func half(v PhotoView) PhotoView {
	v.Half = true
	return v
}

// PhotoPair is the same place before and after.
type PhotoPair struct {
	Before, After PhotoView
	at            time.Time // of the second
}
