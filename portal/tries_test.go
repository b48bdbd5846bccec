package portal

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// letInFrom tries to sign in from an address, with cookies.
func (d *desk) letInFrom(from, login, password, cookies string) got {
	d.t.Helper()
	r := httptest.NewRequest(http.MethodPost, "/let-in", strings.NewReader(url.Values{"login": {login}, "password": {password}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("X-Forwarded-For", from)
	if cookies != "" {
		r.Header.Set("Cookie", cookies)
	}
	return d.send(r)
}

// knownCookie is what a browser keeps of having been signed in with.
func knownCookie(g got) string {
	for _, c := range g.Cookies() {
		if strings.HasSuffix(c.Name, "known") {
			return c.Name + "=" + c.Value
		}
	}
	return ""
}

// flooded is a desk behind a proxy with ada, and a browser that she has signed in with.
func flooded(t *testing.T) (first, d *desk, hers string) {
	first = newDesk(t)
	d = signing(first.with(func(c *Config) { c.Ask, c.AskFor, c.TrustedProxies = 6, 10*time.Minute, []string{"0.0.0.0"} }))
	require.NoError(t, AddStaff(context.Background(), d.svc, "ada", "Ada", workflow.RoleOwner, gulls))
	hers = knownCookie(d.letInFrom("192.0.2.1", "ada", gulls, ""))
	require.NotEmpty(t, hers)
	return first, d, hers
}

// A thousand connections from a thousand networks try names that are there and names that are not, and all places
// for checking are held: whoever comes after those who may wait is told at once, and staff get in all the same.
func TestSignInUnderAFlood(t *testing.T) {
	_, d, hers := flooded(t)
	strangers := d.s.common.strangers
	for range cap(strangers.places) {
		require.True(t, strangers.enter())
	}
	var all, answered sync.WaitGroup
	counts := make(chan int, 1000)
	answered.Add(1000 - int(strangers.most))
	for i := range 1000 {
		all.Go(func() {
			login := "ada"
			if i%2 == 1 {
				login = "nobody" + strconv.Itoa(i)
			}
			r := httptest.NewRequest(http.MethodPost, "/let-in", strings.NewReader("login="+login+"&password=not+the+password"))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("X-Forwarded-For", "198.51."+strconv.Itoa(i/250)+"."+strconv.Itoa(i%250))
			r.Host = "desk.example"
			resp, err := d.s.App().Test(r, -1)
			if err != nil {
				counts <- 0
				return
			}
			_ = resp.Body.Close()
			counts <- resp.StatusCode
			if resp.StatusCode == 429 {
				answered.Done()
			}
		})
	}
	answered.Wait() // 992 were told at once, although nobody's password is being checked
	g := d.letInFrom("192.0.2.7", "ada", gulls, hers)
	require.Equal(t, 204, g.StatusCode, g.body)
	require.Equal(t, 429, d.letInFrom("192.0.2.8", "ada", gulls, "").StatusCode, "the right password in a strange browser has to wait")
	require.Contains(t, d.letInFrom("192.0.2.9", "bo", gulls, "").body, "Too many people")
	for range cap(strangers.places) {
		strangers.leave()
	}
	all.Wait()
	close(counts)
	of := map[int]int{}
	for status := range counts {
		of[status]++
	}
	require.Equal(t, map[int]int{429: 1000 - int(strangers.most), 403: int(strangers.most)}, of)
	require.Equal(t, 204, d.letInFrom("192.0.2.7", "ada", gulls, hers).StatusCode)
}

// Strangers from any number of networks have a few tries at a name, then wait longer and longer; the person's own browser
// is not held up, nor is anybody else.
// cheapHashes is for tests that enter many passwords and look at something else.
func cheapHashes(t *testing.T) {
	was := HashMemory
	HashMemory = 64 // KiB
	t.Cleanup(func() { HashMemory = was })
}

func TestTriesAtAName(t *testing.T) {
	cheapHashes(t)
	first, d, hers := flooded(t)
	at := 0
	try := func(login, password string) int {
		at++
		return d.letInFrom("203.0.113."+strconv.Itoa(at), login, password, "").StatusCode
	}
	for _, login := range []string{"ada", "nobody"} {
		for range freeTries {
			require.Equal(t, 403, try(login, "not the password"))
		}
		require.Equal(t, 429, try(login, gulls))
		require.Equal(t, 429, try(" "+strings.ToUpper(login), gulls))
	}
	require.Equal(t, 204, d.letInFrom("192.0.2.7", "ada", gulls, hers).StatusCode, "and that is a success: the count begins anew")
	require.Equal(t, 403, try("ada", "not the password"))
	for n := 1; n < freeTries; n++ {
		require.Equal(t, 403, try("ada", "not the password"))
	}
	wait, tries := firstHold, 0
	for range 9 {
		require.Equal(t, 429, try("ada", gulls))
		first.now = first.now.Add(wait - time.Second)
		g := d.letInFrom("203.0.113.200", "ada", gulls, "")
		require.Equal(t, 429, g.StatusCode)
		require.Contains(t, g.body, "wrong tries for this name")
		first.now = first.now.Add(2 * time.Second)
		require.Equal(t, 403, try("ada", "not the password"))
		wait = min(2*wait, longestHold)
		tries++
	}
	first.now = first.now.Add(longestHold)
	require.Equal(t, 204, try("ada", gulls))

	// At once, they are counted before any is checked.
	statuses := make(chan int, 40)
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			r := httptest.NewRequest(http.MethodPost, "/let-in", strings.NewReader("login=ada&password=not+the+password"))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("X-Forwarded-For", "198.51.100."+strconv.Itoa(i))
			r.Host = "desk.example"
			resp, err := d.s.App().Test(r, -1)
			if err != nil {
				return
			}
			_ = resp.Body.Close()
			statuses <- resp.StatusCode
		})
	}
	all.Wait()
	close(statuses)
	wrong := 0
	for s := range statuses {
		if s == 403 {
			wrong++
		}
	}
	require.LessOrEqual(t, wrong, freeTries)

	names := byName{of: map[string]*failures{}}
	for i := range mostNetworks + 100 {
		names.begin(strconv.Itoa(i), first.now)
	}
	require.Len(t, names.of, mostNetworks+1)
	names.begin("later", first.now.Add(triesFor+time.Minute))
	require.Len(t, names.of, 1, "what is long ago is forgotten")
}

