package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// readmeSettings is the shop.toml that README shows.
func readmeSettings(t *testing.T) string {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(text), "```toml\n")
	require.True(t, ok)
	settings, _, ok := strings.Cut(after, "```")
	require.True(t, ok)
	// The files of secrets are not on this machine.
	settings, dkim, ok := strings.Cut(settings, "[[mail.dkim]]")
	if ok {
		_, rest, _ := strings.Cut(dkim, "\n[")
		settings += "[" + rest
	}
	return strings.Replace(settings, "/run/secrets/smtp", os.DevNull, 1)
}

func TestSettingsInReadmeWork(t *testing.T) {
	s, err := ParseSettings("README.md", []byte(strings.Replace(readmeSettings(t), "password_file", "# password_file", 1)))
	require.NoError(t, err)
	shop, err := s.shop()
	require.NoError(t, err)
	require.Equal(t, "America/Halifax", shop.Calendar.Location().String())
	require.Equal(t, []int{2, 5}, shop.RemindDays)
	require.False(t, shop.PauseFor["carrier"])
}

// TestWrongSettingsAreNamed: a wrong setting is named with its line, what is wrong, and an example.
func TestWrongSettingsAreNamed(t *testing.T) {
	good := strings.Replace(readmeSettings(t), "password_file", "# password_file", 1)
	for _, c := range []struct{ from, to, want string }{
		{`id = "harbour"`, `id = "Harbour Bench"`, `line 2: shop.id may hold only a-z`},
		{`base_url = "https://status.harbour.example"`, `base_url = "status.harbour.example"`, `line 4: shop.base_url must be the address of the portal`},
		{`email = "bench@harbour.example"`, `email = "bench"`, `line 6: shop.email is not a complete e-mail address`},
		{`currency = "CAD"`, `currency = "CAN"`, `money.currency is not an ISO 4217 currency code. Example: currency = "CAD"`},
		{`hst = "15"`, `hst = "150"`, `money.taxes is not a percentage`},
		{`working_days = 10 `, `working_days = 1000 `, `promise.working_days is too large`},
		{`security = "starttls"`, `security = "ssl"`, `mail.security must be one of: starttls, tls, none. Example: security = "starttls"`},
		{`time_zone = "America/Halifax"`, `time_zone = "Atlantic/Halifax"`, `calendar: `},
		{`"09:00-12:30", "13:00-17:00"`, `"09:00-13:30", "13:00-17:00"`, `calendar: `},
		{`[quote]`, "[quote]\ndaze = 3", `there is no setting called quote.daze`},
		{`settle_first = false`, `settle_first = "no"`, `line `},
		{`days = 14`, `days = `, `line `},
	} {
		require.Contains(t, good, c.from)
		_, err := ParseSettings("shop.toml", []byte(strings.Replace(good, c.from, c.to, 1)))
		require.ErrorContains(t, err, c.want, c.to)
		require.ErrorContains(t, err, "shop.toml")
	}
}
