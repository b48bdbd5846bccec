package portaltest

import (
	"crypto/rand"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// Service is an invented shop in Halifax over a store, open on some days ("mon tue …") at those hours, with the
// settings that most tests want; a test changes the others.
func Service(t testing.TB, store workflow.Store, now func() time.Time, log io.Writer, days string, hours ...string) *workflow.Service {
	t.Helper()
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	maker, err := link.NewMaker(key)
	require.NoError(t, err)
	week := map[string][]string{}
	for _, d := range strings.Fields(days) {
		week[d] = hours
	}
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: week})
	require.NoError(t, err)
	return workflow.Service{
		Shop: &workflow.Shop{
			ID: "harbour", Name: "Harbour Bench", BaseURL: "http://desk.example", Email: "bench@harbour.example", Address: "Harbour Bench\n1 Dock Street",
			Calendar: cal, Currency: "CAD", Prices: money.BeforeTax, Taxes: map[string]money.Tax{"hst": {Percent: money.MustDecimal("15")}},
			Languages: []string{"en"}, PromiseDays: 10, QuoteDays: 14, WarrantyDays: 90, Tests: []string{"Function"}, LinkFor: 365 * 24 * time.Hour,
		},
		Links: maker, Now: now, Random: rand.Reader, Log: slog.New(slog.NewTextHandler(log, nil)),
	}.On(store)
}
