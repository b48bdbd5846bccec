package counter

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
)

func TestUndoChargeAndEvidence(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.UndoFor = 30 * time.Minute
	d.awaiting()
	rosa := d.as("rosa")
	at := d.url("answer")
	ok := rosa.page(at).form(at).set("verdict", "approve").set("option", "A").set("how", "+1 902 555 0142").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, "+1 902 555 0142", d.job().Decisions[0].Call.Number.Text)

	undo := d.url("undo")
	bad := rosa.page(undo).form(undo).send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.body, `<a href="#how">`)
	require.Equal(t, 303, bad.form(undo).set("how", "they called back").send().StatusCode)
	require.Equal(t, workflow.StageAwaitingApproval, d.job().Stage)
	require.NotContains(t, rosa.get(undo).body, "Take it back</button>")
	ok = rosa.page(at).form(at).set("verdict", "approve").set("option", "A").set("how", "+1 902 555 0142").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())

	charge := d.url("charge")
	most := d.job().Authorised(d.svc.Shop)
	above := rosa.page(charge).form(charge).set("amount", "99999.00").set("reason", "More").send()
	require.Equal(t, 409, above.StatusCode)
	require.Contains(t, above.body, "at most that can be charged")
	require.Equal(t, 303, above.form(charge).set("amount", "1,50").set("reason", "It took a minute.").send().StatusCode)
	require.Equal(t, int64(150), d.job().Charge(d.svc.Shop).Minor)
	require.Equal(t, most, d.job().Authorised(d.svc.Shop))

	pay := d.url("payment")
	require.Equal(t, 303, rosa.page(pay).form(pay).set("way", "deposit").set("amount", "1.50").set("how", "transfer").send().StatusCode)
	require.Equal(t, workflow.PaymentDeposit, d.job().Payments[0].Kind)
	card := rosa.page(pay).form(pay).set("amount", "1.00").set("how", "4111 1111 1111 1111").send()
	require.Equal(t, 422, card.StatusCode)
	require.Contains(t, card.body, "looks like a card number")

	page := rosa.get(d.url("decisions"))
	require.Contains(t, page.body, "The fingerprint fits")
	require.Contains(t, page.body, "Halifax time, &#43;1 902 555 0142")
	file := rosa.get(d.url("decisions.json"))
	require.Contains(t, file.Header.Get("Content-Disposition"), "attachment")
	var records []workflow.ExportedDecision
	require.NoError(t, json.Unmarshal([]byte(file.body), &records))
	require.Len(t, records, 2)
	for _, r := range records {
		digest, err := r.Terms.Digest()
		require.NoError(t, err)
		require.Equal(t, r.Digest, digest, "anybody can take it anew from the file")
	}
	require.False(t, records[0].UndoneAt.IsZero())
	require.Equal(t, 403, d.as("nils").get(d.url("decisions.json")).StatusCode)
	paper := rosa.get(d.url("quote/1/quote.pdf"))
	require.True(t, strings.HasPrefix(paper.body, "%PDF-"))
}

func TestGradesAndDepositsInTheForm(t *testing.T) {
	d := newDesk(t)
	d.awaiting()
	rosa := d.as("rosa")
	at := d.url("quote")
	f := rosa.page(at).form(at).set("o0.l1.kind", "part:pulled_tested").set("o0.l1.text", "Lamp").set("o0.l1.price", "10.00").set("o0.deposit", "20").set("reason", "A used lamp.").set("do", "look")
	g := f.send()
	require.Equal(t, 303, g.StatusCode, g.problems())
	again := rosa.page(at)
	require.Contains(t, again.body, `value="part:pulled_tested" selected`)
	require.Contains(t, again.body, `value="20"`)
}

// The quote's form begins with the level's price and the diagnostic fee, each on a line of its own.
func TestQuoteBeginsWithLevelAndFee(t *testing.T) {
	d := newDesk(t)
	fee := money.Amount{Minor: 3500, Currency: "CAD"}
	d.svc.Shop.Fee = &fee
	d.svc.Shop.Levels = []workflow.Level{{Key: "express", Name: "Express", Promise: promiseclock.Quota{WorkingDays: 5}, Fee: &money.Line{
		Kind: money.Fee, Text: "Express service", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal("40.00"), Tax: "hst"}}}
	d.explained()
	require.NotNil(t, d.job().Level)
	at := d.url("quote")
	v := d.as("rosa").page(at).form(at).values
	require.Equal(t, []string{"Express service", "40.00"}, []string{v.Get("o0.l2.text"), v.Get("o0.l2.price")})
	require.Equal(t, []string{"Finding the cause", "35.00"}, []string{v.Get("o0.l3.text"), v.Get("o0.l3.price")})
}

// What is written for the case of a missed date stands in the form again, with its date; a note about a
// promise that was moved since does not.
func TestDelayNoteKeepsItsDate(t *testing.T) {
	d := newDesk(t)
	d.explained()
	rosa, at := d.as("rosa"), d.url("delay")
	require.Equal(t, 303, rosa.page(at).form(at).set("reason", "The part is late.").set("by", "2026-12-18").send().StatusCode)
	v := rosa.page(at).form(at).values
	require.Equal(t, []string{"The part is late.", "2026-12-18"}, []string{v.Get("reason"), v.Get("by")})
	d.do(workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}, workflow.MovePromise{Days: 30, Reason: "A part has to come by sea."})
	require.Empty(t, rosa.page(at).form(at).values.Get("reason"))
}
