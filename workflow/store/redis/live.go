package redis

import (
	"context"
	"errors"
	"net"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// Change is what the processes of a shop tell each other of a commit.
type Change struct {
	Job     workflow.JobNumber
	Version int64
	// Notices is how many the commit made.
	Notices int
}

// Watch tells of the commits of every process, this one among them, until ctx ends. gap is called
// whenever some may have been missed: at first, and after the connection was lost. Neither may block.
func (s *Store) Watch(ctx context.Context, shop workflow.ShopID, told func(Change), gap func()) {
	for ctx.Err() == nil {
		s.watch(ctx, shop, told, gap)
		select {
		case <-ctx.Done():
		case <-time.After(awayFor):
		}
	}
}

// quietFor is how long a subscription may be silent before it is asked whether it is still there.
const quietFor = 5 * time.Second

func (s *Store) watch(ctx context.Context, shop workflow.ShopID, told func(Change), gap func()) {
	sub := s.c.SSubscribe(ctx, of(shop).live())
	defer context.AfterFunc(ctx, func() { _ = sub.Close() })() // receiving does not look at ctx
	defer sub.Close()
	asked := false
	for {
		m, err := sub.ReceiveTimeout(ctx, quietFor)
		if err != nil {
			var quiet net.Error
			if ctx.Err() != nil || asked || !errors.As(err, &quiet) || !quiet.Timeout() || sub.Ping(ctx) != nil {
				return
			}
			asked = true
			continue
		}
		asked = false
		switch m := m.(type) {
		case *driver.Subscription:
			gap()
		case *driver.Message:
			p := strings.Fields(m.Payload)
			if len(p) != 3 {
				continue // of another version of benchword
			}
			version, err1 := strconv.ParseInt(p[1], 10, 64)
			notices, err2 := strconv.Atoi(p[2])
			if err1 == nil && err2 == nil {
				told(Change{workflow.JobNumber(p[0]), version, notices})
			}
		}
	}
}
