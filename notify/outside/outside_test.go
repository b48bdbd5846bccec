package outside

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"sync/atomic"
	"testing"
	"time"

	"benchword/notify"

	"github.com/stretchr/testify/require"
)

// What somebody else names leads nowhere but to the open internet: loopback, internal networks, a cloud's metadata,
// and addresses that wrap one.
func TestOnlyPublicAddresses(t *testing.T) {
	for s, want := range map[string]bool{
		"93.184.215.14": true, "2606:2800:21f:cb07:6820:80da:af6b:8b2c": true, "1.1.1.1": true, "172.32.0.1": true, "100.128.0.1": true,
		"127.0.0.1": false, "127.8.9.1": false, "10.1.2.3": false, "172.16.0.1": false, "192.168.1.1": false, "169.254.169.254": false, "100.64.0.1": false,
		"0.0.0.0": false, "255.255.255.255": false, "224.0.0.1": false, "192.0.2.1": false, "198.18.0.1": false,
		"::1": false, "::": false, "fe80::1": false, "fc00::1": false, "fd00:ec2::254": false, "ff02::1": false, "::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false,
		"64:ff9b::a00:1": false, "2002:a00:1::": false, "::7f00:1": false, "2001:db8::1": false, "fec0::1": false,
	} {
		require.Equal(t, want, public(netip.MustParseAddr(s)), s)
	}
	var got atomic.Int32
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { got.Add(1) }))
	defer server.Close()
	now := time.Date(2026, 11, 2, 15, 0, 0, 0, time.UTC)

	// A client that may not reach internal addresses does not, whatever name led there.
	r, err := http.NewRequest(http.MethodPost, server.URL, nil)
	require.NoError(t, err)
	_, err = Post(context.Background(), Client(false), r, now)
	require.Equal(t, notify.Unreached, notify.FailureOf(err).Fate)
	require.Contains(t, notify.FailureOf(err).Words, "127.0.0.1")
	require.Zero(t, got.Load())
	require.NoError(t, func() error { _, err := Post(context.Background(), Client(true), r, now); return err }())
}
