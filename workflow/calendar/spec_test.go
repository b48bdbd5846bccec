package calendar

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"
)

const halifax = `{"time_zone":"America/Halifax","hours":{"mon":["09:00-12:30","13:00-17:00"],"tue":["09:00-17:00"],"sat":[]},` +
	`"closed":["2026-12-25",{"date":"2026-12-24","hours":["09:00-12:00"]}]}`

func TestSpecFromJSON(t *testing.T) {
	var s Spec
	require.NoError(t, json.Unmarshal([]byte(halifax), &s))
	require.Equal(t, Spec{
		TimeZone: "America/Halifax",
		Hours:    map[string][]string{"mon": {"09:00-12:30", "13:00-17:00"}, "tue": {"09:00-17:00"}, "sat": {}},
		Closed:   []Exception{{Date: date(t, "2026-12-25")}, {Date: date(t, "2026-12-24"), Hours: []string{"09:00-12:00"}}},
	}, s)
	text, err := json.Marshal(s)
	require.NoError(t, err)
	require.JSONEq(t, halifax, string(text))

	c := made(t, s)
	require.Equal(t, "America/Halifax", c.Location().String())
	require.Equal(t, s, c.Spec())
	// Monday 2 November 2026, standard time: closed at 12:30 and open again at 13:00.
	for at, open := range map[string]bool{
		"2026-11-02T12:59:59Z": false, "2026-11-02T13:00:00Z": true, "2026-11-02T16:29:59Z": true,
		"2026-11-02T16:30:00Z": false, "2026-11-02T17:00:00Z": true, "2026-11-02T20:59:59Z": true,
		"2026-11-02T21:00:00Z": false, "2026-11-04T15:00:00Z": false, "2026-12-24T15:59:59Z": true,
		"2026-12-24T16:00:00Z": false, "2026-12-25T15:00:00Z": false,
	} {
		require.Equal(t, open, c.Open(utc(t, at)), at)
	}
}

func TestSpecFromTOML(t *testing.T) {
	const text = `
time_zone = "Europe/Berlin"
closed = [
	2026-12-25,
	"2026-12-26",
	{ date = 2026-12-24, hours = ["09:00-12:00"], name = "Christmas Eve" },
	{ date = "2027-07-26", to = "2027-08-06", name = "Summer" },
]
[hours]
mon = ["09:00-12:30", "13:00-24:00"]
sat = []
`
	var s Spec
	meta, err := toml.Decode(text, &s)
	require.NoError(t, err)
	require.Empty(t, meta.Undecoded())
	august := date(t, "2027-08-06")
	require.Equal(t, []Exception{
		{Date: date(t, "2026-12-25")},
		{Date: date(t, "2026-12-26")},
		{Date: date(t, "2026-12-24"), Hours: []string{"09:00-12:00"}, Name: "Christmas Eve"},
		{Date: date(t, "2027-07-26"), To: &august, Name: "Summer"},
	}, s.Closed)
	c := made(t, s)
	require.True(t, c.WorkingDay(date(t, "2026-12-24")))
	require.Equal(t, 0, c.WorkingDays(date(t, "2027-07-26"), date(t, "2027-08-07")))
	require.True(t, c.WorkingDay(date(t, "2027-08-09")))

	for _, wrong := range []string{
		`closed = [{ date = "2026-12-24", hour = ["09:00-12:00"] }]`,
		`closed = [{ date = "2026-02-30" }]`,
		`closed = [2026]`,
		`closed = [{ hours = ["09:00-12:00"] }]`,
	} {
		_, err := toml.Decode(wrong, new(Spec))
		require.Error(t, err, wrong)
	}
}

