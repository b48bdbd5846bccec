package workflow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// posted is a job that was posted back, unrepaired, by a carrier to a country.
func posted(t *testing.T, carrier, country string) *bench {
	b := newBench(t)
	b.s.Shop.Country = "CA"
	b.s.Shop.Carriers = []Carrier{{Days: 9}, {Name: "Sea Post", Days: 5, Abroad: map[string]int{"US": 12}}}
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	b.do(counter, pass(SafetyTest), packAll, PrepareShipment{Carrier: carrier, Parcel: "RR473124829CA", Country: country}, Go{To: StageShipped})
	return b
}

// A parcel is on its way until the carrier's usual days are over, should then have arrived, and has arrived where
// somebody says so; nobody's silence is an arrival.
func TestNothingArrivesUntold(t *testing.T) {
	b := posted(t, "sea post", "")
	left := b.s.Shop.Calendar.Date(b.job().EndedAt)
	is := func(w Where, need NeedKind, stage Stage) {
		t.Helper()
		at := b.standing()
		require.Equal(t, []any{w, need}, []any{at.Where, at.Need.Kind})
		x := b.job().index(b.s.Shop)
		require.Equal(t, stage, x.Stage)
		require.True(t, x.Ended)
	}
	is(WhereShipped, NeedNone, StageShipped)
	require.Equal(t, (left + 5).String(), b.standing().ArriveBy)
	b.passes(midnight(b.s.Shop, left+6).Sub(b.now) - time.Second)
	is(WhereShipped, NeedNone, StageShipped)
	b.passes(time.Second)
	is(WhereOverdue, NeedTell, StageUnarrived)
	require.False(t, b.job().index(b.s.Shop).Waiting)
	b.passes(90 * 24 * time.Hour)
	is(WhereOverdue, NeedTell, StageUnarrived)
	b.s.Shop.Carriers = nil
	require.Equal(t, (left + 5).String(), b.standing().ArriveBy, "what was said stays said")

	b.do(customer, TellArrival{})
	is(WhereMissing, NeedNone, StageUnarrived)
	require.True(t, b.job().index(b.s.Shop).Waiting, "the counter is told")
	n := b.job().Version
	b.do(customer, TellArrival{})
	require.Equal(t, n, b.job().Version, "said twice is said once")
	j := b.do(counter, TellArrival{Arrived: true, Note: "The carrier's page says so."})
	is(WhereArrived, NeedNone, StageShipped)
	require.Equal(t, RoleCounter, j.Arrival.By)
	require.False(t, j.index(b.s.Shop).Waiting)
	b.do(customer, TellArrival{})
	is(WhereMissing, NeedNone, StageUnarrived)
	b.refuses(CodeForbidden, technician, TellArrival{Arrived: true})
	b.checkHistory()
}

// The usual days are the carrier's and the country's; where nobody knows them, nothing is said.
func TestUsualDays(t *testing.T) {
	for _, x := range []struct {
		carrier, country string
		days             int
	}{{"Sea Post", "us", 12}, {"Sea Post", "FR", 0}, {"Sea Post", "CA", 5}, {"Another", "", 9}, {"Another", "US", 0}} {
		j := posted(t, x.carrier, x.country)
		day, ok := j.job().ShouldArrive(j.s.Shop)
		require.Equal(t, x.days > 0, ok, x)
		if ok {
			require.Equal(t, x.days, int(day-j.s.Shop.Calendar.Date(j.job().EndedAt)), x)
		}
		require.Equal(t, !ok, j.job().WakeAt(j.s.Shop).IsZero())
	}
	b := posted(t, "Sea Post", "")
	b.do(owner, ErasePerson{})
	b.passes(20 * 24 * time.Hour)
	require.Empty(t, b.job().ArriveBy, "nobody is there to be asked")
	b.refuses(CodeRefused, counter, TellArrival{Arrived: true})

	b = newBench(t)
	j := b.toAwaiting()
	b.refuses(CodeRefused, counter, TellArrival{Arrived: true})
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	require.Equal(t, "country", b.refuses(CodeInvalid, counter, PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA", Country: "Brazil"}).Field)
	b.do(counter, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	b.refuses(CodeRefused, counter, TellArrival{Arrived: true})
}

// A device that is booked in again under warranty names the job before, and that one names it, whatever the door.
func TestAReturnIsNamedOnBoth(t *testing.T) {
	b := posted(t, "Sea Post", "")
	first := b.n
	b.passes(7 * 24 * time.Hour)
	book := booking
	book.Follows = first
	b.n = ""
	b.do(counter, book)
	second := b.n
	require.Equal(t, []NoticeKind{EffectReturned}, b.effects())
	require.NoError(t, b.s.TakeEffect(t.Context(), second, EffectReturned))
	require.NoError(t, b.s.TakeEffect(t.Context(), second, EffectReturned))
	b.n = first
	require.Equal(t, []JobNumber{second}, b.job().Returns)
	require.Equal(t, WhereArrived, b.standing().Where, "it can’t come back from where it never was")
	b.checkHistory()
	b.n = second
	require.Empty(t, b.job().Returns)

	book.Follows, b.n = "K7M2QX8", ""
	b.do(counter, book)
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectReturned), "a number from before benchword has no job to tell")
}
