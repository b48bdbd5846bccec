package evidence

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"sync"

	"benchword/workflow"
)

// Memory keeps blobs in memory: the reference of what [Blobs] means, and what tests use. It forgets
// everything at exit. The zero value is ready.
type Memory struct {
	mu    sync.RWMutex
	blobs map[Folder]map[Digest][]byte
}

// Put implements [Blobs].
func (m *Memory) Put(ctx context.Context, f Folder, r io.Reader) (Digest, int64, error) {
	if err := f.Check(); err != nil {
		return "", 0, err
	}
	b, err := io.ReadAll(obeying{ctx, r})
	if err != nil {
		return "", 0, fmt.Errorf("evidence: keeping a blob: %w", err)
	}
	d := DigestOf(b)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.blobs == nil {
		m.blobs = map[Folder]map[Digest][]byte{}
	}
	if m.blobs[f] == nil {
		m.blobs[f] = map[Digest][]byte{}
	}
	m.blobs[f][d] = b
	return d, int64(len(b)), nil
}

func (m *Memory) get(ctx context.Context, f Folder, d Digest) ([]byte, bool, error) {
	if _, err := blobPath(f, d); err != nil {
		return nil, false, err
	}
	if err := ctx.Err(); err != nil {
		return nil, false, err
	}
	m.mu.RLock()
	defer m.mu.RUnlock()
	b, ok := m.blobs[f][d]
	return b, ok, nil
}

// Open implements [Blobs].
func (m *Memory) Open(ctx context.Context, f Folder, d Digest) (io.ReadCloser, int64, error) {
	b, ok, err := m.get(ctx, f, d)
	if err != nil {
		return nil, 0, err
	}
	if !ok {
		return nil, 0, ErrNotThere
	}
	return Checked(io.NopCloser(bytes.NewReader(b)), d), int64(len(b)), nil
}

// Has implements [Blobs].
func (m *Memory) Has(ctx context.Context, f Folder, d Digest) (bool, error) {
	_, ok, err := m.get(ctx, f, d)
	return ok, err
}

// Delete implements [Blobs].
func (m *Memory) Delete(ctx context.Context, f Folder, d Digest) error {
	if _, err := blobPath(f, d); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.blobs[f], d)
	return nil
}

// Clear implements [Blobs].
func (m *Memory) Clear(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber) error {
	if err := (Folder{shop, job, Original}).Check(); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.blobs, Folder{shop, job, Original})
	delete(m.blobs, Folder{shop, job, Shown})
	return nil
}

var (
	_ Blobs = (*Dir)(nil)
	_ Blobs = (*Memory)(nil)
)
