package templates

import (
	"testing"
	"time"

	"benchword/workflow/history"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// The tracking page tells a range in each language where there is one, and otherwise says nothing of it.
func TestOutlookOnTheTrackingPage(t *testing.T) {
	set, err := Load()
	require.NoError(t, err)
	b := newBench(t)
	j := b.repairing()
	page := func(lang string, o *history.Outlook) *Track {
		p := samplePage(b, "Stage piano")
		p.Lang = lang
		return TrackOf(p, j, b.s.Shop, b.now, TrackLink{Token: sampleToken, Purpose: link.Own, Until: b.now.AddDate(1, 0, 0), Outlook: o})
	}
	tue := time.Date(b.now.Year(), 12, 1, 18, 0, 0, 0, time.UTC)
	fri := tue.AddDate(0, 0, 3)
	for lang, want := range map[string]string{
		"en": "Most likely between Tuesday 1 December and Friday 4 December",
		"fr": "Le plus probablement entre le mardi 1er décembre et le vendredi 4 décembre",
		"de": "Am ehesten zwischen dem Dienstag, 1. Dezember und dem Freitag, 4. Dezember",
		"es": "Lo más probable: entre el martes 1 de diciembre y el viernes 4 de diciembre",
	} {
		v := page(lang, &history.Outlook{From: tue, To: fri, Median: fri, Jobs: 48, Kind: "stage piano"})
		require.Equal(t, want, v.Outlook)
		require.Contains(t, v.OutlookOf, "48")
		require.NotContains(t, v.OutlookOf, "[")
		require.NotEqual(t, v.OutlookOf, page(lang, &history.Outlook{From: tue, To: fri, Jobs: 48}).OutlookOf, "any kind")
	}
	require.Equal(t, "Most likely on Friday 4 December", page("en", &history.Outlook{From: fri, To: fri.Add(time.Hour), Jobs: 48}).Outlook)
	v := page("en", nil)
	require.Empty(t, v.Outlook+v.OutlookOf)
	require.NotContains(t, render(t, set, v), "Most likely")
	require.Contains(t, render(t, set, page("en", &history.Outlook{From: tue, To: fri, Jobs: 48})), "<strong>Most likely between Tuesday 1 December and Friday 4 December.</strong>")
}
