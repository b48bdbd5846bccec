package calendar

import (
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"
)

func TestEasterAgainstThePublishedTable(t *testing.T) {
	rows := published(t, "easter.csv")
	require.Len(t, rows, 61)
	for _, row := range rows {
		easter := Easter(date(t, row["easter"]).Year())
		require.Equal(t, row["easter"], easter.String())
		for column, by := range map[string]Date{"good_friday": -2, "easter_monday": 1, "ascension": 39, "whit_monday": 50} {
			require.Equal(t, row[column], (easter + by).String())
		}
	}
	// The earliest and latest there can be, and others far off.
	for year, want := range map[int]string{1818: "1818-03-22", 1943: "1943-04-25", 2008: "2008-03-23", 2038: "2038-04-25", 2285: "2285-03-22"} {
		require.Equal(t, want, Easter(year).String())
	}
}

// 5 U.S.C. 6103: legal and observed days.
func TestUSFederalHolidays(t *testing.T) {
	rows := published(t, "us_federal_holidays.csv")
	require.Len(t, rows, 142)
	want := make(map[string]bool)
	for _, row := range rows {
		want[row["name"]+" "+row["legal_date"]] = true
		want[row["name"]+" "+row["observed"]] = true
	}
	got := make(map[string]bool)
	rules, ok := HolidaySet("us")
	require.True(t, ok)
	for year := 2020; year <= 2032; year++ {
		for _, r := range rules {
			for _, h := range r.In(year) {
				got[r.Name+" "+h.Date.String()] = true
			}
		}
	}
	require.Equal(t, want, got)
}

// Where the sets differ from the independent list, with the reason; everything else is the same, day by
// day, 2024 to 2030.
var holidayDifferences = map[string]string{
	"au theirs Easter Saturday":                          "not in Fair Work Act section 115(1)(a); a holiday of some states",
	"au theirs Easter Sunday":                            "likewise",
	"de-by ours Assumption":                              "they give it to the municipalities; most of Bavaria's 2,056 keep it, and the set says so",
	"us ours Veterans Day":                               "they leave out the observed days, which 5 U.S.C. 6103(b) gives and OPM's list has",
	"ca ours Victoria Day":                               "they give only what all provinces have; Canada Labour Code section 166 lists ten",
	"ca ours Thanksgiving Day":                           "likewise",
	"ca ours Remembrance Day":                            "likewise",
	"ca ours Boxing Day":                                 "likewise",
	"ca ours Canada Day":                                 "weekend's day made up for: Canada Labour Code section 193",
	"ca ours Christmas Day":                              "likewise",
	"ca ours New Year's Day":                             "likewise",
	"ca-* ours Canada Day":                               "2 July when the 1st is a Sunday: Holidays Act",
	"gb-sct ours Bank holiday by royal proclamation":     "proclaimed on 4 February 2026 under the Act of 1971; younger than their list",
	"ca-pe theirs Gold Cup Parade Day":                   "not in the Employment Standards Act of the province",
	"ca-on theirs Easter Monday":                         "not in the Employment Standards Act, 2000, section 1",
	"ca-nt theirs Easter Monday":                         "not in the Employment Standards Act of the territory",
	"ca-nt theirs Boxing Day":                            "likewise",
	"ca-yt theirs Easter Monday":                         "not in the Employment Standards Act of the territory",
	"ca-nl ours Memorial Day and Canada Day":             "2 July when the 1st is a Sunday",
	"ca-nu ours Nunavut Day":                             "general holiday since 2020",
	"ca-mb ours Orange Shirt Day":                        "general holiday since 2024, bill 4 of the 43rd legislature",
	"ca-qc ours Saint-Jean-Baptiste Day":                 "the 25th when the 24th is a Sunday: National Holiday Act",
	"ca-sk ours Remembrance Day":                         "Monday after a Sunday: The Saskatchewan Employment Act",
	"ca* ours National Day for Truth and Reconciliation": "they have it as optional; law federally since 2021 and in BC, NT, NU, PE and YT since 2022 or 2023",
}

