package portal

// Common is what the shops of one process share, so that each of it is bounded once, however many shops
// there are: kept pages and papers, photos with their marks drawn in, passwords being checked, open live pages,
// networks whose tries are counted. Everything in it is kept under the shop it belongs to.
type Common struct {
	pages   *pageCache
	papers  *pageCache
	marked  marked
	hashing chan struct{} // passwords being checked at this moment
	live    *openPages
	asks    asks
}

// pagesKept is at most some 20 MB.
const pagesKept = 1024

// NewCommon returns one to build the servers of a process with.
func NewCommon() *Common {
	return &Common{pages: newPageCache(pagesKept), papers: newPageCache(papersKept), hashing: make(chan struct{}, 2), live: newOpenPages(), asks: asks{of: map[counted]*tries{}}}
}
