package notify

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/jpeg"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"golang.org/x/image/draw"
)

// mailCopy is a photo as a mail shows it.
type mailCopy struct {
	jpeg          []byte
	width, height int
}

// Copies makes photos fit for a mail and keeps the last ones: a report and its reminders show the same
// photos. The zero value is ready; one serves all shops of a process.
type Copies struct{ recent evidence.Recent[mailCopy] }

const (
	copiesKept = 64 // at most about 6 MB
	// copyWidth is twice the width of the column, for screens that show two pixels for one.
	copyWidth  = 1072
	copyHeight = 1072
	copyBytes  = 120 << 10
	// maxPixels bounds what is decoded; a stored copy has at most 1600 by 1600.
	maxPixels = 4 << 20
)

func (c *Copies) get(ctx context.Context, blobs evidence.Blobs, j *workflow.Job, p *workflow.Photo) (mailCopy, error) {
	key := fmt.Sprintf("%s %s %v", j.Shop, p.Large.Digest, p.Marks) // what it is, not which job's
	if found, ok := c.recent.Get(key); ok {
		return found, nil
	}
	stored, err := evidence.ReadBlob(ctx, blobs, evidence.Folder{Shop: j.Shop, Job: j.Number, Area: evidence.Shown}, evidence.Digest(p.Large.Digest))
	if err != nil {
		return mailCopy{}, err
	}
	made, err := makeMailCopy(stored, p.Marks)
	if err != nil {
		return mailCopy{}, err
	}
	c.recent.Keep(key, made, copiesKept)
	return made, nil
}

// makeMailCopy scales a stored JPEG to what a mail carries and burns the marks in.
func makeMailCopy(stored []byte, marks []workflow.Mark) (mailCopy, error) {
	head, err := jpeg.DecodeConfig(bytes.NewReader(stored))
	if err != nil {
		return mailCopy{}, fmt.Errorf("reading a stored photo: %w", err)
	}
	if head.Width <= 0 || head.Height <= 0 || head.Width*head.Height > maxPixels {
		return mailCopy{}, fmt.Errorf("a stored photo of %d x %d pixels is not one of ours", head.Width, head.Height)
	}
	src, err := jpeg.Decode(bytes.NewReader(stored))
	if err != nil {
		return mailCopy{}, fmt.Errorf("reading a stored photo: %w", err)
	}
	size := src.Bounds().Size()
	var out mailCopy
	for shrink := 100; ; shrink = shrink * 3 / 4 {
		w, h := fit(size.X, size.Y, copyWidth*shrink/100, copyHeight*shrink/100)
		dst := image.NewRGBA(image.Rect(0, 0, w, h))
		draw.ApproxBiLinear.Scale(dst, dst.Bounds(), src, src.Bounds(), draw.Src, nil)
		evidence.Draw(dst, marks)
		for _, quality := range []int{80, 68} {
			var b bytes.Buffer
			if err := jpeg.Encode(&b, dst, &jpeg.Options{Quality: quality}); err != nil {
				return mailCopy{}, fmt.Errorf("encoding a photo for a mail: %w", err)
			}
			out = mailCopy{b.Bytes(), w, h}
			if b.Len() <= copyBytes {
				return out, nil
			}
		}
		if shrink < 30 {
			return out, nil
		}
	}
}

// fit gives the largest size within a box that keeps the shape; it never enlarges.
func fit(w, h, maxW, maxH int) (int, int) {
	if w > maxW {
		w, h = maxW, h*maxW/w
	}
	if h > maxH {
		w, h = w*maxH/h, maxH
	}
	return max(w, 1), max(h, 1)
}
