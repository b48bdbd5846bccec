package portal

import (
	"io"
	"net/url"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// The customer sees and changes their own data; what leads to their door waits for the address on file.
func TestOwnDetails(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.Languages = []string{"en", "de"}
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/details"
	require.Contains(t, d.get("/j/"+d.token(link.Own)).body, at)
	typed := []string{"do", "yes", "name", "Mira Osei", "email", "mira@post.example", "phone", "", "address", "", "language", "en", "limit", "80", "insured", "250,00",
		"return", "collect", "data", "erase", "passcode", "zq-4711", "company", "Osei Film", "tax_number", "T-1"}
	with := func(fields ...string) []string { return append(append([]string{}, typed...), fields...) }
	require.Equal(t, 303, d.post(at, typed...).StatusCode)
	j := d.job()
	require.Equal(t, int64(8000), j.Limit.Minor)
	require.Equal(t, workflow.ReturnCollect, j.Wishes.Return)
	require.Equal(t, "Osei Film", j.Customer.Company.Text)
	page := d.get(at).body
	require.Contains(t, page, `value="250.00"`)
	require.Contains(t, page, "We got a passcode on")
	require.NotContains(t, page, "4711", "it is never shown again")

	wrong := d.post(at, with("limit", "much", "passcode", "zq-9999")...)
	require.Equal(t, 422, wrong.StatusCode)
	require.Contains(t, wrong.body, `value="much"`)
	require.NotContains(t, wrong.body, "9999", "not even in the form that comes back")
	require.Equal(t, 422, d.post(at, with("email", "mira@", "passcode", "")...).StatusCode)

	require.Equal(t, 303, d.post(at, with("address", "9 Other Street", "passcode", "", "language", "de")...).StatusCode)
	page = d.get(at).body
	require.Contains(t, page, "Bitte in unserer E-Mail an mira@post.example bestätigen")
	require.Contains(t, page, "9 Other Street")
	require.Empty(t, d.job().Customer.Address.Text)
	confirm := "/confirm/" + d.token(link.Confirm)
	require.Contains(t, d.get(confirm).body, "9 Other Street")
	d.post(confirm)
	require.Empty(t, d.job().Customer.Address.Text, "without its button nothing is confirmed")
	d.post(confirm, "mine", "yes")
	require.Equal(t, "9 Other Street", d.job().Customer.Address.Text)
	require.Contains(t, d.get(confirm).body, "Es ist geändert")

	d.post(at, with("address", "9 Other Street", "email", "mira@new.example", "passcode", "", "language", "en", "wipe", "yes")...)
	require.Nil(t, d.job().Passcode)
	moved := d.post("/confirm/"+d.token(link.Confirm), "mine", "yes")
	require.Equal(t, 200, moved.StatusCode)
	require.Contains(t, moved.body, "new links are on their way to mira@new.example")
	require.Equal(t, 410, d.get(at).StatusCode, "the old links have ended")

	version := d.job().Version
	at = "/j/" + d.token(link.Own) + "/details"
	require.Equal(t, 303, d.postForm(at, url.Values{"name": {""}, "address": {""}}).StatusCode)
	require.Equal(t, version, d.job().Version, "a program that sends forms as they come changes nothing")
	log, err := io.ReadAll(d.log)
	require.NoError(t, err)
	require.NotContains(t, string(log), "zq-")
}
