package main

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"benchword/workflow/store/storetest"

	"github.com/stretchr/testify/require"
)

// otherBuckets may be lost, doubled or brought back without harm to anybody, each for a reason.
var otherBuckets = map[string]string{
	"draft": "what is being written", "trial": "a write that shows whether there is room", "hooks-off": "a hook that is switched off is so again", "upkeep": "what is done twice changes nothing", "alerts": "told for a day",
	"watch": "the owner's page of who came in", "asks": "tries of a while", "find": "tries of a while", "booked": "tries of a while", "push": "a key that is made anew; browsers subscribe again",
}

// Every bucket that the program keeps something in is one of those that each store is tried with, or has a reason.
func TestEveryBucketIsTried(t *testing.T) {
	named := regexp.MustCompile(`Bucket\("([a-z-]+)"\)|\bbucket[A-Z]\w*\s*=\s*"([a-z-]+)"`)
	met := map[string]bool{}
	for _, s := range sources(t) {
		if s.harness() {
			continue
		}
		b, err := os.ReadFile(filepath.Join(root, s.name))
		require.NoError(t, err)
		for _, m := range named.FindAllStringSubmatch(string(b), -1) {
			name := m[1] + m[2]
			met[name] = true
			_, tried := storetest.Facts[name]
			require.True(t, tried != (otherBuckets[name] != ""), "%s keeps something in %q: it belongs into storetest.Facts, or has a reason here", s.name, name)
		}
	}
	for name := range storetest.Facts {
		require.True(t, met[name], "nobody keeps anything in %q", name)
	}
	for name := range otherBuckets {
		require.True(t, met[name], "nobody keeps anything in %q", name)
	}
}

// caches are the places in memory that hold bytes made from a job, by file and field, with the place of the list of
// workflow.Service.AllKept by which they let go of an erased person.
var caches = map[string]string{
	"portal/common.go pages": "pages and papers", "portal/common.go papers": "pages and papers", "portal/paper.go recent": "photos in papers", "notify/mail/photo.go recent": "photos in emails",
}

// noCaches look like one, and hold nothing of anybody's job.
var noCaches = map[string]string{
	"portal/packed.go assets": "the program's own files", "portal/common.go checking": "names that browsers were given", "workflow/calendar/zone.go loaded": "time zones", "workflow/evidence/memory.go blobs": "the store of photos itself, of tests and the demo",
}

// Each cache of bytes made from a job stands in the list, so that erasing a person empties it.
func TestEveryCacheIsInTheList(t *testing.T) {
	kind := regexp.MustCompile(`(?m)(?:^\s*|struct\{ ?|var )(\w+)\s+(?:\*pageCache\b|(?:evidence\.)?Recent\[|sync\.Map\b|map\[[^\]\n]+\](?:map\[[^\]\n]+\])?\[\]byte(?:\n|$)|\*?(?:lru|expirable)\.)`)
	met := map[string]bool{}
	for _, s := range sources(t) {
		if s.harness() {
			continue
		}
		b, err := os.ReadFile(filepath.Join(root, s.name))
		require.NoError(t, err)
		for _, m := range kind.FindAllStringSubmatch(string(b), -1) {
			if m[1] == "type" {
				continue
			}
			at := s.name + " " + m[1]
			met[at] = true
			require.True(t, (caches[at] != "") != (noCaches[at] != ""), "%s is a cache: give it a place in AllKept and a line here, or a reason", at)
		}
	}
	for at := range caches {
		require.True(t, met[at], "there is no %s", at)
	}
	for at := range noCaches {
		require.True(t, met[at], "there is no %s", at)
	}
}
