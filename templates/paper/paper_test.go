package paper_test

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchword/templates/paper"
	"benchword/templates/paper/papertest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func write(t testing.TB, b []byte) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "paper.pdf")
	require.NoError(t, os.WriteFile(name, b, 0o600))
	return name
}

func picture(w, h int) []byte {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.Set(x, y, color.RGBA{uint8(x * 255 / w), uint8(y * 255 / h), 90, 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}

var dated = time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)

func sample(t testing.TB, size paper.Size) []byte {
	t.Helper()
	p, err := paper.New(paper.About{
		Size: size, Lang: "fr-CA", Title: "Rapport de constat n° 2", Author: "Harbour Bench", Date: dated, Head: "Harbour Bench · 7K2M9Q-X",
		Foot: func(n, of int) string { return fmt.Sprintf("Page %d sur %d", n, of) }, Missing: "Un signe manque dans cette police.",
	})
	require.NoError(t, err)
	p.Heading(1, "Rapport de constat n° 2")
	p.Text("Première phrase, avec des accents : ÀÉÎÕÜ ß ñ ¿ œ — « guillemets ».\nUne ligne.\n\nDeuxième paragraphe, Größe 3,3 V ± 5 %, Ω µ °C.")
	p.Spans(paper.Span{Text: "En gras ", Style: paper.Strong}, paper.Span{Text: "et discret", Style: paper.Muted}, paper.Span{Text: " deadbeef", Style: paper.Code}, paper.Span{Text: " lien", Link: "https://status.harbour.example/x"})
	p.Heading(2, "Liste")
	p.Bullets("une chose", "une autre chose, assez longue pour aller à la ligne suivante, ce que font les listes quand elles disent tout ce qu’il y a à dire")
	var rows []paper.Row
	for i := range 60 {
		rows = append(rows, paper.Row{Cells: []string{fmt.Sprintf("Ligne %d de main-d’œuvre", i+1), "1,5", "120,00 $"}})
	}
	rows = append(rows, paper.Row{Cells: []string{"Somme", "", "7 200,00 $"}, Total: true})
	p.Table([]paper.Column{{Title: "Quoi", Share: 4}, {Title: "Combien", Right: true}, {Title: "Montant", Right: true}}, rows)
	p.Box(func(in *paper.Paper) {
		in.Heading(2, "Prudence")
		in.Bullets("Tension mortelle : n’ouvrez pas l’appareil.")
	})
	p.Heading(2, "Photos")
	p.Beside(paper.Picture{JPEG: picture(320, 240), Alt: "Un cercle sur la carte", Caption: []paper.Span{{Text: "Photo 1 : avant"}}},
		paper.Picture{JPEG: picture(240, 320), Alt: "La même carte réparée", Caption: []paper.Span{{Text: "Photo 2 : après"}}})
	p.Text("Nom : 王小明, Ελένη, Борис")
	p.Blank("Date, signature")
	b, err := p.Bytes()
	require.NoError(t, err)
	return b
}

func TestAPaperAsOthersReadIt(t *testing.T) {
	for size, points := range map[paper.Size]string{paper.A4: "595.28 x 841.89", paper.Letter: "612 x 792"} {
		file := write(t, sample(t, size))
		papertest.Tool(t, "qpdf", "--check", file)
		info := papertest.Tool(t, "pdfinfo", file)
		require.Contains(t, info, "Title:           Rapport de constat n° 2")
		require.Contains(t, info, "Author:          Harbour Bench")
		require.Contains(t, info, "Tagged:          yes")
		require.Contains(t, info, points)
		require.Contains(t, papertest.Tool(t, "pdfinfo", "-isodates", file), "CreationDate:    2026-11-25T14:00:00")

		text := strings.Join(strings.Fields(papertest.Tool(t, "pdftotext", "-layout", file, "-")), " ")
		for _, want := range []string{
			"Première phrase, avec des accents : ÀÉÎÕÜ ß ñ ¿ œ — « guillemets ».", "Größe 3,3 V ± 5 %, Ω µ °C.", "En gras et discret deadbeef lien",
			"Ligne 60 de main-d’œuvre", "7 200,00 $", "Tension mortelle : n’ouvrez pas l’appareil.", "Photo 1 : avant", "Ελένη, Борис", "Nom : □□□",
			"Un signe manque dans cette police.", "Page 1 sur ", "Page 3 sur ", "Harbour Bench · 7K2M9Q-X",
		} {
			require.Contains(t, text, want)
		}
		require.GreaterOrEqual(t, strings.Count(text, "Combien"), 2, "the titles stand on each page of the table")

		// What a screen reader goes by.
		tags := papertest.Tool(t, "pdfinfo", "-struct-text", file)
		for _, want := range []string{"Document", "H1", "H2", "Table", "TR", "L (", "LI", "Figure", `"En gras et discret deadbeef lien"`, `"Rapport de constat n° 2"`} {
			require.Contains(t, tags, want)
		}
		require.Contains(t, papertest.Tool(t, "pdfinfo", "-struct", file), "Figure")
		raw := papertest.Tool(t, "qpdf", "--qdf", "--object-streams=disable", file, "-")
		require.Contains(t, raw, "/Lang (fr-CA)")
		require.Regexp(t, `pdfaid:conformance>U<`, raw, "what its tags are worth, and no more")
		require.Contains(t, raw, "/Alt (Un cercle sur la carte)")
		fonts := papertest.Tool(t, "pdffonts", file)
		for _, l := range strings.Split(strings.TrimSpace(fonts), "\n")[2:] {
			require.Regexp(t, `yes yes yes`, l, "embedded, only what is used, with Unicode")
		}
	}
}

func TestTheSamePaperTwice(t *testing.T) {
	require.Equal(t, sample(t, paper.A4), sample(t, paper.A4))
}

// Whatever is typed, a paper comes out, and the words that the typeface has can be found in it.
func TestAnyTextMakesAPaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := paper.New(paper.About{Lang: "en", Title: "T" + rapid.String().Draw(t, "title"), Date: dated})
		require.NoError(t, err)
		text := rapid.StringN(0, 40, 200).Draw(t, "text")
		p.Heading(rapid.IntRange(-1, 5).Draw(t, "level"), text)
		p.Text(text, paper.Strong)
		p.Bullets(text, "")
		p.Table([]paper.Column{{Title: text}, {}}, []paper.Row{{Cells: []string{text}}, {Cells: []string{text, text, text}}})
		p.Box(func(in *paper.Paper) { in.Text(text) })
		b, err := p.Bytes()
		require.NoError(t, err)
		require.True(t, bytes.HasPrefix(b, []byte("%PDF-")) && bytes.HasSuffix(bytes.TrimSpace(b), []byte("%%EOF")))
	})
}

func TestAPictureThatIsNone(t *testing.T) {
	p, err := paper.New(paper.About{Lang: "en", Date: dated})
	require.NoError(t, err)
	p.Pictures(paper.Picture{JPEG: []byte("no picture"), Alt: "nothing"})
	_, err = p.Bytes()
	require.ErrorContains(t, err, "a picture can't be read")
}
