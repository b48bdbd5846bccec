// Package paper makes papers: what a customer keeps, prints or files, as PDF. A paper is filled from the
// top, pages break by themselves, and every word of it can be found, copied and read aloud: the file is
// tagged, says its language and title, and carries its fonts (PDF/A-2u, ISO 19005-2). The same content and
// date give the same bytes.
//
// The typeface is Go's own, with Latin, Greek and Cyrillic letters. A character that it lacks is shown as
// □, and [About.Missing] says so at the end; the page and the mail show it in full.
//
// # Decisions
//
//   - 2026-11-25: Papers are tagged as far as the library goes: headings, paragraphs, lists, table rows,
//     figures with their description; each printed line is a paragraph, and a table's cells have no tags of their own, so
//     the file claims level u and not a. The library draws no spaces
//     between words, so each word is given its own here; without it a screen reader ran words together.
package paper

import (
	"bytes"
	"compress/flate"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/carlos7ags/folio/document"
	"github.com/carlos7ags/folio/font"
	"github.com/carlos7ags/folio/image"
	"github.com/carlos7ags/folio/layout"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/text/unicode/norm"
)

// Size is a format of paper.
type Size string

const (
	A4     Size = "a4"     // 210 x 297 mm (ISO 216)
	Letter Size = "letter" // 8.5 x 11 in
)

// points returns width and height in points of 1/72 inch.
func (s Size) points() document.PageSize {
	if s == Letter {
		return document.PageSizeLetter
	}
	return document.PageSizeA4
}

// About is what holds for the whole paper.
type About struct {
	Size Size // A4 if it is empty
	// Lang is the BCP 47 tag of the language that it is written in. Title may not be empty.
	Lang, Title, Author string
	// Date is the instant it is dated, which the file's own dates are taken from.
	Date time.Time
	// Head stands small at the top of each page: "Harbour Bench · 7K2M9Q-X".
	Head string
	// Foot returns the line at the bottom of a page, "Page 2 of 4"; nil leaves it out.
	Foot func(page, of int) string
	// Missing is said at the end of a paper with characters that its typeface lacks.
	Missing string
}

// Measures in points.
const (
	side  = 56.0 // left and right margin
	top   = 40.0 // above the head line
	foot  = 36.0 // below the foot line
	body  = 10.5 // size of running text
	small = 8.5
	gap   = 6.0 // below a paragraph
	// tallest bounds a picture, so that it and its words fit on a page together.
	tallest = 300.0
)

var (
	ink   = layout.Hex("#1d2320")
	muted = layout.Hex("#4f5a54")
	line  = layout.Hex("#9aa59f")
	tint  = layout.Hex("#f1f4f2")
)

// Paper is a paper being filled, or a framed part of one. It is not for several goroutines at once.
type Paper struct {
	about *About
	fonts *fonts
	into  []layout.Element
	heads []layout.Element // headings that wait for what they are above
	width float64          // of the column, in points
	err   *error           // the first thing that went wrong
}

// New begins a paper.
func New(a About) (*Paper, error) {
	f, err := newFonts()
	if err != nil {
		return nil, err
	}
	if a.Size == "" {
		a.Size = A4
	}
	return &Paper{about: &a, fonts: f, width: a.Size.points().Width - 2*side, err: new(error)}, nil
}

// add adds an element, on one page with the headings above it.
func (p *Paper) add(e layout.Element) {
	if len(p.heads) == 0 {
		p.into = append(p.into, e)
		return
	}
	d := layout.NewDiv().SetKeepTogether(true)
	for _, h := range p.heads {
		d.Add(h)
	}
	p.heads = nil
	p.into = append(p.into, d.Add(e))
}

// flush adds headings that nothing follows.
func (p *Paper) flush() {
	p.into = append(p.into, p.heads...)
	p.heads = nil
}

// Style is how a span of text looks. Styles add up: Strong | Muted.
type Style int

const (
	Plain  Style = 0
	Strong Style = 1 << (iota - 1)
	Muted
	Small
	Italic
	Code // equally wide characters, for digests
)

// Span is a piece of a paragraph.
type Span struct {
	Text  string
	Style Style
	Link  string // an address, "" for none
}

// Heading adds a heading of a level from 1, the paper's own title, to 3.
func (p *Paper) Heading(level int, text string) {
	level = min(max(level, 1), 3)
	size := []float64{19, 13.5, 11}[level-1]
	h := layout.NewHeadingEmbedded(text, layout.HeadingLevel(level), p.fonts.bold)
	run := layout.NewRunEmbedded(spaced(p.clean(text)), p.fonts.bold, size).WithColor(ink)
	run.WordSpacing = -p.fonts.bold.MeasureString(" ", size)
	p.heads = append(p.heads, h.SetRuns([]layout.TextRun{run}))
}

