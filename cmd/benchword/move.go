package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/store"
	"benchword/workflow/store/sqlite"
)

// place is where a shop is kept: its store, its photos, and the folder with link.keys.
type place struct {
	name  string // as it was given, for people: without a password
	where StoreSettings
	data  string
}

// placeOf reads a place: a data folder, a settings file with its [store], or the address of a Redis, to
// which the rest of [store] in the command's own settings applies. The latter two keep link.keys, and
// photos that are in no bucket, in the data folder.
func placeOf(text, data string, own StoreSettings) (place, error) {
	switch {
	case strings.Contains(text, "://"):
		own.URL = text
		p := place{name: text, where: own, data: data}
		if i, j := strings.Index(text, "://"), strings.LastIndex(text, "@"); j > i {
			p.name = text[:i+3] + text[j+1:]
		}
		if err := checkStore(text); err != nil {
			return p, misused("%s", err)
		}
		return p, nil
	case strings.HasSuffix(text, ".toml"):
		s, err := ReadSettings(text)
		if err != nil {
			return place{}, err
		}
		if !s.Store.shared() {
			return place{name: data, where: s.Store, data: data}, nil
		}
		return placeOf(s.Store.URL, data, s.Store)
	}
	return place{name: text, data: text}, nil
}

// photos names where the photos of a place lie.
func (p place) photos() string {
	if p.where.Photos != "" {
		return p.where.Photos
	}
	path, err := filepath.Abs(filepath.Join(p.data, photosName))
	if err != nil {
		return p.data
	}
	return path
}

// opened is a place in use.
type opened struct {
	place
	store workflow.Store
	blobs evidence.Blobs
}

func (p place) open(ctx context.Context, alone bool) (*opened, error) {
	s, err := p.where.open(ctx, p.data, alone)
	if err != nil {
		return nil, plain(err)
	}
	blobs, err := p.where.openPhotos(ctx, p.data)
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return &opened{p, s, blobs}, nil
}

// has reports, for a folder, whether there is a shop in it; a shared store is asked later.
func (p place) has() error {
	if p.where.shared() {
		return nil
	}
	if _, err := os.Stat(filepath.Join(p.data, sqlite.FileName)); err != nil {
		return fmt.Errorf("%s holds no database of benchword; name the data folder of a shop: %w", p.data, err)
	}
	return nil
}

// mover carries one shop from a place to another.
type mover struct {
	shop     workflow.ShopID
	from, to *opened
	over     bool // the target may have an earlier copy of the shop
	out      io.Writer
	now      func() time.Time
	wait     func(ctx context.Context, d time.Duration) error

	carrier store.Carrier
	ran     bool  // the target could be run from when the copy began
	files   int   // photo files that were looked at
	copied  int   // of them, those that were written
	bytes   int64 // of all
	lost    int   // named by a job, and not where the shop comes from
	checked map[string]bool
}

func newMover(shop workflow.ShopID, from, to *opened, out io.Writer) *mover {
	m := &mover{shop: shop, from: from, to: to, out: out, now: time.Now, checked: map[string]bool{}, wait: func(ctx context.Context, d time.Duration) error {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(d):
			return nil
		}
	}}
	m.carrier = store.Carrier{From: from.store, Shop: shop, Now: func() time.Time { return m.now() }, Job: m.photos}
	if to != nil {
		m.carrier.To = to.store
	}
	return m
}

// arriving is the reason of the hold on a target that is not whole yet. Who finds it there again goes on.
func (m *mover) arriving() string {
	return "It is being copied here from " + m.from.name + ", and is not whole yet. Run the same command again to go on."
}

// begin holds the target, which must be empty or hold an earlier part of this very copy.
func (m *mover) begin(ctx context.Context) error {
	held, err := m.to.store.Held(ctx, m.shop)
	if err != nil {
		return err
	}
	if held != m.arriving() && !m.over {
		empty, err := store.Empty(ctx, m.to.store, m.shop)
		if err != nil {
			return err
		}
		if !empty {
			return fmt.Errorf("%s has jobs or accounts of %s already, so nothing was written. Name an empty place; or say --over if what is there is an earlier copy of the same shop, which is then brought up to date", m.to.name, m.shop)
		}
	}
	if err := m.keys(); err != nil {
		return err
	}
	m.ran = m.over && held == ""
	return m.to.store.Hold(ctx, m.shop, m.arriving())
}

// leave lets a target go on that had a shop before, if the copy came to nothing: each of its jobs is whole.
func (m *mover) leave(ctx context.Context, err error) error {
	if err == nil || !m.ran {
		return err
	}
	return errors.Join(err, m.to.store.Hold(context.WithoutCancel(ctx), m.shop, ""))
}

