package portal

import (
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"io"
	"strings"
	"unicode"

	"benchword/workflow"

	"github.com/trustelem/zxcvbn"
	"golang.org/x/crypto/argon2"
)

// The cost of a password hash: OWASP's second recommended setting for argon2id (19 MiB, 2 passes,
// 1 lane), from memory.
const (
	argonPasses = 2
	argonLanes  = 1
)

// HashMemory is what a new password hash takes, in KiB. Only tests of other things make it less.
var HashMemory uint32 = 19 * 1024

// HashPassword returns an argon2id hash in PHC string format.
func HashPassword(random io.Reader, password string) (string, error) {
	salt := make([]byte, 16)
	if _, err := io.ReadFull(random, salt); err != nil {
		return "", err
	}
	key := argon2.IDKey([]byte(password), salt, argonPasses, HashMemory, argonLanes, 32)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, HashMemory, argonPasses, argonLanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// CheckPassword reports whether the password is the one that the hash was made of.
func CheckPassword(hash, password string) bool {
	var version, memory, passes int
	var lanes uint8
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || memory < 8 || memory > 1<<20 || passes < 1 || passes > 16 || lanes < 1 {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	want, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(want) == 0 {
		return false
	}
	got := argon2.IDKey([]byte(password), salt, uint32(passes), uint32(memory), lanes, uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1
}

// aHash is compared against when nobody has the sign-in name, so that the answer takes as long.
const aHash = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// MinPassword and MaxPassword are the shortest and the longest password taken, in characters and in bytes (ASVS 5.0 asks
// for 8, recommends 15, and wants 64 to be possible).
const (
	MinPassword = 12
	MaxPassword = 256
)

// judged is how much of a password is judged: the estimator takes longer than a hash for what is much longer.
const judged = 64

// newPassword refuses a password that is too short, or that somebody would guess: one of the commonest, a
// pattern, the shop's own words or the person's.
//
// # Decisions
//
//   - 2026-11-30: zxcvbn judges passwords: its list holds the 47,000 commonest, and it sees through leetspeak, dates,
//     repeats and rows of keys. Taken is what it puts at 10^8 guesses or more (its 3 of 4). It costs each start of
//     the program 10 MB and less than a tenth of a second. Rejected: a list of our own, which knows no patterns; asking a
//     service outside, which is told what people type.
func newPassword(shop *workflow.Shop, a Account, password string) error {
	refuse := func(sentence string) error {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "password", Message: sentence}
	}
	if len([]rune(password)) < MinPassword || len(password) > MaxPassword {
		return refuse(fmt.Sprintf("A password has %d to %d characters; a sentence is easy to remember.", MinPassword, MaxPassword))
	}
	if guessable(password, ownWords(shop, a)) {
		return refuse("That password is easily guessed: it's a common one, a pattern, or made of names that belong to you or the shop. A sentence of four or more words of your own is easy to remember.")
	}
	return nil
}

// guessable reports whether somebody who knows these words guesses a password in fewer than 10^8 tries, or would without
// what stands between its words.
func guessable(password string, words []string) bool {
	if r := []rune(password); len(r) > judged {
		password = string(r[:judged])
	}
	password = strings.ToLower(password)
	joined := strings.Join(strings.FieldsFunc(password, notOfWords), "")
	return zxcvbn.PasswordStrength(password, words).Score < 3 || len(joined) >= 8 && zxcvbn.PasswordStrength(joined, words).Score < 3
}

func notOfWords(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }

// ownWords are the words that somebody who knows the shop tries first: its name, address, telephone number, email
// and website, the person's name, and this program's.
func ownWords(shop *workflow.Shop, a Account) []string {
	_, host, _ := strings.Cut(shop.BaseURL, "://")
	_, domain, _ := strings.Cut(shop.Email, "@")
	out := []string{"benchword", host, domain, strings.ToLower(shop.Email)}
	for _, text := range []string{shop.Name, string(shop.ID), shop.BaseURL, shop.Email, shop.Phone, shop.Address, a.Login, a.Name} {
		words := strings.FieldsFunc(strings.ToLower(text), notOfWords)
		for _, w := range words {
			if len(w) > 2 {
				out = append(out, w)
			}
		}
		out = append(out, strings.Join(words, ""))
	}
	return out
}

// sign makes 128 bits out of texts that only this shop's servers can make, for one use: it signs what a browser keeps, and
// names what is counted without saying what it was.
func (s *Server) sign(use string, of ...string) string {
	m := hmac.New(sha256.New, s.key)
	m.Write([]byte(use))
	for _, t := range of {
		fmt.Fprintf(m, "\x00%d\x00%s", len(t), t)
	}
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil)[:16])
}

// signed reports whether that is what sign makes, in a time that does not tell how much of it is.
func (s *Server) signed(signature, use string, of ...string) bool {
	return hmac.Equal([]byte(signature), []byte(s.sign(use, of...)))
}
