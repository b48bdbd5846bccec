package portal

import (
	"context"
	"errors"
	"io"
	"mime/multipart"
	"strconv"
	"strings"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/gofiber/fiber/v2"
)

// PhotoDesk takes pictures in and returns their shown copies.
type PhotoDesk interface {
	// Take keeps the original, makes the copies that are shown, and returns the photo without an id.
	// Errors are [workflow.Error] with a sentence for who sent it.
	Take(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, r io.Reader) (workflow.Photo, error)
	// Redraw makes the shown copies anew, with the blurred areas of marks made unreadable in them.
	Redraw(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, original string, marks []workflow.Mark) (workflow.Copies, error)
	// Open returns a shown copy by its digest, and its length in bytes. Error: ErrNotFound.
	Open(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, digest string) (io.ReadCloser, int64, error)
}

// MaxPhotos is how many pictures one form may carry.
const MaxPhotos = 20

// ReadPhotos takes in the pictures of a multipart form's field, for the job in the address. It takes
// all or reports the first that can't be used, by its place and name.
func (s *Server) ReadPhotos(c *fiber.Ctx, field string) ([]workflow.Photo, error) {
	n, err := workflow.ParseJobNumber(c.Params("number"))
	if err != nil {
		return nil, notFound("", "There is no job with this number.")
	}
	if _, err := s.cfg.Service.Version(c.UserContext(), n); err != nil {
		return nil, err
	}
	form, err := c.MultipartForm()
	if err != nil {
		return nil, &StatusError{Status: fiber.StatusUnsupportedMediaType, Message: "The photos did not arrive whole. Please choose them and send them again.", Err: err}
	}
	files := form.File[field]
	if len(files) > MaxPhotos {
		return nil, &workflow.Error{Code: workflow.CodeInvalid, Field: field, Message: "At most " + strconv.Itoa(MaxPhotos) + " photos fit into one form. Send the others after these."}
	}
	var out []workflow.Photo
	for i, f := range files {
		p, err := s.takePhoto(c, n, f)
		if err != nil {
			var e *workflow.Error
			if errors.As(err, &e) && len(files) > 1 {
				return nil, &workflow.Error{Code: e.Code, Field: field, Message: "Photo " + strconv.Itoa(i+1) + ": " + e.Message, Err: err}
			}
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

func (s *Server) takePhoto(c *fiber.Ctx, n workflow.JobNumber, f *multipart.FileHeader) (workflow.Photo, error) {
	r, err := f.Open()
	if err != nil {
		return workflow.Photo{}, err
	}
	defer r.Close()
	return s.cfg.Photos.Take(c.UserContext(), s.Shop().ID, n, r)
}

// Redraw makes the copies that a change of a photo's marks asks for: what is to be unreadable must be gone
// from them, not covered. Call it before the step.
func (s *Server) Redraw(ctx context.Context, j *workflow.Job, cmd *workflow.DescribePhoto) error {
	p := j.Photo(cmd.ID)
	if p == nil || workflow.SameBlurs(p.Marks, cmd.Marks) {
		return nil
	}
	if err := evidence.CheckMarks(cmd.Marks); err != nil {
		return err
	}
	var err error
	cmd.Copies, err = s.cfg.Photos.Redraw(ctx, j.Shop, j.Number, p.Original, cmd.Marks)
	return err
}

// SendPhoto answers with a shown copy of a photo on the job: size is "large", "medium" or "small".
func (s *Server) SendPhoto(c *fiber.Ctx, j *workflow.Job, id, size string) error {
	none := notFound("no_photo", "There is no such photo.")
	n, err := strconv.Atoi(id)
	if err != nil {
		return none
	}
	p := j.Photo(n)
	if p == nil {
		return none
	}
	shown := p.Of(size)
	if shown == (workflow.Copy{}) {
		return none
	}
	etag := `"` + shown.Digest[:min(24, len(shown.Digest))] + `"`
	// In the browser's own cache only; the address holds a link. The pages' addresses name the digest. What staff
	// look at is not theirs to keep.
	keep := "private, max-age=3600"
	if v := c.Query("v"); v != "" && strings.HasPrefix(shown.Digest, v) && strings.HasPrefix(c.Path(), "/j/") {
		keep = "private, max-age=31536000, immutable"
	}
	c.Set(fiber.HeaderCacheControl, keep)
	if unchanged(c, etag) {
		return c.SendStatus(fiber.StatusNotModified)
	}
	r, size64, err := s.cfg.Photos.Open(c.UserContext(), j.Shop, j.Number, shown.Digest)
	if errors.Is(err, workflow.ErrNotFound) {
		return none
	}
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "image/jpeg")
	c.Set(fiber.HeaderContentDisposition, `inline; filename="photo-`+strconv.Itoa(n)+`.jpg"`)
	return c.SendStream(r, int(size64))
}
