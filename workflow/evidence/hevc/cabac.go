package hevc

import mathbits "math/bits"

// Contexts of the syntax elements of I slices, and their initial values (9.3.2.2, tables 9-5 to 9-37, initType 0).
const (
	ctxSAOMerge    = 0
	ctxSAOType     = 1
	ctxSplitCU     = 2
	ctxBypass      = 5
	ctxPartMode    = 6
	ctxPrevIntra   = 7
	ctxChromaMode  = 8
	ctxSplitTU     = 9
	ctxCbfLuma     = 12
	ctxCbfChroma   = 14
	ctxQPDelta     = 19
	ctxSkip        = 21
	ctxLastX       = 23
	ctxLastY       = 41
	ctxSubBlock    = 59
	ctxSig         = 63
	ctxGreater1    = 105
	ctxGreater2    = 129
	numberOfStates = 135
)

var initial = [numberOfStates]uint8{
	153, 200, 139, 141, 157, 154, 184, 184, 63, 153, 138, 138, 111, 141, 94, 138, 182, 154, 154, 154, 154, 139, 139,
	110, 110, 124, 125, 140, 153, 125, 127, 140, 109, 111, 143, 127, 111, 79, 108, 123, 63,
	110, 110, 124, 125, 140, 153, 125, 127, 140, 109, 111, 143, 127, 111, 79, 108, 123, 63,
	91, 171, 134, 141,
	111, 111, 125, 110, 110, 94, 124, 108, 124, 107, 125, 141, 179, 153, 125, 107, 125, 141, 179, 153, 125, 107, 125, 141, 179, 153, 125,
	140, 139, 182, 182, 152, 136, 152, 136, 153, 136, 139, 111, 136, 139, 111,
	140, 92, 137, 138, 140, 152, 138, 139, 153, 74, 149, 92, 139, 107, 122, 152, 140, 179, 166, 182, 140, 227, 122, 197,
	138, 153, 136, 167, 152, 152,
}

// lpsRange is table 9-52.
var lpsRange = [64][4]uint8{
	{128, 176, 208, 240}, {128, 167, 197, 227}, {128, 158, 187, 216}, {123, 150, 178, 205}, {116, 142, 169, 195}, {111, 135, 160, 185},
	{105, 128, 152, 175}, {100, 122, 144, 166}, {95, 116, 137, 158}, {90, 110, 130, 150}, {85, 104, 123, 142}, {81, 99, 117, 135},
	{77, 94, 111, 128}, {73, 89, 105, 122}, {69, 85, 100, 116}, {66, 80, 95, 110}, {62, 76, 90, 104}, {59, 72, 86, 99},
	{56, 69, 81, 94}, {53, 65, 77, 89}, {51, 62, 73, 85}, {48, 59, 69, 80}, {46, 56, 66, 76}, {43, 53, 63, 72},
	{41, 50, 59, 69}, {39, 48, 56, 65}, {37, 45, 54, 62}, {35, 43, 51, 59}, {33, 41, 48, 56}, {32, 39, 46, 53},
	{30, 37, 43, 50}, {29, 35, 41, 48}, {27, 33, 39, 45}, {26, 31, 37, 43}, {24, 30, 35, 41}, {23, 28, 33, 39},
	{22, 27, 32, 37}, {21, 26, 30, 35}, {20, 24, 29, 33}, {19, 23, 27, 31}, {18, 22, 26, 30}, {17, 21, 25, 28},
	{16, 20, 23, 27}, {15, 19, 22, 25}, {14, 18, 21, 24}, {14, 17, 20, 23}, {13, 16, 19, 22}, {12, 15, 18, 21},
	{12, 14, 17, 20}, {11, 14, 16, 19}, {11, 13, 15, 18}, {10, 12, 15, 17}, {10, 12, 14, 16}, {9, 11, 13, 15},
	{9, 11, 12, 14}, {8, 10, 12, 14}, {8, 9, 11, 13}, {7, 9, 11, 12}, {7, 9, 10, 12}, {7, 8, 10, 11},
	{6, 8, 9, 11}, {6, 7, 9, 10}, {6, 7, 8, 9}, {2, 2, 2, 2},
}

