package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"benchword/workflow"
	"benchword/workflow/store/sqlite"
)

// A backup is a data folder: database, photos and link keys, which one could serve from. Of a shop in a
// folder it is a copy of the files; of one in a shared store the jobs are read out into such a folder.

func runBackup(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("backup", errOut)
	data, to := f.String("data", "data", "data folder"), f.String("to", "", "folder to write the copy to; must not exist yet")
	config := f.String("config", "", "settings file of a shop whose jobs are in a shared store")
	many := f.String("shops", "", "folder of shops, see benchword serve: copy all of them, each into a folder of its own name")
	look := f.String("check", "", "write nothing, but look through this backup: every chain, every photo")
	if _, err := parse(f, args); err != nil {
		return err
	}
	if *look != "" {
		return checkBackup(ctx, *look, out)
	}
	if *to == "" {
		return misused("say where to with --to FOLDER")
	}
	if _, err := os.Stat(*to); err == nil {
		return fmt.Errorf("%s is there already; give a new folder, so that no earlier copy is lost", *to)
	}
	if *many != "" {
		return backupShops(ctx, *many, *to, out)
	}
	if *config != "" {
		settings, err := ReadSettings(*config)
		if err != nil {
			return err
		}
		return backupShop(ctx, settings, *config, *data, *to, *to, out)
	}
	if _, err := os.Stat(filepath.Join(*data, keysName)); err != nil {
		return fmt.Errorf("%s is not a data folder of benchword: %w", *data, err)
	}
	if _, err := os.Stat(filepath.Join(*data, sqlite.FileName)); err != nil {
		return fmt.Errorf("%s holds no database: where jobs are in a shared store, name its settings with --config", *data)
	}
	if err := backup(ctx, *data, *to, out); err != nil {
		return err
	}
	fmt.Fprintln(out, "The settings are not in it: name them with --config.")
	return whole(ctx, *to)
}

// backupShop copies a shop with its settings and the texts that they name, these into a folder beside. Passwords
// and the keys that sign emails stay out of it.
func backupShop(ctx context.Context, s *Settings, config, data, to, beside string, out io.Writer) (err error) {
	if s.Store.shared() {
		err = backupShared(ctx, workflow.ShopID(s.Shop.ID), s.Store, data, to, out)
	} else {
		err = backup(ctx, data, to, out)
	}
	if err != nil {
		return err
	}
	if err := copyFile(config, filepath.Join(beside, settingsName)); err != nil {
		return err
	}
	for _, name := range []string{s.Shop.WordsFile, s.Shop.CatalogueFile} {
		if name == "" {
			continue
		}
		from := name
		if !filepath.IsAbs(from) {
			from = filepath.Join(filepath.Dir(config), name)
		}
		if err := copyFile(from, filepath.Join(beside, filepath.Base(name))); err != nil {
			return err
		}
	}
	return whole(ctx, to)
}

// whole looks through a backup that was just made. It stays where something is missing: it may be the best there is.
func whole(ctx context.Context, to string) error {
	if err := checkBackup(ctx, to, io.Discard); err != nil {
		return fmt.Errorf("the copy is made, but the shop itself is not whole: %w", err)
	}
	return nil
}

// backupShops copies every shop of a folder, with its settings. One that can't be copied is told at the end,
// and keeps no other from being copied.
func backupShops(ctx context.Context, dir, to string, out io.Writer) error {
	all, err := readShops(dir, roles{true, true})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(to, 0o700); err != nil {
		return fmt.Errorf("the folder %s can't be made: %w", to, err)
	}
	var errs []error
	for _, m := range all {
		if err := ctx.Err(); err != nil {
			return errors.Join(append(errs, err)...)
		}
		folder := filepath.Join(to, filepath.Base(filepath.Dir(m.config)))
		err := m.mistake
		if err == nil {
			err = backupShop(ctx, m.settings, m.config, m.data, filepath.Join(folder, dataName), folder, out)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s was not copied: %w", filepath.Dir(m.config), err))
		}
	}
	return errors.Join(errs...)
}

// backupShared reads a shop out of a shared store into a new folder while it goes on: each job as it stood
// at one moment.
func backupShared(ctx context.Context, shop workflow.ShopID, where StoreSettings, data, to string, out io.Writer) error {
	err := between(ctx, shop, where, where.URL, to, data, func(a, b *opened) error {
		m := newMover(shop, a, b, out)
		t, err := m.copy(ctx)
		if err == nil {
			m.report("copied to "+to, t)
			fmt.Fprintln(out, "Keep it as safe as the original: who has it has the links.")
		}
		return plain(err)
	})
	if err != nil { // half a copy must not be taken for one
		err = errors.Join(err, os.RemoveAll(to))
	}
	return err
}

func runRestore(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("restore", errOut)
	config, data := f.String("config", "shop.toml", "settings file: which shop, and where its store is"), f.String("data", "data", "data folder to restore into, or beside a shared store")
	from := f.String("from", "", "the backup's folder")
	over := f.Bool("over", false, "the target holds an earlier state of this shop: bring it up to that of the backup")
	if _, err := parse(f, args); err != nil {
		return err
	}
	if *from == "" {
		return misused("say which backup with --from FOLDER")
	}
	settings, err := ReadSettings(*config)
	if err != nil {
		return err
	}
	to := *data
	if settings.Store.shared() {
		to = settings.Store.URL
	}
	shop := workflow.ShopID(settings.Shop.ID)
	return between(ctx, shop, settings.Store, *from, to, *data, func(a, b *opened) error {
		if !settings.Store.shared() && settings.Store.Photos != "" {
			b.where = settings.Store
			var err error
			if b.blobs, err = b.where.openPhotos(ctx, b.data); err != nil {
				return err
			}
		}
		m := newMover(shop, a, b, out)
		m.over = *over
		t, err := m.copy(ctx)
		if err == nil {
			m.report("restored to "+b.name, t)
			fmt.Fprintln(out, "Emails that went out after the backup was made may go out once more, under the same Message-ID. Start the shop now.")
		}
		return plain(err)
	})
}

// checkBackup looks through a backup and changes nothing.
func checkBackup(ctx context.Context, folder string, out io.Writer) error {
	p := place{name: folder, data: folder}
	if err := p.has(); err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(folder, keysName)); err != nil {
		return fmt.Errorf("%s lacks the link keys, without which no link in an email opens: %w", folder, err)
	}
	x, err := p.open(ctx, false)
	if err != nil {
		return err
	}
	defer x.store.Close()
	shops, err := x.store.(*sqlite.Store).Shops(ctx)
	if err != nil {
		return plain(err)
	}
	if len(shops) == 0 {
		return fmt.Errorf("%s holds no shop", folder)
	}
	for _, shop := range shops {
		m := newMover(shop, x, nil, out)
		t, err := m.carrier.Pass(ctx)
		if err != nil {
			return fmt.Errorf("the backup %s is damaged: %w", folder, plain(err))
		}
		m.report("checked", t)
		switch {
		case len(t.Other) > 0:
			return fmt.Errorf("the state of job %s is not what its events come to: somebody changed one of them, or the backup is of another version of benchword", t.Other[0])
		case m.lost > 0:
			return fmt.Errorf("%d photo files are missing from %s", m.lost, folder)
		}
	}
	return nil
}

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
