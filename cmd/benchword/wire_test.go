package main

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"benchword/workflow/store/sqlite"

	"github.com/stretchr/testify/require"
)

// A start that fails closes what it has opened: the folder can be opened again.
func TestAFailedStartClosesTheStore(t *testing.T) {
	s, err := starts(t, switched(settingsText, none, none))
	require.NoError(t, err)
	p, err := s.parts(settingsName, roles{true, true})
	require.NoError(t, err)
	p.data, p.log = t.TempDir(), slog.New(slog.DiscardHandler)
	p.mail.DKIM = []DKIMSettings{{Domain: "harbour.example", Selector: "bench", KeyFile: "wire_test.go"}}
	_, err = build(t.Context(), p)
	require.ErrorContains(t, err, "wire_test.go")
	store, err := sqlite.Open(t.Context(), p.data)
	require.NoError(t, err)
	require.NoError(t, store.Close())
}

// A data folder, or keys, that other users of the machine can read are told of at the start; a shop's own are not.
func TestAnOpenFolderIsSaid(t *testing.T) {
	for mode, told := range map[os.FileMode]bool{0o700: false, 0o750: true, 0o755: true} {
		s, err := starts(t, switched(settingsText, none, none))
		require.NoError(t, err)
		p, err := s.parts(settingsName, roles{true, true})
		require.NoError(t, err)
		var log bytes.Buffer
		p.data, p.log = t.TempDir(), slog.New(slog.NewTextHandler(&log, nil))
		require.NoError(t, os.Chmod(p.data, mode))
		h, err := build(t.Context(), p)
		require.NoError(t, err)
		require.NoError(t, h.end())
		require.Equal(t, told, strings.Contains(log.String(), "other users of this machine"), "%v: %s", mode, log.String())
	}
}

// A log has one JSON object a line, whatever is in it, and its times are in UTC (ASVS 5.0 V16.2.2, V16.2.4, V16.4.1).
func TestTheLogIsJSONInUTC(t *testing.T) {
	var b bytes.Buffer
	const forged = "ada\n{\"level\":\"INFO\"}\r\x1b[31m"
	at := time.Date(2026, 11, 30, 20, 0, 0, 0, time.FixedZone("Halifax", -4*3600))
	r := slog.NewRecord(at, slog.LevelWarn, forged, 0)
	r.AddAttrs(slog.String("login", forged), slog.Time("until", at))
	require.NoError(t, newLog(&b).Handler().Handle(t.Context(), r))
	require.Equal(t, 1, strings.Count(b.String(), "\n"))
	require.NotContains(t, b.String(), "\x1b")
	var line map[string]string
	require.NoError(t, json.Unmarshal(b.Bytes(), &line))
	require.Equal(t, map[string]string{"time": "2026-12-01T00:00:00Z", "level": "WARN", "msg": forged, "login": forged, "until": "2026-12-01T00:00:00Z"}, line)
}
