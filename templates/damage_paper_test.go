package templates

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchword/templates/locale"
	"benchword/templates/paper/papertest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// paperText is what an independent tool reads in a paper.
func paperText(t *testing.T, name string, file []byte, err error) string {
	t.Helper()
	require.NoError(t, err)
	at := filepath.Join(t.TempDir(), name)
	if *gallery != "" {
		at = filepath.Join(*gallery, name)
	}
	require.NoError(t, os.WriteFile(at, file, 0o600))
	papertest.Tool(t, "qpdf", "--check", at)
	text := strings.Join(strings.Fields(papertest.Tool(t, "pdftotext", "-raw", at, "-")), " ")
	require.NotContains(t, text, "□", name)
	require.NotContains(t, text, "[", name)
	return text
}

// The paper for a carrier says what was found on arrival and nothing that came later, with parcel, value, day and who was
// told; and that the carrier's own rules hold. It blames nobody.
func TestThePaperForACarrier(t *testing.T) {
	b := newBench(t)
	b.findings()
	b.do(tom, workflow.NoteFinding{Finding: workflow.Finding{Entry: "parcel_damaged", Photos: []int{1}}},
		workflow.NoteDamage{Carrier: "Coast Parcel", Value: "250.00", TellBy: "2026-12-08", Before: "The breaks are clean, without dust in them."})
	b.do(ada, workflow.TellDamage{To: workflow.PartyCarrier, How: "claims desk by email, case 4711"})
	j := b.job()
	for lang, says := range map[string][]string{
		"en": {"Damage in transit", "The carrier’s own rules", "no legal advice", "Coast Parcel", "8 December 2026", "250.00", "The breaks are clean", "case 4711", "Parcel damaged"},
		"fr": {"Dommage de transport", "Les règles du transporteur", "8 décembre 2026", "Qui a été prévenu"},
		"de": {"Transportschaden", "die Regeln des Paketdienstes", "8. Dezember 2026", "Wem es gemeldet wurde"},
		"es": {"Daño de transporte", "las reglas del transportista", "8 de diciembre de 2026", "A quién se avisó"},
	} {
		file, err := DamagePaper(j, b.s.Shop, locale.For(lang), b.now, plates)
		text := paperText(t, "damage-"+lang+".pdf", file, err)
		for _, s := range says {
			require.Contains(t, text, s, lang)
		}
		require.NotContains(t, text, "Three solder joints of socket J4", "earlier work is nothing that the way here did")
	}
}

// The slip in the box names what goes back and where the rest is; on a device made safe it says not to use it, on one with
// a cell what is known of its charge, and nothing that nobody noted.
func TestThePackingSlip(t *testing.T) {
	b := newBench(t)
	b.shipped()
	j := b.job()
	for _, lang := range locale.Languages {
		file, err := SlipPaper(j, b.s.Shop, locale.For(lang))
		text := paperText(t, "slip-"+lang+".pdf", file, err)
		require.Contains(t, text, locale.For(lang).T("slip.title"))
		for _, it := range j.Contents {
			require.Contains(t, text, it.Text)
		}
		require.NotContains(t, text, locale.For(lang).T("slip.cell"))
	}
	charge := 28
	j.Screening.Lithium, j.Shipment.Cell = workflow.Yes, &workflow.PackedCell{Charge: &charge}
	file, err := SlipPaper(j, b.s.Shop, locale.For("en"))
	text := paperText(t, "slip-cell.pdf", file, err)
	require.Contains(t, text, "Its charge when it was packed: 28%.")
	require.NotContains(t, text, "switched off", "nobody said so")
}
