package sqlite

import (
	"testing"

	"benchword/workflow"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

func open1(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB) workflow.Store { return open1(t, t.TempDir()) })
}
