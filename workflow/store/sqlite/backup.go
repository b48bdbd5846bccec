package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"benchword/workflow"
)

// Backup writes a copy of the database as it stands at one moment to a new file, while everything goes
// on. The copy is checked, and is there under its name only once it is whole and on the disk. To restore
// it, put it in the place of benchword.db while no server runs.
func (s *Store) Backup(ctx context.Context, path string) (err error) {
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		return &workflow.Error{Code: workflow.CodeInvalid, Message: fmt.Sprintf("The backup %s can't be written: there is something of that name already. Choose a new name.", path), Err: err}
	}
	part := path + ".part"
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return unusable(err, "The backup %s can't be written. Check that its folder is there and may be written to, and that no other backup is writing it.", path)
	}
	defer f.Close()
	defer os.Remove(part) // after the renaming there is nothing to remove
	db, err := sql.Open("sqlite", address(s.path, settings(readerCache)...))
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		if errors.Is(told(err), workflow.ErrDamaged) {
			return unusable(err, "The database %s is damaged, so there can be no backup of it. Keep what is there, and restore the last good backup.", s.path)
		}
		return unusable(err, "The backup %s could not be written. Is there enough room?", path)
	}
	if err := check(ctx, part); err != nil {
		return unusable(err, "The backup %s did not pass its check and was thrown away.", path)
	}
	if err := f.Sync(); err != nil {
		return unusable(err, "The backup %s could not be written to the disk.", path)
	}
	if err := os.Rename(part, path); err != nil {
		return unusable(err, "The backup %s could not be given its name.", path)
	}
	return syncFolder(filepath.Dir(path))
}

// check looks through a database file from end to end.
func check(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", address(path, settings(readerCache, "query_only(on)")...))
	if err != nil {
		return err
	}
	defer db.Close()
	var app int
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil || app != applicationID {
		return errors.Join(err, fmt.Errorf("application id %#x", app))
	}
	var word string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&word); err != nil || word != "ok" {
		return errors.Join(err, errors.New(word))
	}
	return nil
}

// syncFolder makes a new name in a folder last.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
