package portal

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// showData is the page that the link to all that is kept about a customer opens.
func (s *Server) showData(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	_, row, err := s.opened(c, link.Data)
	if err != nil {
		return err
	}
	j, err := s.cfg.Service.Job(c.UserContext(), row.Job)
	if err != nil {
		return err
	}
	page := s.jobPage(c, j, "")
	page.Title = page.T("data.title")
	return s.Render(c, fiber.StatusOK, &templates.DataPage{
		Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), File: c.Path() + "/file.zip",
		Until: page.Words().Date(row.ExpiresAt, s.Shop().Calendar.Location()),
	})
}

func (s *Server) sendData(c *fiber.Ctx) error {
	_, row, err := s.opened(c, link.Data)
	if err != nil {
		return err
	}
	j, err := s.cfg.Service.Job(c.UserContext(), row.Job)
	if err != nil {
		return err
	}
	return s.SendData(c, j)
}

// SendData sends all that is kept about a job's customer as one file: for a program to read, for a person, and the photos.
// It is written as it goes out, a photo at a time, so that no file is too large for the memory.
func (s *Server) SendData(c *fiber.Ctx, j *workflow.Job) error {
	events, err := s.cfg.Service.Events(c.UserContext(), j.Number, 0)
	if err != nil {
		return err
	}
	held := func(id int) string {
		if j.Photo(id) == nil {
			return "" // taken off, often for showing somebody else's things
		}
		return fmt.Sprintf("photos/photo-%d.jpg", id)
	}
	d := workflow.DataOf(j, events, s.Shop(), s.Now(), held)
	raw, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := s.cfg.Templates.Render(&page, templates.DataOf(j, d, s.Shop(), s.cfg.Words.For(j.Customer.Language))); err != nil {
		return err
	}
	css, _, _, _ := templates.Asset("base.css")
	c.Set(fiber.HeaderCacheControl, "no-store")
	c.Set(fiber.HeaderContentType, "application/zip")
	c.Attachment("benchword-" + j.Number.Shown() + "-data.zip")
	c.Context().SetBodyStreamWriter(func(w *bufio.Writer) {
		z := zip.NewWriter(w)
		err := errors.Join(put(z, "index.html", page.Bytes()), put(z, "data.json", raw), put(z, "base.css", css))
		for i := range j.Photos {
			if p := &j.Photos[i]; err == nil && held(p.ID) != "" {
				err = s.putPhoto(z, held(p.ID), j, p)
			}
		}
		// Without its end the file does not open: nobody takes a part of it for the whole.
		if err == nil {
			err = errors.Join(z.Close(), w.Flush())
		}
		if err != nil { // who asked has gone, most likely; a photo that can't be read is in the job's file as well
			s.cfg.Log.Warn("the file with a customer's data broke off", "job", j.Number, "cause", err)
		}
	})
	return nil
}

func put(z *zip.Writer, name string, b []byte) error {
	w, err := z.Create(name)
	if err == nil {
		_, err = w.Write(b)
	}
	return err
}

// putPhoto adds a photo as its customer may see it; one that is not there any more is left out.
func (s *Server) putPhoto(z *zip.Writer, name string, j *workflow.Job, p *workflow.Photo) error {
	r, _, err := s.cfg.Photos.Open(context.Background(), j.Shop, j.Number, p.Large.Digest)
	if errors.Is(err, workflow.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	defer r.Close()
	w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
	if err == nil {
		_, err = io.Copy(w, r)
	}
	return err
}
