package evidence

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"

	"benchword/workflow"
)

// The long sides of the shown copies, in pixels. A smaller picture keeps its size.
const (
	LargeSide  = 1600
	MediumSide = 960
	SmallSide  = 480
)

// Limits bound what a [Desk] takes in. A zero field means its default.
type Limits struct {
	// Bytes of one file; 30 MiB.
	Bytes int64
	// Pixels of one picture, width times height; 64 million, so that 48-megapixel phones are in.
	Pixels int64
	// Memory in bytes that all decoding together may take, reckoned from the headers before it
	// starts; 512 MiB. A picture that would take more by itself is refused, whatever its pixels: a
	// progressive JPEG or a HEIC in one piece takes far more than the same picture from a camera.
	Memory int64
	// AtOnce is how many pictures are decoded at a time; as many as there are processors. HEIC is
	// decoded one at a time.
	AtOnce int
}

// aside is what a picture in work takes beyond its file and its decoder: the copies and their encoding.
const aside = 16 << 20

// Desk takes photos in, makes their copies, and returns them out. Its methods may be called from many
// goroutines; those that make copies wait for their turn, or for ctx.
type Desk struct {
	blobs  Blobs
	limits Limits
	*gates
	workers *Workers // nil: in this process
}

// gates are what desks of one process wait at.
type gates struct {
	places gate // pictures in work
	memory gate // bytes
	heic   gate // HEIC pictures in work
}

// NewDesk returns a desk that keeps photos in blobs, with the default limits.
func NewDesk(blobs Blobs) *Desk { return NewDeskWith(blobs, Limits{}) }

// NewDeskWith returns a desk with other limits.
func NewDeskWith(blobs Blobs, l Limits) *Desk {
	if l.Bytes <= 0 {
		l.Bytes = 30 << 20
	}
	if l.Pixels <= 0 {
		l.Pixels = 64e6
	}
	if l.Memory <= 0 {
		l.Memory = 512 << 20
	}
	if l.AtOnce <= 0 {
		l.AtOnce = runtime.GOMAXPROCS(0)
	}
	d := &Desk{blobs: blobs, limits: l, gates: &gates{}}
	d.places.free, d.memory.free, d.heic.free = int64(l.AtOnce), l.Memory, 1
	return d
}

// For returns a desk for other blobs that keeps to the same limits together with this one.
func (d *Desk) For(blobs Blobs) *Desk { return &Desk{blobs, d.limits, d.gates, d.workers} }

// Picture is a photo that was taken in.
type Picture struct {
	Original Digest
	Format   Format
	Bytes    int64 // of the original
	workflow.Copies
	// Taken is the camera's word for when, see [Header.Taken]. It proves nothing.
	Taken string
}

// Photo returns the picture as a job holds it, without an id.
func (p Picture) Photo() workflow.Photo {
	return workflow.Photo{Original: string(p.Original), Copies: p.Copies}
}

// Take is [Desk.Accept] for callers who need nothing but the photo.
func (d *Desk) Take(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, r io.Reader) (workflow.Photo, error) {
	p, err := d.Accept(ctx, shop, job, r)
	return p.Photo(), err
}

// Accept takes a picture in for a job: it keeps the file as it is in the private area, and its
// copies in the shown one. r should be at hand (a file, bytes), for a slow one holds up others. The error
// is a [workflow.Error] where the picture is to blame, and nothing of it is kept then.
func (d *Desk) Accept(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, r io.Reader) (Picture, error) {
	private, shown := Folder{shop, job, Original}, Folder{shop, job, Shown}
	if err := private.Check(); err != nil {
		return Picture{}, err
	}
	var out Picture
	err := d.work(ctx, r, nil, func(b []byte, h Header, c copies) (err error) {
		out = Picture{Format: h.Format, Bytes: int64(len(b)), Taken: h.Taken}
		if out.Original, _, err = d.blobs.Put(ctx, private, bytes.NewReader(b)); err != nil {
			return err
		}
		out.Copies, err = d.keep(ctx, shown, c)
		return err
	})
	if err != nil {
		return Picture{}, err
	}
	return out, nil
}

