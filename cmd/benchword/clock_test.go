package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	clockCalendar = `{"time_zone":"America/Halifax","hours":{"mon":["09:00-12:30","13:00-17:00"],"tue":["09:00-17:00"],"sat":[]},"closed":["2026-12-25",{"date":"2026-12-24","hours":["09:00-12:00"]}]}`
	clockQuery    = `{"calendar":` + clockCalendar + `,"promise":{"working_hours":40},"starts":"2026-11-02T10:15:00-04:00","paused":[{"from":"2026-11-03T09:00:00-04:00","to":"2026-11-03T11:30:00-04:00","for":"customer"}],"ended":null,"now":"2026-11-09T12:00:00-04:00"}`
	// Reckoned by hand: 6:15 on Monday the 2nd, 8:00 on Tuesday the 3rd less 2:30, 3:00 on Monday the 9th
	// until noon: 14:45. By the end of Monday the 16th 6:15+5:30+7:30+8:00+7:30 = 34:45, so the other 5:15
	// end on Tuesday the 17th at 14:15, 18:15 UTC.
	clockReply = `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":53100,"remaining_seconds":90900,"breached":false,"state":"running","paused_seconds":9000,"overdue_seconds":0,"accounts":{"bench":53100,"customer":9000,"parts":0,"carrier":0}}`
)

func askClock(t testing.TB, in string) []string {
	t.Helper()
	var out, errOut bytes.Buffer
	require.NoError(t, runClock(t.Context(), nil, strings.NewReader(in), &out, &errOut))
	require.Empty(t, errOut.String())
	if out.Len() == 0 {
		return nil
	}
	return strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
}

func TestClockAnswersLineByLine(t *testing.T) {
	require.Nil(t, askClock(t, ""))
	require.Equal(t, []string{clockReply}, askClock(t, clockQuery))
	require.Equal(t, []string{
		clockReply,
		`{"error":"the line is not one JSON object"}`,
		`{"error":"the line is not one JSON object"}`,
		`{"error":"the line is not one JSON object"}`,
		clockReply,
	}, askClock(t, clockQuery+"\r\n\n[]\n"+clockQuery+" // a comment\n"+clockQuery))
	// White space and escapes are JSON's business.
	require.Equal(t, []string{clockReply}, askClock(t, " "+strings.NewReplacer(`,"`, ` ,	"`, `":`, `" : `, `"promise"`, `"pro\u006dise"`).Replace(clockQuery)+"\n"))
}

