package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"benchword/portal"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/proof"
)

func runExport(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("export", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	to := f.String("to", "", "the file to write; usual: benchword-JOB.zip, - is standard output")
	originals := f.Bool("originals", false, "add the photos as the camera made them; they may tell the place where they were taken")
	events := f.Bool("events", false, "write the event chain alone, a line an event")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return misused("give one job number")
	}
	n, err := workflow.ParseJobNumber(rest[0])
	if err != nil {
		return plain(err)
	}
	settings, err := ReadSettings(*config)
	if err != nil {
		return err
	}
	shop, err := settings.shop()
	if err != nil {
		return err
	}
	h, err := openCore(ctx, settings.Store, shop, *data)
	if err != nil {
		return err
	}
	defer h.store.Close()
	chain, err := h.store.Events(ctx, shop.ID, n, 0)
	if err != nil {
		return plain(err)
	}
	if len(chain) == 0 {
		return fmt.Errorf("there is no job %s", n.Shown())
	}
	head, err := workflow.VerifyChain(chain)
	if err != nil {
		return err
	}
	if *events {
		for _, e := range chain {
			line, err := e.Canonical()
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(out, "%s\n", line); err != nil {
				return err
			}
		}
		fmt.Fprintf(errOut, "head %s\n", head)
		return nil
	}
	b, err := archiveOf(ctx, h.service, settings.own, evidence.NewDesk(h.blobs), n, chain, *originals)
	if err != nil {
		return err
	}
	if *to == "-" {
		_, err = out.Write(b)
	} else {
		if *to == "" {
			*to = "benchword-" + n.Shown() + ".zip"
		}
		if err = os.WriteFile(*to, b, 0o600); err == nil {
			fmt.Fprintf(out, "%s: %d events, %d bytes. Check it with: benchword verify %s\n", *to, len(chain), len(b), filepath.Base(*to))
		}
	}
	fmt.Fprintf(errOut, "head %s\n", head)
	return err
}

// archiveOf makes a job's archive: what its customer may see, and, if asked for, the photos as they came.
func archiveOf(ctx context.Context, s *workflow.Service, words *locale.Set, desk *evidence.Desk, n workflow.JobNumber, chain []*workflow.Event, originals bool) ([]byte, error) {
	j, err := s.Job(ctx, n)
	if err != nil {
		return nil, plain(err)
	}
	for _, e := range chain {
		if err := e.Decode(); err != nil {
			return nil, err
		}
	}
	var files []proof.File
	read := func(name string, open func(context.Context, workflow.ShopID, workflow.JobNumber, string) (io.ReadCloser, int64, error), digest string) (bool, error) {
		r, _, err := open(ctx, j.Shop, j.Number, digest)
		if errors.Is(err, workflow.ErrNotFound) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		defer r.Close()
		b, err := io.ReadAll(r)
		if err == nil {
			files = append(files, proof.File{Name: name, Data: b})
		}
		return true, err
	}
	held := map[int]bool{}
	for _, p := range j.Photos {
		if p.Removed {
			continue
		}
		if held[p.ID], err = read(proof.PhotoName(p.ID), desk.Open, p.Large.Digest); err != nil {
			return nil, err
		}
		if originals {
			if _, err = read(proof.OriginalName(p.ID), desk.OpenOriginal, p.Original); err != nil {
				return nil, err
			}
		}
	}
	w := words.For(j.Customer.Language)
	photos := portal.PaperPhotos(ctx, desk, j)
	var papers []templates.ArchivePaper
	for i := range j.Reports {
		r := &j.Reports[i]
		v := templates.ReportOf(j, r, s.Shop, s.Now(), w, func(*workflow.Photo, string) string { return "" })
		b, err := templates.ReportPaper(v, s.Shop, r.SentAt, photos)
		if err != nil {
			return nil, err
		}
		p := templates.ArchivePaperOf(r.Number, w)
		papers = append(papers, p)
		files = append(files, proof.File{Name: p.URL, Data: b})
	}
	page, err := templates.ArchiveOf(j, chain, s.Shop, s.Now(), w, papers, func(id int) string {
		if !held[id] {
			return ""
		}
		return proof.PhotoName(id)
	})
	if err != nil {
		return nil, err
	}
	set, err := templates.Load()
	if err != nil {
		return nil, err
	}
	var index bytes.Buffer
	if err := set.Render(&index, page); err != nil {
		return nil, err
	}
	css, _, _, _ := templates.Asset("base.css")
	return proof.Build(chain, append(files, proof.File{Name: "index.html", Data: index.Bytes()}, proof.File{Name: "base.css", Data: css}))
}

