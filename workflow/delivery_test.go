package workflow

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
)

// failing is a store whose next commit is lost. It has no other way into the outbox, so nothing can be put
// back in the queue outside of the step.
type failing struct {
	*oneJob
	err     error
	commits []*Commit
}

func (s *failing) Commit(ctx context.Context, c *Commit) error {
	s.commits = append(s.commits, c)
	if err := s.err; err != nil {
		s.err = nil
		return err
	}
	return s.oneJob.Commit(ctx, c)
}

// A notice is sent again in the step that says so, and in no other.
func TestSendAgainIsOneStep(t *testing.T) {
	b := newBench(t)
	id := b.do(customer, booking).Notices[0].ID
	b.do(Actor{Role: RoleSystem}, RecordDelivery{ID: id, Buried: "The address does not exist."})
	s := &failing{oneJob: b.store, err: errors.New("the disk is gone")}
	b.s.store = s
	_, err := b.try(counter, SendAgain{ID: id})
	require.ErrorContains(t, err, "the disk is gone")
	require.Len(t, b.checkHistory().Undelivered(), 1)

	s.err = Conflict(nil)
	j := b.do(counter, SendAgain{ID: id})
	require.Empty(t, j.Undelivered())
	require.Len(t, s.commits, 3, "a step that lost is decided again")
	for _, c := range s.commits {
		require.Equal(t, []string{id}, c.Requeue)
		require.Equal(t, KindNoticeRequeued, c.Events[0].Kind())
	}
	b.do(counter, SendAgain{ID: id})
	require.Len(t, s.commits, 3, "it is on its way already")
}