// The cookie of a known browser is for the names that signed in with it, can't be made up, and is counted by itself.
func TestKnownBrowsers(t *testing.T) {
	cheapHashes(t)
	first, d, hers := flooded(t)
	ctx := context.Background()
	require.NoError(t, AddStaff(ctx, d.svc, "bo", "Bo", workflow.RoleBench, gulls))
	for range freeTries {
		require.Equal(t, 403, d.letInFrom("203.0.113.1", "bo", "not the password", hers).StatusCode)
	}
	require.Equal(t, 429, d.letInFrom("203.0.113.2", "bo", gulls, hers).StatusCode, "it is ada's browser, not bo's")
	for range freeTries {
		d.letInFrom("203.0.113.3", "ada", "not the password", "")
	}
	require.Equal(t, 429, d.letInFrom("203.0.113.4", "ada", gulls, hers[:len(hers)-1]+"x").StatusCode, "a made-up one is none")
	require.Equal(t, 429, d.letInFrom("203.0.113.4", "ada", gulls, strings.Replace(hers, "=", "=x", 1)).StatusCode)
	name, _, _ := strings.Cut(hers, "=")
	require.Equal(t, 429, d.letInFrom("203.0.113.4", "ada", gulls, name+"=."+d.s.knownMark("x", "ada", d.s.Now().Unix()/86400)).StatusCode)
	require.Equal(t, 204, d.letInFrom("203.0.113.4", "ada", gulls, hers).StatusCode)

	both := knownCookie(d.letInFrom("203.0.113.5", "ada", gulls, hers))
	g := d.letInFrom("203.0.113.6", "ada", gulls, both)
	require.Equal(t, 204, g.StatusCode)
	require.Equal(t, both, knownCookie(g), "the same browser keeps its name")
	require.NotContains(t, both, "ada")
	for i := range mostKnown + 2 {
		login := "p" + strconv.Itoa(i)
		require.NoError(t, AddStaff(ctx, d.svc, login, "", workflow.RoleBench, gulls))
		both = knownCookie(d.letInFrom("203.0.113."+strconv.Itoa(20+i), login, gulls, both))
	}
	require.Equal(t, mostKnown+1, strings.Count(both, "."))
	require.Less(t, len(both), 400)
	id := strings.SplitN(strings.SplitN(hers, "=", 2)[1], ".", 2)[0]
	require.Contains(t, both, id)

	// A browser's own tries are counted, wherever it is.
	for i := range 6 {
		require.Equal(t, 403, d.letInFrom("198.51.100."+strconv.Itoa(i), "ada", "not the password", hers).StatusCode)
	}
	require.Equal(t, 429, d.letInFrom("198.51.100.99", "ada", gulls, hers).StatusCode)
	require.NotContains(t, d.letInFrom("198.51.100.99", "ada", gulls, "").body, "Signed in")

	first.now = first.now.Add(11 * time.Minute)
	// Who left is nobody's lane.
	require.NoError(t, RemoveStaff(ctx, d.svc, "p6"))
	d.s.common.strangers.places <- struct{}{}
	d.s.common.strangers.places <- struct{}{}
	d.s.common.strangers.most = 0
	require.Equal(t, 429, d.letInFrom("198.51.100.100", "p6", gulls, both).StatusCode)
	require.Equal(t, 204, d.letInFrom("198.51.100.101", "p5", gulls, both).StatusCode)
	d.s.common.checking.Store(id, true)
	require.Contains(t, d.letInFrom("198.51.100.101", "p5", gulls, both).body, "still being checked")

	// The mark ends by itself, whatever a browser keeps, and says so in what is signed.
	day := d.s.Now().Unix() / 86400
	mark := d.s.knownMark(id, "ada", day)
	require.True(t, d.s.knows(mark, id, "ada"))
	_, sum, _ := strings.Cut(mark, "-")
	require.False(t, d.s.knows(strconv.FormatInt(day+100, 36)+"-"+sum, id, "ada"), "nobody makes it younger")
	require.False(t, d.s.knows(sum, id, "ada"), "nor takes its day off")
	require.Equal(t, 429, d.letInFrom("198.51.100.100", "p6", gulls, both).StatusCode)
	first.now = first.now.Add(knownFor + 48*time.Hour)
	require.False(t, d.s.knows(mark, id, "ada"))
}

