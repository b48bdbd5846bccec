package workflow

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/longtest"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
)

// told returns the standing's date, and the day that it names.
func (b *bench) told() (Date, string) {
	b.t.Helper()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	d := j.Standing(b.s.Shop, b.now).Date
	return d, b.s.Shop.Calendar.Date(d.At).String()
}

// What a wait takes is not told below a working day, adds up, and is told once it comes to one.
func TestSmallMovesAddUpUntilTheyAreTold(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	_, first := b.told()
	n := len(b.store.notices)
	for range 2 {
		b.do(counter, PlaceHold{Reason: HoldParts})
		b.passes(3 * time.Hour)
		b.do(counter, LiftHold{})
		d, day := b.told()
		require.Equal(t, DateBy, d.Kind)
		require.Equal(t, first, day, "less than a working day is not told")
		require.Empty(t, d.Moved)
		require.True(t, d.Due.After(d.At), "the clock knows better")
	}
	require.Empty(t, b.kindsFrom(n))
	b.do(counter, PlaceHold{Reason: HoldParts})
	b.passes(24 * time.Hour)
	b.do(counter, LiftHold{})
	d, day := b.told()
	require.Equal(t, NoticePromiseMoved, b.kindsFrom(n)[0])
	require.Greater(t, day, first)
	require.Len(t, d.Moved, len(b.kindsFrom(n)))
	require.Equal(t, []promiseclock.Account{promiseclock.AccountParts}, d.Moved[0].For)
	require.Equal(t, first, b.s.Shop.Calendar.Date(d.Moved[0].From).String())
	b.checkHistory()
}

// A move that comes to light with an answer is told by the email about the answer, not by one of its own.
func TestAMoveGoesWithTheEmailOfItsStep(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.passes(5 * 24 * time.Hour)
	n := len(b.store.notices)
	b.approve()
	require.Equal(t, []NoticeKind{NoticeDecision}, b.kindsFrom(n))
	d, _ := b.told()
	require.NotEmpty(t, d.Moved)
}

// While the clock stands, the date holds if the wait is over by the day named; then that date is in force.
func TestTheNamedDayKeepsItsDate(t *testing.T) {
	share := longtest.Share(t, 4)
	for hours := range 200 {
		if !share(hours) {
			continue
		}
		b := newBench(t)
		j := b.toAwaiting()
		b.passes(time.Duration(hours) * time.Hour)
		d, day := b.told()
		require.Equal(t, DatePaused, d.Kind)
		require.False(t, d.If.Before(b.now), "the named day has not passed")
		if !d.If.Before(j.Quote().ExpiresAt) {
			return
		}
		b.now = d.If
		b.now = b.now.Add(-time.Minute)
		b.approve()
		d, after := b.told()
		require.Equal(t, DateBy, d.Kind)
		require.Equal(t, day, after, "answered on the last day, after %d hours", hours)
		b.checkHistory()
	}
}

// Waiting for parts is told once, when the date told can't be kept any more.
func TestALongWaitIsToldOnce(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	_, first := b.told()
	n := len(b.store.notices)
	b.do(counter, PlaceHold{Reason: HoldParts})
	for range 9 * 24 {
		b.passes(time.Hour)
	}
	require.Equal(t, []NoticeKind{NoticePromiseMoved}, b.kindsFrom(n))
	d, day := b.told()
	require.Equal(t, DatePaused, d.Kind)
	require.Greater(t, day, first)
	require.Equal(t, b.s.Shop.Calendar.Date(b.now), b.s.Shop.Calendar.Date(d.If))
}

// A promise of an earlier version told every move without recording it: the first record is not told again.
func TestAnOldPromiseIsNotToldAgain(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(t, err)
	due, _ := j.Due(b.s.Shop)
	j.Promises[0].Told = nil
	require.Equal(t, due, j.LastTold(b.s.Shop, j.Promise()))
	j.Pauses = append(j.Pauses, promiseclock.Pause{From: b.now, To: b.now.Add(48 * time.Hour), For: promiseclock.AccountParts})
	b.now = b.now.Add(49 * time.Hour)
	moved, _ := j.Due(b.s.Shop)
	require.Equal(t, moved, j.Standing(b.s.Shop, b.now).Date.At, "as its page said before")
	x, err := b.s.decide(j, clockActor, []Command{Wake{}})
	require.NoError(t, err)
	require.Len(t, x.events, 1)
	require.True(t, x.events[0].Payload.(*DateTold).Known)
	require.Empty(t, noticesFor(b.s.Shop, j, x.events))
}

