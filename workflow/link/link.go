// Package link makes unguessable links: each lets its holder do one kind of thing ([Own], [Share], [Decide] …)
// to one job of one shop. What each lets its holder do is a table in package workflow.
//
// Contract:
//
//   - A token is 160 bits, HMAC-SHA-256 cut to its first 20 bytes, under a secret key, over shop, job,
//     purpose and a random 128-bit id. Whoever has the key and the id can make the token again, so a mail
//     can be rendered twice alike; the store keeps the id with the job and, to look a visitor's token up,
//     only the token's SHA-256 ([Token.Hash]). Reading the store gives nobody a link.
//   - Nothing about the job can be read out of a token, and nobody without the key can make one, however
//     many they have seen.
//   - Expiry and revocation are not in the token: they are in the store beside its hash.
//   - Keys rotate: the one with the highest number signs, every other one that is still given makes the
//     links it once made. An id carries its key's number. Dropping a key from the file ends the links that it
//     made: they could be neither sent again nor ended one by one.
//   - A [Token] or [Key] prints and logs as "(hidden)"; ask with [Token.Text]. (Package fmt can't ask a value
//     in an unexported field how it wants to be printed: do not print structs that keep one there.)
//
// # Decisions
//
//   - 2026-11-25: Links are derived, not stored. Rejected: random tokens kept in clear in the outbox until
//     their email is out, since a repeat must carry the same link and a backup of the database must open
//     nothing.
//   - 2026-11-25: Links stand in addresses (against ASVS 5.0 V14.2.1). They are the customer's only key, of
//     low value where they only look; no referrer, no store and no log holds them, and deciding takes a
//     second kind of link and a POST.
//   - 2026-11-25: The keys stay a file of each server. A shared store knows only their sums, and a server
//     with others is refused: a copy of the store alone still opens nothing.
package link

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Purpose is the one kind of thing that a link lets its holder do.
type Purpose string

const (
	Own    Purpose = "own"    // the customer's, in their emails: look, write, choose what to be told
	Share  Purpose = "share"  // made by the customer for others: look, and nothing else
	Decide Purpose = "decide" // answer the quote
	Choose Purpose = "choose" // say what is to happen after a missed promise
	// Confirm is sent to the address on file, to say there whether a message, a change or a booking is the customer's.
	Confirm Purpose = "confirm"
	// Data is sent to the address on file, and opens all that is kept about the customer.
	Data Purpose = "data"
	// Look is what emails held before 2026-11-30 and told people to pass on. None is made any more.
	Look Purpose = "look"
)

// Purposes lists them all.
var Purposes = []Purpose{Own, Share, Decide, Choose, Confirm, Data, Look}

// Valid reports whether p is one of the purposes above.
func (p Purpose) Valid() bool { return slices.Contains(Purposes, p) }

const (
	tokenBytes = 20 // 160 bits
	tokenChars = 32
	idBytes    = 16 // 128 bits
	hidden     = "(hidden)"
)

// base32 of RFC 4648 in lower case, without padding: 5 bits a character, so 160 bits are 32 characters
// that survive mail, double clicks and reading out.
var alphabet = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// Token is the secret part of a link's address.
type Token struct{ b [tokenBytes]byte }

// Text returns the token as it is in an address: 32 characters of a-z and 2-7.
func (t Token) Text() string { return alphabet.EncodeToString(t.b[:]) }

// Hash returns what the store keeps of the token.
func (t Token) Hash() Hash { return sha256.Sum256(t.b[:]) }

// Format prints "(hidden)", whatever the verb.
func (t Token) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, hidden) }

// Hash is the SHA-256 of a token's 20 bytes.
type Hash [sha256.Size]byte

// String returns the hash in hex.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ErrShape is what [ParseToken] returns for a text that can't be a token.
var ErrShape = errors.New("this address is not complete; open the link from the email again, or copy all of it")

// ParseToken reads a token out of an address; capitals are read as small letters. It says only whether
// the shape is right. Its time depends on the length of s alone, not on what is in it.
func ParseToken(s string) (Token, error) {
	if len(s) != tokenChars {
		return Token{}, ErrShape
	}
	var t Token
	var acc, bad int
	for i, bits, o := 0, 0, 0; i < tokenChars; i++ {
		c := int(s[i])
		// between is all ones where low < c < high, else 0, without a branch.
		between := func(low, high int) int { return ((low - c) & (c - high)) >> 8 }
		v := between('a'-1, 'z'+1)&(c-'a'+1) | between('A'-1, 'Z'+1)&(c-'A'+1) | between('2'-1, '7'+1)&(c-'2'+27)
		v--
		bad |= v // negative where c is in none of the three
		acc = acc<<5 | v&31
		if bits += 5; bits >= 8 {
			bits -= 8
			t.b[o] = byte(acc >> bits)
			o++
		}
		acc &= 0xff
	}
	if bad < 0 {
		return Token{}, ErrShape
	}
	return t, nil
}

