package main

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// A shop that has lost its link keys is not given others in silence, nor one whose photos are gone a new folder.
func TestWhatIsLostIsSaid(t *testing.T) {
	s, err := starts(t, switched(settingsText, none, none))
	require.NoError(t, err)
	p, err := s.parts(settingsName, roles{true, true})
	require.NoError(t, err)
	var log bytes.Buffer
	p.data, p.log = t.TempDir(), slog.New(slog.NewTextHandler(&log, nil))
	keys := filepath.Join(p.data, keysName)
	open := func() (*server, error) { log.Reset(); return build(t.Context(), p) }

	srv, err := open()
	require.NoError(t, err)
	j, err := srv.service.Do(t.Context(), workflow.Order{By: workflow.Actor{Role: workflow.RoleCounter, ID: "ada"}, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: "Mira Osei", Email: "mira@osei.example", Address: "4 Quay Street", Language: "en"}, Kind: "film scanner", Fault: "Hums.",
	}}})
	require.NoError(t, err)
	token, err := srv.service.Token(j, j.Link(link.Own, time.Now()))
	require.NoError(t, err)
	require.NoError(t, srv.end())

	lost, err := os.ReadFile(keys)
	require.NoError(t, err)
	require.NoError(t, os.Remove(keys))
	_, err = open()
	require.ErrorContains(t, err, "from a backup")
	require.NoFileExists(t, keys)
	require.NoError(t, os.WriteFile(keys, []byte("benchword-link-key 1 "+string(bytes.Repeat([]byte("ab"), 32))+"\n"), 0o600))
	_, err = open()
	require.ErrorContains(t, err, "are not those")

	require.NoError(t, os.Remove(keys))
	p.newKeys = true
	srv, err = open()
	require.NoError(t, err)
	_, err = srv.service.Open(t.Context(), token)
	require.ErrorIs(t, err, workflow.ErrGone)
	require.NoError(t, srv.end())
	require.NotContains(t, log.String(), "photos")
	_, err = open()
	require.ErrorContains(t, err, "Start without it")

	p.newKeys = false
	require.NoError(t, os.RemoveAll(filepath.Join(p.data, photosName)))
	srv, err = open()
	require.NoError(t, err)
	require.Contains(t, log.String(), "the folder of the photos was not there")
	said, err := srv.portal.Warnings(t.Context(), workflow.RoleOwner)
	require.NoError(t, err)
	require.Len(t, said, 1)
	said, err = srv.portal.Warnings(t.Context(), workflow.RoleBench)
	require.NoError(t, err)
	require.Empty(t, said)
	require.NoError(t, srv.end())

	require.NoError(t, os.WriteFile(keys, lost, 0o600))
	_, err = open()
	require.ErrorContains(t, err, "are not those", "the old keys are not taken back in silence either")
}
