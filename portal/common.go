package portal

import "sync"

// Common is what the shops of one process share, so that each of it is bounded once, however many shops
// there are: kept pages and papers, photos with their marks drawn in, passwords being checked, open live pages,
// networks whose tries are counted. Everything in it is kept under the shop it belongs to.
type Common struct {
	pages  *pageCache
	papers *pageCache
	marked marked
	live   *openPages
	asks   asks
	// Passwords being checked: those of strangers, and those of browsers that have signed in before, each of which has
	// one check at a time.
	strangers, known *lane
	checking         sync.Map
	byName           byName
}

// pagesKept is at most some 20 MB.
const pagesKept = 1024

// NewCommon returns one to build the servers of a process with.
func NewCommon() *Common {
	return &Common{pages: newPageCache(pagesKept), papers: newPageCache(papersKept), live: newOpenPages(), asks: asks{of: map[counted]*tries{}},
		strangers: newLane(2, 8), known: newLane(2, 64), byName: byName{of: map[string]*failures{}}}
}
