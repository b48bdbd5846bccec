package evidence

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"

	"benchword/workflow"
)

// Digest is the SHA-256 of a blob's bytes, as 64 lower-case hex digits. It is the blob's name.
type Digest string

// DigestOf names b.
func DigestOf(b []byte) Digest {
	sum := sha256.Sum256(b)
	return Digest(hex.EncodeToString(sum[:]))
}

// Valid reports whether d has the form above, and so is safe as part of a path or key.
func (d Digest) Valid() bool {
	if len(d) != 2*sha256.Size {
		return false
	}
	for _, c := range []byte(d) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// Area is who a blob is for.
type Area string

const (
	// Original is for staff and for an exported job: files as they came, with all that their metadata tells.
	Original Area = "original"
	// Shown is for everybody who may see the job.
	Shown Area = "shown"
)

// Folder is where a job's blobs of one area lie. The same picture in two jobs is two blobs, so that
// erasing one customer leaves the other's photos whole.
type Folder struct {
	Shop workflow.ShopID
	Job  workflow.JobNumber
	Area Area
}

// Check returns an error if any part of f could not be part of a path or key.
func (f Folder) Check() error {
	switch {
	case !f.Shop.Valid():
		return fmt.Errorf("evidence: %q is no shop id", string(f.Shop))
	case !f.Job.Valid():
		return fmt.Errorf("evidence: %q is no job number", string(f.Job))
	case f.Area != Original && f.Area != Shown:
		return fmt.Errorf("evidence: %q is no area", string(f.Area))
	}
	return nil
}

var (
	// ErrNotThere is what [Blobs.Open] returns for a blob that was never put, or has been deleted.
	ErrNotThere = errors.New("evidence: no such blob")
	// ErrDamaged is what the last read of a blob gives, in place of io.EOF, when its bytes are no longer
	// the ones that were put.
	ErrDamaged = errors.New("evidence: a stored blob is damaged")
)

// Blobs keeps bytes by what they are. Every implementation passes blobtest.Run. Methods may be called
// from many goroutines. A folder or digest that is not valid is an error, never a path.
type Blobs interface {
	// Put keeps all of r in f and names it. When it returns without an error, the bytes survive a
	// pulled plug; when r fails, or ctx ends, nothing is kept and that error comes back. Putting the same
	// bytes again changes nothing.
	Put(ctx context.Context, f Folder, r io.Reader) (Digest, int64, error)
	// Open returns a blob and its length in bytes, or ErrNotThere. Reading past the last byte gives
	// ErrDamaged instead of io.EOF if they are not the bytes that were put. The caller closes it.
	Open(ctx context.Context, f Folder, d Digest) (io.ReadCloser, int64, error)
	// Has reports whether a blob is there.
	Has(ctx context.Context, f Folder, d Digest) (bool, error)
	// Delete removes a blob. That it is not there is no error.
	Delete(ctx context.Context, f Folder, d Digest) error
	// Clear removes all blobs of a job, in every area. That there are none is no error.
	Clear(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber) error
}

// ReadBlob returns a whole blob, checked against its digest.
func ReadBlob(ctx context.Context, b Blobs, f Folder, d Digest) ([]byte, error) {
	r, size, err := b.Open(ctx, f, d)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	out := make([]byte, 0, size+1) // one more, so that the end is met without growing
	for {
		n, err := r.Read(out[len(out):cap(out)])
		out = out[:len(out)+n]
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		if len(out) == cap(out) {
			out = append(out, 0)[:len(out)]
		}
	}
}

// Checked makes a reader of a blob keep the promise of [Blobs.Open]: at the end it compares what came
// with the digest. Implementations wrap what they read with it.
func Checked(r io.ReadCloser, d Digest) io.ReadCloser {
	return &checked{ReadCloser: r, want: d, sum: sha256.New()}
}

type checked struct {
	io.ReadCloser
	want Digest
	sum  hash.Hash
}

func (c *checked) Read(p []byte) (int, error) {
	n, err := c.ReadCloser.Read(p)
	c.sum.Write(p[:n])
	if err == io.EOF && Digest(hex.EncodeToString(c.sum.Sum(nil))) != c.want {
		err = ErrDamaged
	}
	return n, err
}

// obeying makes a reader stop when ctx ends.
type obeying struct {
	ctx context.Context
	r   io.Reader
}

func (o obeying) Read(p []byte) (int, error) {
	if err := o.ctx.Err(); err != nil {
		return 0, err
	}
	return o.r.Read(p)
}
