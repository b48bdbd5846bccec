package templates

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"benchword/workflow/ledger"
)

// WhyCheck says in words what speaks for a proposed check.
func WhyCheck(p ledger.Proposal) string {
	percent := func(x float64) string { return strconv.Itoa(int(math.Round(x*100))) + " %" }
	opens := ""
	if len(p.Opens) > 0 {
		opens = ", with " + strings.ToLower(strings.Join(p.Opens, ", ")) + " first"
	}
	switch {
	case p.Way == ledger.ByCare:
		return fmt.Sprintf("The safe one first, before any power: %s%s.", minutes(p.Minutes), opens)
	case p.Way == ledger.ByGain:
		return fmt.Sprintf("It tells most for its time: %s%s. One check here speaks of several suspects, so this is a measure, not a proof.", minutes(p.Minutes), opens)
	case p.Way == ledger.ByRun && len(p.Run) > 1:
		return fmt.Sprintf("Once it is open, %d checks lie close together: %s to find it in %s, the opening included. No order finds it sooner on average.", len(p.Run), percent(p.RunChance), minutes(p.RunMinutes))
	}
	return fmt.Sprintf("Most likely for its time: %s in %s%s. No order finds it sooner on average.", percent(p.Chance), minutes(p.Minutes), opens)
}

func minutes(n float64) string { return Count(int(math.Round(n)), "minute", "minutes") }

// Count returns a number with its noun, for staff: "no checks", "1 check", "3 checks".
func Count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
