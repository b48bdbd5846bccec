package templates

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/promiseclock"

	ical "github.com/emersion/go-ical"
	"github.com/stretchr/testify/require"
)

func dateShop(t testing.TB) *workflow.Shop {
	c, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{
		"mon": {"09:00-17:00"}, "tue": {"09:00-17:00"}, "wed": {"09:00-17:00"}, "thu": {"09:00-17:00"}, "fri": {"09:00-17:00"},
	}})
	require.NoError(t, err)
	return &workflow.Shop{ID: "harbour", Name: "Harbour Bench, Müller; Söhne", BaseURL: "https://status.harbour.example", Email: "bench@harbour.example", Calendar: c, Currency: "CAD", Languages: []string{"en"}}
}

func halifax(t testing.TB, s string) time.Time {
	loc, err := calendar.LoadLocation("America/Halifax")
	require.NoError(t, err)
	at, err := time.ParseInLocation("2006-01-02 15:04", s, loc)
	require.NoError(t, err)
	return at.UTC()
}

// promised is a job received on Monday 16 November 2026, 10:00, with ten working days: due Monday 30 November, 17:00.
func promised(t testing.TB) *workflow.Job {
	at := halifax(t, "2026-11-16 10:00")
	j := &workflow.Job{
		Shop: "harbour", Number: "7K2M9QX", Stage: workflow.StageDiagnosing, StageSince: at, ReceivedAt: at, ChangedAt: at,
		Device:   workflow.Device{Kind: "film scanner", Maker: workflow.Plain("Quillon"), Model: workflow.Plain("F2, “large”")},
		Promises: []workflow.Promise{{Number: 1, MadeAt: at, Starts: at, Quota: promiseclock.Quota{WorkingDays: 10}}},
	}
	return j
}

type dateEvent struct {
	uid, start, end, status, summary, method string
	sequence                                 int
}

// readDate reads a calendar file with an independent implementation (emersion/go-ical), and checks
// what RFC 5545 says about its lines: CRLF (section 3.1), at most 75 octets each, no broken UTF-8.
func readDate(t testing.TB, file string) dateEvent {
	t.Helper()
	require.NotContains(t, strings.ReplaceAll(file, "\r\n", ""), "\n")
	require.NotContains(t, strings.ReplaceAll(file, "\r\n", ""), "\r")
	require.True(t, strings.HasSuffix(file, "END:VCALENDAR\r\n"))
	require.Contains(t, file, "\r\nREFRESH-INTERVAL;VALUE=DURATION:PT6H\r\n") // RFC 7986 section 5.7
	for _, line := range strings.Split(file, "\r\n") {
		require.LessOrEqual(t, len(line), 75, line)
		require.Equal(t, strings.ToValidUTF8(line, "?"), line)
	}
	c, err := ical.NewDecoder(strings.NewReader(file)).Decode()
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, ical.NewEncoder(&b).Encode(c), "it has all that the standard asks for")
	require.Len(t, c.Events(), 1)
	e := c.Events()[0]
	text := func(p *ical.Props, name string) string {
		require.NotNil(t, p.Get(name), name)
		s, err := p.Text(name)
		require.NoError(t, err)
		return s
	}
	require.Equal(t, "DATE", e.Props.Get(ical.PropDateTimeStart).Params.Get("VALUE"))
	_, err = e.Props.DateTime(ical.PropDateTimeStamp, time.UTC)
	require.NoError(t, err)
	require.Equal(t, "mailto:bench@harbour.example", e.Props.Get(ical.PropOrganizer).Value)
	n, err := strconv.Atoi(e.Props.Get(ical.PropSequence).Value)
	require.NoError(t, err)
	require.NotEmpty(t, text(&e.Props, ical.PropDescription))
	require.NotContains(t, file, "/j/", "a shared calendar must not hand on the link")
	return dateEvent{
		text(&e.Props, ical.PropUID), e.Props.Get(ical.PropDateTimeStart).Value, e.Props.Get(ical.PropDateTimeEnd).Value,
		text(&e.Props, ical.PropStatus), text(&e.Props, ical.PropSummary), text(&c.Props, ical.PropMethod), n,
	}
}

