package memory_test

import (
	"testing"

	"benchword/workflow"
	"benchword/workflow/store/memory"
	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB) workflow.Store {
		s := memory.New()
		t.Cleanup(func() { require.NoError(t, s.Close()) })
		return s
	})
}
