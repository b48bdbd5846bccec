package link

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/bits"
	mrand "math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func keys(t require.TestingT, text string) []Key {
	k, err := ReadKeys(strings.NewReader(text))
	require.NoError(t, err)
	return k
}

const counting = "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f"

func maker(t require.TestingT, keys ...Key) *Maker {
	m, err := NewMaker(keys...)
	require.NoError(t, err)
	return m
}

// The value was made by OpenSSL 3.0: openssl dgst -sha256 -mac HMAC -macopt hexkey:0001…1f over the five
// parts with a zero byte between them, cut to 20 bytes, in base32.
func TestTokenAgainstOpenSSL(t *testing.T) {
	m := maker(t, keys(t, "benchword-link-key 7 "+counting)...)
	token, err := m.Token("tidewater", "K7M2QX8", Look, "7-aaaqeayeaudaocajbifqydiob4")
	require.NoError(t, err)
	require.Equal(t, "rcjobi4ucve4w6x6wu3tlhyljkhx4fvm", token.Text())
	require.Equal(t, "2a5fb1e715eddc75f5f77f3abded71093605a2d17258c7508ab0108c5015cac0", token.Hash().String())
}

// rfc2104 is HMAC as RFC 2104 writes it, on nothing but the hash.
func rfc2104(key, message []byte) []byte {
	block := make([]byte, sha256.BlockSize)
	copy(block, key)
	pad := func(b byte) []byte {
		out := bytes.Clone(block)
		for i := range out {
			out[i] ^= b
		}
		return out
	}
	inner := sha256.Sum256(append(pad(0x36), message...))
	outer := sha256.Sum256(append(pad(0x5c), inner[:]...))
	return outer[:]
}

func TestTokenAgainstRFC2104(t *testing.T) {
	// RFC 4231, test case 2, so that the oracle itself is held to something.
	require.Equal(t, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
		hex.EncodeToString(rfc2104([]byte("Jefe"), []byte("what do ya want for nothing?"))))
	rapid.Check(t, func(t *rapid.T) {
		secret := rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "secret")
		secret[0] |= 1
		number := rapid.Uint16().Draw(t, "number")
		m := maker(t, keys(t, fmt.Sprintf("benchword-link-key %d %x", number, secret))...)
		shop := rapid.StringMatching(`[a-z0-9-]{1,32}`).Draw(t, "shop")
		job := rapid.StringMatching(`[0-9A-Z]{7}`).Draw(t, "job")
		p := rapid.SampledFrom([]Purpose{Look, Decide}).Draw(t, "purpose")
		id, token, err := m.New(bytes.NewReader(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "random")), shop, job, p)
		require.NoError(t, err)
		mac := rfc2104(secret, []byte("benchword link 1\x00"+shop+"\x00"+job+"\x00"+string(p)+"\x00"+id))
		require.Equal(t, strings.ToLower(base32.StdEncoding.EncodeToString(mac[:20])), token.Text())

		again, err := m.Token(shop, job, p, id)
		require.NoError(t, err)
		require.Equal(t, token, again, "the same id must make the same link")
		read, err := ParseToken(token.Text())
		require.NoError(t, err)
		require.Equal(t, token, read)
		require.Equal(t, token.Hash(), read.Hash())
	})
}

func TestEveryPartCounts(t *testing.T) {
	m := maker(t, keys(t, "benchword-link-key 7 "+counting)...)
	const id, other = "7-aaaqeayeaudaocajbifqydiob4", "7-aeaqeayeaudaocajbifqydiob4"
	seen := make(map[Token]string)
	for _, shop := range []string{"tidewater", "tidewate", "tidewaterr"} {
		for _, job := range []string{"K7M2QX8", "7M2QX8", "rK7M2QX8"} {
			for _, p := range []Purpose{Look, Decide} {
				for _, id := range []string{id, other} {
					token, err := m.Token(shop, job, p, id)
					require.NoError(t, err)
					name := fmt.Sprint(shop, job, p, id)
					require.Empty(t, seen[token], "%s and %s have one link", seen[token], name)
					seen[token] = name
				}
			}
		}
	}
	elsewhere := maker(t, keys(t, "benchword-link-key 7 ff"+counting[2:])...)
	token, err := elsewhere.Token("tidewater", "K7M2QX8", Look, id)
	require.NoError(t, err)
	require.Empty(t, seen[token], "another key must make another link")
}

