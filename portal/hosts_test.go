package portal

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// What a shop's settings call its host and what a request calls it come to one name.
func TestHostNames(t *testing.T) {
	for base, want := range map[string]string{
		"https://status.harbour.example": "status.harbour.example", "http://Status.Harbour.example.:8443/": "status.harbour.example", "http://127.0.0.1:8080": "127.0.0.1",
		"http://[::1]:8080": "::1", "https://hafen-müller.example": "xn--hafen-mller-zhb.example", "https://HAFEN-MÜLLER.example": "xn--hafen-mller-zhb.example",
		"": "", "no address": "", "https://": "",
	} {
		require.Equal(t, want, HostOf(base), base)
	}
	for header, want := range map[string]string{
		"status.harbour.example": "status.harbour.example", "STATUS.harbour.example.:443": "status.harbour.example", "127.0.0.1:8080": "127.0.0.1", "[::1]:8080": "::1", "[::1]": "::1",
		"XN--hafen-mller-zhb.example": "xn--hafen-mller-zhb.example", "": "", ":80": "", ".": "",
	} {
		require.Equal(t, want, named(header), header)
	}
	for _, header := range []string{"[harbour.example]", "x@harbour.example", "harbour.example/", "harbour.example..", " harbour.example", "harbour.example,hillside.example"} {
		require.NotEqual(t, "harbour.example", named(header))
	}
}
