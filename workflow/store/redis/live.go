package redis

import (
	"context"
	"errors"
	"maps"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// Change is what the processes of a shop tell each other of a commit.
type Change struct {
	Job     workflow.JobNumber
	Version int64
	// Notices is how many the commit made, or put back in the queue.
	Notices int
}

// Watch tells of the commits of every process to some shops, this process among them, until ctx ends. gap
// is called whenever some of a shop may have been missed: at first, and after the connection was lost.
// Neither may block. All shops are heard on one connection, but in a Cluster, where each lies elsewhere, on
// one each.
func (s *Store) Watch(ctx context.Context, told func(workflow.ShopID, Change), gap func(workflow.ShopID), shops ...workflow.ShopID) {
	if _, parted := s.c.(*driver.ClusterClient); parted && len(shops) > 1 {
		var all sync.WaitGroup
		for _, shop := range shops {
			all.Go(func() { s.Watch(ctx, told, gap, shop) })
		}
		all.Wait()
		return
	}
	heard := map[string]workflow.ShopID{}
	for _, shop := range shops {
		heard[of(shop).live()] = shop
	}
	for ctx.Err() == nil && len(heard) > 0 {
		s.watch(ctx, heard, told, gap)
		select {
		case <-ctx.Done():
		case <-time.After(awayFor):
		}
	}
}

// quietFor is how long a subscription may be silent before it is asked whether it is still there.
const quietFor = 5 * time.Second

func (s *Store) watch(ctx context.Context, heard map[string]workflow.ShopID, told func(workflow.ShopID, Change), gap func(workflow.ShopID)) {
	sub := s.c.SSubscribe(ctx, slices.Collect(maps.Keys(heard))...)
	defer context.AfterFunc(ctx, func() { _ = sub.Close() })() // receiving does not look at ctx
	defer sub.Close()
	asked := false
	for {
		m, err := sub.ReceiveTimeout(ctx, quietFor)
		if err != nil {
			var quiet net.Error
			_ = s.here(ctx) // noted for whoever asks next
			if ctx.Err() != nil || asked || !errors.As(err, &quiet) || !quiet.Timeout() || sub.Ping(ctx) != nil {
				return
			}
			asked = true
			continue
		}
		asked = false
		switch m := m.(type) {
		case *driver.Subscription:
			if shop, ok := heard[m.Channel]; ok {
				gap(shop)
			}
		case *driver.Message:
			shop, ok := heard[m.Channel]
			p := strings.Fields(m.Payload)
			if !ok || len(p) != 3 {
				continue // of another version of benchword
			}
			version, err1 := strconv.ParseInt(p[1], 10, 64)
			notices, err2 := strconv.Atoi(p[2])
			if err1 == nil && err2 == nil {
				told(shop, Change{workflow.JobNumber(p[0]), version, notices})
			}
		}
	}
}
