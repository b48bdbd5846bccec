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
	"time"

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
		key := fmt.Sprintf("%s %s %s %v", j.Shop, j.Number, p.Middle().Digest, p.Marks)
		b, ok := m.recent.Get(key)
		if ok {
			return b, nil
		}
		r, _, err := desk.Open(ctx, j.Shop, j.Number, p.Middle().Digest)
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

// papersKept is at most some 100 MB, of papers with many photos.
const papersKept = 64

// paperFor is how long a paper is kept, for it may say what has run out.
const paperFor = 10 * time.Minute

// paper returns a paper about a job as it stands, by its kind. Writing one takes as long as serving hundreds of
// pages, so it is kept until the job changes, and writing is limited by network.
func (s *Server) paper(c *fiber.Ctx, j *workflow.Job, kind string, write func() ([]byte, error)) ([]byte, error) {
	at := s.jobOf(j.Number)
	key := fmt.Sprint(at.shop, " ", at.number, " ", j.Version, " ", kind)
	if k := s.common.papers.get(key, s.Now()); k != nil {
		return k.body, nil
	}
	if wait := s.writing.count(network(s.address(c)), s.Now()); wait > 0 {
		return nil, tooMany(c, wait)
	}
	done := s.common.papers.begin(at)
	b, err := write()
	if err != nil {
		done("", nil)
		return nil, err
	}
	done(key, &Kept{packed: packed{body: b}, Until: s.Now().Add(paperFor), job: at, version: j.Version})
	return b, nil
}

// drop forgets what was made of a job: it has changed, or the person was erased.
func (s *Server) drop(n workflow.JobNumber) {
	s.common.pages.drop(s.jobOf(n))
	s.common.papers.drop(s.jobOf(n))
}

// SendPaper answers with another paper about a job, by its kind; the job is one that is stored.
func (s *Server) SendPaper(c *fiber.Ctx, j *workflow.Job, kind, name string, write func(templates.PhotoBytes) ([]byte, error)) error {
	b, err := s.paper(c, j, kind, func() ([]byte, error) { return write(s.common.marked.of(c.UserContext(), s.cfg.Photos, j)) })
	if err != nil {
		return fmt.Errorf("writing a paper: %w", err)
	}
	c.Set(fiber.HeaderContentType, "application/pdf")
	c.Set(fiber.HeaderContentDisposition, `inline; filename="`+name+`"`)
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.Send(b)
}

// SendReportPaper answers with a report as PDF, in the customer's language. The job may be one that is
// only being tried out.
func (s *Server) SendReportPaper(c *fiber.Ctx, j *workflow.Job, r *workflow.Report) error {
	b, err := s.reportPaper(c, j, r)
	if err != nil {
		return err
	}
	return s.sendReportPaper(c, j, r, b)
}

func (s *Server) reportPaper(c *fiber.Ctx, j *workflow.Job, r *workflow.Report) ([]byte, error) {
	w := s.cfg.Words.For(j.Customer.Language)
	nowhere := func(*workflow.Photo, string) string { return "" }
	v := templates.ReportOf(j, r, s.Shop(), s.Now(), w, nowhere)
	return templates.ReportPaper(v, s.Shop(), r.SentAt, s.common.marked.of(c.UserContext(), s.cfg.Photos, j))
}

func (s *Server) sendReportPaper(c *fiber.Ctx, j *workflow.Job, r *workflow.Report, b []byte) error {
	c.Set(fiber.HeaderContentType, "application/pdf")
	c.Set(fiber.HeaderContentDisposition, `inline; filename="`+s.cfg.Words.For(j.Customer.Language).T("paper.name", strconv.Itoa(r.Number))+`"`)
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
	// Who only looks gets a paper of its own, without the customer.
	b, err := s.paper(c, j, fmt.Sprint("report ", sent.Number, " ", j.Customer.Name.Text != ""), func() ([]byte, error) { return s.reportPaper(c, j, sent) })
	if err != nil {
		return err
	}
	return s.sendReportPaper(c, j, sent, b)
}
