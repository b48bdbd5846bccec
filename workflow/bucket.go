package workflow

import (
	"context"
	"time"
)

// Bucket is one use of a shop's [Keys]: sessions, drafts, counters. Keys expire by the service's clock.
type Bucket struct {
	s    *Service
	name string
}

// Bucket returns the bucket of that name.
func (s *Service) Bucket(name string) Bucket { return Bucket{s, name} }

// Get returns a value that has not expired. Error: ErrNotFound.
func (b Bucket) Get(ctx context.Context, key string) ([]byte, error) {
	return b.s.store.GetKey(ctx, b.s.Shop.ID, b.name, key, b.s.Now())
}

// Put writes a value; zero until means for ever.
func (b Bucket) Put(ctx context.Context, key string, value []byte, until time.Time) error {
	return b.s.store.PutKey(ctx, b.s.Shop.ID, b.name, key, value, until)
}

// First returns the value that is there for ever, which is this one if none was there.
func (b Bucket) First(ctx context.Context, key string, value []byte) ([]byte, error) {
	if _, err := b.s.store.PutNewKey(ctx, b.s.Shop.ID, b.name, key, value, b.s.Now(), time.Time{}); err != nil {
		return nil, err
	}
	return b.Get(ctx, key)
}

// Delete removes a key; one that is not there is no error.
func (b Bucket) Delete(ctx context.Context, key string) error {
	return b.s.store.DeleteKey(ctx, b.s.Shop.ID, b.name, key)
}

// List returns the live keys with their values, by key.
func (b Bucket) List(ctx context.Context) ([]KeyValue, error) {
	return b.s.store.ListKeys(ctx, b.s.Shop.ID, b.name, b.s.Now())
}

// Count adds one to a counter and returns it; within says how long after its first one it forgets.
func (b Bucket) Count(ctx context.Context, key string, within time.Duration) (int64, error) {
	return b.CountAt(ctx, key, b.s.Now(), within)
}

// CountAt is Count for what happened at an instant.
func (b Bucket) CountAt(ctx context.Context, key string, at time.Time, within time.Duration) (int64, error) {
	return b.s.store.CountKey(ctx, b.s.Shop.ID, b.name, key, at, at.Add(within))
}

// Sweep removes what has expired, in all buckets and of steps that are done once.
func (s *Service) Sweep(ctx context.Context) error {
	return s.store.SweepKeys(ctx, s.Shop.ID, s.Now())
}
