package templates

import (
	"io/fs"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Scripts put texts in as texts, run nothing that they are given, hear no other window, and keep nothing in the
// browser but which of them a job tells (ASVS 5.0 V1.3.2, V3.2.2, V3.5.5, V14.3.3, V15.3.6).
func TestScriptsInsertText(t *testing.T) {
	scripts, err := fs.Glob(assets, "assets/*.js")
	require.NoError(t, err)
	require.Greater(t, len(scripts), 5)
	for _, name := range scripts {
		text, err := assets.ReadFile(name)
		require.NoError(t, err)
		for _, bad := range []string{
			`(inner|outer)HTML\s*\+?=[^=]`, `insertAdjacentHTML|setHTML|createContextualFragment|\.srcdoc`, `document\.write`, `\beval\(|new Function|import\(`,
			"set(Timeout|Interval)\\(\\s*[\"'`]", `postMessage|onmessage|Listener\("message"`, `sessionStorage|indexedDB|document\.cookie|caches\.`, `__proto__|prototype`,
		} {
			require.NotRegexp(t, bad, string(text), name)
		}
		require.Equal(t, name == "assets/push.js", strings.Contains(string(text), "localStorage"), name)
	}
}
