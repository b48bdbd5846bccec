package counter

import (
	"testing"
	"time"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// What instruments show is typed as it is read.
func TestWhatIsTypedOfAReading(t *testing.T) {
	for typed, want := range map[string]string{
		"9.1": "9.1 V", "9,1": "9.1 V", ">100": "> 100 V", "< 0,1": "< 0.1 V", "0.2 to 40": "0.2 to 40 V", "0.2…40": "0.2 to 40 V", "open": "open", "OL": "over range", "−3": "-3 V",
	} {
		m := &workflow.Measurement{Unit: "V"}
		require.True(t, instrumentShown(typed, m), typed)
		require.Equal(t, want, m.String())
	}
	for _, bad := range []string{"warm", "> ", "1 to", "1 to x"} {
		require.False(t, instrumentShown(bad, &workflow.Measurement{}), bad)
	}
	for typed, want := range map[string][2]string{"V AC": {"V", "ac"}, "VDC": {"V", "dc"}, "A peak": {"A", "peak"}, "V": {"V", ""}, "ohm": {"ohm", ""}, "ac": {"ac", ""}} {
		unit, as := unitOf(typed)
		require.Equal(t, want, [2]string{unit, string(as)}, typed)
	}
}

// A test step by step: class, readings in and out of limits, as found beside as left, instrument, person; and a soak.
func TestATestStepByStep(t *testing.T) {
	d := newDesk(t)
	shop := d.s.Shop()
	shop.Practice, shop.Instruments = "EN 50678", []workflow.Instrument{{Name: "Tester 1", Calibrated: "2026-03-01", Due: "2027-03-01"}}
	shop.TestSteps = map[string][]string{"function": {"Two hours at full load"}}
	d.testing()
	nils := d.as("nils")
	at, tests := d.url("test"), d.url("tests")
	require.Contains(t, nils.page(tests).body, at+"?of=Electrical%20safety")
	require.Contains(t, nils.page(at+"?of=Function").body, "Two hours at full load")
	none := nils.page(at + "?of=Electrical+safety")
	require.NotContains(t, none.body, "Protective conductor")
	page := nils.page(at + "?of=Electrical+safety&class=I")
	for _, words := range []string{"Protective conductor", "By EN 50678", `<option value="Tester 1">`, `<option value="Mohm">`} {
		require.Contains(t, page.body, words)
	}
	fill := func(f *sheet, earth string) *sheet {
		for i, came := range []string{"passed", "passed", "skipped", "passed", "passed"} {
			f = f.set("came-"+string(rune('0'+i)), came)
		}
		return f.set("value-1", earth).set("unit-1", "Ω").set("high-1", "0.3").set("found-1", "open").set("why-2", "Arresters inside").set("value-3", "<0.1").set("unit-3", "mA").set("high-3", "0.5").
			set("instrument", "Tester 1").set("person", "Nils Brandt").set("conditions", "230 V mains").set("result", "passed")
	}
	bad := fill(page.form(at), "0.31").send()
	require.Equal(t, 422, bad.StatusCode)
	require.Contains(t, bad.problems(), "outside of its limits")
	ok := bad.form(at).set("value-1", "0.08").file("photo", "meter.jpg", picture(t, 3)).send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	x := d.job().LatestTests()[0]
	require.Equal(t, []any{workflow.ClassI, "EN 50678", "Nils Brandt", 5, 1}, []any{x.Class, x.Practice, x.Person, len(x.Steps), len(x.Photos)})
	require.Equal(t, "0.08 ohm", x.Steps[1].Measurement.String())
	require.Equal(t, "open", x.Steps[1].Found.String())

	began := nils.page(tests).form(d.url("test/begin")).set("soak", "Function").set("hours", "4").send()
	require.Equal(t, 303, began.StatusCode, began.problems())
	require.Contains(t, nils.page(tests).body, "has been running since")
	require.WithinDuration(t, d.now.Add(4*time.Hour), d.job().Running.Until, time.Minute)
}

// A part is written down with the work that fitted it, and the plate's class with the parcel.
func TestAPartIsWrittenDown(t *testing.T) {
	d := newDesk(t)
	d.repairing()
	nils, work := d.as("nils"), d.url("work")
	bad := nils.page(work).form(work).set("text", "Renewed C7.").set("lot", "2631").send()
	require.Equal(t, 422, bad.StatusCode)
	ok := bad.form(work).set("part", "Capacitor").set("place", "C7").set("grade", "equal").set("old", "returned").send()
	require.Equal(t, 303, ok.StatusCode, ok.problems())
	require.Equal(t, []workflow.FittedPart{{Name: "Capacitor", Lot: "2631", Place: "C7", Grade: "equal", Old: workflow.FateReturned}}, d.job().Work[0].Fitted)

	d.n = ""
	d.booked()
	intake := d.url("intake")
	got := nils.page(intake).form(intake).set("class", "II").press("keep")
	require.Equal(t, 303, got.StatusCode, got.problems())
	require.Equal(t, workflow.ClassII, d.job().Device.Class)
}
