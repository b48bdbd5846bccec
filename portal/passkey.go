package portal

import (
	"context"
	"time"

	"benchword/workflow"
)

const bucketPasskey = "passkey"

// Passkey is one of somebody's passkeys.
type Passkey struct {
	Login  string    `json:"login"`
	Name   string    `json:"name"`
	MadeAt time.Time `json:"made_at"`
	UsedAt time.Time `json:"used_at,omitzero"`
}

func passkeysOf(ctx context.Context, s *workflow.Service, login string) ([]Passkey, error) {
	return nil, nil
}