func TestClockStates(t *testing.T) {
	for _, row := range []struct{ change, to, want string }{
		// Exactly at due it is kept and running, a second later not.
		{`"now":"2026-11-09T12:00:00-04:00"`, `"now":"2026-11-17T18:15:00Z"`, `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":144000,"remaining_seconds":0,"breached":false,"state":"running","paused_seconds":9000,"overdue_seconds":0,"accounts":{"bench":144000,"customer":9000,"parts":0,"carrier":0}}`},
		{`"now":"2026-11-09T12:00:00-04:00"`, `"now":"2026-11-17T18:15:01Z"`, `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":144001,"remaining_seconds":0,"breached":true,"state":"breached","paused_seconds":9000,"overdue_seconds":1,"accounts":{"bench":144001,"customer":9000,"parts":0,"carrier":0}}`},
		{`"ended":null,"now":"2026-11-09T12:00:00-04:00"`, `"ended":"2026-11-17T18:15:00Z"`, `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":144000,"remaining_seconds":0,"breached":false,"state":"kept","paused_seconds":9000,"overdue_seconds":0,"accounts":{"bench":144000,"customer":9000,"parts":0,"carrier":0}}`},
		// The end counts, not now.
		{`"ended":null`, `"ended":"2026-11-17T18:15:01Z"`, `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":144001,"remaining_seconds":0,"breached":true,"state":"breached","paused_seconds":9000,"overdue_seconds":1,"accounts":{"bench":144001,"customer":9000,"parts":0,"carrier":0}}`},
		{`"now":"2026-11-09`, `"now":"2026-11-01`, `{"due":"2026-11-17T18:15:00Z","elapsed_seconds":0,"remaining_seconds":144000,"breached":false,"state":"not_started","paused_seconds":0,"overdue_seconds":0,"accounts":{"bench":0,"customer":0,"parts":0,"carrier":0}}`},
		// A running pause reaches to now: 6:15 and Tuesday's 2:30 less are as before, and noon on the 9th is
		// 11:00 of pause. 40:00 less 6:15+8:00 is 25:45 after noon on the 9th.
		{`"2026-11-03T09:00:00-04:00","to":"2026-11-03T11:30:00-04:00"`, `"2026-11-09T08:00:00-04:00","to":null`, `{"due":"2026-11-17T18:45:00Z","elapsed_seconds":51300,"remaining_seconds":92700,"breached":false,"state":"paused","paused_seconds":10800,"overdue_seconds":0,"accounts":{"bench":51300,"customer":10800,"parts":0,"carrier":0}}`},
		{`"to":"2026-11-03T11:30:00-04:00","for":"customer"`, `"to":"2026-11-03T11:30:00-04:00","for":"carrier"`, strings.Replace(clockReply, `"customer":9000,"parts":0,"carrier":0`, `"customer":0,"parts":0,"carrier":9000`, 1)},
		{`"for":"customer"`, `"for":"parts"`, strings.Replace(clockReply, `"customer":9000,"parts":0`, `"customer":0,"parts":9000`, 1)},
		{`"for":"customer"`, `"for":"payment"`, clockReply},
		{`"for":"customer"`, `"for":"insurer"`, clockReply},
		{`"for":"customer"`, `"for":"documents"`, clockReply},
		// The bench's own time stops nothing: as without the pause.
		{`"for":"customer"`, `"for":"watching"`, `{"due":"2026-11-17T15:45:00Z","elapsed_seconds":62100,"remaining_seconds":81900,"breached":false,"state":"running","paused_seconds":0,"overdue_seconds":0,"accounts":{"bench":62100,"customer":0,"parts":0,"carrier":0}}`},
		{`,"for":"customer"`, ``, clockReply},
		{`"ended":null,`, ``, clockReply},
		{`"working_hours":40`, `"working_hours":"40:00"`, clockReply},
		{`"working_hours":40`, `"working_hours":40,"by":null`, clockReply},
		{`"working_hours":40`, `"working_hours":40.0`, clockReply},
		{`[{"from":"2026-11-03T09:00:00-04:00","to":"2026-11-03T11:30:00-04:00","for":"customer"}]`, `null`, `{"due":"2026-11-17T15:45:00Z","elapsed_seconds":62100,"remaining_seconds":81900,"breached":false,"state":"running","paused_seconds":0,"overdue_seconds":0,"accounts":{"bench":62100,"customer":0,"parts":0,"carrier":0}}`},
		// Five working days: the 3rd, 9th, 10th, 16th and 17th, 17:00; and the pause on top, on the 23rd.
		{`"working_hours":40`, `"working_days":5`, `{"due":"2026-11-23T15:30:00Z","elapsed_seconds":53100,"remaining_seconds":109800,"breached":false,"state":"running","paused_seconds":9000,"overdue_seconds":0,"accounts":{"bench":53100,"customer":9000,"parts":0,"carrier":0}}`},
		// By a Thursday on which the shop is closed: 21:45 of open time less 2:30, so the 10th, 14:30 at the
		// earliest, and not before Thursday noon.
		{`"working_hours":40`, `"by":"2026-11-10T17:00:00-04:00"`, `{"due":"2026-11-16T15:30:00Z","elapsed_seconds":53100,"remaining_seconds":54000,"breached":false,"state":"running","paused_seconds":9000,"overdue_seconds":0,"accounts":{"bench":53100,"customer":9000,"parts":0,"carrier":0}}`},
		// Never open.
		{`"hours":{"mon":["09:00-12:30","13:00-17:00"],"tue":["09:00-17:00"],"sat":[]},"closed":["2026-12-25",{"date":"2026-12-24","hours":["09:00-12:00"]}]`, `"hours":{}`, `{"due":null,"elapsed_seconds":0,"remaining_seconds":144000,"breached":false,"state":"running","paused_seconds":0,"overdue_seconds":0,"accounts":{"bench":0,"customer":0,"parts":0,"carrier":0}}`},
	} {
		text := strings.Replace(clockQuery, row.change, row.to, 1)
		require.NotEqual(t, clockQuery, text, row.change)
		require.Equal(t, []string{row.want}, askClock(t, text), text)
	}
}

