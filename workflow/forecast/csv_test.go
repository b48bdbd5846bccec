package forecast

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestReadCSV(t *testing.T) {
	want := []Stay{{6, true}, {9.5, false}, {0, true}}
	for name, text := range map[string]string{
		"plain":         "6,1\n9.5,0\n0,1\n",
		"headed":        "duration,finished\n6,1\n9.5,0\n0,1",
		"a spreadsheet": "\ufeffduration,finished\r\n\"6\",1\r\n9.5,0\r\n\r\n-0,1\r\n",
		"spaced":        " 6 , 1\n\n   \n9.50,0 \n0e5,1\n",
	} {
		got, err := ReadCSV(strings.NewReader(text))
		require.NoError(t, err, name)
		require.Equal(t, want, got, name)
		require.False(t, math.Signbit(got[2].Duration), name)
	}
	for _, text := range []string{"", "\n\n", "duration,finished\n"} {
		got, err := ReadCSV(strings.NewReader(text))
		require.NoError(t, err)
		require.Empty(t, got)
	}
}

func TestReadCSVRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"6,1\n-1,1\n":                 "line 2: the duration -1 is below 0",
		"duration,finished\n\nNaN,0":  "line 3: the duration is not a number",
		"inf,1":                       "line 1: the duration is infinite",
		"1e999,1":                     `line 1: the duration "1e999" is too long`,
		"0x10,1":                      `line 1: the duration "0x10" is not a number such as 6 or 9.5`,
		"6,1\nsix,1":                  `line 2: the duration "six" is not a number such as 6 or 9.5`,
		"6,1\n,1":                     `line 2: the duration "" is not a number such as 6 or 9.5`,
		"6,1\nduration,finished\n7,1": `line 2: the duration "duration" is not a number such as 6 or 9.5`,
		"6,yes":                       `line 1: finished is 1 or 0, not "yes"`,
		"6,":                          `line 1: finished is 1 or 0, not ""`,
		"6,1,2":                       "line 1: a row is duration,finished, and this one has 3 values",
		"6;1":                         "line 1: a row is duration,finished, and this one has 1 values",
		"6,1\n\"7,1\n":                "line 2: the quotation marks don't match",
	} {
		_, err := ReadCSV(strings.NewReader(text))
		require.EqualError(t, err, want, "%q", text)
	}
	_, err := ReadCSV(broken{})
	require.EqualError(t, err, "the durations can't be read: the wire is cut")
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errors.New("the wire is cut") }

// Whatever comes in, either a sentence that names a line comes out, or stays that a curve can be made of and that
// read the same when they are written again.
func FuzzReadCSV(f *testing.F) {
	for _, text := range []string{"", "duration,finished\n6,1\n9.5,0\n", "\ufeff6,1\r\n", "-1,1", "NaN,0", "\"6\",\"1\"\n\n7,0", "1e308,1\n1e-320,1\n", "a,b,c", "\"6"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ReadCSV(strings.NewReader(text))
		if err != nil {
			line := 0
			_, scan := fmt.Sscanf(err.Error(), "line %d: ", &line)
			require.NoError(t, scan, "%v", err)
			require.GreaterOrEqual(t, line, 1)
			require.LessOrEqual(t, line, strings.Count(text, "\n")+1)
			return
		}
		c, err := Estimate(got)
		require.NoError(t, err)
		for _, p := range c.Points() {
			require.False(t, math.IsNaN(p.Survival+p.SE+p.Low+p.High+p.Hazard))
			require.True(t, 0 <= p.Survival && p.Survival < 1)
		}
		var again strings.Builder
		for _, s := range got {
			finished := 0
			if s.Finished {
				finished = 1
			}
			fmt.Fprintf(&again, "%v,%d\n", s.Duration, finished)
		}
		same, err := ReadCSV(strings.NewReader(again.String()))
		require.NoError(t, err)
		require.Equal(t, got, same)
	})
}
