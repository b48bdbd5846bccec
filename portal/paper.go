package portal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"io"
	"strconv"
	"sync"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/gofiber/fiber/v2"
)

// marked keeps photos with their marks drawn in, which takes longer than all the rest of a paper.
type marked struct {
	recent  evidence.Recent[[]byte]
	drawing sync.Mutex
}

// markedKept is at most about 10 MB.
const markedKept = 32

// PaperPhotos returns a job's photos as a paper shows them: what is public of them, with their marks drawn
// in. A photo that is not there any more is nil.
func PaperPhotos(ctx context.Context, desk PhotoDesk, j *workflow.Job) templates.PhotoBytes {
	return new(marked).of(ctx, desk, j)
}

func (m *marked) of(ctx context.Context, desk PhotoDesk, j *workflow.Job) templates.PhotoBytes {
	return func(id int) ([]byte, error) {
		p := j.Photo(id)
		if p == nil {
			return nil, nil
		}
		key := fmt.Sprintf("%s %s %v", j.Shop, p.Large.Digest, p.Marks) // what it is, not which job's
		b, ok := m.recent.Get(key)
		if ok {
			return b, nil
		}
		r, _, err := desk.Open(ctx, j.Shop, j.Number, p.Large.Digest)
		if errors.Is(err, workflow.ErrNotFound) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		defer r.Close()
		if b, err = io.ReadAll(r); err != nil {
			return nil, err
		}
		// One at a time: a picture taken apart is large.
		m.drawing.Lock()
		defer m.drawing.Unlock()
		if b, ok := m.recent.Get(key); ok {
			return b, nil // drawn by another, while this one waited
		}
		if _, err := jpeg.DecodeConfig(bytes.NewReader(b)); err != nil {
			return nil, nil // damaged where it lies; the paper names it, and goes out without it
		}
		if b, err = evidence.Burn(b, p.Marks); err != nil {
			return nil, err
		}
		m.recent.Keep(key, b, markedKept)
		return b, nil
	}
}

// SendReportPaper answers with a report as PDF, in the customer's language. The job may be one that is
// only being tried out.
func (s *Server) SendReportPaper(c *fiber.Ctx, j *workflow.Job, r *workflow.Report) error {
	w := s.cfg.Words.For(j.Customer.Language)
	nowhere := func(*workflow.Photo) (string, string) { return "", "" }
	v := templates.ReportOf(j, r, s.Shop(), s.Now(), w, nowhere)
	b, err := templates.ReportPaper(v, s.Shop(), r.SentAt, s.common.marked.of(c.UserContext(), s.cfg.Photos, j))
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "application/pdf")
	c.Set(fiber.HeaderContentDisposition, `inline; filename="`+w.T("paper.name", strconv.Itoa(r.Number))+`"`)
	return c.Send(b)
}

func (s *Server) showReportPaper(c *fiber.Ctx) error {
	_, _, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	sent, err := reportOf(c, j)
	if err != nil {
		return err
	}
	return s.SendReportPaper(c, j, sent)
}
