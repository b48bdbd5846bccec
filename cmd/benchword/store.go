package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/evidence/bucket"
	"benchword/workflow/link"
	"benchword/workflow/store/redis"
	"benchword/workflow/store/sqlite"
)

// StoreSettings says where jobs, outbox and sessions are kept.
type StoreSettings struct {
	// URL is empty for a database in the data folder, or the address of a Redis that several servers share.
	URL          string `toml:"url" validate:"omitempty,store" example:"redis://redis.internal:6379/0"`
	PasswordFile string `toml:"password_file" validate:"omitempty,file" example:"/run/secrets/redis"`
	// Replicas is how many replicas must have a step before it is confirmed.
	Replicas int `toml:"wait_replicas" validate:"min=0,max=8" example:"1"`
	// Disk waits for the disk, of the replicas too.
	Disk     bool `toml:"wait_disk"`
	Within   int  `toml:"wait_milliseconds" validate:"min=0,max=60000" example:"1000"`
	Lossy    bool `toml:"data_may_be_lost"`
	PackDays int  `toml:"pack_after_days" validate:"min=0,max=36500" example:"90"`
	// Photos is empty for the folder beside the database, or a bucket that several servers share.
	Photos           string `toml:"photos" validate:"omitempty,bucket" example:"s3+https://s3.example.net/photos"`
	PhotosKey        string `toml:"photos_key" validate:"required_with=Photos" example:"benchword"`
	PhotosSecretFile string `toml:"photos_secret_file" validate:"required_with=Photos,omitempty,file" example:"/run/secrets/s3"`
}

// openPhotos opens where the photos lie.
func (s StoreSettings) openPhotos(ctx context.Context, data string) (evidence.Blobs, error) {
	return s.photosFrom(ctx, data, newCommons())
}

func (s StoreSettings) photosFrom(ctx context.Context, data string, common *commons) (evidence.Blobs, error) {
	if s.Photos == "" {
		blobs, err := evidence.OpenDir(filepath.Join(data, photosName))
		if err != nil {
			return nil, fmt.Errorf("the folder of the photos can't be used: %w", err)
		}
		return blobs, nil
	}
	place, err := bucket.ParsePlace(s.Photos)
	if err != nil {
		return nil, err
	}
	secret, err := secretIn(s.PhotosSecretFile, "the secret of the photos' bucket")
	if err != nil {
		return nil, err
	}
	return common.bucketOf(ctx, place, s.PhotosKey, secret)
}

func (s StoreSettings) shared() bool { return s.URL != "" }

// open opens the store of a server (alone), or of a command that may run beside one. In a shared store
// there is no difference.
func (s StoreSettings) open(ctx context.Context, data string, alone bool) (workflow.Store, error) {
	if !s.shared() {
		open := sqlite.OpenBeside
		if alone {
			open = sqlite.Open
		}
		store, err := open(ctx, data)
		if err != nil {
			return nil, err // and no store: a nil pointer in an interface is one
		}
		return store, nil
	}
	o, err := s.options()
	if err != nil {
		return nil, err
	}
	store, err := redis.Open(ctx, o)
	if err != nil {
		return nil, err
	}
	return store, nil
}

// options are those of a shared store.
func (s StoreSettings) options() (o redis.Options, err error) {
	o = redis.Options{URL: s.URL, Replicas: s.Replicas, Fsync: s.Disk, Within: time.Duration(s.Within) * time.Millisecond, Lossy: s.Lossy}
	o.Password, err = secretIn(s.PasswordFile, "the store's password")
	return o, err
}

const bucketLinkKeys = "linkkeys"

// linkKeys reads the keys that links are made with, and makes the first one for a new shop. The store knows them
// by their sums, so that a shop whose keys are lost is not given others in silence: every link in its next emails
// would open nothing. Where several servers share a store the first one makes them, and the others are given a
// copy of its file.
func linkKeys(ctx context.Context, store workflow.Store, shop workflow.ShopID, path string, now time.Time) (*link.Maker, error) {
	known, err := store.ListKeys(ctx, shop, bucketLinkKeys, now)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		counts, err := store.Counts(ctx, shop) // an earlier version kept no sums of a shop in a folder
		if err != nil {
			return nil, err
		}
		if len(known) > 0 || len(counts) > 0 {
			return nil, fmt.Errorf("%s is not there, and the links in this shop's emails are made with it: copy the file %s from a backup, or from another server of this shop. "+
				"If it is lost for good, start once with --new-link-keys: the links in earlier emails end, and customers get a new one with their next email or on the find page", path, filepath.Base(path))
		}
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("the data folder can't be made: %w", err)
	}
	links, err := keyFile(path, 1)
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the link keys can't be read: %w", err)
	}
	var mine []string
	for line := range bytes.Lines(text) {
		if line = bytes.TrimSpace(line); len(line) > 0 {
			sum := sha256.Sum256(line)
			mine = append(mine, hex.EncodeToString(sum[:]))
		}
	}
	if len(known) > 0 && !slices.ContainsFunc(known, func(k workflow.KeyValue) bool { return slices.Contains(mine, k.Key) }) {
		return nil, fmt.Errorf("the link keys in %s are not those that the links in this shop's emails were made with: their links would open nothing here. Copy the file from one of them, or from a backup", path)
	}
	for _, sum := range mine {
		if _, err := store.PutNewKey(ctx, shop, bucketLinkKeys, sum, nil, now, time.Time{}); err != nil {
			return nil, err
		}
	}
	return links, nil
}

// newLinkKeys makes keys for a shop whose own are lost. The key's number is the day's, counted from 1970: higher
// than any that a shop has had, so that no link of before is taken for one of its own.
func newLinkKeys(ctx context.Context, store workflow.Store, shop workflow.ShopID, path string, now time.Time) error {
	if _, err := os.Stat(path); err == nil {
		return misused("%s is there: --new-link-keys is for a shop whose keys are lost. Start without it", path)
	}
	known, err := store.ListKeys(ctx, shop, bucketLinkKeys, now)
	if err != nil {
		return err
	}
	for _, k := range known {
		if err := store.DeleteKey(ctx, shop, bucketLinkKeys, k.Key); err != nil {
			return err
		}
	}
	_, err = keyFile(path, uint16(now.Unix()/(24*60*60)))
	return err
}

// roles are what one process does of a shop's work.
type roles struct{ portal, notifier bool }

func parseRoles(text string) (roles, error) {
	var r roles
	for name := range strings.SplitSeq(text, ",") {
		switch strings.TrimSpace(name) {
		case "portal":
			r.portal = true
		case "notifier":
			r.notifier = true
		default:
			return r, misused("there is no role %q: say portal, notifier or both, parted by a comma", name)
		}
	}
	return r, nil
}

// checkStore reports whether the address of a shared store can be read.
func checkStore(address string) error { return plain(redis.Options{URL: address}.Check()) }