// Servers that share a store count the tries at a name together.
func TestSharedPortalsCountNamesTogether(t *testing.T) {
	first := newDesk(t)
	one := signing(first.with(func(c *Config) { c.Shared, c.TrustedProxies = true, []string{"0.0.0.0"} }))
	two := signing(first.with(func(c *Config) { c.Shared, c.TrustedProxies = true, []string{"0.0.0.0"} }))
	require.NoError(t, AddStaff(context.Background(), one.svc, "ada", "Ada", workflow.RoleOwner, gulls))
	two.s.common = NewCommon()
	for i := range freeTries {
		require.Equal(t, 403, []*desk{one, two}[i%2].letInFrom("203.0.113."+strconv.Itoa(i), "ada", "not the password", "").StatusCode)
	}
	require.Equal(t, 429, one.letInFrom("203.0.113.50", "ada", gulls, "").StatusCode)
	require.Equal(t, 429, two.letInFrom("203.0.113.51", "ada", gulls, "").StatusCode)
	first.now = first.now.Add(firstHold + time.Second)
	require.Equal(t, 204, two.letInFrom("203.0.113.52", "ada", gulls, "").StatusCode)
	require.Equal(t, 403, one.letInFrom("203.0.113.53", "ada", "not the password", "").StatusCode, "all is forgotten")
}
