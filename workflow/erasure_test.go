package workflow

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// album notes what is done to the photos; drafts keeps what is being written.
type album struct{ cleared, discarded []string }

func (a *album) Clear(_ context.Context, _ ShopID, n JobNumber) error {
	a.cleared = append(a.cleared, string(n))
	return nil
}

func (a *album) Discard(_ context.Context, _ ShopID, _ JobNumber, digests ...string) error {
	a.discarded = append(a.discarded, digests...)
	return nil
}

type drafts struct {
	*oneJob
	keys map[string]bool
}

func (d *drafts) ListKeys(_ context.Context, _ ShopID, _ string, _ time.Time) (out []KeyValue, _ error) {
	for k := range d.keys {
		out = append(out, KeyValue{Key: k})
	}
	return out, nil
}

func (d *drafts) DeleteKey(_ context.Context, _ ShopID, _, key string) error {
	delete(d.keys, key)
	return nil
}

// effects are the kinds of the effects that were committed, in order.
func (b *bench) effects() (out []NoticeKind) {
	for _, e := range b.store.notices {
		if e.Channel == Effects {
			out = append(out, e.Kind)
		}
	}
	return out
}

// Photos and drafts are gone after erasing, by an effect that is committed with it.
func TestErasingIsAnEffect(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	b.do(counter, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	require.Empty(t, b.effects())
	b.do(owner, ErasePerson{})
	require.Equal(t, []NoticeKind{EffectForget}, b.effects())

	photos, store := &album{}, &drafts{b.store, map[string]bool{string(b.n) + "/report": true, "K7M2QX8/report": true}}
	b.s.Pictures, b.s.store = photos, store
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectForget))
	require.Equal(t, []string{string(b.n)}, photos.cleared)
	require.Equal(t, map[string]bool{"K7M2QX8/report": true}, store.keys, "another job's draft stays")
	require.Error(t, b.s.TakeEffect(t.Context(), b.n, "another"))
}

func (d *drafts) Events(_ context.Context, _ ShopID, n JobNumber, after int64) ([]*Event, error) {
	return d.events[n][after:], nil
}

// Copies that show what was blurred since are discarded, and no others.
func TestBlurringIsAnEffect(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Alt: "A parcel"})
	require.Empty(t, b.effects(), "the copies are the same")
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Marks: []Mark{{Kind: MarkBlur, X2: 100, Y2: 100}}, Large: Copy{"dd", 1600, 1200}, Small: Copy{"ee", 480, 360}})
	require.Equal(t, []NoticeKind{EffectDiscard}, b.effects())
	photos := &album{}
	b.s.Pictures, b.s.store = photos, &drafts{oneJob: b.store}
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectDiscard))
	require.ElementsMatch(t, []string{"bb", "cc"}, photos.discarded)
}
