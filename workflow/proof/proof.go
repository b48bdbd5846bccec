// Package proof is a job's archive: one ZIP file with its events, photos and reports, which anybody can
// open, and which [Verify] checks offline, byte for byte.
//
// What it proves: the events are in their order, none was changed or left out between others, and the
// photos are those that the events name. Whoever holds a head that a report printed can tell that nothing
// up to that report was changed since. It does not prove who wrote an event, that what it says is right,
// or that a photo shows this device.
//
// Form: members are stored, not compressed, with fixed headers, events.jsonl first and SHA256SUMS last, so
// that there is exactly one archive for its members and a changed byte anywhere can be told. SHA256SUMS is
// as coreutils' sha256sum writes it, so that no program of ours is needed for that part of the check.
//
// # Decisions
//
//   - 2026-11-25: There is one form only, so a changed byte anywhere is found by writing the archive again
//     and comparing. Chain, photos and the reports' records are held to each other; PDFs and the page are
//     held to SHA256SUMS alone, since they are made anew from the rest. The photos in it are what the
//     customer may see; --originals adds what the camera made, place and all.
package proof

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"path"
	"slices"
	"strings"

	"benchword/workflow"

	"github.com/gowebpki/jcs"
)

const (
	eventsName = "events.jsonl"
	sumsName   = "SHA256SUMS"
)

// MaxSize bounds an archive, in bytes.
const MaxSize = 1 << 30

// File is a member of an archive.
type File struct {
	Name string // "photos/photo-3.jpg"
	Data []byte
}

// PhotoName is the member that holds a photo's shown copy, OriginalName what came from the camera.
func PhotoName(id int) string    { return fmt.Sprintf("photos/photo-%d.jpg", id) }
func OriginalName(id int) string { return fmt.Sprintf("originals/photo-%d", id) }

// RecordName is the member that holds a report's record: what the events say that it said.
func RecordName(n int) string { return fmt.Sprintf("reports/report-%d.json", n) }

// Build makes an archive of a job's whole history and of files: photos under [PhotoName], and whatever
// makes it readable. Records of reports are added. The same input gives the same bytes.
func Build(events []*workflow.Event, files []File) ([]byte, error) {
	if _, err := workflow.VerifyChain(events); err != nil {
		return nil, err
	}
	var lines bytes.Buffer
	for _, e := range events {
		b, err := e.Canonical()
		if err != nil {
			return nil, err
		}
		lines.Write(append(b, '\n'))
	}
	records, _, err := replay(events)
	if err != nil {
		return nil, err
	}
	all := slices.Concat(files, records)
	slices.SortFunc(all, func(a, b File) int { return cmp.Compare(a.Name, b.Name) })
	all = append([]File{{eventsName, lines.Bytes()}}, all...)
	for i, f := range all {
		if !nameable(f.Name) || i > 0 && f.Name == all[i-1].Name || f.Name == sumsName {
			return nil, fmt.Errorf("proof: %q can't be the name of a member", f.Name)
		}
	}
	out := encode(append(all, File{sumsName, sums(all)}))
	if len(out) > MaxSize {
		return nil, fmt.Errorf("proof: an archive of %d bytes is too large; at most %d fit", len(out), MaxSize)
	}
	return out, nil
}

// nameable reports whether a name stays below the folder that it is unpacked to, and fits a line.
func nameable(name string) bool {
	return name != "" && len(name) < 200 && path.Clean(name) == name && !path.IsAbs(name) && !strings.HasPrefix(name, "..") &&
		!strings.ContainsFunc(name, func(r rune) bool { return r <= ' ' || r >= 0x7f || strings.ContainsRune(`\:*?"<>|`, r) })
}