// A malformed calendar is refused with the place and the reason.
func TestMalformedCalendars(t *testing.T) {
	for _, row := range []struct{ change, to, want string }{
		{`"America/Halifax"`, `"America/Halifacs"`, `time_zone: "America/Halifacs" is not a time zone of the IANA database; write one like America/Halifax`},
		{`"America/Halifax"`, `""`, `time_zone: it is missing; write the shop's zone, like America/Halifax`},
		{`"time_zone":"America/Halifax",`, ``, `time_zone: it is missing; write the shop's zone, like America/Halifax`},
		{`"America/Halifax"`, `-4`, `time_zone: it must be a text in quotes`},
		{`"America/Halifax"`, `null`, `time_zone: it must be a text in quotes, not null`},
		{`"time_zone"`, `"timezone"`, `timezone: it is not known; known are time_zone, hours, holidays, closed`},
		{`"time_zone":`, `"time_zone":"UTC","time_zone":`, `time_zone: it is there twice`},
		{`"mon"`, `"Mon"`, `hours.Mon: this is not a weekday; write mon, tue, wed, thu, fri, sat or sun`},
		{`"tue"`, `"mon"`, `hours.mon: it is there twice`},
		{`"13:00-17:00"`, `"12:00-17:00"`, `hours.mon[1]: "12:00-17:00" overlaps "09:00-12:30"; each must end before the next begins`},
		{`"13:00-17:00"`, `"09:00-12:30"`, `hours.mon[1]: "09:00-12:30" overlaps "09:00-12:30"; each must end before the next begins`},
		{`"13:00-17:00"`, `"25:00-26:00"`, `hours.mon[1]: "25:00-26:00" has a time that no clock shows; a day goes from 00:00 to 24:00`},
		{`"13:00-17:00"`, `"13:60-17:00"`, `hours.mon[1]: "13:60-17:00" has a time that no clock shows; a day goes from 00:00 to 24:00`},
		{`"13:00-17:00"`, `"13:00-24:01"`, `hours.mon[1]: "13:00-24:01" has a time that no clock shows; a day goes from 00:00 to 24:00`},
		{`"13:00-17:00"`, `"24:00-24:00"`, `hours.mon[1]: "24:00-24:00" has a time that no clock shows; a day goes from 00:00 to 24:00`},
		{`"13:00-17:00"`, `"17:00-13:00"`, `hours.mon[1]: "17:00-13:00" ends before it begins; to stay open over midnight write 17:00-24:00, and 00:00-13:00 on the next day`},
		{`"13:00-17:00"`, `"13:00-13:00"`, `hours.mon[1]: "13:00-13:00" ends when it begins; leave it out to be closed, or write 00:00-24:00 to be open all day`},
		{`"13:00-17:00"`, `"1-5 pm"`, `hours.mon[1]: "1-5 pm" is not an opening time; write it like 09:00-17:30`},
		{`"13:00-17:00"`, `"13:00 - 17:00"`, `hours.mon[1]: "13:00 - 17:00" is not an opening time; write it like 09:00-17:30`},
		{`"13:00-17:00"`, `"+3:00-17:00"`, `hours.mon[1]: "+3:00-17:00" is not an opening time; write it like 09:00-17:30`},
		{`"13:00-17:00"`, `1300`, `hours.mon: it must be a list like ["09:00-17:30"]`},
		{`["09:00-17:00"]`, `"09:00-17:00"`, `hours.tue: it must be a list like ["09:00-17:30"]`},
		{`["09:00-17:00"]`, `null`, `hours.tue: it must be a list like ["09:00-17:30"], not null`},
		{`"13:00-17:00"`, strings.TrimSuffix(strings.Repeat(`"13:00-17:00",`, 12), ","), `hours.mon: a day can have 12 opening times, this has 13`},
		{`"2026-12-25"`, `"2026-02-29"`, `closed[0]: "2026-02-29" is not a date; write it like 2026-12-24`},
		{`"2026-12-25"`, `20261225`, `closed[0]: it must be an object in braces`},
		{`"2026-12-25"`, `{}`, `closed[0].date: it is missing`},
		{`"2026-12-25"`, `{"date":"2026-12-25","to":"2026-12-20"}`, `closed[0]: it ends on 2026-12-20, before it begins on 2026-12-25`},
		{`"2026-12-25"`, `{"date":"2026-12-25","to":"2126-12-20"}`, `closed[0]: with it there are more than 4000 dates; for closures that come every year use a holiday rule`},
		{`"2026-12-25"`, `"1926-12-25"`, `closed[0]: a calendar reaches from 1970-01-01 to 2199-12-31`},
		{`"2026-12-25"`, `"2026-12-24"`, `closed[1]: 2026-12-24 is there twice`},
		{`"hours":["09:00-12:00"]`, `"open":["09:00-12:00"]`, `closed[1].open: it is not known; known are date, to, hours, name`},
		{`"09:00-12:00"`, `"9-12"`, `closed[1].hours[0]: "9-12" is not an opening time; write it like 09:00-17:30`},
		{halifax, `[]`, `it must be an object in braces`},
	} {
		text := strings.Replace(halifax, row.change, row.to, 1)
		require.NotEqual(t, halifax, text)
		var s Spec
		err := s.UnmarshalJSON([]byte(text))
		if err == nil {
			_, err = New(s)
		}
		require.EqualError(t, err, row.want, text)
	}
}

func TestTouchingAndUnsortedHours(t *testing.T) {
	c := made(t, Spec{TimeZone: "UTC", Hours: map[string][]string{"wed": {"12:00-24:00", "09:00-12:00"}, "thu": {"00:00-01:00"}}})
	at := utc(t, "2026-11-25T00:00:00Z")
	var got []string
	for opens, closes := range c.Stretches(at, at.AddDate(0, 0, 7)) {
		got = append(got, fmt.Sprint(opens.Format(time.RFC3339), " ", closes.Format(time.RFC3339)))
	}
	require.Equal(t, []string{"2026-11-25T09:00:00Z 2026-11-26T01:00:00Z"}, got)
}

func FuzzSpec(f *testing.F) {
	f.Add([]byte(halifax))
	f.Add([]byte(`{"time_zone":"Australia/Lord_Howe","hours":{"sun":["00:00-24:00"]},"closed":[{"date":"2026-04-05","to":"2026-04-09","name":"x"}]}`))
	f.Add([]byte(`{"time_zone":"UTC","hours":{"mon":null},"closed":[null]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var s Spec
		if !json.Valid(b) || s.UnmarshalJSON(b) != nil {
			return
		}
		c, err := New(s)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			return
		}
		text, err := json.Marshal(s)
		require.NoError(t, err)
		var again Spec
		require.NoError(t, json.Unmarshal(text, &again), string(text))
		same := made(t, again)
		at := utc(t, "2026-04-01T00:00:00Z")
		require.Equal(t, c.Worked(at, at.AddDate(1, 0, 0)), same.Worked(at, at.AddDate(1, 0, 0)))
		if due, ok := c.After(at, 36*time.Hour); ok {
			require.Equal(t, 36*time.Hour, same.Worked(at, due))
		}
	})
}
