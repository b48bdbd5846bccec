package redis

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// endOf names a key among those that end.
func endOf(bucket, key string) string { return strconv.Itoa(len(bucket)) + ":" + bucket + key }

// ended reads what endOf wrote.
func ended(member string) (bucket, key string, ok bool) {
	size, rest, _ := strings.Cut(member, ":")
	n, err := strconv.Atoi(size)
	if err != nil || n < 0 || n > len(rest) {
		return "", "", false
	}
	return rest[:n], rest[n:], true
}

// alive returns a stored value if it has not expired.
func alive(stored string, now time.Time) ([]byte, bool) {
	until, value, _ := strings.Cut(stored, "\n")
	if end := instant(until); !end.IsZero() && !now.Before(end) {
		return nil, false
	}
	return []byte(value), true
}

// PutKey writes a value.
func (s *Store) PutKey(ctx context.Context, shop workflow.ShopID, bucket, key string, value []byte, until time.Time) error {
	k := of(shop)
	_, err := s.change(ctx, true, "put", []string{k.bucket(bucket), k.bucketEnds()}, key, endOf(bucket, key), value, ms(until))
	return err
}

// PutNewKey writes a value if the key is not there or has expired.
func (s *Store) PutNewKey(ctx context.Context, shop workflow.ShopID, bucket, key string, value []byte, now, until time.Time) (bool, error) {
	k := of(shop)
	answer, err := s.change(ctx, false, "putnew", []string{k.bucket(bucket), k.bucketEnds()}, key, endOf(bucket, key), value, ms(until), now.UnixMilli())
	return said(answer, 0) == "ok", err
}

// GetKey returns a value that has not expired. A counter's value is its count in decimal digits.
func (s *Store) GetKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now time.Time) ([]byte, error) {
	var stored string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		stored, err = c.HGet(ctx, of(shop).bucket(bucket), key).Result()
		return err
	})
	if err != nil && err != driver.Nil {
		return nil, err
	}
	if v, ok := alive(stored, now); ok && err == nil {
		return v, nil
	}
	return nil, s.missing(ctx, "key")
}

// DeleteKey removes a key.
func (s *Store) DeleteKey(ctx context.Context, shop workflow.ShopID, bucket, key string) error {
	k := of(shop)
	_, err := s.change(ctx, true, "delete", []string{k.bucket(bucket), k.bucketEnds()}, key, endOf(bucket, key))
	return err
}

// ListKeys returns a bucket's live keys with their values, by key.
func (s *Store) ListKeys(ctx context.Context, shop workflow.ShopID, bucket string, now time.Time) ([]workflow.KeyValue, error) {
	var all map[string]string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		all, err = c.HGetAll(ctx, of(shop).bucket(bucket)).Result()
		return err
	})
	var out []workflow.KeyValue
	for key, stored := range all {
		if v, ok := alive(stored, now); ok {
			out = append(out, workflow.KeyValue{Key: key, Value: v})
		}
	}
	slices.SortFunc(out, func(a, b workflow.KeyValue) int { return cmp.Compare(a.Key, b.Key) })
	return out, err
}

// CountKey adds one to a counter and returns the new count.
func (s *Store) CountKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now, until time.Time) (int64, error) {
	k := of(shop)
	answer, err := s.change(ctx, false, "count", []string{k.bucket(bucket), k.bucketEnds()}, key, endOf(bucket, key), ms(until), now.UnixMilli())
	if err != nil {
		return 0, err
	}
	if said(answer, 0) != "ok" {
		return 0, fmt.Errorf("key %s/%s is not a counter", bucket, key)
	}
	return strconv.ParseInt(said(answer, 1), 10, 64)
}

// SweepKeys removes what has expired, settled requests among it.
func (s *Store) SweepKeys(ctx context.Context, shop workflow.ShopID, now time.Time) error {
	k := of(shop)
	for {
		answer, err := s.change(ctx, true, "sweeponce", []string{k.once(), k.results(), k.ends()}, now.UnixMilli())
		if err != nil {
			return err
		}
		if said(answer, 1) == "0" {
			break
		}
	}
	for {
		var due []string
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			due, err = c.ZRangeByScore(ctx, k.bucketEnds(), &driver.ZRangeBy{Min: "-inf", Max: strconv.FormatInt(now.UnixMilli(), 10), Count: 1000}).Result()
			return err
		}); err != nil || len(due) == 0 {
			return err
		}
		names, a := []string{k.bucketEnds()}, args{now.UnixMilli()}
		for _, member := range due {
			bucket, key, ok := ended(member)
			if !ok {
				return fmt.Errorf("the key %q that ended can't be read", member)
			}
			names = append(names, k.bucket(bucket))
			a.add(key, member)
		}
		if _, err := s.change(ctx, true, "sweep", names, a...); err != nil {
			return err
		}
	}
}
