package workflow

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Addresses that can't work are refused where they are typed: the limits of RFC 5321 4.5.3.1, the dots of RFC 5321
// 4.1.2, host names of RFC 1123 2.1 and IDNA.
func TestAddressesThatCanNeverWork(t *testing.T) {
	for _, good := range []string{
		"mira@post.example", "mira.osei+fs35@post.example", "m@a-b.example", "mira@münchen.example", "mira@xn--mnchen-3ya.example", "jürgen@post.example",
		strings.Repeat("m", 64) + "@post.example", "mira@" + strings.Repeat("a", 63) + ".example", "o'neill@post.example", "mira@3com.example",
	} {
		require.True(t, plausibleEmail(good), good)
	}
	for _, bad := range []string{
		"", "mira", "@post.example", "mira@", "mira@post", "mira@@post.example", ".mira@post.example", "mira.@post.example", "mi..ra@post.example",
		"mira@-post.example", "mira@post-.example", "mira@po_st.example", "mira@post!.example", "mira@post..example", "mira@.post.example", "mira@post.example.",
		strings.Repeat("m", 65) + "@post.example", "mira@" + strings.Repeat("a", 64) + ".example", "mira@post.123", "mira@192.0.2.7", "mira@[192.0.2.7]", "mira@2001:db8::1",
		"mira osei@post.example", "\"mira\"@post.example", "mira(desk)@post.example", "mira@post.example, tom@post.example",
		"mira@" + strings.Repeat("a.", 125) + "example",
	} {
		require.False(t, plausibleEmail(bad), bad)
	}
}
