package portal

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
	"github.com/stretchr/testify/require"
)

// The W3C's own registrations and sign-ins (Web Authentication Level 3, Test Vectors), through what we ask of the library:
// all that tell of a checked finger, face or PIN are taken, all others refused, and so is each with another challenge or a
// changed signature.
func TestPublishedPasskeys(t *testing.T) {
	b, err := os.ReadFile("../testdata/published/webauthn_vectors.json")
	require.NoError(t, err)
	var all struct {
		Vectors []struct {
			ID, Origin                   string
			Registration, Authentication map[string]string
		}
	}
	require.NoError(t, json.Unmarshal(b, &all))
	require.Len(t, all.Vectors, 15)
	b64 := func(h string) string {
		raw, err := hex.DecodeString(h)
		require.NoError(t, err)
		return base64.RawURLEncoding.EncodeToString(raw)
	}
	strict, err := relyingParty("Bench", "https://example.org")
	require.NoError(t, err)
	h := &holder{Account: Account{Login: "ada"}, handle: []byte("handle")}
	taken, used := "", ""
	for _, v := range all.Vectors {
		id := v.Registration["credential_id"]
		body, err := json.Marshal(map[string]any{"id": b64(id), "rawId": b64(id), "type": "public-key", "response": map[string]string{
			"clientDataJSON": b64(v.Registration["clientDataJSON"]), "attestationObject": b64(v.Registration["attestationObject"]),
		}})
		require.NoError(t, err)
		make := func(w *webauthn.WebAuthn, uv protocol.UserVerificationRequirement, challenge string) (*webauthn.Credential, error) {
			parsed, err := protocol.ParseCredentialCreationResponseBytes(body)
			if err != nil {
				return nil, err
			}
			return w.CreateCredential(h, webauthn.SessionData{Challenge: challenge, UserID: h.handle, UserVerification: uv, CredParams: webauthn.CredentialParametersDefault()}, parsed)
		}
		challenge := b64(v.Registration["challenge"])
		parsed, err := protocol.ParseCredentialCreationResponseBytes(body)
		if err == nil {
			verified := parsed.Response.AttestationObject.AuthData.Flags.HasUserVerified()
			_, err = make(strict, protocol.VerificationRequired, challenge)
			require.False(t, err == nil && !verified, "%s: nobody was asked", v.ID)
		}
		if _, err := make(strict, protocol.VerificationRequired, challenge); err == nil {
			taken += " " + v.ID
			_, err = make(strict, protocol.VerificationRequired, b64("00"+v.Registration["challenge"][2:]))
			require.Error(t, err, v.ID)
		}
		loose, err := relyingParty("Bench", v.Origin)
		require.NoError(t, err)
		loose.Config.RPAllowCrossOrigin, loose.Config.RPTopOrigins = true, []string{"https://example.com"}
		credential, err := make(loose, protocol.VerificationPreferred, challenge)
		if err != nil {
			continue
		}
		use := func(challenge, signature string, uv protocol.UserVerificationRequirement) error {
			body, err := json.Marshal(map[string]any{"id": b64(id), "rawId": b64(id), "type": "public-key", "response": map[string]string{
				"clientDataJSON": b64(v.Authentication["clientDataJSON"]), "authenticatorData": b64(v.Authentication["authenticatorData"]),
				"signature": b64(signature), "userHandle": b64(hex.EncodeToString(h.handle)),
			}})
			require.NoError(t, err)
			parsed, err := protocol.ParseCredentialRequestResponseBytes(body)
			if err != nil {
				return err
			}
			h.passkeys = []Passkey{{Credential: *credential}}
			_, _, err = strict.ValidatePasskeyLogin(func(_, _ []byte) (webauthn.User, error) { return h, nil }, webauthn.SessionData{Challenge: challenge, UserVerification: uv}, parsed)
			return err
		}
		challenge, signature := b64(v.Authentication["challenge"]), v.Authentication["signature"]
		if use(challenge, signature, protocol.VerificationRequired) == nil {
			used += " " + v.ID
			last := "00"
			if strings.HasSuffix(signature, last) {
				last = "01"
			}
			require.Error(t, use(challenge, signature[:len(signature)-2]+last, protocol.VerificationRequired), v.ID)
			require.Error(t, use(b64("00"+v.Authentication["challenge"][2:]), signature, protocol.VerificationRequired), v.ID)
		}
	}
	// The UV bit is set in these, and their attestation needs no list of makers; none comes from a frame of another site.
	require.Equal(t, " packed-self-es256 packed-es256 packed-es512 packed-rs256", taken)
	require.Equal(t, " none-es256-long-credential-id packed-es256 packed-es384", used)
}

// A challenge is ours for one use, by one person, for five minutes.
func TestPasskeyChallenges(t *testing.T) {
	first := newDesk(t)
	other := newDesk(t)
	b, err := first.s.challenge("make", "ada")
	require.NoError(t, err)
	c := base64.RawURLEncoding.EncodeToString(b)
	require.True(t, first.s.ours("make", "ada", c))
	require.False(t, first.s.ours("use", "ada", c))
	require.False(t, first.s.ours("make", "bo", c))
	require.False(t, other.s.ours("make", "ada", c), "another shop's")
	for _, bad := range []string{"", "x", c[:20], c + "A", "B" + c[1:], base64.RawURLEncoding.EncodeToString(b[:24])} {
		require.False(t, first.s.ours("make", "ada", bad), bad)
	}
	again, err := first.s.challenge("make", "ada")
	require.NoError(t, err)
	require.NotEqual(t, b, again)
	first.now = first.now.Add(ceremonyFor - time.Second)
	require.True(t, first.s.ours("make", "ada", c))
	first.now = first.now.Add(time.Second)
	require.False(t, first.s.ours("make", "ada", c))
	for base, want := range map[string]bool{"https://status.harbour.example": true, "http://status.harbour.example": false, "http://localhost:8080": true, "http://127.0.0.1:8080": false, "https://192.0.2.7": false} {
		d := first.with(func(c *Config) { c.Service.Shop.BaseURL = base })
		require.Equal(t, want, d.s.TakesPasskeys(), base)
	}
}
