package notify

import (
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

// postTimeout is how long one message may take from the look-up of its host to the answer.
const postTimeout = 15 * time.Second

// errInside is an internal address.
type errInside struct{ addr netip.Addr }

func (e errInside) Error() string {
	return "the address leads to " + e.addr.String() + ", which is not public"
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

// poster makes the client that messages are posted with. It follows no redirect, asks no proxy, and looks at
// the address that a name leads to at the moment of connecting, so that a name that changes in between leads
// nowhere either. anywhere lets it reach internal addresses.
func poster(anywhere bool) *http.Client {
	d := &net.Dialer{Timeout: 5 * time.Second}
	if !anywhere {
		d.Control = func(_, address string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(address)
			if err != nil {
				return err
			}
			if !public(at.Addr()) {
				return errInside{at.Addr()}
			}
			return nil
		}
	}
	return &http.Client{
		Timeout:       postTimeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext: d.DialContext, TLSHandshakeTimeout: 5 * time.Second, ForceAttemptHTTP2: true,
			MaxIdleConnsPerHost: 4, MaxConnsPerHost: 16, IdleConnTimeout: time.Minute, MaxResponseHeaderBytes: 64 << 10,
		},
	}
}

// answer is what came back for a message.
type answer struct {
	status int
	words  string
	after  time.Duration
}

// postTo sends a message. An error is a *[Failure]: no answer came.
func postTo(ctx context.Context, c *http.Client, r *http.Request, now time.Time) (*answer, error) {
	wrote := false
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{WroteRequest: func(i httptrace.WroteRequestInfo) { wrote = i.Err == nil }})
	res, err := c.Do(r.WithContext(ctx))
	if err != nil {
		var inside errInside
		var name *net.DNSError
		f := &Failure{Fate: Unreached, Step: "connect", Words: "No connection could be made.", Err: err}
		switch {
		case errors.As(err, &inside):
			f.Words = "Its address leads to " + inside.addr.String() + ", which is not on the open internet."
		case errors.As(err, &name):
			f.Words = "Its name could not be looked up."
		case wrote:
			f = &Failure{Fate: Unknown, Step: "end", Words: "No answer came in time.", Err: err}
		}
		return nil, f
	}
	defer res.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(res.Body, 2<<10)) // the status is the answer; what it says more is a help
	a := &answer{status: res.StatusCode, words: strings.TrimSpace(http.StatusText(res.StatusCode)), after: retryAfter(res.Header.Get("Retry-After"), now)}
	if line := firstLine(strings.ToValidUTF8(string(said), "")); line != "" && res.StatusCode >= 300 {
		a.words += ": " + line
	}
	return a, nil
}

// retryAfter reads the header (RFC 9110, 10.2.3): seconds, or a date.
func retryAfter(value string, now time.Time) time.Duration {
	if n, err := strconv.Atoi(value); err == nil && n > 0 {
		return min(time.Duration(n)*time.Second, mostRetryAfter)
	}
	if t, err := http.ParseTime(value); err == nil && t.After(now) {
		return min(t.Sub(now), mostRetryAfter)
	}
	return 0
}

// failed makes a failure of an answer that was no acceptance.
func (a *answer) failed() *Failure {
	f := &Failure{Fate: PutOff, Step: "end", Code: a.status, Words: a.words, RetryAfter: a.after}
	switch {
	case a.status == http.StatusTooManyRequests, a.status == http.StatusServiceUnavailable, a.status == http.StatusBadGateway, a.status == http.StatusGatewayTimeout:
		f.Fate = Unreached // busy or away: nothing to do with this message
	case a.status >= 300 && a.status < 400:
		f.Words = fmt.Sprintf("%s (it points somewhere else, which is not followed)", a.words)
	}
	return f
}
