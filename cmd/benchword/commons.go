package main

import (
	"context"
	"errors"
	"sync"

	"benchword/notify/mail"
	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/evidence/bucket"
	"benchword/workflow/store/redis"
)

// commons are what the shops of one process share: what is the same for all is there once, and what takes
// memory or processors has one bound for all. Shops with the same settings of a shared store or bucket
// share its connections; what is asked names the shop.
type commons struct {
	templates func() (*templates.Set, error)
	portal    *portal.Common
	copies    *mail.Copies
	desk      *evidence.Desk
	pictures  *evidence.Workers
	renewing  chan struct{}

	// many says that these are shared: then stores are closed by close, and not with a shop.
	many bool

	mu      sync.Mutex
	stores  map[redis.Options]*opening[*redis.Store]
	buckets map[bucketKey]*opening[*bucket.Bucket]
}

type bucketKey struct {
	place       bucket.Place
	key, secret string
}

// opening is opened once, by the first who asks.
type opening[T any] struct {
	once sync.Once
	it   T
	err  error
}

func (o *opening[T]) get(open func() (T, error)) (T, error) {
	o.once.Do(func() { o.it, o.err = open() })
	return o.it, o.err
}

func newCommons() *commons {
	pictures := evidence.NewWorkers()
	return &commons{
		templates: templates.Load, portal: portal.NewCommon(), copies: &mail.Copies{}, renewing: make(chan struct{}, 1),
		desk: evidence.NewDesk(nil).Apart(pictures), pictures: pictures,
		stores: map[redis.Options]*opening[*redis.Store]{}, buckets: map[bucketKey]*opening[*bucket.Bucket]{},
	}
}

// sharedStore is a store that several shops may share; then commons closes it, after the shops.
type sharedStore struct {
	*redis.Store
	keepOpen bool
}

// Close implements [workflow.Store].
func (l sharedStore) Close() error {
	if l.keepOpen {
		return nil
	}
	return l.Store.Close()
}

// store opens the store of a server.
func (c *commons) store(ctx context.Context, s StoreSettings, data string) (workflow.Store, error) {
	if !s.shared() {
		return s.open(ctx, data, true)
	}
	o, err := s.options()
	if err != nil {
		return nil, err
	}
	store, err := entry(&c.mu, c.stores, o).get(func() (*redis.Store, error) { return redis.Open(ctx, o) })
	if err != nil {
		return nil, err
	}
	return sharedStore{store, c.many}, nil
}

func (c *commons) bucketOf(ctx context.Context, place bucket.Place, key, secret string) (*bucket.Bucket, error) {
	return entry(&c.mu, c.buckets, bucketKey{place, key, secret}).get(func() (*bucket.Bucket, error) { return bucket.Open(ctx, place, key, secret) })
}

func entry[K comparable, T any](mu *sync.Mutex, of map[K]*opening[T], key K) *opening[T] {
	mu.Lock()
	defer mu.Unlock()
	o := of[key]
	if o == nil {
		o = &opening[T]{}
		of[key] = o
	}
	return o
}

// forget lets what could not be opened be tried again.
func (c *commons) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for k, o := range c.stores {
		if _, err := o.get(nil); err != nil {
			delete(c.stores, k)
		}
	}
	for k, o := range c.buckets {
		if _, err := o.get(nil); err != nil {
			delete(c.buckets, k)
		}
	}
}

// close releases what was shared, after the shops.
func (c *commons) close() error {
	c.pictures.Close()
	c.mu.Lock()
	defer c.mu.Unlock()
	var errs []error
	for _, o := range c.stores {
		if o.it != nil {
			errs = append(errs, o.it.Close())
		}
	}
	return errors.Join(errs...)
}
