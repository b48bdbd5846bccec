package evidence

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestRecentKeepsTheNewest(t *testing.T) {
	var r Recent[int]
	_, ok := r.Get("0")
	require.False(t, ok)
	for i := range 5 {
		r.Keep(strconv.Itoa(i), i, 3)
	}
	r.Keep("4", 99, 3) // it has one
	for i := range 5 {
		v, ok := r.Get(strconv.Itoa(i))
		require.Equal(t, i > 1, ok, i)
		if ok {
			require.Equal(t, i, v)
		}
	}
}