// keys copies the keys that links are made with: without them no link of a mail opens.
func (m *mover) keys() error {
	from, to := filepath.Join(m.from.data, keysName), filepath.Join(m.to.data, keysName)
	text, err := os.ReadFile(from)
	if err != nil {
		return fmt.Errorf("the link keys %s can't be read; without them no link in an email would open. Name the folder of a server of this shop that has them (--data): %w", from, err)
	}
	there, err := os.ReadFile(to)
	switch {
	case err == nil && bytes.Equal(text, there):
		return nil
	case err == nil:
		return fmt.Errorf("%s holds other link keys than %s; links in emails would open nothing. Move the file away if it belongs to no shop", to, from)
	case !errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("the link keys can't be read: %w", err)
	}
	if err := os.MkdirAll(m.to.data, 0o700); err != nil {
		return fmt.Errorf("the folder %s can't be made: %w", m.to.data, err)
	}
	part := to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("the link keys can't be copied: %w", err)
	}
	if err := copyFile(from, part); err != nil {
		return fmt.Errorf("the link keys can't be copied: %w", err)
	}
	return os.Rename(part, to)
}

// photos copies and checks the photos of a job. A job that did not change has the photos that it had.
func (m *mover) photos(ctx context.Context, w *workflow.Whole, fresh bool) error {
	var j struct {
		Photos []workflow.Photo `json:"photos"`
	}
	if err := json.Unmarshal(w.State, &j); err != nil {
		return fmt.Errorf("the state of job %s can't be read: %w", w.Job, err)
	}
	erased := false
	for _, e := range w.Events {
		erased = erased || strings.HasPrefix(e.Wire, "person.erased/")
	}
	for _, p := range j.Photos {
		at := evidence.Folder{Shop: m.shop, Job: w.Job, Area: evidence.Original}
		err := m.photo(ctx, at, evidence.Digest(p.Original), erased || p.Removed)
		at.Area = evidence.Shown
		for _, c := range p.Copies.All() {
			if err == nil {
				err = m.photo(ctx, at, evidence.Digest(c.Digest), erased || p.Removed)
			}
		}
		if err != nil {
			return fmt.Errorf("a photo of job %s: %w", w.Job, err)
		}
	}
	return nil
}

// photo brings one file over and reads it back, once in a run.
func (m *mover) photo(ctx context.Context, at evidence.Folder, d evidence.Digest, mayBeGone bool) error {
	name := string(at.Job) + string(at.Area) + string(d)
	if m.checked[name] && !mayBeGone {
		return nil
	}
	reader, size, err := m.from.blobs.Open(ctx, at, d)
	if errors.Is(err, evidence.ErrNotThere) {
		if !mayBeGone && !m.checked[name] {
			m.lost++
		}
		m.checked[name] = true
		if m.to == nil || m.to.photos() == m.from.photos() {
			return nil
		}
		return m.to.blobs.Delete(ctx, at, d) // it may have gone since the last pass
	}
	if err != nil {
		return err
	}
	defer reader.Close()
	if m.checked[name] {
		return nil
	}
	m.checked[name] = true
	m.files, m.bytes = m.files+1, m.bytes+size
	if m.to == nil || m.to.photos() == m.from.photos() {
		_, err := io.Copy(io.Discard, reader)
		return err
	}
	there, err := m.to.blobs.Has(ctx, at, d)
	if err != nil {
		return err
	}
	if !there {
		got, _, err := m.to.blobs.Put(ctx, at, reader)
		if err != nil {
			return err
		}
		if got != d {
			return errors.Join(fmt.Errorf("%.12s… came over as %.12s…: %w", d, got, evidence.ErrDamaged), m.to.blobs.Delete(ctx, at, got))
		}
		m.copied++
	}
	back, _, err := m.to.blobs.Open(ctx, at, d)
	if err != nil {
		return err
	}
	defer back.Close()
	_, err = io.Copy(io.Discard, back)
	return err
}

// livePasses bounds how often a shop that goes on is copied after before it is held.
const livePasses = 4

// move carries a shop that goes on meanwhile, then holds it, brings over what has changed, verifies, and
// lets the target go. If it fails before the end the source goes on; if it is killed, the same command goes
// on where it was.
func (m *mover) move(ctx context.Context) (err error) {
	if err := m.begin(ctx); err != nil {
		return err
	}
	defer func() { err = m.leave(ctx, err) }()
	leaving := "It is being moved to " + m.to.name + "."
	gone := "It has moved to " + m.to.name + "."
	if held, err := m.from.store.Held(ctx, m.shop); err != nil {
		return err
	} else if held != "" && held != leaving && held != gone {
		return fmt.Errorf("the shop can't be moved from %s: %s", m.from.name, held)
	}
	var t store.Tally
	for pass := range livePasses {
		if t, err = m.carrier.Pass(ctx); err != nil {
			return err
		}
		fmt.Fprintf(m.out, "Pass %d: %d jobs read, %d rows written, %d photo files copied.\n", pass+1, t.Jobs, t.Written, m.copied)
		if t.Written <= store.PartSize {
			break
		}
	}
	if err := m.from.store.Hold(ctx, m.shop, leaving); err != nil {
		return err
	}
	defer func() {
		if err != nil { // the shop goes on where it was
			err = errors.Join(err, m.from.store.Hold(context.WithoutCancel(ctx), m.shop, ""))
		}
	}()
	for told := false; ; {
		if t, err = m.carrier.Pass(ctx); err != nil {
			return err
		}
		if t.Leased.IsZero() {
			break
		}
		// A mail is in a notifier's hands. It may still say how that ended, so wait for it, or for its lease.
		if !told {
			fmt.Fprintf(m.out, "An email is just being sent; waiting for its end, until %s at most.\n", t.Leased.Format(time.TimeOnly))
			told = true
		}
		if err = m.wait(ctx, 200*time.Millisecond); err != nil {
			return err
		}
	}
	if err = m.carrier.Verify(ctx); err != nil {
		return fmt.Errorf("the copy is not the same, so the shop stays where it was: %w", err)
	}
	if err = m.from.store.Hold(ctx, m.shop, gone); err != nil {
		return err
	}
	if err = m.to.store.Hold(ctx, m.shop, ""); err != nil {
		return err
	}
	m.report("moved", t)
	return nil
}

