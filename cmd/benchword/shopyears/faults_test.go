package shopyears

import (
	"context"
	"errors"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/redis"
	"benchword/workflow/store/redis/redistest"
	"benchword/workflow/store/sqlite"

	"github.com/stretchr/testify/require"
)

// disk is a store whose disk is full now and then: what is to be written is refused, and what is there can be read.
// While a page is read, which changes nothing, a job is taken out once.
type disk struct {
	workflow.Store
	full    bool
	reading bool
	jobs    map[workflow.JobNumber]*workflow.Job
}

func (d *disk) Job(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	if j := d.jobs[n]; j != nil && d.reading {
		return j, nil
	}
	j, err := d.Store.Job(ctx, shop, n)
	if err == nil && d.reading {
		d.jobs[n] = j
	}
	return j, err
}

var errFull = errors.New("no space left on device")

func (d *disk) Commit(ctx context.Context, c *workflow.Commit) error {
	if d.full {
		return errFull
	}
	return d.Store.Commit(ctx, c)
}

// onDisk opens a database, and opens it again each time that it is asked for.
func onDisk(t testing.TB) func() workflow.Store {
	dir := t.TempDir()
	var open *sqlite.Store
	t.Cleanup(func() { require.NoError(t, open.Close()) })
	return func() workflow.Store {
		if open != nil {
			must(open.Close())
		}
		s, err := sqlite.Open(context.Background(), dir)
		must(err)
		must(s.ReleaseLeases(context.Background(), "harbour")) // as a server does that starts
		open = s
		return s
	}
}

// onRedis has a real server, which is killed and started again on its file each time that it is asked for.
func onRedis(t testing.TB) func() workflow.Store {
	server := redistest.Start(t)
	var open *redis.Store
	t.Cleanup(func() { _ = open.Close() })
	return func() workflow.Store {
		if open != nil {
			_ = open.Close()
			server.Kill()
			server.Again(t)
		}
		s, err := redis.Open(context.Background(), redis.Options{URL: server.URL(), Within: time.Minute})
		must(err)
		open = s
		return s
	}
}

// fillsUp lets the disk be full while something is tried. What was refused nobody takes for done.
func (p *play) fillsUp(do func()) {
	p.disk.full = true
	if b := caught(do); b != nil && b.truth != "works" && b.truth != "what is asked can be answered" {
		panic(b)
	}
	_ = p.tries() // what is due waits
	p.disk.full = false
	p.log.errors = nil // the log speaks of it
	p.once("disk full")
}

// runsSlow lets an email take longer than a lease: the mail server takes it after minutes.
func (p *play) runsSlow() {
	p.post.slow = func() {
		p.clock.Move(5 * time.Minute)
		p.happens()
		p.once("mail server: slow")
	}
}