func sums(files []File) []byte {
	var b bytes.Buffer
	for _, f := range files {
		fmt.Fprintf(&b, "%s  %s\n", digest(f.Data), f.Name)
	}
	return b.Bytes()
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// replay folds the history and returns each report's record, as it stood right after it was sent.
func replay(events []*workflow.Event) ([]File, *workflow.Job, error) {
	var records []File
	j := &workflow.Job{}
	for i, e := range events {
		if e.Payload == nil {
			if err := e.Decode(); err != nil {
				return nil, nil, fmt.Errorf("event %d can't be read: %w", e.Seq, err)
			}
		}
		if _, sent := e.Payload.(*workflow.ReportSent); !sent && i < len(events)-1 {
			continue
		}
		var err error
		if j, err = workflow.Replay(events[:i+1]); err != nil {
			return nil, nil, fmt.Errorf("event %d can't be read: %w", e.Seq, err)
		}
		if _, sent := e.Payload.(*workflow.ReportSent); !sent {
			continue
		}
		r := j.Reports[len(j.Reports)-1]
		raw, err := json.Marshal(struct {
			Report   workflow.Report    `json:"report"`
			Suspects []workflow.Suspect `json:"suspects"`
		}{r, j.Suspects})
		if err != nil {
			return nil, nil, err
		}
		if raw, err = jcs.Transform(raw); err != nil {
			return nil, nil, err
		}
		records = append(records, File{RecordName(r.Number), append(raw, '\n')})
	}
	return records, j, nil
}

// Result is what a check found in order.
type Result struct {
	Job    workflow.JobNumber
	Events int
	// Head is the event chain's head: the fingerprint of the whole history.
	Head string
	// Heads are all heads that the chain ever had, the newest last; a report prints one of them.
	Heads []string
	// Photos and Originals count the pictures whose bytes are those that the events name; Missing names
	// photos of the job that the archive does not hold.
	Photos, Originals int
	Missing           []string
	Reports           []Report
}

// Report is a report that was checked.
type Report struct {
	Number int
	Head   string // as it was printed
	Digest string // of its record
}

// Verify checks an archive and returns the first thing that does not fit as an error: the member, the event
// or the place among the ZIP's own headers.
func Verify(archive []byte) (*Result, error) {
	files, err := decode(archive)
	if err != nil {
		return nil, err
	}
	last := files[len(files)-1]
	if files[0].Name != eventsName || last.Name != sumsName {
		return nil, fmt.Errorf("the archive must begin with %s and end with %s; this one has %s and %s there", eventsName, sumsName, files[0].Name, last.Name)
	}
	files = files[:len(files)-1]
	if err := checkSums(last.Data, files); err != nil {
		return nil, err
	}
	r, err := checkHistory(files)
	if err != nil {
		return nil, err
	}
	// All members fit. What is left are the ZIP's own headers, which have one form only.
	want := encode(append(files, last))
	for i := range min(len(want), len(archive)) {
		if want[i] != archive[i] {
			return nil, fmt.Errorf("the ZIP's own data does not fit at byte %d, %s", i, region(files, last, i))
		}
	}
	if len(want) != len(archive) {
		return nil, fmt.Errorf("the file should have %d bytes and has %d", len(want), len(archive))
	}
	return r, nil
}

func checkSums(list []byte, files []File) error {
	lines := strings.Split(strings.TrimSuffix(string(list), "\n"), "\n")
	for i, f := range files {
		if i >= len(lines) {
			return fmt.Errorf("%s has no line for %s", sumsName, f.Name)
		}
		sum, name, ok := strings.Cut(lines[i], "  ")
		if b, err := hex.DecodeString(sum); !ok || err != nil || len(b) != sha256.Size || strings.ToLower(sum) != sum {
			return fmt.Errorf("line %d of %s can't be read", i+1, sumsName)
		}
		if name != f.Name {
			return fmt.Errorf("line %d of %s is about %.60q, the member there is %s", i+1, sumsName, name, f.Name)
		}
		if sum != digest(f.Data) {
			return fmt.Errorf("%s does not fit its digest in %s", f.Name, sumsName)
		}
	}
	if want := sums(files); !bytes.Equal(want, list) {
		return fmt.Errorf("%s does not have the form it must have: line %d", sumsName, 1+bytes.Count(commonStart(want, list), []byte("\n")))
	}
	return nil
}

func commonStart(a, b []byte) []byte {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return a[:n]
}

// checkHistory checks the chain, and photos and records against it.
func checkHistory(files []File) (*Result, error) {
	r := &Result{}
	var events []*workflow.Event
	for i, line := range bytes.SplitAfter(files[0].Data, []byte("\n")) {
		if len(line) == 0 {
			break
		}
		e, err := workflow.ParseEvent(bytes.Clone(bytes.TrimSuffix(line, []byte("\n"))))
		if err != nil {
			return nil, fmt.Errorf("event %d can't be read: %w", i+1, err)
		}
		if e.Seq > 1 {
			r.Heads = append(r.Heads, e.Prev)
		}
		events = append(events, e)
	}
	if len(events) == 0 {
		return nil, fmt.Errorf("there is no event in %s", eventsName)
	}
	head, err := workflow.VerifyChain(events)
	if err != nil {
		return nil, fmt.Errorf("the chain is broken: %w", err)
	}
	records, j, err := replay(events)
	if err != nil {
		return nil, err
	}
	r.Job, r.Events, r.Head, r.Heads = events[0].Job, len(events), head, append(r.Heads, head)

	held := map[string][]byte{}
	for _, f := range files[1:] {
		held[f.Name] = f.Data
	}
	for i := range j.Photos {
		p := &j.Photos[i]
		b, ok := held[PhotoName(p.ID)]
		switch {
		case !ok && !p.Removed:
			r.Missing = append(r.Missing, PhotoName(p.ID))
		case ok && digest(b) != p.Large.Digest:
			return nil, fmt.Errorf("%s is not the photo that the events name", PhotoName(p.ID))
		case ok:
			r.Photos++
		}
		if b, ok := held[OriginalName(p.ID)]; ok {
			if digest(b) != p.Original {
				return nil, fmt.Errorf("%s is not the photo that the events name", OriginalName(p.ID))
			}
			r.Originals++
		}
		delete(held, PhotoName(p.ID))
		delete(held, OriginalName(p.ID))
	}
	for i, f := range records {
		if !bytes.Equal(held[f.Name], f.Data) {
			return nil, fmt.Errorf("%s does not say what the events say about report %d", f.Name, j.Reports[i].Number)
		}
		r.Reports = append(r.Reports, Report{Number: j.Reports[i].Number, Head: j.Reports[i].Head, Digest: digest(f.Data)})
		if !slices.Contains(r.Heads, j.Reports[i].Head) {
			return nil, fmt.Errorf("report %d prints a head that the chain never had", j.Reports[i].Number)
		}
		delete(held, f.Name)
	}
	for name := range held {
		if strings.HasPrefix(name, "photos/") || strings.HasPrefix(name, "originals/") || strings.HasSuffix(name, ".json") {
			return nil, fmt.Errorf("the events know nothing of %s", name)
		}
	}
	return r, nil
}

// The ZIP file format, as far as it is needed (PKWARE APPNOTE.TXT 6.3: 4.3.7, 4.3.12, 4.3.16).
const (
	localSize, centralSize, endSize = 30, 46, 22
	localMark, centralMark, endMark = 0x04034b50, 0x02014b50, 0x06054b50
	version, dosDate                = 10, 0x0021 // stored members only; 1980-01-01, the earliest there is
)

// header writes what local and central headers share.
func header(b []byte, f File) []byte {
	le := binary.LittleEndian
	b = le.AppendUint16(b, version)
	b = le.AppendUint16(b, 0) // flags
	b = le.AppendUint16(b, 0) // stored
	b = le.AppendUint16(b, 0) // time
	b = le.AppendUint16(b, dosDate)
	b = le.AppendUint32(b, crc32.ChecksumIEEE(f.Data))
	b = le.AppendUint32(b, uint32(len(f.Data)))
	b = le.AppendUint32(b, uint32(len(f.Data)))
	b = le.AppendUint16(b, uint16(len(f.Name)))
	return le.AppendUint16(b, 0) // no extra field
}

// encode returns the one archive that has these members in this order.
func encode(files []File) []byte {
	le := binary.LittleEndian
	var out, central []byte
	for _, f := range files {
		at := len(out)
		out = header(le.AppendUint32(out, localMark), f)
		out = append(append(out, f.Name...), f.Data...)

		central = le.AppendUint32(central, centralMark)
		central = header(le.AppendUint16(central, version), f)
		central = le.AppendUint16(central, 0) // comment
		central = le.AppendUint16(central, 0) // disk
		central = le.AppendUint16(central, 0) // attributes
		central = le.AppendUint32(central, 0)
		central = le.AppendUint32(central, uint32(at))
		central = append(central, f.Name...)
	}
	at := len(out)
	out = append(out, central...)
	out = le.AppendUint32(out, endMark)
	out = le.AppendUint32(out, 0) // disks
	out = le.AppendUint16(out, uint16(len(files)))
	out = le.AppendUint16(out, uint16(len(files)))
	out = le.AppendUint32(out, uint32(len(central)))
	out = le.AppendUint32(out, uint32(at))
	return le.AppendUint16(out, 0)
}

// decode takes an archive apart by its local headers alone.
func decode(b []byte) ([]File, error) {
	le := binary.LittleEndian
	var files []File
	after := "at the beginning"
	at := 0
	for at+4 <= len(b) && le.Uint32(b[at:]) == localMark {
		if at+localSize > len(b) {
			return nil, fmt.Errorf("the archive ends within the header %s", after)
		}
		size, name := int64(le.Uint32(b[at+18:])), int64(le.Uint16(b[at+26:]))
		from := int64(at) + localSize
		if from+name+size > int64(len(b)) {
			return nil, fmt.Errorf("the ZIP header %s says more than the file holds", after)
		}
		f := File{Name: string(b[from : from+name]), Data: b[from+name : from+name+size]}
		if !nameable(f.Name) {
			return nil, fmt.Errorf("the ZIP header %s has a name that no member of ours has", after)
		}
		files = append(files, f)
		after = "after " + f.Name
		at = int(from + name + size)
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("this is no archive of ours: the ZIP header at the beginning can't be read")
	}
	if last := files[len(files)-1].Name; last != sumsName {
		return nil, fmt.Errorf("the ZIP header %s can't be read, at byte %d", after, at)
	}
	return files, nil
}

// region names the part of an archive that a byte belongs to.
func region(files []File, last File, i int) string {
	all := append(slices.Clone(files), last)
	at := 0
	for _, f := range all {
		if at += localSize + len(f.Name) + len(f.Data); i < at {
			return "in the header of " + f.Name
		}
	}
	for _, f := range all {
		if at += centralSize + len(f.Name); i < at {
			return "in the directory entry of " + f.Name
		}
	}
	return "in the end record"
}
