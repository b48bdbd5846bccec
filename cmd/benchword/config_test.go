package main

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/notify"
	"benchword/workflow"

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
	// The files of passwords and keys are not on this machine.
	return regexp.MustCompile(`/run/secrets/[\w.]+`).ReplaceAllString(settings, "config_test.go")
}

func TestSettingsInReadmeWork(t *testing.T) {
	s, err := ParseSettings("README.md", []byte(readmeSettings(t)))
	require.NoError(t, err)
	shop, err := s.shop()
	require.NoError(t, err)
	require.Equal(t, "America/Halifax", shop.Calendar.Location().String())
	require.Equal(t, []int{2, 5}, shop.RemindDays)
	require.False(t, shop.PauseFor["carrier"])
	require.Equal(t, 3*time.Minute, shop.Gather)
	require.Equal(t, workflow.Quiet{From: 21 * 60, To: 8 * 60}, shop.Quiet)
	box, err := s.Inbox.inbox()
	require.NoError(t, err)
	require.Equal(t, 993, box.Box.(*notify.IMAP).Port)
	_, err = s.Mail.signers()
	require.ErrorContains(t, err, "config_test.go", "it is no key")
	require.Equal(t, []int{50, 80}, shop.WarnAt)
	require.Equal(t, workflow.SilenceAgrees, shop.Silence)
	require.Len(t, shop.Levels, 3)
	x := shop.Level("express")
	require.Equal(t, workflow.Quota{WorkingDays: 3}, x.Promise)
	require.Equal(t, "4", x.Look.WorkingHours.String())
	require.Equal(t, "35.00", x.Fee.UnitPrice.String())
	require.Equal(t, "hst", x.Fee.Tax)
	require.True(t, shop.Levels[2].ByDate)
}

const twoHooks = `[[hooks]]
name = "till"
url = "https://till.example/hook"
secret_files = ["/dev/null"]
[[hooks]]
name = "till"
url = "till.example"
secret_files = ["/dev/null"]
`

// TestWrongSettingsAreNamed: a wrong setting is named with its line, what is wrong, and an example.
func TestWrongSettingsAreNamed(t *testing.T) {
	good := readmeSettings(t)
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
		{`quiet = "21:00-08:00"`, `quiet = "night"`, `mail.quiet must be hours like 21:00-08:00`},
		{`domain = "harbour.example"`, `domain = ""`, `line 91: mail.dkim.domain is missing. Example: domain = "harbour.example"`},
		{`[quote]`, "[quote]\ndaze = 3", `there is no setting called quote.daze`},
		{`[quote]`, "[store]\nphotos = \"https://s3.example.net/photos\"\n[quote]", `store.photos is no place of a bucket. Example: photos = "s3+https://s3.example.net/photos"`},
		{`[quote]`, "[store]\nphotos = \"s3+https://s3.example.net/photos\"\n[quote]", `store.photos_key is missing, and the bucket of the photos needs it`},
		{`settle_first = false`, `settle_first = "no"`, `line `},
		{`days = 14`, `days = `, `line `},
		{`carrier = false`, `carier = false`, `promise.pauses`},
		{`warn_at_percent = [50, 80]`, `warn_at_percent = [0.5]`, `line `},
		{`warn_at_percent = [50, 80]`, `warn_at_percent = [120]`, `promise.warn_at_percent is too large or too long (at most 99). Example: warn_at_percent = [50, 80]`},
		{`unanswered_means = "agree"`, `unanswered_means = "sell"`, `promise.unanswered_means must be one of: agree, return, agree_once`},
		{`key = "express"`, `key = "Express!"`, `line 48: level of service "Express": key may hold only a-z`},
		{`key = "express"`, `key = "standard"`, `line 48: level of service "Express": key = "standard" stands at an earlier level`},
		{`working_days = 3 `, `working_days = 3
date = true `, `level of service "Express": it promises working_days, working_hours or a date`},
		{`price = "35.00"`, `price = "cheap"`, `price = "cheap" is not an amount in CAD`},
		{`tax = "hst"`, `tax = "vat"`, `there is no tax called "vat"`},
		{`names = { fr = "Express" }`, `names = { xx = "Express" }`, `"xx" is none of en, fr, de, es`},
		{`diagnostic_fee = "35.00"`, `diagnostic_fee = "some"`, `line 27: money.diagnostic_fee = "some" is not an amount in CAD. Example: diagnostic_fee = "35.00"`},
		{`[inbox]`, "[inbox]\nmaildir = \".\"", `line 97: inbox names a maildir and a host; keep one of them`},
		{`first_look_within_hours = 4`, `first_look_within_hours = "soon"`, `line `},
		{`[inbox]`, twoHooks + "[inbox]", `line 99: hooks.name = "till" stands there twice`},
		{`[inbox]`, strings.Replace(twoHooks, "till", "books", 1) + "[inbox]", `line 99: hooks.url = "till.example" is no address`},
	} {
		require.Contains(t, good, c.from)
		_, err := ParseSettings("shop.toml", []byte(strings.Replace(good, c.from, c.to, 1)))
		require.ErrorContains(t, err, c.want, c.to)
		require.ErrorContains(t, err, "shop.toml")
	}
}
