package workflow

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"regexp"
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

// Words are what somebody typed about a job that may say something about a person: a reason, a note, a
// caption, a parcel's number. They are sealed as personal data is. Events of earlier versions hold them in
// clear, and read as such: JSON has {"sealed": digest} for the one and a plain string for the other.
type Words struct{ Sealed }

// Plain returns words as they are typed into a command, in clear.
func Plain(text string) Words { return Words{Sealed{Text: text}} }

type sealedWords struct {
	Sealed string `json:"sealed"`
}

// MarshalJSON writes the digest, or the text of words that were never sealed.
func (w Words) MarshalJSON() ([]byte, error) {
	if w.Digest != "" {
		return json.Marshal(sealedWords{w.Digest})
	}
	return json.Marshal(w.Text)
}

// UnmarshalJSON reads either.
func (w *Words) UnmarshalJSON(b []byte) error {
	*w = Words{}
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &w.Text)
	}
	var s sealedWords
	err := json.Unmarshal(b, &s)
	w.Digest = s.Sealed
	return err
}

var sealedForm = regexp.MustCompile(`\{"sealed":"([0-9a-f]{64}|-)"\}`)

// InClear puts what the job's words say in the place of their digests, in JSON made of it for somebody who may
// read them: within a JSON text no quote stands bare, so that nothing else looks like a digest.
func (j *Job) InClear(raw []byte) []byte {
	said := Vault{}
	eachSealed(reflect.ValueOf(j), func(s *Sealed) { said[s.Digest] = s.Text })
	return sealedForm.ReplaceAllFunc(raw, func(b []byte) []byte {
		text, _ := json.Marshal(said[string(sealedForm.FindSubmatch(b)[1])]) // a text always encodes
		return text
	})
}

// lost is the digest of words that were in clear and have been erased: that there were any is all that is left.
const lost = "-"

// Vault holds the personal data of one job: digest -> text.
type Vault map[string]string

// Unseal fills in the text of every [Sealed] inside v, which must be a pointer. Stores call it after
// decoding a job or an event.
func (vault Vault) Unseal(v any) {
	eachSealed(reflect.ValueOf(v), func(s *Sealed) {
		if s.Digest != "" {
			s.Text = vault[s.Digest]
		}
	})
	if j, ok := v.(*Job); ok && !j.Erased.IsZero() {
		j.loseWords() // an earlier version left them where it erased somebody
	}
}

// loseWords empties what is there in clear, but for the device's name; that there was something stays.
func (j *Job) loseWords() {
	maker, model := j.Device.Maker, j.Device.Model
	eachSealed(reflect.ValueOf(j), func(s *Sealed) {
		if s.Digest == "" && s.Text != "" {
			*s = Sealed{Digest: lost}
		}
	})
	j.Device.Maker, j.Device.Model = maker, model
}

var sealedType = reflect.TypeFor[Sealed]()

// eachSealed calls do for every [Sealed] inside v.
func eachSealed(v reflect.Value, do func(*Sealed)) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			eachSealed(v.Elem(), do)
		}
	case reflect.Struct:
		if v.Type() == sealedType {
			do(v.Addr().Interface().(*Sealed))
			return
		}
		for i := range v.NumField() {
			if f := v.Field(i); v.Type().Field(i).IsExported() {
				eachSealed(f, do)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			eachSealed(v.Index(i), do)
		}
	}
}
