package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func forecastOf(t *testing.T, in string, args ...string) string {
	t.Helper()
	var out, errOut bytes.Buffer
	require.NoError(t, runForecast(t.Context(), args, strings.NewReader(in), &out, &errOut))
	require.Empty(t, errOut.String())
	return strings.TrimSuffix(out.String(), "\n")
}

// Remission in weeks under 6-mercaptopurine: Freireich et al., Blood 21 (1963) 699-716. The package forecast
// says where the numbers of the answer are published, to three decimals; all six were worked out a second time
// from the definitions, with exact fractions and logarithms to 40 digits.
const freireich = "duration,finished\n6,1\n6,1\n6,1\n6,0\n7,1\n9,0\n10,1\n10,0\n11,0\n13,1\n16,1\n17,0\n19,0\n20,0\n22,1\n23,1\n25,0\n32,0\n32,0\n34,0\n35,0\n"

func TestForecastAnswers(t *testing.T) {
	require.Equal(t, `{"curve":[`+strings.Join([]string{
		`{"t":6,"at_risk":21,"finished":3,"survival":0.857143,"se":0.076360,"low":0.719817,"high":1.000000,"cumulative_hazard":0.142857}`,
		`{"t":7,"at_risk":17,"finished":1,"survival":0.806723,"se":0.086935,"low":0.653124,"high":0.996444,"cumulative_hazard":0.201681}`,
		`{"t":10,"at_risk":15,"finished":1,"survival":0.752941,"se":0.096350,"low":0.585919,"high":0.967575,"cumulative_hazard":0.268347}`,
		`{"t":13,"at_risk":12,"finished":1,"survival":0.690196,"se":0.106815,"low":0.509613,"high":0.934769,"cumulative_hazard":0.351681}`,
		`{"t":16,"at_risk":11,"finished":1,"survival":0.627451,"se":0.114054,"low":0.439394,"high":0.895995,"cumulative_hazard":0.442590}`,
		`{"t":22,"at_risk":7,"finished":1,"survival":0.537815,"se":0.128234,"low":0.337037,"high":0.858201,"cumulative_hazard":0.585447}`,
		`{"t":23,"at_risk":6,"finished":1,"survival":0.448179,"se":0.134591,"low":0.248788,"high":0.807372,"cumulative_hazard":0.752114}`,
	}, ",")+`],"median":23,"quantiles":{"0.8":null}}`, forecastOf(t, freireich))

	require.Equal(t, `{"curve":[{"t":2.5,"at_risk":1,"finished":1,"survival":0.000000,"se":null,"low":null,"high":null,"cumulative_hazard":1.000000}],"median":2.5,"quantiles":{"0.8":2.5}}`,
		forecastOf(t, "2.5,1"))
	require.Equal(t, `{"curve":[],"median":null,"quantiles":{"0.8":null}}`, forecastOf(t, ""))
	require.Equal(t, `{"curve":[],"median":null,"quantiles":{"0.8":null}}`, forecastOf(t, "3,0\n4,0\n"))
	require.Contains(t, forecastOf(t, freireich, "--quantiles", "0.10, .25,1"), `"quantiles":{"0.1":6,"0.25":13,"1":null}`)
}

func TestForecastRefuses(t *testing.T) {
	var out, errOut bytes.Buffer
	err := runForecast(t.Context(), nil, strings.NewReader("6,1\n-2,1\n"), &out, &errOut)
	require.EqualError(t, err, "line 2: the duration -2 is below 0")
	var u *usageError
	for _, args := range [][]string{{"durations.csv"}, {"--quantiles", "80"}, {"--quantiles", "0"}, {"--quantiles", "0.5,"}, {"--quantiles", "NaN"}, {"--curve"}} {
		require.ErrorAs(t, runForecast(t.Context(), args, strings.NewReader(freireich), &out, &errOut), &u, "%v", args)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	require.ErrorIs(t, runForecast(ended, nil, strings.NewReader(freireich), &out, &errOut), context.Canceled)
	require.Empty(t, out.String())

	errOut.Reset()
	require.ErrorIs(t, runForecast(t.Context(), []string{"-h"}, nil, &out, &errOut), flag.ErrHelp)
	require.Equal(t, forecastUsage, errOut.String())
	require.ErrorContains(t, runForecast(t.Context(), nil, strings.NewReader(freireich), noRoom{}, &errOut), "the disk is full")
	require.Equal(t, 1, run(t.Context(), []string{"forecast"}, strings.NewReader("6,2"), &out, &errOut))
	require.Contains(t, errOut.String(), "benchword forecast: line 1: finished is 1 or 0, not \"2\"\n")
}

type noRoom struct{}

func (noRoom) Write([]byte) (int, error) { return 0, errors.New("the disk is full") }
