package counter

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"benchword/portal"
	"benchword/portal/api"

	"github.com/stretchr/testify/require"
)

// The budgets that a route may have. What each is, is tried below.
const (
	tries    = "tries"     // every request of a network counts
	failures = "failures"  // those that come to nothing
	rendered = "rendered"  // pages made anew for a network; behind a link, whose failures count as well
	papers   = "papers"    // kept until the job changes, and bounded where they are not: TestPapersAreKept
	streams  = "streams"   // bounded by link, network and process: TestAThousandLivePages
	links    = "links"     // a file as it lies there; only links that open nothing count
	signedIn = "signed in" // staff, or a program with a token
	halfway  = "halfway"   // failures of who has given a password: TestSecondFactor; nobody else comes so far
	cheap    = "cheap"     // a file from memory, a page of words, or one look at the store
)

// budgets says which budget each route has, but for what is done to a job by form or API, which is for who is signed in.
var budgets = map[string]string{
	"GET /healthz": cheap, "GET /readyz": cheap, "GET /livez": cheap, "GET /assets/*": cheap, "GET /robots.txt": cheap, "GET /push-worker.js": cheap, "GET /look/logo": cheap, "GET /look/style.css": cheap,
	"GET /": cheap, "GET /packing": cheap, "GET /book": cheap, "GET /find": cheap, "POST /book": tries, "POST /find": tries,
	"GET /j/:token": rendered, "GET /j/:token/booked": rendered, "GET /j/:token/live": streams, "GET /j/:token/feed": rendered, "GET /j/:token/report/:n.pdf": papers,
	"GET /j/:token/report/:n": rendered, "GET /j/:token/photo/:id/:size.jpg": links, "GET /j/:token/date.ics": rendered, "POST /j/:token/message": tries,
	"GET /j/:token/notices": rendered, "POST /j/:token/notices": rendered, "POST /j/:token/push": tries, "GET /j/:token/details": rendered, "POST /j/:token/details": tries, "GET /j/:token/share": rendered, "POST /j/:token/share": tries, "POST /j/:token/arrival": tries, "POST /j/:token/ask": tries,
	"GET /d/:token": rendered, "POST /d/:token/review": tries, "POST /d/:token": tries, "GET /d/:token/done": rendered, "GET /d/:token/:form.pdf": papers, "POST /d/:token/undo": tries,
	"GET /confirm/:token": rendered, "POST /confirm/:token": tries, "GET /data/:token": rendered, "GET /data/:token/file.zip": tries, "GET /c/:token": rendered, "POST /c/:token": tries,

	"GET /counter/sign-in": cheap, "POST /counter/sign-in": tries, "GET /counter/sign-in/second": cheap, "POST /counter/sign-in/second": halfway,
	"POST /counter/sign-in/passkey/options": cheap, "POST /counter/sign-in/passkey": failures, "GET /counter/welcome/:secret": failures, "POST /counter/welcome/:secret": failures,
	"GET /counter/phone/:secret": failures, "POST /counter/phone/:secret": failures,
	"GET /api/v1/openapi.json": cheap, "GET /api/v1/problems": cheap,
}

// Every route has a row that says which budget it has, and has it: what is dear is refused to a network that has had
// its share, what is for staff is refused to everybody else, and what is cheap is answered however often.
func TestEveryRouteHasItsBudget(t *testing.T) {
	open := func(ask, render int) *desk {
		d := newDeskAt(t, "http://desk.example", func(c *portal.Config) { c.Ask, c.Render, c.TrustedProxies = ask, render, []string{"0.0.0.0"} })
		api.Mount(d.s)
		return d
	}
	const many = 100_000
	var routes []string
	for _, r := range open(many, many).s.App().GetRoutes(true) {
		if name := r.Method + " " + strings.TrimSuffix(r.Path, "/"); r.Method != http.MethodHead {
			if r.Path == "/" {
				name = r.Method + " /"
			}
			routes = append(routes, name)
		}
	}
	slices.Sort(routes)
	routes = slices.Compact(routes)
	require.Greater(t, len(routes), 150)
	for name := range budgets {
		require.Contains(t, routes, name, "there is no such route")
	}
	address := strings.NewReplacer(":token", strings.Repeat("a", 32), ":number", "K7M2QX8", ":n", "1", ":id", "1", ":size", "small", ":form", "quote", ":secret", "x", ":table", "jobs", ":to", "testing", "*", "base.css")
	// answers are the answers to four visits of a network of its own.
	networks := 0
	answers := func(d *desk, name string) (out []int) {
		networks++
		method, path, _ := strings.Cut(name, " ")
		for range 4 {
			r := httptest.NewRequest(method, address.Replace(path), strings.NewReader(""))
			r.Host = "desk.example"
			r.Header.Set("X-Forwarded-For", fmt.Sprintf("198.51.%d.%d", networks/200, networks%200))
			if method == http.MethodPost {
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			}
			g, err := d.s.App().Test(r, -1)
			require.NoError(t, err)
			require.NoError(t, g.Body.Close())
			out = append(out, g.StatusCode)
		}
		return out
	}
	miserly, blank := open(2, many), open(many, 2)
	for _, name := range routes {
		budget, ok := budgets[name]
		if inside := strings.Contains(name, " /counter") || strings.Contains(name, " /api/v1"); !ok && inside {
			budget, ok = signedIn, true
		}
		require.True(t, ok, "%s has no budget: give it one, and a row", name)
		fewTries, fewPages := answers(miserly, name), answers(blank, name)
		switch budget {
		case tries, failures, links:
			require.Equal(t, http.StatusTooManyRequests, fewTries[3], "%s, %s: %v", name, budget, fewTries)
			require.NotContains(t, fewPages, http.StatusTooManyRequests, name)
		case rendered:
			require.Equal(t, http.StatusTooManyRequests, fewPages[3], "%s, %s: %v", name, budget, fewPages)
			require.Equal(t, http.StatusTooManyRequests, fewTries[3], "%s, by a link that opens nothing: %v", name, fewTries)
		case papers, streams:
			require.Equal(t, http.StatusTooManyRequests, fewTries[3], "%s, by a link that opens nothing: %v", name, fewTries)
		case signedIn:
			for _, status := range append(fewTries, fewPages...) {
				require.Contains(t, []int{http.StatusSeeOther, http.StatusUnauthorized, http.StatusForbidden}, status, "%s is open to everybody", name)
			}
		case cheap, halfway:
			require.NotContains(t, append(fewTries, fewPages...), http.StatusTooManyRequests, name)
		}
	}
}