func TestTokenRefuses(t *testing.T) {
	m := maker(t, keys(t, "benchword-link-key 7 "+counting)...)
	const id = "7-aaaqeayeaudaocajbifqydiob4"
	for _, row := range []struct {
		shop, job string
		p         Purpose
		id, says  string
	}{
		{"s", "j", "see", id, `can't be for "see"`},
		{"s", "j", "", id, "can't be for"},
		{"", "j", Look, id, "needs the names"},
		{"s", "", Look, id, "needs the names"},
		{"s\x00", "j", Look, id, "needs the names"},
		{"s", "j\x00", Look, id, "needs the names"},
		{"s", "j", Look, "", "is not one that benchword makes"},
		{"s", "j", Look, "7-", "is not one that benchword makes"},
		{"s", "j", Look, "07-aaaqeayeaudaocajbifqydiob4", "is not one that benchword makes"},
		{"s", "j", Look, "7-AAAQEAYEAUDAOCAJBIFQYDIOB4", "is not one that benchword makes"},
		{"s", "j", Look, "7-aaaqeayeaudaocajbifqydiob5", "is not one that benchword makes"}, // spare bits set
		{"s", "j", Look, "7-aaaqeayeaudaocajbifqydiob", "is not one that benchword makes"},
		{"s", "j", Look, "65536-aaaqeayeaudaocajbifqydiob4", "is not one that benchword makes"},
		{"s", "j", Look, "-1-aaaqeayeaudaocajbifqydiob4", "is not one that benchword makes"},
		{"s", "j", Look, "8-aaaqeayeaudaocajbifqydiob4", "link key 8 is no longer in the key file"},
	} {
		token, err := m.Token(row.shop, row.job, row.p, row.id)
		require.ErrorContains(t, err, row.says, "%q", row)
		require.Zero(t, token)
	}
	_, _, err := m.New(bytes.NewReader([]byte("short")), "s", "j", Look)
	require.ErrorContains(t, err, "drawing a link")
}

func TestRotation(t *testing.T) {
	random := mrand.NewChaCha8([32]byte{3})
	k1, err := NewKey(random, 1)
	require.NoError(t, err)
	k2, err := NewKey(random, 2)
	require.NoError(t, err)
	old := maker(t, k1)
	id, token, err := old.New(random, "s", "j", Look)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(id, "1-"))

	for _, both := range []*Maker{maker(t, k1, k2), maker(t, k2, k1)} {
		again, err := both.Token("s", "j", Look, id)
		require.NoError(t, err)
		require.Equal(t, token, again, "an old mail must be rendered as it was")
		id2, _, err := both.New(random, "s", "j", Look)
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(id2, "2-"), "the newest key signs, wherever it stands")
	}
	_, err = maker(t, k2).Token("s", "j", Look, id)
	require.ErrorContains(t, err, "link key 1 is no longer")

	_, err = NewMaker()
	require.ErrorContains(t, err, "no link key")
	_, err = NewMaker(k1, k1)
	require.ErrorContains(t, err, "two link keys with the number 1")
	_, err = NewMaker(Key{Number: 4})
	require.ErrorContains(t, err, "link key 4 is empty")
	_, err = NewKey(bytes.NewReader(nil), 1)
	require.Error(t, err)
}

