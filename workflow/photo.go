package workflow

import (
	"fmt"
	"slices"
	"time"
)

// PhotoKind says what a photo is for.
type PhotoKind string

const (
	PhotoArrival  PhotoKind = "arrival"      // parcel, packing, device as it came
	PhotoSerial   PhotoKind = "serial_plate" // the plate that the serial number was read off
	PhotoFound    PhotoKind = "inside_found" // the inside before anything was touched
	PhotoLeft     PhotoKind = "inside_left"  // the inside before it was closed
	PhotoEvidence PhotoKind = "evidence"     // proves a finding
	PhotoBefore   PhotoKind = "before"       // stands beside an "after" of the same place
	PhotoAfter    PhotoKind = "after"
	PhotoTest     PhotoKind = "test"
	PhotoPacking  PhotoKind = "packing"
)

var photoKinds = []PhotoKind{PhotoArrival, PhotoSerial, PhotoFound, PhotoEvidence, PhotoBefore, PhotoAfter, PhotoLeft, PhotoTest, PhotoPacking}

// PhotoKinds lists every kind of photo in the order in which a form offers them.
func PhotoKinds() []PhotoKind { return photoKinds }

// Copy is a shown copy of a photo: re-encoded, upright, without metadata.
type Copy struct {
	Digest string `json:"digest"`
	Width  int    `json:"width"`
	Height int    `json:"height"`
}

// Copies are what people see of a photo, by size.
type Copies struct {
	Large Copy `json:"large"` // long side at most 1600 px
	// Medium has a long side of at most 960 px. It is zero where Large is no larger, and on photos taken in
	// before there was one.
	Medium Copy `json:"medium,omitzero"`
	Small  Copy `json:"small"` // long side at most 480 px
}

// Of returns the copy of a size, "large", "medium" or "small"; zero where there is none.
func (c Copies) Of(size string) Copy {
	switch size {
	case "large":
		return c.Large
	case "medium":
		return c.Medium
	case "small":
		return c.Small
	}
	return Copy{}
}

// All returns the copies that there are, the largest first.
func (c Copies) All() []Copy {
	if c.Medium == (Copy{}) {
		return []Copy{c.Large, c.Small}
	}
	return []Copy{c.Large, c.Medium, c.Small}
}

// Middle returns the copy for emails and papers: the medium one, or the large one where there is none.
func (c Copies) Middle() Copy {
	if c.Medium == (Copy{}) {
		return c.Large
	}
	return c.Medium
}

// Photo is one picture. The original is private; its copies are what people see.
type Photo struct {
	ID int `json:"id"`
	// Original is the hex SHA-256 of the file as it came.
	Original string `json:"original"`
	Copies
	Kind    PhotoKind `json:"kind"`
	Caption Words     `json:"caption,omitzero"`
	// Alt says in words what can be seen, for those who can't see it.
	Alt Words `json:"alt,omitzero"`
	// Pair is the photo of the same place before (or after), 0 if none.
	Pair  int       `json:"pair,omitempty"`
	Marks []Mark    `json:"marks,omitempty"`
	At    time.Time `json:"at,omitzero"`
	// Removed photos keep their place but are no longer shown.
	Removed bool `json:"removed,omitempty"`
}

// MarkKind is the shape of a mark on a photo.
type MarkKind string

const (
	MarkRing  MarkKind = "ring"  // X,Y centre; X2,Y2 a point on the ring
	MarkArrow MarkKind = "arrow" // from X2,Y2 to X,Y
	MarkPoint MarkKind = "point" // a numbered point at X,Y
	MarkBlur  MarkKind = "blur"  // the rectangle X,Y to X2,Y2 is made unreadable
)

// Mark is drawn over a photo. Coordinates are ten-thousandths of the upright photo's width and
// height, 0 to 10000.
type Mark struct {
	Kind   MarkKind `json:"kind"`
	X      int      `json:"x"`
	Y      int      `json:"y"`
	X2     int      `json:"x2,omitempty"`
	Y2     int      `json:"y2,omitempty"`
	Number int      `json:"number,omitempty"`
	// Text says what the mark points at; a screen reader reads it.
	Text Words `json:"text,omitzero"`
}