func TestDateFileFollowsThePromise(t *testing.T) {
	shop, j := dateShop(t), promised(t)
	for _, lang := range locale.Languages {
		w := locale.For(lang)
		j := promised(t)
		_, ok := DateFile(&workflow.Job{Number: j.Number}, shop, j.ChangedAt, w)
		require.False(t, ok, "without a promise there is no file")
		file, ok := DateFile(j, shop, j.ChangedAt, w)
		require.True(t, ok)
		require.NotContains(t, file, "[ical")
		require.Equal(t, "CONFIRMED", readDate(t, file).status)
	}
	w := locale.For("en")
	read := func(now time.Time) dateEvent {
		file, ok := DateFile(j, shop, now, w)
		require.True(t, ok)
		return readDate(t, file)
	}
	first := read(halifax(t, "2026-11-17 12:00"))
	require.Equal(t, dateEvent{"7K2M9QX.promise@status.harbour.example", "20261130", "20261201", "CONFIRMED", first.summary, "PUBLISH", 0}, first)
	require.Equal(t, first, read(halifax(t, "2026-11-19 12:00")), "nothing moves, nothing changes")
	last := first
	moves := func(want, status string, now time.Time) {
		t.Helper()
		e := read(now)
		require.Equal(t, first.uid, e.uid)
		require.Greater(t, e.sequence, last.sequence, "its SEQUENCE rises")
		require.Equal(t, []string{want, status, "PUBLISH"}, []string{e.start, e.status, e.method})
		last = e
	}
	// The clock stands still from Thursday 19 November, 09:00: two days later the date has moved by two.
	j.Pauses = []promiseclock.Pause{{From: halifax(t, "2026-11-19 09:00"), For: promiseclock.AccountCustomer, Why: "approval"}}
	moves("20261201", "TENTATIVE", halifax(t, "2026-11-19 17:00"))
	moves("20261202", "TENTATIVE", halifax(t, "2026-11-20 17:00"))
	j.Pauses[0].To = halifax(t, "2026-11-20 17:00")
	moves("20261202", "CONFIRMED", halifax(t, "2026-11-21 10:00"))
	j.Promises = append(j.Promises, workflow.Promise{Number: 2, MadeAt: halifax(t, "2026-11-23 10:00"), Starts: halifax(t, "2026-11-23 10:00"), Quota: promiseclock.Quota{By: halifax(t, "2026-12-11 17:00")}, Reason: workflow.Plain("Parts.")})
	moves("20261211", "CONFIRMED", halifax(t, "2026-11-24 10:00"))
	j.Promises[1].BreachedAt = halifax(t, "2026-12-11 17:00")
	moves("20261211", "TENTATIVE", halifax(t, "2026-12-12 10:00"))
	j.Stage, j.EndedAt = workflow.StageShipped, halifax(t, "2026-12-14 10:00")
	moves("20261211", "CANCELLED", halifax(t, "2026-12-15 10:00"))
}

