// Package blobtest holds what every implementation of evidence.Blobs must do, as one suite.
package blobtest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/iotest"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// Damage changes a stored blob behind the implementation's back, as a failing disk does.
type Damage func(t *testing.T, f evidence.Folder, d evidence.Digest)

// Run holds an implementation to the contract. open returns a new, empty store and the way to damage it.
func Run(t *testing.T, open func(t *testing.T) (evidence.Blobs, Damage)) {
	ctx := context.Background()
	f := evidence.Folder{Shop: "fern-lane", Job: number(t, 1), Area: evidence.Original}
	text := []byte("what was in the parcel")
	sum := sha256.Sum256(text)
	name := evidence.Digest(hex.EncodeToString(sum[:]))

	t.Run("what is put can be read", func(t *testing.T) {
		b, _ := open(t)
		large := longtest.Times(3<<20, 3<<20, 3<<14) // TestReader reads it a byte at a time
		for _, want := range [][]byte{{}, text, bytes.Repeat([]byte{0xff, 0}, large)} {
			d, n, err := b.Put(ctx, f, bytes.NewReader(want))
			require.NoError(t, err)
			require.EqualValues(t, len(want), n)
			require.Equal(t, evidence.DigestOf(want), d)
			there, err := b.Has(ctx, f, d)
			require.NoError(t, err)
			require.True(t, there)
			r, n, err := b.Open(ctx, f, d)
			require.NoError(t, err)
			require.EqualValues(t, len(want), n)
			require.NoError(t, iotest.TestReader(r, want))
			require.NoError(t, r.Close())
		}
	})

	t.Run("the name is the SHA-256", func(t *testing.T) {
		b, _ := open(t)
		d, _, err := b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		require.Equal(t, name, d)
	})

	t.Run("putting again changes nothing", func(t *testing.T) {
		b, _ := open(t)
		for range 3 {
			d, n, err := b.Put(ctx, f, bytes.NewReader(text))
			require.NoError(t, err)
			require.Equal(t, name, d)
			require.EqualValues(t, len(text), n)
		}
		same(t, b, f, text)
		require.NoError(t, b.Delete(ctx, f, name))
		gone(t, b, f, name)
	})

	t.Run("what was never put is not there", func(t *testing.T) {
		b, _ := open(t)
		gone(t, b, f, name)
		require.NoError(t, b.Delete(ctx, f, name))
		require.NoError(t, b.Clear(ctx, f.Shop, f.Job))
	})

	t.Run("folders are apart", func(t *testing.T) {
		b, _ := open(t)
		others := []evidence.Folder{
			{Shop: f.Shop, Job: f.Job, Area: evidence.Shown},
			{Shop: f.Shop, Job: number(t, 2), Area: f.Area},
			{Shop: "incoming", Job: f.Job, Area: f.Area},
		}
		_, _, err := b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		for _, o := range others {
			gone(t, b, o, name)
			_, _, err := b.Put(ctx, o, bytes.NewReader(text))
			require.NoError(t, err)
		}
		require.NoError(t, b.Delete(ctx, f, name))
		gone(t, b, f, name)
		for _, o := range others {
			same(t, b, o, text)
		}
	})

	t.Run("clearing a job takes all of it and nothing else", func(t *testing.T) {
		b, _ := open(t)
		shown, next := f, f
		shown.Area, next.Job = evidence.Shown, number(t, 2)
		for _, x := range []evidence.Folder{f, shown, next} {
			for _, s := range []string{"one", "two"} {
				_, _, err := b.Put(ctx, x, strings.NewReader(s))
				require.NoError(t, err)
			}
		}
		require.NoError(t, b.Clear(ctx, f.Shop, f.Job))
		for _, s := range []string{"one", "two"} {
			gone(t, b, f, evidence.DigestOf([]byte(s)))
			gone(t, b, shown, evidence.DigestOf([]byte(s)))
			same(t, b, next, []byte(s))
		}
		_, _, err := b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		same(t, b, f, text)
	})

	t.Run("a reader that fails leaves nothing", func(t *testing.T) {
		b, _ := open(t)
		broken := errors.New("the line went dead")
		_, _, err := b.Put(ctx, f, io.MultiReader(bytes.NewReader(text), iotest.ErrReader(broken)))
		require.ErrorIs(t, err, broken)
		gone(t, b, f, name)
		_, _, err = b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		same(t, b, f, text)
	})

	t.Run("an ended context leaves nothing", func(t *testing.T) {
		b, _ := open(t)
		ended, end := context.WithCancel(ctx)
		end()
		_, _, err := b.Put(ended, f, bytes.NewReader(text))
		require.ErrorIs(t, err, context.Canceled)
		gone(t, b, f, name)
		_, _, err = b.Open(ended, f, name)
		require.ErrorIs(t, err, context.Canceled)
		_, err = b.Has(ended, f, name)
		require.ErrorIs(t, err, context.Canceled)
		require.ErrorIs(t, b.Delete(ended, f, name), context.Canceled)
		require.ErrorIs(t, b.Clear(ended, f.Shop, f.Job), context.Canceled)
		// Half-way through, too.
		half, end := context.WithCancel(ctx)
		_, _, err = b.Put(half, f, io.MultiReader(bytes.NewReader(text), endingReader{end}, bytes.NewReader(text)))
		require.ErrorIs(t, err, context.Canceled)
		gone(t, b, f, evidence.DigestOf(append(bytes.Clone(text), text...)))
	})

	t.Run("damage is noticed", func(t *testing.T) {
		b, damage := open(t)
		_, _, err := b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		damage(t, f, name)
		r, _, err := b.Open(ctx, f, name)
		require.NoError(t, err)
		_, err = io.ReadAll(r)
		require.ErrorIs(t, err, evidence.ErrDamaged)
		require.NoError(t, r.Close())
		_, err = evidence.ReadBlob(ctx, b, f, name)
		require.ErrorIs(t, err, evidence.ErrDamaged)
		_, _, err = b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		same(t, b, f, text)
	})

	t.Run("no name leads elsewhere", func(t *testing.T) {
		b, _ := open(t)
		_, _, err := b.Put(ctx, f, bytes.NewReader(text))
		require.NoError(t, err)
		for _, bad := range []evidence.Folder{
			{}, {Shop: "..", Job: f.Job, Area: f.Area}, {Shop: "a/b", Job: f.Job, Area: f.Area}, {Shop: "Fern", Job: f.Job, Area: f.Area},
			{Shop: f.Shop, Job: "../..", Area: f.Area}, {Shop: f.Shop, Job: "", Area: f.Area}, {Shop: f.Shop, Job: f.Job, Area: ".."},
			{Shop: f.Shop, Job: f.Job}, {Shop: f.Shop, Job: f.Job, Area: "original/../shown"}, {Shop: "a\x00", Job: f.Job, Area: f.Area},
		} {
			_, _, err := b.Put(ctx, bad, bytes.NewReader(text))
			require.Error(t, err, bad)
			refused(t, b, bad, name)
			if bad.Area == f.Area {
				require.Error(t, b.Clear(ctx, bad.Shop, bad.Job), bad)
			}
		}
		for _, bad := range []evidence.Digest{"", "..", "../" + name, name[:63], name + "0", evidence.Digest(strings.ToUpper(string(name))), name[:62] + "/."} {
			refused(t, b, f, bad)
		}
		same(t, b, f, text)
	})

	t.Run("many at a time", func(t *testing.T) {
		b, _ := open(t)
		var wg sync.WaitGroup
		for w := range 8 {
			wg.Go(func() {
				random := rand.New(rand.NewPCG(7, uint64(w)))
				for i := range 20 {
					own := []byte{byte(w), byte(i)}
					d, _, err := b.Put(ctx, f, bytes.NewReader(text)) // all of them the same
					if err == nil && d != name {
						err = errors.New("another name")
					}
					if err == nil {
						d, _, err = b.Put(ctx, f, bytes.NewReader(own))
					}
					var back []byte
					if err == nil {
						back, err = evidence.ReadBlob(ctx, b, f, d)
					}
					if err == nil && !bytes.Equal(back, own) {
						err = errors.New("other bytes")
					}
					if err == nil && random.IntN(2) == 0 {
						err = b.Delete(ctx, f, d)
					}
					if err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		same(t, b, f, text)
	})
}

type endingReader struct{ end func() }

func (e endingReader) Read([]byte) (int, error) { e.end(); return 0, io.EOF }

func same(t *testing.T, b evidence.Blobs, f evidence.Folder, want []byte) {
	t.Helper()
	got, err := evidence.ReadBlob(context.Background(), b, f, evidence.DigestOf(want))
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func gone(t *testing.T, b evidence.Blobs, f evidence.Folder, d evidence.Digest) {
	t.Helper()
	there, err := b.Has(context.Background(), f, d)
	require.NoError(t, err)
	require.False(t, there)
	_, _, err = b.Open(context.Background(), f, d)
	require.ErrorIs(t, err, evidence.ErrNotThere)
}

func refused(t *testing.T, b evidence.Blobs, f evidence.Folder, d evidence.Digest) {
	t.Helper()
	_, _, err := b.Open(context.Background(), f, d)
	require.Error(t, err)
	require.NotErrorIs(t, err, evidence.ErrNotThere)
	_, err = b.Has(context.Background(), f, d)
	require.Error(t, err)
	require.Error(t, b.Delete(context.Background(), f, d))
}

// number returns a job number, the same each time for the same seed.
func number(t *testing.T, seed uint64) workflow.JobNumber {
	t.Helper()
	n, err := workflow.NewJobNumber(rand.NewChaCha8([32]byte{byte(seed)}))
	require.NoError(t, err)
	return n
}