// Text adds running text. A blank line begins a paragraph, a line break stays one.
func (p *Paper) Text(text string, style ...Style) {
	var s Style
	for _, x := range style {
		s |= x
	}
	for _, para := range paragraphs(text) {
		p.Spans(Span{Text: para, Style: s})
	}
}

// Spans adds one paragraph of differently styled pieces.
func (p *Paper) Spans(spans ...Span) {
	if e := p.paragraph(spans); e != nil {
		p.add(e.SetSpaceAfter(gap))
	}
}

func (p *Paper) paragraph(spans []Span) *layout.Paragraph {
	var runs []layout.TextRun
	for _, s := range spans {
		for i, part := range strings.Split(p.clean(s.Text), "\n") {
			if i > 0 {
				runs = append(runs, layout.TextRun{IsLineBreak: true})
			}
			if part != "" {
				runs = append(runs, p.run(part, s))
			}
		}
	}
	if len(runs) == 0 {
		return nil
	}
	return layout.NewStyledParagraph(runs...).SetLeading(1.35).SetOrphans(2).SetWidows(2)
}

func (p *Paper) run(text string, s Span) layout.TextRun {
	f, size, colour := p.fonts.regular, body, ink
	switch {
	case s.Style&Code != 0:
		f = p.fonts.mono
	case s.Style&Strong != 0:
		f = p.fonts.bold
	case s.Style&Italic != 0:
		f = p.fonts.italic
	}
	if s.Style&Small != 0 {
		size = small
	}
	if s.Style&Muted != 0 {
		colour = muted
	}
	r := layout.NewRunEmbedded(spaced(text), f, size).WithColor(colour)
	r.WordSpacing = -f.MeasureString(" ", size)
	if s.Link != "" {
		r = r.WithLinkURI(s.Link).WithUnderline()
	}
	return r
}

// List adds a list, each item a paragraph.
func (p *Paper) List(items ...[]Span) {
	l := layout.NewListEmbedded(p.fonts.regular, body).SetStyle(layout.ListUnordered).SetLeading(1.35).SetIndent(14)
	n := 0
	for _, item := range items {
		if e := p.paragraph(item); e != nil {
			l.AddItemElement(e.SetSpaceAfter(2))
			n++
		}
	}
	if n > 0 {
		p.add(layout.NewDiv().Add(l).SetSpaceAfter(gap))
	}
}

// Bullets adds a list of plain items.
func (p *Paper) Bullets(items ...string) {
	spans := make([][]Span, len(items))
	for i, s := range items {
		spans[i] = []Span{{Text: s}}
	}
	p.List(spans...)
}

// Column is a column of a table.
type Column struct {
	Title string
	// Share of the width, compared with the other columns; 0 is 1.
	Share float64
	// Right: its cells end at the same place, as amounts do.
	Right bool
}

// Row is a row of a table.
type Row struct {
	Cells []string
	// Total rows stand out: a sum.
	Total bool
}

