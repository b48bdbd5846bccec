package portal

import (
	"bytes"
	"crypto/rand"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
	"github.com/trustelem/zxcvbn/frequency"
	"golang.org/x/crypto/argon2"
)

// The argon2id vectors of the reference implementation (phc-winner-argon2, src/test.c, version 0x13),
// which RFC 9106 was written from. The RFC's own, in section 5.3, have a secret and associated data,
// which this library's interface does not take.
func TestPublishedPasswordHashes(t *testing.T) {
	for _, x := range []struct{ password, hash string }{
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"},
		{"password", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"},
		{"password", "$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc"},
		{"password", "$argon2id$v=19$m=65536,t=1,p=1$c29tZXNhbHQ$9qWtwbpyPd3vm1rB1GThgPzZ3/ydHL92zKL+15XZypg"},
		{"differentpassword", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$C4TWUs9rDEvq7w3+J4umqA32aWKB1+DSiRuBfYxFj94"},
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$ZGlmZnNhbHQ$vfMrBczELrFdWP0ZsfhWsRPaHppYdP3MVEMIVlqoFBw"},
	} {
		require.True(t, CheckPassword(x.hash, x.password), x.hash)
		if strings.Contains(x.hash, "m=256,") { // the others are slow
			require.False(t, CheckPassword(x.hash, x.password+" "), x.hash)
			require.False(t, CheckPassword(strings.Replace(x.hash, "t=2", "t=3", 1), x.password), x.hash)
		}
	}
}

func TestPasswords(t *testing.T) {
	salt := bytes.Repeat([]byte{7}, 16)
	hash, err := HashPassword(bytes.NewReader(salt), "seven gulls over the ropewalk")
	require.NoError(t, err)
	require.Regexp(t, `^\$argon2id\$v=19\$m=19456,t=2,p=1\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$`, hash)
	require.True(t, CheckPassword(hash, "seven gulls over the ropewalk"))
	for _, wrong := range []string{"", "seven gulls over the ropewal", "Seven gulls over the ropewalk", "seven gulls over the ropewalk\x00"} {
		require.False(t, CheckPassword(hash, wrong), "%q", wrong)
	}
	other, err := HashPassword(rand.Reader, "seven gulls over the ropewalk")
	require.NoError(t, err)
	require.NotEqual(t, hash, other, "each has a salt of its own")
	_, err = HashPassword(bytes.NewReader(salt[:15]), "x")
	require.Error(t, err, "no salt, no hash")
	require.False(t, CheckPassword(aHash, ""))

	// What is no hash, or asks for what nobody can pay, is refused without being computed.
	for _, bad := range []string{
		"", "$", "plain", hash + "$", strings.Replace(hash, "argon2id", "argon2i", 1), strings.Replace(hash, "v=19", "v=16", 1),
		strings.Replace(hash, "m=19456", "m=4294967295", 1), strings.Replace(hash, "t=2", "t=100000", 1), strings.Replace(hash, "t=2", "t=0", 1),
		strings.Replace(hash, "p=1", "p=0", 1), strings.Replace(hash, "p=1", "p=300", 1), strings.Replace(hash, "m=19456", "m=x", 1),
		hash[:strings.LastIndexByte(hash, '$')+1], hash[:len(hash)-43] + "***",
	} {
		require.False(t, CheckPassword(bad, "seven gulls over the ropewalk"), bad)
	}
	require.Equal(t, 0x13, argon2.Version)
}

// The 3,000 commonest are the first of the estimator's list (counted from leaked ones, as its README says), which
// is in their order.
func TestGuessablePasswords(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.Email, d.svc.Shop.BaseURL = "bench@harbour.example", "https://status.quayside.example"
	ada := Account{Login: "ada", Name: "Ada Quillfeather"}
	refused := func(password string) {
		t.Helper()
		require.ErrorIs(t, newPassword(d.svc.Shop, ada, password), workflow.ErrInvalid, password)
	}
	words := ownWords(d.svc.Shop, ada)
	common := frequency.FrequencyLists["passwords"]
	require.Equal(t, []string{"123456", "password", "12345678", "qwerty"}, common[:4])
	share := longtest.Share(t, 4)
	for i, p := range common[:3000] {
		if !share(i) {
			continue
		}
		require.True(t, guessable(p, words), p)
		require.True(t, guessable(strings.ToUpper(p), words), p)
		refused(strings.Repeat(p, 12/len(p)+1))
	}
	for _, p := range []string{
		"password1234", "aaaaaaaaaaaa", "harbourbench", "HarbourBench1", "Benchword2026", "h4rb0urb3nch", "quayside2026", "adaquillfeather", "Quillfeather1", "harbour.example", "harbour-bench-2026", "Ada.Quillfeather", "qwertyuiop[]",
		"abcdefghijkl", "+19025550100", strings.Repeat("harbour", 30),
	} {
		d.svc.Shop.Phone = "+1 902 555 0100"
		refused(p)
	}
	for _, p := range []string{gulls, "correct horse battery staple", "4L%v9x!k2PzQ", "Möwen über der Reeperbahn", strings.Repeat("seven gulls over the ropewalk ", 8), "tulip-anchor-92"} {
		require.NoError(t, newPassword(d.svc.Shop, ada, p), p)
	}
	require.NoError(t, newPassword(d.svc.Shop, ada, "x"+gulls+strings.Repeat("!", 34)), "64 characters and more")
}