// Photo returns the photo with this id, nil if there is none (or it was removed).
func (j *Job) Photo(id int) *Photo {
	for i := range j.Photos {
		if j.Photos[i].ID == id && !j.Photos[i].Removed {
			return &j.Photos[i]
		}
	}
	return nil
}

// SameBlurs reports whether both sets of marks blur the same areas, so that the copies made for one do
// for the other.
func SameBlurs(a, b []Mark) bool {
	areas := func(marks []Mark) map[[4]int]bool {
		out := map[[4]int]bool{}
		for _, m := range marks {
			if m.Kind == MarkBlur {
				out[[4]int{min(m.X, m.X2), min(m.Y, m.Y2), max(m.X, m.X2), max(m.Y, m.Y2)}] = true
			}
		}
		return out
	}
	x, y := areas(a), areas(b)
	if len(x) != len(y) {
		return false
	}
	for k := range x {
		if !y[k] {
			return false
		}
	}
	return true
}

// HasPhoto reports whether a photo of this kind is on the job.
func (j *Job) HasPhoto(k PhotoKind) bool {
	return slices.ContainsFunc(j.Photos, func(p Photo) bool { return p.Kind == k && !p.Removed })
}

func (t *turn) photo(p Photo) (Photo, error) {
	var err error
	if err = oneOf("kind", "The kind of photo", p.Kind, photoKinds); err != nil {
		return p, err
	}
	if p.Caption, err = t.line("caption", "The caption", p.Caption.Text, false); err != nil {
		return p, err
	}
	if p.Alt, err = t.line("alt", "The description", p.Alt.Text, false); err != nil {
		return p, err
	}
	if p.Pair != 0 && t.j.Photo(p.Pair) == nil {
		return p, invalid("pair", "There is no photo %d on this job to pair with.", p.Pair)
	}
	if len(p.Marks) > MaxList {
		return p, invalid("marks", "At most %d marks fit on a photo.", MaxList)
	}
	for i := range p.Marks {
		m := &p.Marks[i]
		if err = oneOf("marks", "The kind of a mark", m.Kind, []MarkKind{MarkRing, MarkArrow, MarkPoint, MarkBlur}); err != nil {
			return p, err
		}
		for _, v := range []int{m.X, m.Y, m.X2, m.Y2} {
			if v < 0 || v > 10000 {
				return p, invalid("marks", "A mark lies outside of the photo.")
			}
		}
		if m.Number < 0 || m.Number > 99 {
			return p, invalid("marks", "A mark's number must be between 1 and 99.")
		}
		if m.Text, err = t.line("marks", "The text of a mark", m.Text.Text, false); err != nil {
			return p, err
		}
	}
	return p, nil
}

func (t *turn) checkPhotos(ids []int) error {
	if len(ids) > MaxList {
		return invalid("photos", "At most %d photos can be named.", MaxList)
	}
	for _, id := range ids {
		if t.j.Photo(id) == nil {
			return invalid("photos", "There is no photo %d on this job.", id)
		}
	}
	return nil
}

// AddPhoto adds a picture whose copies have been made. It gets the next id. (A finding, check, work or test
// adds its own.)
type AddPhoto struct {
	Photo Photo `json:"photo"`
}

func (c AddPhoto) decide(t *turn) error {
	_, err := t.addPhotos([]Photo{c.Photo}, nil)
	return err
}

