package workflow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A parcel that came damaged is something to do until the carrier has been told, by the day that the shop's own settings
// say for that carrier; without one no day is made up. Telling does the duty that the damaged parcel brought.
func TestDamageInTransitIsToldInTime(t *testing.T) {
	b := newBench(t)
	b.do(customer, booking)
	b.refuses(CodeRefused, counter, NoteDamage{Carrier: "Coast Parcel"})
	b.n = ""
	b.onTheBench(cordless)
	b.n = ""
	b.onTheBench(cordless)
	b.s.Shop.TellDays = map[string]int{"Coast Parcel": 7}
	todo := func() TodoState {
		for _, x := range b.job().Todo(b.s.Shop, RoleCounter) {
			if x.Kind == TodoDamage {
				return x.State
			}
		}
		return "none"
	}
	require.Equal(t, TodoState("none"), todo())
	j := b.do(technician, NoteFinding{Finding: Finding{Entry: "parcel_damaged"}})
	require.Equal(t, []any{TodoOpen, true}, []any{todo(), j.index(b.s.Shop).Waiting})
	b.refuses(CodeRefused, counter, TellDamage{To: PartyCarrier, How: "By email"})
	b.refuses(CodeForbidden, technician, TellDamage{To: PartyCarrier, How: "By email"})

	j = b.do(technician, NoteDamage{Carrier: "coast parcel", Value: "250.00", Before: "Clean breaks, no dust in them."})
	require.Equal(t, []any{"2026-11-09", "250.00 CAD"}, []any{j.Damage.TellBy, j.Damage.Value.String()}, "seven days from arrival")
	require.Empty(t, b.do(technician, NoteDamage{Carrier: "Another"}).Damage.TellBy, "no day is made up")
	require.Equal(t, "2026-11-05", b.do(technician, NoteDamage{Carrier: "Another", TellBy: "2026-11-05"}).Damage.TellBy)
	for _, bad := range []NoteDamage{{}, {Carrier: "A", TellBy: "soon"}, {Carrier: "A", TellBy: "2026-11-01"}, {Carrier: "A", Value: "much"}} {
		b.refuses(CodeInvalid, counter, bad)
	}

	b.do(counter, TellDamage{To: PartyInsurer, How: "Their form"})
	require.Equal(t, TodoOpen, todo(), "the insurer is not the carrier")
	require.True(t, b.job().Duties[0].Open(), "nor does that do the duty")
	b.refuses(CodeInvalid, counter, TellDamage{To: "neighbour", How: "x"})
	b.refuses(CodeInvalid, counter, TellDamage{To: PartyCarrier, How: "x", On: b.now.Add(time.Hour)})
	j = b.do(counter, TellDamage{To: PartyCarrier, How: "Claims desk by email, case 4711"})
	require.Equal(t, []any{TodoDone, false, 2}, []any{todo(), j.index(b.s.Shop).Waiting, len(j.Damage.Told)})
	require.False(t, j.Duties[0].Open(), "the duty that the parcel brought")
	j = b.do(technician, NoteDamage{Carrier: "Another", TellBy: "2026-11-05", Value: "300.00"})
	require.Len(t, j.Damage.Told, 2, "a correction keeps who was told")
	b.s.Shop.TellDays = map[string]int{"Another": 30}
	j = b.checkHistory()
	require.Equal(t, "2026-11-05", j.Damage.TellBy, "as it was")
	require.Equal(t, TodoDone, todo())
}