// lpsNext is the state after the less probable symbol (table 9-53); after the other it is one more, up to 62.
var lpsNext = [64]uint8{
	0, 0, 1, 2, 2, 4, 4, 5, 6, 7, 8, 9, 9, 11, 11, 12, 13, 13, 15, 15, 16, 16, 18, 18, 19, 19, 21, 21, 22, 22, 23, 24,
	24, 25, 26, 26, 27, 27, 28, 29, 29, 30, 30, 30, 31, 32, 32, 33, 33, 33, 34, 34, 35, 35, 35, 36, 36, 36, 37, 37, 37, 38, 38, 63,
}

// states are the contexts' states: the state's number times two, and the more probable symbol.
type states [numberOfStates]uint8

func (s *states) reset(qp int) {
	for i, v := range initial {
		pre := min(max(((int(v>>4)*5-45)*min(max(qp, 0), 51))>>4+int(v&15)<<3-16, 1), 126)
		if pre <= 63 {
			s[i] = uint8(63-pre) << 1
		} else {
			s[i] = uint8(pre-64)<<1 | 1
		}
	}
}

// engine is the arithmetic decoder (9.3.4.3). Behind the nine bits of its offset, value holds n more that were
// read ahead. Past the end it reads zeros and goes on; whoever drives it looks at over.
type engine struct {
	states
	b     []byte
	at    int
	value uint64
	n     int
	width uint64 // the range
}

func (e *engine) start(at int) {
	e.at, e.value, e.n, e.width = at, 0, -9, 510
	e.fill()
}

func (e *engine) fill() {
	for e.n <= 40 {
		var c byte
		if e.at < len(e.b) {
			c = e.b[e.at]
		}
		e.at++
		e.value = e.value<<8 | uint64(c)
		e.n += 8
	}
}

// over reports that more was read than there is.
func (e *engine) over() bool { return e.next() > len(e.b) }

// next is the byte after the last bit used.
func (e *engine) next() int { return e.at - e.n>>3 }

// bin is 9.3.4.3.2.
func (e *engine) bin(ctx int) bool {
	if e.n < 8 {
		e.fill()
	}
	s := e.states[ctx]
	lps := uint64(lpsRange[s>>1][e.width>>6&3])
	e.width -= lps
	scaled := e.width << uint(e.n&63)
	if e.value < scaled {
		if s < 124 {
			e.states[ctx] = s + 2
		}
		if e.width < 256 {
			e.width <<= 1
			e.n--
		}
		return s&1 == 1
	}
	e.value -= scaled
	n := 9 - mathbits.Len64(lps) // back to nine bits
	e.width = lps << n
	e.n -= n
	v := s & 1
	if s>>1 == 0 {
		e.states[ctx] = s ^ 1
	} else {
		e.states[ctx] = lpsNext[s>>1]<<1 | v
	}
	return v == 0
}

func (e *engine) bit(ctx int) int {
	if e.bin(ctx) {
		return 1
	}
	return 0
}

// plain is a bin without a context (9.3.4.3.4).
func (e *engine) plain() int {
	if e.n < 8 {
		e.fill()
	}
	e.n--
	if scaled := e.width << uint(e.n&63); e.value >= scaled {
		e.value -= scaled
		return 1
	}
	return 0
}

func (e *engine) plains(n int) int {
	v := 0
	for range n {
		v = v<<1 | e.plain()
	}
	return v
}

// last is a bin that may end the data (9.3.4.3.5). After a true one, next is where what follows begins.
func (e *engine) last() bool {
	if e.n < 8 {
		e.fill()
	}
	e.width -= 2
	if e.value >= e.width<<uint(e.n&63) {
		return true
	}
	if e.width < 256 {
		e.width <<= 1
		e.n--
	}
	return false
}