// Key is a secret that links are made with. Its number orders it among the others.
type Key struct {
	Number uint16
	secret [sha256.Size]byte
}

// NewKey draws a key.
func NewKey(random io.Reader, number uint16) (Key, error) {
	k := Key{Number: number}
	if _, err := io.ReadFull(random, k.secret[:]); err != nil {
		return Key{}, fmt.Errorf("drawing a link key: %w", err)
	}
	return k, nil
}

// keyWord starts a key's line in a key file, so that a wrong file is recognised as such.
const keyWord = "benchword-link-key"

// Text returns the key as one line of a key file, without the line's end: the word benchword-link-key, the
// number and 64 hex digits. It is the secret itself.
func (k Key) Text() string {
	return fmt.Sprintf("%s %d %s", keyWord, k.Number, hex.EncodeToString(k.secret[:]))
}

// Format prints the number but not the secret, whatever the verb.
func (k Key) Format(f fmt.State, _ rune) { _, _ = fmt.Fprintf(f, "link key %d %s", k.Number, hidden) }

// ReadKeys reads a key file: one [Key.Text] a line; empty lines and lines that start with # are left out.
// Errors name the line and never repeat what is in it.
func ReadKeys(r io.Reader) ([]Key, error) {
	const most = 1 << 20
	text, err := io.ReadAll(io.LimitReader(r, most))
	if err != nil {
		return nil, fmt.Errorf("reading the link keys: %w", err)
	}
	var keys []Key
	for n, line := range strings.Split(string(text), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		k, ok := parseKey(line)
		if !ok {
			return nil, fmt.Errorf("line %d of the link keys can't be read; it must be %s, a number from 0 to 65535 and 64 hex digits", n+1, keyWord)
		}
		keys = append(keys, k)
	}
	if len(keys) == 0 {
		return nil, errors.New("there is no link key in the key file")
	}
	return keys, nil
}

func parseKey(line string) (Key, bool) {
	part := strings.Fields(line)
	if len(part) != 3 || part[0] != keyWord {
		return Key{}, false
	}
	n, err := strconv.ParseUint(part[1], 10, 16)
	if err != nil {
		return Key{}, false
	}
	k := Key{Number: uint16(n)}
	if len(part[2]) != hex.EncodedLen(len(k.secret)) {
		return Key{}, false
	}
	if _, err := hex.Decode(k.secret[:], []byte(part[2])); err != nil || k.secret == [sha256.Size]byte{} {
		return Key{}, false
	}
	return k, true
}

// Maker makes tokens. It may be used by several goroutines at once.
type Maker struct {
	keys   map[uint16]Key
	newest Key
}

// NewMaker takes one or more keys with different numbers; the highest number makes new links.
func NewMaker(keys ...Key) (*Maker, error) {
	if len(keys) == 0 {
		return nil, errors.New("there is no link key")
	}
	m := &Maker{keys: make(map[uint16]Key, len(keys)), newest: keys[0]}
	for _, k := range keys {
		if _, twice := m.keys[k.Number]; twice {
			return nil, fmt.Errorf("there are two link keys with the number %d; give the new one a higher number", k.Number)
		}
		if k.secret == [sha256.Size]byte{} {
			return nil, fmt.Errorf("link key %d is empty", k.Number)
		}
		m.keys[k.Number] = k
		if k.Number > m.newest.Number {
			m.newest = k
		}
	}
	return m, nil
}

// Makes reports whether the key of an id is among those given: whether its token can be made.
func (m *Maker) Makes(id string) bool {
	number, _, _ := strings.Cut(id, "-")
	n, err := strconv.ParseUint(number, 10, 16)
	_, ok := m.keys[uint16(n)]
	return err == nil && ok
}

// Marks digests parts under every key, the newest first: what says something again without saying what.
func (m *Maker) Marks(parts ...string) []string {
	keys := slices.SortedFunc(maps.Values(m.keys), func(a, b Key) int { return int(b.Number) - int(a.Number) })
	var out []string
	for _, k := range keys {
		mac := hmac.New(sha256.New, k.secret[:])
		_, _ = io.WriteString(mac, strings.Join(append([]string{"benchword mark 1"}, parts...), "\x00"))
		out = append(out, hex.EncodeToString(mac.Sum(nil)))
	}
	return out
}