func TestClockRefusesInPlace(t *testing.T) {
	for _, row := range []struct{ change, to, want string }{
		{`"promise"`, `"promises"`, `promises: it is not known; known are calendar, promise, starts, paused, ended, now`},
		{`"promise":{"working_hours":40},`, ``, `promise: it is missing`},
		{`"starts":"2026-11-02T10:15:00-04:00",`, ``, `starts: it is missing`},
		{`,"now":"2026-11-09T12:00:00-04:00"`, ``, `now: it is missing; the clock needs the instant to answer for, unless the job has ended`},
		{`"ended":null`, `"ended":null,"ended":null`, `ended: it is there twice`},
		{`"starts":"2026-11-02T10:15:00-04:00"`, `"starts":"2026-11-02T10:15:00"`, `starts: it must be an instant with its offset, like "2026-11-02T10:15:00-04:00"`},
		{`"starts":"2026-11-02T10:15:00-04:00"`, `"starts":1793628900`, `starts: it must be an instant with its offset, like "2026-11-02T10:15:00-04:00"`},
		{`"starts":"2026-11-02T10:15:00-04:00"`, `"starts":null`, `starts: it must be an instant with its offset, like "2026-11-02T10:15:00-04:00"`},
		{`"starts":"2026-`, `"starts":"1926-`, `starts: calendars reach from 1970 to 2199`},
		{`"working_hours":40`, ``, `promise: a promise is a number of working hours, a number of working days, or an instant: one of the three, above zero`},
		{`"working_hours":40`, `"working_hours":0`, `promise: a promise is a number of working hours, a number of working days, or an instant: one of the three, above zero`},
		{`"working_hours":40`, `"working_hours":-1`, `promise.working_hours: "-1" is not a number of hours: write it like 40, 7.5 or 7:30`},
		{`"working_hours":40`, `"working_hours":7.333`, `promise.working_hours: "7.333" is not a number of hours: it doesn't come out at a whole second; write it like 7:30 or 7:30:15`},
		{`"working_hours":40`, `"working_days":2.5`, `promise.working_days: it must be a whole number`},
		{`"working_hours":40`, `"working_days":-2`, `promise: working days go from 1 to 100000`},
		{`"working_hours":40`, `"working_hours":40,"working_days":5`, `promise: it must be one of working_hours, working_days and by, not several`},
		{`"working_hours":40`, `"hours":40`, `promise.hours: it is not known; known are working_hours, working_days, by`},
		{`{"working_hours":40}`, `40`, `promise: it must be an object in braces`},
		{`"paused":[`, `"paused":["now",`, `paused[0]: it must be an object in braces`},
		{`"to":"2026-11-03T11`, `"to":"2026-11-03T08`, `paused[0]: it ends before it begins`},
		{`"from":"2026-11-03T09:00:00-04:00",`, ``, `paused[0].from: it is missing`},
		{`"for":"customer"`, `"for":"bench"`, `paused[0].for: it must be one of parts, customer, carrier, payment, insurer, documents, work_outside, watching`},
		{`"for":"customer"`, `"by":"customer"`, `paused[0].by: it is not known; known are from, to, for`},
		{`13:00-17:00`, `12:00-17:00`, `calendar: hours.mon[1]: "12:00-17:00" overlaps "09:00-12:30"; each must end before the next begins`},
		{`America/Halifax`, `Atlantis`, `calendar: time_zone: "Atlantis" is not a time zone of the IANA database; write one like America/Halifax`},
		{clockCalendar, `null`, `calendar: it must be an object in braces`},
	} {
		text := strings.Replace(clockQuery, row.change, row.to, 1)
		require.NotEqual(t, clockQuery, text, row.change)
		want, err := json.Marshal(map[string]string{"error": row.want})
		require.NoError(t, err)
		// Twice: a wrong calendar is wrong from memory too.
		require.Equal(t, []string{clockReply, string(want), string(want), clockReply}, askClock(t, clockQuery+"\n"+text+"\n"+text+"\n"+clockQuery), text)
	}
}

