package evidence

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"benchword/workflow"
)

// Dir keeps blobs as files below one folder, readable by its owner only:
//
//	SHOP/7f/JOB/original/3a/3a7bd3…   7f and 3a spread jobs and blobs, so that no folder grows long
//	SHOP/7f/JOB/shown/…
//	incoming/…                        files on their way in, renamed once they are whole
//
// A file is written beside, synced, renamed, and its folder synced, so a name never stands for half a
// blob. All paths are resolved below the folder (os.Root); a symbolic link can't lead out of it.
type Dir struct {
	// Fleeting says that the folder goes with the process: then nothing waits for the disk.
	Fleeting bool

	root   *os.Root
	next   atomic.Uint64
	making sync.Mutex // so that a folder that is seen is a folder that was synced
}

// "incoming" can't be a shop's folder of blobs: a shop's folder holds two-digit folders only, and files
// on their way in lie directly below.
const incoming = "incoming"

// OpenDir opens the folder, making it if it is not there yet. Close it when no call is running.
func OpenDir(name string) (*Dir, error) {
	if err := os.MkdirAll(name, 0o700); err != nil {
		return nil, fmt.Errorf("evidence: making the photo folder: %w", err)
	}
	root, err := os.OpenRoot(name)
	if err != nil {
		return nil, fmt.Errorf("evidence: opening the photo folder: %w", err)
	}
	d := &Dir{root: root}
	if err := d.makeAll(incoming); err != nil {
		_ = root.Close()
		return nil, err
	}
	return d, nil
}

// Close lets go of the folder.
func (d *Dir) Close() error { return d.root.Close() }

func jobPath(shop workflow.ShopID, job workflow.JobNumber) string {
	sum := sha256.Sum256([]byte(job))
	return path.Join(string(shop), hex.EncodeToString(sum[:1]), string(job))
}

func blobPath(f Folder, d Digest) (string, error) {
	if err := f.Check(); err != nil {
		return "", err
	}
	if !d.Valid() {
		return "", fmt.Errorf("evidence: %q is no digest", string(d))
	}
	return path.Join(jobPath(f.Shop, f.Job), string(f.Area), string(d[:2]), string(d)), nil
}

// room tells a disk that takes nothing more from other failures.
func room(err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EROFS) {
		return fmt.Errorf("%w: %w", workflow.ErrFull, err)
	}
	return err
}

