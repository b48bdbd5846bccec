package mail

import (
	"context"
	"fmt"

	"benchword/workflow"
	"benchword/workflow/evidence"
)

// mailCopy is a photo as an email shows it.
type mailCopy struct {
	jpeg          []byte
	width, height int
}

// Copies makes photos fit for an email and keeps the last ones: a report and its reminders show the same
// photos. The zero value is ready; one serves all shops of a process.
type Copies struct{ recent evidence.Recent[mailCopy] }

const (
	copiesKept = 64 // at most about 4 MB
	// copySide is nearly twice the width of the column, for screens that show two pixels for one.
	copySide  = 960
	copyBytes = 64 << 10
)

// Drop lets go what was made from a job's photos.
func (c *Copies) Drop(shop workflow.ShopID, n workflow.JobNumber) {
	c.recent.Drop(fmt.Sprintf("%s %s ", shop, n))
}

func (c *Copies) get(ctx context.Context, blobs evidence.Blobs, j *workflow.Job, p *workflow.Photo) (mailCopy, error) {
	key := fmt.Sprintf("%s %s %s %v", j.Shop, j.Number, p.Middle().Digest, p.Marks)
	if found, ok := c.recent.Get(key); ok {
		return found, nil
	}
	stored, err := evidence.ReadBlob(ctx, blobs, evidence.Folder{Shop: j.Shop, Job: j.Number, Area: evidence.Shown}, evidence.Digest(p.Middle().Digest))
	if err != nil {
		return mailCopy{}, err
	}
	var made mailCopy
	if made.jpeg, made.width, made.height, err = evidence.Fit(stored, p.Marks, copySide, copyBytes); err != nil {
		return mailCopy{}, err
	}
	c.recent.Keep(key, made, copiesKept)
	return made, nil
}
