package main

import (
	"log/slog"
	"testing"

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
