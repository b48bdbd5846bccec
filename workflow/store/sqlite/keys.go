package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"time"

	"benchword/workflow"
)

// live is the condition under which a key has not expired; its parameter is the instant.
const live = "(until IS NULL OR until > ?)"

const putKey = "INSERT INTO keys (shop, bucket, key, value, until) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET value = excluded.value, until = excluded.until"

// present makes a value that is there of one that is nil.
func present(b []byte) []byte { return append([]byte{}, b...) }

// PutKey writes a value.
func (s *Store) PutKey(ctx context.Context, shop workflow.ShopID, bucket, key string, value []byte, until time.Time) error {
	v := present(value)
	return s.write.update(ctx, func(t *tx) error {
		return t.exec(putKey, string(shop), bucket, key, v, stamp(until))
	})
}

// PutNewKey writes a value if the key is not there or has expired.
func (s *Store) PutNewKey(ctx context.Context, shop workflow.ShopID, bucket, key string, value []byte, now, until time.Time) (bool, error) {
	v := present(value)
	done := new(bool)
	err := s.write.update(ctx, func(t *tx) error {
		n, err := t.changed(putKey+" WHERE until <= ?", string(shop), bucket, key, v, stamp(until), now.UnixMilli())
		*done = n > 0
		return err
	})
	if err != nil {
		return false, err // the writer may still be at it: done is its own then
	}
	return *done, nil
}

// GetKey returns a value that has not expired. A counter's value is its count in decimal digits.
func (s *Store) GetKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now time.Time) ([]byte, error) {
	var v []byte
	found, err := s.read.one(ctx, "SELECT value FROM keys WHERE shop = ? AND bucket = ? AND key = ? AND "+live, []any{string(shop), bucket, key, now.UnixMilli()}, &v)
	if err == nil && !found {
		err = notFound("key")
	}
	return v, err
}

// DeleteKey removes a key.
func (s *Store) DeleteKey(ctx context.Context, shop workflow.ShopID, bucket, key string) error {
	// What is deleted may be about a person: it is not left in the log either.
	return s.write.submit(ctx, &request{sweep: true, do: func(t *tx) error {
		return t.exec("DELETE FROM keys WHERE shop = ? AND bucket = ? AND key = ?", string(shop), bucket, key)
	}})
}

// ListKeys returns a bucket's live keys with their values, by key.
func (s *Store) ListKeys(ctx context.Context, shop workflow.ShopID, bucket string, now time.Time) ([]workflow.KeyValue, error) {
	var out []workflow.KeyValue
	err := s.read.each(ctx, "SELECT key, value FROM keys WHERE shop = ? AND bucket = ? AND "+live+" ORDER BY key", []any{string(shop), bucket, now.UnixMilli()}, func(scan func(...any) error) error {
		var kv workflow.KeyValue
		err := scan(&kv.Key, &kv.Value)
		out = append(out, kv)
		return err
	})
	return out, err
}

// CountKey adds one to a counter and returns the new count.
func (s *Store) CountKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now, until time.Time) (int64, error) {
	count := new(int64)
	err := s.write.update(ctx, func(t *tx) error {
		*count = 0
		var text string
		var ends sql.NullInt64
		found, err := t.one("SELECT value, until FROM keys WHERE shop = ? AND bucket = ? AND key = ? AND "+live, []any{string(shop), bucket, key, now.UnixMilli()}, &text, &ends)
		if err != nil {
			return err
		}
		end := stamp(until)
		if found {
			if *count, err = strconv.ParseInt(text, 10, 64); err != nil {
				return fmt.Errorf("key %s/%s is not a counter", bucket, key)
			}
			end = nil
			if ends.Valid {
				end = ends.Int64
			}
		}
		*count++
		return t.exec(putKey, string(shop), bucket, key, strconv.AppendInt(nil, *count, 10), end)
	})
	if err != nil {
		return 0, err
	}
	return *count, nil
}

// SweepKeys removes what has expired, settled requests among it.
func (s *Store) SweepKeys(ctx context.Context, shop workflow.ShopID, now time.Time) error {
	ms := now.UnixMilli()
	return s.write.update(ctx, func(t *tx) error {
		for _, q := range []string{"DELETE FROM keys WHERE shop = ? AND until <= ?", "DELETE FROM once WHERE shop = ? AND until <= ?"} {
			if err := t.exec(q, string(shop), ms); err != nil {
				return err
			}
		}
		return nil
	})
}
