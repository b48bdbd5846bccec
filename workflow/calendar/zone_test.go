package calendar

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// published reads a table of testdata/published without its comments, as rows by column. Each file names
// its sources in its first lines.
func published(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/published/" + name)
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	rows := make([]map[string]string, 0, len(all)-1)
	for _, cells := range all[1:] {
		row := make(map[string]string)
		for i, cell := range cells {
			row[all[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func utc(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return at
}

// Laws of 2026: data older than 2026f must not pass.
func TestZoneDataKnowsTheLawsOf2026(t *testing.T) {
	require.GreaterOrEqual(t, ZoneDataVersion(), "2026f")
	rows := published(t, "tz_2026_law_changes.csv")
	require.Len(t, rows, 8)
	for _, row := range rows {
		wall, err := time.Parse("2006-01-02T15:04", row["local"])
		require.NoError(t, err)
		got := Local(zone(t, row["zone"]), NewDate(wall.Date()), wall.Hour(), wall.Minute())
		require.Equal(t, row["utc_2026f"], got.UTC().Format(time.RFC3339), "%s: %s", row["zone"], row["law"])
	}
}

// Every transition of 16 zones from 2024 to 2028, as Python's zoneinfo reads the 2026f data: each is there,
// and there is no other.
func TestZoneDataHasThePublishedTransitions(t *testing.T) {
	rows := published(t, "tz_transitions.csv")
	require.Len(t, rows, 103)
	want := make(map[string][]string)
	for _, row := range rows {
		loc := zone(t, row["zone"])
		at := utc(t, row["utc"])
		for _, side := range []struct {
			at                  time.Time
			offset, abbr, local string
			forward             time.Duration
		}{
			{at.Add(-time.Second), row["off_before"], row["abbr_before"], row["local_before"], time.Second},
			{at, row["off_after"], row["abbr_after"], row["local_after"], 0},
		} {
			abbr, offset := side.at.In(loc).Zone()
			require.Equal(t, side.offset, strconv.Itoa(offset), "%v", row)
			require.Equal(t, side.abbr, abbr, "%v", row)
			require.Equal(t, side.local, side.at.In(loc).Add(side.forward).In(time.FixedZone("", offset)).Format("2006-01-02T15:04:05"), "%v", row)
		}
		want[row["zone"]] = append(want[row["zone"]], row["utc"])
	}
	for name, list := range want {
		var got []string
		for at := utc(t, "2024-01-01T00:00:00Z").Unix(); ; {
			_, at = offsetAt(at, zone(t, name))
			if at >= utc(t, "2029-01-01T00:00:00Z").Unix() {
				break
			}
			got = append(got, instant(at).Format(time.RFC3339))
		}
		require.Equal(t, list, got, name)
	}
}

func TestZoneDataIsTheProgramsOwn(t *testing.T) {
	t.Setenv("ZONEINFO", t.TempDir())
	loc, err := LoadLocation("America/Vancouver")
	require.NoError(t, err)
	_, offset := utc(t, "2026-12-15T16:00:00Z").In(loc).Zone()
	require.Equal(t, -7*3600, offset)
}

func TestZoneNames(t *testing.T) {
	names := ZoneNames()
	require.Greater(t, len(names), 500)
	for _, name := range names {
		loc, err := LoadLocation(name)
		require.NoError(t, err)
		require.Equal(t, name, loc.String())
	}
	// Another name of the same zone.
	_, india := utc(t, "2026-11-25T00:00:00Z").In(zone(t, "Asia/Calcutta")).Zone()
	require.Equal(t, 19800, india)

	for name, text := range map[string]string{
		"":                    `"" is not a time zone of the IANA database; write one like America/Halifax`,
		"Local":               `"Local" is not a time zone of the IANA database; write one like America/Halifax`,
		"america/halifax":     `"america/halifax" is not a time zone; it is spelt "America/Halifax"`,
		"../../../etc/passwd": `"../../../etc/passwd" is not a time zone of the IANA database; write one like America/Halifax`,
		"version":             `"version" is not a time zone of the IANA database; write one like America/Halifax`,
	} {
		_, err := LoadLocation(name)
		require.EqualError(t, err, text)
	}
}

// The packed file holds no more than it says: each entry is a zone or one of the two lists, and every
// alias has its zone.
func TestZoneFileIsWhole(t *testing.T) {
	r, err := zip.NewReader(bytes.NewReader(zoneFile), int64(len(zoneFile)))
	require.NoError(t, err)
	own := make(map[string]bool)
	var aliases string
	for _, f := range r.File {
		content := string(inflate(f))
		switch f.Name {
		case "version":
			require.Equal(t, ZoneDataVersion()+"\n", content)
		case "aliases":
			aliases = content
		default:
			require.True(t, strings.HasPrefix(content, "TZif"), f.Name)
			own[f.Name] = true
		}
	}
	n := 0
	for line := range strings.Lines(aliases) {
		alias, name, ok := strings.Cut(strings.TrimSpace(line), " ")
		require.True(t, ok && own[name] && !own[alias], line)
		n++
	}
	require.Len(t, ZoneNames(), len(own)+n)
}

// Walking over the changes of the clocks comes to the end of the reach in every zone. (Go 1.26's
// Time.ZoneBounds alone doesn't: on 31 December of 2040 it names that day's first second as the end.)
func TestEveryZoneComesToItsEnd(t *testing.T) {
	for _, name := range ZoneNames() {
		loc, n := zone(t, name), 0
		for at := begin; at < end; n++ {
			offset, until := offsetAt(at, loc)
			require.Greater(t, until, at, name)
			_, want := instant(min(until, end) - 1).In(loc).Zone()
			require.EqualValues(t, want, offset, "%s: %s", name, instant(at))
			at = until
		}
		require.Less(t, n, 1200, name)
	}
}