// Put implements [Blobs].
func (d *Dir) Put(ctx context.Context, f Folder, r io.Reader) (_ Digest, size int64, err error) {
	if err := f.Check(); err != nil {
		return "", 0, err
	}
	part, w, err := d.part()
	if err != nil {
		return "", 0, room(err)
	}
	defer func() {
		if err != nil {
			_ = w.Close()
			_ = d.root.Remove(part)
			err = room(err)
		}
	}()
	sum := sha256.New()
	if size, err = io.Copy(io.MultiWriter(w, sum), obeying{ctx, r}); err != nil {
		return "", 0, fmt.Errorf("evidence: keeping a blob: %w", err)
	}
	digest := Digest(hex.EncodeToString(sum.Sum(nil)))
	name, err := blobPath(f, digest)
	if err != nil {
		return "", 0, err
	}
	if !d.Fleeting {
		err = w.Sync()
	}
	if err != nil {
		return "", 0, fmt.Errorf("evidence: syncing a blob: %w", err)
	}
	if err = w.Close(); err != nil {
		return "", 0, fmt.Errorf("evidence: closing a blob: %w", err)
	}
	// Clear may take the folder away between the two steps; then it is made again.
	for range 10 {
		if err = d.makeAll(path.Dir(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", 0, err
		}
		if err = d.root.Rename(part, name); err == nil || !errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	if err != nil {
		return "", 0, fmt.Errorf("evidence: naming a blob: %w", err)
	}
	// The blob has its name now. If Clear took the folder again, the blob is gone as it should be.
	if e := d.sync(path.Dir(name)); e != nil && !errors.Is(e, fs.ErrNotExist) {
		return "", 0, e
	}
	return digest, size, nil
}

// Share gives a blob of one folder to another as a second name of the same file, where a folder goes with the
// process. One that lasts keeps a file for each job, so that a file which rots harms one.
func (d *Dir) Share(from, to Folder, digest Digest) error {
	if !d.Fleeting {
		return errors.New("evidence: only a fleeting folder shares its files")
	}
	old, err := blobPath(from, digest)
	if err != nil {
		return err
	}
	name, err := blobPath(to, digest)
	if err == nil {
		err = d.makeAll(path.Dir(name))
	}
	if err == nil {
		err = d.root.Link(old, name)
	}
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

// part makes a new file for a blob on its way in.
func (d *Dir) part() (string, *os.File, error) {
	for {
		name := path.Join(incoming, partName(d.next.Add(1)))
		w, err := d.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if errors.Is(err, fs.ErrExist) {
			continue // left behind by an earlier process of the same id
		}
		if err != nil {
			return "", nil, fmt.Errorf("evidence: making a file: %w", err)
		}
		return name, w, nil
	}
}

func partName(n uint64) string { return strconv.Itoa(os.Getpid()) + "-" + strconv.FormatUint(n, 10) }

// makeAll makes a folder and those above it, and syncs each folder in which one was made.
func (d *Dir) makeAll(name string) error {
	d.making.Lock()
	defer d.making.Unlock()
	return d.makeLocked(name)
}

func (d *Dir) makeLocked(name string) error {
	if s, err := d.root.Stat(name); err == nil && s.IsDir() {
		return nil
	}
	up := path.Dir(name)
	if up != "." {
		if err := d.makeLocked(up); err != nil {
			return err
		}
	}
	if err := d.root.Mkdir(name, 0o700); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return nil
		}
		return fmt.Errorf("evidence: making a folder: %w", err)
	}
	return d.sync(up)
}

func (d *Dir) sync(name string) error {
	if d.Fleeting {
		return nil
	}
	f, err := d.root.Open(name)
	if err != nil {
		return fmt.Errorf("evidence: syncing a folder: %w", err)
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return fmt.Errorf("evidence: syncing a folder: %w", err)
	}
	return nil
}

// Open implements [Blobs].
func (d *Dir) Open(ctx context.Context, f Folder, digest Digest) (io.ReadCloser, int64, error) {
	name, err := blobPath(f, digest)
	if err != nil {
		return nil, 0, err
	}
	if err := ctx.Err(); err != nil {
		return nil, 0, err
	}
	r, err := d.root.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, ErrNotThere
	}
	if err != nil {
		return nil, 0, fmt.Errorf("evidence: opening a blob: %w", err)
	}
	s, err := r.Stat()
	if err != nil {
		_ = r.Close()
		return nil, 0, fmt.Errorf("evidence: opening a blob: %w", err)
	}
	return Checked(r, digest), s.Size(), nil
}

// Has implements [Blobs].
func (d *Dir) Has(ctx context.Context, f Folder, digest Digest) (bool, error) {
	name, err := blobPath(f, digest)
	if err != nil {
		return false, err
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	_, err = d.root.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("evidence: looking for a blob: %w", err)
	}
	return true, nil
}

// Delete implements [Blobs].
func (d *Dir) Delete(ctx context.Context, f Folder, digest Digest) error {
	name, err := blobPath(f, digest)
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	err = d.root.Remove(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("evidence: deleting a blob: %w", err)
	}
	if err := d.sync(path.Dir(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// Clear implements [Blobs].
func (d *Dir) Clear(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber) error {
	if err := (Folder{shop, job, Original}).Check(); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	name := jobPath(shop, job)
	if _, err := d.root.Stat(name); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := d.root.RemoveAll(name); err != nil {
		return fmt.Errorf("evidence: clearing a job's blobs: %w", err)
	}
	return d.sync(path.Dir(name))
}

// Sweep removes files on their way in that were last written before this instant: what a process that
// was killed left behind. It returns their number. Call it at start, with an hour ago.
func (d *Dir) Sweep(before time.Time) (int, error) {
	folder, err := d.root.Open(incoming)
	if err != nil {
		return 0, fmt.Errorf("evidence: sweeping: %w", err)
	}
	defer folder.Close()
	entries, err := folder.ReadDir(-1)
	if err != nil {
		return 0, fmt.Errorf("evidence: sweeping: %w", err)
	}
	n := 0
	for _, e := range entries {
		s, err := e.Info()
		if err != nil || e.IsDir() || !s.ModTime().Before(before) {
			continue
		}
		if err := d.root.Remove(path.Join(incoming, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return n, fmt.Errorf("evidence: sweeping: %w", err)
		}
		n++
	}
	return n, nil
}
