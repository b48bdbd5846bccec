package counter

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFormKeepsItsPromises(t *testing.T) {
	f := &form{Values: map[string][]string{"a": {"1"}, "b": {"x", "y"}}}
	f.Add("a", "Too small.")
	x := f.Line("a", "A", "hint: Small", "required", "class: short")
	require.Equal(t, "a-error a-hint", x.Described())
	require.True(t, x.Required)
	require.Equal(t, "Too small.", x.Error)
	require.Equal(t, "y", f.Nth("b", 1))
	require.Empty(t, f.Nth("b", 2))
	p := f.Pick("b", "B", []choice{{"x", "ex"}, {"z", "zed"}})
	require.Equal(t, "b", p.Choices[0].ID, "a link to the field leads to its first choice")
	require.True(t, p.Choices[0].Chosen)
	require.False(t, p.Choices[1].Chosen)
	require.Panics(t, func() { f.Line("a", "A", "colour: red") })
}
