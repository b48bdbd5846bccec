package storetest

import (
	"fmt"
	"sync"
	"time"

	"benchword/workflow"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

// Facts are the buckets in which a shop keeps what must never be lost, doubled or brought back: who may sign in and by
// what, and who was erased. True is one whose keys stay until they are taken away.
var Facts = map[string]bool{
	"staff": true, "totp": true, "recovery": true, "passkey": true, "signed-in": true, "token": false, "session": false,
	"reset": false, "totp-new": false, "half": false, "phone": false, "used": false, "secret": true, "linkkeys": true, "forgotten": true,
}

// facts tries each of these buckets: no other shop has them, one that stays outlives years and sweeps, one that ends does
// so at its instant, of many who take something first one does, and another store has all of it, with the same ends
// and without what was taken away.
func facts(t *test) {
	other := workflow.ShopID("other")
	until, years := Begin.Add(10*time.Minute), Begin.AddDate(5, 0, 0)
	for bucket, stays := range Facts {
		end := until
		if stays {
			end = time.Time{}
		}
		for _, key := range []string{"ada", "gone"} {
			require.NoError(t, t.store.PutKey(t.ctx, shop, bucket, key, []byte(bucket+" of "+key), end))
		}
		require.NoError(t, t.store.DeleteKey(t.ctx, shop, bucket, "gone"))
		_, err := t.store.GetKey(t.ctx, other, bucket, "ada", Begin)
		require.ErrorIs(t, err, workflow.ErrNotFound, bucket)
		require.NoError(t, t.store.DeleteKey(t.ctx, other, bucket, "ada"))
		get(t, bucket, "ada", until.Add(-time.Millisecond), bucket+" of ada")

		var wins sync.Map
		var all sync.WaitGroup
		for i := range 8 {
			all.Go(func() {
				if ok, err := t.store.PutNewKey(t.ctx, shop, bucket, "once", fmt.Append(nil, i), Begin, end); err != nil {
					t.Error(err)
				} else if ok {
					wins.Store(i, true)
				}
			})
		}
		all.Wait()
		won := 0
		wins.Range(func(any, any) bool { won++; return true })
		require.Equal(t, 1, won, "%s: taken by several", bucket)
	}
	out := memory.New()
	t.carried(out)
	for _, s := range []workflow.Store{t.store, out} {
		x := &test{t.T, s, t.ctx}
		require.NoError(t, s.SweepKeys(t.ctx, shop, Begin))
		for bucket, stays := range Facts {
			get(x, bucket, "gone", Begin, nil)
			get(x, bucket, "ada", until.Add(-time.Millisecond), bucket+" of ada")
			if !stays {
				get(x, bucket, "ada", until, nil)
				continue
			}
			get(x, bucket, "ada", years, bucket+" of ada")
		}
		require.NoError(t, s.SweepKeys(t.ctx, shop, years))
		for bucket, stays := range Facts {
			if stays {
				get(x, bucket, "ada", years, bucket+" of ada")
			}
		}
	}
}
