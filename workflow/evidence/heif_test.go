package evidence

import (
	"bytes"
	"context"
	"encoding/binary"
	"image"
	"os"
	"slices"
	"testing"

	"github.com/gen2brain/heic"
	"github.com/stretchr/testify/require"
)

func readSample(t testing.TB, name string) ([]byte, *heifPicture) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	h, err := Inspect(b)
	require.NoError(t, err)
	return b, h.heif
}

func isoBox(kind string, parts ...[]byte) []byte {
	b := slices.Concat(parts...)
	return slices.Concat(u32(uint32(len(b)+8)), []byte(kind), b)
}

// gridFile lays one coded tile out several times, as phones do, with more properties on the whole.
func gridFile(tile heifTile, s size, columns, rows int, whole size, extra ...[]byte) []byte {
	n := columns * rows
	u16 := func(v ...int) (out []byte) {
		for _, x := range v {
			out = binary.BigEndian.AppendUint16(out, uint16(x))
		}
		return out
	}
	grid := slices.Concat([]byte{0, 0, byte(rows - 1), byte(columns - 1)}, u16(whole.w, whole.h))
	var infe, links, own []byte
	refs := u16(n+1, n)
	for i := 1; i <= n; i++ {
		infe = append(infe, isoBox("infe", u32(2<<24), u16(i, 0), []byte("hvc1\x00"))...)
		refs = append(refs, u16(i)...)
		links = append(links, slices.Concat(u16(i), []byte{2, 0x81, 2})...)
	}
	infe = append(infe, isoBox("infe", u32(2<<24), u16(n+1, 0), []byte("grid\x00"))...)
	links = append(links, slices.Concat(u16(n+1), []byte{byte(1 + len(extra)), 3})...)
	for i, e := range extra {
		links = append(links, 0x80|byte(4+i))
		own = append(own, e...)
	}
	build := func(at int) []byte {
		places := slices.Concat(u32(1<<24), []byte{0x44, 0}, u16(n+1))
		for i := 1; i <= n; i++ {
			places = append(places, slices.Concat(u16(i, 0, 0, 1), u32(uint32(at), uint32(len(tile.bits))))...)
		}
		places = append(places, slices.Concat(u16(n+1, 1, 0, 1), u32(0, uint32(len(grid))))...)
		return isoBox("meta", u32(0), isoBox("hdlr", u32(0, 0), []byte("pict"), make([]byte, 13)), isoBox("pitm", u32(0), u16(n+1)),
			isoBox("iloc", places), isoBox("iinf", u32(0), u16(n+1), infe), isoBox("iref", u32(0), isoBox("dimg", refs)),
			isoBox("iprp", isoBox("ipco", tile.config, isoBox("ispe", u32(0, uint32(s.w), uint32(s.h))), isoBox("ispe", u32(0, uint32(whole.w), uint32(whole.h))), own),
				isoBox("ipma", u32(0, uint32(n+1)), links)),
			isoBox("idat", grid))
	}
	ftyp := isoBox("ftyp", []byte("heic\x00\x00\x00\x00mif1heic"))
	return slices.Concat(ftyp, build(len(ftyp)+len(build(0))+8), isoBox("mdat", tile.bits))
}

// oracle decodes a whole file with libheif, which puts tiles together and turns by itself. Brightness only.
func oracle(t *testing.T, file []byte) plane {
	t.Helper()
	m, err := heic.Decode(bytes.NewReader(file))
	require.NoError(t, err)
	c, ok := m.(*image.YCbCr)
	require.True(t, ok)
	p, err := shrink(t.Context(), c, size{c.Rect.Dx(), c.Rect.Dy()})
	require.NoError(t, err)
	return p.y
}