func TestKeyFile(t *testing.T) {
	random := mrand.NewChaCha8([32]byte{4})
	k, err := NewKey(random, 65535)
	require.NoError(t, err)
	require.Regexp(t, `^benchword-link-key 65535 [0-9a-f]{64}$`, k.Text())
	read := keys(t, "# made on 2 November\r\n\r\n  "+k.Text()+"  \r\nbenchword-link-key 0 "+counting)
	require.Equal(t, k, read[0])
	require.Equal(t, uint16(0), read[1].Number)

	for text, says := range map[string]string{
		"":                                                "no link key in the key file",
		"# nothing\n\n":                                   "no link key in the key file",
		"\nbenchword-link-key x " + counting:              "line 2 of the link keys",
		"benchword-link-key 1":                            "line 1 of the link keys",
		"benchword-link-key 65536 " + counting:            "line 1 of the link keys",
		"benchword-link-key 1 " + counting[2:]:            "line 1 of the link keys",
		"benchword-link-key 1 " + counting + "00":         "line 1 of the link keys",
		"benchword-link-key 1 zz" + counting[2:]:          "line 1 of the link keys",
		"benchword-link-key 1 " + counting + " x":         "line 1 of the link keys",
		"another-key 1 " + counting:                       "line 1 of the link keys",
		"benchword-link-key 1 " + strings.Repeat("0", 64): "line 1 of the link keys",
	} {
		_, err := ReadKeys(strings.NewReader(text))
		require.ErrorContains(t, err, says, "%q", text)
		require.NotContains(t, err.Error(), counting[4:20], "an error must not show a key")
	}
	_, err = ReadKeys(broken{})
	require.ErrorContains(t, err, "reading the link keys")
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, fmt.Errorf("no") }

func TestParseToken(t *testing.T) {
	const text = "rcjobi4ucve4w6x6wu3tlhyljkhx4fvm"
	want, err := ParseToken(text)
	require.NoError(t, err)
	got, err := ParseToken(strings.ToUpper(text))
	require.NoError(t, err)
	require.Equal(t, want, got)
	for i := range len(text) {
		for c := range 256 {
			s := text[:i] + string([]byte{byte(c)}) + text[i+1:]
			_, err := ParseToken(s)
			require.Equal(t, strings.Contains("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ234567", string(rune(c))), err == nil, "%q", s)
		}
	}
	_, err = ParseToken(strings.Repeat("a", 32))
	require.NoError(t, err, "all zeros has a token's shape too")
	for _, s := range []string{"", text[1:], text + "a", text + " ", " " + text, strings.Repeat("=", 32), strings.Repeat("a", 1<<20)} {
		token, err := ParseToken(s)
		require.ErrorIs(t, err, ErrShape)
		require.Zero(t, token)
	}
}

// Bits of a good token are fair and independent of how alike the ids are: here they only count up.
func TestTokensAreSpreadEvenly(t *testing.T) {
	m := maker(t, keys(t, "benchword-link-key 7 "+counting)...)
	const many = 20_000
	var ones [160]int
	var chars [32]int
	seen := make(map[Token]bool, many)
	var last Token
	flips := 0
	for i := range many {
		id := [16]byte{15: byte(i), 14: byte(i >> 8)}
		token, err := m.Token("s", "j", Look, "7-"+alphabet.EncodeToString(id[:]))
		require.NoError(t, err)
		seen[token] = true
		for b := range 160 {
			ones[b] += int(token.b[b/8] >> (b % 8) & 1)
		}
		for _, c := range token.Text() {
			chars[strings.IndexRune("abcdefghijklmnopqrstuvwxyz234567", c)]++
		}
		for b := range token.b {
			flips += bits.OnesCount8(token.b[b] ^ last.b[b])
		}
		last = token
	}
	require.Len(t, seen, many)
	for b, n := range ones {
		// Binomial: standard deviation 70.7; five of them, over 160 bits, are passed once in 10,000 runs of a fair source.
		require.InDelta(t, many/2, n, 5*70.8, "bit %d", b)
	}
	chi := 0.0
	for _, n := range chars { // 32 characters a token over an alphabet of 32: each is expected many times
		off := float64(n - many)
		chi += off * off / many
	}
	require.Less(t, chi, 65.0, "chi-squared with 31 degrees of freedom; 1 in 3,000 is above 62") // the run is fixed
	require.InDelta(t, 80, float64(flips)/many, 0.5, "neighbouring ids must differ in half of the bits")
}

