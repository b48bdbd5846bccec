package evidence_test

import (
	"image"
	"image/color"
	"math"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func drawMark(rt *rapid.T) workflow.Mark {
	at := rapid.IntRange(0, evidence.Side)
	return workflow.Mark{
		Kind: rapid.SampledFrom([]workflow.MarkKind{workflow.MarkRing, workflow.MarkArrow, workflow.MarkPoint, workflow.MarkBlur}).Draw(rt, "kind"),
		X:    at.Draw(rt, "x"), Y: at.Draw(rt, "y"), X2: at.Draw(rt, "x2"), Y2: at.Draw(rt, "y2"),
		Number: rapid.IntRange(0, 99).Draw(rt, "number"),
		Text:   workflow.Plain(rapid.SampledFrom([]string{"", "A crack", `"><script>alert(1)</script>`, "<&'\">", "Überbrückt", "電池", "a\u202eb"}).Draw(rt, "text")),
	}
}

func drawMarks(rt *rapid.T) []workflow.Mark {
	return rapid.SliceOfN(rapid.Custom(drawMark).Filter(func(m workflow.Mark) bool {
		return evidence.CheckMarks([]workflow.Mark{m}) == nil
	}), 0, 5).Draw(rt, "marks")
}

func TestCheckMarks(t *testing.T) {
	ok := workflow.Mark{Kind: workflow.MarkRing, X: 100, Y: 100, X2: 200, Y2: 100, Number: 1, Text: workflow.Plain("A crack")}
	require.NoError(t, evidence.CheckMarks([]workflow.Mark{ok}))
	require.NoError(t, evidence.CheckMarks(nil))
	for name, change := range map[string]func(m *workflow.Mark){
		"no known kind": func(m *workflow.Mark) { m.Kind = "square" }, "outside of the photo": func(m *workflow.Mark) { m.X = -1 }, "outside": func(m *workflow.Mark) { m.Y2 = 10001 },
		"no size": func(m *workflow.Mark) { m.X2 = 100 }, "between 1 and 99": func(m *workflow.Mark) { m.Number = 100 }, "too long": func(m *workflow.Mark) { m.Text = workflow.Plain(strings.Repeat("a", 201)) },
		"control characters": func(m *workflow.Mark) { m.Text = workflow.Plain("a\nb") }, "covers no area": func(m *workflow.Mark) { m.Kind = workflow.MarkBlur },
		"At most 200": func(m *workflow.Mark) { m.Text = workflow.Plain("\xff") },
	} {
		m := ok
		change(&m)
		err := evidence.CheckMarks([]workflow.Mark{ok, m})
		require.ErrorIs(t, err, workflow.ErrInvalid, name)
		require.Contains(t, workflow.MessageOf(err), name)
		require.Contains(t, workflow.MessageOf(err), "Mark 2 ")
	}
	require.Error(t, evidence.CheckMarks(make([]workflow.Mark, 101)))
}

func TestSameBlurs(t *testing.T) {
	a := workflow.Mark{Kind: workflow.MarkBlur, X: 1, Y: 2, X2: 30, Y2: 40, Text: workflow.Plain("one")}
	b := workflow.Mark{Kind: workflow.MarkBlur, X: 30, Y: 40, X2: 1, Y2: 2, Text: workflow.Plain("the same, drawn the other way")}
	c := workflow.Mark{Kind: workflow.MarkBlur, X: 1, Y: 2, X2: 30, Y2: 41}
	ring := workflow.Mark{Kind: workflow.MarkRing, X: 1, Y: 2, X2: 30, Y2: 40}
	require.True(t, workflow.SameBlurs([]workflow.Mark{a, ring}, []workflow.Mark{b}))
	require.True(t, workflow.SameBlurs([]workflow.Mark{ring}, nil))
	require.False(t, workflow.SameBlurs([]workflow.Mark{a}, []workflow.Mark{c}))
	require.False(t, workflow.SameBlurs([]workflow.Mark{a}, nil))
	require.False(t, workflow.SameBlurs([]workflow.Mark{a}, []workflow.Mark{a, c}))
	require.True(t, evidence.Blurs([]workflow.Mark{ring, a}))
	require.False(t, evidence.Blurs([]workflow.Mark{ring}))
}

// Burning never fails on marks that were checked, keeps the size, and changes something where it should.
func TestBurnAnything(t *testing.T) {
	copies := [][]byte{asJPEG(t, drawn(480, 360)), asJPEG(t, drawn(97, 201)), asJPEG(t, drawn(3, 400))}
	rapid.Check(t, func(rt *rapid.T) {
		c := rapid.SampledFrom(copies).Draw(rt, "copy")
		marks := drawMarks(rt)
		out, err := evidence.Burn(c, marks)
		require.NoError(rt, err)
		require.Equal(rt, decoded(t, c).Bounds(), decoded(t, out).Bounds())
		if len(marks) == 0 {
			require.Equal(rt, c, out)
		}
		again, err := evidence.Burn(c, marks)
		require.NoError(rt, err)
		require.Equal(rt, out, again, "the same each time")
	})
}

// Each mark is where it was put: changed there, as before elsewhere.
func TestBurnInPlace(t *testing.T) {
	grey := image.NewGray(image.Rect(0, 0, 1600, 1200))
	for i := range grey.Pix {
		grey.Pix[i] = 128
	}
	c := asJPEG(t, grey)
	for name, x := range map[string]struct {
		mark workflow.Mark
		near []image.Point // stands on the mark
		far  []image.Point
	}{
		"ring":             {workflow.Mark{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6000, Y2: 5000}, []image.Point{{960, 600}, {640, 600}, {800, 440}, {800, 760}}, []image.Point{{800, 600}, {990, 600}, {400, 600}, {0, 0}}},
		"arrow":            {workflow.Mark{Kind: workflow.MarkArrow, X: 5000, Y: 5000, X2: 2500, Y2: 5000}, []image.Point{{500, 600}, {780, 600}, {750, 615}}, []image.Point{{850, 600}, {350, 600}, {500, 650}}},
		"point":            {workflow.Mark{Kind: workflow.MarkPoint, X: 5000, Y: 5000, Number: 7}, []image.Point{{775, 600}, {800, 570}}, []image.Point{{850, 600}, {800, 650}}},
		"corner":           {workflow.Mark{Kind: workflow.MarkPoint, X: 10000, Y: 0, Number: 12}, []image.Point{{1545, 20}}, []image.Point{{1400, 100}}},
		"ring at the edge": {workflow.Mark{Kind: workflow.MarkRing, X: 0, Y: 10000, X2: 1000, Y2: 10000, Number: 3}, []image.Point{{160, 1199}, {0, 1040}}, []image.Point{{300, 1199}}},
	} {
		t.Run(name, func(t *testing.T) {
			out, err := evidence.Burn(c, []workflow.Mark{x.mark})
			require.NoError(t, err)
			m := decoded(t, out)
			changed := func(p image.Point) bool {
				r, g, b, _ := m.At(p.X, p.Y).RGBA()
				return math.Abs(float64(r>>8)-128)+math.Abs(float64(g>>8)-128)+math.Abs(float64(b>>8)-128) > 60
			}
			for _, p := range x.near {
				require.True(t, changed(p), "%v should be part of the mark", p)
			}
			for _, p := range x.far {
				require.False(t, changed(p), "%v should be as it was", p)
			}
		})
	}
}

// A mark stands out on any ground: along its edge there is dark and light, and red in the middle.
func TestMarksStandOut(t *testing.T) {
	for _, ground := range []color.Color{color.Black, color.White, color.RGBA{255, 59, 31, 255}, color.RGBA{29, 35, 32, 255}, color.RGBA{0, 128, 0, 255}} {
		m := image.NewRGBA(image.Rect(0, 0, 1600, 1200))
		for y := range 1200 {
			for x := range 1600 {
				m.Set(x, y, ground)
			}
		}
		evidence.Draw(m, []workflow.Mark{{Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6000, Y2: 5000}})
		brightest, darkest := 0.0, 1.0
		for x := 945; x < 975; x++ {
			r, g, b, _ := m.At(x, 600).RGBA()
			l := 0.2126*light(r) + 0.7152*light(g) + 0.0722*light(b)
			brightest, darkest = max(brightest, l), min(darkest, l)
		}
		// WCAG 2.2, 1.4.11 asks for 3:1.
		require.Greater(t, (brightest+0.05)/(darkest+0.05), 10.0)
	}
}

// light is the linear value of a channel (WCAG 2.2, relative luminance).
func light(v uint32) float64 {
	f := float64(v) / 65535
	if f <= 0.04045 {
		return f / 12.92
	}
	return math.Pow((f+0.055)/1.055, 2.4)
}

// Burn blurs too, so that a copy made without the blur does not give away what it should hide.
func TestBurnBlurs(t *testing.T) {
	m := drawn(800, 600)
	for x := 200; x < 600; x++ {
		for y := 280; y < 320; y++ {
			v := uint8(x / 5 % 2 * 255)
			m.SetRGBA(x, y, color.RGBA{v, v, v, 255})
		}
	}
	out, err := evidence.Burn(asJPEG(t, m), []workflow.Mark{{Kind: workflow.MarkBlur, X: 2000, Y: 4000, X2: 8000, Y2: 6000}})
	require.NoError(t, err)
	b := decoded(t, out)
	steps, before := 0, -1
	for x := 210; x < 590; x++ {
		v, _, _, _ := b.At(x, 300).RGBA()
		if before >= 0 && max(int(v>>8)-before, before-int(v>>8)) > 12 {
			steps++
		}
		before = int(v >> 8)
	}
	require.LessOrEqual(t, steps, 12)
}

func TestBurnOnlyCopies(t *testing.T) {
	ring := []workflow.Mark{{Kind: workflow.MarkRing, X: 1, Y: 1, X2: 9, Y2: 9}}
	for _, b := range [][]byte{nil, []byte("x"), asPNG(t, drawn(20, 20)), asJPEG(t, image.NewGray(image.Rect(0, 0, 4000, 3000))), asJPEG(t, drawn(50, 50))[:300]} {
		_, err := evidence.Burn(b, ring)
		require.Error(t, err)
	}
}
