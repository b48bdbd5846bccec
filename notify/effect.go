package notify

import (
	"context"
	"math"
	"strings"
	"time"

	"benchword/workflow"
)

// effects does what must be done outside the store because of a commit: it is the [Composer] and the
// [Transport] of that channel, which sends nothing anywhere.
type effects struct{ service *workflow.Service }

// EffectsConfig returns the settings of the dispatcher of effects. It never gives one up: what is to be
// forgotten must be, however long a disk or a bucket is away.
func EffectsConfig(service *workflow.Service) Config {
	x := effects{service}
	return Config{Service: service, Transport: x, Composer: x, Via: workflow.Effects, Apart: true, MostGap: time.Hour, GiveUpAfter: math.MaxInt64}
}

// Compose returns what carries the entry.
func (x effects) Compose(_ context.Context, _ *workflow.Job, e *workflow.Entry) (*Mail, error) {
	return &Mail{ID: e.ID, Data: []byte(e.Kind)}, nil
}

// Send takes the effect.
func (x effects) Send(ctx context.Context, m *Mail) (string, error) {
	n, _, _ := strings.Cut(m.ID, "-")
	if err := x.service.TakeEffect(ctx, workflow.JobNumber(n), workflow.NoticeKind(m.Data)); err != nil {
		return "", &Failure{Fate: PutOff, Words: "It could not be done yet.", Err: err}
	}
	return "Done.", nil
}