// Redraw makes the shown copies of a photo anew from its original, with the blurred areas of marks
// made unreadable in them. The other marks are not drawn in. The copies shown before stay until
// [Desk.Discard]. An original that is not there is workflow.ErrNotFound.
func (d *Desk) Redraw(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, original string, marks []workflow.Mark) (out workflow.Copies, err error) {
	if err := CheckMarks(marks); err != nil {
		return out, err
	}
	r, _, err := d.open(ctx, Folder{shop, job, Original}, original)
	if err != nil {
		return out, err
	}
	defer r.Close()
	err = d.work(ctx, r, marks, func(_ []byte, _ Header, c copies) (err error) {
		out, err = d.keep(ctx, Folder{shop, job, Shown}, c)
		return err
	})
	return out, err
}

// copied is a shown copy before it is kept.
type copied struct {
	jpeg []byte
	size size
}

// copies are a picture's, of the large, the medium and the small side; one that would be no smaller than the
// one before is empty.
type copies [3]copied

func (d *Desk) keep(ctx context.Context, f Folder, made copies) (out workflow.Copies, err error) {
	for i, to := range []*workflow.Copy{&out.Large, &out.Medium, &out.Small} {
		c := made[i]
		if c.jpeg == nil {
			continue
		}
		digest, _, err := d.blobs.Put(ctx, f, bytes.NewReader(c.jpeg))
		if err != nil {
			return out, err
		}
		*to = workflow.Copy{Digest: string(digest), Width: c.size.w, Height: c.size.h}
	}
	return out, nil
}

// work reads a picture, makes its copies and hands them to then, all within the limits.
func (d *Desk) work(ctx context.Context, r io.Reader, marks []workflow.Mark, then func(b []byte, h Header, c copies) error) error {
	r = obeying{ctx, r}
	head := make([]byte, 12)
	n, err := io.ReadFull(r, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return unread(err)
	}
	head = head[:n]
	// The order of the gates is always the same, so nobody waits for somebody who waits for him.
	if has(head, 4, "ftyp") {
		if err := d.heic.enter(ctx, 1); err != nil {
			return err
		}
		defer d.heic.leave(1)
	}
	if err := d.places.enter(ctx, 1); err != nil {
		return err
	}
	defer d.places.leave(1)
	b, err := d.readAll(head, r)
	if err != nil {
		return err
	}
	h, err := Inspect(b)
	if err != nil {
		return err
	}
	takes, err := d.check(h, int64(len(b)))
	if err != nil {
		return err
	}
	if err := d.memory.enter(ctx, takes); err != nil {
		return err
	}
	defer d.memory.leave(takes)
	var made copies
	if d.workers != nil {
		made, err = d.workers.copies(ctx, d.limits.Memory, b, marks)
	} else {
		made, err = h.copies(ctx, b, marks)
	}
	if err != nil {
		return err
	}
	return then(b, h, made)
}

func unread(err error) error {
	return refuse(err, "The picture did not arrive whole. Please send it again.")
}

func (d *Desk) readAll(head []byte, r io.Reader) ([]byte, error) {
	b := bytes.NewBuffer(head)
	n, err := io.Copy(b, io.LimitReader(r, d.limits.Bytes+1-int64(len(head))))
	if err != nil {
		return nil, unread(err)
	}
	if int64(len(head))+n > d.limits.Bytes {
		return nil, refuse(nil, "The file is larger than %d MB. Please send a smaller copy of the picture.", d.limits.Bytes>>20)
	}
	return b.Bytes(), nil
}

