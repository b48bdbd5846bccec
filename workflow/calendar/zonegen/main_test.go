package main

import (
	"archive/zip"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// zoneBytes takes a compiled zone out of the committed file.
func zoneBytes(t *testing.T, name string) []byte {
	t.Helper()
	r, err := zip.OpenReader("../zones.zip")
	require.NoError(t, err)
	defer func() { _ = r.Close() }()
	f, err := r.Open(name)
	require.NoError(t, err)
	b, err := io.ReadAll(f)
	require.NoError(t, err)
	return b
}

func entries(t *testing.T, path string) map[string]string {
	t.Helper()
	r, err := zip.OpenReader(path)
	require.NoError(t, err)
	defer func() { _ = r.Close() }()
	got := make(map[string]string)
	for _, f := range r.File {
		in, err := f.Open()
		require.NoError(t, err)
		b, err := io.ReadAll(in)
		require.NoError(t, err)
		got[f.Name] = string(b)
	}
	return got
}

func TestPack(t *testing.T) {
	from := t.TempDir()
	write := func(name string, content []byte) {
		path := filepath.Join(from, filepath.FromSlash(name))
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, content, 0o644))
	}
	halifax, utc := zoneBytes(t, "America/Halifax"), zoneBytes(t, "Etc/UCT")
	write("America/Halifax", halifax)
	write("Etc/UTC", utc)
	write("right/America/Halifax", halifax)
	write("posix/America/Halifax", halifax)
	write("localtime", halifax)
	write("zone.tab", []byte("# a text\n"))
	require.NoError(t, os.Symlink("Etc/UTC", filepath.Join(from, "Zulu")))
	require.NoError(t, os.Symlink("America", filepath.Join(from, "Canada")))

	to := filepath.Join(t.TempDir(), "zones.zip")
	_, _, err := pack(from, to)
	require.ErrorContains(t, err, "tells the version")
	require.NoFileExists(t, to)

	write("tzdata.zi", []byte("# version 2031c\n# This zic input file is in the public domain.\n"))
	version, n, err := pack(from, to)
	require.NoError(t, err)
	require.Equal(t, "2031c", version)
	require.Equal(t, 4, n)
	require.Equal(t, map[string]string{
		"version":         "2031c\n",
		"aliases":         "Canada/Halifax America/Halifax\nZulu Etc/UTC\n",
		"America/Halifax": string(halifax),
		"Etc/UTC":         string(utc),
	}, entries(t, to))

	again := filepath.Join(t.TempDir(), "zones.zip")
	_, _, err = pack(from, again)
	require.NoError(t, err)
	one, err := os.ReadFile(to)
	require.NoError(t, err)
	two, err := os.ReadFile(again)
	require.NoError(t, err)
	require.Equal(t, one, two, "the same folder must give the same bytes")

	write("America/Broken", []byte("TZif2"+strings.Repeat("\xff", 60)))
	_, _, err = pack(from, to)
	require.ErrorContains(t, err, "Broken")
}
