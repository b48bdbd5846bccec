package portal

import (
	"bytes"
	"compress/gzip"
	"io"
	"strings"
	"testing"

	"benchword/workflow/link"

	"github.com/andybalholm/brotli"
	"github.com/stretchr/testify/require"
)

// A customer's pages and the files they need come packed, where the browser takes that; the state of a page has
// one name, however it is packed. Unpacked by the decoders of other people.
func TestPagesArePacked(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	for _, path := range []string{at, at, "/", "/book", "/assets/base.css", "/robots.txt"} {
		plain := d.get(path)
		require.Equal(t, 200, plain.StatusCode, path)
		require.Empty(t, plain.Header.Get("Content-Encoding"), path)
		for encoding, unpack := range map[string]func(io.Reader) io.Reader{
			"br": func(r io.Reader) io.Reader { return brotli.NewReader(r) },
			"gzip": func(r io.Reader) io.Reader {
				z, err := gzip.NewReader(r)
				require.NoError(t, err)
				return z
			},
		} {
			packed := d.get(path, "Accept-Encoding", encoding)
			if path == "/robots.txt" { // shorter than what packing would add
				require.Equal(t, plain.body, packed.body)
				continue
			}
			require.Equal(t, encoding, packed.Header.Get("Content-Encoding"), path)
			require.Contains(t, packed.Header.Get("Vary"), "Accept-Encoding", path)
			require.Equal(t, plain.Header.Get("ETag"), packed.Header.Get("ETag"), path)
			require.Less(t, len(packed.body), len(plain.body)/2, path)
			whole, err := io.ReadAll(unpack(bytes.NewReader([]byte(packed.body))))
			require.NoError(t, err)
			require.Equal(t, plain.body, string(whole), path)
		}
		require.Empty(t, d.get(path, "Accept-Encoding", "br;q=0, gzip;q=0").Header.Get("Content-Encoding"), path)
	}
	same := d.get(at, "Accept-Encoding", "br", "If-None-Match", d.get(at).Header.Get("ETag"))
	require.Equal(t, 304, same.StatusCode)
	require.True(t, strings.HasPrefix(same.Header.Get("ETag"), "W/"))
}

// An address that names a copy's digest may be kept for good; any other answers for an hour only.
func TestPhotosAreKept(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/photo/1/large.jpg"
	require.Contains(t, d.get("/j/"+d.token(link.Own)).body, at+"?v=large-co")
	require.Equal(t, "private, max-age=31536000, immutable", d.get(at+"?v=large-co").Header.Get("Cache-Control"))
	require.Equal(t, "private, max-age=3600", d.get(at+"?v=other").Header.Get("Cache-Control"))
	require.Equal(t, "private, max-age=3600", d.get(at).Header.Get("Cache-Control"))
	require.Equal(t, 404, d.get(strings.Replace(at, "large", "medium", 1)).StatusCode, "a photo from before has no medium copy")
}
