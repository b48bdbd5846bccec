package evidence_test

import (
	"bytes"
	"context"
	"errors"
	"image"
	"io"
	"runtime"
	"runtime/metrics"
	"sync"
	"sync/atomic"
	"testing"
	"testing/iotest"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestTake(t *testing.T) {
	m := &evidence.Memory{}
	d := evidence.NewDesk(m)
	file := asJPEG(t, drawn(2400, 1800))
	ctx := context.Background()
	p, err := d.Take(ctx, shop, job(t), bytes.NewReader(file))
	require.NoError(t, err)
	require.Equal(t, workflow.Photo{
		Original: string(evidence.DigestOf(file)),
		Copies: workflow.Copies{
			Large:  workflow.Copy{Digest: p.Large.Digest, Width: 1600, Height: 1200},
			Medium: workflow.Copy{Digest: p.Medium.Digest, Width: 960, Height: 720},
			Small:  workflow.Copy{Digest: p.Small.Digest, Width: 480, Height: 360},
		},
	}, p)
	for _, c := range p.All() {
		upright(t, decoded(t, shown(t, d, c.Digest)), 8)
	}

	r, n, err := d.OpenOriginal(ctx, shop, job(t), p.Original)
	require.NoError(t, err)
	require.EqualValues(t, len(file), n)
	require.NoError(t, iotest.TestReader(r, file), "kept byte for byte")

	// The original is not among what is shown, under whatever name it is asked for.
	for _, digest := range []string{p.Original, "", "..", "../original/" + p.Original, p.Large.Digest + "0"} {
		_, _, err := d.Open(ctx, shop, job(t), digest)
		require.ErrorIs(t, err, workflow.ErrNotFound, digest)
	}
	_, _, err = d.Open(ctx, "other-shop", job(t), p.Large.Digest)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	_, _, err = d.Open(ctx, "..", job(t), p.Large.Digest)
	require.ErrorIs(t, err, workflow.ErrNotFound)

	again, err := d.Take(ctx, shop, job(t), iotest.OneByteReader(bytes.NewReader(file)))
	require.NoError(t, err)
	require.Equal(t, p, again, "the same file gives the same copies")

	require.NoError(t, d.Clear(ctx, shop, job(t)))
	require.True(t, m.Empty())
}

func TestRedraw(t *testing.T) {
	d := evidence.NewDesk(&evidence.Memory{})
	ctx := context.Background()
	// A line of writing: fine stripes, two sorts of them.
	writing := func(period int) []byte {
		m := drawn(1200, 900)
		for y := 300; y < 340; y++ {
			for x := 400; x < 700; x++ {
				v := uint8(255 * (x / period % 2))
				m.Pix[m.PixOffset(x, y)], m.Pix[m.PixOffset(x, y)+1], m.Pix[m.PixOffset(x, y)+2] = v, v, v
			}
		}
		return asPNG(t, m)
	}
	marks := []workflow.Mark{{Kind: workflow.MarkBlur, X: 7000, Y: 4000, X2: 3000, Y2: 3000, Text: workflow.Plain("the owner's name")}, {Kind: workflow.MarkRing, X: 5000, Y: 5000, X2: 6000, Y2: 5000}}
	var blurred [2]image.Image
	for i, period := range []int{4, 6} {
		file := writing(period)
		p, err := d.Take(ctx, shop, job(t), bytes.NewReader(file))
		require.NoError(t, err)
		drawn, err := d.Redraw(ctx, shop, job(t), p.Original, marks)
		require.NoError(t, err)
		require.NotEqual(t, p.Large, drawn.Large)
		for i, c := range drawn.All() {
			require.Equal(t, [][2]int{{1200, 900}, {960, 720}, {480, 360}}[i], [2]int{c.Width, c.Height})
			m := decoded(t, shown(t, d, c.Digest))
			b := m.Bounds()
			// Inside, along the line of writing, there are at most six plain blocks.
			steps, before := 0, -1
			for x := b.Dx() * 31 / 100; x < b.Dx()*69/100; x++ {
				y, _, _, _ := m.At(x, b.Dy()*36/100).RGBA()
				if before >= 0 && (int(y>>8)-before > 12 || before-int(y>>8) > 12) {
					steps++
				}
				before = int(y >> 8)
			}
			require.LessOrEqual(t, steps, 12, "the writing can still be seen in the copy of %d", c.Width)
			upright(t, m, 10)
		}
		// A photo without a blur is as it was; the ring is not drawn in.
		plain, err := d.Redraw(ctx, shop, job(t), p.Original, marks[1:])
		require.NoError(t, err)
		require.Equal(t, p.Copies, plain)
		blurred[i] = decoded(t, shown(t, d, drawn.Large.Digest))

		require.NoError(t, d.Discard(ctx, shop, job(t), p.Large.Digest, p.Small.Digest))
		_, _, err = d.Open(ctx, shop, job(t), p.Large.Digest)
		require.ErrorIs(t, err, workflow.ErrNotFound)
	}
	// What was written can't be told apart any more.
	area := image.Rect(400, 280, 800, 350)
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for x := area.Min.X; x < area.Max.X; x++ {
			r, g, b, _ := blurred[0].At(x, y).RGBA()
			r2, g2, b2, _ := blurred[1].At(x, y).RGBA()
			require.Equal(t, [3]uint32{r, g, b}, [3]uint32{r2, g2, b2}, "at %d,%d", x, y)
		}
	}
	_, err := d.Redraw(ctx, shop, job(t), string(evidence.DigestOf([]byte("nothing"))), marks)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	_, err = d.Redraw(ctx, shop, job(t), "..", marks)
	require.ErrorIs(t, err, workflow.ErrNotFound)
	_, err = d.Redraw(ctx, shop, job(t), "..", []workflow.Mark{{Kind: workflow.MarkBlur}})
	require.ErrorIs(t, err, workflow.ErrInvalid)
}

