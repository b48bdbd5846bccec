package counter

import (
	"strings"
	"testing"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// A parcel that came damaged: the board and the job say that the carrier is to be told and by when, the form keeps who was
// told, the paper is there in every language; and afterwards nothing reminds any more.
func TestDamageInTransitAtTheCounter(t *testing.T) {
	d := newDesk(t)
	d.s.Shop().TellDays = map[string]int{"Coast Parcel": 7}
	d.diagnosing()
	nils, rosa := d.as("nils"), d.as("rosa")
	d.do(bench, workflow.NoteFinding{Finding: workflow.Finding{Entry: "parcel_damaged"}})
	require.Contains(t, rosa.page(d.url("")).body, "The parcel came damaged")
	require.Contains(t, rosa.page("/counter").body, "carrier to be told")
	at := d.url("damage")
	require.Equal(t, 404, nils.get(d.url("damage/en.pdf")).StatusCode, "nothing is written down")
	bad := nils.page(at).form(at).set("value", "much").set("carrier", "Coast Parcel").send()
	require.Equal(t, 422, bad.StatusCode)
	ok := bad.form(at).set("value", "250.00").set("before", "Clean breaks").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Regexp(t, `by 2026-\d\d-\d\d`, nils.page(at).body)
	for _, lang := range []string{"en", "fr", "de", "es"} {
		require.True(t, strings.HasPrefix(rosa.get(d.url("damage/"+lang+".pdf")).body, "%PDF-"), lang)
	}
	told := rosa.page(at).form(d.url("damage/told")).set("to", "carrier").set("how", "claims desk, case 4711").send()
	require.Equal(t, 303, told.StatusCode, told.problems())
	require.Contains(t, rosa.page(at).body, "case 4711")
	require.NotContains(t, rosa.page(d.url("")).body, "The parcel came damaged")
	require.NotContains(t, rosa.page("/counter").body, "carrier to be told")
}

// What is noted of a cell at packing is kept, and the slip for the box is there.
func TestACellIsPacked(t *testing.T) {
	d := newDesk(t)
	d.testing()
	s := *d.job().Screening
	s.Lithium = workflow.Yes
	d.do(bench, workflow.AnswerScreening{Screening: s})
	at := d.url("packing")
	nils := d.as("nils")
	bad := nils.page(at).form(at).set("parcel", "RR473124829CA").set("cell_charge", "130").press("keep")
	require.Equal(t, 422, bad.StatusCode)
	ok := bad.form(at).set("cell_charge", "28").set("cell_off", "yes").press("keep")
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	x := d.job().Shipment.Cell
	require.Equal(t, []any{28, true, false}, []any{*x.Charge, x.Off, x.Marked})
	require.True(t, strings.HasPrefix(nils.get(d.url("slip.pdf")).body, "%PDF-"))
}