// Many calendars in one input, more than are remembered.
func TestClockForgetsCalendars(t *testing.T) {
	var c clock
	for i := range 500 {
		zone := []string{"UTC", "Asia/Kathmandu", "Europe/Berlin"}[i%3]
		text := strings.Replace(clockQuery, `"America/Halifax"`, strings.Repeat(" ", i)+`"`+zone+`"`, 1)
		got, err := c.line([]byte(text))
		require.NoError(t, err)
		require.NotEqual(t, "", *got.(*clockAnswer).Due)
		require.LessOrEqual(t, len(c.calendars), maxKnownCalendars)
	}
}

// Whatever is asked, each line gets one line of JSON, and what adds up does.
func FuzzClock(f *testing.F) {
	f.Add([]byte(clockQuery))
	f.Add([]byte(strings.Replace(clockQuery, `"working_hours":40`, `"working_days":5`, 1)))
	f.Add([]byte(strings.Replace(clockQuery, `"working_hours":40`, `"by":"2026-12-10T17:00:00-04:00"`, 1)))
	f.Add([]byte(strings.Replace(clockQuery, `"to":"2026-11-03T11:30:00-04:00"`, `"to":null`, 1)))
	f.Add([]byte(`{"\u0061":{"}":"\""},"b":[1,{"c":[]}]}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		line = bytes.ReplaceAll(line, []byte("\n"), []byte(" "))
		got := askClock(t, string(line)+"\n"+clockQuery)
		require.Len(t, got, 2)
		require.Equal(t, clockReply, got[1])
		var answer struct {
			Error     *string
			Due       *time.Time
			Elapsed   *int64 `json:"elapsed_seconds"`
			Remaining *int64 `json:"remaining_seconds"`
			Breached  *bool
			Paused    int64 `json:"paused_seconds"`
			Accounts  map[string]int64
		}
		require.NoError(t, json.Unmarshal([]byte(got[0]), &answer))
		if answer.Error != nil {
			return
		}
		require.Equal(t, *answer.Elapsed, answer.Accounts["bench"])
		require.Equal(t, answer.Paused, answer.Accounts["customer"]+answer.Accounts["parts"]+answer.Accounts["carrier"])
		require.GreaterOrEqual(t, *answer.Elapsed, int64(0))
		if answer.Due != nil && *answer.Breached {
			require.Zero(t, *answer.Remaining)
		}
	})
}

func BenchmarkClock(b *testing.B) {
	var c clock
	line := []byte(clockQuery)
	b.SetBytes(int64(len(line)))
	for b.Loop() {
		if _, err := c.line(line); err != nil {
			b.Fatal(err)
		}
	}
}

// A shift over midnight is two working days: whoever sets up such a shop reads so where they write its hours.
func TestAShiftOverMidnightIsToldWhereHoursAreWritten(t *testing.T) {
	require.Contains(t, clockUsage, "is two working days")
	require.Contains(t, string(settingsText), "and is two working days")
}
