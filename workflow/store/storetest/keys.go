package storetest

import (
	"fmt"
	"sync"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

func get(t *test, bucket, key string, now time.Time, want any) {
	t.Helper()
	got, err := t.store.GetKey(t.ctx, shop, bucket, key, now)
	if want == nil {
		require.ErrorIs(t, err, workflow.ErrNotFound)
		return
	}
	require.NoError(t, err)
	require.Equal(t, want, string(got))
}

func keys(t *test) {
	put := func(bucket, key, value string) {
		t.Helper()
		require.NoError(t, t.store.PutKey(t.ctx, shop, bucket, key, []byte(value), time.Time{}))
	}
	get(t, "staff", "ada", Begin, nil)
	put("staff", "ada", "first")
	get(t, "staff", "ada", Begin, "first")
	put("staff", "ada", "second")
	get(t, "staff", "ada", Begin.AddDate(100, 0, 0), "second")
	get(t, "session", "ada", Begin, nil)
	get(t, "staff", "Ada", Begin, nil)
	odd := "a\x00b \u00e9/%_*?'\"\n"
	put("staff", odd, "\x00\xff\xfe")
	get(t, "staff", odd, Begin, "\x00\xff\xfe")
	put("staff", "a", "")
	get(t, "staff", "a", Begin, "")
	require.NoError(t, t.store.PutKey(t.ctx, shop, "staff", "nil", nil, time.Time{}))
	get(t, "staff", "nil", Begin, "")
	put("staf", "z", "of another bucket")
	put("staffs", "a", "of another bucket")

	list, err := t.store.ListKeys(t.ctx, shop, "staff", Begin)
	require.NoError(t, err)
	var names []string
	for _, kv := range list {
		names = append(names, kv.Key)
		get(t, "staff", kv.Key, Begin, string(kv.Value))
	}
	require.Equal(t, []string{"a", odd, "ada", "nil"}, names, "by key, byte by byte")

	require.NoError(t, t.store.DeleteKey(t.ctx, shop, "staff", "ada"))
	require.NoError(t, t.store.DeleteKey(t.ctx, shop, "staff", "ada"))
	get(t, "staff", "ada", Begin, nil)
	list, err = t.store.ListKeys(t.ctx, shop, "nothing", Begin)
	require.NoError(t, err)
	require.Empty(t, list)

	putNew := func(key, value string, want bool) {
		t.Helper()
		got, err := t.store.PutNewKey(t.ctx, shop, "secret", key, []byte(value), Begin, time.Time{})
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	putNew("form", "one", true)
	putNew("form", "two", false)
	get(t, "secret", "form", Begin, "one")
	require.NoError(t, t.store.DeleteKey(t.ctx, shop, "secret", "form"))
	putNew("form", "three", true)
	get(t, "secret", "form", Begin, "three")

	var mu sync.Mutex
	wins := 0
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			ok, err := t.store.PutNewKey(t.ctx, shop, "secret", "race", fmt.Append(nil, i), Begin, time.Time{})
			if err != nil {
				t.Error(err)
			}
			mu.Lock()
			defer mu.Unlock()
			if ok {
				wins++
			}
		})
	}
	all.Wait()
	require.Equal(t, 1, wins)
}

func keysExpire(t *test) {
	until := Begin.Add(time.Hour)
	before := until.Add(-time.Millisecond)
	for key, u := range map[string]time.Time{"ends": until, "stays": {}, "ends later": until.Add(time.Hour)} {
		require.NoError(t, t.store.PutKey(t.ctx, shop, "session", key, []byte(key), u))
	}
	get(t, "session", "ends", before, "ends")
	get(t, "session", "ends", until, nil)
	get(t, "session", "stays", until.AddDate(1000, 0, 0), "stays")
	list := func(now time.Time) (names []string) {
		got, err := t.store.ListKeys(t.ctx, shop, "session", now)
		require.NoError(t, err)
		for _, kv := range got {
			names = append(names, kv.Key)
		}
		return names
	}
	require.Equal(t, []string{"ends", "ends later", "stays"}, list(before))
	require.Equal(t, []string{"ends later", "stays"}, list(until))

	ok, err := t.store.PutNewKey(t.ctx, shop, "session", "ends", []byte("new"), before, until.Add(time.Minute))
	require.NoError(t, err)
	require.False(t, ok)
	ok, err = t.store.PutNewKey(t.ctx, shop, "session", "ends", []byte("new"), until, until.Add(time.Minute))
	require.NoError(t, err)
	require.True(t, ok, "an expired key is as good as none")
	get(t, "session", "ends", until, "new")
	get(t, "session", "ends", until.Add(time.Minute), nil)

	require.NoError(t, t.store.PutKey(t.ctx, shop, "session", "stays", []byte("ends now"), until))
	require.NoError(t, t.store.PutKey(t.ctx, shop, "session", "ends", []byte("stays"), time.Time{}))
	get(t, "session", "stays", until, nil)
	require.NoError(t, t.store.SweepKeys(t.ctx, shop, until))
	get(t, "session", "stays", before, nil)
	require.Equal(t, []string{"ends", "ends later"}, list(before))
	require.NoError(t, t.store.SweepKeys(t.ctx, shop, until.AddDate(1, 0, 0)))
	require.Equal(t, []string{"ends"}, list(before))
}

func counters(t *test) {
	until := Begin.Add(time.Hour)
	count := func(key string, now, until time.Time, want int64) {
		t.Helper()
		n, err := t.store.CountKey(t.ctx, shop, "rate", key, now, until)
		require.NoError(t, err)
		require.Equal(t, want, n)
	}
	count("a", Begin, until, 1)
	count("a", Begin, until.AddDate(1, 0, 0), 2)
	get(t, "rate", "a", Begin, "2")
	count("a", until.Add(-time.Millisecond), until, 3)
	count("a", until, until.Add(time.Minute), 1) // the first one's end counts, and then it starts anew
	count("a", until.Add(time.Minute), time.Time{}, 1)
	count("a", until.AddDate(10, 0, 0), until, 2)
	count("b", Begin, until, 1)
	require.NoError(t, t.store.DeleteKey(t.ctx, shop, "rate", "a"))
	count("a", Begin, until, 1)
	require.NoError(t, t.store.SweepKeys(t.ctx, shop, until))
	count("b", Begin, until, 1)
	require.NoError(t, t.store.PutKey(t.ctx, shop, "rate", "c", []byte("41"), time.Time{}))
	count("c", Begin, until, 42)
	require.NoError(t, t.store.PutKey(t.ctx, shop, "rate", "d", []byte("many"), time.Time{}))
	_, err := t.store.CountKey(t.ctx, shop, "rate", "d", Begin, until)
	require.Error(t, err)
	get(t, "rate", "d", Begin, "many")
}

func countersShared(t *test) {
	const writers, each = 8, 25
	seen := make([][]int64, writers)
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			for range each {
				n, err := t.store.CountKey(t.ctx, shop, "rate", "a", Begin, time.Time{})
				if err != nil {
					t.Error(err)
					return
				}
				seen[w] = append(seen[w], n)
			}
		})
	}
	all.Wait()
	got := map[int64]bool{}
	for _, s := range seen {
		for _, n := range s {
			require.False(t, got[n], "no count is given twice")
			got[n] = true
		}
	}
	require.Len(t, got, writers*each)
	require.True(t, got[writers*each])
}
