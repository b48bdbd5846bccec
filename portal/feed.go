package portal

import (
	"encoding/xml"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// feed is a job's story as an Atom feed (RFC 4287), for whoever rather looks there than into the mail.
// It opens by the same link as the page, tells the same, and holds no more than the newest steps. Its
// subtitle is the job's standing: where it is, and what is needed, until when and how much.
type feed struct {
	XMLName xml.Name    `xml:"http://www.w3.org/2005/Atom feed"`
	Lang    string      `xml:"http://www.w3.org/XML/1998/namespace lang,attr"`
	ID      string      `xml:"id"`
	Title   string      `xml:"title"`
	Sub     string      `xml:"subtitle,omitempty"`
	Updated string      `xml:"updated"`
	Author  feedAuthor  `xml:"author"`
	Links   []feedLink  `xml:"link"`
	Entries []feedEntry `xml:"entry"`
}

type feedAuthor struct {
	Name string `xml:"name"`
}

type feedLink struct {
	Rel  string `xml:"rel,attr"`
	Type string `xml:"type,attr"`
	Href string `xml:"href,attr"`
}

type feedEntry struct {
	ID        string    `xml:"id"`
	Title     string    `xml:"title"`
	Published string    `xml:"published"`
	Updated   string    `xml:"updated"`
	Link      feedLink  `xml:"link"`
	Content   *feedText `xml:"content"`
}

type feedText struct {
	Type string `xml:"type,attr"`
	Text string `xml:",chardata"`
}

// feedLength is how many steps a feed tells: readers keep those that they have seen.
const feedLength = 50

// showFeed answers with the feed. Ids are made of shop, job and step (RFC 4151), never of the link, so
// that they stay when the customer gets a new one.
func (s *Server) showFeed(c *fiber.Ctx) error {
	token, row, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	page := s.jobPage(c, j, j.Device.Name())
	t := s.trackOf(page, j, token, row)
	base := strings.TrimSuffix(s.Shop().BaseURL, "/") + t.Base
	host := s.Shop().BaseURL
	if u, err := url.Parse(host); err == nil {
		host = u.Hostname()
	}
	id := "tag:" + host + ",2026:" + string(j.Shop) + "/" + string(j.Number)
	f := feed{
		Lang: page.Words().Lang, ID: id, Title: page.T("feed.title", j.Device.Name(), t.Status.Number), Sub: t.Status.Where,
		Updated: j.ChangedAt.UTC().Format(time.RFC3339), Author: feedAuthor{s.Shop().Name},
		Links: []feedLink{{"self", "application/atom+xml", base + "/feed"}, {"alternate", "text/html", base}},
	}
	if t.Status.Need != "" {
		f.Sub += ". " + page.T("track.need") + " " + t.Status.Need
		if t.Status.NeedAction != workflow.NeedNone {
			f.Sub += ". " + t.Status.NeedAway
		}
	}
	steps := append(t.Story, t.Earlier...)
	for _, m := range steps[:min(len(steps), feedLength)] {
		f.Entries = append(f.Entries, feedEntryOf(m, id, base))
	}
	b, err := xml.MarshalIndent(f, "", " ")
	if err != nil {
		return err
	}
	b = append([]byte(xml.Header), b...)
	etag := etagOf(b)
	if unchanged(c, etag) {
		return c.SendStatus(fiber.StatusNotModified)
	}
	c.Set(fiber.HeaderContentType, "application/atom+xml; charset=utf-8")
	return c.Send(b)
}

func feedEntryOf(m templates.MomentView, id, base string) feedEntry {
	e := feedEntry{
		ID: id + "/" + strconv.FormatInt(m.Seq, 10), Title: m.Text, Published: m.Machine, Updated: m.Machine,
		Link: feedLink{"alternate", "text/html", base + "#story"},
	}
	if m.Quote != "" {
		e.Content = &feedText{"text", m.Quote}
	}
	return e
}
