package main

import (
	"archive/zip"
	"bytes"
	"context"
	"html"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// asked runs one of our sub-commands as main does, without its exit.
func asked(run func(context.Context, []string, io.Reader, io.Writer, io.Writer) error, args ...string) (string, error) {
	var out bytes.Buffer
	err := run(context.Background(), args, strings.NewReader(""), &out, &out)
	return out.String(), err
}

// TestAJobsArchive exports a job of the demo with everything that it has, reads the archive as its customer
// would, and checks it with the seal that a report printed.
func TestAJobsArchive(t *testing.T) {
	if testing.Short() {
		t.Skip("one thing after another: the race detector has nothing to see")
	}
	s, d := demoStage(t)
	desk := evidence.NewDesk(s.srv.blobs)
	var largest []byte
	var of *workflow.Job
	for _, p := range d.plays {
		j := s.job(p.number)
		if len(j.Reports) == 0 || of != nil && len(j.Photos) < len(of.Photos) {
			continue
		}
		events, err := s.srv.service.Events(context.Background(), j.Number, 0)
		require.NoError(t, err)
		b, err := archiveOf(context.Background(), s.srv.service, nil, desk, j.Number, events, false)
		require.NoError(t, err)
		largest, of = b, j
	}
	require.NotNil(t, of)
	file := filepath.Join(t.TempDir(), "job.zip")
	require.NoError(t, os.WriteFile(file, largest, 0o600))

	said, err := asked(runVerify, "--head", of.Reports[0].Head, file)
	require.NoError(t, err, said)
	require.Contains(t, said, "whole: ")
	require.Contains(t, said, "nothing up to there was changed")
	require.Contains(t, said, "It does not prove who wrote an event")
	_, err = asked(runVerify, "--head", strings.Repeat("0", 64), file)
	require.ErrorContains(t, err, "is not the history")

	// The page leads only to what is in the archive, and to nothing on a network; it runs no script.
	z, err := zip.NewReader(bytes.NewReader(largest), int64(len(largest)))
	require.NoError(t, err)
	members := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		members[f.Name], err = io.ReadAll(r)
		require.NoError(t, err)
	}
	index := string(members["index.html"])
	require.NotContains(t, index, "<script")
	require.Contains(t, html.UnescapeString(index), of.Reports[len(of.Reports)-1].Short)
	links := regexp.MustCompile(`(?:href|src)="([^"]*)"`).FindAllStringSubmatch(index, -1)
	require.Greater(t, len(links), 5)
	for _, l := range links {
		require.Contains(t, members, l[1])
	}
	require.True(t, bytes.HasPrefix(members["reports/report-1.pdf"], []byte("%PDF-")))

	// One byte of one photo.
	at := bytes.Index(largest, members["photos/photo-1.jpg"])
	require.Positive(t, at)
	largest[at+100] ^= 4
	require.NoError(t, os.WriteFile(file, largest, 0o600))
	_, err = asked(runVerify, file)
	require.ErrorContains(t, err, "photos/photo-1.jpg")
	if *screens != "" {
		largest[at+100] ^= 4
		require.NoError(t, os.WriteFile(filepath.Join(*screens, "archive.zip"), largest, 0o600))
	}
}

// TestNoCopyKeepsMetadata sends a photo with a place, a name and a serial number in it through everything
// that shows photos, and has exiftool, which nobody here wrote, look at each copy that came out.
func TestNoCopyKeepsMetadata(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("one thing after another: the race detector has nothing to see")
	}
	if _, err := exec.LookPath("exiftool"); err != nil {
		require.Empty(t, os.Getenv("CI"), "exiftool is missing: apt-get install libimage-exiftool-perl")
		t.Skip("exiftool is missing")
	}
	s, d := demoStage(t)
	ctx := context.Background()
	dir := t.TempDir()
	spy := filepath.Join(dir, "spy.jpg")
	j := s.job(d.toApprove.number)
	r, _, err := evidence.NewDesk(s.srv.blobs).Open(ctx, j.Shop, j.Number, j.Photos[0].Large.Digest)
	require.NoError(t, err)
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(spy, b, 0o600))
	exif := func(args ...string) string {
		out, err := exec.Command("exiftool", args...).CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	}
	exif("-q", "-overwrite_original", "-GPSLatitude=44.6", "-GPSLatitudeRef=N", "-GPSLongitude=63.5", "-GPSLongitudeRef=W", "-Artist=Maud Secret", "-SerialNumber=SECRET-77",
		"-XMP:Creator=Maud Secret", "-IPTC:By-line=Maud Secret", "-Comment=Maud Secret", spy)
	require.Contains(t, exif("-a", spy), "Maud Secret", "the sample holds nothing to take away")
	b, err = os.ReadFile(spy)
	require.NoError(t, err)

	desk := evidence.NewDesk(s.srv.blobs)
	photo, err := desk.Take(ctx, j.Shop, j.Number, bytes.NewReader(b))
	require.NoError(t, err)
	photo.Kind, photo.Caption = workflow.PhotoEvidence, workflow.Plain("the spy")
	photo.Marks = []workflow.Mark{{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6000, Y2: 5000, Number: 1, Text: workflow.Plain("here")}}
	bench, counter := workflow.Actor{Role: workflow.RoleBench, ID: "nils"}, workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}
	s.do(counter, j.Number, workflow.WithdrawQuote{Reason: "One more thing to look at."})
	s.do(bench, j.Number, workflow.AddPhoto{Photo: photo})
	j = s.job(j.Number)
	id := j.Photos[len(j.Photos)-1].ID
	s.do(bench, j.Number, workflow.NoteFinding{Finding: workflow.Finding{Text: "Seen with the spy photo", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Photos: []int{id}}})
	s.do(counter, j.Number, workflow.SendReport{Text: workflow.ReportText{Short: "One more photo."}})
	s.settle()

	copies := map[string][]byte{}
	base := strings.TrimPrefix(s.link(d.toApprove, link.Own), s.base)
	for _, size := range []string{"large", "small"} {
		code, body := s.fetch(base+"/photo/"+strconv.Itoa(id)+"/"+size+".jpg", nil)
		require.Equal(t, 200, code)
		copies[size+".jpg"] = body
	}
	code, body := s.fetch(base+"/report/"+strconv.Itoa(len(j.Reports)+1)+".pdf", nil)
	require.Equal(t, 200, code)
	copies["report.pdf"] = body
	events, err := s.srv.service.Events(ctx, j.Number, 0)
	require.NoError(t, err)
	copies["archive.zip"], err = archiveOf(ctx, s.srv.service, nil, desk, j.Number, events, false)
	require.NoError(t, err)
	mail := s.newestMail(j.Customer.Email.Text)
	n := 0
	for cid, part := range mail.parts {
		copies["mail-"+cid+".jpg"] = part.body
		n++
	}
	require.Positive(t, n, "the email shows the photo")
	for name, b := range copies {
		for _, secret := range []string{"Maud", "SECRET-77", "Exif\x00"} {
			require.NotContains(t, string(b), secret, name)
		}
		if strings.HasSuffix(name, ".jpg") {
			file := filepath.Join(dir, "copy.jpg")
			require.NoError(t, os.WriteFile(file, b, 0o600))
			require.NotRegexp(t, `(?i)GPS|Artist|Serial|Creator|By-line|Comment|\[(IFD0|ExifIFD|XMP|IPTC)`, exif("-a", "-u", "-G1", file), name)
		}
	}
	require.Contains(t, exif("-a", spy), "GPS")
}