// New draws an id and makes its token, under the newest key. The id is kept with the job; it is no secret
// by itself.
func (m *Maker) New(random io.Reader, shop, job string, p Purpose) (id string, t Token, err error) {
	var b [idBytes]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return "", Token{}, fmt.Errorf("drawing a link: %w", err)
	}
	id = strconv.Itoa(int(m.newest.Number)) + "-" + alphabet.EncodeToString(b[:])
	t, err = m.Token(shop, job, p, id)
	return id, t, err
}

// Token makes the token of an id again, as [Maker.New] made it. It is an error if the id is not one of
// ours or its key is no longer given.
func (m *Maker) Token(shop, job string, p Purpose, id string) (Token, error) {
	if !p.Valid() {
		return Token{}, fmt.Errorf("a link can't be for %q", string(p))
	}
	// The parts are kept apart by a zero byte, which none of them may hold: no two links share an input.
	if shop == "" || job == "" || strings.Contains(shop+job, "\x00") {
		return Token{}, errors.New("a link needs the names of a shop and a job")
	}
	number, random, _ := strings.Cut(id, "-")
	n, err := strconv.ParseUint(number, 10, 16)
	b, err2 := alphabet.DecodeString(random)
	if err != nil || err2 != nil || len(b) != idBytes || id != strconv.FormatUint(n, 10)+"-"+alphabet.EncodeToString(b) {
		return Token{}, errors.New("the link's id is not one that benchword makes")
	}
	key, ok := m.keys[uint16(n)]
	if !ok {
		return Token{}, fmt.Errorf("link key %d is no longer in the key file, so this link can't be made again; give out a new one", n)
	}
	mac := hmac.New(sha256.New, key.secret[:])
	_, _ = io.WriteString(mac, strings.Join([]string{"benchword link 1", shop, job, string(p), id}, "\x00"))
	var t Token
	copy(t.b[:], mac.Sum(nil))
	return t, nil
}

// markBytes make a mark of 16 characters.
const markBytes = 10

// Mark returns 16 characters that only a holder of the newest key can make of a shop's name for something: what
// carries them was written here.
func (m *Maker) Mark(shop, name string) string { return m.newest.mark(shop, name) }

// Marked reports whether a mark was made of the name by any of the keys.
func (m *Maker) Marked(shop, name, mark string) bool {
	for _, k := range m.keys {
		if hmac.Equal([]byte(k.mark(shop, name)), []byte(mark)) {
			return true
		}
	}
	return false
}

func (k Key) mark(shop, name string) string {
	mac := hmac.New(sha256.New, k.secret[:])
	_, _ = io.WriteString(mac, strings.Join([]string{"benchword mark 1", shop, name}, "\x00"))
	return alphabet.EncodeToString(mac.Sum(nil)[:markBytes])
}

// cipherOf returns what a key locks with, which has nothing to do with the links that it makes.
func (k Key) cipherOf() (cipher.AEAD, error) {
	mac := hmac.New(sha256.New, k.secret[:])
	_, _ = io.WriteString(mac, "benchword lock 1")
	b, err := aes.NewCipher(mac.Sum(nil))
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(b)
}

// lockBlock is what a locked text is filled up to a multiple of, so that its length says little.
const lockBlock = 64

// Lock encrypts a short text of a job under the newest key (AES-256-GCM). The text holds no zero byte.
func (m *Maker) Lock(random io.Reader, shop, job, text string) (string, error) {
	g, err := m.newest.cipherOf()
	if err != nil {
		return "", err
	}
	nonce := make([]byte, g.NonceSize())
	if _, err := io.ReadFull(random, nonce); err != nil {
		return "", fmt.Errorf("locking a text: %w", err)
	}
	filled := make([]byte, (len(text)/lockBlock+1)*lockBlock)
	copy(filled, text)
	return strconv.Itoa(int(m.newest.Number)) + "-" + alphabet.EncodeToString(g.Seal(nonce, nonce, filled, []byte(shop+"\x00"+job))), nil
}

// Unlock reads what [Maker.Lock] made for the same job, with whichever of the keys it was.
func (m *Maker) Unlock(shop, job, locked string) (string, error) {
	number, rest, _ := strings.Cut(locked, "-")
	n, err := strconv.ParseUint(number, 10, 16)
	b, err2 := alphabet.DecodeString(rest)
	key, ok := m.keys[uint16(n)]
	if err != nil || err2 != nil || !ok {
		return "", errors.New("this was locked with a link key that is no longer in the key file")
	}
	g, err := key.cipherOf()
	if err != nil || len(b) < g.NonceSize() {
		return "", errors.New("this was not locked here")
	}
	text, err := g.Open(nil, b[:g.NonceSize()], b[g.NonceSize():], []byte(shop+"\x00"+job))
	if err != nil {
		return "", fmt.Errorf("this was not locked here, or for another job: %w", err)
	}
	return strings.TrimRight(string(text), "\x00"), nil
}