// Every copy is upright and has the size that was promised, whatever came.
func TestSizes(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w, h := rapid.IntRange(1, 2600).Draw(rt, "w"), rapid.IntRange(1, 600).Draw(rt, "h")
		if rapid.Bool().Draw(rt, "tall") {
			w, h = h, w
		}
		m := image.NewGray(image.Rect(0, 0, w, h))
		file := asPNG(t, m)
		if rapid.Bool().Draw(rt, "as JPEG") {
			file = asJPEG(t, m)
		}
		d := evidence.NewDesk(&evidence.Memory{})
		p, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(file))
		require.NoError(rt, err)
		require.Equal(rt, max(w, h) > evidence.MediumSide, p.Medium != workflow.Copy{})
		for long, c := range map[int]workflow.Copy{evidence.LargeSide: p.Large, evidence.MediumSide: p.Medium, evidence.SmallSide: p.Small} {
			if c == (workflow.Copy{}) {
				continue
			}
			require.Equal(rt, image.Pt(c.Width, c.Height), decoded(t, shown(t, d, c.Digest)).Bounds().Size())
			require.Equal(rt, min(long, max(w, h)), max(c.Width, c.Height))
			require.Equal(rt, w >= h, c.Width >= c.Height)
			require.InDelta(rt, float64(min(w, h))*float64(max(c.Width, c.Height))/float64(max(w, h)), min(c.Width, c.Height), 1)
		}
	})
}