func TestHolidaySetsAgainstAnIndependentList(t *testing.T) {
	theirs := make(map[string]map[Date]string)
	for _, row := range published(t, "public_holidays.csv") {
		if theirs[row["set"]] == nil {
			theirs[row["set"]] = make(map[Date]string)
		}
		theirs[row["set"]][date(t, row["date"])] = row["name"]
	}
	met := make(map[string]bool)
	differs := func(set, who, name string, d Date) {
		for _, key := range []string{set, set[:2] + "-*", set[:2] + "*"} {
			key += " " + who + " " + name
			if holidayDifferences[key] != "" {
				met[key] = true
				return
			}
		}
		t.Errorf("%s: %s, %s %s, is in one list only: %s", set, name, d.Weekday(), d, who)
	}
	require.Len(t, theirs, len(HolidaySets()), "each set must have its list")
	for _, set := range HolidaySets() {
		require.NotEmpty(t, theirs[set], set)
		require.NotEmpty(t, HolidaySetTitle(set))
		rules, ok := HolidaySet(set)
		require.True(t, ok)
		ours := make(map[Date]string)
		for year := 2023; year <= 2031; year++ {
			for _, r := range rules {
				for _, h := range r.In(year) {
					if y := h.Date.Year(); y >= 2024 && y <= 2030 {
						ours[h.Date] = r.Name
					}
				}
			}
		}
		for d, name := range ours {
			if _, ok := theirs[set][d]; !ok {
				differs(set, "ours", name, d)
			}
		}
		for d, name := range theirs[set] {
			if _, ok := ours[d]; !ok {
				differs(set, "theirs", name, d)
			}
		}
	}
	for key := range holidayDifferences {
		require.True(t, met[key], "%s: there is no such difference", key)
	}
}

func TestRules(t *testing.T) {
	for _, row := range []struct {
		rule string
		year int
		want string
	}{
		{"25 dec", 2027, "2027-12-25"},
		{"25 DEC , sat to mon, sun to tue", 2027, "2027-12-25 2027-12-27o"},
		{"25 dec, sat to mon, sun to tue", 2022, "2022-12-25 2022-12-27o"},
		{"26 jan, sat to mon, sun to mon, moved", 2025, "2025-01-27o"},
		{"26 jan, sat to mon, sun to mon, moved", 2026, "2026-01-26"},
		{"1 jan, sat to fri, sun to mon", 2028, "2027-12-31o 2028-01-01"},
		{"first mon in sep", 2026, "2026-09-07"},
		{"first tue in sep", 2026, "2026-09-01"},
		{"fifth mon in aug", 2026, "2026-08-31"},
		{"fifth mon in sep", 2026, ""},
		{"last mon in may", 2027, "2027-05-31"},
		{"last sun in dec", 2026, "2026-12-27"},
		{"mon before 25 may", 2026, "2026-05-18"}, // the 25th is a Monday
		{"mon on or before 25 may", 2026, "2026-05-25"},
		{"mon after 25 may", 2026, "2026-06-01"},
		{"mon on or after 25 may", 2026, "2026-05-25"},
		{"fri after fourth thu in nov", 2026, "2026-11-27"},
		{"wed before 23 nov", 2026, "2026-11-18"},
		{"easter", 2026, "2026-04-05"},
		{"easter -2", 2026, "2026-04-03"},
		{"easter + 50", 2026, "2026-05-25"},
		{"29 feb", 2026, ""},
		{"29 feb", 2028, "2028-02-29"},
		{"2026-07-10 2027-06-25", 2027, "2027-06-25"},
		{"19 jun, from 2021", 2020, ""},
		{"19 jun, until 2021", 2022, ""},
	} {
		r, err := ParseRule(row.rule)
		require.NoError(t, err, row.rule)
		var got []string
		for _, h := range r.In(row.year) {
			s := h.Date.String()
			if h.Observed {
				s += "o"
			}
			got = append(got, s)
		}
		require.Equal(t, row.want, strings.Join(got, " "), row.rule)
		require.Equal(t, row.rule, r.String())
	}
	for rule, want := range map[string]string{
		"":                 `"" is not a rule for a holiday; ` + ruleForm,
		"christmas":        `"christmas" is not a rule for a holiday; ` + ruleForm,
		"32 jan":           `"32 jan" is not a rule for a holiday; ` + ruleForm,
		"sixth mon in may": `"sixth mon in may" is not a rule for a holiday; ` + ruleForm,
		"mon on or after":  `"mon on or after" is not a rule for a holiday; ` + ruleForm,
		"mon near 25 may":  `"mon near 25 may" is not a rule for a holiday; ` + ruleForm,
		"easter+1000":      `"easter+1000" is not a rule for a holiday; ` + ruleForm,
		"30 feb":           "by this rule there is no holiday in any year",
		"fifth mon in feb, until 2000, from 2001": "by this rule there is no holiday in any year",
		"mon before 30 feb":                       "by this rule there is no holiday in any year",
		"2300-01-01":                              "by this rule there is no holiday in any year",
		"25 dec, sat to sat":                      `"sat to sat" is no part of a rule; after a comma come words like sun to mon, moved, from 2021 or until 2030`,
		"25 dec, always":                          `"always" is no part of a rule; after a comma come words like sun to mon, moved, from 2021 or until 2030`,
		"25 dec,":                                 `"" is no part of a rule; after a comma come words like sun to mon, moved, from 2021 or until 2030`,
		"25 dec, moved":                           "it says moved, but not from which weekday to which; write it like 26 jan, sat to mon, sun to mon, moved",
		strings.Repeat("mon before ", 60) + "1 may": "a rule has at most 600 characters, this has 665",
	} {
		_, err := ParseRule(rule)
		require.EqualError(t, err, want, rule)
	}
}

