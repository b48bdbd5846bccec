package templates

import (
	"strconv"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// Archive is the page by which a job's archive is read: opened from a folder, without a network, a server
// or a script. Its links lead to the archive's other members.
type Archive struct {
	W                   *locale.Words
	Shop, Title, Device string
	Made                string
	// Head is the event chain's head over the whole archive.
	Head   string
	Papers []ArchivePaper
	// Report is the latest, nil before the first; the others are among the papers.
	Report *ReportView
	Photos []PhotoView
	Events []ArchiveEvent
}

// ArchivePaper is a PDF in the archive.
type ArchivePaper struct{ URL, Text string }

// ArchiveEvent is an event as the archive's table has it; the archive's own file of events has it whole.
type ArchiveEvent struct {
	Seq        int64
	When, Kind string
	// Came says how a message came, and what the address on file said of it.
	Came   string
	Digest string // the first characters
}

// Template implements [View].
func (*Archive) Template() string { return "archive/index.html" }

// ArchiveOf makes the page. photo gives a photo's member, "" for one that is not in the archive.
func ArchiveOf(j *workflow.Job, events []*workflow.Event, shop *workflow.Shop, now time.Time, w *locale.Words, papers []ArchivePaper, photo func(id int) string) (*Archive, error) {
	loc := zoneOf(shop)
	urls := func(p *workflow.Photo, _ string) string { return photo(p.ID) }
	v := &Archive{
		W: w, Shop: shop.Name, Title: w.T("archive.title", j.Number.Shown()), Device: j.Device.Name(), Made: w.DateTime(now, loc), Papers: papers,
	}
	if n := len(j.Reports); n > 0 {
		r := ReportOf(j, &j.Reports[n-1], shop, now, w, urls)
		v.Report = &r
	}
	for i := range j.Photos {
		if p := &j.Photos[i]; !p.Removed && photo(p.ID) != "" {
			v.Photos = append(v.Photos, photoOf(j, p, w, loc, urls))
		}
	}
	for _, e := range events {
		hash, err := e.Hash()
		if err != nil {
			return nil, err
		}
		v.Head = hash
		v.Events = append(v.Events, ArchiveEvent{Seq: e.Seq, When: w.DateTime(e.At, loc), Kind: string(e.Kind()), Came: cameOf(j, e, loc, w), Digest: hash[:16]})
	}
	return v, nil
}

// cameOf says of the event of a message how it came, and what the address on file said of it.
func cameOf(j *workflow.Job, e *workflow.Event, loc *time.Location, w *locale.Words) string {
	p, ok := e.Payload.(*workflow.MessageSent)
	if !ok || p.ID > len(j.Messages) {
		return ""
	}
	m := &j.Messages[p.ID-1]
	came := ""
	if how := j.Came(m); how != "" {
		came = w.T("archive.came." + string(how))
	}
	if m.Confirmed != "" {
		came += ", " + w.T("archive.confirmed."+string(m.Confirmed), w.DateTime(m.ConfirmedAt, loc))
	}
	return strings.TrimPrefix(came, ", ")
}

// ArchivePaperOf names a report's PDF in an archive.
func ArchivePaperOf(n int, w *locale.Words) ArchivePaper {
	return ArchivePaper{"reports/report-" + strconv.Itoa(n) + ".pdf", w.T("report.title", n) + " (PDF)"}
}