// Table adds a table, whose titles stand again on each page that it reaches.
func (p *Paper) Table(columns []Column, rows []Row) {
	t := layout.NewTable().SetBorderCollapse(true)
	all := 0.0
	share := func(c Column) float64 { return max(c.Share, 0) + b2f(c.Share <= 0) }
	titled := false
	for _, c := range columns {
		all += share(c)
		titled = titled || c.Title != ""
	}
	widths := make([]float64, len(columns))
	for i, c := range columns {
		widths[i] = p.width * share(c) / all
	}
	t.SetColumnWidths(widths)
	cell := func(r *layout.Row, c Column, text string, s Style, above float64) {
		para := p.paragraph([]Span{{Text: text, Style: s}})
		if para == nil {
			para = p.paragraph([]Span{{Text: "\u00a0", Style: s}})
		}
		at := layout.AlignLeft
		if c.Right {
			at = layout.AlignRight
		}
		r.AddCellElement(para.SetAlign(at)).SetAlign(at).
			SetPaddingSides(layout.Padding{Top: 3, Bottom: 3, Left: 4, Right: 4}).
			SetBorders(layout.CellBorders{Top: layout.SolidBorder(above, line), Bottom: layout.SolidBorder(0.5, line)})
	}
	if titled {
		h := t.AddHeaderRow()
		for _, c := range columns {
			cell(h, c, c.Title, Strong|Small, 0)
		}
	}
	for _, row := range rows {
		r := t.AddRow()
		s, above := Plain, 0.0
		if row.Total {
			s, above = Strong, 1
		}
		for i, c := range columns {
			text := ""
			if i < len(row.Cells) {
				text = row.Cells[i]
			}
			cell(r, c, text, s, above)
		}
	}
	p.flush() // a long table may not wait for a page that holds all of it
	p.into = append(p.into, layout.NewDiv().Add(t).SetSpaceAfter(gap))
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Picture is a photo with its words, which stay together.
type Picture struct {
	JPEG []byte
	// Alt is what it shows, for those who don't see it.
	Alt string
	// Caption is under it, a paragraph for each line.
	Caption []Span
}

// Pictures adds pictures, two in a row, each with its caption.
func (p *Paper) Pictures(pictures ...Picture) {
	for len(pictures) > 0 {
		n := min(2, len(pictures))
		p.side(pictures[:n])
		pictures = pictures[n:]
	}
}

// Beside adds two pictures side by side as one, which no page break parts: before and after.
func (p *Paper) Beside(a, b Picture) { p.side([]Picture{a, b}) }

func (p *Paper) side(pictures []Picture) {
	const between = 12
	each := (p.width - between) / 2
	row := layout.NewFlex()
	row.SetDirection(layout.FlexRow)
	row.SetColumnGap(between)
	for _, pic := range pictures {
		img, err := image.NewJPEG(pic.JPEG)
		if err != nil {
			p.fail(fmt.Errorf("paper: a picture can't be read: %w", err))
			return
		}
		w, h := each, each*float64(img.Height())/float64(max(img.Width(), 1))
		if h > tallest {
			w, h = w*tallest/h, tallest
		}
		box := layout.NewDiv().SetWidth(each)
		box.Add(layout.NewImageElement(img).SetSize(w, h).SetAltText(p.clean(pic.Alt)))
		for _, s := range pic.Caption {
			s.Style |= Small
			if e := p.paragraph([]Span{s}); e != nil {
				box.Add(e.SetSpaceBefore(2))
			}
		}
		row.AddItem(layout.NewFlexItem(box))
	}
	p.add(layout.NewDiv().Add(row).SetKeepTogether(true).SetSpaceAfter(gap + 2))
}

// Box adds a framed part: cautions, terms, what is to be signed.
func (p *Paper) Box(fill func(*Paper)) { p.part(fill, true) }

// Together adds a part that stays on one page if one can hold it.
func (p *Paper) Together(fill func(*Paper)) { p.part(fill, false) }

func (p *Paper) part(fill func(*Paper), framed bool) {
	in := &Paper{about: p.about, fonts: p.fonts, width: p.width, err: p.err}
	d := layout.NewDiv().SetKeepTogether(true)
	if framed {
		in.width -= 22
		d.SetPadding(10).SetBorder(layout.SolidBorder(1, line)).SetBackground(tint).SetSpaceBefore(4).SetSpaceAfter(10)
	}
	fill(in)
	in.flush()
	if len(in.into) == 0 {
		return
	}
	for _, e := range in.into {
		d.Add(e)
	}
	p.add(d)
}

// Rule adds a thin line across the column.
func (p *Paper) Rule() {
	p.add(layout.NewLineSeparator().SetColor(line).SetWidth(0.5).SetSpaceBefore(4).SetSpaceAfter(6))
}

// Blank adds a line to write on by hand, with what belongs there below it: a date, a signature.
func (p *Paper) Blank(label string) {
	p.add(layout.NewLineSeparator().SetColor(ink).SetWidth(0.6).SetFraction(0.6).SetSpaceBefore(26).SetSpaceAfter(2))
	p.Text(label, Small, Muted)
}

func (p *Paper) fail(err error) {
	if *p.err == nil {
		*p.err = err
	}
}

// Bytes closes the paper and returns the file.
func (p *Paper) Bytes() ([]byte, error) {
	if *p.err != nil {
		return nil, *p.err
	}
	if p.fonts.missed && p.about.Missing != "" {
		p.Text(p.about.Missing, Small, Muted)
		p.fonts.missed = false
	}
	p.flush()
	a := p.about
	d := document.NewDocument(a.Size.points())
	d.SetMargins(layout.Margins{Top: top, Bottom: foot, Left: side, Right: side})
	d.Info = document.Info{
		Title: clearText(a.Title), Author: clearText(a.Author), Creator: "benchword", Producer: "benchword",
		CreationDate: a.Date.UTC(), ModDate: a.Date.UTC(), Language: a.Lang,
	}
	d.SetPdfA(document.PdfAConfig{Level: document.PdfA2U})
	d.SetTagged(true)
	d.SetAutoBookmarks(true)
	d.SetViewerPreferences(document.ViewerPreferences{DisplayDocTitle: true, OpenPage: -1})
	d.SetHeaderElement(func(document.PageContext) layout.Element {
		return layout.NewDiv().Add(p.paragraph([]Span{{Text: a.Head + "\u00a0", Style: Small | Muted}})).SetSpaceAfter(14)
	})
	d.SetFooterElement(func(c document.PageContext) layout.Element {
		text := "\u00a0"
		if a.Foot != nil {
			text = p.clean(a.Foot(c.PageIndex+1, max(c.TotalPages, 1)))
		}
		run := layout.NewRunEmbedded(text, p.fonts.regular, small).WithColor(muted)
		p.fonts.nameSpaces()
		return layout.NewDiv().Add(layout.NewStyledParagraph(run).SetAlign(layout.AlignRight)).SetSpaceBefore(12)
	})
	for _, e := range p.into {
		d.Add(e)
	}
	var out bytes.Buffer
	if _, err := d.WriteToWithOptions(&out, document.WriteOptions{Deterministic: true, CompressionLevel: flate.DefaultCompression}); err != nil {
		return nil, fmt.Errorf("paper: %w", err)
	}
	return out.Bytes(), nil
}

// paragraphs parts text at its blank lines.
func paragraphs(text string) []string {
	var out []string
	for _, p := range strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n\n") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// clearText composes accents and drops control characters.
func clearText(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case r == '\t':
			return ' '
		case unicode.Is(unicode.C, r): // controls, and marks that only steer the reading direction
			return -1
		}
		return r
	}, norm.NFC.String(strings.ReplaceAll(s, "\r\n", "\n")))
}

