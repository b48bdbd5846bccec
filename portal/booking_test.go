package portal

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// books sends the booking form.
func (d *desk) books(email string, more ...string) got {
	d.t.Helper()
	return d.post("/book", append([]string{"cell", "no", "kind", "film scanner", "fault", "It hums.", "name", "Mira Osei", "email", email}, more...)...)
}

// What was seen in an attack: 30 bookings, from 16 networks, sent 30 emails with the booker's words to one stranger.
func TestBookingIsNoRelay(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.BookLimits = workflow.BookLimits{Address: 5, Domain: 12, All: 20}
	count := func(n int, email func(i int) string) (taken int) {
		for i := range n {
			switch g := d.books(email(i), "fault", fmt.Sprintf("It hums in %d ways: https://evil.example/login", i)); g.StatusCode {
			case 303:
				taken++
			case 429:
				require.NotEmpty(t, g.Header.Get("Retry-After"))
				require.Contains(t, g.body, "try again in an hour")
				require.Contains(t, g.body, "https://evil.example/login", "what was typed stays")
			default:
				require.Fail(t, "neither taken nor told", "%d: %s", g.StatusCode, g.body)
			}
		}
		return taken
	}
	warned := func() string {
		w, err := d.s.Warnings(t.Context(), workflow.RoleOwner)
		require.NoError(t, err)
		return strings.Join(w, " ")
	}
	victim := func(i int) string { return []string{"victim@example.org", "Victim@EXAMPLE.org"}[i%2] }
	require.Equal(t, 5, count(30, victim))
	require.Equal(t, 7, count(30, func(i int) string { return fmt.Sprintf("v%d@example.org", i) }), "twelve to one domain")
	require.Empty(t, warned())
	require.Equal(t, 8, count(30, func(i int) string { return fmt.Sprintf("v@d%d.example", i) }), "twenty in all")
	require.Contains(t, warned(), "More devices were booked", "the owner is told")
	require.Equal(t, 1, strings.Count(d.log.String(), "bookings on the web are refused"), "once")
	d.now = d.now.Add(time.Hour)
	require.Equal(t, 5, count(6, victim), "an hour later the next may come")
	d.now = d.now.Add(24 * time.Hour)
	require.Empty(t, warned())

	keys, err := d.svc.Bucket("booked").List(t.Context())
	require.NoError(t, err)
	require.NotContains(t, strings.ToLower(fmt.Sprint(keys)), "victim", "addresses are not kept")
}

// Who mistypes, presses twice or gives no email address uses nothing up; no limit is none.
func TestWhatCountsAsABooking(t *testing.T) {
	d := newDesk(t)
	d.svc.Shop.BookLimits = workflow.BookLimits{Address: 1}
	for range 3 {
		require.Equal(t, 422, d.books("mira@post.example", "model", "see www.evil.example").StatusCode)
	}
	first := d.books("mira@post.example")
	require.Equal(t, 303, first.StatusCode)
	require.Equal(t, first.Header.Get("Location"), d.books("mira@post.example").Header.Get("Location"))
	require.Equal(t, 429, d.books("mira@post.example", "fault", "Another one.").StatusCode)
	for i := range 3 {
		require.Equal(t, 303, d.books("", "phone", fmt.Sprint("+1 902 555 010", i)).StatusCode)
	}
	d.svc.Shop.BookLimits = workflow.BookLimits{}
	for i := range 3 {
		require.Equal(t, 303, d.books("mira@post.example", "fault", fmt.Sprint(i)).StatusCode)
	}
}

// newest returns the job that was booked last.
func (d *desk) newest(f workflow.BoardFilter) {
	d.t.Helper()
	f.Limit = 1
	rows, err := d.svc.Board(d.t.Context(), f)
	require.NoError(d.t, err)
	require.Len(d.t, rows, 1)
	d.n = rows[0].Job
}

// A booking that waits for its address is on no board; the page in the email changes nothing by being opened, and its
// buttons do what they say.
func TestConfirmingABooking(t *testing.T) {
	wait := workflow.BoardFilter{Stage: workflow.StageUnconfirmed, Ended: true}
	for _, mine := range []string{"yes", "no"} {
		d := newDesk(t)
		d.svc.Shop.ConfirmBookings = true
		booked := d.get(d.books("mira@post.example").Header.Get("Location")).body
		require.Contains(t, booked, "press the button in the email")
		require.NotContains(t, booked, "Send it to", "nothing is to be posted yet")
		d.newest(wait)
		at, before := "/confirm/"+d.token(link.Confirm), d.version()
		for range 2 {
			page := d.get(at)
			require.Equal(t, 200, page.StatusCode)
			require.Equal(t, "no-store", page.Header.Get("Cache-Control"))
			found, _ := forms(t, page.body)
			require.Len(t, found, 1)
			require.Equal(t, 303, d.postForm(at, found[0].values).StatusCode, "a form that is sent without its button")
		}
		require.Equal(t, before, d.version())
		rows, err := d.svc.Board(t.Context(), workflow.BoardFilter{Limit: 10})
		require.NoError(t, err)
		require.Empty(t, rows)
		said := d.postForm(at, url.Values{"mine": {mine}})
		if mine == "no" {
			require.Equal(t, 200, said.StatusCode)
			require.Contains(t, said.body, "The booking is deleted")
			require.NotContains(t, said.body, "scanner")
			require.Equal(t, 410, d.get(at).StatusCode)
			require.NotZero(t, d.job().Erased)
			continue
		}
		require.Equal(t, 303, said.StatusCode)
		page := d.get(at).body
		require.Contains(t, page, "You’re booked in")
		require.Contains(t, page, "/j/"+d.token(link.Own))
		d.newest(workflow.BoardFilter{})
		require.Contains(t, d.get("/j/"+d.token(link.Own)+"/booked").body, "Send it to")
	}
}

// A message that may redirect the parcel is shown to who reads the address on file, who says whether it is theirs.
func TestConfirmingAMessage(t *testing.T) {
	for mine, told := range map[string]string{"yes": "We know now that the message is yours", "no": "We won’t act on that message"} {
		d := newDesk(t)
		at := "/confirm/" + d.toEverything()["confirm"]
		page := d.get(at).body
		require.Contains(t, page, "Please post it to my new address.")
		require.NotContains(t, page, "/j/", "no other link is given to who only reads this one")
		require.Equal(t, 303, d.post(at, "mine", mine).StatusCode)
		require.Equal(t, workflow.Confirmed(mine), d.job().Messages[0].Confirmed)
		require.Contains(t, d.get(at).body, told)
	}
}
