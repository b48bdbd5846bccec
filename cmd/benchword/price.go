package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"

	"benchword/workflow/money"
)

const priceUsage = `usage: benchword price < requests.jsonl > answers.jsonl

Prices lists of lines with taxes, exactly. Reads one JSON object a line and answers each with one line;
a line that can't be read gets {"error":"…"} in its place. An example:

  {"currency":"CAD","prices":"before_tax","lines":[{"kind":"labour","text":"Bench time","quantity":"1.5","unit_price":"80.00","tax":"hst"}],"taxes":{"hst":{"percent":"15"}},"paid":"0.00"}

prices is before_tax or with_tax; kind is labour, part, fee, carriage or credit (with a unit price below
zero). Numbers are texts in quotes, so that none of them goes through a float.
`

// runPrice answers the sub-command price: JSON Lines of [money.Request] in, [money.Answer] out.
func runPrice(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) error {
	flags := flag.NewFlagSet("price", flag.ContinueOnError)
	flags.SetOutput(errOut)
	flags.Usage = func() { _, _ = io.WriteString(errOut, priceUsage) }
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return nil
	} else if err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("benchword price takes no arguments, it reads standard input; %q is one too many", flags.Arg(0))
	}
	return answerLines(ctx, in, out, priceLine)
}

func priceLine(line []byte) (any, error) {
	if !json.Valid(line) {
		return nil, fmt.Errorf("the line is not one JSON object")
	}
	var r money.Request
	if err := json.Unmarshal(line, &r); err != nil {
		return nil, err
	}
	result, err := money.Price(r)
	if err != nil {
		return nil, err
	}
	return result.Answer(), nil
}
