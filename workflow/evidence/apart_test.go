package evidence_test

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"hash/crc32"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/webp"
)

func TestMain(m *testing.M) {
	evidence.WorkIfWorker() // the test binary is what it begins as a worker
	os.Exit(m.Run())
}

// outside returns a desk whose pictures are decoded in processes of their own.
func outside(t testing.TB, l evidence.Limits, w *evidence.Workers) *evidence.Desk {
	t.Cleanup(w.Close)
	return evidence.NewDeskWith(&evidence.Memory{}, l).Apart(w)
}

// A process of its own makes the same copies and refuses the same pictures with the same words.
func TestApart(t *testing.T) {
	inside, other := evidence.NewDesk(&evidence.Memory{}), outside(t, evidence.Limits{}, evidence.NewWorkers())
	for name, file := range map[string][]byte{
		"jpeg": asJPEG(t, drawn(300, 200)), "png": asPNG(t, drawn(700, 500)), "heic": sample(t, "whole.heic"),
		"cut off": asJPEG(t, drawn(300, 200))[:900], "none": []byte("no picture at all"), "empty": {}, "avif": []byte("\x00\x00\x00\x14ftypavif\x00\x00\x00\x00avif"),
	} {
		want, wantErr := inside.Accept(t.Context(), "harbour", job(t), bytes.NewReader(file))
		got, err := other.Accept(t.Context(), "harbour", job(t), bytes.NewReader(file))
		require.Equal(t, want, got, name)
		require.Equal(t, workflow.MessageOf(wantErr), workflow.MessageOf(err), name)
		require.Equal(t, workflow.CodeOf(wantErr), workflow.CodeOf(err), name)
		if wantErr == nil { // a blurred area is blurred there, too
			marks := []workflow.Mark{{Kind: workflow.MarkBlur, X: 100, Y: 100, X2: 600, Y2: 600}}
			drawn, err := inside.Redraw(t.Context(), "harbour", job(t), want.Photo().Original, marks)
			require.NoError(t, err)
			there, err := other.Redraw(t.Context(), "harbour", job(t), want.Photo().Original, marks)
			require.NoError(t, err)
			require.Equal(t, drawn, there)
			require.NotEqual(t, want.Large, there.Large)
		}
	}
}

// hugePNG is a picture of nothing, a bit a pixel in the file and a byte in memory: 256 million pixels in 33 KB.
func hugePNG(t testing.TB) []byte {
	const side = 16000
	b := bytes.NewBufferString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		require.NoError(t, binary.Write(b, binary.BigEndian, uint32(len(data))))
		b.WriteString(kind)
		b.Write(data)
		sum := crc32.NewIEEE()
		sum.Write([]byte(kind))
		sum.Write(data)
		require.NoError(t, binary.Write(b, binary.BigEndian, sum.Sum32()))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, side), side)
	chunk("IHDR", append(head, 1, 0, 0, 0, 0))
	var packed bytes.Buffer
	z := zlib.NewWriter(&packed)
	for range side {
		_, err := z.Write(make([]byte, 1+side/8))
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	chunk("IDAT", packed.Bytes())
	chunk("IEND", nil)
	require.Less(t, b.Len(), 64<<10)
	return b.Bytes()
}

// What goes beyond the bounds of a process ends it, is counted by its cause, and is one refused picture: the
// next one is taken. The pictures are far larger than a desk lets through by itself, so only the bounds of
// the process hold them.
func TestAPictureThatTakesTooMuch(t *testing.T) {
	if testing.Short() {
		t.Skip("the race detector runs so, and its memory does not fit within the limit")
	}
	good := asJPEG(t, drawn(300, 200))
	everything := evidence.Limits{Pixels: 1 << 40, Memory: 1 << 33}
	huge := hugePNG(t)
	memory, slow := evidence.NewWorkers(), evidence.NewWorkers()
	memory.Memory, slow.Time = 32<<20, time.Millisecond
	for cause, x := range map[string]struct {
		workers *evidence.Workers
		want    [3]int64
	}{
		"memory": {memory, [3]int64{1, 0, 0}},
		"time":   {slow, [3]int64{0, 1, 0}},
	} {
		d := outside(t, everything, x.workers)
		_, err := d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(huge))
		require.Equal(t, workflow.CodeInvalid, workflow.CodeOf(err), "%s: %v", cause, err)
		require.Contains(t, workflow.MessageOf(err), "an ordinary JPEG", "%s: %v", cause, errors.Unwrap(err))
		require.Equal(t, x.want, x.workers.Ended(), "%s: %v", cause, errors.Unwrap(err))
		x.workers.Time = 0
		_, err = d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(good))
		require.NoError(t, err, cause)
		require.Equal(t, x.want, x.workers.Ended(), cause)
	}
}

