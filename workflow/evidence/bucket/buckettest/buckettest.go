// Package buckettest starts a real S3 server, versitygw, on a folder private to a test.
package buckettest

import (
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Server is one running server.
type Server struct {
	Addr string
	// Dir is where it keeps what lies in its buckets: BUCKET/KEY.
	Dir string
	// Key and Secret let in.
	Key, Secret string
}

// Place returns a bucket's place as settings write it.
func (s *Server) Place(bucket string) string { return "s3+http://" + s.Addr + "/" + bucket }

// Start runs a server until the test ends. It skips the test where there is none on this machine, or fails
// it where CI says that there must be.
func Start(t testing.TB) *Server {
	t.Helper()
	path, err := exec.LookPath("versitygw")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("versitygw is missing; .ci/run should have installed it")
		}
		t.Skip("versitygw is not installed here")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	dir := t.TempDir()
	s := &Server{Addr: l.Addr().String(), Dir: filepath.Join(dir, "data"), Key: "benchword", Secret: "a secret of the test"}
	require.NoError(t, l.Close())
	beside := filepath.Join(dir, "beside") // not every file system has extended attributes
	require.NoError(t, os.MkdirAll(s.Dir, 0o700))
	require.NoError(t, os.MkdirAll(beside, 0o700))
	c := exec.Command(path, "--port", s.Addr, "--access", s.Key, "--secret", s.Secret, "--quiet", "posix", "--sidecar", beside, s.Dir)
	out, err := os.Create(filepath.Join(dir, "log"))
	require.NoError(t, err)
	c.Stdout, c.Stderr = out, out
	require.NoError(t, c.Start())
	t.Cleanup(func() {
		_ = c.Process.Kill()
		_ = c.Wait()
		_ = out.Close()
	})
	require.Eventually(t, func() bool {
		resp, err := http.Get("http://" + s.Addr)
		if err != nil {
			return false
		}
		return resp.Body.Close() == nil
	}, 30*time.Second, 20*time.Millisecond, "the S3 server did not come up")
	return s
}
