package counter

import (
	"strings"

	"benchword/templates"
	"benchword/templates/locale"

	"github.com/gofiber/fiber/v2"
)

// logPage is what the owner reads of the log: who did, or was refused, what, and from where.
type logPage struct {
	templates.Page
	Lines []logLine
}

func (*logPage) Template() string { return "log.html" }

type logLine struct{ When, Machine, What, Facts string }

func (x *counter) showLog(c *fiber.Ctx) error {
	lines, err := x.s.Watched(c.UserContext())
	if err != nil {
		return err
	}
	v, k := &logPage{Page: x.s.Page(c, "Who came in")}, newClock(x.s.Shop(), x.s.Now())
	for _, l := range lines {
		var facts []string
		for _, f := range l.Facts {
			if f[1] != "" {
				facts = append(facts, f[0]+" "+f[1])
			}
		}
		v.Lines = append(v.Lines, logLine{k.at(l.At), l.At.Format("2006-01-02T15:04:05Z"), locale.Capital(l.What), strings.Join(facts, ", ")})
	}
	return x.render(c, fiber.StatusOK, v)
}