// Whoever waits for a picture may go; the process goes with the picture, and the next one is taken.
func TestACallerWhoGoes(t *testing.T) {
	w := evidence.NewWorkers()
	d := outside(t, evidence.Limits{Pixels: 1 << 40, Memory: 1 << 33}, w)
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	_, err := d.Accept(ctx, "harbour", job(t), bytes.NewReader(hugePNG(t)))
	require.ErrorIs(t, err, context.DeadlineExceeded)
	_, err = d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(asJPEG(t, drawn(300, 200))))
	require.NoError(t, err)
}

// A worker that somebody else ended is replaced without anybody noticing.
func TestAWorkerThatIsGone(t *testing.T) {
	w := evidence.NewWorkers()
	d := outside(t, evidence.Limits{}, w)
	for range 3 {
		_, err := d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(asJPEG(t, drawn(300, 200))))
		require.NoError(t, err)
		w.KillIdle()
	}
	require.Equal(t, [3]int64{}, w.Ended())
}

// seeds are small pictures of every kind that is taken.
func seeds(t testing.TB) map[string][]byte {
	out := map[string][]byte{"jpeg": asJPEG(t, drawn(64, 48)), "png": asPNG(t, drawn(64, 48)), "odd png": asPNG(t, drawn(33, 17))}
	for _, n := range []string{"full.heic", "odd.heic", "whole.heic"} {
		out[n] = sample(t, n)
	}
	for name, b := range ximage(t, "*.webp") {
		if c, err := webp.DecodeConfig(bytes.NewReader(b)); err == nil && c.Width*c.Height < 40_000 {
			out[filepath.Base(name)] = b
		}
	}
	return out
}

// mutate damages a picture in a few places.
func mutate(r *rand.Rand, b []byte) []byte {
	b = bytes.Clone(b)
	for range 1 + r.IntN(6) {
		at := r.IntN(len(b))
		if r.IntN(2) == 0 && len(b) > 600 {
			at = r.IntN(600) // where the headers are
		}
		switch r.IntN(6) {
		case 0:
			b[at] ^= 1 << r.IntN(8)
		case 1:
			b[at] = byte(r.IntN(256))
		case 2:
			b[at] = 0xff
		case 3:
			b[at] = 0
		case 4:
			if len(b) > 40 {
				b = append(b[:at], b[at+1+r.IntN(min(32, len(b)-at)):]...)
			}
		case 5:
			x := make([]byte, 1+r.IntN(32))
			for i := range x {
				x[i] = byte(r.IntN(256))
			}
			b = append(b[:at:at], append(x, b[at:]...)...)
		}
	}
	return b
}

var (
	pictures     = flag.Int("pictures", 0, "how many damaged pictures are tried; usual: 500, 5,000 in the gate, a million in a long run")
	picturesFrom = flag.Uint64("pictures-from", 5, "the seed that they are made from")
)

// Thousands of damaged pictures, and none takes the server with it: each is taken or refused with a sentence,
// no process had to be ended, and the last one takes a picture as the first did.
func TestMutatedPictures(t *testing.T) {
	w := evidence.NewWorkers()
	d := outside(t, evidence.Limits{}, w)
	all := seeds(t)
	require.GreaterOrEqual(t, len(all), 7)
	files := make([][]byte, 0, len(all))
	for _, name := range slices.Sorted(maps.Keys(all)) { // so that a seed makes the same pictures again
		files = append(files, all[name])
	}
	random := rand.New(rand.NewPCG(14, *picturesFrom))
	tries, taken := longtest.Times(1_000_000, 5000, 500), 0
	if *pictures > 0 {
		tries = *pictures
	}
	defer func() {
		t.Logf("%d pictures, %d taken; workers ended by %v: %v", tries, taken, evidence.Endings, w.Ended())
	}()
	for i := range tries {
		file := mutate(random, files[i%len(files)])
		require.Less(t, len(file), 64<<10)
		_, err := d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(file))
		if err == nil {
			if taken++; taken%100 == 0 {
				require.NoError(t, d.Clear(t.Context(), "harbour", job(t)))
			}
		} else if workflow.CodeOf(err) != workflow.CodeInvalid {
			require.NoError(t, os.WriteFile(filepath.Join(os.TempDir(), "benchword-picture"), file, 0o600))
			t.Fatalf("picture %d: %v", i, err)
		}
	}
	require.NotZero(t, taken)
	_, err := d.Accept(t.Context(), "harbour", job(t), bytes.NewReader(all["jpeg"]))
	require.NoError(t, err)
	require.Equal(t, [3]int64{}, w.Ended())
}