func TestNothingKeptOnFailure(t *testing.T) {
	file := asJPEG(t, drawn(40, 30))
	m := &evidence.Memory{}
	d := evidence.NewDesk(m)
	dead := errors.New("the line went dead")
	_, err := d.Accept(context.Background(), shop, job(t), io.MultiReader(bytes.NewReader(file[:200]), iotest.ErrReader(dead)))
	require.ErrorIs(t, err, dead)
	require.Equal(t, "The picture did not arrive whole. Please send it again.", workflow.MessageOf(err))
	ended, end := context.WithCancel(context.Background())
	end()
	_, err = d.Accept(ended, shop, job(t), bytes.NewReader(file))
	require.ErrorIs(t, err, context.Canceled)
	require.True(t, m.Empty())
	_, err = d.Accept(context.Background(), "no/shop", job(t), bytes.NewReader(file))
	require.Error(t, err)
	require.True(t, m.Empty())
	_, err = d.Accept(context.Background(), shop, job(t), bytes.NewReader(file))
	require.NoError(t, err, "the places are free again")
}

// counting tells how many are being kept at the same time, which is while they hold their place.
type counting struct {
	evidence.Memory
	now, most atomic.Int64
}

func (c *counting) Put(ctx context.Context, f evidence.Folder, r io.Reader) (evidence.Digest, int64, error) {
	n := c.now.Add(1)
	defer c.now.Add(-1)
	for {
		m := c.most.Load()
		if n <= m || c.most.CompareAndSwap(m, n) {
			break
		}
	}
	runtime.Gosched()
	return c.Memory.Put(ctx, f, r)
}

func TestAtOnce(t *testing.T) {
	c := &counting{}
	d := evidence.NewDeskWith(c, evidence.Limits{AtOnce: 2})
	var wg sync.WaitGroup
	for i := range 40 {
		file := asJPEG(t, drawn(60+i, 40))
		wg.Go(func() {
			if _, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(file)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	require.LessOrEqual(t, c.most.Load(), int64(2))
}

// Many large pictures at a time: the heap stays within what was allowed for, with the collector's share.
func TestMemoryIsBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	file := bombPNG(4000, 3000) // 12 MB once decoded
	const limit = 64 << 20
	d := evidence.NewDeskWith(&evidence.Memory{}, evidence.Limits{Memory: limit, AtOnce: 16})
	runtime.GC()
	heap := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(heap)
	before := heap[0].Value.Uint64()
	done := make(chan struct{})
	peak := make(chan uint64)
	go func() {
		var most uint64
		for {
			select {
			case <-done:
				peak <- most
				return
			default:
				s := []metrics.Sample{{Name: heap[0].Name}}
				metrics.Read(s)
				most = max(most, s[0].Value.Uint64())
				runtime.Gosched()
			}
		}
	}()
	var wg sync.WaitGroup
	for range 16 {
		wg.Go(func() {
			if _, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(file)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	close(done)
	// 16 at a time would take more than 400 MB. Go's collector lets as much again lie around as is in use.
	most := <-peak
	require.Less(t, most-before, uint64(2*limit+32<<20), "peak of %d MB", most>>20)
}

func TestTooLargeForTheMemory(t *testing.T) {
	d := evidence.NewDeskWith(&evidence.Memory{}, evidence.Limits{Memory: 24 << 20})
	_, err := d.Accept(context.Background(), shop, job(t), bytes.NewReader(bombPNG(4000, 3000)))
	require.ErrorIs(t, err, workflow.ErrInvalid)
	require.Equal(t, "The picture of 4000 x 3000 pixels is too large to be opened in this form. Please save it as an ordinary JPEG, or send a smaller copy.", workflow.MessageOf(err))
	_, err = d.Accept(context.Background(), shop, job(t), bytes.NewReader(asJPEG(t, drawn(4000, 3000))))
	require.NoError(t, err, "as an ordinary JPEG it fits")
}

// A picture with alpha lies on white, as it would on a page.
func TestSeeThrough(t *testing.T) {
	m := image.NewNRGBA(image.Rect(0, 0, 64, 64))
	for i := range m.Pix {
		m.Pix[i] = 0
	}
	_, large, _ := accepted(t, asPNG(t, m))
	r, g, b, _ := decoded(t, large).At(30, 30).RGBA()
	require.Equal(t, [3]uint32{0xffff, 0xffff, 0xffff}, [3]uint32{r, g, b})
}
