// Package longtest says how often tests repeat what they check. What is checked is the same in each run.
package longtest

import (
	"os"
	"testing"
)

// Long reports whether everything is tried as often as there is a number for: .ci/run long sets BENCHWORD_LONG.
func Long() bool { return os.Getenv("BENCHWORD_LONG") != "" }

// Times returns how often something is tried: in a long run, in a usual one, with -short.
func Times(long, usual, short int) int {
	switch {
	case Long():
		return long
	case testing.Short():
		return short
	}
	return usual
}