// copy carries a shop as it stands, without holding it: a backup, or one put back.
func (m *mover) copy(ctx context.Context) (t store.Tally, err error) {
	if err := m.begin(ctx); err != nil {
		return t, err
	}
	defer func() { err = m.leave(ctx, err) }()
	if t, err = m.carrier.Pass(ctx); err != nil {
		return t, err
	}
	if err = m.carrier.Verify(ctx); err != nil {
		return t, fmt.Errorf("the copy is not the same: %w", err)
	}
	return t, m.to.store.Hold(ctx, m.shop, "")
}

// report says what there was.
func (m *mover) report(what string, t store.Tally) {
	fmt.Fprintf(m.out, "%s %s: %d jobs, %d events, %d notices, %d links, %d keys (%s), %d photo files (%s). Every chain and every photo was checked.\n",
		m.shop, what, t.Jobs, t.Events, t.Entries, t.Links, t.Keys, bytesOf(t.Bytes), m.files, bytesOf(m.bytes))
	if m.lost > 0 {
		fmt.Fprintf(m.out, "%d photo files that jobs name are not where the shop comes from; pages show a gap there, as before.\n", m.lost)
	}
	if len(t.Other) > 0 {
		fmt.Fprintf(m.out, "The state of %d jobs (%s, …) is not what their events come to in this version; it was left as it is.\n", len(t.Other), t.Other[0])
	}
}

func bytesOf(n int64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GB", n>>30)
	case n >= 10<<20:
		return fmt.Sprintf("%d MB", n>>20)
	case n >= 10<<10:
		return fmt.Sprintf("%d KB", n>>10)
	}
	return fmt.Sprintf("%d bytes", n)
}

func runMove(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("move", errOut)
	config, data := f.String("config", "shop.toml", "settings file: which shop, and how a shared store is reached"), f.String("data", "data", "folder with link.keys (and photos that are in no bucket) beside a shared store")
	from, to := f.String("from", "", "where the shop is: a data folder, redis://…, or a settings file"), f.String("to", "", "where it is to be, in the same way")
	over := f.Bool("over", false, "the target holds an earlier copy of this shop: bring it up to date")
	release := f.String("release", "", "let the shop go on in this place, which a move has held")
	if _, err := parse(f, args); err != nil {
		return err
	}
	settings, err := ReadSettings(*config)
	if err != nil {
		return err
	}
	shop := workflow.ShopID(settings.Shop.ID)
	if *release != "" {
		p, err := placeOf(*release, *data, settings.Store)
		if err == nil {
			err = p.has()
		}
		if err != nil {
			return err
		}
		s, err := p.where.open(ctx, p.data, false)
		if err != nil {
			return plain(err)
		}
		if err = errors.Join(s.Hold(ctx, shop, ""), s.Close()); err == nil {
			fmt.Fprintf(out, "%s can be run from %s again. Let it run in one place only.\n", shop, p.name)
		}
		return plain(err)
	}
	if *from == "" || *to == "" {
		return misused("say where the shop is with --from, and where it is to be with --to: a data folder, or an address like redis://host:6379/0")
	}
	return between(ctx, shop, settings.Store, *from, *to, *data, func(a, b *opened) error {
		m := newMover(shop, a, b, out)
		m.over = *over
		if err := m.move(ctx); err != nil {
			return plain(err)
		}
		fmt.Fprintf(out, "Start the shop there now (its servers need %s with the link keys). %s is left as it was, and refuses changes; keep it until you are sure.\n", filepath.Join(b.data, keysName), a.name)
		return nil
	})
}

// between opens two places for a copy; the second for it alone.
func between(ctx context.Context, shop workflow.ShopID, own StoreSettings, from, to, data string, do func(from, to *opened) error) error {
	a, err := placeOf(from, data, own)
	if err != nil {
		return err
	}
	b, err := placeOf(to, data, own)
	if err != nil {
		return err
	}
	if a.name == b.name {
		return misused("%s can't be copied onto itself", a.name)
	}
	if err := a.has(); err != nil {
		return err
	}
	x, err := a.open(ctx, false)
	if err != nil {
		return err
	}
	defer x.store.Close()
	y, err := b.open(ctx, true)
	if err != nil {
		return err
	}
	return errors.Join(do(x, y), y.store.Close())
}
