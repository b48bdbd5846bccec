package workflow

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/gowebpki/jcs"
	"github.com/stretchr/testify/require"
)

// The digests of events are taken over canonical JSON: the vectors of RFC 8785's author, see the folder's
// README.txt.
func TestCanonicalVectors(t *testing.T) {
	inputs, err := filepath.Glob("testdata/rfc8785/*.in.json")
	require.NoError(t, err)
	require.Len(t, inputs, 6)
	for _, name := range inputs {
		in, err := os.ReadFile(name)
		require.NoError(t, err)
		want, err := os.ReadFile(strings.Replace(name, ".in.", ".out.", 1))
		require.NoError(t, err)
		got, err := jcs.Transform(in)
		require.NoError(t, err, name)
		require.Equal(t, strings.TrimSpace(string(want)), string(got), name)
	}
}

// Rows of RFC 8785, appendix B: a double's bits, and how it must be written. From memory.
func TestCanonicalNumbers(t *testing.T) {
	for bits, want := range map[string]string{
		"0000000000000000": "0", "8000000000000000": "0", "0000000000000001": "5e-324", "8000000000000001": "-5e-324",
		"7fefffffffffffff": "1.7976931348623157e+308", "4340000000000000": "9007199254740992", "4430000000000000": "295147905179352830000",
		"44b52d02c7e14af5": "9.999999999999997e+22", "44b52d02c7e14af6": "1e+23", "44b52d02c7e14af7": "1.0000000000000001e+23",
		"444b1ae4d6e2ef4e": "999999999999999700000", "444b1ae4d6e2ef4f": "999999999999999900000", "444b1ae4d6e2ef50": "1e+21",
		"3eb0c6f7a0b5ed8c": "9.999999999999997e-7", "3eb0c6f7a0b5ed8d": "0.000001", "41b3de4355555553": "333333333.3333332", "41b3de4355555557": "333333333.33333343",
	} {
		n, err := strconv.ParseUint(bits, 16, 64)
		require.NoError(t, err)
		in, err := json.Marshal([]float64{math.Float64frombits(n)})
		require.NoError(t, err)
		got, err := jcs.Transform(in)
		require.NoError(t, err)
		require.Equal(t, "["+want+"]", string(got), bits)
	}
}