// Days of a single year, which no rule gives and the independent lists lack.
func TestHolidaysOfOneYear(t *testing.T) {
	for _, x := range []struct{ set, date, name string }{
		{"gb-sct", "2026-06-15", "Bank holiday by royal proclamation"}, // of 4 February 2026
		{"de-be", "2028-06-17", "Uprising of 17 June 1953"},            // its 75th anniversary
		{"de-be", "2025-05-08", "Liberation from National Socialism"},
	} {
		rules, ok := HolidaySet(x.set)
		require.True(t, ok)
		var got []string
		for _, r := range rules {
			for _, h := range r.In(date(t, x.date).Year()) {
				if h.Date == date(t, x.date) {
					got = append(got, r.Name)
				}
			}
		}
		require.Equal(t, []string{x.name}, got, x)
	}
}

func TestCalendarWithHolidays(t *testing.T) {
	var s Spec
	_, err := toml.Decode(`
time_zone = "America/New_York"
holidays = ["us", { name = "Harbour Festival", rule = "first mon in aug" }]
closed = [{ date = 2026-11-26, hours = ["10:00-12:00"], name = "Thanksgiving, open for an hour or two" }, 2026-12-24]
[hours]
mon = ["09:00-17:00"]
tue = ["09:00-17:00"]
wed = ["09:00-17:00"]
thu = ["09:00-17:00"]
fri = ["09:00-17:00"]
`, &s)
	require.NoError(t, err)
	c := made(t, s)
	require.True(t, c.WorkingDay(date(t, "2026-11-26")), "an exception goes before a holiday")
	require.False(t, c.WorkingDay(date(t, "2026-07-03")))
	require.False(t, c.WorkingDay(date(t, "2027-12-31")), "New Year's Day of the year after")
	require.False(t, c.WorkingDay(date(t, "2026-08-03")))
	require.Equal(t, []Closure{
		{date(t, "2026-10-12"), "Columbus Day", []string{}},
		{date(t, "2026-11-11"), "Veterans Day", []string{}},
		{date(t, "2026-11-26"), "Thanksgiving, open for an hour or two", []string{"10:00-12:00"}},
		{date(t, "2026-12-24"), "", []string{}},
		{date(t, "2026-12-25"), "Christmas Day", []string{}},
	}, c.Closures(date(t, "2026-10-01"), date(t, "2027-01-01")))

	s.Holidays[0].Without = []string{"Columbus Day"}
	c = made(t, s)
	require.True(t, c.WorkingDay(date(t, "2026-10-12")))
	text, err := s.Holidays[0].MarshalJSON()
	require.NoError(t, err)
	require.JSONEq(t, `{"set":"us","without":["Columbus Day"]}`, string(text))

	// The rows of pandas' user guide, with the set and not a list: 2014-01-17 is a Friday, the 20th Martin
	// Luther King's.
	start := Local(c.Location(), date(t, "2014-01-17"), 15, 0)
	due, ok := c.After(start, 2*time.Hour+time.Second)
	require.True(t, ok)
	require.Equal(t, "2014-01-21T14:00:01Z", due.Format(time.RFC3339))

	for _, row := range []struct {
		h    Holidays
		want string
	}{
		{Holidays{Set: "uk"}, `holidays[0]: there is no set "uk"; there are ` + strings.Join(HolidaySets(), ", ")},
		{Holidays{}, `holidays[0]: there is no set ""; there are ` + strings.Join(HolidaySets(), ", ")},
		{Holidays{Set: "us", Rule: "1 may"}, `holidays[0]: it must be a set or a rule, not both`},
		{Holidays{Set: "us", Without: []string{"Labour Day"}}, `holidays[0].without[0]: the set us has no holiday called "Labour Day"`},
		{Holidays{Name: "x", Rule: "30 feb"}, `holidays[0].rule: by this rule there is no holiday in any year`},
	} {
		_, err := New(Spec{TimeZone: "UTC", Holidays: []Holidays{row.h}})
		require.EqualError(t, err, row.want)
	}
}
