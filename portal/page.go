package portal

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"sync"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"

	"github.com/gofiber/fiber/v2"
	"github.com/valyala/fasthttp"
)

// keepKey names the kept tracking page of a link. The page has no language of its own to choose: it is
// in the customer's.
func (s *Server) keepKey(token string) string { return string(s.Shop().ID) + "/j/" + token }

// sendKept answers with the kept page of a link, or goes on to the handler that renders it.
func (s *Server) sendKept(c *fiber.Ctx) error {
	k := s.common.pages.get(s.keepKey(c.Params("token")), s.Now())
	if k == nil || s.hasFlash(c) {
		return c.Next()
	}
	if s.cfg.Shared {
		// Another process may have changed the job, and its word of it may be on its way.
		switch version, err := s.cfg.Service.Version(c.UserContext(), k.job.number); {
		case err != nil:
			return err
		case version != k.version:
			s.common.pages.drop(k.job)
			return c.Next()
		}
	}
	return s.sendPage(c, k)
}

// unchanged names the state of an answer, and reports whether the reader has just that already.
func unchanged(c *fiber.Ctx, etag string) bool {
	c.Response().Header.Set(fiber.HeaderETag, etag)
	return c.Get(fiber.HeaderIfNoneMatch) == etag
}

func (s *Server) sendPage(c *fiber.Ctx, k *Kept) error {
	h := &c.Response().Header
	h.Set(fiber.HeaderCacheControl, "private, no-cache")
	h.SetContentType(fiber.MIMETextHTMLCharsetUTF8)
	return k.packed.send(c, k.ETag)
}

// keep renders a link's tracking page, keeps it until its job changes, the day ends in the shop or the
// link does, and answers with it. Job and link are read after keeping began, so that a commit in between
// (one that ends the link, too) is never lost. view must depend on nothing but the job, the link and
// the day.
func (s *Server) keep(c *fiber.Ctx, token string, l workflow.LinkRow, view func(j *workflow.Job) (templates.View, error)) error {
	done := s.common.pages.begin(s.jobOf(l.Job))
	var k *Kept
	defer func() { done(s.keepKey(token), k) }()
	l, err := s.cfg.Service.Open(c.UserContext(), token)
	if err != nil {
		return err
	}
	j, err := s.cfg.Service.Job(c.UserContext(), l.Job)
	if err != nil {
		return err
	}
	v, err := view(j.Seen(l.Purpose))
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := s.cfg.Templates.Render(&b, v); err != nil {
		return err
	}
	zone := s.Shop().Calendar.Location()
	until := calendar.Local(zone, calendar.DateOf(s.Now(), zone)+1, 0, 0)
	if l.ExpiresAt.Before(until) {
		until = l.ExpiresAt
	}
	k = &Kept{packed: packed{body: b.Bytes(), level: pageLevel}, ETag: etagOf(b.Bytes()), Until: until, job: s.jobOf(j.Number), version: j.Version}
	return s.sendPage(c, k)
}

// Kept is a rendered page, or a paper: its bytes, and what a browser compares.
type Kept struct {
	packed
	ETag string
	// Until is when it must be rendered again although nothing changed: the next midnight, since a
	// page says "today", or the end of its link.
	Until time.Time

	job     jobOf
	version int64
}

// pageLevel is how hard a page is packed: a fifth of a millisecond for 21 KB, once.
const pageLevel = fasthttp.CompressBrotliDefaultCompression

// jobOf names a job among those of all shops of the process.
type jobOf struct {
	shop   workflow.ShopID
	number workflow.JobNumber
}

func (s *Server) jobOf(n workflow.JobNumber) jobOf { return jobOf{s.Shop().ID, n} }

func etagOf(body []byte) string {
	sum := sha256.Sum256(body)
	return `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`
}

// pageCache keeps rendered pages as bytes until their job changes: rendering, not look-up, is what a
// page costs. A page that was being rendered while its job changed is not kept.
type pageCache struct {
	mu    sync.RWMutex
	max   int
	kept  map[string]*Kept
	of    map[string]jobOf
	keys  map[jobOf][]string
	order []string // in order of keeping; the oldest go first
	under map[jobOf]*rendering
}

type rendering struct {
	count int
	stale bool
}

func newPageCache(limit int) *pageCache {
	return &pageCache{
		max: limit, kept: map[string]*Kept{}, of: map[string]jobOf{},
		keys: map[jobOf][]string{}, under: map[jobOf]*rendering{},
	}
}

// get returns a kept page that is still good, nil if there is none.
func (p *pageCache) get(key string, now time.Time) *Kept {
	p.mu.RLock()
	k := p.kept[key]
	p.mu.RUnlock()
	if k == nil || !now.Before(k.Until) {
		return nil
	}
	return k
}

// begin marks that a page of the job is being rendered, before the job is loaded. Call done with the
// page, or with nil if it came to nothing.
func (p *pageCache) begin(n jobOf) (done func(key string, k *Kept)) {
	p.mu.Lock()
	r := p.under[n]
	if r == nil || r.stale {
		r = &rendering{}
		p.under[n] = r
	}
	r.count++
	p.mu.Unlock()
	return func(key string, k *Kept) {
		p.mu.Lock()
		defer p.mu.Unlock()
		if r.count--; r.count == 0 && p.under[n] == r {
			delete(p.under, n)
		}
		if k == nil || r.stale {
			return
		}
		if _, there := p.kept[key]; !there {
			p.order = append(p.order, key)
			p.keys[n] = append(p.keys[n], key)
			p.of[key] = n
		}
		p.kept[key] = k
		for len(p.kept) > p.max && len(p.order) > 0 {
			oldest := p.order[0]
			p.order = p.order[1:]
			p.remove(oldest)
		}
	}
}

// drop forgets a job's pages, and those being rendered at this moment.
func (p *pageCache) drop(n jobOf) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if r := p.under[n]; r != nil {
		r.stale = true
	}
	for _, key := range p.keys[n] {
		delete(p.kept, key)
		delete(p.of, key)
	}
	delete(p.keys, n)
	p.trim()
}

// clear forgets every page of a shop, and those being rendered at this moment.
func (p *pageCache) clear(shop workflow.ShopID) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for n, r := range p.under {
		if n.shop == shop {
			r.stale = true
		}
	}
	for n, keys := range p.keys {
		if n.shop == shop {
			for _, key := range keys {
				delete(p.kept, key)
				delete(p.of, key)
			}
			delete(p.keys, n)
		}
	}
	p.trim()
}

// trim clears the keys of dropped pages out of order, in bulk.
func (p *pageCache) trim() {
	if len(p.order) <= 4*p.max {
		return
	}
	live := p.order[:0]
	for _, key := range p.order {
		if _, ok := p.kept[key]; ok {
			live = append(live, key)
		}
	}
	p.order = live
}

func (p *pageCache) remove(key string) {
	n, ok := p.of[key]
	if !ok {
		return
	}
	delete(p.kept, key)
	delete(p.of, key)
	keys := p.keys[n]
	for i := range keys {
		if keys[i] == key {
			p.keys[n] = append(keys[:i], keys[i+1:]...)
			break
		}
	}
	if len(p.keys[n]) == 0 {
		delete(p.keys, n)
	}
}
