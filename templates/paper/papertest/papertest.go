// Package papertest reads papers with independent tools: Debian's poppler-utils and qpdf, for tests.
package papertest

import (
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
)

// Tool runs one of them and returns what it says. Where it is missing the test is skipped; in CI that is a
// failure.
func Tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		require.Empty(t, os.Getenv("CI"), "%s is missing: apt-get install poppler-utils qpdf", name)
		t.Skipf("%s is missing", name)
	}
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", name, out)
	return string(out)
}
