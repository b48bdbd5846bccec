package bucket

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The forms are those of the IAM policy grammar, from memory: a statement or a principal alone, or lists.
func TestPublicPolicies(t *testing.T) {
	for policy, open := range map[string]bool{
		"":                 false,
		`{"Statement":[]}`: false,
		`{"Statement":[{"Effect":"Allow","Principal":"*"}]}`:                                                               true,
		`{"Statement":{"Effect":"Allow","Principal":"*"}}`:                                                                 true,
		`{"Statement":[{"Effect":"Allow","Principal":{"AWS":"*"}}]}`:                                                       true,
		`{"Statement":[{"Effect":"Allow","Principal":{"AWS":["arn:aws:iam::1:root","*"]}}]}`:                               true,
		`{"Statement":[{"Effect":"Deny","Principal":"*"},{"Effect":"Allow","Principal":{"AWS":["arn:aws:iam::1:root"]}}]}`: false,
		`{"Statement":[{"Effect":"Allow","Principal":{"Service":"logs"}}]}`:                                                false,
	} {
		got, err := public(policy)
		require.NoError(t, err, policy)
		require.Equal(t, open, got, policy)
	}
	for _, odd := range []string{"x", `{}`, `{"Statement":7}`, `{"Statement":[{"Effect":"Allow","Principal":7}]}`, `{"Statement":[{"Effect":"Allow","Principal":{"AWS":7}}]}`} {
		_, err := public(odd)
		require.Error(t, err, "what can't be understood may be open to all: %s", odd)
	}
}
