package main

import (
	"context"
	"encoding/json"
	"errors"
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
	if err := noArguments("price", priceUsage, args, errOut); err != nil {
		return err
	}
	return answerLines(ctx, in, out, priceLine)
}

func priceLine(line []byte) (any, error) {
	if !json.Valid(line) {
		return nil, errors.New("the line is not one JSON object")
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