// check holds a header against the limits and returns the memory to reserve.
func (d *Desk) check(h Header, length int64) (int64, error) {
	if h.largest > d.limits.Pixels {
		return 0, refuse(nil, "The picture has %s, more than the %d million pixels that can be taken. Please send a smaller copy.",
			pixelWords(h), d.limits.Pixels/1e6)
	}
	takes := 2*length + h.memory + aside // twice: the buffer that the file was read into may be that large
	if takes > d.limits.Memory {
		return 0, refuse(fmt.Errorf("decoding would take %d bytes", takes), "The picture of %s is too large to be opened in this form. Please save it as an ordinary JPEG, or send a smaller copy.", pixelWords(h))
	}
	return takes, nil
}

func pixelWords(h Header) string { return fmt.Sprintf("%d x %d pixels", h.Width, h.Height) }

// copies makes the copies; a failure is put so that it can be shown.
func (h *Header) copies(ctx context.Context, b []byte, marks []workflow.Mark) (out copies, err error) {
	p, err := h.decode(ctx, b, LargeSide)
	if err != nil {
		var told *workflow.Error
		switch {
		case ctx.Err() != nil:
			return out, ctx.Err()
		case errors.As(err, &told):
			return out, err
		}
		return out, damaged(err)
	}
	p.blur(marks)
	for i, side := range [len(out)]int{LargeSide, MediumSide, SmallSide} {
		if side == MediumSide && max(p.y.w, p.y.h) <= side {
			continue
		}
		c, q := p, quality
		if i > 0 {
			c = p.shrunk(side)
		}
		if side == MediumSide {
			q = mediumQuality
		}
		out[i].size = c.y.size
		if out[i].jpeg, err = c.encode(q); err != nil {
			return out, fmt.Errorf("evidence: encoding a copy: %w", err)
		}
	}
	return out, nil
}

func (d *Desk) open(ctx context.Context, f Folder, digest string) (io.ReadCloser, int64, error) {
	if err := f.Check(); err != nil || !Digest(digest).Valid() {
		return nil, 0, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such photo.", Err: err}
	}
	r, n, err := d.blobs.Open(ctx, f, Digest(digest))
	if errors.Is(err, ErrNotThere) {
		return nil, 0, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such photo.", Err: err}
	}
	return r, n, err
}

// Open returns a shown copy and its length in bytes; workflow.ErrNotFound if there is none. Whether the
// caller may see the job is for the caller to check.
func (d *Desk) Open(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, digest string) (io.ReadCloser, int64, error) {
	return d.open(ctx, Folder{shop, job, Shown}, digest)
}

// OpenOriginal returns a file as it came, with all that its metadata tells (where it was taken, say): for
// staff and for an export that the owner asked for, never for a page.
func (d *Desk) OpenOriginal(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, digest string) (io.ReadCloser, int64, error) {
	return d.open(ctx, Folder{shop, job, Original}, digest)
}

// Discard removes shown copies that are no longer shown, after new ones were made. Do it when the job
// names the new ones, and leave out any that another of the job's photos names.
func (d *Desk) Discard(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, digests ...string) error {
	for _, c := range digests {
		if err := d.blobs.Delete(ctx, Folder{shop, job, Shown}, Digest(c)); err != nil {
			return err
		}
	}
	return nil
}

// Mend makes those shown copies of a photo again that are not there.
func (d *Desk) Mend(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, p *workflow.Photo) error {
	for _, c := range p.Copies.All() {
		if c.Digest == "" {
			continue
		}
		r, _, err := d.Open(ctx, shop, job, c.Digest)
		if err == nil {
			_ = r.Close()
			continue
		}
		if errors.Is(err, workflow.ErrNotFound) {
			_, err = d.Redraw(ctx, shop, job, p.Original, p.Marks)
		}
		if errors.Is(err, workflow.ErrNotFound) {
			return nil // nor is the original
		}
		return err
	}
	return nil
}

// Clear removes every picture of a job, originals too: the person was erased.
func (d *Desk) Clear(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber) error {
	return d.blobs.Clear(ctx, shop, job)
}