// clean is clearText with what the typeface lacks replaced by a box.
func (p *Paper) clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || p.fonts.has(r) {
			return r
		}
		switch {
		case unicode.IsSpace(r):
			return ' '
		case r == '\u2011': // a hyphen that does not break
			return '-'
		}
		p.fonts.missed = true
		return '□'
	}, clearText(s))
}

// The layout engine sets each word by itself and draws no spaces between them, so that whoever
// reads the file aloud has to guess where words end. A space of our own therefore ends each word but the
// last: it has the glyph of a space, belongs to the word, and is named a space in the file.
const ownSpace = '\ue000'

func spaced(text string) string {
	const end = string(ownSpace) + " "
	out := strings.Join(strings.Fields(text), end)
	if out != "" && text[0] == ' ' {
		out = end + out
	}
	if out == "" || text[len(text)-1] == ' ' {
		out += end
	}
	return out
}

type spacedFace struct{ font.Face }

func (f spacedFace) GlyphIndex(r rune) uint16 {
	if r == ownSpace {
		r = ' '
	}
	return f.Face.GlyphIndex(r)
}

// nameSpaces makes the glyph of a space mean one again, whatever it stood for last. It must come after
// everything else was drawn, so each page's foot, which is drawn last, calls it.
func (f *fonts) nameSpaces() {
	for _, e := range []*font.EmbeddedFont{f.regular, f.bold, f.italic, f.mono} {
		e.EncodeString(" ")
	}
}

// fonts are the faces of one paper: each counts the characters used, so that only they go into the file.
type fonts struct {
	regular, bold, italic, mono *font.EmbeddedFont
	missed                      bool
}

func (f *fonts) has(r rune) bool { return f.regular.Face().GlyphIndex(r) != 0 }

// faces are read once; they may be shared.
var faces = sync.OnceValues(func() ([]font.Face, error) {
	var out []font.Face
	for _, ttf := range [][]byte{goregular.TTF, gobold.TTF, goitalic.TTF, gomono.TTF} {
		face, err := font.ParseTTF(ttf)
		if err != nil {
			return nil, fmt.Errorf("paper: reading a font: %w", err)
		}
		out = append(out, spacedFace{face})
	}
	return out, nil
})

func newFonts() (*fonts, error) {
	all, err := faces()
	if err != nil {
		return nil, err
	}
	return &fonts{
		regular: font.NewEmbeddedFont(all[0]), bold: font.NewEmbeddedFont(all[1]),
		italic: font.NewEmbeddedFont(all[2]), mono: font.NewEmbeddedFont(all[3]),
	}, nil
}
