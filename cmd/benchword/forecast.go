package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"benchword/workflow/forecast"
)

const forecastUsage = `usage: benchword forecast [--quantiles 0.8,…] < durations.csv > answer.json

Estimates how long jobs take when some of them are still running. Reads a row for each job: its duration, in
any unit, then 1 if it has finished or 0 if not. The first row may be the two words. An example:

  duration,finished
  6,1
  9,0

The answer is one JSON object:

  curve      a step for each duration at which jobs finished: t; at_risk, the jobs not finished just before;
             finished, those that did then; survival, the share that takes longer (Kaplan-Meier); se, its
             standard error (Greenwood); low and high, its limits (95 %, log scale, high at most 1); and
             cumulative_hazard (Nelson-Aalen). se, low and high are null where survival is 0.
  median     the duration within which half of the jobs finish, null where the curve doesn't get there
  quantiles  the same for the shares asked for, 0.8 if none are

Without a finished job the curve is empty and the others are null. A row that can't be read, or a duration
that is below 0 or not a number, ends it with the line and the reason.
`

// runForecast answers the sub-command forecast.
func runForecast(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) error {
	f := flags("forecast", errOut)
	f.Usage = func() { _, _ = io.WriteString(errOut, forecastUsage) }
	list := f.String("quantiles", "0.8", "the shares to give durations for, between 0 and 1")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return misused("it takes no arguments and reads standard input; %q is one too many", rest[0])
	}
	shares := strings.Split(*list, ",")
	for i, text := range shares {
		p, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if err != nil || !(p > 0 && p <= 1) {
			return misused("--quantiles takes shares above 0 and up to 1, such as 0.5,0.8; %q is none", text)
		}
		shares[i] = strconv.FormatFloat(p, 'f', -1, 64)
	}
	stays, err := forecast.ReadCSV(in)
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	curve, err := forecast.Estimate(stays)
	if err != nil {
		return err
	}
	if err := json.NewEncoder(out).Encode(forecastAnswerOf(curve, shares)); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}

// forecastAnswer is what forecast prints.
type forecastAnswer struct {
	Curve     []forecastStep      `json:"curve"`
	Median    *float64            `json:"median"`
	Quantiles map[string]*float64 `json:"quantiles"`
}

type forecastStep struct {
	Time     float64  `json:"t"`
	AtRisk   int      `json:"at_risk"`
	Finished int      `json:"finished"`
	Survival decimal  `json:"survival"`
	SE       *decimal `json:"se"`
	Low      *decimal `json:"low"`
	High     *decimal `json:"high"`
	Hazard   decimal  `json:"cumulative_hazard"`
}

// decimal is a number that is written with six decimals.
type decimal float64

func (d decimal) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, float64(d), 'f', 6, 64), nil
}

func forecastAnswerOf(c *forecast.Curve, shares []string) forecastAnswer {
	known := func(t float64, ok bool) *float64 {
		if !ok {
			return nil
		}
		return &t
	}
	a := forecastAnswer{Curve: []forecastStep{}, Median: known(c.Median()), Quantiles: make(map[string]*float64)}
	for _, p := range c.Points() {
		s := forecastStep{Time: p.Time, AtRisk: p.AtRisk, Finished: p.Finished, Survival: decimal(p.Survival), Hazard: decimal(p.Hazard)}
		if p.Limits {
			se, low, high := decimal(p.SE), decimal(p.Low), decimal(p.High)
			s.SE, s.Low, s.High = &se, &low, &high
		}
		a.Curve = append(a.Curve, s)
	}
	for _, text := range shares {
		p, _ := strconv.ParseFloat(text, 64) // read before
		a.Quantiles[text] = known(c.Quantile(p))
	}
	return a
}
