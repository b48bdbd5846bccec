package workflow

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"testing"
	"time"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// unfit is a store whose changes fail as it is told.
type unfit struct {
	Store
	err error
}

func (f *unfit) Commit(ctx context.Context, c *Commit) error {
	if f.err != nil {
		return f.err
	}
	return f.Store.Commit(ctx, c)
}

func (f *unfit) PutKey(context.Context, ShopID, string, string, []byte, time.Time) error {
	return f.err
}

func (f *unfit) Job(ctx context.Context, s ShopID, n JobNumber) (*Job, error) {
	if errors.Is(f.err, ErrDamaged) {
		return nil, f.err
	}
	return f.Store.Job(ctx, s, n)
}

// A change that can't be kept is trouble until one can be; refusals are none, and damage stays.
func TestTrouble(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	f := &unfit{Store: b.store}
	b.s = b.s.On(f)
	ctx := t.Context()
	require.Nil(t, b.s.Trouble(ctx))

	f.err = Conflict(errors.New("somebody was faster"))
	_, err := b.s.Do(ctx, Order{Job: b.n, By: counter, Expect: b.job().Version, Commands: []Command{SendMessage{Text: "Hello."}}})
	require.ErrorIs(t, err, ErrConflict)
	require.Nil(t, b.s.Trouble(ctx))

	f.err = fmt.Errorf("%w: the disk has none", ErrFull)
	_, err = b.try(counter, SendMessage{Text: "Hello."})
	require.ErrorIs(t, err, ErrUnavailable)
	since := b.now
	b.now = b.now.Add(time.Hour)
	require.Equal(t, since, b.s.Trouble(ctx).Since)
	require.Contains(t, b.s.Trouble(ctx).Words(), "full")
	f.err = nil
	require.Nil(t, b.s.Trouble(ctx), "it ends when there is room, without waiting for somebody")

	f.err = fmt.Errorf("%w: page 2", ErrDamaged)
	_, err = b.s.Job(ctx, b.n)
	require.ErrorIs(t, err, ErrUnavailable)
	f.err = nil
	require.Contains(t, b.s.Trouble(ctx).Words(), "damaged")
}

// A key that is lost takes its links with it: they open nothing, and the next email holds a new one.
func TestLinksOfALostKey(t *testing.T) {
	b := newBench(t)
	j := b.toDiagnosing()
	was, err := b.s.Token(j, j.Link(link.Own, b.now))
	require.NoError(t, err)
	_, err = b.s.Open(t.Context(), was)
	require.NoError(t, err)
	key, err := link.NewKey(rand.Reader, 20000)
	require.NoError(t, err)
	b.s.Links, err = link.NewMaker(key)
	require.NoError(t, err)
	_, err = b.s.Open(t.Context(), was)
	require.ErrorIs(t, err, ErrGone)
	j = b.do(counter, SendMessage{Text: "Hello."})
	is, err := b.s.Token(j, j.Link(link.Own, b.now))
	require.NoError(t, err)
	row, err := b.s.Open(t.Context(), is)
	require.NoError(t, err)
	require.Equal(t, b.n, row.Job)
	b.do(counter, RevokeLinks{})
	_, err = b.s.Open(t.Context(), is)
	require.ErrorIs(t, err, ErrGone)
}
