package notify

import (
	"context"
	"math"
	"time"

	"benchword/workflow"
)

// effects does what must be done outside the store because of a commit: a [Channel] that sends nothing.
type effects struct{}

// EffectsConfig returns the settings of the dispatcher of effects. It never gives one up: what is to be
// forgotten must be, however long a disk or a bucket is away.
func EffectsConfig(service *workflow.Service) Config {
	return Config{Service: service, Channel: effects{}, Apart: true, MostGap: time.Hour, GiveUpAfter: math.MaxInt64}
}

// Serves implements [Channel].
func (effects) Serves() workflow.Channel { return workflow.Effects }

// Attempt implements [Channel]: it takes the effect.
func (effects) Attempt(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (Done, error) {
	if err := s.TakeEffect(ctx, j.Number, e.Kind); err != nil {
		return Done{}, &Failure{Fate: PutOff, Words: "It could not be done yet.", Err: err}
	}
	return Done{Words: "Done."}, nil
}