const whatItProves = "This proves the order of the events, that none was changed later, and that the photos are those the events name. It does not prove who wrote an event, that it is right, or that a photo shows this device."

// runVerify checks an archive, or an event chain alone; it needs no shop, no network and no data folder.
func runVerify(_ context.Context, args []string, in io.Reader, out, errOut io.Writer) error {
	f := flags("verify", errOut)
	want := f.String("head", "", "the seal that a report prints, to compare with")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) > 1 {
		return misused("give one file, or none to read standard input")
	}
	name := ""
	if len(rest) == 1 {
		file, err := os.Open(rest[0])
		if err != nil {
			return fmt.Errorf("the file can't be read: %w", err)
		}
		defer file.Close()
		name, in = rest[0], file
	}
	b, err := io.ReadAll(io.LimitReader(in, proof.MaxSize+1))
	if err != nil {
		return fmt.Errorf("the file can't be read: %w", err)
	}
	if len(b) > proof.MaxSize {
		return fmt.Errorf("the file is larger than any archive of ours: more than %d bytes", proof.MaxSize)
	}
	var heads []string
	if filepath.Ext(name) == ".zip" || bytes.HasPrefix(b, []byte("PK")) {
		r, err := proof.Verify(b)
		if err != nil {
			return fmt.Errorf("it does not fit: %w", err)
		}
		heads = r.Heads
		if err := compare(*want, heads); err != nil {
			return err
		}
		fmt.Fprintf(out, "whole: %d events of job %s, head %s\n", r.Events, r.Job.Shown(), r.Head)
		fmt.Fprintf(out, "photos: %d as the events name them", r.Photos)
		if r.Originals > 0 {
			fmt.Fprintf(out, ", %d of them as the camera made them too", r.Originals)
		}
		fmt.Fprintln(out)
		for _, x := range r.Reports {
			fmt.Fprintf(out, "report %d: seal %s, digest %s\n", x.Number, x.Head, x.Digest)
		}
		for _, name := range r.Missing {
			fmt.Fprintf(out, "not in it: %s\n", name)
		}
	} else {
		var events []*workflow.Event
		lines := bufio.NewScanner(bytes.NewReader(b))
		lines.Buffer(nil, 16<<20)
		for n := 1; lines.Scan(); n++ {
			if len(bytes.TrimSpace(lines.Bytes())) == 0 {
				continue
			}
			e, err := workflow.ParseEvent(bytes.Clone(lines.Bytes()))
			if err != nil {
				return fmt.Errorf("line %s does not fit: %w", strconv.Itoa(n), err)
			}
			events = append(events, e)
		}
		if err := lines.Err(); err != nil {
			return err
		}
		if len(events) == 0 {
			return errors.New("there is no event in it")
		}
		head, err := workflow.VerifyChain(events)
		if err != nil {
			return fmt.Errorf("the chain is broken: %w", err)
		}
		heads = append(heads, head)
		for _, e := range events[1:] {
			heads = append(heads, e.Prev)
		}
		if err := compare(*want, heads); err != nil {
			return err
		}
		fmt.Fprintf(out, "whole: %d events of job %s, head %s\n", len(events), events[0].Job.Shown(), head)
	}
	if *want != "" {
		fmt.Fprintln(out, "the seal you gave is one of its events: nothing up to there was changed since it was printed")
	}
	fmt.Fprintln(out, whatItProves)
	return nil
}

// compare looks for the head that somebody holds on paper among those that the chain had.
func compare(want string, heads []string) error {
	if want == "" {
		return nil
	}
	for _, h := range heads {
		if h == want {
			return nil
		}
	}
	return fmt.Errorf("all of it fits together, but the seal %.12s… is not one of its events: this is not the history that it was printed from", want)
}
