package notify_test

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

var owner = workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}

// album keeps the photos of a job, on a disk that can be away.
type album struct {
	*evidence.Desk
	away error
}

func (p *album) Clear(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) error {
	if p.away != nil {
		return p.away
	}
	return p.Desk.Clear(ctx, shop, n)
}

func (p *album) Discard(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber, digests ...string) error {
	if p.away != nil {
		return p.away
	}
	return p.Desk.Discard(ctx, shop, n, digests...)
}

// withPictures returns a desk a folder for photos and returns it with a photo of a job in it.
func withPictures(t *testing.T, d *desk, n workflow.JobNumber) (*album, workflow.Photo) {
	blobs, err := evidence.OpenDir(t.TempDir())
	require.NoError(t, err)
	p := &album{Desk: evidence.NewDesk(blobs)}
	d.Svc.Pictures = p
	img := image.NewRGBA(image.Rect(0, 0, 640, 480))
	for i := range 640 * 480 {
		img.Set(i%640, i/640, color.RGBA{byte(i), byte(i >> 8), 90, 255})
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	photo, err := p.Take(t.Context(), d.Svc.Shop.ID, n, &b)
	require.NoError(t, err)
	photo.Kind = workflow.PhotoArrival
	d.Do(n, notifytest.Counter, workflow.AddPhoto{Photo: photo})
	return p, photo
}

func (p *album) has(t *testing.T, shop workflow.ShopID, n workflow.JobNumber, digest string) bool {
	r, _, err := p.Open(t.Context(), shop, n, digest)
	if err == nil {
		require.NoError(t, r.Close())
	} else {
		require.ErrorIs(t, err, workflow.ErrNotFound)
	}
	return err == nil
}

// Whatever door the command came by, an erased person's photos and drafts go: at least once, tried again
// while the disk is away, and seen in the outbox meanwhile.
func TestErasingTakesThePhotos(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		p, photo := withPictures(t, d, n)
		shop := d.Svc.Shop.ID
		require.NoError(t, d.Svc.KeepDraft(t.Context(), n, "report", []byte("Maud's scanner")))
		d.Do(n, notifytest.Counter, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "cancelled"})
		p.away = errors.New("the disk is away")
		d.Do(n, owner, workflow.ErasePerson{})

		var log bytes.Buffer
		cfg := notify.EffectsConfig(d.Svc)
		cfg.Log = slog.New(slog.NewTextHandler(&log, nil))
		effects := notify.New(cfg)
		require.NoError(t, effects.Flush(t.Context()))
		require.True(t, p.has(t, shop, n, photo.Large.Digest), "the test's disk holds them as long as it is away")
		require.Contains(t, log.String(), "the disk is away", "a failure is in the log")
		waiting := func() (out []workflow.Entry) {
			for _, e := range d.Entries(n) {
				if e.Channel == workflow.Effects && e.State == workflow.EntryQueued {
					out = append(out, e)
				}
			}
			return out
		}
		require.Len(t, waiting(), 1)
		require.NotEmpty(t, waiting()[0].Attempts)

		for range 60 { // months: it is never given up
			time.Sleep(36 * time.Hour)
			require.NoError(t, effects.Flush(t.Context()))
		}
		require.Len(t, waiting(), 1)
		p.away = nil
		time.Sleep(2 * time.Hour)
		require.NoError(t, effects.Flush(t.Context()))
		require.Empty(t, waiting())
		for _, digest := range []string{photo.Large.Digest, photo.Small.Digest} {
			require.False(t, p.has(t, shop, n, digest))
		}
		_, _, err := p.OpenOriginal(t.Context(), shop, n, photo.Original)
		require.ErrorIs(t, err, workflow.ErrNotFound, "the camera's file too, with the place it was taken at")
		_, err = d.Svc.Draft(t.Context(), n, "report")
		require.ErrorIs(t, err, workflow.ErrNotFound)
	})
}

// Copies from before an area was blurred are removed, and those that are shown stay.
func TestBlurringTakesTheCopiesBefore(t *testing.T) {
	d := newDesk(t, time.Now)
	n := d.Book()
	p, photo := withPictures(t, d, n)
	shop := d.Svc.Shop.ID
	blur := []workflow.Mark{{Kind: workflow.MarkBlur, X: 1000, Y: 1000, X2: 6000, Y2: 6000}}

	_, err := d.Svc.Do(t.Context(), workflow.Order{Job: n, By: notifytest.Counter, Commands: []workflow.Command{workflow.DescribePhoto{ID: 1, Kind: photo.Kind, Marks: blur}}})
	require.ErrorIs(t, err, workflow.ErrConflict, "an area is not blurred by covering it")

	cmd := workflow.DescribePhoto{ID: 1, Kind: photo.Kind, Marks: blur}
	cmd.Copies, err = p.Redraw(t.Context(), shop, n, photo.Original, blur)
	require.NoError(t, err)
	j := d.Do(n, notifytest.Counter, cmd)
	require.True(t, p.has(t, shop, n, photo.Large.Digest), "not before its entry is taken")
	require.NoError(t, notify.New(notify.EffectsConfig(d.Svc)).Flush(t.Context()))
	require.False(t, p.has(t, shop, n, photo.Large.Digest))
	require.False(t, p.has(t, shop, n, photo.Small.Digest))
	require.True(t, p.has(t, shop, n, j.Photos[0].Large.Digest))
	require.True(t, p.has(t, shop, n, j.Photos[0].Small.Digest))
}
