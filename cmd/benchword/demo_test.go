package main

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// TestDemoWords: everything is said in each language, and of each picture what is on it.
func TestDemoWords(t *testing.T) {
	english, err := demoWords("en")
	require.NoError(t, err)
	for _, lang := range locale.Languages {
		words, err := demoWords(lang)
		require.NoError(t, err)
		require.Equal(t, slices.Sorted(maps.Keys(english)), slices.Sorted(maps.Keys(words)), lang)
		for key, text := range words {
			require.NotEmpty(t, text, "%s: %s", lang, key)
		}
		for _, p := range demophotos.All {
			name := "photo." + strings.TrimSuffix(p.File, ".jpg")
			require.Contains(t, words[name], p.Part, "%s: %s", lang, name)
			require.Greater(t, len(words[name+".alt"]), 40, "%s: %s", lang, name)
			if p.Things != nil {
				require.Len(t, strings.Split(words[name+".items"], " | "), len(p.Things), "%s: %s", lang, name)
			}
		}
		text, err := demoShop("http://127.0.0.1:1", lang, time.Date(2031, 2, 1, 9, 0, 0, 0, time.UTC))
		require.NoError(t, err)
		settings, err := ParseSettings("demo", []byte(text+"host = \"127.0.0.1\"\n"))
		require.NoError(t, err)
		shop, err := settings.shop()
		require.NoError(t, err)
		require.Equal(t, lang, shop.Languages[0])
		require.Len(t, shop.Languages, 4)
		require.Equal(t, words["shop.name"], shop.Name)
		require.Contains(t, text, `due = "2031-09-01"`, "no instrument is overdue, whenever it is started")
	}
}

// TestDemoJobs: each photo is of its job's device, lists the job's contents and shows the part that its finding
// names; parcels have numbers of their own; customers are of four languages, each at an address of their own.
func TestDemoJobs(t *testing.T) {
	if testing.Short() {
		t.Skip("one thing after another: the race detector has nothing to see")
	}
	s, d := demoStage(t)
	parcels, addresses, phones, langs, bothWays := map[string]bool{}, map[string]bool{}, map[string]bool{}, map[string]int{}, 0
	for _, p := range d.plays {
		j := s.job(p.number)
		words := d.words[j.Customer.Language]
		langs[j.Customer.Language]++
		require.Equal(t, words[map[bool]string{true: "ingrid.back", false: p.word + ".fault"}[p.word == "ingrid.back"]], j.Fault.Text, p.key)
		if j.Shipment != nil {
			require.False(t, parcels[j.Shipment.Parcel.Text], "%s: a parcel number twice", p.key)
			require.Equal(t, workflow.SchemeUnknown, workflow.CheckParcelNumber(j.Shipment.Parcel.Text).Scheme, "a real carrier's number")
			parcels[j.Shipment.Parcel.Text] = true
		}
		if p.word != "ingrid.back" {
			require.False(t, addresses[j.Customer.Address.Text] || phones[j.Customer.Phone.Text], p.key)
			addresses[j.Customer.Address.Text], phones[j.Customer.Phone.Text] = true, true
		}
		laidOut := 0
		for name, id := range p.photos {
			photo, ok := demophotos.Find(name + ".jpg")
			require.True(t, ok)
			require.Equal(t, words["photo."+name], j.Photo(id).Caption.Text, p.key)
			if photo.Model != "" {
				require.Equal(t, [2]string{photo.Maker, photo.Model}, [2]string{j.Device.Maker.Text, j.Device.Model.Text}, "%s: %s is of another device", p.key, name)
			}
			if photo.Things != nil {
				laidOut++
				var items []string
				for _, it := range j.Contents {
					items = append(items, it.Text)
				}
				require.Equal(t, words["photo."+name+".items"], strings.Join(items, " | "), p.key)
			}
			if photo.Part != "" {
				require.True(t, slices.ContainsFunc(j.Findings, func(f workflow.Finding) bool {
					return strings.Contains(f.Where, photo.Part) && (slices.Contains(f.Photos, id) || slices.Contains(f.Photos, j.Photo(id).Pair))
				}), "%s: no finding is of the part on %s", p.key, name)
			}
		}
		require.Equal(t, len(j.Contents) > 0, laidOut == 1, p.key)
		for _, x := range j.Tests {
			if slices.ContainsFunc(x.Steps, func(s workflow.TestStep) bool { return s.Measurement != nil && j.AsFound(s) != nil }) {
				bothWays++
			}
		}
	}
	require.GreaterOrEqual(t, bothWays, 3, "jobs measured as found and as left")
	require.Len(t, parcels, 4)
	for _, lang := range locale.Languages {
		require.GreaterOrEqual(t, langs[lang], 2, lang)
	}
}
