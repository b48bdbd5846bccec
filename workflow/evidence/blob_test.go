package evidence_test

import (
	"bytes"
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/evidence/blobtest"

	"github.com/stretchr/testify/require"
)

const shop = workflow.ShopID("fern-lane")

func TestMemory(t *testing.T) {
	blobtest.Run(t, func(t *testing.T) (evidence.Blobs, blobtest.Damage) {
		m := &evidence.Memory{}
		return m, func(_ *testing.T, f evidence.Folder, d evidence.Digest) { m.Damage(f, d) }
	})
}

func TestDir(t *testing.T) {
	blobtest.Run(t, func(t *testing.T) (evidence.Blobs, blobtest.Damage) {
		name := filepath.Join(t.TempDir(), "photos")
		d, err := evidence.OpenDir(name)
		require.NoError(t, err)
		t.Cleanup(func() {
			for _, p := range files(t, name) {
				require.NotEqual(t, "incoming", filepath.Base(filepath.Dir(p)), "a file was left half-way")
			}
			require.NoError(t, d.Close())
		})
		return d, func(t *testing.T, _ evidence.Folder, digest evidence.Digest) {
			for _, p := range files(t, name) {
				if filepath.Base(p) == string(digest) {
					b, err := os.ReadFile(p)
					require.NoError(t, err)
					b[len(b)/2] ^= 1
					require.NoError(t, os.WriteFile(p, b, 0o600))
				}
			}
		}
	})
}

func files(t *testing.T, dir string) []string {
	t.Helper()
	var out []string
	require.NoError(t, filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, p)
		}
		return err
	}))
	return out
}

// What lies in the folder is for its owner only, and the shop is part of every path.
func TestDirPaths(t *testing.T) {
	name := t.TempDir()
	d, err := evidence.OpenDir(name)
	require.NoError(t, err)
	defer d.Close()
	digest, _, err := d.Put(context.Background(), evidence.Folder{Shop: shop, Job: job(t), Area: evidence.Shown}, strings.NewReader("x"))
	require.NoError(t, err)
	all := files(t, name)
	require.Len(t, all, 1)
	rel, err := filepath.Rel(name, all[0])
	require.NoError(t, err)
	parts := strings.Split(filepath.ToSlash(rel), "/")
	require.Len(t, parts, 6)
	require.Equal(t, []string{string(shop), string(job(t)), "shown", string(digest[:2]), string(digest)}, append(parts[:1:1], parts[2:]...))
	require.NoError(t, filepath.WalkDir(filepath.Join(name, string(shop)), func(p string, e fs.DirEntry, err error) error {
		require.NoError(t, err)
		s, err := e.Info()
		require.NoError(t, err)
		require.Zero(t, s.Mode().Perm()&0o077, p)
		return nil
	}))
}

// A link in the folder does not lead out of it.
func TestDirStaysInside(t *testing.T) {
	name, outside := t.TempDir(), t.TempDir()
	d, err := evidence.OpenDir(name)
	require.NoError(t, err)
	defer d.Close()
	require.NoError(t, os.Symlink(outside, filepath.Join(name, string(shop))))
	_, _, err = d.Put(context.Background(), evidence.Folder{Shop: shop, Job: job(t), Area: evidence.Shown}, strings.NewReader("x"))
	require.Error(t, err)
	require.Empty(t, files(t, outside))
	require.Empty(t, files(t, name+"/incoming"))
}

func TestDirSweep(t *testing.T) {
	name := t.TempDir()
	d, err := evidence.OpenDir(name)
	require.NoError(t, err)
	defer d.Close()
	f := evidence.Folder{Shop: shop, Job: job(t), Area: evidence.Shown}
	digest, _, err := d.Put(context.Background(), f, strings.NewReader("x"))
	require.NoError(t, err)
	now := time.Date(2026, 11, 2, 9, 0, 0, 0, time.UTC)
	for file, age := range map[string]time.Duration{"1-1": 2 * time.Hour, "1-2": time.Minute} {
		p := filepath.Join(name, "incoming", file)
		require.NoError(t, os.WriteFile(p, []byte("half"), 0o600))
		require.NoError(t, os.Chtimes(p, now.Add(-age), now.Add(-age)))
	}
	n, err := d.Sweep(now.Add(-time.Hour))
	require.NoError(t, err)
	require.Equal(t, 1, n)
	left := files(t, filepath.Join(name, "incoming"))
	require.Len(t, left, 1)
	require.Equal(t, "1-2", filepath.Base(left[0]))
	same, err := evidence.ReadBlob(context.Background(), d, f, digest)
	require.NoError(t, err)
	require.Equal(t, "x", string(same))
}

// A file of the same name, left behind by an earlier process, is in nobody's way.
func TestDirLeftBehind(t *testing.T) {
	name := t.TempDir()
	d, err := evidence.OpenDir(name)
	require.NoError(t, err)
	f := evidence.Folder{Shop: shop, Job: job(t), Area: evidence.Shown}
	blocked := bytes.NewReader(bytes.Repeat([]byte("y"), 1<<16))
	_, _, err = d.Put(context.Background(), f, blocked)
	require.NoError(t, err)
	require.NoError(t, d.Close())
	for i := range 3 {
		p := filepath.Join(name, "incoming", evidence.PartName(uint64(i+1)))
		require.NoError(t, os.WriteFile(p, []byte("half"), 0o600))
	}
	d, err = evidence.OpenDir(name)
	require.NoError(t, err)
	defer d.Close()
	digest, _, err := d.Put(context.Background(), f, strings.NewReader("whole"))
	require.NoError(t, err)
	got, err := evidence.ReadBlob(context.Background(), d, f, digest)
	require.NoError(t, err)
	require.Equal(t, "whole", string(got))
}

// A fleeting folder shares files between jobs; clearing one job leaves the other's. A folder that lasts does not.
func TestShare(t *testing.T) {
	d, err := evidence.OpenDir(t.TempDir())
	require.NoError(t, err)
	defer d.Close()
	one, two := evidence.Folder{"harbour", "K7M2QX8", evidence.Shown}, evidence.Folder{"harbour", "4VYSFZK", evidence.Shown}
	digest, _, err := d.Put(t.Context(), one, strings.NewReader("a picture"))
	require.NoError(t, err)
	require.Error(t, d.Share(one, two, digest))
	d.Fleeting = true
	for range 2 {
		require.NoError(t, d.Share(one, two, digest))
	}
	require.NoError(t, d.Clear(t.Context(), "harbour", "K7M2QX8"))
	b, err := evidence.ReadBlob(t.Context(), d, two, digest)
	require.NoError(t, err)
	require.Equal(t, "a picture", string(b))
}
