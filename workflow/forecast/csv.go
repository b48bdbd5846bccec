package forecast

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// ReadCSV reads stays, a row each: the duration, then 1 if the job has finished or 0 if it is still there.
//
//	duration,finished
//	6,1
//	9.5,0
//
// The first row may be these two words. Empty lines don't count. A row that can't be read ends it, with an
// error that names its line and the reason.
func ReadCSV(r io.Reader) ([]Stay, error) {
	rows := csv.NewReader(r)
	rows.FieldsPerRecord = -1
	rows.ReuseRecord = true
	rows.TrimLeadingSpace = true
	var stays []Stay
	for first := true; ; first = false {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return stays, nil
		}
		var bad *csv.ParseError
		switch {
		case errors.As(err, &bad):
			return nil, fmt.Errorf("line %d: the quotation marks don't match", bad.Line)
		case err != nil:
			return nil, fmt.Errorf("the durations can't be read: %w", err)
		}
		line, _ := rows.FieldPos(0)
		if first {
			row[0] = strings.TrimPrefix(row[0], "\ufeff") // as spreadsheets write it
		}
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if len(row) == 1 && row[0] == "" || first && len(row) == 2 && row[0] == "duration" && row[1] == "finished" {
			continue
		}
		s, err := readRow(row)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		stays = append(stays, s)
	}
}

func readRow(row []string) (Stay, error) {
	if len(row) != 2 {
		return Stay{}, fmt.Errorf("a row is duration,finished, and this one has %d values", len(row))
	}
	duration, err := strconv.ParseFloat(row[0], 64)
	if errors.Is(err, strconv.ErrRange) {
		return Stay{}, fmt.Errorf("the duration %q is too long", row[0])
	}
	if err != nil || strings.ContainsAny(row[0], "xX_") {
		return Stay{}, fmt.Errorf("the duration %q is not a number such as 6 or 9.5", row[0])
	}
	if why := wrongDuration(duration); why != "" {
		return Stay{}, errors.New(why)
	}
	switch row[1] {
	case "1":
		return Stay{duration + 0, true}, nil
	case "0":
		return Stay{duration + 0, false}, nil
	}
	return Stay{}, fmt.Errorf("finished is 1 or 0, not %q", row[1])
}
