package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// maxJSONLine is the longest line that is read; a price of money.MaxLines lines fits well.
const maxJSONLine = 4 << 20

// noArguments reads the arguments of a sub-command that answers JSON Lines: it takes none but -h, which
// shows usage.
func noArguments(name, usage string, args []string, errOut io.Writer) error {
	f := flags(name, errOut)
	f.Usage = func() { _, _ = io.WriteString(errOut, usage) }
	rest, err := parse(f, args)
	if err == nil && len(rest) > 0 {
		err = misused("it takes no arguments and reads standard input; %q is one too many", rest[0])
	}
	return err
}

// answerLines reads JSON Lines from in and writes one line of JSON to out for each, in the same order:
// what answer returns, or {"error":"…"} where it returns an error or the line is too long. A program that
// writes a line and waits gets its answer at once. It ends with in, when ctx is done, or when out fails.
func answerLines(ctx context.Context, in io.Reader, out io.Writer, answer func(line []byte) (any, error)) error {
	r := bufio.NewReaderSize(in, 64<<10)
	w := bufio.NewWriterSize(out, 64<<10)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		line, err := readLine(r)
		if errors.Is(err, io.EOF) {
			return w.Flush()
		}
		var v any
		switch {
		case errors.Is(err, errLongLine):
		case err != nil:
			return errors.Join(fmt.Errorf("reading the lines: %w", err), w.Flush())
		default:
			v, err = answer(line)
		}
		if err != nil {
			v = struct {
				Error string `json:"error"`
			}{err.Error()}
		}
		if err := enc.Encode(v); err != nil {
			return fmt.Errorf("writing an answer: %w", err)
		}
		if r.Buffered() == 0 {
			if err := w.Flush(); err != nil {
				return fmt.Errorf("writing an answer: %w", err)
			}
		}
	}
}

var errLongLine = fmt.Errorf("the line is longer than %d bytes", maxJSONLine)

// readLine returns the next line without its end; io.EOF if there is none. The last one needs no end. Of a
// line that is too long nothing is kept.
func readLine(r *bufio.Reader) ([]byte, error) {
	var line []byte
	long := false
	for {
		part, err := r.ReadSlice('\n')
		if !long {
			line = append(line, part...)
		}
		if len(line) > maxJSONLine {
			line, long = nil, true
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case errors.Is(err, io.EOF):
			if len(line) == 0 && !long {
				return nil, io.EOF
			}
		case err != nil:
			return nil, err
		}
		if long {
			return nil, errLongLine
		}
		return bytes.TrimRight(line, "\r\n"), nil
	}
}
