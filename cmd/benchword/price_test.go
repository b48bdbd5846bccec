package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	priceRequest = `{"currency":"CAD","prices":"before_tax","lines":[{"kind":"labour","text":"…","quantity":"1.5","unit_price":"80.00","tax":"hst"}],"taxes":{"hst":{"percent":"15"}},"paid":"0.00"}`
	priceAnswer  = `{"lines":["120.00"],"net":"120.00","tax":[{"name":"hst","percent":"15","base":"120.00","amount":"18.00"}],"tax_total":"18.00","total":"138.00","balance":"138.00"}`
)

func price(t *testing.T, in string) []string {
	t.Helper()
	var out, errOut bytes.Buffer
	require.NoError(t, runPrice(t.Context(), nil, strings.NewReader(in), &out, &errOut))
	require.Empty(t, errOut.String())
	if out.Len() == 0 {
		return nil
	}
	return strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
}

func TestPriceAnswersLineByLine(t *testing.T) {
	require.Nil(t, price(t, ""))
	require.Equal(t, []string{priceAnswer}, price(t, priceRequest))
	require.Equal(t, []string{priceAnswer, priceAnswer}, price(t, priceRequest+"\r\n"+priceRequest+"\n"))

	got := price(t, strings.Join([]string{
		priceRequest,
		"",
		"not JSON",
		priceRequest + " " + priceRequest,
		strings.Replace(priceRequest, "1.5", "1,5", 1),
		strings.Replace(priceRequest, `"paid"`, `"payed"`, 1),
		`"` + strings.Repeat("x", maxJSONLine) + `"`,
		"null",
		strings.Replace(priceRequest, "hst", "<&>", 2),
		priceRequest,
	}, "\n"))
	require.Equal(t, []string{
		priceAnswer,
		`{"error":"the line is not one JSON object"}`,
		`{"error":"the line is not one JSON object"}`,
		`{"error":"the line is not one JSON object"}`,
		`{"error":"lines[0].quantity: \"1,5\" is not a plain decimal number; write it like 1.5 or 12 or -0.25, with a point and without spaces or grouping"}`,
		`{"error":"payed: this field is not known; known are currency, prices, lines, taxes, paid"}`,
		`{"error":"the line is longer than 4194304 bytes"}`,
		`{"error":"the request must be a JSON object in braces"}`,
		strings.Replace(priceAnswer, "hst", "<&>", 1),
		priceAnswer,
	}, got)
}

func TestPriceKeepsTheOrderOfManyLines(t *testing.T) {
	var in strings.Builder
	for i := range 5000 {
		if i%7 == 0 {
			in.WriteString("broken\n")
		} else {
			in.WriteString(priceRequest + "\n")
		}
	}
	got := price(t, in.String())
	require.Len(t, got, 5000)
	for i, line := range got {
		if i%7 == 0 {
			require.Contains(t, line, "error")
		} else {
			require.Equal(t, priceAnswer, line)
		}
	}
}

// A program that writes one line and waits for the answer before it writes the next must not hang.
func TestPriceAnswersAtOnce(t *testing.T) {
	inR, inW := io.Pipe()
	outR, outW := io.Pipe()
	done := make(chan error, 1)
	go func() {
		done <- runPrice(t.Context(), nil, inR, outW, io.Discard)
		_ = outW.Close()
	}()
	answers := json.NewDecoder(outR)
	for range 3 {
		_, err := io.WriteString(inW, priceRequest+"\n")
		require.NoError(t, err)
		var a struct{ Total string }
		require.NoError(t, answers.Decode(&a))
		require.Equal(t, "138.00", a.Total)
	}
	require.NoError(t, inW.Close())
	require.NoError(t, <-done)
}

func TestPriceArguments(t *testing.T) {
	var out, errOut bytes.Buffer
	require.ErrorIs(t, runPrice(t.Context(), []string{"-h"}, strings.NewReader(""), &out, &errOut), flag.ErrHelp)
	require.Contains(t, errOut.String(), "usage: benchword price")
	require.Empty(t, out.String())
	require.ErrorContains(t, runPrice(t.Context(), []string{"file.jsonl"}, strings.NewReader(""), &out, &errOut), `"file.jsonl" is one too many`)
	var called *usageError
	require.ErrorAs(t, runPrice(t.Context(), []string{"--fast"}, strings.NewReader(""), &out, &errOut), &called)

	_, example, _ := strings.Cut(priceUsage, "An example:\n\n")
	example, _, _ = strings.Cut(example, "\n\n")
	require.Equal(t, []string{priceAnswer}, price(t, strings.TrimSpace(example)), "the example in the usage must work")
}

func TestPriceEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, runPrice(ctx, nil, strings.NewReader(priceRequest), io.Discard, io.Discard), context.Canceled)

	broken := errors.New("the disk is gone")
	require.ErrorIs(t, runPrice(t.Context(), nil, io.MultiReader(strings.NewReader(priceRequest+"\n"), failing{broken}), io.Discard, io.Discard), broken)
	require.ErrorIs(t, runPrice(t.Context(), nil, strings.NewReader(priceRequest), failing{broken}, io.Discard), broken)
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error)  { return 0, f.err }
func (f failing) Write([]byte) (int, error) { return 0, f.err }

func BenchmarkPriceLines(b *testing.B) {
	in := strings.Repeat(priceRequest+"\n", 1000)
	b.SetBytes(int64(len(in)))
	for b.Loop() {
		if err := runPrice(b.Context(), nil, strings.NewReader(in), io.Discard, io.Discard); err != nil {
			b.Fatal(err)
		}
	}
}