// The sentence of the issue, and its arithmetic on rows worked out by hand; hours of 9 to 17, Monday to
// Friday. Sources: none outside; the definition is at workflow.LengthOf.
func TestPromiseSays(t *testing.T) {
	shop := dateShop(t)
	for _, c := range []struct{ from, to, why, want string }{
		// Tue 17:00 to Thu 17:00: Wednesday and Thursday.
		{"2026-11-17 17:00", "2026-11-19 17:00", "approval", "Promised for Wednesday 2 December. Two working days were added while we waited for your answer."},
		// Over a weekend only Monday counts.
		{"2026-11-20 17:00", "2026-11-23 17:00", "approval", "Promised for Tuesday 1 December. One working day was added while we waited for your answer."},
		{"2026-11-17 09:30", "2026-11-17 12:30", "approval", "Promised for Tuesday 1 December."},
		{"2026-11-17 09:30", "2026-11-17 10:30", "hold", "Promised for Tuesday 1 December."},
		{"2026-11-17 09:30", "2026-11-17 09:45", "hold", "Promised for Tuesday 1 December."},
		// Mon 15:00 to Wed 15:00 is two days: 2 + 8 + 6 hours.
		{"2026-11-16 15:00", "2026-11-18 15:00", "approval", "Promised for Wednesday 2 December. Two working days were added while we waited for your answer."},
		{"2026-11-16 15:00", "2026-11-18 16:30", "approval", "Promised for Thursday 3 December. Two working days, 1 hour and 30 minutes were added while we waited for your answer."},
		// A Saturday adds nothing.
		{"2026-11-21 09:00", "2026-11-22 09:00", "approval", "Promised for Monday 30 November."},
		// After the date it cures nothing.
		{"2026-11-30 17:00", "2026-12-02 17:00", "approval", "Promised for Monday 30 November."},
	} {
		j := promised(t)
		j.Pauses = []promiseclock.Pause{{From: halifax(t, c.from), To: halifax(t, c.to), For: promiseclock.AccountCustomer, Why: c.why}}
		m := &statusMaker{j, shop, halifax(t, "2026-11-27 10:00"), locale.For("en"), shop.Calendar.Location()}
		require.Equal(t, c.want, strings.Join(m.promiseSays(), " "), c.from)
	}
	// Two causes, each with its own sentence; the first promise stays on record.
	j := promised(t)
	j.Holds = []workflow.Hold{{Reason: workflow.HoldPayment, From: halifax(t, "2026-11-18 09:00"), To: halifax(t, "2026-11-18 17:00")}}
	j.Pauses = []promiseclock.Pause{
		{From: halifax(t, "2026-11-17 09:00"), To: halifax(t, "2026-11-17 17:00"), For: promiseclock.AccountParts, Why: "hold"},
		{From: halifax(t, "2026-11-18 09:00"), To: halifax(t, "2026-11-18 17:00"), For: promiseclock.AccountCustomer, Why: "hold"},
	}
	m := &statusMaker{j, shop, halifax(t, "2026-11-27 10:00"), locale.For("de"), shop.Calendar.Location()}
	require.Equal(t, "Ein Arbeitstag kam hinzu, während wir auf Teile warteten. Ein Arbeitstag kam hinzu, während wir auf Ihre Zahlung warteten.", strings.Join(m.promiseSays()[1:], " "))
	j.Promises = append(j.Promises, workflow.Promise{Number: 2, MadeAt: halifax(t, "2026-11-19 10:00"), Starts: halifax(t, "2026-11-19 10:00"), Quota: promiseclock.Quota{WorkingDays: 12}, Reason: workflow.Plain("Parts.")})
	m = &statusMaker{j, shop, halifax(t, "2026-11-27 10:00"), locale.For("en"), shop.Calendar.Location()}
	require.Equal(t, "Promised for Monday 7 December. First promised for Monday 30 November.", strings.Join(m.promiseSays(), " "))
}

// TestStripAddsUp: the parts of the picture lie side by side from its left edge to its right, and its times
// are those of the accounts.
func TestStripAddsUp(t *testing.T) {
	shop, j := dateShop(t), promised(t)
	j.Pauses = []promiseclock.Pause{
		{From: halifax(t, "2026-11-18 09:00"), To: halifax(t, "2026-11-20 17:00"), For: promiseclock.AccountCustomer, Why: "approval"},
		{From: halifax(t, "2026-11-24 09:00"), To: halifax(t, "2026-11-24 13:00"), For: promiseclock.AccountParts, Why: "hold"},
		{From: halifax(t, "2026-11-25 13:00"), To: halifax(t, "2026-11-25 15:00"), For: promiseclock.AccountCarrier, Why: "hold"},
	}
	for _, now := range []string{"2026-11-17 11:00", "2026-11-19 11:00", "2026-11-24 12:00", "2026-12-01 12:00", "2026-12-09 12:00"} {
		for _, lang := range locale.Languages {
			at := halifax(t, now)
			if due := halifax(t, "2026-12-04 09:00"); at.After(due) {
				j.Promises[0].BreachedAt = due
			}
			m := &statusMaker{j, shop, at, locale.For(lang), shop.Calendar.Location()}
			v := m.stripOf(false)
			require.NotNil(t, v)
			x := 0
			for _, p := range v.Parts {
				require.Equal(t, tenths(int64(x)), p.X)
				x += tenth(t, p.W)
			}
			require.InDelta(t, stripWidth, x, 1)
			require.NotContains(t, v.Alt, "[")
			require.Len(t, v.Rows, len(promiseclock.Turnaround{Calendar: shop.Calendar, Start: j.Promises[0].Starts, Pauses: j.Pauses}.Runs(at, at)))
			j.Promises[0].BreachedAt = time.Time{}
		}
	}
}

func tenth(t testing.TB, s string) int {
	n, err := strconv.Atoi(strings.Replace(s, ".", "", 1))
	require.NoError(t, err)
	return n
}
