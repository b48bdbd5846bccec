package mail

import (
	"html/template"
	"slices"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// Photo is a photo that a mail would like to show. It is shown once somebody has set its Src;
// otherwise it counts to those that are on the page only.
type Photo struct {
	templates.PhotoView
	// Src is a Content-ID address in a mail, the photo's own address in a preview.
	Src template.URL
	// ShownWidth and ShownHeight are in CSS pixels.
	ShownWidth, ShownHeight int
	// Words say what it shows, for the text part.
	Words string
	rank  int
}

// Plain returns the photo as the text part has it.
func (p *Photo) Plain() string {
	out := []string{fold("  ", "["+p.Words+"]")}
	if p.Caption != "" {
		out = append(out, fold("  ", p.Caption))
	}
	for _, n := range p.Notes {
		out = append(out, fold("  ", strings.TrimPrefix(n.Number+": "+n.Text, ": ")))
	}
	return strings.Join(out, "\n")
}

// Show lets the mail show the photo, which has this size in pixels.
func (p *Photo) Show(src string, width, height int) {
	p.Src = template.URL(src) // made by this program: a Content-ID or an address of the portal
	const most = 536
	if width > most {
		width, height = most, height*most/width
	}
	p.ShownWidth, p.ShownHeight = width, height
}

func (p *Photo) half() Photo {
	const most = 262
	out := *p
	if out.ShownWidth > most {
		out.ShownWidth, out.ShownHeight = most, out.ShownHeight*most/out.ShownWidth
	}
	return out
}

// MaxPhotos is how many photos a mail carries at most; the others are on the page.
const MaxPhotos = 8

// Photos lists the photos that the mail would like to show, the most telling first: one for each thing
// said, then the others.
func (m *Mail) Photos() []*Photo {
	var out []*Photo
	for _, s := range m.Sections {
		for _, it := range s.Items {
			out = append(out, it.Photos...)
		}
		out = append(out, s.Photos...)
	}
	slices.SortStableFunc(out, func(a, b *Photo) int { return a.rank - b.rank })
	return out
}

// MorePhotos says how many photos are on the page only, "" if none.
func (m *Mail) MorePhotos() string {
	n := m.left
	for _, p := range m.Photos() {
		if p.Src == "" {
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return m.T("mail.more.photos", n)
}

// noURLs leaves a photo's addresses open: an email's pictures get theirs from whoever builds it.
func noURLs(*workflow.Photo, string) string { return "" }

// photos returns those of the photos that the mail does not show yet; it shows them from now on.
func (t *teller) photos(views []templates.PhotoView) []*Photo {
	var out []*Photo
	for _, v := range views {
		if t.seen[v.ID] {
			continue
		}
		t.seen[v.ID] = true
		says := v.Alt // where the bench did not describe it, it begins with "Photo" by itself
		if p := t.Job.Photo(v.ID); p != nil && p.Alt.Text != "" {
			says = t.w.T("mail.photo", p.Alt)
		}
		out = append(out, &Photo{PhotoView: v, Words: says, rank: len(out)})
	}
	return out
}

// numbered returns photos by their numbers.
func (t *teller) numbered(ids []int) []*Photo {
	return t.photos(templates.PhotosOf(t.Job, ids, t.w, t.loc, noURLs))
}

// ofKind returns the photos of some kinds that are on the job.
func (t *teller) ofKind(kinds ...workflow.PhotoKind) []*Photo {
	var ids []int
	for _, p := range t.Job.Photos {
		if !p.Removed && slices.Contains(kinds, p.Kind) {
			ids = append(ids, p.ID)
		}
	}
	return t.numbered(ids)
}

// pairs makes a section of the photos of one place before and after, two by two, and of others; none if
// there are no photos.
func (t *teller) pairs(others ...workflow.PhotoKind) []Section {
	s := Section{Heading: t.w.T("mail.before_after")}
	for _, p := range templates.PairsOf(t.Job, t.w, t.loc, noURLs) {
		if t.seen[p.Before.ID] || t.seen[p.After.ID] {
			continue // one of them stands further up: the other follows among the single ones
		}
		views := []templates.PhotoView{p.Before, p.After}
		for i := range views {
			if v := &views[i]; v.Caption == "" {
				v.Caption = v.Label
			} else {
				v.Caption = t.w.Named(v.Label, v.Caption)
			}
		}
		s.Photos = append(s.Photos, t.photos(views)...)
		s.Pairs++
	}
	if s.Photos = append(s.Photos, t.ofKind(others...)...); len(s.Photos) == 0 {
		return nil
	}
	return []Section{s}
}
