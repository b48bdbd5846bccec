package inbox

import (
	"bytes"
	"context"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
)

var counter, customer = notifytest.Counter, notifytest.Customer

// bench is a shop with everything in memory, and a job in hand.
type bench struct {
	*notifytest.Desk
	t      testing.TB
	clock  *notifytest.Clock
	photos *evidence.Memory
	mails  *mail.Writer
	n      workflow.JobNumber
	nth    int
}

func newBench(t testing.TB) *bench {
	b := &bench{t: t, clock: notifytest.NewClock(time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)), photos: &evidence.Memory{}}
	b.Desk = notifytest.NewDesk(t, b.clock.Now)
	set, err := templates.Load()
	require.NoError(t, err)
	b.mails = &mail.Writer{Service: b.Svc, Templates: set, Photos: b.photos}
	return b
}

func (b *bench) do(by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	b.clock.Move(time.Second)
	return b.Do(b.n, by, commands...)
}

func (b *bench) job() *workflow.Job { return b.Job(b.n) }

// receive takes the parcel of the job in hand in, with two photos.
func (b *bench) receive() {
	b.clock.Move(26 * time.Hour)
	for range 2 {
		b.nth++
		f := evidence.Folder{Shop: b.Svc.Shop.ID, Job: b.n, Area: evidence.Shown}
		large, _, err := b.photos.Put(context.Background(), f, bytes.NewReader(notifytest.Picture(1200, 900, uint8(b.nth))))
		require.NoError(b.t, err)
		c := workflow.Copy{Digest: string(large), Width: 1200, Height: 900}
		b.do(counter, workflow.AddPhoto{Photo: workflow.Photo{Original: string(large), Kind: workflow.PhotoArrival, Copies: workflow.Copies{Large: c, Small: c}}})
	}
	b.do(counter, workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.Unknown}},
		workflow.Go{To: workflow.StageReceived})
}
