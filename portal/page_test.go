package portal

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"testing"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Whatever renderings, commits and drops come between each other: a kept page is never older than the
// last drop of its job, and no more are kept than may be.
func TestPageCacheIsNeverStale(t *testing.T) {
	type rendering struct {
		job     workflow.JobNumber
		loaded  int // the version that was read, -1 before that
		done    func(string, *Kept)
		forLink int
	}
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 6).Draw(t, "limit")
		p := newPageCache(limit)
		stored, dropped := map[workflow.JobNumber]int{}, map[workflow.JobNumber]int{}
		keptFor := map[string]workflow.JobNumber{}
		var open []*rendering
		now := time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC)
		job := rapid.SampledFrom([]workflow.JobNumber{"A", "B", "C"})
		pick := func(t *rapid.T) *rendering {
			if len(open) == 0 {
				t.Skip("nothing is being rendered")
			}
			return open[rapid.IntRange(0, len(open)-1).Draw(t, "which")]
		}
		t.Repeat(map[string]func(*rapid.T){
			"begin": func(t *rapid.T) {
				n := job.Draw(t, "job")
				open = append(open, &rendering{job: n, loaded: -1, done: p.begin(jobOf{"harbour", n}), forLink: rapid.IntRange(1, 3).Draw(t, "link")})
			},
			"load": func(t *rapid.T) {
				if r := pick(t); r.loaded < 0 {
					r.loaded = stored[r.job]
				}
			},
			"commit": func(t *rapid.T) { stored[job.Draw(t, "job")]++ },
			"drop": func(t *rapid.T) {
				n := job.Draw(t, "job")
				p.drop(jobOf{"harbour", n})
				dropped[n] = stored[n]
			},
			"done": func(t *rapid.T) {
				r := pick(t)
				key := fmt.Sprint(r.job, "/", r.forLink)
				keptFor[key] = r.job
				if r.loaded < 0 {
					r.done(key, nil) // it came to nothing
				} else {
					r.done(key, &Kept{packed: packed{body: []byte(strconv.Itoa(r.loaded))}, Until: now.Add(time.Hour)})
				}
				for i := range open {
					if open[i] == r {
						open = append(open[:i], open[i+1:]...)
						break
					}
				}
			},
			"": func(t *rapid.T) {
				live := 0
				for key, n := range keptFor {
					k := p.get(key, now)
					if k == nil {
						continue
					}
					live++
					version, err := strconv.Atoi(string(k.body))
					require.NoError(t, err)
					require.GreaterOrEqual(t, version, dropped[n], "%s is of version %d, but the job was dropped at %d", key, version, dropped[n])
					require.Nil(t, p.get(key, now.Add(time.Hour)), "a page that has run out")
				}
				require.LessOrEqual(t, live, limit)
				require.Len(t, p.kept, live)
				require.Len(t, p.of, live)
				keys := 0
				for _, k := range p.keys {
					keys += len(k)
				}
				require.Equal(t, live, keys)
				require.LessOrEqual(t, len(p.under), 3)
				if len(open) == 0 {
					require.Empty(t, p.under, "nothing is left of renderings that have ended")
				}
				require.LessOrEqual(t, len(p.order), 4*limit+live+3)
			},
		})
	})
}

// A page that is not kept is kept the next time.
func TestPageCacheKeeps(t *testing.T) {
	p := newPageCache(2)
	now := time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC)
	keep := func(n workflow.JobNumber, key string) {
		p.begin(jobOf{"harbour", n})(key, &Kept{packed: packed{body: []byte(key)}, Until: now.Add(time.Hour)})
	}
	keep("A", "a1")
	require.Equal(t, "a1", string(p.get("a1", now).body))
	keep("A", "a2")
	keep("B", "b1")
	require.Nil(t, p.get("a1", now), "the oldest goes first")
	require.NotNil(t, p.get("a2", now))
	p.drop(jobOf{"harbour", "A"})
	require.Nil(t, p.get("a2", now))
	require.NotNil(t, p.get("b1", now), "another job's page stays")
	done := p.begin(jobOf{"harbour", "A"})
	p.drop(jobOf{"harbour", "A"})
	done("a3", &Kept{Until: now.Add(time.Hour)})
	require.Nil(t, p.get("a3", now), "rendered while the job changed")
	early := p.begin(jobOf{"harbour", "A"})
	p.drop(jobOf{"harbour", "A"})
	keep("A", "a3")
	require.NotNil(t, p.get("a3", now), "begun after the change, while an older rendering goes on")
	early("a3", &Kept{packed: packed{body: []byte("old")}, Until: now.Add(time.Hour)})
	require.Equal(t, "a3", string(p.get("a3", now).body))
	require.Empty(t, p.under)
	keep("A", "a4")
	require.NotNil(t, p.get("a4", now))

	// A new forecast: everything goes, also what is being rendered from the old one.
	done = p.begin(jobOf{"harbour", "B"})
	p.clear("harbour")
	done("b2", &Kept{packed: packed{body: []byte("old")}, Until: now.Add(time.Hour)})
	require.Nil(t, p.get("a4", now))
	require.Nil(t, p.get("b2", now))
	keep("B", "b2")
	require.NotNil(t, p.get("b2", now))
}

// ending ends a link right after it was looked up for the first time.
type ending struct {
	workflow.Store
	then func()
}

func (e *ending) Link(ctx context.Context, shop workflow.ShopID, hash link.Hash) (workflow.LinkRow, error) {
	row, err := e.Store.Link(ctx, shop, hash)
	if then := e.then; then != nil {
		e.then = nil
		then()
	}
	return row, err
}

// A page that was being asked for while its link was taken back is not kept, nor shown.
func TestLinkEndedMeanwhile(t *testing.T) {
	first := newDesk(t)
	first.toDiagnosing()
	e := &ending{Store: first.store}
	d := first.with(func(c *Config) { *c.Service = *c.Service.On(e) })
	at := "/j/" + d.token(link.Own)
	e.then = func() { d.do(staff, workflow.RevokeLinks{}) }
	require.Equal(t, http.StatusGone, d.get(at).StatusCode)
	require.Equal(t, http.StatusGone, d.get(at).StatusCode)
}

// The same short letter is one letter when a click was doubled, and two when weeks lie between.
func TestTheSameLetterLater(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own)
	d.post(at+"/message", "text", "Any news?")
	d.post(at+"/message", "text", "Any news?")
	require.Len(t, d.job().Messages, 1)
	d.now = d.now.Add(repeatFor)
	d.post(at+"/message", "text", "Any news?")
	require.Len(t, d.job().Messages, 2)
}

// halfWay is a view whose template does not fit it.
type halfWay struct{ templates.Page }

func (halfWay) Template() string { return "customer/track.html" }

// A page that can't be shown whole is not shown at all.
func TestNoPageStopsHalfWay(t *testing.T) {
	d := newDesk(t)
	d.s.App().Get("/half-way", func(c *fiber.Ctx) error {
		return d.s.Render(c, fiber.StatusOK, halfWay{d.s.publicPage(c, "find.title")})
	})
	g := d.get("/half-way")
	require.Equal(t, 500, g.StatusCode)
	require.Contains(t, g.body, "</html>")
}
