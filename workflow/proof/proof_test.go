package proof_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/proof"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var photos = map[int][]byte{1: []byte("a photo of the parcel"), 2: bytes.Repeat([]byte("a photo of a cracked joint "), 40)}

// history plays a job with two photos and two reports. Shop and people are invented.
func history(t testing.TB) []*workflow.Event {
	t.Helper()
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	maker, err := link.NewMaker(key)
	require.NoError(t, err)
	c, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": {"09:00-17:00"}}})
	require.NoError(t, err)
	now := time.Date(2026, 11, 16, 13, 20, 0, 0, time.UTC)
	s := workflow.Service{
		Shop: &workflow.Shop{
			ID: "harbour", Name: "Harbour Bench", BaseURL: "http://localhost", Email: "bench@harbour.example", Calendar: c, Currency: "CAD", Prices: money.BeforeTax,
			Languages: []string{"en"}, PromiseDays: 10, QuoteDays: 14, LinkFor: time.Hour,
		},
		Links: maker, Now: func() time.Time { now = now.Add(time.Minute); return now }, Random: rand.Reader, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	}.On(memory.New())
	var n workflow.JobNumber
	do := func(role workflow.Role, commands ...workflow.Command) {
		t.Helper()
		j, err := s.Do(context.Background(), workflow.Order{Job: n, By: workflow.Actor{Role: role, ID: "x"}, Commands: commands})
		require.NoError(t, err)
		n = j.Number
	}
	photo := func(id int, kind workflow.PhotoKind) workflow.AddPhoto {
		sum := fmt.Sprintf("%x", sha(photos[id]))
		return workflow.AddPhoto{Photo: workflow.Photo{Original: sum, Copies: workflow.Copies{Large: workflow.Copy{Digest: sum, Width: 16, Height: 12}, Small: workflow.Copy{Digest: sum, Width: 4, Height: 3}}, Kind: kind, Caption: workflow.Plain("photo")}}
	}
	do(workflow.RoleCustomer, workflow.Book{Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example"}, Kind: "stage piano", Fault: "Silent."})
	do(workflow.RoleBench, workflow.ListContents{Items: []workflow.Item{{Text: "Stage piano", Device: true}}}, photo(1, workflow.PhotoArrival),
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}}, workflow.Go{To: workflow.StageReceived})
	do(workflow.RoleBench, workflow.NoteCondition{Text: "Complete."}, workflow.TryFault{Result: workflow.FaultReproduced}, workflow.Go{To: workflow.StageDiagnosing})
	do(workflow.RoleBench, photo(2, workflow.PhotoEvidence), workflow.NameSuspect{Text: "The socket"}, workflow.NoteFinding{Finding: workflow.Finding{
		Text: "Three joints are cracked.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen, Photos: []int{2}}})
	do(workflow.RoleCounter, workflow.SendReport{Text: workflow.ReportText{Short: "Three joints are cracked."}})
	do(workflow.RoleBench, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Pressed on it", Outcome: workflow.CheckConfirmed}})
	do(workflow.RoleCounter, workflow.SendReport{Text: workflow.ReportText{Short: "It is the socket."}})
	events, err := s.Events(context.Background(), n, 0)
	require.NoError(t, err)
	return events
}

func archive(t testing.TB) []byte {
	t.Helper()
	b, err := proof.Build(history(t), []proof.File{
		{Name: proof.PhotoName(1), Data: photos[1]}, {Name: proof.PhotoName(2), Data: photos[2]},
		{Name: "index.html", Data: []byte("<!DOCTYPE html><title>Job</title>")}, {Name: "reports/report-1.pdf", Data: []byte("%PDF-1.7")},
	})
	require.NoError(t, err)
	return b
}

// The archive as others read it: Go's archive/zip, unzip, and coreutils' sha256sum.
func TestOthersReadTheArchive(t *testing.T) {
	b := archive(t)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	dir := t.TempDir()
	var names []string
	for _, f := range z.File {
		names = append(names, f.Name)
		r, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(r) // which checks the CRC
		require.NoError(t, err)
		to := filepath.Join(dir, f.Name)
		require.NoError(t, os.MkdirAll(filepath.Dir(to), 0o700))
		require.NoError(t, os.WriteFile(to, data, 0o600))
	}
	if _, err := exec.LookPath("sha256sum"); err == nil {
		c := exec.Command("sha256sum", "--check", "--strict", "SHA256SUMS")
		c.Dir = dir
		out, err := c.CombinedOutput()
		require.NoError(t, err, string(out))
		require.Equal(t, len(z.File)-1, strings.Count(string(out), ": OK"))
	}
	last := len(names) - 1
	require.Equal(t, []string{"events.jsonl", "SHA256SUMS"}, []string{names[0], names[last]})
	require.True(t, slices.IsSorted(names[1:last]), "there is one order for the members: %s", names)
	r, err := proof.Verify(b)
	require.NoError(t, err)
	require.Equal(t, 2, r.Photos)
	require.Len(t, r.Reports, 2)
	require.Contains(t, r.Heads, r.Reports[0].Head)
	require.Empty(t, r.Missing)
}

// Every byte that is changed is found, and the error names where: the member, or the ZIP's own data.
func TestAnyChangedByteIsFound(t *testing.T) {
	b := archive(t)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	type part struct {
		name     string
		from, to int64
	}
	var data []part
	for _, f := range z.File {
		at, err := f.DataOffset()
		require.NoError(t, err)
		data = append(data, part{f.Name, at, at + int64(f.UncompressedSize64)})
	}
	try := func(t require.TestingT, at int, mask byte) {
		bad := bytes.Clone(b)
		bad[at] ^= mask
		_, err := proof.Verify(bad)
		require.Error(t, err, "byte %d", at)
		for _, p := range data {
			if int64(at) >= p.from && int64(at) < p.to {
				require.ErrorContains(t, err, map[bool]string{true: p.name, false: "SHA256SUMS"}[p.name != "SHA256SUMS"], "byte %d", at)
				return
			}
		}
		require.Regexp(t, "ZIP|header|line|begin with|this is no archive", err.Error(), "byte %d", at)
	}
	// Every byte of every header, of the directory and of the end record, and the ends of all members …
	inside := func(at int64) bool {
		for _, p := range data {
			if at >= p.from+2 && at < p.to-2 {
				return true
			}
		}
		return false
	}
	for at := range b {
		if !inside(int64(at)) {
			try(t, at, 1)
			try(t, at, 0x80)
		}
	}
	// … and any other, anyhow.
	rapid.Check(t, func(r *rapid.T) {
		try(r, rapid.IntRange(0, len(b)-1).Draw(r, "byte"), byte(rapid.IntRange(1, 255).Draw(r, "mask")))
	})
	for _, cut := range []int{0, 3, 40, len(b) / 2, len(b) - 1} {
		_, err := proof.Verify(b[:cut])
		require.Error(t, err, "cut at %d", cut)
	}
	_, err = proof.Verify(append(bytes.Clone(b), 0))
	require.Error(t, err)
}

// Somebody who makes new sums for a changed archive is found out by the chain.
func TestNewSumsDoNotHelp(t *testing.T) {
	events := history(t)
	base := []proof.File{{Name: proof.PhotoName(1), Data: photos[1]}, {Name: proof.PhotoName(2), Data: []byte("another photo")}}
	b, err := proof.Build(events, base)
	require.NoError(t, err)
	_, err = proof.Verify(b)
	require.ErrorContains(t, err, "photos/photo-2.jpg is not the photo that the events name")

	b, err = proof.Build(events, append(base[:1:1], proof.File{Name: "photos/photo-9.jpg", Data: photos[1]}))
	require.NoError(t, err)
	_, err = proof.Verify(b)
	require.ErrorContains(t, err, "know nothing of photos/photo-9.jpg")

	b, err = proof.Build(events, base[:1])
	require.NoError(t, err)
	r, err := proof.Verify(b)
	require.NoError(t, err)
	require.Equal(t, []string{"photos/photo-2.jpg"}, r.Missing)

	_, err = proof.Build(append(events[:2:2], events[3:]...), nil)
	require.ErrorContains(t, err, "event 4 is where event 3 should be")
	_, err = proof.Build(events, []proof.File{{Name: "../x"}})
	require.Error(t, err)
}

func FuzzVerify(f *testing.F) {
	f.Add(archive(f))
	f.Add([]byte("PK\x03\x04"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := proof.Verify(b); err == nil {
			z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
			require.NoError(t, err, "what passes can be opened")
			require.Equal(t, "SHA256SUMS", z.File[len(z.File)-1].Name)
		}
	})
}

func sha(b []byte) [32]byte { return sha256.Sum256(b) }
