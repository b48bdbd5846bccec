package templates

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"benchword/templates/locale"
	"benchword/templates/paper/papertest"
	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// fiveWays is a quote with five options, long words in each, as a shop in Bremen may write it.
func fiveWays(b *bench) *workflow.Job {
	b.t.Helper()
	b.s.Shop.UndoFor = 0
	line := func(kind money.LineKind, text, quantity, price string) money.Line {
		return money.Line{Kind: kind, Text: text, Quantity: money.MustDecimal(quantity), UnitPrice: money.MustDecimal(price)}
	}
	part := line(money.Part, "Tastenkontaktleiterplattensteckverbinder", "2", "38.40")
	part.Grade = money.GradeTested
	deposit := money.Amount{Minor: 8000, Currency: b.s.Shop.Currency}
	repair := workflow.Option{
		Kind: workflow.OptionRepair, Title: "Tastaturkontaktleiterplatte instand setzen", WorkingDays: 6, WarrantyDays: 180, Deposit: &deposit, Excluded: "Gehäuseoberflächenaufbereitung",
		Price: money.Request{Lines: []money.Line{line(money.Labour, "Arbeitszeit", "2.5", "84.00"), part, line(money.Credit, "Stammkundschaftsnachlass", "1", "-20.00"), line(money.Fee, "Funktionssicherheitsprüfung", "1", "0.00")}},
	}
	renew := repair
	renew.Kind, renew.Title = workflow.OptionRenew, "Instand setzen und Verschleißteile erneuern"
	replace := repair
	replace.Kind, replace.Title = workflow.OptionReplace, "Austausch gegen ein aufgearbeitetes Gerät"
	b.findings()
	return b.do(ada, workflow.SendReport{Text: workflow.ReportText{Short: "Zwei Steckverbinder sind gerissen."}}, workflow.IssueQuote{Options: []workflow.Option{
		repair, renew, replace,
		{Kind: workflow.OptionReplace, Title: "Ersatzgerät", Price: money.Request{Lines: []money.Line{line(money.Carriage, "Rückversand", "1", "14.90")}}},
		{Kind: workflow.OptionRecycle, Title: "Dem Recycling zuführen"},
	}}, workflow.Go{To: workflow.StageAwaitingApproval})
}

// TestQuotePapers reads our papers with an independent tool (poppler), and looks for the fields that the laws name:
// 16 CCR 2721 to 2723 and Directive (EU) 2024/1799 annex I, by the lists in checks.md.
func TestQuotePapers(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Estimate = &workflow.EstimatePaper{Registration: "E 104 233"}
	b.s.Shop.RepairForm = &workflow.RepairForm{}
	j := fiveWays(b)
	q := j.Quote()
	want := map[QuoteForm][]string{
		FormQuote: {"Tastaturkontaktleiterplatte instand setzen", "free of charge", "used, taken out of another device and tested", "Deposit of", "Not included", "Check code"},
		FormEstimate: {
			"Registration number: E 104 233", "Received on:", "Serial number", "The problem in the customer’s words: Keys from middle C upwards", "Address: 4 Quay Row, Lisbon",
			"Received by (signature or employee number)", "Check against the official text", "no legal advice", "Customer’s signature and date", "has not entered its text yet",
		},
		FormRepair: {
			"Other means online: ", "The defect: Zwei Steckverbinder", "Type of repair suggested:", "Price:", "Time needed:", "Additional services and their cost: none", "Temporary replacement: no",
			"Where the device is handed over:", "Valid until the end of:", "Additional information:", "Check against the official text", "no legal advice",
		},
	}
	require.Len(t, QuoteForms(b.s.Shop), len(want))
	for form, fields := range want {
		out, err := QuotePaper(j, q, b.s.Shop, form, locale.For("en"))
		require.NoError(t, err)
		again, err := QuotePaper(j, q, b.s.Shop, form, locale.For("en"))
		require.NoError(t, err)
		require.Equal(t, out, again, "the same quote gives the same bytes")
		at := filepath.Join(t.TempDir(), "paper.pdf")
		require.NoError(t, os.WriteFile(at, out, 0o600))
		text := strings.Join(strings.Fields(papertest.Tool(t, "pdftotext", "-raw", at, "-")), " ")
		for _, f := range fields {
			require.Contains(t, text, f, form)
		}
		require.Regexp(t, regexp.MustCompile(q.Digest[:16]), text)
		require.NotContains(t, text, "□", form)
		for _, lang := range []string{"fr", "de", "es"} {
			_, err := QuotePaper(j, q, b.s.Shop, form, locale.For(lang))
			require.NoError(t, err)
		}
	}
}
