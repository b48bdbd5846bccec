package evidence

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"benchword/workflow"
)

// Side is how many units a mark's coordinates count across the upright photo, and down it.
const Side = 10000

// CheckMarks returns the first thing wrong with marks, as a [workflow.Error] to be shown, or nil. What
// passes can be drawn by [Burn] and applied by [Desk.Remake].
func CheckMarks(marks []workflow.Mark) error {
	bad := func(i int, format string, args ...any) error {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "marks",
			Message: fmt.Sprintf("Mark %d ", i+1) + fmt.Sprintf(format, args...)}
	}
	if len(marks) > workflow.MaxList {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "marks", Message: fmt.Sprintf("At most %d marks fit on a photo.", workflow.MaxList)}
	}
	for i, m := range marks {
		two := true
		switch m.Kind {
		case workflow.MarkRing, workflow.MarkArrow, workflow.MarkBlur:
		case workflow.MarkPoint:
			two = false
		default:
			return bad(i, "is of no known kind. Use ring, arrow, point or blur.")
		}
		for _, v := range []int{m.X, m.Y, m.X2, m.Y2} {
			if v < 0 || v > Side {
				return bad(i, "lies outside of the photo. Put it inside.")
			}
		}
		if two && m.X == m.X2 && m.Y == m.Y2 {
			return bad(i, "has no size. Draw it again, larger.")
		}
		if m.Kind == workflow.MarkBlur && (m.X == m.X2 || m.Y == m.Y2) {
			return bad(i, "covers no area. Draw it again, larger.")
		}
		if m.Number < 0 || m.Number > 99 {
			return bad(i, "has a number that is not between 1 and 99.")
		}
		if utf8.RuneCountInString(m.Text.Text) > workflow.MaxLine || strings.ContainsFunc(m.Text.Text, func(r rune) bool { return r < 0x20 || r == 0x7f }) || !utf8.ValidString(m.Text.Text) {
			return bad(i, "has a text that is too long or holds control characters. At most %d characters fit.", workflow.MaxLine)
		}
	}
	return nil
}

// Blurs reports whether any of the marks is a blurred area, so that copies must be made with it.
func Blurs(marks []workflow.Mark) bool {
	for _, m := range marks {
		if m.Kind == workflow.MarkBlur {
			return true
		}
	}
	return false
}