// addPhotos adds new pictures and returns their ids, with those of pictures that are there already after
// them: the evidence of a finding, check, work or test.
func (t *turn) addPhotos(photos []Photo, have []int) (ids []int, err error) {
	for _, p := range photos {
		if err := t.needOpen("Adding a photo"); err != nil {
			return nil, err
		}
		if len(t.j.Photos) >= 500 {
			return nil, refused("There are 500 photos on this job already; no more fit.")
		}
		if p, err = t.photo(p); err != nil {
			return nil, err
		}
		p.ID = len(t.j.Photos) + 1
		if err := t.record(&PhotoAdded{p}); err != nil {
			return nil, err
		}
		ids = append(ids, p.ID)
	}
	return append(ids, have...), t.checkPhotos(have)
}

// PhotoAdded adds a picture.
type PhotoAdded struct {
	Photo Photo `json:"photo"`
}

func (p *PhotoAdded) fold(j *Job, e *Event) {
	photo := p.Photo
	photo.At = e.At
	j.Photos = append(j.Photos, photo)
	j.addMoment(e, photo.ID)
}

// DescribePhoto changes what is said about, or drawn on, a picture.
type DescribePhoto struct {
	ID      int       `json:"id"`
	Kind    PhotoKind `json:"kind"`
	Caption string    `json:"caption,omitempty"`
	Alt     string    `json:"alt,omitempty"`
	Pair    int       `json:"pair,omitempty"`
	Marks   []Mark    `json:"marks,omitempty"`
	// Copies are new ones, wanted where a blurred area changes: what is to be unreadable is gone from them, not
	// covered. Zero values keep the old ones. They come from the photo desk, never from a caller.
	Copies Copies `json:"-"`
}

func (c DescribePhoto) decide(t *turn) error {
	old := t.j.Photo(c.ID)
	if old == nil {
		return invalid("photo", "There is no photo %d on this job.", c.ID)
	}
	p, err := t.photo(Photo{ID: c.ID, Kind: c.Kind, Caption: Plain(c.Caption), Alt: Plain(c.Alt), Pair: c.Pair, Marks: c.Marks})
	if err != nil {
		return err
	}
	if c.Copies.Large.Digest == "" {
		if !SameBlurs(old.Marks, p.Marks) {
			return changed(fmt.Errorf("photo %d: its blurred areas change and its copies do not", c.ID))
		}
		c.Copies = old.Copies
	}
	blurred := c.Copies != old.Copies
	if err := t.record(&PhotoDescribed{ID: c.ID, PhotoKind: p.Kind, Caption: p.Caption, Alt: p.Alt, Pair: p.Pair, Marks: p.Marks, Copies: c.Copies}); err != nil {
		return err
	}
	if blurred {
		t.effect(EffectDiscard)
	}
	return nil
}

// PhotoDescribed changes what is said about, or drawn on, a picture. Its copies change when marks
// blur part of it.
type PhotoDescribed struct {
	ID        int       `json:"id"`
	PhotoKind PhotoKind `json:"kind"`
	Caption   Words     `json:"caption,omitzero"`
	Alt       Words     `json:"alt,omitzero"`
	Pair      int       `json:"pair,omitempty"`
	Marks     []Mark    `json:"marks,omitempty"`
	Copies
}

func (p *PhotoDescribed) fold(j *Job, e *Event) {
	if x := j.Photo(p.ID); x != nil {
		x.Kind, x.Caption, x.Alt, x.Pair, x.Marks, x.Copies = p.PhotoKind, p.Caption, p.Alt, p.Pair, p.Marks, p.Copies
	}
}

// RemovePhoto takes a picture off the pages.
type RemovePhoto struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (c RemovePhoto) decide(t *turn) error {
	if t.j.Photo(c.ID) == nil {
		return invalid("photo", "There is no photo %d on this job.", c.ID)
	}
	reason, err := t.line("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&PhotoRemoved{c.ID, reason})
}

// PhotoRemoved takes a picture off the pages.
type PhotoRemoved struct {
	ID     int   `json:"id"`
	Reason Words `json:"reason"`
}

func (p *PhotoRemoved) fold(j *Job, e *Event) {
	if x := j.Photo(p.ID); x != nil {
		x.Removed = true
	}
}