func TestHEICGridsAndTurns(t *testing.T) {
	b, one := readSample(t, "whole.heic")
	require.Equal(t, size{160, 120}, one.tile)
	require.Equal(t, 1, len(one.tiles))
	irot := func(a byte) []byte { return isoBox("irot", []byte{a}) }
	imir := func(a byte) []byte { return isoBox("imir", []byte{a}) }
	for name, file := range map[string][]byte{
		"as it is":            b,
		"two by two":          gridFile(one.tiles[0], one.tile, 2, 2, size{320, 240}),
		"cut at the edge":     gridFile(one.tiles[0], one.tile, 3, 2, size{402, 170}),
		"turned left":         gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, irot(1)),
		"upside down":         gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, irot(2)),
		"turned right":        gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, irot(3)),
		"mirrored":            gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, imir(0)),
		"mirrored too":        gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, imir(1)),
		"turned and mirrored": gridFile(one.tiles[0], one.tile, 1, 2, size{160, 240}, irot(1), imir(1)),
		"cut out":             gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, isoBox("clap", u32(200, 1, 80, 1, 20, 1, ^uint32(9), 1))),
	} {
		t.Run(name, func(t *testing.T) {
			h, err := Inspect(file)
			require.NoError(t, err)
			want := oracle(t, file)
			require.Equal(t, want.size, size{h.Width, h.Height})
			p, err := h.decode(context.Background(), file, LargeSide)
			require.NoError(t, err)
			require.Equal(t, want.size, p.y.size)
			mean, _ := away(want, p.y)
			require.Less(t, mean, 0.5)
			require.Equal(t, half(want.size), p.cb.size)
			require.Equal(t, half(want.size), p.cr.size)
		})
	}
}

// What the module can't put out (its rows are longer than it thinks when a picture is cut and then
// turned), by way of what it can.
func TestHEICCutAndTurned(t *testing.T) {
	_, one := readSample(t, "whole.heic")
	clap := isoBox("clap", u32(200, 1, 80, 1, 20, 1, 10, 1))
	whole := func(extra ...[]byte) *picture {
		file := gridFile(one.tiles[0], one.tile, 2, 1, size{320, 120}, extra...)
		h, err := Inspect(file)
		require.NoError(t, err)
		p, err := h.decode(t.Context(), file, LargeSide)
		require.NoError(t, err)
		return p
	}
	require.Equal(t, whole(clap).turned(8), whole(clap, isoBox("irot", []byte{1})))
	require.Equal(t, whole(clap).turned(6), whole(clap, isoBox("irot", []byte{3})))
}

// A phone's 48 megapixels: many tiles, little memory. The tiles are flat, so that it does not take long.
func TestHEICMemory(t *testing.T) {
	_, one := readSample(t, "whole.heic")
	file := gridFile(one.tiles[0], one.tile, 50, 50, size{8000, 6000})
	h, err := Inspect(file)
	require.NoError(t, err)
	require.Equal(t, size{8000, 6000}, h.coded)
	require.Less(t, h.memory, int64(32<<20))
}

// What does not fit together is refused before anything is decoded.
func TestHEICLies(t *testing.T) {
	b, one := readSample(t, "whole.heic")
	damagedBy := func(name string, file []byte) {
		t.Helper()
		h, err := Inspect(file)
		require.Error(t, err, "%s: %+v", name, h)
	}
	tile := one.tiles[0]
	damagedBy("tiles that do not cover", gridFile(tile, one.tile, 2, 2, size{400, 240}))
	damagedBy("tiles too many", gridFile(tile, one.tile, 3, 2, size{310, 240}))
	damagedBy("a tile that is not as large as said", gridFile(tile, size{512, 512}, 2, 2, size{1024, 1024}))
	damagedBy("cut outside", gridFile(tile, one.tile, 2, 1, size{320, 120}, isoBox("clap", u32(200, 1, 80, 1, 200, 1, 0, 1))))
	damagedBy("cut by nothing", gridFile(tile, one.tile, 2, 1, size{320, 120}, isoBox("clap", u32(200, 0, 80, 1, 0, 1, 0, 1))))
	damagedBy("turned, then cut", gridFile(tile, one.tile, 2, 1, size{320, 120}, isoBox("irot", []byte{1}), isoBox("clap", u32(200, 1, 80, 1, 0, 1, 0, 1))))
	own := tile
	own.bits = slices.Concat(u32(4), []byte{33 << 1, 1, 2, 3}, tile.bits) // parameters in the data
	damagedBy("parameters of its own", gridFile(own, one.tile, 2, 1, size{320, 120}))
	for n := range b { // every byte of the container
		broken := bytes.Clone(b)
		broken[n] ^= 0xff
		_, _ = Inspect(broken)
		_, _ = Inspect(b[:n])
	}
}

func TestSPS(t *testing.T) {
	for name, want := range map[string]struct {
		size size
		deep bool
	}{"whole.heic": {size{160, 120}, false}, "odd.heic": {size{97, 71}, false}, "full.heic": {size{160, 120}, false}} {
		_, p := readSample(t, name)
		require.Equal(t, want.size, size{p.crop.w, p.crop.h}, name)
		require.Equal(t, want.deep, p.deep, name)
		require.True(t, p.colour.stated, name)
		require.False(t, p.colour.limited, "heif-enc writes the full range: %s", name)
	}
}
