package main

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/portal/portaltest"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// TestAShopWithAPast: what a shop's own history brings to its pages. With -screens it also writes
// screenshots.
func TestAShopWithAPast(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	t.Parallel()
	s := newStageAsking(t, 1_000_000)
	today := time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC)
	s.clock.set(today)
	d, err := playDemo(context.Background(), s.srv, s.clock, 120, "")
	require.NoError(t, err)
	s.clock.set(today)
	require.NoError(t, s.srv.forecaster.Renew(context.Background(), today))
	cookies := s.signIn()

	pages := []aPage{{"figures", "/counter/figures"}, {"hours", "/counter/hours"}}
	ranges, agree := 0, 0
	for _, p := range d.plays {
		j := s.job(p.number)
		_, page := s.fetch("/counter/job/"+string(p.number), cookies)
		if j.Ended() || j.Stage == workflow.StageBooked {
			require.NotContains(t, string(page), "By the shop’s own history", p.key)
			continue
		}
		require.Contains(t, string(page), "By the shop’s own history", p.key)
		_, track := s.fetch(strings.TrimPrefix(s.link(p, link.Own), s.base), nil)
		o, err := s.srv.forecaster.Forecast().Outlook(j, today)
		if err != nil {
			require.Contains(t, string(page), "No date is guessed", p.key)
			require.NotContains(t, string(track), `class="outlook"`, p.key)
			continue
		}
		ranges++
		require.False(t, o.To.Before(o.From))
		require.False(t, o.From.Before(today))
		require.Contains(t, string(page), "Most likely leaves", p.key)
		// The counter alone hears what contradicts the date told; with a later date it is the customer's to read.
		require.False(t, o.Agrees(j.Standing(s.srv.service.Shop, today).Date, s.srv.service.Shop), p.key)
		require.NotContains(t, string(track), `class="outlook"`, p.key)
		if j.Standing(s.srv.service.Shop, today).Date.Kind == workflow.DateBy {
			s.do(counterRosa, p.number, workflow.MovePromise{Days: 90, Reason: "The part comes by sea."})
			_, track = s.fetch(strings.TrimPrefix(s.link(p, link.Own), s.base), nil)
			require.Contains(t, string(track), `class="outlook"`, p.key)
			agree++
		}
		pages = append(pages, aPage{"past-job-" + string(j.Stage), "/counter/job/" + string(p.number)}, aPage{"past-track-" + string(j.Stage), strings.TrimPrefix(s.link(p, link.Own), s.base)})
	}
	require.Greater(t, ranges, 3, "the history reaches most jobs on the bench")
	require.Positive(t, agree, "a customer reads a range")

	// What the page says and what the files say is one.
	_, figures := s.fetch("/counter/figures", cookies)
	require.Contains(t, string(figures), `class="chart"`)
	status, file := s.fetch("/counter/figures/promises.csv?months=12", cookies)
	require.Equal(t, http.StatusOK, status)
	kept, broken := 0, 0
	for _, line := range strings.Split(strings.TrimSpace(string(file)), "\r\n")[1:] {
		var month string
		var a, b, c, e int
		_, err := fmt.Sscanf(strings.ReplaceAll(line, ",", " "), "%s %d %d %d %d", &month, &a, &b, &c, &e)
		require.NoError(t, err, line)
		kept, broken = kept+a, broken+b
	}
	require.Contains(t, string(figures), fmt.Sprintf("%d of %d kept by the last date told", kept, kept+broken))
	require.Greater(t, kept, 60)
	require.Positive(t, broken)

	html := map[string][]byte{}
	share := longtest.Share(t, 3)
	for i := len(pages) - 1; i >= 0 && *screens == ""; i-- {
		if !share(i) {
			pages = slices.Delete(pages, i, i+1)
		}
	}
	for _, p := range pages {
		_, html[p.name] = s.fetch(p.path, cookies)
	}
	require.Empty(t, portaltest.InvalidHTML(t, html, false))
	ctx := portaltest.Browser(t)
	for _, c := range cookies {
		require.NoError(t, chromedp.Do(ctx, portaltest.Cookie(c, s.base)))
	}
	for _, p := range pages {
		for _, width := range []int64{320, 1280} {
			scheme := map[int64]string{320: "light", 1280: "dark"}[width]
			if p.name != "figures" && p.name != "hours" && (width == 320) == strings.Contains(p.name, "job") {
				continue
			}
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 6000), portaltest.Media("", scheme), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")))
			require.Empty(t, portaltest.Violations(t, ctx), "%s at %d px", p.name, width)
			if *screens != "" {
				portaltest.Shoot(t, ctx, *screens, fmt.Sprintf("%s-%d-%s.png", p.name, width, scheme))
			}
		}
		if *screens != "" {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(794, 1123), portaltest.Media("print", "light"), chromedp.Navigate(s.base+p.path), chromedp.WaitReady("main")))
			portaltest.Shoot(t, ctx, *screens, p.name+"-print.png")
		}
	}
	s.soonMissed(d, today)
}

// soonMissed lets days go by in which nobody works: the counter is warned of promises that will probably be
// missed while they still stand.
func (s *stage) soonMissed(d *demo, today time.Time) {
	t, ctx := s.t, context.Background()
	defer s.clock.set(today)
	warned := 0
	for day := 1; day <= 12 && warned == 0; day++ {
		s.clock.set(today.AddDate(0, 0, day))
		_, err := s.srv.service.WakeDue(ctx)
		require.NoError(t, err)
		for _, p := range d.plays {
			j := s.job(p.number)
			x := j.Promise()
			if j.Ended() || x == nil || x.Risk == 0 || !x.BreachedAt.IsZero() {
				continue
			}
			warned++
			require.GreaterOrEqual(t, x.Risk, s.srv.service.Shop.RiskAt, p.key)
			due, ok := j.Turnaround(s.srv.service.Shop, x).DueAt(s.clock.now())
			require.True(t, ok)
			require.True(t, s.clock.now().Before(due), "%s: before it is missed", p.key)
			_, page := s.fetch("/counter/job/"+string(p.number), s.signIn()) // sessions don't last that long
			require.Contains(t, string(page), "the promised date will probably be missed", p.key)
		}
	}
	require.Positive(t, warned)
}
