package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"benchword/workflow/store/sqlite"
)

// backup writes the copy. The database goes first: a photo is on the disk before the event that names
// it, so what the copied database names is there when the photos are copied after it.
func backup(ctx context.Context, data, to string, out io.Writer) (err error) {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return fmt.Errorf("the folder %s can't be made: %w", to, err)
	}
	defer func() {
		if err != nil { // half a copy must not be taken for one
			err = errors.Join(err, os.RemoveAll(to))
		}
	}()
	store, err := sqlite.OpenBeside(ctx, data)
	if err != nil {
		return plain(err)
	}
	err = store.Backup(ctx, filepath.Join(to, sqlite.FileName))
	if err = errors.Join(err, store.Close()); err != nil {
		return plain(err)
	}
	if err := copyFile(filepath.Join(data, keysName), filepath.Join(to, keysName)); err != nil {
		return err
	}
	photos := 0
	root := filepath.Join(data, photosName)
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil // none yet, or just erased
		case err != nil:
			return err
		case ctx.Err() != nil:
			return ctx.Err()
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		target := filepath.Join(to, photosName, rel)
		if d.IsDir() {
			return os.MkdirAll(target, 0o700)
		}
		photos++
		return copyFile(path, target)
	})
	if err != nil {
		return fmt.Errorf("the photos can't be copied: %w", err)
	}
	fmt.Fprintf(out, "%s holds database, link keys and %d photo files. Keep it as safe as the original: who has it has the links.\n", to, photos)
	return nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
