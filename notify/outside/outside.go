// Package outside posts messages to addresses that others name: a hook's, a push service's. They lead to the
// open internet only: the address is looked at when the connection is made, redirects are not followed and
// proxies not asked.
package outside

import (
	"benchword/notify"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/netip"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// timeout is how long one message may take from the look-up of its host to the answer.
const timeout = 15 * time.Second

// InternalError is an address that is not on the open internet.
type InternalError struct{ Addr netip.Addr }

func (e InternalError) Error() string {
	return "the address leads to " + e.Addr.String() + ", which is not public"
}

// public reports whether an address is one of the open internet: what somebody else names must lead nowhere
// else (a router, a metadata service, a database beside us). The ranges are those of the IANA special-purpose
// registries that are not globally reachable, and those that wrap an IPv4 address.
func public(a netip.Addr) bool {
	a = a.Unmap()
	if !a.IsValid() || a.Zone() != "" || a.IsPrivate() || a.IsLoopback() || a.IsLinkLocalUnicast() || a.IsMulticast() || a.IsUnspecified() {
		return false
	}
	for _, p := range notPublic {
		if p.Contains(a) {
			return false
		}
	}
	return true
}

var notPublic = func() (out []netip.Prefix) {
	for _, s := range []string{
		"0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4",
		"::/96", "64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "5f00::/16", "fec0::/10",
	} {
		out = append(out, netip.MustParsePrefix(s))
	}
	return out
}()

// Client returns the client that messages are posted with. It follows no redirect, asks no proxy, and looks at
// the address that a name leads to at the moment of connecting, so that a name that changes in between leads
// nowhere either. anywhere lets it reach internal addresses, too.
func Client(anywhere bool) *http.Client {
	d := &net.Dialer{Timeout: 5 * time.Second}
	if !anywhere {
		d.Control = func(_, address string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(address)
			if err != nil {
				return err
			}
			if !public(at.Addr()) {
				return InternalError{at.Addr()}
			}
			return nil
		}
	}
	return &http.Client{
		Timeout:       timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext: d.DialContext, TLSHandshakeTimeout: 5 * time.Second, ForceAttemptHTTP2: true,
			MaxIdleConnsPerHost: 4, MaxConnsPerHost: 16, IdleConnTimeout: time.Minute, MaxResponseHeaderBytes: 64 << 10,
		},
	}
}

// Answer is what came back for a message.
type Answer struct {
	Status int
	Words  string
	// After is how long the receiver asked to be left alone, 0 if it did not say.
	After time.Duration
}

// Accepted reports whether the receiver took the message.
func (a *Answer) Accepted() bool { return a.Status >= 200 && a.Status < 300 }

func (a *Answer) String() string { return strings.TrimSpace(strconv.Itoa(a.Status) + " " + a.Words) }

// Post sends a message. An error is a *[notify.Failure]: no answer came.
func Post(ctx context.Context, c *http.Client, r *http.Request, now time.Time) (*Answer, error) {
	wrote := false
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{WroteRequest: func(i httptrace.WroteRequestInfo) { wrote = i.Err == nil }})
	res, err := c.Do(r.WithContext(ctx))
	if err != nil {
		var inside InternalError
		var name *net.DNSError
		f := &notify.Failure{Fate: notify.Unreached, Step: "connect", Words: "No connection could be made.", Err: err}
		switch {
		case errors.As(err, &inside):
			f.Words = "Its address leads to " + inside.Addr.String() + ", which is not on the open internet."
		case errors.As(err, &name):
			f.Words = "Its name could not be looked up."
		case wrote:
			f = &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "No answer came in time.", Err: err}
		}
		return nil, f
	}
	defer res.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(res.Body, 2<<10)) // the status is the answer; what it says more is a help
	a := &Answer{Status: res.StatusCode, Words: strings.TrimSpace(http.StatusText(res.StatusCode)), After: retryAfter(res.Header.Get("Retry-After"), now)}
	if line := notify.FirstLine(strings.ToValidUTF8(string(said), "")); line != "" && res.StatusCode >= 300 {
		a.Words += ": " + line
	}
	return a, nil
}

// retryAfter reads the header (RFC 9110, 10.2.3): seconds, or a date.
func retryAfter(value string, now time.Time) time.Duration {
	if n, err := strconv.Atoi(value); err == nil && n > 0 {
		return min(time.Duration(n)*time.Second, notify.MostRetryAfter)
	}
	if t, err := http.ParseTime(value); err == nil && t.After(now) {
		return min(t.Sub(now), notify.MostRetryAfter)
	}
	return 0
}

// Failed makes a failure of an answer that was no acceptance.
func (a *Answer) Failed() *notify.Failure {
	f := &notify.Failure{Fate: notify.PutOff, Step: "end", Code: a.Status, Words: a.Words, RetryAfter: a.After}
	switch {
	case a.Status == http.StatusTooManyRequests, a.Status == http.StatusServiceUnavailable, a.Status == http.StatusBadGateway, a.Status == http.StatusGatewayTimeout:
		f.Fate = notify.Unreached // busy or away: nothing to do with this message
	case a.Status >= 300 && a.Status < 400:
		f.Words = fmt.Sprintf("%s (it points somewhere else, which is not followed)", a.Words)
	}
	return f
}
