package workflow

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strings"
)

// Sealed is a piece of personal data. In an event, and in a stored job, it is only the salted digest
// of its value; salt and value are kept apart in the job's [Vault]. Erasing a person removes the
// vault's rows: the event chain, which never held the value, still verifies.
type Sealed struct {
	// Digest is hex SHA-256 over salt and text; "" means that there never was a value.
	Digest string
	// Text is the value; "" when it was erased.
	Text string
}

// Erased reports whether there was a value and it has been removed.
func (s Sealed) Erased() bool { return s.Digest != "" && s.Text == "" }

// Empty reports whether there never was a value.
func (s Sealed) Empty() bool { return s.Digest == "" && s.Text == "" }

// String returns the value, so that a Sealed prints as what it holds.
func (s Sealed) String() string { return s.Text }

// MarshalJSON writes the digest, never the text.
func (s Sealed) MarshalJSON() ([]byte, error) { return json.Marshal(s.Digest) }

// UnmarshalJSON reads a digest; [Vault.Unseal] adds the text.
func (s *Sealed) UnmarshalJSON(b []byte) error { return json.Unmarshal(b, &s.Digest) }

// Secret is one vault row: the value behind a digest.
type Secret struct {
	Digest string
	// Salt is 16 random bytes, hex.
	Salt string
	Text string
}

// Check reports whether the digest is that of salt and text.
func (s Secret) Check() bool { return s.Digest == sealDigest(s.Salt, s.Text) }

func sealDigest(salt, text string) string {
	sum := sha256.Sum256([]byte(salt + "\x00" + text))
	return hex.EncodeToString(sum[:])
}

// seal draws a salt and returns the sealed value with its vault row. An empty text stays empty.
func seal(random io.Reader, text string) (Sealed, *Secret, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return Sealed{}, nil, nil
	}
	var salt [16]byte
	if _, err := io.ReadFull(random, salt[:]); err != nil {
		return Sealed{}, nil, fmt.Errorf("drawing a salt: %w", err)
	}
	s := &Secret{Salt: hex.EncodeToString(salt[:]), Text: text}
	s.Digest = sealDigest(s.Salt, text)
	return Sealed{Digest: s.Digest, Text: text}, s, nil
}

// Vault holds the personal data of one job: digest -> text.
type Vault map[string]string

// Unseal fills in the text of every [Sealed] inside v, which must be a pointer. Stores call it after
// decoding a job or an event.
func (vault Vault) Unseal(v any) { vault.walk(reflect.ValueOf(v)) }

var sealedType = reflect.TypeFor[Sealed]()

func (vault Vault) walk(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			vault.walk(v.Elem())
		}
	case reflect.Struct:
		if v.Type() == sealedType {
			if s := v.Addr().Interface().(*Sealed); s.Digest != "" {
				s.Text = vault[s.Digest]
			}
			return
		}
		for i := range v.NumField() {
			if f := v.Field(i); v.Type().Field(i).IsExported() {
				vault.walk(f)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			vault.walk(v.Index(i))
		}
	}
}