func TestNothingShowsATokenByAccident(t *testing.T) {
	m := maker(t, keys(t, "benchword-link-key 7 "+counting)...)
	token, err := m.Token("s", "j", Look, "7-aaaqeayeaudaocajbifqydiob4")
	require.NoError(t, err)
	key := m.newest
	var out bytes.Buffer
	for _, v := range []any{token, &token, []Token{token}, map[string]Token{"t": token}, key, &key, []Key{key}, struct {
		T Token
		K Key
	}{token, key}} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%b", "%o", "%c"} {
			fmt.Fprintf(&out, verb+"\n", v)
		}
		fmt.Fprintln(&out, v)
		b, err := json.Marshal(v)
		require.NoError(t, err)
		out.Write(b)
		slog.New(slog.NewTextHandler(&out, nil)).Info("x", "v", v)
		slog.New(slog.NewJSONHandler(&out, nil)).Info("x", "v", v)
	}
	shown := strings.ToLower(out.String())
	require.Contains(t, shown, hidden)
	require.Contains(t, shown, "link key 7")
	for _, secret := range []string{
		token.Text()[:6], hex.EncodeToString(token.b[:3]), fmt.Sprint(token.b[0], token.b[1], token.b[2]), fmt.Sprintf("%d, %d, %d", token.b[0], token.b[1], token.b[2]),
		counting[20:26], "10 11 12 13", "0xa, 0xb",
	} {
		require.NotContains(t, shown, strings.Trim(secret, "[]"), "a secret was printed")
	}
}

func FuzzParseToken(f *testing.F) {
	f.Add("rcjobi4ucve4w6x6wu3tlhyljkhx4fvm")
	f.Add("RCJOBI4UCVE4W6X6WU3TLHYLJKHX4FVM")
	f.Add("rcjobi4ucve4w6x6wu3tlhyljkhx4fv1")
	f.Add("")
	f.Fuzz(func(t *testing.T, s string) {
		token, err := ParseToken(s)
		// The standard library's decoder, which is not in constant time, is the oracle.
		want, err2 := base32.StdEncoding.DecodeString(strings.ToUpper(s))
		if ok := err2 == nil && len(s) == tokenChars && len(want) == tokenBytes && strings.Trim(s, "\r\n") == s && isASCII(s); !ok {
			require.ErrorIs(t, err, ErrShape)
			require.Zero(t, token)
			return
		}
		require.NoError(t, err)
		require.Equal(t, want, token.b[:])
		require.Equal(t, strings.ToLower(s), token.Text())
	})
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

func FuzzReadKeys(f *testing.F) {
	f.Add("benchword-link-key 7 " + counting)
	f.Add("#\nbenchword-link-key 7 " + counting + "\nbenchword-link-key 8 ff" + counting[2:])
	f.Fuzz(func(t *testing.T, text string) {
		list, err := ReadKeys(strings.NewReader(text))
		if err != nil {
			return
		}
		var b strings.Builder
		for _, k := range list {
			b.WriteString(k.Text() + "\n")
		}
		again, err := ReadKeys(strings.NewReader(b.String()))
		require.NoError(t, err)
		require.Equal(t, list, again)
	})
}

func BenchmarkToken(b *testing.B) {
	m := maker(b, keys(b, "benchword-link-key 7 "+counting)...)
	for b.Loop() {
		if _, err := m.Token("tidewater", "K7M2QX8", Look, "7-aaaqeayeaudaocajbifqydiob4"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseToken(b *testing.B) {
	for b.Loop() {
		if _, err := ParseToken("rcjobi4ucve4w6x6wu3tlhyljkhx4fvm"); err != nil {
			b.Fatal(err)
		}
	}
}