// What leaves after the day told but before the clock's instant is kept, and left later than said.
func TestLaterThanSaidIsKept(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
	b.do(technician, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA", Serial: "h-20417"})
	b.do(counter, PlaceHold{Reason: HoldParts})
	b.passes(4 * time.Hour)
	b.do(counter, LiftHold{})
	d, _ := b.told()
	b.now = d.Due.Add(-time.Minute)
	b.passes(0)
	d, _ = b.told()
	require.Equal(t, DateOver, d.Kind)
	require.False(t, d.Missed)
	b.now = b.now.Add(-time.Minute)
	b.do(counter, Go{To: StageShipped})
	d, _ = b.told()
	require.Equal(t, DateLeft, d.Kind)
	require.False(t, d.Missed)
	require.True(t, d.At.After(d.Told))
}

// A choice ends before the day of the date that it decides about.
func TestAChoiceEndsBeforeTheNewDate(t *testing.T) {
	for days := 1; days <= 8; days++ {
		b := newBench(t)
		b.late()
		j := b.do(counter, ExplainDelay{Reason: "The motor comes from overseas.", Days: days})
		d := j.Delay()
		c := b.s.Shop.Calendar
		if d.AnswerBy.IsZero() {
			require.Equal(t, 1, days)
			continue
		}
		require.Less(t, c.Date(d.AnswerBy), c.Date(d.NewBy), "%d days", days)
	}
}

// While the clock stands no day is named that has passed, nor one before the day by which the wait must end; and
// each date that a wait moved says whom for.
func TestNoDayIsNamedThatHasPassed(t *testing.T) {
	for hours := range time.Duration(30) {
		b := newBench(t)
		b.toDiagnosing()
		d, _ := b.told()
		b.now = d.Due.Add(-time.Hour)
		b.do(counter, PlaceHold{Reason: HoldParts})
		for range 8 {
			b.passes(10*time.Hour + hours*time.Minute)
			d, day := b.told()
			require.GreaterOrEqual(t, day, b.s.Shop.Calendar.Date(b.now).String())
			require.LessOrEqual(t, b.s.Shop.Calendar.Date(d.If).String(), day)
		}
		b.do(counter, LiftHold{})
		for _, x := range b.job().Tellings(b.s.Shop, b.job().Promise())[1:] {
			require.NotEmpty(t, x.For)
		}
	}
}

// A day that ends at midnight is that day, not the next one.
func TestADayThatEndsAtMidnight(t *testing.T) {
	b := newBench(t)
	spec := b.s.Shop.Calendar.Spec()
	spec.Hours = map[string][]string{}
	for _, day := range []string{"mon", "tue", "wed", "thu", "fri"} {
		spec.Hours[day] = []string{"09:00-24:00"}
	}
	c, err := calendar.New(spec)
	require.NoError(t, err)
	b.s.Shop.Calendar = c
	b.toDiagnosing()
	d, day := b.told()
	require.Equal(t, b.s.Shop.Calendar.Date(d.Due)-1, b.s.Shop.Calendar.Date(d.At), day)
	require.Equal(t, d.At, b.job().ToldBy(b.s.Shop, b.now), "a paper of that day names the same")
	require.Zero(t, b.job().ToldBy(b.s.Shop, b.job().Promise().MadeAt.Add(-time.Second)))
}

// At each instant of random jobs the date named is the one told last, or one with its condition, and no day is
// named that a step changes without telling.
func TestTheDateIsTheOneToldLast(t *testing.T) {
	share := longtest.Share(t, 4)
	for seed := range uint64(60) {
		if !share(int(seed)) {
			continue
		}
		r := rand.New(rand.NewPCG(seed, 13))
		b := newBench(t)
		b.toDiagnosing()
		for range 40 {
			j, err := b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			before := j.Standing(b.s.Shop, b.now).Date
			var c Command
			switch r.IntN(8) {
			case 0, 1:
				if c = (LiftHold{}); j.Hold() == nil {
					c = PlaceHold{Reason: HoldReasons[r.IntN(len(HoldReasons))]}
				}
			case 2:
				c = MovePromise{Days: 1 + r.IntN(9), Reason: "The part is rare."}
			}
			if c == nil {
				b.passes(time.Duration(r.IntN(30*60)) * time.Minute)
			} else {
				b.do(counter, c)
			}
			j, err = b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			if j.Stage != StageDiagnosing {
				break
			}
			d, p := j.Standing(b.s.Shop, b.now).Date, j.Promise()
			last := b.s.Shop.DayOf(p.Told[len(p.Told)-1].Date)
			at := j.retellAt(b.s.Shop)
			require.True(t, at.IsZero() || at.After(b.now), "a tell is owed")
			switch d.Kind {
			case DateBy, DateOver:
				require.Equal(t, last, d.At)
				due, _ := j.Due(b.s.Shop)
				require.False(t, b.s.Shop.movedADay(p.Told[len(p.Told)-1].Date, due))
				if before.Kind == DatePaused && c == (LiftHold{}) {
					require.False(t, d.At.After(before.At), "seed %d: what held under its condition goes on holding", seed)
					require.True(t, d.At.Equal(before.At) || d.At.Equal(before.Told), "seed %d: or nothing was to be told", seed)
				}
			case DatePaused:
				require.False(t, d.If.Before(b.now))
			}
		}
		b.checkHistory()
	}
}
